package simulated_test

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/devices/devicestest"
	"rundown/devices/hosttest"
	"rundown/devices/simulated"
)

func fast(o simulated.Options) simulated.Options {
	o.Clock = simulated.NewScaledClock(time.Now(), 10)
	return o
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The handset keeps what devices.Link promises, on every flavour.
func TestLinkInProcess(t *testing.T) {
	for _, f := range simulated.Flavours() {
		for _, v1 := range []bool{false, true} {
			devicestest.Run(t, func(t *testing.T) devices.Link {
				h := simulated.New(fast(simulated.Options{Android: f, NoShellV2: v1}))
				t.Cleanup(h.Close)
				return h
			})
		}
	}
}

func TestLinkThroughOwnServer(t *testing.T) {
	devicestest.Run(t, func(t *testing.T) devices.Link {
		h := simulated.New(fast(simulated.Options{Serial: "SIMX"}))
		t.Cleanup(h.Close)
		l := listen(t)
		t.Cleanup(simulated.ServeServer(l, h))
		return adb.New(l.Addr().String()).Handset("SIMX")
	})
}

// stockServer starts an adb server of the installed adb on a port of its own.
func stockServer(t *testing.T) *adb.Server {
	t.Helper()
	hosttest.Program(t, "adb")
	l := listen(t)
	addr := l.Addr().String()
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	server := exec.Command("adb", "-P", port, "nodaemon", "server")
	server.Env = append(os.Environ(), "HOME="+t.TempDir(), "ADB_MDNS=0")
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = server.Process.Kill()
		_ = server.Wait()
	})
	s := adb.New(addr)
	within(t, "the adb server answers", func() bool {
		_, err := s.Version(t.Context())
		return err == nil
	})
	return s
}

func within(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 30 s: %s", what)
		}
	}
}

func TestLinkThroughStockServer(t *testing.T) {
	s := stockServer(t)
	h := simulated.New(fast(simulated.Options{}))
	t.Cleanup(h.Close)
	l := listen(t)
	t.Cleanup(simulated.ServeDevice(l, h))
	addr := l.Addr().String()
	if err := s.Connect(t.Context(), addr); err != nil {
		t.Fatal(err)
	}
	devicestest.Run(t, func(t *testing.T) devices.Link { return s.Handset(addr) })

	t.Run("a restart of adbd ends a command without an exit", func(t *testing.T) {
		done := make(chan error, 1)
		go func() {
			_, err := s.Handset(addr).Shell(context.Background(), "sleep 3000")
			done <- err
		}()
		time.Sleep(100 * time.Millisecond)
		h.RestartAdbd()
		select {
		case err := <-done:
			if !errors.Is(err, devices.ErrLinkLost) {
				t.Errorf("sleep: %v, want ErrLinkLost", err)
			}
		case <-time.After(30 * time.Second):
			t.Error("the command never ended")
		}
	})
}

func TestOwnServerShowsStates(t *testing.T) {
	h := simulated.New(fast(simulated.Options{Serial: "SIMX", Model: "AL-1"}))
	t.Cleanup(h.Close)
	l := listen(t)
	t.Cleanup(simulated.ServeServer(l, h))
	s := adb.New(l.Addr().String())
	for _, tt := range []struct {
		name   string
		change func()
		want   error
	}{
		{"sound", func() {}, nil},
		{"offline", h.LoseLink, devices.ErrOffline},
		{"unauthorised", h.RevokeAuthorisation, devices.ErrUnauthorised},
		{"back", h.RestoreLink, nil},
	} {
		tt.change()
		out, err := s.Handset("SIMX").Shell(t.Context(), "getprop ro.product.model")
		if !errors.Is(err, tt.want) || err == nil && out.Stdout != "AL-1\n" {
			t.Errorf("%s: %+v, %v; want error %v", tt.name, out, err, tt.want)
		}
	}
}
