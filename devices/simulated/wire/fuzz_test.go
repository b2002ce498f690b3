package wire

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"io/fs"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// A tamePhone runs no shell: what a fuzzer says is only repeated, with what it has on
// standard input.
type tamePhone struct {
	*toyPhone
	mu      sync.Mutex
	written int
}

func (p *tamePhone) Exec(ctx context.Context, command string, stdin io.Reader, stdout, stderr io.Writer) int {
	io.WriteString(stdout, command)
	n, _ := io.Copy(stderr, stdin)
	return int(n % 256)
}

func (p *tamePhone) WriteFile(name string, mode fs.FileMode, mtime time.Time, r io.Reader) error {
	err := p.toyPhone.WriteFile(name, mode, mtime, r)
	if err == nil {
		p.mu.Lock()
		p.written++
		p.mu.Unlock()
	}
	return err
}

func newTamePhone() *tamePhone {
	p := &tamePhone{toyPhone: newToyPhone("toy")}
	p.files["/d/one"] = toyFile{content: []byte("content"), mode: 0o644}
	return p
}

// A pipeListener has no network: its connections are pipes in memory.
type pipeListener struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func newPipeListener() *pipeListener {
	return &pipeListener{conns: make(chan net.Conn), done: make(chan struct{})}
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}
func (l *pipeListener) Close() error   { l.once.Do(func() { close(l.done) }); return nil }
func (l *pipeListener) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)} }

// converse sends input and returns all that comes back until the front end falls silent
// and is stopped.
func converse(t *testing.T, l *pipeListener, stop func(), input []byte) []byte {
	here, there := net.Pipe()
	l.conns <- there
	var got bytes.Buffer
	read := make(chan struct{})
	go func() {
		defer close(read)
		io.Copy(&got, here)
	}()
	here.SetWriteDeadline(time.Now().Add(10 * time.Second))
	here.Write(input)
	// Nothing tells that an answer is complete, so the end comes from this side.
	time.Sleep(time.Millisecond)
	stopped := make(chan struct{})
	go func() { stop(); close(stopped) }()
	select {
	case <-stopped:
	case <-time.After(20 * time.Second):
		t.Fatalf("front end did not stop after %q", input)
	}
	here.Close()
	<-read
	return got.Bytes()
}

// FuzzDevice: whatever a host sends, the phone says nothing before the host's CNXN, sends
// whole packets no longer than agreed, writes no more than it was allowed to, and stops.
func FuzzDevice(f *testing.F) {
	script := func(sums bool, packets ...packet) []byte {
		var b []byte
		for i, p := range packets {
			b = p.append(b, sums || i == 0)
		}
		return b
	}
	hello := packet{command: cmdCNXN, arg0: versionNoSums, arg1: 4096, data: []byte("host::")}
	f.Add(script(false, hello, packet{command: cmdOPEN, arg0: 1, data: []byte("shell:echo\x00")}, packet{command: cmdOKAY, arg0: 1, arg1: 1}))
	f.Add(script(false, hello, packet{command: cmdOPEN, arg0: 1, data: []byte("shell,v2,raw:hi\x00")},
		packet{command: cmdWRTE, arg0: 1, arg1: 1, data: []byte("\x00\x01\x00\x00\x00x\x04\x00\x00\x00\x00")}, packet{command: cmdOKAY, arg0: 1, arg1: 1}))
	f.Add(script(false, hello, packet{command: cmdOPEN, arg0: 1, data: []byte("sync:\x00")}, packet{command: cmdWRTE, arg0: 1, arg1: 1, data: []byte("RECV\x06\x00\x00\x00/d/one")}))
	f.Add(script(true, packet{command: cmdCNXN, arg0: versionSums, arg1: 1}, packet{command: cmdOPEN, arg0: 1, data: []byte("shell:echo\x00")}))
	f.Add(script(false, hello, packet{command: cmdOPEN, arg0: 1, data: []byte("reverse:forward:tcp:1;tcp:2\x00")}, packet{command: cmdCLSE, arg0: 1, arg1: 1}, hello))
	f.Add(script(false, packet{command: cmdAUTH, arg0: authPublicKey}, packet{command: cmdOPEN, arg0: 1, data: []byte("shell:echo\x00")}))
	f.Fuzz(func(t *testing.T, input []byte) {
		p := newTamePhone()
		l := newPipeListener()
		got := converse(t, l, ServeDevice(l, p), input)

		type stream struct{ local, remote uint32 }
		allowed := make(map[stream]int) // by the host, in WRTE
		hellos, mayBe := 0, uint32(0)   // greetings, and the largest maxdata of any
		sums := true
		for in := bytes.NewReader(input); ; {
			h, err := readPacket(in, defaultMaxdata)
			if err != nil {
				break
			}
			switch h.command {
			case cmdCNXN:
				hellos++
				mayBe = max(mayBe, min(max(h.arg1, 1), defaultMaxdata))
				sums = sums && h.arg0 < versionNoSums
			case cmdOKAY:
				allowed[stream{h.arg1, h.arg0}]++
			}
		}
		wrote := make(map[stream]int)
		out := bytes.NewReader(got)
		for out.Len() > 0 {
			p, err := readPacket(out, defaultMaxdata)
			if err == io.ErrUnexpectedEOF {
				break // stopped in the middle
			}
			if err != nil {
				t.Fatalf("phone sent no packet: %v, after %q", err, input)
			}
			if hellos == 0 {
				t.Errorf("phone spoke first: %+v", p)
			}
			if sums && p.sum != byteSum(p.data) {
				t.Errorf("sum is %d, bytes have %d", p.sum, byteSum(p.data))
			}
			if p.command == cmdWRTE {
				id := stream{p.arg0, p.arg1}
				wrote[id]++
				if len(p.data) == 0 || uint32(len(p.data)) > mayBe {
					t.Errorf("WRTE of %d bytes, at most %d agreed", len(p.data), mayBe)
				}
				if hellos == 1 && wrote[id] > 1+allowed[id] {
					t.Errorf("%d WRTE on stream %v after %d OKAY", wrote[id], id, allowed[id])
				}
			}
		}
		if len(p.reverses) != 0 {
			t.Errorf("reverses outlive the link: %v", p.reverses)
		}
	})
}

