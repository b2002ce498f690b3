package wire

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices/hosttest"
)

// These tests hold both front ends against the stock adb client and, for the device front
// end, the stock adb server (Android SDK Platform-Tools, `adb version`: 1.0.41). Its
// messages are what the tests compare with.

type stockADB struct {
	t    *testing.T
	port string
	env  []string
}

func adbClient(t *testing.T, port string) *stockADB {
	t.Helper()
	hosttest.Program(t, "adb")
	home := t.TempDir()
	env := slices.DeleteFunc(os.Environ(), func(v string) bool {
		return strings.HasPrefix(v, "ANDROID_") || strings.HasPrefix(v, "ADB_")
	})
	return &stockADB{t, port, append(env, "HOME="+home, "TMPDIR="+home, "ADB_VENDOR_KEYS="+home,
		"ADB_LOCAL_TRANSPORT_MAX_PORT=5553")} // looks for no emulators
}

// adbServer starts a stock adb server on a port of its own.
func adbServer(t *testing.T) *stockADB {
	t.Helper()
	l := listen(t)
	_, port, _ := net.SplitHostPort(l.Addr().String())
	l.Close()
	a := adbClient(t, port)
	server := exec.Command("adb", "-P", port, "nodaemon", "server")
	server.Env = a.env
	var log bytes.Buffer
	server.Stdout, server.Stderr = &log, &log
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		server.Process.Kill()
		server.Wait()
		if t.Failed() {
			t.Logf("adb server said: %s", log.String())
		}
	})
	eventually(t, "adb server answers", func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return a
}

type said struct {
	out, err string
	code     int
}

func (s said) String() string { return fmt.Sprintf("out %q, err %q, code %d", s.out, s.err, s.code) }

// run runs the adb client; one that does not end within a minute is a failure.
func (a *stockADB) run(args ...string) said {
	a.t.Helper()
	return a.runIn(strings.NewReader(""), args...)
}

func (a *stockADB) runIn(stdin io.Reader, args ...string) said {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "adb", append([]string{"-P", a.port}, args...)...)
	cmd.Env = a.env
	var out, errOut bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = stdin, &out, &errOut
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) || ctx.Err() != nil {
		a.t.Fatalf("adb %q: %v (out %q, err %q)", args, err, out.String(), errOut.String())
	}
	return said{out.String(), errOut.String(), cmd.ProcessState.ExitCode()}
}

func (a *stockADB) start(args ...string) (*exec.Cmd, *bytes.Buffer) {
	a.t.Helper()
	cmd := exec.Command("adb", append([]string{"-P", a.port}, args...)...)
	cmd.Env = a.env
	out := new(bytes.Buffer)
	cmd.Stdout = out
	if err := cmd.Start(); err != nil {
		a.t.Fatal(err)
	}
	a.t.Cleanup(func() { cmd.Process.Kill() })
	return cmd, out
}

// want compares one call of the client, whole.
func (a *stockADB) want(w said, args ...string) {
	a.t.Helper()
	if got := a.run(args...); got != w {
		a.t.Errorf("adb %q = %v, want %v", args, got, w)
	}
}

