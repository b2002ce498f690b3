// Package report draws what people look at: discharge and charging curves, endurance with
// intervals, cycles of sustained load, ratios around 1; as SVG and PNG, in a self-contained HTML
// report and in a Markdown table for the editor.
//
// A report is made from rows of the exported tables and from nothing else, so nothing is drawn or
// printed that has no number in the export. Measured is dark, intervals are always there, nothing is
// told by colour alone: each handset has a mark of its own, and all of it survives a grey printer.
package report
