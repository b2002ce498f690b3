package simulated

import (
	"fmt"
	"slices"
	"strings"
)

func dumpPower(h *Handset, p *page) {
	wakefulness, display := "Asleep", "OFF"
	if h.screen.on {
		wakefulness, display = "Awake", "ON"
	}
	b, _ := h.batteryNow()
	saver := h.setting(global, "low_power") == "1"
	p.line("POWER MANAGER (dumpsys power)")
	p.line("")
	p.line("Power Manager State:")
	p.line("  mDirty=0x0")
	p.line("  mWakefulness=%s", wakefulness)
	p.line("  mWakefulnessChanging=false")
	p.line("  mIsPowered=%t", b.ac || b.usb || b.wireless)
	p.line("  mPlugType=%d", map[bool]int{true: maskAC, false: 0}[b.ac]|map[bool]int{true: maskUSB, false: 0}[b.usb])
	p.line("  mBatteryLevel=%d", b.level)
	p.line("  mStayOn=%t", h.settingInt(global, "stay_on_while_plugged_in", 0)&h.pluggedMask() != 0)
	p.line("  mProximityPositive=false")
	p.line("  mBootCompleted=true")
	p.line("  mSystemReady=true")
	p.line("")
	p.line("Settings and Configuration:")
	p.line("  mScreenOffTimeoutSetting=%s", h.setting(system, "screen_off_timeout"))
	p.line("  mStayOnWhilePluggedInSetting=%s", h.setting(global, "stay_on_while_plugged_in"))
	p.line("  mScreenBrightnessModeSetting=%s", h.setting(system, "screen_brightness_mode"))
	p.line("")
	locks := 0
	if h.usable() && h.front().keepsScreenOn(h) {
		locks = 1
	}
	p.line("Wake Locks: size=%d", locks)
	if locks == 1 {
		p.line("  SCREEN_BRIGHT_WAKE_LOCK        'WindowManager/displayId:0' ON_AFTER_RELEASE ACQ=-1s0ms (uid=1000 pid=1234 ws=WorkSource{10%03d})", h.front().task)
	}
	p.line("")
	p.line("Display Power: state=%s", display)
	p.line("")
	p.line("Battery Saver is currently: %s", map[bool]string{true: "ON", false: "OFF"}[saver])
	p.line("  Battery saver state machine:")
	p.line("    Enabled=%t", saver)
	p.line("    mBatteryLevel=%d", b.level)
}

func dumpDisplay(h *Handset, p *page) {
	rates := slices.Sorted(slices.Values(h.opt.RefreshHz))
	active := 1 + slices.Index(rates, h.refreshHz())
	var modes []string
	for i, r := range rates {
		modes = append(modes, fmt.Sprintf("{id=%d, width=%d, height=%d, fps=%s}", i+1, h.opt.ScreenW, h.opt.ScreenH, float32Text(r+0.000004)))
	}
	state := map[bool]string{true: "ON", false: "OFF"}[h.screen.on]
	p.line("DISPLAY MANAGER (dumpsys display)")
	p.line("  mOnlyCode=false")
	p.line("  mSafeMode=false")
	p.line("")
	p.line("Display Devices: size=1")
	p.line("  DisplayDeviceInfo{\"Built-in Screen\": uniqueId=\"local:0\", %d x %d, modeId %d, defaultModeId %d, supportedModes [%s], colorMode 0, density %d, state %s, type INTERNAL}",
		h.opt.ScreenW, h.opt.ScreenH, active, 1, strings.Join(modes, ", "), h.opt.Density, state)
	p.line("    mAdapter=LocalDisplayAdapter")
	p.line("    mUniqueId=local:0")
	p.line("    mPhysicalDisplayId=0")
	p.line("    mActiveModeId=%d", active)
	p.line("    mState=%s", state)
	if h.ways.brightnessFloat {
		now := h.brightness()
		if !h.screen.on {
			now = -1
		}
		p.line("    mBrightnessState=%s", float32Text(now))
	} else {
		now := h.settingOf(h.brightness())
		if !h.screen.on {
			now = 0
		}
		p.line("    mBrightness=%d", now)
	}
	p.line("")
	p.line("Display Power Controller State:")
	p.line("  mScreenState=%s", state)
	if h.ways.brightnessFloat {
		p.line("  mCurrentScreenBrightnessSetting=%s", float32Text(h.wantedBrightness()))
		p.line("  mScreenBrightness=%s", float32Text(h.brightness()))
	} else {
		p.line("  mCurrentScreenBrightnessSetting=%d", h.settingOf(h.wantedBrightness()))
		p.line("  mScreenBrightness=%d", h.settingOf(h.brightness()))
	}
	p.line("  mUseAutoBrightness=%t", h.settingInt(system, "screen_brightness_mode", 0) == 1)
}

