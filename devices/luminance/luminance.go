// Package luminance calibrates a handset's screen: it walks through brightness settings
// before a luminance meter, checks that the readings repeat and rise, fits a monotone
// curve, and says with which uncertainty the screen will show the luminance wanted.
//
// [Calibrate] does the walk with whatever shows the white page ([Screen]) and whatever
// reads the meter ([Meter]: an operator who types, an instrument); [FromReadings] takes
// readings that were made elsewhere. What comes out is a [Calibration], a plain record.
//
// It keeps out of where the record is kept and of how a person is asked. These errors
// leave it: [ErrNotRepeatable], [ErrNotMonotone], [ErrDrifting], [ErrOutOfReach],
// [ErrNotVerified]. With each of them comes the Calibration as far as it got, so that no
// reading is lost.
package luminance

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

var (
	// ErrNotRepeatable means that readings at one setting differ by more than the limit,
	// and did so again when they were taken anew.
	ErrNotRepeatable = errors.New("the readings do not repeat")
	// ErrNotMonotone means that luminance falls somewhere as the setting rises, by more
	// than the noise of the readings explains.
	ErrNotMonotone = errors.New("luminance does not rise with the setting")
	// ErrDrifting means that one pass reads brighter or darker throughout than another.
	ErrDrifting = errors.New("the luminance drifts")
	// ErrOutOfReach means that the screen does not show the luminance wanted at any setting.
	ErrOutOfReach = errors.New("the luminance wanted is out of the screen's reach")
	// ErrNotVerified means that the last reading, at the setting that was found, differs
	// from the luminance wanted by more than the uncertainty stated.
	ErrNotVerified = errors.New("the last reading does not confirm the calibration")
)

// A Screen is the handset's screen before the meter.
type Screen interface {
	// Show puts a full white page on the whole screen at a brightness setting, in the
	// handset's own units, with everything off that changes brightness by itself.
	Show(ctx context.Context, setting float64) error
	// Black turns the light of the screen off, or as far down as it goes, so that what the
	// meter reads is the room's.
	Black(ctx context.Context) error
}

// A Meter reads luminance at the centre of the screen, perpendicular to it, cd/m².
type Meter interface {
	CdM2(ctx context.Context) (float64, error)
}

// clock is the wall clock, or the demo's.
type clock interface {
	Now() time.Time
	Sleep(ctx context.Context, d time.Duration) error
}

// A Scale is the range of a handset's brightness setting.
type Scale struct {
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
	// Step is the least difference between two settings: 1 for a setting of whole
	// numbers, 0 for one that is a fraction.
	Step float64 `json:"step"`
}

// Scales of brightness settings. Android's own whole numbers go to 255, and makers have
// 1023, 2047 and 4095; the fraction is that of "cmd display set-brightness".
var (
	Whole255 = Scale{Least: 1, Most: 255, Step: 1}
	Fraction = Scale{Least: 0, Most: 1}
)

// Check says what is wrong with a scale.
func (s Scale) Check() error {
	if !finite(s.Least) || !finite(s.Most) || !finite(s.Step) || s.Least < 0 || s.Most <= s.Least || s.Step < 0 {
		return fmt.Errorf("brightness scale: want 0 or more, rising, and a step of 0 or more; got %g to %g in steps of %g", s.Least, s.Most, s.Step)
	}
	if s.Step > 0 && (s.Most-s.Least)/s.Step < 4 {
		return fmt.Errorf("brightness scale: %g to %g in steps of %g has too few settings for a curve", s.Least, s.Most, s.Step)
	}
	return nil
}

// near returns the setting of the scale nearest to s.
func (s Scale) near(setting float64) float64 {
	if s.Step > 0 {
		setting = s.Least + s.Step*math.Round((setting-s.Least)/s.Step)
	}
	return min(max(setting, s.Least), s.Most)
}

// apart says whether two settings differ enough to be worth two readings.
func (s Scale) apart(a, b float64) bool {
	return math.Abs(a-b) >= max(s.Step, (s.Most-s.Least)/4000)-1e-9*(s.Most-s.Least)
}

// A Practice is one rule of how the reading is taken, with where it comes from.
type Practice struct {
	Rule   string `json:"rule"`
	Source string `json:"source"`
}

