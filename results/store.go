package results

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"go.etcd.io/bbolt"
	bbolterrors "go.etcd.io/bbolt/errors"
)

var (
	// ErrNotFound means that the store has no record under this identifier.
	ErrNotFound = errors.New("not in the store")
	// ErrInUse means that another process has the store open.
	ErrInUse = errors.New("the store is in use by another process")
	// ErrCutShort means that the file has lost its end.
	ErrCutShort = errors.New("the store is cut short")
	// ErrVersion means that the file was written by a later version of the format.
	ErrVersion = errors.New("the store's format is not known to this version of rundown")
)

// lockPatience is how long a store that another process holds is waited for: one that was
// killed this instant lets go of it soon.
const lockPatience = 200 * time.Millisecond

// FormatVersion is the version of the store's format that this code writes. Earlier
// versions stay readable; files of each are kept in testdata/stores.
const FormatVersion = 1

// A Store keeps everything recorded, in one bbolt file:
//
//	meta/version                      format version, decimal
//	runs/<run id>                     Run, JSON
//	segments/<segment id>             Segment, JSON; an ID begins with its run's and a
//	                                  hyphen, so that a run's segments lie together
//	samples/<segment id>/<first seq>  up to chunkSamples samples as one column chunk
//	                                  (chunk.go); key big-endian uint64, the last one
//	                                  is rewritten until it is full
//	readings/<segment id>/<meter>/<number>
//	                                  up to chunkReadings readings of a meter as one column
//	                                  chunk (readings.go), alike; a record that was attached
//	                                  has its own name after the meter's and a zero byte.
//	                                  Added within version 1: older code leaves it alone
//	documents/<kind>/<id>             JSON owned by the caller: queue, journal, surveys
//
// One record that cannot be read costs that record: readers return what they could read
// together with an error that names each of the others.
//
// A Store is safe for concurrent use.
type Store struct {
	db       *bbolt.DB
	watchers watchers
}

var (
	bucketMeta      = []byte("meta")
	bucketRuns      = []byte("runs")
	bucketSegments  = []byte("segments")
	bucketSamples   = []byte("samples")
	bucketReadings  = []byte("readings")
	bucketDocuments = []byte("documents")
	keyVersion      = []byte("version")
)

