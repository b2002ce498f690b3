package orchestrator

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/devices/onboard"
	"rundown/devices/preconditions"
	"rundown/results"
)

// What the recorder notes of the conditions by itself, for all the time in which nobody looks:
// while a handset rests, its link is lost, or the daemon is not there.
const (
	evidenceCarrier = "carrier"
	evidenceSaver   = "saver"
)

// awayNoted is from how long without its network a handset's Wi-Fi was not as wanted. Less is a
// move to another access point.
const awayNoted = time.Minute

// unreadable is the detail of carrier evidence on a handset whose shell may not read the count.
const unreadable = "unreadable"

// uncounted notes that nothing tells what became of Wi-Fi between two looks.
func (r *run) uncounted(a *onboard.Activity) {
	if a.Kind == evidenceCarrier && a.Detail == unreadable {
		r.live.u.Uncounted = true
	}
}

// judgeConditions enters into the record as drift what the handset noted of its conditions in
// what was measured and no look has seen.
func (r *run) judgeConditions() {
	g := r.live
	from, to, ok := r.provenSpan()
	if !ok {
		return
	}
	noted := func(w preconditions.Want, at time.Time, found string) {
		if !slices.ContainsFunc(g.rec.Drift, func(d results.Drift) bool { return d.Name == w.Name }) {
			wanted := map[bool]string{true: "on", false: "off"}[*w.On]
			g.rec.Drift = append(g.rec.Drift, results.Drift{At: at.UTC(), Name: w.Name, Wanted: wanted, Found: found, Tolerated: !w.Required})
		}
	}
	if w, ok := r.watched("wifi", true); ok {
		if away, since := wifiAway(g.rec.Evidence, from, to); away >= awayNoted {
			noted(w, since, fmt.Sprintf("without its network for up to %s, by the handset's own count", round(away)))
		}
	}
	if w, ok := r.watched("battery_saver", false); ok {
		for _, e := range g.rec.Evidence {
			if e.Kind == evidenceSaver && e.Value > 0 {
				noted(w, e.At, "on at the end, by the handset's own record")
			}
		}
	}
}

// watched is what the plan wants of a condition that is watched, if it wants it on, or off.
func (r *run) watched(name string, on bool) (preconditions.Want, bool) {
	wants := r.e.Item.Order.Set.Wants
	i := slices.IndexFunc(wants, func(w preconditions.Want) bool {
		return w.Name == name && w.Watch && !w.AsFound && w.On != nil && *w.On == on
	})
	if i < 0 {
		return preconditions.Want{}, false
	}
	return wants[i], true
}

// wifiAway is for how long at most a handset was without its network between two instants, by
// what its recorder counted, and since when.
func wifiAway(seen []results.Evidence, from, to time.Time) (away time.Duration, since time.Time) {
	down, began := false, from
	add := func(a, b time.Time) {
		if a.Before(from) {
			a = from
		}
		if b = earlier(b, to); b.After(a) {
			if away += b.Sub(a); since.IsZero() {
				since = a
			}
		}
	}
	for _, e := range seen {
		if e.Kind != evidenceCarrier || e.Detail == unreadable {
			continue
		}
		var before float64
		var state string
		_, _ = fmt.Sscanf(e.Detail, "since %f %s", &before, &state)
		last := e.At.Add(-max(0, time.Duration(e.UptimeMS)*time.Millisecond-time.Duration(before*float64(time.Second))))
		now := strings.HasPrefix(state, "down") || state != "up" && (int(e.Value)%2 != 0) != down
		switch {
		case down && now: // still
		case down:
			add(began, e.At)
		case now:
			began = last
		default: // gone and back
			add(last, e.At)
		}
		down = now
	}
	if down {
		add(began, to)
	}
	return away, since
}
