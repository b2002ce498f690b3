package console

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"rundown/orchestrator/api/forecast"
	"rundown/results"
)

// A lane is one handset's night: blocks as they happened and as they are expected, the
// level drawn inside, on the axis and the level scale of all lanes.
type lane struct {
	axis     axis
	now      time.Time // zero: the night is over
	floor    float64   // level limit of the plan, %
	levels   []forecast.Level
	shapes   []forecast.Shape
	figures  map[string]string // by segment: its endurance in words
	forecast *forecast.Forecast
	end      time.Time // of the window; zero: none
	lost     time.Time // the link
	label    string    // the lane as a sentence
}

// The lane's measures in px: a strip for ticks and reasons, and the drawing below it.
const (
	laneStrip  = 16
	laneHeight = 55
)

func (l lane) draw() template.HTML {
	a, s := l.axis, scale{l.floor, 100}
	var under, hatch, over, words strings.Builder
	stretched := func(b *strings.Builder, inner string) {
		fmt.Fprintf(b, `<svg y="%d" height="%d" viewBox="0 0 %d 100" preserveAspectRatio="none">%s</svg>`, laneStrip, laneHeight, wide, inner)
	}
	var in strings.Builder
	fmt.Fprintf(&in, `<path class="g" d="%s"/>`, a.lines())
	if !l.end.IsZero() && a.holds(l.end) {
		fmt.Fprintf(&in, `<path class="end" d="M%s 0V100"/>`, num(a.x(l.end)))
	}
	in.WriteString(l.rests(s))
	strip := 0.0 // to where the strip is written on, % of the axis
	for _, g := range l.shapes {
		if g.Outcome == results.Skipped {
			continue
		}
		tip := attr(l.tip(g))
		class, from, to := "d", g.StartEdge, g.StopEdge
		if broken(g.Segment) {
			class, to = "x", g.Ended
			if from.IsZero() {
				from = g.StartedAt
			}
		}
		if g.Outcome == results.Underway && len(g.Levels) > 0 && !from.IsZero() {
			to = g.Levels[len(g.Levels)-1].At
		}
		if from.IsZero() || !to.After(a.from) || !from.Before(a.to) {
			continue
		}
		from, to = a.clip(from), a.clip(to)
		fmt.Fprintf(&in, `<path class="%s blk" data-tip="%s" d="%s"><title>%s</title></path>`, class, tip, area(a, s, between(l.levels, from, to)), tip)
		words.WriteString(blockName(a, g.Scenario, from, to, ""))
		if class == "x" {
			fmt.Fprintf(&hatch, `<rect x="%s" y="%d" width="%s%%" height="%d" fill="url(#cut)"/>`, a.at(from), laneStrip, num(a.share(from, to)), laneHeight)
			fmt.Fprintf(&over, `<line class="sp" x1="%[1]s" x2="%[1]s" y1="2" y2="%[2]d"/>`, a.at(to), laneStrip+laneHeight)
			l.brokenOff(g, to, &words, &strip)
		}
		l.drifts(g, &over, &words, &strip)
	}
	curve := func(b *strings.Builder, class string, list []forecast.Level) {
		if len(list) > 1 {
			fmt.Fprintf(b, `<path class="%s" d="%s"/>`, class, line(a, s, list))
		}
	}
	var top strings.Builder
	if f := l.forecast; f != nil {
		l.expected(&in, &top, &over, &words, s, f)
	}
	curve(&top, "lv", l.levels)
	stretched(&under, in.String())
	var curves strings.Builder
	stretched(&curves, top.String())
	if !l.lost.IsZero() && a.holds(l.lost) {
		anchor, dx := "end", -4
		if a.x(l.lost) < wide/4 {
			anchor, dx = "start", 4
		}
		fmt.Fprintf(&words, `<text class="t2" x="%s" dx="%d" y="12" text-anchor="%s">link lost %s</text>`, a.at(l.lost), dx, anchor, clock(l.lost))
	}
	now := ""
	if !l.now.IsZero() && a.holds(l.now) {
		now = fmt.Sprintf(`<line class="now" x1="%[1]s" x2="%[1]s" y2="%[2]d"/>`, a.at(l.now), laneStrip+laneHeight+2)
	}
	return template.HTML(fmt.Sprintf(`<svg class="ln" role="img" tabindex="0" aria-label="%s">%s%s%s%s%s%s</svg>`,
		attr(l.label), under.String(), hatch.String(), curves.String(), over.String(), words.String(), now))
}

// brokenOff writes beside the end of a segment that does not count why it does not, where the
// strip has room. strip is to where it is written on, % of the axis.
func (l lane) brokenOff(g forecast.Shape, to time.Time, words *strings.Builder, strip *float64) {
	reason, full := short(g.Reason), g.Scenario+" "+g.Outcome+" "+clock(g.Ended)+": "
	x, width := l.axis.x(to)/10, 0.62*float64(len(full)+len(reason))
	if x-width > *strip {
		fmt.Fprintf(words, `<text class="tx" x="%s" dx="-4" y="12" text-anchor="end"><tspan>%s</tspan>%s</text>`, l.axis.at(to), attr(full), attr(reason))
		*strip = x + 1
	} else if x+width < 100 && x > *strip {
		fmt.Fprintf(words, `<text class="tx" x="%s" dx="4" y="12"><tspan>%s</tspan>%s</text>`, l.axis.at(to), attr(full), attr(reason))
		*strip = x + width
	}
}

