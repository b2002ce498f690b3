// Package wire gives a simulated handset its two adb front ends.
//
// ServeServer speaks the protocol of an adb server (the smart socket of the host side),
// so that a client finds handsets where no adb is installed. ServeDevice speaks the
// protocol of a handset's adbd over TCP, so that a stock adb server connects to it with
// `adb connect`. Both serve the same Phone, and both misbehave on command: see Fault.
//
// The package knows bytes and streams only. What a command does, which files there are
// and how the battery drains is the Phone's business. No error leaves the package: what
// goes wrong goes to the peer, in adb's own words.
package wire

import (
	"context"
	"io"
	"io/fs"
	"net"
	"strings"
	"time"

	"rundown/devices"
)

// A Phone is what the front ends serve. Its dynamic type must be comparable (a pointer):
// a front end tells phones apart by identity, since serial numbers may repeat.
type Phone interface {
	// Serial is the serial number, or host:port for a handset linked over TCP.
	Serial() string
	// Banner is what the phone says of itself when a host connects.
	Banner() Banner
	// State is the state in which an adb server lists the phone: "device", "offline",
	// "unauthorized", "authorizing", "recovery", or "no permissions (...); see [...]".
	State() string
	// Exec runs a command line to its end and returns its exit code. The end of ctx
	// means that the stream to the command is lost: adbd would send it SIGHUP.
	Exec(ctx context.Context, command string, stdin io.Reader, stdout, stderr io.Writer) int
	// StatFile describes a file; the error is fs.ErrNotExist or another of fs or syscall.
	StatFile(path string) (devices.File, error)
	// OpenFile opens a file for reading.
	OpenFile(path string) (io.ReadCloser, error)
	// WriteFile replaces a file, and makes missing parent folders.
	WriteFile(path string, mode fs.FileMode, mtime time.Time, r io.Reader) error
	// ListDir lists a folder.
	ListDir(path string) ([]DirEntry, error)
	// AddReverse makes the phone's 127.0.0.1:devicePort lead to dial until RemoveReverse;
	// a second call for the same port replaces the first.
	AddReverse(devicePort int, dial func(ctx context.Context) (net.Conn, error))
	RemoveReverse(devicePort int)
	// Special answers the services that act on adbd or on the whole phone: "tcpip:5555",
	// "usb:", "root:", "unroot:", "remount:", "reboot:", "reboot:recovery". ok is false
	// when the phone has no such service.
	Special(service string) (reply string, ok bool)
	// Changed returns a channel that is closed at the next change of State.
	Changed() <-chan struct{}
}

// A Banner is what a phone says of itself in its CNXN message.
type Banner struct {
	Product, Model, Device string
	Features               []string // "shell_v2", "cmd", "stat_v2", ...
	Maxdata                uint32   // largest payload in bytes; 0 means 1 MiB
	Version                uint32   // protocol version; 0 means 0x01000001 (no checksums)
}

// A DirEntry is one name in a folder.
type DirEntry struct {
	Name string
	devices.File
}

// A PortDialer is a Phone whose own TCP ports can be reached from the host
// (`adb forward`, service "tcp:PORT").
type PortDialer interface {
	DialPort(ctx context.Context, port int) (net.Conn, error)
}

// A Plugged phone hangs on a USB port of the host; DevPath is like "usb:1-4". It counts
// as a USB handset for the server front end, whatever its serial number looks like.
type Plugged interface {
	DevPath() string
}

// A Faulty phone carries its own faults. Both front ends look for it.
type Faulty interface {
	Faults() *Faults
}

// An Option changes how a front end serves.
type Option func(*options)

type options struct {
	faults *Faults
}

// WithFaults gives the front end faults that can be switched while it serves. For
// ServeServer they are the server's own (its listener, its requests); the faults of each
// handset come from the phone, where it is Faulty. For ServeDevice they are the phone's,
// and take the place of those of a Faulty phone.
func WithFaults(f *Faults) Option {
	return func(o *options) { o.faults = f }
}

func faultsOf(p Phone) *Faults {
	if f, ok := p.(Faulty); ok {
		return f.Faults()
	}
	return nil
}

// stateOf is the state in which a server lists the phone, faults counted in.
func stateOf(p Phone, f *Faults) string {
	switch now := f.Now(); {
	case now.down():
		return "offline"
	case now.Unauthorised:
		return "unauthorized"
	case now.Silent:
		return "offline"
	}
	return p.State()
}

// featuresOf are the phone's features without those that a fault takes away.
func featuresOf(p Phone, f *Faults) []string {
	without := make(map[string]bool)
	for _, name := range f.Now().WithoutFeatures {
		without[name] = true
	}
	var features []string
	for _, name := range p.Banner().Features {
		if !without[name] {
			features = append(features, name)
		}
	}
	return features
}

// reachable tells the states in which a phone serves streams ("device", "recovery", ...).
func reachable(state string) bool {
	switch state {
	case "offline", "unauthorized", "authorizing", "connecting":
		return false
	}
	return !strings.HasPrefix(state, "no permissions")
}