// Open opens the store at path and makes it when there is none. ErrInUse when another
// process holds it; ErrVersion when it is of a later format.
func Open(path string) (*Store, error) {
	if err := checkWhole(path); err != nil {
		return nil, err
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{
		Timeout:        lockPatience,
		NoFreelistSync: true,
		FreelistType:   bbolt.FreelistMapType,
	})
	switch {
	case errors.Is(err, bbolterrors.ErrTimeout):
		return nil, fmt.Errorf("%s: %w: stop the other rundown first", path, ErrInUse)
	case errors.Is(err, fs.ErrPermission) || errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("%s: may not be opened for writing: check its owner and rights: %w", path, err)
	case err != nil:
		return nil, fmt.Errorf("%s: cannot be opened as a store (nothing was changed; restore a backup or name another data folder): %w", path, err)
	}
	s := &Store{db: db}
	if err := s.prepare(); err != nil {
		_ = db.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

// checkWhole refuses a file that is shorter than it says. Such a file opens, and ends the
// process at the first page that is not there.
func checkWhole(path string) error {
	info, err := os.Stat(path)
	if err != nil || info.Size() == 0 {
		return nil // none yet; or one that cannot be seen, which opening will say
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{Timeout: lockPatience, ReadOnly: true})
	if err != nil {
		return nil // opening for writing says why
	}
	defer db.Close()
	var want int64
	if err := db.View(func(tx *bbolt.Tx) error {
		want = tx.Size()
		return nil
	}); err != nil {
		return err
	}
	if info.Size() < want {
		return fmt.Errorf("%s: %w: it has %d bytes of %d; nothing was changed. Put a backup in its place or name another data folder, then collect what still lies on the handsets",
			path, ErrCutShort, info.Size(), want)
	}
	return nil
}

func (s *Store) prepare() error {
	return s.db.Update(func(tx *bbolt.Tx) error {
		for _, name := range [][]byte{bucketMeta, bucketRuns, bucketSegments, bucketSamples, bucketReadings, bucketDocuments} {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		meta := tx.Bucket(bucketMeta)
		have := meta.Get(keyVersion)
		if have == nil {
			return meta.Put(keyVersion, fmt.Append(nil, FormatVersion))
		}
		return checkVersion(have)
	})
}

// Close closes the file. It waits for transactions under way.
func (s *Store) Close() error { return s.db.Close() }

// Used is how much of the file is in use, bytes; the file itself grows by doubling.
func (s *Store) Used() int64 {
	var size int64
	_ = s.db.View(func(tx *bbolt.Tx) error { // a transaction that only asks cannot fail
		size = tx.Size()
		return nil
	})
	stats := s.db.Stats()
	return size - int64(stats.FreePageN+stats.PendingPageN)*int64(s.db.Info().PageSize)
}

// Path is the file's name.
func (s *Store) Path() string { return s.db.Path() }

// PutRun stores r under its ID, in place of an earlier state of the same run.
func (s *Store) PutRun(r Run) error {
	return s.wrote(s.put([][]byte{bucketRuns}, r.ID, r), Write{Kind: WroteRun, ID: r.ID})
}

// Run returns one run, or ErrNotFound.
func (s *Store) Run(id string) (Run, error) {
	var r Run
	return r, s.get([][]byte{bucketRuns}, id, &r)
}

// Runs returns every readable run in the order of their identifiers, and an error that
// names those that could not be read.
func (s *Store) Runs() ([]Run, error) { return all[Run](s, bucketRuns) }

// PutSegment stores g under its ID, in place of an earlier state of the same segment. The
// ID of a segment that belongs to a run begins with the run's and a hyphen: that is how
// Segments finds a run's without reading a year of others.
func (s *Store) PutSegment(g Segment) error {
	if err := checkSegmentID(g); err != nil {
		return err
	}
	return s.wrote(s.put([][]byte{bucketSegments}, g.ID, g), Write{Kind: WroteSegment, ID: g.ID, Outcome: g.Outcome})
}

// DropUnbegun removes the record of a segment of which nothing was recorded; that there is none is no
// error. ErrMeasured leaves one that has samples, or has come to an end, as it is.
func (s *Store) DropUnbegun(id string) error {
	var g Segment
	err := s.db.Update(func(tx *bbolt.Tx) error {
		if err := read(tx, [][]byte{bucketSegments}, id, &g); err != nil {
			return err
		}
		if g.Outcome != Underway || tx.Bucket(bucketSamples).Bucket([]byte(id)) != nil {
			return fmt.Errorf("segment %s: %w", id, ErrMeasured)
		}
		return tx.Bucket(bucketSegments).Delete([]byte(id))
	})
	if errors.Is(err, ErrNotFound) {
		return nil
	}
	return s.wrote(err, Write{Kind: WroteSegment, ID: id})
}

func checkSegmentID(g Segment) error {
	if g.RunID != "" && !strings.HasPrefix(g.ID, segmentPrefix(g.RunID)) {
		return fmt.Errorf("segment %s: want an identifier that begins with %s, its run's", g.ID, segmentPrefix(g.RunID))
	}
	return nil
}

// ChangeSegment has change alter a segment as it is stored now, and stores what became of
// it: nothing that another writer stores meanwhile is lost. ErrNotFound, and change's own
// error, leave it as it is. change must not use the store.
func (s *Store) ChangeSegment(id string, change func(*Segment) error) error {
	path := [][]byte{bucketSegments}
	var g Segment
	err := s.db.Update(func(tx *bbolt.Tx) error {
		if err := read(tx, path, id, &g); err != nil {
			return err
		}
		if err := change(&g); err != nil {
			return err
		}
		if g.ID != id {
			return fmt.Errorf("segment %s: its identifier was changed to %s", id, g.ID)
		}
		value, err := json.Marshal(g)
		if err != nil {
			return fmt.Errorf("record %s: %w", id, err)
		}
		return tx.Bucket(bucketSegments).Put([]byte(id), value)
	})
	return s.wrote(err, Write{Kind: WroteSegment, ID: id, Outcome: g.Outcome})
}

func segmentPrefix(runID string) string { return runID + "-" }

// Segment returns one segment, or ErrNotFound.
func (s *Store) Segment(id string) (Segment, error) {
	var g Segment
	return g, s.get([][]byte{bucketSegments}, id, &g)
}

// Segments returns every readable segment of one run, or of all runs when runID is
// empty, in the order of their identifiers.
func (s *Store) Segments(runID string) ([]Segment, error) {
	if runID == "" {
		return all[Segment](s, bucketSegments)
	}
	list, err := under[Segment](s, segmentPrefix(runID), bucketSegments)
	return slices.DeleteFunc(list, func(g Segment) bool { return g.RunID != runID }), err
}

// segmentsAtOnce is how many segments EachSegment holds in memory.
const segmentsAtOnce = 64

// EachSegment hands the readable segments of one run, or of all runs when runID is empty,
// to visit in the order of their identifiers, until visit returns an error, which is
// returned with one that names the segments that could not be read. A year of segments is
// never in memory at once, and visit may use the store.
func (s *Store) EachSegment(runID string, visit func(Segment) error) error {
	prefix := []byte{}
	if runID != "" {
		prefix = []byte(segmentPrefix(runID))
	}
	var bad []error
	path := [][]byte{bucketSegments}
	for from := prefix; from != nil; {
		var some []Segment
		var next []byte
		if err := s.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket(bucketSegments).Cursor()
			id, value := c.Seek(from)
			for ; id != nil && bytes.HasPrefix(id, prefix); id, value = c.Next() {
				if len(some) == segmentsAtOnce {
					next = bytes.Clone(id)
					return nil
				}
				if g, ok := record[Segment](path, id, value, &bad); ok && (runID == "" || g.RunID == runID) {
					some = append(some, g)
				}
			}
			return nil
		}); err != nil {
			return errors.Join(append(bad, err)...)
		}
		for _, g := range some {
			if err := visit(g); err != nil {
				return errors.Join(append(bad, err)...)
			}
		}
		from = next
	}
	return errors.Join(bad...)
}

// RunsBack hands the readable runs to visit, latest identifier first, beginning with the
// one before the identifier before (empty: with the last), until visit returns false.
// Runs that cannot be read are named in the error; the others are visited all the same.
func (s *Store) RunsBack(before string, visit func(Run) bool) error {
	return back(s, before, visit, bucketRuns)
}

// DocumentsBack does the same with the documents of a kind.
func DocumentsBack[T any](s *Store, kind, before string, visit func(T) bool) error {
	return back(s, before, visit, bucketDocuments, []byte(kind))
}

// PutDocument stores a value of the caller's own as JSON.
func (s *Store) PutDocument(kind, id string, v any) error {
	return s.wrote(s.put([][]byte{bucketDocuments, []byte(kind)}, id, v), Write{Kind: WroteDocument, Document: kind, ID: id})
}

// PutDocuments stores documents of a kind by their identifiers, all or none of them.
func (s *Store) PutDocuments(kind string, byID map[string]any) error {
	values, writes := map[string][]byte{}, make([]Write, 0, len(byID))
	for _, id := range slices.Sorted(maps.Keys(byID)) {
		value, err := json.Marshal(byID[id])
		if err != nil {
			return fmt.Errorf("record %s: %w", id, err)
		}
		values[id] = value
		writes = append(writes, Write{Kind: WroteDocument, Document: kind, ID: id})
	}
	return s.wrote(s.db.Update(func(tx *bbolt.Tx) error {
		b, err := tx.Bucket(bucketDocuments).CreateBucketIfNotExists([]byte(kind))
		if err != nil {
			return err
		}
		for id, value := range values {
			if err := b.Put([]byte(id), value); err != nil {
				return err
			}
		}
		return nil
	}), writes...)
}

// Document reads a document into v, or returns ErrNotFound.
func (s *Store) Document(kind, id string, v any) error {
	return s.get([][]byte{bucketDocuments, []byte(kind)}, id, v)
}

// DeleteDocument removes a document; one that is not there is no error.
func (s *Store) DeleteDocument(kind, id string) error {
	return s.wrote(s.db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketDocuments).Bucket([]byte(kind))
		if b == nil {
			return nil
		}
		return b.Delete([]byte(id))
	}), Write{Kind: WroteDocument, Document: kind, ID: id})
}