// FuzzServer: whatever a client sends, the first answer is OKAY or a whole FAIL, and the
// front end stops.
func FuzzServer(f *testing.F) {
	for _, requests := range [][]string{
		{"host:version"}, {"host:devices-l"}, {"host:track-devices"}, {"host:kill"}, {"host-serial:toy:features"},
		{"host:transport:toy", "shell,v2,raw:hi"}, {"host:tport:any", "sync:"}, {"host:transport-id:1", "reverse:forward:tcp:0;tcp:9"},
		{"host:transport-any", "host:list-forward"}, {"host-serial:127.0.0.1:1:get-state"}, {"host:wait-for-any-device"},
		{"host:disconnect:"}, {"host:connect:[::1]:9"}, {"shell:x"}, {"host-transport-id:0:get-state"},
	} {
		var b []byte
		for _, r := range requests {
			b = append(b, counted(r)...)
		}
		f.Add(b)
	}
	f.Add([]byte("zzzz"))
	f.Fuzz(func(t *testing.T, input []byte) {
		if bytes.Contains(input, []byte("forward:")) && !bytes.Contains(input, []byte("reverse:forward:")) {
			t.Skip("a forward would open a port here")
		}
		p := newTamePhone()
		l := newPipeListener()
		got := converse(t, l, ServeServer(l, func() []Phone { return []Phone{p} }), input)
		if len(got) == 0 {
			return
		}
		if len(got) < 4 || string(got[:4]) != "OKAY" && string(got[:4]) != "FAIL" {
			t.Fatalf("%q was answered %q", input, got)
		}
		if string(got[:4]) == "FAIL" {
			if text, err := readRequest(bytes.NewReader(got[4:])); err != nil || text == "" || len(got) != 8+len(text) {
				t.Errorf("%q was answered %q: %v", input, got, err)
			}
		}
		if len(p.reverses) != 0 {
			t.Errorf("reverses outlive the server: %v", p.reverses)
		}
	})
}

// FuzzRequest: a request that was read is the one that was sent, and a serial number with
// a port stays whole.
func FuzzRequest(f *testing.F) {
	f.Add("127.0.0.1:5555", "get-state")
	f.Add("[::1]:5555", "forward:tcp:0;tcp:1")
	f.Add("USB1", "features")
	f.Fuzz(func(t *testing.T, serial, verb string) {
		request := "host-serial:" + serial + ":" + verb
		if len(request) > 0xffff {
			t.Skip()
		}
		got, err := readRequest(bytes.NewReader(counted(request)))
		if err != nil || got != request {
			t.Fatalf("%q was read as %q, %v", request, got, err)
		}
		_, gotVerb, ok := parseHost(request)
		if !ok {
			t.Errorf("%q is no request to the server", request)
		}
		if strings.ContainsAny(serial+verb, ":[]") && !overTCP.MatchString(serial) {
			return // cannot be told apart
		}
		if strings.HasPrefix(serial, "[") || strings.HasPrefix(verb, ":") || strings.ContainsAny(serial, "\n") {
			return
		}
		if digits, _, found := strings.Cut(verb, ":"); found && digits != "" && strings.Trim(digits, "0123456789") == "" {
			return // reads as a port
		}
		if serial != "" && gotVerb != verb {
			t.Errorf("%q: verb %q, want %q", request, gotVerb, verb)
		}
	})
}

