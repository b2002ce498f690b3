package simulated

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	system = "system"
	secure = "secure"
	global = "global"
)

// factorySettings are those of a handset taken from its box and prepared by nobody:
// automatic brightness, half a minute to screen off, most radios on.
func factorySettings(o Options, w ways) map[string]map[string]string {
	s := map[string]map[string]string{
		system: {
			"accelerometer_rotation": "1", "font_scale": "1.0", "haptic_feedback_enabled": "1",
			"screen_brightness": strconv.Itoa(int(0.4 * float64(o.BrightnessMax))), "screen_brightness_mode": "1",
			"screen_off_timeout": "30000", "user_rotation": "0", "volume_music": "5", "volume_ring": "5",
		},
		secure: {
			"accessibility_enabled": "0", "android_id": "5ca1ab1e0000" + strconv.FormatInt(1000+o.Seed%9000, 10),
			"doze_always_on": "0", "doze_enabled": "1", "location_mode": "3", "night_display_activated": "0",
			"night_display_auto_mode": "0", "screensaver_enabled": "1", "ui_night_mode": "1",
		},
		global: {
			"adaptive_battery_management_enabled": "1", "adb_enabled": "1", "airplane_mode_on": "0",
			"animator_duration_scale": "1.0", "app_standby_enabled": "1", "auto_time": "1", "auto_time_zone": "1",
			"bluetooth_on": "1", "boot_count": "12", "development_settings_enabled": "1", "device_name": o.Model,
			"low_power": "0", "low_power_trigger_level": "15", "mobile_data": "1", "mode_ringer": "2",
			"stay_on_while_plugged_in": "0", "transition_animation_scale": "1.0", "wifi_on": "1",
			"window_animation_scale": "1.0", "zen_mode": "0",
		},
	}
	if w.refreshKeys {
		most := float32Text(slices.Max(o.RefreshHz))
		s[system]["peak_refresh_rate"], s[system]["min_refresh_rate"] = most, "0.0"
	}
	if w.brightnessFloat {
		s[system]["screen_brightness_float"] = float32Text((math.Floor(0.4*float64(o.BrightnessMax)) - 1) / float64(o.BrightnessMax-1))
		s[secure]["reduce_bright_colors_activated"] = "0"
		s[global]["adb_wifi_enabled"] = "0"
	}
	if !w.locationVerbs {
		s[secure]["location_providers_allowed"] = "gps,network"
	}
	return s
}

// setting is a stored value, or "" where there is none.
func (h *Handset) setting(space, key string) string { return h.settings[space][key] }

func (h *Handset) settingInt(space, key string, absent int) int {
	n, err := strconv.Atoi(h.settings[space][key])
	if err != nil {
		return absent
	}
	return n
}

// put stores a value and lets the services that watch the key follow it. Keys that only
// mirror a state (wifi_on, bluetooth_on, airplane_mode_on, ...) move nothing, as on a
// real handset.
func (h *Handset) put(space, key, value string) {
	before := h.settings[space][key]
	h.settings[space][key] = value
	switch space + " " + key {
	case "system screen_brightness":
		if v, ok := number(value); ok {
			h.setBrightness(h.fractionOf(v))
			h.settings[system]["screen_brightness"] = value
		}
	case "system screen_brightness_float":
		if v, ok := number(value); ok && h.ways.floatKeyDrives && v >= 0 && v <= 1 {
			h.setBrightness(v)
		}
	case "system screen_off_timeout", "global stay_on_while_plugged_in":
		h.armScreen()
	case "global low_power":
		if value == "1" && h.plugged() {
			h.settings[global]["low_power"] = "0" // the saver refuses to come on while powered
		}
	case "secure location_mode":
		if !h.ways.locationVerbs {
			providers := ""
			if value != "0" {
				providers = "gps,network"
			}
			h.settings[secure]["location_providers_allowed"] = providers
		}
	case "secure location_providers_allowed":
		if !h.ways.locationVerbs {
			h.putProviders(before, value)
		}
	}
}

// putProviders follows a list of changes (+gps,-network) to the old location providers,
// of which the mode is a summary.
func (h *Handset) putProviders(before, changes string) {
	on := map[string]bool{}
	for _, p := range strings.Split(before, ",") {
		on[p] = p != ""
	}
	for _, c := range strings.Split(changes, ",") {
		name := strings.TrimLeft(c, "+-")
		on[name] = name != "" && !strings.HasPrefix(c, "-")
	}
	var list []string
	for _, p := range []string{"gps", "network"} {
		if on[p] {
			list = append(list, p)
		}
	}
	h.settings[secure]["location_providers_allowed"] = strings.Join(list, ",")
	mode := 0
	if on["gps"] {
		mode |= 1
	}
	if on["network"] {
		mode |= 2
	}
	h.settings[secure]["location_mode"] = strconv.Itoa(mode)
}

const refusedSettings = `Exception occurred while executing '%s':
java.lang.SecurityException: Permission denial: writing to settings requires:android.permission.WRITE_SECURE_SETTINGS
	at com.android.providers.settings.SettingsProvider.enforceWritePermission(SettingsProvider.java:2219)
	at com.android.providers.settings.SettingsService$MyShellCommand.onCommand(SettingsService.java:310)
`

func settingsCommand(h *Handset, c *call) int {
	args := dropUser(c.args)
	if len(args) < 2 {
		return c.fail(255, "Settings provider (settings) commands:\n  get|put|delete|list [--user <USER_ID>] NAMESPACE [KEY [VALUE]]\n")
	}
	if !h.wait(c, h.toolDelay(30*time.Millisecond)) {
		return killed
	}
	verb, space := args[0], args[1]
	if space != system && space != secure && space != global {
		return c.fail(255, "Invalid namespace '%s'\n", space)
	}
	if (verb == "put" || verb == "delete") && h.refusesSettings() {
		return c.fail(255, refusedSettings, verb)
	}
	known := true
	h.show(c, func(p *page) {
		switch {
		case verb == "get" && len(args) == 3:
			value, ok := h.settings[space][args[2]]
			if !ok {
				value = "null"
			}
			p.line("%s", value)
		case verb == "put" && len(args) >= 4:
			if !h.faults.settingsIgnored[space+" "+args[2]] {
				h.put(space, args[2], args[3])
			}
		case verb == "delete" && len(args) == 3:
			n := 0
			if _, ok := h.settings[space][args[2]]; ok {
				delete(h.settings[space], args[2])
				n = 1
				h.armScreen()
			}
			p.line("Deleted %d rows", n)
		case verb == "list" && len(args) == 2:
			for _, k := range slices.Sorted(maps.Keys(h.settings[space])) {
				p.line("%s=%s", k, h.settings[space][k])
			}
		default:
			known = false
		}
	})
	if !known {
		return c.fail(255, "Bad arguments: %s\n", strings.Join(c.args, " "))
	}
	return 0
}

// refusesSettings says whether a maker's own developer option bars the shell from writing.
func (h *Handset) refusesSettings() (refused bool) {
	h.do(func() { refused = h.faults.settingsRefused })
	return refused
}