// DeleteDocuments removes all documents of a kind; that there are none is no error.
func (s *Store) DeleteDocuments(kind string) error {
	return s.wrote(s.db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketDocuments)
		if b.Bucket([]byte(kind)) == nil {
			return nil
		}
		return b.DeleteBucket([]byte(kind))
	}), Write{Kind: WroteDocument, Document: kind})
}

// Documents returns every readable document of a kind, by identifier in order.
func Documents[T any](s *Store, kind string) ([]T, error) {
	return all[T](s, bucketDocuments, []byte(kind))
}

func (s *Store) put(path [][]byte, id string, v any) error {
	value, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("record %s: %w", id, err)
	}
	return s.db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket(path[0])
		for _, name := range path[1:] {
			if b, err = b.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		return b.Put([]byte(id), value)
	})
}

func bucketAt(tx *bbolt.Tx, path [][]byte) *bbolt.Bucket {
	b := tx.Bucket(path[0])
	for _, name := range path[1:] {
		if b == nil {
			return nil
		}
		b = b.Bucket(name)
	}
	return b
}

func (s *Store) get(path [][]byte, id string, v any) error {
	return s.db.View(func(tx *bbolt.Tx) error { return read(tx, path, id, v) })
}

func read(tx *bbolt.Tx, path [][]byte, id string, v any) error {
	b := bucketAt(tx, path)
	if b == nil {
		return fmt.Errorf("%s %s: %w", path[len(path)-1], id, ErrNotFound)
	}
	value := b.Get([]byte(id))
	if value == nil {
		return fmt.Errorf("%s %s: %w", path[len(path)-1], id, ErrNotFound)
	}
	if err := json.Unmarshal(value, v); err != nil {
		return fmt.Errorf("%s %s cannot be read: %w", path[len(path)-1], id, err)
	}
	return nil
}

