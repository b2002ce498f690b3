package simulated

import (
	"fmt"
	"strings"
	"time"
)

func dumpMediaSession(h *Handset, p *page) {
	var sessions []*activity
	for i := len(h.tasks) - 1; i >= 0; i-- {
		if h.tasks[i].app.role == rolePlayer && h.tasks[i].state != playNone {
			sessions = append(sessions, h.tasks[i])
		}
	}
	p.line("MEDIA SESSION SERVICE (dumpsys media_session)")
	p.line("")
	p.line("3 sessions listeners.")
	p.line("Global priority session is null")
	p.line("User Records:")
	p.line("Record for full_user=0")
	if len(sessions) == 0 {
		p.line("  Media button session is null")
	} else {
		p.line("  Media button session is %s/Player (userId=0)", sessions[0].app.Package)
	}
	p.line("  Sessions Stack - have %d sessions:", len(sessions))
	for _, a := range sessions {
		p.line("    Player %s/Player (userId=0)", a.app.Package)
		p.line("      ownerPid=%d, ownerUid=%d, userId=0", 1200+a.task, 10100+a.task)
		p.line("      package=%s", a.app.Package)
		p.line("      launchIntent=null")
		p.line("      mediaButtonReceiver=null")
		p.line("      active=%t", a.state == playPlaying || a.state == playPaused)
		p.line("      flags=3")
		p.line("      rating type=0")
		p.line("      controllers: 0")
		p.line("      state=%s", h.playback(a))
		p.line("      audioAttrs=AudioAttributes: usage=USAGE_MEDIA content=CONTENT_TYPE_MOVIE flags=0x0 tags= bundle=null")
		p.line("      volumeType=1, controlType=2, max=0, current=0")
		p.line("      metadata: size=2, description=%s, null, null", strings.TrimPrefix(a.clip, "/sdcard/"))
		p.line("      queueTitle=null, size=0")
	}
	p.line("Audio playback (lastly played comes first)")
}

func dumpThermal(h *Handset, p *page) {
	temp := h.battery.BattTempC()
	w, _ := h.watts()
	skin := temp + 0.9*w - 1.2
	cpu := temp + 3.4*w
	status, throttled := h.thermal()
	p.line("IsStatusOverride: %t", h.thermalStatus >= 0)
	for _, l := range []struct {
		name  string
		count int
	}{{"ThermalEventListeners", 3}, {"ThermalStatusListeners", 1}} {
		p.line("%s:", l.name)
		p.line("\tcallbacks: %d", l.count)
		p.line("\tkilled: false")
		p.line("\tbroadcasts count: -1")
	}
	p.line("Thermal Status: %d", status)
	rows := func(shift float64) {
		if prints := h.faults.prints; !prints.NoSensors {
			if shift > 0 || !prints.CachedOnly {
				p.line("\tTemperature{mValue=%s, mType=2, mName=battery, mStatus=0}", float32Text(round(temp-shift, 1)+0.000002))
			}
			p.line("\tTemperature{mValue=%s, mType=3, mName=skin therm, mStatus=%d}", float32Text(round(skin-shift, 3)), status)
		}
		for i := range 4 {
			p.line("\tTemperature{mValue=%s, mType=0, mName=cpu%d, mStatus=%d}", float32Text(round(cpu-shift+0.4*float64(i), 1)), i, throttled)
		}
		p.line("\tTemperature{mValue=%s, mType=1, mName=gpu0, mStatus=0}", float32Text(round(cpu-shift-1.2, 1)))
	}
	p.line("Cached temperatures:")
	rows(0.4)
	p.line("HAL Ready: true")
	p.line("HAL connection:")
	p.line("\tThermalHAL 2.0 connected: yes")
	p.line("Current temperatures from HAL:")
	rows(0)
	p.line("Current cooling devices from HAL:")
	p.line("\tCoolingDevice{mValue=%d, mType=2, mName=thermal-cpufreq-0}", throttled)
	if h.ways.thermalLimits {
		p.line("Temperature static thresholds from HAL:")
		p.line("\tTemperatureThreshold{mType=3, mName=skin therm, mHotThrottlingThresholds=[NaN, 42.0, 46.0, 50.0, 55.0, 60.0, 70.0], mColdThrottlingThresholds=[NaN, NaN, NaN, NaN, NaN, NaN, NaN], mVrThrottlingThreshold=NaN}")
	}
}

// thermal is the severity that the service tells, and how far the processor is held back.
func (h *Handset) thermal() (status, throttled int) {
	for i, limit := range []float64{42, 46, 50, 55, 60, 70} {
		w, _ := h.watts()
		if h.battery.BattTempC()+0.9*w-1.2 >= limit {
			status = i + 1
		}
	}
	if h.throttle() < 1 {
		throttled = 1 + int((1-h.throttle())*5)
	}
	if h.thermalStatus >= 0 {
		status = h.thermalStatus
	}
	return status, throttled
}

