package sustain

import (
	"math"
	"testing"
	"time"
)

func val[T any](v T) *T { return &v }

// Two cycles of a minute with a rest of 40 s between, worked by hand. Readings and thermal readings at the very ends
// of a cycle are of it; those outside are not, but for how long the outermost within stand for.
func TestSeriesWorkedByHand(t *testing.T) {
	at := func(s int) time.Duration { return time.Duration(s) * time.Second }
	var readings []Reading
	for _, r := range []struct {
		s, level int
		c, w     float64
	}{{90, 91, 20, 9}, {100, 90, 30, 6}, {160, 88, 36, 6}, {200, 87, 34, 4}, {260, 85, 40, 4}, {300, 84, 50, 9}} {
		readings = append(readings, Reading{T: at(r.s), LevelPct: r.level, BatteryC: &r.c, PowerW: &r.w})
	}
	thermal := []Thermal{{T: at(99), Status: 5, SkinC: val(60.0)}, {T: at(100), Status: 1, SkinC: val(41.0)}, {T: at(160), Status: 2, SkinC: val(39.0)}, {T: at(180), Status: 6, SkinC: val(70.0)}, {T: at(230), Status: 1}}
	s := DescribeCycles([]Lot{{at(100), at(160), 10}, {at(200), at(260), 8}}, readings, thermal)
	if len(s.Lines) != 2 || s.MeanC == nil || s.HighestC == nil || s.StartC == nil || s.PowerW == nil || s.WorkPerJ == nil || s.Points == nil || s.HighestSkinC == nil || s.HighestStatus == nil {
		t.Fatalf("something is missing of %+v", s)
	}
	is := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-9) {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	// Each reading stands for the time from the one before to the one behind: 70, 100, 100 and 100 s.
	is("mean temperature, °C", *s.MeanC, (70*30+100*36+100*34+100*40)/370.0)
	is("highest", *s.HighestC, 40)
	is("at the start", *s.StartC, 30)
	is("points", *s.Points, 5)
	// 6 W and 4 W for a minute each: 600 J in 120 s of work, which was 10 x 60 + 8 x 60.
	is("mean power, W", *s.PowerW, 5)
	is("work a joule", *s.WorkPerJ, 1.8)
	is("highest skin temperature, °C", *s.HighestSkinC, 41)
	is("highest status", float64(*s.HighestStatus), 2)
	for i, want := range []struct{ c, w, level, status float64 }{{36, 6, 88, 2}, {40, 4, 85, 1}} {
		l := s.Lines[i]
		if l.BatteryC == nil || l.LevelPct == nil || l.PowerW() == nil || l.Status == nil || l.Number != i+1 {
			t.Errorf("line %d: %+v", i+1, l)
			continue
		}
		is("temperature at its end", *l.BatteryC, want.c)
		is("its power", *l.PowerW(), want.w)
		is("its level", float64(*l.LevelPct), want.level)
		is("its status", float64(*l.Status), want.status)
	}
	if l := s.Lines[1]; l.SkinC != nil {
		t.Errorf("skin temperature of the second: %g, want none", *l.SkinC)
	}
	// A reading at a lot's beginning is of it, one before is not.
	for _, tt := range []struct {
		from int
		want bool
	}{{300, true}, {301, false}} {
		if l := lineOf(7, Lot{From: at(tt.from), To: at(310)}, readings, nil); (l.BatteryC != nil) != tt.want || l.Number != 7 {
			t.Errorf("a lot from %d s, last read at 300: %+v", tt.from, l)
		}
	}
	// The last of all readings stands for the time since the one before.
	ends := DescribeCycles([]Lot{{at(100), at(160), 10}, {at(200), at(260), 8}}, readings[:5], nil)
	if ends.MeanC == nil || !(math.Abs(*ends.MeanC-(70*30+100*36+100*34+60*40)/330.0) <= 1e-9) {
		t.Errorf("mean of readings that end with the cycles: %v", ends.MeanC)
	}
	lone := DescribeCycles([]Lot{{at(100), at(160), 10}}, readings[1:2], nil)
	if lone.MeanC == nil || *lone.MeanC != 30 {
		t.Errorf("the mean of a lone reading of 30 °C: %v", lone.MeanC)
	}
}

// Power is interpolated over a minute and no more, what lies beside a stretch does not matter to it, and a stretch without
// length has none.
func TestWhenThereIsEnergy(t *testing.T) {
	at := func(s int) time.Duration { return time.Duration(s) * time.Second }
	readings := []Reading{{T: at(0)}, {T: at(10), PowerW: val(5.0)}, {T: at(70), PowerW: val(5.0)}, {T: at(131), PowerW: val(5.0)}, {T: at(140)}}
	for _, tt := range []struct {
		from, to int
		want     float64 // J; 0: none
	}{{10, 70, 300}, {20, 30, 50}, {10, 71, 0}, {70, 131, 0}, {20, 20, 0}, {30, 20, 0}, {5, 30, 0}} {
		got := energy(readings, at(tt.from), at(tt.to))
		if (got != nil) != (tt.want > 0) || got != nil && math.Abs(*got-tt.want) > 1e-9 {
			t.Errorf("from %d to %d s: %v, want %g J", tt.from, tt.to, got, tt.want)
		}
	}
	// Four fifths of the time are enough for a mean power, three are not.
	for lots, want := range map[int]bool{4: true, 3: false} {
		s := Series{}
		for i := range 5 {
			l := Line{Lot: Lot{From: at(60 * i), To: at(60 * (i + 1)), Rate: 10}}
			if i < lots {
				l.EnergyJ = val(120.0)
			}
			s.Lines = append(s.Lines, l)
		}
		s.energies()
		if (s.PowerW != nil) != want || want && (*s.PowerW != 2 || *s.WorkPerJ != 5) {
			t.Errorf("%d of 5 lots with energy: %v W, %v a joule; want any: %t", lots, s.PowerW, s.WorkPerJ, want)
		}
	}
	none := Series{Lines: []Line{{Lot: Lot{From: at(0), To: at(60), Rate: 10}, EnergyJ: val(0.0)}}}
	if none.energies(); none.PowerW != nil || none.WorkPerJ != nil {
		t.Errorf("work without any energy: %v W, %v a joule; want neither", none.PowerW, none.WorkPerJ)
	}
}
