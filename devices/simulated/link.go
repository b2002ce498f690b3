package simulated

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"path"
	"strconv"
	"strings"
	"syscall"
	"time"

	"rundown/devices"
	"rundown/devices/simulated/wire"
)

func itoa(n int) string { return strconv.Itoa(n) }

func newEpoch(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithCancel(ctx)
}

// Serial is the handset's serial number.
func (h *Handset) Serial() string { return h.opt.Serial }

// reach gives the context of the link as it is, or the reason why there is none.
func (h *Handset) reach(ctx context.Context) (linked context.Context, end func(), err error) {
	if err := ctx.Err(); err != nil {
		return nil, nil, h.ended(ctx)
	}
	var state string
	var epoch context.Context
	h.do(func() { state, epoch = h.linkState, h.linkEpoch })
	switch state {
	case "device":
	case "unauthorized":
		return nil, nil, fmt.Errorf("handset %s: %w", h.opt.Serial, devices.ErrUnauthorised)
	default:
		return nil, nil, fmt.Errorf("handset %s: %w", h.opt.Serial, devices.ErrOffline)
	}
	linked, cancel := context.WithCancelCause(ctx)
	stop := context.AfterFunc(epoch, func() { cancel(devices.ErrLinkLost) })
	h.packet(linked)
	return linked, func() { stop(); cancel(nil) }, nil
}

// ended says why a call came to no end: the caller's deadline, or the link.
func (h *Handset) ended(ctx context.Context) error {
	switch cause := context.Cause(ctx); {
	case errors.Is(cause, devices.ErrLinkLost):
		return fmt.Errorf("handset %s: %w", h.opt.Serial, devices.ErrLinkLost)
	case errors.Is(cause, context.DeadlineExceeded):
		return fmt.Errorf("handset %s: %w: %w", h.opt.Serial, devices.ErrTimeout, cause)
	default:
		return fmt.Errorf("handset %s: %w", h.opt.Serial, cause)
	}
}

// Shell runs a command line to its end.
func (h *Handset) Shell(ctx context.Context, command string) (devices.Output, error) {
	linked, end, err := h.reach(ctx)
	if err != nil {
		return devices.Output{}, err
	}
	defer end()
	var stdout, stderr bytes.Buffer
	var errTo io.Writer = &stderr
	if h.opt.NoShellV2 {
		errTo = &stdout
	}
	code := h.Exec(linked, command, nil, &stdout, errTo)
	if linked.Err() != nil {
		return devices.Output{}, h.ended(linked)
	}
	out := devices.Output{Stdout: stdout.String(), Stderr: stderr.String(), ExitCode: code, ExitKnown: true}
	if h.opt.NoShellV2 {
		out.ExitCode, out.ExitKnown = 0, false
	}
	return out, nil
}

// StreamShell runs a command line and copies its output as it arrives, until ctx ends; see
// adb.Handset.
func (h *Handset) StreamShell(ctx context.Context, command string, stdout, stderr io.Writer) (int, error) {
	linked, end, err := h.reach(ctx)
	if err != nil {
		return -1, err
	}
	defer end()
	code := h.Exec(linked, command, nil, stdout, stderr)
	if linked.Err() != nil {
		return -1, h.ended(linked)
	}
	return code, nil
}

// Exec runs a command line as the adb daemon does. The end of ctx is a lost stream.
func (h *Handset) Exec(ctx context.Context, command string, stdin io.Reader, stdout, stderr io.Writer) int {
	var f faults
	if h.opt.Asked != nil {
		h.opt.Asked(command)
	}
	h.packet(ctx)
	h.do(func() {
		f = h.faults
		h.burst(0.5, 12*time.Millisecond) // a shell that starts
	})
	if hangs(f.hang, command) {
		<-ctx.Done()
		return 129
	}
	alone := stdout != stderr
	if stdout = (holdingWriter{h, stdout}); !alone {
		stderr = stdout
	}
	if f.crlf {
		same := stdout == stderr
		stdout = &crlfWriter{w: stdout}
		if same {
			stderr = stdout
		} else if stderr != nil {
			stderr = &crlfWriter{w: stderr}
		}
	}
	if f.warning != "" {
		if _, err := io.WriteString(stdout, f.warning+"\n"); err != nil {
			return 129
		}
	}
	defer h.do(func() { h.holdAwake(h.opt.Suspend.LinkHold) })
	return h.machine.Exec(ctx, command, stdin, stdout, stderr)
}

