package orchestrator

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rundown/results"
	"rundown/results/clocks"
	"rundown/results/reading"
	"rundown/scenarios"
)

// An Attach asks for a meter's own CSV record to be taken in beside a segment.
type Attach struct {
	Of    string // the segment, or a run of which one segment was charged
	Meter string // of the plan file; empty: the only one of the handset that records by itself
	File  string // the file's name, for the record
	CSV   []byte
	// Columns change what the plan file says of the meter's columns where they are not empty.
	Columns scenarios.MeterRecord
	// PluggedIn is when power came by the meter's own clock, as its file would write it;
	// empty: as its power shows.
	PluggedIn string
}

// Attach lines a meter's own record up with the handset's, and stores it beside the
// segment. The same file attached again changes nothing; another one of the same meter
// takes the earlier one's place, which is kept and marked. ErrRequest says what is wrong
// with the file, line by line, or why the two records do not belong together.
func (d *Daemon) Attach(a Attach) (results.MeterRecord, error) {
	var none results.MeterRecord
	// From before the segment is read: what another attachment stores meanwhile would be lost.
	d.attaching.Lock()
	defer d.attaching.Unlock()
	g, err := d.chargedSegment(a.Of)
	if err != nil {
		return none, err
	}
	if g.Outcome == results.Underway {
		return none, fmt.Errorf("segment %s: %w: it is under way; attach the record when it has ended", g.ID, ErrNotNow)
	}
	meter, err := d.recordingMeter(a.Meter, g.Handset)
	if err != nil {
		return none, err
	}
	sum := sha256.Sum256(a.CSV)
	rec := results.MeterRecord{
		Name: hex.EncodeToString(sum[:])[:12], SHA256: hex.EncodeToString(sum[:]), Meter: meter.Name, File: a.File, AttachedAt: d.now(),
	}
	for _, have := range g.Records {
		if have.Name == rec.Name && have.Meter == rec.Meter && have.ReplacedAt.IsZero() {
			return have, nil
		}
	}
	format, err := formatOf(meter, a.Columns)
	if err != nil {
		return none, err
	}
	points, err := clocks.ReadCSV(bytes.NewReader(a.CSV), format)
	if err != nil {
		return none, fmt.Errorf("%w: %s: %w", ErrRequest, cmp.Or(a.File, "the file"), err)
	}
	fit, err := d.lineUp(g, points, format, a.PluggedIn)
	if err != nil {
		return none, fmt.Errorf("%w: %s does not line up with segment %s: %w", ErrRequest, cmp.Or(a.File, "the file"), g.ID, err)
	}
	rec.Points, rec.Says = len(points), fit.String()
	rec.RefUTC, rec.ShiftS, rec.ShiftU95S = fit.Ref.UTC(), fit.Shift.Seconds(), fit.ShiftU95.Seconds()
	rec.RatePPM, rec.RateU95PPM, rec.By, rec.Correlation, rec.Notes = fit.RatePPM, fit.RateU95PPM, fit.By, fit.Correlation, fit.Notes
	list := make([]results.Reading, len(points))
	for i, p := range points {
		v := p.Value
		list[i] = results.Reading{Meter: meter.Name, Record: rec.Name, At: fit.Time(p.At).UTC(), Within: fit.U95(p.At), MeterAt: p.At.UTC(), PowerW: &v}
	}
	if err := d.store.AppendReadings(g.ID, list); err != nil {
		return none, err
	}
	if err := d.store.ChangeSegment(g.ID, func(g *results.Segment) error {
		for i := range g.Records {
			if g.Records[i].Meter == rec.Meter && g.Records[i].ReplacedAt.IsZero() {
				g.Records[i].ReplacedAt = d.now()
			}
		}
		g.Records = append(g.Records, rec)
		return nil
	}); err != nil {
		return none, err
	}
	d.publish(Change{Handset: g.Handset, Run: g.RunID, Kind: "segment", Text: "record of meter " + meter.Name + " attached to " + g.Scenario})
	return rec, nil
}

// putCollected stores the record of a segment that was collected. What was attached to it
// since it was read stays: collecting from a slow handset takes its time.
func (d *Daemon) putCollected(rec *results.Segment) error {
	err := d.store.ChangeSegment(rec.ID, func(have *results.Segment) error {
		rec.Records = have.Records
		*have = *rec
		return nil
	})
	if errors.Is(err, results.ErrNotFound) {
		return d.store.PutSegment(*rec)
	}
	return err
}

