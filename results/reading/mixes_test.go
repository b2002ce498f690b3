package reading

import (
	"math"
	"slices"
	"strings"
	"testing"

	"rundown/scenarios"
)

func TestMixesAndRegulation(t *testing.T) {
	figure := func(handset, scenario string, hours float64) ScenarioFigure {
		return ScenarioFigure{Handset: handset, Scenario: scenario, Kept: 1, Hours: Interval{Value: hours, Low: 0.97 * hours, High: 1.03 * hours}}
	}
	rm := &Room{file: scenarios.File{
		Bench: scenarios.Bench{Handsets: []scenarios.Handset{{Name: "Alder", CapacityMAh: 5000, NominalMV: 3850}, {Name: "Birch"}, {Name: "Cedar"}}},
		DayMixes: map[string]scenarios.DayMix{
			"busy":  {Name: "busy", Hours: map[string]float64{"game": 2, "video": 6}},
			"quiet": {Name: "quiet", Hours: map[string]float64{"browse": 1, "idle": 23}},
		},
	}}
	figures := []ScenarioFigure{figure("Alder", "game", 10), figure("Alder", "video", 20), figure("Alder", "idle", 160), figure("Birch", "game", 8), figure("Birch", "video", 16)}
	mixes := rm.MixFigures(figures)
	if len(mixes) != 4 {
		t.Fatalf("%d mixes, want two of each handset with figures", len(mixes))
	}
	busy := mixes[0]
	if math.Abs(busy.Days.Value-2) > 1e-9 || busy.StandbyH != 16 || busy.WithStandby == nil || math.Abs(busy.WithStandby.Value-1/0.6) > 1e-9 {
		t.Errorf("busy: %+v, with standby %+v; want 2 days, and 1.67 with 16 h of standby", busy, busy.WithStandby)
	}
	if len(busy.Parts) != 2 || busy.Parts[0].Scenario != "video" || math.Abs(busy.Parts[0].SharePct-60) > 1e-9 || busy.Parts[0].DaysIfMore >= 0 || busy.Parts[0].DaysIfLonger <= 0 {
		t.Errorf("parts %+v, want video first with 60 %%", busy.Parts)
	}
	if quiet := mixes[1]; !slices.Equal(quiet.Missing, []string{"browse"}) || quiet.Parts != nil || quiet.WithStandby != nil {
		t.Errorf("quiet: %+v, want browse missing and nothing else", quiet)
	}
	if birch := mixes[2]; birch.WithStandby != nil || math.Abs(birch.Days.Value-1.6) > 1e-9 {
		t.Errorf("Birch, busy: %+v; want 1.6 days, no standby as idle was not measured", birch)
	}
	list := rm.RegulationFigures(figures)
	if len(list) != 1 || list[0].Hours != nil || !slices.Equal(list[0].Missing, []string{"browse", "stream", "transfer", "voicecall"}) || !strings.Contains(list[0].Label, "not a declared value") {
		t.Errorf("regulation %+v; want Alder's alone, four parts missing", list)
	}
	for _, s := range []string{"browse", "stream", "transfer", "voicecall"} {
		figures = append(figures, figure("Alder", s, 10))
	}
	// Idle 2 h of 160, game and what is like it 22/60 h of 10 h, video 4/60 h of 20 h a cycle of 2.5 h.
	want := math.Round(100*2.5/(2.0/160+(4+9+4+1+8)/60.0/10+4/60.0/20)) / 100
	if list = rm.RegulationFigures(figures); len(list) != 1 || list[0].Hours == nil || list[0].Hours.Value != want || list[0].IndexPerW != math.Round(100*want*1000/(5000*3.850))/100 {
		t.Errorf("regulation %+v, want %g h", list, want)
	}
}
