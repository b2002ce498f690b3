package preconditions

import (
	"fmt"
	"math"
	"regexp"
	"strconv"

	"rundown/devices"
)

func extraDimState(r *readings) state {
	if why := r.flavour.Lacks(devices.ExtraDim); why != "" {
		return state{on: false, text: "off: " + why}
	}
	return switchKey(r, kExtraDim, "0", "1")
}

func nightState(r *readings) state {
	s := switchKey(r, kNight, "0", "1")
	if auto, set, _ := r.setting(kNightAuto); s.unread == "" && set && auto != "0" {
		s.unlessOff = "comes on by itself by its schedule"
	}
	return s
}

func setNight(r *readings, _ state, w Want) ([]step, string) {
	if *w.On {
		return r.putUnless(kNight, "1"), ""
	}
	var steps []step
	if _, set, _ := r.setting(kNightAuto); set {
		// First, since the schedule would turn it on again.
		steps = append(steps, r.putUnless(kNightAuto, "0")...)
	}
	if _, set, _ := r.setting(kNight); set {
		steps = append(steps, r.putUnless(kNight, "0")...)
	}
	return steps, ""
}

var (
	brightnessState = regexp.MustCompile(`\bmBrightnessState=(\d+(?:\.\d+)?(?:E-?\d+)?)\b`)
	displayPower    = regexp.MustCompile(`(?m)^\s*Display Power: state=(\w+)`)
	wakefulness     = regexp.MustCompile(`(?m)^\s*mWakefulness=(\w+)`)
)

// screenOn says whether the screen is on; known is false where the handset does not say.
func screenOn(power string) (on, known bool) {
	if said, ok := match(displayPower, power); ok {
		return said == "ON", true
	}
	if said, ok := match(wakefulness, power); ok {
		return said == "Awake", true
	}
	return false, false
}

// shownBrightness returns what the display shows, 0 to 1. Of several displays (a folded
// handset has one that is off) the first that is lit counts.
func shownBrightness(dump string) (said string, shown bool) {
	for _, m := range brightnessState.FindAllStringSubmatch(dump, -1) {
		if f, err := strconv.ParseFloat(m[1], 64); err == nil && f > 0 {
			return m[1], true
		}
		if !shown {
			said, shown = m[1], true
		}
	}
	return said, shown
}

// aospSteps is the range of the brightness setting that Android itself uses. Where the
// handset keeps to it, what the display shows (0 to 1) is the setting 1 to 255.
const aospSteps = 255

func luminanceState(r *readings) state {
	value, set, why := r.setting(kBrightness)
	if why == "" && !set {
		why = "the handset has no brightness setting"
	}
	if why != "" {
		return state{unread: why}
	}
	setting, err := strconv.ParseFloat(value, 64)
	if err != nil || math.IsNaN(setting) || setting < 0 || math.IsInf(setting, 0) {
		return state{unread: fmt.Sprintf("setting %s holds %q, which is no number", kBrightness.name, value)}
	}
	curve := r.handset.Curve
	if curve != nil && r.handset.CurveFraction {
		return fractionState(r, *curve, setting)
	}
	if curve == nil {
		return state{unread: fmt.Sprintf("no luminance curve is known for this handset (brightness setting %s)", number(setting))}
	}
	// The display's own word is another path than the setting that was written, and it
	// alone shows a screen that dims itself. It counts while the screen is on.
	text := fmt.Sprintf("setting %s", number(setting))
	_, brightest := curve.Range()
	power, _ := r.text(devices.ReadPower)
	on, known := screenOn(power)
	display, whyDisplay := r.text(devices.ReadDisplay)
	said, shown := shownBrightness(display)
	switch {
	case known && !on:
		text += ", screen off"
	case whyDisplay != "" || !shown:
		text += ", not confirmed by the display"
	case brightest.Setting > aospSteps || setting > aospSteps:
		text += ", display shows " + said // in a scale that only the maker knows
	default:
		f, err := strconv.ParseFloat(said, 64)
		if err != nil {
			break
		}
		if own := 1 + f*(aospSteps-1); math.Abs(own-setting) > 1.5 {
			text += fmt.Sprintf(", but the display shows %s", number(math.Round(own)))
			setting = own
		} else {
			text += ", confirmed by the display"
		}
	}
	cdM2 := curve.At(setting)
	s := state{
		value: cdM2, text: fmt.Sprintf("%s cd/m² (%s)", number(math.Round(cdM2*10)/10), text),
		slack: math.Abs(curve.At(setting+0.5)-curve.At(setting-0.5)) / 2,
	}
	darkest, _ := curve.Range()
	if setting < darkest.Setting || setting > brightest.Setting {
		s.never = fmt.Sprintf("outside the curve, which was taken from setting %s to %s", number(darkest.Setting), number(brightest.Setting))
	}
	return s
}