func all[T any](s *Store, path ...[]byte) (list []T, err error) { return under[T](s, "", path...) }

// under reads the records whose identifier begins with prefix.
func under[T any](s *Store, prefix string, path ...[]byte) (list []T, err error) {
	var bad []error
	err = s.db.View(func(tx *bbolt.Tx) error {
		b := bucketAt(tx, path)
		if b == nil {
			return nil
		}
		c := b.Cursor()
		for id, value := c.Seek([]byte(prefix)); id != nil && bytes.HasPrefix(id, []byte(prefix)); id, value = c.Next() {
			if v, ok := record[T](path, id, value, &bad); ok {
				list = append(list, v)
			}
		}
		return nil
	})
	return list, errors.Join(append(bad, err)...)
}

// back visits records from the end. The record is read inside of a transaction: visit
// must not write to the store.
func back[T any](s *Store, before string, visit func(T) bool, path ...[]byte) error {
	var bad []error
	err := s.db.View(func(tx *bbolt.Tx) error {
		b := bucketAt(tx, path)
		if b == nil {
			return nil
		}
		c := b.Cursor()
		id, value := c.Last()
		if before != "" {
			if at, _ := c.Seek([]byte(before)); at != nil {
				id, value = c.Prev()
			}
		}
		for ; id != nil; id, value = c.Prev() {
			if v, ok := record[T](path, id, value, &bad); ok && !visit(v) {
				return nil
			}
		}
		return nil
	})
	return errors.Join(append(bad, err)...)
}

// record reads one record; one that cannot be read is added to bad, and a nested bucket is
// no record.
func record[T any](path [][]byte, id, value []byte, bad *[]error) (v T, ok bool) {
	if value == nil {
		return v, false
	}
	if err := json.Unmarshal(value, &v); err != nil {
		*bad = append(*bad, fmt.Errorf("%s %s cannot be read: %w", path[len(path)-1], id, err))
		return v, false
	}
	return v, true
}

