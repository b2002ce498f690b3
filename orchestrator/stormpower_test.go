package orchestrator_test

import (
	"slices"
	"strings"
	"time"

	"rundown/orchestrator"
	"rundown/results"
)

// askedWithin is within what time somebody has to be asked about power that should not be, from
// when it is there and the handset can be reached.
const askedWithin = 2 * time.Minute

// unasked reports whether a handset has power that nobody wants and nobody was asked about
// so far.
func (n *stormNight) unasked(name string) (unasked bool) {
	unasked = pluggedIn(n.handsets[name]) && n.linkWhole(name)
	minded := false // by a daemon that does not leave it to another one, which holds it
	for _, d := range n.daemons() {
		prompts := d.Prompts()
		for _, s := range d.Handsets() {
			if s.Name != name {
				continue
			}
			minded = minded || s.HeldBy == nil
			state := orchestrator.State(s.State)
			due := state == orchestrator.Recharging || state == orchestrator.Charging || state == orchestrator.Settling && s.Plan == "topping"
			due = due || s.Parking != nil && s.Parking.State == orchestrator.ParkCharging
			left := strings.HasPrefix(s.OnCharge, "left on charge by ") // a person's word
			asked := slices.ContainsFunc(s.NeedsHand, func(what string) bool { return strings.HasPrefix(what, "unplug it, or cut its power by hand") }) &&
				(saidCannot(s.Unwanted) || slices.ContainsFunc(prompts, func(p results.Prompt) bool {
					return p.Handset == name && strings.HasPrefix(p.Text, "unplug handset ")
				}))
			unasked = unasked && !due && !left && !asked && s.HeldBy == nil // which may be charging it
		}
	}
	return unasked && minded
}

// saidCannot reports whether a person was asked about power and has said that it cannot be
// unplugged: who says so is asked again after an hour, and it stands beside the handset till then.
func saidCannot(u *orchestrator.Unwanted) bool {
	return u != nil && u.AskAfter.Sub(u.Since) > 10*time.Minute
}

func init() {
	for name, kind := range map[string]stormKind{
		"gate does not close": lasting(func(n *stormNight, a stormAct) { a.on(n).LieClosing([]int{1, 2, 4, -1}[a.N%4]) },
			func(n *stormNight, a stormAct) { a.on(n).LieClosing(0) }),
		"gate does not open": lasting(func(n *stormNight, a stormAct) { a.on(n).LieOpening([]int{1, 2, 4, -1}[a.N%4]) },
			func(n *stormNight, a stormAct) { a.on(n).LieOpening(0) }),
		"gate switches late": lasting(func(n *stormNight, a stormAct) { a.on(n).SwitchLate(time.Duration(1+a.N) * 12 * time.Second) },
			func(n *stormNight, a stormAct) { a.on(n).SwitchLate(0) }),
		"charger plugged in": lasting(func(n *stormNight, a stormAct) { a.on(n).PlugCharger(true) }, func(n *stormNight, a stormAct) { a.on(n).PlugCharger(false) }),
		"laid on a pad":      lasting(func(n *stormNight, a stormAct) { a.on(n).LayOnPad(true) }, func(n *stormNight, a stormAct) { a.on(n).LayOnPad(false) }),
	} {
		stormKinds[name] = kind
	}
	causes = append(causes, struct {
		says string
		of   []string
	}{"power gate", slices.Concat(linkKinds, powerKinds, daemonKinds, []string{"switched off"})})
}
