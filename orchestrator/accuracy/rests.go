package accuracy

import (
	"math"
	"math/rand/v2"
	"time"

	"rundown/devices/simulated/fleet"
	"rundown/results/endurance"
)

// A RestRow is how far the hours of handsets that rest and sleep are from what they would
// be if nobody looked at them.
type RestRow struct {
	Class      string
	Hours      Stat
	ClaimedPct float64 // mean half-width of the interval of hours
	Cost       Stat    // of what the looks drew; its errors are of the truth
	OwnPct     float64 // mean share of the drain that was the looks'
	Refused    int     // without a figure
	Noticed    int     // with a word of a correction of the gauge
	Far        int     // off by more than three half-widths, and not beyond doubt corrected
}

// Looks are those of a daemon that looks perHour times an hour in every other hour.
func Looks(perHour float64) func(hours float64) []time.Duration {
	return func(hours float64) []time.Duration {
		var list []time.Duration
		for i := 1.0; i/perHour < hours; i++ {
			if at := i / perHour; int(at)%2 == 0 {
				list = append(list, time.Duration(at*float64(time.Hour)))
			}
		}
		return list
	}
}

// Rests lets phones of each class rest for so many points and says how right their hours are.
// Their gauges raise the level by so many points, if any, at a random instant of the rest.
func Rests(seed uint64, perClass, points, raised int, looks func(hours float64) []time.Duration) []RestRow {
	spread := fleet.Assumed()
	var rows []RestRow
	for _, class := range Classes {
		type one struct {
			figure      endurance.Figure
			err         error
			truth, cost float64
			own         float64
		}
		list := make([]one, perClass)
		atOnce(perClass, func(i int) {
			p := spread.NewRest(class, seed+uint64(i))
			l := p.Lie(93.3+math.Mod(float64(i)*0.37, 1), points, 1, looks)
			in := endurance.Input{Samples: samplesOf(l.Samples), WarmUpS: 180, TargetPoints: points, DesignMAh: p.DesignMAh, Asleep: true, Looks: l.Looks}
			if raised != 0 {
				from, to := in.Samples[0].T, in.Samples[len(in.Samples)-1].T
				chance := rand.New(rand.NewPCG(seed+uint64(i), uint64(points)))
				in = correction{level: raised}.at(in, from+time.Duration(chance.Float64()*float64(to-from)))
			}
			x := &list[i]
			if x.figure, x.err = endurance.Estimate(in); x.err == nil {
				x.truth = l.Hours(x.figure.WindowStart, x.figure.WindowStop)
			}
			if o := x.figure.Own; o != nil && len(l.Looks) > 0 {
				full := p.Options.Cell.CapacityMAh / 1000 * p.Options.Cell.OCV.Mean(0, 1) * 3600
				x.cost, x.own = o.LooksPerH*l.LookJ/float64(len(l.Looks))/full*100, o.Share
			}
		})
		var hours, cost errors
		row := RestRow{Class: class.String()}
		for _, x := range list {
			if x.err != nil {
				row.Refused++
				continue
			}
			hours.addInterval(x.figure.Hours, x.truth)
			if off := math.Abs(x.figure.Hours.Value - x.truth); x.figure.Corrected == "" && off > 3*(x.figure.Hours.High-x.figure.Hours.Low)/2 {
				row.Far++
			}
			if x.figure.Corrected != "" || x.figure.Reanchoring != nil {
				row.Noticed++
			}
			row.ClaimedPct += 100 * x.figure.Hours.HalfWidth() / float64(perClass)
			row.OwnPct += 100 * x.own / float64(perClass)
			if o := x.figure.Own; o != nil && x.cost > 0 {
				cost.addInterval(o.PctH, x.cost)
			}
		}
		row.Hours, row.Cost = hours.stat(), cost.stat()
		rows = append(rows, row)
	}
	return rows
}
