package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"rundown/devices"
	"rundown/devices/preconditions"
	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/results"
	"rundown/results/figure"
	"rundown/results/reading"
)

// printJSON writes v for machines.
func (e *env) printJSON(v any) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return err
	}
	_, err := e.out.Write(plainJSON(b.Bytes()))
	return err
}

// plainJSON escapes what JSON allows in a string and a terminal would act on or not show, such as the names of a foreign
// file: the values stay the same.
func plainJSON(b []byte) []byte {
	if !bytes.ContainsFunc(b, acts) {
		return b
	}
	out := make([]byte, 0, len(b)+64)
	for _, r := range string(b) {
		switch {
		case !acts(r):
			out = utf8.AppendRune(out, r)
		case r > 0xffff:
			high, low := utf16.EncodeRune(r)
			out = fmt.Appendf(out, `\u%04x\u%04x`, high, low)
		default:
			out = fmt.Appendf(out, `\u%04x`, r)
		}
	}
	return out
}

func acts(r rune) bool { return r != '\n' && !strconv.IsPrint(r) }

// table writes rows aligned, the first one as the head.
func table(w io.Writer, rows ...[]string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.TrimRight(strings.Join(r, "\t"), "\t "))
	}
	_ = t.Flush()
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func clockTime(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Local().Format("15:04")
}

func dateTime(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return devices.At(t)
}

func celsius(c *float64) string {
	if c == nil {
		return "-"
	}
	return fmt.Sprintf("%.1f °C", *c)
}

// hours prints a figure with its interval: "11.2 (10.8 to 11.6)".
func hours(i figure.Interval) string {
	if i.Value <= 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f (%.1f to %.1f)", i.Value, i.Low, i.High)
}

// doing says in a few words what a handset is at.
func doing(s orchestrator.HandsetStatus) string {
	var parts []string
	says := orchestrator.StateSays(orchestrator.State(s.State), s.Scenario)
	switch {
	case s.HeldBy != nil && s.Idles():
		return "held by another daemon"
	case s.Unwanted != nil && s.Idles():
		return "waits for its power (" + s.Unwanted.Sources + ") to be gone"
	case s.OnCharge != "":
		return s.OnCharge + " (" + s.Power + ")"
	case s.State == "" && s.WaitsFor != "":
		return "waits for " + s.WaitsFor
	case s.State == "" && s.Parking != nil: // its run was before the daemon's start
		return s.Parking.Say(s.LevelPct)
	case s.State == "":
		return "-"
	case s.Problem != "":
		parts = append(parts, says+": "+s.Problem)
	case s.Progress != "" && measures(s):
		parts = append(parts, says+", "+s.Progress)
	default:
		parts = append(parts, says)
	}
	if !s.LinkLostAt.IsZero() {
		parts = append(parts, "link lost at "+clockTime(s.LinkLostAt))
	}
	if s.Parking != nil && s.Idles() {
		parts = append(parts, s.Parking.Say(s.LevelPct))
	}
	if s.RatePctH > 0 {
		parts = append(parts, fmt.Sprintf("%.1f %%/h", s.RatePctH))
	}
	if !s.EvidenceAt.IsZero() && measures(s) {
		parts = append(parts, "evidence at "+clockTime(s.EvidenceAt))
	}
	if !s.NextLook.IsZero() {
		parts = append(parts, "asleep; next look at "+clockTime(s.NextLook))
	}
	if s.WaitsFor != "" {
		parts = append(parts, "waits for "+s.WaitsFor)
	}
	return strings.Join(parts, ", ")
}

// measures reports whether a segment is being measured on a handset.
func measures(s orchestrator.HandsetStatus) bool { return orchestrator.State(s.State).Measures() }

// ago says how old a reading is.
func ago(seconds float64) string {
	switch age := time.Duration(seconds * float64(time.Second)); {
	case age < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", age.Seconds())
	case age < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", age.Minutes())
	case age < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", age.Hours())
	default:
		return fmt.Sprintf("%.0f days ago", age.Hours()/24)
	}
}

