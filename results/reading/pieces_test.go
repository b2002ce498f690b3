package reading

import (
	"fmt"
	"math"
	"testing"
	"time"

	"rundown/results"
)

// lotAt is a lot's evidence as the stage takes it: posted so many seconds after the night's begin.
func lotAt(at float64, n int, ms, doneMS, total float64, more string) results.Evidence {
	begin := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	units := 1000.0
	return results.Evidence{
		At: begin.Add(time.Duration(at * float64(time.Second))), Kind: EvidenceLot, Value: math.Round(units*1000/ms*100) / 100,
		Detail: fmt.Sprintf(`{"lot":%d,"ms":%g,"done_ms":%g,"units":%g,"total":%g,"work":"cpu"%s}`, n, ms, doneMS, units, total, more),
	}
}

func TestPiecesOfWork(t *testing.T) {
	cycle := func(at float64, ms int) results.Evidence {
		e := lotAt(at, 1, 1, 1, 1, "")
		e.Kind, e.Value, e.Detail = EvidenceCycle, 900, fmt.Sprintf(`{"cycle":1,"ms":%d,"work":"both"}`, ms)
		return e
	}
	tests := []struct {
		name   string
		list   []results.Evidence
		form   string
		ends   []float64 // s from the beginning of the first
		from   []float64
		rates  []float64
		hidden int
	}{
		{"posts on time", []results.Evidence{lotAt(10, 1, 10000, 10000, 1000, ""), lotAt(20, 2, 10000, 20000, 2000, ""), lotAt(32.5, 3, 12500, 32500, 3000, "")},
			"lots", []float64{10, 20, 32.5}, []float64{0, 10, 20}, []float64{100, 100, 80}, 0},
		{"a post four seconds late changes no rate", []results.Evidence{lotAt(10, 1, 10000, 10000, 1000, ""), lotAt(24, 2, 10000, 20000, 2000, ""), lotAt(30, 3, 10000, 30000, 3000, "")},
			"lots", []float64{10, 20, 30}, []float64{0, 10, 20}, []float64{100, 100, 100}, 0},
		{"a post that never came lies within the next", []results.Evidence{lotAt(10, 1, 10000, 10000, 1000, ""), lotAt(40, 4, 10000, 40000, 4000, "")},
			"lots", []float64{10, 40}, []float64{0, 10}, []float64{100, 100}, 0},
		{"the browser was killed and began again", []results.Evidence{lotAt(10, 1, 10000, 10000, 1000, ""), lotAt(20, 2, 10000, 20000, 2000, ""), lotAt(75, 1, 10000, 10000, 1000, "")},
			"lots", []float64{10, 20, 75}, []float64{0, 10, 65}, []float64{100, 100, 100}, 0},
		{"the page lay under another for a while", []results.Evidence{lotAt(10, 1, 10000, 10000, 1000, ""), lotAt(20, 2, 10000, 20000, 2000, `,"visibility":"hidden"`)},
			"lots", []float64{10, 20}, []float64{0, 10}, []float64{100, 100}, 1},
		{"a page that says nothing but its rate", []results.Evidence{{At: lotAt(10, 1, 1, 1, 1, "").At, Kind: EvidenceLot, Value: 70}, {At: lotAt(20, 1, 1, 1, 1, "").At, Kind: EvidenceLot, Value: 60}},
			"lots", []float64{0, 10}, []float64{0, 10}, []float64{70, 60}, 0},
		{"cycles with rests", []results.Evidence{cycle(120, 120000), cycle(300, 120000)}, "cycles", []float64{120, 300}, []float64{0, 180}, []float64{900, 900}, 0},
		{"cycles of before, one after the other", []results.Evidence{cycle(60, 60000), cycle(120, 60000)}, "cycles", []float64{60, 120}, []float64{0, 60}, []float64{900, 900}, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			list := PiecesOf(results.Segment{Scenario: "sustain", Evidence: tt.list})
			if len(list) != 1 || list[0].Form != tt.form || len(list[0].Lots) != len(tt.ends) || list[0].Hidden != tt.hidden {
				t.Fatalf("%+v; want one piece of %d %s, %d hidden", list, len(tt.ends), tt.form, tt.hidden)
			}
			for i, l := range list[0].Lots {
				if math.Abs(l.To.Seconds()-tt.ends[i]) > 1e-6 || math.Abs(l.From.Seconds()-tt.from[i]) > 1e-6 || math.Abs(l.Rate-tt.rates[i]) > 0.01 {
					t.Errorf("number %d: %v to %v at %g; want %g to %g s at %g", i+1, l.From, l.To, l.Rate, tt.from[i], tt.ends[i], tt.rates[i])
				}
			}
		})
	}
	two := PiecesOf(results.Segment{Scenario: "sustain", Evidence: []results.Evidence{cycle(60, 60000), lotAt(70, 1, 10000, 10000, 1000, ""), {Kind: EvidenceLot, Value: 0}, {Kind: "foreground", Value: 1}}})
	if len(two) != 2 || two[0].unit() != "units/s" || (Piece{Work: "gpu"}).unit() != "frames/s" {
		t.Errorf("cycles and lots of one segment: %+v", two)
	}
}

func TestSustainedIsSaid(t *testing.T) {
	settle, yes, no := 615.0, true, false
	h := Sustained{Form: "lots", Unit: "units/s", Count: 60, StartRate: 3004.2, SettledRate: 2103, Settled: &yes, Held: &Interval{Value: 0.7, Low: 0.689, High: 0.711}, SettleS: &settle, Throttled: true}
	got := map[string]string{}
	for _, r := range h.Rows() {
		got[r[0]] = r[1]
	}
	for name, want := range map[string]string{"lots": "60", "rate at the start": "3004 units/s", "settled rate": "2103 units/s", "share held": "70.0 % (68.9 to 71.1)", "time to settle": "10.2 min", "throttling": "yes"} {
		if got[name] != want && !(name == "time to settle" && got[name] == "10.3 min") {
			t.Errorf("%s: %q, want %q", name, got[name], want)
		}
	}
	h.Settled, h.SettleS, h.Still = &no, nil, "the rate changed by -3.0 % in 5 min"
	if h.SayEnd() != "rate of the last 5 min" || h.SaySettle() != "not settled: the rate changed by -3.0 % in 5 min" {
		t.Errorf("%q, %q", h.SayEnd(), h.SaySettle())
	}
	if (Sustained{}).SayHeld() != "" || h.SayRate(47.53) != "47.5 units/s" || h.SayRate(4.753) != "4.75 units/s" {
		t.Errorf("%q, %q, %q", Sustained{}.SayHeld(), h.SayRate(47.53), h.SayRate(4.753))
	}
}
