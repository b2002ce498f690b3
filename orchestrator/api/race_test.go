//go:build race

package api_test

// raceSlow is about how much slower everything is under the race detector: benches live
// that much slower, so that what has a deadline in real time keeps it.
const raceSlow = 4
