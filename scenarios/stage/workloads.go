package stage

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"maps"
	"slices"
)

// A Workload is one activity of the stage as a list of workloads shows it. Results under
// different hashes must not be compared silently.
type Workload struct {
	Name    string
	About   string // what it shows
	Version string
	Hash    string // SHA-256 over everything that the stage serves or sends for it, hexadecimal
	Bytes   int64  // of that: one visit to each page of browse, one turn of call's clips, one load of the others
	Needs   string // of the handset
}

// activities are the stage's, without what is worked out from what it serves.
var activities = []Workload{
	{Name: "browse", About: "Twelve pages to read, of as many kinds.", Version: contentVersion, Needs: "a browser"},
	{Name: "call", About: "The far end of a two-way video call.", Version: "2", Needs: "a browser with WebRTC, camera and microphone; its page from localhost (adb reverse)"},
	{Name: "game", About: "A 3D scene from a fixed seed, played by touch.", Version: "2", Needs: "a browser with WebGL2"},
	{Name: "sustain", About: "Checked computing and drawing without a pause, lot by lot, or in cycles.", Version: "3", Needs: "a browser with workers; WebGL2 for work on the GPU"},
	{Name: "speed", About: "Kernels of fixed work, one after the other with rests: processor, memory, page, pictures, GPU, storage.", Version: "1", Needs: "a browser with workers; what a kernel needs besides, and is not there, is said in its place"},
	{Name: "light", About: "One white or grey page, for a luminance meter.", Version: "2", Needs: "a browser"},
}

// Workloads lists the stage's activities. The first call in a process makes the content,
// which takes about a second.
func Workloads() []Workload {
	list := slices.Clone(activities)
	for i := range list {
		list[i].measure()
	}
	return list
}

// measure works out hash and size of what the stage serves.
func (w *Workload) measure() {
	sum := &sized{Hash: sha256.New()}
	switch w.Name {
	case "browse":
		for _, d := range content() {
			sum.text(d.text)
			for _, name := range slices.Sorted(maps.Keys(d.parts)) {
				sum.bytes(name, d.parts[name].data)
			}
		}
	case "call":
		sum.text(pageTexts()[w.Name])
		sum.bytes("picture", pictureClip)
		sum.bytes("sound", soundClip)
	case "sustain":
		sum.text(pageTexts()[w.Name])
		sum.bytes("kernels", kernelsScript)
	case "speed":
		sum.text(pageTexts()[w.Name])
		sum.bytes("work", speedScript)
	default:
		sum.text(pageTexts()[w.Name])
	}
	w.Hash, w.Bytes = hex.EncodeToString(sum.Sum(nil)), sum.n
}

// NeedsLocalhost is true for an activity whose page needs a secure context, as camera and
// microphone do: over plain HTTP only a page from the handset's own localhost is one
// (W3C, Secure Contexts, 2023, section 3.1), which the link's port forward makes of it.
func NeedsLocalhost(activity string) bool { return activity == "call" }

// WorkloadHash is the hash of one activity, or "" for one that the stage does not have. That
// of browse makes the content, if nothing has yet.
func WorkloadHash(activity string) string {
	i := slices.IndexFunc(activities, func(w Workload) bool { return w.Name == activity })
	if i < 0 {
		return ""
	}
	w := activities[i]
	w.measure()
	return w.Hash
}

// sized hashes and counts. Lengths go into the hash, so that no two lists of parts run
// together to the same bytes.
type sized struct {
	hash.Hash
	n int64
}

func (s *sized) bytes(name string, b []byte) {
	_, _ = fmt.Fprintf(s, "%s %d\n", name, len(b))
	_, _ = s.Write(b)
	s.n += int64(len(b))
}

func (s *sized) text(f filled) {
	for i, p := range f.pieces {
		s.bytes("text", p)
		if i < len(f.holes) {
			_, _ = io.WriteString(s, fmt.Sprint(f.holes[i]))
		}
	}
}
