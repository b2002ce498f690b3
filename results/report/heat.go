package report

import (
	"fmt"
	"math"
	"strings"

	"rundown/results"
)

// Above which battery temperatures, °C, and from which level, %, the minutes of a charge are counted.
const (
	HotC    = 40.0
	HotterC = 45.0
	FullPct = 80
)

// BatteryLife is why those minutes are stated, with where that was published. Nothing is made of them:
// how much a battery loses by them differs from cell to cell, and no charge shows it.
const BatteryLife = "Heat and a high level age a lithium cell, the more so together (Calendar Aging of Lithium-Ion Batteries I, Journal of The Electrochemical Society 163, 2016, A1872: from memory), " +
	"and time spent charging at extreme temperatures is among what Regulation (EU) 2023/1542, Annex VII, part B, has tracked for a battery's expected lifetime (from memory). " +
	"45 °C is the upper end of the normal band for charging in the JEITA guideline of 20 April 2007 (as restated in data sheets of charging circuits; the guideline itself was not read); 40 °C and 80 % are common practice, no source. " +
	"How much a battery loses by it was not measured, and is not given as a score"

// SayHot says for how long a charge's battery was above the stated temperatures; "" where its temperature is not known.
func SayHot(c results.ChargeRow) string {
	if c.Hot40S == nil {
		return ""
	}
	text := fmt.Sprintf("above %g °C for %s min", HotC, number(*c.Hot40S/60, 1))
	if *c.Hot40S == 0 {
		return fmt.Sprintf("never above %g °C", HotC)
	}
	if c.HotFullS != nil {
		text += fmt.Sprintf(" (%s of them at %d %% or more)", number(*c.HotFullS/60, 1), FullPct)
	}
	if c.Hot45S != nil {
		text += fmt.Sprintf(", above %g °C for %s min", HotterC, number(*c.Hot45S/60, 1))
	}
	return text
}

// Touch limits, °C: of surfaces held for longer than a minute in normal use, whatever they are made of; and of metal, glass and
// plastic held for 10 s to a minute. IEC 62368-1:2018, clause 9.3, Table 38 (TS1), from memory.
const (
	HeldC  = 48.0
	metalC = 51.0
)

// TouchLimits states them.
const TouchLimits = "Surfaces that are held for longer than a minute may have 48 °C whatever they are made of; held for 10 s to a minute, metal 51, glass 56, plastic 60 °C " +
	"(IEC 62368-1:2018, clause 9.3, Table 38, from memory; assessed in a room of 25 °C). Burns begin at 48 °C held for ten minutes and at 43 °C held for eight hours (ISO 13732-1:2006, Table 1, from memory)"

// TouchWarning warns of a handset whose skin sensors, or battery where it has none, read more than may be held; "" where neither
// did. whose names it.
func TouchWarning(whose string, skinC, batteryC *float64) string {
	whole := func(v float64) string { return number(math.Round(10*v)/10, 1) }
	switch {
	case skinC != nil && *skinC > HeldC:
		text := fmt.Sprintf("%s: its skin sensors read up to %s °C, above the %g °C that may be held for longer than a minute", whose, whole(*skinC), HeldC)
		if *skinC > metalC {
			text += fmt.Sprintf(", and above the %g °C that metal may have which is held for less than a minute", metalC)
		}
		return text + ". Do not hold it; let it cool"
	case skinC == nil && batteryC != nil && *batteryC > HeldC:
		return fmt.Sprintf("%s: its battery had up to %s °C, and what its surface had was not measured: it may be above the %g °C that may be held for longer than a minute. Do not hold it; let it cool", whose, whole(*batteryC), HeldC)
	case skinC != nil && batteryC != nil && *batteryC > HeldC+5:
		return fmt.Sprintf("%s: its skin sensors read %s °C at most, but its battery had up to %s °C: the surface over it may be hotter than the sensors. Touch it with care", whose, whole(*skinC), whole(*batteryC))
	}
	return ""
}

// touchWarnings are those of sustained work and charges, one a handset and kind.
func (r Report) touchWarnings() (list []string) {
	seen := map[string]bool{}
	add := func(text string) {
		if text != "" && !seen[text] {
			seen[text] = true
			list = append(list, text)
		}
	}
	for _, s := range r.Sustained {
		add(TouchWarning(r.sideOf(s.Whose)+" under "+strings.TrimSpace(s.Workload+" load"), s.HighestSkinC, s.HighestTempC))
	}
	for _, c := range r.Charges {
		add(TouchWarning(r.sideOf(c.Whose)+" while charging", nil, c.HighestTempC))
	}
	return list
}
