package orchestrator_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"rundown/devices/simulated"
	"rundown/devices/simulated/physics"
	"rundown/orchestrator"
)

// A stormPlan is all that a night is to be: its handsets, what is queued first, and what
// happens then, one thing after the other.
type stormPlan struct {
	Handsets []stormHandset
	First    []int // index into stormPlanNames, for each handset
	Acts     []stormAct
}

type stormHandset struct {
	Counter  physics.CounterClass
	Flavour  int    // index into stormFlavours
	Seed     uint64 // of the fleet's phone
	LevelPct int
	Prints   int // index into stormPrintings
}

// A stormAct is something that happens: once the run on a handset enters a state (or
// without waiting for one) and some time after that.
type stormAct struct {
	Kind    string
	Handset int
	State   orchestrator.State // "": none is waited for
	After   time.Duration
	For     time.Duration // of what lasts
	N       int           // which, of several
}

func (a stormAct) handset(n *stormNight) string { return n.names[a.Handset%len(n.names)] }

func (a stormAct) on(n *stormNight) *simulated.Handset { return n.handsets[a.handset(n)] }

func (a stormAct) String() string {
	var b strings.Builder
	if a.State != "" {
		fmt.Fprintf(&b, "in %s, ", a.State)
	}
	fmt.Fprintf(&b, "after %v on H%d: %s", a.After, a.Handset+1, a.Kind)
	if stormKinds[a.Kind].end != nil {
		fmt.Fprintf(&b, " for %v", a.For)
	}
	fmt.Fprintf(&b, " (%d)", a.N)
	return b.String()
}

func (p stormPlan) String() string {
	var b strings.Builder
	for i, h := range p.Handsets {
		fmt.Fprintf(&b, "H%d: Android of %v, counter class %d, fleet seed %d, prints %+v, at %d %%, queued first: %s\n", i+1, stormFlavours[h.Flavour], h.Counter, h.Seed, stormPrintings[h.Prints], h.LevelPct, stormPlanNames[p.First[i]])
	}
	for _, a := range p.Acts {
		fmt.Fprintln(&b, a)
	}
	return b.String()
}

// stormStatesToMeet are the states in which something may be made to happen.
var stormStatesToMeet = []orchestrator.State{
	"", "", orchestrator.Preparing, orchestrator.Recharging, orchestrator.Settling, orchestrator.Draining, orchestrator.Draining,
	orchestrator.Charging, orchestrator.Collecting, orchestrator.Restoring,
}

// evenly draws one of n numbers, each as likely as the other: rapid's own draws prefer small
// ones, and this storm is not about the edges of ranges.
func evenly(t *rapid.T, n int, label string) int {
	v := 0
	for bits := 1; bits < 64*n; bits *= 2 {
		v *= 2
		if rapid.Bool().Draw(t, label) {
			v++
		}
	}
	return v % n
}

// one draws one of several, each as likely as the other.
func one[T any](t *rapid.T, of []T, label string) T { return of[evenly(t, len(of), label)] }

