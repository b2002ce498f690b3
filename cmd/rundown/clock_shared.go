//go:build sharedclock

package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"rundown/devices/simulated"
)

// benchClock is the clock that a test shares with the simulated handsets of another
// process: START,FACTOR,EPOCH in RUNDOWN_TEST_CLOCK, as simulated.NewSharedClock takes
// them. It is in no rundown but the one that the crash test builds for itself.
func benchClock() simulated.Clock {
	text := os.Getenv("RUNDOWN_TEST_CLOCK")
	start, rest, _ := strings.Cut(text, ",")
	factor, epoch, _ := strings.Cut(rest, ",")
	from, err := time.Parse(time.RFC3339Nano, start)
	if err == nil {
		var k float64
		if k, err = strconv.ParseFloat(factor, 64); err == nil && k > 0 {
			var at time.Time
			if at, err = time.Parse(time.RFC3339Nano, epoch); err == nil {
				return simulated.NewSharedClock(from, k, at)
			}
		}
	}
	panic(fmt.Sprintf("RUNDOWN_TEST_CLOCK: want START,FACTOR,EPOCH, got %q", text))
}
