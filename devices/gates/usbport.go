package gates

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"syscall"

	"rundown/devices"
)

var (
	// ErrNoPort means that the host has no such USB port.
	ErrNoPort = errors.New("no such USB port")
	// ErrNoRight means that the daemon's user may not write the port's switch.
	ErrNoRight = errors.New("no right to switch the USB port")
	// ErrNoSwitch means that the kernel offers no switch for the port.
	ErrNoSwitch = errors.New("the USB port has no switch")
	// ErrNotSwitched means that the hub itself says that the port did not follow.
	ErrNotSwitched = errors.New("the hub did not switch the USB port")
	// ErrHubBehind means that a hub is attached to the port: all behind it would lose power.
	ErrHubBehind = errors.New("a hub is attached to the USB port")
)

// Sysfs is where Linux shows its devices.
const Sysfs = "/sys"

// A USBPort is a port of a USB hub whose power the host switches, by the attribute
// "disable" that Linux 6.0 and later give each port (Documentation/ABI/testing/
// sysfs-bus-usb, June 2022): 1 disables the port, with its power on hubs that switch
// power per port. In either case data is cut, and an adb link through the port with it.
//
// A port of a USB 3 hub is two ports to the kernel, one of each speed, which name each
// other as "peer"; power goes when both are disabled, so both are switched.
type USBPort struct {
	location string   // as in "1-1.3": bus, then ports from the root on
	dirs     []string // the port's folder and its peer's
	write    func(path, value string) error
}

// location is how the kernel and adb ("usb:1-1.3") name a place on the bus.
var location = regexp.MustCompile(`^(?:usb:)?([1-9]\d{0,2})-([1-9]\d{0,2}(?:\.[1-9]\d{0,2}){0,6})$`)

