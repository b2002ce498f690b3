package accuracy

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
)

// The goals of charges and cycles on few of them, with a tenth and, for shares, a few of slack.
func TestGoalsOfChargesAndCycles(t *testing.T) {
	for _, every := range []float64{1, 5} {
		c := Charges(8, 60, every)
		t.Logf("every %.0f s: %+v", every, c)
		if c.Refused > 0 || c.From20To80.P95 > 2.2 || c.Peak.P95 > 2.1 || c.Energy.P95 > 0.44 || c.TaperWithinMinute < 90 {
			t.Errorf("charges, a sample every %.0f s: %+v; goals 20 to 80 %% 2.0, peak 1.8, energy 0.4, taper within a minute in 95 %%", every, c)
		}
	}
	for _, flat := range []bool{false, true} {
		c, limit := Cycles(8, 600, flat), 2.8
		if flat {
			limit = 1.3
		}
		if c.Refused > 0 || c.Settled.P95 > 1.21 || c.Retention.P95 > 1.1*limit || c.Retention.Cover < 91 || c.Retention.Cover > 99 || c.FalseOnsets > 1.5 || c.OnsetWithinOne < 93 {
			t.Errorf("cycles, flat %v: %+v", flat, c)
		}
	}
}

// A goal that is missed is said so, in the table and below it; numbers without a goal stand alone.
func TestMissedIsSaid(t *testing.T) {
	r := Report{
		Rows: []Row{
			{Class: "fine", Estimator: Fused, Hours: Stat{P95: 3.4, Cover: 95, N: 9}, Rate: Stat{P95: 1, Cover: 96, N: 9}, Watts: Stat{P95: 2, Cover: 95, N: 9}},
			{Class: "fine", Estimator: LevelOnly, Hours: Stat{P95: 9, Cover: 50, N: 9}, Rate: Stat{P95: 9, Cover: 50, N: 9}},
		},
		Checks: []Check{check("a goal that is met", "%", 1, 0, 2), check("a goal that is not", "%", 3, 0, 2)},
	}
	for _, markdown := range []bool{false, true} {
		var b bytes.Buffer
		if err := Print(&b, r, markdown); err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{"3.40 (2.7, missed)", "1.00 (1.1)", "Missed (2):", "- fine, with learned charge: 95 % error of hours is 3.40, wanted 2.7 at most", "- a goal that is not: 3.00 %, wanted 2 at most"} {
			if !strings.Contains(b.String(), want) {
				t.Errorf("no %q in\n%s", want, &b)
			}
		}
		if strings.Contains(b.String(), "9.00 (") {
			t.Errorf("a number without a goal is judged:\n%s", &b)
		}
	}
	if _, err := json.Marshal(Table(Conditions{PerClass: 1})); err != nil {
		t.Errorf("the table as JSON: %v", err)
	}
}
