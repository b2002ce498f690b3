// Package devices is a handset as Go sees it: the link to its shell and files, its
// battery readings, settings, identity, luminance curve and power gate.
//
// It declares what every driver offers and imports none of the drivers, and it knows
// nothing of plans, runs or results. The errors that leave it tell apart what a caller
// decides on: ErrNoServer, ErrNoHandset, ErrOffline, ErrUnauthorised, ErrNoPermission,
// ErrTimeout, ErrLinkLost, and *CommandError for a command that ran and failed.
package devices

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"time"
)

var (
	// ErrNoServer means that no adb server answers at the address given.
	ErrNoServer = errors.New("no adb server answers")
	// ErrNoHandset means that the server knows no handset of this serial number.
	ErrNoHandset = errors.New("no such handset")
	// ErrOffline means that the server lists the handset but has lost contact with it.
	ErrOffline = errors.New("handset is offline")
	// ErrUnauthorised means that the handset has not accepted this host's key.
	ErrUnauthorised = errors.New("handset has not authorised this host")
	// ErrNoPermission means that the host may not open the handset's USB device (udev rules).
	ErrNoPermission = errors.New("no permission to open the handset's USB device")
	// ErrTimeout means that the handset or the server did not answer within the deadline.
	ErrTimeout = errors.New("no answer within the deadline")
	// ErrLinkLost means that the connection ended before the command's exit was known.
	ErrLinkLost = errors.New("link lost before the command's end was known")
	// ErrNotExist means that the file asked for is not on the handset.
	ErrNotExist = fs.ErrNotExist
)

// A CommandError is a command that ran on the handset and failed there.
type CommandError struct {
	Command  string // the command line, shortened for the message
	ExitCode int    // 0 when the handset's link cannot report one
	Stderr   string // what it said, trimmed
}

func (e *CommandError) Error() string {
	said := strings.TrimSpace(e.Stderr)
	if said == "" {
		said = "no message"
	}
	return fmt.Sprintf("command %q failed with exit code %d: %s", e.Command, e.ExitCode, said)
}

// Output is what a finished command left.
type Output struct {
	Stdout   string
	Stderr   string // empty where the link cannot separate the streams (no shell v2)
	ExitCode int
	// ExitKnown is false where the link cannot report exit codes (no shell v2).
	ExitKnown bool
}

// A File describes one file on the handset.
type File struct {
	Size    int64 // bytes
	Mode    fs.FileMode
	ModTime time.Time // handset's wall clock, whole seconds
}

// A Link reaches the shell and the files of one handset. Every call takes a context and
// has a deadline of its own besides; implementations are safe for concurrent use.
type Link interface {
	// Serial is the handset's serial number, or host:port for one linked over Wi-Fi.
	Serial() string
	// Shell runs a command line to its end. A command that exits with another code
	// than 0 is no error here: see Run. ErrLinkLost when the end was not seen.
	Shell(ctx context.Context, command string) (Output, error)
	// Push writes content to path, replacing it; missing parent folders are made.
	Push(ctx context.Context, content io.Reader, path string, mode fs.FileMode) error
	// Pull copies path from byte offset on into w and returns the bytes copied.
	// An offset at or past the end copies nothing. ErrNotExist when there is no such file.
	Pull(ctx context.Context, path string, offset int64, w io.Writer) (int64, error)
	// Stat describes path, or returns ErrNotExist.
	Stat(ctx context.Context, path string) (File, error)
	// Reverse makes the host's TCP port hostPort reachable on the handset as
	// 127.0.0.1:devicePort until the link ends.
	Reverse(ctx context.Context, devicePort, hostPort int) error
}

// Run runs a command line and returns its standard output. A known exit code other
// than 0 is a *CommandError.
func Run(ctx context.Context, l Link, command string) (string, error) {
	out, err := l.Shell(ctx, command)
	if err != nil {
		return "", err
	}
	if out.ExitKnown && out.ExitCode != 0 {
		return out.Stdout, &CommandError{Command: shownCommand(command), ExitCode: out.ExitCode, Stderr: out.Stderr + out.Stdout}
	}
	return out.Stdout, nil
}

// Quote returns s as one single-quoted shell word. It is the only way by which text
// from a file, a request or a handset reaches a command line.
func Quote(s string) string {
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// A PowerGate lets power to a handset or cuts it.
type PowerGate interface {
	// Name says what the gate is, for reports: "usb port 1-1 port 3", "command", "by hand".
	Name() string
	// Open lets power to the handset; Close cuts it. Both return when the gate says that
	// it has switched; whether power really came or went is read from the handset.
	Open(ctx context.Context) error
	Close(ctx context.Context) error
}
