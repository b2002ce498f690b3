package adb

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/devicestest"
)

// TestContract runs the checks of every driver against a server whose phone is made of
// this machine's shell and files, in each generation of adbd, with whole and short reads.
func TestContract(t *testing.T) {
	for _, tt := range []struct {
		name  string
		phone realPhone
	}{
		{"shell v2, stat v2", realPhone{v2: true, stat2: true}},
		{"shell v2, stat v2, a byte at a time", realPhone{v2: true, stat2: true, dribble: true}},
		{"shell v2, stat v1", realPhone{v2: true}},
		{"shell v1, stat v1", realPhone{}},
		{"shell v1, stat v1, a byte at a time", realPhone{dribble: true}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t, onTransport(tt.phone.features(), tt.phone.serve))
			devicestest.RunIn(t, t.TempDir(), func(t *testing.T) devices.Link {
				return New(f.addr(), func(o *Options) { o.ShellTimeout = 30 * time.Second }).Handset(fakeSerial)
			})
		})
	}
}

// script answers every device service with OKAY and the bytes given, then closes.
func script(features, reply string) func(*fakeConn, string) bool {
	return onTransport(features, func(c *fakeConn, service string) bool {
		c.okay()
		if strings.HasPrefix(service, "sync:") {
			_ = c.SetReadDeadline(time.Now().Add(50 * time.Millisecond)) // take the request first
			_, _ = io.Copy(io.Discard, c.Conn)
		}
		_, _ = io.WriteString(c, reply)
		return false
	})
}

func TestShellEnds(t *testing.T) {
	tests := []struct {
		name  string
		reply string
		want  devices.Output
		err   error // nil: want
	}{
		{name: "exit packet", reply: packet(1, "a") + packet(2, "b") + packet(1, "c") + packet(3, "\x05"),
			want: devices.Output{Stdout: "ac", Stderr: "b", ExitCode: 5, ExitKnown: true}},
		{name: "empty packets and kinds without meaning here", reply: packet(1, "") + packet(0, "x") + packet(5, "24x80,0x0") + packet(3, "\x00"),
			want: devices.Output{ExitKnown: true}},
		{name: "what follows the exit is not output", reply: packet(3, "\x00") + packet(1, "late"), want: devices.Output{ExitKnown: true}},
		{name: "no exit packet", reply: packet(1, "all is well\n"), err: devices.ErrLinkLost},
		{name: "nothing at all", reply: "", err: devices.ErrLinkLost},
		{name: "cut in a header", reply: packet(1, "a") + "\x01\x05\x00", err: devices.ErrLinkLost},
		{name: "cut in data", reply: packet(1, "hello")[:7], err: devices.ErrLinkLost},
		{name: "cut before the code", reply: packet(3, "\x00")[:5], err: devices.ErrLinkLost},
		{name: "exit packet of four bytes", reply: packet(3, "\x00\x00\x00\x00"), err: errGarbled},
		{name: "not shell v2", reply: "plain text of an old shell\n", err: errGarbled},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t, script("shell_v2", tt.reply))
			got, err := New(f.addr(), quick).Handset(fakeSerial).Shell(t.Context(), "true")
			if !errors.Is(err, tt.err) || err == nil && got != tt.want {
				t.Errorf("Shell over %q = %+v, %v; want %+v, %v", tt.reply, got, err, tt.want, tt.err)
			}
			if err != nil && (got.ExitKnown || !strings.Contains(err.Error(), fakeSerial)) {
				t.Errorf("Shell over %q: %+v, %q; want no known exit code, and the handset named", tt.reply, got, err)
			}
		})
	}
}

