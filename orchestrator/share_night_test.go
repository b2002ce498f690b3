package orchestrator_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
)

// ownReading are scenarios as a lab writes them, that name no evidence of pages.
const ownReading = `scenarios:
  reading:
    stage: browse
    loop: [{open: "{stage}/{n of 12}?v={n}", wait: 20 s}]
    evidence: [{kind: foreground, of: browser, limit: 3 min}]
  staring:
    stage: browse
    setup: [{open: "{stage}/3", wait: 5 s}]
    loop: [{swipe: up, wait: 30 s}]  # a touch, or the screen goes off
    evidence: [{kind: foreground, of: browser, limit: 3 min}]
`

// sharePlans are one plan for each scenario: seven points, nothing tried again.
func sharePlans(more string, scenarios ...string) string {
	var b strings.Builder
	b.WriteString(more + "plans:\n")
	for _, s := range scenarios {
		fmt.Fprintf(&b, "  %s: {drain: 7, start_level_pct: {least: 60, most: 94}, restart_spoiled: 0, segments: [%s]}\n", s, s)
	}
	return b.String()
}

// measuring waits until a segment of the handset is being measured, and a while longer.
func (b *bench) measuring(name string, longer time.Duration) {
	b.t.Helper()
	within(b.t, 4*time.Hour, name+" is measured", func() bool {
		return slices.ContainsFunc(b.daemon.Handsets(), func(s orchestrator.HandsetStatus) bool {
			return s.Name == name && s.State == string(orchestrator.Draining)
		})
	})
	time.Sleep(longer)
}

// only is the one segment of a handset.
func (b *bench) only(name string) results.Segment {
	b.t.Helper()
	list := b.finish(24 * time.Hour)[name]
	if len(list) != 1 {
		b.t.Fatalf("%d segments of %s, want 1", len(list), name)
	}
	return list[0]
}

func countOf(g results.Segment, kind string) results.ActivityCount {
	i := slices.IndexFunc(g.Activity, func(c results.ActivityCount) bool { return c.Kind == kind })
	if i < 0 {
		return results.ActivityCount{}
	}
	return g.Activity[i]
}

// A charge that is full between two looks at its power had power for all of it.
func TestChargeThatIsSoonFull(t *testing.T) {
	t.Parallel()
	for _, level := range []float64{97.4, 98.6} {
		bubbleBench(t, []string{"Alder"}, `
scenarios:
  topping: {extends: charge, start_level_pct: {least: 60, most: 100}}
plans:
  top: {segments: [topping]}
`, func(b *bench) {
			b.startDaemon()
			b.queue("top")
			for _, g := range b.finish(time.Minute)["Alder"] {
				if g.Outcome != results.Measured || g.EndedBy != "full" || g.ActivityPct == nil || *g.ActivityPct < 99 {
					b.t.Errorf("from %.1f %%: %s, %q, ended by %s, %v %% of it with power; want it measured", level, g.Outcome, g.Reason, g.EndedBy, g.ActivityPct)
				}
			}
		}, func(_ string, o *simulated.Options) { o.LevelPct = level })
	}
}

