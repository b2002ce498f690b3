//go:build race

package main

// nightFactor is slower under the race detector, which makes the simulated handsets' own
// work ten times as long.
const nightFactor = "200"
