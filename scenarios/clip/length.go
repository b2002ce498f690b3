package clip

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

// Length is how long a film is: by its own movie header, which needs nothing else on this
// host, else by ffprobe.
func Length(ctx context.Context, path string) (time.Duration, error) {
	if f, err := os.Open(path); err == nil {
		defer f.Close()
		if length, err := headerLength(f); err == nil {
			return length, nil
		}
	}
	info, err := look(ctx, path)
	return info.Length, err
}

// errNoHeader means that a file has no movie header that can be read.
var errNoHeader = errors.New("no movie header")

// Bounds of what is read of a file that may be anything.
const (
	longestFilm = 24 * time.Hour
	mostBoxes   = 10_000
)

// headerLength reads the movie header of an MP4 file: duration over timescale (ISO/IEC
// 14496-12:2015, clause 8.2.2). A file that is made in fragments has none there.
func headerLength(f io.ReadSeeker) (time.Duration, error) {
	end, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return 0, err
	}
	from, to, err := findBox(f, "moov", 0, end)
	if err != nil {
		return 0, err
	}
	if from, to, err = findBox(f, "mvhd", from, to); err != nil {
		return 0, err
	}
	var b [32]byte
	n := min(int64(len(b)), to-from)
	if _, err := f.Seek(from, io.SeekStart); err != nil {
		return 0, err
	}
	if _, err := io.ReadFull(f, b[:n]); err != nil {
		return 0, err
	}
	var scale, length uint64
	switch version := b[0]; {
	case version == 0 && n >= 20:
		scale, length = uint64(binary.BigEndian.Uint32(b[12:])), uint64(binary.BigEndian.Uint32(b[16:]))
	case version == 1 && n >= 32:
		scale, length = uint64(binary.BigEndian.Uint32(b[20:])), binary.BigEndian.Uint64(b[24:])
	default:
		return 0, errNoHeader
	}
	if scale == 0 || length == 0 || length/scale > uint64(longestFilm/time.Second) {
		return 0, fmt.Errorf("%w that says how long the film is", errNoHeader)
	}
	return time.Duration(float64(length) / float64(scale) * float64(time.Second)), nil
}

// findBox finds the content of the first box of a kind between two places of a file
// (clause 4.2: a size of 1 is followed by one of 64 bits, one of 0 reaches to the end).
func findBox(f io.ReadSeeker, kind string, at, end int64) (from, to int64, err error) {
	for range mostBoxes {
		if end-at < 8 {
			return 0, 0, errNoHeader
		}
		if _, err := f.Seek(at, io.SeekStart); err != nil {
			return 0, 0, err
		}
		var head [16]byte
		if _, err := io.ReadFull(f, head[:8]); err != nil {
			return 0, 0, err
		}
		size, own := int64(binary.BigEndian.Uint32(head[:])), int64(8)
		switch size {
		case 0:
			size = end - at
		case 1:
			if _, err := io.ReadFull(f, head[8:]); err != nil {
				return 0, 0, err
			}
			size, own = int64(binary.BigEndian.Uint64(head[8:])), 16
		}
		if size < own || size > end-at {
			return 0, 0, errNoHeader
		}
		if string(head[4:8]) == kind {
			return at + own, at + size, nil
		}
		at += size
	}
	return 0, 0, errNoHeader
}
