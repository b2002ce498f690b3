package wire

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// A host is a raw peer of the device front end. The layout of its packets is that of the
// adb protocol text (protocol.txt in the sources of adb).
type host struct {
	t *testing.T
	net.Conn
	sums bool
}

func dialDevice(t *testing.T, addr string, version, maxdata uint32) *host {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetDeadline(time.Now().Add(30 * time.Second))
	h := &host{t, c, true}
	h.send(cmdCNXN, version, maxdata, "host::features=shell_v2")
	h.sums = version < versionNoSums
	return h
}

func (h *host) send(command, arg0, arg1 uint32, data string) {
	h.t.Helper()
	if _, err := h.Write(packet{command: command, arg0: arg0, arg1: arg1, data: []byte(data)}.append(nil, h.sums)); err != nil {
		h.t.Fatalf("send: %v", err)
	}
}

func (h *host) next() packet {
	h.t.Helper()
	p, err := readPacket(h, defaultMaxdata)
	if err != nil {
		h.t.Fatalf("no packet from the phone: %v", err)
	}
	return p
}

// want reads the next packet and compares it.
func (h *host) want(command, arg0, arg1 uint32, data string) {
	h.t.Helper()
	if p := h.next(); p.command != command || p.arg0 != arg0 || p.arg1 != arg1 || string(p.data) != data {
		h.t.Errorf("got %x(%d, %d) %.80q, want %x(%d, %d) %.80q", p.command, p.arg0, p.arg1, p.data, command, arg0, arg1, data)
	}
}

// wantOpen is want for an OPEN of the phone. The OKAY to the last bytes of a stream that
// has ended since may or may not come before it.
func (h *host) wantOpen(local uint32, service string) {
	h.t.Helper()
	p := h.next()
	for p.command == cmdOKAY {
		p = h.next()
	}
	if p.command != cmdOPEN || p.arg0 != local || string(p.data) != service {
		h.t.Fatalf("got %x(%d, %d) %.80q, want OPEN(%d) %q", p.command, p.arg0, p.arg1, p.data, local, service)
	}
}

func (h *host) quiet(why string) {
	h.t.Helper()
	h.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	if n, err := h.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		h.t.Errorf("%s: read %d, %v, want nothing", why, n, err)
	}
	h.SetReadDeadline(time.Now().Add(30 * time.Second))
}

func (h *host) gone(why string) {
	h.t.Helper()
	if p, err := readPacket(h, defaultMaxdata); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		h.t.Errorf("%s: %+v, %v, want the end of the connection", why, p, err)
	}
}

const toyBanner = "device::ro.product.name=toy;ro.product.model=Toy Phone-1;ro.product.device=toydev;features=shell_v2,cmd,stat_v2,ls_v2"

func TestDeviceStreams(t *testing.T) {
	h := dialDevice(t, serveDevice(t, newToyPhone("toy")), versionNoSums, 4096)
	h.want(cmdCNXN, versionNoSums, defaultMaxdata, toyBanner)

	h.send(cmdOPEN, 11, 0, "shell,v2,raw:read x; printf '%05000d' $x; exit 3\x00")
	h.want(cmdOKAY, 1, 11, "")
	h.send(cmdOPEN, 12, 0, "nonsense:\x00")
	h.want(cmdCLSE, 0, 12, "")
	h.send(cmdOKAY, 12, 99, "") // an answer to nobody is nothing, a write to nobody is refused
	h.send(cmdWRTE, 12, 99, "to nobody")
	h.want(cmdCLSE, 0, 12, "")

	h.send(cmdWRTE, 11, 1, "\x00\x02\x00\x00") // a packet in two halves
	h.want(cmdOKAY, 1, 11, "")
	h.send(cmdWRTE, 11, 1, "\x007\n")
	h.want(cmdOKAY, 1, 11, "")
	// 5000 bytes do not fit into the 4096 agreed, and the second part waits for its OKAY.
	var got strings.Builder
	for got.Len() < 5+5000 {
		p := h.next()
		if p.command != cmdWRTE || p.arg0 != 1 || p.arg1 != 11 || len(p.data) > 4096 {
			t.Fatalf("got %x(%d, %d) with %d bytes", p.command, p.arg0, p.arg1, len(p.data))
		}
		got.Write(p.data)
		h.quiet("no OKAY yet")
		h.send(cmdOKAY, 11, 1, "")
	}
	if want := "\x01\x88\x13\x00\x00" + strings.Repeat("0", 4999) + "7"; got.String() != want {
		t.Errorf("output %.40q (%d bytes), want %.40q (%d)", got.String(), got.Len(), want, len(want))
	}
	h.want(cmdWRTE, 1, 11, "\x03\x01\x00\x00\x00\x03")
	h.want(cmdCLSE, 1, 11, "")
}

