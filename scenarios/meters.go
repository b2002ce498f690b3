package scenarios

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"rundown/devices/meters"
	"rundown/devices/meters/usbpower"
)

// A Meter is an instrument of the bench. It belongs to one handset's charging line, to the
// room, or stands before screens; and it is read in one of four ways.
type Meter struct {
	Name    string
	Handset string // on whose charging line it is; empty: none
	Room    bool   // it reads the room's temperature
	Light   bool   // it reads the luminance of whatever screen is before it
	Every   time.Duration
	Timeout time.Duration // for one reading
	// AccuracyPct is the half-width that its maker or its certificate states, % of the
	// reading; 0 not stated.
	AccuracyPct float64
	DigitCdM2   float64 // of a light meter: its last digit, cd/m²

	SCPI   *SCPIMeter
	Lines  *LinesMeter
	Record *MeterRecord // it records by itself; its file is attached afterwards
}

// An SCPIMeter is spoken to over TCP.
type SCPIMeter struct {
	Address    string
	Queries    map[meters.Quantity]meters.Query
	Setup      []string
	ErrorQueue bool // it knows SYSTem:ERRor?
}

// A LinesMeter prints numbers. Port and Command exclude each other.
type LinesMeter struct {
	Port    string // of a serial line
	Baud    int
	Ask     string   // sent before each reading, its end of line included; empty: it prints by itself
	Command []string // program and arguments, run on the host without a shell
	Stays   bool     // the program runs on and prints; otherwise it is run for each reading
	Format  meters.LineFormat
}

// A MeterRecord says what the columns of the meter's own CSV file are: names, or #1 for the
// first column.
type MeterRecord struct {
	Time string
	// TimeAs is "s", "ms", or how the meter writes an instant, as Go's package time
	// describes one; empty: RFC 3339, else seconds.
	TimeAs                  string
	Zone                    string // IANA name, of instants without one; empty: UTC
	Power, Voltage, Current string
	Factor                  float64 // makes W of what the columns give
}

// Quantities are what the meter reads by itself; none where its file is attached.
func (m Meter) Quantities() []meters.Quantity {
	switch {
	case m.SCPI != nil:
		return slices.Sorted(maps.Keys(m.SCPI.Queries))
	case m.Lines != nil:
		list := slices.Clone(m.Lines.Format.Columns)
		if p := m.Lines.Format.Pattern; p != "" {
			if re, err := regexp.Compile(p); err == nil {
				for _, name := range re.SubexpNames() {
					list = append(list, meters.Quantity(name))
				}
			}
		}
		return slices.DeleteFunc(list, func(q meters.Quantity) bool { return q == "" })
	}
	return nil
}

// Meter is the bench's meter of that name.
func (b Bench) Meter(name string) (Meter, bool) {
	for _, m := range b.Meters {
		if m.Name == name {
			return m, true
		}
	}
	return Meter{}, false
}

// A Supply is what a lab writes down of a handset's charger and cable.
type Supply struct {
	Charger *usbpower.Charger // nil: nothing is said
	Cable   *usbpower.Cable
}

// Check holds charger and cable against the tables of USB power: the most that can flow,
// and what a person should know. ok is false where no charger is named.
func (s Supply) Check() (most usbpower.Ceiling, notes []string, ok bool) {
	if s.Charger == nil {
		return most, nil, false
	}
	var cable usbpower.Cable
	if s.Cable != nil {
		cable = *s.Cable
	}
	most, notes, err := usbpower.Check(*s.Charger, cable)
	return most, notes, err == nil // the plan file was checked
}

// String is charger and cable in one line, for records.
func (s Supply) String() string {
	if s.Charger == nil {
		return ""
	}
	var levels []string
	for _, l := range s.Charger.Levels {
		levels = append(levels, fmt.Sprintf("%g V %g A", l.Volts, l.Amps))
	}
	text := s.Charger.Text
	if s.Charger.Watts > 0 {
		text += fmt.Sprintf(", %g W", s.Charger.Watts)
	}
	text += " (" + strings.Join(levels, ", ") + ")"
	if s.Cable != nil {
		text += "; cable " + s.Cable.Text
		if s.Cable.Amps > 0 {
			text += fmt.Sprintf(", %g A", s.Cable.Amps)
		}
	}
	return text
}

// PowerNotes are what a person should know of chargers and cables named in the file, one
// line each, by handset. They are no faults: a lab measures the odd charger too.
func (f File) PowerNotes() []string {
	var list []string
	for _, h := range f.Bench.Handsets {
		if _, notes, ok := h.Supply.Check(); ok {
			for _, n := range notes {
				list = append(list, fmt.Sprintf("%s, charger %s: %s", h.Name, h.Supply.Charger.Text, n))
			}
		}
	}
	return list
}

