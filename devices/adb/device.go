package adb

import (
	"fmt"
	"strconv"
	"strings"
)

// A State is what an adb server says of a handset. A word that is not among the
// constants is kept as the server wrote it.
type State string

const (
	StateReady        State = "device"        // adbd answers; the only state in which a handset can be used
	StateOffline      State = "offline"       // listed, but the server has lost contact
	StateUnauthorised State = "unauthorised"  // the handset has not accepted this host's key
	StateAuthorising  State = "authorising"   // keys are being exchanged
	StateConnecting   State = "connecting"    // the link is being set up
	StateNoPermission State = "no permission" // the host may not open the USB device
	StateRecovery     State = "recovery"
	StateSideload     State = "sideload"
	StateRescue       State = "rescue"
	StateBootloader   State = "bootloader"
	StateDetached     State = "detached" // claimed by another program through the same server
	StateHost         State = "host"     // not a handset: another adb's host side
)

// stateOf reads the server's word for a state.
func stateOf(word string) State {
	switch {
	case strings.HasPrefix(word, noPermissions):
		return StateNoPermission
	case word == "unauthorized":
		return StateUnauthorised
	case word == "authorizing":
		return StateAuthorising
	}
	return State(word)
}

// noPermissions begins the only state of several words; what follows differs by host.
const noPermissions = "no permissions"

func (s State) advice() string {
	switch s {
	case StateReady:
		return ""
	case StateOffline:
		return "unplug and replug it, or reconnect its Wi-Fi link; if it stays offline, turn USB debugging off and on"
	case StateUnauthorised:
		return "unlock it and accept the dialog that asks to allow USB debugging from this computer (tick always allow); if no dialog shows, replug, or revoke USB debugging authorisations in the developer options and replug"
	case StateAuthorising:
		return "wait a few seconds; if it stays so, unlock it and look for the dialog that asks to allow USB debugging"
	case StateConnecting:
		return "wait a few seconds; if it stays so, replug it"
	case StateNoPermission:
		return "add a udev rule for its USB vendor number (on Debian: package android-sdk-platform-tools-common, user in group plugdev), log in again, replug it and restart the adb server"
	case StateRecovery, StateSideload, StateRescue, StateBootloader:
		return "it is in " + string(s) + " mode: start Android on it"
	case StateDetached:
		return "another program holds it through this adb server: end that program, or attach it again"
	case StateHost:
		return "this is no handset: remove it from the server"
	}
	return "the state is not known here: replug it, and start Android on it if it shows a maintenance screen"
}

// A Device is one row of an adb server's list.
type Device struct {
	Serial      string // "" where the handset has none: name it by USB then
	State       State
	StateText   string // the state as the server wrote it
	Product     string // ro.product.name; "" before the handset has authorised this host, like the next two
	Model       string // ro.product.model, with _ for whatever is no letter or digit
	DeviceName  string // ro.product.device
	USB         string // path of the port, such as "usb:1-4"; "" over TCP
	TransportID uint64 // the server's number for this link, new on each replug; 0 where not said
	Server      string // address of the server that lists it
}

// Ready says whether the handset can be used.
func (d Device) Ready() bool { return d.State == StateReady }

// Advice says what a person should do to make the handset usable, or "" when it is.
func (d Device) Advice() string {
	advice := d.State.advice()
	if d.Serial == "" && d.State == StateReady {
		advice = "it has no serial number: name it by its USB path " + d.USB
	}
	return advice
}

// noSerial stands in the list for a handset without a serial number.
const noSerial = "(no serial number)"

// parseDevices reads the list of host:devices-l, host:devices or a tracker. A row that
// cannot be read is an error for that row only; the others are still returned.
func parseDevices(list string) (rows []Device, faults []error) {
	for line := range strings.Lines(list) {
		line = strings.TrimRight(line, "\r\n")
		if strings.TrimSpace(line) == "" {
			continue
		}
		d, err := parseDevice(line)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		rows = append(rows, d)
	}
	return rows, faults
}

// parseDevice reads one row: serial number, state, then key:value words. Serial numbers
// may hold spaces and one state does, so the words are taken from the right-hand end,
// and the state before them.
func parseDevice(line string) (Device, error) {
	var d Device
	rest := strings.TrimSpace(line)
	for {
		at := strings.LastIndexAny(rest, " \t")
		if at < 0 || !d.take(rest[at+1:]) {
			break
		}
		rest = strings.TrimRight(rest[:at], " \t")
	}
	at := strings.LastIndexAny(rest, " \t")
	if i := strings.LastIndex(rest, noPermissions); i > 0 && (rest[i-1] == ' ' || rest[i-1] == '\t') {
		at = i - 1
	}
	if at < 0 {
		return Device{}, fmt.Errorf("row %q of the adb server's list: want serial number and state", line)
	}
	d.Serial, d.StateText = strings.TrimSpace(rest[:at]), strings.TrimSpace(rest[at+1:])
	if d.Serial == noSerial || strings.Trim(d.Serial, "?") == "" { // old servers write a row of question marks
		d.Serial = ""
	}
	d.State = stateOf(d.StateText)
	return d, nil
}

// take reads one key:value word and reports whether it was one.
func (d *Device) take(word string) bool {
	key, value, ok := strings.Cut(word, ":")
	if !ok || key == "" || strings.Trim(key, "abcdefghijklmnopqrstuvwxyz_") != "" {
		return false
	}
	switch key {
	case "usb":
		d.USB = word
	case "product":
		d.Product = value
	case "model":
		d.Model = value
	case "device":
		d.DeviceName = value
	case "transport_id":
		id, err := strconv.ParseUint(value, 10, 64)
		if err == nil {
			d.TransportID = id
		}
	}
	return true // a key of a later server is skipped
}
