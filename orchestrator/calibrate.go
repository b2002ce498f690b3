package orchestrator

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/devices/luminance"
	"rundown/devices/meters"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// The store's kinds of light calibrations: the one that counts by handset name, and all
// that were tried, those that failed too, so that no reading is lost.
const (
	documentsCalibration  = "light calibration"
	documentsCalibrations = "light calibrations tried"
)

// A CalibrationRequest asks for a handset's screen to be calibrated.
type CalibrationRequest struct {
	Plan       string  `json:"plan,omitempty" doc:"the plan whose luminance is verified"`
	WantedCdM2 float64 `json:"wanted_cd_m2,omitempty" minimum:"0" maximum:"10000" doc:"instead of the plan's; 300 where neither is given"`
	Meter      string  `json:"meter,omitempty" doc:"the light meter of the plan file that is read; left out: a person types what one shows"`
	Placed     bool    `json:"placed,omitempty" doc:"the light meter is in place already; left out, a person is asked to place it first"`
	// Scale is the range of the brightness setting.
	Scale      string               `json:"scale,omitempty" enum:"255,1023,2047,4095,fraction" doc:"the setting's range; fraction is that of cmd display set-brightness; left out: that of the last calibration, or 255"`
	Instrument luminance.Instrument `json:"instrument,omitzero" doc:"the meter that a person reads"`
	Points     int                  `json:"points,omitempty" minimum:"0" maximum:"60" doc:"settings in the walk; 12 when left out"`
	Repeats    int                  `json:"repeats,omitempty" minimum:"0" maximum:"10" doc:"readings at each; 2 when left out"`
	WarmUpS    *float64             `json:"warm_up_s,omitempty" minimum:"0" maximum:"7200" doc:"white page before the first reading; 20 min when left out"`
	SettleS    *float64             `json:"settle_s,omitempty" minimum:"0" maximum:"60" doc:"between setting and reading; 3 s when left out"`
	// Readings were taken elsewhere; the handset's screen is not touched then.
	Readings []luminance.Reading `json:"readings,omitempty" nullable:"true" doc:"readings taken elsewhere, the room's share subtracted; the handset is then not touched and nothing is verified"`
}

// The states of a calibration.
const (
	CalibrationRunning = "running"
	CalibrationAsks    = "waits for a reading"
	CalibrationDone    = "done"
	CalibrationFailed  = "failed"
)

// A CalibrationStatus is how a calibration stands.
type CalibrationStatus struct {
	Handset    string                 `json:"handset"`
	State      string                 `json:"state"`
	StartedAt  time.Time              `json:"started_at"`
	Doing      string                 `json:"doing,omitempty"`
	Ask        int                    `json:"ask,omitempty"` // number of the reading that a person is asked for
	Setting    *float64               `json:"setting,omitempty"`
	Taken      int                    `json:"taken"` // readings
	About      int                    `json:"about"` // how many there will be, about
	Latest     *luminance.Reading     `json:"latest,omitempty"`
	Problem    string                 `json:"problem,omitempty"`
	Result     *luminance.Calibration `json:"result,omitempty"`
	Practices  []luminance.Practice   `json:"practices"` // for whoever holds the meter
	Used       *luminance.Calibration `json:"used,omitempty"`
	UsedStale  string                 `json:"used_stale,omitempty"` // why the one in use should be taken anew
	UsedSetsAs string                 `json:"used_sets_as,omitempty"`
}

// calibrations are those under way and the last of each handset since the daemon began.
type calibrations struct {
	mu   sync.Mutex
	last map[string]*calibration
}

// A calibration is one session: a walk through the settings with whoever reads the meter.
type calibration struct {
	d     *Daemon
	h     scenarios.Handset
	stop  func() // ends it; may be called more than once
	typed chan float64

	mu sync.Mutex
	s  CalibrationStatus
}

func (c *calibration) change(f func(*CalibrationStatus)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(&c.s)
}

// scales are the brightness scales by the name that a request gives them.
var scales = map[string]luminance.Scale{
	"255": luminance.Whole255, "1023": {Least: 1, Most: 1023, Step: 1}, "2047": {Least: 1, Most: 2047, Step: 1}, "4095": {Least: 1, Most: 4095, Step: 1},
	"fraction": luminance.Fraction,
}

