package fleet

import (
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"rundown/devices/simulated/physics"
)

// A Rest is a phone of a fleet that lies with its screen off and suspends, woken by its own
// alarms and by whoever looks at it. All of it is invented, as is the fleet.
type Rest struct {
	Phone
	SuspendedW float64 // mean while suspended
	SlowSD     float64 // relative sd of that from hour to hour
	AwakeW     float64 // more than that while awake
	WakeJ      float64 // for waking, beside it
	LookS      float64 // how long a look keeps it awake
	AlarmS     [2]float64
	LightS     [2]float64 // between its alarms at first
	DeepS      [2]float64 // and later
	DeepAfterS float64
}

// NewRest makes the phone of that seed at rest.
func (s Spread) NewRest(class physics.CounterClass, seed uint64) Rest {
	r := rand.New(rand.NewPCG(seed, uint64(class)+0x2f0b4a1d8c6e3579))
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	logBetween := func(a, b float64) float64 { return a * math.Pow(b/a, r.Float64()) }
	p := s.NewPhone(class, seed)
	full := p.Options.Cell.CapacityMAh / 1000 * p.Options.Cell.OCV.Mean(0, 1) * 3600 // J
	light, deep := between(240, 600), between(900, 2400)
	return Rest{
		Phone: p, SuspendedW: logBetween(0.25, 1.5) / 100 * full / 3600, SlowSD: between(0, 0.1),
		AwakeW: logBetween(0.1, 0.5), WakeJ: logBetween(0.1, 2), LookS: logBetween(1.5, 12),
		AlarmS: [2]float64{0.5, between(2, 6)}, LightS: [2]float64{light, 2 * light}, DeepS: [2]float64{deep, 2 * deep},
		DeepAfterS: between(1800, 7200),
	}
}

// A Lying is one rest with its truth.
type Lying struct {
	Samples []Sample
	Looks   []time.Duration
	LookJ   float64 // what they drew

	phone *physics.Phone
	up    []float64 // s
	restJ []float64 // what it would have drawn until then with nobody looking
}

// Hours is the truth: how long the phone would rest from 100 % until it is empty, with
// nobody looking, at what it would have drawn between two uptimes.
func (l Lying) Hours(from, to time.Duration) float64 {
	at := func(t float64) float64 {
		i := sort.SearchFloat64s(l.up, t)
		i = max(1, min(i, len(l.up)-1))
		f := (t - l.up[i-1]) / (l.up[i] - l.up[i-1])
		return l.restJ[i-1] + f*(l.restJ[i]-l.restJ[i-1])
	}
	return l.phone.TruthHours((at(to.Seconds()) - at(from.Seconds())) / (to - from).Seconds())
}

// Lie lets the phone rest from a true charge, %, until the level shown has fallen so many
// points after its first edge, and reads it whenever it wakes. looks are when it is looked at.
func (r Rest) Lie(startPct float64, points int, run uint64, looks func(hours float64) []time.Duration) Lying {
	const most = 100 * time.Hour
	o := r.Options
	o.SoC, o.RunSeed, o.StepS = startPct/100, run, 20
	ph := physics.NewPhone(o)
	rng := rand.New(rand.NewPCG(r.seed, run+0x9b1f53ac7d20e864))
	between := func(v [2]float64) float64 { return v[0] + (v[1]-v[0])*rng.Float64() }
	l := Lying{phone: ph, Looks: looks(most.Hours()), up: []float64{0}, restJ: []float64{0}}
	t, rest, slow, hour := 0.0, 0.0, rng.NormFloat64(), 0
	// pass lets s seconds pass with so much more power than suspended, drawn with nobody looking or not.
	pass := func(s, moreW float64, looked bool) {
		if h := int(t / 3600); h > hour {
			hour, slow = h, 0.5*slow+math.Sqrt(0.75)*rng.NormFloat64()
		}
		base := r.SuspendedW * max(0.3, 1+r.SlowSD*slow)
		t += s
		ph.Advance(time.Duration(t*float64(time.Second)), physics.Load{BaseW: base + moreW, Activity: 1})
		rest += base * s
		if looked {
			l.LookJ += moreW * s
		} else {
			rest += moreW * s
		}
		l.up, l.restJ = append(l.up, t), append(l.restJ, rest)
	}
	read := func() {
		if n := len(l.Samples); n == 0 || t-l.Samples[n-1].T.Seconds() >= 9 {
			l.Samples = append(l.Samples, Sample{T: ph.Up(), Readings: ph.Readings()})
		}
	}
	wake := func(hold float64, looked bool) {
		first := min(1, hold)
		pass(first, r.AwakeW+r.WakeJ/first, looked)
		read()
		pass(max(hold-first, 0.01), r.AwakeW, looked)
	}
	pass(1, r.AwakeW, false)
	read()
	first, edge := l.Samples[0].LevelPct, 0
	alarm, next := between(r.LightS), 0
	for !ph.Dead() && t < most.Seconds() {
		at, look := alarm, false
		if next < len(l.Looks) && l.Looks[next].Seconds() < alarm {
			at, look = l.Looks[next].Seconds(), true
		}
		for at-t > 900 { // so that slow changes of power are seen
			pass(900, 0, false)
		}
		if at > t {
			pass(at-t, 0, false)
		}
		if look {
			l.Looks[next] = time.Duration(t * float64(time.Second))
			next++
			wake(r.LookS, true)
		} else {
			wake(between(r.AlarmS), false)
			every := r.LightS
			if t > r.DeepAfterS {
				every = r.DeepS
			}
			alarm = t + between(every)
		}
		level := l.Samples[len(l.Samples)-1].LevelPct
		if edge == 0 && level < first && l.Samples[len(l.Samples)-1].T > 10*time.Minute {
			edge = level
		}
		if edge > 0 && level <= edge-points-2 { // two more than needed: the first may lie in the warm-up
			break
		}
	}
	l.Looks = l.Looks[:next]
	return l
}
