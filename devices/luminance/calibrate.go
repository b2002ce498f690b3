package luminance

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"rundown/devices"
)

// A Calibration is the record of one: what was read, the curve that follows, and what
// it says of the luminance wanted.
type Calibration struct {
	At         time.Time  `json:"at"` // when the last reading was taken
	Handset    string     `json:"handset,omitempty"`
	Build      string     `json:"build,omitempty"` // OS build it was taken on
	Instrument Instrument `json:"instrument"`
	Pattern    string     `json:"pattern"`
	Scale      Scale      `json:"scale"`

	Readings       []Reading `json:"readings"`
	BackgroundCdM2 float64   `json:"background_cd_m2"` // what the room added, subtracted
	Points         []Point   `json:"points"`           // the curve, strictly rising
	RepeatSDPct    float64   `json:"repeat_sd_pct"`    // sd of one reading near the luminance wanted, %

	WantedCdM2   float64 `json:"wanted_cd_m2"`
	Setting      float64 `json:"setting"`        // the scale's setting nearest to it
	ExpectedCdM2 float64 `json:"expected_cd_m2"` // what the curve has at that setting
	// U95 is the half-width of the interval about WantedCdM2 in which the screen lies with
	// 95 % confidence at Setting, cd/m²; the rest of a whole step is in it.
	U95    float64 `json:"u95_cd_m2"`
	K      float64 `json:"k"`
	Budget []Share `json:"budget"`

	// VerifiedCdM2 is the mean of the last readings at Setting, nil when none was taken.
	VerifiedCdM2 *float64 `json:"verified_cd_m2,omitempty"`
	Notes        []string `json:"notes,omitempty"`
}

// A Point is one point of the curve.
type Point struct {
	Setting float64 `json:"setting"`
	CdM2    float64 `json:"cd_m2"`
}

// pattern is what was on the screen; emissive screens depend on it.
const pattern = "full white, 100 % of the screen's area"

// Curve is the calibration's curve, as preconditions use it.
func (c Calibration) Curve() (devices.Curve, error) {
	ps := make([]devices.CurvePoint, len(c.Points))
	for i, p := range c.Points {
		ps[i] = devices.CurvePoint(p)
	}
	return devices.NewCurve(ps)
}

// For returns the setting of the scale at which the screen shows cdM2, what the curve
// has there, and the half-width of the 95 % interval about cdM2. It is computed from the
// readings anew, so any luminance within the curve may be asked for.
func (c Calibration) For(cdM2 float64) (setting, expected, u95 float64, err error) {
	again := c
	again.WantedCdM2, again.Notes, again.VerifiedCdM2 = cdM2, nil, nil
	if err := again.settle(c.backgroundSD()); err != nil {
		return 0, 0, 0, err
	}
	return again.Setting, again.ExpectedCdM2, again.U95, nil
}

// MaxAge is the age after which a calibration is stale where nobody sets another: half a
// year. Common practice, no source; screens wear, and their software changes.
const MaxAge = 180 * 24 * time.Hour

// Stale returns why a calibration should be taken anew, or "" when it need not: the OS
// build has changed, or it is older than maxAge (0 stands for [MaxAge]).
func (c Calibration) Stale(now time.Time, build string, maxAge time.Duration) string {
	if maxAge <= 0 {
		maxAge = MaxAge
	}
	switch {
	case c.Build != "" && build != "" && c.Build != build:
		return fmt.Sprintf("luminance was calibrated on %s on OS build %s, and the handset now runs %s; calibrate it again", c.At.Format(time.DateOnly), c.Build, build)
	case now.Sub(c.At) > maxAge:
		return fmt.Sprintf("luminance was calibrated on %s, %d days ago, and %d days are allowed; calibrate it again",
			c.At.Format(time.DateOnly), int(now.Sub(c.At).Hours()/24), int(maxAge.Hours()/24))
	}
	return ""
}

// Describe is the calibration in one line, for reports.
func (c Calibration) Describe() string {
	text := fmt.Sprintf("%g cd/m² at setting %.6g, ± %.2g cd/m² (95 %%), %s, taken on %s with %s", c.WantedCdM2, c.Setting, c.U95, c.Pattern, c.At.Format(time.DateOnly), c.Instrument.Name)
	if c.VerifiedCdM2 != nil {
		text += fmt.Sprintf(", verified at %.4g cd/m²", *c.VerifiedCdM2)
	}
	return text
}

