package luminance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"rundown/devices"
)

// A level is all that was read at one setting.
type level struct {
	setting float64
	values  []float64 // cd/m², the room's share subtracted
	mean    float64
}

// levels gathers the readings that count by setting, rising.
func levels(readings []Reading, background float64) []level {
	at := map[float64]*level{}
	var ls []*level
	for _, r := range readings {
		if r.Discarded || r.Pass == 0 {
			continue
		}
		l := at[r.Setting]
		if l == nil {
			l = &level{setting: r.Setting}
			at[r.Setting] = l
			ls = append(ls, l)
		}
		l.values = append(l.values, r.CdM2-background)
	}
	out := make([]level, 0, len(ls))
	for _, l := range ls {
		l.mean = stat.Mean(l.values, nil)
		out = append(out, *l)
	}
	slices.SortFunc(out, func(a, b level) int {
		if a.setting < b.setting {
			return -1
		}
		return 1
	})
	return out
}

// noise is the standard deviation of one reading relative to its luminance, pooled over
// the settings whose luminance is within a factor of two of the wanted one, or over all
// where those are too few, with its degrees of freedom.
func noise(ls []level, wanted float64) (relative float64, df int) {
	pooled := func(counts func(level) bool) (float64, int) {
		sum, n := 0.0, 0
		for _, l := range ls {
			if l.mean <= 0 || len(l.values) < 2 || !counts(l) {
				continue
			}
			sd := stat.StdDev(l.values, nil) / l.mean
			sum += sd * sd * float64(len(l.values)-1)
			n += len(l.values) - 1
		}
		if n == 0 {
			return 0, 0
		}
		return math.Sqrt(sum / float64(n)), n
	}
	const enough = 6
	if sd, n := pooled(func(l level) bool { return l.mean > wanted/2 && l.mean < wanted*2 }); n >= enough {
		return sd, n
	}
	return pooled(func(level) bool { return true })
}

// points cleans means that should rise and joins what was pooled to one point, at the
// weighted mean of its settings. fit has the cleaned value of each level.
func points(settings, means, weights []float64) (curve []devices.CurvePoint, fit []float64) {
	for _, b := range pool(means, weights) {
		setting, weight := 0.0, 0.0
		for i := b.first; i < b.last; i++ {
			setting += settings[i] * weights[i]
			weight += weights[i]
			fit = append(fit, b.mean)
		}
		curve = append(curve, devices.CurvePoint{Setting: setting / weight, CdM2: max(b.mean, 0)})
	}
	// Below what the meter sees, several may be 0: only the brightest setting of them says
	// where light begins.
	for len(curve) > 1 && curve[1].CdM2 <= 0 {
		curve = curve[1:]
	}
	return curve, fit
}

// A Share is one component of the uncertainty at the wanted luminance.
type Share struct {
	Name string  `json:"name"`
	U    float64 `json:"u_cd_m2"` // standard uncertainty
	DF   float64 `json:"df"`      // degrees of freedom; 0 stands for infinitely many
}

// fitted is a curve with what is needed to speak of its uncertainty.
type fitted struct {
	curve    devices.Curve
	points   []devices.CurvePoint
	levels   []level
	settings []float64
	means    []float64
	weights  []float64
	cleaned  []float64
	sd       float64 // relative, of one reading
	df       int
}

func fitLevels(ls []level, wanted float64) (fitted, error) {
	f := fitted{levels: ls}
	for _, l := range ls {
		f.settings = append(f.settings, l.setting)
		f.means = append(f.means, l.mean)
		f.weights = append(f.weights, float64(len(l.values)))
	}
	f.sd, f.df = noise(ls, wanted)
	f.points, f.cleaned = points(f.settings, f.means, f.weights)
	curve, err := devices.NewCurve(f.points)
	f.curve = curve
	return f, err
}

