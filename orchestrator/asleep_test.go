package orchestrator_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

const idlePlan = `
plans:
  rest:
    drain: 5
    start_level_pct: {least: 70, most: 94}
    segment_limit: 30 h
    segments: [idle]
  short:
    start_level_pct: {least: 70, most: 94}
    segment_limit: 4 h
    looks_per_hour: 2
    restart_spoiled: 0
    segments: [idle]
`

// restOf is how long a handset would rest from full to empty with nobody looking, at what
// it drew in a segment's window, and what share of the drain in it was the looks'.
func (b *bench) restOf(g results.Segment) (hours, ownShare float64) {
	first, last, ok := g.Window()
	if !ok {
		return 0, 0
	}
	from, to := time.Duration(first)*time.Millisecond, time.Duration(last)*time.Millisecond
	h := b.handsets[g.Handset]
	return h.RestHours(from, to), 1 - h.RestWatts(from, to)/h.MeanWatts(from, to)
}

// mostInAnHour is the most looks of any hour.
func mostInAnHour(looksAtMS []int64) int {
	most := 0
	for i := range looksAtMS {
		n := 0
		for _, at := range looksAtMS[i:] {
			if at-looksAtMS[i] < time.Hour.Milliseconds() {
				n++
			}
		}
		most = max(most, n)
	}
	return most
}

// A rest of a handset that sleeps: left alone but for the looks that the plan allows,
// proven by its own clocks, and its figure holds the hours of a rest that nobody looks at.
func TestIdleLeavesTheHandsetAsleep(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, idlePlan, func(b *bench) {
		b.startDaemon()
		b.queue("rest")
		alder := b.handsets["Alder"]
		status := func() orchestrator.HandsetStatus { return b.daemon.Handsets()[0] }
		within(b.t, 8*time.Hour, "the drain begins", func() bool { return status().State == string(orchestrator.Draining) })
		before := alder.Wakes()
		const watched = 6 * time.Hour
		seen := 0
		for range watched / time.Minute {
			time.Sleep(time.Minute)
			if s := status(); !s.NextLook.IsZero() {
				seen++
				if in := time.Until(s.NextLook); in < -time.Minute || in > 80*time.Minute {
					b.t.Errorf("the next look is in %v", in)
				}
			}
		}
		if share := float64(seen) / float64(watched/time.Minute); share < 0.95 {
			b.t.Errorf("only %.0f %% of the time it says when it is looked at next", 100*share)
		}
		after := alder.Wakes()
		if n := after.By[simulated.WokenByLink] - before.By[simulated.WokenByLink]; n < 8 || n > 16 {
			b.t.Errorf("woken %d times by the link in six hours, want about 12", n)
		}
		segments := b.finish(60 * time.Hour)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured || segments[0].Revivals != 0 || segments[0].Points() != 5 {
			b.t.Fatalf("segments %+v, want one that is measured over 5 points, its activity never started again", segments)
		}
		g := segments[0]
		w := g.Wakes
		if w == nil || w.SleptS < 0.95*w.OfS || w.Seen < 20 || w.AtLook < w.Looks*3/4 {
			b.t.Fatalf("its sleep: %+v, want nearly all of it, and the looks told apart", w)
		}
		if n := mostInAnHour(w.LooksAtMS); n > 4 {
			b.t.Errorf("looked at %d times within an hour, want 4 at most", n)
		}
		truth, share := b.restOf(g)
		f, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		if err != nil || len(f) != 1 {
			b.t.Fatal(f, err)
		}
		if h := f[0].Hours; h.Low > truth || h.High < truth || h.High-h.Low > 0.12*truth {
			b.t.Errorf("%.1f h (%.1f to %.1f), want about %.1f within 6 %%", h.Value, h.Low, h.High, truth)
		}
		drew := share * f[0].Each[0].RatePctH.Value / (1 - share)
		if c := w.Cost; c == nil || c.LowPctH > drew || c.HighPctH < drew || c.Basis == "" {
			b.t.Errorf("looks drew %.4f %%/h, and it says %+v", drew, c)
		}
		if own := f[0].Each[0].Looks; own == nil || own.Looks != w.Looks {
			b.t.Errorf("beside the figure: %+v", own)
		}
	}, func(_ string, o *simulated.Options) { o.LevelPct = 93 })
}

