package orchestrator_test

import (
	"context"
	"fmt"
	"strings"
	"time"

	"rundown/devices"
	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/devices/simulated/wire"
	"rundown/orchestrator"
)

// This file is the table of what becomes of a run when something goes wrong: the test
// carries out every row in every state, and DEVELOPERS.md shows it (faultsMarkdown).

// An outcome is what a fault comes to. The words stand in DEVELOPERS.md.
type outcome string

const (
	// fine: the segment is measured, as if nothing had been.
	fine outcome = "measured"
	// flagged: measured, with the drift named; left out of comparisons unless asked for.
	flagged outcome = "flagged"
	// again: spoiled and kept; carried out once more, and measured then.
	again outcome = "repeated"
	// twice: spoiled both times; the run goes on to its end without a figure.
	twice outcome = "spoiled"
	// stopped: the run ends early, the settings are put back.
	stopped outcome = "stopped"
	// later: the run ends early with the handset away; when it is back, its settings are put
	// back and what lies on it is collected.
	later outcome = "settled on return"
)

// What comes of a fault in each state of a run, in the machine's order.
type outcomes struct {
	preparing, recharging, settling, draining, charging, collecting, restoring outcome
}

func everywhere(o outcome) outcomes { return outcomes{o, o, o, o, o, o, o} }

func (o outcomes) in(s orchestrator.State) outcome {
	return map[orchestrator.State]outcome{
		orchestrator.Preparing: o.preparing, orchestrator.Recharging: o.recharging, orchestrator.Settling: o.settling,
		orchestrator.Draining: o.draining, orchestrator.Charging: o.charging, orchestrator.Collecting: o.collecting, orchestrator.Restoring: o.restoring,
	}[s]
}

// A victim is a handset that something happens to.
type victim struct {
	*simulated.Handset
	server *adbServer // the adb server that lists it
	b      *bench
	name   string
	state  orchestrator.State // in which it happens
	prints simulated.Printing // of its battery, in which units
}

// A fault is one row of the table.
type fault struct {
	name     string        // as an issue would report it
	reasons  []string      // one of these stands in the reason of a segment or run that is not measured
	late     bool          // on a busy machine it is made good so late, on this fast bench, that the time without flags or spoils
	how      string        // what is done about it, for DEVELOPERS.md
	scenario string        // video unless given
	link     bool          // it befalls the link or what comes over it: tried through the stock adb server in CI
	slow     bool          // begin itself takes its time
	early    bool          // while settling, right after the recorder has begun: in the drain it comes to something else
	lasts    time.Duration // on the handset's clock; 0: for good, or over at once
	longer   time.Duration // instead, while the run is being prepared
	brief    time.Duration // instead, while the activity settles: over before anything is measured
	begin    func(v victim)
	end      func(v victim)
	options  func(o *simulated.Options) // where the handset is made that way
	prints   simulated.Printing         // and prints that way
	want     outcomes
}

func (f fault) lastsIn(s orchestrator.State) time.Duration {
	if s == orchestrator.Preparing && f.longer > 0 {
		return f.longer
	}
	if s == orchestrator.Settling && f.brief > 0 {
		return f.brief
	}
	return f.lasts
}

const (
	minutes       = time.Minute
	playerPackage = "com.example.player"
)

func onShell(v victim, command string) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_, _ = v.Shell(ctx, command) // a handset that is away cannot be told
}

// cutAnswers ends every answer after so many bytes; 0 stops that.
func cutAnswers(bytes int) func(v victim) {
	return func(v victim) {
		if v.b.memory != nil {
			v.b.memory.cutAfter(bytes)
			return
		}
		v.Faults().Change(func(f *wire.Fault) { f.CutAfter = int64(bytes) })
	}
}

func gauge(change func(g *physics.GaugeOptions)) func(o *simulated.Options) {
	return func(o *simulated.Options) { change(&o.Gauge) }
}

