package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/devices/meters"
	"rundown/devices/preconditions"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

// A meterSet reads the bench's meters: one on a charging line while its handset has a
// segment under way, one in the room all the time. What goes wrong with a meter is noted;
// it never ends a segment.
type meterSet struct {
	d    *Daemon
	list []*benchMeter

	mu      sync.Mutex
	current map[string]string // handset to its segment under way
	changed chan struct{}     // closed when current changes
	unsaved map[series][]results.Reading
	savedAt map[series]time.Time
}

// A benchMeter is one meter that the daemon reads by itself. What it said last is guarded
// by its set.
type benchMeter struct {
	scenarios.Meter
	instrument meters.Meter

	last   results.Reading // the latest with a value
	failed error           // of the latest reading, nil when it was sound
}

// series is one meter's readings beside one segment.
type series struct{ meter, segment string }

// openMeter makes the instrument of a meter of the plan file; nothing is sent yet. Nil for
// a meter that records by itself. A dial of nil stands for the host's network.
func openMeter(m scenarios.Meter, dial func(ctx context.Context, network, address string) (net.Conn, error)) (meters.Meter, error) {
	switch {
	case m.SCPI != nil:
		return meters.NewSCPI(m.SCPI.Address, meters.SCPIOptions{
			Name: m.Name, Queries: m.SCPI.Queries, Setup: m.SCPI.Setup, Timeout: m.Timeout, NoErrorQueue: !m.SCPI.ErrorQueue, Dial: dial,
		})
	case m.Lines != nil && len(m.Lines.Command) > 0 && !m.Lines.Stays:
		return meters.NewCommand(m.Name, m.Lines.Command, m.Lines.Format, m.Timeout)
	case m.Lines != nil:
		from, serial := meters.Program(m.Lines.Command), m.Lines.Port != ""
		if serial {
			from = meters.Serial(m.Lines.Port, m.Lines.Baud)
		}
		return meters.NewLines(from, meters.LinesOptions{Name: m.Name, Format: m.Lines.Format, Timeout: m.Timeout, Ask: m.Lines.Ask, DropFirst: serial})
	}
	return nil, nil
}

func newMeterSet(d *Daemon) *meterSet {
	s := &meterSet{d: d, current: map[string]string{}, changed: make(chan struct{}), unsaved: map[series][]results.Reading{}, savedAt: map[series]time.Time{}}
	for _, m := range d.file.Bench.Meters {
		instrument, err := openMeter(m, d.dial)
		if err != nil { // the plan file was checked
			d.log.Error().Err(err).Str("meter", m.Name).Msg("the meter cannot be used")
			continue
		}
		if instrument != nil {
			s.list = append(s.list, &benchMeter{Meter: m, instrument: instrument})
		}
	}
	return s
}

func (s *meterSet) close() {
	for _, m := range s.list {
		_ = m.instrument.Close()
	}
}

// named is the meter of a name that the daemon can read by itself.
func (s *meterSet) named(name string) (*benchMeter, bool) {
	for _, m := range s.list {
		if m.Name == name {
			return m, true
		}
	}
	return nil, false
}

// begin has the meters read beside a segment from now on.
func (s *meterSet) begin(handset, segment string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.current[handset] != segment {
		s.current[handset] = segment
		s.wake()
	}
}

// end stops that and stores what is not stored yet.
func (s *meterSet) end(handset string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	segment := s.current[handset]
	delete(s.current, handset)
	s.wake()
	for key := range s.unsaved {
		if key.segment == segment {
			s.save(key)
			delete(s.unsaved, key)
			delete(s.savedAt, key)
		}
	}
}

func (s *meterSet) wake() {
	close(s.changed)
	s.changed = make(chan struct{})
}

// wanted are the segments that a meter is to be read beside, and a channel that is closed
// when that changes.
func (s *meterSet) wanted(m *benchMeter) (segments []string, changed <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.beside(m), s.changed
}

func (s *meterSet) beside(m *benchMeter) (segments []string) {
	for handset, segment := range s.current {
		if m.Room || m.Handset == handset {
			segments = append(segments, segment)
		}
	}
	return segments
}

// follow reads one meter until ctx ends.
func (s *meterSet) follow(ctx context.Context, m *benchMeter) {
	for ctx.Err() == nil {
		segments, changed := s.wanted(m)
		if !m.Room && len(segments) == 0 {
			select {
			case <-changed:
			case <-ctx.Done():
			}
			continue
		}
		var round results.Reading
		for r, err := range meters.Sample(ctx, s.d.clock, m.instrument, m.Every) {
			s.heard(m, &round, r, err)
			if last := m.instrument.Quantities(); r.Quantity == last[len(last)-1] {
				s.keep(m, round)
				round = results.Reading{}
				if now, _ := s.wanted(m); !m.Room && len(now) == 0 {
					break
				}
			}
		}
	}
}

