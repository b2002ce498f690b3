package preconditions

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestRegistryIsComplete(t *testing.T) {
	seen := make(map[string]bool)
	for _, e := range registry {
		if seen[e.Name] {
			t.Errorf("%s is there twice", e.Name)
		}
		seen[e.Name] = true
		switch {
		case e.About == "" || !strings.HasSuffix(e.About, "."):
			t.Errorf("%s: About %q is no sentence", e.Name, e.About)
		case e.state == nil:
			t.Errorf("%s cannot be read", e.Name)
		case e.Kind != AsFound && e.mend == nil:
			t.Errorf("%s does not say how to mend it", e.Name)
		case (e.set != nil) != (e.Mender == ByShell):
			t.Errorf("%s: mender %q, but set is there: %v", e.Name, e.Mender, e.set != nil)
		case (e.Kind == Number || e.Kind == Range) && (e.Min >= e.Max || e.Unit == ""):
			t.Errorf("%s: wants %v to %v %q", e.Name, e.Min, e.Max, e.Unit)
		case e.Kind == Choice && len(e.Choices) == 0:
			t.Errorf("%s: choices %q", e.Name, e.Choices)
		case e.Everyday == nil:
			t.Errorf("%s is missing in the everyday set", e.Name)
		case strings.Contains(e.About, "!") || strings.ToLower(e.Name) != e.Name || strings.ContainsAny(e.Name, " -"):
			t.Errorf("%s: name or text out of style", e.Name)
		}
		if _, err := e.Want(e.Everyday); err != nil {
			t.Errorf("%s: its own default is refused: %v", e.Name, err)
		}
	}
	set := DefaultSet()
	if len(set.Wants) != len(registry) {
		t.Errorf("everyday set has %d wants, want %d", len(set.Wants), len(registry))
	}
	for _, w := range set.Wants {
		if err := w.check(); err != nil {
			t.Error(err)
		}
	}
}

func TestWant(t *testing.T) {
	tests := []struct {
		name, precondition string
		value              any
		want               Want
	}{
		{"a bool", "bluetooth", false, Want{Name: "bluetooth", On: new(false), Required: true, Watch: true}},
		{"a word", "bluetooth", "on", Want{Name: "bluetooth", On: new(true), Required: true, Watch: true}},
		{"how strictly", "bluetooth", map[string]any{"want": "off", "required": false, "watch": false}, Want{Name: "bluetooth", On: new(false)}},
		{"a number", "luminance", 300, Want{Name: "luminance", Value: new(300.0), Required: true, Watch: true}},
		{"a number with tolerances", "luminance", map[string]any{"want": 250.5, "within": 5, "drift_within": uint64(20)},
			Want{Name: "luminance", Value: new(250.5), Within: new(5.0), DriftWithin: new(20.0), Required: true, Watch: true}},
		{"a duration", "screen_timeout", "30m", Want{Name: "screen_timeout", Value: new(1800.0), Required: true}},
		{"a range", "start_level", map[string]any{"least": 60, "most": 80.5}, Want{Name: "start_level", Least: new(60.0), Most: new(80.5), Required: true}},
		{"half a range", "wifi_signal", map[string]any{"least": int64(-60), "required": true}, Want{Name: "wifi_signal", Least: new(-60.0), Required: true}},
		{"a choice", "rotation", "landscape", Want{Name: "rotation", Choice: "landscape", Required: true, Watch: true}},
		{"a bare off that became false", "do_not_disturb", false, Want{Name: "do_not_disturb", Choice: "off", Required: true, Watch: true}},
		{"as found", "luminance", "as found", Want{Name: "luminance", AsFound: true}},
		{"as found below want", "luminance", map[string]any{"want": "as found"}, Want{Name: "luminance", AsFound: true}},
		{"as found of what is recorded only", "font_scale", "as found", Want{Name: "font_scale", AsFound: true}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, ok := Lookup(tt.precondition)
			if !ok {
				t.Fatalf("no precondition %q", tt.precondition)
			}
			got, err := s.Want(tt.value)
			if err != nil {
				t.Fatalf("Want(%v) = %v", tt.value, err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("Want(%v) (-want +got):\n%s", tt.value, diff)
			}
		})
	}
}