// Calibrate begins a calibration of a handset's screen. The handset must be free, and gets
// no run until it is over. ErrRequest and ErrNotNow say why it does not begin.
func (d *Daemon) Calibrate(ctx context.Context, handset string, q CalibrationRequest) (CalibrationStatus, error) {
	h, link, err := d.atHand(handset)
	if len(q.Readings) > 0 && h.Name != "" {
		err = nil // the screen is not needed; its build may not be known then
	}
	if err != nil {
		return CalibrationStatus{}, err
	}
	o, err := d.calibrationOptions(h, q)
	if err != nil {
		return CalibrationStatus{}, err
	}
	if link != nil {
		if id, err := devices.Identify(ctx, link); err == nil {
			o.Build = id.Build
		} else if len(q.Readings) == 0 {
			return CalibrationStatus{}, err
		}
	}
	if len(q.Readings) > 0 {
		return d.calibrationFrom(h, q.Readings, o)
	}
	if err := d.notHeld(ctx, h); err != nil {
		return CalibrationStatus{}, err
	}
	var meter *benchMeter
	if q.Meter != "" {
		m, ok := d.meters.named(q.Meter)
		if !ok || !slices.Contains(m.instrument.Quantities(), meters.Luminance) {
			return CalibrationStatus{}, fmt.Errorf("%w: no meter %q that reads luminance in the plan file", ErrRequest, q.Meter)
		}
		meter = m
	}
	if u := d.unwantedOn(handset); u != nil {
		return CalibrationStatus{}, fmt.Errorf("%s: %w: %s; nothing is carried out on it until it shows that power is gone", handset, ErrNotNow, sayUnwanted(*u))
	}
	_, calibrated := d.calibrationUnderWay(handset)
	if calibrated || d.busy(handset) != "" || !d.engaged.takeSoon(ctx, handset) {
		return CalibrationStatus{}, fmt.Errorf("%s: %w: it is in a run, or its screen is being calibrated", handset, ErrNotNow)
	}
	d.haltParking(ctx, handset, "its screen was calibrated")
	stopped := make(chan struct{})
	c := &calibration{d: d, h: h, typed: make(chan float64), stop: sync.OnceFunc(func() { close(stopped) })}
	c.s = CalibrationStatus{Handset: handset, State: CalibrationRunning, StartedAt: d.now(), Doing: "preparing the screen", About: (o.Points+5)*o.Repeats + o.Repeats + 3, Practices: luminance.Practices}
	d.calibrating.mu.Lock()
	d.calibrating.last[handset] = c
	d.calibrating.mu.Unlock()
	d.tell(handset, func(s *HandsetStatus) { s.WaitsFor = "the calibration of its screen to end" })
	begun := d.background(ctx, func(ctx context.Context) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		go func() {
			select {
			case <-stopped:
				cancel()
			case <-ctx.Done():
			}
		}()
		c.run(ctx, meter, !q.Placed, o)
		d.tell(handset, func(s *HandsetStatus) { s.WaitsFor = "" })
		d.engaged.give(handset)
		d.queue.nudge()
	})
	if !begun {
		d.engaged.give(handset)
		return CalibrationStatus{}, fmt.Errorf("%w: the daemon is stopping", ErrNotNow)
	}
	return d.Calibration(handset)
}

