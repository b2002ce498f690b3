package wire

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	serverVersion = 41 // of the smart socket protocol; the same from 2018 to 2024 at least
	// listPoll is how often the list of phones is read again while someone follows it:
	// a phone's change of state is announced, a new phone in the list is not.
	listPoll = 100 * time.Millisecond
)

// serverFeatures are what the server can do itself, for clients that ask.
const serverFeatures = "shell_v2,cmd,stat_v2,ls_v2"

const unauthorizedText = `device unauthorized.
This adb server's $ADB_VENDOR_KEYS is not set
Try 'adb kill-server' if that seems wrong.
Otherwise check for a confirmation dialog on your device.`

// ServeServer serves the phones of list to adb clients that connect to l, as an adb server
// would. list is called for each request, from several goroutines; the order is that of
// the listing. stop closes the listener, every connection and every forward, ends the
// commands that run over them, and returns when all of that is done. `host:kill` sets
// LinkDown in the server's faults: the server is gone until that is cleared. Where that is
// used, take a port below those that the system hands out, or another program may get it.
func ServeServer(l net.Listener, list func() []Phone, opts ...Option) (stop func()) {
	var o options
	for _, set := range opts {
		set(&o)
	}
	if o.faults == nil {
		o.faults = new(Faults)
	}
	s := &server{
		list: list, faults: o.faults,
		rows: make(map[Phone]*row), cutOff: make(map[Phone]bool), forwards: make(map[string]*forward),
	}
	ready := make(chan struct{})
	s.door = openDoor(l, o.faults, func(g *gate) {
		<-ready // s.door is set
		s.serve(g)
	})
	close(ready)
	detach := o.faults.attach(func(drop bool) {
		if o.faults.Now().down() {
			s.forget()
		}
	})
	return func() {
		detach()
		s.forget()
		s.door.stop()
		s.forget() // what a request added while the door was closing
	}
}

type server struct {
	list   func() []Phone
	faults *Faults
	door   *door

	mu       sync.Mutex
	rows     map[Phone]*row
	lastID   uint64
	cutOff   map[Phone]bool // by host:disconnect
	forwards map[string]*forward
}

// A row is a phone as this server knows it: from when it appears in the list until it
// leaves it.
type row struct {
	phone   Phone
	faults  *Faults
	id      uint64
	reverse *reverses
	detach  func()
}

// A forward is a listener on the host that leads to a service of a phone.
type forward struct {
	row           *row
	local, remote string
	listener      net.Listener
}

// present returns the rows of the phones that are there now.
func (s *server) present() []*row {
	phones := s.list()
	var left []*row
	s.mu.Lock()
	here := make(map[Phone]bool)
	var rows []*row
	for _, p := range phones {
		if here[p] || s.cutOff[p] || faultsOf(p).Now().Absent {
			continue
		}
		here[p] = true
		r := s.rows[p]
		if r == nil {
			s.lastID++
			r = &row{phone: p, faults: faultsOf(p), id: s.lastID}
			if r.faults == nil {
				r.faults = new(Faults) // the phone has none of its own: a link that can be dropped
			}
			r.reverse = &reverses{phone: p, book: new(reverseBook), link: "host-" + strconv.FormatUint(r.id, 10), dial: s.dialer(r)}
			r.detach = r.faults.attach(func(drop bool) {
				if drop || r.faults.Now().down() {
					r.reverse.removeAll()
				}
			})
			s.rows[p] = r
		}
		rows = append(rows, r)
	}
	for p, r := range s.rows {
		if !here[p] {
			left = append(left, r)
			delete(s.rows, p)
		}
	}
	s.mu.Unlock()
	for _, r := range left {
		s.leave(r)
	}
	return rows
}

// leave ends what the server keeps for a phone.
func (s *server) leave(r *row) {
	r.detach()
	r.reverse.end()
	s.removeForwards(func(f *forward) bool { return f.row == r })
}

// forget ends what the server keeps for all phones, as its own end would.
func (s *server) forget() {
	s.mu.Lock()
	rows := s.rows
	s.rows = make(map[Phone]*row)
	clear(s.cutOff)
	s.mu.Unlock()
	for _, r := range rows {
		s.leave(r)
	}
}

func (r *row) state() string { return stateOf(r.phone, r.faults) }

func (r *row) devPath() string {
	if p, ok := r.phone.(Plugged); ok {
		return p.DevPath()
	}
	return ""
}