func thermalVerb(h *Handset, c *call) int {
	switch c.arg(0) {
	case "override-status":
		n, ok := number(c.arg(1))
		if !ok || n < 0 || n > 6 {
			return c.fail(255, "Error: invalid status number\n")
		}
		h.do(func() { h.thermalStatus = int(n) })
	case "reset":
		h.do(func() { h.thermalStatus = -1 })
	default:
		return unknownVerb(c)
	}
	return 0
}

func dumpHardware(h *Handset, p *page) {
	w, _ := h.watts()
	t := h.battery.BattTempC()
	p.line("****** Dump of HardwarePropertiesManagerService ******")
	p.line("Battery temperatures: [%s]", float32Text(round(t, 1)))
	p.line("Skin temperatures: [%s]", float32Text(round(t+0.9*w-1.2, 1)))
	p.line("CPU temperatures: [%s, %s]", float32Text(round(t+3.4*w, 1)), float32Text(round(t+3.4*w+0.4, 1)))
}

func dumpPackage(h *Handset, args []string, p *page) {
	if len(args) == 0 {
		for _, a := range h.apps {
			p.line("  Package [%s] (%07x):", a.Package, a.VersionCode)
		}
		return
	}
	var app *App
	for _, a := range h.apps {
		if a.Package == args[0] {
			app = a
		}
	}
	if app == nil {
		p.line("Unable to find package: %s", args[0])
		return
	}
	p.line("Packages:")
	p.line("  Package [%s] (%07x):", app.Package, app.VersionCode)
	p.line("    userId=%d", 10100+len(app.Package))
	p.line("    codePath=/data/app/%s", app.Package)
	p.line("    versionCode=%d minSdk=24 targetSdk=%d", app.VersionCode, h.ways.sdk)
	p.line("    versionName=%s", app.Version)
	p.line("    User 0: installed=true hidden=false stopped=false enabled=%d", map[bool]int{true: 3, false: 0}[h.disabled[app.Package]])
	for _, perm := range []string{"android.permission.CAMERA", "android.permission.POST_NOTIFICATIONS", "android.permission.RECORD_AUDIO"} {
		p.line("      %s: granted=%t", perm, h.granted[app.Package+" "+perm])
	}
}

func dumpFrames(h *Handset, args []string, p *page) {
	if len(args) == 0 {
		p.line("Applications Graphics Acceleration Info:")
		return
	}
	var total float64
	for _, a := range h.tasks {
		if a.app.Package == args[0] {
			if len(args) > 1 && args[1] == "reset" {
				a.frames = 0
			}
			total += a.frames
		}
	}
	if !h.running[args[0]] {
		p.line("No process found for: %s", args[0])
		return
	}
	n := int(total)
	p.line("Applications Graphics Acceleration Info:")
	p.line("Uptime: %d Realtime: %d", h.uptime().Milliseconds(), h.uptime().Milliseconds())
	p.line("")
	p.line("** Graphics info for pid 1200 [%s] **", args[0])
	p.line("")
	p.line("Stats since: %dns", int64(h.bootAge))
	p.line("Total frames rendered: %d", n)
	p.line("Janky frames: %d (%.2f%%)", n/50, 100*float64(n/50)/float64(max(n, 1)))
	p.line("50th percentile: 6ms")
	p.line("90th percentile: 8ms")
}

func dumpNotification(h *Handset, p *page) {
	mode := h.settingInt(global, "zen_mode", 0)
	names := []string{"ZEN_MODE_OFF", "ZEN_MODE_IMPORTANT_INTERRUPTIONS", "ZEN_MODE_NO_INTERRUPTIONS", "ZEN_MODE_ALARMS"}
	p.line("Current Notification Manager state:")
	p.line("  Zen Mode:")
	p.line("    mInterruptionFilter=%d", []int{1, 2, 3, 4}[clampInt(mode, 0, 3)])
	p.line("    mZenMode=%s", names[clampInt(mode, 0, 3)])
}

func clampInt(v, least, most int) int { return min(max(v, least), most) }

func notificationVerb(h *Handset, c *call) int {
	if c.arg(0) != "set_dnd" || !h.ways.dndVerb {
		return unknownVerb(c)
	}
	mode, ok := map[string]string{"off": "0", "all": "0", "priority": "1", "on": "2", "none": "2", "alarms": "3"}[c.arg(1)]
	if !ok {
		return c.fail(255, "Exception occurred while executing 'set_dnd':\njava.lang.IllegalArgumentException: Invalid filter: %s\n", c.arg(1))
	}
	h.do(func() { h.settings[global]["zen_mode"] = mode })
	return 0
}

