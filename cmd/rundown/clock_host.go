//go:build !sharedclock

package main

import "rundown/devices/simulated"

// benchClock is the daemon's clock: nil, which stands for the host's.
func benchClock() simulated.Clock { return nil }
