package simulated

import (
	"slices"
	"strings"
	"time"
)

// verbs are the services that take commands from cmd. A handset has a service without
// verbs, too: see noVerbs.
var verbs map[string]command

// dumps are the services that dumpsys prints.
var dumps map[string]func(h *Handset, args []string, p *page)

// plain makes a dump of one that takes no arguments.
func plain(f func(h *Handset, p *page)) func(*Handset, []string, *page) {
	return func(h *Handset, _ []string, p *page) { f(h, p) }
}

func init() {
	verbs = map[string]command{
		"activity": am, "audio": audioVerb, "battery": batteryVerb, "bluetooth_manager": bluetoothVerb,
		"connectivity": connectivityVerb, "deviceidle": idleVerb, "display": displayVerb,
		"input": input, "location": locationVerb, "media_session": mediaSessionVerb, "nfc": nfcVerb,
		"notification": notificationVerb, "package": pm, "phone": phoneVerb, "power": powerVerb,
		"settings": settingsCommand, "thermalservice": thermalVerb, "uimode": nightVerb, "wifi": wifiVerb,
		"window": wm, "media.camera": noVerbsOf, "appops": appops,
	}
	dumps = map[string]func(h *Handset, args []string, p *page){
		"activity": plain(dumpActivity),
		"android.hardware.health.IHealth/default": plain(dumpHealth),
		"audio":               plain(dumpAudio),
		"battery":             plain(dumpBattery),
		"bluetooth_manager":   plain(dumpBluetooth),
		"connectivity":        plain(dumpConnectivity),
		"content":             plain(dumpContent),
		"display":             plain(dumpDisplay),
		"gfxinfo":             dumpFrames,
		"hardware_properties": plain(dumpHardware),
		"location":            plain(dumpLocation),
		"media.camera":        plain(dumpCamera),
		"media_session":       plain(dumpMediaSession),
		"nfc":                 plain(dumpNFC),
		"notification":        plain(dumpNotification),
		"package":             dumpPackage,
		"power":               plain(dumpPower),
		"SurfaceFlinger":      dumpSurfaces,
		"telephony.registry":  plain(dumpTelephony),
		"thermalservice":      plain(dumpThermal),
		"wifi":                plain(dumpWiFi),
		"window":              func(h *Handset, args []string, p *page) { dumpWindow(h, strings.Join(args, " "), p) },
	}
}

func noVerbsOf(_ *Handset, c *call) int { return noVerbs(c) }

// hasService says whether this flavour, and this very handset, runs a service.
func (h *Handset) hasService(name string) bool {
	switch name {
	case "thermalservice":
		return h.ways.thermalService
	case "android.hardware.health.IHealth/default":
		return h.ways.healthService
	case "nfc":
		return h.opt.NFC
	case "input":
		return !h.ways.javaTools // older ones have a program of their own only
	}
	return true
}

func cmd(h *Handset, c *call) int {
	name := c.arg(0)
	if name == "" {
		return c.fail(20, "cmd: No service specified; use -l to list all services\n")
	}
	if name == "-l" {
		return h.listServices(c)
	}
	run, ok := verbs[name]
	if !ok || !h.hasService(name) {
		if _, dumped := dumps[name]; dumped && h.hasService(name) {
			return noVerbs(c)
		}
		return c.fail(20, "cmd: Can't find service: %s\n", name)
	}
	if !h.wait(c, 15*time.Millisecond) {
		return killed
	}
	h.do(func() { h.burst(0.4, 15*time.Millisecond) })
	return run(h, c.rest(1))
}

func (h *Handset) listServices(c *call) int {
	names := map[string]bool{}
	for n := range verbs {
		names[n] = h.hasService(n)
	}
	for n := range dumps {
		names[n] = h.hasService(n)
	}
	var list []string
	for n, there := range names {
		if there {
			list = append(list, n)
		}
	}
	slices.Sort(list)
	c.say("Currently running services:\n  %s\n", strings.Join(list, "\n  "))
	return 0
}

func dumpsys(h *Handset, c *call) int {
	args := c.args
	for len(args) > 0 && strings.HasPrefix(args[0], "-") {
		switch args[0] {
		case "-t", "-T":
			args = args[min(2, len(args)):]
		case "-l":
			return h.listServices(c)
		default:
			args = args[1:]
		}
	}
	if len(args) == 0 {
		return h.listServices(c)
	}
	name := args[0]
	dump, ok := dumps[name]
	switch {
	case name == "deviceidle":
	case !ok || !h.hasService(name):
		return c.fail(0, "Can't find service: %s\n", name)
	}
	if !h.wait(c, 25*time.Millisecond) {
		return killed
	}
	h.do(func() { h.burst(0.4, 25*time.Millisecond) })
	rest := args[1:]
	switch {
	case name == "deviceidle":
		d := *c
		d.args = rest
		return idleVerb(h, &d)
	case name == "battery" && len(rest) > 0 && rest[0] != "-a":
		d := *c
		d.args = rest
		return batteryVerb(h, &d)
	}
	return h.show(c, func(p *page) { dump(h, rest, p) })
}
