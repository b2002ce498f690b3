package adb

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
	"rundown/devices/hosttest"
)

func TestNewAddr(t *testing.T) {
	for in, want := range map[string]string{
		"": "127.0.0.1:5037", "bench2": "bench2:5037", "bench2:6000": "bench2:6000", ":6000": "127.0.0.1:6000",
		"::1": "[::1]:5037", "[::1]:6000": "[::1]:6000", "[::1]": "[::1]:5037",
	} {
		if got := New(in).Addr(); got != want {
			t.Errorf("New(%q).Addr() = %q, want %q", in, got, want)
		}
	}
}

// TestParseDevices: the rows are of the forms that adb 29.0.6 prints, with invented
// names; the rows with several words are from its transport.cpp.
func TestParseDevices(t *testing.T) {
	const list = `PHONE1                 device usb:1-4 product:alpha model:Alpha_One device:alpha1 transport_id:1
192.168.7.20:5555      device product:beta model:Beta device:b transport_id:12
PHONE2                 unauthorized usb:1-5 transport_id:3
PHONE3                 authorizing usb:1-6 transport_id:4
192.168.7.21:5555      offline transport_id:5
(no serial number)     no permissions (user in plugdev group; are your udev rules wrong?); see [http://developer.android.com/tools/device.html] usb:1-7 transport_id:6
PHONE4                 no permissions (missing udev rules? user is in the plugdev group); see [http://developer.android.com/tools/device.html] usb:1-8 transport_id:7
(no serial number)     device usb:2-1 product:p model:m device:d transport_id:8
0123 456 789           recovery usb:2-2 transport_id:9
PHONE5                 device usb:2-3 product: model:M device transport_id:10
adb-AB12._adb-tls-connect._tcp device product:x model:y device:z transport_id:11 openedby:later
PHONE6	sideload

`
	got, faults := parseDevices(list)
	want := []Device{
		{Serial: "PHONE1", State: StateReady, StateText: "device", USB: "usb:1-4", Product: "alpha", Model: "Alpha_One", DeviceName: "alpha1", TransportID: 1},
		{Serial: "192.168.7.20:5555", State: StateReady, StateText: "device", Product: "beta", Model: "Beta", DeviceName: "b", TransportID: 12},
		{Serial: "PHONE2", State: StateUnauthorised, StateText: "unauthorized", USB: "usb:1-5", TransportID: 3},
		{Serial: "PHONE3", State: StateAuthorising, StateText: "authorizing", USB: "usb:1-6", TransportID: 4},
		{Serial: "192.168.7.21:5555", State: StateOffline, StateText: "offline", TransportID: 5},
		{State: StateNoPermission, StateText: "no permissions (user in plugdev group; are your udev rules wrong?); see [http://developer.android.com/tools/device.html]", USB: "usb:1-7", TransportID: 6},
		{Serial: "PHONE4", State: StateNoPermission, StateText: "no permissions (missing udev rules? user is in the plugdev group); see [http://developer.android.com/tools/device.html]", USB: "usb:1-8", TransportID: 7},
		{State: StateReady, StateText: "device", USB: "usb:2-1", Product: "p", Model: "m", DeviceName: "d", TransportID: 8},
		{Serial: "0123 456 789", State: StateRecovery, StateText: "recovery", USB: "usb:2-2", TransportID: 9},
		// An attribute without a colon cannot be told from a state: the state is then odd, and said so, but nothing breaks.
		{Serial: "PHONE5                 device usb:2-3 product: model:M", State: StateReady, StateText: "device", TransportID: 10},
		{Serial: "adb-AB12._adb-tls-connect._tcp", State: StateReady, StateText: "device", Product: "x", Model: "y", DeviceName: "z", TransportID: 11},
		{Serial: "PHONE6", State: StateSideload, StateText: "sideload"},
	}
	if diff := cmp.Diff(want, got); diff != "" || len(faults) != 0 {
		t.Errorf("parseDevices mismatch (-want +got), faults %v:\n%s", faults, diff)
	}
	for _, d := range got {
		if advice := d.Advice(); (advice == "") != (d.Ready() && d.Serial != "") {
			t.Errorf("Advice of %q in state %q = %q", d.Serial, d.State, advice)
		}
	}
	if rows, faults := parseDevices("PHONE1\tdevice\nlonely\n"); len(rows) != 1 || len(faults) != 1 {
		t.Errorf("a row without a state: %v, %v; want it reported and the other kept", rows, faults)
	}
}