// TestOldShellShowsItsOwnMarker: a list of processes shows the command line with the
// marker in it, and may be cut there; neither is taken for the end.
func TestOldShellShowsItsOwnMarker(t *testing.T) {
	for _, cutThere := range []bool{false, true} {
		f := newFake(t, onTransport("cmd", func(c *fakeConn, service string) bool {
			c.okay()
			wrapped := strings.TrimPrefix(service, "shell:")
			marker := wrapped[strings.Index(wrapped, "rundown-end-"):strings.LastIndex(wrapped, " $?")]
			c.say("shell 4711 %s\n%s", wrapped, marker)
			if !cutThere {
				c.say("x\nend%s 130\r\nfrom a child in the background", marker)
			}
			return false
		}))
		out, err := New(f.addr(), quick).Handset(fakeSerial).Shell(t.Context(), "ps -ef")
		if cutThere {
			if !errors.Is(err, devices.ErrLinkLost) {
				t.Errorf("Shell without its marker line = %+v, %v; want ErrLinkLost", out, err)
			}
			continue
		}
		if err != nil || !strings.HasPrefix(out.Stdout, "shell 4711 sh -c 'ps -ef'") || !strings.HasSuffix(out.Stdout, "x\nend") || out.ExitCode != 130 {
			t.Errorf("Shell = %+v, %v; want the list whole and code 130", out, err)
		}
	}
}

func TestShellLimits(t *testing.T) {
	t.Run("endless output", func(t *testing.T) {
		for _, features := range []string{"shell_v2", ""} {
			f := newFake(t, onTransport(features, func(c *fakeConn, _ string) bool {
				c.okay()
				for {
					line := strings.Repeat("y\n", 1000)
					if features != "" {
						line = packet(1, line)
					}
					if _, err := io.WriteString(c, line); err != nil {
						return false // the client hung up, as it should
					}
				}
			}))
			s := New(f.addr(), quick, func(o *Options) { o.MaxOutput = 100_000 })
			out, err := s.Handset(fakeSerial).Shell(t.Context(), "yes")
			if !errors.Is(err, ErrOutputTooLong) || !strings.Contains(err.Error(), "100000 bytes") || len(out.Stdout) != 100_000 {
				t.Errorf("Shell of endless output = %d bytes, %v; want ErrOutputTooLong after 100000", len(out.Stdout), err)
			}
		}
	})
	t.Run("a packet that claims 4 GiB", func(t *testing.T) {
		f := newFake(t, script("shell_v2", "\x01\xff\xff\xff\xffabc"))
		if _, err := New(f.addr(), quick).Handset(fakeSerial).Shell(t.Context(), "x"); !errors.Is(err, devices.ErrLinkLost) {
			t.Errorf("Shell = %v, want ErrLinkLost", err)
		}
	})
	t.Run("no answer", func(t *testing.T) {
		f := newFake(t, onTransport("shell_v2", func(c *fakeConn, _ string) bool { c.okay(); c.hang(); return false }))
		begin := time.Now()
		_, err := New(f.addr(), impatient).Handset(fakeSerial).Shell(t.Context(), "dumpsys battery")
		if !errors.Is(err, devices.ErrTimeout) || !strings.Contains(err.Error(), "dumpsys battery") || time.Since(begin) > 20*time.Second {
			t.Errorf("Shell of a frozen handset = %v after %v, want ErrTimeout that names the command", err, time.Since(begin))
		}
	})
	t.Run("bad command lines", func(t *testing.T) {
		f := newFake(t, onTransport("shell_v2", realPhone{v2: true}.serve))
		h := New(f.addr(), quick).Handset(fakeSerial)
		if _, err := h.Shell(t.Context(), "echo a\x00b"); err == nil {
			t.Error("Shell took a NUL character")
		}
		if _, err := h.Shell(t.Context(), strings.Repeat("x", 70_000)); err == nil || !strings.Contains(err.Error(), "push it as a file") {
			t.Errorf("Shell of 70000 bytes = %v, want what to do instead", err)
		}
	})
}