var quantityNames = []string{string(meters.Power), string(meters.Voltage), string(meters.Current), string(meters.Temperature), string(meters.Luminance)}

func quantityName() *scalar { return choice(quantityNames...) }

// A column that holds nothing of interest.
const skipColumn = "skip"

var queryShape = &either{
	scalar: text("a query as the instrument's manual has it, such as MEAS:POW?", 200),
	mapping: &object{noun: "a query", fields: []field{
		{key: "ask", about: "The query as the instrument's manual has it; its header ends in a question mark.", shape: text("a query such as FETC?", 200), required: true},
		{key: "field", about: "Which of several values between commas, from 1.", shape: wholeNumber(1, 100, ""), def: 1},
		{key: "factor", about: "Makes W, V, A, °C or cd/m² of what the instrument sends.", shape: factor(), def: 1},
	}},
}

func factor() *scalar { return number(-1e9, 1e9, "") }

var formatFields = []field{
	{key: "columns", about: "What the numbers in a line are, in their order; skip leaves one out.", shape: &list{noun: "1 to 20 quantities", value: choice(append(slices.Clone(quantityNames), skipColumn)...), least: 1, most: 20}},
	{key: "pattern", about: "Instead of columns: a regular expression with groups named after quantities, such as P=(?P<power>[0-9.]+).", shape: text("a regular expression of up to 300 characters", 300)},
	{key: "factors", about: "What makes W, V, A, °C or cd/m² of the number printed, by quantity.", shape: &dictionary{noun: "factors by quantity", key: quantityName(), value: factor()}},
}

func columnText() *scalar { return text("a column's name as in the file, or #1 for the first", 100) }

var meterShape = &object{
	noun: "a meter",
	fields: []field{
		{key: "name", about: "What the lab calls it; unique on the bench.", shape: name("a name"), required: true},
		{key: "handset", about: "The handset on whose charging line it is.", shape: name("a handset's name")},
		{key: "room", about: "It reads the room's temperature, a condition of every run.", shape: onOff()},
		{key: "light", about: "It reads the luminance of the screen that it is put before, for calibrations.", shape: onOff()},
		{key: "every", about: "How often it is read: 1 s to 10 s on a charging line. Left out: 1 s there, 1 min in the room.", shape: duration(100*time.Millisecond, time.Hour)},
		{key: "timeout", about: "The longest that one reading may take.", shape: duration(100*time.Millisecond, time.Minute), def: "5 s"},
		{key: "accuracy_pct", about: "What its maker or its certificate states, % of the reading.", shape: percent(0, 50)},
		{key: "digit_cd_m2", about: "Of a light meter: its last digit, cd/m².", shape: number(0, 100, "cd/m²", "cd/m²")},
		{key: "scpi", about: "An instrument that speaks SCPI over TCP.", shape: &object{noun: "an SCPI instrument", fields: []field{
			{key: "address", about: "host:port; the port is usually 5025.", shape: hostPort(false), required: true},
			{key: "queries", about: "How each quantity is asked for.", shape: &dictionary{noun: "queries by quantity", key: quantityName(), value: queryShape, least: 1}, required: true},
			{key: "setup", about: "Commands sent after each connection, such as one that chooses a range; no queries.", shape: &list{noun: "up to 20 commands", value: text("a command of one line", 200), most: 20}},
			{key: "error_queue", about: "Whether it knows SYSTem:ERRor?.", shape: onOff(), def: "on"},
		}}},
		{key: "serial", about: "A serial line that prints numbers: 8 data bits, no parity, 1 stop bit.", shape: &object{noun: "a serial line", fields: append([]field{
			{key: "port", about: "The device.", shape: matching("a device such as /dev/ttyUSB0 or /dev/serial/by-id/…", `^/dev/[!-~]{1,200}$`), required: true},
			{key: "baud", about: "Its speed.", shape: wholeNumber(300, 921600, "baud"), def: 9600},
			{key: "ask", about: "What is sent before each reading, for one that prints only when asked.", shape: text("a line of up to 100 characters", 100)},
			{key: "ask_end", about: "How what is sent ends.", shape: choice("lf", "crlf", "cr"), def: "lf"},
		}, formatFields...), check: checkFormat}},
		{key: "command", about: "The lab's own program that prints numbers, run on the host without a shell.", shape: &object{noun: "a program", fields: append([]field{
			{key: "run", about: "Program and arguments.", shape: commandShape, required: true},
			{key: "stays", about: "Whether it runs on and prints line after line; otherwise it is run for each reading.", shape: onOff(), def: "off"},
		}, formatFields...), check: checkFormat}},
		{key: "record", about: "A meter that records by itself: what the columns of its CSV file are. rundown meter attach takes the file in.", shape: &object{noun: "a meter's own record", fields: []field{
			{key: "time", about: "Column of the time.", shape: columnText(), required: true},
			{key: "time_as", about: "s, ms, or how an instant is written, by the reference time 2006-01-02 15:04:05. Left out: RFC 3339, else seconds.", shape: text("s, ms or a form such as 2006-01-02 15:04:05", 60)},
			{key: "zone", about: "Time zone of instants without one, by its IANA name; left out: UTC.", shape: zone()},
			{key: "power", about: "Column of power; or voltage and current are given.", shape: columnText()},
			{key: "voltage", about: "Column of voltage.", shape: columnText()},
			{key: "current", about: "Column of current.", shape: columnText()},
			{key: "factor", about: "Makes W of power, or of voltage times current.", shape: factor(), def: 1},
		}, check: func(r *reader, e *entry) {
			if both := e.has("voltage") && e.has("current"); e.has("power") == both || !both && (e.has("voltage") || e.has("current")) {
				r.fault(e.node, e.path, "want a column of power, or one of voltage and one of current")
			}
		}}},
	},
	check: checkMeter,
	also: map[string]any{"allOf": []any{
		oneOfKeys("scpi", "serial", "command", "record"),
		map[string]any{"anyOf": []any{map[string]any{"required": []any{"handset"}}, map[string]any{"required": []any{"room"}}, map[string]any{"required": []any{"light"}}}},
	}},
}