// exercise is what must work for a phone over either front end.
func exercise(t *testing.T, a *stockADB, p *toyPhone, v2 bool) {
	t.Run("shell", func(t *testing.T) {
		a := &stockADB{t, a.port, a.env}
		if v2 {
			a.want(said{"hi\n", "err\n", 7}, "shell", "echo hi; sleep 0.1; echo err >&2; exit 7")
			a.want(said{"", "", 255}, "shell", "exit 255")
			if got := a.runIn(strings.NewReader("one\ntwo\n"), "shell", "wc -l; exit 3"); strings.TrimSpace(got.out) != "2" || got.code != 3 {
				t.Errorf("shell with stdin = %v, want 2 lines counted and code 3", got)
			}
		} else {
			a.want(said{"hi\nerr\n", "", 0}, "shell", "echo hi; echo err >&2; exit 7")
		}
		a.want(said{"hi\nerr\n", "", 0}, "shell", "-x", "echo hi; echo err >&2; exit 7")
		a.want(said{"raw\x00\r\n", "", 0}, "exec-out", `printf 'raw\000\r\n'`)
		big := a.run("shell", "yes 0123456789abcde | head -c 3000000")
		if len(big.out) != 3000000 || big.code != 0 {
			t.Errorf("3 MB of output came as %d bytes, code %d", len(big.out), big.code)
		}
	})
	t.Run("files", func(t *testing.T) {
		a := &stockADB{t, a.port, a.env}
		dir := t.TempDir()
		content := make([]byte, 200_000)
		rand.New(rand.NewSource(1)).Read(content)
		src, back := filepath.Join(dir, "src"), filepath.Join(dir, "back")
		if err := os.WriteFile(src, content, 0o640); err != nil {
			t.Fatal(err)
		}
		when := time.Unix(1_600_000_000, 0)
		if err := os.Chtimes(src, when, when); err != nil {
			t.Fatal(err)
		}
		if got := a.run("push", src, "/data/local/tmp/x/y"); got.code != 0 {
			t.Fatalf("push = %v", got)
		}
		f, err := p.StatFile("/data/local/tmp/x/y")
		if err != nil || f.Size != int64(len(content)) || f.Mode != 0o666 || !f.ModTime.Equal(when) {
			t.Errorf("pushed file is %+v, %v", f, err) // mode: adbd gives all what the owner has
		}
		if got := a.run("pull", "-a", "/data/local/tmp/x/y", back); got.code != 0 {
			t.Fatalf("pull = %v", got)
		}
		if got, err := os.ReadFile(back); err != nil || !bytes.Equal(got, content) {
			t.Errorf("pulled %d bytes, %v; want the %d pushed", len(got), err, len(content))
		}
		if st, err := os.Stat(back); err != nil || !st.ModTime().Equal(when) {
			t.Errorf("pulled file's time: %v, %v", st.ModTime(), err)
		}
		missing := "adb: error: failed to stat remote object '/nope': No such file or directory\n"
		if !v2 { // STAT has no error number
			missing = "adb: error: remote object '/nope' does not exist\n"
		}
		if got := a.run("pull", "/nope", back); got.code != 1 || got.out+got.err != missing {
			t.Errorf("pull of a missing file = %v, want %q", got, missing)
		}
		ro := a.run("push", src, "/system/z")
		if want := "adb: error: failed to copy '" + src + "' to '/system/z': remote couldn't create file: Read-only file system\n"; ro.code != 1 || !strings.Contains(ro.err+ro.out, want) {
			t.Errorf("push to a read-only place = %v, want %q", ro, want)
		}
		p.mu.Lock()
		p.full = true
		p.mu.Unlock()
		if got := a.run("push", src, "/data/full"); got.code != 1 || !strings.Contains(got.err+got.out, "No space left on device") {
			t.Errorf("push to a full phone = %v", got)
		}
		p.mu.Lock()
		p.full = false
		p.mu.Unlock()
		if got := a.run("ls", "/data/local/tmp/x"); got.code != 0 || !regexp.MustCompile(`^000081b6 00030d40 5f5e1000 y\n$`).MatchString(got.out) {
			t.Errorf("ls = %v", got) // mode 0100666, 200000 bytes, 1.6e9 s, in hex
		}
	})
	t.Run("reverse", func(t *testing.T) {
		a := &stockADB{t, a.port, a.env}
		port := echoServer(t)
		spec := fmt.Sprintf("tcp:%d", port)
		if got := a.run("reverse", "tcp:7000", spec); got.code != 0 {
			t.Fatalf("reverse = %v", got)
		}
		if got := a.run("reverse", "--list"); got.code != 0 || !strings.Contains(got.out, " tcp:7000 "+spec+"\n") {
			t.Errorf("reverse --list = %v", got)
		}
		if got := a.run("reverse", "--no-rebind", "tcp:7000", spec); got.code != 1 || !strings.Contains(got.err, "cannot rebind existing socket") {
			t.Errorf("reverse --no-rebind = %v", got)
		}
		dial := p.reverse(7000)
		if dial == nil {
			t.Fatal("phone was not told of the reverse")
		}
		echo(t, dial, 300_000)
		if got := a.run("reverse", "--remove", "tcp:7000"); got.code != 0 {
			t.Errorf("reverse --remove = %v", got)
		}
		if p.reverse(7000) != nil {
			t.Error("phone still has the reverse that was removed")
		}
		if got := a.run("reverse", "--remove", "tcp:7000"); got.code != 1 || !strings.Contains(got.err, "listener 'tcp:7000' not found") {
			t.Errorf("second reverse --remove = %v", got)
		}
		// A host port where nobody listens.
		l := listen(t)
		dead := l.Addr().(*net.TCPAddr).Port
		l.Close()
		a.run("reverse", "tcp:7002", fmt.Sprintf("tcp:%d", dead))
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		if c, err := p.reverse(7002)(ctx); err == nil {
			c.SetDeadline(time.Now().Add(30 * time.Second))
			if n, err := c.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("read from a dead host port = %d, %v", n, err)
			}
			c.Close()
		}
		a.run("reverse", "--remove-all")
	})
	t.Run("forward", func(t *testing.T) {
		a := &stockADB{t, a.port, a.env}
		got := a.run("forward", "tcp:0", "tcp:7")
		port := strings.TrimSpace(got.out)
		if got.code != 0 || port == "" {
			t.Fatalf("forward = %v", got)
		}
		echo(t, func(context.Context) (net.Conn, error) { return net.Dial("tcp", "127.0.0.1:"+port) }, 10_000)
		if got := a.run("forward", "--list"); !strings.Contains(got.out, " tcp:"+port+" tcp:7\n") {
			t.Errorf("forward --list = %v", got)
		}
		if got := a.run("forward", "--remove", "tcp:"+port); got.code != 0 {
			t.Errorf("forward --remove = %v", got)
		}
		if c, err := net.Dial("tcp", "127.0.0.1:"+port); err == nil {
			c.Close()
			t.Error("removed forward still accepts")
		}
	})
	t.Run("services", func(t *testing.T) {
		a := &stockADB{t, a.port, a.env}
		a.want(said{"device\n", "", 0}, "get-state")
		if got := a.run("root"); !strings.Contains(got.out, "adbd cannot run as root in production builds") {
			t.Errorf("root = %v", got)
		}
		if got := a.run("tcpip", "5555"); got.code != 0 || got.out != "restarting in TCP mode port: 5555\n" {
			t.Errorf("tcpip = %v", got)
		}
		eventually(t, "phone is back", func() bool { return a.run("get-state").code == 0 })
		if got := a.run("jdwp"); !strings.Contains(got.err, "closed") {
			t.Errorf("jdwp, which the phone does not have = %v", got)
		}
	})
}