func TestVersion(t *testing.T) {
	for reply, want := range map[string]int{"OKAY00040029": 41, "OKAY00040028": 40} {
		f := newFake(t, func(c *fakeConn, service string) bool {
			c.dribble = true // short reads break gadb's answer; ours stands in
			c.say("%s", reply)
			return false
		})
		if got, err := New(f.addr(), quick).Version(t.Context()); err != nil || got != want {
			t.Errorf("Version over %q = %d, %v; want %d", reply, got, err, want)
		}
	}
	for name, tt := range map[string]struct {
		reply string
		want  error
	}{
		"another protocol":     {"HTTP/1.1 400 Bad Request\r\n\r\n", devices.ErrNoServer},
		"negative length":      {"OKAY-001", devices.ErrNoServer}, // gadb panics on it
		"closed":               {"", devices.ErrNoServer},
		"cut in its status":    {"OK", devices.ErrNoServer},
		"cut in its text":      {"OKAY000400", devices.ErrNoServer},
		"no number":            {"OKAY0004zzzz", devices.ErrNoServer},
		"longer than it says":  {"OKAY0000", devices.ErrNoServer},
		"no length, only text": {"OKAYabcz", devices.ErrNoServer},
	} {
		f := newFake(t, func(c *fakeConn, _ string) bool { c.say("%s", tt.reply); return false })
		if v, err := New(f.addr(), quick).Version(t.Context()); !errors.Is(err, tt.want) {
			t.Errorf("Version, %s = %d, %v; want %v", name, v, err, tt.want)
		}
	}
}

func TestNoServer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	s := New(addr, quick)
	_, version := s.Version(t.Context())
	_, list := s.Devices(t.Context())
	_, shell := s.Handset("X").Shell(t.Context(), "true")
	for what, err := range map[string]error{"Version": version, "Devices": list, "Shell": shell, "Connect": s.Connect(t.Context(), "h:1")} {
		if !errors.Is(err, devices.ErrNoServer) || !strings.Contains(err.Error(), addr) || !strings.Contains(err.Error(), "start-server") {
			t.Errorf("%s without a server = %v, want ErrNoServer with address and advice", what, err)
		}
	}
}

