package simulated

import "slices"

// A Flavour is the version of the system that a simulated handset runs.
type Flavour int

// The flavours that are simulated. The zero value stands for Android14.
const (
	Android9  Flavour = 9
	Android12 Flavour = 12
	Android14 Flavour = 14
	Android16 Flavour = 16
)

// Flavours lists every flavour, oldest first.
func Flavours() []Flavour { return []Flavour{Android9, Android12, Android14, Android16} }

// ways is what sets one flavour's commands apart from another's. Everything that differs
// between the versions stands in this table; the commands themselves only ask it.
type ways struct {
	release, build, patch string
	sdk                   int
	features              []string // of the adb banner

	javaTools       bool // input, content and their like each start a virtual machine of their own
	wifiVerbs       bool // cmd wifi status, set-wifi-enabled
	wifiInScript    bool // svc wifi only passes on to cmd wifi
	airplaneVerb    bool // cmd connectivity airplane-mode
	locationVerbs   bool
	brightnessGet   bool // cmd display get-brightness
	brightnessFloat bool // mBrightnessState in the dump, int and float keys kept alike
	floatKeyDrives  bool // writing screen_brightness_float moves the screen
	dndVerb         bool
	nightVerb       bool
	volumeVerb      bool // cmd media_session volume
	volumeTag       string
	phoneVerbs      bool // cmd phone data
	bluetoothVerbs  bool // cmd bluetooth_manager
	nfcVerbs        bool // cmd nfc
	audioVerbs      bool // cmd audio
	batteryGet      bool // cmd battery get
	thermalService  bool
	thermalLimits   bool // thresholds in its dump
	healthService   bool // the health interface's own dump
	docks           bool // Dock powered in the battery dump
	chargingState   bool // Charging state, Charging policy
	broadcastLines  bool // the one-space lines about broadcasts, Capacity level
	thisTime        bool // am start -W prints ThisTime instead of LaunchState
	errorsExitZero  bool // am start reports a missing activity with exit code 0
	resumedOld      bool // mResumedActivity only
	topResumed      bool // topResumedActivity= as well
	braceBeforeTask bool // ActivityRecord{... PKG/ACT} t12}
	namedStates     bool // PLAYING(3) instead of 3
	fileURLs        bool // players take file:// addresses
	postPermission  bool // POST_NOTIFICATIONS has to be granted
	refreshKeys     bool // peak_refresh_rate, min_refresh_rate
	scanByBroadcast bool // the media scanner takes a broadcast
	scanByCall      bool // the media provider takes scan_volume
	shadeName       string
}

var flavourTable = map[Flavour]ways{
	Android9: {
		release: "9", sdk: 28, build: "PQ3A.190801.002", patch: "2019-08-01",
		features:  []string{"cmd", "stat_v2", "shell_v2"},
		javaTools: true, thisTime: true, errorsExitZero: true, resumedOld: true,
		fileURLs: true, scanByBroadcast: true, shadeName: "StatusBar",
	},
	Android12: {
		release: "12", sdk: 31, build: "SP1A.211105.002", patch: "2021-11-05",
		features: []string{"cmd", "stat_v2", "shell_v2", "apex", "abb", "fixed_push_mkdir",
			"fixed_push_symlink_timestamp", "abb_exec", "remount_shell", "ls_v2"},
		wifiVerbs: true, wifiInScript: true, airplaneVerb: true, locationVerbs: true,
		brightnessFloat: true, floatKeyDrives: true, dndVerb: true, nightVerb: true,
		volumeVerb: true, phoneVerbs: true, batteryGet: true,
		thermalService: true, thermalLimits: true, topResumed: true,
		refreshKeys: true, scanByCall: true, shadeName: "NotificationShade",
	},
	Android14: {
		release: "14", sdk: 34, build: "UP1A.231105.001", patch: "2023-11-05",
		features: []string{"cmd", "stat_v2", "shell_v2", "apex", "abb", "fixed_push_mkdir",
			"fixed_push_symlink_timestamp", "abb_exec", "remount_shell", "ls_v2", "track_app"},
		wifiVerbs: true, wifiInScript: true, airplaneVerb: true, locationVerbs: true,
		brightnessGet: true, brightnessFloat: true, dndVerb: true,
		nightVerb: true, volumeVerb: true, volumeTag: "[V] ", phoneVerbs: true, bluetoothVerbs: true,
		audioVerbs: true, batteryGet: true, thermalService: true, thermalLimits: true,
		healthService: true, docks: true, chargingState: true, topResumed: true,
		braceBeforeTask: true, namedStates: true, postPermission: true, refreshKeys: true,
		scanByCall: true, shadeName: "NotificationShade",
	},
	Android16: {
		release: "16", sdk: 36, build: "BP2A.250605.031", patch: "2025-06-05",
		features: []string{"cmd", "stat_v2", "shell_v2", "apex", "abb", "fixed_push_mkdir",
			"fixed_push_symlink_timestamp", "abb_exec", "remount_shell", "ls_v2", "track_app"},
		wifiVerbs: true, wifiInScript: true, airplaneVerb: true, locationVerbs: true,
		brightnessGet: true, brightnessFloat: true, dndVerb: true, nightVerb: true,
		volumeVerb: true, volumeTag: "[V] ", phoneVerbs: true, bluetoothVerbs: true, nfcVerbs: true,
		audioVerbs: true, batteryGet: true, thermalService: true, thermalLimits: true,
		healthService: true, docks: true, chargingState: true, broadcastLines: true,
		topResumed: true, braceBeforeTask: true, namedStates: true, postPermission: true,
		refreshKeys: true, scanByCall: true, shadeName: "NotificationShade",
	},
}

// bannerFeatures are what the handset's adb daemon says it can do.
func (w ways) bannerFeatures() []string { return slices.Clone(w.features) }
