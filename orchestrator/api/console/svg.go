package console

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"

	"rundown/orchestrator/api/forecast"
)

// An axis is a stretch of time that runs from left to right. Its width is 1000 units of
// a drawing, and 100 % of what stands beside it unstretched.
type axis struct{ from, to time.Time }

const wide = 1000

// x is where an instant lies, in units.
func (a axis) x(t time.Time) float64 {
	span := a.to.Sub(a.from).Seconds()
	if span <= 0 {
		return 0
	}
	return wide * t.Sub(a.from).Seconds() / span
}

// at is where an instant lies, %, for what is not stretched.
func (a axis) at(t time.Time) string { return num(a.x(t)/wide*100) + "%" }

func (a axis) share(from, to time.Time) float64 { return (a.x(to) - a.x(from)) / wide * 100 }

func (a axis) holds(t time.Time) bool { return !t.Before(a.from) && !t.After(a.to) }

func (a axis) clip(t time.Time) time.Time {
	if t.Before(a.from) {
		return a.from
	}
	if t.After(a.to) {
		return a.to
	}
	return t
}

// A tick is one line of the axis with its time.
type tick struct {
	At    time.Time
	Text  string
	Small bool // left out where there is little room
}

// ticks are round times on the axis, at most about a dozen.
func (a axis) ticks() []tick {
	step := time.Minute
	for _, s := range []time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 48 * time.Hour} {
		step = s
		if a.to.Sub(a.from)/s <= 12 {
			break
		}
	}
	var list []tick
	from := a.from.Local()
	midnight := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, from.Location())
	t := midnight.Add(from.Sub(midnight).Truncate(step))
	for i := 0; !t.After(a.to); t, i = t.Add(step), i+1 {
		if t.Before(a.from) {
			continue
		}
		text := t.Format("15:04")
		if step >= 24*time.Hour {
			text = t.Format("2 Jan")
		}
		list = append(list, tick{t, text, len(list)%2 == 1})
	}
	return list
}

// num is a coordinate without more digits than can be seen.
func num(v float64) string {
	s := strconv.FormatFloat(math.Round(v*10)/10, 'f', 1, 64)
	return strings.TrimSuffix(s, ".0")
}

// lines are a path's hour lines over the full height.
func (a axis) lines() string {
	var b strings.Builder
	for _, t := range a.ticks() {
		fmt.Fprintf(&b, "M%s 0V100", num(a.x(t.At)))
	}
	return b.String()
}

// header is the row of times above or below lanes; now is written where it falls.
func (a axis) header(now time.Time, y int) template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="axis" height="22" aria-hidden="true">`)
	marked := a.holds(now) && !now.IsZero()
	for _, t := range a.ticks() {
		x := a.x(t.At)
		if marked && math.Abs(x-a.x(now)) < 75 {
			continue
		}
		class, anchor := "t2", "middle"
		switch {
		case x < 20:
			anchor = "start"
		case x > wide-20:
			anchor = "end"
		}
		if t.Small || marked && math.Abs(x-a.x(now)) < 180 {
			class += " wd"
		}
		fmt.Fprintf(&b, `<text class="%s" x="%s" y="%d" text-anchor="%s">%s</text>`, class, a.at(t.At), y, anchor, t.Text)
	}
	if marked {
		anchor := "middle"
		if a.x(now) > wide-60 {
			anchor = "end"
		} else if a.x(now) < 60 {
			anchor = "start"
		}
		fmt.Fprintf(&b, `<text class="nowt" x="%s" y="%d" text-anchor="%s">now %s</text>`, a.at(now), y, anchor, clock(now))
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
}

// ends writes only where the axis begins and ends, for where there is little room.
func (a axis) ends() template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="axis" height="18" aria-hidden="true"><text class="t2" x="0" y="12">%s</text><text class="t2" x="100%%" y="12" text-anchor="end">%s</text></svg>`, clock(a.from), clock(a.to)))
}

// A scale is a range of values that runs from bottom to top, 100 units high.
type scale struct{ low, high float64 }

func (s scale) y(v float64) float64 {
	return math.Max(-2, math.Min(102, 100*(1-(v-s.low)/(s.high-s.low))))
}

// levelAt is the level at an instant, between two known ones on a straight line.
func levelAt(list []forecast.Level, t time.Time) (float64, bool) {
	for i, l := range list {
		if l.At.Before(t) {
			continue
		}
		if i == 0 {
			return l.Pct, l.At.Equal(t)
		}
		before := list[i-1]
		span := l.At.Sub(before.At).Seconds()
		if span <= 0 {
			return l.Pct, true
		}
		return before.Pct + (l.Pct-before.Pct)*t.Sub(before.At).Seconds()/span, true
	}
	if n := len(list); n > 0 {
		return list[n-1].Pct, false
	}
	return 0, false
}

// between is the curve from one instant to another, ends included.
func between(list []forecast.Level, from, to time.Time) []forecast.Level {
	var out []forecast.Level
	if l, ok := levelAt(list, from); ok || len(list) > 0 {
		out = append(out, forecast.Level{At: from, Pct: l})
	}
	for _, l := range list {
		if l.At.After(from) && l.At.Before(to) {
			out = append(out, l)
		}
	}
	if l, ok := levelAt(list, to); ok || len(list) > 0 {
		out = append(out, forecast.Level{At: to, Pct: l})
	}
	return out
}

// line is a curve as a path.
func line(a axis, s scale, list []forecast.Level) string {
	var b strings.Builder
	for i, l := range list {
		c := "L"
		if i == 0 {
			c = "M"
		}
		fmt.Fprintf(&b, "%s%s %s", c, num(a.x(l.At)), num(s.y(l.Pct)))
	}
	return b.String()
}

// area is a curve with what lies under it.
func area(a axis, s scale, list []forecast.Level) string {
	if len(list) < 2 {
		return ""
	}
	return line(a, s, list) + fmt.Sprintf("V100H%sZ", num(a.x(list[0].At)))
}

// stairs is a curve as the handset reported it: the level holds until the next edge.
func stairs(a axis, s scale, list []forecast.Level) string {
	var b strings.Builder
	for i, l := range list {
		if i == 0 {
			fmt.Fprintf(&b, "M%s %s", num(a.x(l.At)), num(s.y(l.Pct)))
			continue
		}
		fmt.Fprintf(&b, "H%sV%s", num(a.x(l.At)), num(s.y(l.Pct)))
	}
	return b.String()
}

func attr(s string) string { return template.HTMLEscapeString(s) }

// firstLetter sets a name so that a narrow screen shows its first letter only.
func firstLetter(name string) string {
	r := []rune(name)
	return attr(string(r[:1])) + "<tspan>" + attr(string(r[1:])) + "</tspan>"
}