// fractionState is the luminance of a screen whose curve is that of the fraction that the
// display shows. While the screen is off, or where the display does not say, the setting
// says it less finely: Android keeps 1 to 255 for 0 to 1.
func fractionState(r *readings, curve devices.Curve, setting float64) state {
	power, _ := r.text(devices.ReadPower)
	on, known := screenOn(power)
	display, why := r.text(devices.ReadDisplay)
	said, shown := shownBrightness(display)
	f, err := strconv.ParseFloat(said, 64)
	s := state{text: "display shows " + said}
	if known && !on || why != "" || !shown || err != nil || math.IsNaN(f) {
		f = (setting - 1) / (aospSteps - 1)
		half := 0.5 / (aospSteps - 1)
		s.text = fmt.Sprintf("setting %s, not confirmed by the display", number(setting))
		s.slack = math.Abs(curve.At(f+half)-curve.At(f-half)) / 2
	}
	s.value = curve.At(f)
	s.text = fmt.Sprintf("%s cd/m² (%s)", number(math.Round(s.value*10)/10), s.text)
	darkest, brightest := curve.Range()
	if f < darkest.Setting || f > brightest.Setting {
		s.never = fmt.Sprintf("outside the curve, which was taken from %s to %s", number(darkest.Setting), number(brightest.Setting))
	}
	return s
}

func setLuminance(r *readings, _ state, w Want) ([]step, string) {
	if r.handset.Curve == nil {
		return nil, "no luminance curve is known for this handset"
	}
	setting, err := r.handset.Curve.SettingFor(*w.Value)
	if err != nil {
		return nil, err.Error()
	}
	s := r.put(kBrightness, strconv.Itoa(int(math.Round(setting))))
	if r.handset.CurveFraction {
		s.target, s.ways = "brightness of the display", []string{"cmd display set-brightness " + strconv.FormatFloat(setting, 'f', 5, 64)}
	}
	return []step{s}, ""
}

const noCurve = "take the screen's luminance at several brightness settings with a luminance meter (full white screen, dark room, " +
	"meter at the centre and perpendicular): rundown calibrate light walks through it; or give readings as the handset's luminance curve in the plan file"

var (
	activeMode  = regexp.MustCompile(`\bmActiveModeId=(\d+)`)
	activeMode2 = regexp.MustCompile(`\bmodeId (\d+),`)
	modeRate    = regexp.MustCompile(`\{id=(\d+), width=\d+, height=\d+, fps=(\d+(?:\.\d+)?)`)
)

func refreshState(r *readings) state {
	text, why := r.text(devices.ReadDisplay)
	if why != "" {
		return state{unread: why}
	}
	id, ok := match(activeMode, text)
	if !ok {
		id, ok = match(activeMode2, text)
	}
	if ok {
		for _, m := range modeRate.FindAllStringSubmatch(text, -1) {
			if m[1] == id {
				hz, _ := strconv.ParseFloat(m[2], 64)
				return state{value: hz}
			}
		}
	}
	return state{unread: "the handset does not say which display mode is active"}
}

func setRefresh(r *readings, _ state, w Want) ([]step, string) {
	if why := r.flavour.Lacks(devices.RefreshRate); why != "" {
		return nil, why
	}
	hz := strconv.FormatFloat(*w.Value, 'f', 1, 64)
	return []step{r.put(kPeak, hz), r.put(kLeast, hz)}, ""
}

var (
	timeoutLine = regexp.MustCompile(`\bmScreenOffTimeoutSetting=(\d+)`)
	timeoutCap  = regexp.MustCompile(`\bmMaximumScreenOffTimeoutFromDeviceAdmin=(\d+) \(enforced=true\)`)
)

func timeoutState(r *readings) state {
	value, set, why := r.setting(kTimeout)
	power, whyPower := r.text(devices.ReadPower)
	own, confirmed := match(timeoutLine, power)
	switch {
	case confirmed:
		value = own
	case why != "":
		return state{unread: why}
	case !set && whyPower != "":
		return state{unread: whyPower}
	case !set:
		return state{unread: "the handset does not give its screen timeout"}
	}
	ms, err := strconv.ParseInt(value, 10, 64)
	if err != nil {
		return state{unread: fmt.Sprintf("screen timeout %q is no number", value)}
	}
	s := state{value: float64(ms) / 1000}
	if most, capped := match(timeoutCap, power); capped {
		if n, err := strconv.ParseInt(most, 10, 64); err == nil && n < ms {
			s.never = fmt.Sprintf("a device policy caps it at %s s", number(float64(n)/1000))
		}
	}
	return s
}

var (
	keyguardShowing = regexp.MustCompile(`\bmKeyguardShowing=(true|false)`)
	policyShowing   = regexp.MustCompile(`(?m)^\s*showing=(true|false)`)
	oldLockscreen   = regexp.MustCompile(`\bmShowingLockscreen=(true|false)`)
)
