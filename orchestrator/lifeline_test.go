package orchestrator

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"rundown/devices"
	"rundown/results"
	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// A forwardLog notes when the stage was made reachable on a handset, and may refuse.
type forwardLog struct {
	devices.Link
	mu    sync.Mutex
	from  time.Time
	at    []time.Duration
	fails int // so many more times
}

func (f *forwardLog) Reverse(context.Context, int, int) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fails > 0 {
		f.fails--
		return errors.New("closed")
	}
	f.at = append(f.at, time.Since(f.from))
	return nil
}

// onlyLink is a bench on which every handset is reached by one link.
type onlyLink struct{ to devices.Link }

func (o onlyLink) Link(string, string) devices.Link { return o.to }

func (o onlyLink) Follow(ctx context.Context, _ func([]Seen, []string)) error {
	<-ctx.Done()
	return ctx.Err()
}

// A handset that is ready again has the stage again within three seconds, whatever happened
// to its link and whatever its actor is busy with; and the outages are on record.
func TestStageIsBackWithTheLink(t *testing.T) {
	ready := Seen{Serial: "S1", Server: "a", State: "device", Ready: true}
	offline := Seen{Serial: "S1", Server: "a", State: "offline", Advice: "it does not answer"}
	other := Seen{Serial: "S2", Server: "a", State: "device", Ready: true}
	type happens struct {
		after time.Duration
		seen  []Seen
	}
	seconds := func(list ...float64) (out []time.Duration) {
		for _, s := range list {
			out = append(out, time.Duration(s*float64(time.Second)))
		}
		return out
	}
	tests := []struct {
		name    string
		happens []happens
		fails   int
		away    bool // the stage is reached over the network
		want    []time.Duration
		outages [][3]any // what, from, to in s; -1: still
	}{
		{name: "nothing happens"},
		{name: "another handset comes and goes", happens: []happens{{5 * time.Second, []Seen{ready, other}}, {6 * time.Second, []Seen{ready}}}},
		{name: "offline for a minute", happens: []happens{{10 * time.Second, []Seen{offline}}, {70 * time.Second, []Seen{ready}}}, want: seconds(70), outages: [][3]any{{"link", 10, 70}, {"stage", 10, 70}}},
		{name: "not listed for a minute", happens: []happens{{10 * time.Second, []Seen{other}}, {70 * time.Second, []Seen{other, ready}}}, want: seconds(70), outages: [][3]any{{"link", 10, 70}, {"stage", 10, 70}}},
		{name: "gone for an instant", happens: []happens{{10 * time.Second, nil}, {10 * time.Second, []Seen{ready}}}, want: seconds(10)},
		{name: "refused twice", happens: []happens{{10 * time.Second, []Seen{offline}}, {20 * time.Second, []Seen{ready}}}, fails: 2, want: seconds(22), outages: [][3]any{{"link", 10, 20}, {"stage", 10, 22}}},
		{name: "flapping", happens: []happens{{10 * time.Second, []Seen{offline}}, {12 * time.Second, []Seen{ready}}, {14 * time.Second, []Seen{offline}}, {16 * time.Second, []Seen{ready}}}, want: seconds(12, 16), outages: [][3]any{{"link", 10, 12}, {"stage", 10, 12}, {"link", 14, 16}, {"stage", 14, 16}}},
		{name: "away for good", happens: []happens{{10 * time.Second, []Seen{offline}}}, outages: [][3]any{{"link", 10, -1}, {"stage", 10, -1}}},
		{name: "the stage over the network", away: true, happens: []happens{{10 * time.Second, []Seen{offline}}, {70 * time.Second, []Seen{ready}}}, outages: [][3]any{{"link", 10, 70}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			at := scenarios.Stage{Port: 8791}
			if tt.away {
				at.Address = "192.0.2.10:8790"
			}
			s := stageOf(t) // its sockets are no part of the bubble
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				link := &forwardLog{from: start, fails: tt.fails}
				d := New(Config{File: scenarios.File{Bench: scenarios.Bench{Stage: at}}, Links: onlyLink{link}})
				d.stage = s
				d.board.update([]Seen{ready}, nil)
				r := &run{d: d, h: scenarios.Handset{Name: "Alder", Serial: "S1"}, live: &segment{session: &stage.Session{}, u: &underway{}, scenario: scenarios.Scenario{Stage: "browse"}}}
				line := r.lifelineOf()
				stop := line.keep(t.Context())
				for _, h := range tt.happens {
					time.Sleep(h.after - time.Since(start))
					d.board.update(h.seen, nil)
				}
				time.Sleep(2 * time.Minute)
				stop()
				if diff := cmp.Diff(tt.want, link.at); diff != "" {
					t.Errorf("the stage was made reachable (-want +got):\n%s", diff)
				}
				list, _ := line.take()
				var want []results.Outage
				for _, o := range tt.outages {
					one := results.Outage{What: o[0].(string), From: start.Add(time.Duration(o[1].(int)) * time.Second).UTC()}
					if to := o[2].(int); to >= 0 {
						one.To = start.Add(time.Duration(to) * time.Second).UTC()
					}
					want = append(want, one)
				}
				if diff := cmp.Diff(want, list, cmpopts.IgnoreFields(results.Outage{}, "Why")); diff != "" {
					t.Errorf("outages (-want +got):\n%s", diff)
				}
				for _, o := range list {
					if o.Why == "" {
						t.Errorf("%+v does not say why", o)
					}
				}
			})
		})
	}
}

