package orchestrator_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rundown/devices/gates"
	"rundown/devices/simulated"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/scenarios"
)

const gatePlans = `
plans:
  short:
    drain: 3
    start_level_pct: {least: 85, most: 90}
    segments: [browse]
    warm_up: 1 min
    recharge_limit: 12 h
`

// lowBench is a bench whose one handset, Alder, must be recharged before its run.
func lowBench(t *testing.T, gate scenarios.Gate) *bench {
	t.Helper()
	b := newBench(t, []string{"Alder"}, gatePlans, func(_ string, o *simulated.Options) { o.LevelPct, o.ChargerUSB = 80, true })
	b.planGates = true
	b.file.Bench.Handsets[0].Gate = gate
	return b
}

// asked waits for the prompt that is open.
func (b *bench) asked(text string) results.Prompt {
	b.t.Helper()
	var p results.Prompt
	within(b.t, 30*time.Second, "asked: "+text, func() bool {
		for _, open := range b.daemon.Prompts() {
			if p = open; strings.HasPrefix(open.Text, text) {
				return true
			}
		}
		return false
	})
	return p
}

// A person is the power gate: they are asked to plug in and answer, the handset confirms,
// it is recharged; they are asked to unplug and do it without a word, which the handset
// shows; the run goes on and measures. Both prompts are in its record.
func TestRechargeByHand(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := lowBench(t, scenarios.Gate{ByHand: true, ConfirmWithin: time.Minute, AnswerWithin: 20 * time.Hour}).start(overServer)
		b.queue("short")
		p := b.asked("plug the charger into handset Alder")
		if p.Handset != "Alder" || p.RunID == "" || p.Default != "cannot" || !strings.HasPrefix(p.Why, "level ") || !strings.Contains(p.Why, "charges it to 89 %") {
			t.Errorf("asked: %+v", p)
		}
		if s := b.daemon.Handsets()[0]; s.WaitsFor != "a person: plug the charger into handset Alder" {
			t.Errorf("the handset waits for %q", s.WaitsFor)
		}
		b.handsets["Alder"].Plug(true)
		if _, err := b.daemon.AnswerPrompt(p.ID, "done", "desk"); err != nil && !errors.Is(err, orchestrator.ErrNotNow) { // it may have been seen first
			t.Fatal(err)
		}
		b.asked("unplug handset Alder")
		b.handsets["Alder"].Plug(false)
		segments := b.finish(time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured {
			t.Errorf("segments: %+v", segments)
		}
		list, err := b.daemon.Store().Prompts(p.RunID)
		if err != nil || len(list) != 2 || list[1].State != results.PromptSeen || list[0].State == results.PromptOpen {
			t.Errorf("prompts of the run: %+v, %v", list, err)
		}
	})
}

// Nobody comes: the default stands at the time limit and the run ends, saying so.
func TestNobodyComesToRecharge(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := lowBench(t, scenarios.Gate{ByHand: true, ConfirmWithin: time.Minute, AnswerWithin: 10 * time.Minute}).start(overServer)
		items := b.queue("short")
		b.finish(time.Minute)
		run := runOf(t, b, items[0].ID)
		if !strings.Contains(run.Reason, "a person was asked to plug the charger into handset Alder: nobody answered within the time limit (10 min)") {
			t.Errorf("the run ended: %s", run.Reason)
		}
		list, err := b.daemon.Store().Prompts(run.ID)
		if err != nil || len(list) != 1 || list[0].State != results.PromptUnanswered || list[0].Choice != "cannot" {
			t.Errorf("prompts: %+v, %v", list, err)
		}
	})
}

// The run is cancelled while a person is asked: nobody need come.
func TestCancelledWhileAPersonIsAsked(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := lowBench(t, scenarios.Gate{ByHand: true, ConfirmWithin: time.Minute, AnswerWithin: 20 * time.Hour}).start(overServer)
		items := b.queue("short")
		p := b.asked("plug the charger")
		if _, err := b.daemon.Cancel(items[0].ID); err != nil {
			t.Fatal(err)
		}
		b.finish(time.Minute)
		if run := runOf(t, b, items[0].ID); run.Reason != "cancelled" {
			t.Errorf("the run ended: %s", run.Reason)
		}
		if p, err := b.daemon.Store().Prompt(p.ID); err != nil || p.State != results.PromptWithdrawn || p.Reason != "cancelled" {
			t.Errorf("the prompt: %+v, %v", p, err)
		}
	})
}

// The daemon is stopped and started while a person is asked: it is the same question.
func TestAskedAcrossARestart(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := lowBench(t, scenarios.Gate{ByHand: true, ConfirmWithin: time.Minute, AnswerWithin: 20 * time.Hour}).start(overServer)
		b.queue("short")
		p := b.asked("plug the charger")
		b.stopDaemon()
		b.startDaemon()
		if again := b.asked("plug the charger"); again.ID != p.ID {
			t.Errorf("after the restart it is prompt %s, want %s", again.ID, p.ID)
		}
		b.handsets["Alder"].Plug(true)
		b.asked("unplug handset Alder")
		b.handsets["Alder"].Plug(false)
		if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
			t.Errorf("segments: %+v", g)
		}
	})
}

