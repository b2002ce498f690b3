package gates

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"rundown/devices"
	"rundown/devices/simulated"
)

// tree makes a sysfs tree of the kernel's layout: devices below their controller, links
// to them in bus/usb/devices, ports below the hub's interface with "disable", "peer" and
// a link "device" to what is attached (Documentation/ABI/testing/sysfs-bus-usb; the
// names of ports and their links as drivers/usb/core/port.c makes them). A USB 3 root hub
// pair (usb1, usb2), a hub of both speeds on port 1, a handset on port 3 of that hub and
// another on port 4 of the root hub.
func tree(t *testing.T) string {
	t.Helper()
	root := t.TempDir()
	bus := filepath.Join(root, "bus", "usb", "devices")
	pci := filepath.Join("devices", "pci0000:00", "0000:00:14.0")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.MkdirAll(bus, 0o755))
	for _, dir := range []string{root, filepath.Dir(root)} { // for asNobody to come through
		must(os.Chmod(dir, 0o755))
	}
	device := func(dir string, attributes map[string]string) {
		must(os.MkdirAll(filepath.Join(root, dir), 0o755))
		for name, value := range attributes {
			must(os.WriteFile(filepath.Join(root, dir, name), []byte(value+"\n"), 0o644))
		}
		must(os.Symlink(filepath.Join("..", "..", "..", dir), filepath.Join(bus, filepath.Base(dir))))
	}
	hub := func(dir, face string, ports int) {
		device(dir, map[string]string{"bDeviceClass": "09"})
		device(filepath.Join(dir, face), nil)
		for n := 1; n <= ports; n++ {
			port := filepath.Join(root, dir, face, fmt.Sprintf("%s-port%d", filepath.Base(dir), n))
			must(os.MkdirAll(port, 0o755))
			must(os.WriteFile(filepath.Join(port, "disable"), []byte("0\n"), 0o644))
			must(os.WriteFile(filepath.Join(port, "connect_type"), []byte("hotplug\n"), 0o644))
		}
	}
	usb1, usb2 := filepath.Join(pci, "usb1"), filepath.Join(pci, "usb2")
	hub(usb1, "1-0:1.0", 4)
	hub(usb2, "2-0:1.0", 2)
	hub(filepath.Join(usb1, "1-1"), "1-1:1.0", 4)
	hub(filepath.Join(usb2, "2-1"), "2-1:1.0", 4)
	device(filepath.Join(usb1, "1-4"), map[string]string{"bDeviceClass": "00", "serial": "SIM4"})
	device(filepath.Join(usb1, "1-1", "1-1.3"), map[string]string{"bDeviceClass": "00", "serial": "SIM13"})
	must(os.WriteFile(filepath.Join(root, usb1, "serial"), []byte("0000:00:14.0\n"), 0o644))
	link := func(dir, name, to string) {
		rel, err := filepath.Rel(filepath.Join(root, dir), filepath.Join(root, to))
		must(err)
		must(os.Symlink(rel, filepath.Join(root, dir, name)))
	}
	link(filepath.Join(usb1, "1-0:1.0", "usb1-port1"), "device", filepath.Join(usb1, "1-1"))
	link(filepath.Join(usb1, "1-0:1.0", "usb1-port4"), "device", filepath.Join(usb1, "1-4"))
	link(filepath.Join(usb1, "1-1", "1-1:1.0", "1-1-port3"), "device", filepath.Join(usb1, "1-1", "1-1.3"))
	high, super := filepath.Join(usb1, "1-1", "1-1:1.0", "1-1-port3"), filepath.Join(usb2, "2-1", "2-1:1.0", "2-1-port3")
	link(high, "peer", super)
	link(super, "peer", high)
	return root
}

func attribute(t *testing.T, root, path string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "bus", "usb", "devices", path))
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(text))
}