func (d *Daemon) calibrationOptions(h scenarios.Handset, q CalibrationRequest) (luminance.Options, error) {
	o := luminance.Options{
		WantedCdM2: q.WantedCdM2, Instrument: q.Instrument, Handset: h.Serial, Points: cmp.Or(q.Points, 12), Repeats: cmp.Or(q.Repeats, 2), Clock: d.clock,
	}
	if o.WantedCdM2 == 0 && q.Plan != "" {
		order, err := d.order(q.Plan)
		if err != nil {
			return o, err
		}
		for _, w := range order.Set.Wants {
			if w.Name == "luminance" && w.Value != nil {
				o.WantedCdM2 = *w.Value
			}
		}
	}
	if q.Scale == "" {
		o.Scale = luminance.Whole255
		if used, ok := d.calibrationOf(h.Name); ok {
			o.Scale = used.Scale
		}
	} else {
		scale, ok := scales[q.Scale]
		if !ok {
			return o, fmt.Errorf("%w: scale %q: want 255, 1023, 2047, 4095 or fraction", ErrRequest, q.Scale)
		}
		o.Scale = scale
	}
	wait := func(s *float64) time.Duration {
		switch {
		case s == nil:
			return 0 // the package's own
		case *s == 0:
			return -1
		}
		return time.Duration(*s * float64(time.Second))
	}
	o.WarmUp, o.Settle = wait(q.WarmUpS), wait(q.SettleS)
	if q.Meter != "" {
		m, ok := d.file.Bench.Meter(q.Meter)
		if !ok {
			return o, fmt.Errorf("%w: no meter %q in the plan file", ErrRequest, q.Meter)
		}
		o.Instrument = luminance.Instrument{Name: cmp.Or(q.Instrument.Name, m.Name), AccuracyPct: cmp.Or(q.Instrument.AccuracyPct, m.AccuracyPct), DigitCdM2: cmp.Or(q.Instrument.DigitCdM2, m.DigitCdM2)}
	}
	if o.Instrument.Name == "" {
		return o, fmt.Errorf("%w: which instrument reads the luminance is not said: give its make, model, number and the date of its own calibration", ErrRequest)
	}
	return o, nil
}

// calibrationFrom makes and stores a calibration of readings taken elsewhere.
func (d *Daemon) calibrationFrom(h scenarios.Handset, readings []luminance.Reading, o luminance.Options) (CalibrationStatus, error) {
	made, err := luminance.FromReadings(readings, o)
	if err != nil {
		return CalibrationStatus{}, errors.Join(fmt.Errorf("%w: %w", ErrRequest, err), d.keepTried(h.Name, made))
	}
	if err := d.keepCalibration(h.Name, made); err != nil {
		return CalibrationStatus{}, err
	}
	s := CalibrationStatus{Handset: h.Name, State: CalibrationDone, StartedAt: d.now(), Taken: len(made.Readings), About: len(made.Readings), Result: &made, Practices: luminance.Practices}
	d.showUsed(&s)
	return s, nil
}

// run walks, and stores what came of it.
func (c *calibration) run(ctx context.Context, meter *benchMeter, toPlace bool, o luminance.Options) {
	o.Seen = func(r luminance.Reading) {
		c.change(func(s *CalibrationStatus) { s.Taken++; s.Latest = &r })
	}
	session := c.d.stage.Open("light")
	defer session.Close()
	var made luminance.Calibration
	err := c.placed(ctx, meter, toPlace)
	if err == nil {
		made, err = c.walk(ctx, session, meter, o)
	}
	log := c.d.log.With().Str("handset", c.h.Name).Logger()
	if err == nil {
		err = c.d.keepCalibration(c.h.Name, made)
	} else if len(made.Readings) > 0 {
		if err := c.d.keepTried(c.h.Name, made); err != nil {
			log.Error().Err(err).Msg("the readings of a calibration that failed could not be stored")
		}
	}
	c.change(func(s *CalibrationStatus) {
		s.Doing, s.Setting = "", nil
		if len(made.Readings) > 0 {
			s.Result = &made
		}
		if s.State = CalibrationDone; err != nil {
			s.State, s.Problem = CalibrationFailed, why(err)
			if errors.Is(err, context.Canceled) {
				s.Problem = "cancelled"
			}
		}
	})
	if err != nil {
		log.Warn().Err(err).Msg("the calibration of the screen failed")
	} else {
		log.Info().Str("says", made.Describe()).Msg("the screen is calibrated")
	}
	c.d.publish(Change{Kind: "calibration", Handset: c.h.Name, Text: c.last()})
}

// placeLimit is how long a person has to place a light meter that is read by itself.
const placeLimit = 30 * time.Minute