// What a segment is called hangs on the share of its window in which the activity went on.
func TestShareOfTheActivity(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name     string
		scenario string
		happens  func(b *bench, h *simulated.Handset)
		outcome  string
		pct      [2]float64 // least, most
		kind     string
		reason   []string // all of these stand in it
		outages  []string // what of each, in order
		asleep   bool     // so that no look fails
		spoil    int      // spoil_below_pct instead of 90
		own      string   // scenarios of the plan file
	}{
		{name: "nothing happens", scenario: "browse", outcome: results.Measured, pct: [2]float64{99.9, 100}, kind: "page"},
		{name: "nothing happens to a film", scenario: "video", outcome: results.Measured, pct: [2]float64{99.5, 100}, kind: "playback"},
		{name: "nothing happens to a game", scenario: "game", outcome: results.Measured, pct: [2]float64{99.5, 100}, kind: "frames"},
		{name: "nothing happens to photos", scenario: "camera", outcome: results.Measured, pct: [2]float64{99.5, 100}, kind: "photos"},
		{
			name: "one of five pages comes", scenario: "browse", happens: func(_ *bench, h *simulated.Handset) { h.FailPages(1, 5) },
			outcome: results.Spoiled, pct: [2]float64{24, 33}, kind: "page", reason: []string{"the activity went on in ", "at least 90 % is wanted", "pages opened have loaded"},
		},
		{
			name: "one of five pages comes, in a scenario of one's own that names no pages", scenario: "reading", own: ownReading, happens: func(_ *bench, h *simulated.Handset) { h.FailPages(1, 5) },
			outcome: results.Spoiled, pct: [2]float64{18, 35}, kind: "page", reason: []string{"the activity went on in ", "at least 90 % is wanted", "pages opened have loaded"},
		},
		{name: "one page, opened once", scenario: "staring", own: ownReading, outcome: results.Measured, pct: [2]float64{99, 100}, kind: "foreground"},
		{
			name: "one page in thirty does not come", scenario: "browse", happens: func(_ *bench, h *simulated.Handset) { h.FailPages(29, 30) },
			outcome: results.Flagged, pct: [2]float64{95.5, 97.8}, kind: "page", reason: []string{"at least 98 % is wanted", "pages opened have loaded"},
		},
		{
			name: "the link is lost for three minutes", scenario: "browse", happens: func(b *bench, h *simulated.Handset) {
				h.LoseLink()
				time.Sleep(3 * time.Minute)
				h.RestoreLink()
			},
			outcome: results.Flagged, pct: [2]float64{92, 97.9}, kind: "page", reason: []string{"the link was lost from", "the stage could not be reached from", "nothing shows it from"}, outages: []string{"link", "stage"},
		},
		{
			name: "the adb server is dead for ten minutes", scenario: "browse", happens: func(b *bench, h *simulated.Handset) {
				b.memory.kill()
				time.Sleep(10 * time.Minute)
				b.memory.start()
			},
			outcome: results.Spoiled, pct: [2]float64{60, 90}, kind: "page", reason: []string{"page"}, outages: []string{"link", "stage"},
		},
		{
			name: "the link is lost for twenty minutes, which a film does not need", scenario: "video", happens: func(b *bench, h *simulated.Handset) {
				h.LoseLink()
				time.Sleep(20 * time.Minute)
				h.RestoreLink()
			},
			outcome: results.Measured, pct: [2]float64{99.5, 100}, kind: "playback", outages: []string{"link"},
		},
		{
			name: "posts of a game are lost for a minute and a half, and it goes on", scenario: "game", happens: func(b *bench, h *simulated.Handset) {
				h.LoseLink()
				time.Sleep(90 * time.Second)
				h.RestoreLink()
			},
			outcome: results.Measured, pct: [2]float64{98.5, 100}, kind: "frames", outages: []string{"link", "stage"},
		},
		{
			name: "a game's frames stand still", scenario: "game", happens: func(_ *bench, h *simulated.Handset) { h.HangApp() },
			outcome: results.Flagged, pct: [2]float64{85, 97.9}, kind: "frames", reason: []string{"posts had frames"}, spoil: 80,
		},
		{
			name: "a film's position stands", scenario: "video", happens: func(_ *bench, h *simulated.Handset) { h.HangPlayer() },
			outcome: results.Flagged, pct: [2]float64{85, 97.9}, kind: "playback", reason: []string{"looks found it playing"}, spoil: 80,
		},
	}
	for name, happens := range map[string]func(b *bench, h *simulated.Handset){
		"a dialog on top of a film": func(_ *bench, h *simulated.Handset) { h.Dialog() },
		"an incoming call on top of a film": func(b *bench, h *simulated.Handset) {
			show(b.t, h, "am start -a android.intent.action.DIAL")
		},
		"the player crashes":            func(_ *bench, h *simulated.Handset) { h.CrashApp() },
		"a film's player stops":         func(b *bench, h *simulated.Handset) { show(b.t, h, "input keyevent 86") },
		"the screen goes off in a film": func(b *bench, h *simulated.Handset) { show(b.t, h, "input keyevent 223") },
	} {
		one := tests[1]
		one.name, one.happens, one.outcome, one.pct = name, happens, results.Measured, [2]float64{98, 99.9}
		if strings.Contains(name, "screen") { // only the daemon, which waits for two minutes, wakes it
			// And it sleeps until then: nobody looks either.
			one.outcome, one.pct, one.reason, one.asleep = results.Flagged, [2]float64{92, 96}, []string{"nothing shows it from"}, true
		}
		tests = append(tests, one)
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			plans := sharePlans(tt.own, tt.scenario)
			if tt.spoil > 0 {
				plans = strings.Replace(plans, "segments:", fmt.Sprintf("activity_share: {spoil_below_pct: %d}, segments:", tt.spoil), 1)
			}
			bubbleBench(t, []string{"Alder"}, plans, func(b *bench) {
				b.startDaemon()
				b.queue(tt.scenario)
				if tt.happens != nil {
					b.measuring("Alder", 5*time.Minute)
					tt.happens(b, b.handsets["Alder"])
				}
				g := b.only("Alder")
				if g.ActivityPct == nil || g.Outcome != tt.outcome || *g.ActivityPct < tt.pct[0] || *g.ActivityPct > tt.pct[1] {
					share := -1.0
					if g.ActivityPct != nil {
						share = *g.ActivityPct
					}
					b.t.Errorf("%s (%s), share %.2f %%; want %s with %v\n%+v\n%+v", g.Outcome, g.Reason, share, tt.outcome, tt.pct, g.Activity, g.Outages)
				}
				for _, want := range tt.reason {
					if !strings.Contains(g.Reason, want) {
						b.t.Errorf("reason %q, want %q in it", g.Reason, want)
					}
				}
				if c := countOf(g, tt.kind); c.Asked < 20 || c.Seen > c.Asked || (c.Seen == c.Asked) != (tt.outcome == results.Measured || tt.asleep) {
					b.t.Errorf("%s counts %+v", tt.kind, c)
				}
				var outages []string
				for _, o := range g.Outages {
					outages = append(outages, o.What)
					if !o.To.After(o.From) || o.Why == "" {
						b.t.Errorf("outage %+v", o)
					}
				}
				if !slices.Equal(outages, tt.outages) {
					b.t.Errorf("outages of %q, want %q", outages, tt.outages)
				}
				b.wholeFigure(g)
			})
		})
	}
}

