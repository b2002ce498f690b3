package simulated

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"time"
)

// cameraFolder is where the camera app stores what it takes.
const cameraFolder = "/sdcard/DCIM/Camera"

// shutter is the camera's button: a photo, or the start and the end of a film.
func (h *Handset) shutter(a *activity) {
	if a.class == ".VideoCameraActivity" {
		if a.recording {
			h.endRecording(a)
			return
		}
		a.recording, a.since = true, h.age
		return
	}
	h.burst(1.9, 900*time.Millisecond)
	h.at(h.age+800*time.Millisecond, func() {
		name := h.pictureName("IMG", "jpg")
		h.afterwards(func() { h.keep(name, photo(h.opt.Seed+int64(len(name)))) })
	})
}

func (h *Handset) endRecording(a *activity) {
	a.recording = false
	length := h.age - a.since
	name := h.pictureName("VID", "mp4")
	if length < 200*time.Millisecond {
		return // nothing to keep
	}
	h.afterwards(func() { h.keep(name, Clip(length)) })
}

// pictureName is the camera's own, by the handset's wall clock; a second picture within
// the same second gets a number.
func (h *Handset) pictureName(kind, ext string) string {
	h.pictures++
	return fmt.Sprintf("%s/%s_%s_%03d.%s", cameraFolder, kind, h.wall().UTC().Format("20060102_150405"), h.pictures%1000, ext)
}

// keep stores a file that an app of the handset made. With the storage full there is
// none, and the app shows so.
func (h *Handset) keep(name string, content []byte) {
	if err := h.writeFile(name, content); err != nil {
		h.do(func() { h.notice("Storage full") })
		return
	}
	h.do(func() { h.register(name) })
}

// photo is a small picture; its size stands for nothing.
func photo(seed int64) []byte {
	const w, hgt = 64, 48
	m := image.NewRGBA(image.Rect(0, 0, w, hgt))
	for y := range hgt {
		for x := range w {
			m.Set(x, y, color.RGBA{R: uint8(4 * x), G: uint8(5 * y), B: uint8(seed), A: 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic("simulated: a picture in memory could not be encoded: " + err.Error())
	}
	return b.Bytes()
}
