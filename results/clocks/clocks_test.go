package clocks

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"rundown/results/samplesets"
	"strconv"
	"strings"
	"testing"
	"time"
)

var day = time.Date(2026, 3, 4, 22, 0, 0, 0, time.UTC)

// power is an invented charge: nothing for two minutes, up within seconds, steps down,
// a taper, and what the handset's own work adds now and then. at is s from the start.
type power struct {
	plug   float64 // when power comes, s
	bursts []float64
	watts  []float64
}

func newPower(rng *rand.Rand, length float64) power {
	p := power{plug: 120}
	for t := 0.0; t < length; {
		t += 60 + 500*rng.Float64()
		p.bursts = append(p.bursts, t)
		p.watts = append(p.watts, 0.3+1.5*rng.Float64())
	}
	return p
}

func (p power) battery(t float64) float64 {
	on := t - p.plug
	if on < 0 {
		return -0.4
	}
	w := 27 * (1 - math.Exp(-on/4))
	switch {
	case on > 2400:
		w = 14 * math.Exp(-(on-2400)/900)
	case on > 1500:
		w = 14
	case on > 700:
		w = 21
	}
	return w
}

func (p power) work(t float64) float64 {
	w := 0.5
	for i, at := range p.bursts {
		if t >= at && t < at+25 {
			w += p.watts[i]
		}
	}
	return w
}

// truth is how a meter's clock runs against the handset's.
type truth struct {
	shift float64 // s to add to the meter's time at day
	ppm   float64
}

// meterTime is the meter's clock at s of the handset's.
func (c truth) meterTime(s float64) time.Time {
	// handset = meter + shift + ppm * meter
	return day.Add(seconds((s - c.shift) / (1 + c.ppm*1e-6)))
}

// records makes both: the handset's every hEvery s, what reaches its battery; the
// meter's every mEvery s, what arrives: over an efficiency that falls with power, with
// the handset's own work on top. Drop-outs single and in a run.
func records(rng *rand.Rand, p power, c truth, length, hEvery, mEvery, noise float64) (h, m []Point) {
	drop := func(t float64) bool { return rng.Float64() < 0.04 || (t > 1000 && t < 1045) || (t > 1900 && t < 1930) }
	for t := hEvery * rng.Float64(); t < length; t += hEvery * (0.97 + 0.06*rng.Float64()) {
		if !drop(t + 300) {
			w := p.battery(t) - 0.2*(p.work(t)-0.5)
			h = append(h, Point{day.Add(seconds(t)), w * (1 + noise*rng.NormFloat64())})
		}
	}
	for t := -30.0; t < length-60; t += mEvery {
		if !drop(t) {
			b := max(p.battery(t), 0)
			w := 0.0
			if t > p.plug {
				w = b/(0.93-0.002*b) + 0.8*p.work(t)
			}
			m = append(m, Point{c.meterTime(t), w*(1+noise*rng.NormFloat64()) + 0.01*rng.NormFloat64()})
		}
	}
	return h, m
}

// worst is the largest error of the fit over the meter's record, s, and the largest in
// units of the uncertainty stated there.
func worst(f Fit, c truth, m []Point) (errS, overU float64) {
	for _, p := range m {
		s := p.At.Sub(day).Seconds()
		want := day.Add(seconds(s + c.shift + c.ppm*1e-6*s))
		e := f.Time(p.At).Sub(want).Seconds()
		errS = max(errS, math.Abs(e))
		overU = max(overU, math.Abs(e)/f.U95(p.At).Seconds())
	}
	return errS, overU
}

// Records shifted by a known time, with drop-outs and a clock 200 ppm off, come back to
// within one sample.
func TestAlignWithinOneSample(t *testing.T) {
	tests := []struct {
		name           string
		c              truth
		length         float64
		hEvery, mEvery float64
	}{
		{"1 s, 200 ppm fast", truth{437.3, 200}, 3600, 1, 1},
		{"1 s, 200 ppm slow", truth{-1913.8, -200}, 3600, 1, 1},
		{"handset 5 s, meter 1 s", truth{12.6, 200}, 4200, 5, 1},
		{"10 s", truth{-250.4, 200}, 9000, 10, 10},
		{"handset 1 s, meter 2 s, a meter never set", truth{826_459_200.25, 200}, 3600, 1, 2},
		{"same clock", truth{0, 0}, 3600, 1, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			inside := 0
			const trials = 3
			for seed := range uint64(trials) {
				rng := rand.New(rand.NewPCG(seed, 99))
				p := newPower(rng, tt.length)
				h, m := records(rng, p, tt.c, tt.length, tt.hEvery, tt.mEvery, 0.01)
				f, err := Align(h, m, Options{})
				if err != nil {
					t.Fatalf("seed %d: %v", seed, err)
				}
				if f.By != ByCourse || f.PlugIn == nil {
					t.Errorf("seed %d: lined up by %s, plug-in %v", seed, f.By, f.PlugIn)
				}
				e, over := worst(f, tt.c, m)
				sample := max(tt.hEvery, tt.mEvery)
				if e > sample {
					t.Errorf("seed %d: off by up to %.2f s, a sample is %g s; %v", seed, e, sample, f)
				}
				if over <= 1 {
					inside++
				}
				if f.ShiftU95.Seconds() > 2*sample {
					t.Errorf("seed %d: shift stated to ± %v only", seed, f.ShiftU95)
				}
				if seed == 0 {
					t.Logf("off by up to %.2f s: %v", e, f)
				}
			}
			// Ends included, the whole record within the 95 % interval of each of its instants.
			if inside < trials {
				t.Errorf("%d of %d within the uncertainty stated", inside, trials)
			}
		})
	}
}