// displayVerb is cmd display.
func displayVerb(h *Handset, c *call) int {
	switch c.arg(0) {
	case "set-brightness":
		f, ok := number(c.arg(1))
		if !ok || f < 0 || f > 1 {
			return c.fail(255, "Error: brightness should be a number between 0 and 1\n")
		}
		if h.refusesSettings() {
			return c.fail(255, refusedSettings, "set-brightness")
		}
		h.do(func() { h.setBrightness(f) })
		return 0
	case "get-brightness":
		if !h.ways.brightnessGet {
			return unknownVerb(c)
		}
		return h.show(c, func(p *page) { p.line("%s", float32Text(h.brightness())) })
	case "reset-brightness-configuration":
		return 0
	}
	return unknownVerb(c)
}

// powerVerb is cmd power.
func powerVerb(h *Handset, c *call) int {
	switch c.arg(0) {
	case "set-mode":
		if c.arg(1) != "0" && c.arg(1) != "1" {
			return c.fail(255, "Error: mode must be 0 or 1\n")
		}
		h.do(func() { h.put(global, "low_power", c.arg(1)) })
		return 0
	case "set-adaptive-power-saver-enabled":
		if h.ways.thermalService { // the same version brought both
			return 0
		}
	}
	return unknownVerb(c)
}

// dumpIdle is dumpsys deviceidle and cmd deviceidle.
func idleVerb(h *Handset, c *call) int {
	which := map[string][]string{"": {"deep", "light"}, "all": {"deep", "light"}, "deep": {"deep"}, "light": {"light"}}
	switch verb := c.arg(0); verb {
	case "enabled":
		return h.show(c, func(p *page) {
			on := true
			for _, k := range which[c.arg(1)] {
				on = on && h.idle[k]
			}
			p.line("%s", digit(on))
		})
	case "get":
		return h.show(c, func(p *page) {
			switch c.arg(1) {
			case "deep", "light":
				state := "ACTIVE"
				if !h.screen.on && h.idle[c.arg(1)] && !h.power.on {
					state = "INACTIVE"
				}
				p.line("%s", state)
			case "screen":
				p.line("%t", h.screen.on)
			case "charging":
				p.line("%t", h.power.on)
			case "network":
				p.line("%t", h.wifiUp() || h.mobileUp())
			default:
				p.line("Unknown get option: %s", c.arg(1))
			}
		})
	case "disable", "enable":
		return h.show(c, func(p *page) {
			for _, k := range which[c.arg(1)] {
				h.idle[k] = verb == "enable"
				p.line("%s idle mode %sd", map[string]string{"deep": "Deep", "light": "Light"}[k], verb)
			}
		})
	case "whitelist":
		return h.show(c, func(p *page) {
			word := c.arg(1)
			switch {
			case strings.HasPrefix(word, "+"):
				h.granted["idle "+word[1:]] = true
				p.line("Added: %s", word[1:])
			case strings.HasPrefix(word, "-"):
				delete(h.granted, "idle "+word[1:])
				p.line("Removed: %s", word[1:])
			default:
				for _, a := range h.apps {
					if h.granted["idle "+a.Package] {
						p.line("user,%s,%d", a.Package, 10100)
					}
				}
			}
		})
	case "":
		return h.show(c, func(p *page) {
			p.line("  mLightEnabled=%t  mDeepEnabled=%t", h.idle["light"], h.idle["deep"])
			p.line("  mScreenOn=%t", h.screen.on)
			p.line("  mCharging=%t", h.power.on)
		})
	}
	return unknownVerb(c)
}