// drawStorm draws a night by a state machine, whose moves are what befalls a handset or the
// bench, and what somebody does.
func drawStorm(t *rapid.T) stormPlan {
	var p stormPlan
	for range rapid.IntRange(1, 2).Draw(t, "handsets") {
		p.Handsets = append(p.Handsets, stormHandset{
			Counter: one(t, []physics.CounterClass{physics.FineCounter, physics.MediumCounter, physics.CoarseCounter, physics.NoCounter}, "counter"),
			Flavour: evenly(t, len(stormFlavours), "flavour"), Seed: 1 + uint64(evenly(t, 4096, "phone")), LevelPct: 60 + evenly(t, 36, "level"), Prints: evenly(t, len(stormPrintings), "prints"),
		})
		p.First = append(p.First, evenly(t, len(stormPlanNames), "first"))
	}
	befall := map[string][]string{}
	for _, name := range slices.Sorted(maps.Keys(stormKinds)) {
		of := stormKinds[name].move()
		befall[of] = append(befall[of], name)
	}
	actions := map[string]func(*rapid.T){}
	for move, kinds := range befall {
		actions[move] = func(t *rapid.T) {
			a := stormAct{
				Kind: one(t, kinds, "kind"), Handset: evenly(t, len(p.Handsets), "handset"), State: one(t, stormStatesToMeet, "state"),
				After: one(t, []time.Duration{0, 3 * time.Second, 20 * time.Second, time.Minute, 3 * time.Minute, 8 * time.Minute, 20 * time.Minute}, "after"),
				N:     evenly(t, 12, "n"),
			}
			kind := stormKinds[a.Kind]
			if kind.end != nil {
				a.For = one(t, []time.Duration{5 * time.Second, 30 * time.Second, 90 * time.Second, 4 * time.Minute, 15 * time.Minute, 50 * time.Minute}, "for")
			}
			if kind.most > 0 && count(p.Acts, a.Kind) >= kind.most {
				return // often enough
			}
			p.Acts = append(p.Acts, a)
		}
	}
	t.Repeat(actions)
	return p
}

func count(acts []stormAct, kind string) (n int) {
	for _, a := range acts {
		if a.Kind == kind {
			n++
		}
	}
	return n
}

// A stormKind is a kind of thing that happens.
type stormKind struct {
	begin func(n *stormNight, a stormAct) bool // false: it did not come about
	end   func(n *stormNight, a stormAct)      // nil: it is over at once, or stays
	bench bool                                 // it befalls all handsets
	hand  bool                                 // a person or the daemon's own process does it
	most  int                                  // times a night; 0: any
}

// move is the move of the state machine that a kind belongs to.
func (k stormKind) move() string {
	if k.hand {
		return "somebody does something"
	}
	return "something befalls a handset or the bench"
}

func once(f func(n *stormNight, a stormAct)) stormKind {
	return stormKind{begin: func(n *stormNight, a stormAct) bool { f(n, a); return true }}
}

func lasting(begin, end func(n *stormNight, a stormAct)) stormKind {
	k := once(begin)
	k.end = end
	return k
}

func onBench(k stormKind) stormKind {
	k.bench = true
	return k
}

func atMost(times int, k stormKind) stormKind {
	k.most = times
	return k
}

func shellOn(n *stormNight, a stormAct, command string) {
	v := victim{Handset: a.on(n)}
	onShell(v, command)
}

// stormKinds is everything that may happen in a night, by name.
var stormKinds map[string]stormKind

