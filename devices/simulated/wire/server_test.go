package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"
)

// A client is a raw socket to the server front end.
type client struct {
	t *testing.T
	net.Conn
}

func dialServer(t *testing.T, addr string) *client {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	c.SetDeadline(time.Now().Add(30 * time.Second))
	t.Cleanup(func() { c.Close() })
	return &client{t, c}
}

func (c *client) ask(request string) *client {
	c.t.Helper()
	if _, err := c.Write(counted(request)); err != nil {
		c.t.Fatalf("ask %q: %v", request, err)
	}
	return c
}

func (c *client) read(n int) string {
	c.t.Helper()
	buf := make([]byte, n)
	if n, err := io.ReadFull(c, buf); err != nil {
		c.t.Fatalf("read %d bytes: %q, %v", len(buf), buf[:n], err)
	}
	return string(buf)
}

func (c *client) text() string {
	c.t.Helper()
	text, err := readRequest(c) // replies are counted as requests are
	if err != nil {
		c.t.Fatalf("read a reply: %v", err)
	}
	return text
}

func (c *client) rest() string {
	c.t.Helper()
	all, err := io.ReadAll(c)
	if err != nil {
		c.t.Fatalf("read to the end: %q, %v", all, err)
	}
	return string(all)
}

func once(t *testing.T, addr, request string) string {
	t.Helper()
	return dialServer(t, addr).ask(request).rest()
}

func TestHostRequests(t *testing.T) {
	usb, tcp, locked, udev := newToyPhone("USB1"), newToyPhone("192.0.2.7:5555"), newToyPhone("LOCKED"), newToyPhone("UDEV")
	locked.state = "unauthorized"
	udev.state = "no permissions (user in plugdev group; are your udev rules wrong?); see [http://developer.android.com/tools/device.html]"
	addr := serveServer(t, nil, usb, tcp, locked, udev)
	said := func(text string) string { return string(okay(text)) }
	fail := func(text string) string { return string(failed(text)) }
	tests := []struct{ request, want string }{
		{"host:version", "OKAY00040029"},
		{"host:devices", said("USB1\tdevice\n192.0.2.7:5555\tdevice\nLOCKED\tunauthorized\nUDEV\t" + udev.state + "\n")},
		{"host:devices-l", said(fmt.Sprintf("%-22s device product:toy model:Toy_Phone_1 device:toydev transport_id:1\n"+
			"%-22s device product:toy model:Toy_Phone_1 device:toydev transport_id:2\n"+
			"%-22s unauthorized transport_id:3\n%-22s %s transport_id:4\n", "USB1", "192.0.2.7:5555", "LOCKED", "UDEV", udev.state))},
		{"host-serial:USB1:get-state", said("device")},
		{"host-serial:192.0.2.7:5555:get-state", said("device")},
		{"host-serial:192.0.2.7:5555:get-serialno", said("192.0.2.7:5555")},
		{"host-serial:192.0.2.7:5555:get-devpath", said("unknown")},
		{"host-serial:USB1:features", said("shell_v2,cmd,stat_v2,ls_v2")},
		{"host-transport-id:2:get-serialno", said("192.0.2.7:5555")},
		{"host-local:get-serialno", said("192.0.2.7:5555")},
		{"host-usb:get-serialno", fail("more than one device")},
		{"host:get-state", fail("more than one device/emulator")},
		{"host-serial:NOBODY:get-state", fail("device 'NOBODY' not found")},
		{"host-transport-id:99:get-state", fail("no device with transport id '99'")},
		{"host:transport:NOBODY", fail("device 'NOBODY' not found")},
		{"host-serial:UDEV:get-state", fail("insufficient permissions for device: user in plugdev group; are your udev rules wrong?\n" +
			"See [http://developer.android.com/tools/device.html] for more information")},
		{"host:nonsense", fail("unknown host service")},
		{"host:track-devices-proto-text", fail("unknown host service")},
		{"shell:echo hi", fail("device offline (no transport)")},
		{"host:connect:192.0.2.7:5555", said("already connected to 192.0.2.7:5555")},
		{"host:connect:192.0.2.8", said("failed to connect to '192.0.2.8:5555': Connection refused")},
		{"host:disconnect:192.0.2.9:5555", fail("no such device '192.0.2.9:5555'")},
		{"host:disconnect:192.0.2.7", said("disconnected 192.0.2.7:5555")},
		{"host-serial:192.0.2.7:5555:get-state", fail("device '192.0.2.7:5555' not found")},
		{"host:connect:192.0.2.7:5555", said("connected to 192.0.2.7:5555")},
		{"host-transport-id:5:get-serialno", said("192.0.2.7:5555")}, // a new row has a new id
	}
	for _, tt := range tests {
		if got := once(t, addr, tt.request); got != tt.want {
			t.Errorf("%s = %q, want %q", tt.request, got, tt.want)
		}
	}
	if got := once(t, addr, "host:transport:LOCKED"); !strings.HasPrefix(got, "FAIL") || !strings.Contains(got, "device unauthorized.") {
		t.Errorf("transport to an unauthorised phone = %q", got)
	}
	c := dialServer(t, addr).ask("host:tport:serial:USB1")
	if got := c.read(12); got != "OKAY\x01\x00\x00\x00\x00\x00\x00\x00" {
		t.Errorf("tport = %q, want OKAY and transport id 1", got)
	}
	if got := c.ask("shell:echo hi").rest(); got != "OKAYhi\n" {
		t.Errorf("shell = %q", got)
	}
	c = dialServer(t, addr).ask("host:transport-id:1")
	c.read(4)
	if got := c.ask("jdwp:1").rest(); got != fail("closed") {
		t.Errorf("refused service = %q", got)
	}
}