func TestDeviceFlowControlTowardsThePhone(t *testing.T) {
	p := newToyPhone("toy")
	h := dialDevice(t, serveDevice(t, p), versionNoSums, defaultMaxdata)
	h.next()
	h.send(cmdOPEN, 5, 0, "shell,v2,raw:sleep 600\x00")
	h.want(cmdOKAY, 1, 5, "")
	// Nobody reads standard input, so sooner or later the phone owes an OKAY.
	data := "\x00\x00\x00\x01\x00" + strings.Repeat("x", 1<<16)
	sent := 0
	for ; sent < 100; sent++ {
		h.send(cmdWRTE, 5, 1, data)
		h.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
		if _, err := readPacket(h, 0); err != nil {
			break
		}
	}
	h.SetReadDeadline(time.Now().Add(30 * time.Second))
	if sent == 100 {
		t.Errorf("phone took %d bytes that no one reads", sent*len(data))
	}
	h.send(cmdCLSE, 5, 1, "")
	eventually(t, "command was hung up", func() bool { n, lost := p.counts(); return n == 0 && lost == 1 })
	// The connection lives on.
	h.send(cmdOPEN, 6, 0, "shell,v2,raw:exit 1\x00")
	p2 := h.next()
	if p2.arg1 == 5 { // the OKAY that was owed, on a slow machine
		p2 = h.next()
	}
	if p2.command != cmdOKAY || p2.arg0 != 2 || p2.arg1 != 6 {
		t.Fatalf("second OPEN was answered %+v", p2)
	}
	// A peer that never waits for an OKAY is cut off.
	h.want(cmdWRTE, 2, 6, "\x03\x01\x00\x00\x00\x01")
	h.want(cmdCLSE, 2, 6, "")
	h.send(cmdOPEN, 7, 0, "shell,v2,raw:sleep 600\x00")
	h.want(cmdOKAY, 3, 7, "")
	for range 200 {
		if _, err := h.Write(packet{command: cmdWRTE, arg0: 7, arg1: 3, data: []byte(data)}.append(nil, false)); err != nil {
			break
		}
	}
	for {
		if _, err := readPacket(h, defaultMaxdata); err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) {
				t.Error("phone lets a peer fill its memory")
			}
			break
		}
	}
}

func TestDeviceChecksums(t *testing.T) {
	h := dialDevice(t, serveDevice(t, newToyPhone("toy")), versionSums, 4096)
	p := h.next()
	if p.sum != byteSum(p.data) {
		t.Errorf("CNXN has sum %d, its bytes have %d", p.sum, byteSum(p.data))
	}
	h.send(cmdOPEN, 1, 0, "shell:echo hi\x00")
	h.want(cmdOKAY, 1, 1, "")
	if p := h.next(); string(p.data) != "hi\n" || p.sum != 'h'+'i'+'\n' {
		t.Errorf("output %q with sum %d, want %d", p.data, p.sum, 'h'+'i'+'\n')
	}
	h.sums = false
	h.send(cmdOKAY, 1, 1, "") // no payload: its sum is 0
	h.want(cmdCLSE, 1, 1, "")
	h.send(cmdOPEN, 2, 0, "shell:echo hi\x00")
	h.gone("payload without its sum")
}

