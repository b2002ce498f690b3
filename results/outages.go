package results

import (
	"fmt"
	"strings"
	"time"
)

// What an Outage is of.
const (
	OutageLink  = "link"  // the handset could not be reached
	OutageStage = "stage" // the handset could not reach the stage
)

// An Outage is a time in which the link or the stage could not be reached while a segment
// went on. What runs on the handset goes on meanwhile; pages of the stage do not come.
type Outage struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"` // zero: it still lasts
	What string    `json:"what"`        // OutageLink, OutageStage
	Why  string    `json:"why,omitempty"`
}

// Lasted is how long it lasted; one that still does has lasted until now.
func (o Outage) Lasted(now time.Time) time.Duration {
	if !o.To.IsZero() {
		now = o.To
	}
	return max(now.Sub(o.From), 0)
}

// An ActivityCount is what was asked of the activity and what was seen of it, in what was
// measured, by one kind of evidence: pages opened and loaded, looks that found it, captures
// and files, posts with frames, lots, cycles.
type ActivityCount struct {
	Kind  string  `json:"kind"`
	Asked int     `json:"asked"`
	Seen  int     `json:"seen"`
	Pct   float64 `json:"pct"` // of the window in which this kind alone says that it went on, %
}

// activityWords are what was counted of a kind, in people's words.
var activityWords = map[string]string{
	"page": "pages opened have loaded", "photos": "photos are there", "videos": "videos are there", "files": "looks found new files",
	"frames": "posts had frames", "call": "posts had pictures both ways", "cycle": "cycles are done", "lot": "lots are done",
	"playback": "looks found it playing", "foreground": "looks found it in front", "drawn": "looks found new frames",
	"incall": "looks found a call", "charging": "looks found power", "asleep": "looks found it asleep",
}

// String says it as in "5 of 7 pages opened have loaded".
func (c ActivityCount) String() string {
	said, ok := activityWords[c.Kind]
	if !ok {
		said = "of " + c.Kind
	}
	return fmt.Sprintf("%d of %d %s", c.Seen, c.Asked, said)
}

// ActivitySays is what was asked and seen in one line; empty where nothing was counted.
func (g Segment) ActivitySays() string {
	var list []string
	for _, c := range g.Activity {
		list = append(list, c.String())
	}
	return strings.Join(list, ", ")
}

// OutageS is for how long one of the two (OutageLink, OutageStage) could not be reached
// while the segment went on, s; nil where that was not recorded.
func (g Segment) OutageS(what string) *float64 {
	if g.ActivityPct == nil && len(g.Outages) == 0 {
		return nil
	}
	sum := 0.0
	for _, o := range g.Outages {
		if o.What == what {
			sum += o.Lasted(g.EndedAt).Seconds()
		}
	}
	return &sum
}