// Practices are what the person with the meter is told before the first reading.
var Practices = []Practice{
	{"dark room: 1.0 lux or less at the screen, display off, at its centre and perpendicular to it",
		"VESA FPDM 2.0 (2001), sec. 301-2F, as used in EU Council document 10193/12 (2012), Annex C"},
	{"what the room adds is read with the screen dark and subtracted; it should be under 1/20 of the darkest luminance used",
		"IEC 62977-2-1:2021, cl. 5.2, which has it for the black state"},
	{"meter at the screen's centre, perpendicular, its field over 500 pixels or more and inside the lit area",
		"VESA FPDM 2.0 (2001), App. A115 and sec. 301-2H, as in EU Council document 10193/12 (2012), Annex C"},
	{"distance as the meter's maker recommends, usually 40 to 60 cm, or in contact for a meter made for that",
		"common practice, no source"},
	{"full white page, the whole screen lit: an emissive screen is brighter when less of it is lit",
		"derived; common practice"},
	{"20 minutes of warm-up with the white page before the first reading",
		"common practice, no source"},
	{"room at 25 °C ± 3 °C, 25 to 85 % relative humidity; note it when it is not",
		"IEC 62977-2-1:2021, cl. 5.1"},
	{"display settings are written down and held constant: adaptive brightness, extra dim, night display and battery saver off",
		"IEC 62977-2-1:2021, cl. 5.3.2"},
}

// An Instrument is the luminance meter as the record names it.
type Instrument struct {
	Name string `json:"name"` // make, model, serial number, date of its last calibration
	// AccuracyPct is the half-width of what the meter's maker or its calibration
	// certificate states, % of the reading; 0 where nobody states any, which leaves the
	// meter out of the uncertainty and is noted.
	AccuracyPct float64 `json:"accuracy_pct"`
	// DigitCdM2 is the meter's last digit, cd/m²; 0 for one that shows enough of them.
	DigitCdM2 float64 `json:"digit_cd_m2"`
}

// Options say how a calibration is made. Zero values stand for what is said at each.
type Options struct {
	Scale      Scale
	WantedCdM2 float64 // 0 stands for 300
	Instrument Instrument
	Handset    string // serial number, for the record
	Build      string // OS build, for the record and for Stale

	Points  int           // settings in the walk, before those near the wanted luminance; 0 stands for 12
	Repeats int           // readings at each setting, in passes up and down; 0 stands for 2
	Last    int           // readings of the verification; 0 stands for 3
	WarmUp  time.Duration // 0 stands for 20 min, less than 0 for none
	Settle  time.Duration // between setting and reading; 0 stands for 3 s, less than 0 for none

	// RepeatPct is how far the readings at one setting may lie apart, % of their mean; 0
	// stands for 5. Two of the meter's digits are always allowed.
	RepeatPct float64
	// DriftPct is how far a whole pass may lie from another, %; 0 stands for 3.
	DriftPct float64

	// Clock is what WarmUp, Settle and the readings' times go by; nil stands for the host's.
	Clock clock
	// Seen, where not nil, is told of each reading as it is taken.
	Seen func(Reading)
}

func (o Options) filled() Options {
	num := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	count := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	wait := func(v *time.Duration, d time.Duration) {
		if *v == 0 {
			*v = d
		}
	}
	if o.Scale == (Scale{}) {
		o.Scale = Whole255
	}
	num(&o.WantedCdM2, 300)
	num(&o.RepeatPct, 5)
	num(&o.DriftPct, 3)
	count(&o.Points, 12)
	count(&o.Repeats, 2)
	count(&o.Last, 3)
	wait(&o.WarmUp, 20*time.Minute)
	wait(&o.Settle, 3*time.Second)
	if o.Clock == nil {
		o.Clock = wallClock{}
	}
	return o
}

func (o Options) check() error {
	if err := o.Scale.Check(); err != nil {
		return err
	}
	if !finite(o.WantedCdM2) || o.WantedCdM2 <= 0 {
		return fmt.Errorf("luminance wanted: %g cd/m²: want more than 0", o.WantedCdM2)
	}
	if o.Points < 4 || o.Points > 1000 || o.Repeats < 2 || o.Repeats > 100 {
		return fmt.Errorf("calibration: want 4 to 1000 settings and 2 to 100 readings at each, got %d and %d", o.Points, o.Repeats)
	}
	if a, d := o.Instrument.AccuracyPct, o.Instrument.DigitCdM2; !finite(a) || !finite(d) || a < 0 || a > 100 || d < 0 {
		return fmt.Errorf("luminance meter %s: accuracy ± %g %%, digit %g cd/m²: want 0 to 100 %% and 0 or more", o.Instrument.Name, a, d)
	}
	return nil
}

// A Reading is one reading of the meter, before the room's share is subtracted.
type Reading struct {
	Setting float64   `json:"setting"` // in the handset's own units
	CdM2    float64   `json:"cd_m2"`   // as the meter showed it
	At      time.Time `json:"at,omitzero"`
	Pass    int       `json:"pass"` // from 1; 0 for the verification
	// Discarded readings did not repeat and were taken anew.
	Discarded bool `json:"discarded,omitempty"`
}

type wallClock struct{}

func (wallClock) Now() time.Time { return time.Now() }

func (wallClock) Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func finite(f float64) bool { return !math.IsNaN(f) && !math.IsInf(f, 0) }
