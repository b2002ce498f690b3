package accuracy

import "testing"

// The hours of handsets that sleep are those of a rest that nobody looks at, within what
// their intervals claim, whatever waking costs them and however well they are gauged; and
// so is what the looks drew.
func TestRestsHoldTheHoursOfNobodyLooking(t *testing.T) {
	const n = 250
	least := 93 - 100*2*0.0161 // two standard deviations of a share of 93 % of so many
	for _, perHour := range []float64{2, 4, 12} {
		for _, r := range Rests(500, n, 7, 0, Looks(perHour)) {
			if r.Refused > 0 || r.Hours.Cover < least || r.Cost.Cover < least-3 {
				t.Errorf("%g looks an hour, %s: %d without a figure, intervals of hours hold the truth in %.1f %%, of what looks drew in %.1f %%; want 93 or more",
					perHour, r.Class, r.Refused, r.Hours.Cover, r.Cost.Cover)
			}
			if r.Hours.Bias < -1.5 || r.Hours.Bias > 1.5 {
				t.Errorf("%g looks an hour, %s: hours are %.1f %% off in the mean", perHour, r.Class, r.Hours.Bias)
			}
			t.Logf("%g looks/h, %s: hours bias %.2f %%, 95 %% error %.2f, cover %.1f, claimed %.2f; looks drew %.1f %%, cover %.1f",
				perHour, r.Class, r.Hours.Bias, r.Hours.P95, r.Hours.Cover, r.ClaimedPct, r.OwnPct, r.Cost.Cover)
		}
	}
}

// A gauge that corrects its level while its handset sleeps does so unseen: with few points the
// interval has it, and few are far off.
func TestRestsWhoseGaugeCorrectsItself(t *testing.T) {
	const n = 60
	for _, points := range []int{3, 7} {
		for _, raised := range []int{0, 1, -1} {
			for _, r := range Rests(7100, n, points, raised, Looks(2)) {
				t.Logf("%d points, raised by %d, %s: cover %.1f %%, claimed %.1f, noticed %d, far off %d, without a figure %d of %d",
					points, raised, r.Class, r.Hours.Cover, r.ClaimedPct, r.Noticed, r.Far, r.Refused, n)
				if r.Hours.Cover < 83 || r.Far > n/30 {
					t.Errorf("%d points, level raised by %d, %s: intervals of hours hold the truth in %.1f %%, %d of %d are more than three half-widths off",
						points, raised, r.Class, r.Hours.Cover, r.Far, n)
				}
				if raised == 0 && r.Noticed > n/6 {
					t.Errorf("%d points, %s: a correction is said of %d of %d sound gauges", points, r.Class, r.Noticed, n)
				}
			}
		}
	}
}
