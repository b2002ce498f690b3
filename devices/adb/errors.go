package adb

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"strings"
	"syscall"

	"rundown/devices"
)

// ErrOutputTooLong means that a command left more output than Options.MaxOutput; it was
// stopped. Narrow the command, or let it write a file and pull that.
var ErrOutputTooLong = errors.New("the command's output is longer than the limit")

// about puts the handset's name before an error.
func about(serial string, err error) error {
	if serial == "" || err == nil {
		return err
	}
	return fmt.Errorf("handset %s: %w", serial, err)
}

// noServer explains why the server could not be reached.
func (s *Server) noServer(err error) error {
	host, port, _ := net.SplitHostPort(s.addr)
	start := "start it there with: adb -a -P " + port + " nodaemon server"
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		start = "start it with: adb -P " + port + " start-server"
	}
	var timeout net.Error
	if errors.As(err, &timeout) && timeout.Timeout() {
		return fmt.Errorf("adb server %s: %w (%w): check the address and the network, and %s", s.addr, devices.ErrNoServer, devices.ErrTimeout, start)
	}
	return fmt.Errorf("adb server %s: %w (%w): %s", s.addr, devices.ErrNoServer, err, start)
}

// requestError explains why a question to the server has no answer.
func (s *Server) requestError(sock *socket, serial, service string, err error) error {
	var fail *failure
	if errors.As(err, &fail) {
		return about(serial, refusal(fail.text))
	}
	err = sock.why(err)
	switch {
	case errors.Is(err, devices.ErrTimeout):
		return about(serial, fmt.Errorf("adb server %s: %w: waited for %q; if it stays so, restart that server", s.addr, err, service))
	case errors.Is(err, errGarbled):
		return about(serial, fmt.Errorf("adb server %s: %w (%w): something else listens there; check the address", s.addr, devices.ErrNoServer, err))
	case connectionEnded(err):
		return about(serial, fmt.Errorf("adb server %s: %w: it closed the connection in the middle of %q; it may be restarting, try again", s.addr, devices.ErrNoServer, service))
	}
	return about(serial, fmt.Errorf("adb server %s: %w", s.addr, err))
}

// connectionEnded tells an end of the connection from other errors.
func connectionEnded(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) ||
		errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE) || errors.Is(err, syscall.ECONNABORTED)
}

// refusal turns a FAIL text about a handset into the error that it stands for. The texts
// are those of adb servers 29 to 35.
func refusal(text string) error {
	first, _, _ := strings.Cut(text, "\n") // the rest is advice for adb's own command line
	has := func(parts ...string) bool {
		for _, p := range parts {
			if strings.Contains(first, p) {
				return true
			}
		}
		return false
	}
	var kind error
	var state State
	switch {
	case has("no permissions", "insufficient permissions"):
		kind, state = devices.ErrNoPermission, StateNoPermission
	case has("device unauthorized"):
		kind, state = devices.ErrUnauthorised, StateUnauthorised
	case has("device still authorizing"):
		kind, state = devices.ErrUnauthorised, StateAuthorising
	case has("device still connecting"):
		kind, state = devices.ErrOffline, StateConnecting
	case has("device offline"):
		kind, state = devices.ErrOffline, StateOffline
	case has("no devices/emulators found", "no devices found", "no device with transport id", "no such device"),
		has("device '") && has("' not found"), first == "device not found":
		return fmt.Errorf("%w: check the cable or the Wi-Fi link and that USB debugging is on, then list what the server sees", devices.ErrNoHandset)
	case has("more than one"):
		return errors.New("several handsets have this serial number: name it by its USB path instead (usb:1-4)")
	case first == "closed":
		return errors.New("the handset refused the service: it may be restarting or in another mode; try again")
	default:
		return fmt.Errorf("the adb server says %q", text)
	}
	return fmt.Errorf("%w: %s", kind, state.advice())
}

// lostAdvice says what to do after the link ended in the middle of something.
const lostAdvice = "it may still be going on; check cable or Wi-Fi and ask again"

// streamError explains why a conversation with a handset ended early. doing says what was
// going on, such as `shell "date"`.
func (h *Handset) streamError(sock *socket, doing string, err error) error {
	var fail *failure
	var local *localError
	switch {
	case errors.As(err, &fail):
		h.forgetFeatures()
		return about(h.serial, fmt.Errorf("%s: %w", doing, refusal(fail.text)))
	case errors.As(err, &local), errors.Is(err, ErrOutputTooLong):
		return about(h.serial, fmt.Errorf("%s: %w", doing, err))
	}
	err = sock.why(err)
	switch {
	case errors.Is(err, devices.ErrTimeout):
		h.forgetFeatures()
		return about(h.serial, fmt.Errorf("%s: %w: a frozen handset or a weak link looks like this; wake it, check cable or Wi-Fi, replug", doing, err))
	case errors.Is(err, context.Canceled):
		return about(h.serial, fmt.Errorf("%s: %w", doing, err))
	case connectionEnded(err):
		h.forgetFeatures()
		return about(h.serial, fmt.Errorf("%s: %w: %s", doing, devices.ErrLinkLost, lostAdvice))
	}
	return about(h.serial, fmt.Errorf("%s: %w", doing, err))
}

// A localError is one of the caller's own reader or writer, no fault of the link.
type localError struct{ err error }

func (e *localError) Error() string { return e.err.Error() }
func (e *localError) Unwrap() error { return e.err }

// fileError turns what the handset says about a file into the error that it stands for.
func fileError(path, text string) error {
	text = strings.TrimSpace(text)
	switch {
	case strings.HasSuffix(text, "No such file or directory"), strings.HasSuffix(text, "Not a directory"):
		return fmt.Errorf("%s: %w (%s)", path, devices.ErrNotExist, text)
	case strings.HasSuffix(text, "Permission denied"), strings.HasSuffix(text, "Operation not permitted"):
		return fmt.Errorf("%s: %w (%s): choose a folder that the adb shell may use, such as /data/local/tmp", path, fs.ErrPermission, text)
	case strings.HasSuffix(text, "No space left on device"):
		return fmt.Errorf("%s: %w (%s): free some storage on the handset", path, syscall.ENOSPC, text)
	}
	return fmt.Errorf("%s: the handset says %q", path, text)
}

// errnoText are the Linux error numbers that adbd sends in a stat reply.
var errnoText = map[uint32]string{
	1: "Operation not permitted", 2: "No such file or directory", 5: "I/O error", 13: "Permission denied",
	20: "Not a directory", 36: "File name too long", 40: "Too many levels of symbolic links", 75: "Value too large for defined data type",
}
