package wire

import (
	"context"
	"errors"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// A door is the listener of a front end with the connections that came through it. Faults
// shut it and open it again at the same address; stop ends everything and waits.
type door struct {
	faults *Faults
	addr   net.Addr
	serve  func(*gate)
	ctx    context.Context
	cancel context.CancelFunc
	detach func()
	wg     sync.WaitGroup

	mu        sync.Mutex
	listener  net.Listener // nil while the door is shut
	reopening bool
	stopped   bool
	gates     map[*gate]struct{}
}

func openDoor(l net.Listener, faults *Faults, serve func(*gate)) *door {
	d := &door{faults: faults, addr: l.Addr(), serve: serve, listener: l, gates: make(map[*gate]struct{})}
	d.ctx, d.cancel = context.WithCancel(context.Background())
	d.detach = faults.attach(d.apply)
	d.wg.Add(1)
	go d.accept(l)
	d.apply(false)
	return d
}

// apply brings the door into the state that the faults ask for.
func (d *door) apply(drop bool) {
	d.mu.Lock()
	if d.stopped {
		d.mu.Unlock()
		return
	}
	down := d.faults.Now().down()
	var closing []*gate
	if down || drop {
		closing = d.all()
	}
	switch {
	case down && d.listener != nil:
		d.listener.Close()
		d.listener = nil
	case !down && d.listener == nil && !d.reopening:
		if !d.reopen() { // another process may hold the port for a moment
			d.reopening = true
			d.wg.Add(1)
			go d.retry()
		}
	}
	d.mu.Unlock()
	for _, g := range closing {
		g.Close()
	}
}

func (d *door) all() []*gate {
	var gates []*gate
	for g := range d.gates {
		gates = append(gates, g)
	}
	return gates
}

// reopen listens again; d.mu is held.
func (d *door) reopen() bool {
	l, err := net.Listen(d.addr.Network(), d.addr.String())
	if err != nil {
		return false
	}
	d.listener = l
	d.wg.Add(1)
	go d.accept(l)
	return true
}

func (d *door) retry() {
	defer d.wg.Done()
	for {
		select {
		case <-d.ctx.Done():
			return
		case <-time.After(20 * time.Millisecond):
		}
		d.mu.Lock()
		done := d.stopped || d.faults.Now().down() || d.reopen()
		if done {
			d.reopening = false
		}
		d.mu.Unlock()
		if done {
			d.apply(false) // a fault may have changed meanwhile
			return
		}
	}
}

func (d *door) accept(l net.Listener) {
	defer d.wg.Done()
	for {
		conn, err := l.Accept()
		if errors.Is(err, net.ErrClosed) || d.ctx.Err() != nil {
			if err == nil {
				conn.Close()
			}
			return
		}
		if err != nil { // out of descriptors, or a peer that left: neither ends the service
			select {
			case <-d.ctx.Done():
				return
			case <-time.After(10 * time.Millisecond):
			}
			continue
		}
		if g, err := d.adopt(conn); err == nil {
			d.wg.Add(1)
			go func() {
				defer d.wg.Done()
				defer g.Close()
				d.serve(g)
			}()
		}
	}
}

// adopt makes conn one of the door's connections: closed when the link drops or the
// front end stops, and still while it is frozen. On error conn is closed.
func (d *door) adopt(conn net.Conn) (*gate, error) {
	g := &gate{Conn: conn, door: d}
	g.ctx, g.cancel = context.WithCancel(d.ctx)
	d.mu.Lock()
	if d.stopped || d.faults.Now().down() {
		d.mu.Unlock()
		g.cancel()
		conn.Close()
		return nil, net.ErrClosed
	}
	d.gates[g] = struct{}{}
	d.mu.Unlock()
	return g, nil
}

// spawn runs f in a goroutine that stop waits for. Only what stop already waits for may
// call it.
func (d *door) spawn(f func()) {
	d.wg.Add(1)
	go func() {
		defer d.wg.Done()
		f()
	}()
}

func (d *door) stop() {
	d.detach()
	d.mu.Lock()
	d.stopped = true
	d.cancel()
	if d.listener != nil {
		d.listener.Close()
		d.listener = nil
	}
	closing := d.all()
	d.mu.Unlock()
	for _, g := range closing {
		g.Close()
	}
	d.wg.Wait()
}

// A gate is a connection that stands still while the front end, or the phone that it
// was bound to, is frozen.
type gate struct {
	net.Conn
	door   *door
	ctx    context.Context // ends with the connection
	cancel context.CancelFunc
	phone  atomic.Pointer[Faults]
	once   sync.Once
	err    error
}

// bind lets the faults of a phone act on the connection too. The phone's link drops with
// the connection; release ends that.
func (g *gate) bind(f *Faults) (release func()) {
	g.phone.Store(f)
	return f.attach(func(drop bool) {
		now := f.Now()
		if drop || now.down() || now.Absent || now.Unauthorised {
			g.Close()
		}
	})
}

// pass waits until nothing is frozen, or until the connection is closed.
func (g *gate) pass() error {
	for {
		server, phone := g.door.faults.next(), g.phone.Load().next()
		if !g.door.faults.Now().Frozen && !g.phone.Load().Now().Frozen {
			return nil
		}
		select {
		case <-server:
		case <-phone:
		case <-g.ctx.Done():
			return net.ErrClosed
		}
	}
}

func (g *gate) Read(p []byte) (int, error) {
	if err := g.pass(); err != nil {
		return 0, err
	}
	n, err := g.Conn.Read(p)
	// What arrives in a read that began before the freeze is held back as well, and so
	// is the peer's end.
	if passErr := g.pass(); passErr != nil {
		return 0, passErr
	}
	return n, err
}

func (g *gate) Write(p []byte) (int, error) {
	if err := g.pass(); err != nil {
		return 0, err
	}
	return g.Conn.Write(p)
}

func (g *gate) Close() error {
	g.once.Do(func() {
		g.cancel()
		g.err = g.Conn.Close()
		g.door.mu.Lock()
		delete(g.door.gates, g)
		g.door.mu.Unlock()
	})
	return g.err
}
