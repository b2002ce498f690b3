package sustain

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Lot is a stretch of work on the same clock as the readings. In continuous work it is a fixed amount,
// so that the time it takes says how fast the handset is; of cycles with rests it is the working part of one.
type Lot struct {
	From, To time.Duration
	Rate     float64 // work a second, above 0
}

// A Settling is the rule by which the rate of continuous work has settled: between two windows that follow
// one another neither the rate nor the battery's temperature has changed by more than the rule allows, and
// within the later one the rate has no slope. A rate that is level on a handset that still warms has not
// settled: what is to come is the throttling.
type Settling struct {
	Window   time.Duration // length of each of the two
	RateRel  float64       // most that the rate may differ, as a part of it
	TempC    float64       // most that the battery's mean temperature may differ, °C
	LotsEach int           // least number of lots that end in each window
}

// Settled is the rule that segments are ended by and figures are made with. Its numbers are the project's
// own: with them a handset whose rate falls by 40 % with a time constant of 5 min is called settled when
// the rate of the last window is within 2 % of where it goes.
var Settled = Settling{Window: 5 * time.Minute, RateRel: 0.02, TempC: 1, LotsEach: 4}

// LongestWork is how long continuous work goes on where the rate does not settle.
const LongestWork = 30 * time.Minute

const (
	// startSpan is the stretch whose rate is the rate at the start, and startLots its least number of
	// lots. The first lot is left out: the browser loads and compiles in it.
	startSpan = time.Minute
	startLots = 3
	// bandRel is how near the settled rate the rate must stay to have arrived there, as a part of it: the
	// wider of the two bands that control engineering uses for a settling time, 5 and 2 % (Ogata, Modern
	// Control Engineering, 5th edition, 2010, section 5-3; from memory).
	bandRel = 0.05
	// smooth is the width over which the rate is taken for that, since a single lot is noise.
	smooth = time.Minute
	// standing is how long work may stand still between two lots and be called continuous.
	standing = 5 * time.Second
	// batches is into how many stretches of equal length the last window is cut: their scatter says how
	// well its rate is known where lots that follow one another are alike, as those of a saw-tooth are.
	batches = 5
)

// The reasons for which continuous work gives no figure.
var (
	ErrTooShort = errors.New("too little work")
	ErrPaused   = errors.New("the work was not continuous")
)

// work is how much work was done by an instant: lots are taken to go on evenly within themselves.
type work struct {
	t   []time.Duration // ends of the lots, and the beginning of the first
	sum []float64
}

func workOf(lots []Lot) work {
	w := work{t: []time.Duration{lots[0].From}, sum: []float64{0}}
	for _, l := range lots {
		before := w.t[len(w.t)-1]
		w.t = append(w.t, l.To)
		w.sum = append(w.sum, w.sum[len(w.sum)-1]+l.Rate*(l.To-before).Seconds())
	}
	return w
}

func (w work) from() time.Duration { return w.t[0] }
func (w work) to() time.Duration   { return w.t[len(w.t)-1] }

func (w work) by(t time.Duration) float64 {
	i, _ := slices.BinarySearch(w.t, t)
	switch {
	case i == 0:
		return 0
	case i == len(w.t):
		return w.sum[i-1]
	}
	part := (t - w.t[i-1]).Seconds() / (w.t[i] - w.t[i-1]).Seconds()
	return w.sum[i-1] + part*(w.sum[i]-w.sum[i-1])
}

// rate is the mean rate of a stretch.
func (w work) rate(from, to time.Duration) float64 {
	from, to = max(from, w.from()), min(to, w.to())
	return (w.by(to) - w.by(from)) / (to - from).Seconds()
}

