package adb

import (
	"context"
	"io"
	"net"
	"sync"
)

// A relay stands between gadb, which dials without a deadline and hides its socket, and an
// adb server: gadb talks to the relay, and the sockets are ours to close.
type relay struct {
	l    net.Listener
	stop context.CancelFunc
	wg   sync.WaitGroup
}

// newRelay listens on loopback for as long as ctx lives, and passes each connection on to
// the server at addr. end must be called.
func newRelay(ctx context.Context, addr string, o Options) (*relay, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	r := &relay{l: l, stop: cancel}
	r.wg.Go(func() {
		defer context.AfterFunc(ctx, func() { l.Close() })()
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			r.wg.Go(func() { r.pass(ctx, near, addr, o) })
		}
	})
	return r, nil
}

// pass carries one connection until either side closes it or ctx ends.
func (r *relay) pass(ctx context.Context, near net.Conn, addr string, o Options) {
	defer near.Close()
	far, err := (&net.Dialer{Timeout: o.DialTimeout}).DialContext(ctx, "tcp", addr)
	if err != nil {
		return
	}
	defer far.Close()
	defer context.AfterFunc(ctx, func() { near.Close(); far.Close() })()
	var asking sync.WaitGroup
	asking.Go(func() {
		_, _ = io.Copy(far, near)
		far.Close() // gadb has gone; what the server still says is for nobody
	})
	_, _ = io.Copy(near, far)
	near.Close()
	asking.Wait()
}

// end closes everything and waits until it is gone.
func (r *relay) end() {
	r.stop()
	r.l.Close()
	r.wg.Wait()
}
