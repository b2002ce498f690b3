package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"rundown/devices"
	"rundown/scenarios"
)

// recharge opens the power gate until the level is at the top of the start window, with
// the gate closed while the battery is too hot. The gate is closed on every way out.
func (r *run) recharge(ctx context.Context) (event Event, err error) {
	if r.gate == nil {
		return r.giveUp(ctx, "recharge: no power gate is set up any more: charge it by hand and queue again")
	}
	defer func() {
		if r.byHand() {
			return // what is left to be unplugged is asked for while restoring, in no hurry
		}
		bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), gateLimit)
		defer cancel()
		if closing := r.closeGate(bounded); closing != nil {
			r.log.Error().Err(closing).Str("gate", r.gate.Name()).Msg("the power gate did not close: cut the power by hand")
			r.note("power gate %s did not close: cut the power by hand: %s", r.gate.Name(), why(closing))
			if err == nil && event == InWindow {
				event, err = r.giveUp(ctx, "power gate %s does not close: %s", r.gate.Name(), why(closing))
			}
		}
	}()
	// No power for a handset that nobody can watch.
	if _, err := r.battery(ctx); err != nil {
		return r.giveUp(ctx, "recharge: %s", why(err))
	}
	if why := r.switchPower(ctx, true); why != "" {
		return r.giveUp(ctx, "%s", why)
	}
	c := recharging{run: r, top: rechargeTo(r.window()), waited: r.d.stopwatch(), open: true, from: -1}
	for {
		if err := r.d.clock.Sleep(ctx, r.d.pollEvery); err != nil {
			return "", err
		}
		if event, err := c.look(ctx); event != "" || err != nil {
			return event, err
		}
	}
}

// A recharging is a recharge that goes on.
type recharging struct {
	*run
	top    float64 // level at which it ends, %
	waited *stopwatch
	open   bool // the gate: it is closed while the battery cools
	from   int  // level at the first look, %; -1: none yet
	seen   rechargeLog
	still  stillness
	gone   int // looks in a row without power although the gate is open
	again  int // times that it was opened again for that
}

// look reads the battery once and does what it asks for; an event ends the recharge.
func (c *recharging) look(ctx context.Context) (Event, error) {
	if c.cancelled() {
		return c.giveUp(ctx, "cancelled")
	}
	if by := c.e.Item.FinishBy; !by.IsZero() && c.d.now().After(by) {
		return c.giveUp(ctx, "the night ended during the recharge")
	}
	battery, err := c.battery(ctx)
	switch {
	case isStop(ctx, err):
		return "", err
	case err != nil:
		return c.giveUp(ctx, "recharge: %s", why(err))
	}
	if c.from < 0 {
		c.from = battery.LevelPct
	}
	c.seen.add(c.waited.read(), battery)
	c.waitsFor(fmt.Sprintf("recharge to %g %%", c.top))
	c.showRunEnd(0)
	if float64(battery.LevelPct) >= c.top {
		return c.full(ctx, battery.LevelPct)
	}
	if limit := c.e.Item.Order.Plan.RechargeLimit; c.waited.read() > limit {
		return c.giveUp(ctx, "recharge: level %d %% after %s, wanted %g %%: look at charger, cable and charge limit", battery.LevelPct, round(limit), c.top)
	}
	if c.still.lasts(c.waited.read(), battery) > readingsStill && c.open {
		return c.giveUp(ctx, "recharge: none of its battery's readings has changed for %s at %d %%: look at charger, cable and charge limit; a gauge that has stopped shows no heat, and it must not be charged unwatched", round(readingsStill), battery.LevelPct)
	}
	if event, err := c.cool(ctx, battery.TempC); event != "" || err != nil {
		return event, err
	}
	return c.hasPower(ctx, battery)
}

// full ends the recharge, and keeps what it has taught.
func (c *recharging) full(ctx context.Context, levelPct int) (Event, error) {
	c.learnFromRecharge(c.seen)
	if err := c.learnRecharge(levelPct-c.from, c.waited.read()); err != nil {
		return "", err
	}
	if why := c.switchPower(ctx, false); why != "" {
		return c.giveUp(ctx, "%s", why)
	}
	return InWindow, nil
}

