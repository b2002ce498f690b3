package console

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"rundown/devices"
	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/figure"
)

// thin is the narrow space between a number and its unit.
const thin = "\u202f"

// quantity is a number with its unit, set small.
func quantity(value any, unit string) template.HTML {
	return template.HTML(fmt.Sprintf("%s%s<small>%s</small>", template.HTMLEscapeString(fmt.Sprint(value)), thin, template.HTMLEscapeString(unit)))
}

func clock(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Local().Format("15:04")
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// age is an instant that the page counts up from.
func age(now, t time.Time) template.HTML {
	if t.IsZero() {
		return ""
	}
	return template.HTML(fmt.Sprintf(`<time datetime="%s" data-age>%s ago</time>`, stamp(t), duration(now.Sub(t))))
}

// duration is a length of time as people say it: 6 s, 19 min, 2 h 04 min.
func duration(d time.Duration) string {
	switch d = max(0, d); {
	case d < 100*time.Second:
		return fmt.Sprintf("%d%ss", int(d.Round(time.Second).Seconds()), thin)
	case d < 100*time.Minute:
		return fmt.Sprintf("%d%smin", int(d.Round(time.Minute).Minutes()), thin)
	case d < 48*time.Hour:
		m := int(d.Round(time.Minute).Minutes())
		return fmt.Sprintf("%d%sh %02d%smin", m/60, thin, m%60, thin)
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// number writes small counts as words, as a sentence has them.
func number(n int) string {
	words := []string{"none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}
	if n >= 0 && n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n)
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// names joins names as a sentence does.
func names(list []string) string {
	switch n := len(list); n {
	case 0:
		return ""
	case 1:
		return list[0]
	default:
		return strings.Join(list[:n-1], ", ") + " and " + list[n-1]
	}
}

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
}

// A health says whether a handset needs somebody, in the order of every screen.
type health int

const (
	needsHand health = iota
	toWatch
	isWell
)

func (s health) Word() string { return [...]string{"Needs a hand", "Watch", "Well"}[s] }

// Mark is the symbol beside the word.
func (s health) Mark() string { return [...]string{"mh", "mw", "mo"}[s] }

// A condition is how a handset stands and, where it is not well, what happened, what to do and
// what then happens by itself.
type condition struct {
	Stands  health
	Problem string
	Press   *undo // the one button of a problem
	Link    string
	LinkTo  string
}

// judge says how a handset stands.
func judge(h orchestrator.HandsetStatus, late time.Duration, by time.Time) condition {
	c := judgeRun(h, late, by)
	if len(h.NeedsHand) == 0 {
		return c
	}
	text := capital(strings.Join(h.NeedsHand, ". ")) + "."
	if c.Stands == needsHand {
		text = c.Problem + " " + text
	}
	c.Stands, c.Problem = needsHand, text
	return c
}

// judgeRun does so as far as its run and its link go.
func judgeRun(h orchestrator.HandsetStatus, late time.Duration, by time.Time) condition {
	state := orchestrator.State(h.State)
	running := h.Run != "" && state != orchestrator.Done && state != orchestrator.Stopped
	again := "/before?handset=" + Escape(h.Name)
	switch {
	case h.SetAside != nil:
		return condition{
			Stands: needsHand, Problem: fmt.Sprintf("Set aside since %s: %s. Look at the handset. Once it is released, what is queued for it begins by itself.", clock(h.SetAside.Since), h.SetAside.Reason),
			Press: &undo{Action: "/bench/" + Escape(h.Name) + "/release", Label: "Release " + h.Name},
		}
	case h.HeldBy != nil && !running && h.Link == "ready":
		return condition{
			Stands: toWatch, Problem: fmt.Sprintf("Held by %s. What is queued for it here begins once it is given back. Taking it over ends what runs there.", h.HeldBy),
			Press: &undo{Action: "/bench/" + Escape(h.Name) + "/take-over", Label: "Take " + h.Name + " over"},
		}
	case state == orchestrator.Stopped:
		text := "The run was stopped"
		if h.Problem != "" {
			text += ": " + h.Problem
		}
		if strings.HasPrefix(h.Problem, "cancelled") {
			return condition{Stands: isWell}
		}
		return condition{Stands: needsHand, Problem: text + ". Mend that, then queue it again.", Link: "See what is unmet", LinkTo: again}
	case h.Link != "ready" || running && !h.LinkLostAt.IsZero():
		return judgeLink(h, running)
	case h.Problem != "":
		return condition{Stands: needsHand, Problem: capital(h.Problem) + "."}
	case late > 0:
		return condition{Stands: toWatch, Problem: fmt.Sprintf("By its pace it would end %s after %s. What cannot end in time is not begun.", duration(late), clock(by))}
	case strings.HasPrefix(h.WaitsFor, "battery to cool"):
		return condition{Stands: toWatch, Problem: "The battery is too warm to charge. Charging goes on by itself when it has cooled."}
	}
	return condition{Stands: isWell}
}

// judgeLink says how a handset stands that cannot be reached.
func judgeLink(h orchestrator.HandsetStatus, running bool) condition {
	state := orchestrator.State(h.State)
	text := capital(h.Link)
	if running {
		text = "The link is lost"
	}
	if h.Advice != "" {
		text += ": " + h.Advice
	}
	switch {
	case h.Link == orchestrator.LinkNotLooked:
		return condition{Stands: toWatch, Problem: "Not looked yet: the daemon has only begun."}
	case running && !h.LinkLostAt.IsZero() && (state.Measures() || state == orchestrator.Settling):
		return condition{Stands: toWatch, Problem: fmt.Sprintf("Nothing to do yet: the handset measures by itself, and its files are fetched when it is back. Look at its link if it is still lost at %s.", clock(h.LinkLostAt.Add(orchestrator.LinkLostLong)))}
	case running:
		return condition{Stands: needsHand, Problem: text + ". The run goes on by itself once the handset is seen again."}
	}
	return condition{Stands: toWatch, Problem: text + "."}
}

// stateWords is the state of a handset in the words of the house.
func stateWords(h orchestrator.HandsetStatus) string {
	state := orchestrator.State(h.State)
	switch {
	case h.SetAside != nil:
		return "Set aside"
	case h.HeldBy != nil && h.Idles() && h.Link == "ready":
		return "Held by another daemon"
	case h.Unwanted != nil && h.Idles():
		return "Power that should not be"
	case h.OnCharge != "":
		return capital(h.OnCharge)
	case h.State == "":
		if h.Link != "ready" {
			return capital(h.Link)
		}
		return "Idle"
	case state == orchestrator.Stopped && strings.HasPrefix(h.Problem, "cancelled"):
		return "Stopped: cancelled"
	case state == orchestrator.Stopped:
		return "Stopped: " + short(h.Problem)
	case !h.LinkLostAt.IsZero() && (state.Measures() || state == orchestrator.Settling):
		return "Link lost, goes on alone"
	case !h.LinkLostAt.IsZero():
		return "Link lost"
	case state == orchestrator.Recharging && strings.HasPrefix(h.WaitsFor, "battery to cool"):
		return "Recharging, waits for the battery to cool"
	}
	return capital(orchestrator.StateSays(state, ""))
}

// short is the first part of a reason, for where there is little room.
func short(reason string) string {
	for _, end := range []string{": ", "; ", ", ", " ("} {
		if i := strings.Index(reason, end); i > 0 && i < 40 {
			reason = reason[:i]
		}
	}
	if r := []rune(reason); len(r) > 40 {
		reason = string(r[:38]) + "…"
	}
	return reason
}

// broken reports whether a segment was begun and gives no figure.
func broken(g results.Segment) bool {
	return g.Outcome == results.Spoiled || g.Outcome == results.Cancelled
}

// outcomeWords say what became of a segment; nothing where it went as it should.
func outcomeWords(g results.Segment) string {
	switch g.Outcome {
	case results.Spoiled:
		return "spoiled " + clock(g.EndedAt) + ": " + g.Reason
	case results.Cancelled:
		return g.Reason
	case results.Flagged:
		return "flagged: " + g.Reason
	case results.Skipped:
		return "not begun: " + g.Reason
	case results.Underway:
		return "under way"
	}
	return g.Reason
}

// preconditionName is a precondition's name for people.
func preconditionName(name string) string {
	special := map[string]string{"wifi": "Wi-Fi", "wifi_signal": "Wi-Fi signal", "nfc": "NFC", "real_readings": "Readings are the phone's own", "link": "Link"}
	if s, ok := special[name]; ok {
		return s
	}
	return capital(strings.ReplaceAll(name, "_", " "))
}

func hoursOf(h float64) string { return strconv.FormatFloat(h, 'f', 1, 64) }

// half is the half width of an interval, % of its value.
func half(i figure.Interval) float64 {
	if i.Value <= 0 {
		return 0
	}
	return 100 * (i.High - i.Low) / 2 / i.Value
}

func pct(v float64) string { return strconv.FormatFloat(math.Abs(v), 'f', 1, 64) }

// statusOf is the status with which an error is answered.
func statusOf(err error) (int, string) {
	switch {
	case errors.Is(err, results.ErrNotFound), errors.Is(err, orchestrator.ErrNoItem), errors.Is(err, orchestrator.ErrNoPrompt):
		return http.StatusNotFound, "Not here"
	case errors.Is(err, orchestrator.ErrRequest):
		return http.StatusUnprocessableEntity, "Not possible as asked"
	case errors.Is(err, orchestrator.ErrNotNow):
		return http.StatusConflict, "Not possible now"
	case errors.Is(err, orchestrator.ErrNotLooked):
		return http.StatusServiceUnavailable, "Not looked yet"
	case errors.Is(err, devices.ErrNoHandset), errors.Is(err, devices.ErrOffline), errors.Is(err, devices.ErrNoServer), errors.Is(err, devices.ErrLinkLost), errors.Is(err, devices.ErrUnauthorised), errors.Is(err, devices.ErrNoPermission), errors.Is(err, devices.ErrTimeout):
		return http.StatusBadGateway, "The handset does not answer"
	}
	return http.StatusInternalServerError, "The daemon could not do this"
}
