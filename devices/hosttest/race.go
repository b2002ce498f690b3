//go:build race

package hosttest

// RaceSlow is about how much slower everything is under the race detector; 1 without it.
// Benches live that much slower, so that what has a deadline in real time keeps it.
const RaceSlow = 4
