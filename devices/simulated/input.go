package simulated

import (
	"math"
	"strconv"
	"strings"
	"time"
)

const refusedInput = `java.lang.SecurityException: Injecting input events requires the caller (or the source of the instrumentation, if any) to have the INJECT_EVENTS permission.
	at android.os.Parcel.createExceptionOrNull(Parcel.java:3057)
	at com.android.server.input.InputShellCommand.onCommand(InputShellCommand.java:122)
`

// keyNumbers are the keys that the handset knows by name; any may be given by number.
var keyNumbers = map[string]int{
	"HOME": 3, "BACK": 4, "CALL": 5, "ENDCALL": 6, "DPAD_UP": 19, "DPAD_DOWN": 20, "DPAD_LEFT": 21, "DPAD_RIGHT": 22, "DPAD_CENTER": 23,
	"VOLUME_UP": 24, "VOLUME_DOWN": 25, "POWER": 26, "CAMERA": 27, "TAB": 61, "SPACE": 62, "ENTER": 66, "DEL": 67, "FOCUS": 80,
	"MENU": 82, "MEDIA_PLAY_PAUSE": 85, "MEDIA_STOP": 86, "MEDIA_NEXT": 87, "MEDIA_PREVIOUS": 88, "PAGE_UP": 92, "PAGE_DOWN": 93,
	"ESCAPE": 111, "MEDIA_PLAY": 126, "MEDIA_PAUSE": 127, "MUTE": 91, "VOLUME_MUTE": 164, "APP_SWITCH": 187, "SLEEP": 223, "WAKEUP": 224, "SOFT_SLEEP": 276,
}

var inputSources = map[string]bool{"touchscreen": true, "keyboard": true, "dpad": true, "mouse": true, "trackball": true, "touchpad": true, "stylus": true, "gamepad": true}

// input plays fingers and keys. Old systems start a virtual machine for each call, which
// takes most of a second and is a load of its own; later ones pass it to the system.
func input(h *Handset, c *call) int {
	if inputSources[c.arg(0)] {
		c = c.rest(1)
	}
	refused := false
	h.do(func() { refused = h.faults.inputRefused })
	if refused {
		return c.fail(255, "%s", refusedInput)
	}
	if !h.wait(c, h.toolDelay(30*time.Millisecond)) {
		return killed
	}
	switch c.arg(0) {
	case "tap":
		p, ok := numbers(c.args[1:], 2)
		if !ok {
			return c.fail(255, "Error: Invalid arguments for command: tap\n")
		}
		h.do(func() { h.tap(p[0], p[1]) })
	case "swipe", "draganddrop":
		p, ok := numbers(c.args[1:], 4)
		if !ok {
			return c.fail(255, "Error: Invalid arguments for command: %s\n", c.arg(0))
		}
		d := 300 * time.Millisecond
		if ms, ok := number(c.arg(5)); ok && ms >= 0 {
			d = time.Duration(ms * float64(time.Millisecond))
		}
		h.do(func() { h.swipe(p[0], p[1], p[2], p[3], d) })
		if !h.wait(c, d) {
			return killed
		}
	case "text":
		h.do(func() {
			h.screen.touched = h.age
			h.armScreen()
			h.burst(0.5, time.Duration(len(c.arg(1)))*50*time.Millisecond)
		})
	case "keyevent":
		return h.keyEvents(c.rest(1))
	case "roll", "press", "motionevent":
		h.do(func() { h.userTouch() })
	default:
		return c.fail(255, "Error: Unknown command: %s\nUsage: input [<source>] <command> [<arg>...]\n", c.arg(0))
	}
	return 0
}

func numbers(args []string, n int) ([]float64, bool) {
	if len(args) < n {
		return nil, false
	}
	v := make([]float64, n)
	for i := range v {
		f, ok := number(args[i])
		if !ok {
			return nil, false
		}
		v[i] = f
	}
	return v, true
}

func (h *Handset) keyEvents(c *call) int {
	long := false
	for _, word := range c.args {
		if word == "--longpress" {
			long = true
			continue
		}
		n, ok := keyNumbers[strings.TrimPrefix(strings.ToUpper(word), "KEYCODE_")]
		if !ok {
			var err error
			if n, err = strconv.Atoi(word); err != nil {
				return c.fail(255, "Error: Unknown keycode: %s\n", word)
			}
		}
		h.do(func() { h.key(n, long) })
	}
	return 0
}

// userTouch counts as the user being there, if the screen is on.
func (h *Handset) userTouch() {
	if h.screen.on {
		h.touch()
	}
}