func TestUSBPortIsFoundAndSwitched(t *testing.T) {
	tests := []struct {
		name, at, location, serial string
		files                      []string
	}{
		{"root hub, as adb names it", "usb:1-4", "1-4", "SIM4", []string{"1-0:1.0/usb1-port4/disable"}},
		{"hub of two speeds, as the plan names it", "1-1.3", "1-1.3", "SIM13", []string{"1-1:1.0/1-1-port3/disable", "2-1:1.0/2-1-port3/disable"}},
		{"nothing attached", "1-1.2", "1-1.2", "", []string{"1-1:1.0/1-1-port2/disable"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			root := tree(t)
			p, err := FindPort(root, tt.at)
			if err != nil {
				t.Fatal(err)
			}
			serial, attached := p.Attached()
			if p.Location() != tt.location || p.Name() != "USB port "+tt.location || serial != tt.serial || attached != (tt.serial != "") {
				t.Errorf("location %q, attached %q %v", p.Location(), serial, attached)
			}
			for _, step := range []struct {
				do   func(context.Context) error
				want string
			}{{p.Close, "1"}, {p.Open, "0"}, {p.Open, "0"}, {p.Close, "1"}} {
				if err := step.do(t.Context()); err != nil {
					t.Fatal(err)
				}
				for _, file := range tt.files {
					if got := attribute(t, root, file); !strings.HasPrefix(got, step.want) {
						t.Errorf("%s = %q, want %s", file, got, step.want)
					}
				}
			}
			if got := attribute(t, root, "1-0:1.0/usb1-port2/disable"); got != "0" {
				t.Errorf("another port was switched: %q", got)
			}
		})
	}
}

func TestUSBPortIsFoundByTheHandsetsSerialNumber(t *testing.T) {
	root := tree(t)
	p, err := FindPortOf(root, "SIM13")
	if err != nil || p.Location() != "1-1.3" {
		t.Errorf("FindPortOf = %v, %v", p, err)
	}
	for _, serial := range []string{"SIM99", "0000:00:14.0"} { // the second is the controller's
		if _, err := FindPortOf(root, serial); !errors.Is(err, ErrNoPort) || !strings.Contains(err.Error(), "name its port in the plan file") {
			t.Errorf("FindPortOf(%q): %v", serial, err)
		}
	}
}