// cool closes the gate on a battery that is too hot, and opens it again on one that has
// cooled down. tempC is nil where the handset does not say.
func (c *recharging) cool(ctx context.Context, tempC *float64) (Event, error) {
	limitC := c.e.Item.Order.Plan.RechargeStopTempC
	switch {
	case tempC == nil && c.open:
		return c.giveUp(ctx, "recharge: the handset gives no battery temperature, and it must not be charged unwatched without one")
	case tempC == nil:
		c.waitsFor(fmt.Sprintf("battery to cool: it gives no temperature, goes on at %.1f °C", limitC-heatHeadroomC))
	case c.open && *tempC >= limitC:
		c.note("recharge held: battery at %.1f °C (limit %.1f)", *tempC, limitC)
		c.notifyHot(*tempC, limitC)
		if err := c.closeGate(ctx); err != nil {
			return c.giveUp(ctx, "recharge: battery at %.1f °C and power gate %s does not close: cut the power by hand: %s", *tempC, c.gate.Name(), why(err))
		}
		c.open = false
	case !c.open && *tempC <= limitC-heatHeadroomC:
		if err := c.openGate(ctx); err != nil {
			return c.giveUp(ctx, "recharge: power gate %s does not open: %s", c.gate.Name(), why(err))
		}
		c.open = true
	}
	if !c.open && tempC != nil {
		c.waitsFor(fmt.Sprintf("battery to cool: %.1f °C, goes on at %.1f", *tempC, limitC-heatHeadroomC))
	}
	return "", nil
}

// hasPower opens a gate again that this run has not closed and that gives no power.
func (c *recharging) hasPower(ctx context.Context, battery devices.Battery) (Event, error) {
	if c.gone++; !c.open || battery.Plugged() != 0 {
		c.gone = 0
	}
	if c.gone < 2 || c.again >= reopenings {
		return "", nil
	}
	c.gone, c.again = 0, c.again+1
	c.note("power went during the recharge although power gate %s was not closed here; it is opened again", c.gate.Name())
	if why := c.switchPower(ctx, true); why != "" {
		return c.giveUp(ctx, "%s", why)
	}
	return "", nil
}

// reopenings is how often power that went during a recharge is brought back: somebody else
// may have closed the gate, such as a daemon that had the handset before.
const reopenings = 3

// rechargeTo is the level, %, at which a recharge ends: a point below the top of the start
// window, since many gauges go on for a point after the power has gone.
func rechargeTo(window scenarios.Window) float64 {
	if window.Most-window.Least < 2 {
		return window.Most
	}
	return window.Most - 1
}

// openGate writes down that the gate may be open, then opens it: a daemon that dies in
// between closes it when it starts again.
func (r *run) openGate(ctx context.Context) error {
	r.e.GateOpen = true
	if err := r.d.saveEntry(r.e); err != nil {
		return err
	}
	defer r.movesGate(true)()
	return r.switched(r.gate.Open(ctx))
}

// movesGate says that power is wanted from now on, or is not, and keeps others from moving
// the gate until what it returns is called. Whatever the gate then says, it was told.
func (r *run) movesGate(open bool) (done func()) {
	told := toldClosed
	if open {
		told = toldOpen
	}
	r.d.wantPower(r.h.Name, open)
	s := r.d.powers.by[r.h.Name]
	s.gate <- struct{}{}
	if !r.byHand() {
		r.d.toldGate(r.h.Name, told)
	}
	return func() { <-s.gate }
}

// closeGate closes the gate, if there is one, and then writes that down.
func (r *run) closeGate(ctx context.Context) error {
	if r.gate == nil {
		return nil
	}
	defer r.movesGate(false)()
	if r.byHand() && !r.e.GateOpen {
		// Nobody was asked to plug it in. One that is away is not asked to be unplugged.
		if _, err := r.d.linkTo(r.h); err != nil {
			return nil
		}
	}
	if err := r.switched(r.gate.Close(ctx)); err != nil {
		return err
	}
	if !r.e.GateOpen {
		return nil
	}
	r.e.GateOpen = false
	if err := r.d.saveEntry(r.e); err != nil {
		// It is closed; at worst the next start closes it once more.
		r.log.Warn().Err(err).Msg("that the power gate is closed could not be written down")
	}
	return nil
}