// FuzzPacket: what was read is what was sent, byte for byte.
func FuzzPacket(f *testing.F) {
	f.Add(packet{command: cmdWRTE, arg0: 1, arg1: 2, data: []byte("data")}.append(nil, true))
	f.Add(packet{command: cmdOKAY, arg0: 1, arg1: 2}.append(nil, false))
	f.Add([]byte("short"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r := bytes.NewReader(b)
		p, err := readPacket(r, 1<<16)
		if err != nil {
			return
		}
		back := p.append(nil, false)
		binary.LittleEndian.PutUint32(back[16:], p.sum)
		if want := b[:len(b)-r.Len()]; !bytes.Equal(back, want) {
			t.Errorf("%q came back as %q", want, back)
		}
	})
}

// A memoryStream is a stream whose other side has said all and left.
type memoryStream struct {
	io.Reader
	bytes.Buffer
}

func (s *memoryStream) Read(p []byte) (int, error) { return s.Reader.Read(p) }
func (s *memoryStream) Close() error               { return nil }
func (s *memoryStream) Context() context.Context   { return context.Background() }

// FuzzSync: every answer is one that the protocol has, and a file is written exactly as
// often as the phone said OKAY.
func FuzzSync(f *testing.F) {
	f.Add([]byte("STAT\x06\x00\x00\x00/d/oneSTA2\x01\x00\x00\x00/QUIT\x00\x00\x00\x00"))
	f.Add([]byte("LIST\x02\x00\x00\x00/dLIS2\x02\x00\x00\x00/d"))
	f.Add([]byte("RECV\x06\x00\x00\x00/d/oneRCV2\x06\x00\x00\x00/d/oneRCV2\x00\x00\x00\x00"))
	f.Add([]byte("SEND\x08\x00\x00\x00/d/x,420DATA\x03\x00\x00\x00abcDONE\x01\x00\x00\x00"))
	f.Add([]byte("SEND\x08\x00\x00\x00/d/x,420DATA\x03\x00\x00\x00ab"))
	f.Add([]byte("SND2\x04\x00\x00\x00/d/xSND2\xa4\x81\x00\x00\x00\x00\x00\x00DONE\x01\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, input []byte) {
		p := newTamePhone()
		s := &memoryStream{Reader: bytes.NewReader(input)}
		serveSync(p, s)
		okays := 0
		for out := &s.Buffer; out.Len() > 0; {
			id := string(out.Next(4))
			word := func(at int) int {
				if out.Len() < at+4 {
					t.Fatalf("answer %s is cut short after %q", id, input)
				}
				return int(binary.LittleEndian.Uint32(out.Bytes()[at:]))
			}
			var n int
			switch id {
			case "STAT":
				n = 12
			case "STA2", "LST2":
				n = 68
			case "DENT":
				n = 16 + word(12)
			case "DNT2":
				n = 72 + word(68)
			case "DATA", "FAIL":
				n = 4 + word(0)
			case "OKAY":
				okays++
				n = 4
			case "DONE": // of a file, or of a list, told apart by what was asked
				n = 4
				for _, list := range []int{72, 16} {
					if out.Len() >= list && len(bytes.Trim(out.Bytes()[:list], "\x00")) == 0 {
						n = list
						break
					}
				}
			default:
				t.Fatalf("answer %q to %q", id, input)
			}
			if len(out.Next(n)) != n {
				t.Fatalf("answer %s is cut short after %q", id, input)
			}
		}
		if okays != p.written {
			t.Errorf("%d OKAY for %d files written", okays, p.written)
		}
	})
}

// FuzzShellStdin: a command reads exactly what the packets carry up to the close.
func FuzzShellStdin(f *testing.F) {
	f.Add([]byte("\x00\x02\x00\x00\x00hi\x05\x01\x00\x00\x00x\x00\x01\x00\x00\x00!\x04\x00\x00\x00\x00"))
	f.Add([]byte("\x00\xff\x00\x00\x00cut short"))
	f.Add([]byte("\x04\x00\x00\x00\x00\x00\x01\x00\x00\x00x"))
	f.Fuzz(func(t *testing.T, input []byte) {
		var want bytes.Buffer
		for b := input; len(b) >= 5 && b[0] != shellCloseStdin; {
			n := min(uint64(binary.LittleEndian.Uint32(b[1:])), uint64(len(b)-5))
			if b[0] == shellStdin {
				want.Write(b[5 : 5+n])
			}
			b = b[5+n:]
		}
		r, w := io.Pipe()
		go feedStdin(&memoryStream{Reader: bytes.NewReader(input)}, w)
		if got, err := io.ReadAll(r); err != nil || !bytes.Equal(got, want.Bytes()) {
			t.Errorf("%q: stdin %q, %v, want %q", input, got, err, want.Bytes())
		}
	})
}