// echo sends n bytes through a connection that comes back.
func echo(t *testing.T, dial func(context.Context) (net.Conn, error), n int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	c, err := dial(ctx)
	if err != nil {
		t.Fatalf("dial: %v", err)
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(30 * time.Second))
	sent, got := make([]byte, n), make([]byte, n)
	rand.New(rand.NewSource(2)).Read(sent)
	wrote := make(chan error, 1)
	go func() { _, err := c.Write(sent); wrote <- err }()
	if _, err := io.ReadFull(c, got); err != nil || !bytes.Equal(got, sent) {
		t.Errorf("echo of %d bytes: %v, equal %v", n, err, bytes.Equal(got, sent))
	}
	if err := <-wrote; err != nil {
		t.Errorf("write: %v", err)
	}
}

func serveDevice(t *testing.T, p Phone) (addr string) {
	t.Helper()
	l := listen(t)
	t.Cleanup(ServeDevice(l, p))
	return l.Addr().String()
}

func serveServer(t *testing.T, faults *Faults, phones ...Phone) (addr string) {
	t.Helper()
	l := listen(t)
	t.Cleanup(ServeServer(l, func() []Phone { return phones }, WithFaults(faults)))
	return l.Addr().String()
}

func TestStockServerDrivesDevice(t *testing.T) {
	tests := []struct {
		name string
		v2   bool
		set  func(p *toyPhone)
	}{
		{name: "current protocol", v2: true, set: func(p *toyPhone) {}},
		{name: "headers split", v2: true, set: func(p *toyPhone) { p.faults.Set(Fault{SplitHeaders: true}) }},
		{name: "checksums, small payloads, no features", set: func(p *toyPhone) {
			p.banner.Version, p.banner.Maxdata, p.banner.Features = versionSums, 4096, nil
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := newToyPhone("toy")
			tt.set(p)
			addr := serveDevice(t, p)
			a := adbServer(t)
			a.want(said{"connected to " + addr + "\n", "", 0}, "connect", addr)
			exercise(t, a, p, tt.v2)
			got := a.run("devices", "-l")
			if want := fmt.Sprintf("%-22s device product:toy model:Toy_Phone_1 device:toydev transport_id:", addr); !strings.Contains(got.out, want) {
				t.Errorf("devices -l = %v, want %q in it", got, want)
			}
		})
	}
}

