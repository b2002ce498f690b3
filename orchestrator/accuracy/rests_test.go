package accuracy

import "testing"

// The hours of handsets that sleep are those of a rest that nobody looks at, within what
// their intervals claim, whatever waking costs them and however well they are gauged; and
// so is what the looks drew.
func TestRestsHoldTheHoursOfNobodyLooking(t *testing.T) {
	const n = 250
	least := 93 - 100*2*0.0161 // two standard deviations of a share of 93 % of so many
	for _, perHour := range []float64{2, 4, 12} {
		for _, r := range Rests(500, n, 7, Looks(perHour)) {
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
