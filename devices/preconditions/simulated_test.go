package preconditions_test

import (
	"context"
	"maps"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/devices/simulated"
)

// shelf makes a simulated handset, unplugged and within the everyday windows, with the
// curve that a luminance meter would have taken of it.
func shelf(t *testing.T, o simulated.Options) (*simulated.Handset, preconditions.Handset) {
	t.Helper()
	if o.Clock == nil {
		o.Clock = simulated.NewScaledClock(time.Date(2026, 5, 4, 20, 0, 0, 0, time.UTC), 50)
	}
	o.LevelPct, o.NFC = 95, true
	h := simulated.New(o)
	t.Cleanup(h.Close)
	top := o.BrightnessMax
	if top == 0 {
		top = 255
	}
	var points []devices.CurvePoint
	for _, share := range []float64{0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1} {
		setting := math.Max(1, math.Round(share*float64(top)))
		points = append(points, devices.CurvePoint{Setting: setting, CdM2: h.LuminanceAt(int(setting))})
	}
	curve, err := devices.NewCurve(points)
	if err != nil {
		t.Fatal(err)
	}
	return h, preconditions.Handset{Name: "shelf", Curve: &curve, Clock: o.Clock}
}

func everySetting(t *testing.T, l devices.Link) map[string]string {
	t.Helper()
	all := make(map[string]string)
	for _, space := range []string{"system", "secure", "global"} {
		out, err := devices.Run(t.Context(), l, "settings list "+space)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(strings.TrimSpace(out), "\n") {
			k, v, _ := strings.Cut(line, "=")
			all[space+" "+k] = v
		}
	}
	return all
}

func verdicts(lines []preconditions.Line, not preconditions.Verdict) map[string]string {
	found := make(map[string]string)
	for _, l := range lines {
		if l.Verdict != not {
			found[l.Name] = string(l.Verdict) + ": " + l.Found
		}
	}
	return found
}

func TestSimulatedHandsetsAreSetReadBackAndRestored(t *testing.T) {
	for _, android := range simulated.Flavours() {
		for _, brightnessMax := range []int{255, 4095} {
			h, facts := shelf(t, simulated.Options{Android: android, BrightnessMax: brightnessMax, RefreshHz: []float64{60, 120}})
			before := everySetting(t, h)

			check, err := preconditions.Check(t.Context(), h, facts, preconditions.DefaultSet())
			if err != nil {
				t.Errorf("Android %d: Check = %v", android, err)
				continue
			}
			if len(check.Unmet()) == 0 {
				t.Errorf("Android %d: a handset from its box meets everything", android)
			}
			if diff := cmp.Diff(before, everySetting(t, h)); diff != "" {
				t.Errorf("Android %d: Check changed settings (-before +after):\n%s", android, diff)
			}

			var changes []preconditions.Change
			report, err := preconditions.Apply(t.Context(), h, facts, preconditions.DefaultSet(), func(c preconditions.Change) error {
				changes = append(changes, c)
				return nil
			})
			if err != nil {
				t.Errorf("Android %d: Apply = %v", android, err)
				continue
			}
			unmet := make(map[string]string)
			for _, l := range report.Unmet() {
				unmet[l.Name] = l.Found + " / " + l.Mend
			}
			if android == simulated.Android9 {
				delete(unmet, "do_not_disturb") // which the shell may not switch there
			}
			if len(unmet) > 0 {
				t.Errorf("Android %d: unmet after Apply: %v", android, unmet)
			}
			if len(report.Apps) == 0 || report.Identity.Build == "" || report.Identity.SecurityPatch == "" {
				t.Errorf("Android %d: identity %+v, apps %v", android, report.Identity, report.Apps)
			}
			// The truth, not a reading: what the panel itself shows.
			if got := h.LuminanceNow(); math.Abs(got-300) > 5 {
				t.Errorf("Android %d, brightness up to %d: the panel shows %.1f cd/m², want 300", android, brightnessMax, got)
			}
			if lines, err := preconditions.Watch(t.Context(), h, facts, preconditions.DefaultSet()); err != nil {
				t.Errorf("Android %d: Watch = %v", android, err)
			} else {
				drift := verdicts(lines, preconditions.Met)
				maps.DeleteFunc(drift, func(_, found string) bool {
					return strings.HasPrefix(found, string(preconditions.CannotRead)) || android == simulated.Android9 && strings.HasSuffix(found, "off")
				})
				if len(drift) > 0 {
					t.Errorf("Android %d: drift right after Apply: %v", android, drift)
				}
			}

			if _, err := preconditions.Restore(t.Context(), h, changes); err != nil {
				t.Errorf("Android %d: Restore = %v", android, err)
			}
			after := everySetting(t, h)
			// The system keeps the fraction that belongs to the brightness setting by itself.
			for _, m := range []map[string]string{before, after} {
				delete(m, "system screen_brightness_float")
			}
			if diff := cmp.Diff(before, after); diff != "" {
				t.Errorf("Android %d: settings after Restore (-before +after):\n%s", android, diff)
			}
		}
	}
}

