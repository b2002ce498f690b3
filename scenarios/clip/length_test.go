package clip

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// box is one box of an MP4 file.
func box(kind string, content ...[]byte) []byte {
	all := bytes.Join(content, nil)
	return append(append(binary.BigEndian.AppendUint32(nil, uint32(8+len(all))), kind...), all...)
}

// header is a movie header of version 0, or of version 1 with 64 bits.
func header(version byte, scale uint32, length uint64) []byte {
	b := []byte{version, 0, 0, 0}
	if version == 1 {
		b = append(b, make([]byte, 16)...)
		b = binary.BigEndian.AppendUint32(b, scale)
		return box("mvhd", binary.BigEndian.AppendUint64(b, length), make([]byte, 80))
	}
	b = append(b, make([]byte, 8)...)
	b = binary.BigEndian.AppendUint32(b, scale)
	return box("mvhd", binary.BigEndian.AppendUint32(b, uint32(length)), make([]byte, 80))
}

func TestHeaderLength(t *testing.T) {
	large := append(binary.BigEndian.AppendUint32(nil, 1), "mdat"...)
	large = append(binary.BigEndian.AppendUint64(large, 16+1000), make([]byte, 1000)...)
	tests := []struct {
		name string
		file []byte
		want time.Duration // 0: none
	}{
		{"ten minutes", bytes.Join([][]byte{box("ftyp", []byte("isom")), box("moov", header(0, 1000, 600_300))}, nil), 600_300 * time.Millisecond},
		{"64 bits, behind the pictures", bytes.Join([][]byte{box("ftyp"), large, box("moov", box("udta"), header(1, 90000, 90000*7))}, nil), 7 * time.Second},
		{"in fragments: no length there", box("moov", header(0, 1000, 0)), 0},
		{"no time scale", box("moov", header(0, 0, 600)), 0},
		{"a week", box("moov", header(0, 1, 7*86400)), 0},
		{"another version", box("moov", header(9, 1000, 600)), 0},
		{"cut short", box("moov", header(0, 1000, 600_300))[:30], 0},
		{"a box that says it is larger than the file", append([]byte{0x7f, 0xff, 0xff, 0xff}, "moov"...), 0},
		{"a box of no size", append([]byte{0, 0, 0, 4}, "ftyp    "...), 0},
		{"text", []byte("this is no film at all"), 0},
		{"nothing", nil, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := headerLength(bytes.NewReader(tt.file))
			if got != tt.want || (err == nil) != (tt.want > 0) {
				t.Errorf("length %v, %v; want %v", got, err, tt.want)
			}
		})
	}
}

// A host without ffmpeg knows how long its clip is.
func TestLengthWithoutFFmpeg(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	path := filepath.Join(t.TempDir(), "clip.mp4")
	if err := os.WriteFile(path, box("moov", header(0, 1000, 12_500)), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := Length(t.Context(), path); err != nil || got != 12500*time.Millisecond {
		t.Errorf("length %v, %v; want 12.5 s", got, err)
	}
	if _, err := Length(t.Context(), filepath.Join(t.TempDir(), "none.mp4")); err == nil {
		t.Error("a file that is not there has a length")
	}
}

func FuzzHeaderLength(f *testing.F) {
	f.Add(box("moov", header(0, 1000, 600_300)))
	f.Add(box("moov", header(1, 90000, 630000)))
	f.Add([]byte("\x00\x00\x00\x01moov\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := headerLength(bytes.NewReader(b))
		if err != nil && got != 0 || err == nil && (got < 0 || got > longestFilm+time.Second) {
			t.Errorf("length %v, %v", got, err)
		}
	})
}
