package preconditions

import (
	"regexp"
	"strings"

	"rundown/devices"
)

// nothing is the one thing that a plan may want on top.
const nothing = "nothing"

var (
	// mCurrentFocus=Window{7ba82b1 u0 PACKAGE/ACTIVITY}, one a display; null between two
	// windows, and while the screen is off.
	focusLine = regexp.MustCompile(`(?m)^\s*mCurrentFocus=(.*?)\s*$`)
	focusName = regexp.MustCompile(`^Window\{[0-9a-f]+ (?:u\d+ )?(.+)\}$`)
	// mCallState=0, 1 or 2, idle, ringing or off the hook, once a phone.
	callLine = regexp.MustCompile(`(?m)^\s*mCallState=(\d)\s*$`)
)

// onTopState says what lies over what a scenario would start: a call, or a window of the
// system's that another app's start does not put away.
func onTopState(r *readings) state {
	windows, _ := r.text(devices.ReadWindows)
	calls, _ := r.text(devices.ReadCalls)
	return judgeTop(windows, calls)
}

// judgeTop does so from what the handset printed. What it does not say stops no run: of a
// handset that names no focus, the evidence shows what is in front.
func judgeTop(windows, calls string) state {
	states := callLine.FindAllStringSubmatch(calls, -1)
	call := ""
	for _, m := range states {
		switch {
		case m[1] == "2":
			call = "a telephone call is up"
		case m[1] == "1" && call == "":
			call = "a telephone call rings"
		}
	}
	if call != "" {
		return state{choice: "a call", text: call}
	}
	focused := focusLine.FindAllStringSubmatch(windows, -1)
	for _, m := range focused {
		if name, ok := match(focusName, m[1]); ok { // else null
			if what := dialogOf(name); what != "" {
				return state{choice: "a dialog", text: what}
			}
		}
	}
	switch {
	case len(focused) == 0:
		return state{choice: nothing, text: "nothing that can be seen: the handset does not say which window has the focus"}
	case len(states) == 0:
		return state{choice: nothing, text: "nothing that can be seen: the handset does not say whether a call is up"}
	}
	return state{choice: nothing}
}

// dialogOf says what a window with the focus is when it is a dialog of the system's, or "".
// The windows of apps are none: whatever is started comes before them. Nor are the status bar
// and the notification shade, which the lock screen lies in and which close by themselves
// when something is started.
func dialogOf(name string) string {
	for begin, what := range map[string]string{
		"Application Error: ":          "an app has crashed and its dialog is open",
		"Application Not Responding: ": "an app does not answer and its dialog is open",
	} {
		if app, ok := strings.CutPrefix(name, begin); ok {
			return what + " (" + app + ")"
		}
	}
	owner, _, isActivity := strings.Cut(name, "/")
	if !isActivity {
		return ""
	}
	switch {
	case owner == "com.android.systemui", owner == "android":
		return "a dialog of the system's (" + name + ")"
	case strings.HasSuffix(owner, ".permissioncontroller"), strings.HasSuffix(owner, ".packageinstaller"):
		return "a question for a permission (" + name + ")"
	}
	return ""
}

// leaveDialog presses the keys that close most dialogs. A call is never ended by a command:
// whoever is on it may need it.
func leaveDialog(r *readings, found state, _ Want) ([]step, string) {
	if found.choice != "a dialog" {
		return nil, ""
	}
	s := r.do(devices.LeaveDialog, devices.GoHome, found.text)
	s.press = true
	return []step{s}, ""
}
