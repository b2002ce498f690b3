package simulated

import (
	"strings"
	"time"

	"rundown/devices/simulated/physics"
	"rundown/devices/simulated/wire"
)

// faults is what is wrong with the handset at present.
type faults struct {
	settingsRefused, inputRefused bool
	settingsIgnored               map[string]bool // "space key": written, and not kept
	dimAboveC, dimFactor          float64
	crlf                          bool
	warning                       string
	hang                          string
	full                          bool
	counter                       CounterFault
	staysOff                      bool
	levelShift                    int
	holdLevel                     bool // the next level edge is kept back, and two come at once
	heldAt                        int
	prints                        Printing
	pagesKept, pagesOf, pages     int // of so many pages that are opened, so many come; opened since
}

func newFaultState(prints Printing) faults {
	return faults{settingsIgnored: map[string]bool{}, dimFactor: 0.6, heldAt: -1, prints: prints}
}

// A CounterFault is what has become of the charge counter.
type CounterFault int

// The faults of counters.
const (
	CounterSound CounterFault = iota
	CounterAbsent
	CounterZero
	CounterNegative
)

// At has fault called when the uptime of the present boot is reached, with the handset's
// state as it is at that very instant of its clock; at once if that is past. The call
// comes from the handset's own goroutine, and may use every method of the handset but
// Close.
func (h *Handset) At(uptime time.Duration, fault func()) {
	h.do(func() {
		h.at(uptime-time.Duration(h.upShift.Load()), func() { h.chore(fault) })
	})
}

// fault changes what is wrong, and returns when all that follows from it has happened.
// It must not be called by a command of the handset's own, which may be what has to die.
func (h *Handset) fault(f func()) {
	var chores []func()
	h.do(func() {
		f()
		chores, h.chores = h.chores, nil
	})
	for _, chore := range chores {
		chore()
	}
}

// LoseLink takes the handset off adb; what runs on it goes on.
func (h *Handset) LoseLink() { h.fault(func() { h.setLink("offline") }) }

// RestoreLink brings it back; one that is switched off comes with its next start.
func (h *Handset) RestoreLink() {
	h.fault(func() {
		if !h.poweredOff {
			h.setLink("device")
		}
	})
}

// RevokeAuthorisation makes the handset ask for the host's key, which nobody accepts.
func (h *Handset) RevokeAuthorisation() { h.fault(func() { h.setLink("unauthorized") }) }

// setLink changes the state that adb sees. A link that ends takes its reverses along.
func (h *Handset) setLink(state string) {
	if h.linkState == state {
		return
	}
	h.linkState = state
	h.breakLink()
	close(h.changed)
	h.changed = make(chan struct{})
	h.chore(func() {
		// Chores of two goroutines may cross: the state as it is now is what counts.
		h.linkMu.Lock()
		defer h.linkMu.Unlock()
		state := h.State()
		h.link.Change(func(f *wire.Fault) {
			f.LinkDown = state == "offline"
			f.Unauthorised = state == "unauthorized"
		})
	})
}

// breakLink ends every call that is under way over the link.
func (h *Handset) breakLink() {
	h.linkBroke()
	h.linkEpoch, h.linkBroke = newEpoch(h.ctx())
	h.net.forgetReverses()
}

// RestartAdbd ends the adb daemon and starts it again: every process that was started
// over adb dies, with a session of its own or not.
func (h *Handset) RestartAdbd() { h.fault(h.restartAdbd) }

func (h *Handset) restartAdbd() {
	h.breakLink()
	h.chore(func() {
		h.link.Drop()
		h.machine.KillAll()
	})
}

// bootTime is from the restart to the home screen.
const bootTime = 35 * time.Second

// Reboot restarts the handset: a new boot id, uptime from zero, no processes, settings
// kept, the lock in front. Its link is away for the time of the boot.
func (h *Handset) Reboot() { h.fault(h.reboot) }

func (h *Handset) reboot() {
	if h.poweredOff {
		return
	}
	h.goDown()
	h.startUp(bootTime)
}

// powerOff is the end of a drain that nobody stopped, or somebody's choice.
func (h *Handset) powerOff() { h.goDown() }

// PowerOff switches the handset off; SwitchOn starts it again.
func (h *Handset) PowerOff() {
	h.fault(func() {
		h.faults.staysOff = true
		h.goDown()
	})
}

