// Package doctor looks at everything around a bench that has to be right before a night:
// adb and its handsets, the right to open them, USB power gates, ports, disk, clock, time
// zone, the programs that make a clip, and the apps on each handset. For each it says what
// was found, whether that will do, and what to do about it.
//
// It reads, and changes nothing: no server is started, no handset is set, and a handset
// that is in a run is not asked at all. It knows the plan file and not the daemon; the
// daemon says through Options what is its own.
package doctor

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"rundown/scenarios"
)

// A Verdict is what a finding means.
type Verdict string

// The verdicts.
const (
	Fine   Verdict = "fine"
	Look   Verdict = "worth a look" // a night may go well all the same
	Wrong  Verdict = "wrong"
	Unread Verdict = "cannot be read"
)

// A Finding is one thing that was looked at.
type Finding struct {
	Area     string  `json:"area" doc:"adb, usb, handset, gate, port, disk, clock, clip"`
	Name     string  `json:"name" doc:"what was looked at"`
	Verdict  Verdict `json:"verdict" enum:"fine,worth a look,wrong,cannot be read"`
	Required bool    `json:"required" doc:"no night without it"`
	Found    string  `json:"found"`
	Mend     string  `json:"mend,omitempty" doc:"what to do"`
}

// A Report is all that was looked at.
type Report struct {
	At       time.Time `json:"at" doc:"host clock, UTC"`
	Bench    string    `json:"bench,omitempty"`
	Well     bool      `json:"well" doc:"everything required is fine"`
	Findings []Finding `json:"findings"`
}

// Unwell are the findings for which a night cannot go well.
func (r Report) Unwell() []Finding {
	return slices.DeleteFunc(slices.Clone(r.Findings), func(f Finding) bool { return !f.Required || f.Verdict == Fine })
}

// Options are what is looked at.
type Options struct {
	File    scenarios.File // zero: no plan file, every handset that is seen is looked at
	DataDir string         // the daemon's data folder; empty: not looked at
	API     string         // host:port on which the daemon is, or would be; empty: not looked at
	// Running says that the daemon of this bench is the one that asks: API and stage are its own.
	Running bool
	// Busy names the run that a handset is in, or ""; nil: none is. Such a handset is left alone.
	Busy func(handset string) string
	// Gate names a handset's power gate that stands in no plan file, or ""; nil: there are none.
	Gate func(handset string) string
	// Now is the bench's clock, by which handsets' clocks are judged; nil: the host's.
	Now  func() time.Time
	Host Host
}

// patience is how long one thing may take to answer.
const patience = 15 * time.Second

// Examine looks at everything and returns what it found, in a fixed order. What cannot be
// looked at is a finding, never an error.
func Examine(ctx context.Context, o Options) Report {
	o.Host = o.Host.orThisOne()
	if o.Now == nil {
		o.Now = o.Host.Now
	}
	e := &examination{o: o, needs: needsOf(o.File)}
	adb := e.adb(ctx)
	parts := []func(context.Context) []Finding{
		func(context.Context) []Finding { return adb },
		e.usb, e.handsets, e.gates, e.ports, e.disk, e.clock, e.clip,
	}
	found := make([][]Finding, len(parts))
	var wg sync.WaitGroup
	for i, part := range parts {
		wg.Go(func() { found[i] = part(ctx) })
	}
	wg.Wait()
	r := Report{At: o.Host.Now().UTC(), Bench: o.File.Bench.Name, Findings: slices.Concat(found...)}
	r.Well = len(r.Unwell()) == 0
	return r
}

// An examination is one look, with what its parts need of each other.
type examination struct {
	o     Options
	needs needs
	seen  []seen // by the adb servers, known once adb was looked at
}

// needs are what the bench's plans ask of host and handsets.
type needs struct {
	plans bool                // there is a plan file
	roles map[string][]string // role to the scenarios that need it
	clip  []string            // scenarios that play the lab's clip
	stage []string            // scenarios that open the stage
}

func needsOf(f scenarios.File) needs {
	n := needs{plans: len(f.Plans) > 0, roles: map[string][]string{}}
	used := map[string]bool{}
	for _, p := range f.Plans {
		for _, g := range p.Segments {
			used[g.Scenario] = true
		}
	}
	for _, name := range slices.Sorted(maps.Keys(used)) {
		s := f.Scenarios[name]
		for _, role := range s.Roles() {
			n.roles[role] = append(n.roles[role], name)
		}
		if s.NeedsClip() {
			n.clip = append(n.clip, name)
		}
		if s.Stage != "" {
			n.stage = append(n.stage, name)
		}
	}
	return n
}