func TestStreamShell(t *testing.T) {
	for _, v2 := range []bool{true, false} {
		phone := realPhone{v2: v2}
		f := newFake(t, onTransport(phone.features(), phone.serve))
		h := New(f.addr(), quick).Handset(fakeSerial)
		ctx, cancel := context.WithCancel(t.Context())
		r, w := io.Pipe()
		done := make(chan error, 1)
		go func() {
			_, err := h.StreamShell(ctx, "echo first; sleep 600", w, io.Discard)
			w.Close()
			done <- err
		}()
		line := make([]byte, 6)
		if _, err := io.ReadFull(r, line); err != nil || string(line) != "first\n" {
			t.Fatalf("first line = %q, %v", line, err) // it came while the command still runs
		}
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("StreamShell = %v, want context.Canceled", err)
		}
		broken := errors.New("disk full here")
		code, err := h.StreamShell(t.Context(), "echo x", writerFunc(func([]byte) (int, error) { return 0, broken }), io.Discard)
		if code != -1 || !errors.Is(err, broken) || errors.Is(err, devices.ErrLinkLost) {
			t.Errorf("StreamShell into a broken writer = %d, %v; want -1 and the writer's error", code, err)
		}
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// TestRefusals: the texts are those of adb 29.0.6 and, where marked, of later servers.
func TestRefusals(t *testing.T) {
	for text, want := range map[string]error{
		"device unauthorized.\nThis adb server's $ADB_VENDOR_KEYS is not set\nTry 'adb kill-server' if that seems wrong.\nOtherwise check for a confirmation dialog on your device.": devices.ErrUnauthorised,
		"device still authorizing":        devices.ErrUnauthorised,
		"device offline":                  devices.ErrOffline,
		"device still connecting":         devices.ErrOffline,
		"device offline (no transport)":   devices.ErrOffline,
		"device 'PHONE1' not found":       devices.ErrNoHandset,
		"no devices/emulators found":      devices.ErrNoHandset,
		"no devices found":                devices.ErrNoHandset,
		"no device with transport id '9'": devices.ErrNoHandset,
		"insufficient permissions for device: user in plugdev group; are your udev rules wrong?\nSee [http://developer.android.com/tools/device.html] for more information": devices.ErrNoPermission,
		"no permissions (missing udev rules? user is in the plugdev group); see [http://developer.android.com/tools/device.html]":                                           devices.ErrNoPermission,
	} {
		f := newFake(t, func(c *fakeConn, service string) bool { c.fail(text); return false })
		h := New(f.addr(), quick).Handset(fakeSerial)
		_, shellErr := h.Shell(t.Context(), "true")
		_, statErr := h.Stat(t.Context(), "/x")
		for what, err := range map[string]error{"Shell": shellErr, "Stat": statErr, "Push": h.Push(t.Context(), strings.NewReader(""), "/x", 0), "Reverse": h.Reverse(t.Context(), 1, 2)} {
			if !errors.Is(err, want) || !strings.Contains(err.Error(), "handset PHONE1") {
				t.Errorf("%s after FAIL %q = %v, want %v of the handset", what, text, err, want)
			}
		}
	}
	f := newFake(t, func(c *fakeConn, _ string) bool { c.fail("more than one device/emulator"); return false })
	if _, err := New(f.addr(), quick).Handset(fakeSerial).Shell(t.Context(), "x"); err == nil || !strings.Contains(err.Error(), "USB path") {
		t.Errorf("Shell of a doubled serial number = %v, want advice", err)
	}
}

func TestUnknownHandsetNamesThoseThere(t *testing.T) {
	f := newFake(t, onTransport("shell_v2", func(*fakeConn, string) bool { return false }))
	_, err := New(f.addr(), quick).Handset("PHONE2").Shell(t.Context(), "true")
	if !errors.Is(err, devices.ErrNoHandset) || !strings.Contains(err.Error(), "it lists PHONE1") {
		t.Errorf("Shell on an unknown handset = %v, want ErrNoHandset and the serial numbers there are", err)
	}
}

// TestFeaturesFollowTheTransport: asked for once per transport, again when it changed or
// was lost.
func TestFeaturesFollowTheTransport(t *testing.T) {
	var id, lose atomic.Uint64
	id.Store(3)
	phone := realPhone{v2: true}
	f := newFake(t, func(c *fakeConn, service string) bool {
		switch service {
		case "host:tport:serial:PHONE1":
			c.okay()
			_, _ = c.Write(binary.LittleEndian.AppendUint64(nil, id.Load()))
			return true
		case "host-serial:PHONE1:features":
			if id.Load() == 4 {
				c.text("cmd")
			} else {
				c.text("shell_v2,cmd")
			}
			return false
		}
		if lose.Load() == 1 {
			c.okay()
			return false
		}
		return phone.serve(c, service)
	})
	h := New(f.addr(), quick).Handset(fakeSerial)
	ask := func(want int) {
		t.Helper()
		for range 2 {
			if out, err := h.Shell(t.Context(), "echo x; exit 4"); err != nil || out.Stdout != "x\n" || out.ExitCode != 4 {
				t.Fatalf("Shell = %+v, %v", out, err)
			}
		}
		if got := f.count("host-serial:PHONE1:features"); got != want {
			t.Errorf("features asked for %d times, want %d", got, want)
		}
	}
	ask(1)
	id.Store(4) // replugged, and now without shell v2
	ask(2)
	lose.Store(1)
	if _, err := h.Shell(t.Context(), "x"); !errors.Is(err, devices.ErrLinkLost) {
		t.Fatalf("Shell over a lost link = %v", err)
	}
	lose.Store(0)
	ask(3)
}

// TestServerWithoutTport: servers before 2019 know only host:transport.
func TestServerWithoutTport(t *testing.T) {
	phone := realPhone{v2: true}
	known := onTransport("shell_v2", phone.serve)
	f := newFake(t, func(c *fakeConn, service string) bool {
		if strings.HasPrefix(service, "host:tport") {
			c.fail("unknown host service")
			return false
		}
		return known(c, service)
	})
	h := New(f.addr(), quick).Handset(fakeSerial)
	for range 2 {
		if out, err := h.Shell(t.Context(), "echo x"); err != nil || out.Stdout != "x\n" {
			t.Fatalf("Shell = %+v, %v", out, err)
		}
	}
	if n := f.count("host:tport:serial:PHONE1"); n != 1 {
		t.Errorf("host:tport asked for %d times, want 1", n)
	}
}

func TestFileErrors(t *testing.T) {
	sync := func(id, rest string, n int) string {
		return string(binary.LittleEndian.AppendUint32([]byte(id), uint32(n))) + rest
	}
	fail := func(text string) string { return sync("FAIL", text, len(text)) }
	tests := []struct {
		name, reply string
		want        error
	}{
		{"missing", fail("open failed: No such file or directory"), devices.ErrNotExist},
		{"folder is a file", fail("couldn't create file: Not a directory"), devices.ErrNotExist},
		{"forbidden", fail("open failed: Permission denied"), fs.ErrPermission},
		{"full", fail("write failed: No space left on device"), syscall.ENOSPC},
		{"cut off", "DA", devices.ErrLinkLost},
		{"data cut off", sync("DATA", "abc", 10), devices.ErrLinkLost},
		{"fail text cut off", sync("FAIL", "open", 40), devices.ErrLinkLost},
		{"data without end", sync("DATA", "abc", 3), devices.ErrLinkLost},
		{"data too long", sync("DATA", "", 1<<30), errGarbled},
		{"fail text too long", sync("FAIL", "", 1<<30), errGarbled},
		{"garbage", "HTTP/1.1 400 Bad Request\r\n", errGarbled},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t, script("", tt.reply))
			var got bytes.Buffer
			n, err := New(f.addr(), quick).Handset(fakeSerial).Pull(t.Context(), "/data/x", 0, &got)
			if !errors.Is(err, tt.want) || n != int64(got.Len()) || !strings.Contains(err.Error(), "PHONE1") || !strings.Contains(err.Error(), "/data/x") {
				t.Errorf("Pull over %q = %d (%d written), %v; want %v with handset and path", tt.reply, n, got.Len(), err, tt.want)
			}
		})
	}
	t.Run("stat errors", func(t *testing.T) {
		for errno, want := range map[int]error{2: devices.ErrNotExist, 20: devices.ErrNotExist, 13: fs.ErrPermission, 99: nil} {
			f := newFake(t, script("stat_v2", sync("STA2", strings.Repeat("\x00", 64), errno)))
			_, err := New(f.addr(), quick).Handset(fakeSerial).Stat(t.Context(), "/data/x")
			if err == nil || want != nil && !errors.Is(err, want) || want == nil && !strings.Contains(err.Error(), "99") {
				t.Errorf("Stat with error number %d = %v, want %v", errno, err, want)
			}
		}
	})
	t.Run("bad paths", func(t *testing.T) {
		h := New("127.0.0.1:1", quick).Handset(fakeSerial) // nothing listens: it must not get that far
		for _, path := range []string{"", "a\x00b", "/" + strings.Repeat("x", 1024)} {
			if _, err := h.Stat(t.Context(), path); err == nil || errors.Is(err, devices.ErrNoServer) {
				t.Errorf("Stat(%q) = %v, want an error about the path", path, err)
			}
		}
	})
}

