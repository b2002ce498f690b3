package scenarios

import (
	"slices"
	"strconv"
	"strings"
	"time"
)

// A step that opens a page of the stage says what is to be seen there: the page posts that
// it has loaded, or what it does. A scenario that does not ask for that evidence itself is
// asked for it all the same, or hours of an error page would count as hours of reading.

// pageEvidence is what the page of each activity of the stage posts, and the longest time
// that may pass between two posts: as the built-in scenarios have it.
var pageEvidence = map[string]Evidence{
	"browse":  {Kind: "page", Limit: 3 * time.Minute},
	"call":    {Kind: "call", Limit: 2 * time.Minute},
	"game":    {Kind: "frames", Limit: 2 * time.Minute},
	"sustain": {Kind: "lot", Limit: 5 * time.Minute},
	"light":   {Kind: "frames", Once: true}, // a page of one colour posts once that it shows
}

// implied is the evidence that the steps bring with them and the scenario does not name.
func (s Scenario) implied() []Evidence {
	want, ok := pageEvidence[s.Stage]
	if address, _, opened := s.firstOpen(); s.Stage == "sustain" && opened && strings.Contains(address, "cycle_s=") {
		want.Kind = "cycle"
	}
	if !ok || slices.ContainsFunc(s.Evidence, func(ev Evidence) bool { return ev.Kind == want.Kind }) {
		return nil
	}
	inLoop := slices.ContainsFunc(s.Loop, opensStage)
	if !inLoop && !slices.ContainsFunc(s.Setup, opensStage) {
		return nil
	}
	want.Implied = true
	if want.Kind == "page" {
		// It posts when it has loaded, and then only when it is scrolled.
		want.Once = !inLoop
		want.Limit = max(want.Limit, 2*nominal(s.Loop))
	}
	return []Evidence{want}
}

func opensStage(st Step) bool { return st.Verb == "open" && strings.HasPrefix(st.Text, "{stage}") }

// postEvery is how often the stage's pages post what they do, where the address does not say
// (every_s). cycleEvery is how long a cycle of work lasts there (cycle_s), lotEvery how long a quick handset takes for a lot.
const (
	postEvery  = 15 * time.Second
	cycleEvery = 30 * time.Second
	lotEvery   = 5 * time.Second
)

// CycleLength is how long a cycle of work of the stage takes with its rest, by its address.
func (s Scenario) CycleLength() time.Duration {
	address, _, _ := s.firstOpen()
	return inAddress(address, "cycle_s", cycleEvery) + inAddress(address, "rest_s", 0)
}

// LeastWarmUp is after how long the last of a scenario's kinds of evidence can have come for
// the first time, by the steps' own account, and which kind that is: a start edge before it
// spoils the segment. What the handset itself needs (a page to load, a call to be answered)
// comes on top of it.
func (s Scenario) LeastWarmUp() (least time.Duration, kind string) {
	setup := nominal(s.Setup)
	for _, ev := range s.Evidence {
		look := time.Duration(lookPasses(ev, s.Loop)) * max(nominal(s.Loop), time.Second)
		at := setup + look
		switch ev.Kind {
		case "playback", "drawn":
			at += look // the first look has nothing to compare with
		case "photos", "videos":
			if first, ok := s.firstCapture(ev.Kind); ok {
				at = first
			}
		case "page", "frames", "call", "lot", "cycle":
			address, opened, ok := s.firstOpen()
			if !ok {
				continue
			}
			at = opened
			switch ev.Kind {
			case "frames", "call":
				if !ev.Once {
					at += inAddress(address, "every_s", postEvery)
				}
			case "lot":
				at += lotEvery
			case "cycle":
				at += inAddress(address, "cycle_s", cycleEvery)
			}
		case "asleep":
			continue // the recorder sees it, whenever the handset sleeps
		}
		if at > least {
			least, kind = at, ev.Kind
		}
	}
	return least.Truncate(time.Second), kind
}

// firstOpen is the address of the stage that is opened first, and when.
func (s Scenario) firstOpen() (address string, at time.Duration, ok bool) {
	for _, st := range slices.Concat(s.Setup, s.Loop) {
		if opensStage(st) {
			return st.Text, at, true
		}
		at += nominal([]Step{st})
	}
	return "", 0, false
}

// firstCapture is when the first capture of a kind has been looked for.
func (s Scenario) firstCapture(kind string) (at time.Duration, ok bool) {
	for _, st := range slices.Concat(s.Setup, s.Loop) {
		if st.Verb == "capture" && (st.Text == "photo" && kind == "photos" || st.Text == "video stop" && kind == "videos") {
			return at + st.Over + st.Wait, true
		}
		at += nominal([]Step{st})
	}
	return 0, false
}

// inAddress is a number of seconds in an address of the stage.
func inAddress(address, key string, otherwise time.Duration) time.Duration {
	_, query, _ := strings.Cut(address, "?")
	for pair := range strings.SplitSeq(query, "&") {
		if name, value, _ := strings.Cut(pair, "="); name == key {
			if n, err := strconv.Atoi(value); err == nil && n > 0 && n <= 600 {
				return time.Duration(n) * time.Second
			}
		}
	}
	return otherwise
}
