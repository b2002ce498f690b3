package orchestrator

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rundown/devices"
	"rundown/results"
	"rundown/results/activity"
	"rundown/scenarios"
)

// What the handset writes of what it was asked to do, beside the evidence that it was done.
const (
	evidenceOpened = "opened" // a page of the stage was asked for
	evidenceMissed = "missed" // a capture left no file; its kind is the detail
)

// clockSlack is by how much the host's clock and the handset's, as read at a segment's start,
// may have come apart at its end: an hour's drift of 50 ppm and a slow answer at the start.
// From memory: crystals of clocks are given as 20 to 50 ppm.
const clockSlack = 2 * time.Second

// countActivity works out what was asked of the activity and what was seen in what was
// measured, and the share of it in which the activity went on, and enters both into the
// record. missing are the stretches in which nothing shows it, by the host's clock.
func (r *run) countActivity(samples []results.Sample) (missing []span) {
	g := r.live
	g.rec.Activity, g.rec.ActivityPct = nil, nil
	from, to, ok := r.provenSpan()
	if !ok {
		return nil
	}
	seen := g.rec.Evidence
	if slices.ContainsFunc(g.scenario.Evidence, func(e scenarios.Evidence) bool { return e.Kind == "charging" }) {
		seen = append(slices.Clone(seen), r.powerShown(samples)...)
	}
	share, ok := activity.Of(0, to.Sub(from), activityKinds(g.scenario.Evidence, seen, from, g.u.ClipLength))
	if !ok {
		return nil
	}
	pct := math.Round(100*share.Pct) / 100
	g.rec.ActivityPct = &pct
	for _, c := range share.Counts {
		g.rec.Activity = append(g.rec.Activity, results.ActivityCount{Kind: c.Kind, Asked: c.Asked, Seen: c.Seen, Pct: math.Round(100*c.Pct) / 100})
	}
	for _, m := range share.Missing {
		missing = append(missing, span{from.Add(m.From), from.Add(m.To)})
	}
	return missing
}

// powerShown is what a segment's samples say of power, as looks: each of them read the
// battery. The workload looks every few minutes, in which a short charge is over.
func (r *run) powerShown(samples []results.Sample) (looks []results.Evidence) {
	for _, s := range samples {
		if s.Plugged < 0 {
			continue
		}
		looks = append(looks, results.Evidence{At: r.live.u.hostAt(s.UptimeMS), Kind: "charging", Value: min(float64(s.Plugged), 1)})
	}
	return looks
}

// A span is a stretch of time by the host's clock.
type span struct{ from, to time.Time }

func (s span) length() time.Duration { return s.to.Sub(s.from) }

// meets reports whether two stretches have something in common, or lie no further apart
// than near.
func (s span) meets(o span, near time.Duration) bool {
	return s.from.Before(o.to.Add(near)) && o.from.Before(s.to.Add(near))
}

// activityKinds are a segment's evidence as the calculator of shares takes it, its times
// counted from an instant. clip is how long the film is that is played, 0 not known.
func activityKinds(wanted []scenarios.Evidence, seen []results.Evidence, zero time.Time, clip time.Duration) []activity.Kind {
	var kinds []activity.Kind
	for _, want := range wanted {
		if slices.ContainsFunc(kinds, func(k activity.Kind) bool { return k.Name == want.Kind }) {
			continue
		}
		k := activity.Kind{Name: want.Kind, Way: wayOf[want.Kind], Limit: want.Limit, Slack: clockSlack, Length: clip}
		switch {
		case want.Kind == evidenceAsleep:
			k.Limit = asleepReach
		case want.Once && want.Kind != "page":
			k.Way, k.Limit = activity.Within, 365*24*time.Hour // what it showed once still stands
		}
		for _, e := range seen {
			event := activity.Event{T: e.At.Sub(zero), Value: e.Value}
			switch {
			case want.Kind == evidenceAsleep && shows(e.Kind, want.Kind):
				k.Seen = append(k.Seen, asSeen(e, zero)...)
			case shows(e.Kind, want.Kind):
				event.Value, event.Total = doneOf(e)
				k.Seen = append(k.Seen, event)
			case e.Kind == evidenceMissed && e.Detail == want.Kind:
				event.Value = 0
				k.Seen = append(k.Seen, event)
			case e.Kind == evidenceOpened && want.Kind == "page":
				k.Asked = append(k.Asked, event)
			}
		}
		if len(k.Asked) > 0 {
			k.Seen = slices.DeleteFunc(k.Seen, func(e activity.Event) bool { return e.Total < 0 })
		}
		kinds = append(kinds, k)
	}
	return kinds
}