// monotone says where the cleaning had to move a reading further than noise explains.
func (f fitted) monotone(digit float64) error {
	worst, at := 0.0, -1
	for i, l := range f.levels {
		// Four standard deviations of the mean, and half a per cent and a digit for a meter
		// without noise, whose readings may still wander.
		allowed := 4*f.sd*math.Abs(l.mean)/math.Sqrt(f.weights[i]) + 0.005*math.Abs(l.mean) + digit
		if over := math.Abs(f.cleaned[i]-l.mean) - allowed; over > worst {
			worst, at = over, i
		}
	}
	if at < 0 {
		return nil
	}
	// The pair that falls most steeply around the worst place is what a person looks at.
	i := at
	if i+1 == len(f.levels) || (i > 0 && f.means[i-1]-f.means[i] > f.means[i]-f.means[i+1]) {
		i--
	}
	return fmt.Errorf("%w: setting %g reads %.4g cd/m² and setting %g reads %.4g; see that nothing dims the screen (heat, low battery, adaptive brightness) and that the meter has not moved",
		ErrNotMonotone, f.settings[i], f.means[i], f.settings[i+1], f.means[i+1])
}

// bootstraps is how many curves the scatter of the fit is taken from: enough for its
// standard deviation to within 4 %, as 1/sqrt(2(n-1)) has it.
const bootstraps = 400

// scatter is the standard deviation of the curve at a setting that the noise of the
// readings makes, cleaning and interpolation included: a parametric bootstrap, with a
// fixed seed so that the same readings give the same record.
func (f fitted) scatter(setting float64) float64 {
	rng := rand.New(rand.NewPCG(0x5ca77e4, 1))
	centre := f.curve.At(setting)
	sum, n := 0.0, 0
	means := make([]float64, len(f.cleaned))
	for range bootstraps {
		for i, m := range f.cleaned {
			means[i] = m + rng.NormFloat64()*f.sd*math.Abs(m)/math.Sqrt(f.weights[i])
		}
		ps, _ := points(f.settings, means, f.weights)
		c, err := devices.NewCurve(ps)
		if err != nil {
			continue
		}
		d := c.At(setting) - centre
		sum += d * d
		n++
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / float64(n))
}

// bend is how far the curve at a setting lies from the straight line between the points
// beside it: nobody knows which of the two the screen follows between readings.
func (f fitted) bend(setting float64) float64 {
	i, _ := slices.BinarySearchFunc(f.points, setting, func(p devices.CurvePoint, s float64) int {
		if p.Setting < s {
			return -1
		}
		if p.Setting > s {
			return 1
		}
		return 0
	})
	if i == 0 || i == len(f.points) {
		return 0
	}
	a, b := f.points[i-1], f.points[i]
	line := a.CdM2 + (b.CdM2-a.CdM2)*(setting-a.Setting)/(b.Setting-a.Setting)
	return math.Abs(f.curve.At(setting) - line)
}

// budget lists the components at a setting, where the screen is expected at cdM2.
func (f fitted) budget(setting, cdM2 float64, in Instrument, background float64, backgroundSD float64) []Share {
	root3 := math.Sqrt(3)
	shares := []Share{{Name: "readings and fit", U: f.scatter(setting), DF: float64(f.df)}}
	add := func(name string, u float64) {
		if u > 0 {
			shares = append(shares, Share{Name: name, U: u})
		}
	}
	// A stated accuracy and a digit are rectangular: JCGM 100:2008, 4.3.7.
	add("meter's accuracy", in.AccuracyPct/100*(cdM2+background)/root3)
	add("meter's last digit", in.DigitCdM2/2/root3)
	add("between the settings read", f.bend(setting)/root3)
	add("room", backgroundSD)
	return shares
}

// expand gives the half-width of the 95 % interval: k of Student's t at the effective
// degrees of freedom (JCGM 100:2008, G.4.1, eq. G.2b), to which a known difference that
// is not corrected is added as it stands (the same, F.2.4.5).
func expand(shares []Share, difference float64) (u95, k float64) {
	variance, fourth := 0.0, 0.0
	for _, s := range shares {
		variance += s.U * s.U
		if s.DF > 0 {
			fourth += s.U * s.U * s.U * s.U / s.DF
		}
	}
	k = 1.959963984540054
	if fourth > 0 {
		df := variance * variance / fourth
		k = distuv.StudentsT{Sigma: 1, Nu: max(df, 1)}.Quantile(0.975)
	}
	return k*math.Sqrt(variance) + math.Abs(difference), k
}
