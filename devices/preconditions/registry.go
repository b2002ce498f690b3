package preconditions

import (
	"rundown/devices"
)

// An entry is all that is known of one precondition: a row of the registry. To add a
// precondition, add a row: what it is called and which values a plan may want (Spec),
// what is read (reads, keys), what that says (state), how it is set and undone (set), and
// what a person does otherwise (mend).
type entry struct {
	Spec
	reads []devices.Operation // asked once for all entries
	keys  []key               // settings read
	// state says what was found. It changes nothing and asks nothing.
	state func(r *readings) state
	// set gives the steps that bring the wanted value about; or none, and why it cannot
	// be set on this handset as it is linked now. nil: Apply cannot set it.
	set func(r *readings, found state, w Want) (steps []step, whyNot string)
	// mend says what a person does when it is not met.
	mend func(w Want) string
}

// A state is what was found. Exactly one of the value fields counts, by the kind.
type state struct {
	on     bool
	value  float64
	choice string
	// text is what was found, for people; empty: the value alone.
	text string
	// slack widens a Number's tolerance: the handset cannot be set more finely.
	slack float64
	// unread: why it cannot be read.
	unread string
	// unlessOff, unlessOn and never: read, but not as wanted all the same, and why: only
	// where off is wanted, only where on is, or whatever is wanted.
	unlessOff, unlessOn, never string
}

// A step is one change, tried in several ways, the first first.
type step struct {
	target    string // what is changed: a setting or an operation
	ways      []string
	undo      string // complete shell command
	before    string // old value, for people
	dropsLink bool
	setting   string  // see Change
	was       *string // see Change
	press     bool    // see Change
}

func does(mend string) func(Want) string { return func(Want) string { return mend } }

func turn(what, more string) func(Want) string {
	return func(w Want) string {
		return "turn " + what + " " + onOffText(w.On != nil && *w.On) + more
	}
}

var (
	kRotationAuto = key{system, "accelerometer_rotation"}
	kRotation     = key{system, "user_rotation"}
	kBrightness   = key{system, "screen_brightness"}
	kAdaptive     = key{system, "screen_brightness_mode"}
	kTimeout      = key{system, "screen_off_timeout"}
	kPeak         = key{system, "peak_refresh_rate"}
	kLeast        = key{system, "min_refresh_rate"}
	kFontScale    = key{system, "font_scale"}
	kNight        = key{secure, "night_display_activated"}
	kNightAuto    = key{secure, "night_display_auto_mode"}
	kExtraDim     = key{secure, "reduce_bright_colors_activated"}
	kLocation     = key{secure, "location_mode"}
	kAlwaysOn     = key{secure, "doze_always_on"}
	kDark         = key{secure, "ui_night_mode"}
	kAirplane     = key{global, "airplane_mode_on"}
	kWifi         = key{global, "wifi_on"}
	kData         = key{global, "mobile_data"}
	kData1        = key{global, "mobile_data1"}
	kData2        = key{global, "mobile_data2"}
	kBluetooth    = key{global, "bluetooth_on"}
	kSaver        = key{global, "low_power"}
	kSaverLevel   = key{global, "low_power_trigger_level"}
	kSaverSticky  = key{global, "low_power_sticky"}
	kSaverAuto    = key{global, "automatic_power_save_mode"}
	kDisturb      = key{global, "zen_mode"}
	kUpdates      = key{global, "ota_disable_automatic_update"}
	kWindowScale  = key{global, "window_animation_scale"}
	kTransScale   = key{global, "transition_animation_scale"}
	kAnimScale    = key{global, "animator_duration_scale"}
)

// OnBattery is the precondition that no power source is connected: a charge that is
// measured is begun under it and then does without.
const OnBattery = "on_battery"

// ScreenLuminance is the precondition that does not matter while the screen is off.
const ScreenLuminance = "luminance"

// Storage is the precondition that there is room on the handset.
const Storage = "free_storage"

// OnTop is the precondition that nothing lies over what a scenario starts. It decides
// whether a segment can begin and changes no figure: neither the hash of a plan nor a
// comparison knows it.
const OnTop = "on_top"