// placed has a person place the light meter that is read by itself from then on.
func (c *calibration) placed(ctx context.Context, meter *benchMeter, toPlace bool) error {
	if meter == nil || !toPlace {
		return nil
	}
	const done, cannot = "done", "cannot"
	c.change(func(s *CalibrationStatus) { s.Doing = "waiting for the light meter to be placed" })
	answer, err := c.d.prompt(ctx, Prompt{
		Handset: c.h.Name, Text: fmt.Sprintf("Place the light meter %s flat on the middle of the screen of %s, in a dark room", meter.Name, c.h.Name),
		Why: "the screen is calibrated, and the meter is read by itself from then on", Limit: placeLimit, Choices: []string{done, cannot}, Default: cannot,
	})
	switch {
	case err != nil:
		return err
	case answer.ByDefault:
		return fmt.Errorf("nobody placed the light meter %s within %s", meter.Name, placeLimit)
	case answer.Choice != done:
		return fmt.Errorf("the light meter %s cannot be placed", meter.Name)
	}
	return nil
}

func (c *calibration) last() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return strings.TrimSpace("light " + c.s.State + " " + c.s.Problem)
}

func (c *calibration) walk(ctx context.Context, session *stage.Session, meter *benchMeter, o luminance.Options) (made luminance.Calibration, err error) {
	link, err := c.d.linkTo(c.h)
	if err != nil {
		return made, err
	}
	screen := &calibrationScreen{c: c, page: &whitePage{c: c, session: session}}
	if screen.on, err = luminance.NewHandsetScreen(link, o.Scale, screen.page); err != nil {
		return made, err
	}
	restore, err := c.prepare(ctx, link, screen.on)
	defer func() {
		// Also when the daemon stops: bounded, and what is not put back stays written down.
		bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
		defer cancel()
		if e := restore(bounded); e != nil {
			c.d.log.Warn().Err(e).Str("handset", c.h.Name).Msg("the screen's settings are put back at the next run's end, or by rundown check --undo")
		}
	}()
	if err != nil {
		return made, err
	}
	reads := luminance.MeterFunc(c.ask)
	if meter != nil {
		reads = meters.Of(meter.instrument, meters.Luminance)
	}
	c.change(func(s *CalibrationStatus) { s.Doing = "warming the screen up" })
	return luminance.Calibrate(ctx, screen, reads, o)
}

// timeoutMS keeps the screen on between two readings that a person takes.
const timeoutMS = 30 * 60 * 1000

// prepare turns adaptive brightness off and has the screen stay on. What it was is written
// down first, as what a check has set: should the daemon die, the next run puts it back.
func (c *calibration) prepare(ctx context.Context, link devices.Link, on *luminance.HandsetScreen) (restore func(context.Context) error, err error) {
	restore = func(context.Context) error { return nil }
	name := c.h.Name
	if err := c.d.holdBare(ctx, link, c.h); err != nil {
		return restore, err
	}
	had, err := c.d.applied(name)
	if err != nil {
		return restore, err
	}
	before, undo, err := devices.ReadScreenSettings(ctx, link)
	if err != nil {
		return restore, fmt.Errorf("%s: %w", name, err)
	}
	change := preconditions.Change{Name: "light calibration", Undo: undo, Before: before, At: c.d.now()}
	if err := c.d.store.PutDocument(documentsApplied, name, append(slices.Clone(had), change)); err != nil {
		return restore, err
	}
	restore = func(ctx context.Context) error {
		link, err := c.d.linkTo(c.h)
		if err != nil {
			return err
		}
		if _, err := preconditions.Restore(ctx, link, []preconditions.Change{change}); err != nil {
			return err
		}
		if err := goHome(ctx, link); err != nil {
			c.d.log.Warn().Err(err).Str("handset", name).Msg("the handset was not left on its home screen with the screen off")
		}
		if len(had) == 0 {
			return c.d.store.DeleteDocument(documentsApplied, name)
		}
		return c.d.store.PutDocument(documentsApplied, name, had)
	}
	if err := devices.SetScreenTimeout(ctx, link, timeoutMS); err != nil {
		return restore, err
	}
	_, err = on.Prepare(ctx)
	return restore, err
}