func (h *Handset) tap(x, y float64) {
	h.userTouch()
	w, t := float64(h.opt.ScreenW), float64(h.opt.ScreenH)
	if !h.usable() || x < 0 || y < 0 || x >= w || y >= t {
		return
	}
	a := h.front()
	h.pressed(x, y)
	switch a.app.role {
	case roleDialog: // its one button is in the lower half
		if y > t/2 && math.Abs(x-w/2) < w/3 {
			h.leave(a)
		}
	case roleCamera: // the shutter is at the lower edge
		if y > 0.8*t && math.Abs(x-w/2) < w/10 {
			h.shutter(a)
		}
	}
	h.burst(0.5, 400*time.Millisecond)
	at := [2]float64{x / w, y / t}
	h.touchTab(a, at, at, 60*time.Millisecond)
}

// swipe moves a finger; what can scroll is drawn anew as long as it rolls.
func (h *Handset) swipe(x1, y1, x2, y2 float64, d time.Duration) {
	h.userTouch()
	if h.screen.on && h.screen.keyguard {
		if y1-y2 > float64(h.opt.ScreenH)/4 {
			h.unlock()
		}
		return
	}
	if !h.usable() || math.Hypot(x2-x1, y2-y1) < 10 {
		return
	}
	a := h.front()
	w := map[role]float64{roleHome: 0.7, roleBrowser: 1.25, roleOther: 0.6}[a.app.role]
	if a.tab != nil && a.tab.Activity() == "game" {
		w = 0.1 // it draws every frame anyway
	}
	h.burst(w, d+900*time.Millisecond)
	a.draws((d+900*time.Millisecond).Seconds()*h.refreshHz(), h.uptime())
	width, height := float64(h.opt.ScreenW), float64(h.opt.ScreenH)
	h.touchTab(a, [2]float64{x1 / width, y1 / height}, [2]float64{x2 / width, y2 / height}, d)
}

// touchTab hands a touch on to the page, if it wants to know.
func (h *Handset) touchTab(a *activity, from, to [2]float64, d time.Duration) {
	if t, ok := a.tab.(Toucher); ok && len(a.asks) == 0 {
		h.afterwards(func() { t.Touch(from, to, d) })
	}
}

// key is one key pressed. Only those that matter to a script do anything.
func (h *Handset) key(n int, long bool) {
	switch n {
	case 26: // POWER
		if h.screen.on {
			h.sleepNow()
		} else {
			h.wake()
		}
		return
	case 223, 276:
		h.sleepNow()
		return
	case 224:
		h.wake()
		return
	}
	h.userTouch()
	a := h.front()
	switch n {
	case 5: // CALL
		h.takeCall()
		return
	case 6: // ENDCALL
		if h.call != nil {
			h.endCall()
		} else {
			h.sleepNow()
		}
		return
	case 85, 86, 126, 127:
		h.mediaKey(n)
		return
	case 164:
		h.setVolume(3, 0)
		return
	}
	if !h.screen.on {
		return
	}
	if h.screen.keyguard {
		if n == 82 {
			h.unlock()
		}
		return
	}
	switch n {
	case 3:
		h.home()
	case 4, 111:
		h.leave(a)
	case 24, 25:
		if a.app.role == roleCamera {
			h.shutter(a)
			return
		}
		step := 1
		if n == 25 {
			step = -1
		}
		h.setVolume(3, h.volume(3)+step)
	case 27:
		if a.app.role == roleCamera {
			h.shutter(a)
			return
		}
		if long {
			app := h.appFor(roleCamera)
			h.bring(app, app.activities[0])
		}
	case 62, 66:
		if a.app.role == rolePlayer {
			h.playPause(a)
		}
		if a.app.role == roleDialog {
			h.leave(a)
		}
	case 92, 93:
		if a.app.role == roleBrowser {
			h.burst(1.25, 900*time.Millisecond)
			down := [2]float64{0.5, 0.8}
			up := [2]float64{0.5, 0.2}
			if n == 92 {
				down, up = up, down
			}
			h.touchTab(a, down, up, 200*time.Millisecond)
		}
	}
}

// mediaKey goes to the player, in front or not; one that is covered cannot go on.
func (h *Handset) mediaKey(n int) {
	for _, a := range h.tasks {
		if a.app.role != rolePlayer {
			continue
		}
		switch n {
		case 85:
			h.playPause(a)
		case 126:
			h.resumePlay(a)
		case 127:
			h.pausePlay(a)
		case 86:
			h.pausePlay(a)
			h.tell(a, playStopped)
		}
	}
}

// streamNames are the settings that keep each audio stream's volume.
var streamNames = map[int]string{0: "volume_voice", 1: "volume_system", 2: "volume_ring", 3: "volume_music", 4: "volume_alarm", 5: "volume_notification"}

var streamMost = map[int]int{0: 7, 1: 7, 2: 7, 3: 15, 4: 7, 5: 7}

func (h *Handset) volume(stream int) int {
	return h.settingInt(system, streamNames[stream], streamMost[stream]/2)
}

func (h *Handset) setVolume(stream, v int) {
	h.settings[system][streamNames[stream]] = strconv.Itoa(min(max(v, 0), streamMost[stream]))
}