// A night of eight hours, in which 200 ppm are nearly six seconds.
func TestAlignANightFindsTheRate(t *testing.T) {
	for seed := range uint64(2) {
		rng := rand.New(rand.NewPCG(seed, 7))
		c := truth{shift: 61.7, ppm: 200}
		h, m := records(rng, newPower(rng, 28800), c, 28800, 5, 1, 0.01)
		f, err := Align(h, m, Options{})
		if err != nil {
			t.Fatal(err)
		}
		e, over := worst(f, c, m)
		if e > 5 || over > 1 || math.Abs(f.RatePPM-200) > f.RateU95PPM || f.RateU95PPM > 250 {
			t.Errorf("seed %d: off by up to %.2f s: %v", seed, e, f)
		}
		t.Logf("off by up to %.2f s: %v", e, f)
	}
}

// Charges of the project's sample sets, from a generator of others: plug_mw is the meter's record, on a clock of its own.
func TestAlignSampleSets(t *testing.T) {
	for _, file := range samplesets.Files(t, "charge") {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			rows, err := csv.NewReader(bytes.NewReader(samplesets.Bytes(t, file))).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(uint64(len(rows)), 3))
			c := truth{shift: -77.7, ppm: 200}
			var h, m []Point
			for _, row := range rows[1:] {
				var v [4]float64
				for i := range v {
					if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
						t.Fatal(err)
					}
				}
				s := v[0] / 1000
				if rng.Float64() > 0.03 {
					h = append(h, Point{day.Add(seconds(s)), v[2] / 1000})
				}
				if rng.Float64() > 0.03 {
					m = append(m, Point{c.meterTime(s), v[3] / 1000})
				}
			}
			// Where the handset holds its values, a sample is the time from one to the next.
			fresh := 1
			for i := 1; i < len(h); i++ {
				if h[i].Value != h[i-1].Value {
					fresh++
				}
			}
			sample := h[len(h)-1].At.Sub(h[0].At).Seconds() / float64(fresh)
			fit, err := Align(h, m, Options{})
			if err != nil {
				t.Fatal(err)
			}
			e, over := worst(fit, c, m)
			if e > sample || over > 1 {
				t.Errorf("off by up to %.2f s with a sample of %.2f s: %v", e, sample, fit)
			}
			t.Logf("off by up to %.2f s: %v", e, fit)
		})
	}
}

func TestAlignByThePlugInMomentAlone(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	c := truth{shift: 30}
	// The meter's record says when power came and nothing else: it is on a hub's line.
	var h, m []Point
	for s := range 1200 {
		w, v := -0.4, 0.2*rng.Float64()
		if s > 300 {
			w, v = 10+3*math.Sin(float64(s)/40), 12+2*rng.Float64()+3*math.Cos(float64(s)/11)
		}
		h = append(h, Point{day.Add(seconds(float64(s))), w})
		m = append(m, Point{c.meterTime(float64(s)), v})
	}
	f, err := Align(h, m, Options{LeastCorrelation: 0.98})
	if err != nil || f.By != ByPlugIn || math.Abs(f.Shift.Seconds()-30) > 1 || f.ShiftU95.Seconds() > 1.5 || !strings.Contains(strings.Join(f.Notes, ";"), "only the moment") {
		t.Errorf("%v, %v, notes %q", f, err, f.Notes)
	}
	// The moment may be known better than the record shows it.
	at := Moment{After: day.Add(299 * time.Second), By: day.Add(301 * time.Second)}
	meterAt := Moment{After: at.After.Add(-45 * time.Second), By: at.By.Add(-45 * time.Second)}
	f, err = Align(h, m, Options{LeastCorrelation: 0.98, HandsetPlugIn: &at, MeterPlugIn: &meterAt})
	if err != nil || f.By != ByPlugIn || f.Shift != 45*time.Second {
		t.Errorf("given moments: %v, %v", f, err)
	}
}

func TestAlignRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	p := newPower(rng, 3600)
	h, m := records(rng, p, truth{shift: 20}, 3600, 5, 5, 0.01)
	t.Run("too few", func(t *testing.T) {
		if _, err := Align(h[:10], m, Options{}); !errors.Is(err, ErrTooFew) || !strings.Contains(err.Error(), "handset's record") {
			t.Errorf("%v", err)
		}
		if _, err := Align(h, nil, Options{}); !errors.Is(err, ErrTooFew) || !strings.Contains(err.Error(), "meter's record") {
			t.Errorf("%v", err)
		}
	})
	t.Run("another charge", func(t *testing.T) {
		var noise []Point
		for i := range 700 {
			noise = append(noise, Point{day.Add(seconds(5 * float64(i))), 10 + rng.Float64()})
		}
		if f, err := Align(h, noise, Options{}); !errors.Is(err, ErrNoMatch) {
			t.Errorf("%v, %v", f, err)
		}
	})
	t.Run("the same again and again", func(t *testing.T) {
		var a, b []Point
		for i := range 1200 {
			v := 5 + math.Copysign(3, math.Sin(math.Pi*(float64(i)+0.5)/60))
			a = append(a, Point{day.Add(seconds(float64(i))), v + 0.1*rng.NormFloat64()})
			b = append(b, Point{day.Add(seconds(float64(i) + 4)), v + 0.1*rng.NormFloat64()})
		}
		if f, err := Align(a[300:900], b, Options{}); !errors.Is(err, ErrAmbiguous) {
			t.Errorf("%v, %v", f, err)
		}
	})
	t.Run("a moment that is wrong", func(t *testing.T) {
		at := Moment{After: day.Add(120 * time.Second), By: day.Add(125 * time.Second)}
		wrong := Moment{After: at.After.Add(-20*time.Second + 50*time.Second), By: at.By.Add(-20*time.Second + 50*time.Second)}
		if f, err := Align(h, m, Options{HandsetPlugIn: &at, MeterPlugIn: &wrong}); !errors.Is(err, ErrDisagree) || f.PlugIn == nil {
			t.Errorf("%v, %v", f, err)
		}
	})
}

func TestFitSurvivesItsFileAndApplies(t *testing.T) {
	f := Fit{Ref: day, Shift: 10 * time.Second, RatePPM: 100, ShiftU95: time.Second, RateU95PPM: 1000, By: ByCourse, Correlation: 0.99}
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	var back Fit
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	at := day.Add(10_000 * time.Second)
	got := back.Apply([]Point{{at, 5}})[0]
	if want := at.Add(11 * time.Second); !got.At.Equal(want) || got.Value != 5 {
		t.Errorf("Apply = %v, want %v", got, want)
	}
	if got := back.U95(at); math.Abs(got.Seconds()-math.Hypot(1, 10)) > 1e-6 {
		t.Errorf("U95 = %v", got)
	}
	if got := back.String(); !strings.Contains(got, "+10.00 s ± 1.00 s") || !strings.Contains(got, "+100 ppm") {
		t.Errorf("String = %q", got)
	}
}

// Whatever the records, Align ends with a fit of finite numbers or an error.
func FuzzAlign(f *testing.F) {
	f.Add([]byte("0123456789012345678901234567890123456789"), uint8(3))
	f.Fuzz(func(t *testing.T, b []byte, every uint8) {
		if len(b) > 400 {
			b = b[:400]
		}
		var h, m []Point
		for i, v := range b {
			p := Point{day.Add(time.Duration(i) * time.Duration(every) * time.Second), float64(v) - 50}
			if v == 7 {
				p.Value = math.NaN()
			}
			if i%2 == 0 {
				h = append(h, p)
			} else {
				m = append(m, p)
			}
		}
		fit, err := Align(h, m, Options{})
		if err != nil {
			return
		}
		if math.IsNaN(fit.RatePPM) || math.IsNaN(fit.RateU95PPM) || fit.ShiftU95 < 0 || math.Abs(fit.Correlation) > 1+1e-9 {
			t.Errorf("%+v", fit)
		}
	})
}

