package endurance

import (
	"math"
	"testing"
)

// Two rates that agree say together what weighted means say; two that do not leave it open which is wrong, and the interval
// holds both; the further apart, the surer it is that one is.
func TestFuse(t *testing.T) {
	const vl, vc = 0.015 * 0.015, 0.002 * 0.002
	agree := fuse(10, vl, 10, vc, 0, false, false)
	if sd := math.Sqrt(agree.variance + agree.disagree); math.Abs(math.Exp(agree.log)-10) > 1e-12 || agree.share < 0.9 || sd > 0.004 || agree.sound < 0.9 {
		t.Errorf("agreeing: %+v, sd %.4f", agree, sd)
	}
	last := agree.sound
	for _, apart := range []float64{0.02, 0.04, 0.08, 0.16} {
		f := fuse(10*math.Exp(apart), vl, 10, vc, 0, false, false)
		if f.sound >= last {
			t.Errorf("%.0f %% apart: sound with a probability of %.3f, nearer together %.3f", 100*apart, f.sound, last)
		}
		last = f.sound
		half := z95 * math.Sqrt(f.variance+f.disagree)
		at := f.log - math.Log(10)
		if at < 0 || at > apart || apart >= 0.08 && (at-half > 0 || at+half < apart) {
			t.Errorf("%.0f %% apart: %.3f give or take %.3f", 100*apart, at, half)
		}
		// Readings that fall in step with the loop are the likelier ones to be wrong, a charge learned from many the less likely.
		locked := fuse(10*math.Exp(apart), vl, 10, vc, 0, false, true)
		learned := fuse(10*math.Exp(apart), vl, 10, vc, 0, true, false)
		if locked.log < f.log || learned.log > f.log {
			t.Errorf("%.0f %% apart: %.4f, in step %.4f, learned %.4f", 100*apart, f.log, locked.log, learned.log)
		}
	}
	// A bend that both have in common is no second opinion.
	if a, b := fuse(10, vl, 10, vl, 0, true, false), fuse(10, vl, 10, vl, 0.9*vl, true, false); b.variance < 1.5*a.variance {
		t.Errorf("alone %g, with a common bend %g", a.variance, b.variance)
	}
}