// endless never ends.
type endless struct{}

func (endless) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func TestPushStops(t *testing.T) {
	const readOnly = "couldn't create file: Read-only file system"
	for _, tt := range []struct {
		name  string
		reply bool
		want  func(error) bool
	}{
		{"refused, and no longer read", true, func(err error) bool { return strings.Contains(err.Error(), readOnly) }},
		{"no longer read", false, func(err error) bool { return errors.Is(err, devices.ErrTimeout) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			release := make(chan struct{})
			f := newFake(t, onTransport("", func(c *fakeConn, _ string) bool {
				c.okay()
				if tt.reply {
					_, _ = c.Write(append(binary.LittleEndian.AppendUint32([]byte("FAIL"), uint32(len(readOnly))), readOnly...))
				}
				<-release
				return false
			}))
			defer close(release)
			err := New(f.addr(), impatient).Handset(fakeSerial).Push(t.Context(), endless{}, "/system/x", 0o644)
			if err == nil || !tt.want(err) {
				t.Errorf("Push = %v", err)
			}
		})
	}
	t.Run("unreadable content", func(t *testing.T) {
		dir := t.TempDir()
		phone := realPhone{v2: true, stat2: true}
		f := newFake(t, onTransport(phone.features(), phone.serve))
		h := New(f.addr(), quick).Handset(fakeSerial)
		broken := errors.New("bad sector")
		err := h.Push(t.Context(), io.MultiReader(strings.NewReader("half"), brokenReader{broken}), dir+"/x", 0o644)
		if !errors.Is(err, broken) || errors.Is(err, devices.ErrLinkLost) {
			t.Errorf("Push of unreadable content = %v, want its error", err)
		}
		if _, err := h.Stat(t.Context(), dir+"/x"); !errors.Is(err, devices.ErrNotExist) {
			t.Errorf("half a file was kept: %v", err)
		}
	})
}

