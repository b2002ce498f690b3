package simulated

import (
	"fmt"
	"path"
	"strconv"
	"strings"
	"time"
)

// An intent is what am start asks for.
type intent struct {
	action, data, kind, component, pkg string
	categories                         []string
	wait, stop                         bool
}

// parseIntent reads the words after am start.
func parseIntent(args []string) (intent, error) {
	var in intent
	for i := 0; i < len(args); i++ {
		word := args[i]
		value := func() string {
			i++
			if i < len(args) {
				return args[i]
			}
			return ""
		}
		switch word {
		case "-W":
			in.wait = true
		case "-S":
			in.stop = true
		case "-a":
			in.action = value()
		case "-d":
			in.data = value()
		case "-t":
			in.kind = value()
		case "-c":
			in.categories = append(in.categories, value())
		case "-n":
			in.component = value()
		case "-p":
			in.pkg = value()
		case "-f", "--user", "--display", "--windowingMode", "-R", "--task":
			value()
		case "--es", "-e", "--ei", "--ez", "--el", "--ef", "--eu", "--ecn", "--eia", "--esa":
			value()
			value()
		case "--esn":
			value()
		default:
			switch {
			case strings.HasPrefix(word, "-"): // --grant-read-uri-permission, --activity-clear-top, ...
				if !strings.HasPrefix(word, "--") && word != "-D" && word != "-N" {
					return in, fmt.Errorf("unknown option: %s", word)
				}
			case strings.Contains(word, ":"):
				in.data = word
			case strings.Contains(word, "/"):
				in.component = word
			default:
				in.pkg = word
			}
		}
	}
	if in.action == "" && in.data != "" {
		in.action = "android.intent.action.VIEW"
	}
	return in, nil
}

// String is how am prints the intent that it starts.
func (in intent) String() string {
	var b []string
	if in.action != "" {
		b = append(b, "act="+in.action)
	}
	if len(in.categories) > 0 {
		b = append(b, "cat=["+strings.Join(in.categories, ",")+"]")
	}
	if in.data != "" {
		shown := in.data
		if scheme, _, ok := strings.Cut(in.data, "://"); ok && strings.HasPrefix(scheme, "http") {
			shown = in.data[:min(len(in.data), 40)] + "..."
		}
		b = append(b, "dat="+shown)
	}
	if in.kind != "" {
		b = append(b, "typ="+in.kind)
	}
	if in.pkg != "" {
		b = append(b, "pkg="+in.pkg)
	}
	if in.component != "" {
		b = append(b, "cmp="+in.component)
	}
	return "Intent { " + strings.Join(b, " ") + " }"
}

// resolve finds the activity that answers an intent.
func (h *Handset) resolve(in intent) (*App, string, bool) {
	if in.component != "" {
		pkg, class, _ := strings.Cut(in.component, "/")
		app := h.appOf(pkg)
		if app == nil {
			return nil, "", false
		}
		class, ok := app.class(class)
		return app, class, ok
	}
	r, class := roleOther, ""
	scheme, _, _ := strings.Cut(in.data, ":")
	switch in.action {
	case "android.intent.action.VIEW":
		switch {
		case isClip(in):
			r = rolePlayer
		case scheme == "http" || scheme == "https" || scheme == "about":
			r = roleBrowser
		case scheme == "tel":
			r = roleDialer
		}
	case "android.media.action.STILL_IMAGE_CAMERA", "android.media.action.STILL_IMAGE_CAMERA_SECURE", "android.media.action.IMAGE_CAPTURE":
		r = roleCamera
	case "android.media.action.VIDEO_CAMERA", "android.media.action.VIDEO_CAPTURE":
		r, class = roleCamera, ".VideoCameraActivity"
	case "android.intent.action.CALL":
		r, class = roleDialer, ".InCallActivity"
	case "android.intent.action.DIAL":
		r = roleDialer
	case "android.settings.SETTINGS":
		if app := h.appOf("com.android.settings"); app != nil {
			return app, app.activities[0], true
		}
	case "android.intent.action.MAIN", "":
		for _, c := range in.categories {
			switch c {
			case "android.intent.category.HOME":
				r = roleHome
			case "android.intent.category.APP_BROWSER":
				r = roleBrowser
			}
		}
		if r == roleOther && in.pkg != "" {
			if app := h.appOf(in.pkg); app != nil && app.role != roleDialog {
				return app, app.activities[0], true
			}
		}
	}
	if r == roleOther {
		return nil, "", false
	}
	app := h.appFor(r)
	if in.pkg != "" {
		app = h.appOf(in.pkg)
		if app != nil && app.role != r {
			app = nil
		}
	}
	if app == nil {
		return nil, "", false
	}
	if class == "" {
		class = app.activities[0]
	}
	return app, class, true
}

func isClip(in intent) bool {
	if strings.HasPrefix(in.kind, "video/") {
		return true
	}
	if in.kind != "" {
		return false
	}
	if strings.HasPrefix(in.data, "content://media/") && strings.Contains(in.data, "/video/") {
		return true
	}
	switch strings.ToLower(path.Ext(in.data)) {
	case ".mp4", ".mkv", ".webm":
		return strings.HasPrefix(in.data, "file:")
	}
	return false
}

