package devices

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// A Flavour is what differs from one Android version to the next. Nothing else in the
// project asks for the version: all differences are rows of the table below.
type Flavour struct {
	SDK int // 26 Android 8, 28 9, 29 10, 30 11, 31 and 32 12, 33 13, 34 14, 35 15, 36 16
}

// An Operation is something asked of a handset that Android versions do differently.
type Operation string

// The operations. The arguments that a command takes are said beside it.
const (
	ListSettings      Operation = "list settings" // namespace
	ReadBatteryState  Operation = "read the battery"
	ReadThermalStatus Operation = "read the thermal status"
	ReadSupply        Operation = "read the battery's power supply"
	ReadDisplay       Operation = "read the display"
	ReadPower         Operation = "read the power manager"
	ReadKeyguard      Operation = "read the keyguard"
	ReadKeyguardOld   Operation = "read the keyguard by its policy"
	DismissKeyguard   Operation = "dismiss the keyguard"
	ScreenOff         Operation = "turn the screen off"
	ReadWindows       Operation = "read which window has the focus"
	ReadCalls         Operation = "read whether a call is up"
	LeaveDialog       Operation = "leave a dialog"
	GoHome            Operation = "go to the home screen"
	ReadWifi          Operation = "read Wi-Fi"
	WifiOn            Operation = "turn Wi-Fi on"
	WifiOff           Operation = "turn Wi-Fi off"
	DataOn            Operation = "turn mobile data on"
	DataOff           Operation = "turn mobile data off"
	AirplaneOn        Operation = "turn airplane mode on"
	AirplaneOff       Operation = "turn airplane mode off"
	ReadBluetooth     Operation = "read Bluetooth"
	BluetoothOn       Operation = "turn Bluetooth on"
	BluetoothOff      Operation = "turn Bluetooth off"
	ReadNFC           Operation = "read NFC"
	NFCOn             Operation = "turn NFC on"
	NFCOff            Operation = "turn NFC off"
	ReadLocation      Operation = "read location"
	LocationOn        Operation = "turn location on"
	LocationOff       Operation = "turn location off"
	SaverOn           Operation = "turn battery saver on"
	SaverOff          Operation = "turn battery saver off"
	SetDisturb        Operation = "set do not disturb"    // off, priority, alarms, none
	ReadVolume        Operation = "read the media volume" //
	SetVolume         Operation = "set the media volume"  // whole steps
	ReadSync          Operation = "read automatic sync"
	ReadStorage       Operation = "read the free storage"
	ExtraDim          Operation = "extra dim"
	RefreshRate       Operation = "choose the refresh rate"
	ReadUSB           Operation = "read the USB functions"
	USBNoData         Operation = "make no data the USB default"
	USBFunctions      Operation = "set the USB functions" // mtp, ptp, rndis, midi
	ReadTCPLink       Operation = "read the port of the link over Wi-Fi"
	AllowNotices      Operation = "allow an app its notifications"    // package
	PlayFile          Operation = "play a file by its path in an app" // address
)

// A way is how Android versions from..to do an operation. Of several ways that fit, the
// earlier row is tried first; an operation none fits is lacking, for the reason given.
type way struct {
	op       Operation
	from, to int    // SDK levels, both included; 0: open
	command  string // each %s takes one argument, quoted
	lacks    string // instead of a command: why there is none
}

