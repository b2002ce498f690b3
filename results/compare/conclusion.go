package compare

import (
	"fmt"
	"strings"
)

// Heading is the answer in a sentence: "Against Alder, Rowan lasts longer in all but video;
// Cedar and Larch last shorter".
func (c Comparison) Heading() string {
	if c.Reference == "" {
		shown := 0
		for _, r := range c.Ratios {
			if r.Shown {
				shown++
			}
		}
		return fmt.Sprintf("%d of %d differences are shown", shown, c.Tested)
	}
	type tally struct{ longer, shorter, open, out []string }
	sides := map[string]*tally{}
	var order []string
	for _, r := range c.Ratios {
		t := sides[r.Side]
		if t == nil {
			t = &tally{}
			sides[r.Side] = t
			order = append(order, r.Side)
		}
		switch {
		case r.LeftOut != "":
			t.out = append(t.out, r.Scenario)
		case !r.Shown:
			t.open = append(t.open, r.Scenario)
		case r.Ratio.Value > 1:
			t.longer = append(t.longer, r.Scenario)
		default:
			t.shorter = append(t.shorter, r.Scenario)
		}
	}
	// Sides of which the same is to be said stand together.
	said := map[string][]string{}
	var sayings []string
	for _, name := range order {
		t := sides[name]
		tested := len(t.longer) + len(t.shorter) + len(t.open)
		var s string
		switch {
		case tested == 0:
			s = "% not compared"
		case len(t.longer) == 0 && len(t.shorter) == 0:
			s = "% shown to differ"
		case len(t.shorter) == 0:
			s = "# longer" + inWhich(t.longer, t.open)
		case len(t.longer) == 0:
			s = "# shorter" + inWhich(t.shorter, t.open)
		default:
			s = "# longer in " + list(t.longer) + " and shorter in " + list(t.shorter)
		}
		if said[s] == nil {
			sayings = append(sayings, s)
		}
		said[s] = append(said[s], name)
	}
	var sentences []string
	for _, s := range sayings {
		names := said[s]
		several := len(names) > 1
		verb, is := map[bool]string{true: "last", false: "lasts"}[several], map[bool]string{true: "are", false: "is"}[several]
		s = strings.Replace(s, "#", verb, 1)
		s = strings.Replace(s, "% not", is+" not", 1)
		s = strings.Replace(s, "% shown", is+" not shown", 1)
		sentences = append(sentences, list(names)+" "+s)
	}
	return "Against " + c.Reference + ", " + strings.Join(sentences, "; ")
}

func inWhich(shown, open []string) string {
	switch {
	case len(open) == 0:
		return ""
	case len(open) <= 2 && len(shown) > len(open):
		return " in all but " + list(open)
	}
	return " in " + list(shown)
}

// list is "a", "a and b", "a, b and c".
func list(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