// A crlfWriter puts a carriage return before each line feed.
type crlfWriter struct{ w io.Writer }

func (c *crlfWriter) Write(p []byte) (int, error) {
	if _, err := c.w.Write(bytes.ReplaceAll(p, []byte("\n"), []byte("\r\n"))); err != nil {
		return 0, err
	}
	return len(p), nil
}

// Push writes content to a file of the handset.
func (h *Handset) Push(ctx context.Context, content io.Reader, name string, mode fs.FileMode) error {
	linked, end, err := h.reach(ctx)
	if err != nil {
		return err
	}
	defer end()
	b, err := io.ReadAll(readerIn{linked, content})
	if linked.Err() != nil {
		return h.ended(linked)
	}
	if err != nil {
		return fmt.Errorf("handset %s: push %s: reading what to push: %w", h.opt.Serial, name, err)
	}
	if err := h.WriteFile(name, mode, time.Time{}, bytes.NewReader(b)); err != nil {
		return fmt.Errorf("handset %s: push %s: %w", h.opt.Serial, name, err)
	}
	return nil
}

// readerIn ends with its context.
type readerIn struct {
	ctx context.Context
	r   io.Reader
}

func (r readerIn) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

// Pull copies a file from an offset on.
func (h *Handset) Pull(ctx context.Context, name string, offset int64, w io.Writer) (int64, error) {
	linked, end, err := h.reach(ctx)
	if err != nil {
		return 0, err
	}
	defer end()
	b, err := h.readFile(name)
	if err != nil {
		return 0, fmt.Errorf("handset %s: pull: %w", h.opt.Serial, err)
	}
	if offset < 0 {
		return 0, fmt.Errorf("handset %s: pull %s: offset %d is negative", h.opt.Serial, name, offset)
	}
	b = b[min(offset, int64(len(b))):]
	var done int64
	for len(b) > 0 {
		if linked.Err() != nil {
			return done, h.ended(linked)
		}
		n, err := w.Write(b[:min(len(b), 64<<10)])
		done += int64(n)
		if err != nil {
			return done, err
		}
		b = b[n:]
	}
	return done, nil
}

// Stat describes a file.
func (h *Handset) Stat(ctx context.Context, name string) (devices.File, error) {
	_, end, err := h.reach(ctx)
	if err != nil {
		return devices.File{}, err
	}
	defer end()
	f, err := h.StatFile(name)
	if err != nil {
		return devices.File{}, fmt.Errorf("handset %s: %w", h.opt.Serial, err)
	}
	return f, nil
}

// Reverse makes a port of the host reachable on the handset until the link ends.
func (h *Handset) Reverse(ctx context.Context, devicePort, hostPort int) error {
	_, end, err := h.reach(ctx)
	if err != nil {
		return err
	}
	defer end()
	addr := net.JoinHostPort("127.0.0.1", itoa(hostPort))
	h.AddReverse(devicePort, func(ctx context.Context) (net.Conn, error) {
		return h.opt.Dial(ctx, "tcp", addr)
	})
	return nil
}

// AddReverse makes a port on the handset's own localhost lead to dial.
func (h *Handset) AddReverse(devicePort int, dial func(ctx context.Context) (net.Conn, error)) {
	h.net.addReverse(devicePort, dial)
}

// RemoveReverse undoes AddReverse.
func (h *Handset) RemoveReverse(devicePort int) { h.net.removeReverse(devicePort) }

// DropReverses undoes every AddReverse and breaks what goes through them, as the end of
// the adb server that made them does.
func (h *Handset) DropReverses() { h.do(h.net.forgetReverses) }

// Banner is what the handset says of itself to an adb server.
func (h *Handset) Banner() wire.Banner {
	features := h.ways.bannerFeatures()
	if h.opt.NoShellV2 {
		var kept []string
		for _, f := range features {
			if f != "shell_v2" {
				kept = append(kept, f)
			}
		}
		features = kept
	}
	return wire.Banner{Product: h.opt.Product, Model: h.opt.Model, Device: h.opt.Product, Features: features}
}

