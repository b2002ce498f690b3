package simulated

import (
	"slices"
	"strings"
	"time"
)

// A role is what an app is for.
type role int

const (
	roleOther role = iota
	roleHome
	roleBrowser
	rolePlayer
	roleCamera
	roleDialer
	roleDialog
)

// An App is a package that is installed on the handset. All are invented.
type App struct {
	Package     string
	Version     string   // as dumpsys package prints it
	VersionCode int      //
	PowerW      float64  // what it draws in front, beyond the screen
	FPS         float64  // frames a second that it draws in front
	Buttons     []string // words on its screen, one below the other, for who looks for them
	// OwnSurface is set where it draws on a surface of its own, as many games do: the frame
	// statistics of its windows then stand still.
	OwnSurface bool

	role       role
	activities []string // class names as the manifest has them, the first is the main one
	preset     bool     // part of the system, not listed by pm list packages -3
}

// invented apps: what any handset has, under names of our own.
func presetApps() []*App {
	return []*App{
		{Package: "com.example.launcher", Version: "4.1", VersionCode: 41, PowerW: 0.05, FPS: 1, role: roleHome, preset: true,
			activities: []string{".HomeActivity"}},
		{Package: "com.example.browser", Version: "117.0.2", VersionCode: 1170002, PowerW: 0.14, FPS: 2, role: roleBrowser, preset: true,
			activities: []string{".MainActivity"}},
		{Package: "com.example.player", Version: "2.8.0", VersionCode: 2080, PowerW: 0.10, FPS: 1, role: rolePlayer, preset: true,
			activities: []string{".PlayerActivity", ".LibraryActivity"}},
		{Package: "com.example.camera", Version: "8.3.1", VersionCode: 83010, PowerW: 1.35, FPS: 30, role: roleCamera, preset: true,
			activities: []string{".CameraActivity", ".VideoCameraActivity"}},
		{Package: "com.example.dialer", Version: "6.0", VersionCode: 60, PowerW: 0.08, FPS: 1, role: roleDialer, preset: true,
			activities: []string{".DialActivity", ".InCallActivity"}},
		{Package: "com.android.settings", Version: "1.0", VersionCode: 100, PowerW: 0.06, FPS: 1, preset: true,
			activities: []string{".Settings"}},
		{Package: "com.android.systemui", Version: "1.0", VersionCode: 100, role: roleDialog, preset: true,
			activities: []string{".NoticeActivity"}},
	}
}

func (h *Handset) appOf(pkg string) *App {
	i := slices.IndexFunc(h.apps, func(a *App) bool { return a.Package == pkg })
	if i < 0 || h.disabled[pkg] {
		return nil
	}
	return h.apps[i]
}

func (h *Handset) appFor(r role) *App {
	for _, a := range h.apps {
		if a.role == r && !h.disabled[a.Package] {
			return a
		}
	}
	return nil
}

// component is the flat name of one of the app's activities.
func (a *App) component(class string) string { return a.Package + "/" + class }

// class finds an activity by its short or its full name.
func (a *App) class(name string) (string, bool) {
	name = strings.TrimPrefix(name, a.Package)
	for _, c := range a.activities {
		if c == name {
			return c, true
		}
	}
	return "", false
}

// An activity is one task of an app: what it shows, and what it is doing.
type activity struct {
	app   *App
	class string
	task  int
	hash  string
	front time.Duration // how long it has been in front on a lit, unlocked screen

	url    string        // browser
	tab    Page          // browser
	frames float64       // of its windows
	shown  time.Duration // of an own surface: uptime at which it was last put on the screen; 0: never

	clip      string        // player: path of the file
	length    time.Duration // player
	position  time.Duration // player
	state     playState
	stateAt   time.Duration // uptime at which the session last told its state
	toldAt    time.Duration // position that it told then
	ends      *event
	recording bool // camera
	since     time.Duration
	number    string // dialer
	hung      bool   // it stands still; a player goes on saying that it plays
	asks      []string
	answered  func(button string) // called under the lock
}

