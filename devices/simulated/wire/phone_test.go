package wire

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"net"
	"os/exec"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"rundown/devices"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// A toyPhone is a map of files and the host's own /bin/sh. All of it is invented.
type toyPhone struct {
	serial string
	banner Banner
	faults *Faults

	mu       sync.Mutex
	state    string
	changed  chan struct{}
	files    map[string]toyFile
	reverses map[int]func(context.Context) (net.Conn, error)
	full     bool
	hangups  int // commands that ended because their stream was lost
	running  int
}

type toyFile struct {
	content []byte
	mode    fs.FileMode
	mtime   time.Time
}

func newToyPhone(serial string) *toyPhone {
	return &toyPhone{
		serial: serial,
		banner: Banner{
			Product: "toy", Model: "Toy Phone-1", Device: "toydev",
			Features: []string{"shell_v2", "cmd", "stat_v2", "ls_v2"},
		},
		faults:   new(Faults),
		state:    "device",
		changed:  make(chan struct{}),
		files:    make(map[string]toyFile),
		reverses: make(map[int]func(context.Context) (net.Conn, error)),
	}
}

func (p *toyPhone) Serial() string  { return p.serial }
func (p *toyPhone) Banner() Banner  { return p.banner }
func (p *toyPhone) Faults() *Faults { return p.faults }

func (p *toyPhone) State() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state
}

func (p *toyPhone) setState(s string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.state = s
	close(p.changed)
	p.changed = make(chan struct{})
}

func (p *toyPhone) Changed() <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.changed
}

func (p *toyPhone) Exec(ctx context.Context, command string, stdin io.Reader, stdout, stderr io.Writer) int {
	cmd := exec.CommandContext(ctx, "/bin/sh", "-c", command)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGHUP) }
	cmd.Stdout, cmd.Stderr = stdout, stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		return 126
	}
	if err := cmd.Start(); err != nil {
		return 126
	}
	p.mu.Lock()
	p.running++
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.running--
		if ctx.Err() != nil {
			p.hangups++
		}
	}()
	go func() { // ends when the front end closes the stream
		io.Copy(in, stdin)
		in.Close()
	}()
	cmd.Wait()
	return cmd.ProcessState.ExitCode()
}

func (p *toyPhone) StatFile(name string) (devices.File, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if f, ok := p.files[name]; ok {
		return devices.File{Size: int64(len(f.content)), Mode: f.mode, ModTime: f.mtime}, nil
	}
	for other := range p.files {
		if strings.HasPrefix(other, strings.TrimSuffix(name, "/")+"/") {
			return devices.File{Mode: fs.ModeDir | 0o755}, nil
		}
	}
	return devices.File{}, fs.ErrNotExist
}

func (p *toyPhone) OpenFile(name string) (io.ReadCloser, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f, ok := p.files[name]
	if !ok {
		return nil, fs.ErrNotExist
	}
	return io.NopCloser(bytes.NewReader(f.content)), nil
}

func (p *toyPhone) WriteFile(name string, mode fs.FileMode, mtime time.Time, r io.Reader) error {
	content, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.full {
		return syscall.ENOSPC
	}
	if strings.HasPrefix(name, "/system/") {
		return syscall.EROFS
	}
	p.files[name] = toyFile{content, mode, mtime}
	return nil
}

func (p *toyPhone) ListDir(name string) ([]DirEntry, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var entries []DirEntry
	for file, f := range p.files {
		if path.Dir(file) == path.Clean(name) {
			entries = append(entries, DirEntry{path.Base(file), devices.File{Size: int64(len(f.content)), Mode: f.mode, ModTime: f.mtime}})
		}
	}
	if entries == nil {
		return nil, fs.ErrNotExist
	}
	slices.SortFunc(entries, func(a, b DirEntry) int { return strings.Compare(a.Name, b.Name) })
	return entries, nil
}

func (p *toyPhone) AddReverse(port int, dial func(context.Context) (net.Conn, error)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.reverses[port] = dial
}

func (p *toyPhone) RemoveReverse(port int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.reverses, port)
}

func (p *toyPhone) reverse(port int) func(context.Context) (net.Conn, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.reverses[port]
}

func (p *toyPhone) Special(service string) (string, bool) {
	switch {
	case service == "root:":
		return "adbd cannot run as root in production builds\n", true
	case strings.HasPrefix(service, "reboot:"):
		p.setState("offline")
		return "", true
	case strings.HasPrefix(service, "tcpip:"):
		p.faults.Drop()
		return "restarting in TCP mode port: 5555\n", true
	}
	return "", false
}

// DialPort answers on port 7 with an echo.
func (p *toyPhone) DialPort(ctx context.Context, port int) (net.Conn, error) {
	if port != 7 {
		return nil, syscall.ECONNREFUSED
	}
	here, there := net.Pipe()
	go func() {
		io.Copy(there, there)
		there.Close()
	}()
	return here, nil
}

func (p *toyPhone) file(name string) toyFile {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.files[name]
}

func (p *toyPhone) counts() (running, hangups int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.running, p.hangups
}

var _ PortDialer = (*toyPhone)(nil)

// eventually waits for a condition, and fails the test when it does not come.
func eventually(t *testing.T, what string, cond func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if cond() {
			return
		}
	}
	t.Fatalf("still not so after 30 s: %s", what)
}

// listen takes a port below those that the system hands out (32768 and up on Linux), so
// that nobody takes it while a fault has shut the listener.
func listen(t *testing.T) net.Listener {
	t.Helper()
	for range 100 {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 10_000+rand.IntN(20_000)))
		if err == nil {
			return l
		}
	}
	t.Fatal("no free port")
	return nil
}

// echoServer answers on the host with what it is sent.
func echoServer(t *testing.T) (port int) {
	t.Helper()
	l := listen(t)
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() {
				io.Copy(c, c)
				c.Close()
			})
		}
	})
	t.Cleanup(func() { l.Close(); wg.Wait() })
	return l.Addr().(*net.TCPAddr).Port
}
