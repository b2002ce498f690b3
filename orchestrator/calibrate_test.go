package orchestrator_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rundown/devices/luminance"
	"rundown/devices/meters"
	"rundown/devices/simulated"
	"rundown/devices/simulated/instruments"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/scenarios"
)

// calibrated waits for a calibration to end. whoever types, types for it.
func (b *bench) calibrated(handset string, typed func(setting *float64) float64) orchestrator.CalibrationStatus {
	b.t.Helper()
	var s orchestrator.CalibrationStatus
	within(b.t, 60*time.Second, "the calibration of "+handset+" ends", func() bool {
		var err error
		if s, err = b.daemon.Calibration(handset); err != nil {
			b.t.Fatal(err)
		}
		if s.State == orchestrator.CalibrationAsks && typed != nil {
			// A second hand in of the same reading is refused, not taken for the next.
			if _, err := b.daemon.GiveReading(b.t.Context(), handset, s.Ask, typed(s.Setting)); err == nil {
				if _, err := b.daemon.GiveReading(b.t.Context(), handset, s.Ask, 1); !errors.Is(err, orchestrator.ErrNotNow) {
					b.t.Errorf("reading %d was taken twice: %v", s.Ask, err)
				}
			}
		}
		return s.State == orchestrator.CalibrationDone || s.State == orchestrator.CalibrationFailed
	})
	return s
}

// The screen of a simulated handset, whose true curve is known, is calibrated through the
// daemon with a noisy instrument, by settings and by fractions, and the daemon then sets
// 300 cd/m² by the stored curve: the true luminance lies within the stated uncertainty.
// (How often it does over 200 trials: devices/luminance.)
func TestCalibrationThroughTheDaemon(t *testing.T) {
	t.Parallel()
	for _, scale := range []string{"255", "fraction"} {
		t.Run(scale, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(t *testing.T) {
				b := newBench(t, []string{"Alder"}, shortPlan)
				h := b.handsets["Alder"]
				in, err := instruments.ServeOn(listening(t), instruments.LightMeter(h, 1, 0.006, 3))
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(in.Close)
				b.file.Bench.Meters = []scenarios.Meter{{Name: "light", Light: true, Every: time.Second, Timeout: time.Second, AccuracyPct: 1, SCPI: &scenarios.SCPIMeter{
					Address: in.Addr(), ErrorQueue: true, Queries: map[meters.Quantity]meters.Query{meters.Luminance: {Ask: "MEAS:LUM?"}},
				}}}
				b.start(overServer)
				brightness := func() string {
					return show(t, h, "settings get system screen_brightness; settings get system screen_brightness_mode; settings get system screen_off_timeout")
				}
				before := brightness()
				within(t, 10*time.Second, "the calibration begins", func() bool {
					_, err := b.daemon.Calibrate(t.Context(), "Alder", orchestrator.CalibrationRequest{Meter: "light", Placed: scale == "fraction", Scale: scale, Plan: "short"})
					return err == nil
				})
				if scale == "255" {
					within(t, 10*time.Second, "a person is asked to place the meter", func() bool { return len(b.daemon.Prompts()) == 1 })
					if _, err := b.daemon.AnswerPrompt(b.daemon.Prompts()[0].ID, "done", "somebody"); err != nil {
						t.Fatal(err)
					}
				}
				if _, err := b.daemon.Calibrate(t.Context(), "Alder", orchestrator.CalibrationRequest{Meter: "light"}); !errors.Is(err, orchestrator.ErrNotNow) {
					t.Errorf("a second calibration at once: %v, want ErrNotNow", err)
				}
				b.queue("short") // waits until the screen is free
				s := b.calibrated("Alder", nil)
				if s.State != orchestrator.CalibrationDone || s.Used == nil || s.Used.WantedCdM2 != 300 || s.Used.VerifiedCdM2 == nil || s.Used.Build == "" {
					t.Fatalf("state %s, %s, used %+v; want done and verified at 300 cd/m²\n%s", s.State, s.Problem, s.Used, b.log)
				}
				if got := len(s.Used.Readings); got < 24 || s.Taken != got {
					t.Errorf("%d readings, %d counted; want at least two at each of 12 settings", got, s.Taken)
				}
				segments := b.finish(3 * time.Minute)["Alder"]
				if len(segments) != 1 || segments[0].Outcome != results.Measured {
					t.Fatalf("segments %+v, want one that is measured\n%s", segments, b.log)
				}
				found := ""
				for _, c := range segments[0].Conditions {
					if c.Name == "luminance" {
						found = c.Found
					}
				}
				if !strings.Contains(found, "calibrated on 2030-05-14 with light, ±") || strings.Contains(found, "stale") {
					t.Errorf("the report says of luminance: %q", found)
				}
				truth := trueLuminance(h, s.Used)
				if off := math.Abs(truth - 300); off > s.Used.U95 {
					t.Errorf("the screen shows %.1f cd/m² at setting %g; ± %.1f was stated", truth, s.Used.Setting, s.Used.U95)
				}
				if run, err := b.daemon.Store().Run(segments[0].RunID); err != nil || !strings.Contains(run.Handset.Calibration, "calibrated on 2030-05-14") {
					t.Errorf("the run's record has the calibration %q, %v", run.Handset.Calibration, err)
				}
				b.stopDaemon()
				if after := brightness(); after != before {
					t.Errorf("brightness, its mode and the timeout were %q and are %q", before, after)
				}

				// Past the age that the plan file allows, the report says that it is stale.
				b.file.Bench.LuminanceMaxAge = time.Minute
				b.startDaemon()
				within(t, 10*time.Second, "the report", func() bool {
					report, err := b.daemon.Check(t.Context(), "Alder", "short", false)
					if err != nil {
						return false
					}
					for _, l := range report.Lines {
						if l.Name == "luminance" && !strings.Contains(l.Found, "stale: luminance was calibrated on 2030-05-14, 0 days ago, and 0 days are allowed") {
							t.Errorf("the report says of luminance: %q", l.Found)
						}
					}
					return true
				})
				if err := b.daemon.ForgetCalibration("Alder"); err != nil {
					t.Error(err)
				}
				if s, err := b.daemon.Calibration("Alder"); err != nil || s.Used != nil {
					t.Errorf("after it was forgotten: %+v, %v", s.Used, err)
				}
			})
		})
	}
}

