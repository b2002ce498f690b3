package doctor

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"rundown/devices/adb"
)

const (
	installRule = "apt-get install android-sdk-platform-tools-common (or a rule of your own in /etc/udev/rules.d), then replug the handset"
	joinGroup   = "put the user who runs adb into the group plugdev (usermod -aG plugdev NAME), let them log in again, replug the handset, and restart adb's server when no night is under way"
)

// usb looks for the udev rule that lets an ordinary user open handsets, and at each
// handset that is attached to this host by cable: whether it offers adb, whether it may be
// opened, and whether a server has it.
func (e *examination) usb(context.Context) []Finding {
	rule, devices := e.o.Host.udevRule(), e.o.Host.usbDevices()
	refused := slices.ContainsFunc(e.seen, func(s seen) bool { return s.State == adb.StateNoPermission })
	f := Finding{Area: "usb", Name: "udev rule", Verdict: Fine, Found: rule}
	switch {
	case rule != "":
	case e.o.Host.UID == 0:
		f.Found = "none; root needs none"
	default:
		f.Verdict, f.Required, f.Found, f.Mend = Look, refused, "none that names adb's handsets", installRule
	}
	if refused && rule != "" && e.o.Host.UID != 0 && !slices.Contains(e.o.Host.Groups, "plugdev") {
		f.Verdict, f.Required, f.Found, f.Mend = Wrong, true, rule+", but this user is not in the group plugdev", joinGroup
	}
	list := []Finding{f}
	for _, d := range devices {
		if f, ok := e.usbDevice(d, rule); ok {
			list = append(list, f)
		}
	}
	return list
}

// udevRule is a rules file that names adb's handsets, or "". The words are those of the
// rules that distributions ship: a list of makers that sets adb_user, or one line for the
// interface ff/42/01 by which every adb is known.
func (h Host) udevRule() string {
	for _, folder := range []string{"etc/udev/rules.d", "run/udev/rules.d", "usr/local/lib/udev/rules.d", "usr/lib/udev/rules.d", "lib/udev/rules.d"} {
		files, _ := filepath.Glob(h.path(folder, "*.rules"))
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				continue
			}
			for line := range strings.Lines(string(text)) {
				if line = strings.TrimSpace(line); strings.HasPrefix(line, "#") {
					continue
				}
				if strings.Contains(line, "adb_user") || strings.Contains(line, "ff4201") || strings.Contains(line, "ID_DEBUG_APPLIANCE") {
					name, _ := filepath.Rel(h.Root, file)
					return "/" + name
				}
			}
		}
	}
	return ""
}

// A usbDevice is what the kernel shows of one device on the bus.
type usbDevice struct {
	place  string // such as 1-1.3
	serial string
	node   string // the file through which it is opened
	adb    bool   // it has adb's interface
}

// usbDevices are the devices on this host's buses, hubs left out. Adb's interface is class
// ff, subclass 42, protocol 01 (adb.h of the Android Open Source Project, from memory).
func (h Host) usbDevices() []usbDevice {
	var list []usbDevice
	folders, _ := filepath.Glob(h.path("sys/bus/usb/devices", "*-*"))
	for _, folder := range folders {
		name := filepath.Base(folder)
		read := func(file string) string {
			text, _ := os.ReadFile(filepath.Join(folder, file)) // an attribute that is not there says nothing
			return strings.TrimSpace(string(text))
		}
		if strings.Contains(name, ":") || read("bDeviceClass") == "09" { // an interface; a hub
			continue
		}
		d := usbDevice{place: name, serial: read("serial")}
		bus, busErr := strconv.Atoi(read("busnum"))
		number, numberErr := strconv.Atoi(read("devnum"))
		if busErr == nil && numberErr == nil {
			d.node = h.path("dev/bus/usb", fmt.Sprintf("%03d", bus), fmt.Sprintf("%03d", number))
		}
		faces, _ := filepath.Glob(filepath.Join(folder, name+":*"))
		for _, face := range faces {
			code := ""
			for _, file := range []string{"bInterfaceClass", "bInterfaceSubClass", "bInterfaceProtocol"} {
				code += read(filepath.Join(filepath.Base(face), file))
			}
			d.adb = d.adb || code == "ff4201"
		}
		list = append(list, d)
	}
	return list
}

// usbDevice judges one attached device; false for what is no handset of ours.
func (e *examination) usbDevice(d usbDevice, rule string) (Finding, bool) {
	named := ""
	for _, h := range e.o.File.Bench.Handsets {
		if d.serial != "" && h.Serial == d.serial {
			named = h.Name
		}
	}
	if !d.adb && named == "" {
		return Finding{}, false
	}
	f := Finding{Area: "usb", Name: strings.TrimSpace(named + " at " + d.place), Verdict: Fine, Required: named != "", Found: "attached, may be opened"}
	listed := slices.ContainsFunc(e.seen, func(s seen) bool { return s.Serial == d.serial && d.serial != "" || s.USB == "usb:"+d.place })
	switch {
	case !d.adb:
		f.Verdict, f.Found = Wrong, "attached, and offers no adb"
		f.Mend = "on the handset: developer options on, USB debugging on"
	case d.node != "" && !mayUse(d.node):
		f.Verdict, f.Found, f.Mend = Wrong, "attached, and this user may not open "+d.node, joinGroup
		if rule == "" {
			f.Mend = installRule + "; then " + joinGroup
		}
	case !listed:
		f.Verdict, f.Found = Look, "attached with USB debugging on, and no adb server lists it"
		f.Mend = "replug it; if that does not help, restart adb's server (`adb kill-server`, `adb start-server`) when no night is under way"
	default:
		f.Found += ", listed by its adb server"
	}
	return f, true
}