func printHandsets(w io.Writer, list []orchestrator.HandsetStatus) {
	rows := [][]string{{"HANDSET", "SERIAL", "LINK", "LEVEL, READ", "BATTERY", "DOING", "EXPECTED END"}}
	for _, s := range list {
		name, level := s.Name, "-"
		if !s.OnBench {
			name = "(not in the plan file)"
		}
		if !s.ReadAt.IsZero() {
			level = fmt.Sprintf("%d %%", s.LevelPct)
		}
		if s.ReadAgeS != nil {
			level += ", " + ago(*s.ReadAgeS)
		}
		rows = append(rows, []string{name, s.Serial, s.Link, level, celsius(s.TempC), doing(s), clockTime(s.ExpectedEnd)})
	}
	table(w, rows...)
	for _, s := range list {
		if s.Advice != "" {
			fmt.Fprintf(w, "%s (%s): %s\n", dash(s.Name), s.Serial, s.Advice)
		}
		if s.HeldBy != nil {
			fmt.Fprintf(w, "%s is held by %s: wait until it is given back, or take it over: rundown take-over %s\n", s.Name, s.HeldBy, s.Name)
		}
		for _, need := range s.NeedsHand {
			fmt.Fprintf(w, "%s needs a hand: %s\n", s.Name, need)
		}
		if s.Owed != nil && s.Owed.Tries == 0 { // else it needs a hand
			fmt.Fprintf(w, "%s: settings are %s\n", s.Name, s.Owed.Say(s.Name))
		}
	}
}

func printReport(w io.Writer, r preconditions.Report) {
	id := r.Identity
	fmt.Fprintf(w, "%s: %s, Android %s, build %s, security patch %s\n", r.Handset, dash(id.Model), dash(id.AndroidVersion), dash(id.Build), dash(id.SecurityPatch))
	rows := [][]string{{"PRECONDITION", "WANTED", "FOUND", "VERDICT", "REQUIRED"}}
	for _, l := range r.Lines {
		required := "no"
		if l.Required {
			required = "yes"
		}
		verdict := string(l.Verdict)
		if l.Verdict == preconditions.NotMet && l.WillSet {
			verdict += ", will be set"
		}
		rows = append(rows, []string{l.Name, dash(l.Wanted), dash(l.Found), verdict, required})
	}
	table(w, rows...)
	var sets []string
	var byHand []preconditions.Line
	for _, l := range r.Unmet() {
		if l.WillSet && l.Verdict == preconditions.NotMet {
			sets = append(sets, l.Name)
		} else {
			byHand = append(byHand, l)
		}
	}
	if len(sets)+len(byHand) == 0 {
		fmt.Fprintln(w, "All required preconditions are met.")
	}
	if len(sets) > 0 {
		fmt.Fprintf(w, "Required and not met, set before a run (or now, with --apply): %s.\n", strings.Join(sets, ", "))
	}
	if len(byHand) > 0 {
		fmt.Fprintln(w, "Required and not met, for you to mend:")
		for _, l := range byHand {
			fmt.Fprintf(w, "  %s: %s\n", l.Name, dash(l.Mend))
		}
	}
	fmt.Fprintln(w, safety)
}

// safety stands wherever somebody is about to leave handsets alone.
const safety = `Before you leave: lithium cells that charge or drain unwatched can catch fire. Never queue a swollen, hot or
damaged handset; follow the maker's instructions, the building's fire rules and licensed practice.`

func printQueue(w io.Writer, list []api.Item) {
	rows := [][]string{{"ITEM", "HANDSET", "PLAN", "STATE", "QUEUED", "FINISH BY", "RUN", "OUTCOME"}}
	for _, it := range list {
		state := string(it.State)
		if it.Paused {
			state += ", paused"
		}
		rows = append(rows, []string{it.ID, it.Handset, it.Plan, state, dateTime(it.QueuedAt), dateTime(it.FinishBy), dash(it.RunID), dash(it.Outcome)})
	}
	table(w, rows...)
}

func printRuns(w io.Writer, list []results.Run) {
	rows := [][]string{{"RUN", "HANDSET", "PLAN", "STARTED", "ENDED", "STATE", "REASON"}}
	for _, r := range list {
		state := r.State
		if r.Imported != nil {
			state = "imported"
		}
		rows = append(rows, []string{r.ID, r.Handset.Name, dash(r.Plan), dateTime(r.StartedAt), dateTime(r.EndedAt), state, dash(r.Reason)})
	}
	table(w, rows...)
}