func TestStockClientDrivesServer(t *testing.T) {
	for _, v2 := range []bool{true, false} {
		t.Run(fmt.Sprintf("shell v2 %v", v2), func(t *testing.T) {
			p := newToyPhone("TOY1")
			if !v2 {
				p.faults.Set(Fault{WithoutFeatures: []string{"shell_v2", "stat_v2", "ls_v2"}})
			}
			_, port, _ := net.SplitHostPort(serveServer(t, nil, p))
			a := adbClient(t, port)
			exercise(t, a, p, v2)
			a.want(said{"List of devices attached\n" + fmt.Sprintf("%-22s device product:toy model:Toy_Phone_1 device:toydev transport_id:1\n\n", "TOY1"), "", 0}, "devices", "-l")
			a.want(said{"List of devices attached\nTOY1\tdevice\n\n", "", 0}, "devices")
			a.want(said{"TOY1\n", "", 0}, "get-serialno")
			a.want(said{"hi\n", "", 0}, "-t", "1", "shell", "echo hi")
			a.want(said{"", "error: device 'NOBODY' not found\n", 1}, "-s", "NOBODY", "shell", "echo hi")
			a.want(said{"", "", 0}, "wait-for-device")
			if got := a.run("connect", "127.0.0.1:1"); got.out != "failed to connect to '127.0.0.1:1': Connection refused\n" {
				t.Errorf("connect to nobody = %v", got)
			}
			a.want(said{"", "", 0}, "kill-server")
			if c, err := net.Dial("tcp", "127.0.0.1:"+port); err == nil {
				c.Close()
				t.Error("killed server still accepts")
			}
		})
	}
}