func TestDuplicateSerialsAreToldApartByTransportID(t *testing.T) {
	a, b := newToyPhone("0123456789ABCDEF"), newToyPhone("0123456789ABCDEF")
	b.banner.Features = []string{"cmd"}
	addr := serveServer(t, nil, a, b)
	if got := once(t, addr, "host:transport:0123456789ABCDEF"); got != string(failed("more than one device")) {
		t.Errorf("transport by a doubled serial = %q", got)
	}
	if got := once(t, addr, "host-transport-id:2:features"); got != string(okay("cmd")) {
		t.Errorf("features of the second = %q", got)
	}
}

func TestTrackDevices(t *testing.T) {
	p, server := newToyPhone("USB1"), new(Faults)
	addr := serveServer(t, server, p)
	c := dialServer(t, addr).ask("host:track-devices")
	c.read(4)
	step := func(what, want string) {
		t.Helper()
		if got := c.text(); got != want {
			t.Errorf("%s: %q, want %q", what, got, want)
		}
	}
	step("at once", "USB1\tdevice\n")
	p.setState("offline")
	step("offline", "USB1\toffline\n")
	p.setState("device")
	step("back", "USB1\tdevice\n")
	p.faults.Set(Fault{Unauthorised: true})
	step("unauthorised", "USB1\tunauthorized\n")
	p.faults.Set(Fault{Absent: true})
	step("cable pulled", "")
	server.Set(Fault{OfflineUnseen: true})
	p.faults.Set(Fault{LinkDown: true})
	step("plugged in", "USB1\toffline\n")
	p.faults.Set(Fault{})
	p.faults.Set(Fault{Absent: true})
	step("the change to device was not told", "")
	server.Set(Fault{LinkDown: true})
	if got := c.rest(); got != "" {
		t.Errorf("server gone: %q", got)
	}
}

func TestWaitFor(t *testing.T) {
	p := newToyPhone("USB1")
	p.state = "offline"
	addr := serveServer(t, nil, p)
	c := dialServer(t, addr).ask("host-serial:USB1:wait-for-any-device")
	c.read(4)
	c.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	if n, err := c.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("answered before the phone was there: %d, %v", n, err)
	}
	c.SetReadDeadline(time.Now().Add(30 * time.Second))
	p.setState("device")
	if got := c.rest(); got != "OKAY" {
		t.Errorf("wait-for = %q", got)
	}
}