// FromReadings makes a calibration of readings that were taken elsewhere: two or more at
// each of four or more settings, background already subtracted. Nothing is verified.
func FromReadings(readings []Reading, o Options) (Calibration, error) {
	o = o.filled()
	if err := o.check(); err != nil {
		return Calibration{}, err
	}
	c := newCalibration(o)
	c.Readings = slices.Clone(readings)
	for i := range c.Readings {
		r := &c.Readings[i]
		if !finite(r.Setting) || r.Setting < o.Scale.Least || r.Setting > o.Scale.Most {
			return c, fmt.Errorf("reading %d: setting %g: want %g to %g", i+1, r.Setting, o.Scale.Least, o.Scale.Most)
		}
		if !finite(r.CdM2) || r.CdM2 < 0 || r.CdM2 > 100_000 {
			return c, fmt.Errorf("reading %d, setting %g: %g cd/m²: want 0 to 100000", i+1, r.Setting, r.CdM2)
		}
		if r.Pass <= 0 {
			r.Pass = 1
		}
		if r.At.After(c.At) {
			c.At = r.At
		}
	}
	if c.At.IsZero() {
		c.At = o.Clock.Now().UTC()
	}
	for _, l := range levels(c.Readings, 0) {
		if bad := spread(l, o); bad != "" {
			return c, fmt.Errorf("%w: %s", ErrNotRepeatable, bad)
		}
	}
	if err := c.settle(0); err != nil {
		return c, err
	}
	c.note("the calibration was made from readings taken elsewhere and was not verified by a last one")
	return c, nil
}

func newCalibration(o Options) Calibration {
	c := Calibration{Handset: o.Handset, Build: o.Build, Instrument: o.Instrument, Pattern: pattern, Scale: o.Scale, WantedCdM2: o.WantedCdM2}
	if o.Instrument.AccuracyPct == 0 {
		c.note("the meter's accuracy is not stated and is not in the uncertainty")
	}
	return c
}

func (c *Calibration) note(format string, args ...any) {
	c.Notes = append(c.Notes, fmt.Sprintf(format, args...))
}

// spread says how the readings at one setting lie too far apart, or "".
func spread(l level, o Options) string {
	lo, hi := slices.Min(l.values), slices.Max(l.values)
	if hi-lo <= max(o.RepeatPct/100*l.mean, 2*o.Instrument.DigitCdM2) {
		return ""
	}
	return fmt.Sprintf("at setting %g the meter read from %.4g to %.4g cd/m², and %g %% is allowed; hold the meter still, keep light out, let the screen warm up", l.setting, lo, hi, o.RepeatPct)
}

// settle makes curve, setting and uncertainty of the readings.
func (c *Calibration) settle(backgroundSD float64) error {
	ls := levels(c.Readings, c.BackgroundCdM2)
	f, err := fitLevels(ls, c.WantedCdM2)
	if len(ls) < 4 {
		return fmt.Errorf("calibration: readings at %d settings; want 4 or more", len(ls))
	}
	if mono := f.monotone(c.Instrument.DigitCdM2); mono != nil {
		return mono
	}
	if err != nil {
		return err
	}
	if f.df == 0 {
		return fmt.Errorf("%w: no setting was read twice, so nothing is known of the noise; read each setting twice or more", ErrNotRepeatable)
	}
	c.Points = nil
	for _, p := range f.points {
		c.Points = append(c.Points, Point(p))
	}
	c.RepeatSDPct = 100 * f.sd
	lo, hi := f.curve.Range()
	exact, err := f.curve.SettingFor(c.WantedCdM2)
	if err != nil {
		return fmt.Errorf("%w: %g cd/m² is wanted, and the screen shows %.4g to %.4g", ErrOutOfReach, c.WantedCdM2, lo.CdM2, hi.CdM2)
	}
	c.Setting = c.Scale.near(exact)
	c.ExpectedCdM2 = f.curve.At(c.Setting)
	c.Budget = f.budget(c.Setting, c.ExpectedCdM2, c.Instrument, c.BackgroundCdM2, backgroundSD)
	c.U95, c.K = expand(c.Budget, c.ExpectedCdM2-c.WantedCdM2)
	return nil
}

func (c Calibration) backgroundSD() float64 {
	for _, s := range c.Budget {
		if s.Name == "room" {
			return s.U
		}
	}
	return 0
}

// walk is a calibration under way.
type walk struct {
	o      Options
	screen Screen
	meter  Meter
	c      *Calibration
}

// Calibrate walks through the settings, fits, and verifies with last readings. The screen
// is left white at the setting that was found.
func Calibrate(ctx context.Context, screen Screen, meter Meter, o Options) (Calibration, error) {
	o = o.filled()
	if err := o.check(); err != nil {
		return Calibration{}, err
	}
	c := newCalibration(o)
	w := &walk{o: o, screen: screen, meter: meter, c: &c}
	backgroundSD, err := w.background(ctx)
	if err != nil {
		return c, err
	}
	if err := w.up(ctx); err != nil {
		return c, err
	}
	if err := w.repeat(ctx); err != nil {
		return c, err
	}
	if err := w.drift(); err != nil {
		return c, err
	}
	if err := c.settle(backgroundSD); err != nil {
		return c, err
	}
	if darkest := c.Points[0].CdM2; c.BackgroundCdM2 > darkest/20 {
		c.note("the room adds %.3g cd/m², more than 1/20 of the darkest luminance read (%.3g cd/m²); it was subtracted", c.BackgroundCdM2, darkest)
	}
	return c, w.verify(ctx)
}