// AppendSamples adds samples to a segment. Those with a sequence number not above the
// last one stored are left out, so the same stretch of a handset's file may be handed in
// again after a crash. It returns how many were new.
func (s *Store) AppendSamples(segmentID string, samples []Sample) (added int, err error) {
	if len(samples) == 0 {
		return 0, nil
	}
	err = s.db.Update(func(tx *bbolt.Tx) error {
		added = 0
		b, err := tx.Bucket(bucketSamples).CreateBucketIfNotExists([]byte(segmentID))
		if err != nil {
			return err
		}
		b.FillPercent = 0.95 // keys only grow
		var open []Sample
		lastSeq := -1
		if key, value := b.Cursor().Last(); key != nil {
			if open, err = decodeChunk(value); err != nil {
				// It is left as it is. What came after its first sample can still be added:
				// see CompleteSamples.
				open, lastSeq = nil, int(binary.BigEndian.Uint64(key))
			} else {
				lastSeq = open[len(open)-1].Seq
			}
			if len(open) >= chunkSamples {
				open = nil
			}
		}
		for _, sample := range samples {
			if sample.Seq <= lastSeq {
				continue
			}
			lastSeq = sample.Seq
			added++
			open = append(open, sample)
			if len(open) == chunkSamples {
				if err := putChunk(b, open); err != nil {
					return err
				}
				open = nil
			}
		}
		if added == 0 || len(open) == 0 {
			return nil
		}
		return putChunk(b, open)
	})
	if err != nil || added == 0 {
		return added, err
	}
	return added, s.wrote(nil, Write{Kind: WroteSamples, ID: segmentID})
}

// CompleteSamples makes the stored samples of a segment contain all that are handed in,
// which is the whole file of the handset: where the two differ the file is right, and
// what only the store has stays. It returns how many were stored that were missing or
// other than in the file. A chunk that cannot be read is replaced.
func (s *Store) CompleteSamples(segmentID string, file []Sample) (changed int, err error) {
	have, damage := s.Samples(segmentID)
	place := make(map[int]int, len(have))
	for i, sample := range have {
		place[sample.Seq] = i
	}
	for _, sample := range file {
		i, ok := place[sample.Seq]
		switch {
		case !ok:
			have = append(have, sample)
		case !sample.Equal(have[i]):
			have[i] = sample
		default:
			continue
		}
		changed++
	}
	if changed == 0 && damage == nil {
		return 0, nil
	}
	slices.SortFunc(have, func(a, b Sample) int { return a.Seq - b.Seq })
	return changed, s.wrote(s.db.Update(func(tx *bbolt.Tx) error {
		all := tx.Bucket(bucketSamples)
		if all.Bucket([]byte(segmentID)) != nil {
			if err := all.DeleteBucket([]byte(segmentID)); err != nil {
				return err
			}
		}
		b, err := all.CreateBucket([]byte(segmentID))
		if err != nil {
			return err
		}
		b.FillPercent = 0.95 // keys only grow
		for chunk := range slices.Chunk(have, chunkSamples) {
			if err := putChunk(b, chunk); err != nil {
				return err
			}
		}
		return nil
	}), Write{Kind: WroteSamples, ID: segmentID})
}

// Equal reports whether two samples say the same, to the millisecond and the thousandth
// of a degree in which they are stored.
func (s Sample) Equal(o Sample) bool {
	return bytes.Equal(encodeColumns([]Sample{s}), encodeColumns([]Sample{o}))
}

func putChunk(b *bbolt.Bucket, samples []Sample) error {
	return b.Put(binary.BigEndian.AppendUint64(nil, uint64(samples[0].Seq)), encodeChunk(samples))
}

// Samples returns the samples of a segment in order. A chunk that cannot be read costs
// that chunk; the error names it.
func (s *Store) Samples(segmentID string) (samples []Sample, err error) {
	var bad []error
	err = s.db.View(func(tx *bbolt.Tx) error {
		b := bucketAt(tx, [][]byte{bucketSamples, []byte(segmentID)})
		if b == nil {
			return nil
		}
		return b.ForEach(func(key, value []byte) error {
			chunk, err := decodeChunk(value)
			if err != nil {
				bad = append(bad, fmt.Errorf("samples of segment %s from number %d on: %w", segmentID, binary.BigEndian.Uint64(key), err))
				return nil
			}
			samples = append(samples, chunk...)
			return nil
		})
	})
	return samples, errors.Join(append(bad, err)...)
}