// shellV2 opens a shell on a phone by its transport id.
func shellV2(t *testing.T, addr, command string) *client {
	t.Helper()
	c := dialServer(t, addr).ask("host:transport-any")
	c.read(4)
	c.ask("shell,v2,raw:" + command)
	c.read(4)
	return c
}

func TestServerFaults(t *testing.T) {
	t.Run("link drops under a command", func(t *testing.T) {
		p := newToyPhone("USB1")
		addr := serveServer(t, nil, p)
		c := shellV2(t, addr, "sleep 600")
		eventually(t, "command runs", func() bool { n, _ := p.counts(); return n == 1 })
		p.faults.Drop()
		if got := c.rest(); got != "" {
			t.Errorf("dropped stream gave %q", got)
		}
		eventually(t, "command was hung up", func() bool { n, lost := p.counts(); return n == 0 && lost == 1 })
		if got := once(t, addr, "host:get-state"); got != string(okay("device")) {
			t.Errorf("state after the drop = %q", got)
		}
		p.faults.DropFor(time.Hour)
		if got := once(t, addr, "host:get-state"); got != string(failed("device offline")) {
			t.Errorf("state while refused = %q", got)
		}
		p.faults.DropFor(50 * time.Millisecond)
		eventually(t, "phone comes back", func() bool { return once(t, addr, "host:get-state") == string(okay("device")) })
	})
	t.Run("client leaves", func(t *testing.T) {
		p := newToyPhone("USB1")
		c := shellV2(t, serveServer(t, nil, p), "sleep 600")
		eventually(t, "command runs", func() bool { n, _ := p.counts(); return n == 1 })
		c.Close()
		eventually(t, "command was hung up", func() bool { n, lost := p.counts(); return n == 0 && lost == 1 })
	})
	t.Run("reboot takes its streams along", func(t *testing.T) {
		p := newToyPhone("USB1")
		addr := serveServer(t, nil, p)
		c := shellV2(t, addr, "sleep 600")
		eventually(t, "command runs", func() bool { n, _ := p.counts(); return n == 1 })
		r := dialServer(t, addr).ask("host:transport:USB1")
		r.read(4)
		r.ask("reboot:")
		if got := c.rest(); got != "" {
			t.Errorf("stream gave %q", got)
		}
		eventually(t, "command was hung up", func() bool { n, _ := p.counts(); return n == 0 })
	})
	t.Run("restart of adbd is announced before it happens", func(t *testing.T) {
		p := newToyPhone("USB1")
		addr := serveServer(t, nil, p)
		running := shellV2(t, addr, "sleep 600")
		c := dialServer(t, addr).ask("host:transport:USB1")
		c.read(4)
		if got, want := c.ask("tcpip:5555").rest(), "OKAYrestarting in TCP mode port: 5555\n"; got != want {
			t.Errorf("tcpip = %q, want %q", got, want)
		}
		if got := running.rest(); got != "" {
			t.Errorf("stream gave %q", got)
		}
	})
	t.Run("freeze and thaw", func(t *testing.T) {
		p := newToyPhone("USB1")
		addr := serveServer(t, nil, p)
		c := shellV2(t, addr, "read x; echo $x")
		p.faults.Set(Fault{Frozen: true})
		c.Write([]byte("\x00\x03\x00\x00\x00hi\n"))
		c.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
		if n, err := c.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("frozen phone: read %d, %v", n, err)
		}
		if got := once(t, addr, "host:get-state"); got != string(okay("device")) {
			t.Errorf("state of a frozen phone = %q", got)
		}
		p.faults.Set(Fault{})
		c.SetReadDeadline(time.Now().Add(30 * time.Second))
		if got, want := c.rest(), "\x01\x03\x00\x00\x00hi\n\x03\x01\x00\x00\x00\x00"; got != want {
			t.Errorf("after the thaw %q, want %q", got, want)
		}
	})
	t.Run("server killed and started again", func(t *testing.T) {
		p, server := newToyPhone("USB1"), new(Faults)
		addr := serveServer(t, server, p)
		c := shellV2(t, addr, "sleep 600")
		// A child between fork and exec would hold the listener open for a moment.
		eventually(t, "command runs", func() bool { n, _ := p.counts(); return n == 1 })
		if got := once(t, addr, "host:kill"); got != "OKAY" {
			t.Errorf("kill = %q", got)
		}
		if got := c.rest(); got != "" {
			t.Errorf("stream gave %q", got)
		}
		if c, err := net.Dial("tcp", addr); err == nil {
			c.Close()
			t.Error("killed server accepts")
		}
		server.Set(Fault{})
		eventually(t, "server is back on its port", func() bool {
			c, err := net.Dial("tcp", addr)
			if err == nil {
				c.Close()
			}
			return err == nil
		})
		if got := once(t, addr, "host:version"); got != "OKAY00040029" {
			t.Errorf("version = %q", got)
		}
	})
	t.Run("frozen server stops", func(t *testing.T) {
		p, server := newToyPhone("USB1"), new(Faults)
		l := listen(t)
		stop := ServeServer(l, func() []Phone { return []Phone{p} }, WithFaults(server))
		c := shellV2(t, l.Addr().String(), "sleep 600")
		dialServer(t, l.Addr().String()).ask("host:track-devices").read(4)
		server.Set(Fault{Frozen: true})
		dialServer(t, l.Addr().String()).ask("host:version")
		stop() // goleak tells whether it waited
		if n, err := c.Read(make([]byte, 1)); err == nil {
			t.Errorf("stopped server sent %d bytes", n)
		}
		if n, _ := p.counts(); n != 0 {
			t.Errorf("%d commands outlive stop", n)
		}
	})
}