// wholeFigure holds what is measured and not flagged against the simulator's truth.
func (b *bench) wholeFigure(g results.Segment) {
	b.t.Helper()
	if g.Outcome != results.Measured {
		return
	}
	figures, err := b.daemon.Reading().Figures(reading.FigureFilter{Run: g.RunID})
	if err != nil || len(figures) != 1 || figures[0].Kept != 1 {
		b.t.Errorf("figures %+v, %v; want one", figures, err)
		return
	}
	if f, truth := figures[0].Hours, b.truth(g); f.Low > truth || f.High < truth {
		b.t.Errorf("%.2f h (%.2f to %.2f), truth %.2f", f.Value, f.Low, f.High, truth)
	}
}

// The plan's own thresholds decide.
func TestShareThatThePlanWants(t *testing.T) {
	t.Parallel()
	for outcome, thresholds := range map[string]string{
		results.Measured: "{flag_below_pct: 90, spoil_below_pct: 50}", results.Flagged: "{flag_below_pct: 98, spoil_below_pct: 80}", results.Spoiled: "{flag_below_pct: 100, spoil_below_pct: 99}",
	} {
		t.Run(outcome, func(t *testing.T) {
			t.Parallel()
			plans := strings.Replace(sharePlans("", "browse"), "segments:", "activity_share: "+thresholds+", segments:", 1)
			bubbleBench(t, []string{"Alder"}, plans, func(b *bench) {
				b.startDaemon()
				b.queue("browse")
				b.handsets["Alder"].FailPages(19, 20)
				if g := b.only("Alder"); g.Outcome != outcome || *g.ActivityPct < 93 || *g.ActivityPct > 97 {
					b.t.Errorf("%s (%s) with a share of %.1f %%", g.Outcome, g.Reason, *g.ActivityPct)
				}
			})
		})
	}
}