func am(h *Handset, c *call) int {
	switch c.arg(0) {
	case "start", "start-activity":
		return h.amStart(c.rest(1))
	case "force-stop":
		args := dropUser(c.args[1:])
		if len(args) == 0 {
			return c.fail(255, "Error: Argument expected after \"force-stop\"\n")
		}
		if !h.wait(c, h.toolDelay(80*time.Millisecond)) {
			return killed
		}
		h.do(func() { h.stopApp(args[0]) })
	case "kill", "kill-all":
	case "broadcast":
		return h.amBroadcast(c.rest(1))
	case "set-standby-bucket":
		if len(c.args) != 3 {
			return c.fail(255, "Error: Argument expected\n")
		}
		n, ok := map[string]int{"active": 10, "working_set": 20, "frequent": 30, "rare": 40, "restricted": 45}[c.args[2]]
		if !ok {
			return c.fail(255, "Error: unknown bucket %s\n", c.args[2])
		}
		h.do(func() { h.buckets[c.args[1]] = n })
	case "get-standby-bucket":
		return h.show(c, func(p *page) {
			n, ok := h.buckets[c.arg(1)]
			if !ok {
				n = 10
			}
			p.line("%d", n)
		})
	case "get-current-user":
		c.say("0\n")
	default:
		return c.fail(255, "Unknown command: %s\n", c.arg(0))
	}
	return 0
}

func (h *Handset) amStart(c *call) int {
	in, err := parseIntent(c.args)
	if err != nil {
		return c.fail(255, "Error: %v\n", err)
	}
	c.say("Starting: %v\n", in)
	if !h.wait(c, h.toolDelay(60*time.Millisecond)) {
		return killed
	}
	var (
		missing, delivered, broughtUp, emergency bool
		state                                    string
		started                                  *activity
		ran                                      time.Duration
		name                                     string
	)
	h.do(func() {
		app, class, ok := h.resolve(in)
		if !ok {
			missing = true
			return
		}
		if in.stop {
			h.stopApp(app.Package)
		}
		before := h.front()
		state, ran = "COLD", 620*time.Millisecond
		switch {
		case before.app == app:
			state, ran = "HOT", 0
			delivered = in.data != "" || before.class != class
			broughtUp = !delivered
		case h.hasTask(app):
			state, ran = "HOT", 110*time.Millisecond
			broughtUp = in.data == ""
		case h.running[app.Package]:
			state, ran = "WARM", 260*time.Millisecond
		}
		emergency = in.action == "android.intent.action.CALL" && isEmergency(in.data)
		if emergency {
			class = app.activities[0] // shown in the dialer, and never called
		}
		h.screen.touched = h.age
		started = h.bring(app, class)
		name = started.name()
		switch app.role {
		case roleBrowser:
			if in.data != "" {
				h.openURL(started, in.data)
			}
		case rolePlayer:
			if in.data != "" {
				h.openClip(started, in.data)
			}
		case roleDialer:
			if in.action == "android.intent.action.CALL" && !emergency {
				h.placeCall(started, strings.TrimPrefix(in.data, "tel:"))
			}
		}
	})
	if missing {
		return h.amMissing(c, in)
	}
	switch {
	case delivered:
		c.say("Warning: Activity not started, intent has been delivered to currently running top-most instance.\n")
	case broughtUp:
		c.say("Warning: Activity not started, its current task has been brought to the front\n")
	}
	if !in.wait {
		return 0
	}
	if !h.wait(c, ran) {
		return killed
	}
	ms := ran.Milliseconds()
	c.say("Status: ok\n")
	if !h.ways.thisTime {
		c.say("LaunchState: %s\n", launchState(state))
	}
	c.say("Activity: %s\n", name)
	if h.ways.thisTime {
		c.say("ThisTime: %d\n", ms)
	}
	c.say("TotalTime: %d\nWaitTime: %d\nComplete\n", ms, ms+12)
	return 0
}

func launchState(s string) string {
	return s + " (" + strconv.Itoa(map[string]int{"COLD": 1, "WARM": 2, "HOT": 3}[s]) + ")"
}

func (h *Handset) hasTask(app *App) bool {
	for _, a := range h.tasks {
		if a.app == app {
			return true
		}
	}
	return false
}

// amMissing says that nothing answers the intent. Old systems end with 0 all the same.
func (h *Handset) amMissing(c *call, in intent) int {
	code := 1
	if h.ways.errorsExitZero {
		code = 0
	}
	if in.component != "" {
		fmt.Fprintf(c.err, "Error type 3\nError: Activity class {%s} does not exist.\n", in.component)
		return code
	}
	fmt.Fprintf(c.err, "Error: Activity not started, unable to resolve %v\n", in)
	return code
}

func (h *Handset) amBroadcast(c *call) int {
	in, err := parseIntent(c.args)
	if err != nil {
		return c.fail(255, "Error: %v\n", err)
	}
	c.say("Broadcasting: %v\n", in)
	if !h.wait(c, h.toolDelay(60*time.Millisecond)) {
		return killed
	}
	switch in.action {
	case "android.intent.action.AIRPLANE_MODE", "android.intent.action.BATTERY_CHANGED", "android.intent.action.BOOT_COMPLETED":
		return c.fail(255, "Security exception: Permission Denial: not allowed to send broadcast %s from pid=%d, uid=2000\n", in.action, 4242)
	case "android.intent.action.MEDIA_SCANNER_SCAN_FILE":
		if h.ways.scanByBroadcast {
			h.scan()
		}
	}
	c.say("Broadcast completed: result=0\n")
	return 0
}