func TestWantRefuses(t *testing.T) {
	tests := []struct {
		precondition string
		value        any
		key, msg     string
	}{
		{"bluetooth", 1, "", `want on, off or "as found"; got 1`},
		{"bluetooth", nil, "", `want on, off or "as found"; got nothing`},
		{"bluetooth", map[string]any{"required": true}, "", `key "want" is missing: want on, off or "as found"`},
		{"bluetooth", map[string]any{"want": true, "required": "yes"}, "required", `want true or false; got "yes"`},
		{"luminance", 0, "", "want 1 to 10000 cd/m²; got 0"},
		{"luminance", math.NaN(), "", "want 1 to 10000 cd/m²; got NaN"},
		{"luminance", "bright", "", `want 1 to 10000 cd/m²; got "bright"`},
		{"luminance", map[string]any{"want": 300, "witin": 3}, "witin", "unknown key; want want, within, drift_within, required, watch"},
		{"luminance", map[string]any{"want": 300, "within": 30, "drift_within": 3}, "drift_within", "want no less than within, 30; got 3"},
		{"screen_timeout", "soon", "", `want 1 to 2147483 s, or a duration such as 30m; got "soon"`},
		{"start_level", 90, "", `want a mapping with least, most or both, 0 to 100 %, or "as found"; got 90`},
		{"start_level", map[string]any{}, "", "want least, most or both, 0 to 100 %"},
		{"start_level", map[string]any{"least": 101}, "least", "want 0 to 100 %; got 101"},
		{"start_level", map[string]any{"least": 90, "most": 80}, "least", "want no more than most, 80; got 90"},
		{"rotation", "sideways", "", `want portrait, landscape, automatic or "as found"; got "sideways"`},
		{"rotation", []any{"portrait"}, "", `want portrait, landscape, automatic or "as found"; got a list`},
		{"font_scale", 1.0, "", `want "as found", since it is recorded only; got 1`},
	}
	for _, tt := range tests {
		t.Run(tt.precondition+" "+show(tt.value), func(t *testing.T) {
			s, ok := Lookup(tt.precondition)
			if !ok {
				t.Fatalf("no precondition %q", tt.precondition)
			}
			_, err := s.Want(tt.value)
			var fault *WantError
			if !errors.As(err, &fault) {
				t.Fatalf("Want(%v) = %v, want a WantError", tt.value, err)
			}
			if fault.Name != tt.precondition || fault.Key != tt.key || fault.Msg != tt.msg {
				t.Errorf("Want(%v) = %q %q %q, want key %q: %q", tt.value, fault.Name, fault.Key, fault.Msg, tt.key, tt.msg)
			}
		})
	}
}

func TestNewSetOrdersAndRefuses(t *testing.T) {
	b, _ := Lookup("bluetooth")
	l, _ := Lookup("link")
	wb, _ := b.Want(true)
	wl, _ := l.Want("any")
	set, err := NewSet("two", wb, wl)
	if err != nil || len(set.Wants) != 2 || set.Wants[0].Name != "link" {
		t.Errorf("NewSet = %+v, %v, want link before bluetooth", set, err)
	}
	if _, err := NewSet("twice", wb, wb); err == nil || !strings.Contains(err.Error(), "bluetooth is given twice") {
		t.Errorf("NewSet with one twice = %v", err)
	}
	if _, err := NewSet("unknown", Want{Name: "blutooth"}); err == nil || !strings.Contains(err.Error(), `no precondition "blutooth"`) {
		t.Errorf("NewSet of an unknown = %v", err)
	}
	over, err := DefaultSet().With(wb)
	if err != nil || len(over.Wants) != len(registry) {
		t.Fatalf("With = %d wants, %v", len(over.Wants), err)
	}
	for _, w := range over.Wants {
		if w.Name == "bluetooth" && !*w.On {
			t.Error("With did not replace bluetooth")
		}
	}
}

// FuzzParseSettings: what a phone lists comes back as it was, whatever else is printed
// between, and a value never becomes a key.
func FuzzParseSettings(f *testing.F) {
	f.Add("wifi_on", "1", "noise")
	f.Add("a", "b=c", "x=1")
	f.Add("screen_brightness", "", "\r")
	f.Fuzz(func(t *testing.T, k, v, noise string) {
		if settingLine.FindStringSubmatch(k+"=x") == nil || strings.ContainsAny(k+v+noise, "\r\n=") {
			return
		}
		got := parseSettings(noise + "\n" + k + "=" + v + "\r\n" + noise + "\n" + k + "=later\n")
		if len(got) != 1 || got[k] != v {
			t.Errorf("parseSettings of %q=%q = %q", k, v, got)
		}
	})
}

// FuzzStates: whatever a phone prints, each precondition is read, or cannot be with a
// reason; a number read is one; and a verdict of met is never given without a reading.
func FuzzStates(f *testing.F) {
	p := &fakePhone{settings: map[string]string{}}
	for _, d := range []string{"power", "display", "wifi", "nfc", "content", "activity activities"} {
		f.Add(p.dump(strings.Split(d, " ")), "1", 34)
	}
	f.Add("Volume is 5 in range [0..15]", "4294967296", 30)
	f.Add("mBrightnessState=0.5 mScreenOffTimeoutSetting=99999999999999999999", "-1", 28)
	f.Fuzz(func(t *testing.T, text, setting string, sdk int) {
		r := fuzzReadings(text, setting, sdk)
		for _, e := range registry {
			w, _ := e.Want(e.Everyday)
			line, s := e.judge(r, w, false)
			if s.unread != "" && (line.Verdict != CannotRead || line.Found == "") {
				t.Errorf("%s: unread %q, but verdict %q found %q", e.Name, s.unread, line.Verdict, line.Found)
			}
			if math.IsNaN(s.value) || math.IsInf(s.value, 1) {
				t.Errorf("%s: value %v", e.Name, s.value)
			}
			if line.Verdict == Met && line.Found == "" && e.Kind != AsFound {
				t.Errorf("%s: met, but nothing found", e.Name)
			}
			if (line.Verdict == Met) != (line.Mend == "") && !w.AsFound && e.Kind != AsFound {
				t.Errorf("%s: verdict %q with mend %q", e.Name, line.Verdict, line.Mend)
			}
			steps, _ := e.plan(r, s, w, line)
			for _, st := range steps {
				if st.undo == "" || st.before == "" || len(st.ways) == 0 {
					t.Errorf("%s: step %+v is not complete", e.Name, st)
				}
			}
		}
	})
}
