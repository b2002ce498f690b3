// Package endurance computes how long a handset would last at one scenario, from full to
// empty and with a 95 % interval, from the samples of one segment. It also gives the
// drain rate, power and current in the measured window.
//
// Plain values in, plain values out: no store, no clock, no logger. The method:
//
//   - Level edges, not levels: the instants at which the shown level falls are known to
//     the sampling interval, while a shown level is only known to a whole point.
//   - A charge counter, or else the integral of the current readings, if full charge in the same
//     units was learned in a survey. Both rates are combined by their variances.
//   - At constant power a full cell falls more slowly than an empty one, because
//     its voltage is higher. Hours are corrected by mean voltage over window voltage.
//   - The interval is a budget of named terms, so that a reader sees what it hangs on.
//
// Three of those terms are assumptions and not measurements: how far a gauge's level bends
// away from true charge, how far power drifts as the handset warms, and the gain
// of its sensors. [Figure.Assumptions] says them; they belong beside the figure.
//
// Estimate refuses, with one of the sentinel errors, where no honest figure exists.
package endurance