// A handset that is shown as ready and does not answer is away as well; and outages end
// where the segment does.
func TestOutagesThatOnlyALookShows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(Config{Links: onlyLink{&forwardLog{}}})
		d.board.update([]Seen{{Serial: "S1", Ready: true}}, nil)
		r := &run{d: d, h: scenarios.Handset{Serial: "S1"}, live: &segment{u: &underway{LookedAt: time.Now().Add(-time.Minute).UTC()}, taken: true}}
		line := r.lifelineOf()
		defer line.keep(t.Context())()
		start := time.Now().UTC()
		at := func(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }
		time.Sleep(10 * time.Second)
		line.unheard(devices.ErrTimeout)
		time.Sleep(10 * time.Second)
		line.unheard(devices.ErrTimeout)
		line.heard()
		time.Sleep(10 * time.Second)
		line.unheard(devices.ErrTimeout)
		list, changed := line.take()
		want := []results.Outage{{From: at(-60), To: at(0), What: "link", Why: "the daemon was not running"}, {From: at(10), To: at(20), What: "link", Why: why(devices.ErrTimeout)}, {From: at(30), What: "link", Why: why(devices.ErrTimeout)}}
		if diff := cmp.Diff(want, list); diff != "" || !changed {
			t.Errorf("outages, changed %v (-want +got):\n%s", changed, diff)
		}
		if _, changed := line.take(); changed {
			t.Error("nothing happened, and the outages have changed")
		}
		if diff := cmp.Diff([]results.Outage{{From: at(-60), To: at(0), What: "link", Why: "the daemon was not running"}, {From: at(10), To: at(15), What: "link", Why: why(devices.ErrTimeout)}}, closeOutages(list, at(15))); diff != "" {
			t.Errorf("outages of a segment that ended before (-want +got):\n%s", diff)
		}
	})
}

// A link that flaps all night leaves a bounded record, and its last outage reaches to the end.
func TestManyOutages(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(Config{Links: onlyLink{&forwardLog{}}})
		line := &lifeline{d: d}
		for range 500 {
			line.unheard(devices.ErrTimeout)
			time.Sleep(time.Second)
			line.heard()
			time.Sleep(time.Second)
		}
		list, _ := line.take()
		if n := len(list); n != mostOutages || !list[n-1].To.Equal(time.Now().Add(-time.Second)) {
			t.Errorf("%d outages, the last %+v; want %d, until %v", n, list[n-1], mostOutages, time.Now().Add(-time.Second))
		}
	})
}