// TestSync speaks the parts of the file service that adb 29.0.6 does not use.
func TestSync(t *testing.T) {
	p := newToyPhone("USB1")
	p.files["/d/one"] = toyFile{content: []byte("content"), mode: 0o644, mtime: time.Unix(1_600_000_000, 0)}
	p.files["/d/two"] = toyFile{mode: 0o600}
	l := listen(t)
	stop := ServeServer(l, func() []Phone { return []Phone{p} })
	defer stop()
	addr := l.Addr().String()
	session := func() *client {
		c := dialServer(t, addr).ask("host:transport:USB1")
		c.read(4)
		c.ask("sync:")
		c.read(4)
		return c
	}
	le := binary.LittleEndian.AppendUint32
	request := func(id, body string) []byte { return append(le([]byte(id), uint32(len(body))), body...) }
	stat := func(errno, mode uint32, size, at uint64) string { // G4: 68 bytes behind the id
		b := le(nil, errno)
		b = binary.LittleEndian.AppendUint64(b, 1) // dev, ino
		b = binary.LittleEndian.AppendUint64(b, 1)
		for _, v := range []uint32{mode, 1, 2000, 2000} {
			b = le(b, v)
		}
		for _, v := range []uint64{size, at, at, at} {
			b = binary.LittleEndian.AppendUint64(b, v)
		}
		return string(b)
	}
	none := string(le(nil, 2)) + strings.Repeat("\x00", 64)
	big := strings.Repeat("x", 65537)
	tests := []struct {
		name string
		send []byte
		want string
	}{
		{name: "stat v2", send: request("STA2", "/d/one"), want: "STA2" + stat(0, 0o100644, 7, 1_600_000_000)},
		{name: "lstat v2 of a folder", send: request("LST2", "/d"), want: "LST2" + stat(0, 0o40755, 0, 0)},
		{name: "stat v2 of nothing", send: request("STA2", "/nope"), want: "STA2" + none},
		{name: "stat v1 of nothing", send: request("STAT", "/nope"), want: "STAT" + strings.Repeat("\x00", 12)},
		{name: "list v2", send: request("LIS2", "/d"), want: "DNT2" + stat(0, 0o100644, 7, 1_600_000_000) + "\x03\x00\x00\x00one" +
			"DNT2" + stat(0, 0o100600, 0, 0) + "\x03\x00\x00\x00two" + "DONE" + strings.Repeat("\x00", 72)},
		{name: "list v1 of nothing", send: request("LIST", "/nope"), want: "DONE" + strings.Repeat("\x00", 16)},
		{name: "receive", send: request("RECV", "/d/one"), want: "DATA\x07\x00\x00\x00contentDONE\x00\x00\x00\x00"},
		{name: "receive v2", send: append(request("RCV2", "/d/one"), "RCV2\x00\x00\x00\x00"...), want: "DATA\x07\x00\x00\x00contentDONE\x00\x00\x00\x00"},
		{name: "receive an empty file", send: request("RECV", "/d/two"), want: "DONE\x00\x00\x00\x00"},
		{name: "receive nothing, and go on", send: append(request("RECV", "/nope"), request("STAT", "/nope")...),
			want: string(request("FAIL", "open failed: No such file or directory")) + "STAT" + strings.Repeat("\x00", 12)},
		{name: "failed send, and go on", send: append(append(request("SEND", "/system/x,33188"), "DATA\x01\x00\x00\x00aDATA\x01\x00\x00\x00bDONE\x00\x00\x00\x00"...), request("STAT", "/nope")...),
			want: string(request("FAIL", "couldn't create file: Read-only file system")) + "STAT" + strings.Repeat("\x00", 12)},
		{name: "send v2", send: append(request("SND2", "/d/v2"), "SND2\xa4\x81\x00\x00\x00\x00\x00\x00DATA\x01\x00\x00\x00aDONE\x01\x00\x00\x00"...), want: "OKAY\x00\x00\x00\x00"},
		{name: "send without mode", send: request("SEND", "/d/x"), want: string(request("FAIL", "missing , in ID_SEND"))},
		{name: "oversize data", send: append(request("SEND", "/d/x,33188"), request("DATA", big)...), want: string(request("FAIL", "oversize data message"))},
		{name: "path too long", send: request("STAT", strings.Repeat("x", 1025)), want: string(request("FAIL", "path too long"))},
		{name: "unknown", send: request("NOPE", ""), want: string(request("FAIL", "unknown command 45504f4e"))},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := session()
			c.t = t
			c.Write(append(tt.send, request("QUIT", "")...))
			if got := c.rest(); got != tt.want {
				t.Errorf("%.60q gave %.300q, want %.300q", tt.send, got, tt.want)
			}
		})
	}
	if f := p.file("/d/v2"); string(f.content) != "a" || !f.mtime.Equal(time.Unix(1, 0)) {
		t.Errorf("sent by SND2: %+v", f)
	}
	// A push cut short leaves no file, not a shorter one.
	c := session()
	c.Write(append(request("SEND", "/d/cut,33188"), "DATA\x10\x00\x00\x00abc"...))
	c.Close()
	stop() // waits until the front end has seen the end
	if _, err := p.StatFile("/d/cut"); err == nil {
		t.Error("a push that was cut short left a file")
	}
}

// A push larger than what is kept in memory goes over a temporary file, which is removed.
func TestBigPush(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	p := newToyPhone("USB1")
	c := dialServer(t, serveServer(t, nil, p)).ask("host:transport:USB1")
	c.read(4)
	c.ask("sync:")
	c.read(4)
	const chunks = 2 * mostInMemory / mostSyncData
	fmt.Fprintf(c, "SEND\x0e\x00\x00\x00/big/one,33188")
	chunk := []byte(strings.Repeat("0123456789abcdef", mostSyncData/16))
	for range chunks {
		c.Write([]byte("DATA\x00\x00\x01\x00"))
		c.Write(chunk)
	}
	c.Write([]byte("DONE\x00\x00\x00\x00"))
	if got := c.read(8); got != "OKAY\x00\x00\x00\x00" {
		t.Errorf("push = %q", got)
	}
	if got, want := string(p.file("/big/one").content), strings.Repeat(string(chunk), chunks); got != want {
		t.Errorf("phone has %d bytes, want the %d sent", len(got), len(want))
	}
	c.Close()
	eventually(t, "temporary file is removed", func() bool {
		left, err := os.ReadDir(os.TempDir())
		return err == nil && len(left) == 0
	})
}
