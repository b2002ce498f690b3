package simulated

import (
	"context"
	"fmt"
	"net"
	"strconv"
	"sync"
)

// A MemoryNet is a network within the process: what listens on it is reached by Dial, and
// nothing of it touches the host's. Inside testing/synctest it stands for sockets, which
// would hold the bubble's clock still. Its zero value is ready; it is safe for concurrent use.
type MemoryNet struct {
	mu        sync.Mutex
	listeners map[int]*memoryListener
	last      int // port given last
}

// Listen listens on a port, or on a free one for port 0; hosts are not told apart. It has
// the signature of net.ListenConfig.Listen.
func (n *MemoryNet) Listen(_ context.Context, network, address string) (net.Listener, error) {
	_, text, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	port, err := strconv.Atoi(text)
	if err != nil || port < 0 || port > 65535 {
		return nil, fmt.Errorf("listen on %s: no such port", address)
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if port == 0 {
		if n.last == 0 {
			n.last = 40000
		}
		n.last++
		port = n.last
	}
	if n.listeners[port] != nil {
		return nil, fmt.Errorf("listen on %s: address already in use", address)
	}
	l := &memoryListener{net: n, port: port, conns: make(chan net.Conn), done: make(chan struct{})}
	if n.listeners == nil {
		n.listeners = map[int]*memoryListener{}
	}
	n.listeners[port] = l
	return l, nil
}

// Dial connects to what listens on the address's port. It is an Options.Dial.
func (n *MemoryNet) Dial(ctx context.Context, network, address string) (net.Conn, error) {
	_, text, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	port, _ := strconv.Atoi(text)
	n.mu.Lock()
	l := n.listeners[port]
	n.mu.Unlock()
	if l == nil {
		return nil, fmt.Errorf("dial %s: connection refused", address)
	}
	near, far := net.Pipe()
	select {
	case l.conns <- far:
		return near, nil
	case <-l.done:
		err = fmt.Errorf("dial %s: connection refused", address)
	case <-ctx.Done():
		err = fmt.Errorf("dial %s: %w", address, ctx.Err())
	}
	_, _ = near.Close(), far.Close()
	return nil, err
}

type memoryListener struct {
	net   *MemoryNet
	port  int
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func (l *memoryListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

func (l *memoryListener) Close() error {
	l.once.Do(func() {
		close(l.done)
		l.net.mu.Lock()
		defer l.net.mu.Unlock()
		delete(l.net.listeners, l.port)
	})
	return nil
}

func (l *memoryListener) Addr() net.Addr {
	return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: l.port}
}
