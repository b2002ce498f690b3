package adb

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"

	"github.com/electricbubble/gadb"

	"rundown/devices"
)

// viaGadb runs one of gadb's requests under our deadline, through a relay of ours: when the
// deadline or ctx ends, its socket is closed, and gadb with it. The address is tried first,
// for an error that says why no server answers there. A length with a minus sign makes gadb
// panic: that is caught and is an error like another.
func viaGadb[T any](ctx context.Context, s *Server, ask func(gadb.Client) (T, error)) (T, error) {
	var none T
	caller := ctx
	ctx, cancel := context.WithTimeout(ctx, s.o.RequestTimeout)
	defer cancel()
	probe, err := s.open(ctx, 0)
	if err != nil {
		return none, err
	}
	probe.end()
	relay, err := newRelay(ctx, s.addr, s.o)
	if err != nil {
		return none, fmt.Errorf("adb server %s: %w", s.addr, err)
	}
	defer relay.end()
	value, err := askGadb(relay.l.Addr().(*net.TCPAddr), ask)
	switch {
	case ctx.Err() == nil || err == nil:
		return value, err
	case caller.Err() != nil && !errors.Is(caller.Err(), context.DeadlineExceeded):
		return none, fmt.Errorf("adb server %s: %w", s.addr, caller.Err())
	}
	return none, fmt.Errorf("adb server %s: %w (%w); if it stays so, restart that server", s.addr, devices.ErrTimeout, ctx.Err())
}

func askGadb[T any](at *net.TCPAddr, ask func(gadb.Client) (T, error)) (value T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("gadb: %v", p)
		}
	}()
	client, err := gadb.NewClientWith(at.IP.String(), at.Port)
	if err != nil {
		return value, err
	}
	return ask(client)
}

// Version is the server's protocol version, 41 since 2018. It goes through gadb; an
// answer that gadb could not read is asked for again by ourselves.
func (s *Server) Version(ctx context.Context) (int, error) {
	v, err := viaGadb(ctx, s, gadb.Client.ServerVersion)
	if err == nil && v > 0 {
		return v, nil
	}
	if errors.Is(err, devices.ErrNoServer) || errors.Is(err, devices.ErrTimeout) || ctx.Err() != nil {
		return 0, err
	}
	text, err := s.request(ctx, s.o.RequestTimeout, "", "host:version")
	if err != nil {
		return 0, err
	}
	n, err := strconv.ParseUint(text, 16, 16)
	if err != nil {
		return 0, fmt.Errorf("adb server %s: %w: want its version in hex digits, got %q: something else listens there", s.addr, devices.ErrNoServer, text)
	}
	return int(n), nil
}

// serialsHint are serial numbers that the server lists, for messages only. It goes through
// gadb, which may lose rows of a reply that arrives in pieces: what must not miss a handset
// asks Devices.
func (s *Server) serialsHint(ctx context.Context) []string {
	serials, err := viaGadb(ctx, s, gadb.Client.DeviceSerialList)
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(serials, func(serial string) bool {
		// NUL: a short read. A bracket: gadb split "(no serial number)" into words.
		return strings.ContainsAny(serial, "\x00(")
	})
}
