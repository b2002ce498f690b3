package adb

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"rundown/devices"
)

// A Handset is the link to one handset through one adb server. It holds no connection
// between calls and is safe for concurrent use.
type Handset struct {
	server *Server
	serial string

	mu    sync.Mutex
	known features
}

var _ devices.Link = (*Handset)(nil)

// features is what the adbd of one transport can do.
type features struct {
	transport uint64 // 0: the server does not name transports
	asked     time.Time
	has       map[string]bool
}

// featuresAge is how long an answer about features is believed. A TCP link keeps its
// transport number when the handset restarts, perhaps with another Android, so the
// number alone does not do.
const featuresAge = time.Minute

// Serial is the serial number, host:port or USB path by which the handset is named.
func (h *Handset) Serial() string { return h.serial }

// Server is the adb server through which it is reached.
func (h *Handset) Server() *Server { return h.server }

// State asks the server for the handset's state.
func (h *Handset) State(ctx context.Context) (State, error) { return h.server.State(ctx, h.serial) }

// Features says what the handset's adbd can do, such as "shell_v2".
func (h *Handset) Features(ctx context.Context) (map[string]bool, error) {
	sock, has, err := h.transport(ctx, h.server.o.RequestTimeout)
	if err != nil {
		return nil, err
	}
	sock.end()
	return has, nil
}

// transport opens a conversation with the handset, ready for one device service, and
// says what its adbd can do.
func (h *Handset) transport(ctx context.Context, limit time.Duration) (*socket, map[string]bool, error) {
	s := h.server
	sock, err := s.open(ctx, limit)
	if err != nil {
		return nil, nil, about(h.serial, err)
	}
	var id uint64
	service := "host:tport:serial:" + h.serial
	if s.noTport.Load() {
		service = "host:transport:" + h.serial
	}
	// The server answers at once or not at all; a long limit is for what follows.
	_ = sock.conn.SetDeadline(time.Now().Add(s.o.RequestTimeout))
	err = sock.ask(service)
	if err == nil && !s.noTport.Load() {
		var le [8]byte
		if _, err = io.ReadFull(sock, le[:]); err == nil {
			id = binary.LittleEndian.Uint64(le[:])
		} else {
			err = cut(err)
		}
	}
	if err == nil {
		_ = sock.conn.SetDeadline(time.Time{})
		var has map[string]bool
		if has, err = h.featuresOf(ctx, id); err == nil {
			return sock, has, nil
		}
		sock.end()
		return nil, nil, err
	}
	sock.end()
	h.forgetFeatures()
	var fail *failure
	if errors.As(err, &fail) && strings.Contains(fail.text, "unknown host service") && !s.noTport.Swap(true) {
		return h.transport(ctx, limit)
	}
	err = s.requestError(sock, h.serial, service, err)
	if errors.Is(err, devices.ErrNoHandset) {
		// A mistyped serial number is the usual cause: say which there are.
		if serials := s.serialsHint(ctx); len(serials) > 0 {
			err = fmt.Errorf("%w (it lists %s)", err, strings.Join(serials, ", "))
		}
	}
	return nil, nil, err
}

func (h *Handset) featuresOf(ctx context.Context, transport uint64) (map[string]bool, error) {
	h.mu.Lock()
	known := h.known
	h.mu.Unlock()
	if known.has != nil && known.transport == transport && time.Since(known.asked) < featuresAge {
		return known.has, nil
	}
	list, err := h.server.request(ctx, h.server.o.RequestTimeout, h.serial, "host-serial:"+h.serial+":features")
	if err != nil {
		return nil, err
	}
	known = features{transport: transport, asked: time.Now(), has: map[string]bool{}}
	for name := range strings.SplitSeq(strings.TrimSpace(list), ",") {
		if name != "" {
			known.has[name] = true
		}
	}
	h.mu.Lock()
	h.known = known
	h.mu.Unlock()
	return known.has, nil
}

func (h *Handset) forgetFeatures() {
	h.mu.Lock()
	h.known = features{}
	h.mu.Unlock()
}

// Reverse makes the host's TCP port hostPort reachable on the handset as
// 127.0.0.1:devicePort until the link ends. "Host" is where the adb server runs.
func (h *Handset) Reverse(ctx context.Context, devicePort, hostPort int) error {
	for _, p := range []int{devicePort, hostPort} {
		if p < 1 || p > 65535 {
			return about(h.serial, fmt.Errorf("reverse: port %d: want 1 to 65535", p))
		}
	}
	return h.order(ctx, fmt.Sprintf("reverse:forward:tcp:%d;tcp:%d", devicePort, hostPort))
}

// Unreverse ends what Reverse began.
func (h *Handset) Unreverse(ctx context.Context, devicePort int) error {
	return h.order(ctx, fmt.Sprintf("reverse:killforward:tcp:%d", devicePort))
}

// order asks for a device service that answers OKAY or FAIL inside its stream.
func (h *Handset) order(ctx context.Context, service string) error {
	sock, _, err := h.transport(ctx, h.server.o.RequestTimeout)
	if err != nil {
		return err
	}
	defer sock.end()
	if err := sock.ask(service); err != nil {
		return h.streamError(sock, service, err)
	}
	err = readStatus(sock)
	var fail *failure
	if errors.As(err, &fail) {
		return about(h.serial, fmt.Errorf("%s: the handset refused: %q", service, fail.text))
	}
	if err != nil {
		return h.streamError(sock, service, err)
	}
	return nil
}

// ListenTCP makes the handset's adbd listen on a TCP port, for Server.Connect, and leaves
// USB as it is. adbd restarts for it, and everything that was started over adb ends: do it
// before a recorder is started. The setting is lost when the handset restarts.
func (h *Handset) ListenTCP(ctx context.Context, port int) error {
	if port < 1 || port > 65535 {
		return about(h.serial, fmt.Errorf("tcpip: port %d: want 1 to 65535", port))
	}
	sock, _, err := h.transport(ctx, h.server.o.RequestTimeout)
	if err != nil {
		return err
	}
	defer sock.end()
	service := fmt.Sprintf("tcpip:%d", port)
	if err := sock.ask(service); err != nil {
		return h.streamError(sock, service, err)
	}
	// adbd may be gone before it has said all: an end after the text is as good as a proper one.
	text, err := io.ReadAll(io.LimitReader(sock, 4096))
	h.forgetFeatures()
	if !strings.HasPrefix(string(text), "restarting in TCP mode") {
		if err != nil {
			return h.streamError(sock, service, err)
		}
		return about(h.serial, fmt.Errorf("%s: the handset refused: %q", service, strings.TrimSpace(string(text))))
	}
	return nil
}