// drifts marks which preconditions were lost in a segment, with their names where there is room.
func (l lane) drifts(g forecast.Shape, over, words *strings.Builder, strip *float64) {
	for _, d := range g.Drift {
		if !l.axis.holds(d.At) {
			continue
		}
		fmt.Fprintf(over, `<use href="#%s" x="%s" y="4"/>`, driftMark(d), l.axis.at(d.At))
		name := preconditionName(d.Name)
		if x, width := l.axis.x(d.At)/10, 0.62*float64(len(name))+1; x-width > *strip {
			fmt.Fprintf(words, `<text class="t2 sw" x="%s" dx="-8" y="12" text-anchor="end">%s</text>`, l.axis.at(d.At), attr(name))
			*strip = x + 1
		}
	}
}

// rests are the stretches in which nothing is measured: recharge where the level rose,
// otherwise preparing, settling and collecting.
func (l lane) rests(s scale) string {
	a := l.axis
	var b strings.Builder
	part := func(from, to time.Time) {
		if from.Before(a.from) {
			from = a.from
		}
		if !to.After(from) || len(l.levels) == 0 {
			return
		}
		list := between(l.levels, from, to)
		class, name := "p", "prepare, settle or collect"
		if list[len(list)-1].Pct-list[0].Pct >= 2 {
			class, name = "r", "recharge"
		}
		tip := attr(fmt.Sprintf("%s, %s to %s", name, clock(from), clock(to)))
		fmt.Fprintf(&b, `<path class="%s blk" data-tip="%s" d="%s"><title>%s</title></path>`, class, tip, area(a, s, list), tip)
	}
	at := time.Time{}
	if len(l.levels) > 0 && len(l.shapes) > 0 {
		at = l.levels[0].At
	}
	for _, g := range l.shapes {
		if g.Outcome == results.Skipped {
			continue
		}
		from, to := g.StartEdge, g.StopEdge
		if broken(g.Segment) {
			to = g.Ended
			if from.IsZero() {
				from = g.StartedAt
			}
		}
		if !at.IsZero() {
			part(at, g.StartedAt)
		}
		if from.IsZero() {
			from, to = g.Ended, g.Ended
		}
		part(g.StartedAt, from)
		if g.Outcome == results.Measured || g.Outcome == results.Flagged {
			part(to, g.Ended)
		}
		at = g.Ended
	}
	if n := len(l.levels); n > 0 && !at.IsZero() && l.forecast != nil {
		if last := l.levels[n-1].At; last.After(at) {
			part(at, last)
		}
	}
	return b.String()
}

// expected draws what is still to come: pale, dashed, with the whisker of its end.
func (l lane) expected(areas, curves, over, words *strings.Builder, s scale, f *forecast.Forecast) {
	a := l.axis
	var dashed []forecast.Level
	if n := len(l.levels); n > 0 {
		dashed = append(dashed, l.levels[n-1])
	}
	for i, p := range f.Parts {
		if n := len(l.levels); i == 0 && n > 0 && !l.lost.IsZero() {
			// Nobody has seen the handset since: what it does meanwhile is expected, not measured.
			p.From, p.LevelFrom = l.levels[n-1].At, l.levels[n-1].Pct
		}
		list := []forecast.Level{{At: p.From, Pct: p.LevelFrom}, {At: p.To, Pct: p.LevelTo}}
		dashed = append(dashed, list...)
		if !p.From.Before(a.to) {
			continue
		}
		if p.To.After(a.to) {
			list = between(list, p.From, a.to)
		}
		switch p.Kind {
		case "drain":
			tip := attr(fmt.Sprintf("%s expected, %s to %s", p.Scenario, clock(p.From), clock(p.To)))
			fmt.Fprintf(areas, `<path class="f blk" data-tip="%s" d="%s"><title>%s</title></path>`, tip, area(a, s, list), tip)
			words.WriteString(blockName(a, p.Scenario, p.From, a.clip(p.To), "t2"))
		}
	}
	for i := range dashed {
		if dashed[i].At.After(a.to) {
			dashed = between(dashed, dashed[0].At, a.to)
			break
		}
	}
	if len(dashed) > 1 {
		fmt.Fprintf(curves, `<path class="lf" d="%s"/>`, line(a, s, dashed))
	}
	if len(f.Parts) == 0 {
		return
	}
	if f.End.After(a.to) {
		fmt.Fprintf(over, `<use href="#late" x="100%%" y="%d"/>`, laneStrip+laneHeight/2)
		return
	}
	low, high := num(a.x(a.clip(f.Earliest))), num(a.x(a.clip(f.Latest)))
	fmt.Fprintf(curves, `<path class="lv" d="M%s 50H%sM%s 39V61"/>`, low, high, num(a.x(f.End)))
}

// blockName writes a scenario's name at the foot of its block, where it fits.
func blockName(a axis, name string, from, to time.Time, class string) string {
	share := a.share(from, to)
	if share < 1.6 {
		return ""
	}
	mid := a.at(from.Add(to.Sub(from) / 2))
	text := firstLetter(name)
	if share < 0.75*float64(len([]rune(name)))+0.4 {
		text = attr(string([]rune(name)[:1]))
	}
	return fmt.Sprintf(`<text class="bn %s" x="%s" y="%d">%s</text>`, class, mid, laneStrip+laneHeight-4, text)
}

// tip is what a block says when it is pointed at.
func (l lane) tip(g forecast.Shape) string {
	text := g.Scenario
	if g.Attempt > 1 {
		text += fmt.Sprintf(", attempt %d", g.Attempt)
	}
	if !g.StartEdge.IsZero() {
		text += fmt.Sprintf(", %s to %s, %s", clock(g.StartEdge), clock(g.StopEdge), g.Progress())
	} else {
		text += ", begun " + clock(g.StartedAt)
	}
	if f := l.figures[g.ID]; f != "" {
		text += ", " + f
	}
	if w := outcomeWords(g.Segment); w != "" {
		text += ", " + w
	}
	return text
}