func TestDeviceReverseConn(t *testing.T) {
	p := newToyPhone("toy")
	h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
	h.next()
	h.send(cmdOPEN, 1, 0, "reverse:forward:tcp:0;tcp:8080\x00")
	h.want(cmdOKAY, 1, 1, "")
	h.want(cmdWRTE, 1, 1, "OKAY000534000")
	h.send(cmdOKAY, 1, 1, "")
	h.want(cmdCLSE, 1, 1, "")
	dial := p.reverse(34000)
	if dial == nil {
		t.Fatal("phone was not told of the reverse")
	}
	type result struct {
		net.Conn
		error
	}
	open := func() <-chan result {
		got := make(chan result, 1)
		go func() {
			c, err := dial(t.Context())
			got <- result{c, err}
		}()
		return got
	}
	refused := open()
	h.wantOpen(2, "tcp:8080\x00")
	h.send(cmdCLSE, 0, 2, "")
	if got := <-refused; got.error == nil || !strings.Contains(got.Error(), "connection refused") {
		t.Errorf("refused dial = %v", got)
	}
	brief := open() // accepted, told something and left, before anyone looks
	h.wantOpen(3, "tcp:8080\x00")
	h.Write(slices.Concat(packet{command: cmdOKAY, arg0: 76, arg1: 3}.append(nil, false),
		packet{command: cmdWRTE, arg0: 76, arg1: 3, data: []byte("brief")}.append(nil, false),
		packet{command: cmdCLSE, arg0: 76, arg1: 3}.append(nil, false)))
	if b := <-brief; b.error != nil {
		t.Errorf("dial of a brief peer: %v", b.error)
	} else if all, err := io.ReadAll(b); err != nil || string(all) != "brief" {
		t.Errorf("a brief peer said %q, %v", all, err)
	}
	accepted := open()
	h.wantOpen(4, "tcp:8080\x00")
	h.send(cmdOKAY, 77, 4, "")
	c := <-accepted
	if c.error != nil {
		t.Fatal(c.error)
	}
	c.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
	if n, err := c.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("read with deadline = %d, %v", n, err)
	}
	var timeout net.Error
	if _, err := c.Read(make([]byte, 1)); !errors.As(err, &timeout) || !timeout.Timeout() {
		t.Errorf("a passed deadline stays passed: %v", err)
	}
	c.SetReadDeadline(time.Time{})
	h.send(cmdWRTE, 77, 4, "hello")
	buf := make([]byte, 5)
	if _, err := io.ReadFull(c, buf); err != nil || string(buf) != "hello" {
		t.Errorf("read %q, %v", buf, err)
	}
	h.want(cmdOKAY, 4, 77, "")
	if n, err := c.Write([]byte("one")); n != 3 || err != nil {
		t.Errorf("write = %d, %v", n, err)
	}
	h.want(cmdWRTE, 4, 77, "one")
	c.SetWriteDeadline(time.Now().Add(20 * time.Millisecond))
	if n, err := c.Write([]byte("two")); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("write before the OKAY = %d, %v", n, err)
	}
	// Bytes that came before the end can still be read after it.
	h.send(cmdWRTE, 77, 4, "bye")
	h.send(cmdCLSE, 77, 4, "")
	c.SetWriteDeadline(time.Time{})
	if all, err := io.ReadAll(c); err != nil || string(all) != "bye" {
		t.Errorf("last bytes %q, %v", all, err)
	}
	if _, err := c.Write([]byte("x")); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("write after the end: %v", err)
	}
	c.Close()

	given, cancel := context.WithCancel(t.Context())
	late := make(chan error, 1)
	go func() { _, err := dial(given); late <- err }()
	h.wantOpen(5, "tcp:8080\x00")
	cancel()
	if err := <-late; !errors.Is(err, context.Canceled) {
		t.Errorf("dial given up = %v", err)
	}
	h.send(cmdOKAY, 78, 5, "") // the host's answer comes too late
	h.want(cmdCLSE, 5, 78, "")
	h.Close()
	eventually(t, "reverse ended with its link", func() bool { return p.reverse(34000) == nil })
	if _, err := dial(t.Context()); err == nil {
		t.Error("dial over a lost link succeeded")
	}
}

