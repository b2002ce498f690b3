package preconditions

import (
	"strings"
	"testing"

	"rundown/devices"
)

// What Android versions print of the focus and of calls; names invented.
func TestOnTop(t *testing.T) {
	const idle = "last known state:\n  Phone Id=0\n    mCallState=0\n    mRingingCallState=0\n  Phone Id=1\n    mCallState=0\n"
	tests := []struct {
		name, windows, calls string
		choice, said         string
	}{
		{"an app", "  mCurrentFocus=Window{7ba82b1 u0 org.example.reader/org.example.reader.MainActivity}\n", idle, "nothing", ""},
		{"the home screen, two displays", "  mCurrentFocus=null\r\n  mCurrentFocus=Window{7ba82b1 u0 org.example.home/.Home}\r\n", idle, "nothing", ""},
		{"a screen that is off", "  mCurrentFocus=null\n", idle, "nothing", ""},
		{"the lock screen, older", "  mCurrentFocus=Window{7ba82b1 u0 StatusBar}\n", idle, "nothing", ""},
		{"the lock screen", "  mCurrentFocus=Window{7ba82b1 u0 NotificationShade}\n", idle, "nothing", ""},
		{"a menu of an app", "  mCurrentFocus=Window{7ba82b1 u0 PopupWindow:1f2e3d}\n", idle, "nothing", ""},
		{"an app does not answer", "  mCurrentFocus=Window{7ba82b1 u0 Application Not Responding: org.example.reader}\n", idle, "a dialog", "an app does not answer and its dialog is open (org.example.reader)"},
		{"an app has crashed", "  mCurrentFocus=Window{7ba82b1 u0 Application Error: org.example.reader}\n", idle, "a dialog", "an app has crashed"},
		{"a permission", "  mCurrentFocus=Window{7ba82b1 u0 com.android.permissioncontroller/com.android.permissioncontroller.permission.ui.GrantPermissionsActivity}\n", idle, "a dialog", "a question for a permission"},
		{"a choice of apps", "  mCurrentFocus=Window{7ba82b1 u0 android/com.android.internal.app.ResolverActivity}\n", idle, "a dialog", "a dialog of the system's"},
		{"a call that rings on the second SIM", "  mCurrentFocus=null\n", strings.Replace(idle, "Phone Id=1\n    mCallState=0", "Phone Id=1\n    mCallState=1", 1), "a call", "a telephone call rings"},
		{"a call that is up", "  mCurrentFocus=null\n", strings.Replace(idle, "mCallState=0", "mCallState=2", 1), "a call", "a telephone call is up"},
		{"no word of the focus", "WINDOW MANAGER\n", idle, "nothing", "does not say which window has the focus"},
		{"no telephone", "  mCurrentFocus=null\n", "", "nothing", "does not say whether a call is up"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := judgeTop(tt.windows, tt.calls)
			if s.choice != tt.choice || !strings.Contains(s.text, tt.said) || s.unread != "" {
				t.Errorf("%+v, want %q with %q", s, tt.choice, tt.said)
			}
		})
	}
	if steps, _ := leaveDialog(&readings{flavour: devices.Flavour{SDK: 34}}, state{choice: "a call"}, Want{}); len(steps) > 0 {
		t.Errorf("a call is ended by %+v", steps)
	}
}

func FuzzOnTop(f *testing.F) {
	f.Add("  mCurrentFocus=Window{7ba82b1 u0 org.example/.Main}\n", "  mCallState=2\n")
	f.Add("mCurrentFocus=Window{", "mCallState=")
	f.Fuzz(func(t *testing.T, windows, calls string) {
		if s := judgeTop(windows, calls); s.choice != "nothing" && s.choice != "a dialog" && s.choice != "a call" || s.choice != "nothing" && s.text == "" {
			t.Errorf("%+v", s)
		}
	})
}
