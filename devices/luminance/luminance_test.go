package luminance

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
	"rundown/devices/simulated"
)

// scikit-learn's own tests of isotonic regression (sklearn/tests/test_isotonic.py,
// test_isotonic_regression).
func TestIsotonicAgainstPublishedValues(t *testing.T) {
	tests := []struct{ ys, want []float64 }{
		{[]float64{3, 7, 5, 9, 8, 7, 10}, []float64{3, 6, 6, 8, 8, 8, 10}},
		{[]float64{10, 0, 2}, []float64{4, 4, 4}},
		{nil, []float64{}},
	}
	for _, tt := range tests {
		if diff := cmp.Diff(tt.want, Isotonic(tt.ys, nil)); diff != "" {
			t.Errorf("Isotonic(%v) mismatch (-want +got):\n%s", tt.ys, diff)
		}
	}
	// Two readings of weight 1 and 3 pool to their weighted mean.
	if diff := cmp.Diff([]float64{2.5, 2.5}, Isotonic([]float64{4, 2}, []float64{1, 3})); diff != "" {
		t.Errorf("weighted mismatch (-want +got):\n%s", diff)
	}
}

// What makes a fit the isotonic one (Karush-Kuhn-Tucker): it never falls, and each pooled
// run is the mean of its values.
func FuzzIsotonic(f *testing.F) {
	f.Add([]byte{3, 7, 5, 9, 8, 7, 10})
	f.Fuzz(func(t *testing.T, b []byte) {
		ys := make([]float64, len(b))
		sum := 0.0
		for i, v := range b {
			ys[i] = float64(v)
			sum += ys[i]
		}
		fit := Isotonic(ys, nil)
		if len(fit) != len(ys) {
			t.Fatalf("%d values became %d", len(ys), len(fit))
		}
		total := 0.0
		for i, v := range fit {
			if i > 0 && v < fit[i-1] {
				t.Errorf("falls at %d: %v of %v", i, fit, ys)
			}
			total += v
		}
		if math.Abs(total-sum) > 1e-6*(1+math.Abs(sum)) {
			t.Errorf("sum %g became %g", sum, total)
		}
	})
}

// JCGM 100:2008, G.4.1: relative uncertainties 0.25, 0.57 and 0.82 % with 9, 4 and 14
// degrees of freedom have 19.0 of them together, t95 is 2.09 and U95 is 2.2 %. The further
// digits are 1.02947 % times t95 at 18.9987.
func TestExpandAgainstTheGuidesExample(t *testing.T) {
	u95, k := expand([]Share{{U: 0.25, DF: 9}, {U: 0.57, DF: 4}, {U: 0.82, DF: 14}}, 0)
	if math.Abs(u95-2.1547) > 1e-4 || math.Abs(k-2.09) > 0.005 {
		t.Errorf("U95 = %.4f %%, k = %.4f; want 2.1547 %% and 2.09", u95, k)
	}
	if u95, k := expand([]Share{{U: 1}}, -0.5); math.Abs(u95-(1.96+0.5)) > 1e-3 || math.Abs(k-1.96) > 1e-3 {
		t.Errorf("no degrees of freedom named: U95 = %g, k = %g", u95, k)
	}
}

// bench is a simulated handset under a meter with faults of its own, on a clock that
// jumps. The handset's truth is what the meter's readings scatter about.
type bench struct {
	h      *simulated.Handset
	scale  Scale
	rng    *rand.Rand
	gain   float64 // of the meter
	noise  float64 // relative sd of one reading
	room   float64 // cd/m² that the room adds
	digit  float64
	black  bool
	shown  float64
	spoil  func(setting, cdM2 float64) float64
	reads  int
	now    time.Time
	shows  []float64
	before time.Duration // time that passed before the first reading
}

func newBench(h *simulated.Handset, scale Scale, seed uint64) *bench {
	return &bench{h: h, scale: scale, rng: rand.New(rand.NewPCG(seed, 7)), gain: 1, now: time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC)}
}

func (b *bench) Now() time.Time { return b.now }

func (b *bench) Sleep(ctx context.Context, d time.Duration) error {
	b.now = b.now.Add(d)
	return ctx.Err()
}