// What a sleeping handset does not hear at once, or does not hear, spoils nothing.
func TestIdleOfAHandsetThatHearsBadly(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder", "Birch"}, idlePlan, func(b *bench) {
		b.startDaemon()
		b.queue("rest")
		for handset, segments := range b.finish(80 * time.Hour) {
			if len(segments) != 1 || segments[0].Outcome != results.Measured {
				b.t.Errorf("%s: segments %+v, want one that is measured", handset, segments)
				continue
			}
			truth, _ := b.restOf(segments[0])
			f, err := b.daemon.Reading().Figures(reading.FigureFilter{Handset: handset})
			if err != nil || f[0].Hours.Low > truth || f[0].Hours.High < truth {
				b.t.Errorf("%s: %+v, %v; want %.1f h within", handset, f[0].Hours, err, truth)
			}
		}
	}, func(name string, o *simulated.Options) {
		o.LevelPct = 93
		if name == "Alder" {
			o.Suspend.LinkDeaf = 0.5
		} else {
			o.Suspend.LinkLate = 12 * time.Second
		}
	})
}

// A rest that its time ends is over within a look of it, however deep the handset sleeps;
// one that power ends says so; a cancelled one ends at once.
func TestIdleEnds(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder", "Birch", "Cedar"}, idlePlan, func(b *bench) {
		b.startDaemon()
		items := b.queue("short")
		state := func(name string) string {
			for _, s := range b.daemon.Handsets() {
				if s.Name == name {
					return s.State
				}
			}
			return ""
		}
		within(b.t, time.Hour, "all rest", func() bool {
			return state("Alder") == string(orchestrator.Settling) && state("Birch") == string(orchestrator.Settling) && state("Cedar") == string(orchestrator.Settling)
		})
		time.Sleep(100 * time.Minute)
		b.handsets["Birch"].Plug(true)
		b.handsets["Birch"].Plug(false)
		time.Sleep(5 * time.Minute)
		b.handsets["Birch"].Plug(true)
		cancelled := time.Now()
		for _, it := range items {
			if it.Handset == "Cedar" {
				if _, err := b.daemon.Cancel(it.ID); err != nil {
					b.t.Fatal(err)
				}
			}
		}
		within(b.t, 3*time.Minute, "the cancelled one to end", func() bool {
			for _, it := range b.daemon.Queue() {
				if it.Handset == "Cedar" {
					return it.Outcome != ""
				}
			}
			return false
		})
		if took := time.Since(cancelled); took > 3*time.Minute {
			b.t.Errorf("cancelled, it went on for %v", took)
		}
		by := b.finish(20 * time.Hour)
		alder := by["Alder"][0]
		samples, err := b.daemon.Store().Samples(alder.ID)
		if err != nil {
			b.t.Fatal(err)
		}
		last := samples[len(samples)-1]
		ran := time.Duration(last.UptimeMS)*time.Millisecond - time.Duration(alder.ActivityUpS*float64(time.Second))
		if alder.EndedBy != "time limit" || ran < 4*time.Hour-time.Minute || ran > 4*time.Hour+31*time.Minute {
			b.t.Errorf("Alder ended by %q after %v, want its time limit of 4 h and a look at most", alder.EndedBy, ran)
		}
		if n := mostInAnHour(alder.Wakes.LooksAtMS); n > 2 {
			b.t.Errorf("looked at %d times within an hour, want 2 at most", n)
		}
		if g := by["Birch"][0]; g.Outcome != results.Spoiled || !strings.Contains(g.Reason, "power seen") {
			b.t.Errorf("Birch: %s, %s; want it spoiled by power", g.Outcome, g.Reason)
		}
	}, func(name string, o *simulated.Options) {
		o.LevelPct = 93
		if name == "Alder" {
			o.Suspend.Light, o.Suspend.Deep = [2]time.Duration{30 * time.Minute, 40 * time.Minute}, [2]time.Duration{2 * time.Hour, 3 * time.Hour}
		}
	})
}