func TestHangingServer(t *testing.T) {
	f := newFake(t, func(c *fakeConn, _ string) bool { c.hang(); return false })
	s := New(f.addr(), impatient, func(o *Options) { o.ConnectTimeout = 150 * time.Millisecond })
	_, version := s.Version(t.Context())
	_, list := s.Devices(t.Context())
	_, shell := s.Handset("X").Shell(t.Context(), "true")
	_, stat := s.Handset("X").Stat(t.Context(), "/x")
	for what, err := range map[string]error{"Version": version, "Devices": list, "Shell": shell, "Stat": stat, "Connect": s.Connect(t.Context(), "h:1")} {
		if !errors.Is(err, devices.ErrTimeout) {
			t.Errorf("%s of a frozen server = %v, want ErrTimeout", what, err)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := New(f.addr()).Devices(ctx); !errors.Is(err, devices.ErrTimeout) || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Devices past the caller's deadline = %v, want both errors", err)
	}
}

// What gadb was asked ends with the context of whoever asked, and leaves nothing behind: a
// server that says nothing, or not all that it began to say, must not gather goroutines.
func TestNothingOfGadbOutlivesItsContext(t *testing.T) {
	for name, serve := range map[string]func(c *fakeConn, service string) bool{
		"silent":      func(c *fakeConn, _ string) bool { c.hang(); return false },
		"in mid word": func(c *fakeConn, _ string) bool { c.say("OKAY00"); c.hang(); return false },
		"in mid text": func(c *fakeConn, _ string) bool { c.say("OKAY0004002"); c.hang(); return false },
	} {
		t.Run(name, func(t *testing.T) {
			f := newFake(t, serve)
			for what, ask := range map[string]func(ctx context.Context) error{
				"the caller's end": func(ctx context.Context) error {
					ctx, cancel := context.WithCancel(ctx)
					defer cancel()
					stop := make(chan struct{})
					go func() {
						defer close(stop)
						for f.count("host:version") == 0 {
							time.Sleep(time.Millisecond)
						}
						cancel()
					}()
					_, err := New(f.addr(), quick).Version(ctx)
					<-stop
					return err
				},
				"its own deadline": func(ctx context.Context) error {
					_, err := New(f.addr(), impatient).Version(ctx)
					return err
				},
			} {
				if err := ask(t.Context()); err == nil {
					t.Errorf("%s: a version of a server that told none", what)
				}
				stacks := make([]byte, 1<<20)
				if stacks = stacks[:runtime.Stack(stacks, true)]; bytes.Contains(stacks, []byte("electricbubble/gadb")) || bytes.Contains(stacks, []byte("adb.(*relay)")) {
					t.Errorf("%s: something of it still runs:\n%s", what, stacks)
				}
			}
		})
	}
}

func TestConnectResult(t *testing.T) {
	for text, want := range map[string]error{
		"connected to 192.168.7.20:5555":                               nil,
		"already connected to 192.168.7.20:5555":                       nil,
		"failed to connect to '192.168.7.20:5555': Connection refused": devices.ErrNoHandset,
		"failed to connect to 192.168.7.20:5555":                       devices.ErrNoHandset,
		"failed to authenticate to 192.168.7.20:5555":                  devices.ErrUnauthorised,
	} {
		f := newFake(t, func(c *fakeConn, service string) bool {
			if service != "host:connect:192.168.7.20:5555" {
				t.Errorf("asked %q", service)
			}
			c.text(text)
			return false
		})
		if err := New(f.addr(), quick).Connect(t.Context(), "192.168.7.20"); !errors.Is(err, want) || (err == nil) != (want == nil) {
			t.Errorf("Connect answered %q = %v, want %v", text, err, want)
		}
	}
	s := New("127.0.0.1:1")
	for _, bad := range []string{"", ":5555", "a b:5555", "h:1;x", "h:1\n"} {
		if err := s.Connect(t.Context(), bad); err == nil || errors.Is(err, devices.ErrNoServer) {
			t.Errorf("Connect(%q) = %v, want an error about the address", bad, err)
		}
		if err := s.Disconnect(t.Context(), bad); err == nil || errors.Is(err, devices.ErrNoServer) {
			t.Errorf("Disconnect(%q) = %v, want an error about the address", bad, err)
		}
	}
}

// TestKeepConnected: refused, then up, then dropped by the server, then up again.
func TestKeepConnected(t *testing.T) {
	const at = "192.168.7.20:5555"
	var connected, refuse atomic.Bool
	refuse.Store(true)
	f := newFake(t, func(c *fakeConn, service string) bool {
		switch {
		case strings.HasSuffix(service, ":get-state") && connected.Load():
			c.text("device")
		case strings.HasSuffix(service, ":get-state"):
			c.fail("device '" + at + "' not found")
		case refuse.Load():
			c.text("failed to connect to '" + at + "': Connection refused")
		default:
			connected.Store(true)
			c.text("connected to " + at)
		}
		return false
	})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	reports := make(chan error, 100)
	done := make(chan error, 1)
	go func() {
		done <- New(f.addr(), quick).KeepConnected(ctx, at, func(err error) { reports <- err })
	}()
	next := func(want error) {
		t.Helper()
		select {
		case err := <-reports:
			if !errors.Is(err, want) || (err == nil) != (want == nil) {
				t.Fatalf("reported %v, want %v", err, want)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("nothing reported, want %v", want)
		}
	}
	next(devices.ErrNoHandset)
	refuse.Store(false)
	next(nil)
	refuse.Store(true)
	connected.Store(false)
	next(devices.ErrNoHandset)
	refuse.Store(false)
	next(nil)
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) || len(reports) != 0 {
		t.Errorf("KeepConnected = %v with %d more reports; want context.Canceled and none", err, len(reports))
	}
}

// A trackScript is a server whose list can be changed, with or without a push.
type trackScript struct {
	mu     sync.Mutex
	list   string
	push   chan string
	noLong bool
}

func (s *trackScript) set(list string) {
	s.mu.Lock()
	s.list = list
	s.mu.Unlock()
}

func (s *trackScript) serve(c *fakeConn, service string) bool {
	s.mu.Lock()
	list := s.list
	s.mu.Unlock()
	switch {
	case service == "host:devices-l":
		c.text(list)
	case service == "host:track-devices-l" && s.noLong:
		c.fail("unknown host service")
	case strings.HasPrefix(service, "host:track-devices"):
		c.dribble = true
		c.text(list)
		gone := make(chan struct{})
		go func() { c.hang(); close(gone) }()
		for {
			select {
			case list := <-s.push:
				c.say("%04x%s", len(list), list)
			case <-gone:
				return false
			}
		}
	default:
		c.fail("unknown host service")
	}
	return false
}

func TestTrack(t *testing.T) {
	for _, noLong := range []bool{false, true} {
		t.Run(fmt.Sprint("short list only ", noLong), func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			addr := l.Addr().String()
			script := &trackScript{push: make(chan string), noLong: noLong, list: "A device transport_id:1\n"}
			f := newFakeOn(t, l, script.serve)
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			seen := make(chan Listing, 1000)
			done := make(chan error, 1)
			go func() { done <- New(addr, quick).Track(ctx, func(l Listing) { seen <- l }) }()
			defer func() {
				cancel()
				if err := <-done; !errors.Is(err, context.Canceled) {
					t.Errorf("Track = %v, want context.Canceled", err)
				}
			}()
			until := func(what string, ok func(Listing) bool) {
				t.Helper()
				deadline := time.After(20 * time.Second)
				var last Listing
				for {
					select {
					case last = <-seen:
						if last.Server != addr {
							t.Errorf("Listing.Server = %q, want %q", last.Server, addr)
						}
						if ok(last) {
							return
						}
					case <-deadline:
						t.Fatalf("%s was not reported; last was %+v", what, last)
					}
				}
			}
			states := func(want ...State) func(Listing) bool {
				return func(l Listing) bool {
					var got []State
					for _, d := range l.Devices {
						got = append(got, d.State)
					}
					return l.Present && slices.Equal(got, want)
				}
			}
			until("the first list", states(StateReady))
			script.set("A offline transport_id:1\n") // server 29 does not push this
			until("an offline link that was not pushed", states(StateOffline))
			both := "A offline transport_id:1\nB unauthorized usb:1-1 transport_id:2\n"
			script.set(both)
			script.push <- both
			until("a pushed row", states(StateOffline, StateUnauthorised))
			f.close()
			until("an absent server", func(l Listing) bool { return !l.Present && l.Devices == nil && l.Err != nil })
			if l, err = net.Listen("tcp", addr); err != nil {
				t.Skipf("the port was taken meanwhile: %v", err)
			}
			script.set("")
			f2 := newFakeOn(t, l, script.serve)
			until("a server that is back, without handsets", states())
			// Nothing changes, so nothing is said, however often the list is asked for.
			begin := time.Now()
			for asked := f2.count("host:devices-l"); f2.count("host:devices-l") < asked+3; {
				if time.Since(begin) > 20*time.Second {
					t.Fatal("the list is not asked for any more")
				}
				sleep(t.Context(), 5*time.Millisecond)
			}
			if len(seen) != 0 {
				t.Errorf("%d more reports though nothing changed", len(seen))
			}
		})
	}
}

