package doctor

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strings"
	"time"

	"rundown/devices/adb"

	"rundown/devices"
)

// A Host is the machine that is looked at. Fields that are left zero stand for this one;
// tests put a tree of files, another clock or another adb in their place.
type Host struct {
	Root   string // of the file system
	UID    int    // of the daemon's user; 0 is root. Used when Groups is not nil.
	Groups []string
	Now    func() time.Time
	// Command runs a program to its end and returns what it printed on standard output;
	// exec.ErrNotFound when there is no such program.
	Command func(ctx context.Context, name string, args ...string) (string, error)
	Listen  func(address string) error                 // opens an address and lets go of it
	Room    func(folder string) (bytes int64, ok bool) // that the daemon's user may still write
	// Synchronised tells whether something keeps the clock right, and its estimated error;
	// ok is false where the system does not tell.
	Synchronised func() (kept bool, within time.Duration, ok bool)
	ADB          adb.Options
}

func (h Host) orThisOne() Host {
	if h.Root == "" {
		h.Root = "/"
	}
	if h.Groups == nil {
		h.UID, h.Groups = os.Getuid(), ownGroups()
	}
	if h.Now == nil {
		h.Now = time.Now
	}
	if h.Command == nil {
		h.Command = command
	}
	if h.Listen == nil {
		h.Listen = listen
	}
	if h.Room == nil {
		h.Room = room
	}
	if h.Synchronised == nil {
		h.Synchronised = synchronised
	}
	if h.ADB == (adb.Options{}) {
		h.ADB = adb.Options{DialTimeout: 3 * time.Second, RequestTimeout: 5 * time.Second, ShellTimeout: patience}
	}
	return h
}

func (h Host) path(elements ...string) string {
	return filepath.Join(append([]string{h.Root}, elements...)...)
}

func (h Host) server(address string) *adb.Server {
	return adb.New(address, func(o *adb.Options) { *o = h.ADB })
}

func ownGroups() []string {
	names := []string{}
	u, err := user.Current()
	if err != nil {
		return names
	}
	ids, err := u.GroupIds()
	if err != nil {
		return names
	}
	for _, id := range ids {
		if g, err := user.LookupGroupId(id); err == nil {
			names = append(names, g.Name)
		}
	}
	return names
}

func command(ctx context.Context, name string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	c := exec.CommandContext(ctx, name, args...)
	c.WaitDelay = time.Second
	out, err := c.Output()
	return string(out), err
}

func missing(err error) bool { return errors.Is(err, exec.ErrNotFound) }

func listen(address string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	return l.Close()
}

// firstLine is the first line of what a program printed.
func firstLine(text string) string {
	line, _, _ := strings.Cut(strings.TrimSpace(text), "\n")
	return strings.TrimSpace(line)
}

// oneLine is an error as one line for a person.
func oneLine(err error) string { return devices.OneLine(err.Error()) }
