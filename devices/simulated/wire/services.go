package wire

import (
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// A service runs on a stream that the phone has accepted. Its caller closes the stream.
type service func(s stream)

// findService returns the service of that name as the phone offers it, or false where
// adbd would refuse to open it.
func findService(p Phone, f *Faults, name string, reverse *reverses) (service, bool) {
	kind, rest, ok := strings.Cut(name, ":")
	if !ok {
		return nil, false
	}
	kind, flags, _ := strings.Cut(kind, ",")
	switch kind {
	case "shell":
		sh := shell{phone: p, faults: f, command: rest}
		for _, flag := range strings.Split(flags, ",") {
			switch flag {
			case "v2":
				sh.v2 = true
			case "pty":
				sh.pty = true
			}
		}
		if sh.v2 && !slices.Contains(featuresOf(p, f), "shell_v2") {
			return nil, false
		}
		return sh.run, true
	case "exec":
		return shell{phone: p, faults: f, command: rest}.run, true
	case "sync":
		return func(s stream) { serveSync(p, s) }, true
	case "reverse":
		return func(s stream) { s.Write(reverse.answer(rest)) }, true
	case "tcp":
		dialer, ok := p.(PortDialer)
		port, err := strconv.Atoi(rest)
		if !ok || err != nil {
			return nil, false
		}
		return func(s stream) { joinPort(dialer, port, s) }, true
	default:
		release := f.hold()
		reply, ok := p.Special(name)
		if !ok {
			release()
			return nil, false
		}
		return func(s stream) {
			defer release()
			io.WriteString(s, reply)
			s.Close()
		}, true
	}
}

// joinPort connects a stream with a TCP port of the phone.
func joinPort(p PortDialer, port int, s stream) {
	conn, err := p.DialPort(s.Context(), port)
	if err != nil {
		return
	}
	stop := context.AfterFunc(s.Context(), func() { conn.Close() })
	defer stop()
	var wg sync.WaitGroup
	wg.Go(func() {
		io.Copy(conn, s)
		conn.Close()
	})
	io.Copy(s, conn)
	conn.Close()
	s.Close()
	wg.Wait()
}

// cut is a stream of a phone that loses its link after some bytes.
type cut struct {
	stream
	mu   sync.Mutex
	left int64
	drop func()
}

func (c *cut) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if int64(len(p)) < c.left {
		c.left -= int64(len(p))
		return c.stream.Write(p)
	}
	n, _ := c.stream.Write(p[:c.left])
	c.left = 0
	c.drop()
	return n, net.ErrClosed
}

func (f *Faults) cutting(s stream) stream {
	if after := f.Now().CutAfter; after > 0 {
		return &cut{stream: s, left: after, drop: f.Drop}
	}
	return s
}

// A reverseBook knows which link each reverse port of a phone belongs to, so that a link
// that ends late does not take away what a newer one has set up.
type reverseBook struct {
	mu    sync.Mutex
	owner map[int]*reverses
}

// reverses are the reverse forwards of one link to the phone.
type reverses struct {
	phone Phone
	book  *reverseBook
	link  string // how the phone names the link in a listing
	// dial returns how to reach a host socket such as "tcp:8080" over this link.
	dial func(spec string) func(context.Context) (net.Conn, error)

	mu    sync.Mutex
	specs map[int]string // device port to host socket
	gone  bool
}

// firstFreePort is where ports are taken from when a host asks for any (tcp:0).
const firstFreePort = 34000

// answer carries out a request like "forward:tcp:7000;tcp:8080" and returns what the
// phone writes into the stream.
func (r *reverses) answer(request string) []byte {
	verb, args, _ := strings.Cut(request, ":")
	switch verb {
	case "list-forward":
		r.mu.Lock()
		defer r.mu.Unlock()
		var list strings.Builder
		var ports []int
		for port := range r.specs {
			ports = append(ports, port)
		}
		slices.Sort(ports)
		for _, port := range ports {
			fmt.Fprintf(&list, "%s tcp:%d %s\n", r.link, port, r.specs[port])
		}
		return counted(list.String())
	case "killforward-all":
		r.removeAll()
		return []byte("OKAY")
	case "killforward":
		port, err := tcpPort(args)
		if err != nil || !r.remove(port) {
			return failed(fmt.Sprintf("listener '%s' not found", args))
		}
		return []byte("OKAY")
	case "forward":
		args, norebind := strings.CutPrefix(args, "norebind:")
		local, remote, ok := strings.Cut(args, ";")
		port, err := tcpPort(local)
		if !ok || remote == "" || err != nil {
			return failed("bad forward: " + request)
		}
		port, err = r.add(port, remote, norebind)
		if err != nil {
			return failed(err.Error())
		}
		return append([]byte("OKAY"), counted(strconv.Itoa(port))...)
	}
	return failed("unknown reverse request: " + request)
}

func (r *reverses) add(port int, spec string, norebind bool) (int, error) {
	r.book.mu.Lock()
	defer r.book.mu.Unlock()
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.gone {
		return 0, fmt.Errorf("cannot bind listener: link closed")
	}
	if port == 0 {
		for port = firstFreePort; r.book.owner[port] != nil; port++ {
		}
	} else if norebind && r.book.owner[port] != nil {
		return 0, fmt.Errorf("cannot rebind existing socket")
	}
	if other := r.book.owner[port]; other != nil && other != r {
		other.mu.Lock()
		delete(other.specs, port)
		other.mu.Unlock()
	}
	if r.book.owner == nil {
		r.book.owner = make(map[int]*reverses)
	}
	if r.specs == nil {
		r.specs = make(map[int]string)
	}
	r.book.owner[port] = r
	r.specs[port] = spec
	r.phone.AddReverse(port, r.dial(spec))
	return port, nil
}

func (r *reverses) remove(port int) bool {
	r.book.mu.Lock()
	defer r.book.mu.Unlock()
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.specs[port]; !ok {
		return false
	}
	delete(r.specs, port)
	delete(r.book.owner, port)
	r.phone.RemoveReverse(port)
	return true
}

func (r *reverses) removeAll() {
	r.mu.Lock()
	var ports []int
	for port := range r.specs {
		ports = append(ports, port)
	}
	r.mu.Unlock()
	for _, port := range ports {
		r.remove(port)
	}
}

// end removes all and refuses new ones: the link is gone.
func (r *reverses) end() {
	r.mu.Lock()
	r.gone = true
	r.mu.Unlock()
	r.removeAll()
}

// tcpPort reads "tcp:PORT".
func tcpPort(spec string) (int, error) {
	text, ok := strings.CutPrefix(spec, "tcp:")
	port, err := strconv.ParseUint(text, 10, 16)
	if !ok || err != nil {
		return 0, fmt.Errorf("unknown socket specification: %s", spec)
	}
	return int(port), nil
}

// counted is text behind its length in four hex digits, cut to what those can say.
func counted(text string) []byte {
	text = text[:min(len(text), 0xffff)]
	return fmt.Appendf(nil, "%04x%s", len(text), text)
}

func failed(text string) []byte {
	return append([]byte("FAIL"), counted(text)...)
}