var overTCP = regexp.MustCompile(`^(\[.*\]|[^:]+):\d+$|^emulator-\d+$`)

// usb tells a phone on a cable from one that adb counts as an emulator.
func (r *row) usb() bool {
	return r.devPath() != "" || !overTCP.MatchString(r.phone.Serial())
}

func (r *row) line(long bool) string {
	serial := r.phone.Serial()
	if serial == "" {
		serial = "(no serial number)"
	}
	state := r.state()
	if !long {
		return serial + "\t" + state + "\n"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%-22s %s", serial, state)
	info := func(key, value string, clean func(rune) rune) {
		if value != "" {
			b.WriteString(" " + key + strings.Map(clean, value))
		}
	}
	oneWord := func(c rune) rune {
		if c == ' ' || c == '\n' {
			return '_'
		}
		return c
	}
	info("", r.devPath(), oneWord)
	if reachable(state) { // a phone says these when it connects
		banner := r.phone.Banner()
		info("product:", banner.Product, oneWord)
		info("model:", banner.Model, wordOnly)
		info("device:", banner.Device, oneWord)
	}
	fmt.Fprintf(&b, " transport_id:%d\n", r.id)
	return b.String()
}

func wordOnly(c rune) rune {
	if c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' {
		return c
	}
	return '_'
}

func (s *server) listing(long bool) string {
	var b strings.Builder
	for _, r := range s.present() {
		b.WriteString(r.line(long))
	}
	return b.String()
}

// A target says which phone a request is for.
type target struct {
	serial string
	id     uint64
	kind   string // "any", "usb" or "local" where no serial and no id is given
}

// matches reports whether the target may mean the row.
func (t target) matches(r *row) bool {
	switch {
	case t.id != 0:
		return r.id == t.id
	case t.serial != "":
		banner := r.phone.Banner()
		for prefix, value := range map[string]string{"product:": banner.Product, "model:": strings.Map(wordOnly, banner.Model), "device:": banner.Device} {
			if name, ok := strings.CutPrefix(t.serial, prefix); ok && name == value {
				return true
			}
		}
		return t.serial == r.phone.Serial() || t.serial == r.devPath()
	case t.kind == "usb":
		return r.usb()
	case t.kind == "local":
		return !r.usb()
	}
	return true
}

