// Package physics is the battery, gauge, heat and charger of a simulated handset.
//
// Plain values, deterministic by seed: no goroutine, no wall clock, no shell. Whoever
// owns a [Phone] tells it how far its uptime has gone and what load it carried; the
// phone answers with what its gauge would show, and, to tests only, with the truth.
//
// Every number that a real cell could contradict has its source beside it. What has no
// source (spreads of gauge faults, drift of the power) is invented and says so.
package physics