func init() { // it refers to itself, by way of the night
	stormKinds = map[string]stormKind{
		// The link.
		"link lost": lasting(func(n *stormNight, a stormAct) { a.on(n).LoseLink() }, func(n *stormNight, a stormAct) { a.on(n).RestoreLink() }),
		"no longer authorised": lasting(func(n *stormNight, a stormAct) { a.on(n).RevokeAuthorisation() },
			func(n *stormNight, a stormAct) { a.on(n).RestoreLink() }),
		"link blips": once(func(n *stormNight, a stormAct) {
			for range 2 + a.N {
				a.on(n).LoseLink()
				time.Sleep(time.Duration(1+a.N) * time.Second)
				a.on(n).RestoreLink()
				time.Sleep(7 * time.Second)
			}
		}),
		"adb server down": onBench(lasting(func(n *stormNight, _ stormAct) { n.memory.kill() }, func(n *stormNight, _ stormAct) { n.memory.start() })),
		"answers cut": onBench(lasting(func(n *stormNight, a stormAct) { n.memory.cutAfter(40 + 50*a.N) },
			func(n *stormNight, _ stormAct) { n.memory.cutAfter(0) })),
		"adbd restarts":      once(func(n *stormNight, a stormAct) { a.on(n).RestartAdbd() }),
		"stage out of reach": once(func(n *stormNight, a stormAct) { a.on(n).DropReverses() }),
		"shell hangs": lasting(func(n *stormNight, a stormAct) { a.on(n).HangOn([]string{"_", "dumpsys", "settings"}[a.N%3]) },
			func(n *stormNight, a stormAct) { a.on(n).HangOn("") }),

		// The handset.
		"reboot":          atMost(2, once(func(n *stormNight, a stormAct) { a.on(n).Reboot() })),
		"switched off":    lasting(func(n *stormNight, a stormAct) { a.on(n).PowerOff() }, func(n *stormNight, a stormAct) { a.on(n).SwitchOn() }),
		"dialog on top":   once(func(n *stormNight, a stormAct) { a.on(n).Dialog() }),
		"call on top":     once(func(n *stormNight, a stormAct) { shellOn(n, a, "am start -a android.intent.action.DIAL") }),
		"app crashes":     once(func(n *stormNight, a stormAct) { a.on(n).CrashApp() }),
		"app hangs":       once(func(n *stormNight, a stormAct) { a.on(n).HangApp() }),
		"app disabled":    lasting(func(n *stormNight, a stormAct) { shellOn(n, a, "pm disable-user --user 0 "+playerPackage) }, enableApp),
		"screen off":      once(func(n *stormNight, a stormAct) { shellOn(n, a, "input keyevent 223") }),
		"saver on":        once(func(n *stormNight, a stormAct) { a.on(n).SetBatterySaver(true) }),
		"Wi-Fi lost":      lasting(func(n *stormNight, a stormAct) { a.on(n).LoseWiFi() }, func(n *stormNight, a stormAct) { a.on(n).RestoreWiFi() }),
		"dims itself":     lasting(func(n *stormNight, a stormAct) { a.on(n).DimAbove(1, 0.5) }, func(n *stormNight, a stormAct) { a.on(n).DimAbove(0, 1) }),
		"storage full":    lasting(func(n *stormNight, a stormAct) { a.on(n).FillStorage(true) }, func(n *stormNight, a stormAct) { a.on(n).FillStorage(false) }),
		"input refused":   lasting(func(n *stormNight, a stormAct) { a.on(n).RefuseInput(true) }, func(n *stormNight, a stormAct) { a.on(n).RefuseInput(false) }),
		"settings barred": lasting(func(n *stormNight, a stormAct) { a.on(n).RefuseSettings(true) }, func(n *stormNight, a stormAct) { a.on(n).RefuseSettings(false) }),
		"hot room": lasting(func(n *stormNight, a stormAct) { a.on(n).SetAmbientC(float64(30 + 3*a.N)) },
			func(n *stormNight, a stormAct) { a.on(n).SetAmbientC(22) }),

		// Its output, gauge and clocks.
		"CR LF": lasting(func(n *stormNight, a stormAct) { a.on(n).CarriageReturns(true) }, func(n *stormNight, a stormAct) { a.on(n).CarriageReturns(false) }),
		"warnings first": lasting(func(n *stormNight, a stormAct) {
			a.on(n).WarnFirst([]string{"WARNING: linker: unsupported flags DT_FLAGS_1=0x8", "Hinweis: 電池の残量: 12"}[a.N%2])
		}, func(n *stormNight, a stormAct) { a.on(n).WarnFirst("") }),
		"gauge frozen":     lasting(func(n *stormNight, a stormAct) { a.on(n).FreezeGauge(true) }, func(n *stormNight, a stormAct) { a.on(n).FreezeGauge(false) }),
		"gauge skips":      once(func(n *stormNight, a stormAct) { a.on(n).SkipPoint() }),
		"gauge re-anchors": atMost(2, once(func(n *stormNight, a stormAct) { a.on(n).ShiftLevel([]int{1, -1, 2}[a.N%3]) })),
		"counter breaks": lasting(func(n *stormNight, a stormAct) {
			a.on(n).SetCounter([]simulated.CounterFault{simulated.CounterAbsent, simulated.CounterZero, simulated.CounterNegative}[a.N%3])
		}, func(n *stormNight, a stormAct) { a.on(n).SetCounter(simulated.CounterSound) }),
		"handset clock jumps": once(func(n *stormNight, a stormAct) { a.on(n).JumpWallClock(time.Duration(a.N-5) * 20 * time.Minute) }),

		"counter jumps": atMost(2, once(func(n *stormNight, a stormAct) {
			a.on(n).ShiftCounter([]float64{-0.65, 0.65}[a.N%2] * float64(1+a.N/2)) // some 30 to 180 mAh
		})),

		// Power.
		"power comes": lasting(func(n *stormNight, a stormAct) { a.on(n).Plug(true) }, func(n *stormNight, a stormAct) {
			if !n.charging(a.handset(n)) { // where it is the charger's own plug
				a.on(n).Plug(false)
			}
		}),

		// People, and the daemon's own end.
		"queue": {begin: func(n *stormNight, a stormAct) bool {
			return n.enqueue(stormPlanNames[a.N%len(stormPlanNames)], a.handset(n))
		}, most: 3, hand: true},
		"cancel": {begin: func(n *stormNight, a stormAct) bool {
			it := n.item(a.N, func(it orchestrator.Item) bool { return it.State != orchestrator.Cancelled })
			if it == nil {
				return false
			}
			_, err := n.daemon.Cancel(it.ID)
			if err == nil {
				n.cancelledAt[it.ID] = time.Now()
				n.befell = append(n.befell, &stormEvent{kind: "cancel", handset: it.Handset, from: time.Now(), until: time.Now()}) // which need not be the act's
			}
			return err == nil
		}, hand: true},
		"hold": {begin: func(n *stormNight, a stormAct) bool {
			it := n.item(a.N, func(it orchestrator.Item) bool { return !it.Paused })
			if it == nil {
				return false
			}
			_, err := n.daemon.Pause(it.ID)
			return err == nil
		}, end: func(n *stormNight, a stormAct) {
			if it := n.item(a.N, func(it orchestrator.Item) bool { return it.Paused }); it != nil {
				_, _ = n.daemon.Resume(it.ID)
			}
		}, hand: true},
		"release": {begin: func(n *stormNight, a stormAct) bool { return n.tether != nil && n.daemon.Release(a.handset(n)) == nil }, hand: true},
		"answer": {begin: func(n *stormNight, a stormAct) bool {
			if n.tether == nil {
				return false
			}
			open := n.daemon.Prompts()
			if len(open) == 0 {
				return false
			}
			p := open[a.N%len(open)]
			return n.answerTwice(p, p.Choices[a.N%len(p.Choices)])
		}, hand: true},
		"daemon stopped": onBench(stormKind{hand: true, begin: func(n *stormNight, _ stormAct) bool {
			if n.tether == nil {
				return false
			}
			n.stopStormDaemon()
			return true
		}, end: startAgain}),
		"daemon killed": onBench(stormKind{hand: true, begin: func(n *stormNight, _ stormAct) bool {
			if n.tether == nil {
				return false
			}
			n.killDaemon()
			return true
		}, end: startAgain}),
	}
	maps.Copy(stormKinds, rivalKinds())
}

func startAgain(n *stormNight, _ stormAct) {
	if n.tether == nil {
		n.startStormDaemon()
	}
}

func enableApp(n *stormNight, a stormAct) {
	if a.on(n).State() != "device" {
		a.For = time.Minute // not to be told now
		n.endAfter(a, nil)
		return
	}
	shellOn(n, a, "pm enable "+playerPackage)
}

// linkWhole tells whether nothing keeps the daemon from a handset at this instant.
func (n *stormNight) linkWhole(name string) bool {
	return n.tether != nil && n.handsets[name].State() == "device" && !n.lasts(name, "adb server down", "answers cut", "shell hangs")
}

// lasts reports whether one of the kinds of event lasts on a handset.
func (n *stormNight) lasts(name string, kinds ...string) bool {
	return slices.ContainsFunc(n.ends, func(e stormEnd) bool {
		return slices.Contains(kinds, e.act.Kind) && (stormKinds[e.act.Kind].bench || e.act.handset(n) == name)
	})
}
