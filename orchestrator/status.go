package orchestrator

import (
	"slices"
	"sync"
	"time"
)

// A HandsetStatus is how a handset stands right now.
type HandsetStatus struct {
	Name    string `json:"name"`
	Serial  string `json:"serial"`
	Link    string `json:"link"` // "ready", adb's word for another state, "not seen", "no adb server", "not looked yet"
	Advice  string `json:"advice,omitempty"`
	Server  string `json:"server,omitempty"`
	Model   string `json:"model,omitempty"`
	OnBench bool   `json:"on_bench"` // named in the plan file

	Run      string `json:"run,omitempty"`
	Plan     string `json:"plan,omitempty"`
	State    string `json:"state,omitempty"`
	Scenario string `json:"scenario,omitempty"`
	Segment  int    `json:"segment,omitempty"`  // position in the list, from 1
	Segments int    `json:"segments,omitempty"` // length of the list

	LevelPct    int       `json:"level_pct"`
	TempC       *float64  `json:"battery_temp_c,omitempty"`
	ReadAt      time.Time `json:"read_at,omitzero"` // when level and temperature were read
	Units       string    `json:"units,omitempty"`  // of its readings, as decided for its OS build
	ReadAgeS    *float64  `json:"read_age_s,omitempty" doc:"how long ago that was by the daemon's clock, s"`
	PointsDone  int       `json:"points_done"`
	Points      int       `json:"points,omitempty"`
	Progress    string    `json:"progress,omitempty"`   // of the segment under way, as in "5 of 7 points"
	RatePctH    float64   `json:"rate_pct_h,omitempty"` // plain rate since the start edge
	EvidenceAt  time.Time `json:"evidence_at,omitzero"`
	ExpectedEnd time.Time `json:"expected_end,omitzero"` // of the segment under way
	RunEnd      time.Time `json:"run_expected_end,omitzero"`
	// SetAside says why the handset gets no runs until a person has looked at it; nil: it does.
	SetAside *SetAside `json:"set_aside,omitempty"`
	// HeldBy says which other daemon holds the handset; nil: none is known to.
	HeldBy     *HeldBy   `json:"held_by,omitempty"`
	WaitsFor   string    `json:"waits_for,omitempty"`
	NextLook   time.Time `json:"next_look_at,omitzero"` // of a handset that is left asleep until then
	LinkLostAt time.Time `json:"link_lost_at,omitzero"`
	Problem    string    `json:"problem,omitempty"`
	// Power is what the handset saw of power at the last reading, such as "USB"; empty: none.
	Power string `json:"power,omitempty"`
	// OnCharge says that it has power by a person's doing, between runs.
	OnCharge string `json:"on_charge,omitempty"`
	// Parking is how it is brought to a level for storage between runs; nil: no plan asked for it.
	Parking *Parking `json:"parking,omitempty"`
	// Unwanted is power that it has and should not have; nil: none.
	Unwanted *Unwanted `json:"unwanted_power,omitempty"`
	// Owed are settings that are still to be put back; nil: none.
	Owed *Owed `json:"owed,omitempty"`
	// NeedsHand says what a person has to do about it beside all this, the most urgent first.
	NeedsHand []string `json:"needs_hand,omitempty"`
}

// Idles reports whether no run is under way on the handset: none was since the daemon began, or
// the latest has ended.
func (s HandsetStatus) Idles() bool { return s.Run == "" || State(s.State).over() }

// Words for a link that adb has none for.
const (
	LinkNotLooked = "not looked yet" // its adb server has told nothing so far
	LinkNoServer  = "no adb server"
)

// A Change is something that happened on the bench.
type Change struct {
	ID      int64     `json:"id"` // rises by one
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"` // "state", "segment", "queue", "link", "night", "annotation", "prompt", "power", "level", "holder" and such
	Handset string    `json:"handset,omitempty"`
	Run     string    `json:"run,omitempty"`
	Text    string    `json:"text"`
}

// changesKept is how far back a listener may resume.
const changesKept = 2000

