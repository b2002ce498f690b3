package results

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"go.etcd.io/bbolt"
)

// A Reading is what a meter read at one instant beside a segment: on the handset's charging
// line or in the room. A quantity that was not read is nil.
type Reading struct {
	Meter string `json:"meter"`
	// Record names the file that the reading came in, by the beginning of its SHA-256; empty
	// where the daemon read the meter itself.
	Record string    `json:"record,omitempty"`
	At     time.Time `json:"t_host_utc"` // host clock; of a record as lined up
	// Within is half the time between question and answer, or the half-width of the 95 %
	// interval of the line-up: At is known to that much.
	Within   time.Duration `json:"within_ns"`
	MeterAt  time.Time     `json:"t_meter_utc,omitzero"` // the meter's own clock, of a record
	PowerW   *float64      `json:"power_w,omitempty"`
	VoltageV *float64      `json:"voltage_v,omitempty"`
	CurrentA *float64      `json:"current_a,omitempty"`
	TempC    *float64      `json:"temperature_c,omitempty"`
}

// chunkReadings is how many readings a full chunk holds.
const chunkReadings = 1024

// Readings are stored in whole milliseconds and millionths of their unit.
const micro = 1e6

// seriesKey names a meter's series of one segment; a record's has the record's name too.
func seriesKey(meter, record string) []byte {
	if record == "" {
		return []byte(meter)
	}
	return []byte(meter + "\x00" + record)
}

// AppendReadings adds readings of one meter to a segment, in the order of time. Those that
// are not later than the last one stored are left out, so that a stretch may be handed in
// again. All are of the meter and record of the first.
func (s *Store) AppendReadings(segmentID string, list []Reading) error {
	if len(list) == 0 {
		return nil
	}
	return s.wrote(s.db.Update(func(tx *bbolt.Tx) error {
		b, err := tx.Bucket(bucketReadings).CreateBucketIfNotExists([]byte(segmentID))
		if err != nil {
			return err
		}
		if b, err = b.CreateBucketIfNotExists(seriesKey(list[0].Meter, list[0].Record)); err != nil {
			return err
		}
		b.FillPercent = 0.95 // keys only grow
		var open []Reading
		number := uint64(0)
		var last time.Time
		if key, value := b.Cursor().Last(); key != nil {
			number = binary.BigEndian.Uint64(key)
			if open, err = decodeReadings(value); err != nil || len(open) >= chunkReadings {
				// A damaged chunk is left as it is, and counted as full.
				if err == nil {
					last = open[len(open)-1].At
				}
				open, number = nil, number+1
			} else {
				last = open[len(open)-1].At
			}
		}
		put := func() error {
			return b.Put(binary.BigEndian.AppendUint64(nil, number), encodeReadings(open))
		}
		for _, r := range list {
			if r.At = r.At.UTC().Truncate(time.Millisecond); !last.IsZero() && !r.At.After(last) {
				continue
			}
			last = r.At
			if open = append(open, r); len(open) == chunkReadings {
				if err := put(); err != nil {
					return err
				}
				open, number = nil, number+1
			}
		}
		if len(open) == 0 {
			return nil
		}
		return put()
	}), Write{Kind: WroteReadings, ID: segmentID})
}

// Readings returns what meters read beside a segment, meter by meter and in the order of
// time. A chunk that cannot be read costs that chunk; the error names it.
func (s *Store) Readings(segmentID string) (list []Reading, err error) {
	var bad []error
	err = s.db.View(func(tx *bbolt.Tx) error {
		segment := bucketAt(tx, [][]byte{bucketReadings, []byte(segmentID)}) // a store of before has none
		if segment == nil {
			return nil
		}
		return segment.ForEachBucket(func(name []byte) error {
			meter, record, _ := strings.Cut(string(name), "\x00")
			return segment.Bucket(name).ForEach(func(key, value []byte) error {
				chunk, err := decodeReadings(value)
				if err != nil {
					bad = append(bad, fmt.Errorf("readings of meter %s beside segment %s, chunk %d: %w", meter, segmentID, binary.BigEndian.Uint64(key), err))
					return nil
				}
				for i := range chunk {
					chunk[i].Meter, chunk[i].Record = meter, record
				}
				list = append(list, chunk...)
				return nil
			})
		})
	})
	return list, errors.Join(append(bad, err)...)
}

// quantities are a reading's values in the order in which they are stored.
func (r *Reading) quantities() []**float64 {
	return []**float64{&r.PowerW, &r.VoltageV, &r.CurrentA, &r.TempC}
}

// encodeReadings makes a chunk: as one of samples (chunk.go), with the columns at, within
// and the meter's own time (both ms), power, voltage, current and temperature.
func encodeReadings(list []Reading) []byte {
	w := newColumnWriter(list)
	w.differences(2, func(r *Reading) int64 { return r.At.UnixMilli() })
	w.optional(func(r *Reading) *int64 { v := r.Within.Milliseconds(); return &v })
	w.optional(func(r *Reading) *int64 {
		if r.MeterAt.IsZero() {
			return nil
		}
		v := r.MeterAt.UnixMilli()
		return &v
	})
	for q := range len((&Reading{}).quantities()) {
		w.optional(func(r *Reading) *int64 {
			f := *r.quantities()[q]
			if f == nil || math.IsNaN(*f) || math.Abs(*f) > 1e12 {
				return nil
			}
			v := int64(math.Round(*f * micro))
			return &v
		})
	}
	return sealed(readingsFormat, w.buf)
}

func decodeReadings(chunk []byte) ([]Reading, error) {
	buf, err := unsealed(readingsFormat, chunk)
	if err != nil {
		return nil, err
	}
	c, err := newColumnReader[Reading](buf)
	if err != nil {
		return nil, err
	}
	c.differences(2, func(r *Reading, v int64) { r.At = time.UnixMilli(v).UTC() })
	c.optional(func(r *Reading, v int64) { r.Within = time.Duration(v) * time.Millisecond })
	c.optional(func(r *Reading, v int64) { r.MeterAt = time.UnixMilli(v).UTC() })
	for q := range len((&Reading{}).quantities()) {
		c.optional(func(r *Reading, v int64) { f := float64(v) / micro; *r.quantities()[q] = &f })
	}
	return c.end()
}