func runOf(t *testing.T, b *bench, item string) results.Run {
	t.Helper()
	for _, it := range b.daemon.Queue() {
		if it.ID == item {
			run, err := b.daemon.Store().Run(it.RunID)
			if err != nil {
				t.Fatal(err)
			}
			return run
		}
	}
	t.Fatalf("no item %s", item)
	return results.Run{}
}

// A usbHub is a made-up sysfs tree of the kernel's layout (Documentation/ABI/testing/
// sysfs-bus-usb; the names of ports as drivers/usb/core/port.c makes them): a root hub
// with four ports, and a simulated handset at port 3. It does what a kernel does when a
// port is disabled: the device is gone, and comes back when the port is enabled.
type usbHub struct {
	root, port string
	serial     string
	h          *simulated.Handset
	dead       bool // claims to switch, keeps power on
	end        chan struct{}
	wg         sync.WaitGroup
}

func newUSBHub(t *testing.T, serial string, h *simulated.Handset, dead bool) *usbHub {
	t.Helper()
	u := &usbHub{root: t.TempDir(), serial: serial, h: h, dead: dead, end: make(chan struct{})}
	face := filepath.Join(u.root, "bus", "usb", "devices", "1-0:1.0")
	for n := 1; n <= 4; n++ {
		dir := filepath.Join(face, fmt.Sprintf("usb1-port%d", n))
		if err := errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, "disable"), []byte("0\n"), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	u.port = filepath.Join(face, "usb1-port3")
	h.Plug(true)
	u.attach(t, true)
	u.wg.Go(func() {
		on := true
		for {
			if now := u.enabled(); now != on {
				on = now
				u.attach(t, on)
				if !u.dead {
					u.h.Plug(on)
				}
			}
			select {
			case <-time.After(2 * time.Millisecond):
			case <-u.end:
				return
			}
		}
	})
	t.Cleanup(func() {
		close(u.end)
		u.wg.Wait()
	})
	return u
}

func (u *usbHub) enabled() bool {
	text, err := os.ReadFile(filepath.Join(u.port, "disable"))
	return err != nil || strings.TrimSpace(string(text)) != "1"
}

func (u *usbHub) attach(t *testing.T, there bool) {
	device, link := filepath.Join(u.root, "bus", "usb", "devices", "1-3"), filepath.Join(u.port, "device")
	var err error
	if there {
		err = errors.Join(os.MkdirAll(device, 0o755), os.WriteFile(filepath.Join(device, "serial"), []byte(u.serial+"\n"), 0o644),
			os.WriteFile(filepath.Join(device, "bDeviceClass"), []byte("00\n"), 0o644), os.Symlink(device, link))
	} else {
		err = errors.Join(os.Remove(link), os.RemoveAll(device))
	}
	if err != nil {
		t.Error(err)
	}
}

// A USB port is the power gate: found by the handset's serial number, and found again when
// a closed port hides the handset; recharged through it, measured without power, closed
// when the daemon stops.
func TestRechargeThroughAUSBPort(t *testing.T) {
	t.Parallel()
	b := lowBench(t, scenarios.Gate{USBSerial: "SIM-A", ConfirmWithin: time.Minute, WhenStopped: scenarios.GateClosed})
	hub := newUSBHub(t, "SIM-A", b.handsets["Alder"], false)
	b.sysfs = hub.root
	b.start(overServer)
	within(t, 20*time.Second, "linked", func() bool { return b.daemon.Handsets()[0].Link == "ready" })
	steps, err := b.daemon.TestGate(t.Context(), "Alder")
	var said []string
	for _, s := range steps {
		said = append(said, strings.TrimSpace(s.State+" "+s.Sources))
	}
	if got := strings.Join(said, ", "); err != nil || got != "closed, open USB, closed" || steps[0].Gate != "USB port of SIM-A" {
		t.Fatalf("the gate's test: %s, %v", got, err)
	}
	b.queue("short")
	if g := b.finish(time.Minute)["Alder"]; len(g) != 1 || g[0].Outcome != results.Measured {
		t.Errorf("segments: %+v", g)
	}
	if hub.enabled() {
		t.Error("the port is open after the run")
	}
	b.stopDaemon()
	b.file.Bench.Handsets[0].Gate.WhenStopped = scenarios.GateOpen // and for a lab that wants it so
	b.startDaemon()
	b.stopDaemon()
	if !hub.enabled() {
		t.Error("the port is closed, and should be open when the daemon has stopped")
	}
	b.file.Bench.Handsets[0].Gate.WhenStopped = scenarios.GateClosed
	b.startDaemon()
	b.stopDaemon()
	if hub.enabled() {
		t.Error("the port is open, and should be closed when the daemon has stopped")
	}
}

