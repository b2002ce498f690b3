package adb

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"rundown/devices"
)

// Devices lists what the server sees, in whatever state. A row that cannot be read is
// reported in the error; the rows that could are returned with it.
func (s *Server) Devices(ctx context.Context) ([]Device, error) {
	list, err := s.request(ctx, s.o.RequestTimeout, "", "host:devices-l")
	if err != nil {
		return nil, err
	}
	return s.read(list)
}

func (s *Server) read(list string) ([]Device, error) {
	rows, faults := parseDevices(list)
	if rows == nil {
		rows = []Device{} // nil means that there was no list
	}
	for i := range rows {
		rows[i].Server = s.addr
	}
	if len(faults) > 0 {
		return rows, fmt.Errorf("adb server %s: %w", s.addr, errors.Join(faults...))
	}
	return rows, nil
}

// State asks for the state of one handset. Offline and unauthorised are answers, not
// errors; devices.ErrNoHandset means that the server does not list it.
func (s *Server) State(ctx context.Context, serial string) (State, error) {
	word, err := s.request(ctx, s.o.RequestTimeout, serial, "host-serial:"+serial+":get-state")
	switch {
	case err == nil:
		return stateOf(word), nil
	case errors.Is(err, devices.ErrOffline):
		return StateOffline, nil
	case errors.Is(err, devices.ErrUnauthorised):
		return StateUnauthorised, nil
	case errors.Is(err, devices.ErrNoPermission):
		return StateNoPermission, nil
	}
	return "", err
}

// Connect links the server with a handset over TCP at host:port (port 5555 where none is
// given). The server answers OKAY whatever happened; its text is what counts:
// devices.ErrUnauthorised when the handset wants its dialog answered, devices.ErrNoHandset
// when nothing answers there. A handset that was connected before counts as connected even
// if its link is down now: see State.
func (s *Server) Connect(ctx context.Context, hostport string) error {
	hostport, err := handsetAddr(hostport)
	if err != nil {
		return err
	}
	text, err := s.request(ctx, s.o.ConnectTimeout, hostport, "host:connect:"+hostport)
	if err != nil {
		return err
	}
	return about(hostport, connectResult(text))
}

func connectResult(text string) error {
	text = strings.TrimSpace(text)
	switch {
	case strings.HasPrefix(text, "connected to "), strings.HasPrefix(text, "already connected to "):
		return nil
	case strings.HasPrefix(text, "failed to authenticate to "):
		return fmt.Errorf("%w: %s", devices.ErrUnauthorised, StateUnauthorised.advice())
	case strings.HasPrefix(text, "failed to connect to "), strings.HasPrefix(text, "unable to connect to "), strings.HasPrefix(text, "cannot connect to "):
		return fmt.Errorf("%w (%s): check that it is on the same Wi-Fi network and that its adb listens on TCP; after a restart that has to be switched on again over USB", devices.ErrNoHandset, text)
	}
	return fmt.Errorf("the adb server could not connect: %q", text)
}

// handsetAddr checks an address that is about to become part of a request.
func handsetAddr(hostport string) (string, error) {
	host, port, err := net.SplitHostPort(hostport)
	if err != nil {
		host, port = strings.Trim(hostport, "[]"), "5555"
	}
	if host == "" || strings.ContainsAny(host+port, " \t\r\n\x00/;") {
		return "", fmt.Errorf("address %q: want host:port of a handset", hostport)
	}
	return net.JoinHostPort(host, port), nil
}

// Disconnect ends the link with a handset at host:port. One that is not connected is no error.
func (s *Server) Disconnect(ctx context.Context, hostport string) error {
	hostport, err := handsetAddr(hostport) // never empty: that would disconnect every handset
	if err != nil {
		return err
	}
	text, err := s.request(ctx, s.o.RequestTimeout, hostport, "host:disconnect:"+hostport)
	switch {
	case errors.Is(err, devices.ErrNoHandset):
		return nil
	case err != nil:
		return err
	case strings.HasPrefix(text, "disconnected "), strings.Contains(text, "no such device"):
		return nil
	}
	return about(hostport, fmt.Errorf("the adb server could not disconnect: %q", text))
}

// KeepConnected keeps a TCP link up until ctx ends, and returns ctx's error then. It asks
// for the state every Options.PollEvery, connects when the server does not list the
// handset (it forgets one about a minute after the link dropped, or when it restarts), and
// starts the link anew when the handset has been offline for longer than that. Between
// tries it waits from RetryFirst up to RetryMost, doubling.
//
// report is called at each change: nil when the link is up, an error when it is not.
func (s *Server) KeepConnected(ctx context.Context, hostport string, report func(error)) error {
	hostport, err := handsetAddr(hostport)
	if err != nil {
		return err
	}
	// The server tries an offline link again by itself for about 60 s (release 29: 6 times
	// in 10 s steps; later ones 20 times in 3 s steps).
	const patience = 75 * time.Second
	var (
		said    string // last error reported; "" before the first report
		up      bool
		offline time.Time // since when
		wait    = s.o.RetryFirst
	)
	for ctx.Err() == nil {
		state, err := s.State(ctx, hostport)
		pause := s.o.PollEvery
		switch {
		case err == nil && state == StateReady:
			offline, wait = time.Time{}, s.o.RetryFirst
		case err == nil:
			err = about(hostport, state.err())
			if state != StateOffline {
				offline = time.Time{}
				break
			}
			if offline.IsZero() {
				offline = time.Now()
			}
			if time.Since(offline) > patience {
				offline = time.Time{}
				_ = s.Disconnect(ctx, hostport) // the next round connects, and reports if it cannot
			}
		case errors.Is(err, devices.ErrNoHandset):
			offline = time.Time{}
			if err = s.Connect(ctx, hostport); err == nil {
				pause = 0 // ask for the state at once
				if state, e := s.State(ctx, hostport); e != nil || state != StateReady {
					pause = s.o.PollEvery
					err = errors.Join(e, about(hostport, state.err()))
				}
				break
			}
			pause, wait = wait, min(2*wait, s.o.RetryMost)
		default: // no server
			pause, wait = wait, min(2*wait, s.o.RetryMost)
		}
		if ctx.Err() != nil {
			break
		}
		switch {
		case err == nil && !up:
			up, said = true, ""
			report(nil)
		case err != nil && err.Error() != said:
			up, said = false, err.Error()
			report(err)
		}
		sleep(ctx, max(pause, 10*time.Millisecond))
	}
	return ctx.Err()
}

// err is the error that a state stands for; nil when the handset can be used.
func (s State) err() error {
	kind := devices.ErrOffline
	switch s {
	case StateReady:
		return nil
	case StateUnauthorised, StateAuthorising:
		kind = devices.ErrUnauthorised
	case StateNoPermission:
		kind = devices.ErrNoPermission
	case StateOffline, StateConnecting:
	case "":
		return nil // the state could not be asked for; that error is reported instead
	default:
		return fmt.Errorf("%w: %s", fmt.Errorf("%w (state %s)", devices.ErrOffline, s), s.advice())
	}
	return fmt.Errorf("%w: %s", kind, s.advice())
}

// sleep waits for d or until ctx ends.
func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
