package api

import (
	"context"
	"net/http"
	"net/url"

	"github.com/danielgtaylor/huma/v2"

	"rundown/orchestrator"
)

// registerCalibrations makes the routes of light calibrations: begin one, see how it
// stands, hand in the reading that it waits for, cancel it, forget the one in use.
func (s *Server) registerCalibrations(a huma.API) {
	const at = "/v1/handsets/{name}/calibration"
	get(s, a, at, "calibration", "How a handset's light calibration stands, and the one in use", s.calibration)
	post(s, a, at, "calibrate", "Begin a light calibration of a handset's screen", s.calibrate)
	post(s, a, at+"/reading", "give-reading", "Hand in the reading that a calibration waits for", s.giveReading)
	post(s, a, at+"/cancel", "cancel-calibration", "End a calibration and put the screen's settings back", s.cancelCalibration)
	operator(s, a, http.MethodDelete, at, "forget-calibration", "Go back to the plan file's curve; the readings are kept", s.forgetCalibration)
}

type calibrateInput struct {
	Name string `path:"name"`
	Body orchestrator.CalibrationRequest
}

func (s *Server) calibrate(ctx context.Context, in *calibrateInput) (*body[orchestrator.CalibrationStatus], error) {
	did(ctx, "began a light calibration of "+in.Name)
	return calibrationAnswer(s.d.Calibrate(ctx, in.Name, in.Body))
}

func calibrationAnswer(c orchestrator.CalibrationStatus, err error) (*body[orchestrator.CalibrationStatus], error) {
	if err != nil {
		return nil, problem(err)
	}
	return &body[orchestrator.CalibrationStatus]{c}, nil
}

type calibrationInput struct {
	Name string `path:"name"`
}

func (s *Server) calibration(_ context.Context, in *calibrationInput) (*body[orchestrator.CalibrationStatus], error) {
	return calibrationAnswer(s.d.Calibration(in.Name))
}

// A LightReading is what a person reads off the meter.
type LightReading struct {
	Ask  int     `json:"ask" doc:"the number that the status gave the reading: the same one handed in twice counts once"`
	CdM2 float64 `json:"cd_m2" minimum:"0" maximum:"100000"`
}

type readingInput struct {
	Name string `path:"name"`
	Body LightReading
}

func (s *Server) giveReading(ctx context.Context, in *readingInput) (*body[orchestrator.CalibrationStatus], error) {
	did(ctx, "gave a reading to the light calibration of "+in.Name)
	return calibrationAnswer(s.d.GiveReading(ctx, in.Name, in.Body.Ask, in.Body.CdM2))
}

func (s *Server) cancelCalibration(ctx context.Context, in *calibrationInput) (*body[orchestrator.CalibrationStatus], error) {
	did(ctx, "cancelled the light calibration of "+in.Name)
	return calibrationAnswer(s.d.CancelCalibration(in.Name))
}

func (s *Server) forgetCalibration(ctx context.Context, in *calibrationInput) (*body[orchestrator.CalibrationStatus], error) {
	did(ctx, "forgot the light calibration of "+in.Name)
	if err := s.d.ForgetCalibration(in.Name); err != nil {
		return nil, problem(err)
	}
	return calibrationAnswer(s.d.Calibration(in.Name))
}

func calibrationPath(handset string) string {
	return "/v1/handsets/" + url.PathEscape(handset) + "/calibration"
}

// Calibrate begins a light calibration.
func (c *Client) Calibrate(ctx context.Context, handset string, q orchestrator.CalibrationRequest) (s orchestrator.CalibrationStatus, err error) {
	return s, c.call(ctx, http.MethodPost, calibrationPath(handset), q, &s)
}

// Calibration is how a handset's light calibration stands.
func (c *Client) Calibration(ctx context.Context, handset string) (s orchestrator.CalibrationStatus, err error) {
	return s, c.call(ctx, http.MethodGet, calibrationPath(handset), nil, &s)
}

// GiveReading hands in the reading that a calibration waits for.
func (c *Client) GiveReading(ctx context.Context, handset string, ask int, cdM2 float64) (s orchestrator.CalibrationStatus, err error) {
	return s, c.call(ctx, http.MethodPost, calibrationPath(handset)+"/reading", LightReading{ask, cdM2}, &s)
}

// CancelCalibration ends a light calibration.
func (c *Client) CancelCalibration(ctx context.Context, handset string) (s orchestrator.CalibrationStatus, err error) {
	return s, c.call(ctx, http.MethodPost, calibrationPath(handset)+"/cancel", nil, &s)
}

// ForgetCalibration lets a handset go back to the plan file's curve.
func (c *Client) ForgetCalibration(ctx context.Context, handset string) (s orchestrator.CalibrationStatus, err error) {
	return s, c.call(ctx, http.MethodDelete, calibrationPath(handset), nil, &s)
}
