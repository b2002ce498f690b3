package endurance

import "math"

// Level and charge each give a rate. Their errors are as assumed, or one of them is wrong in a way that nothing else shows: a
// level that bows over the whole of the charge, a full charge that was learned of an older cell. How far apart they are
// says which of these is likely, but not which of the two is wrong; so each counts by its probability, and what is left of the
// doubt is in the interval (a finite mixture; Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, chapter 22; from memory).

// wrongs are how one of the two may be wrong: with which prior probability each, and by which relative sd. Assumed.
var wrongs = []struct{ p, sd float64 }{{0.06, 0.03}, {0.015, 0.10}}

// learnedLess is how much less likely the charge is wrong where it comes with its own uncertainty, from observations that were
// held against each other.
const learnedLess = 0.25

// lockedMore is by how much likelier the integrated current is wrong where its readings fall in step with the loop.
const lockedMore = 3.0

// fused is what both rates say together.
type fused struct {
	log      float64 // of the rate
	variance float64 // relative, with errors as assumed
	common   float64 // the part of it that both have in common
	share    float64 // the weight of the charge
	disagree float64 // variance from not knowing which is wrong
	sound    float64 // probability that errors are as assumed
}

// fuse puts them together. Variances are relative; shared is their covariance.
func fuse(level, levelVar, charge, chargeVar, shared float64, learned, locked bool) fused {
	d := math.Log(level / charge)
	type outcome struct{ p, log, share, variance, common float64 }
	one := func(p, moreLevel, moreCharge float64) outcome {
		vl, vc := levelVar+moreLevel, chargeVar+moreCharge
		all := vl + vc - 2*shared
		share := (vl - shared) / all
		common := 2 * share * (1 - share) * shared
		return outcome{
			p * math.Exp(-d*d/all/2) / math.Sqrt(all), math.Log(level) - share*d, share,
			share*share*chargeVar + (1-share)*(1-share)*levelVar + common, common,
		}
	}
	more := 1.0
	if learned {
		more *= learnedLess
	}
	if locked {
		more *= lockedMore
	}
	rest := 1.0
	var all []outcome
	for _, w := range wrongs {
		all = append(all, one(w.p, w.sd*w.sd, 0), one(w.p*more, 0, w.sd*w.sd))
		rest -= w.p * (1 + more)
	}
	all = append(all, one(rest, 0, 0))
	sum := 0.0
	for _, o := range all {
		sum += o.p
	}
	f := fused{sound: all[len(all)-1].p / sum}
	for _, o := range all {
		p := o.p / sum
		f.log += p * o.log
		f.share += p * o.share
		f.variance += p * o.variance
		f.common += p * o.common
	}
	for _, o := range all {
		f.disagree += o.p / sum * (o.log - f.log) * (o.log - f.log)
	}
	for i, w := range wrongs { // what one that is wrong is still off by, of the two the less
		for k, o := range all[2*i : 2*i+2] {
			left := o.share
			if k == 0 {
				left = 1 - o.share
			}
			f.disagree += o.p / sum * left * left * w.sd * w.sd
		}
	}
	return f
}