// Names that the code itself asks for.
const (
	namePermission = "shell_permission"
	nameLink       = "link"
	nameStartLevel = "start_level"
)

// registry is the table of preconditions, in the order of reports and of setting: the
// link first, since its final form restarts the handset's end of it; radios before the
// screen. Restoring goes the other way, so that radios and link come last.
var registry = []*entry{
	{
		Spec: Spec{Name: "real_readings", Kind: OnOff, Mender: ByHand, Everyday: true, Drifts: true,
			About: "Battery and thermal readings are the handset's own, not values that somebody has set by hand."},
		reads: []devices.Operation{devices.ReadBatteryState, devices.ReadThermalStatus},
		state: realReadings,
		mend: does("run \"adb shell dumpsys battery reset\" and \"adb shell cmd thermalservice reset\", or restart the handset: " +
			"somebody has set readings by hand"),
	},
	{
		Spec: Spec{Name: namePermission, Kind: OnOff, Mender: ByHand, Everyday: true,
			About: "The handset lets the shell inject input and write settings. Only applying can try it."},
		keys:  []key{kTimeout, kBrightness},
		state: func(*readings) state { return state{unread: "not tried: only applying the preconditions tries it"} },
		mend: does("switch on the developer option that lets the shell do this: on some makers \"USB debugging (Security settings)\", " +
			"which needs an account and a SIM, on others \"Disable permission monitoring\"; then restart the handset and try again"),
	},
	{
		Spec: Spec{Name: nameLink, Kind: Choice, Choices: []string{"any", "wifi"}, Mender: ByShell, Everyday: "any",
			About: "The link is in its final form: no USB function that carries data, since unplugging one restarts the handset's end of the link " +
				"and kills what runs there; with wifi, this link also runs over Wi-Fi."},
		reads: []devices.Operation{devices.ReadUSB, devices.ReadTCPLink},
		state: linkForm,
		set:   setLink,
		mend: func(w Want) string {
			m := "set the default USB configuration to no data transfer (developer options), before the run is started"
			if w.Choice == "wifi" {
				m += "; link the handset over Wi-Fi (adb tcpip 5555, adb connect ADDRESS:5555), and give that address in the plan file"
			}
			return m
		},
	},
	{
		Spec: Spec{Name: OnBattery, Kind: OnOff, Mender: ByPower, Everyday: true, Drifts: true,
			About: "No power source is connected: only then is a drain measured."},
		reads: []devices.Operation{devices.ReadBatteryState},
		state: onBattery,
		mend: func(w Want) string {
			if w.On != nil && !*w.On {
				return "plug the handset in, or open its power gate"
			}
			return "unplug the handset or close its power gate; take it off any wireless charger; a hub that claims to cut power may not"
		},
	},
	{
		Spec: Spec{Name: nameStartLevel, Kind: Range, Unit: "%", Min: 0, Max: 100, Mender: ByRecharge,
			Everyday: map[string]any{"least": 90, "most": 100},
			About:    "The level at which a segment may start."},
		reads: []devices.Operation{devices.ReadBatteryState},
		state: levelState,
		mend:  does("recharge or drain the handset into the window; a charge limit (\"protect battery\") holds many handsets at 80 % until it is switched off"),
	},
	{
		Spec: Spec{Name: "battery_temperature", Kind: Range, Unit: "°C", Min: -20, Max: 60, Mender: ByWaiting,
			Everyday: map[string]any{"least": 18, "most": 35},
			About:    "The battery's temperature before a segment; outside its window a drain is not comparable."},
		reads: []devices.Operation{devices.ReadBatteryState},
		state: temperatureState,
		mend: does("leave the handset at room temperature, unplugged, until its battery is in the window; " +
			"do not queue one that is swollen, damaged or hot for no reason"),
	},
	{
		Spec: Spec{Name: "heat_throttling", Kind: OnOff, Mender: ByWaiting, Everyday: false, Advisory: true, Drifts: true,
			About: "The handset is slowing itself down because it is hot."},
		reads: []devices.Operation{devices.ReadThermalStatus},
		state: heatState,
		mend:  does("let the handset cool; keep it out of the sun, off blankets and away from other handsets"),
	},
	{
		Spec: Spec{Name: "airplane_mode", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Airplane mode."},
		keys: []key{kAirplane},
		state: func(r *readings) state {
			return switchKey(r, kAirplane, "0", "1")
		},
		set: func(r *readings, found state, w Want) ([]step, string) {
			if *w.On && r.overWifi() {
				return nil, "the link itself runs over Wi-Fi, which airplane mode would cut; link the handset over USB"
			}
			return r.toggle(found, w, devices.AirplaneOn, devices.AirplaneOff)
		},
		mend: turn("airplane mode", " in the handset's settings"),
	},
	{
		Spec: Spec{Name: "wifi", Kind: OnOff, Mender: ByShell, Everyday: true, Drifts: true,
			About: "Wi-Fi; on means that it has also joined a network."},
		reads: []devices.Operation{devices.ReadWifi},
		keys:  []key{kWifi},
		state: wifiState,
		set:   setWifi,
		mend:  turn("Wi-Fi", " in the handset's settings, and see that it joins the bench's network"),
	},
	{
		Spec: Spec{Name: "wifi_signal", Kind: Range, Unit: "dBm", Min: -100, Max: 0, Mender: ByHand, Advisory: true,
			Everyday: map[string]any{"least": -67},
			About:    "Strength of the Wi-Fi that the handset has joined; a weak one costs power."},
		reads: []devices.Operation{devices.ReadWifi},
		state: wifiSignal,
		mend:  does("move the handset or the access point closer, and see that it has joined the bench's network"),
	},
	{
		Spec: Spec{Name: "mobile_data", Kind: OnOff, Mender: ByShell, Everyday: true, Drifts: true,
			About: "Mobile data."},
		keys:  []key{kData, kData1, kData2},
		state: dataState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			return r.toggle(found, w, devices.DataOn, devices.DataOff)
		},
		mend: turn("mobile data", " in the handset's settings; it needs a SIM"),
	},
	{
		Spec: Spec{Name: "bluetooth", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Bluetooth."},
		reads: []devices.Operation{devices.ReadBluetooth},
		keys:  []key{kBluetooth},
		state: bluetoothState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			return r.toggle(found, w, devices.BluetoothOn, devices.BluetoothOff)
		},
		mend: turn("Bluetooth", " in the handset's settings"),
	},
	{
		Spec: Spec{Name: "nfc", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "NFC."},
		reads: []devices.Operation{devices.ReadNFC},
		state: nfcState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			return r.toggle(found, w, devices.NFCOn, devices.NFCOff)
		},
		mend: turn("NFC", " in the handset's settings"),
	},
	{
		Spec: Spec{Name: "location", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Location."},
		reads: []devices.Operation{devices.ReadLocation},
		keys:  []key{kLocation},
		state: locationState,
		set:   setLocation,
		mend:  turn("location", " in the handset's settings"),
	},
	{
		Spec: Spec{Name: "battery_saver", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Battery saver, and whether it comes on by itself at a low level."},
		keys:  []key{kSaver, kSaverLevel, kSaverSticky, kSaverAuto},
		state: saverState,
		set:   setSaver,
		mend: func(w Want) string {
			if w.On != nil && *w.On {
				return "turn battery saver on in the handset's settings, unplugged: it refuses while power is connected"
			}
			return "turn battery saver off; it also comes on by itself at low level: set its schedule to none in the battery settings"
		},
	},
	{
		Spec: Spec{Name: "do_not_disturb", Kind: Choice, Choices: []string{"off", "priority", "alarms", "silence"}, Mender: ByShell,
			Everyday: "priority", Drifts: true,
			About: "Do not disturb, so that no notification lights the screen. Total silence also mutes the media that a scenario plays."},
		keys:  []key{kDisturb},
		state: disturbState,
		set:   setDisturb,
		mend:  func(w Want) string { return "set do not disturb to " + w.Choice + " in the handset's settings" },
	},
	{
		Spec: Spec{Name: "media_volume", Kind: Number, Unit: "%", Min: 0, Max: 100, Within: 0, Mender: ByShell, Everyday: 50, Drifts: true,
			About: "Media volume, in % of the handset's own range; met at the step nearest to it."},
		reads: []devices.Operation{devices.ReadVolume},
		state: volumeState,
		set:   setVolume,
		mend:  does("set the media volume by hand; a headset or a do-not-disturb rule may hold it"),
	},
	{
		Spec: Spec{Name: "automatic_updates", Kind: OnOff, Mender: ByShell, Everyday: false, Advisory: true,
			About: "Automatic system updates. The app store's own updates are not visible to the shell."},
		keys:  []key{kUpdates},
		state: updatesState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			return r.putUnless(kUpdates, map[bool]string{true: "0", false: "1"}[*w.On]), ""
		},
		mend: turn("automatic system updates", " in the developer options, and the app store's in the store"),
	},
	{
		Spec: Spec{Name: "automatic_sync", Kind: OnOff, Mender: ByHand, Everyday: false, Advisory: true,
			About: "Automatic sync of accounts. The shell can read it but not switch it."},
		reads: []devices.Operation{devices.ReadSync},
		state: syncState,
		mend:  turn("automatic sync", " once in the handset's account settings: the shell may not switch it"),
	},
	{
		Spec: Spec{Name: "adaptive_brightness", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Adaptive brightness, which overrides the luminance that was set."},
		keys:  []key{kAdaptive},
		state: func(r *readings) state { return switchKey(r, kAdaptive, "0", "1") },
		set: func(r *readings, found state, w Want) ([]step, string) {
			return r.putUnless(kAdaptive, map[bool]string{true: "1", false: "0"}[*w.On]), ""
		},
		mend: turn("adaptive brightness", " in the display settings"),
	},
	{
		Spec: Spec{Name: "extra_dim", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Extra dim, which darkens the screen below its setting (Android 12 and later)."},
		keys:  []key{kExtraDim},
		state: extraDimState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			if why := r.flavour.Lacks(devices.ExtraDim); why != "" {
				return nil, why
			}
			return r.putUnless(kExtraDim, map[bool]string{true: "1", false: "0"}[*w.On]), ""
		},
		mend: turn("extra dim", " in the accessibility settings"),
	},
	{
		Spec: Spec{Name: "night_colour", Kind: OnOff, Mender: ByShell, Everyday: false, Drifts: true,
			About: "Night colour, and whether it comes on by itself in the evening."},
		keys:  []key{kNight, kNightAuto},
		state: nightState,
		set:   setNight,
		mend: turn("night colour", " and its schedule off in the display settings; makers' own blue-light filters have switches of their own, "+
			"which the shell does not see"),
	},
	{
		Spec: Spec{Name: ScreenLuminance, Kind: Number, Unit: "cd/m²", Min: 1, Max: 10000, Within: 10, DriftWithin: 30, Mender: ByShell,
			Everyday: 300, Drifts: true,
			About: "Luminance of the full white screen, through the handset's own curve from setting to cd/m²."},
		reads: []devices.Operation{devices.ReadDisplay, devices.ReadPower},
		keys:  []key{kBrightness},
		state: luminanceState,
		set:   setLuminance,
		mend: func(w Want) string {
			return "set the brightness by hand while a luminance meter shows the wanted value; a hot or nearly empty handset dims itself"
		},
	},
	{
		Spec: Spec{Name: "refresh_rate", Kind: Number, Unit: "Hz", Min: 1, Max: 480, Within: 1, Mender: ByShell, Everyday: asFound, Drifts: true,
			About: "Refresh rate of the screen's active mode."},
		reads: []devices.Operation{devices.ReadDisplay},
		keys:  []key{kPeak, kLeast},
		state: refreshState,
		set:   setRefresh,
		mend:  does("choose the refresh rate in the display settings: some makers keep it under a name of their own, which the shell cannot set"),
	},
	{
		Spec: Spec{Name: "screen_timeout", Kind: Number, Unit: "s", Min: 1, Max: 2147483, Mender: ByShell, Everyday: 1800,
			About: "How long the screen stays on without a touch."},
		reads: []devices.Operation{devices.ReadPower},
		keys:  []key{kTimeout},
		state: timeoutState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			return []step{r.put(kTimeout, number(*w.Value*1000))}, ""
		},
		mend: does("set the screen timeout in the display settings; a device policy may cap it: take the handset out of management"),
	},
	{
		Spec: Spec{Name: "keyguard", Kind: OnOff, Mender: ByShell, Everyday: false,
			About: "The lock screen is in front."},
		reads: []devices.Operation{devices.ReadKeyguard, devices.ReadKeyguardOld},
		state: keyguardState,
		set: func(r *readings, found state, w Want) ([]step, string) {
			s := r.do(devices.DismissKeyguard, devices.ScreenOff, "locked")
			if *w.On {
				s = r.do(devices.ScreenOff, devices.DismissKeyguard, "unlocked")
			}
			s.press = true
			return []step{s}, ""
		},
		mend: does("take the screen lock off the handset (none or swipe): a PIN or pattern cannot be passed by the shell"),
	},
	{
		Spec: Spec{Name: OnTop, Kind: Choice, Choices: []string{nothing}, Mender: ByShell, Everyday: nothing,
			About: "What lies over whatever a scenario starts: a dialog of the system's, or a telephone call. The lock screen is the precondition keyguard."},
		reads: []devices.Operation{devices.ReadWindows, devices.ReadCalls},
		state: onTopState,
		set:   leaveDialog,
		mend:  does("answer or close on the handset what is in front; a call is for a person to end: no command does"),
	},
	{
		Spec: Spec{Name: "rotation", Kind: Choice, Choices: []string{"portrait", "landscape", "automatic"}, Mender: ByShell, Everyday: "portrait", Drifts: true,
			About: "The screen's rotation; portrait is the handset's natural one."},
		keys:  []key{kRotationAuto, kRotation},
		state: rotationState,
		set:   setRotation,
		mend:  func(w Want) string { return "set the rotation to " + w.Choice + " in the display settings" },
	},
	{
		Spec: Spec{Name: Storage, Kind: Range, Unit: "GB", Min: 0, Max: 100000, Mender: ByHand,
			Everyday: map[string]any{"least": 4},
			About:    "Free storage (10⁹ bytes) for the clip, the photos and the samples."},
		reads: []devices.Operation{devices.ReadStorage},
		state: storageState,
		mend:  does("delete files or apps from the handset until there is room for the clip, the photos and the samples"),
	},
	{
		Spec: Spec{Name: "animations", Kind: AsFound, Mender: ByHand, Everyday: asFound,
			About: "Scales of window, transition and animator animations, as found."},
		keys:  []key{kWindowScale, kTransScale, kAnimScale},
		state: func(r *readings) state { return recorded(r, kWindowScale, kTransScale, kAnimScale) },
	},
	{
		Spec: Spec{Name: "font_scale", Kind: AsFound, Mender: ByHand, Everyday: asFound,
			About: "Scale of the text, as found."},
		keys:  []key{kFontScale},
		state: func(r *readings) state { return recorded(r, kFontScale) },
	},
	{
		Spec: Spec{Name: "always_on_display", Kind: AsFound, Mender: ByHand, Everyday: asFound,
			About: "Always-on display, as found; makers have switches of their own besides."},
		keys:  []key{kAlwaysOn},
		state: func(r *readings) state { return recorded(r, kAlwaysOn) },
	},
	{
		Spec: Spec{Name: "dark_theme", Kind: AsFound, Mender: ByHand, Everyday: asFound,
			About: "Dark theme (1 off, 2 on, 0 by schedule), as found: it changes what a page costs on many screens."},
		keys:  []key{kDark},
		state: func(r *readings) state { return recorded(r, kDark) },
	},
}