func TestUSBPortFailures(t *testing.T) {
	t.Run("no such port", func(t *testing.T) {
		_, err := FindPort(tree(t), "usb:1-1.7")
		if !errors.Is(err, ErrNoPort) || !strings.Contains(err.Error(), "hub 1-1 has the ports 1, 2, 3, 4") {
			t.Errorf("%v", err)
		}
	})
	t.Run("no such hub", func(t *testing.T) {
		_, err := FindPort(tree(t), "usb:1-2.1")
		if !errors.Is(err, ErrNoPort) || !strings.Contains(err.Error(), "no hub 1-2 is attached; there are usb1, usb2, 1-1, 2-1") {
			t.Errorf("%v", err)
		}
	})
	t.Run("no USB at all", func(t *testing.T) {
		if _, err := FindPort(t.TempDir(), "1-1"); !errors.Is(err, ErrNoPort) || !strings.Contains(err.Error(), "shows no USB devices") {
			t.Errorf("%v", err)
		}
	})
	t.Run("no place on a bus", func(t *testing.T) {
		for _, at := range []string{"", "usb:", "1", "../1-1", "1-1/../..", "1-0", "usb:001/004", "1-1.*", "192.168.0.3:5555"} {
			if _, err := FindPort(tree(t), at); err == nil || !strings.Contains(err.Error(), "is no place on the USB bus") {
				t.Errorf("FindPort(%q): %v", at, err)
			}
		}
	})
	t.Run("older kernel", func(t *testing.T) {
		root := tree(t)
		if err := os.Remove(filepath.Join(root, "bus/usb/devices/1-0:1.0/usb1-port4/disable")); err != nil {
			t.Fatal(err)
		}
		if _, err := FindPort(root, "1-4"); !errors.Is(err, ErrNoSwitch) || !strings.Contains(err.Error(), "from version 6.0 on") {
			t.Errorf("%v", err)
		}
	})
	t.Run("hub behind the port", func(t *testing.T) {
		if _, err := FindPort(tree(t), "1-1"); !errors.Is(err, ErrHubBehind) || !strings.Contains(err.Error(), "everything behind") {
			t.Errorf("%v", err)
		}
	})
	t.Run("no right", func(t *testing.T) {
		root := tree(t)
		for _, file := range []string{"1-1:1.0/1-1-port3/disable", "1-0:1.0/usb1-port4/disable"} {
			if err := os.Chmod(filepath.Join(root, "bus/usb/devices", file), 0o444); err != nil {
				t.Fatal(err)
			}
		}
		asNobody(func() {
			for _, at := range []string{"usb:1-4", "1-1.3"} {
				if _, err := FindPort(root, at); !errors.Is(err, ErrNoRight) || !strings.Contains(err.Error(), "udev rule") {
					t.Errorf("FindPort(%q): %v", at, err)
				}
			}
		})
	})
	t.Run("right taken away later", func(t *testing.T) {
		p, err := FindPort(tree(t), "1-4")
		if err != nil {
			t.Fatal(err)
		}
		asNobody(func() {
			if err := p.Close(t.Context()); !errors.Is(err, ErrNoRight) {
				t.Errorf("%v", err)
			}
		})
	})
	t.Run("hub unplugged later", func(t *testing.T) {
		root := tree(t)
		p, err := FindPort(root, "1-1.3")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.RemoveAll(filepath.Join(root, "devices/pci0000:00/0000:00:14.0/usb1/1-1")); err != nil {
			t.Fatal(err)
		}
		if err := p.Close(t.Context()); !errors.Is(err, ErrNoPort) || !strings.Contains(err.Error(), "still attached") {
			t.Errorf("%v", err)
		}
		p.write = func(string, string) error { return &os.PathError{Op: "write", Path: "disable", Err: unix.ENODEV} }
		if err := p.Close(t.Context()); !errors.Is(err, ErrNoPort) {
			t.Errorf("ENODEV: %v", err)
		}
		p.write = func(string, string) error { return &os.PathError{Op: "write", Path: "disable", Err: unix.EPIPE} }
		if err := p.Close(t.Context()); !errors.Is(err, unix.EPIPE) {
			t.Errorf("another error of the kernel's: %v", err)
		}
	})
	t.Run("hub that says that the port keeps power on", func(t *testing.T) {
		p, err := FindPort(tree(t), "1-4")
		if err != nil {
			t.Fatal(err)
		}
		p.write = func(string, string) error { return nil } // the hub takes the request and does nothing
		if err := p.Close(t.Context()); !errors.Is(err, ErrNotSwitched) || !strings.Contains(err.Error(), "still has power") {
			t.Errorf("%v", err)
		}
	})
	t.Run("cancelled", func(t *testing.T) {
		p, err := FindPort(tree(t), "1-4")
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := p.Close(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
	})
}

// asNobody runs f with the rights of a user that owns nothing, on a thread of its own
// that ends with it. Tests that do not run as root have no more rights anyway.
func asNobody(f func()) {
	var wg sync.WaitGroup
	wg.Go(func() {
		runtime.LockOSThread() // and never unlocked: the thread is not used again
		if os.Geteuid() == 0 {
			if _, err := unix.SetfsuidRetUid(65534); err != nil {
				panic(err)
			}
		}
		f()
	})
	wg.Wait()
}

func FuzzFindPort(f *testing.F) {
	f.Add("usb:1-1.3")
	f.Add("../../etc")
	root := f.TempDir()
	f.Fuzz(func(t *testing.T, at string) {
		if p, err := FindPort(root, at); err == nil {
			t.Errorf("FindPort(%q) in an empty tree found %v", at, p)
		}
		if m := location.FindStringSubmatch(at); m != nil && strings.Trim(m[1]+m[2], "0123456789.") != "" {
			t.Errorf("location of %q has other than digits: %q", at, m)
		}
	})
}

// hub is the hardware behind a made-up tree: the handset's charger follows the switch.
type hub struct {
	*USBPort
	h    *simulated.Handset
	file string
	dead bool // claims to switch, keeps power on
}

func (b *hub) Open(ctx context.Context) error  { return b.then(b.USBPort.Open(ctx)) }
func (b *hub) Close(ctx context.Context) error { return b.then(b.USBPort.Close(ctx)) }

func (b *hub) then(err error) error {
	text, _ := os.ReadFile(b.file)
	if !b.dead {
		b.h.Plug(strings.TrimSpace(string(text)) == "0")
	}
	return err
}

func TestVerifiedOnTheHandset(t *testing.T) {
	for _, dead := range []bool{false, true} {
		name := "hub that switches"
		if dead {
			name = "hub that claims to"
		}
		t.Run(name, func(t *testing.T) {
			root := tree(t)
			clock := simulated.NewScaledClock(time.Now(), 200)
			h := simulated.New(simulated.Options{Serial: "SIM4", Clock: clock, ChargerUSB: true, LevelPct: 50})
			t.Cleanup(h.Close)
			h.Plug(true)
			port, err := FindPortOf(root, "SIM4")
			if err != nil {
				t.Fatal(err)
			}
			g := Verify(&hub{USBPort: port, h: h, file: filepath.Join(root, "bus/usb/devices/1-0:1.0/usb1-port4/disable"), dead: dead}, Handset{h}, "sim", VerifyOptions{Clock: clock})
			err = g.Close(t.Context())
			if dead {
				if !errors.Is(err, ErrStaysOn) || !strings.Contains(err.Error(), "handset sim: power gate USB port 1-4") || !strings.Contains(err.Error(), "it sees power (USB)") {
					t.Errorf("Close: %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if p, err := (Handset{h}).Power(t.Context()); err != nil || p.Plugged || p.Charging {
				t.Errorf("after Close: %+v, %v", p, err)
			}
			if err := g.Open(t.Context()); err != nil {
				t.Fatal(err)
			}
			if p, err := (Handset{h}).Power(t.Context()); err != nil || !p.Plugged || p.Sources != "USB" {
				t.Errorf("after Open: %+v, %v", p, err)
			}
		})
	}
}

// said is a phone that says what it is told to, one reading after the other, the last
// for ever.
type said struct {
	mu    sync.Mutex
	says  []Power
	err   error
	reads int
}

func (s *said) Power(ctx context.Context) (Power, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.reads++
	if s.err != nil {
		return Power{}, s.err
	}
	p := s.says[0]
	if len(s.says) > 1 {
		s.says = s.says[1:]
	}
	return p, ctx.Err()
}

func (s *said) now(p Power) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.says = []Power{p}
}

// gate is one that only says that it switched.
type gate struct {
	err           error
	opens, closes int
	wait          time.Duration
}

func (g *gate) Name() string { return "a gate" }
func (g *gate) Open(ctx context.Context) error {
	g.opens++
	return errors.Join(g.err, wallClock{}.Sleep(ctx, g.wait))
}
func (g *gate) Close(ctx context.Context) error {
	g.closes++
	return errors.Join(g.err, wallClock{}.Sleep(ctx, g.wait))
}

var (
	plugged   = Power{Plugged: true, Sources: "AC", Charging: true}
	unplugged = Power{}
	muddled   = Power{Charging: true}
)

func TestVerifyWithinItsTimeLimit(t *testing.T) {
	linkLost := fmt.Errorf("handset x: %w", devices.ErrOffline)
	tests := []struct {
		name  string
		phone *said
		on    bool
		want  error
		after time.Duration
	}{
		{"comes at once", &said{says: []Power{plugged}}, true, nil, time.Second},
		{"goes after three readings", &said{says: []Power{plugged, plugged, plugged, unplugged}}, false, nil, 4 * time.Second},
		{"one stale reading is not believed", &said{says: []Power{unplugged, plugged, unplugged}}, false, nil, 3 * time.Second},
		{"goes with the last reading in time", &said{says: append(slices.Repeat([]Power{plugged}, 30), unplugged)}, false, nil, 31 * time.Second},
		{"never goes", &said{says: []Power{plugged}}, false, ErrStaysOn, 30 * time.Second},
		{"never comes", &said{says: []Power{unplugged}}, true, ErrStaysOff, 30 * time.Second},
		{"charges without a source", &said{says: []Power{muddled}}, false, ErrStaysOn, 30 * time.Second},
		{"link goes with the power", &said{err: linkLost}, false, ErrUnread, 30 * time.Second},
		{"values frozen on the handset", &said{err: devices.ErrFrozen}, false, ErrUnread, 30 * time.Second},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := &gate{}
				v := Verify(g, tt.phone, "x", VerifyOptions{})
				do := v.Close
				if tt.on {
					do = v.Open
				}
				start := time.Now()
				err := do(t.Context())
				if !errors.Is(err, tt.want) || (err == nil) != (tt.want == nil) || time.Since(start) != tt.after {
					t.Errorf("%v after %v; want %v after %v", err, time.Since(start), tt.want, tt.after)
				}
				if tt.phone.err != nil && !errors.Is(err, tt.phone.err) {
					t.Errorf("%v does not say why the handset could not be read", err)
				}
				if g.opens+g.closes != 1 {
					t.Errorf("the gate was moved %d times", g.opens+g.closes)
				}
			})
		})
	}
	t.Run("gate that fails", func(t *testing.T) {
		broken := errors.New("no relay")
		phone := &said{says: []Power{plugged}}
		if err := Verify(&gate{err: broken}, phone, "x", VerifyOptions{}).Close(t.Context()); !errors.Is(err, broken) || phone.reads != 0 {
			t.Errorf("%v after %d readings", err, phone.reads)
		}
	})
	t.Run("cancelled", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			defer cancel()
			err := Verify(&gate{}, &said{says: []Power{plugged}}, "x", VerifyOptions{}).Close(ctx)
			if !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, ErrStaysOn) {
				t.Errorf("%v", err)
			}
		})
	})
}

