package calculate

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"rundown/results/charging"
	"rundown/results/logfiles"
	"rundown/results/samplesets"
)

// sample is one file of the independent sample sets, read.
func sample(t *testing.T, name string) logfiles.Log {
	t.Helper()
	log, err := logfiles.Read(name, bytes.NewReader(samplesets.Bytes(t, name)), logfiles.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return log
}

// A drain, a charge and cycles of known truth, as a person puts them through.
func TestKindsOfLogs(t *testing.T) {
	drains := samplesets.Rows(t, "drain/truth.csv")
	held, refused := 0, 0
	for _, truth := range drains[:20] {
		log := sample(t, "drain/"+truth["file"])
		o := Options{WarmUpS: 180, LoopS: truth.Number(t, "loop_s"), DesignMAh: truth.Number(t, "design_mah"), NominalMV: 3850}
		if truth["learned_mah"] != "" {
			o.LearnedMAh = truth.Number(t, "learned_mah")
		}
		r, err := Log(truth["file"], log, o)
		if err != nil && strings.Contains(err.Error(), "samples missing") {
			refused++ // some of the logs have gaps of more than a point
			continue
		}
		if err != nil || r.As != AsEndurance || r.Endurance == nil || r.Charge != nil || r.Sustain != nil {
			t.Errorf("%s: %+v, %v", truth["file"], r, err)
			continue
		}
		e, w := r.Endurance, r.Endurance.Window
		if hours := truth.Number(t, "hours_full_to_empty"); e.Hours.Low <= hours && hours <= e.Hours.High {
			held++
		}
		if w.FromPct-w.ToPct != e.Points || !(w.FromS >= 180 && w.ToS > w.FromS) || len(e.Budget) == 0 || len(e.Assumptions) == 0 {
			t.Errorf("%s: window %+v of %d points", truth["file"], w, e.Points)
		}
		if want := e.Hours.Value * 1e6 / (o.DesignMAh * 3850); e.HoursPerWh == nil || math.Abs(*e.HoursPerWh/want-1) > 1e-9 {
			t.Errorf("%s: hours per Wh %v, want %.3f", truth["file"], e.HoursPerWh, want)
		}
	}
	// Each interval is meant to hold the truth in 95 of 100: 15 or fewer of 20 has odds of 1 in 390.
	if refused > 2 || held < 16-refused {
		t.Errorf("%d of 20 intervals hold the hours, %d logs were refused", held, refused)
	}
	truth := samplesets.Rows(t, "charge/truth.csv")[1]
	r, err := Log(truth["file"], sample(t, "charge/"+truth["file"]), Options{})
	if err != nil || r.As != AsCharge || r.Charge == nil || r.Charge.Taper == nil || r.Charge.Taper.LevelPct == nil || r.Charge.PeakW == nil || r.Charge.BattWh == nil || r.Charge.FromPct == nil {
		t.Fatalf("%s: %+v, %v", truth["file"], r.Charge, err)
	}
	if c := r.Charge; math.Abs(c.Taper.AtS-truth.Number(t, "taper_onset_s")) > 60 || c.Taper.Between.Low > c.Taper.AtS || c.Taper.Between.High < c.Taper.AtS || *c.HoldS != c.Hold.Value {
		t.Errorf("%s: taper %+v, hold %v", truth["file"], *c.Taper, c.Hold)
	}
	for _, x := range r.Charge.Times {
		if x.LevelPct != 80 {
			continue
		}
		if to80 := truth.Number(t, "to_80_s"); x.S == nil || x.ChargeS == nil || to80 < x.ChargeS.Low || to80 > x.ChargeS.High {
			t.Errorf("to 80 %%: %v as shown, %v by charge, true %.0f s", x.S, x.ChargeS, to80)
		}
	}
	cycles := samplesets.Files(t, "cycles")[0]
	if r, err := Log(cycles, sample(t, cycles), Options{}); err != nil || r.As != AsSustain || r.Sustain == nil || r.Sustain.Cycles < 20 {
		t.Errorf("%s: %+v, %v", cycles, r.Sustain, err)
	}
}

func text(t *testing.T, name, content string, o Options) (Result, error) {
	t.Helper()
	log, err := logfiles.Read(name, strings.NewReader(content), logfiles.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return Log(name, log, o)
}

// drain is a log of a steady drain, a point every five minutes.
func drain(points int) string {
	var b strings.Builder
	fmt.Fprintln(&b, "t_s,level,voltage_mv")
	for i := range points * 10 {
		fmt.Fprintf(&b, "%d,%d,3900\n", i*30, 93-i/10)
	}
	return b.String()
}

// What cannot be worked out says why, and names its file once.
func TestReasons(t *testing.T) {
	for _, tt := range []struct {
		name, content string
		o             Options
		is            error
		says          string
	}{
		{"a drain as a charge", drain(9), Options{As: AsCharge}, charging.ErrNoCharge, "log.csv: no figure: this is no charge: the level falls from 93 to 85 %: work it out as endurance"},
		{"a charge without power and rise", "t_s,level\n0,40\n60,40\n120,40\n180,40\n", Options{As: AsCharge}, charging.ErrNoCharge, "the level does not rise"},
		{"a drain as cycles", drain(9), Options{As: AsSustain}, logfiles.ErrLacks, "no column is a score"},
		{"a power as a drain", "t_s,battery_w\n0,4\n60,4\n", Options{As: AsEndurance}, logfiles.ErrLacks, "no column is a level"},
		{"a level of a half", "t_s,level\n0,93\n60,92.5\n", Options{As: AsEndurance}, nil, "log.csv:3: level: want the whole per cent"},
		{"too short a drain", drain(2), Options{}, nil, "log.csv: no figure: "},
		{"a design charge of 1 mAh", drain(9), Options{DesignMAh: 1}, ErrOption, "design charge: want 100 to 50000 mAh, got 1"},
		{"a learned charge of 1 mAh", drain(9), Options{LearnedMAh: 1}, ErrOption, "learned charge: want 100 to 1e+06 mAh, got 1"},
		{"one of integrated current", drain(9), Options{LearnedByCurrentMAh: 1}, ErrOption, "learned charge by current: want 100"},
		{"a negative one", drain(9), Options{DesignMAh: -4000}, ErrOption, "design charge"},
		{"one that is no number", drain(9), Options{DesignMAh: math.NaN()}, ErrOption, "design charge"},
		{"a voltage that serves nothing", drain(9), Options{NominalMV: 3850}, ErrOption, "need the design charge too"},
		{"a drain target of 200", drain(9), Options{Points: 200}, ErrOption, "points: want 1 to 100"},
	} {
		r, err := text(t, "log.csv", tt.content, tt.o)
		if err == nil || !strings.Contains(err.Error(), tt.says) || strings.Count(err.Error(), "log.csv") > 1 || tt.is != nil && !errors.Is(err, tt.is) {
			t.Errorf("%s: %v (%+v)\nwant %q", tt.name, err, r, tt.says)
		}
	}
}

// A log of a charge without levels says nothing of levels.
func TestChargeWithoutLevels(t *testing.T) {
	var b strings.Builder
	fmt.Fprintln(&b, "t_s,socket_w")
	for s := 0; s < 3600; s += 10 {
		w := 20 + 0.3*float64(s%7)
		if s > 2000 {
			w *= math.Exp(-float64(s-2000) / 500)
		}
		fmt.Fprintf(&b, "%d,%.3f\n", s, w)
	}
	r, err := text(t, "socket.csv", b.String(), Options{})
	if err != nil || r.Charge == nil || r.Charge.FromPct != nil || len(r.Charge.Times) > 0 || len(r.Charge.Spans) > 0 || r.Charge.Source != "plug" || r.Charge.PlugWh == nil {
		t.Fatalf("%+v, %v", r.Charge, err)
	}
	if r.Charge.Taper == nil || r.Charge.Taper.LevelPct != nil || math.Abs(r.Charge.Taper.AtS-2000) > 60 {
		t.Errorf("taper %+v, want at 2000 s and at no level", r.Charge.Taper)
	}
}

// Moments of change are told by how the log looks, unless somebody says.
func TestMomentsOfChange(t *testing.T) {
	const byHand = "t_s,level\n0,93\n300,92\n610,91\n900,90\n1205,89\n1500,88\n1800,87\n2110,86\n"
	no := false
	seen, err := text(t, "hand.csv", byHand, Options{})
	if err != nil || !strings.Contains(strings.Join(seen.Warnings, ";"), "each line is taken for the moment") {
		t.Fatalf("%+v, %v", seen.Warnings, err)
	}
	read, err := text(t, "hand.csv", byHand, Options{AtChange: &no})
	if err == nil && read.Endurance.Hours.High-read.Endurance.Hours.Low <= seen.Endurance.Hours.High-seen.Endurance.Hours.Low {
		t.Errorf("readings at any moment are as good as moments of change: %v and %v", read.Endurance.Hours, seen.Endurance.Hours)
	}
}

// A file of several logs gives each, a bad one among them too.
func TestFileOfSeveralLogs(t *testing.T) {
	var b strings.Builder
	fmt.Fprintln(&b, "segment_id,t_s,level,voltage_mv")
	for _, segment := range []string{"a", "b"} {
		for line := range strings.Lines(strings.TrimPrefix(drain(9), "t_s,level,voltage_mv\n")) {
			b.WriteString(segment + "," + line)
		}
	}
	b.WriteString("c,0,93,3900\n")
	list := File("night.csv", strings.NewReader(b.String()), logfiles.Options{}, Options{})
	if len(list) != 3 || list[0].Only != "a" || list[1].Result == nil || list[0].Result.Endurance.Hours != list[1].Result.Endurance.Hours || list[2].Err == nil || list[2].Result != nil {
		t.Errorf("%+v", list)
	}
	one := File("night.csv", strings.NewReader(b.String()), logfiles.Options{Only: "b"}, Options{})
	if len(one) != 1 || one[0].Only != "b" || one[0].Result == nil {
		t.Errorf("one chosen: %+v", one)
	}
	if bad := File("bad.csv", strings.NewReader("t_s,level\r0,93\r"), logfiles.Options{}, Options{}); len(bad) != 1 || bad[0].Err == nil || bad[0].Err.Error() != "bad.csv:1: the lines end in CR alone, so that the file is one line: save it with LF or CR LF" {
		t.Errorf("no lines: %+v", bad)
	}
}
