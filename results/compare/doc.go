// Package compare puts sides beside each other: handsets, runs or named line-ups. For each
// scenario it gives the ratio of their hours with a 95 % interval, a test, and whether a
// difference is shown.
//
// Plain values in, plain values out: no store, no clock, no logger. The method:
//
//   - Hours are compared by their logarithms: errors multiply, and "12 % longer" is the
//     opposite of "11 % shorter".
//   - An observation is a run where a side is one handset, and a handset's mean where it is
//     several. Repeats average what differs from run to run. They never average a
//     handset's own errors (bend of its level, its cell, its warming), so those are in the
//     interval and in the verdict, however many runs there are.
//   - The same handsets on both sides are paired: their own errors cancel.
//   - Over the whole set, chance alone would show a difference in one of twenty; Holm's
//     correction keeps that chance for the set at 5 %.
//   - What was not measured alike is listed and not compared, unless allowed by name.
package compare
