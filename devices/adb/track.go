package adb

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"
)

// A Listing is what one adb server sees at one instant.
type Listing struct {
	Server  string
	Present bool     // false: the server does not answer, and Err says why
	Devices []Device // in whatever state; nil when the server is absent
	Err     error    // also rows that could not be read
}

func (l Listing) equal(other Listing) bool {
	text := func(err error) string {
		if err == nil {
			return ""
		}
		return err.Error()
	}
	return l.Present == other.Present && slices.Equal(l.Devices, other.Devices) && text(l.Err) == text(other.Err)
}

// Track calls report with what the server sees, now and at each change, until ctx ends;
// it returns ctx's error then. A server that goes away is reported once as absent, tried
// again with growing waits (RetryFirst to RetryMost), and reported as present when it is
// back. report is called from Track's own goroutine, one call at a time.
//
// Changes come from the server's tracker. Server 29 does not push a TCP link that went
// offline, so the list is asked for every Options.PollEvery besides, every second while a
// handset cannot be used: one request, which also shows that the server still answers.
func (s *Server) Track(ctx context.Context, report func(Listing)) error {
	var last *Listing
	tell := func(l Listing) {
		l.Server = s.addr
		if ctx.Err() == nil && (last == nil || !last.equal(l)) {
			last = &l
			report(l)
		}
	}
	wait := s.o.RetryFirst
	for ctx.Err() == nil {
		err := s.follow(ctx, func(l Listing) {
			wait = s.o.RetryFirst
			tell(l)
		})
		if ctx.Err() != nil {
			break
		}
		// A tracker that ended may mean a server that was restarted in between: report it
		// as absent even if it is back at once, because its transports are new.
		tell(Listing{Err: err})
		sleep(ctx, wait)
		wait = min(2*wait, s.o.RetryMost)
	}
	return ctx.Err()
}

// awaited is how often the list is asked for while a handset on it cannot be used: that it
// can be again, server 29 pushes no more than that it could not.
const awaited = time.Second

// follow reports lists from one tracker until it ends.
func (s *Server) follow(ctx context.Context, tell func(Listing)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	const long, short = "host:track-devices-l", "host:track-devices"
	service := long
	sock, err := s.tracker(ctx, service)
	if err != nil && strings.Contains(err.Error(), "unknown host service") {
		service = short
		sock, err = s.tracker(ctx, service)
	}
	if err != nil {
		return err
	}
	type pushed struct {
		list string
		err  error
	}
	lists := make(chan pushed)
	go func() {
		defer close(lists)
		for {
			list, err := readString(sock)
			if err != nil {
				err = s.requestError(sock, "", service, err)
			}
			select {
			case lists <- pushed{list, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	defer func() {
		cancel()
		sock.end() // ends the read
		for range lists {
		}
	}()
	every := s.o.PollEvery
	tick := time.NewTicker(every)
	defer tick.Stop()
	listed := func(rows []Device, err error) {
		tell(Listing{Present: true, Devices: rows, Err: err})
		want := s.o.PollEvery
		if slices.ContainsFunc(rows, func(d Device) bool { return !d.Ready() }) {
			want = min(want, awaited)
		}
		if want != every {
			every = want
			tick.Reset(every)
		}
	}
	poll := func() error {
		rows, err := s.Devices(ctx)
		if err != nil && rows == nil {
			return err
		}
		listed(rows, err)
		return nil
	}
	first := time.NewTimer(s.o.RequestTimeout)
	defer first.Stop()
	for {
		select {
		case p, ok := <-lists:
			first.Stop()
			switch {
			case !ok:
				return ctx.Err()
			case p.err != nil:
				return p.err
			case service == long:
				listed(s.read(p.list))
			default: // the short list lacks the details
				if err := poll(); err != nil {
					return err
				}
			}
		case <-first.C:
			return errors.New("adb server " + s.addr + ": its tracker sends no list")
		case <-tick.C:
			if err := poll(); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// tracker opens a tracking conversation; it has no deadline but ctx once it is open.
func (s *Server) tracker(ctx context.Context, service string) (*socket, error) {
	sock, err := s.open(ctx, 0)
	if err != nil {
		return nil, err
	}
	_ = sock.conn.SetDeadline(time.Now().Add(s.o.RequestTimeout))
	if err := sock.ask(service); err != nil {
		sock.end()
		return nil, s.requestError(sock, "", service, err)
	}
	_ = sock.conn.SetDeadline(time.Time{})
	return sock, nil
}
