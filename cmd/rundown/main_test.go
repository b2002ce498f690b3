package main

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"rundown/orchestrator/demo"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"rundown": main})
}

// The command line as people use it, each script in an empty folder.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				return err
			}
			e.Setenv("PORT", l.Addr().String()[len("127.0.0.1:"):])
			e.Setenv("RUNDOWN_DAEMON", l.Addr().String())
			stage, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				return errors.Join(err, l.Close())
			}
			e.Setenv("STAGE", stage.Addr().String()[len("127.0.0.1:"):])
			return errors.Join(l.Close(), stage.Close())
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			// fill puts the script's variables into a file.
			"fill": func(ts *testscript.TestScript, neg bool, args []string) {
				path := ts.MkAbs(args[0])
				ts.Check(os.WriteFile(path, []byte(os.Expand(ts.ReadFile(path), ts.Getenv)), 0o644))
			},
			// runs puts the newest run that was printed last into $RUN.
			"runs": func(ts *testscript.TestScript, neg bool, args []string) {
				id := regexp.MustCompile(`(?m)^r[0-9]{14}-[0-9a-f]{8}`).FindString(ts.ReadFile("stdout"))
				if id == "" {
					ts.Fatalf("no run is listed")
				}
				ts.Setenv("RUN", id)
			},
			// freeport puts a free port in the place of FREEPORT in a file.
			"freeport": func(ts *testscript.TestScript, neg bool, args []string) {
				l, err := net.Listen("tcp", "127.0.0.1:0")
				ts.Check(err)
				ts.Check(l.Close())
				path := ts.MkAbs(args[0])
				_, port, _ := strings.Cut(l.Addr().String(), ":")
				ts.Check(os.WriteFile(path, []byte(strings.ReplaceAll(ts.ReadFile(path), "FREEPORT", port)), 0o600))
			},
			// answers waits until a daemon answers on $PORT.
			"answers": func(ts *testscript.TestScript, neg bool, args []string) {
				for deadline := time.Now().Add(3 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
					c, err := net.Dial("tcp", ts.Getenv("RUNDOWN_DAEMON"))
					if err == nil {
						_ = c.Close()
						return
					}
					if time.Now().After(deadline) {
						ts.Fatalf("no daemon answers: %v", err)
					}
				}
			},
		},
		Deadline: time.Now().Add(15 * time.Minute),
	})
}

// demo --once --json is what other programs read.
func TestDemoOnce(t *testing.T) {
	if testing.Short() {
		t.Skip("a whole night")
	}
	var out, log strings.Builder
	ctx, cancel := context.WithTimeout(t.Context(), 9*time.Minute)
	defer cancel()
	if code := run(ctx, []string{"demo", "--once", "--json", "--seed", "3", "--factor", nightFactor}, &out, &log); code != 0 {
		t.Fatalf("exit code %d\n%s", code, log.String())
	}
	var night struct {
		Results []demo.Row `json:"results"`
	}
	if err := json.Unmarshal([]byte(out.String()), &night); err != nil {
		t.Fatal(err)
	}
	if len(night.Results) != 20 {
		t.Fatalf("%d results, want four handsets with five scenarios each:\n%s", len(night.Results), out.String())
	}
	held := 0
	for _, r := range night.Results {
		if r.SegmentsKept < 1 || r.Hours <= 0 || r.Points < 3 || r.TruthHours <= 0 {
			t.Errorf("%s %s: %+v; want a figure and its truth", r.Handset, r.Scenario, r)
		}
		if r.Low <= r.TruthHours && r.TruthHours <= r.High {
			held++
		}
	}
	// Each interval is meant to hold the truth in 95 of 100; 15 or fewer of 20 has odds of 1 in 390.
	if held < 16 {
		t.Errorf("%d of 20 intervals hold the truth:\n%s", held, out.String())
	}
}

// The demo's charging night, as other programs read it.
func TestDemoChargingNight(t *testing.T) {
	if testing.Short() {
		t.Skip("a whole night")
	}
	var out, log strings.Builder
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	if code := run(ctx, []string{"demo", "--once", "--charge", "--json", "--factor", nightFactor}, &out, &log); code != 0 {
		t.Fatalf("exit code %d\n%s", code, log.String())
	}
	var night struct {
		Charges []demo.ChargeRow `json:"charges"`
	}
	if err := json.Unmarshal([]byte(out.String()), &night); err != nil || len(night.Charges) != 4 {
		t.Fatalf("%d charges, %v; want four:\n%s", len(night.Charges), err, out.String())
	}
	for _, c := range night.Charges {
		if c.Reason != "" || c.FullS == nil || c.Efficiency == nil || c.PeakSocketW == nil || c.Meter != "line "+c.Handset || c.ErrorPct < -4 || c.ErrorPct > 4 {
			t.Errorf("%s: %+v; want a figure by the meter on its line, and the charge within 4 %% of the cell's", c.Handset, c)
		}
	}
}

func TestExampleFileIsTheDocumentedOne(t *testing.T) {
	if _, err := os.Stat("../../scenarios.example.yaml"); err != nil {
		t.Fatal(err)
	}
	var out, errOut strings.Builder
	if code := run(t.Context(), []string{"validate", "../../scenarios.example.yaml"}, &out, &errOut); code != 0 {
		t.Errorf("exit code %d: %s", code, errOut.String())
	}
}