// State is the state in which adb lists the handset.
func (h *Handset) State() (state string) {
	h.peek(func() { state = h.linkState })
	return state
}

// Changed is closed at the next change of State.
func (h *Handset) Changed() (c <-chan struct{}) {
	h.peek(func() { c = h.changed })
	return c
}

// Special answers what acts on the adb daemon or on the whole handset.
func (h *Handset) Special(service string) (string, bool) {
	name, argument, _ := strings.Cut(service, ":")
	switch name {
	case "tcpip":
		h.do(h.restartAdbd)
		return "restarting in TCP mode port: " + argument + "\n", true
	case "usb":
		h.do(h.restartAdbd)
		return "restarting in USB mode\n", true
	case "root":
		return "adbd cannot run as root in production builds\n", true
	case "unroot":
		return "adbd not running as root\n", true
	case "remount":
		return "remount failed: Operation not permitted\n", true
	case "reboot":
		h.do(h.reboot)
		return "", true
	}
	return "", false
}

func rebootCommand(h *Handset, c *call) int {
	if c.arg(0) == "-p" {
		h.do(func() { h.faults.staysOff = true; h.goDown() })
		return 0
	}
	h.do(h.reboot)
	return 0
}

// StatFile describes a file of the handset.
func (h *Handset) StatFile(name string) (devices.File, error) {
	h.packet(h.ctx())
	i, err := h.machine.FS().Stat(name)
	if err != nil {
		return devices.File{}, err
	}
	return devices.File{Size: i.Size(), Mode: i.Mode(), ModTime: i.ModTime().Truncate(time.Second)}, nil
}

// OpenFile opens a file for reading, with its content as it is at this instant.
func (h *Handset) OpenFile(name string) (io.ReadCloser, error) {
	h.packet(h.ctx())
	b, err := h.readFile(name)
	if err != nil {
		return nil, err
	}
	return io.NopCloser(bytes.NewReader(b)), nil
}

// WriteFile replaces a file and makes missing parent folders.
func (h *Handset) WriteFile(name string, mode fs.FileMode, mtime time.Time, r io.Reader) error {
	h.packet(h.ctx())
	return h.storeFile(name, mode, mtime, r)
}

func (h *Handset) storeFile(name string, mode fs.FileMode, mtime time.Time, r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	files := h.machine.FS()
	if err := files.MkdirAll(path.Dir(name)); err != nil {
		return err
	}
	if err := files.WriteFile(name, b, mode.Perm()); err != nil {
		if errors.Is(err, syscall.ENOSPC) {
			_ = files.Remove(name) // no half a file, as adbd and the camera do it
		}
		return err
	}
	if !mtime.IsZero() {
		return files.Chtimes(name, mtime)
	}
	return nil
}

// ListDir lists a folder.
func (h *Handset) ListDir(name string) ([]wire.DirEntry, error) {
	h.packet(h.ctx())
	entries, err := h.machine.FS().ReadDir(name)
	if err != nil {
		return nil, err
	}
	var list []wire.DirEntry
	for _, e := range entries {
		i, err := e.Info()
		if err != nil {
			continue // gone meanwhile
		}
		list = append(list, wire.DirEntry{Name: e.Name(), File: devices.File{Size: i.Size(), Mode: i.Mode(), ModTime: i.ModTime()}})
	}
	return list, nil
}

func (h *Handset) readFile(name string) ([]byte, error) { return h.machine.FS().ReadFile(name) }

func (h *Handset) writeFile(name string, b []byte) error {
	return h.storeFile(name, 0o660, time.Time{}, bytes.NewReader(b))
}

// ServeServer serves handsets as an adb server does, until stop is called.
func ServeServer(l net.Listener, handsets ...*Handset) (stop func()) {
	return wire.ServeServer(l, func() []wire.Phone {
		phones := make([]wire.Phone, len(handsets))
		for i, h := range handsets {
			phones[i] = h
		}
		return phones
	})
}

// ServeDevice serves one handset as its own adb daemon does over TCP, until stop is
// called: a stock adb server connects to it.
func ServeDevice(l net.Listener, h *Handset) (stop func()) { return wire.ServeDevice(l, h) }