// background warms the screen up and reads what the room adds.
func (w *walk) background(ctx context.Context) (sd float64, err error) {
	if w.o.WarmUp > 0 {
		if err := w.screen.Show(ctx, w.o.Scale.near((w.o.Scale.Least+w.o.Scale.Most)/2)); err != nil {
			return 0, err
		}
		if err := w.o.Clock.Sleep(ctx, w.o.WarmUp); err != nil {
			return 0, err
		}
	} else {
		w.c.note("no warm-up before the first reading")
	}
	if err := w.screen.Black(ctx); err != nil {
		return 0, err
	}
	if err := w.settled(ctx); err != nil {
		return 0, err
	}
	values := make([]float64, w.o.Repeats)
	for i := range values {
		if values[i], err = w.value(ctx); err != nil {
			return 0, fmt.Errorf("reading the dark screen: %w", err)
		}
	}
	w.c.BackgroundCdM2 = stat.Mean(values, nil)
	return stat.StdDev(values, nil) / math.Sqrt(float64(len(values))), nil
}

func (w *walk) settled(ctx context.Context) error {
	if w.o.Settle <= 0 {
		return ctx.Err()
	}
	return w.o.Clock.Sleep(ctx, w.o.Settle)
}

func (w *walk) value(ctx context.Context) (float64, error) {
	v, err := w.meter.CdM2(ctx)
	if err != nil {
		return 0, err
	}
	// A meter's zero may wander below 0; more than a little is a wrong reading.
	if !finite(v) || v < -1-w.o.Instrument.DigitCdM2 || v > 100_000 {
		return 0, fmt.Errorf("luminance meter %s: %g cd/m² is no luminance", w.o.Instrument.Name, v)
	}
	return v, nil
}

// read shows a setting, waits and reads once.
func (w *walk) read(ctx context.Context, setting float64, pass int) (Reading, error) {
	if err := w.screen.Show(ctx, setting); err != nil {
		return Reading{}, err
	}
	if err := w.settled(ctx); err != nil {
		return Reading{}, err
	}
	v, err := w.value(ctx)
	if err != nil {
		return Reading{}, fmt.Errorf("at setting %g: %w", setting, err)
	}
	r := Reading{Setting: setting, CdM2: v, At: w.o.Clock.Now().UTC(), Pass: pass}
	w.c.Readings, w.c.At = append(w.c.Readings, r), r.At
	if w.o.Seen != nil {
		w.o.Seen(r)
	}
	return r, nil
}

// up is the first pass. It begins with an even walk and then halves the interval across
// which luminance changes most, so that readings lie dense where the curve is steep; last
// come settings around the luminance wanted.
func (w *walk) up(ctx context.Context) error {
	s := w.o.Scale
	at := func(setting float64) bool {
		return slices.ContainsFunc(w.c.Readings, func(r Reading) bool { return !s.apart(r.Setting, setting) })
	}
	read := func(setting float64) error {
		if setting = s.near(setting); at(setting) {
			return nil
		}
		_, err := w.read(ctx, setting, 1)
		return err
	}
	even := max(4, w.o.Points/2)
	for i := range even {
		if err := read(s.Least + (s.Most-s.Least)*float64(i)/float64(even-1)); err != nil {
			return err
		}
	}
	for len(w.c.Readings) < w.o.Points {
		ls := levels(w.c.Readings, w.c.BackgroundCdM2)
		widest, middle := 0.0, math.NaN()
		for i := 1; i < len(ls); i++ {
			half := s.near((ls[i-1].setting + ls[i].setting) / 2)
			if gap := math.Abs(ls[i].mean - ls[i-1].mean); gap > widest && !at(half) {
				widest, middle = gap, half
			}
		}
		if math.IsNaN(middle) {
			break // every setting that the scale has in between was read
		}
		if err := read(middle); err != nil {
			return err
		}
	}
	curve, err := w.rough()
	if err != nil {
		return err
	}
	for _, share := range []float64{0.96, 0.98, 1, 1.02, 1.04} {
		setting, err := curve.SettingFor(w.o.WantedCdM2 * share)
		if err != nil {
			if share == 1 {
				lo, hi := curve.Range()
				return fmt.Errorf("%w: %g cd/m² is wanted, and the screen shows %.4g to %.4g", ErrOutOfReach, w.o.WantedCdM2, lo.CdM2, hi.CdM2)
			}
			continue
		}
		if err := read(setting); err != nil {
			return err
		}
	}
	return nil
}

