package orchestrator

import (
	"context"
	"fmt"
	"time"

	"rundown/devices"
)

// recharge opens the power gate until the level is at the top of the start window, with
// the gate closed while the battery is too hot. The gate is closed on every way out.
func (r *run) recharge(ctx context.Context) (event Event, err error) {
	plan, window := r.e.Item.Order.Plan, r.window()
	defer func() {
		bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		if closing := r.gate.Close(bounded); closing != nil {
			r.log.Error().Err(closing).Str("gate", r.gate.Name()).Msg("the power gate did not close: cut the power by hand")
			r.note("power gate %s did not close: %s", r.gate.Name(), why(closing))
		}
	}()
	if why := r.switchPower(ctx, true); why != "" {
		return r.giveUp("%s", why)
	}
	began, open := r.d.now(), true
	for {
		if err := r.d.clock.Sleep(ctx, r.d.pollEvery); err != nil {
			return "", err
		}
		if r.cancelled() {
			return r.giveUp("cancelled")
		}
		var battery devices.Battery
		err := r.reach(ctx, linkPatience, func(l devices.Link) (err error) {
			battery, err = devices.ReadBattery(ctx, l)
			return err
		})
		switch {
		case isStop(ctx, err):
			return "", err
		case err != nil:
			return r.giveUp("recharge: %s", why(err))
		}
		r.noteBattery(battery)
		r.waitsFor(fmt.Sprintf("recharge to %g %%", window.Most))
		tempC, tempKnown := 0.0, battery.TempC != nil
		if tempKnown {
			tempC = *battery.TempC
		}
		switch {
		case float64(battery.LevelPct) >= window.Most:
			if why := r.switchPower(ctx, false); why != "" {
				return r.giveUp("%s", why)
			}
			return InWindow, nil
		case r.d.now().Sub(began) > plan.RechargeLimit:
			return r.giveUp("recharge: level %d %% after %s, wanted %g %%: look at charger, cable and charge limit", battery.LevelPct, round(plan.RechargeLimit), window.Most)
		case open && !tempKnown:
			return r.giveUp("recharge: the handset gives no battery temperature, and it must not be charged unwatched without one")
		case open && tempC >= plan.RechargeStopTempC:
			r.note("recharge held: battery at %.1f °C (limit %.1f)", tempC, plan.RechargeStopTempC)
			if err := r.gate.Close(ctx); err != nil {
				return r.giveUp("recharge: battery at %.1f °C and power gate %s does not close: %s", tempC, r.gate.Name(), why(err))
			}
			open = false
		case !open && tempC <= plan.RechargeStopTempC-heatHeadroomC:
			if err := r.gate.Open(ctx); err != nil {
				return r.giveUp("recharge: power gate %s does not open: %s", r.gate.Name(), why(err))
			}
			open = true
		}
		if !open {
			r.waitsFor(fmt.Sprintf("battery to cool: %.1f °C, goes on at %.1f", tempC, plan.RechargeStopTempC-heatHeadroomC))
		}
	}
}

// switchPower opens or closes the gate and waits until the handset itself shows that
// power came or went. It returns why that failed, or "".
func (r *run) switchPower(ctx context.Context, on bool) string {
	act, want := r.gate.Close, "cut"
	if on {
		act, want = r.gate.Open, "open"
	}
	if err := act(ctx); err != nil {
		return fmt.Sprintf("power gate %s: %s", r.gate.Name(), why(err))
	}
	for began := r.d.now(); ; {
		var battery devices.Battery
		err := r.reach(ctx, linkPatience, func(l devices.Link) (err error) {
			battery, err = devices.ReadBattery(ctx, l)
			return err
		})
		if err != nil {
			return fmt.Sprintf("power gate %s was told to %s, but the battery cannot be read: %s", r.gate.Name(), want, why(err))
		}
		if (battery.Plugged() != 0) == on {
			return ""
		}
		if r.d.now().Sub(began) > powerPatience {
			return fmt.Sprintf("power gate %s was told to %s, but the handset still says %s", r.gate.Name(), want, sayPower(battery.Plugged()))
		}
		if err := r.d.clock.Sleep(ctx, retryEvery); err != nil {
			return why(err)
		}
	}
}

func sayPower(plugged int) string {
	if plugged == 0 {
		return "no power"
	}
	return "power seen"
}
