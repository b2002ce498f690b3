package scenarios

import (
	"slices"
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
	"sustain": {Kind: "cycle", Limit: 5 * time.Minute},
	"light":   {Kind: "frames", Once: true}, // a page of one colour posts once that it shows
}

// implied is the evidence that the steps bring with them and the scenario does not name.
func (s Scenario) implied() []Evidence {
	want, ok := pageEvidence[s.Stage]
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