func TestReadCSV(t *testing.T) {
	at := func(s float64) time.Time { return time.Unix(0, 0).UTC().Add(seconds(s)) }
	tests := []struct {
		name   string
		text   string
		format Format
		want   []Point
	}{
		{"seconds and power", "Time,Power\n0,1.5\n1.5,2\n", Format{Time: "time", Power: "power"}, []Point{{at(0), 1.5}, {at(1.5), 2}}},
		{"preamble, semicolons, decimal commas, product, drop-out", "Meter 7\nRate: 1 s\n\nN;t [ms];U;I\n1;0;5,0;0,5\n2;1000;;\n3;2000;9,1;1,0\n",
			Format{Time: "t [ms]", TimeAs: Milliseconds, Voltage: "U", Current: "I"}, []Point{{at(0), 2.5}, {at(2), 9.1}}},
		{"RFC 3339, tabs, mW", "\ufefft\tmw\r\n2026-03-04T22:00:00Z\t1500\r\n2026-03-04T22:00:01+00:00\t2500\r\n", Format{Time: "t", Power: "mw", Factor: 0.001},
			[]Point{{day, 1.5}, {day.Add(time.Second), 2.5}}},
		{"layout, by number, no names", "2026-03-04 22:00:00.000,x,1\n2026-03-04 22:00:01.250,x,2\n", Format{Time: "#1", Power: "#3", TimeAs: "2006-01-02 15:04:05.000"},
			[]Point{{day, 1}, {day.Add(1250 * time.Millisecond), 2}}},
		{"last line cut off", "t,w\n0,1\n1,2\n2", Format{Time: "t", Power: "w"}, []Point{{at(0), 1}, {at(1), 2}}},
	}
	for _, tt := range tests {
		got, err := ReadCSV(strings.NewReader(tt.text), tt.format)
		if err != nil || len(got) != len(tt.want) {
			t.Errorf("%s: %v, %v; want %v", tt.name, got, err, tt.want)
			continue
		}
		for i, w := range tt.want {
			if !got[i].At.Equal(w.At) || math.Abs(got[i].Value-w.Value) > 1e-9 {
				t.Errorf("%s: row %d: %v, want %v", tt.name, i, got[i], w)
			}
		}
	}
	for name, tt := range map[string]struct {
		text   string
		format Format
		says   []string
	}{
		"no such column": {"t,w\n0,1\n", Format{Time: "t", Power: "watt"}, []string{`none of the first 2 lines has the columns ["t" "watt"]`}},
		"bad values":     {"x\nt,w\n0,1\n1,a\nb,2\n2\n3,4\n", Format{Time: "t", Power: "w"}, []string{`line 4: w "a"`, `line 5: time "b"`, "line 6: 1 fields"}},
		"no comment":     {"t,w\n0,1\n#1,2\n2,3\n", Format{Time: "t", Power: "w"}, []string{`line 3: time "#1"`}},
		"named twice":    {"made by a meter\nt,w,W\n0,1,2\n", Format{Time: "t", Power: "w"}, []string{"line 2: w is named twice, as columns 2 and 3: rename one of them, or take the column by its number, such as #3"}},
		"backwards":      {"t,w\n5,1\n4,2\n", Format{Time: "t", Power: "w"}, []string{"line 3: time runs backwards"}},
		"no rows":        {"t,w\n1,\n", Format{Time: "t", Power: "w"}, []string{"no row has a value"}},
		"no time":        {"", Format{Power: "w"}, []string{"no column of time"}},
		"no power":       {"", Format{Time: "t", Voltage: "v"}, []string{"column of power"}},
		"other layout":   {"t,w\n5,1\n", Format{Time: "t", Power: "w", TimeAs: time.RFC3339}, []string{"line 2: time \"5\" is not written as"}},
		"empty":          {"", Format{Time: "t", Power: "w"}, []string{"none of the first 0 lines"}},
	} {
		_, err := ReadCSV(strings.NewReader(tt.text), tt.format)
		for _, says := range tt.says {
			if err == nil || !strings.Contains(err.Error(), says) {
				t.Errorf("%s: %v; want %q", name, err, says)
			}
		}
	}
}

// What was read can be written plainly and read again as the same.
func FuzzReadCSV(f *testing.F) {
	f.Add("t,w\n0,1\n1,2\n")
	f.Add("x;y\nt;w\n0,5;1,25\n")
	f.Fuzz(func(t *testing.T, s string) {
		points, err := ReadCSV(strings.NewReader(s), Format{Time: "t", Power: "w"})
		if err != nil {
			return
		}
		var text strings.Builder
		text.WriteString("t,w\n")
		for i, p := range points {
			if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) || (i > 0 && p.At.Before(points[i-1].At)) {
				t.Fatalf("%q gave %v", s, p)
			}
			if y := p.At.Year(); y < 1 || y > 9999 {
				return
			}
			fmt.Fprintf(&text, "%s,%v\n", p.At.Format(time.RFC3339Nano), strconv.FormatFloat(p.Value, 'g', -1, 64))
		}
		back, err := ReadCSV(strings.NewReader(text.String()), Format{Time: "t", Power: "w"})
		if err != nil || len(back) != len(points) {
			t.Fatalf("%q: %d points, read back %d, %v", s, len(points), len(back), err)
		}
		for i := range back {
			if !back[i].At.Equal(points[i].At) || back[i].Value != points[i].Value {
				t.Errorf("%q: point %d is %v, read back %v", s, i, points[i], back[i])
			}
		}
	})
}