// person answers as told, after a while.
type person struct {
	after  time.Duration
	answer string
	moves  func() // what their hands do before they answer
	asked  []Question
	left   bool // the question was withdrawn
}

func (p *person) Ask(ctx context.Context, q Question) (Answer, error) {
	p.asked = append(p.asked, q)
	wait := p.after
	if wait == 0 || wait > q.Limit {
		wait = q.Limit
	}
	if p.moves != nil {
		time.AfterFunc(10*time.Second, p.moves)
	}
	if err := (wallClock{}).Sleep(ctx, wait); err != nil {
		p.left = true
		return Answer{}, err
	}
	if wait == q.Limit && wait != p.after {
		return Answer{Option: q.Default, ByDefault: true}, nil
	}
	return Answer{Option: p.answer}, nil
}

func TestByHand(t *testing.T) {
	tests := []struct {
		name   string
		person *person
		moves  bool
		before Power
		want   error
		after  time.Duration
		left   bool
		asked  int
	}{
		{name: "done already", person: &person{}, before: unplugged, asked: 0},
		{name: "unplugs and answers", person: &person{after: 20 * time.Second, answer: Done}, moves: true, before: plugged, after: 11 * time.Second, left: true, asked: 1},
		{name: "unplugs and never answers", person: &person{}, moves: true, before: plugged, after: 11 * time.Second, left: true, asked: 1},
		{name: "says done and has pulled the wrong plug", person: &person{after: 20 * time.Second, answer: Done}, before: plugged, want: ErrStaysOn, after: 50 * time.Second, asked: 1},
		{name: "cannot", person: &person{after: 20 * time.Second, answer: Cannot}, before: plugged, want: ErrDeclined, after: 20 * time.Second, asked: 1},
		{name: "nobody there", person: &person{}, before: plugged, want: ErrUnanswered, after: 15 * time.Minute, asked: 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				phone := &said{says: []Power{tt.before}}
				if tt.moves {
					tt.person.moves = func() { phone.now(unplugged) }
				}
				g := NewByHand("x", tt.person, phone, 0, VerifyOptions{})
				start := time.Now()
				err := g.Close(t.Context())
				if !errors.Is(err, tt.want) || (err == nil) != (tt.want == nil) {
					t.Errorf("%v; want %v", err, tt.want)
				}
				if took := time.Since(start); took < tt.after || took > tt.after+2*time.Second {
					t.Errorf("took %v, want %v", took, tt.after)
				}
				if tt.person.left != tt.left || len(tt.person.asked) != tt.asked {
					t.Errorf("question withdrawn: %v, asked %d", tt.person.left, len(tt.person.asked))
				}
				if tt.asked > 0 {
					if q := tt.person.asked[0]; q.Handset != "x" || !strings.Contains(q.Text, "unplug") || q.Default != Cannot || q.Limit != 15*time.Minute {
						t.Errorf("asked %+v", q)
					}
				}
			})
		})
	}
	t.Run("prompt that cannot be put", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			broken := errors.New("no console")
			err := NewByHand("x", ask(func() (Answer, error) { return Answer{}, broken }), &said{says: []Power{unplugged}}, 0, VerifyOptions{}).Open(t.Context())
			if !errors.Is(err, broken) || !strings.Contains(err.Error(), "plug the charger into handset x") {
				t.Errorf("%v", err)
			}
		})
	})
}