// At says whether the rate has settled by the end of the last of the lots, and if not, what is still
// changing ("" where it has). Lots and readings are in order.
func (s Settling) At(lots []Lot, readings []Reading) (settled bool, still string) {
	if len(lots) == 0 {
		return false, "no work yet"
	}
	w := workOf(lots)
	middle, first := w.to()-s.Window, w.to()-2*s.Window
	if first < w.from() {
		return false, fmt.Sprintf("worked for %.1f min, and two windows of %g min are compared", (w.to() - w.from()).Minutes(), s.Window.Minutes())
	}
	var in [2]int
	for _, l := range lots {
		switch {
		case l.To > middle:
			in[1]++
		case l.To > first:
			in[0]++
		}
	}
	if min(in[0], in[1]) < s.LotsEach {
		return false, fmt.Sprintf("%d and %d lots in the last two windows, and %d are needed in each", in[0], in[1], s.LotsEach)
	}
	before, now := w.rate(first, middle), w.rate(middle, w.to())
	if change := now/before - 1; !(math.Abs(change) <= s.RateRel) {
		return false, fmt.Sprintf("the rate changed by %+.1f %% in %g min", 100*change, s.Window.Minutes())
	}
	if change := slope(lots, middle); !(math.Abs(change) <= s.RateRel) {
		return false, fmt.Sprintf("the rate changed by %+.1f %% within the last %g min", 100*change, s.Window.Minutes())
	}
	cool, coolOK := meanC(readings, first, middle)
	warm, warmOK := meanC(readings, middle, w.to())
	switch {
	case !coolOK || !warmOK:
		return false, "the battery's temperature was not read, so that nothing says that the handset has stopped warming"
	case !(math.Abs(warm-cool) <= s.TempC):
		return false, fmt.Sprintf("the battery's temperature changed by %+.1f °C in %g min", warm-cool, s.Window.Minutes())
	}
	return true, ""
}

// slope is by how much a straight line through the lots that end after an instant changes from there to
// the end of the last, as a part of its mean. Lots weigh as long as they took.
func slope(lots []Lot, from time.Duration) float64 {
	var x, y, weight []float64
	for _, l := range lots {
		if l.To <= from {
			continue
		}
		x, y, weight = append(x, (l.From+l.To).Seconds()/2), append(y, l.Rate), append(weight, (l.To-l.From).Seconds())
	}
	if len(x) < 3 {
		return math.NaN()
	}
	_, perSecond := stat.LinearRegression(x, y, weight, false)
	return perSecond * (lots[len(lots)-1].To - from).Seconds() / stat.Mean(y, weight)
}

// meanC is the battery's mean temperature over a stretch, of at least two readings.
func meanC(readings []Reading, from, to time.Duration) (mean float64, ok bool) {
	n := 0
	for _, r := range readings {
		if r.BatteryC != nil && r.T > from && r.T <= to {
			mean += *r.BatteryC
			n++
		}
	}
	return mean / float64(n), n >= 2
}

// OfLots computes the figure of continuous work, whose lots are in order and follow one another without
// a rest. Its errors are ErrTooShort, ErrPaused and ErrRate.
func OfLots(lots []Lot, readings []Reading) (Figure, error) {
	if err := soundLots(lots); err != nil {
		return Figure{}, err
	}
	w := workOf(lots)
	began := 1 // the lots of the start are those from here
	ended := began
	for ended < len(lots) && (ended-began < startLots || lots[ended].To-lots[began].From <= startSpan) {
		ended++
	}
	last := max(w.to()-Settled.Window, w.from())
	if ended == len(lots) || last < lots[ended-1].To {
		return Figure{}, fmt.Errorf("%w: %d lots in %.1f min; want the lots of the start and %g min after them", ErrTooShort, len(lots), (w.to() - w.from()).Minutes(), Settled.Window.Minutes())
	}
	f := Figure{Count: len(lots), NoiseRel: noise(rates(lots)) / stat.Mean(rates(lots), nil)}
	f.Start, f.StartCount = median(rates(lots[began:ended])), ended-began
	f.Settled = w.rate(last, w.to())
	settled, still := Settled.At(lots, readings)
	f.HasSettled, f.Still = &settled, still
	f.Held = held(f, w, last)
	f.Throttled = f.Held.Value < 1-leastFall && f.Held.High < 1
	// A fall at the very end widens the interval of the last window's rate, and is seen all the same.
	if at := median(rates(lots[len(lots)-startLots:])) / f.Start; at < 1-leastFall-4*f.NoiseRel {
		f.Throttled = true
	}
	if settled {
		took := arrives(w, f.Settled, last) - w.from()
		f.ToSettle = &took
	}
	return f, nil
}