// wayOf says how each kind of evidence tells what went on; see scenarios' evidence.
var wayOf = map[string]activity.Way{
	"foreground": activity.Looked, "drawn": activity.Looked, "incall": activity.Looked, "charging": activity.Looked, "playback": activity.Played,
	"photos": activity.Captured, "videos": activity.Captured, "files": activity.Within, "asleep": activity.Within,
	"page": activity.Opened, "frames": activity.Posted, "call": activity.Posted, "lot": activity.Posted, "cycle": activity.Posted,
}

// doneOf is what a piece of evidence says was done since the one before, and in all since
// the page began, as far as the page says that. Of pages, a total of -1 says that it was
// only scrolled.
func doneOf(e results.Evidence) (value, total float64) {
	var detail struct {
		Event    string  `json:"event"`           // page: load, scroll
		Frames   float64 `json:"frames"`          // frames
		Received float64 `json:"frames_received"` // call
		Cycle    float64 `json:"cycle"`
		MS       float64 `json:"ms"`      // lot: how long it took
		DoneMS   float64 `json:"done_ms"` // lot: how long the page has worked
		Far      *struct {
			In float64 `json:"frames_in"`
		} `json:"far"` // call, the other end's own count
	}
	if strings.HasPrefix(e.Detail, "{") {
		_ = json.Unmarshal([]byte(e.Detail), &detail) // of a page that says less
	}
	switch e.Kind {
	case "page":
		if detail.Event == "scroll" {
			return e.Value, -1
		}
		return e.Value, 0
	case "frames":
		return e.Value, detail.Frames
	case "call":
		if detail.Far != nil {
			return e.Value, min(detail.Received, detail.Far.In)
		}
		return e.Value, detail.Received
	case "lot": // its time, and not the work: a handset that throttles to a tenth works all the same
		if detail.MS > 0 {
			return detail.MS / 1000, detail.DoneMS / 1000
		}
		return min(e.Value, 1), 0
	case "cycle": // the rate is none of the activity's amount
		return min(e.Value, 1), detail.Cycle
	}
	return e.Value, 0
}

// shareWanted is which share of the activity the plan of the run wants.
func (r *run) shareWanted() scenarios.ActivityShare {
	return r.e.Item.Order.Plan.ActivityShare.OrDefault()
}

// shortOfActivity says why a share, %, is less than is wanted, or "".
func (r *run) shortOfActivity(wantedPct float64, missing []span) string {
	g := r.live
	if g.rec.ActivityPct == nil || *g.rec.ActivityPct >= wantedPct {
		return ""
	}
	said := []string{fmt.Sprintf("the activity went on in %.1f %% of what was measured, and at least %g %% is wanted", *g.rec.ActivityPct, wantedPct)}
	for _, c := range g.rec.Activity {
		if c.Pct < wantedPct && c.Seen < c.Asked {
			said = append(said, c.String())
		}
	}
	if beside := r.outagesIn(missing); beside != "" {
		said = append(said, beside)
	}
	if longest := longestOf(missing); longest.length() > 0 {
		said = append(said, fmt.Sprintf("nothing shows it from %s for %s", devices.AtSecond(longest.from), round(longest.length())))
	}
	return strings.Join(said, "; ")
}

func longestOf(list []span) (longest span) {
	for _, s := range list {
		if s.length() > longest.length() {
			longest = s
		}
	}
	return longest
}

// outagesIn says which outages lie in or beside stretches of time, or "".
func (r *run) outagesIn(list []span) string {
	g := r.live
	var said []string
	for _, what := range []string{results.OutageLink, results.OutageStage} {
		var sum time.Duration
		var first time.Time
		for _, o := range g.rec.Outages {
			lasts := span{o.From, o.From.Add(o.Lasted(g.rec.EndedAt))}
			if o.What != what || !slices.ContainsFunc(list, func(s span) bool { return s.meets(lasts, besideOutage) }) {
				continue
			}
			if sum += lasts.length(); first.IsZero() {
				first = o.From
			}
		}
		if !first.IsZero() {
			said = append(said, fmt.Sprintf("%s from %s on, for %s in all", outageWords[what], devices.AtSecond(first), round(sum)))
		}
	}
	return strings.Join(said, ", ")
}

// besideOutage is how far from an outage something still lies beside it: a page that was
// asked for just before, or a look that comes after.
const besideOutage = time.Minute

var outageWords = map[string]string{results.OutageLink: "the link was lost", results.OutageStage: "the stage could not be reached"}