// heard puts one quantity into the round of readings that belongs together.
func (s *meterSet) heard(m *benchMeter, round *results.Reading, r meters.Reading, err error) {
	s.mu.Lock()
	before := m.failed
	m.failed = err
	s.mu.Unlock()
	switch {
	case err != nil && before == nil:
		s.d.log.Warn().Err(err).Str("meter", m.Name).Msg("the meter was not read")
	case err == nil && before != nil:
		s.d.log.Info().Str("meter", m.Name).Msg("the meter answers again")
	}
	if err != nil {
		return
	}
	if at := r.At.UTC(); round.At.IsZero() {
		round.At, round.Within = at, r.Within
	} else {
		round.Within = max(round.Within, at.Sub(round.At)+r.Within)
	}
	v := r.Value
	switch r.Quantity {
	case meters.Power:
		round.PowerW = &v
	case meters.Voltage:
		round.VoltageV = &v
	case meters.Current:
		round.CurrentA = &v
	case meters.Temperature:
		round.TempC = &v
	}
}

// mostUnsaved is how many readings of a series wait to be stored at most.
const mostUnsaved = 120

// keep stores a round beside the segments under way. Where voltage and current were read
// and power was not, it is their product.
func (s *meterSet) keep(m *benchMeter, round results.Reading) {
	if round.At.IsZero() {
		return
	}
	if round.PowerW == nil && round.VoltageV != nil && round.CurrentA != nil {
		w := *round.VoltageV * *round.CurrentA
		round.PowerW = &w
	}
	round.Meter = m.Name
	s.mu.Lock()
	defer s.mu.Unlock()
	m.last = round
	for _, segment := range s.beside(m) {
		key := series{m.Name, segment}
		s.unsaved[key] = append(s.unsaved[key], round)
		if s.savedAt[key].IsZero() {
			s.savedAt[key] = round.At
		}
		if len(s.unsaved[key]) >= mostUnsaved || round.At.Sub(s.savedAt[key]) >= 2*s.d.pollEvery {
			s.save(key)
			s.savedAt[key] = round.At
		}
	}
}

// save stores the waiting readings of a series. What cannot be stored now is tried again.
func (s *meterSet) save(key series) {
	if err := s.d.store.AppendReadings(key.segment, s.unsaved[key]); err != nil {
		s.d.log.Error().Err(err).Str("meter", key.meter).Str("segment", key.segment).Msg("readings of the meter could not be stored")
		return
	}
	s.unsaved[key] = s.unsaved[key][:0]
}

// roomName is the line of the precondition report that has the room's temperature.
const roomName = reading.RoomCondition

// staleAfter is how many times a room meter's spacing its latest reading may be old.
const staleAfter = 5

// roomLines are the line of a precondition report that says how warm the room is; none
// where no meter is in the room. It is recorded and judges nothing.
func (s *meterSet) roomLines() []preconditions.Line {
	s.mu.Lock()
	defer s.mu.Unlock()
	var found []string
	verdict := preconditions.Met
	for _, m := range s.list {
		if !m.Room {
			continue
		}
		switch age := s.d.now().Sub(m.last.At); {
		case m.last.TempC != nil && age < max(staleAfter*m.Every, time.Minute):
			found = append(found, fmt.Sprintf("%.1f °C (meter %s)", *m.last.TempC, m.Name))
		case m.failed != nil:
			verdict = preconditions.CannotRead
			found = append(found, why(m.failed))
		default:
			verdict = preconditions.CannotRead
			found = append(found, fmt.Sprintf("meter %s: not read yet", m.Name))
		}
	}
	if found == nil {
		return nil
	}
	l := preconditions.Line{Name: roomName, Wanted: "as found", Found: strings.Join(found, "; "), Verdict: verdict}
	if verdict == preconditions.CannotRead {
		l.Mend = "rundown meters says what the meter answers"
	}
	return []preconditions.Line{l}
}

// leaveMeters ends the readings beside the segment at hand, counts them, and notes where a
// meter was silent or late, from what is stored: so it also says what an earlier daemon missed.
func (r *run) leaveMeters() {
	g, s := r.live, r.d.meters
	s.end(r.h.Name)
	readings, err := r.d.store.Readings(g.u.ID)
	if err != nil {
		g.note(r.d.now(), "some readings of meters cannot be read back: %s", why(err))
	}
	g.rec.Readings = len(readings)
	until := r.steady(r.d.now())
	if n, err := r.d.store.Samples(g.u.ID); err == nil && len(n) > 0 {
		until = n[len(n)-1].HostAt
	}
	for _, m := range s.list {
		if !m.Room && m.Handset != r.h.Name {
			continue
		}
		own := slices.DeleteFunc(slices.Clone(readings), func(x results.Reading) bool { return x.Meter != m.Name || x.Record != "" })
		s.mu.Lock()
		failed := m.failed
		s.mu.Unlock()
		if text := silence(own, g.rec.StartedAt, until, m.Every); text != "" {
			if failed != nil {
				text += "; it last said: " + why(failed)
			}
			g.note(r.d.now(), "meter %s: %s", m.Name, text)
		}
		if text := lateness(own, m.Every); text != "" {
			g.note(r.d.now(), "meter %s: %s", m.Name, text)
		}
		if m.Room {
			g.roomRange(own)
		}
	}
}

