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
	buf := binary.AppendUvarint(nil, uint64(len(samples)))
	column := func(order int, value func(Sample) int64) {
		var before, step int64
		for _, s := range samples {
			v := value(s)
			diff := v - before
			if order == 2 {
				buf = binary.AppendVarint(buf, diff-step)
			} else {
				buf = binary.AppendVarint(buf, diff)
			}
			before, step = v, diff
		}
	}
	optional := func(value func(Sample) *int64) {
		bits := make([]byte, (len(samples)+7)/8)
		var values []byte
		var before int64
		for i, s := range samples {
			if v := value(s); v != nil {
				bits[i/8] |= 1 << (i % 8)
				values = binary.AppendVarint(values, *v-before)
				before = *v
			}
		}
		buf = append(append(buf, bits...), values...)
	}
	column(2, func(s Sample) int64 { return int64(s.Seq) })
	column(2, func(s Sample) int64 { return s.HostAt.UnixMilli() })
	column(2, func(s Sample) int64 { return s.PhoneAt.UnixMilli() })
	column(2, func(s Sample) int64 { return s.UptimeMS })
	column(1, func(s Sample) int64 { return int64(s.LevelPct) })
	column(1, func(s Sample) int64 { return int64(s.Status) })
	column(1, func(s Sample) int64 { return int64(s.Plugged) })
	optional(func(s Sample) *int64 { return s.CounterRaw })
	optional(func(s Sample) *int64 { return s.VoltageMV })
	optional(func(s Sample) *int64 { return s.CurrentRaw })
	optional(func(s Sample) *int64 {
		if s.TempC == nil {
			return nil
		}
		v := int64(math.Round(*s.TempC * milliCelsius))
		return &v
	})
	return buf
}

func decodeChunk(chunk []byte) ([]Sample, error) {
	buf, err := unsealed(chunkFormat, chunk)
	if err != nil {
		return nil, err
	}
	count, n := binary.Uvarint(buf)
	if n <= 0 || count == 0 || count > uint64(len(buf)) {
		return nil, fmt.Errorf("%w: it holds no count", errChunk)
	}
	buf = buf[n:]
	samples := make([]Sample, count)
	short := false
	next := func() int64 {
		v, n := binary.Varint(buf)
		if n <= 0 {
			short = true
			return 0
		}
		buf = buf[n:]
		return v
	}
	column := func(order int, set func(*Sample, int64)) {
		var before, step int64
		for i := range samples {
			diff := next()
			if order == 2 {
				diff += step
			}
			before, step = before+diff, diff
			set(&samples[i], before)
		}
	}
	optional := func(set func(*Sample, int64)) {
		width := (len(samples) + 7) / 8
		if len(buf) < width {
			short = true
			return
		}
		bits := buf[:width]
		buf = buf[width:]
		var before int64
		for i := range samples {
			if bits[i/8]&(1<<(i%8)) != 0 {
				before += next()
				set(&samples[i], before)
			}
		}
	}
	column(2, func(s *Sample, v int64) { s.Seq = int(v) })
	column(2, func(s *Sample, v int64) { s.HostAt = time.UnixMilli(v).UTC() })
	column(2, func(s *Sample, v int64) { s.PhoneAt = time.UnixMilli(v).UTC() })
	column(2, func(s *Sample, v int64) { s.UptimeMS = v })
	column(1, func(s *Sample, v int64) { s.LevelPct = int(v) })
	column(1, func(s *Sample, v int64) { s.Status = int(v) })
	column(1, func(s *Sample, v int64) { s.Plugged = int(v) })
	optional(func(s *Sample, v int64) { s.CounterRaw = &v })
	optional(func(s *Sample, v int64) { s.VoltageMV = &v })
	optional(func(s *Sample, v int64) { s.CurrentRaw = &v })
	optional(func(s *Sample, v int64) { t := float64(v) / milliCelsius; s.TempC = &t })
	if short || len(buf) != 0 {
		return nil, fmt.Errorf("%w: its columns do not fit its count", errChunk)
	}
	return samples, nil
}
