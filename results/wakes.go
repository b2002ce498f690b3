package results

// Wakes says how well a handset that was left alone with its screen off slept, how often
// the measuring woke it, and what that cost. A segment whose screen was on has none.
type Wakes struct {
	// LooksAtMS is when the daemon looked, in ms of the handset's uptime, over the whole
	// segment. Looks and LooksPerH are those within what was measured.
	LooksAtMS []int64 `json:"looks_at_ms,omitempty"`
	Looks     int     `json:"looks"`
	LooksPerH float64 `json:"looks_per_hour"`
	// SleptS is how long the handset was suspended within what was measured, which is OfS
	// long, by the recorder's own clocks; what it slept in stretches too short to be told
	// is not in it. 0: it was never seen to sleep.
	SleptS float64 `json:"slept_s"`
	OfS    float64 `json:"of_s"`
	// Seen is how often the recorder saw that the handset had woken, AtLook how many of these
	// times the daemon was just looking. Others woke it as well: these are the least.
	Seen   int `json:"wakes_seen"`
	AtLook int `json:"wakes_at_looks"`
	// Cost is what the looks drew, as far as it was known when the segment ended; nil where
	// there is no figure, or nothing was drawn.
	Cost *WakeCost `json:"cost,omitempty"`
}

// A WakeCost is what looks at a sleeping handset drew.
type WakeCost struct {
	PctH     float64 `json:"pct_h"` // of full charge an hour, in what was measured
	LowPctH  float64 `json:"low_pct_h"`
	HighPctH float64 `json:"high_pct_h"`
	LookS    float64 `json:"look_s"` // a look draws as much as the handset does in so many s when nobody looks
	Basis    string  `json:"basis"`
}

// Slept says whether the handset was seen to sleep in what was measured.
func (g Segment) Slept() bool { return g.Wakes != nil && g.Wakes.SleptS > 0 }
