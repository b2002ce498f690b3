package orchestrator

import (
	"fmt"

	"rundown/results"
)

// StateSays is what a handset does in a state of its run, as a sentence has it: "starting call", "putting
// settings back". scenario is that of the segment at hand, or empty.
func StateSays(state State, scenario string) string {
	of := func(does, alone string) string {
		if scenario == "" {
			return alone
		}
		return does + " " + scenario
	}
	switch state {
	case Preparing:
		return of("preparing for", "preparing")
	case Recharging:
		return of("recharging for", "recharging")
	case Settling:
		return of("starting", "starting")
	case Draining:
		return of("measuring", "measuring")
	case Charging:
		if scenario == "charge" {
			return "charging"
		}
		return of("charging for", "charging")
	case Collecting:
		return of("collecting the files of", "collecting files")
	case Restoring:
		return "putting settings back"
	case Done:
		return "done"
	case Stopped:
		return "stopped"
	}
	return string(state)
}

// UnansweredSays is what comes of a prompt that nobody answers, as a sentence has it.
func UnansweredSays(p results.Prompt) string {
	switch p.Default {
	case "cannot":
		return "it is taken that it cannot be done"
	case "done":
		return "it is taken as done"
	}
	return fmt.Sprintf("%q is taken as the answer", p.Default)
}