type ask func() (Answer, error)

func (a ask) Ask(context.Context, Question) (Answer, error) { return a() }

func TestKeeperMakesSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cut, feed, leave, slow, broken := &gate{}, &gate{}, &gate{}, &gate{wait: time.Hour}, &gate{err: errors.New("no relay")}
		k := &Keeper{}
		k.Add("a", cut, Cut)
		k.Add("b", feed, Feed)
		k.Add("c", leave, Leave)
		k.Add("d", slow, Cut)
		k.Add("e", broken, Cut)
		stopped, stop := context.WithCancel(t.Context())
		stop() // as it is when the daemon stops
		start := time.Now()
		err := k.MakeSafe(stopped, 20*time.Second)
		if took := time.Since(start); took != 20*time.Second {
			t.Errorf("took %v", took)
		}
		if cut.closes != 1 || cut.opens != 0 || feed.opens != 1 || feed.closes != 0 || leave.opens+leave.closes != 0 {
			t.Errorf("moves: %+v %+v %+v", *cut, *feed, *leave)
		}
		if err == nil || !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "handset d: power gate a gate is not in its safe state (closed)") || !strings.Contains(err.Error(), "handset e") || strings.Contains(err.Error(), "handset a") {
			t.Errorf("%v", err)
		}
	})
}
