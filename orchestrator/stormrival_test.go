package orchestrator_test

import (
	"bytes"
	"errors"
	"fmt"

	"rundown/devices"
	"rundown/devices/onboard"
	"rundown/orchestrator"
	"rundown/results"
)

// A stormRival is another daemon that reaches the same handsets, over an adb server and with
// a store of its own: a second bench in the house. Only one of them may have a handset.
type stormRival struct {
	*bench
	tether *tether // of its daemon that runs; nil: none does
	states *stormStates
}

// rivalName is the other daemon's bench.
const rivalName = "north"

// rivalArrives starts the other daemon.
func (n *stormNight) rivalArrives() {
	if n.rival == nil {
		r := &stormRival{bench: new(bench), states: &stormStates{by: map[string]orchestrator.State{}}}
		*r.bench = *n.bench
		r.daemon, r.log, r.data, r.watch = nil, &bytes.Buffer{}, n.rivalData, r.states.entered
		r.file.Bench.Name = rivalName
		r.memory = newMemoryServer(n.bench)
		r.memory.latency, r.memory.lag = n.memory.latency+n.memory.latency/7, n.lag()
		n.rival = r
	}
	if n.rival.tether != nil {
		return
	}
	r := n.rival
	r.tether = r.memory.newTether()
	r.links, r.gates = r.tether, map[string]devices.PowerGate{}
	for name, h := range r.handsets {
		r.gates[name] = r.tether.gateOf(h)
	}
	r.startDaemon()
}

// rivalGoes ends the other daemon. What it has on the handsets goes on there.
func (n *stormNight) rivalGoes() {
	if r := n.rival; r != nil && r.tether != nil {
		r.stopDaemon()
		r.tether.cut()
		r.tether = nil
		clear(r.states.by)
	}
}

// daemons are those that run.
func (n *stormNight) daemons() (list []*orchestrator.Daemon) {
	if n.tether != nil {
		list = append(list, n.daemon)
	}
	if n.rival != nil && n.rival.tether != nil {
		list = append(list, n.rival.daemon)
	}
	return list
}

// charging reports whether a run of one of the daemons has power on a handset as it should.
func (n *stormNight) charging(handset string) bool {
	on := func(s *stormStates) bool {
		state := s.of(handset)
		return state == orchestrator.Recharging || state == orchestrator.Charging
	}
	return on(n.states) || n.rival != nil && on(n.rival.states)
}

// holderFiles are what may become of the files that say whose a handset is.
var holderFiles = []string{
	`for d in %[1]s/*; do echo "w 1 d1 19" >$d/who; done`,
	`for d in %[1]s/*; do echo "w 9 something that nobody knows yet ." >$d/who; done`,
	`mkdir -p %[1]s/77777777777 %[1]s/007 %[1]s/old; echo x >%[1]s/old/who`,
	`rm -rf %[1]s`,
	`for d in %[1]s/*; do rm $d/who; done`,
	`for d in %[1]s/*; do echo nobody knows 12 >$d/contact; done`,
}

// rivalKinds are what two daemons, and people at both, do to each other.
func rivalKinds() map[string]stormKind {
	return map[string]stormKind{
		"another daemon": onBench(stormKind{hand: true, most: 2, begin: func(n *stormNight, a stormAct) bool {
			n.rivalArrives()
			_, err := n.rival.daemon.Enqueue(orchestrator.Request{Plan: stormPlanNames[a.N%len(stormPlanNames)], Handsets: []string{a.handset(n)}})
			if err != nil {
				n.fault("a plan can be queued at any time", "by %s: %v", rivalName, err)
			}
			return err == nil
		}, end: func(n *stormNight, _ stormAct) { n.rivalGoes() }}),
		"taken over": {hand: true, begin: func(n *stormNight, a stormAct) bool {
			name := a.handset(n)
			if a.N%3 > 0 {
				n.rivalArrives()
			} else if n.tether == nil {
				return false
			}
			taker := n.daemon
			if a.N%3 > 0 {
				taker = n.rival.daemon
			}
			if _, err := taker.TakeOver(n.t.Context(), name); err != nil {
				return false // nobody else has it, or it cannot be reached
			}
			if a.N%2 == 0 {
				_, err := taker.Enqueue(orchestrator.Request{Plan: stormPlanNames[a.N%len(stormPlanNames)], Handsets: []string{name}})
				if err != nil {
					n.fault("a plan can be queued at any time", "by whom took %s over: %v", name, err)
				}
			}
			return true
		}},
		"holder file": once(func(n *stormNight, a stormAct) {
			if a.on(n).State() == "device" {
				shellOn(n, a, fmt.Sprintf(holderFiles[a.N%len(holderFiles)], onboard.Root+"/holders"))
			}
		}),
		"collected by hand": {hand: true, begin: func(n *stormNight, a stormAct) bool {
			if n.tether == nil {
				return false
			}
			_, err := n.daemon.Collect(n.t.Context(), a.handset(n))
			return err == nil
		}},
		"gate tested": {hand: true, begin: func(n *stormNight, a stormAct) bool {
			if n.tether == nil {
				return false
			}
			_, err := n.daemon.TestGate(n.t.Context(), a.handset(n))
			return err == nil
		}},
		"conditions set by hand": {hand: true, begin: func(n *stormNight, a stormAct) bool {
			if n.tether == nil {
				return false
			}
			_, err := n.daemon.Check(n.t.Context(), a.handset(n), stormPlanNames[a.N%len(stormPlanNames)], a.N%3 > 0)
			return err == nil
		}, end: func(n *stormNight, a stormAct) {
			if n.tether != nil {
				_, _ = n.daemon.Undo(n.t.Context(), a.handset(n)) // else the next run puts it back, or somebody in the morning
			}
		}},
		"settings left": {hand: true, begin: func(n *stormNight, a stormAct) bool {
			if n.tether == nil {
				return false
			}
			_, err := n.daemon.LeaveSettings(n.t.Context(), a.handset(n), "storm")
			if err == nil {
				n.left[a.handset(n)] = true
			}
			return err == nil
		}},
	}
}

// answerTwice answers a prompt twice: the same once more changes nothing, and another answer
// is refused.
func (n *stormNight) answerTwice(p results.Prompt, choice string) bool {
	first, err := n.daemon.AnswerPrompt(p.ID, choice, "storm")
	if err != nil {
		return false
	}
	again, err := n.daemon.AnswerPrompt(p.ID, choice, "somebody else")
	if err != nil || again.By != first.By || again.Choice != choice {
		n.fault("a prompt answered twice stays as it was", "%s: %q by %s, then %q by %s, %v", p.Text, choice, first.By, again.Choice, again.By, err)
	}
	for _, other := range p.Choices {
		if other == choice {
			continue
		}
		if _, err := n.daemon.AnswerPrompt(p.ID, other, "somebody else"); !errors.Is(err, orchestrator.ErrNotNow) {
			n.fault("a prompt answered twice stays as it was", "%s: %q after %q: %v", p.Text, other, choice, err)
		}
	}
	return true
}
