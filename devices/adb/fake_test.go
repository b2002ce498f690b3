package adb

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// A fakeServer answers as an adb server would, or as scripted. serve gets each request of
// a connection in turn and returns false to close it.
type fakeServer struct {
	t     *testing.T
	l     net.Listener
	serve func(c *fakeConn, service string) bool

	wg sync.WaitGroup

	mu    sync.Mutex
	open  map[net.Conn]bool
	asked []string
}

// A fakeConn writes what the script says, one byte at a time when dribble is set: then
// every read of the client is a short one.
type fakeConn struct {
	net.Conn
	f       *fakeServer
	dribble bool
}

func (c *fakeConn) Write(p []byte) (int, error) {
	if !c.dribble || len(p) > 4096 {
		return c.Conn.Write(p)
	}
	for i := range p {
		if _, err := c.Conn.Write(p[i : i+1]); err != nil {
			return i, err
		}
	}
	return len(p), nil
}

func (c *fakeConn) say(format string, args ...any) { fmt.Fprintf(c, format, args...) }
func (c *fakeConn) okay()                          { c.say("OKAY") }
func (c *fakeConn) text(s string)                  { c.say("OKAY%04x%s", len(s), s) }
func (c *fakeConn) fail(s string)                  { c.say("FAIL%04x%s", len(s), s) }

// hang keeps the connection open and silent until the client or the test ends it.
func (c *fakeConn) hang() { _, _ = io.Copy(io.Discard, c.Conn) }

// sayGoodbye ends the stream and takes in what the client still says: a connection that is
// closed over bytes nobody has read is reset, and what was on its way to the client is lost.
func (c *fakeConn) sayGoodbye() {
	if half, ok := c.Conn.(*net.TCPConn); ok {
		_ = half.CloseWrite()
	}
	_ = c.Conn.SetReadDeadline(time.Now().Add(2 * time.Second))
	c.hang()
}

func newFake(t *testing.T, serve func(c *fakeConn, service string) bool) *fakeServer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return newFakeOn(t, l, serve)
}

func newFakeOn(t *testing.T, l net.Listener, serve func(c *fakeConn, service string) bool) *fakeServer {
	f := &fakeServer{t: t, l: l, serve: serve, open: map[net.Conn]bool{}}
	f.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			f.mu.Lock()
			f.open[c] = true
			f.mu.Unlock()
			f.wg.Go(func() {
				defer func() {
					c.Close()
					f.mu.Lock()
					delete(f.open, c)
					f.mu.Unlock()
				}()
				fc := &fakeConn{Conn: c, f: f}
				for {
					service, err := readString(c)
					if err != nil {
						return
					}
					f.mu.Lock()
					f.asked = append(f.asked, service)
					f.mu.Unlock()
					if !f.serve(fc, service) {
						return
					}
				}
			})
		}
	})
	t.Cleanup(f.close)
	return f
}

// close ends the server and all its connections, as a killed adb server does.
func (f *fakeServer) close() {
	f.l.Close()
	f.mu.Lock()
	for c := range f.open {
		c.Close()
	}
	f.mu.Unlock()
	f.wg.Wait()
}

func (f *fakeServer) addr() string { return f.l.Addr().String() }

// count says how often a service was asked for.
func (f *fakeServer) count(service string) (n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, s := range f.asked {
		if s == service {
			n++
		}
	}
	return n
}

// quick makes the deadlines short enough for tests and long enough for a busy machine.
func quick(o *Options) {
	o.RequestTimeout, o.ShellTimeout, o.IdleTimeout = 5*time.Second, 10*time.Second, 5*time.Second
	o.PollEvery, o.RetryFirst, o.RetryMost = 20*time.Millisecond, 10*time.Millisecond, 50*time.Millisecond
}

// impatient is quick for tests in which a deadline has to pass.
func impatient(o *Options) {
	quick(o)
	o.RequestTimeout, o.ShellTimeout, o.IdleTimeout = 150*time.Millisecond, 150*time.Millisecond, 150*time.Millisecond
}

const fakeSerial = "PHONE1"

// onTransport serves the requests that lead to a device service, with the features given,
// and hands the device service on.
func onTransport(features string, device func(c *fakeConn, service string) bool) func(*fakeConn, string) bool {
	return func(c *fakeConn, service string) bool {
		switch service {
		case "host:tport:serial:" + fakeSerial:
			c.okay()
			_, _ = c.Write(binary.LittleEndian.AppendUint64(nil, 7))
			return true
		case "host:transport:" + fakeSerial:
			c.okay()
			return true
		case "host-serial:" + fakeSerial + ":features":
			c.text(features)
			return false
		case "host-serial:" + fakeSerial + ":get-state":
			c.text("device")
			return false
		case "host:devices", "host:devices-l":
			c.text(fakeSerial + "\tdevice\n")
			return false
		case "host:version":
			c.text("0029")
			return false
		}
		if strings.HasPrefix(service, "host") {
			c.fail("device '" + service + "' not found")
			return false
		}
		return device(c, service)
	}
}

// packet is one packet of shell v2.
func packet(kind byte, data string) string {
	return string(append(binary.LittleEndian.AppendUint32([]byte{kind}, uint32(len(data))), data...))
}

// A realPhone serves device services with real processes and files of this machine, as
// adbd does with the phone's: mksh and toybox where they are installed, which are what a
// phone has.
type realPhone struct {
	dribble bool
	v2      bool // shell v2
	stat2   bool
}

func (p realPhone) features() string {
	s := "cmd"
	if p.v2 {
		s += ",shell_v2"
	}
	if p.stat2 {
		s += ",stat_v2"
	}
	return s
}