// A daemon that is stopped while the handset sleeps misses nothing of it; the looks of
// both stand in the record.
func TestIdleIsTakenUpAgain(t *testing.T) {
	t.Parallel()
	bubbleBench(t, []string{"Alder"}, idlePlan, func(b *bench) {
		b.startDaemon()
		b.queue("rest")
		within(b.t, 8*time.Hour, "the drain begins", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Draining) })
		time.Sleep(3 * time.Hour)
		b.stopDaemon()
		time.Sleep(3 * time.Hour)
		b.startDaemon()
		g := b.finish(60 * time.Hour)["Alder"][0]
		if g.Outcome != results.Measured || g.Revivals != 0 {
			b.t.Fatalf("%s: %s, %d revivals; want it measured", g.Outcome, g.Reason, g.Revivals)
		}
		looks, hole := g.Wakes.LooksAtMS, int64(0)
		for i := 1; i < len(looks); i++ {
			hole = max(hole, looks[i]-looks[i-1])
		}
		if len(looks) < 12 || hole < (3*time.Hour).Milliseconds() {
			b.t.Errorf("looks at %v, want those of both daemons and none in the three hours between", looks)
		}
		truth, _ := b.restOf(g)
		f, err := b.daemon.Reading().Figures(reading.FigureFilter{})
		if err != nil || f[0].Hours.Low > truth || f[0].Hours.High < truth {
			b.t.Errorf("%+v, %v; want %.1f h within", f[0].Hours, err, truth)
		}
	}, func(_ string, o *simulated.Options) { o.LevelPct = 93 })
}

// Rests of handsets that differ in how they sleep and in how they are gauged, through the
// whole of daemon, recorder and calculator.
func TestSleepersHoldTheirHours(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("many rests")
	}
	const benches, each = 2, 6
	held, kept := 0, 0
	for round := range benches {
		var names []string
		for i := range each {
			names = append(names, fmt.Sprintf("H%d%d", round, i))
		}
		t.Run(fmt.Sprint(round), func(t *testing.T) {
			bubbleBench(t, names, idlePlan, func(b *bench) {
				b.quiet = true
				b.startDaemon()
				b.queue("rest")
				for handset, segments := range b.finish(100 * time.Hour) {
					g := segments[len(segments)-1]
					if g.Outcome != results.Measured {
						b.t.Errorf("%s: %s, %s", handset, g.Outcome, g.Reason)
						continue
					}
					truth, own := b.restOf(g)
					f, err := b.daemon.Reading().Figures(reading.FigureFilter{Handset: handset})
					if err != nil || f[0].Kept != 1 {
						b.t.Errorf("%s: %+v, %v", handset, f, err)
						continue
					}
					kept++
					h := f[0].Hours
					if h.Low <= truth && truth <= h.High {
						held++
					}
					b.t.Logf("%s: %.1f h (%.1f to %.1f), truth %.1f; looks drew %.1f %%", handset, h.Value, h.Low, h.High, truth, 100*own)
				}
			}, func(name string, o *simulated.Options) {
				i := int64(name[1]-'0')*each + int64(name[2]-'0')
				o.LevelPct, o.Seed = 93, 700+i
				o.ScalePower = []float64{1, 1.6, 2.5}[i%3]
				o.Suspend.SuspendedW = []float64{0.01, 0.03}[i%2]
				o.Suspend.AwakeW = []float64{0.1, 0.25, 0.5}[i%3]
				o.Suspend.WakeJ = []float64{0.2, 1, 2}[(i/2)%3]
				o.Suspend.LinkHold = []time.Duration{2 * time.Second, 5 * time.Second, 9 * time.Second}[(i/3)%3]
				o.Gauge.Counter = []physics.CounterClass{physics.FineCounter, physics.MediumCounter, physics.CoarseCounter, physics.NoCounter}[i%4]
				o.Gauge.BendSDPct = []float64{0.03, 0.06, 0.15, 0.1}[i%4]
			})
		})
	}
	if kept < benches*each || held < kept-2 {
		t.Errorf("%d of %d intervals hold the hours of a rest that nobody looks at", held, kept)
	}
}
