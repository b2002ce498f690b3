package api

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator"
	"rundown/results"
	"rundown/results/reading"
	"rundown/scenarios"
)

// registerMeters makes the routes of meters.
func (s *Server) registerMeters(a huma.API) {
	get(s, a, "/v1/meters", "meters", "Every meter of the bench, read once now", s.meters)
	s.note(Operator, http.MethodPost+" "+recordsPath, "attach-record")
	huma.Register(a, huma.Operation{
		OperationID: "attach-record", Method: http.MethodPost, Path: recordsPath, Summary: "Attach a meter's own CSV record to a segment, lined up with the handset's", MaxBodyBytes: maxFile,
		Description: "Needs the role operator. The body is the file; every fault comes with its line, and then nothing is stored. The same file attached again changes nothing; another one of the same meter takes its place, and the earlier one is kept and marked.",
	}, s.attach)
	get(s, a, "/v1/charges", "charges", "What charging segments say", s.charges)
	get(s, a, "/v1/sustained", "sustained", "What sustained work says: rates, the share held, heat and power", s.sustained)
}

func (s *Server) meters(ctx context.Context, _ *none) (*body[[]orchestrator.MeterNow], error) {
	list := s.d.MetersNow(ctx)
	if list == nil {
		list = []orchestrator.MeterNow{}
	}
	return &body[[]orchestrator.MeterNow]{list}, nil
}

type attachInput struct {
	Of        string  `query:"of" required:"true" doc:"a segment, or a run of which one segment was charged"`
	Meter     string  `query:"meter" doc:"of the plan file; left out: the handset's only one that records by itself"`
	File      string  `query:"file" maxLength:"200" doc:"the file's name, for the record"`
	Time      string  `query:"time" doc:"column of the time, instead of the plan file's; #1 is the first"`
	TimeAs    string  `query:"time_as" doc:"s, ms, or how an instant is written, by the reference time 2006-01-02 15:04:05"`
	Zone      string  `query:"zone" doc:"time zone of instants without one, by its IANA name"`
	Power     string  `query:"power" doc:"column of power"`
	Voltage   string  `query:"voltage" doc:"column of voltage"`
	Current   string  `query:"current" doc:"column of current"`
	Factor    float64 `query:"factor" doc:"makes W of the columns"`
	PluggedIn string  `query:"plugged_in" doc:"when power came, by the meter's clock and as its file writes it; left out: as its power shows"`
	RawBody   []byte  `contentType:"text/csv"`
}

func (s *Server) attach(ctx context.Context, in *attachInput) (*body[results.MeterRecord], error) {
	did(ctx, "attached a meter's record to "+in.Of)
	rec, err := s.d.Attach(orchestrator.Attach{
		Of: in.Of, Meter: in.Meter, File: in.File, CSV: in.RawBody, PluggedIn: in.PluggedIn,
		Columns: scenarios.MeterRecord{Time: in.Time, TimeAs: in.TimeAs, Zone: in.Zone, Power: in.Power, Voltage: in.Voltage, Current: in.Current, Factor: in.Factor},
	})
	if err != nil {
		return nil, problem(err)
	}
	return &body[results.MeterRecord]{rec}, nil
}

type chargesInput struct {
	Run      string `query:"run"`
	Handset  string `query:"handset"`
	Scenario string `query:"scenario"`
	Plan     string `query:"plan"`
	Flagged  bool   `query:"flagged" doc:"give figures of flagged segments too"`
}

func (s *Server) charges(_ context.Context, in *chargesInput) (*body[[]reading.Charge], error) {
	list, err := s.d.Reading().Charges(reading.FigureFilter{Run: in.Run, Handset: in.Handset, Scenario: in.Scenario, Plan: in.Plan, WithFlagged: in.Flagged})
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	if list == nil {
		list = []reading.Charge{}
	}
	return &body[[]reading.Charge]{list}, nil
}

func (s *Server) sustained(_ context.Context, in *chargesInput) (*body[[]reading.Sustained], error) {
	list, err := s.d.Reading().Sustained(reading.FigureFilter{Run: in.Run, Handset: in.Handset, Scenario: in.Scenario, Plan: in.Plan, WithFlagged: in.Flagged})
	if err != nil && len(list) == 0 {
		return nil, problem(err)
	}
	if list == nil {
		list = []reading.Sustained{}
	}
	return &body[[]reading.Sustained]{list}, nil
}

// Meters reads every meter of the bench once.
func (c *Client) Meters(ctx context.Context) (list []orchestrator.MeterNow, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/meters", nil, &list)
}

// Attach takes in a meter's own record.
func (c *Client) Attach(ctx context.Context, a orchestrator.Attach) (rec results.MeterRecord, err error) {
	q := url.Values{}
	set := func(key, value string) {
		if value != "" {
			q.Set(key, value)
		}
	}
	set("of", a.Of)
	set("meter", a.Meter)
	set("file", a.File)
	set("time", a.Columns.Time)
	set("time_as", a.Columns.TimeAs)
	set("zone", a.Columns.Zone)
	set("power", a.Columns.Power)
	set("voltage", a.Columns.Voltage)
	set("current", a.Columns.Current)
	set("plugged_in", a.PluggedIn)
	if a.Columns.Factor != 0 {
		set("factor", strconv.FormatFloat(a.Columns.Factor, 'g', -1, 64))
	}
	answer, err := c.send(ctx, http.MethodPost, recordsPath+"?"+q.Encode(), bytes.NewReader(a.CSV))
	if err != nil {
		return rec, err
	}
	defer answer.Body.Close()
	return rec, json.NewDecoder(answer.Body).Decode(&rec)
}

// Sustained is what sustained work says; q filters by run, handset, scenario
// and plan.
func (c *Client) Sustained(ctx context.Context, q url.Values) (list []reading.Sustained, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/sustained?"+q.Encode(), nil, &list)
}

// Charges are what charging segments say; q filters by run, handset, scenario and plan.
func (c *Client) Charges(ctx context.Context, q url.Values) (list []reading.Charge, err error) {
	return list, c.call(ctx, http.MethodGet, "/v1/charges?"+q.Encode(), nil, &list)
}
