// Package adb is the real link: a client of one or more adb servers, which do the USB
// and TCP work, and a [Handset] that implements devices.Link over them.
//
// It speaks the server's own protocol (smart socket, shell v2, sync) and starts no adb
// programs, manages no server and knows nothing of what is measured. It never kills or
// restarts a server: others may be using it.
//
// Every call takes a context and has a deadline of its own besides ([Options]). Errors
// name the handset and say what to do next, and wrap what a caller decides on:
// devices.ErrNoServer, ErrNoHandset, ErrOffline, ErrUnauthorised, ErrNoPermission,
// ErrTimeout, ErrLinkLost and ErrNotExist; [ErrOutputTooLong]; for files also
// fs.ErrPermission and syscall.ENOSPC; and the context's error when the caller gave up.
//
// # What goes through gadb
//
// github.com/electricbubble/gadb v0.0.1 asks the server for its version, and for the serial
// numbers that the message about an unknown handset offers (see gadb.go, which holds the
// deadline and checks the answers). The rest is ours, because in that release
//   - a short read leaves NUL bytes in a reply, and half an OKAY or FAIL counts as success;
//   - state, device path and forwards hang on a Device that only DeviceList makes, and
//     DeviceList panics on an attribute without a colon and hides unauthorised handsets;
//   - a forward is reported done after the first of its two replies, which only says
//     that the handset was found;
//   - shell output is read without a deadline and without an exit code.
package adb

import (
	"net"
	"strings"
	"sync/atomic"
	"time"
)

// DefaultAddr is where an adb server listens unless told otherwise.
const DefaultAddr = "127.0.0.1:5037"

// Options are the deadlines and limits of a Server and its handsets. A field left 0
// takes its default.
type Options struct {
	DialTimeout     time.Duration // reaching the adb server; 5 s
	RequestTimeout  time.Duration // one question to the server (version, list, state, features); 10 s
	ConnectTimeout  time.Duration // Connect: the server itself tries for 10 s; 20 s
	ShellTimeout    time.Duration // one Shell command from start to exit; 60 s
	IdleTimeout     time.Duration // Push and Pull: longest time without a byte moving; 30 s
	TransferTimeout time.Duration // Push and Pull as a whole; 30 min
	MaxOutput       int64         // bytes of output one Shell command may leave, both streams together; 8 MiB
	PollEvery       time.Duration // Track and KeepConnected: how often states are asked for; 5 s
	RetryFirst      time.Duration // Track and KeepConnected: first wait before another try, doubled each time; 500 ms
	RetryMost       time.Duration // longest such wait; 30 s
}

func (o *Options) fillIn() {
	for _, d := range []struct {
		at *time.Duration
		is time.Duration
	}{
		{&o.DialTimeout, 5 * time.Second},
		{&o.RequestTimeout, 10 * time.Second},
		{&o.ConnectTimeout, 20 * time.Second},
		{&o.ShellTimeout, time.Minute},
		{&o.IdleTimeout, 30 * time.Second},
		{&o.TransferTimeout, 30 * time.Minute},
		{&o.PollEvery, 5 * time.Second},
		{&o.RetryFirst, 500 * time.Millisecond},
		{&o.RetryMost, 30 * time.Second},
	} {
		if *d.at <= 0 {
			*d.at = d.is
		}
	}
	if o.MaxOutput <= 0 {
		o.MaxOutput = 8 << 20
	}
}

// A Server is a client of one adb server. It holds no connection between calls and is
// safe for concurrent use.
type Server struct {
	addr string // host:port
	o    Options

	// noTport is set once the server has said that it does not know host:tport, which
	// names the transport it chose; then host:transport is used, and transports cannot be told apart.
	noTport atomic.Bool
}

// New returns a client of the adb server at addr, host:port or host; an empty addr means
// [DefaultAddr]. Nothing is contacted yet. Options are changed by the functions given:
//
//	adb.New("", func(o *adb.Options) { o.ShellTimeout = 2 * time.Minute })
func New(addr string, change ...func(*Options)) *Server {
	s := &Server{addr: fullAddr(addr)}
	for _, f := range change {
		f(&s.o)
	}
	s.o.fillIn()
	return s
}

func fullAddr(addr string) string {
	defHost, defPort, _ := net.SplitHostPort(DefaultAddr)
	if addr == "" {
		return DefaultAddr
	}
	host, port, err := net.SplitHostPort(addr)
	if err != nil { // no port
		host, port = strings.Trim(addr, "[]"), ""
	}
	if host == "" {
		host = defHost
	}
	if port == "" {
		port = defPort
	}
	return net.JoinHostPort(host, port)
}

// Addr is the server's address, host:port.
func (s *Server) Addr() string { return s.addr }

// Handset returns the link to the handset of this serial number, or host:port for one
// linked over TCP. Nothing is contacted yet. Where serial numbers are doubled or missing,
// the USB path of [Device] (such as "usb:1-4") serves in place of the serial number.
func (s *Server) Handset(serial string) *Handset {
	return &Handset{server: s, serial: serial}
}