func TestDeviceFaults(t *testing.T) {
	t.Run("unauthorised", func(t *testing.T) {
		p := newToyPhone("toy")
		p.state = "unauthorized"
		h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
		for range 3 {
			if a := h.next(); a.command != cmdAUTH || a.arg0 != authToken || len(a.data) != tokenLen {
				t.Fatalf("got %x(%d) with %d bytes, want AUTH with a token", a.command, a.arg0, len(a.data))
			}
			h.send(cmdAUTH, 2, 0, strings.Repeat("s", 256))
		}
		h.next()
		h.send(cmdAUTH, authPublicKey, 0, "key me@host\x00")
		h.send(cmdOPEN, 1, 0, "shell:echo hi\x00")
		h.quiet("a person decides")
		p.setState("device")
		h.want(cmdCNXN, versionNoSums, defaultMaxdata, toyBanner)
		p.faults.Set(Fault{Unauthorised: true})
		h.gone("the key was taken back")
	})
	t.Run("silent", func(t *testing.T) {
		p := newToyPhone("toy")
		p.faults.Set(Fault{Silent: true})
		h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
		h.quiet("CNXN is never sent")
		p.faults.Set(Fault{})
		h.want(cmdCNXN, versionNoSums, defaultMaxdata, toyBanner)
	})
	t.Run("frozen", func(t *testing.T) {
		p := newToyPhone("toy")
		h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
		h.next()
		p.faults.Set(Fault{Frozen: true})
		h.send(cmdOPEN, 1, 0, "shell:echo hi\x00")
		h.quiet("frozen")
		p.faults.Set(Fault{})
		h.want(cmdOKAY, 1, 1, "")
	})
	t.Run("dropped", func(t *testing.T) {
		p := newToyPhone("toy")
		addr := serveDevice(t, p)
		h := dialDevice(t, addr, versionNoSums, 4096)
		h.next()
		p.faults.Set(Fault{LinkDown: true})
		h.gone("link down")
		if c, err := net.Dial("tcp", addr); err == nil {
			c.Close()
			t.Error("phone accepts while its link is down")
		}
		p.faults.Set(Fault{})
		dialDevice(t, addr, versionNoSums, 4096).want(cmdCNXN, versionNoSums, defaultMaxdata, toyBanner)
	})
	t.Run("reboot", func(t *testing.T) {
		p := newToyPhone("toy")
		h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
		h.next()
		h.send(cmdOPEN, 1, 0, "shell:sleep 600\x00")
		h.want(cmdOKAY, 1, 1, "")
		eventually(t, "command runs", func() bool { n, _ := p.counts(); return n == 1 })
		p.setState("offline")
		h.gone("phone restarts")
		eventually(t, "command was hung up", func() bool { n, _ := p.counts(); return n == 0 })
	})
	t.Run("restart of adbd is announced before it happens", func(t *testing.T) {
		h := dialDevice(t, serveDevice(t, newToyPhone("toy")), versionNoSums, 4096)
		h.next()
		h.send(cmdOPEN, 1, 0, "tcpip:5555\x00")
		h.want(cmdOKAY, 1, 1, "")
		h.want(cmdWRTE, 1, 1, "restarting in TCP mode port: 5555\n")
		h.want(cmdCLSE, 1, 1, "")
		h.gone("adbd restarts")
	})
	t.Run("an answer that nobody takes does not keep the link", func(t *testing.T) {
		p := newToyPhone("toy")
		h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
		h.next()
		p.faults.Set(Fault{Frozen: true})
		h.send(cmdOPEN, 1, 0, "tcpip:5555\x00")
		time.AfterFunc(20*time.Millisecond, p.faults.Drop)
		h.gone("dropped while frozen")
	})
	t.Run("without shell_v2", func(t *testing.T) {
		p := newToyPhone("toy")
		p.faults.Set(Fault{WithoutFeatures: []string{"shell_v2"}})
		h := dialDevice(t, serveDevice(t, p), versionNoSums, 4096)
		h.want(cmdCNXN, versionNoSums, defaultMaxdata, strings.Replace(toyBanner, "shell_v2,", "", 1))
		h.send(cmdOPEN, 1, 0, "shell,v2,raw:true\x00")
		h.want(cmdCLSE, 0, 1, "")
	})
}