// SwitchOn starts a handset that is off, if its battery or its charger allows.
func (h *Handset) SwitchOn() {
	h.fault(func() {
		h.faults.staysOff = false
		if h.poweredOff && !h.restarting && (!h.battery.Dead() || h.power.on) {
			h.startUp(bootTime)
		}
	})
}

func (h *Handset) goDown() {
	for _, a := range h.tasks {
		if a.recording {
			a.recording = false // the film is lost
		}
		h.cancel(a.ends)
		h.closeTab(a)
	}
	h.endCall()
	h.cancel(h.screen.off)
	h.cancel(h.joining)
	h.screen.on, h.poweredOff = false, true
	h.bursts = nil
	h.radios.joined = false
	h.afterwards(h.net.breakAll)
	h.setLink("offline")
	h.chore(h.machine.KillAll)
}

func (h *Handset) startUp(after time.Duration) {
	h.restarting = true
	h.at(h.age+after, func() {
		h.restarting = false
		if h.battery.Dead() && !h.power.on {
			return
		}
		h.poweredOff = false
		h.battery.Reboot()
		h.newBoot()
		h.settings[global]["boot_count"] = itoa(h.settingInt(global, "boot_count", 0) + 1)
		h.radios.joined, h.radios.changes = h.radios.wifi && !h.radios.stayOff, 1
		h.touch() // the boot leaves the screen off, but the timeout counts from here
		h.setLink("device")
	})
}

// Dialog puts a system dialog in front of whatever is there, until it is answered (the
// back key, a tap on its button) or something else is started.
func (h *Handset) Dialog() { h.fault(func() { h.notice("Notice") }) }

// Ring lets a call from outside the bench ring until somebody answers it, or ends it.
func (h *Handset) Ring() {
	h.fault(func() {
		h.endCall()
		h.call = &voiceCall{number: "+447700900789", ringing: true} // of those that Ofcom sets aside for drama
		h.wake()
	})
}

// Busy makes something behind the activity draw so much for a time, as an update does.
func (h *Handset) Busy(watts float64, d time.Duration) { h.fault(func() { h.burst(watts, d) }) }

func (h *Handset) notice(string) {
	if h.poweredOff {
		return
	}
	app := h.appFor(roleDialog)
	h.bring(app, app.activities[0])
}

// CrashApp ends the app in front, as a crash does; home comes up behind it.
func (h *Handset) CrashApp() { h.fault(func() { h.stopApp(h.front().app.Package) }) }

// HangApp makes the app in front stand still: it stays there and draws nothing more until
// it is stopped and started again.
func (h *Handset) HangApp() { h.fault(func() { h.front().hung = true }) }

// FailPages makes the browser show an error page for all but the first kept of every of
// pages that it is told to open; 0 of 0 stops that.
func (h *Handset) FailPages(kept, of int) {
	h.fault(func() { h.faults.pagesKept, h.faults.pagesOf, h.faults.pages = kept, of, 0 })
}

// pageFails says whether the page that is opened now does not come.
func (h *Handset) pageFails() (fails bool) {
	h.do(func() {
		if f := &h.faults; f.pagesOf > 0 {
			fails = f.pages%f.pagesOf >= f.pagesKept
			f.pages++
		}
	})
	return fails
}

// LoseWiFi takes the network away; RestoreWiFi brings it back.
func (h *Handset) LoseWiFi() {
	h.fault(func() {
		h.radios.stayOff = true
		h.cancel(h.joining)
		h.leaveWiFi()
	})
}

// RestoreWiFi brings the network back; the handset joins it again after some seconds.
func (h *Handset) RestoreWiFi() {
	h.fault(func() {
		h.radios.stayOff = false
		if h.radios.wifi && !h.poweredOff {
			h.setWiFi(true)
		}
	})
}

// SetBatterySaver switches the saver, as the handset itself may do at a low level.
func (h *Handset) SetBatterySaver(on bool) {
	h.fault(func() { h.put(global, "low_power", digit(on)) })
}

// DimAbove makes the handset dim itself to a factor of its brightness while its battery
// is hotter than a limit; 0 °C stops that.
func (h *Handset) DimAbove(tempC, factor float64) {
	h.fault(func() { h.faults.dimAboveC, h.faults.dimFactor = tempC, clamp(factor, 0, 1) })
}