// trueLuminance is what the simulated screen really gives at the setting that was found.
func trueLuminance(h *simulated.Handset, c *luminance.Calibration) float64 {
	if c.Scale.Most == 1 {
		lo, hi := math.Floor(1+c.Setting*254), math.Ceil(1+c.Setting*254) // the truth is known at whole settings
		f := 1 + c.Setting*254 - lo
		return h.LuminanceAt(int(lo))*(1-f) + h.LuminanceAt(int(hi))*f
	}
	return h.LuminanceAt(int(c.Setting))
}

// A person types the readings; another calibration is cancelled; one comes from a file.
func TestCalibrationTypedCancelledAndFromAFile(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := newBench(t, []string{"Alder"}, shortPlan).start(overServer)
		h := b.handsets["Alder"]
		noise := rand.New(rand.NewPCG(5, 7))
		typed := func(setting *float64) float64 {
			if setting == nil {
				return 0.02 // the room's
			}
			return 0.02 + h.LuminanceAt(int(*setting))*(1+0.004*noise.NormFloat64())
		}
		none := 0.0
		request := orchestrator.CalibrationRequest{Instrument: luminance.Instrument{Name: "a meter held by hand", AccuracyPct: 2, DigitCdM2: 0.01}, WarmUpS: &none}
		if _, err := b.daemon.Calibrate(t.Context(), "Alder", orchestrator.CalibrationRequest{}); err == nil || !strings.Contains(err.Error(), "which instrument reads the luminance is not said") && !strings.Contains(err.Error(), "Alder") {
			t.Errorf("without an instrument: %v", err)
		}
		within(t, 10*time.Second, "the calibration begins", func() bool {
			_, err := b.daemon.Calibrate(t.Context(), "Alder", request)
			return err == nil
		})
		within(t, 20*time.Second, "a reading is wanted", func() bool {
			s, _ := b.daemon.Calibration("Alder")
			return s.State == orchestrator.CalibrationAsks
		})
		if _, err := b.daemon.CancelCalibration("Alder"); err != nil {
			t.Fatal(err)
		}
		if s := b.calibrated("Alder", nil); s.State != orchestrator.CalibrationFailed || s.Problem != "cancelled" || s.Used != nil {
			t.Errorf("cancelled: %s, %q, used %v", s.State, s.Problem, s.Used)
		}
		within(t, 10*time.Second, "the screen is free again", func() bool {
			_, err := b.daemon.Calibrate(t.Context(), "Alder", request)
			return err == nil
		})
		s := b.calibrated("Alder", typed)
		if s.State != orchestrator.CalibrationDone || s.Used == nil {
			t.Fatalf("typed: %s, %s\n%s", s.State, s.Problem, b.log)
		}
		if off := math.Abs(trueLuminance(h, s.Used) - 300); off > s.Used.U95 {
			t.Errorf("typed: %.1f cd/m² off at setting %g; ± %.1f was stated", off, s.Used.Setting, s.Used.U95)
		}

		var readings []luminance.Reading
		for pass := range 2 {
			for setting := 1; setting <= 255; setting += 23 {
				readings = append(readings, luminance.Reading{Setting: float64(setting), CdM2: h.LuminanceAt(setting) * (1 + 0.003*noise.NormFloat64()), Pass: pass + 1})
			}
		}
		request.Readings = readings
		s, err := b.daemon.Calibrate(t.Context(), "Alder", request)
		if err != nil || s.State != orchestrator.CalibrationDone || s.Used == nil || s.Used.VerifiedCdM2 != nil {
			t.Fatalf("from a file: %+v, %v; want done and not verified", s, err)
		}
		request.Readings = readings[:3]
		if _, err := b.daemon.Calibrate(t.Context(), "Alder", request); !errors.Is(err, orchestrator.ErrRequest) {
			t.Errorf("three readings: %v, want ErrRequest", err)
		}
	})
}