func TestSimulatedFaultsAreSaid(t *testing.T) {
	tests := []struct {
		name    string
		options simulated.Options
		fault   func(*simulated.Handset)
		line    string
		verdict preconditions.Verdict
		found   string
	}{
		{"input refused", simulated.Options{}, func(h *simulated.Handset) { h.RefuseInput(true) }, "shell_permission", preconditions.NotMet, "SecurityException"},
		{"settings refused", simulated.Options{}, func(h *simulated.Handset) { h.RefuseSettings(true) }, "shell_permission", preconditions.NotMet, "SecurityException"},
		{"a PIN", simulated.Options{Lock: simulated.SecureLock}, func(*simulated.Handset) {}, "keyguard", preconditions.NotMet, "on"},
		{"a dialog", simulated.Options{Android: simulated.Android9}, func(h *simulated.Handset) { show(t, h); h.Dialog() }, "on_top", preconditions.Met, "nothing"},
		{"a dialog that no key reaches", simulated.Options{}, func(h *simulated.Handset) { show(t, h); h.Dialog(); h.RefuseInput(true) }, "on_top", preconditions.NotMet, "a dialog of the system's (com.android.systemui/"},
		{"a call that rings", simulated.Options{}, func(h *simulated.Handset) { h.Ring() }, "on_top", preconditions.NotMet, "a telephone call rings"},
		{"a call that is up", simulated.Options{Android: simulated.Android16}, func(h *simulated.Handset) { h.Ring(); run(t, h, "input keyevent 5") }, "on_top", preconditions.NotMet, "a telephone call is up"},
		{"the lock screen is another's", simulated.Options{Lock: simulated.SecureLock}, func(*simulated.Handset) {}, "on_top", preconditions.Met, "nothing"},
		{"a setting that is ignored", simulated.Options{}, func(h *simulated.Handset) { h.IgnoreSetting("system", "screen_brightness", true) }, "luminance", preconditions.NotMet, "cd/m²"},
		{"plugged in", simulated.Options{}, func(h *simulated.Handset) { h.Plug(true) }, "on_battery", preconditions.NotMet, "off: powered by AC"},
		{"Wi-Fi lost", simulated.Options{}, func(h *simulated.Handset) { h.LoseWiFi() }, "wifi_signal", preconditions.NotMet, "not connected"},
		{"warnings and carriage returns", simulated.Options{}, func(h *simulated.Handset) {
			h.CarriageReturns(true)
			h.WarnFirst("WARNING: linker: unused DT entry")
		}, "bluetooth", preconditions.Met, "off"},
		{"no exit codes", simulated.Options{NoShellV2: true}, func(*simulated.Handset) {}, "location", preconditions.Met, "off"},
		{"doubled keys", simulated.Options{Battery: simulated.DoubledKey}, func(*simulated.Handset) {}, "start_level", preconditions.Met, "95 %"},
		{"a section before", simulated.Options{Battery: simulated.SectionBefore}, func(*simulated.Handset) {}, "start_level", preconditions.Met, "95 %"},
		{"trailing lines", simulated.Options{Battery: simulated.TrailingLines}, func(*simulated.Handset) {}, "start_level", preconditions.Met, "95 %"},
		{"an extra line", simulated.Options{Battery: simulated.ExtraCurrentLine}, func(*simulated.Handset) {}, "start_level", preconditions.Met, "95 %"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			h, facts := shelf(t, tt.options)
			tt.fault(h)
			report, err := preconditions.Apply(t.Context(), h, facts, preconditions.DefaultSet(), func(preconditions.Change) error { return nil })
			if err != nil {
				t.Fatal(err)
			}
			for _, l := range report.Lines {
				if l.Name == tt.line && (l.Verdict != tt.verdict || !strings.Contains(l.Found, tt.found)) {
					t.Errorf("%+v, want verdict %q and found with %q", l, tt.verdict, tt.found)
				}
			}
		})
	}
}

func TestSimulatedDriftIsSeen(t *testing.T) {
	h, facts := shelf(t, simulated.Options{Android: simulated.Android14})
	set := preconditions.DefaultSet()
	if _, err := preconditions.Apply(t.Context(), h, facts, set, func(preconditions.Change) error { return nil }); err != nil {
		t.Fatal(err)
	}
	h.SetBatterySaver(true)
	h.DimAbove(-40, 0.5) // a handset that dims itself, here at any temperature
	h.LoseWiFi()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for {
		lines, err := preconditions.Watch(ctx, h, facts, set)
		if err != nil {
			t.Fatalf("drift was not seen: %v", err)
		}
		drift := verdicts(lines, preconditions.Met)
		if drift["battery_saver"] != "" && strings.HasSuffix(drift["wifi"], "not connected") && strings.HasPrefix(drift["luminance"], "not met") {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// The session's link fails in the middle: the error is the link's, and what was changed
// until then has been recorded.
func TestSimulatedLinkLossIsAnError(t *testing.T) {
	h, facts := shelf(t, simulated.Options{Android: simulated.Android14})
	h.LoseLink()
	if _, err := preconditions.Check(t.Context(), h, facts, preconditions.DefaultSet()); err == nil {
		t.Error("Check over a lost link gave a report")
	}
	h.RestoreLink()
	var changes []preconditions.Change
	_, err := preconditions.Apply(t.Context(), h, facts, preconditions.DefaultSet(), func(c preconditions.Change) error {
		changes = append(changes, c)
		if len(changes) == 4 {
			h.LoseLink()
		}
		return nil
	})
	if err == nil || len(changes) < 4 {
		t.Errorf("Apply = %v after %d changes", err, len(changes))
	}
	h.RestoreLink()
	if _, err := preconditions.Restore(t.Context(), h, changes); err != nil {
		t.Errorf("Restore = %v", err)
	}
}

// show wakes the handset and takes it to its home screen: a dialog behind a dark screen has
// no focus.
func show(t *testing.T, h *simulated.Handset) {
	t.Helper()
	run(t, h, "input keyevent 224; wm dismiss-keyguard")
}

func run(t *testing.T, h *simulated.Handset, command string) {
	t.Helper()
	if _, err := devices.Run(t.Context(), h, command); err != nil {
		t.Fatal(err)
	}
}
