package wire_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/devices/devicestest"
	"rundown/devices/hosttest"
	"rundown/devices/simulated/wire"
)

// A hostPhone has this host's files and shell for its own, so that its shell sees what
// was pushed. The checks below keep to a temporary folder.
type hostPhone struct {
	serial   string
	features []string
	faults   wire.Faults

	mu       sync.Mutex
	reverses map[int]func(context.Context) (net.Conn, error)
}

func (p *hostPhone) Serial() string { return p.serial }
func (p *hostPhone) Banner() wire.Banner {
	return wire.Banner{Product: "toy", Model: "Toy", Device: "toy", Features: p.features}
}
func (p *hostPhone) State() string                 { return "device" }
func (p *hostPhone) Faults() *wire.Faults          { return &p.faults }
func (p *hostPhone) Changed() <-chan struct{}      { return nil }
func (p *hostPhone) Special(string) (string, bool) { return "", false }

func (p *hostPhone) Exec(ctx context.Context, command string, stdin io.Reader, stdout, stderr io.Writer) int {
	cmd := exec.CommandContext(ctx, "/bin/sh", "-c", command)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGHUP) }
	cmd.Stdout, cmd.Stderr = stdout, stderr
	in, err := cmd.StdinPipe()
	if err != nil || cmd.Start() != nil {
		return 126
	}
	go func() {
		io.Copy(in, stdin)
		in.Close()
	}()
	cmd.Wait()
	return cmd.ProcessState.ExitCode()
}

func (p *hostPhone) StatFile(path string) (devices.File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return devices.File{}, err
	}
	return devices.File{Size: st.Size(), Mode: st.Mode(), ModTime: st.ModTime()}, nil
}

func (p *hostPhone) OpenFile(path string) (io.ReadCloser, error) { return os.Open(path) }

func (p *hostPhone) WriteFile(path string, mode fs.FileMode, mtime time.Time, r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	return errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, b, mode), os.Chtimes(path, mtime, mtime))
}

func (p *hostPhone) ListDir(string) ([]wire.DirEntry, error) { return nil, fs.ErrNotExist }

func (p *hostPhone) AddReverse(port int, dial func(context.Context) (net.Conn, error)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.reverses == nil {
		p.reverses = make(map[int]func(context.Context) (net.Conn, error))
	}
	p.reverses[port] = dial
}

func (p *hostPhone) RemoveReverse(port int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.reverses, port)
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// stockServer starts an adb server on a port of its own.
func stockServer(t *testing.T) (addr string) {
	t.Helper()
	hosttest.Program(t, "adb")
	l := listen(t)
	addr = l.Addr().String()
	l.Close()
	_, port, _ := net.SplitHostPort(addr)
	home := t.TempDir()
	server := exec.Command("adb", "-P", port, "nodaemon", "server")
	server.Env = append(os.Environ(), "HOME="+home, "TMPDIR="+home, "ADB_VENDOR_KEYS="+home, "ADB_LOCAL_TRANSPORT_MAX_PORT=5553")
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Process.Kill(); server.Wait() })
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if c, err := net.Dial("tcp", addr); err == nil {
			c.Close()
			return addr
		} else if time.Now().After(deadline) {
			t.Fatalf("adb server does not answer: %v", err)
		}
	}
}

// TestLinkChecks puts the adb driver's link through the checks of every driver: to the
// server front end, and through a stock adb server to the device front end.
func TestLinkChecks(t *testing.T) {
	current := []string{"shell_v2", "cmd", "stat_v2", "ls_v2"}
	for _, tt := range []struct {
		name     string
		device   bool
		features []string
		fault    wire.Fault
	}{
		{name: "server front end", features: current},
		{name: "server front end, headers split", features: current, fault: wire.Fault{SplitHeaders: true}},
		{name: "server front end, no features"},
		{name: "device front end", device: true, features: current},
		{name: "device front end, headers split", device: true, features: current, fault: wire.Fault{SplitHeaders: true}},
		{name: "device front end, no features", device: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := &hostPhone{serial: "TOY1", features: tt.features}
			p.faults.Set(tt.fault)
			l := listen(t)
			var handset *adb.Handset
			if tt.device {
				stop := wire.ServeDevice(l, p)
				t.Cleanup(stop)
				server := adb.New(stockServer(t))
				if err := server.Connect(t.Context(), l.Addr().String()); err != nil {
					t.Fatal(err)
				}
				handset = server.Handset(l.Addr().String())
			} else {
				stop := wire.ServeServer(l, func() []wire.Phone { return []wire.Phone{p} })
				t.Cleanup(stop)
				handset = adb.New(l.Addr().String()).Handset(p.serial)
			}
			devicestest.RunIn(t, t.TempDir(), func(*testing.T) devices.Link { return handset })
			t.Run("reverse", func(t *testing.T) { checkReverse(t, p, handset) })
		})
	}
}

// checkReverse reaches a socket of the host from the phone.
func checkReverse(t *testing.T, p *hostPhone, l devices.Link) {
	host := listen(t)
	defer host.Close()
	go func() {
		if c, err := host.Accept(); err == nil {
			fmt.Fprint(c, "from the host")
			c.Close()
		}
	}()
	if err := l.Reverse(t.Context(), 7000, host.Addr().(*net.TCPAddr).Port); err != nil {
		t.Fatalf("Reverse: %v", err)
	}
	p.mu.Lock()
	dial := p.reverses[7000]
	p.mu.Unlock()
	if dial == nil {
		t.Fatal("phone was not told of the reverse")
	}
	c, err := dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(30 * time.Second))
	if got, err := io.ReadAll(c); err != nil || string(got) != "from the host" {
		t.Errorf("phone read %q, %v", got, err)
	}
}