func (b *bench) Show(_ context.Context, setting float64) error {
	if setting < b.scale.Least || setting > b.scale.Most || (b.scale.Step > 0 && setting != math.Trunc(setting)) {
		return fmt.Errorf("no such setting: %g", setting)
	}
	b.black, b.shown = false, setting
	b.shows = append(b.shows, setting)
	return nil
}

func (b *bench) Black(context.Context) error { b.black = true; return nil }

func (b *bench) truth(setting float64) float64 {
	if b.scale.Step == 0 {
		return fractionLuminance(setting)
	}
	return b.h.LuminanceAt(int(setting))
}

// fractionLuminance is the panel of the handset with a fraction for a setting. Invented.
var fractionLuminance = simulated.PowerLaw(1, 700, 2.4)

func (b *bench) CdM2(context.Context) (float64, error) {
	if b.reads == 0 {
		b.before = b.now.Sub(time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC))
	}
	b.reads++
	v := 0.0
	if !b.black {
		v = b.truth(b.shown)
		if b.spoil != nil {
			v = b.spoil(b.shown, v)
		}
	}
	v = (v + b.room) * b.gain * (1 + b.noise*b.rng.NormFloat64())
	if b.digit > 0 {
		v = b.digit * math.Round(v/b.digit)
	}
	return v, nil
}

func (b *bench) options() Options {
	return Options{Scale: b.scale, Clock: b, Handset: "SIM1", Build: "sim/build:1",
		Instrument: Instrument{Name: "simulated light meter", AccuracyPct: 2, DigitCdM2: b.digit}}
}

func handset(t *testing.T, o simulated.Options) *simulated.Handset {
	t.Helper()
	h := simulated.New(o)
	t.Cleanup(h.Close)
	return h
}

// The interval that a calibration states must hold the truth in 95 of 100 trials, with
// readings that scatter and a meter that is off by anything its maker allows.
func TestSetValueLiesWithinItsStatedUncertainty(t *testing.T) {
	panels := []struct {
		name  string
		scale Scale
		opt   simulated.Options
	}{
		{"0 to 255", Whole255, simulated.Options{Seed: 1}},
		{"0 to 4095, steep", Scale{Least: 1, Most: 4095, Step: 1}, simulated.Options{Seed: 2, BrightnessMax: 4095, Luminance: simulated.PowerLaw(1.6, 780, 3)}},
		{"fraction", Fraction, simulated.Options{Seed: 3}},
	}
	for _, p := range panels {
		t.Run(p.name, func(t *testing.T) {
			h := handset(t, p.opt)
			const trials = 200
			inside, sum := 0, 0.0
			for trial := range trials {
				b := newBench(h, p.scale, uint64(trial))
				b.noise, b.digit, b.room = 0.01, 0.1, 0.2
				b.gain = 1 + 0.02*(2*b.rng.Float64()-1) // anywhere within what its maker states
				c, err := Calibrate(t.Context(), b, b, b.options())
				if err != nil && !errors.Is(err, ErrNotVerified) && !errors.Is(err, ErrNotRepeatable) {
					t.Fatalf("trial %d: %v", trial, err)
				}
				if err != nil {
					t.Logf("trial %d refused itself: %v", trial, err)
				}
				if math.Abs(b.truth(c.Setting)-300) <= c.U95 {
					inside++
				}
				sum += c.U95
			}
			mean := sum / trials
			t.Logf("%d of %d within their stated uncertainty, ± %.2f cd/m² on average", inside, trials, mean)
			if inside < 190 {
				t.Errorf("%d of %d within their stated uncertainty; want 190 or more", inside, trials)
			}
			// An interval that is far too wide would pass as well. The meter alone gives
			// 1.96 * 2 % of 300 / sqrt(3) = 6.8 cd/m².
			if mean < 5 || mean > 12 {
				t.Errorf("± %.2f cd/m² on average; want 7 to 12 for a meter of 2 %%", mean)
			}
		})
	}
}