// chargedSegment finds the segment of an identifier, or a run's only one in which the
// handset was charged.
func (d *Daemon) chargedSegment(of string) (results.Segment, error) {
	g, err := d.store.Segment(of)
	if err == nil || !errors.Is(err, results.ErrNotFound) {
		return g, err
	}
	if _, err := d.store.Run(of); err != nil {
		return g, fmt.Errorf("neither a run nor a segment: %w", err)
	}
	segments, err := d.store.Segments(of)
	if err != nil && len(segments) == 0 {
		return g, err
	}
	segments = slices.DeleteFunc(segments, func(g results.Segment) bool { return !reading.IsCharge(g) || g.Outcome == results.Skipped })
	var names []string
	for _, g := range segments {
		names = append(names, g.ID+" ("+g.Outcome+")")
	}
	switch len(segments) {
	case 0:
		return g, fmt.Errorf("%w: run %s has no segment in which the handset was charged; name a segment", ErrRequest, of)
	case 1:
		return segments[0], nil
	}
	return g, fmt.Errorf("%w: run %s has %d segments in which the handset was charged; name one of %s", ErrRequest, of, len(segments), strings.Join(names, ", "))
}

// recordingMeter is the handset's meter that records by itself.
func (d *Daemon) recordingMeter(name, handset string) (scenarios.Meter, error) {
	var own []scenarios.Meter
	var names []string
	for _, m := range d.file.Bench.Meters {
		if m.Record != nil && m.Handset == handset {
			own = append(own, m)
			names = append(names, m.Name)
		}
	}
	if name == "" {
		switch len(own) {
		case 0:
			return scenarios.Meter{Name: "inline", Handset: handset, Record: &scenarios.MeterRecord{}}, nil // its columns come with the request
		case 1:
			return own[0], nil
		}
		return scenarios.Meter{}, fmt.Errorf("%w: %s has several meters that record by themselves; name one of %s", ErrRequest, handset, strings.Join(names, ", "))
	}
	m, ok := d.file.Bench.Meter(name)
	switch {
	case !ok || m.Record == nil:
		return m, fmt.Errorf("%w: no meter %q with a record of its own in the plan file", ErrRequest, name)
	case m.Handset != handset:
		return m, fmt.Errorf("%w: meter %s is on %s, and the segment is of %s", ErrRequest, name, m.Handset, handset)
	}
	return m, nil
}

// formatOf is how a meter's file is read: the plan file's columns, changed by the request's.
func formatOf(m scenarios.Meter, c scenarios.MeterRecord) (clocks.Format, error) {
	have := *m.Record
	if c.Power != "" || c.Voltage != "" || c.Current != "" {
		have.Power, have.Voltage, have.Current = c.Power, c.Voltage, c.Current
	}
	f := clocks.Format{
		Time: cmp.Or(c.Time, have.Time), TimeAs: cmp.Or(c.TimeAs, have.TimeAs), Power: have.Power, Voltage: have.Voltage, Current: have.Current,
		Factor: cmp.Or(c.Factor, have.Factor),
	}
	if f.Time == "" || f.Power == "" && (f.Voltage == "" || f.Current == "") {
		return f, fmt.Errorf("%w: it is not known which columns are what: name those of time and of power (or voltage and current), or add the meter to the plan file with record", ErrRequest)
	}
	if zone := cmp.Or(c.Zone, have.Zone); zone != "" {
		z, err := time.LoadLocation(zone)
		if err != nil {
			return f, fmt.Errorf("%w: zone: %w", ErrRequest, err)
		}
		f.Zone = z
	}
	return f, nil
}

// lineUp brings a meter's record into the host's time by the segment's own.
func (d *Daemon) lineUp(g results.Segment, meter []clocks.Point, format clocks.Format, pluggedIn string) (clocks.Fit, error) {
	samples, err := d.store.Samples(g.ID)
	if err != nil && len(samples) == 0 {
		return clocks.Fit{}, err
	}
	var own []clocks.Point
	for i, w := range reading.WattsIntoBattery(g, samples) {
		if w != nil {
			own = append(own, clocks.Point{At: samples[i].HostAt, Value: *w})
		}
	}
	o := clocks.Options{HandsetPlugIn: plugIn(samples)}
	if pluggedIn != "" {
		at, err := format.Instant(pluggedIn)
		if err != nil {
			return clocks.Fit{}, fmt.Errorf("plugged in: %w", err)
		}
		o.MeterPlugIn = &clocks.Moment{After: at.Add(-time.Second), By: at.Add(time.Second)}
	}
	return clocks.Align(own, meter, o)
}

// plugIn is when the handset first showed power, nil where it did from the beginning or
// never.
func plugIn(samples []results.Sample) *clocks.Moment {
	for i, s := range samples {
		if s.Plugged != 0 {
			if i == 0 {
				return nil
			}
			return &clocks.Moment{After: samples[i-1].HostAt, By: s.HostAt}
		}
	}
	return nil
}