// SetAmbientC changes the temperature of the room.
func (h *Handset) SetAmbientC(c float64) { h.fault(func() { h.battery.SetAmbientC(c) }) }

// SetAutoBrightness is where the light of the room would put an automatic brightness, as
// a fraction of the range.
func (h *Handset) SetAutoBrightness(fraction float64) {
	h.fault(func() { h.autoBrightness = clamp(fraction, 0, 1) })
}

// FreezeGauge makes the battery's readings stand still while its charge goes on.
func (h *Handset) FreezeGauge(frozen bool) { h.fault(func() { h.battery.Freeze(frozen) }) }

// ShiftLevel adds points to the level that is shown, from now on: a gauge that corrects
// itself upwards, or down.
func (h *Handset) ShiftLevel(points int) { h.fault(func() { h.faults.levelShift += points }) }

// ShiftCounter adds points of full charge to the charge counter, from now on: a gauge that
// corrects what it has counted, while its level goes on as before.
func (h *Handset) ShiftCounter(points float64) {
	h.fault(func() { h.battery.ShiftCounter(points) })
}

// SkipPoint keeps the next level edge back, so that two points come at once.
func (h *Handset) SkipPoint() {
	h.fault(func() {
		h.faults.holdLevel, h.faults.heldAt = true, h.battery.Readings().LevelPct
	})
}

// followLevel ends the holding of SkipPoint once the gauge is two points on.
func (f *faults) followLevel(level int) {
	if f.holdLevel && (level <= f.heldAt-2 || level > f.heldAt) {
		f.holdLevel = false
	}
}

// levelShown is what the gauge's level has become by then. A gauge shows 100 once its
// charger has ended the charge, whatever it makes of the cell.
func (f *faults) levelShown(r physics.Readings) int {
	level := r.LevelPct
	switch {
	case r.Full:
		level = 100
	case f.holdLevel:
		level = f.heldAt
	}
	return min(max(level+f.levelShift, 0), 100)
}

// SetCounter breaks the charge counter, or mends it.
func (h *Handset) SetCounter(c CounterFault) { h.fault(func() { h.faults.counter = c }) }

// FillStorage leaves no byte free on the data partition, or frees it again.
func (h *Handset) FillStorage(full bool) { h.fault(func() { h.faults.full = full }) }

// JumpWallClock moves the handset's wall clock, as time from a network does.
func (h *Handset) JumpWallClock(d time.Duration) {
	h.fault(func() { h.wallShift.Add(int64(d)) })
}

// RefuseSettings is a maker's developer option that bars the shell from writing settings.
func (h *Handset) RefuseSettings(refused bool) {
	h.fault(func() { h.faults.settingsRefused = refused })
}

// RefuseInput is the same for taps and keys.
func (h *Handset) RefuseInput(refused bool) { h.fault(func() { h.faults.inputRefused = refused }) }

// IgnoreSetting makes writes of one setting have no effect and say nothing.
func (h *Handset) IgnoreSetting(space, key string, ignored bool) {
	h.fault(func() { h.faults.settingsIgnored[space+" "+key] = ignored })
}

// CarriageReturns makes every command's output end its lines with CR LF, as through a
// terminal.
func (h *Handset) CarriageReturns(on bool) { h.fault(func() { h.faults.crlf = on }) }

// WarnFirst puts a line of warning before every command's output; "" stops that.
func (h *Handset) WarnFirst(line string) { h.fault(func() { h.faults.warning = line }) }

// HangOn makes commands that contain a text never end; "" stops that for new ones.
func (h *Handset) HangOn(text string) { h.fault(func() { h.faults.hang = text }) }

// HangUp ends a call from its other end.
func (h *Handset) HangUp() { h.fault(h.endCall) }

// RemoveSIM takes the SIM out; false puts it back.
func (h *Handset) RemoveSIM(out bool) {
	h.fault(func() {
		h.sim = !out
		if out {
			h.endCall()
		}
	})
}

// Faults are those of the adb link itself, beyond what the methods here do: see package
// wire.
func (h *Handset) Faults() *wire.Faults { return h.link }

func hangs(text, command string) bool { return text != "" && strings.Contains(command, text) }