func soundLots(lots []Lot) error {
	if len(lots) < 2+startLots {
		return fmt.Errorf("%w: %d lots, want %d or more", ErrTooShort, len(lots), 2+startLots)
	}
	for i, l := range lots {
		if !(l.Rate > 0) || math.IsInf(l.Rate, 0) || l.To <= l.From {
			return fmt.Errorf("%w: lot %d has a rate of %g over %v, want more than 0", ErrRate, i+1, l.Rate, l.To-l.From)
		}
		if i == 0 {
			continue
		}
		switch stood := l.From - lots[i-1].To; {
		case stood < -standing:
			return fmt.Errorf("%w: lot %d began before the one before it had ended", ErrRate, i+1)
		case stood > standing:
			return fmt.Errorf("%w: it stood still for %.0f s before lot %d, and the handset cooled", ErrPaused, stood.Seconds(), i+1)
		}
	}
	return nil
}

func rates(lots []Lot) []float64 {
	list := make([]float64, len(lots))
	for i, l := range lots {
		list[i] = l.Rate
	}
	return list
}

// noise is the scatter of a rate, one standard deviation, from the differences of neighbours, which leave
// a fall out; their median leaves odd lots out.
func noise(rates []float64) float64 {
	diffs := make([]float64, len(rates)-1)
	for i := range diffs {
		diffs[i] = math.Abs(rates[i+1] - rates[i])
	}
	return 1.4826 * median(diffs) / math.Sqrt2
}

// held is the settled rate over that at the start with its 95 % interval. The start is as uncertain as the
// scatter of all lots makes a median of its few (√(π/2) = 1.25 times that of a mean). The scatter, from
// differences by their median, is worth 0.37 times its number in degrees of freedom (the efficiency of a
// median deviation: Rousseeuw and Croux, Journal of the American Statistical Association 88 (1993), p. 1273).
// The settled rate is as uncertain as the scatter of batches of its window or of its lots, whichever is more
// (batch means: Law and Kelton, Simulation Modeling and Analysis, 3rd edition, 2000, section 9.5.3; from
// memory). Both together have the degrees of freedom of Welch and Satterthwaite (JCGM 100:2008, G.4.1).
func held(f Figure, w work, last time.Duration) Interval {
	noiseRel := f.NoiseRel
	seStart := 1.25 * noiseRel / math.Sqrt(float64(f.StartCount))
	var means []float64
	width := (w.to() - last) / batches
	for i := range batches {
		means = append(means, w.rate(last+time.Duration(i)*width, last+time.Duration(i+1)*width))
	}
	lots := 0
	for _, t := range w.t {
		if t > last {
			lots++
		}
	}
	seSettled := math.Max(stat.StdDev(means, nil)/f.Settled/math.Sqrt(batches), noiseRel/math.Sqrt(float64(lots)))
	se := math.Hypot(seStart, seSettled)
	r := f.Settled / f.Start
	if se == 0 { // rates without any scatter
		return Interval{Value: r, Low: r, High: r}
	}
	df := math.Pow(se, 4) / (math.Pow(seStart, 4)/math.Max(1, 0.37*float64(f.Count-1)) + math.Pow(seSettled, 4)/(batches-1))
	half := distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(0.975) * se
	return Interval{Value: r, Low: r * (1 - half), High: r * (1 + half)}
}

// arrives is when the rate comes into the band about its settled value for good: the settling time of
// control engineering. At the latest it is the beginning of the window whose rate is the settled one: a
// saw-tooth never stays within the band, and has settled about its mean.
func arrives(w work, settled float64, last time.Duration) time.Duration {
	const step = 5 * time.Second
	at := w.from()
	for t := w.from(); t <= last; t += step {
		if rate := w.rate(t-smooth/2, t+smooth/2); math.Abs(rate/settled-1) > bandRel {
			at = t + step
		}
	}
	return min(at, last)
}