// switchPower opens or closes the gate and waits until the handset itself shows that
// power came or went. It returns why that failed, or "".
func (r *run) switchPower(ctx context.Context, on bool) string {
	act, want := r.closeGate, "cut"
	if on {
		// Power lights a screen, and is not given to what another daemon measures. A handset that
		// cannot be asked may be flat.
		if by, err := r.d.heldNow(ctx, r.h); err == nil && by != nil {
			r.takenBy(*by)
			return r.e.TakenOver
		}
		act, want = r.openGate, "open"
	}
	wanted, release := r.whileWanted(ctx)
	err := act(wanted)
	ended := context.Cause(wanted)
	release()
	switch {
	case err == nil:
	case errors.Is(ended, errCancelled), errors.Is(ended, errNightEnded):
		return why(ended)
	default:
		return fmt.Sprintf("power gate %s: %s", r.gate.Name(), why(err))
	}
	for waited := r.d.stopwatch(); ; {
		battery, err := r.battery(ctx)
		if err != nil {
			return strings.TrimSpace(fmt.Sprintf("power gate %s was told to %s, but the battery cannot be read: %s %s", r.gate.Name(), want, why(err), r.unread))
		}
		if (battery.Plugged() != 0) == on {
			return ""
		}
		if waited.read() > powerPatience {
			return fmt.Sprintf("power gate %s was told to %s, but the handset still says %s", r.gate.Name(), want, sayPower(battery.Plugged()))
		}
		if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
			return why(err)
		}
	}
}

// connectPower begins a charge that is measured: the recorder runs already, so that the
// moment is in its record.
func (r *run) connectPower(ctx context.Context) (Event, error) {
	battery, err := r.battery(ctx)
	switch {
	case isStop(ctx, err):
		return "", err
	case err != nil:
		return r.spoil("no power without a look at the battery: %s", why(err))
	case battery.TempC == nil:
		return r.spoil("the handset gives no battery temperature, and it must not be charged unwatched without one")
	case r.e.GateOpen && battery.Plugged() != 0: // opened by a daemon that died
		return "", r.powerCame()
	}
	r.waitsFor("the charge to begin")
	if why := r.switchPower(ctx, true); why != "" {
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
		return r.spoil("%s", why)
	}
	return "", r.powerCame()
}

// powerCame writes down that power was seen for the charge under way: without it there could
// be no evidence. A gate that the journal calls open and whose power was not seen may be one
// that was never told, since the journal knows first.
func (r *run) powerCame() error {
	r.live.u.PowerSeen = true
	r.provenFrom(r.steady(r.d.now()))
	return r.d.saveEntry(r.e)
}

// leavePower closes the gate of a charge on the way out of it, whatever the way.
func (r *run) leavePower(ctx context.Context) {
	if !r.e.GateOpen || r.byHand() {
		return // a person is asked before the next segment, or while restoring, in no hurry
	}
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), gateLimit)
	defer cancel()
	if err := r.closeGate(bounded); err != nil {
		r.log.Error().Err(err).Str("gate", r.gate.Name()).Msg("the power gate did not close: cut the power by hand")
		r.note("power gate %s did not close: cut the power by hand: %s", r.gate.Name(), why(err))
	}
}

func sayPower(plugged int) string {
	if plugged == 0 {
		return "no power"
	}
	return "power seen"
}

// A stillness is since when no value of the readings of a handset with power has changed.
type stillness struct {
	last  [4]int64 // level, voltage, temperature and counter, as printed
	since time.Duration
}

// lasts takes in a reading and returns for how long its values have been the same.
func (s *stillness) lasts(at time.Duration, b devices.Battery) time.Duration {
	now := [4]int64{int64(b.LevelPct)}
	for i, v := range []*int64{b.Raw.Voltage, b.Raw.Temperature, b.Raw.Counter} {
		if v != nil {
			now[i+1] = *v
		}
	}
	if now != s.last || b.Plugged() == 0 {
		s.last, s.since = now, at
	}
	return at - s.since
}