// ways is the one table of version differences.
var ways = []way{
	{op: ListSettings, command: "settings list %s"},
	{op: ReadBatteryState, command: "dumpsys battery"},
	{op: ReadThermalStatus, from: 29, command: "dumpsys thermalservice"},
	{op: ReadThermalStatus, to: 28, lacks: "Android has a thermal service from version 10 on"},
	{op: ReadSupply, command: "cat /sys/class/power_supply/battery/uevent"}, // the maker's choice whether the shell may
	{op: ReadDisplay, command: "dumpsys display"},
	{op: ReadPower, command: "dumpsys power"},

	{op: ReadKeyguard, command: "dumpsys activity activities"},
	{op: ReadKeyguardOld, command: "dumpsys window policy"},
	{op: DismissKeyguard, command: lightScreen + "; " + dismissKeyguard},
	{op: ScreenOff, command: darkenScreen},
	{op: ReadWindows, from: 29, command: "dumpsys window"},
	{op: ReadWindows, to: 28, command: "dumpsys window windows"},
	{op: ReadCalls, command: "dumpsys telephony.registry"},
	{op: LeaveDialog, command: "input keyevent 4"}, // BACK: the dialog's own way out
	{op: LeaveDialog, command: goHome},
	{op: GoHome, command: goHome},

	{op: ReadWifi, from: 30, command: "cmd wifi status"},
	{op: ReadWifi, to: 29, command: "dumpsys wifi | grep -m 4 -E '^Wi-Fi is |mWifiInfo '"},
	{op: WifiOn, from: 30, command: "cmd wifi set-wifi-enabled enabled"},
	{op: WifiOn, command: "svc wifi enable"},
	{op: WifiOff, from: 30, command: "cmd wifi set-wifi-enabled disabled"},
	{op: WifiOff, command: "svc wifi disable"},
	{op: DataOn, command: "svc data enable"},
	{op: DataOff, command: "svc data disable"},
	{op: AirplaneOn, from: 30, command: "cmd connectivity airplane-mode enable"},
	{op: AirplaneOff, from: 30, command: "cmd connectivity airplane-mode disable"},
	// The broadcast that goes with the setting is one that the shell may not send.
	{op: AirplaneOn, to: 29, lacks: "before Android 11 the shell may not switch airplane mode"},
	{op: AirplaneOff, to: 29, lacks: "before Android 11 the shell may not switch airplane mode"},
	{op: ReadBluetooth, command: "dumpsys bluetooth_manager"},
	{op: BluetoothOn, from: 33, command: "cmd bluetooth_manager enable"},
	{op: BluetoothOn, command: "svc bluetooth enable"},
	{op: BluetoothOff, from: 33, command: "cmd bluetooth_manager disable"},
	{op: BluetoothOff, command: "svc bluetooth disable"},
	{op: ReadNFC, command: "dumpsys nfc"},
	{op: NFCOn, from: 35, command: "cmd nfc enable-nfc"},
	{op: NFCOn, command: "svc nfc enable"},
	{op: NFCOff, from: 35, command: "cmd nfc disable-nfc"},
	{op: NFCOff, command: "svc nfc disable"},
	{op: ReadLocation, from: 31, command: "cmd location is-location-enabled"},
	{op: ReadLocation, to: 30, lacks: "before Android 12 location is read from its setting only"},
	{op: LocationOn, from: 31, command: "cmd location set-location-enabled true"},
	{op: LocationOn, from: 29, command: "settings put secure location_mode 3"},
	{op: LocationOn, to: 28, command: "settings put secure location_providers_allowed +gps,+network; settings put secure location_mode 3"},
	{op: LocationOff, from: 31, command: "cmd location set-location-enabled false"},
	{op: LocationOff, from: 29, command: "settings put secure location_mode 0"},
	{op: LocationOff, to: 28, command: "settings put secure location_providers_allowed -gps,-network; settings put secure location_mode 0"},

	{op: SaverOn, from: 28, command: "cmd power set-mode 1"},
	{op: SaverOn, command: "settings put global low_power 1"},
	{op: SaverOff, from: 28, command: "cmd power set-mode 0"},
	{op: SaverOff, command: "settings put global low_power 0"},
	{op: SetDisturb, from: 29, command: "cmd notification set_dnd %s"},
	{op: SetDisturb, to: 28, lacks: "before Android 10 the shell may not switch do not disturb"},
	{op: ReadVolume, from: 31, command: "cmd media_session volume --stream 3 --get"},
	{op: ReadVolume, to: 30, command: "media volume --stream 3 --get"},
	// On some builds of Android 14 and later the first does nothing and says nothing.
	{op: SetVolume, from: 31, command: "cmd media_session volume --stream 3 --set %s"},
	{op: SetVolume, from: 33, command: "cmd audio set-volume 3 %s"},
	{op: SetVolume, to: 30, command: "media volume --stream 3 --set %s"},
	{op: ReadSync, command: "dumpsys content"},
	{op: ReadStorage, command: "df -k /data"},

	// Operations that are plain settings: the row only says from when on they exist.
	{op: ExtraDim, from: 31, command: "settings get secure reduce_bright_colors_activated"},
	{op: ExtraDim, to: 30, lacks: "Android has extra dim from version 12 on"},
	{op: RefreshRate, from: 29, command: "settings get system peak_refresh_rate"},
	{op: RefreshRate, to: 28, lacks: "Android lets the refresh rate be chosen from version 10 on"},

	{op: ReadUSB, command: "getprop sys.usb.state; getprop sys.usb.config"},
	{op: USBNoData, from: 28, command: "svc usb setScreenUnlockedFunctions; svc usb setFunctions"},
	{op: USBNoData, to: 27, lacks: "before Android 9 the shell may not choose the USB default"},
	{op: USBFunctions, from: 28, command: "svc usb setFunctions %s"},
	{op: USBFunctions, to: 27, lacks: "before Android 9 the shell may not choose the USB functions"},
	{op: ReadTCPLink, command: "getprop service.adb.tcp.port"},

	{op: AllowNotices, from: 33, command: "pm grant %s android.permission.POST_NOTIFICATIONS"},
	{op: AllowNotices, to: 32, lacks: "before Android 13 no app needs leave for its notifications"},
	{op: PlayFile, to: 28, command: "am start -a android.intent.action.VIEW -d %s -t video/mp4"},
	{op: PlayFile, from: 29, lacks: "from Android 10 on an app is given what the media store has, not a path"},
}