// rough is the curve of what was read so far.
func (w *walk) rough() (devices.Curve, error) {
	f, err := fitLevels(levels(w.c.Readings, w.c.BackgroundCdM2), w.o.WantedCdM2)
	if err != nil {
		return devices.Curve{}, fmt.Errorf("%w: the first pass gives no curve (%w); see that the meter looks at the screen and that the brightness setting moves it", ErrNotMonotone, err)
	}
	return f.curve, nil
}

// repeat reads every setting again, down and up by turns, so that a slow drift shows and
// mostly cancels; what does not repeat is taken anew once.
func (w *walk) repeat(ctx context.Context) error {
	var settings []float64
	for _, l := range levels(w.c.Readings, 0) {
		settings = append(settings, l.setting)
	}
	for pass := 2; pass <= w.o.Repeats; pass++ {
		slices.Reverse(settings)
		for _, s := range settings {
			if _, err := w.read(ctx, s, pass); err != nil {
				return err
			}
		}
	}
	for _, l := range levels(w.c.Readings, w.c.BackgroundCdM2) {
		if spread(l, w.o) == "" {
			continue
		}
		anew := level{setting: l.setting}
		for i, r := range w.c.Readings {
			if r.Setting == l.setting {
				w.c.Readings[i].Discarded = true
			}
		}
		for pass := 1; pass <= w.o.Repeats; pass++ {
			r, err := w.read(ctx, l.setting, pass)
			if err != nil {
				return err
			}
			anew.values = append(anew.values, r.CdM2-w.c.BackgroundCdM2)
		}
		anew.mean = stat.Mean(anew.values, nil)
		if bad := spread(anew, w.o); bad != "" {
			return fmt.Errorf("%w: %s", ErrNotRepeatable, bad)
		}
		w.c.note("setting %g did not repeat at first and was read anew", l.setting)
	}
	return nil
}

// drift compares the passes as wholes.
func (w *walk) drift() error {
	first := map[float64]float64{}
	for _, r := range w.c.Readings {
		if r.Pass == 1 && !r.Discarded {
			first[r.Setting] = r.CdM2 - w.c.BackgroundCdM2
		}
	}
	for pass := 2; pass <= w.o.Repeats; pass++ {
		var changes []float64
		for _, r := range w.c.Readings {
			// Readings far below the wanted luminance say more of the meter's digits than of drift.
			if v := first[r.Setting]; r.Pass == pass && !r.Discarded && v > w.o.WantedCdM2/10 {
				changes = append(changes, 100*(r.CdM2-w.c.BackgroundCdM2-v)/v)
			}
		}
		if len(changes) < 3 {
			continue
		}
		mean, sd := stat.MeanStdDev(changes, nil)
		if mean := math.Abs(mean); mean > w.o.DriftPct && mean > 3*sd/math.Sqrt(float64(len(changes))) {
			return fmt.Errorf("%w: pass %d reads %.2g %% off pass 1 throughout, and %g %% is allowed; let the screen warm up longer and keep its brightness from being changed", ErrDrifting, pass, mean, w.o.DriftPct)
		}
	}
	return nil
}

// verify takes the last readings at the setting found.
func (w *walk) verify(ctx context.Context) error {
	c := w.c
	sum := 0.0
	for range w.o.Last {
		r, err := w.read(ctx, c.Setting, 0)
		if err != nil {
			return err
		}
		sum += r.CdM2 - c.BackgroundCdM2
	}
	mean := sum / float64(w.o.Last)
	c.VerifiedCdM2 = &mean
	// The meter's own error is in the curve and in the last readings alike, so it may not
	// excuse a difference between them; the readings' own noise may.
	shares := []Share{{U: c.RepeatSDPct / 100 * mean / math.Sqrt(float64(w.o.Last)), DF: 0}}
	for _, s := range c.Budget {
		if s.Name != "meter's accuracy" {
			shares = append(shares, s)
		}
	}
	variance := 0.0
	for _, s := range shares {
		variance += s.U * s.U
	}
	// Three standard deviations: one honest calibration in a few hundred is refused.
	allowed := 3*math.Sqrt(variance) + math.Abs(c.ExpectedCdM2-c.WantedCdM2) + c.Instrument.DigitCdM2 + 0.002*c.WantedCdM2
	if math.Abs(mean-c.WantedCdM2) > allowed {
		return fmt.Errorf("%w: at setting %g the last readings gave %.4g cd/m², %g was wanted and ± %.2g is allowed; calibrate again", ErrNotVerified, c.Setting, mean, c.WantedCdM2, allowed)
	}
	return nil
}