// The daemon died and left a port open: its safe state is brought about without it, and
// not while one is alive.
func TestGatesMadeSafeAfterADaemonThatDied(t *testing.T) {
	t.Parallel()
	b := lowBench(t, scenarios.Gate{USBSerial: "SIM-A", ConfirmWithin: time.Minute, WhenStopped: scenarios.GateClosed})
	hub := newUSBHub(t, "SIM-A", b.handsets["Alder"], false)
	b.sysfs = hub.root
	b.start(overServer)
	config := orchestrator.Config{File: b.file, DataDir: b.data, Sysfs: hub.root}
	if err := orchestrator.MakeGatesSafe(config); !errors.Is(err, results.ErrInUse) || !hub.enabled() {
		t.Errorf("while a daemon runs: %v, port open %v; want it left alone", err, hub.enabled())
	}
	b.stopDaemon()
	if err := os.WriteFile(filepath.Join(hub.port, "disable"), []byte("0\n"), 0o644); err != nil { // as a death leaves it
		t.Fatal(err)
	}
	within(t, 10*time.Second, "the handset is seen again", func() bool {
		_, err := os.Stat(filepath.Join(hub.port, "device"))
		return err == nil
	})
	if err := orchestrator.MakeGatesSafe(config); err != nil || hub.enabled() {
		t.Errorf("%v, port open %v", err, hub.enabled())
	}
	if err := os.Remove(filepath.Join(hub.port, "disable")); err != nil {
		t.Fatal(err)
	}
	if err := orchestrator.MakeGatesSafe(config); !errors.Is(err, gates.ErrNoSwitch) || !strings.Contains(err.Error(), "handset Alder") {
		t.Errorf("a gate that does not follow: %v", err)
	}
}

// What is wrong with a port is said at the start and ends the run before it costs a night.
func TestUSBPortsThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name    string
		gate    scenarios.Gate
		dead    bool
		change  func(t *testing.T, u *usbHub)
		problem string // said at the start; "" when it shows only in use
		reason  string
	}{
		{
			name: "no such port", gate: scenarios.Gate{USBPort: "1-9"},
			problem: "no such USB port: 1-9: hub usb1 has the ports 1, 2, 3, 4", reason: "no such USB port: 1-9",
		},
		{
			name: "no such handset", gate: scenarios.Gate{USBSerial: "SIM-B"},
			problem: `no USB device on this host has the serial number "SIM-B"`, reason: "no such USB port",
		},
		{
			name: "another handset at the port", gate: scenarios.Gate{USBPort: "1-3"},
			change:  func(_ *testing.T, u *usbHub) { u.serial = "OTHER" },
			problem: "USB port 1-3 has OTHER attached, not TB-ALDER", reason: "has OTHER attached",
		},
		{
			name: "a kernel that has no switch", gate: scenarios.Gate{USBSerial: "SIM-A"},
			change: func(t *testing.T, u *usbHub) {
				if err := os.Remove(filepath.Join(u.port, "disable")); err != nil {
					t.Fatal(err)
				}
			},
			problem: "the USB port has no switch", reason: "the USB port has no switch",
		},
		{
			name: "a port that keeps power on", gate: scenarios.Gate{USBSerial: "SIM-A"}, dead: true,
			reason: "power stays on: after 1 min it sees power (USB); many hubs claim to switch",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			gate := tt.gate
			gate.ConfirmWithin, gate.WhenStopped = time.Minute, scenarios.GateClosed
			b := lowBench(t, gate)
			if tt.dead { // it is charged already, and its power cannot be cut
				b = newBench(t, []string{"Alder"}, gatePlans, func(_ string, o *simulated.Options) { o.LevelPct, o.ChargerUSB = 88, true })
				b.planGates, b.file.Bench.Handsets[0].Gate = true, gate
			}
			hub := newUSBHub(t, "SIM-A", b.handsets["Alder"], tt.dead)
			b.sysfs = hub.root
			if tt.change != nil {
				tt.change(t, hub)
				if hub.serial != "SIM-A" {
					hub.attach(t, false)
					hub.attach(t, true)
				}
			}
			b.start(overServer)
			if got := b.daemon.Handsets()[0].Problem; tt.problem == "" && got != "" || !strings.Contains(got, tt.problem) {
				t.Errorf("at the start it says %q, want %q", got, tt.problem)
			}
			items := b.queue("short")
			b.finish(time.Minute)
			if run := runOf(t, b, items[0].ID); !strings.Contains(run.Reason, tt.reason) || run.State != string(orchestrator.Stopped) {
				t.Errorf("the run: %s: %s, want %s", run.State, run.Reason, tt.reason)
			}
			within(t, 10*time.Second, "linked", func() bool { return b.daemon.Handsets()[0].Link == "ready" })
			if _, err := b.daemon.TestGate(t.Context(), "Alder"); !errors.Is(err, orchestrator.ErrGate) {
				t.Errorf("the gate's test: %v", err)
			} else if tt.dead && !errors.Is(err, gates.ErrStaysOn) {
				t.Errorf("the gate's test: %v, want ErrStaysOn", err)
			}
		})
	}
}