func TestStockServerReconnectsAfterDrop(t *testing.T) {
	t.Parallel() // the stock server waits for ten seconds
	p := newToyPhone("toy")
	addr := serveDevice(t, p)
	a := adbServer(t)
	a.run("connect", addr)
	a.run("reverse", "tcp:7000", "tcp:1")
	before := a.run("devices", "-l").out

	shell, out := a.start("shell", "echo started; sleep 600")
	eventually(t, "command runs", func() bool { n, _ := p.counts(); return n == 1 })
	p.faults.DropFor(200 * time.Millisecond)
	shell.Wait()
	eventually(t, "command was hung up", func() bool { n, lost := p.counts(); return n == 0 && lost == 1 })
	eventually(t, "reverse ended with its link", func() bool { return p.reverse(7000) == nil })
	// 29.0.6 says 0, later ones 255: either way it is not the command's own word.
	t.Logf("adb shell over a dropped link: %v, output %q", shell.ProcessState, out)

	eventually(t, "stock server is back by itself", func() bool { return a.run("get-state").out == "device\n" })
	if after := a.run("devices", "-l").out; after != before {
		t.Errorf("after the reconnect devices -l = %q, want %q", after, before)
	}
	a.want(said{"back\n", "", 4}, "shell", "echo back; exit 4")
}

func TestStockServerMeetsAnUnauthorisedPhone(t *testing.T) {
	p := newToyPhone("toy")
	p.faults.Set(Fault{Unauthorised: true})
	addr := serveDevice(t, p)
	a := adbServer(t)
	a.want(said{"failed to authenticate to " + addr + "\n", "", 0}, "connect", addr)
	a.want(said{"List of devices attached\n" + addr + "\tunauthorized\n\n", "", 0}, "devices")
	if got := a.run("shell", "echo hi"); got.code != 1 || !strings.Contains(got.err, "device unauthorized.") {
		t.Errorf("shell = %v", got)
	}
	p.faults.Set(Fault{}) // a person accepts the key
	eventually(t, "phone is authorised", func() bool { return a.run("get-state").out == "device\n" })
	a.want(said{"hi\n", "", 0}, "shell", "echo hi")
}

func TestStockServerMeetsASilentPhone(t *testing.T) {
	t.Parallel() // the stock server waits for ten seconds
	if testing.Short() {
		t.Skip("the stock server waits ten seconds")
	}
	p := newToyPhone("toy")
	p.faults.Set(Fault{Silent: true})
	addr := serveDevice(t, p)
	a := adbServer(t)
	a.want(said{"failed to connect to " + addr + "\n", "", 0}, "connect", addr)
}

func TestStockClientShellFaults(t *testing.T) {
	for _, front := range []string{"server", "device"} {
		t.Run(front, func(t *testing.T) {
			p := newToyPhone("TOY1")
			var a *stockADB
			if front == "server" {
				_, port, _ := net.SplitHostPort(serveServer(t, nil, p))
				a = adbClient(t, port)
			} else {
				addr := serveDevice(t, p)
				a = adbServer(t)
				a.run("connect", addr)
			}
			// 29.0.6 takes the missing word for a 0.
			p.faults.Set(Fault{NoExitPacket: true})
			if got := a.run("shell", "echo hi; exit 7"); got.out != "hi\n" || got.code == 7 {
				t.Errorf("without exit packet: %v", got)
			}
			p.faults.Set(Fault{HalfHeader: true})
			if got := a.run("shell", "echo hi; exit 7"); got.out != "hi\n" || got.code == 7 {
				t.Errorf("with half an exit packet: %v", got)
			}
			p.faults.Set(Fault{EndlessOutput: true})
			cmd := exec.Command("adb", "-P", a.port, "shell", "echo hi")
			cmd.Env = a.env
			out, err := cmd.StdoutPipe()
			if err == nil {
				err = cmd.Start()
			}
			if err != nil {
				t.Fatal(err)
			}
			got := make([]byte, 100_000)
			if _, err := io.ReadFull(out, got); err != nil || !bytes.HasPrefix(got, []byte("hi\n")) {
				t.Errorf("endless output began %.20q and ended: %v", got, err)
			}
			cmd.Process.Kill()
			cmd.Wait()
			p.faults.Set(Fault{CutAfter: 1000})
			if got := a.run("shell", "yes | head -c 100000; exit 7"); len(got.out) > 1000 || got.code == 7 {
				t.Errorf("link cut after 1000 bytes: %d bytes, code %d", len(got.out), got.code)
			}
		})
	}
}