var faultTable = []fault{
	{
		name: "adb server killed and restarted", link: true, scenario: "browse", lasts: 3 * minutes, brief: 20 * time.Second, reasons: []string{"at least 80 % is wanted"},
		how:   "the daemon waits for it, makes the stage reachable again at once and goes on at the byte where it stopped; pages that do not come meanwhile flag the segment, and many spoil it",
		begin: func(v victim) { v.server.kill() }, end: func(v victim) { v.server.start() },
		want: outcomes{fine, fine, fine, flagged, fine, fine, fine},
	},
	{
		name: "link flapping every few seconds", link: true, slow: true,
		how: "each contact that comes about is used; the handset goes on meanwhile",
		begin: func(v victim) {
			for range 12 {
				v.LoseLink()
				_ = v.b.clock.Sleep(context.Background(), 7*time.Second)
				v.RestoreLink()
				_ = v.b.clock.Sleep(context.Background(), 8*time.Second)
			}
		},
		want: everywhere(fine),
	},
	{
		name: "no longer authorised", link: true, lasts: 4 * minutes,
		how:   "the status says what to answer on the handset; the daemon waits",
		begin: func(v victim) { v.RevokeAuthorisation() }, end: func(v victim) { v.RestoreLink() },
		want: everywhere(fine),
	},
	{
		name: "reboot", link: true, reasons: []string{"restarted"},
		how:   "the boot id tells; the segment's files outlive it and are collected",
		begin: func(v victim) { v.Reboot() },
		want:  outcomes{fine, fine, again, again, again, fine, fine},
	},
	{
		name: "power plugged in", reasons: []string{"power seen"}, lasts: 3 * minutes,
		how:   "the recorder ends a segment at two readings with power; before one, the power gate is closed",
		begin: func(v victim) { v.Plug(true) }, end: func(v victim) {
			if v.state != orchestrator.Recharging && v.state != orchestrator.Charging { // where it is the charger's own plug
				v.Plug(false)
			}
		},
		want: outcomes{fine, fine, again, again, fine, fine, fine},
	},
	{
		name: "power gate says closed and is not", reasons: []string{"still says power seen"},
		how:   "a person is asked and closing is tried again with growing pauses; the handset takes part in nothing until it shows that power is gone",
		begin: func(v victim) { v.LieClosing(4) },
		end: func(v victim) {
			within(v.b.t, time.Minute, "the power gate has closed at last", func() bool { return !v.Powered() })
		},
		want: outcomes{fine, stopped, fine, fine, fine, fine, fine},
	},
	{
		name: "power gate says open and is not", reasons: []string{"still says no power"},
		how:   "the handset sees no power: the run ends and says so",
		begin: func(v victim) { v.LieOpening(-1) }, end: func(v victim) { v.LieOpening(0) },
		want: outcomes{fine, stopped, fine, fine, fine, fine, fine},
	},
	{
		name: "charger plugged in that no gate switches", reasons: []string{"still says power seen"}, lasts: 8 * minutes,
		how:   "a person is asked to unplug it; a segment that has power is repeated, but begins only once the handset shows none",
		begin: func(v victim) { v.PlugCharger(true) }, end: func(v victim) { v.PlugCharger(false) },
		want: outcomes{stopped, fine, stopped, stopped, fine, fine, fine},
	},
	{
		name: "battery saver comes on", reasons: []string{"battery_saver"},
		how:   "switched off before a segment; during one it is drift",
		begin: func(v victim) { v.SetBatterySaver(true) },
		want:  outcomes{fine, fine, flagged, flagged, fine, fine, fine}, // a handset on its charger has its saver off by itself
	},
	{
		name: "dims itself when hot", reasons: []string{"luminance"},
		how:   "the luminance read back is drift; before a segment it is set anew, in vain, and not met",
		begin: func(v victim) { v.DimAbove(1, 0.5) }, end: func(v victim) { v.DimAbove(0, 1) },
		want: outcomes{stopped, stopped, flagged, flagged, fine, fine, fine},
	},
	{
		name: "Wi-Fi lost", reasons: []string{"wifi"},
		how:   "waited for before a segment; during one it is drift",
		begin: func(v victim) { v.LoseWiFi() }, end: func(v victim) { v.RestoreWiFi() },
		want: outcomes{stopped, stopped, flagged, flagged, flagged, fine, fine},
	},
	{
		name: "dialog on top", reasons: []string{"evidence", "the activity went on in"}, late: true,
		how:   "no evidence within its limit: the activity is started again, once",
		begin: func(v victim) { v.Dialog() },
		want:  everywhere(fine),
	},
	{
		name: "incoming call on top", reasons: []string{"evidence", "the activity went on in"}, late: true,
		how:   "as a dialog",
		begin: func(v victim) { onShell(v, "am start -a android.intent.action.DIAL") },
		want:  everywhere(fine),
	},
	{
		name: "app crashes", reasons: []string{"evidence", "the activity went on in"}, late: true,
		how:   "as a dialog",
		begin: func(v victim) { v.CrashApp() },
		want:  everywhere(fine),
	},
	{
		name: "app cannot be started any more", reasons: []string{"playback evidence", "for the second time", "no player"},
		how:   "the second lack of evidence spoils the segment, and so it goes with the next attempt",
		begin: func(v victim) { v.CrashApp(); onShell(v, "pm disable-user --user 0 "+playerPackage) },
		end:   func(v victim) { onShell(v, "pm enable "+playerPackage) },
		want:  outcomes{twice, twice, twice, twice, fine, fine, fine},
	},
	{
		name: "player at the end of its file", reasons: []string{"the activity went on in", "evidence"}, late: true,
		how: "the scenario's loop starts it again; without that, as a dialog",
		begin: func(v victim) {
			onShell(v, "input keyevent 86") // what the player does there: it stops
		},
		want: everywhere(fine),
	},
	{
		name: "screen off", reasons: []string{"evidence", "the activity went on in"}, late: true,
		how:   "as a dialog: starting the activity wakes it; a video is missed only after two minutes, too much of so short a drain",
		begin: func(v victim) { onShell(v, "input keyevent 223") },
		// It would fall asleep, and be woken by each packet for 3 s of its time: 15 ms on this
		// bench, in which no call over a socket is sure to come to its end. What becomes of a
		// handset that sleeps is tried where a call takes no longer than it would.
		options: func(o *simulated.Options) { o.Suspend.Never = true },
		want:    outcomes{fine, fine, fine, flagged, fine, fine, fine},
	},
	{
		name: "storage full", reasons: []string{"free_storage"}, lasts: 1 * minutes, longer: 40 * minutes,
		how:   "not begun without room: what is Rundown's own is removed, then a person is asked; samples that could not be written are noted as missing, and a segment without a figure is carried out again",
		begin: func(v victim) { v.FillStorage(true) }, end: func(v victim) { v.FillStorage(false) },
		want: outcomes{stopped, fine, fine, fine, fine, fine, fine},
	},
	{
		name: "gauge frozen", reasons: []string{"time limit", "its gauge has stopped", "readings has changed for 30 min"}, lasts: 50 * minutes,
		how:   "readings of which no value changes for half an hour hold no limit: the segment ends, spoiled, and a recharge ends its run",
		begin: func(v victim) { v.FreezeGauge(true) }, end: func(v victim) { v.FreezeGauge(false) },
		want: outcomes{again, stopped, again, again, fine, fine, fine},
	},
	{
		name: "gauge jumps up a point", reasons: []string{"the gauge raised its level", "level went up"}, early: true,
		how:   "found by what was drawn between the edges, while no power came; the segment is carried out again, or flagged where it cannot be; where it is in doubt, the interval has it",
		begin: func(v victim) { v.ShiftLevel(1) },
		want:  outcomes{fine, fine, fine, again, fine, fine, fine},
	},
	{
		name: "charge counter jumps a point", reasons: []string{"above what was drawn"}, early: true,
		how:   "a move that no draw explains: as a gauge that jumps; more than a fifth of full charge is a broken counter, which is not used",
		begin: func(v victim) { v.ShiftCounter(1) },
		want:  outcomes{fine, fine, fine, again, fine, fine, fine},
	},
	{
		name:  "gauge steps two points at once",
		how:   "both edges lie in one interval, which the figure's uncertainty has",
		begin: func(v victim) { v.SkipPoint() },
		want:  everywhere(fine),
	},
	{
		name:  "charge counter absent",
		how:   "level edges and voltage alone; wider interval",
		begin: func(v victim) { v.SetCounter(simulated.CounterAbsent) },
		want:  everywhere(fine),
	},
	{
		name:  "charge counter zero",
		how:   "as absent",
		begin: func(v victim) { v.SetCounter(simulated.CounterZero) },
		want:  everywhere(fine),
	},
	{
		name:  "charge counter negative",
		how:   "stored as it is, and not used",
		begin: func(v victim) { v.SetCounter(simulated.CounterNegative) },
		want:  everywhere(fine),
	},
	{
		name:    "charge counter in other units",
		how:     "stored as it is; its unit is told from the capacity",
		options: gauge(func(g *physics.GaugeOptions) { g.CounterUnit = physics.MilliAmpHours }),
		want:    everywhere(fine),
	},
	{
		name:   "output in volts and degrees",
		how:    "told by what is possible of a cell, once for each handset and build; limits are compared in the handset's own units",
		prints: simulated.Printing{VoltageUV: 1e6, TempMC: 1000, NoSensors: true},
		want:   everywhere(fine),
	},
	{
		name: "shell hangs", link: true, lasts: 5 * minutes,
		how:   "each call ends at its deadline and counts as a link that is down",
		begin: func(v victim) { v.HangOn("_") }, end: func(v victim) { v.HangOn("") },
		want: everywhere(fine),
	},
	{
		name: "output with CR LF", link: true, lasts: 30 * minutes,
		how:   "read alike",
		begin: func(v victim) { v.CarriageReturns(true) }, end: func(v victim) { v.CarriageReturns(false) },
		want: everywhere(fine),
	},
	{
		name: "warnings before the output", lasts: 30 * minutes,
		how:   "passed over",
		begin: func(v victim) { v.WarnFirst("WARNING: linker: unsupported flags DT_FLAGS_1=0x8") }, end: func(v victim) { v.WarnFirst("") },
		want: everywhere(fine),
	},
	{
		name: "output in another language", lasts: 30 * minutes,
		how:   "passed over: only fixed words are read",
		begin: func(v victim) { v.WarnFirst("Hinweis: diese Ausführung ist für Prüfzwecke; 電池の残量: 12") }, end: func(v victim) { v.WarnFirst("") },
		want: everywhere(fine),
	},
	{
		name: "output cut in the middle", link: true, lasts: 2 * minutes,
		how:   "without its end an answer is none; asked again",
		begin: cutAnswers(200), end: cutAnswers(0),
		want: everywhere(fine),
	},
	{
		name:  "handset's wall clock jumps an hour",
		how:   "durations are those of the uptime; both clocks are stored",
		begin: func(v victim) { v.JumpWallClock(time.Hour) },
		want:  everywhere(fine),
	},
	{
		name: "handset vanishes for good", link: true, reasons: []string{""},
		how:   "it is waited for as long as its segment may take, then the run ends; what it is owed is written down",
		begin: func(v victim) { v.LoseLink() },
		want:  everywhere(later),
	},
	{
		name: "adbd restarts", link: true, reasons: []string{"recorder is gone"},
		how:   "what was started over adb is dead; the files are closed and collected",
		begin: func(v victim) { v.RestartAdbd() },
		want:  outcomes{fine, fine, again, again, again, fine, fine},
	},
	{
		name: "stage lost for three minutes", scenario: "browse", lasts: 3 * minutes, brief: 20 * time.Second, reasons: []string{"at least 80 % is wanted"},
		how:   "it is reachable again within 3 s of the link; pages that did not come meanwhile count against the share of the activity",
		begin: func(v victim) { v.LoseLink() }, end: func(v victim) { v.RestoreLink() },
		want: outcomes{fine, fine, fine, flagged, fine, fine, fine},
	},
	{
		name: "no longer authorised while pages are read", scenario: "browse", lasts: 3 * minutes, brief: 20 * time.Second, reasons: []string{"at least 80 % is wanted"},
		how:   "as when the stage is lost",
		begin: func(v victim) { v.RevokeAuthorisation() }, end: func(v victim) { v.RestoreLink() },
		want: outcomes{fine, fine, fine, flagged, fine, fine, fine},
	},
	{
		name: "browser loads one page of twelve", scenario: "browse", reasons: []string{"pages opened have loaded", "page evidence"},
		how:   "too small a share of what was measured was the activity: the segment is spoiled, and so is the next attempt",
		begin: func(v victim) { v.FailPages(1, 12) },
		want:  outcomes{twice, twice, twice, twice, fine, fine, fine},
	},
	{
		name: "call that rings", lasts: 2 * minutes,
		how:   "nothing begins under it: it is waited for, and never ended by a command",
		begin: func(v victim) { v.Ring() }, end: func(v victim) { onShell(v, "input keyevent 6") },
		want: everywhere(fine),
	},
}

// faultsMarkdown is the table as DEVELOPERS.md has it.
func faultsMarkdown() string {
	var b strings.Builder
	b.WriteString("| fault | Preparing | Recharging | Settling | Draining | Charging | Collecting | Restoring | what is done |\n")
	b.WriteString("| --- | --- | --- | --- | --- | --- | --- | --- | --- |\n")
	for _, f := range faultTable {
		w := f.want
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s | %s | %s | %s | %s |\n", f.name, w.preparing, w.recharging, w.settling, w.draining, w.charging, w.collecting, w.restoring, f.how)
	}
	return b.String()
}

var _ devices.Link = victim{}.Handset