// ask waits for a person to type what the meter shows.
func (c *calibration) ask(ctx context.Context) (float64, error) {
	c.change(func(s *CalibrationStatus) { s.State = CalibrationAsks; s.Ask++ })
	c.d.publish(Change{Kind: "calibration", Handset: c.h.Name, Text: "light: a reading is wanted"})
	select {
	case v := <-c.typed:
		return v, nil
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

// GiveReading hands in the reading that a calibration waits for: the ask-th one. ErrNotNow
// when it waits for none, or for another.
func (d *Daemon) GiveReading(ctx context.Context, handset string, ask int, cdM2 float64) (CalibrationStatus, error) {
	c, ok := d.calibrationUnderWay(handset)
	if !ok {
		return CalibrationStatus{}, fmt.Errorf("%s: %w: its screen is not being calibrated", handset, ErrNotNow)
	}
	if cdM2 < 0 || cdM2 > 100_000 || cdM2 != cdM2 {
		return CalibrationStatus{}, fmt.Errorf("%w: %g cd/m² is no luminance of 0 to 100000 cd/m²", ErrRequest, cdM2)
	}
	c.mu.Lock()
	awaited := c.s.State == CalibrationAsks && c.s.Ask == ask
	if awaited {
		c.s.State = CalibrationRunning // the same reading handed in twice counts once
	}
	c.mu.Unlock()
	if !awaited {
		return CalibrationStatus{}, fmt.Errorf("%s: %w: reading %d is not what its calibration waits for", handset, ErrNotNow, ask)
	}
	select {
	case c.typed <- cdM2:
	case <-ctx.Done():
		return CalibrationStatus{}, ctx.Err()
	case <-time.After(5 * time.Second):
		return CalibrationStatus{}, fmt.Errorf("%s: %w: its calibration does not wait for a reading any more", handset, ErrNotNow)
	}
	return d.Calibration(handset)
}

// CancelCalibration ends a calibration under way and puts the screen's settings back.
func (d *Daemon) CancelCalibration(handset string) (CalibrationStatus, error) {
	c, ok := d.calibrationUnderWay(handset)
	if !ok {
		return CalibrationStatus{}, fmt.Errorf("%s: %w: its screen is not being calibrated", handset, ErrNotNow)
	}
	c.stop()
	return d.Calibration(handset)
}

func (d *Daemon) calibrationUnderWay(handset string) (*calibration, bool) {
	d.calibrating.mu.Lock()
	defer d.calibrating.mu.Unlock()
	c, ok := d.calibrating.last[handset]
	if !ok {
		return nil, false
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return c, c.s.State == CalibrationRunning || c.s.State == CalibrationAsks
}

// Calibration is how a handset's latest calibration stands, and the one in use.
func (d *Daemon) Calibration(handset string) (CalibrationStatus, error) {
	if _, ok := d.file.Handset(handset); !ok {
		return CalibrationStatus{}, fmt.Errorf("%w: no handset %q on the bench; there are %v", ErrRequest, handset, d.handsetNames())
	}
	s := CalibrationStatus{Handset: handset, Practices: luminance.Practices}
	d.calibrating.mu.Lock()
	c := d.calibrating.last[handset]
	d.calibrating.mu.Unlock()
	if c != nil {
		c.mu.Lock()
		s = c.s
		c.mu.Unlock()
	}
	d.showUsed(&s)
	return s, nil
}

func (d *Daemon) showUsed(s *CalibrationStatus) {
	used, ok := d.calibrationOf(s.Handset)
	if !ok {
		return
	}
	s.Used, s.UsedStale, s.UsedSetsAs = &used, used.Stale(d.now(), "", d.file.Bench.LuminanceMaxAge), "setting screen_brightness"
	if used.Scale.Most == 1 {
		s.UsedSetsAs = "cmd display set-brightness"
	}
}

// ForgetCalibration lets a handset go back to the curve of the plan file, if there is one.
// The calibration's readings stay among those that were tried.
func (d *Daemon) ForgetCalibration(handset string) error {
	if _, ok := d.calibrationOf(handset); !ok {
		return fmt.Errorf("light calibration of %s: %w", handset, results.ErrNotFound)
	}
	return d.store.DeleteDocument(documentsCalibration, handset)
}

func (d *Daemon) keepTried(handset string, made luminance.Calibration) error {
	if len(made.Readings) == 0 {
		return nil
	}
	return d.store.PutDocument(documentsCalibrations, handset+" "+d.now().Format("20060102150405.000"), made)
}

func (d *Daemon) keepCalibration(handset string, made luminance.Calibration) error {
	return errors.Join(d.keepTried(handset, made), d.store.PutDocument(documentsCalibration, handset, made))
}

// calibrationOf is the stored calibration that a handset's luminance is set by.
func (d *Daemon) calibrationOf(handset string) (c luminance.Calibration, ok bool) {
	err := d.store.Document(documentsCalibration, handset, &c)
	if err != nil && !errors.Is(err, results.ErrNotFound) {
		d.log.Error().Err(err).Str("handset", handset).Msg("the light calibration cannot be read; the plan file's curve is used")
	}
	return c, err == nil
}

// curveOf is the curve by which a handset's luminance is set and judged: that of its
// calibration, else the plan file's. fraction says that its settings are fractions.
func (d *Daemon) curveOf(h scenarios.Handset) (curve *devices.Curve, note string, fraction bool) {
	if c, ok := d.calibrationOf(h.Name); ok {
		made, err := c.Curve()
		if err == nil {
			return &made, fmt.Sprintf("calibrated on %s with %s, ± %.2g cd/m² at %g", c.At.Format(time.DateOnly), c.Instrument.Name, c.U95, c.WantedCdM2), c.Scale.Most == 1
		}
		d.log.Error().Err(err).Str("handset", h.Name).Msg("the light calibration gives no curve; the plan file's is used")
	}
	if len(h.Luminance) == 0 {
		return nil, "", false
	}
	var points []devices.CurvePoint
	for _, p := range h.Luminance {
		points = append(points, devices.CurvePoint{Setting: p.Setting, CdM2: p.CdM2})
	}
	made, err := devices.NewCurve(points)
	if err != nil {
		return nil, "", false // two points; the plan file allows them
	}
	return &made, h.CurveDate, false
}

// sayStale adds to a report's line on luminance that the calibration should be taken anew.
func (d *Daemon) sayStale(handset string, report *preconditions.Report) {
	c, ok := d.calibrationOf(handset)
	if !ok {
		return
	}
	stale := c.Stale(d.now(), report.Identity.Build, d.file.Bench.LuminanceMaxAge)
	if stale == "" {
		return
	}
	for i := range report.Lines {
		if l := &report.Lines[i]; l.Name == "luminance" {
			l.Found += "; stale: " + stale
		}
	}
}

// complete adds to a report what the bench around the handset knows.
func (d *Daemon) complete(handset string, report *preconditions.Report) {
	d.sayStale(handset, report)
	report.Lines = append(report.Lines, d.meters.roomLines()...)
}

// calibrationScreen shows settings, and says so. While the handset is away it waits.
type calibrationScreen struct {
	c    *calibration
	on   *luminance.HandsetScreen
	page *whitePage
}

const (
	screenPatience = 5 * time.Minute  // for a handset that is away during a calibration
	pagePatience   = 90 * time.Second // for the white page to show itself
)

// Show implements luminance.Screen.
func (s *calibrationScreen) Show(ctx context.Context, setting float64) error {
	s.c.change(func(st *CalibrationStatus) {
		st.Setting, st.Doing = &setting, fmt.Sprintf("white at setting %.6g", setting)
	})
	return s.reach(ctx, func() error {
		link, err := s.c.d.linkTo(s.c.h)
		if err != nil {
			return err
		}
		if err := devices.LightScreen(ctx, link); err != nil { // also starts its timeout anew
			return err
		}
		return s.on.Show(ctx, setting)
	})
}

// Black implements luminance.Screen.
func (s *calibrationScreen) Black(ctx context.Context) error {
	s.c.change(func(st *CalibrationStatus) {
		st.Setting, st.Doing = nil, "the screen is off: what the meter reads now is the room's"
	})
	return s.reach(ctx, func() error { return s.on.Black(ctx) })
}

func (s *calibrationScreen) reach(ctx context.Context, f func() error) error {
	for waited := s.c.d.stopwatch(); ; {
		err := f()
		if err == nil || !linkDown(err) || ctx.Err() != nil || waited.read() > screenPatience {
			return err
		}
		if err := s.c.d.clock.Sleep(ctx, retryEvery); err != nil {
			return err
		}
	}
}

// whitePage is the stage's white page in the handset's browser; its dark is the screen off.
type whitePage struct {
	c       *calibration
	session *stage.Session
}

var _ luminance.Page = (*whitePage)(nil)

// White opens the page, touches it, which makes it fill the screen, and waits until the
// page itself says that it is there.
func (w *whitePage) White(ctx context.Context) error {
	d, h := w.c.d, w.c.h
	link, err := d.linkTo(h)
	if err != nil {
		return err
	}
	id, err := devices.Identify(ctx, link)
	if err != nil {
		return err
	}
	browser := h.Packages["browser"]
	if browser == "" {
		if browser, err = devices.Resolve(ctx, link, "browser"); err != nil {
			return fmt.Errorf("which app is the browser: %w", err)
		}
	}
	base, err := d.stageAt(ctx, link, "light")
	if err != nil {
		return err
	}
	w.session.Seen() // what an earlier page said
	if err := devices.OpenPage(ctx, link, browser, base+w.session.Path()+"?grey=255&every_s=1"); err != nil {
		return err
	}
	touched := false
	for waited := d.stopwatch(); ; {
		for _, p := range w.session.Seen() {
			if p.Kind != "frames" {
				continue
			}
			if !touched {
				touched = true
				if err := devices.Tap(ctx, link, id.ScreenW/2, id.ScreenH/2); err != nil {
					return err
				}
				break // the next word of the page comes from after the touch
			}
			var said struct {
				Full *bool `json:"full"`
			}
			if json.Unmarshal([]byte(p.Detail), &said) == nil && said.Full != nil && !*said.Full {
				d.log.Warn().Str("handset", h.Name).Msg("the white page does not fill the screen: the browser's bars are lit as well; hold the meter well inside the white")
			}
			return nil
		}
		if waited.read() > pagePatience {
			return fmt.Errorf("%s: the white page did not show itself within %s: look at the handset (a dialog of the browser's, a lock screen)", h.Name, pagePatience)
		}
		if err := d.clock.Sleep(ctx, time.Second); err != nil {
			return err
		}
	}
}

// Black puts the screen off.
func (w *whitePage) Black(ctx context.Context) error {
	link, err := w.c.d.linkTo(w.c.h)
	if err != nil {
		return err
	}
	return devices.DarkenScreen(ctx, link)
}

// background has something done in the background until the daemon stops. It reports whether
// that was begun.
func (d *Daemon) background(ctx context.Context, f func(context.Context)) bool {
	select {
	case d.jobs <- f:
		return true
	case <-ctx.Done():
	case <-time.After(5 * time.Second):
	}
	return false
}

// runJobs does so until ctx ends, and waits for what is under way.
func (d *Daemon) runJobs(ctx context.Context) {
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		select {
		case f := <-d.jobs:
			wg.Go(func() { f(ctx) })
		case <-ctx.Done():
			return
		}
	}
}

// engaged are the handsets that somebody drives: a run, or a calibration.
type engaged struct {
	mu   sync.Mutex
	with map[string]bool
}

func (e *engaged) take(handset string) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.with[handset] {
		return false
	}
	e.with[handset] = true
	return true
}

// takeSoon is take for somebody who asks from outside: who only reads the handset, or
// settles something on it, gives it back within seconds.
func (e *engaged) takeSoon(ctx context.Context, handset string) bool {
	for deadline := time.Now().Add(takeLimit); ; time.Sleep(20 * time.Millisecond) {
		switch {
		case e.take(handset):
			return true
		case ctx.Err() != nil || time.Now().After(deadline):
			return false
		}
	}
}

// takeLimit is how long that is waited for at most, in real time.
const takeLimit = 5 * time.Second

func (e *engaged) give(handset string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	delete(e.with, handset)
}
