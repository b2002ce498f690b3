package reading

import "fmt"

// A PowerDrop is when charging power first fell from its peak by more than a tenth, and to what.
type PowerDrop struct {
	S        Interval `json:"s"` // from plug-in
	LevelPct int      `json:"level_pct,omitempty"`
	HeldW    float64  `json:"held_w"`         // mean power until then
	ToW      *float64 `json:"to_w,omitempty"` // of the plateau after it; absent where power glides on down
}

// SayDrop says when power first dropped, and from what to what; "" where that is not known.
func (c Charge) SayDrop() string {
	d := c.FirstDrop
	if d == nil {
		return ""
	}
	text := "after " + d.S.Minutes()
	if d.LevelPct > 0 {
		text += fmt.Sprintf(", at %d %%", d.LevelPct)
	}
	if d.ToW == nil {
		return text + fmt.Sprintf(", from %.1f W down without a step", d.HeldW)
	}
	return text + fmt.Sprintf(", from %.1f to %.1f W", d.HeldW, *d.ToW)
}

// SayKept says for how long peak power is kept; "" where no peak was measured. A fall to no plateau,
// or one that does not come before the taper may have set in, is the taper's.
func (c Charge) SayKept() string {
	d := c.FirstDrop
	switch {
	case c.PeakOf == "" || c.Hold == nil:
		return ""
	case d == nil && c.FullS == nil:
		return "for as long as the charge was followed"
	case d == nil:
		return "until the charge was over"
	case d.ToW == nil, c.Taper != nil && d.S.High >= c.Taper.Low:
		return "until the taper"
	}
	return fmt.Sprintf("for %.1f min, then %.0f %% of it", d.S.Value/60, 100**d.ToW/d.HeldW)
}