type brokenReader struct{ err error }

func (b brokenReader) Read([]byte) (int, error) { return 0, b.err }

func TestReverse(t *testing.T) {
	var asked atomic.Value
	reply := "OKAY"
	f := newFake(t, onTransport("shell_v2", func(c *fakeConn, service string) bool {
		asked.Store(service)
		c.okay()
		_, _ = io.WriteString(c, reply)
		return false
	}))
	h := New(f.addr(), quick).Handset(fakeSerial)
	if err := h.Reverse(t.Context(), 8080, 40123); err != nil || asked.Load() != "reverse:forward:tcp:8080;tcp:40123" {
		t.Errorf("Reverse = %v, asked %q", err, asked.Load())
	}
	if err := h.Unreverse(t.Context(), 8080); err != nil || asked.Load() != "reverse:killforward:tcp:8080" {
		t.Errorf("Unreverse = %v, asked %q", err, asked.Load())
	}
	text := "cannot bind listener: Address already in use"
	reply = fmt.Sprintf("FAIL%04x%s", len(text), text)
	if err := h.Reverse(t.Context(), 8080, 40123); err == nil || !strings.Contains(err.Error(), "already in use") {
		t.Errorf("Reverse that the handset refuses = %v", err)
	}
	reply = ""
	if err := h.Reverse(t.Context(), 8080, 40123); !errors.Is(err, devices.ErrLinkLost) {
		t.Errorf("Reverse over a lost link = %v, want ErrLinkLost", err)
	}
	if err := h.Reverse(t.Context(), 0, 70000); err == nil {
		t.Error("Reverse took port 0")
	}
}

func TestListenTCP(t *testing.T) {
	reply := "restarting in TCP mode port: 5555\n"
	f := newFake(t, onTransport("shell_v2", func(c *fakeConn, service string) bool {
		if service != "tcpip:5555" {
			t.Errorf("asked %q", service)
		}
		c.okay()
		_, _ = io.WriteString(c, reply)
		return false
	}))
	h := New(f.addr(), quick).Handset(fakeSerial)
	if err := h.ListenTCP(t.Context(), 5555); err != nil {
		t.Errorf("ListenTCP = %v", err)
	}
	reply = "invalid port\n"
	if err := h.ListenTCP(t.Context(), 5555); err == nil || !strings.Contains(err.Error(), "invalid port") {
		t.Errorf("ListenTCP that the handset refuses = %v", err)
	}
}
