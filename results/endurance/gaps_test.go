package endurance

import (
	"strings"
	"testing"
	"time"
)

// Samples a minute apart of which some are lost give a figure; a stretch without any, where they come every ten
// seconds, does not.
func TestLostSamples(t *testing.T) {
	in := uniform()
	var few []Sample
	for i := 0; i < len(in.Samples); i += 6 {
		if i/6%9 != 4 && i/6%9 != 5 { // three minutes apart where two are lost
			few = append(few, in.Samples[i])
		}
	}
	in.Samples = few
	f, err := Estimate(in)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := Estimate(uniform())
	if err != nil {
		t.Fatal(err)
	}
	if f.RatePctH.HalfWidth() < whole.RatePctH.HalfWidth() || f.RatePctH.Low > whole.RatePctH.Value || f.RatePctH.High < whole.RatePctH.Value {
		t.Errorf("with samples lost %+v, with all %+v", f.RatePctH, whole.RatePctH)
	}
	for _, w := range f.Warnings {
		if strings.Contains(w, "without a sample") {
			t.Errorf("a usual spacing is warned of: %s", w)
		}
	}
}

// A clock that was set forward in the window looks like samples that are missing, and is said with what it does; where
// a counter shows that as much was drawn as in so long a time elsewhere, samples were missing and no more.
func TestClockSetForward(t *testing.T) {
	for _, tt := range []struct {
		name    string
		counter bool
		missing bool // samples are missing, and no clock was set
		want    string
	}{
		{"level alone", false, false, "if a clock was set forward there, hours are"},
		{"with a counter", true, false, "the charge counter shows little drawn"},
		{"samples missing, with a counter", true, true, ""},
		{"samples missing, level alone", false, true, "if a clock was set forward there, hours are"},
	} {
		in := uniform()
		var list []Sample
		for i, s := range in.Samples {
			if tt.missing && i > 150 && i < 167 {
				continue
			}
			if i > 150 && !tt.missing {
				s.T += 150 * time.Second
			}
			if !tt.counter {
				s.Counter, s.Current = nil, nil
			}
			list = append(list, s)
		}
		in.Samples = list
		f, err := Estimate(in)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		said := ""
		for _, w := range f.Warnings {
			if strings.Contains(w, "without a sample") {
				said += w
			}
		}
		if tt.want == "" && said != "" || !strings.Contains(said, tt.want) {
			t.Errorf("%s: said %q, want %q", tt.name, said, tt.want)
		}
	}
}
