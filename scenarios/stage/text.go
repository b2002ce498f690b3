package stage

import (
	"fmt"
	"strings"
)

// The texts of the browse pages are put together from a seed. They are about nothing and
// nobody: places, hours and weather of a coast that does not exist.

var (
	places  = []string{"the north shore", "Alder Quay", "the upper valley", "Millbrook", "the old harbour", "Fern Hill", "the lake path", "Stonebridge", "the east pier", "Low Meadow", "the salt flats", "Hazel Court", "the weir", "Upper Marsh", "the glass house", "Long Row"}
	things  = []string{"ferry", "market", "library", "garden", "footbridge", "lighthouse", "orchard", "workshop", "reading room", "boathouse", "clock", "bakery", "greenhouse", "tram", "swimming bath", "weather mast"}
	doings  = []string{"opens", "was repaired", "has been moved", "closes early", "draws more visitors", "stays as it is", "is painted again", "needs a new roof", "runs twice a day", "is quiet in the morning", "fills up by noon", "found a new keeper"}
	times   = []string{"in early spring", "before the first frost", "on Thursday", "at half past seven", "after the long rain", "since last autumn", "for the third week", "towards evening", "through the summer", "once the tide is out", "by the end of the month", "on windless days"}
	reasons = []string{"because the ground is dry at last", "although nobody had asked for it", "so that walkers can pass", "while the road is being mended", "as it has for forty years", "to save the old wood", "without much notice", "and the neighbours do not mind", "since the timetable changed", "which makes the way shorter"}
	looks   = []string{"quiet", "narrow", "bright", "well kept", "half hidden", "green", "windy", "unhurried", "warm", "plain", "steep", "wide"}
	goods   = []string{"jar", "vase", "bowl", "lamp foot", "pitcher", "planter", "urn", "carafe"}
	stuffs  = []string{"stoneware", "red clay", "glazed earth", "porcelain", "terracotta", "turned ash"}
	writers = []string{"tern", "larch", "pebble", "inlet", "sorrel", "heron", "cinder", "willow", "quartz", "plover", "thistle", "harrow"}
)

func pick(d *dice, list []string) string { return list[d.roll(len(list))] }

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func sentence(d *dice) string {
	p, t, do, when, why, look := pick(d, places), pick(d, things), pick(d, doings), pick(d, times), pick(d, reasons), pick(d, looks)
	switch d.roll(9) {
	case 0:
		return capital(fmt.Sprintf("the %s at %s %s %s.", t, p, do, when))
	case 1:
		return capital(fmt.Sprintf("%s, the %s %s, %s.", when, t, do, why))
	case 2:
		return fmt.Sprintf("Those who come from %s find the way %s and the %s %s.", p, look, t, pick(d, looks))
	case 3:
		return fmt.Sprintf("It takes %d minutes on foot to %s, %s.", d.between(4, 90), p, why)
	case 4:
		return fmt.Sprintf("Of the %d steps between the %s and %s, most are %s.", d.between(20, 400), t, p, look)
	case 5:
		return fmt.Sprintf("Nobody remembers when the %s last looked so %s.", t, look)
	case 6:
		return capital(fmt.Sprintf("%s is %s %s, and the %s %s.", p, look, when, t, do))
	case 7:
		return fmt.Sprintf("At %d degrees the air over %s is %s, and one hears the %s from afar.", d.between(2, 27), p, look, t)
	default:
		return capital(fmt.Sprintf("%s it rains on %s; then the %s %s.", when, p, t, do))
	}
}

func paragraph(d *dice, sentences int) string {
	list := make([]string, sentences)
	for i := range list {
		list[i] = sentence(d)
	}
	return strings.Join(list, " ")
}

func headline(d *dice) string {
	switch d.roll(4) {
	case 0:
		return capital(fmt.Sprintf("%s: the %s %s", pick(d, places), pick(d, things), pick(d, doings)))
	case 1:
		return fmt.Sprintf("A %s day at %s", pick(d, looks), pick(d, places))
	case 2:
		return fmt.Sprintf("How the %s came to %s", pick(d, things), pick(d, places))
	default:
		return capital(fmt.Sprintf("%s, the %s %s", pick(d, times), pick(d, things), pick(d, doings)))
	}
}