func oneOfKeys(keys ...string) map[string]any {
	var list []any
	for _, k := range keys {
		list = append(list, map[string]any{"required": []any{k}})
	}
	return map[string]any{"oneOf": list}
}

func checkFormat(r *reader, e *entry) {
	if e.has("columns") == e.has("pattern") {
		r.fault(e.node, e.path, "want either columns or a pattern")
		return
	}
	at := e.at("columns")
	if at == nil {
		at = e.at("pattern")
	}
	if err := lineFormat(e).Check(); err != nil {
		r.fault(at.node, at.path, "%s", strings.TrimPrefix(err.Error(), "line format: "))
	}
}

func lineFormat(e *entry) meters.LineFormat {
	f := meters.LineFormat{Pattern: valueOf[string](e, "pattern"), Factors: map[meters.Quantity]float64{}}
	for _, w := range words(e.at("columns")) {
		if w == skipColumn {
			w = ""
		}
		f.Columns = append(f.Columns, meters.Quantity(w))
	}
	for q, v := range each(e.at("factors")) {
		f.Factors[meters.Quantity(q)], _ = v.value.(float64)
	}
	return f
}

// checkMeter looks at what hangs together within one meter.
func checkMeter(r *reader, e *entry) {
	var ways, of []string
	for _, key := range []string{"scpi", "serial", "command", "record"} {
		if e.has(key) {
			ways = append(ways, key)
		}
	}
	if len(ways) != 1 {
		r.fault(e.node, e.path, "want one of scpi, serial, command or record")
		return
	}
	if e.has("handset") {
		of = append(of, "handset")
	}
	for _, key := range []string{"room", "light"} {
		if valueOf[bool](e, key) {
			of = append(of, key)
		}
	}
	if len(of) != 1 {
		r.fault(e.node, e.path, "want one of handset, room: on or light: on, got %d", len(of))
		return
	}
	m := meterOf(e)
	if ways[0] == "record" {
		if of[0] != "handset" {
			r.fault(e.at("record").node, e.path, "a record belongs to a handset: want handset")
		}
		return
	}
	needs := map[string][]meters.Quantity{"handset": {meters.Power, meters.Voltage, meters.Current}, "room": {meters.Temperature}, "light": {meters.Luminance}}[of[0]]
	if !slices.ContainsFunc(m.Quantities(), func(q meters.Quantity) bool { return slices.Contains(needs, q) }) {
		r.fault(e.at(ways[0]).node, join(e.path, ways[0]), "a meter with %s reads %s, and this one is not told how", of[0], needs[0])
	}
	if m.SCPI != nil {
		if _, err := meters.NewSCPI(m.SCPI.Address, meters.SCPIOptions{Queries: m.SCPI.Queries, Setup: m.SCPI.Setup}); err != nil {
			r.fault(e.at("scpi").node, join(e.path, "scpi"), "%s", strings.TrimPrefix(err.Error(), "meter "+m.SCPI.Address+": "))
		}
	}
}

