package adb_test

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/devices/hosttest"
	"rundown/devices/simulated"
	"rundown/devices/simulated/wire"
)

// TestStockServerLosesAHandset links a simulated handset through a stock adb server, then
// takes the link away: a command that runs ends as lost, the tracker tells of the offline
// link, which server 29 does not push, and KeepConnected brings it back.
func TestStockServerLosesAHandset(t *testing.T) {
	program := hosttest.Program(t, "adb")
	listen := func() net.Listener {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	free := listen()
	addr := free.Addr().String()
	free.Close()
	_, port, _ := net.SplitHostPort(addr)
	cmd := exec.Command(program, "-P", port, "nodaemon", "server")
	cmd.Env = append(os.Environ(), "HOME="+t.TempDir())
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}()

	phone := simulated.New(simulated.Options{Serial: "SIM1", Model: "Sim Phone-1", Seed: 1, LevelPct: 80})
	defer phone.Close()
	l := listen()
	at := l.Addr().String()
	defer simulated.ServeDevice(l, phone)()

	s := adb.New(addr, func(o *adb.Options) { o.PollEvery, o.RetryFirst = 50*time.Millisecond, 20*time.Millisecond })
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	reports, lists := make(chan error, 1000), make(chan adb.Listing, 1000)
	done := make(chan struct{}, 2)
	go func() { _ = s.KeepConnected(ctx, at, func(err error) { reports <- err }); done <- struct{}{} }()
	go func() { _ = s.Track(ctx, func(l adb.Listing) { lists <- l }); done <- struct{}{} }()
	defer func() { cancel(); <-done; <-done }()

	// KeepConnected meets a server that is still starting, then links.
	up := func() {
		t.Helper()
		for {
			select {
			case err := <-reports:
				if err == nil {
					return
				}
			case <-ctx.Done():
				t.Fatal("the handset was never linked")
			}
		}
	}
	listed := func(want adb.State) adb.Device {
		t.Helper()
		for {
			select {
			case l := <-lists:
				if i := slices.IndexFunc(l.Devices, func(d adb.Device) bool { return d.Serial == at && d.State == want }); i >= 0 {
					return l.Devices[i]
				}
			case <-ctx.Done():
				t.Fatalf("the tracker never told of state %q", want)
			}
		}
	}
	up()
	if d := listed(adb.StateReady); d.Model != "Sim_Phone_1" || d.TransportID == 0 || d.Server != addr || d.Advice() != "" {
		t.Errorf("listed as %+v, want its model and transport", d)
	}
	h := s.Handset(at)
	if out, err := h.Shell(ctx, "echo out; echo err >&2; exit 7"); err != nil || out != (devices.Output{Stdout: "out\n", Stderr: "err\n", ExitCode: 7, ExitKnown: true}) {
		t.Errorf("Shell = %+v, %v", out, err)
	}

	started := make(chan struct{})
	lost := make(chan error, 1)
	go func() {
		first := true
		_, err := h.StreamShell(ctx, "echo started; sleep 600", writer(func(p []byte) (int, error) {
			if first {
				first = false
				close(started)
			}
			return len(p), nil
		}), writer(func(p []byte) (int, error) { return len(p), nil }))
		lost <- err
	}()
	select {
	case <-started:
	case err := <-lost:
		t.Fatalf("the command did not start: %v", err)
	}
	phone.Faults().Set(wire.Fault{LinkDown: true})
	if err := <-lost; !errors.Is(err, devices.ErrLinkLost) {
		t.Errorf("command over a lost link = %v, want ErrLinkLost", err)
	}
	if d := listed(adb.StateOffline); !strings.Contains(d.Advice(), "Wi-Fi") {
		t.Errorf("Advice of an offline handset = %q", d.Advice())
	}
	if _, err := h.Shell(ctx, "true"); !errors.Is(err, devices.ErrOffline) {
		t.Errorf("Shell on an offline handset = %v, want ErrOffline", err)
	}
	phone.Faults().Set(wire.Fault{})
	up()
	if out, err := h.Shell(ctx, "echo back"); err != nil || out.Stdout != "back\n" {
		t.Errorf("Shell after the link came back = %+v, %v", out, err)
	}
}

type writer func([]byte) (int, error)

func (w writer) Write(p []byte) (int, error) { return w(p) }