// A statusBoard holds what handsets are doing and what has happened lately.
type statusBoard struct {
	mu       sync.Mutex
	handsets map[string]*HandsetStatus
	changes  []Change
	last     int64
	wake     chan struct{}
}

func newStatusBoard() *statusBoard {
	return &statusBoard{handsets: map[string]*HandsetStatus{}, wake: make(chan struct{})}
}

// tell changes what is known of a handset.
func (d *Daemon) tell(handset string, f func(*HandsetStatus)) {
	n := d.news
	n.mu.Lock()
	defer n.mu.Unlock()
	s, ok := n.handsets[handset]
	if !ok {
		s = &HandsetStatus{Name: handset}
		n.handsets[handset] = s
	}
	f(s)
}

// publish adds to what has happened and wakes those who listen.
func (d *Daemon) publish(c Change) {
	n := d.news
	n.mu.Lock()
	defer n.mu.Unlock()
	n.last++
	c.ID, c.At = n.last, d.now()
	n.changes = append(n.changes, c)
	if len(n.changes) > changesKept {
		n.changes = slices.Clone(n.changes[len(n.changes)-changesKept:])
	}
	close(n.wake)
	n.wake = make(chan struct{})
}

// Changes returns what happened after the change of that ID, and a channel that is
// closed at the next one.
func (d *Daemon) Changes(after int64) ([]Change, <-chan struct{}) {
	n := d.news
	n.mu.Lock()
	defer n.mu.Unlock()
	at, _ := slices.BinarySearchFunc(n.changes, after+1, func(c Change, id int64) int { return int(c.ID - id) })
	return slices.Clone(n.changes[at:]), n.wake
}

// Handsets returns every handset of the plan file, those that are set aside first and
// otherwise in its order, then those that are seen on the bench's adb servers without
// being named there.
func (d *Daemon) Handsets() []HandsetStatus {
	var list []HandsetStatus
	named := map[string]bool{}
	for _, h := range d.file.Bench.Handsets {
		s := HandsetStatus{}
		d.tell(h.Name, func(have *HandsetStatus) { s = *have })
		s.Name, s.Serial, s.OnBench = h.Name, h.Serial, true
		named[h.Serial], named[h.Connect] = true, true
		seen, ok, _ := d.board.find(h)
		switch {
		case ok && seen.Ready:
			s.Link = "ready"
		case ok:
			s.Link, s.Advice = seen.State, seen.Advice
		default:
			s.Link, s.Advice = d.notSeen(h.Server)
		}
		s.Server, s.Model, s.Owed = seen.Server, seen.Model, d.pendingShown(h.Name)
		if !s.ReadAt.IsZero() {
			age := max(d.now().Sub(s.ReadAt).Seconds(), 0)
			s.ReadAgeS = &age
		}
		d.showPower(&s)
		s.NeedsHand = d.needsHand(s)
		list = append(list, s)
	}
	slices.SortStableFunc(list, func(a, b HandsetStatus) int {
		switch {
		case (a.SetAside != nil) == (b.SetAside != nil):
			return 0
		case a.SetAside != nil:
			return -1
		}
		return 1
	})
	seen, _ := d.board.all()
	for _, o := range seen {
		if !named[o.Serial] {
			link := o.State
			if o.Ready {
				link = "ready"
			}
			list = append(list, HandsetStatus{Name: "", Serial: o.Serial, Link: link, Advice: o.Advice, Server: o.Server, Model: o.Model})
		}
	}
	return list
}

// notSeen says why a handset is missing and what to do.
func (d *Daemon) notSeen(server string) (link, advice string) {
	if who := d.unheard(server); who != "" {
		return LinkNotLooked, "the daemon has only begun and has not heard from the adb server at " + who + " yet; ask again in a moment"
	}
	_, absent := d.board.all()
	for _, a := range absent {
		if server == "" || server == a {
			return LinkNoServer, "no adb server answers at " + a + ": start it there with `adb start-server`"
		}
	}
	return "not seen", "plug it in, or check its serial number in the plan file against `adb devices`"
}
