package results

import (
	"encoding/binary"
	"fmt"
)

// A columnWriter writes the columns of a chunk (chunk.go), one after another.
type columnWriter[T any] struct {
	rows []T
	buf  []byte
}

func newColumnWriter[T any](rows []T) *columnWriter[T] {
	return &columnWriter[T]{rows, binary.AppendUvarint(nil, uint64(len(rows)))}
}

// differences writes a column that is always there: of order 1 as differences, of order 2
// (times) as differences of differences.
func (w *columnWriter[T]) differences(order int, value func(*T) int64) {
	var before, step int64
	for i := range w.rows {
		v := value(&w.rows[i])
		diff := v - before
		if order == 2 {
			w.buf = binary.AppendVarint(w.buf, diff-step)
		} else {
			w.buf = binary.AppendVarint(w.buf, diff)
		}
		before, step = v, diff
	}
}

// optional writes a column of values that may be absent.
func (w *columnWriter[T]) optional(value func(*T) *int64) {
	bits := make([]byte, (len(w.rows)+7)/8)
	var values []byte
	var before int64
	for i := range w.rows {
		if v := value(&w.rows[i]); v != nil {
			bits[i/8] |= 1 << (i % 8)
			values = binary.AppendVarint(values, *v-before)
			before = *v
		}
	}
	w.buf = append(append(w.buf, bits...), values...)
}

// A columnReader reads them in the same order.
type columnReader[T any] struct {
	rows  []T
	buf   []byte
	short bool // the content ended too soon
}

func newColumnReader[T any](buf []byte) (*columnReader[T], error) {
	count, n := binary.Uvarint(buf)
	if n <= 0 || count == 0 || count > uint64(len(buf)) {
		return nil, fmt.Errorf("%w: it holds no count", errChunk)
	}
	return &columnReader[T]{rows: make([]T, count), buf: buf[n:]}, nil
}

func (r *columnReader[T]) next() int64 {
	v, n := binary.Varint(r.buf)
	if n <= 0 {
		r.short = true
		return 0
	}
	r.buf = r.buf[n:]
	return v
}

func (r *columnReader[T]) differences(order int, set func(*T, int64)) {
	var before, step int64
	for i := range r.rows {
		diff := r.next()
		if order == 2 {
			diff += step
		}
		before, step = before+diff, diff
		set(&r.rows[i], before)
	}
}

func (r *columnReader[T]) optional(set func(*T, int64)) {
	width := (len(r.rows) + 7) / 8
	if len(r.buf) < width {
		r.short = true
		return
	}
	bits := r.buf[:width]
	r.buf = r.buf[width:]
	var before int64
	for i := range r.rows {
		if bits[i/8]&(1<<(i%8)) != 0 {
			before += r.next()
			set(&r.rows[i], before)
		}
	}
}

// end returns the rows, unless there was too little for them, or more than they take.
func (r *columnReader[T]) end() ([]T, error) {
	if r.short || len(r.buf) != 0 {
		return nil, fmt.Errorf("%w: its columns do not fit its count", errChunk)
	}
	return r.rows, nil
}