func nightVerb(h *Handset, c *call) int {
	if !h.ways.nightVerb {
		return noVerbs(c)
	}
	if c.arg(0) != "night" {
		return unknownVerb(c)
	}
	if len(c.args) > 1 {
		mode, ok := map[string]string{"yes": "2", "no": "1", "auto": "0"}[c.arg(1)]
		if !ok {
			return c.fail(255, "Error: mode must be 'yes', 'no', or 'auto'\n")
		}
		h.do(func() { h.settings[secure]["ui_night_mode"] = mode })
	}
	return h.show(c, func(p *page) {
		p.line("Night mode: %s", map[string]string{"2": "yes", "1": "no", "0": "auto"}[h.setting(secure, "ui_night_mode")])
	})
}

// volumeVerb is cmd media_session volume and the older media volume.
func volumeVerb(h *Handset, c *call) int {
	stream, set, get := 3, "", false
	for i := 0; i < len(c.args); i++ {
		switch c.args[i] {
		case "--stream":
			i++
			n, ok := number(c.arg(i))
			if !ok || streamNames[int(n)] == "" {
				return c.fail(255, "Error: invalid stream %s\n", c.arg(i))
			}
			stream = int(n)
		case "--set":
			i++
			set = c.arg(i)
		case "--get":
			get = true
		case "--show":
		}
	}
	if set != "" {
		n, ok := number(set)
		if !ok || int(n) > streamMost[stream] || n < 0 {
			return c.fail(255, "Error: invalid volume index\n")
		}
		h.do(func() { h.setVolume(stream, int(n)) })
	}
	if !get {
		return 0
	}
	return h.show(c, func(p *page) {
		p.line("%sVolume is %d in range [0..%d]", h.ways.volumeTag, h.volume(stream), streamMost[stream])
	})
}

func media(h *Handset, c *call) int {
	if !h.wait(c, max(h.toolDelay(0), 400*time.Millisecond)) {
		return killed
	}
	switch c.arg(0) {
	case "volume":
		return volumeVerb(h, c.rest(1))
	case "dispatch":
		n, ok := map[string]int{"play": 126, "pause": 127, "play-pause": 85, "stop": 86, "mute": 164}[c.arg(1)]
		if !ok {
			return c.fail(255, "Error: unknown dispatch code '%s'\n", c.arg(1))
		}
		h.do(func() { h.mediaKey(n) })
		return 0
	}
	return c.fail(255, "Error: unknown command '%s'\n", c.arg(0))
}

func mediaSessionVerb(h *Handset, c *call) int {
	if !h.ways.volumeVerb {
		return noVerbs(c)
	}
	switch c.arg(0) {
	case "volume":
		return volumeVerb(h, c.rest(1))
	case "dispatch":
		return media(h, c)
	}
	return unknownVerb(c)
}

func audioVerb(h *Handset, c *call) int {
	if !h.ways.audioVerbs {
		return noVerbs(c)
	}
	switch c.arg(0) {
	case "set-volume":
		s, ok1 := number(c.arg(1))
		v, ok2 := number(c.arg(2))
		if !ok1 || !ok2 || streamNames[int(s)] == "" {
			return c.fail(255, "Error: invalid arguments\n")
		}
		h.do(func() { h.setVolume(int(s), int(v)) })
		return 0
	case "set-ringer-mode":
		mode, ok := map[string]string{"SILENT": "0", "VIBRATE": "1", "NORMAL": "2"}[c.arg(1)]
		if !ok {
			return c.fail(255, "Error: ringer mode is not valid: %s\n", c.arg(1))
		}
		h.do(func() { h.settings[global]["mode_ringer"] = mode })
		return 0
	}
	return unknownVerb(c)
}

func dumpAudio(h *Handset, p *page) {
	p.line("MediaFocusControl dump time: %s", h.wall().UTC().Format("3:04:05 PM"))
	mode := "MODE_NORMAL"
	if h.call != nil && h.call.up {
		mode = "MODE_IN_CALL"
	}
	p.line("Audio mode: mMode=%s", mode)
	p.line("players:")
	for _, a := range h.tasks {
		if a.app.role == rolePlayer && a.clip != "" {
			p.line("  AudioPlaybackConfiguration piid:%d type:android.media.AudioTrack u/pid:%d/1200 state:%s attr:AudioAttributes: usage=USAGE_MEDIA", 100+a.task, 10100+a.task, map[bool]string{true: "started", false: "paused"}[a.state == playPlaying && !a.hung])
		}
	}
}

