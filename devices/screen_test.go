package devices_test

import (
	"context"
	"testing"

	"rundown/devices"
)

// A saying link answers each command with the same and keeps what it was asked.
type sayingLink struct {
	devices.Link
	says  devices.Output
	asked string
}

func (l *sayingLink) Shell(_ context.Context, command string) (devices.Output, error) {
	l.asked = command
	return l.says, nil
}

// A handset's screen settings come with the commands that put them back; what was never set is taken
// away again, and what is not understood is said.
func TestScreenSettingsComeWithTheirWayBack(t *testing.T) {
	for says, want := range map[string][2]string{
		"30000\n102\n1\n": {
			"screen_off_timeout=30000, screen_brightness=102, screen_brightness_mode=1",
			"settings put system screen_off_timeout '30000'; settings put system screen_brightness '102'; settings put system screen_brightness_mode '1'",
		},
		"null\n0.4\nnull\n": {
			"screen_brightness=0.4",
			"settings delete system screen_off_timeout; settings put system screen_brightness '0.4'; settings delete system screen_brightness_mode",
		},
		"30000\n102\n":                {},
		"Failure calling service\n x": {},
	} {
		l := &sayingLink{says: devices.Output{Stdout: says, ExitKnown: true}}
		before, undo, err := devices.ReadScreenSettings(t.Context(), l)
		if before != want[0] || undo != want[1] || (err == nil) != (want[0] != "") {
			t.Errorf("%q: %q, %q, %v; want %q, %q", says, before, undo, err, want[0], want[1])
		}
	}
}

// What comes from elsewhere reaches a command line quoted, and a command that fails is an error.
func TestWhatIsAskedOfTheScreenIsQuoted(t *testing.T) {
	l := &sayingLink{says: devices.Output{ExitKnown: true}}
	if err := devices.OpenPage(t.Context(), l, "org.example.browser", "http://a/?b='c'&d"); err != nil {
		t.Fatal(err)
	}
	want := `input keyevent 224; wm dismiss-keyguard; am start -a android.intent.action.VIEW -d 'http://a/?b='\''c'\''&d' 'org.example.browser'`
	if l.asked != want {
		t.Errorf("asked %q, want %q", l.asked, want)
	}
	if err := devices.RemoveFile(t.Context(), l, "/sdcard/a b"); err != nil || l.asked != "rm -f '/sdcard/a b'" {
		t.Errorf("asked %q, %v", l.asked, err)
	}
	l.says = devices.Output{Stderr: "Killed", ExitKnown: true, ExitCode: 137}
	if err := devices.DarkenScreen(t.Context(), l); err == nil {
		t.Error("a command that failed is no error")
	}
	if names, err := devices.ListFolder(t.Context(), l, "/x"); err == nil {
		t.Errorf("a listing that failed has %v", names)
	}
}