func printRun(w io.Writer, r api.RunDetail) {
	h := r.Run.Handset
	fmt.Fprintf(w, "Run %s: %s on %s (%s, Android %s)\n%s, started %s, ended %s %s\n\n", r.Run.ID, dash(r.Run.Plan), h.Name, dash(h.Model), dash(h.AndroidVersion),
		r.Run.State, dateTime(r.Run.StartedAt), dateTime(r.Run.EndedAt), r.Run.Reason)
	if i := r.Run.Imported; i != nil {
		fmt.Fprintf(w, "Imported as %s from %s (SHA-256 %.12s…) at %s by %s; not measured by rundown\n\n", i.As, i.File, i.SHA256, dateTime(i.At), dash(i.By))
	}
	rows := [][]string{{"SEGMENT", "SCENARIO", "ATTEMPT", "OUTCOME", "POINTS", "SHARE", "SAMPLES", "REASON"}}
	for _, g := range r.Segments {
		rows = append(rows, []string{g.ID, g.Scenario, fmt.Sprint(g.Attempt), g.Outcome, g.Progress(), share(g.ActivityPct), fmt.Sprint(g.Samples), dash(g.Reason)})
	}
	table(w, rows...)
	fmt.Fprintln(w)
	printFigures(w, r.Figures)
	printCharges(w, r.Charges)
	printSustained(w, r.Sustained)
	for _, g := range r.Segments {
		if said := g.ActivitySays(); said != "" {
			fmt.Fprintf(w, "seen in %s: %s\n", g.ID, said)
		}
		for _, o := range g.Outages {
			fmt.Fprintf(w, "%s lost in %s from %s for %s: %s\n", o.What, g.ID, clockTime(o.From), devices.Lasting(o.Lasted(g.EndedAt).Round(time.Second)), dash(o.Why))
		}
		for _, d := range g.Drift {
			fmt.Fprintf(w, "drift in %s at %s: %s wanted %s, found %s\n", g.ID, clockTime(d.At), d.Name, d.Wanted, d.Found)
		}
		for _, n := range g.Notes {
			fmt.Fprintf(w, "note on %s at %s: %s\n", g.ID, clockTime(n.At), n.Text)
		}
	}
	for _, p := range r.Prompts {
		fmt.Fprintf(w, "asked at %s: %s: %s\n", clockTime(p.OpenedAt), p.Text, promptAnswer(p))
	}
	for _, n := range r.Run.Notes {
		fmt.Fprintf(w, "note at %s: %s\n", clockTime(n.At), n.Text)
	}
	for _, a := range r.Annotations {
		fmt.Fprintf(w, "annotation %s at %s by %s: %s\n", a.ID, dateTime(a.At), a.By, a.Text)
	}
}

// share is the share of the activity in what was measured.
func share(pct *float64) string {
	if pct == nil {
		return "-"
	}
	return fmt.Sprintf("%.1f %%", *pct)
}

func printFigures(w io.Writer, list []reading.ScenarioFigure) {
	rows := [][]string{{"HANDSET", "SCENARIO", "HOURS (95 %)", "%/h (95 %)", "H PER WH", "POINTS", "KEPT", "SPOILED", "NOTE"}}
	for _, f := range list {
		rate, perWh, note := "-", "-", f.Reason
		for _, one := range f.Each {
			if one.RatePctH.Value > 0 {
				rate = hours(one.RatePctH)
			}
		}
		if f.HoursPerWh > 0 {
			perWh = fmt.Sprintf("%.2f", f.HoursPerWh)
		}
		if f.Imported {
			note = strings.TrimSuffix("imported; "+note, "; ")
		}
		if !f.Agree {
			note = "repeats lie further apart than chance explains"
		}
		rows = append(rows, []string{f.Handset, f.Scenario, hours(f.Hours), rate, perWh, fmt.Sprint(f.Points), fmt.Sprint(f.Kept), fmt.Sprint(f.Spoiled), dash(note)})
	}
	table(w, rows...)
	said := map[string]bool{}
	for _, f := range list {
		for _, one := range f.Each {
			if one.Learned != "" && !said[f.Handset+one.Learned] {
				said[f.Handset+one.Learned] = true
				fmt.Fprintf(w, "%s: %s\n", f.Handset, one.Learned)
			}
			for _, note := range one.Warnings {
				if !said[f.Handset+note] {
					said[f.Handset+note] = true
					fmt.Fprintf(w, "note on %s: %s\n", f.Handset, note)
				}
			}
			for _, a := range one.Assumptions {
				if !said[a] {
					said[a] = true
					fmt.Fprintf(w, "assumed: %s\n", a)
				}
			}
		}
	}
}
