package orchestrator

import (
	"rundown/results"
)

// showProgress tells the bench how far the segment is.
func (r *run) showProgress() {
	g := r.live
	if g.last == nil {
		return
	}
	samples, err := r.d.store.Samples(g.u.ID)
	if err != nil {
		return
	}
	so := g.rec
	so.Edges = edges(samples)
	list, points := so.Edges, so.Points()
	r.reached(&so, samples)
	r.sawSample()
	left, now := r.segmentLeft(points, list), r.d.now()
	g.lookNext.left = left
	r.d.tell(r.h.Name, func(s *HandsetStatus) {
		s.LevelPct, s.ReadAt = g.last.LevelPct, g.phoneUntil
		if c := g.units().TempC(g.last.TempRaw); c != nil {
			s.TempC = c
		}
		s.Progress, s.PointsDone, s.EvidenceAt = so.Progress(), points, g.witness.lastSeen()
		s.ExpectedEnd = now.Add(left)
		s.RatePctH = rateOf(list, points)
	})
	r.showRunEnd(left)
}

// rateOf is the plain rate since the start edge, %/h, for a person who watches; the
// figure itself is made by the calculator.
func rateOf(list []results.Edge, points int) float64 {
	if points < 1 {
		return 0
	}
	last := list[len(list)-1]
	for _, e := range list {
		if e.LevelPct-last.LevelPct == points {
			if hours := float64(last.HiUpMS-e.HiUpMS) / 3.6e6; hours > 0 {
				return float64(points) / hours
			}
		}
	}
	return 0
}