// find returns the one row that the target means, in whatever state it is. The error is
// what the server says to the client.
func (s *server) find(t target) (*row, error) {
	var found []*row
	refused := ""
	for _, r := range s.present() {
		if t.matches(r) {
			if reason, ok := strings.CutPrefix(r.state(), "no permissions"); ok {
				refused = "insufficient permissions for device" + strings.TrimRight(strings.Replace(strings.Replace(reason, " (", ": ", 1), "); see", "\nSee", 1), "\n") + " for more information"
				continue
			}
			found = append(found, r)
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1 && t.kind == "any" && t.serial == "":
		return nil, errors.New("more than one device/emulator")
	case len(found) > 1 && t.kind == "local" && t.serial == "":
		return nil, errors.New("more than one emulator")
	case len(found) > 1:
		return nil, errors.New("more than one device")
	case refused != "":
		return nil, errors.New(refused)
	case t.id != 0:
		return nil, fmt.Errorf("no device with transport id '%d'", t.id)
	case t.serial != "":
		return nil, fmt.Errorf("device '%s' not found", t.serial)
	case t.kind == "usb":
		return nil, errors.New("no devices found")
	case t.kind == "local":
		return nil, errors.New("no emulators found")
	}
	return nil, errors.New("no devices/emulators found")
}

// findReady is find for what needs a phone that answers.
func (s *server) findReady(t target) (*row, error) {
	r, err := s.find(t)
	if err != nil {
		return nil, err
	}
	switch r.state() {
	case "unauthorized":
		//lint:ignore ST1005 adb's own words
		return nil, errors.New(unauthorizedText)
	case "authorizing":
		return nil, errors.New("device still authorizing")
	case "connecting":
		return nil, errors.New("device still connecting")
	case "offline":
		return nil, errors.New("device offline")
	}
	return r, nil
}

// serve answers one client: one request to the server, or the choice of a phone and then
// one service of it.
func (s *server) serve(g *gate) {
	request, err := readRequest(g)
	if err != nil {
		return
	}
	t, verb, ok := parseHost(request)
	if !ok {
		g.Write(failed("device offline (no transport)"))
		return
	}
	if chosen, withID, ok := parseTransport(t, verb); ok {
		r, err := s.findReady(chosen)
		if err != nil {
			g.Write(failed(err.Error()))
			return
		}
		reply := []byte("OKAY")
		if withID {
			reply = binary.LittleEndian.AppendUint64(reply, r.id)
		}
		g.Write(reply)
		release := g.bind(r.faults)
		defer release()
		if request, err = readRequest(g); err != nil {
			return
		}
		if _, verb, ok := parseHost(request); ok { // `adb forward` asks the server after it chose
			s.host(g, target{id: r.id}, verb)
			return
		}
		s.serveService(g.ctx, g, r, request, true)
		return
	}
	s.host(g, t, verb)
}

// parseTransport reads the verbs that choose a phone. withID: the client wants to know
// its transport id.
func parseTransport(t target, verb string) (chosen target, withID, ok bool) {
	if serial, ok := strings.CutPrefix(verb, "transport:"); ok {
		return target{serial: serial}, false, true
	}
	if digits, ok := strings.CutPrefix(verb, "transport-id:"); ok {
		id, err := strconv.ParseUint(digits, 10, 64)
		return target{id: id}, false, err == nil && id != 0
	}
	if serial, ok := strings.CutPrefix(verb, "tport:serial:"); ok {
		return target{serial: serial}, true, true
	}
	kind, withID := strings.CutPrefix(verb, "tport:")
	if !withID {
		if kind, ok = strings.CutPrefix(verb, "transport-"); !ok {
			return target{}, false, false
		}
	}
	if kind == "any" && t.kind != "any" { // host-transport-id:N:tport:any
		return t, withID, true
	}
	return target{kind: kind}, withID, slices.Contains([]string{"any", "usb", "local"}, kind)
}

// serveService opens a service of a phone on a client's connection. acknowledge sends
// the OKAY or FAIL of the smart socket first.
func (s *server) serveService(ctx context.Context, conn net.Conn, r *row, name string, acknowledge bool) {
	serve, ok := findService(r.phone, r.faults, name, r.reverse)
	if acknowledge {
		reply := []byte("OKAY")
		if !ok {
			reply = failed("closed")
		}
		if _, err := conn.Write(reply); err != nil {
			return
		}
	}
	if !ok {
		return
	}
	st := newSocketStream(ctx, conn)
	watched, done := make(chan struct{}), make(chan struct{})
	go func() { // a phone that leaves takes its streams along
		defer close(watched)
		for {
			state := r.phone.Changed()
			r.faults.settle(done)
			if !reachable(r.state()) {
				conn.Close()
				return
			}
			select {
			case <-done:
				return
			case <-ctx.Done():
				return
			case <-state:
			}
		}
	}()
	serve(r.faults.cutting(st))
	st.finish()
	close(done)
	<-watched
}

// dialer returns how the phone of a row reaches a socket of this host.
func (s *server) dialer(r *row) func(spec string) func(context.Context) (net.Conn, error) {
	return func(spec string) func(context.Context) (net.Conn, error) {
		return func(ctx context.Context) (net.Conn, error) {
			address, err := hostAddress(spec)
			if err != nil {
				return nil, err
			}
			conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
			if err != nil {
				return nil, err
			}
			g, err := s.door.adopt(conn)
			if err != nil {
				return nil, err
			}
			release := g.bind(r.faults)
			context.AfterFunc(g.ctx, release)
			return g, nil
		}
	}
}

// hostAddress reads "tcp:PORT" or "tcp:HOST:PORT".
func hostAddress(spec string) (string, error) {
	if port, err := tcpPort(spec); err == nil {
		return net.JoinHostPort("127.0.0.1", strconv.Itoa(port)), nil
	}
	address, ok := strings.CutPrefix(spec, "tcp:")
	if _, _, err := net.SplitHostPort(address); !ok || err != nil {
		return "", fmt.Errorf("unknown socket specification: %s", spec)
	}
	return address, nil
}

func okay(text string) []byte { return append([]byte("OKAY"), counted(text)...) }

// host answers a request to the server itself.
func (s *server) host(g *gate, t target, verb string) {
	name, arg, _ := strings.Cut(verb, ":")
	about := func(what func(r *row) string) { // something about one phone
		r, err := s.findReady(t)
		if err != nil {
			g.Write(failed(err.Error()))
			return
		}
		g.Write(okay(what(r)))
	}
	switch name {
	case "version":
		g.Write(okay(fmt.Sprintf("%04x", serverVersion)))
	case "kill":
		g.Write([]byte("OKAY"))
		s.faults.Change(func(f *Fault) { f.LinkDown = true })
	case "devices", "devices-l":
		g.Write(okay(s.listing(name == "devices-l")))
	case "track-devices", "track-devices-l":
		s.track(g, name == "track-devices-l")
	case "host-features":
		g.Write(okay(serverFeatures))
	case "features":
		about(func(r *row) string { return strings.Join(featuresOf(r.phone, r.faults), ",") })
	case "get-state":
		about((*row).state)
	case "get-serialno":
		about(func(r *row) string { return r.phone.Serial() })
	case "get-devpath":
		about(func(r *row) string {
			if path := r.devPath(); path != "" {
				return path
			}
			return "unknown"
		})
	case "connect":
		g.Write(okay(s.connect(arg)))
	case "disconnect":
		g.Write(s.disconnect(arg))
	case "reconnect":
		r, err := s.find(t)
		if err != nil {
			g.Write(failed(err.Error()))
			return
		}
		g.Write(okay(fmt.Sprintf("reconnecting %s [%s]\n", r.phone.Serial(), r.state())))
		r.faults.Drop()
	case "reconnect-offline":
		var b strings.Builder
		for _, r := range s.present() {
			if r.state() != "device" {
				fmt.Fprintf(&b, "reconnecting %s\n", r.phone.Serial())
			}
		}
		g.Write(okay(b.String()))
	case "forward", "killforward", "killforward-all", "list-forward":
		g.Write(s.forward(t, name, arg))
	default:
		if want, ok := strings.CutPrefix(verb, "wait-for-"); ok {
			s.waitFor(g, t, want)
			return
		}
		g.Write(failed("unknown host service"))
	}
}

// withPort adds adb's usual port to an address that has none.
func withPort(address string) string {
	if _, _, err := net.SplitHostPort(address); err != nil {
		return net.JoinHostPort(strings.Trim(address, "[]"), "5555")
	}
	return address
}

func (s *server) connect(address string) string {
	address = withPort(address)
	for _, p := range s.list() {
		if p.Serial() != address {
			continue
		}
		switch state := stateOf(p, faultsOf(p)); {
		case state == "unauthorized" || state == "authorizing":
			return "failed to authenticate to " + address
		case state != "device" || faultsOf(p).Now().Absent:
			return "failed to connect to " + address
		}
		s.mu.Lock()
		was := s.cutOff[p]
		delete(s.cutOff, p)
		s.mu.Unlock()
		if was {
			return "connected to " + address
		}
		return "already connected to " + address
	}
	return fmt.Sprintf("failed to connect to '%s': Connection refused", address)
}

func (s *server) disconnect(address string) []byte {
	found := false
	for _, r := range s.present() {
		if r.usb() || address != "" && r.phone.Serial() != withPort(address) {
			continue
		}
		found = true
		s.mu.Lock()
		s.cutOff[r.phone] = true
		s.mu.Unlock()
		r.faults.Drop()
	}
	s.present() // ends what the server kept for them
	switch {
	case address == "":
		return okay("disconnected everything")
	case !found:
		return failed(fmt.Sprintf("no such device '%s'", withPort(address)))
	}
	return okay("disconnected " + withPort(address))
}

// untilGone closes the connection when the client does.
func (s *server) untilGone(g *gate) {
	s.door.spawn(func() {
		io.Copy(io.Discard, g)
		g.Close()
	})
}

// watch calls look now and after each change, until it returns false or the client goes.
func (s *server) watch(g *gate, look func() bool) {
	poll := time.NewTicker(listPoll)
	defer poll.Stop()
	for {
		wake := []<-chan struct{}{g.ctx.Done()}
		for _, p := range s.list() {
			wake = append(wake, p.Changed(), faultsOf(p).next())
		}
		if g.ctx.Err() != nil || !look() {
			return
		}
		cases := []reflect.SelectCase{{Dir: reflect.SelectRecv, Chan: reflect.ValueOf(poll.C)}}
		for _, c := range wake {
			cases = append(cases, reflect.SelectCase{Dir: reflect.SelectRecv, Chan: reflect.ValueOf(c)})
		}
		reflect.Select(cases)
	}
}

func (s *server) track(g *gate, long bool) {
	if _, err := g.Write([]byte("OKAY")); err != nil {
		return
	}
	s.untilGone(g)
	first, sent, sentIDs := true, "", ""
	s.watch(g, func() bool {
		var text, ids strings.Builder
		for _, r := range s.present() {
			text.WriteString(r.line(long))
			fmt.Fprintf(&ids, "%d ", r.id)
		}
		same := text.String() == sent
		if s.faults.Now().OfflineUnseen {
			same = ids.String() == sentIDs
		}
		if same && !first {
			return true
		}
		first, sent, sentIDs = false, text.String(), ids.String()
		_, err := g.Write(counted(sent))
		return err == nil
	})
}

var waitStates = []string{"any", "device", "recovery", "sideload", "rescue", "bootloader", "disconnect"}

// waitFor answers when a phone is in the state wanted, such as "any-device".
func (s *server) waitFor(g *gate, t target, want string) {
	kind, state, ok := strings.Cut(want, "-")
	if !ok || !slices.Contains([]string{"any", "usb", "local"}, kind) || !slices.Contains(waitStates, state) {
		g.Write(failed("malformed wait-for request: " + want))
		return
	}
	if t.serial == "" && t.id == 0 {
		t.kind = kind
	}
	if _, err := g.Write([]byte("OKAY")); err != nil {
		return
	}
	s.untilGone(g)
	s.watch(g, func() bool {
		var there, wanted bool
		for _, r := range s.present() {
			if t.matches(r) {
				there = true
				now := r.state()
				wanted = wanted || now == state || state == "any" && now != "offline"
			}
		}
		if wanted || state == "disconnect" && !there {
			g.Write([]byte("OKAY"))
			return false
		}
		return true
	})
}

// forward carries out the requests about forwards and returns the whole reply.
func (s *server) forward(t target, name, arg string) []byte {
	if name == "list-forward" {
		s.mu.Lock()
		defer s.mu.Unlock()
		var lines []string
		for _, f := range s.forwards {
			lines = append(lines, fmt.Sprintf("%s %s %s\n", f.row.phone.Serial(), f.local, f.remote))
		}
		slices.Sort(lines)
		return okay(strings.Join(lines, ""))
	}
	if name == "killforward-all" {
		s.removeForwards(func(*forward) bool { return true })
		return []byte("OKAYOKAY")
	}
	if name == "killforward" {
		if !s.removeForwards(func(f *forward) bool { return f.local == arg }) {
			return failed(fmt.Sprintf("listener '%s' not found", arg))
		}
		return []byte("OKAYOKAY")
	}
	r, err := s.findReady(t)
	if err != nil {
		return failed(err.Error())
	}
	arg, norebind := strings.CutPrefix(arg, "norebind:")
	local, remote, ok := strings.Cut(arg, ";")
	port, err := tcpPort(local)
	if !ok || remote == "" || err != nil {
		return failed("bad forward: " + arg)
	}
	s.mu.Lock()
	old := s.forwards[local]
	if old != nil && !norebind {
		old.row, old.remote = r, remote
	}
	s.mu.Unlock()
	switch {
	case old != nil && norebind:
		return failed("cannot rebind existing socket")
	case old != nil:
		return append([]byte("OKAY"), okay(strconv.Itoa(port))...)
	}
	l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
	if err != nil {
		return failed(fmt.Sprintf("cannot bind listener: %v", err))
	}
	port = l.Addr().(*net.TCPAddr).Port
	f := &forward{row: r, local: fmt.Sprintf("tcp:%d", port), remote: remote, listener: l}
	s.mu.Lock()
	s.forwards[f.local] = f
	s.mu.Unlock()
	s.door.spawn(func() { s.acceptForward(f) })
	context.AfterFunc(s.door.ctx, func() { l.Close() })
	return append([]byte("OKAY"), okay(strconv.Itoa(port))...)
}

func (s *server) acceptForward(f *forward) {
	for {
		conn, err := f.listener.Accept()
		if err != nil {
			return
		}
		g, err := s.door.adopt(conn)
		if err != nil {
			continue
		}
		s.mu.Lock()
		r, remote := f.row, f.remote
		s.mu.Unlock()
		s.door.spawn(func() {
			defer g.Close()
			defer g.bind(r.faults)()
			s.serveService(g.ctx, g, r, remote, false)
		})
	}
}

// removeForwards closes the forwards that which picks and reports whether there were any.
func (s *server) removeForwards(which func(*forward) bool) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	found := false
	for local, f := range s.forwards {
		if which(f) {
			found = true
			f.listener.Close()
			delete(s.forwards, local)
		}
	}
	return found
}