// silence says for how long a meter that is read every so often gave nothing between two
// instants, or "".
func silence(list []results.Reading, from, until time.Time, every time.Duration) string {
	if !until.After(from) {
		return ""
	}
	if len(list) == 0 {
		if until.Sub(from) < 2*every {
			return ""
		}
		return "not read once during the segment"
	}
	allowed := max(3*every, 10*time.Second)
	var sum, longest time.Duration
	var began time.Time
	before := from
	for i := range len(list) + 1 {
		at := until
		if i < len(list) {
			at = earlier(list[i].At, until) // what came after the end is no hole before it
		}
		if gap := at.Sub(before); gap > allowed {
			sum += gap
			if gap > longest {
				longest, began = gap, before
			}
		}
		if at.After(before) {
			before = at
		}
	}
	if sum == 0 {
		return ""
	}
	return fmt.Sprintf("silent for %s in all, longest for %s from %s on", round(sum), round(longest), devices.AtSecond(began))
}

// lateness says when a meter's answers came so late that their instants are known worse
// than half the spacing, or "".
func lateness(list []results.Reading, every time.Duration) string {
	late, most := 0, time.Duration(0)
	for _, r := range list {
		if r.Within > max(every, time.Second)/2 {
			late++
			most = max(most, r.Within)
		}
	}
	if late == 0 || late*50 < len(list) { // one in fifty is no habit
		return ""
	}
	return fmt.Sprintf("%d of %d readings came late; their instants are known to %s only", late, len(list), most.Round(10*time.Millisecond))
}

// roomRange puts what the room's temperature was during the segment beside what it was before.
func (g *segment) roomRange(list []results.Reading) {
	var low, high, sum float64
	n := 0
	for _, r := range list {
		if r.TempC == nil {
			continue
		}
		if n == 0 {
			low, high = *r.TempC, *r.TempC
		}
		low, high, sum = min(low, *r.TempC), max(high, *r.TempC), sum+*r.TempC
		n++
	}
	if n == 0 {
		return
	}
	mean := sum / float64(n)
	g.rec.RoomTempC = &mean
	text := fmt.Sprintf("%.1f to %.1f °C during the segment", low, high)
	conditions := slices.Clone(g.rec.Conditions) // the run's report is shared with other segments
	for i, c := range conditions {
		if c.Name == roomName && !strings.Contains(c.Found, "during the segment") {
			conditions[i].Found += ", " + text
		}
	}
	g.rec.Conditions = conditions
}

// A MeterNow is one quantity of a meter as it was read just now.
type MeterNow struct {
	Meter    string    `json:"meter"`
	Of       string    `json:"of"`  // the handset's name, "room" or "light"
	How      string    `json:"how"` // in which way it is read
	Quantity string    `json:"quantity,omitempty"`
	Value    *float64  `json:"value,omitempty"`
	Unit     string    `json:"unit,omitempty"`
	At       time.Time `json:"at,omitzero"`
	TookMS   int64     `json:"took_ms"`
	Problem  string    `json:"problem,omitempty"`
}

// MetersNow reads every quantity of every meter of the bench once.
func (d *Daemon) MetersNow(ctx context.Context) []MeterNow {
	rows := make([][]MeterNow, len(d.file.Bench.Meters))
	var wg sync.WaitGroup
	for i, cfg := range d.file.Bench.Meters {
		row := MeterNow{Meter: cfg.Name, Of: cfg.Handset, How: sayHow(cfg)}
		switch {
		case cfg.Room:
			row.Of = "room"
		case cfg.Light:
			row.Of = "light"
		}
		m, ok := d.meters.named(cfg.Name)
		if !ok {
			rows[i] = []MeterNow{row}
			continue
		}
		wg.Go(func() {
			for _, q := range m.instrument.Quantities() {
				one := row
				one.Quantity, one.Unit = string(q), q.Unit()
				began := time.Now() // how long the instrument takes, whatever the bench's clock
				v, err := m.instrument.Read(ctx, q)
				one.At, one.TookMS = d.now(), time.Since(began).Milliseconds()
				if err != nil {
					one.Problem = why(err)
				} else {
					one.Value = &v
				}
				rows[i] = append(rows[i], one)
				if err != nil && (errors.Is(err, meters.ErrSilent) || ctx.Err() != nil) {
					break // the others would only take as long
				}
			}
		})
	}
	wg.Wait()
	return slices.Concat(rows...)
}

func sayHow(m scenarios.Meter) string {
	switch {
	case m.SCPI != nil:
		return "SCPI at " + m.SCPI.Address
	case m.Lines != nil && m.Lines.Port != "":
		return fmt.Sprintf("serial line %s, %d baud", m.Lines.Port, m.Lines.Baud)
	case m.Lines != nil:
		return "program " + m.Lines.Command[0]
	}
	return "records by itself; attach its file to a segment"
}
