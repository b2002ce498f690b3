package stage

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"sync"
)

// everyS is how often a page posts what it has done, s. Two posts missed are what a
// scenario's limit of evidence should allow for.
const everyS = 15

// block is what a page says of itself to its script, and to whoever reads pages without
// running scripts.
type block struct {
	Activity string `json:"activity"`
	Post     string `json:"post"`
	Load     string `json:"load"`
	EveryS   int    `json:"every_s"`
	Page     int    `json:"page,omitempty"`   // browse
	Scroll   string `json:"scroll,omitempty"` // browse: "script" or nothing

	Cubes int     `json:"cubes,omitempty"` // game, sustain: blocks in the scene
	Scale float64 `json:"scale,omitempty"` // drawn pixels for each of the page's, along each side
	Loop  int     `json:"loop"`            // turns of extra work for each pixel
	Seed  int     `json:"seed,omitempty"`

	Work    string `json:"work,omitempty"` // sustain: cpu, gpu, both
	Workers int    `json:"workers"`        // 0: as many as the handset has cores
	Lot     int    `json:"lot,omitempty"`  // units of a lot, of gpu frames; 0: cycles
	CycleS  int    `json:"cycle_s,omitempty"`
	RestS   int    `json:"rest_s,omitempty"` // after each cycle
	Cycles  int    `json:"cycles"`           // 0: until the session is closed
	Kernels string `json:"kernels,omitempty"`

	Speed *speedBlock `json:"speed,omitempty"` // speed

	Offer string `json:"offer,omitempty"` // call
	Over  string `json:"over,omitempty"`  // call: udp, tcp, or nothing for either

	Grey *int `json:"grey,omitempty"` // light: 0 black to 255 white
}

// A lot of continuous work, where the address does not say: what takes a quick handset five to ten seconds and
// a slow one a minute. Frames of a scene cannot be compared with units.
const (
	lotUnits  = 30_000
	lotFrames = 1_200
	lotMost   = 10_000_000
)

// knobs reads the settings of an address: each within its range, or an error that names
// it. A setting that the activity does not have is an error too, or a mistyped load would
// run unnoticed as the default one.
type knobs struct {
	query url.Values
	errs  []error
}

func (k *knobs) take(name string) (string, bool) {
	v, ok := k.query[name]
	delete(k.query, name)
	if !ok || len(v) == 0 {
		return "", false
	}
	return v[0], true
}

func (k *knobs) number(name string, to, least, most float64) float64 {
	text, ok := k.take(name)
	if !ok {
		return to
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= least && v <= most) {
		k.errs = append(k.errs, fmt.Errorf("%s: want %g to %g, got %q", name, least, most, text))
		return to
	}
	return v
}

func (k *knobs) count(name string, to, least, most int) int {
	text, ok := k.take(name)
	if !ok {
		return to
	}
	v, err := strconv.Atoi(text)
	if err != nil || v < least || v > most {
		k.errs = append(k.errs, fmt.Errorf("%s: want a whole number from %d to %d, got %q", name, least, most, text))
		return to
	}
	return v
}

func (k *knobs) choice(name, to string, among ...string) string {
	text, ok := k.take(name)
	if !ok {
		return to
	}
	for _, c := range among {
		if text == c {
			return text
		}
	}
	k.errs = append(k.errs, fmt.Errorf("%s: want one of %q, got %q", name, among, text))
	return to
}

func (k *knobs) rest() error {
	for name := range k.query {
		k.errs = append(k.errs, fmt.Errorf("%s: this activity has no such setting", name))
	}
	return errors.Join(k.errs...)
}