// Ways returns the command lines that do op on this flavour, the best first; none when
// it lacks the operation (see Lacks). Arguments are quoted.
func (f Flavour) Ways(op Operation, args ...string) []string {
	var commands []string
	for _, w := range ways {
		if w.op != op || w.command == "" || !f.fits(w) {
			continue
		}
		quoted := make([]any, strings.Count(w.command, "%s"))
		for i := range quoted {
			quoted[i] = Quote(args[i])
		}
		commands = append(commands, fmt.Sprintf(w.command, quoted...))
	}
	return commands
}

// Lacks says why op cannot be done on this flavour; "" when it can.
func (f Flavour) Lacks(op Operation) string {
	reason := fmt.Sprintf("nothing is known of how to %s on Android SDK level %d", op, f.SDK)
	for _, w := range ways {
		if w.op != op || !f.fits(w) {
			continue
		}
		if w.command != "" {
			return ""
		}
		reason = w.lacks
	}
	return reason
}

func (f Flavour) fits(w way) bool {
	return (w.from == 0 || f.SDK >= w.from) && (w.to == 0 || f.SDK <= w.to)
}

// refused says whether a command's text has what refusal finds. Every command's text is looked
// through, and hardly any has one of its words: those without are told apart before the
// expression, which is slow on a text in which nothing is found.
func refused(text string) bool {
	// The expression folds a few letters beyond ASCII onto those of ASCII, so it has the word
	// wherever there is one of them.
	if !strings.ContainsFunc(text, func(c rune) bool { return c >= utf8.RuneSelf }) {
		text := strings.ToLower(text)
		if !slices.ContainsFunc(refusalWords, func(w string) bool { return strings.Contains(text, w) }) {
			return false
		}
	}
	return refusal.MatchString(text)
}

// refusalWords are of refusal's words those of which any refusal has one, in small letters.
var refusalWords = []string{
	"securityexception", "security exception:", "permission denial", "error:", "error type", "exception occurred",
	"unknown command", "invalid ", "can't find service", "inaccessible or not found",
}

// refusal finds what Android's commands say, often with exit code 0, when they did not
// do what they were asked.
var refusal = regexp.MustCompile(`(?mi)SecurityException|Security exception:|Permission denial|^Error:|^Error type|^Exception occurred|^Unknown command|^Invalid |Can't find service|inaccessible or not found`)