func TestReadingsLieDenseWhereTheCurveIsSteep(t *testing.T) {
	h := handset(t, simulated.Options{Luminance: simulated.PowerLaw(2, 800, 4)})
	b := newBench(h, Whole255, 1)
	c, err := Calibrate(t.Context(), b, b, b.options())
	if err != nil {
		t.Fatal(err)
	}
	low, high := 0, 0
	for _, p := range c.Points {
		if p.Setting < 128 {
			low++
		} else {
			high++
		}
	}
	if high < 3*low {
		t.Errorf("%d points below the middle and %d above, where nearly all the light is", low, high)
	}
	if b.before < 20*time.Minute {
		t.Errorf("first reading after %v; want 20 min of warm-up", b.before)
	}
	if c.VerifiedCdM2 == nil || math.Abs(*c.VerifiedCdM2-300) > 6 || c.Setting != b.shown || b.black {
		t.Errorf("verified %v at %g, screen left at %g", c.VerifiedCdM2, c.Setting, b.shown)
	}
	// The record survives its file, and its curve is the one that preconditions use.
	text, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var back Calibration
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	curve, err := back.Curve()
	if err != nil || math.Abs(curve.At(c.Setting)-c.ExpectedCdM2) > 1e-9 {
		t.Errorf("curve of the record: %v, %g at %g, want %g", err, curve.At(c.Setting), c.Setting, c.ExpectedCdM2)
	}
	setting, expected, u95, err := back.For(200)
	if err != nil || math.Abs(b.truth(setting)-200) > u95 || math.Abs(expected-200) > 5 {
		t.Errorf("For(200) = %g, %g, ± %g, %v; truth %g", setting, expected, u95, err, b.truth(setting))
	}
	if again, _, same, _ := back.For(300); again != c.Setting || math.Abs(same-c.U95) > 1e-9 {
		t.Errorf("For(300) = %g ± %g, calibration has %g ± %g", again, same, c.Setting, c.U95)
	}
	if !strings.Contains(c.Describe(), "300 cd/m²") || !strings.Contains(c.Describe(), "2026-03-04") {
		t.Errorf("Describe = %q", c.Describe())
	}
}

func TestWhatIsWrongIsSaid(t *testing.T) {
	h := handset(t, simulated.Options{})
	tests := []struct {
		name  string
		spoil func(b *bench) func(setting, cdM2 float64) float64
		alter func(*Options)
		want  error
		says  string
	}{
		{name: "screen dims itself above a setting", want: ErrNotMonotone, says: "dims the screen",
			spoil: func(*bench) func(float64, float64) float64 {
				return func(s, v float64) float64 {
					if s > 220 {
						return v * 0.6
					}
					return v
				}
			}},
		{name: "meter is moved about", want: ErrNotRepeatable, says: "hold the meter still",
			spoil: func(b *bench) func(float64, float64) float64 {
				return func(_, v float64) float64 { return v * (0.7 + 0.6*b.rng.Float64()) }
			}},
		{name: "screen still warming up", want: ErrDrifting, says: "warm up",
			alter: func(o *Options) { o.RepeatPct = 50 },
			spoil: func(b *bench) func(float64, float64) float64 {
				return func(_, v float64) float64 { return v * (1 + 0.004*float64(b.reads)) }
			}},
		{name: "brighter than the screen goes", want: ErrOutOfReach, says: "2000 cd/m² is wanted",
			alter: func(o *Options) { o.WantedCdM2 = 2000 }},
		{name: "meter does not look at the screen", want: ErrNotMonotone, says: "no curve",
			spoil: func(*bench) func(float64, float64) float64 { return func(_, _ float64) float64 { return 3 } }},
		{name: "something changed before the last reading", want: ErrNotVerified, says: "calibrate again",
			spoil: func(b *bench) func(float64, float64) float64 {
				return func(_, v float64) float64 {
					if b.reads > 2+2*17 {
						return v * 0.9
					}
					return v
				}
			}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(h, Whole255, 5)
			b.noise = 0.003
			if tt.spoil != nil {
				b.spoil = tt.spoil(b)
			}
			o := b.options()
			if tt.alter != nil {
				tt.alter(&o)
			}
			c, err := Calibrate(t.Context(), b, b, o)
			if !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("error %v; want %v saying %q", err, tt.want, tt.says)
			}
			if len(c.Readings) == 0 {
				t.Error("the readings are lost")
			}
		})
	}
}

