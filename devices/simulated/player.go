package simulated

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net/url"
	"path"
	"strconv"
	"strings"
	"time"
)

// openClip begins to play what a content or file address names. The file has to be there
// and to be a film; otherwise the player shows its error and draws no more than a menu.
func (h *Handset) openClip(a *activity, data string) {
	h.cancel(a.ends)
	a.clip, a.length, a.position, a.state, a.hung = "", 0, 0, playNone, false
	file := h.clipPath(data)
	if file == "" {
		h.tell(a, playError)
		return
	}
	// The file is read outside the handset's lock; the player needs its time for it too.
	h.afterwards(func() {
		length, err := h.clipLength(file)
		h.do(func() {
			if err != nil || h.front() != a {
				h.tell(a, playError)
				return
			}
			a.clip, a.length = file, length
			h.resumePlay(a)
		})
	})
}

// clipPath is the file behind an address, "" where the player may not read it.
func (h *Handset) clipPath(data string) string {
	if id, ok := strings.CutPrefix(data, "content://media/external/video/media/"); ok {
		n, err := strconv.Atoi(id)
		if err != nil {
			return ""
		}
		for p, m := range h.media {
			if m == n {
				return p
			}
		}
		return ""
	}
	u, err := url.Parse(data)
	if err != nil || u.Scheme != "file" || !h.ways.fileURLs {
		return ""
	}
	return shared(u.Path)
}

// tell is the player telling its media session what it does.
func (h *Handset) tell(a *activity, s playState) {
	a.state, a.stateAt, a.toldAt = s, h.uptime(), a.position
}

// resumePlay goes on from where the player stands, while it is before a user.
func (h *Handset) resumePlay(a *activity) {
	if a.clip == "" || a.state == playPlaying || h.front() != a || !h.usable() {
		return
	}
	if a.position >= a.length {
		a.position = 0
	}
	h.tell(a, playPlaying)
	h.armClipEnd(a)
}

// HangPlayer makes the player in front stand still, without a word of it to its session,
// until its clip is started again.
func (h *Handset) HangPlayer() {
	h.fault(func() {
		if a := h.front(); a.app.role == rolePlayer && a.state == playPlaying {
			h.cancel(a.ends)
			a.hung = true
		}
	})
}

func (h *Handset) armClipEnd(a *activity) {
	a.ends = h.at(h.age+a.length-a.position, func() {
		if h.opt.PlayerLoops {
			a.position = 0
			h.tell(a, playPlaying)
			h.armClipEnd(a)
			return
		}
		a.position = a.length
		h.tell(a, playStopped)
		h.screen.touched = h.age // nothing holds the screen on from here
		h.armScreen()
	})
}

func (h *Handset) pausePlay(a *activity) {
	if a.state != playPlaying {
		return
	}
	h.cancel(a.ends)
	h.tell(a, playPaused)
}

func (h *Handset) playPause(a *activity) {
	if a.state == playPlaying {
		h.pausePlay(a)
		return
	}
	h.resumePlay(a)
}

// errNoFilm means that a file is no film that the player can read.
var errNoFilm = errors.New("no film header")

// clipLength reads how long a film is from its movie header (ISO/IEC 14496-12, clause
// 8.2.2), as any player does before it plays.
func (h *Handset) clipLength(file string) (time.Duration, error) {
	b, err := h.readFile(file)
	if err != nil {
		return 0, err
	}
	return filmLength(b)
}

