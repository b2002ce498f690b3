package stage

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/pion/webrtc/v4/pkg/media/ivfreader"
	"github.com/pion/webrtc/v4/pkg/media/oggreader"
)

// The clips that the far end of a call sends; clips/make.sh says how they were made.
var (
	//go:embed clips/call.ivf
	pictureClip []byte
	//go:embed clips/call.ogg
	soundClip []byte
)

const (
	frameTime  = time.Second / 30
	packetTime = 20 * time.Millisecond
)

// A clip is what is sent over and over, without transcoding: one element a frame.
type clip struct {
	frames [][]byte
	every  time.Duration
}

var clips = sync.OnceValues(func() (c struct{ picture, sound clip }, err error) {
	if c.picture.frames, err = readPicture(pictureClip); err != nil {
		return c, fmt.Errorf("clips/call.ivf: %w", err)
	}
	if c.sound.frames, err = readSound(soundClip); err != nil {
		return c, fmt.Errorf("clips/call.ogg: %w", err)
	}
	c.picture.every, c.sound.every = frameTime, packetTime
	return c, nil
})

// readPicture takes an IVF file of VP8 apart into its frames.
func readPicture(file []byte) ([][]byte, error) {
	r, _, err := ivfreader.NewWith(bytes.NewReader(file))
	if err != nil {
		return nil, err
	}
	var frames [][]byte
	for {
		frame, _, err := r.ParseNextFrame()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		frames = append(frames, frame)
	}
	if len(frames) == 0 {
		return nil, errors.New("no frames")
	}
	return frames, nil
}

// readSound takes an Ogg file of Opus apart, which has one packet to a page.
func readSound(file []byte) ([][]byte, error) {
	r, _, err := oggreader.NewWith(bytes.NewReader(file))
	if err != nil {
		return nil, err
	}
	var packets [][]byte
	for {
		page, _, err := r.ParseNextPage()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if len(page) > 0 && !bytes.HasPrefix(page, []byte("Opus")) { // header and tags
			packets = append(packets, page)
		}
	}
	if len(packets) == 0 {
		return nil, errors.New("no packets")
	}
	return packets, nil
}