func (p realPhone) serve(c *fakeConn, service string) bool {
	c.dribble = p.dribble
	if command, ok := strings.CutPrefix(service, "shell,v2,raw:"); ok && p.v2 {
		c.okay()
		p.shell(c, command)
		return false
	}
	if command, ok := strings.CutPrefix(service, "shell:"); ok {
		c.okay()
		p.shellV1(c, command)
		return false
	}
	if service == "sync:" {
		c.okay()
		p.sync(c)
		return false
	}
	c.fail("closed")
	return false
}

func phoneShell(command string) *exec.Cmd {
	sh, err := exec.LookPath("mksh")
	if err != nil {
		sh = "/bin/sh"
	}
	cmd := exec.Command(sh, "-c", command)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = 5 * time.Second
	return cmd
}

// hangUp ends a command and its children when the client goes away, as adbd does.
func hangUp(c *fakeConn, cmd *exec.Cmd, done <-chan struct{}) {
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		c.hang()
	}()
	select {
	case <-gone:
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	case <-done:
		_ = c.Conn.SetReadDeadline(time.Now())
		<-gone
	}
}

type packetWriter struct {
	mu   *sync.Mutex
	c    io.Writer
	kind byte
}

func (w packetWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	_, err := io.WriteString(w.c, packet(w.kind, string(p)))
	return len(p), err
}

func (p realPhone) shell(c *fakeConn, command string) {
	cmd := phoneShell(command)
	var mu sync.Mutex
	cmd.Stdout, cmd.Stderr = packetWriter{&mu, c, packetStdout}, packetWriter{&mu, c, packetStderr}
	p.run(c, cmd)
	_, _ = io.WriteString(c, packet(packetExit, string([]byte{byte(cmd.ProcessState.ExitCode())})))
	c.sayGoodbye()
}

func (p realPhone) shellV1(c *fakeConn, command string) {
	cmd := phoneShell(command)
	cmd.Stdout, cmd.Stderr = c, c
	p.run(c, cmd)
	c.sayGoodbye()
}

func (p realPhone) run(c *fakeConn, cmd *exec.Cmd) {
	if err := cmd.Start(); err != nil {
		c.f.t.Error(err)
		return
	}
	done := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() { hangUp(c, cmd, done) })
	_ = cmd.Wait()
	close(done)
	wg.Wait()
}

// sync serves the file service on this machine's files.
func (p realPhone) sync(c *fakeConn) {
	le := binary.LittleEndian
	status := func(id string, n uint32, rest string) {
		_, _ = c.Write(append(le.AppendUint32([]byte(id), n), rest...))
	}
	failText := func(err error) {
		text := err.Error()
		var errno syscall.Errno
		if errors.As(err, &errno) { // as adbd says it
			text = map[syscall.Errno]string{syscall.ENOENT: "No such file or directory", syscall.EISDIR: "Is a directory", syscall.ENOTDIR: "Not a directory"}[errno]
		}
		text = "open failed: " + text
		status("FAIL", uint32(len(text)), text)
	}
	for {
		id, n, err := syncHead(c)
		if err != nil || id == "QUIT" {
			return
		}
		body := make([]byte, n)
		if _, err := io.ReadFull(c, body); err != nil {
			return
		}
		switch id {
		case "STAT":
			var st syscall.Stat_t
			if syscall.Lstat(string(body), &st) != nil {
				st = syscall.Stat_t{}
			}
			b := le.AppendUint32([]byte("STAT"), st.Mode)
			b = le.AppendUint32(b, uint32(st.Size))
			_, _ = c.Write(le.AppendUint32(b, uint32(st.Mtim.Sec)))
		case "STA2":
			var st syscall.Stat_t
			var errno syscall.Errno
			if err := syscall.Stat(string(body), &st); err != nil {
				errors.As(err, &errno)
				st = syscall.Stat_t{}
			}
			b := le.AppendUint32([]byte("STA2"), uint32(errno))
			b = le.AppendUint64(b, st.Dev)
			b = le.AppendUint64(b, st.Ino)
			for _, v := range []uint32{st.Mode, uint32(st.Nlink), st.Uid, st.Gid} {
				b = le.AppendUint32(b, v)
			}
			for _, v := range []int64{st.Size, st.Atim.Sec, st.Mtim.Sec, st.Ctim.Sec} {
				b = le.AppendUint64(b, uint64(v))
			}
			_, _ = c.Write(b)
		case "RECV":
			data, err := os.ReadFile(string(body))
			if err != nil {
				failText(err)
				continue
			}
			for len(data) > 0 {
				piece := data[:min(len(data), maxSyncData)]
				status("DATA", uint32(len(piece)), string(piece))
				data = data[len(piece):]
			}
			status("DONE", 0, "")
		case "SEND":
			at := strings.LastIndex(string(body), ",")
			path := string(body[:at])
			mode, _ := strconv.Atoi(string(body[at+1:]))
			var content bytes.Buffer
			for {
				id, n, err := syncHead(c)
				if err != nil {
					return
				}
				if id == "DONE" {
					break
				}
				if _, err := io.CopyN(&content, c, int64(n)); err != nil {
					return
				}
			}
			err := os.MkdirAll(filepath.Dir(path), 0o755)
			if err == nil {
				err = os.WriteFile(path, content.Bytes(), os.FileMode(mode&0o777))
			}
			if err != nil {
				failText(err)
				continue
			}
			status("OKAY", 0, "")
		default:
			return
		}
	}
}