type playState int

const (
	playNone    playState = 0
	playStopped playState = 1
	playPaused  playState = 2
	playPlaying playState = 3
	playError   playState = 7
)

var stateNames = map[playState]string{playNone: "NONE", playStopped: "STOPPED", playPaused: "PAUSED", playPlaying: "PLAYING", playError: "ERROR"}

func (a *activity) name() string { return a.app.component(a.class) }

// front is the activity on top; there is always one, the home screen at the bottom.
func (h *Handset) front() *activity { return h.tasks[len(h.tasks)-1] }

// resumed and paused are called when the activity comes before the user or leaves.
func (a *activity) resumed(h *Handset) {
	if !h.usable() {
		return
	}
	if a.tab != nil {
		tab := a.tab
		h.afterwards(func() { tab.Show(true) })
	}
}

func (a *activity) paused(h *Handset) {
	if a.tab != nil {
		tab := a.tab
		h.afterwards(func() { tab.Show(false) })
	}
	h.pausePlay(a)
	if a.recording {
		h.endRecording(a)
	}
}

// keepsScreenOn says whether the activity holds off the screen's timeout.
func (a *activity) keepsScreenOn(h *Handset) bool {
	switch a.app.role {
	case rolePlayer:
		return a.state == playPlaying
	case roleCamera:
		return a.recording
	case roleBrowser:
		return a.tab != nil && a.tab.Activity() == "call" // a page that plays video holds it
	}
	return false
}

// power is what the activity in front draws beyond the screen, W.
func (a *activity) power(h *Handset) float64 {
	w := a.app.PowerW
	switch a.app.role {
	case rolePlayer:
		if a.state == playPlaying {
			w += 0.55
		}
	case roleCamera:
		if a.recording {
			w += 1.1
		}
	case roleBrowser:
		if a.tab != nil && !a.hung {
			w += pagePower[a.tab.Activity()] * h.throttle()
		}
	}
	return w
}

// bring puts an activity of an app in front, in the task that the app has, or a new one.
func (h *Handset) bring(app *App, class string) *activity {
	before := h.front()
	i := slices.IndexFunc(h.tasks, func(a *activity) bool { return a.app == app })
	var a *activity
	if i >= 0 {
		a = h.tasks[i]
		h.tasks = append(slices.Delete(h.tasks, i, i+1), a)
	} else {
		h.lastTask++
		a = &activity{app: app, task: h.lastTask, hash: h.hash()}
		h.tasks = append(h.tasks, a)
	}
	if a.class != class {
		if a.recording {
			h.endRecording(a)
		}
		a.class = class
	}
	h.running[app.Package] = true
	if before != a {
		before.paused(h)
		a.resumed(h)
	}
	h.burst(1.1, 700*time.Millisecond)
	h.armScreen()
	return a
}

// leave takes an activity off the stack, as the back key does.
func (h *Handset) leave(a *activity) {
	if a.app.role == roleHome {
		return
	}
	wasFront := h.front() == a
	a.paused(h)
	h.closeTab(a)
	if a.app.role == roleDialer && a.class == ".InCallActivity" {
		h.endCall()
	}
	h.tasks = slices.DeleteFunc(h.tasks, func(t *activity) bool { return t == a })
	if wasFront {
		h.front().resumed(h)
	}
}

func (h *Handset) closeTab(a *activity) {
	if a.tab != nil {
		tab := a.tab
		a.tab, a.url = nil, ""
		h.afterwards(tab.Close)
	}
}

// stopApp ends an app and all that it was doing.
func (h *Handset) stopApp(pkg string) {
	if app := h.appFor(roleHome); app.Package == pkg {
		return // the system starts it again at once
	}
	for _, a := range slices.Clone(h.tasks) {
		if a.app.Package == pkg {
			a.state = playNone
			h.cancel(a.ends)
			h.leave(a)
		}
	}
	delete(h.running, pkg)
}

func (h *Handset) home() {
	app := h.appFor(roleHome)
	h.bring(app, app.activities[0])
}
