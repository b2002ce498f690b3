package scenarios

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"

	"rundown/devices/preconditions"
)

// Resolve fills in what a segment leaves to its scenario and its plan.
func (f File) Resolve(p Plan, s Segment) Segment {
	switch {
	case s.EndsBy(f.Scenarios[s.Scenario]) != UntilDrained:
		s.DrainPoints, s.Enough = 0, nil
	case s.DrainPoints == 0:
		s.DrainPoints, s.Enough = p.DrainPoints, p.Enough
	}
	if s.WarmUp == 0 {
		s.WarmUp = f.Scenarios[s.Scenario].WarmUp
	}
	if s.WarmUp == 0 {
		s.WarmUp = p.WarmUp
	}
	if s.Limit == 0 {
		s.Limit = p.SegmentLimit
	}
	return s
}

// PlanHash is the SHA-256, in hex, of everything in a plan that bears on its results:
// limits, preconditions, and the segments with their workloads' hashes. What only names
// or reports it (its name, the day mix) and the bench are left out. It is empty for a
// plan that the file does not have.
func (f File) PlanHash(plan string) string {
	p, ok := f.Plans[plan]
	if !ok {
		return ""
	}
	type segment struct {
		Workload    string  `json:"workload"`
		DrainPoints int     `json:"drain_points"`
		WarmUpS     float64 `json:"warm_up_s"`
		LimitS      float64 `json:"limit_s"`
		DrainToPct  int     `json:"drain_to_pct,omitempty"`
		Enough      *Enough `json:"enough,omitempty"`
	}
	// The order of the fields is the canonical form: changing it changes every hash.
	resolved := struct {
		Format            int                  `json:"format"`
		Preconditions     []preconditions.Want `json:"preconditions"`
		Segments          []segment            `json:"segments"`
		Repeat            int                  `json:"repeat"`
		StartLeastPct     float64              `json:"start_least_pct"`
		StartMostPct      float64              `json:"start_most_pct"`
		RestartSpoiled    int                  `json:"restart_spoiled"`
		SampleEveryS      float64              `json:"sample_every_s"`
		StopLevelPct      int                  `json:"stop_level_pct"`
		StopTempC         float64              `json:"stop_temp_c"`
		RechargeLimitS    float64              `json:"recharge_limit_s"`
		RechargeStopTempC float64              `json:"recharge_stop_temp_c"`
		SettleLimitS      float64              `json:"settle_limit_s"`
		DriftEveryS       float64              `json:"drift_every_s"`
		LooksPerHour      int                  `json:"looks_per_hour,omitempty"` // left out at its default: plans from before it keep their hash
		ActivityShare     *ActivityShare       `json:"activity_share,omitempty"` // where it is not the default
	}{
		Format:        1,
		Preconditions: slices.DeleteFunc(slices.Clone(f.Preconditions[p.Preconditions].Wants), func(w preconditions.Want) bool { return w.Name == preconditions.OnTop }),
		Repeat:        p.Repeat,
		StartLeastPct: p.StartLevel.Least, StartMostPct: p.StartLevel.Most,
		RestartSpoiled: p.RestartSpoiled,
		SampleEveryS:   p.SampleEvery.Seconds(),
		StopLevelPct:   p.StopLevelPct, StopTempC: p.StopTempC,
		RechargeLimitS: p.RechargeLimit.Seconds(), RechargeStopTempC: p.RechargeStopTempC,
		SettleLimitS: p.SettleLimit.Seconds(), DriftEveryS: p.DriftEvery.Seconds(),
	}
	if n := p.Looks(); n != DefaultLooks {
		resolved.LooksPerHour = n
	}
	if a := p.ActivityShare.OrDefault(); a != (ActivityShare{DefaultFlagBelowPct, DefaultSpoilBelowPct}) {
		resolved.ActivityShare = &a
	}
	for _, s := range p.Segments {
		s = f.Resolve(p, s)
		resolved.Segments = append(resolved.Segments, segment{
			Workload: f.Scenarios[s.Scenario].Hash(), DrainPoints: s.DrainPoints,
			WarmUpS: s.WarmUp.Seconds(), LimitS: s.Limit.Seconds(), DrainToPct: s.DrainTo, Enough: s.Enough,
		})
	}
	b, err := json.Marshal(resolved)
	if err != nil { // finite numbers and text only
		panic(fmt.Sprintf("scenarios: plan hash: %v", err))
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}
