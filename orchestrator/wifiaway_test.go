package orchestrator

import (
	"fmt"
	"testing"
	"time"

	"rundown/results"
)

// For how long a handset was without its network at most, worked by hand from what its recorder
// counted, s of uptime. The window is from 1000 to 5000 s.
func TestWiFiAway(t *testing.T) {
	zero := time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)
	at := func(s int) time.Time { return zero.Add(time.Duration(s) * time.Second) }
	// seen is evidence at an uptime: so many changes since a reading at another, and the state now.
	seen := func(upS, changes, sinceS int, state string) results.Evidence {
		return results.Evidence{At: at(upS), UptimeMS: int64(upS) * 1000, Kind: evidenceCarrier, Value: float64(changes), Detail: fmt.Sprintf("since %d.00 %s", sinceS, state)}
	}
	for _, x := range []struct {
		name  string
		seen  []results.Evidence
		awayS int
		since int
	}{
		{"nothing", nil, 0, 0},
		{"not to be read", []results.Evidence{{At: at(2000), UptimeMS: 2000_000, Kind: evidenceCarrier, Detail: unreadable}}, 0, 0},
		{"gone, and back later", []results.Evidence{seen(2000, 1, 1990, "down"), seen(3000, 1, 2990, "up")}, 1010, 1990},
		{"gone and back between two readings", []results.Evidence{seen(3000, 2, 2100, "up")}, 900, 2100},
		{"another access point, between two readings ten seconds apart", []results.Evidence{seen(3000, 2, 2990, "up")}, 10, 2990},
		{"gone for good", []results.Evidence{seen(4000, 1, 3600, "down")}, 1400, 3600},
		{"gone before, back within", []results.Evidence{seen(500, 1, 490, "down"), seen(1200, 1, 1190, "up")}, 200, 1000},
		{"gone and back before", []results.Evidence{seen(500, 1, 490, "down"), seen(900, 1, 890, "up")}, 0, 0},
		{"gone after", []results.Evidence{seen(6000, 1, 5500, "down")}, 0, 0},
		{"gone twice", []results.Evidence{seen(1500, 1, 1490, "down"), seen(1600, 1, 1590, "up"), seen(3000, 2, 2900, "up")}, 210, 1490},
		{"down all the while, looking", []results.Evidence{seen(1500, 1, 1490, "down"), seen(2000, 2, 1990, "down"), seen(2500, 1, 2490, "up")}, 1010, 1490},
		{"a state that nobody knows: odd is gone", []results.Evidence{seen(1500, 1, 1400, "dormant"), seen(1700, 1, 1690, "dormant")}, 300, 1400},
	} {
		away, since := wifiAway(x.seen, at(1000), at(5000))
		if away != time.Duration(x.awayS)*time.Second || x.awayS > 0 && !since.Equal(at(x.since)) {
			t.Errorf("%s: %v since %v, want %d s since %v", x.name, away, since, x.awayS, at(x.since))
		}
	}
}