// FindPort finds the port at a place on the bus: adb's path of the handset ("usb:1-4") or
// the kernel's name for it ("1-1.3"). sysfs is the root of the tree, [Sysfs] but in tests.
// Nothing need be attached there. A port that cannot be switched is an error at once.
func FindPort(sysfs, at string) (*USBPort, error) {
	m := location.FindStringSubmatch(at)
	if m == nil {
		return nil, fmt.Errorf("power gate: %q is no place on the USB bus; want one like 1-4 or usb:1-1.3 (bus, then port by port from the root), as \"adb devices -l\" shows it", devices.Shorten(at, 60))
	}
	bus, ports := m[1], m[2]
	// The hub of the port, its interface and the port's folder below that.
	hub, face := "usb"+bus, bus+"-0"
	last := ports
	if i := strings.LastIndexByte(ports, '.'); i >= 0 {
		hub, last = bus+"-"+ports[:i], ports[i+1:]
		face = hub
	}
	devicesDir := filepath.Join(sysfs, "bus", "usb", "devices")
	p := &USBPort{location: bus + "-" + ports, write: writeAttribute}
	dirs, _ := filepath.Glob(filepath.Join(devicesDir, face+":*", hub+"-port"+last))
	if len(dirs) == 0 {
		return nil, fmt.Errorf("power gate: %w: %s: %s", ErrNoPort, p.location, whatThereIs(devicesDir, hub, face))
	}
	p.dirs = dirs[:1]
	if peer, err := filepath.EvalSymlinks(filepath.Join(dirs[0], "peer")); err == nil {
		p.dirs = append(p.dirs, peer)
	}
	for _, dir := range p.dirs {
		if err := p.usable(dir); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// FindPortOf finds the port to which the handset with this USB serial number is attached;
// for handsets that adb reaches over Wi-Fi, whose path it does not tell.
func FindPortOf(sysfs, serial string) (*USBPort, error) {
	files, _ := filepath.Glob(filepath.Join(sysfs, "bus", "usb", "devices", "*", "serial"))
	for _, file := range files {
		at := filepath.Base(filepath.Dir(file))
		if !location.MatchString(at) {
			continue // a root hub, whose serial number is its controller's
		}
		if text, err := os.ReadFile(file); err == nil && strings.TrimSpace(string(text)) == serial {
			return FindPort(sysfs, at)
		}
	}
	return nil, fmt.Errorf("power gate: %w: no USB device on this host has the serial number %q; a handset on a charger, or whose USB carries no data, is not seen: name its port in the plan file", ErrNoPort, devices.Shorten(serial, 60))
}

// usable says why a port's switch cannot be used.
func (p *USBPort) usable(dir string) error {
	file := filepath.Join(dir, "disable")
	f, err := os.OpenFile(file, os.O_WRONLY, 0)
	if err != nil {
		return p.fault("find", file, err)
	}
	f.Close()
	// A hub is class 9 (USB 2.0 specification, 11.23.1).
	if class, err := os.ReadFile(filepath.Join(dir, "device", "bDeviceClass")); err == nil && strings.TrimSpace(string(class)) == "09" {
		return fmt.Errorf("power gate: %w: %s: switching it would cut everything behind that hub; name the handset's own port", ErrHubBehind, p.location)
	}
	return nil
}

// whatThereIs tells the person who named a port that is not there what the host has.
func whatThereIs(devicesDir, hub, face string) string {
	names := func(pattern, before string) []string {
		found, _ := filepath.Glob(pattern)
		var out []string
		for _, f := range found {
			out = append(out, strings.TrimPrefix(filepath.Base(f), before))
		}
		sort.Strings(out)
		return out
	}
	if ports := names(filepath.Join(devicesDir, face+":*", hub+"-port*"), hub+"-port"); len(ports) > 0 {
		return "hub " + hub + " has the ports " + strings.Join(ports, ", ")
	}
	if _, err := os.Stat(devicesDir); err != nil {
		return "this host shows no USB devices under " + devicesDir
	}
	hubs := append(names(filepath.Join(devicesDir, "usb*"), ""), names(filepath.Join(devicesDir, "[0-9]*-[1-9]*:*", "*-port1"), "")...)
	for i, h := range hubs {
		hubs[i] = strings.TrimSuffix(h, "-port1")
	}
	return "no hub " + hub + " is attached; there are " + strings.Join(hubs, ", ")
}

// Location is the port's place on the bus, as in "1-1.3".
func (p *USBPort) Location() string { return p.location }

// Attached returns the USB serial number of what is attached to the port, false when
// nothing is or it has none.
func (p *USBPort) Attached() (serial string, ok bool) {
	for _, dir := range p.dirs {
		if text, err := os.ReadFile(filepath.Join(dir, "device", "serial")); err == nil {
			return strings.TrimSpace(string(text)), true
		}
	}
	return "", false
}

// Name implements devices.PowerGate.
func (p *USBPort) Name() string { return "USB port " + p.location }

// Open implements devices.PowerGate.
func (p *USBPort) Open(ctx context.Context) error { return p.set(ctx, "0") }

// Close implements devices.PowerGate.
func (p *USBPort) Close(ctx context.Context) error { return p.set(ctx, "1") }

func (p *USBPort) set(ctx context.Context, disable string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	verb := "open"
	if disable == "1" {
		verb = "close"
	}
	for _, dir := range p.dirs {
		if err := p.write(filepath.Join(dir, "disable"), disable); err != nil {
			return p.fault(verb, filepath.Join(dir, "disable"), err)
		}
	}
	// What is read back is the hub's own word on the port's power.
	for _, dir := range p.dirs {
		file := filepath.Join(dir, "disable")
		text, err := os.ReadFile(file)
		if err != nil {
			return p.fault(verb, file, err)
		}
		if got := strings.TrimSpace(string(text)); got != disable {
			has := "has power"
			if disable == "0" {
				has = "has none"
			}
			return fmt.Errorf("power gate: %w: to %s %s, %s was written to %s, and the hub says that the port still %s; use a hub that switches power port by port, or another gate", ErrNotSwitched, verb, p.location, disable, file, has)
		}
	}
	return nil
}

func (p *USBPort) fault(verb, file string, err error) error {
	switch {
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("power gate: %w: %s: cannot write %s; let the daemon's user write it, by a udev rule for the hub or by the unit's group", ErrNoRight, p.location, file)
	case errors.Is(err, fs.ErrNotExist):
		if _, gone := os.Stat(filepath.Dir(file)); gone != nil {
			return fmt.Errorf("power gate: %w: %s: it was there before; is the hub still attached", ErrNoPort, p.location)
		}
		return fmt.Errorf("power gate: %w: %s: there is no %s; Linux offers it from version 6.0 on", ErrNoSwitch, p.location, file)
	case errors.Is(err, syscall.ENODEV):
		return fmt.Errorf("power gate: %w: %s: the hub has gone", ErrNoPort, p.location)
	}
	return fmt.Errorf("power gate: cannot %s USB port %s: %w", verb, p.location, err)
}

// writeAttribute writes as sysfs wants it: one write, no new file, nothing cut off.
func writeAttribute(path, value string) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(value)
	return errors.Join(err, f.Close())
}