func dumpCamera(h *Handset, p *page) {
	a := h.front()
	open := h.usable() && a.app.role == roleCamera
	p.line("== Service global info: ==")
	p.line("Number of camera devices: 2")
	if open {
		p.line("Active Camera Clients:")
		p.line("[(Camera ID: 0, Cost: 100, PID: 1228, Score: 0, State: 2User Id: 0, Client Package Name: %s, Conflicting Client Devices: {})]", a.app.Package)
		p.line("== Camera device 0 dynamic info: ==")
		p.line("  Device 0 is open. Client instance dump:")
	} else {
		p.line("Active Camera Clients:")
		p.line("[]")
	}
}

func dumpContent(_ *Handset, p *page) {
	p.line("Data connected: true")
	p.line("Auto sync: u0=false")
	p.line("Memory low: false")
}

// uiNode is an element as uiautomator writes it, its end apart.
const uiNode = `<node index="%d" text="%s" resource-id="" class="%s" package="%s" content-desc="" checkable="false" checked="false" clickable="%s" enabled="true" focusable="false" focused="false" scrollable="false" long-clickable="false" password="false" selected="false" bounds="[%d,%d][%d,%d]"`

var xmlText = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

// A button is a word on the screen that can be touched, px.
type button struct {
	text       string
	x, y, w, h int
}

// buttons are those of the activity in front: what it asks lies over what it shows. They
// stand in the middle of the screen, one below the other.
func (h *Handset) buttons() []button {
	a := h.front()
	words := a.app.Buttons
	if len(a.asks) > 0 {
		words = a.asks
	}
	if a.app.role == roleDialog {
		words = []string{"OK"}
	}
	w, t := h.opt.ScreenW, h.opt.ScreenH
	var all []button
	for i, text := range words {
		all = append(all, button{text, w / 4, t*55/100 + i*t/20, w / 2, t / 24})
	}
	return all
}

// pressed answers a touch: the button under it, if any.
func (h *Handset) pressed(x, y float64) {
	a := h.front()
	for _, b := range h.buttons() {
		if int(x) < b.x || int(x) >= b.x+b.w || int(y) < b.y || int(y) >= b.y+b.h {
			continue
		}
		h.touched = append(h.touched, b.text)
		if f := a.answered; len(a.asks) > 0 && f != nil {
			a.asks, a.answered = nil, nil
			f(b.text)
		}
		return
	}
}

// Pressed are the words on the screen that were touched, in their order.
func (h *Handset) Pressed() (words []string) {
	h.do(func() { words = append(words, h.touched...) })
	return words
}

// uiautomator writes the one window that is in front, as XML.
func uiautomator(h *Handset, c *call) int {
	if c.arg(0) != "dump" {
		return c.fail(1, "Usage: uiautomator <subcommand> [options]\n")
	}
	file := "/sdcard/window_dump.xml"
	for _, word := range c.args[1:] {
		if !strings.HasPrefix(word, "--") {
			file = word
		}
	}
	if !h.wait(c, max(h.toolDelay(0), 1500*time.Millisecond)) {
		return killed
	}
	moving := false
	var text string
	h.do(func() {
		h.burst(1.0, 1500*time.Millisecond)
		a := h.front()
		moving = h.usable() && (a.state == playPlaying || a.tab != nil && a.tab.Activity() == "game")
		pkg, what := a.app.Package, strings.TrimPrefix(a.class, ".")
		if !h.usable() {
			pkg, what = "com.android.systemui", "lock"
		}
		var inside strings.Builder
		if h.usable() {
			for _, b := range h.buttons() {
				fmt.Fprintf(&inside, uiNode+" />", 0, xmlText.Replace(b.text), "android.widget.Button", pkg, "true", b.x, b.y, b.x+b.w, b.y+b.h)
			}
		}
		text = "<?xml version='1.0' encoding='UTF-8' standalone='yes' ?><hierarchy rotation=\"0\">" +
			fmt.Sprintf(uiNode+">", 0, what, "android.widget.FrameLayout", pkg, "false", 0, 0, h.opt.ScreenW, h.opt.ScreenH) + inside.String() + "</node></hierarchy>"
	})
	if moving {
		return c.fail(0, "ERROR: could not get idle state.\n")
	}
	if file == "/dev/tty" {
		c.say("%s", text)
	} else if err := h.writeFile(file, []byte(text)); err != nil {
		return c.fail(1, "java.io.FileNotFoundException: %s\n", file)
	}
	c.say("UI hierchary dumped to: %s\n", file)
	return 0
}

// logLine is the log command; the handset keeps no log.
func logLine(*Handset, *call) int { return 0 }
