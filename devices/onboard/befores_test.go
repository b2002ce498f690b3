package onboard

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
)

func kept(text string) *string { return &text }

// someBefores are invented, with values that a shell would take for something else.
var someBefores = Befores{ID: "b20300514-1", List: []Before{
	{Setting: "system screen_brightness", Was: kept("102"), For: "luminance", Daemon: "d1", At: time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)},
	{Setting: "global low_power_sticky", For: "battery_saver", Daemon: "d2", At: time.Date(2030, 5, 14, 21, 0, 1, 0, time.UTC)},
	{Setting: "secure odd.value", Was: kept(`it's "$(id)" \n 電 - `), For: "location", Daemon: "d2", At: time.Date(2030, 5, 14, 21, 0, 2, 0, time.UTC)},
	{Setting: "system font_scale", Was: kept(""), For: "font_scale", Daemon: "d1", At: time.Unix(0, 0).UTC()},
}}

func TestBeforesOnAHandset(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ctx := t.Context()
		read := func() Befores {
			t.Helper()
			b, err := ReadBefores(ctx, ph)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		if diff := cmp.Diff(Befores{}, read()); diff != "" {
			t.Errorf("on a new handset (-want +got):\n%s", diff)
		}
		for _, b := range []Befores{someBefores, {ID: "b2", List: someBefores.List[:1]}, {ID: "b2"}} {
			if err := WriteBefores(ctx, ph, b); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(b, read()); diff != "" {
				t.Errorf("read back (-want +got):\n%s", diff)
			}
		}
		if keys, err := List(ctx, ph); err != nil || len(keys) > 0 {
			t.Errorf("segments: %q, %v; want none", keys, err)
		}
		for name, tt := range map[string]struct {
			text string
			want Befores
		}{
			"cut short": {text: "b 1 b2\ns system screen_brightness =1 luminance d1 7"},
			"no check":  {text: "b 1 b2\ne 0 00000000 ."},
			"empty":     {text: ""},
			"later":     {text: "b 2 something that nobody knows yet", want: Befores{Future: true}},
		} {
			shell(t, ph, "echo "+devices.Quote(tt.text)+" >"+devices.Quote(beforesFile))
			if diff := cmp.Diff(tt.want, read()); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
		if err := DropBefores(ctx, ph); err != nil || read().ID != "" {
			t.Errorf("dropped: %v, %+v", err, read())
		}
	})
}

// What cannot be kept is refused before anything is written.
func TestBeforesThatCannotBeKept(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		for _, e := range []Before{
			{Setting: "system screen_brightness; id", For: "luminance", Daemon: "d1"}, {Setting: "screen_brightness", For: "luminance", Daemon: "d1"},
			{Setting: "system a", For: "two words", Daemon: "d1"}, {Setting: "system a", For: "luminance"}, {Setting: "system a", For: "luminance", Daemon: "d1", Was: kept(strings.Repeat("x", 300))},
		} {
			if err := WriteBefores(t.Context(), ph, Befores{ID: "b1", List: []Before{e}}); err == nil {
				t.Errorf("%+v was written", e)
			}
		}
		if b, err := ReadBefores(t.Context(), ph); err != nil || b.ID != "" {
			t.Errorf("on the handset: %+v, %v; want nothing", b, err)
		}
	})
}

// Whatever stands on a handset is a whole list or none, and names settings only.
func FuzzParseBefores(f *testing.F) {
	f.Add(strings.Join(someBefores.lines(), "\n"))
	f.Add(strings.Join(Befores{ID: "b2"}.lines(), "\n"))
	f.Add("b 9 later")
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		lines := strings.Split(text, "\n")
		b := parseBefores(lines)
		if b.ID == "" {
			if len(b.List) > 0 {
				t.Errorf("%q: no list, and %+v", text, b.List)
			}
			return
		}
		if diff := cmp.Diff(lines, b.lines()); diff != "" {
			t.Errorf("%q is written otherwise (-read +written):\n%s", text, diff)
		}
		for _, e := range b.List {
			if !IsSetting(e.Setting) {
				t.Errorf("%q is a setting", e.Setting)
			}
		}
	})
}
