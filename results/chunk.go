package results

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"github.com/klauspost/compress/zstd"
)

// chunkSamples is how many samples a full chunk holds: long enough to compress to some 4
// bytes a sample, short enough to be rewritten while it is the open tail.
const chunkSamples = 1024

// A chunk is: format byte, CRC-32 of the rest (IEEE, big-endian), then zstd of
//
//	uvarint  number of samples
//	columns  one after another, each value as zigzag varint of its difference to the one
//	         before (times: difference of differences). A column that may be absent is
//	         preceded by one presence bit a sample, and holds the present values only.
//
// Times are stored in whole milliseconds, temperatures in thousandths of a degree.
const (
	chunkFormat    = 1
	readingsFormat = 2 // of meters' readings (readings.go)
)

var (
	chunkEncoder, _ = zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedDefault), zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<16))
	chunkDecoder, _ = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(1<<26))
)

var errChunk = errors.New("chunk is damaged")

const milliCelsius = 1000

func encodeChunk(samples []Sample) []byte { return sealed(chunkFormat, encodeColumns(samples)) }

// sealed is a chunk of the content of its columns.
func sealed(format byte, columns []byte) []byte {
	packed := chunkEncoder.EncodeAll(columns, nil)
	out := append([]byte{format}, binary.BigEndian.AppendUint32(nil, crc32.ChecksumIEEE(packed))...)
	return append(out, packed...)
}

// unsealed is the content of a chunk's columns.
func unsealed(format byte, chunk []byte) ([]byte, error) {
	if len(chunk) < 5 || chunk[0] != format {
		return nil, fmt.Errorf("%w: no chunk of format %d", errChunk, format)
	}
	packed := chunk[5:]
	if crc32.ChecksumIEEE(packed) != binary.BigEndian.Uint32(chunk[1:5]) {
		return nil, fmt.Errorf("%w: its check sum is wrong", errChunk)
	}
	buf, err := chunkDecoder.DecodeAll(packed, nil)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errChunk, err)
	}
	return buf, nil
}

// encodeColumns is a chunk's content before it is compressed.
func encodeColumns(samples []Sample) []byte {
	w := newColumnWriter(samples)
	w.differences(2, func(s *Sample) int64 { return int64(s.Seq) })
	w.differences(2, func(s *Sample) int64 { return s.HostAt.UnixMilli() })
	w.differences(2, func(s *Sample) int64 { return s.PhoneAt.UnixMilli() })
	w.differences(2, func(s *Sample) int64 { return s.UptimeMS })
	w.differences(1, func(s *Sample) int64 { return int64(s.LevelPct) })
	w.differences(1, func(s *Sample) int64 { return int64(s.Status) })
	w.differences(1, func(s *Sample) int64 { return int64(s.Plugged) })
	w.optional(func(s *Sample) *int64 { return s.CounterRaw })
	w.optional(func(s *Sample) *int64 { return s.VoltageMV })
	w.optional(func(s *Sample) *int64 { return s.CurrentRaw })
	w.optional(func(s *Sample) *int64 {
		if s.TempC == nil {
			return nil
		}
		v := int64(math.Round(*s.TempC * milliCelsius))
		return &v
	})
	return w.buf
}

func decodeChunk(chunk []byte) ([]Sample, error) {
	buf, err := unsealed(chunkFormat, chunk)
	if err != nil {
		return nil, err
	}
	r, err := newColumnReader[Sample](buf)
	if err != nil {
		return nil, err
	}
	r.differences(2, func(s *Sample, v int64) { s.Seq = int(v) })
	r.differences(2, func(s *Sample, v int64) { s.HostAt = time.UnixMilli(v).UTC() })
	r.differences(2, func(s *Sample, v int64) { s.PhoneAt = time.UnixMilli(v).UTC() })
	r.differences(2, func(s *Sample, v int64) { s.UptimeMS = v })
	r.differences(1, func(s *Sample, v int64) { s.LevelPct = int(v) })
	r.differences(1, func(s *Sample, v int64) { s.Status = int(v) })
	r.differences(1, func(s *Sample, v int64) { s.Plugged = int(v) })
	r.optional(func(s *Sample, v int64) { s.CounterRaw = &v })
	r.optional(func(s *Sample, v int64) { s.VoltageMV = &v })
	r.optional(func(s *Sample, v int64) { s.CurrentRaw = &v })
	r.optional(func(s *Sample, v int64) { t := float64(v) / milliCelsius; s.TempC = &t })
	return r.end()
}