func TestOneReadingThatDidNotRepeatIsTakenAnew(t *testing.T) {
	h := handset(t, simulated.Options{})
	b := newBench(h, Whole255, 5)
	once := false
	b.spoil = func(s, v float64) float64 {
		if s > 100 && !once {
			once = true
			return v * 1.2 // somebody opened the door
		}
		return v
	}
	c, err := Calibrate(t.Context(), b, b, b.options())
	if err != nil {
		t.Fatal(err)
	}
	discarded := 0
	for _, r := range c.Readings {
		if r.Discarded {
			discarded++
		}
	}
	if discarded != 2 || math.Abs(b.truth(c.Setting)-300) > c.U95 || !strings.Contains(strings.Join(c.Notes, ";"), "read anew") {
		t.Errorf("%d readings discarded, notes %q, truth %g ± %g", discarded, c.Notes, b.truth(c.Setting), c.U95)
	}
}

func TestStale(t *testing.T) {
	c := Calibration{At: time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC), Build: "a"}
	tests := []struct {
		name  string
		after time.Duration
		build string
		age   time.Duration
		says  string
	}{
		{name: "fresh", after: 24 * time.Hour, build: "a"},
		{name: "OS update", after: time.Hour, build: "b", says: "now runs b"},
		{name: "half a year", after: 181 * 24 * time.Hour, build: "a", says: "181 days ago, and 180"},
		{name: "set age", after: 8 * 24 * time.Hour, build: "a", age: 7 * 24 * time.Hour, says: "7 days are allowed"},
		{name: "build not known", after: time.Hour},
	}
	for _, tt := range tests {
		got := c.Stale(c.At.Add(tt.after), tt.build, tt.age)
		if (got == "") != (tt.says == "") || !strings.Contains(got, tt.says) {
			t.Errorf("%s: Stale = %q, want %q", tt.name, got, tt.says)
		}
	}
}

func TestFromReadings(t *testing.T) {
	h := handset(t, simulated.Options{})
	var readings []Reading
	for _, s := range []int{1, 40, 80, 120, 150, 180, 190, 200, 230, 255} {
		for pass := range 2 {
			readings = append(readings, Reading{Setting: float64(s), CdM2: math.Round(10*h.LuminanceAt(s)) / 10, Pass: pass + 1})
		}
	}
	c, err := FromReadings(readings, Options{Build: "a", Instrument: Instrument{Name: "m"}})
	if err != nil || math.Abs(h.LuminanceAt(int(c.Setting))-300) > c.U95 || c.VerifiedCdM2 != nil {
		t.Errorf("setting %g, truth %g, ± %g, %v", c.Setting, h.LuminanceAt(int(c.Setting)), c.U95, err)
	}
	if notes := strings.Join(c.Notes, "; "); !strings.Contains(notes, "not verified") || !strings.Contains(notes, "accuracy is not stated") {
		t.Errorf("notes %q", notes)
	}
	if _, err := FromReadings(readings[:6], Options{}); err == nil || !strings.Contains(err.Error(), "want 4 or more") {
		t.Errorf("three settings: %v", err)
	}
	single := append([]Reading(nil), readings...)
	for i := range single {
		single[i].Setting += float64(i) / 100
	}
	if _, err := FromReadings(single[:18], Options{}); !errors.Is(err, ErrNotRepeatable) && !errors.Is(err, ErrNotMonotone) {
		t.Errorf("each setting read once: %v", err)
	}
	if _, err := FromReadings([]Reading{{Setting: 300, CdM2: 1}}, Options{}); err == nil || !strings.Contains(err.Error(), "want 1 to 255") {
		t.Errorf("setting off the scale: %v", err)
	}
}

type typist struct {
	lines []string
	asked []string
}

func (p *typist) Type(_ context.Context, question string) (string, error) {
	p.asked = append(p.asked, question)
	if len(p.lines) == 0 {
		return "", errors.New("nobody there")
	}
	line := p.lines[0]
	p.lines = p.lines[1:]
	return line, nil
}

func TestOperatorTypes(t *testing.T) {
	p := &typist{lines: []string{"abc", " 301,5 cd/m² "}}
	v, err := Operator{p}.CdM2(t.Context())
	if v != 301.5 || err != nil || len(p.asked) != 2 || !strings.Contains(p.asked[1], `"abc" is no luminance`) {
		t.Errorf("%g, %v, asked %q", v, err, p.asked)
	}
	if _, err := (Operator{p}).CdM2(t.Context()); err == nil || !strings.Contains(err.Error(), "nobody there") {
		t.Errorf("nobody there: %v", err)
	}
	p.lines = strings.Fields("a b c d -5 NaN")
	if _, err := (Operator{p}).CdM2(t.Context()); err == nil || !strings.Contains(err.Error(), "5 tries") {
		t.Errorf("never a number: %v", err)
	}
}

