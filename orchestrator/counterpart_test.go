package orchestrator_test

import (
	"strings"
	"testing"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
)

const callPlan = `
plans:
  talk: {drain: 3, start_level_pct: {least: 50, most: 94}, restart_spoiled: 0, segments: [voicecall]}
  short: {drain: 3, start_level_pct: {least: 50, most: 94}, segments: [browse]}
`

// callingBench has two handsets on one telephone network; the first calls the second. The
// numbers are of those that Ofcom sets aside for drama (Numbers for use in TV and radio
// drama programmes): they belong to nobody.
func callingBench(t *testing.T, callee string) *bench {
	t.Helper()
	exchange := &simulated.Exchange{}
	numbers := map[string]string{"Alder": "+447700900123", "Cedar": "+447700900456"}
	b := newBench(t, []string{"Alder", "Cedar"}, callPlan, func(name string, o *simulated.Options) {
		o.Exchange = exchange
		if name != callee {
			o.Number = numbers[name]
		}
	})
	for i, h := range b.file.Bench.Handsets {
		b.file.Bench.Handsets[i].Number = numbers[h.Name]
	}
	b.file.Bench.Handsets[0].Counterpart = "Cedar"
	return b
}

// A telephone call from one handset of the bench to another, which takes it by itself; the
// state of the call is read back on both. The other one's own run waits meanwhile.
func TestVoiceCallBetweenHandsets(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := callingBench(t, "").start(overServer)
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "talk", Handsets: []string{"Alder"}}); err != nil {
			t.Fatal(err)
		}
		within(t, 2*time.Minute, "the call is measured", func() bool { return b.daemon.Handsets()[0].State == string(orchestrator.Draining) })
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "short", Handsets: []string{"Cedar"}}); err != nil {
			t.Fatal(err)
		}
		within(t, time.Minute, "the counterpart's own run waits", func() bool { return strings.Contains(b.daemon.Handsets()[1].WaitsFor, "answers for another run") })
		segments := b.finish(4 * time.Minute)
		call, own := segments["Alder"], segments["Cedar"]
		if len(call) != 1 || call[0].Outcome != results.Measured {
			t.Fatalf("segments of the caller %+v, want one that is measured", call)
		}
		kinds := map[string]int{}
		for _, e := range call[0].Evidence {
			if e.Value > 0 {
				kinds[e.Kind]++
			}
		}
		if kinds["incall"] < 5 || kinds["answered"] < 5 {
			t.Errorf("evidence %v; want the call seen on both handsets", kinds)
		}
		if len(own) != 1 || own[0].Outcome != results.Measured || own[0].StartedAt.Before(call[0].EndedAt) {
			t.Errorf("the counterpart's own segment %+v; want one measured after the call", own)
		}
		left, err := b.handsets["Cedar"].ListDir("/data/local/tmp/rundown")
		// The holders' numbers stay, so that they only grow, and the list of what its settings were,
		// so that a daemon that comes back later knows it was emptied.
		if err != nil || len(left) != 2 || left[0].Name != "before.txt" || left[1].Name != "holders" {
			t.Errorf("left on the counterpart: %v, %v; want the list of what was and the holders' folder", left, err)
		}
		if befores, err := onboard.ReadBefores(t.Context(), b.handsets["Cedar"]); err != nil || len(befores.List) != 0 {
			t.Errorf("settings of the counterpart that were not put back: %+v, %v", befores.List, err)
		}
	})
}

// A call that somebody else has taken, a machine perhaps, is not the call that was meant.
func TestVoiceCallToSomebodyElse(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := callingBench(t, "Cedar").start(overServer)
		if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "talk", Handsets: []string{"Alder"}}); err != nil {
			t.Fatal(err)
		}
		g := b.finish(4 * time.Minute)["Alder"]
		if len(g) != 1 || g[0].Outcome != results.Spoiled || !strings.Contains(g[0].Reason, "took no call") {
			t.Errorf("segments %+v, want one that is spoiled since the counterpart took no call", g)
		}
	})
}

func TestCallsNeedACounterpart(t *testing.T) {
	t.Parallel()
	b := newBench(t, []string{"Alder"}, callPlan).start(overServer)
	if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "talk"}); err == nil || !strings.Contains(err.Error(), "counterpart") {
		t.Errorf("a plan with calls and nobody to call: %v, want it refused", err)
	}
}