// blockFor is the block of one page load, from its address's settings.
func blockFor(session *Session, load string, page int, query url.Values) (block, error) {
	base := "/s/" + session.key
	k := &knobs{query: query}
	k.take("v") // the visit's number: only there to make addresses differ
	b := block{Activity: session.activity, Post: base + "/post", Load: load, EveryS: k.count("every_s", everyS, 1, 60), Page: page}
	scene := func(cubes, loop int) {
		b.Cubes, b.Scale = k.count("cubes", cubes, 1, 50000), k.number("scale", 1, 0.1, 4)
		b.Loop, b.Seed = k.count("loop", loop, 0, 256), k.count("seed", 1, 1, 1<<30)
	}
	switch session.activity {
	case "browse":
		b.Scroll = k.choice("scroll", "", "script")
	case "game":
		scene(1500, 8)
	case "sustain":
		scene(4000, 32)
		b.Work = k.choice("work", "both", "cpu", "gpu", "both")
		b.Workers = k.count("workers", 0, 0, workersMost)
		if _, cycles := query["cycle_s"]; cycles {
			b.CycleS, b.Cycles, b.RestS = k.count("cycle_s", 30, 1, 600), k.count("cycles", 0, 0, 10000), k.count("rest_s", 0, 0, 600)
			b.EveryS = b.CycleS
		} else {
			usual := lotUnits
			if b.Work == "gpu" {
				usual = lotFrames
			}
			b.Lot = k.count("lot", usual, 1, lotMost)
		}
		b.Kernels = base + "/sustain/kernels.js"
	case "speed":
		b.Workers = k.count("workers", 0, 0, workersMost)
		b.Speed = speedBlockOf(session, k)
	case "call":
		b.Offer = base + "/call/offer"
		b.Over = k.choice("over", "", "udp", "tcp")
	case "light":
		grey := k.count("grey", 255, 0, 255)
		b.Grey = &grey
	}
	return b, k.rest()
}

// policies are the content policies: a page may have what it needs from the stage itself
// and its own script, and nothing else. Styles stand in the pages, which hold no text from
// anywhere but this package.
func policy(activity, load string) string {
	p := "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; style-src 'unsafe-inline'; connect-src 'self'; script-src 'nonce-" + load + "'"
	switch activity {
	case "browse":
		p += "; img-src 'self'; font-src 'self'"
	case "sustain", "speed":
		p += "; worker-src 'self'"
	}
	return p
}

// page serves one page of a session's activity.
func (s *Stage) page(w http.ResponseWriter, r *http.Request) {
	activity := r.PathValue("activity")
	session := s.live(r, activity)
	if session == nil {
		http.NotFound(w, r)
		return
	}
	number, text := 0, pageTexts()[activity]
	if name := r.PathValue("page"); activity == "browse" {
		n, err := strconv.Atoi(name)
		if err != nil || n < 1 || n > Pages || strconv.Itoa(n) != name {
			http.NotFound(w, r)
			return
		}
		number, text = n, content()[n-1].text
	} else if name != "" {
		http.NotFound(w, r)
		return
	}
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		http.Error(w, "the address cannot be read: "+err.Error(), http.StatusBadRequest)
		return
	}
	if _, err := blockFor(session, "", number, query); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	load := session.newLoad()
	b, err := blockFor(session, load, number, r.URL.Query())
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	json, err := json.Marshal(b) // < and > come out escaped: nothing can end the script element
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Security-Policy", policy(activity, load))
	if activity == "call" {
		h.Set("Permissions-Policy", "camera=(self), microphone=(self), screen-wake-lock=(self), geolocation=()")
	}
	_, _ = w.Write(text.fill(load, json))
}

// pageTexts are the pages that are not browsed, by activity.
var pageTexts = sync.OnceValue(func() map[string]filled {
	texts := map[string]filled{}
	for _, activity := range []string{"call", "game", "sustain", "speed", "light"} {
		texts[activity] = cut(execute(activity+".html", nil))
	}
	return texts
})

// part serves a picture or a font of a browse page, under a live session only.
func (s *Stage) part(w http.ResponseWriter, r *http.Request) {
	number, err := strconv.Atoi(r.PathValue("page"))
	p, ok := partOf(number, r.PathValue("name"))
	if s.live(r, "browse") == nil || err != nil || !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", p.kind)
	w.Header().Set("Content-Length", strconv.Itoa(len(p.data)))
	_, _ = w.Write(p.data)
}

// script serves the script of an activity's workers, while a session of it is live.
func (s *Stage) script(activity string, text []byte) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if s.live(r, activity) == nil {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
		w.Header().Set("Content-Security-Policy", "default-src 'none'")
		_, _ = w.Write(text)
	}
}

var kernelsScript = []byte(webFile("kernels.js"))