func meterOf(e *entry) Meter {
	m := Meter{
		Name: valueOf[string](e, "name"), Handset: valueOf[string](e, "handset"), Room: valueOf[bool](e, "room"), Light: valueOf[bool](e, "light"),
		Every: valueOf[time.Duration](e, "every"), Timeout: valueOf[time.Duration](e, "timeout"),
		AccuracyPct: valueOf[float64](e, "accuracy_pct"), DigitCdM2: valueOf[float64](e, "digit_cd_m2"),
	}
	if m.Every == 0 {
		m.Every = time.Second
		if m.Room {
			m.Every = time.Minute
		}
	}
	if s := e.at("scpi"); s != nil {
		m.SCPI = &SCPIMeter{Address: valueOf[string](s, "address"), Setup: words(s.at("setup")), ErrorQueue: valueOf[bool](s, "error_queue"), Queries: map[meters.Quantity]meters.Query{}}
		for q, v := range each(s.at("queries")) {
			query := meters.Query{Field: 1, Factor: 1}
			if v.in == nil {
				query.Ask, _ = v.value.(string)
			} else {
				query = meters.Query{Ask: valueOf[string](v, "ask"), Field: valueOf[int](v, "field"), Factor: valueOf[float64](v, "factor")}
			}
			m.SCPI.Queries[meters.Quantity(q)] = query
		}
	}
	if s := e.at("serial"); s != nil {
		m.Lines = &LinesMeter{Port: valueOf[string](s, "port"), Baud: valueOf[int](s, "baud"), Format: lineFormat(s)}
		if ask := valueOf[string](s, "ask"); ask != "" {
			m.Lines.Ask = ask + map[string]string{"lf": "\n", "crlf": "\r\n", "cr": "\r"}[valueOf[string](s, "ask_end")]
		}
	}
	if c := e.at("command"); c != nil {
		m.Lines = &LinesMeter{Command: words(c.at("run")), Stays: valueOf[bool](c, "stays"), Format: lineFormat(c)}
	}
	if c := e.at("record"); c != nil {
		m.Record = &MeterRecord{
			Time: valueOf[string](c, "time"), TimeAs: valueOf[string](c, "time_as"), Zone: valueOf[string](c, "zone"),
			Power: valueOf[string](c, "power"), Voltage: valueOf[string](c, "voltage"), Current: valueOf[string](c, "current"), Factor: valueOf[float64](c, "factor"),
		}
	}
	return m
}

// meters builds the bench's meters and checks what they refer to.
func (b *builder) meters(e *entry) (list []Meter) {
	if e == nil {
		return nil
	}
	names := map[string]*entry{}
	for _, m := range e.list {
		list = append(list, meterOf(m))
		b.unique(m.at("name"), names, "meter", strings.ToLower)
		if m.has("handset") {
			b.refer(m.at("handset"), "handset", b.handsets())
		}
	}
	return list
}

var levelShape = &object{noun: "a level", fields: []field{
	{key: "volts", about: "Voltage, V, as it stands on the charger.", shape: number(1, 60, "V", "V"), required: true},
	{key: "amps", about: "Current, A, as it stands on the charger.", shape: number(0.05, 20, "A", "A"), required: true},
}}

var chargerShape = &object{
	noun: "a charger",
	fields: []field{
		{key: "text", about: "What it is, for the record: make, model, number.", shape: text("a line of up to 200 characters", 200), required: true},
		{key: "watts", about: "Its rated power, W.", shape: number(0.5, 500, "W", "W")},
		{key: "levels", about: "Its levels as they stand on it; held against the tables of USB power.", shape: &list{noun: "1 to 20 levels", value: levelShape, least: 1, most: 20}, required: true},
	},
}

var cableShape = &object{
	noun: "a cable",
	fields: []field{
		{key: "text", about: "What it is, for the record.", shape: text("a line of up to 200 characters", 200), required: true},
		{key: "amps", about: "What it carries, A: 3, or 5 with a marker.", shape: number(0.5, 10, "A", "A")},
		{key: "extended", about: "Whether it is made for more than 20 V.", shape: onOff()},
	},
}

// supply builds a handset's charger and cable.
func (b *builder) supply(h *entry) (s Supply) {
	if c := h.at("charger"); c != nil {
		s.Charger = &usbpower.Charger{Text: valueOf[string](c, "text"), Watts: valueOf[float64](c, "watts")}
		if ls := c.at("levels"); ls != nil {
			for _, l := range ls.list {
				s.Charger.Levels = append(s.Charger.Levels, usbpower.Level{Volts: valueOf[float64](l, "volts"), Amps: valueOf[float64](l, "amps")})
			}
		}
	}
	if c := h.at("cable"); c != nil {
		s.Cable = &usbpower.Cable{Text: valueOf[string](c, "text"), Amps: valueOf[float64](c, "amps"), Extended: valueOf[bool](c, "extended")}
		if s.Charger == nil {
			b.r.fault(c.node, c.path, "a cable without a charger says nothing: want charger")
		}
	}
	return s
}