// screenOf is a handset's own screen, which is white throughout.
type nopage struct{ blacks, whites int }

func (p *nopage) White(context.Context) error { p.whites++; return nil }
func (p *nopage) Black(context.Context) error { p.blacks++; return nil }

func TestHandsetScreenIsSetOverTheLink(t *testing.T) {
	tests := []struct {
		name  string
		opt   simulated.Options
		scale Scale
	}{
		{"Android 9, whole settings", simulated.Options{Android: simulated.Android9}, Whole255},
		{"Android 14, 0 to 4095", simulated.Options{Android: simulated.Android14, BrightnessMax: 4095}, Scale{Least: 1, Most: 4095, Step: 1}},
		{"Android 14, fraction", simulated.Options{Android: simulated.Android14}, Fraction},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.opt.Clock = simulated.NewScaledClock(time.Now(), 500) // its commands take their time
			h := handset(t, tt.opt)
			run := func(command string) {
				t.Helper()
				if _, err := devices.Run(t.Context(), h, command); err != nil {
					t.Fatal(err)
				}
			}
			run("settings put system screen_off_timeout 86400000; input keyevent 224; wm dismiss-keyguard")
			page := &nopage{}
			screen, err := NewHandsetScreen(h, tt.scale, page)
			if err != nil {
				t.Fatal(err)
			}
			before, err := screen.Prepare(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			lit := h.LuminanceNow()
			room := MeterFunc(func(context.Context) (float64, error) {
				if page.blacks > 0 && page.whites == 0 {
					return 0, nil
				}
				return h.LuminanceNow(), nil
			})
			c, err := Calibrate(t.Context(), screen, room, Options{Scale: tt.scale, WarmUp: -1, Settle: -1})
			if err != nil {
				t.Fatal(err)
			}
			if got := h.LuminanceNow(); math.Abs(got-300) > c.U95+0.5 || page.blacks != 1 || page.whites != 1 {
				t.Errorf("screen shows %g cd/m² (± %g), pages shown: %+v", got, c.U95, *page)
			}
			if err := screen.Restore(t.Context(), before); err != nil {
				t.Fatal(err)
			}
			run("settings put system screen_brightness_mode 0")
			if got := h.LuminanceNow(); math.Abs(got-lit) > 0.02*lit {
				t.Errorf("put back, the screen shows %g cd/m², before %g", got, lit)
			}
		})
	}
}

func TestHandsetScreenSaysWhatTheHandsetRefuses(t *testing.T) {
	h := handset(t, simulated.Options{Clock: simulated.NewScaledClock(time.Now(), 500)})
	screen, err := NewHandsetScreen(h, Whole255, &nopage{})
	if err != nil {
		t.Fatal(err)
	}
	h.RefuseSettings(true)
	if _, err := screen.Prepare(t.Context()); err == nil || !strings.Contains(err.Error(), h.Serial()) {
		t.Errorf("settings refused: %v", err)
	}
	h.RefuseSettings(false)
	h.IgnoreSetting("system", "screen_brightness", true)
	if err := screen.Show(t.Context(), 77); err == nil || !strings.Contains(err.Error(), "was to leave 77") {
		t.Errorf("setting ignored: %v", err)
	}
	if _, err := NewHandsetScreen(h, Scale{Least: 5, Most: 1}, nil); err == nil {
		t.Error("a scale that falls was taken")
	}
}

func TestOptionsAreChecked(t *testing.T) {
	for _, o := range []Options{
		{Scale: Scale{Least: 0, Most: 2, Step: 1}},
		{WantedCdM2: -1},
		{WantedCdM2: math.NaN()},
		{Points: 2},
		{Repeats: 1},
		{Instrument: Instrument{AccuracyPct: -3}},
	} {
		if _, err := Calibrate(t.Context(), nil, nil, o); err == nil {
			t.Errorf("Options %+v: no error", o)
		}
	}
	if len(Practices) < 5 {
		t.Error("no practices")
	}
	for _, p := range Practices {
		if p.Rule == "" || p.Source == "" {
			t.Errorf("practice without its source: %+v", p)
		}
	}
}