func filmLength(b []byte) (time.Duration, error) {
	moov, ok := box(b, "moov")
	if !ok {
		return 0, errNoFilm
	}
	mvhd, ok := box(moov, "mvhd")
	if !ok || len(mvhd) < 20 {
		return 0, errNoFilm
	}
	var scale, length uint64
	if mvhd[0] == 1 {
		if len(mvhd) < 32 {
			return 0, errNoFilm
		}
		scale, length = uint64(binary.BigEndian.Uint32(mvhd[20:])), binary.BigEndian.Uint64(mvhd[24:])
	} else {
		scale, length = uint64(binary.BigEndian.Uint32(mvhd[12:])), uint64(binary.BigEndian.Uint32(mvhd[16:]))
	}
	if scale == 0 || length == 0 || length/scale > 24*3600 {
		return 0, errNoFilm
	}
	d := time.Duration(float64(length) / float64(scale) * float64(time.Second))
	if d < time.Millisecond { // what counts positions in ms has nothing to show of it
		return 0, errNoFilm
	}
	return d, nil
}

// box finds the content of the first box of a kind among boxes that follow one another.
func box(b []byte, kind string) ([]byte, bool) {
	for len(b) >= 8 {
		size, head := uint64(binary.BigEndian.Uint32(b)), uint64(8)
		switch size {
		case 0:
			size = uint64(len(b))
		case 1:
			if len(b) < 16 {
				return nil, false
			}
			size, head = binary.BigEndian.Uint64(b[8:]), 16
		}
		if size < head || size > uint64(len(b)) {
			return nil, false
		}
		if string(b[4:8]) == kind {
			return b[head:size], true
		}
		b = b[size:]
	}
	return nil, false
}

// Clip makes the smallest film file of a given length that has a proper header: no
// pictures, for the tests of players and of what pushes clips.
func Clip(length time.Duration) []byte {
	mvhd := make([]byte, 100)
	binary.BigEndian.PutUint32(mvhd[12:], 1000)
	binary.BigEndian.PutUint32(mvhd[16:], uint32(length.Milliseconds()))
	binary.BigEndian.PutUint32(mvhd[20:], 0x00010000) // rate 1.0
	binary.BigEndian.PutUint16(mvhd[24:], 0x0100)     // volume 1.0
	for i, v := range []uint32{0x00010000, 0, 0, 0, 0x00010000, 0, 0, 0, 0x40000000} {
		binary.BigEndian.PutUint32(mvhd[36+4*i:], v)
	}
	binary.BigEndian.PutUint32(mvhd[96:], 2)
	film := append([]byte(nil), wrap("ftyp", []byte("isom\x00\x00\x02\x00isomiso2mp41"))...)
	film = append(film, wrap("moov", wrap("mvhd", mvhd))...)
	return append(film, wrap("mdat", nil)...)
}

func wrap(kind string, content []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(8+len(content)))
	return append(append(b, kind...), content...)
}

// shared is the one path by which a file of the shared storage is known here.
func shared(p string) string {
	p = path.Clean(p)
	for _, alias := range []string{"/storage/emulated/0", "/storage/self/primary", "/mnt/sdcard", "/data/media/0"} {
		if rest, ok := strings.CutPrefix(p, alias); ok && (rest == "" || rest[0] == '/') {
			return "/sdcard" + rest
		}
	}
	return p
}

// playback is the session's state as the dump of this flavour words it.
func (h *Handset) playback(a *activity) string {
	state := strconv.Itoa(int(a.state))
	if h.ways.namedStates {
		state = fmt.Sprintf("%s(%d)", stateNames[a.state], a.state)
	}
	told, at := a.toldAt, a.stateAt
	if a.state == playPlaying && !h.opt.PlayerTellsRarely && !a.hung {
		// This player tells its place every second while it plays.
		since := (h.uptime() - a.stateAt).Truncate(time.Second)
		told, at = a.toldAt+since, a.stateAt+since
	}
	speed := "0.0"
	if a.state == playPlaying {
		speed = "1.0"
	}
	return fmt.Sprintf("PlaybackState {state=%s, position=%d, buffered position=%d, speed=%s, updated=%d, actions=823, custom actions=[], active item id=-1, error=null}",
		state, told.Milliseconds(), min(told+30*time.Second, max(a.length, told)).Milliseconds(), speed, at.Milliseconds())
}
