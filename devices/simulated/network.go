package simulated

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"
)

// network is the handset's way to other machines: over Wi-Fi or mobile data to anywhere,
// and through reverses of adb to the host.
type network struct {
	h      *Handset
	client *http.Client

	mu       sync.Mutex
	reverses map[int]func(ctx context.Context) (net.Conn, error)
	conns    map[*trackedConn]struct{}
	closed   bool
}

var errNoNetwork = errors.New("net::ERR_INTERNET_DISCONNECTED")

func newNetwork(h *Handset) *network {
	n := &network{h: h, reverses: map[int]func(context.Context) (net.Conn, error){}, conns: map[*trackedConn]struct{}{}}
	n.client = &http.Client{Transport: &http.Transport{
		DialContext: n.dial, MaxIdleConnsPerHost: 2, IdleConnTimeout: time.Minute,
		ResponseHeaderTimeout: 15 * time.Second, ExpectContinueTimeout: time.Second,
	}}
	return n
}

// trackedConn is a connection that breaks when its network does.
type trackedConn struct {
	net.Conn
	n       *network
	reverse bool
}

func (c *trackedConn) Close() error {
	c.n.mu.Lock()
	delete(c.n.conns, c)
	c.n.mu.Unlock()
	return c.Conn.Close()
}

func (n *network) dial(ctx context.Context, proto, addr string) (net.Conn, error) {
	host, portText, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, err
	}
	var conn net.Conn
	local := host == "localhost" || host == "127.0.0.1" || host == "::1"
	if local {
		port, err := strconv.Atoi(portText)
		if err != nil {
			return nil, err
		}
		n.mu.Lock()
		dial := n.reverses[port]
		n.mu.Unlock()
		if dial == nil {
			return nil, fmt.Errorf("dial %s: net::ERR_CONNECTION_REFUSED", addr)
		}
		conn, err = dial(ctx)
		if err != nil {
			return nil, err
		}
	} else {
		up := false
		n.h.do(func() { up = n.h.wifiUp() || n.h.mobileUp() })
		if !up {
			return nil, fmt.Errorf("dial %s: %w", addr, errNoNetwork)
		}
		if conn, err = n.h.opt.Dial(ctx, proto, addr); err != nil {
			return nil, err
		}
	}
	t := &trackedConn{Conn: conn, n: n, reverse: local}
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.closed {
		_ = conn.Close()
		return nil, net.ErrClosed
	}
	n.conns[t] = struct{}{}
	return t, nil
}

func (n *network) addReverse(port int, dial func(context.Context) (net.Conn, error)) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.reverses[port] = dial
}

func (n *network) removeReverse(port int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	delete(n.reverses, port)
}

// forgetReverses is what the end of the link does to them.
func (n *network) forgetReverses() {
	n.mu.Lock()
	clear(n.reverses)
	n.mu.Unlock()
	n.h.afterwards(func() { n.breakConns(true) })
}

// breakAll breaks what goes over the air, unless another network carries it on.
func (n *network) breakAll() { n.breakConns(false) }

func (n *network) breakConns(reverse bool) {
	n.mu.Lock()
	var list []*trackedConn
	for c := range n.conns {
		if c.reverse == reverse {
			list = append(list, c)
		}
	}
	n.mu.Unlock()
	for _, c := range list {
		_ = c.Close()
	}
}

func (n *network) close() {
	n.mu.Lock()
	n.closed = true
	n.mu.Unlock()
	n.breakConns(true)
	n.breakConns(false)
	n.client.CloseIdleConnections()
}

// DialPort connects to a port that a program on the handset listens on. There is none.
func (h *Handset) DialPort(_ context.Context, port int) (net.Conn, error) {
	return nil, fmt.Errorf("handset %s: nothing listens on port %d", h.opt.Serial, port)
}

// HTTP is a client on the handset's own network, for a [Browser].
func (h *Handset) HTTP() *http.Client { return h.net.client }