// stockServer starts a real adb server on a port of its own.
func stockServer(t *testing.T) *Server {
	t.Helper()
	adb := hosttest.Program(t, "adb")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	l.Close()
	cmd := exec.Command(adb, "-P", port, "nodaemon", "server")
	cmd.Env = append(os.Environ(), "HOME="+t.TempDir(), "ADB_MDNS=0")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	s := New("127.0.0.1:"+port, func(o *Options) {
		o.PollEvery, o.RetryFirst, o.RetryMost = 100*time.Millisecond, 20*time.Millisecond, 200*time.Millisecond
	})
	for deadline := time.Now().Add(30 * time.Second); ; sleep(t.Context(), 50*time.Millisecond) {
		if _, err = s.Devices(t.Context()); err == nil {
			return s
		}
		if time.Now().After(deadline) {
			t.Fatalf("the stock adb server does not answer: %v", err)
		}
	}
}

func TestStockServer(t *testing.T) {
	s := stockServer(t)
	if v, err := s.Version(t.Context()); err != nil || v < 41 {
		t.Errorf("Version = %d, %v; want 41 or more", v, err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := l.Addr().String()
	l.Close()
	if err := s.Connect(t.Context(), nobody); !errors.Is(err, devices.ErrNoHandset) || !strings.Contains(err.Error(), nobody) {
		t.Errorf("Connect where nobody listens = %v, want ErrNoHandset", err)
	}
	if err := s.Disconnect(t.Context(), nobody); err != nil {
		t.Errorf("Disconnect of what is not connected = %v", err)
	}
	if state, err := s.State(t.Context(), nobody); !errors.Is(err, devices.ErrNoHandset) {
		t.Errorf("State of an unknown handset = %q, %v; want ErrNoHandset", state, err)
	}
	h := s.Handset("NOBODY")
	_, shellErr := h.Shell(t.Context(), "true")
	_, statErr := h.Stat(t.Context(), "/x")
	for what, err := range map[string]error{"Shell": shellErr, "Stat": statErr, "Reverse": h.Reverse(t.Context(), 1, 2)} {
		if !errors.Is(err, devices.ErrNoHandset) {
			t.Errorf("%s on an unknown handset = %v, want ErrNoHandset", what, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	var first Listing
	err = s.Track(ctx, func(l Listing) { first = l; cancel() })
	if !errors.Is(err, context.Canceled) || !first.Present || first.Err != nil {
		t.Errorf("Track = %v with %+v, want a list from a server that is present", err, first)
	}
}
