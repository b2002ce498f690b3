package phoneshell

import (
	"context"
	"fmt"
	"io"
	"maps"
	"path"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// A Clock is the time that the phone's processes live in.
type Clock interface {
	Now() time.Time
	// Sleep returns after d of this clock's time, or with the context's error before.
	Sleep(ctx context.Context, d time.Duration) error
}

// Options says what phone the shell runs on. Everything may be left out.
type Options struct {
	Clock      Clock                // package time when nil
	UptimeBase func() time.Duration // the phone's uptime, sleep included; time since New by Clock when nil
	Wall       func() time.Time     // the phone's wall clock, which may jump; Clock.Now when nil
	BootID     func() string        // text of /proc/sys/kernel/random/boot_id; a fixed one when nil
	Commands   map[string]Command   // beside and above the built-in ones
	Env        map[string]string    // exported variables beside the usual HOME, USER, TMPDIR, ...
	FreeBytes  func() int64         // bytes left on the data partition: 0 is a full storage; plenty when nil
	Others     func() []ProcInfo    // processes that are not ours (apps), for ps, pidof and /proc
	// Run returns once the processors run, or ctx ends; processes call it before each of
	// their commands. nil: they always do.
	Run func(ctx context.Context)
	// WideIntegers turns off mksh's 32-bit arithmetic.
	WideIntegers bool
	// Removed is told each file that is removed, with its content, and must not call back
	// into the file system; nil: nobody is told.
	Removed func(name string, content []byte)
	// Ran is told of each program that a process begins, by its arguments, and with nil of
	// the end of each process, from that process's own goroutine, and must not call back; nil:
	// nobody is told. A process that begins another program has ended the one before.
	Ran func(pid int, argv []string)
}

// A Command is a program of the phone. args[0] is its name, the result its exit code.
// It runs on the goroutine of its process and must return soon after ctx ends, which
// means that the process was killed; p's streams and p.Sleep do so by themselves.
type Command func(ctx context.Context, p *Proc, args []string) int

// A Proc is what a command sees of its process.
type Proc struct {
	Stdin          io.Reader
	Stdout, Stderr io.Writer
	M              *Machine
	PID            int
	Dir            string // working directory, absolute

	proc *process
	env  func(string) string
}

// Getenv returns the value of an exported variable, or "".
func (p *Proc) Getenv(name string) string { return p.env(name) }

// Path makes name absolute.
func (p *Proc) Path(name string) string { return absPath(p.Dir, name) }

// Sleep waits on the phone's clock; false when the process was killed meanwhile.
func (p *Proc) Sleep(d time.Duration) bool {
	return p.M.clock.Sleep(p.proc.ctx, d) == nil && p.proc.ctx.Err() == nil
}

// Errorf writes "name: message" to standard error and returns 1, a command's usual
// exit code on failure.
func (p *Proc) Errorf(name, format string, a ...any) int {
	fmt.Fprintf(p.Stderr, "%s: %s\n", name, fmt.Sprintf(format, a...))
	return 1
}

// A ProcInfo describes one process of the phone.
type ProcInfo struct {
	PID, Parent, Session int
	User                 string // "shell" when empty
	Argv                 []string
	Start                time.Duration // uptime at its start
}

// A Machine is the user space of one virtual phone: its files and its processes.
// Safe for concurrent use.
type Machine struct {
	opt   Options
	clock Clock
	fs    *FS
	began time.Time

	mu       sync.Mutex
	commands map[string]Command
	procs    map[int]*process
	lastPID  int
	closed   bool
	wg       sync.WaitGroup

	programs programCache
}

// New makes a phone with its usual folders and commands.
func New(opt Options) *Machine {
	m := &Machine{opt: opt, clock: opt.Clock, commands: map[string]Command{}, procs: map[int]*process{}, lastPID: 2000}
	if m.clock == nil {
		m.clock = hostClock{}
	}
	m.began = m.clock.Now()
	m.fs = newFS(m.Wall, opt.FreeBytes)
	m.fs.removed = opt.Removed
	m.fs.proc, m.fs.pids = m.procNode, m.procNames
	m.fs.Dynamic("/proc/uptime", func() string {
		up := m.Uptime().Milliseconds() / 10
		return fmt.Sprintf("%d.%02d %d.%02d\n", up/100, up%100, up*3/100, up*3%100)
	})
	m.fs.Dynamic("/proc/sys/kernel/random/boot_id", func() string { return m.bootID() + "\n" })
	maps.Copy(m.commands, toolbox)
	maps.Copy(m.commands, opt.Commands)
	for name := range m.commands {
		m.installNode(name)
	}
	for _, name := range imageCommands {
		m.installNode(name)
	}
	return m
}

type hostClock struct{}

func (hostClock) Now() time.Time { return time.Now() }

func (hostClock) Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (m *Machine) installNode(name string) {
	if !strings.Contains(name, "/") {
		if err := m.fs.WriteFile("/system/bin/"+name, nil, 0o755); err == nil {
			m.fs.mu.Lock()
			if n, err := m.fs.lookup("/system/bin/"+name, true); err == nil {
				n.uid = 0
			}
			m.fs.mu.Unlock()
		}
	}
}

// Register adds or replaces a command; it also appears in /system/bin.
func (m *Machine) Register(name string, c Command) {
	m.mu.Lock()
	m.commands[name] = c
	m.mu.Unlock()
	m.installNode(name)
}

func (m *Machine) command(name string) Command {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.commands[name]
}

// FS is the phone's file system.
func (m *Machine) FS() *FS { return m.fs }

// Clock is the time that the processes live in.
func (m *Machine) Clock() Clock { return m.clock }

// Uptime is the time since the phone started, sleep included.
func (m *Machine) Uptime() time.Duration {
	if m.opt.UptimeBase != nil {
		return m.opt.UptimeBase()
	}
	return m.clock.Now().Sub(m.began)
}

// Wall is the phone's wall clock.
func (m *Machine) Wall() time.Time {
	if m.opt.Wall != nil {
		return m.opt.Wall()
	}
	return m.clock.Now()
}

func (m *Machine) bootID() string {
	if m.opt.BootID != nil {
		return m.opt.BootID()
	}
	return "00000000-0000-4000-8000-000000000001"
}

// Exec runs a command line as adbd does: `sh -c command` in a session of its own, and
// returns its exit code once the shell has ended and no process holds stdout or stderr
// any more. stdin nil is an empty input; what a process wants of stdin is read ahead, so
// a blocked Read of stdin outlives Exec until its owner ends it.
//
// When ctx ends first, the processes of the session get HUP, its streams break, and Exec
// returns 129 (128 + HUP) at once. Processes with a session of their own (setsid), with
// HUP ignored (trap ” HUP, nohup) live on. A closed machine gives 255.
func (m *Machine) Exec(ctx context.Context, command string, stdin io.Reader, stdout, stderr io.Writer) int {
	out := newHostWriter(stdout)
	errw := out
	if stderr == nil || stderr != stdout {
		errw = newHostWriter(stderr)
	}
	var fds fdTable
	if stdin != nil {
		fds[0] = newFile(&hostReader{r: stdin})
	} else {
		fds[0] = newFile(m.nullFile())
	}
	fds[1] = newFile(out)
	if errw == out {
		fds[2] = fds[1].retain()
	} else {
		fds[2] = newFile(errw)
	}
	argv := []string{"sh", "-c", command}
	p := m.newProcess(nil, argv)
	if p == nil {
		fds.closeAll()
		return 255
	}
	im := &image{proc: p, fds: fds, dir: "/", env: m.baseEnv()}
	p.start(func() int { return im.shellMain(argv) }, &im.fds)

	for _, c := range []<-chan struct{}{p.done, out.closed, errw.closed} {
		select {
		case <-c:
			continue
		case <-ctx.Done():
		}
		for _, q := range m.session(p.pid) {
			q.signal(sigHUP)
		}
		out.hangUp()
		errw.hangUp()
		return 128 + sigHUP
	}
	return p.status
}

func (m *Machine) baseEnv() map[string]string {
	env := map[string]string{
		"HOME": "/", "HOSTNAME": "phone", "LOGNAME": "shell", "USER": "shell", "SHELL": "/bin/sh",
		"TMPDIR": "/data/local/tmp", "TERM": "dumb", "PATH": "/product/bin:/system/bin:/vendor/bin",
		"ANDROID_ROOT": "/system", "ANDROID_DATA": "/data", "EXTERNAL_STORAGE": "/sdcard",
	}
	maps.Copy(env, m.opt.Env)
	return env
}

func (m *Machine) nullFile() *nodeFile {
	m.fs.mu.RLock()
	defer m.fs.mu.RUnlock()
	n, err := m.fs.lookup("/dev/null", true)
	if err != nil { // the owner removed it
		n = &node{kind: kindNull}
	}
	return &nodeFile{fs: m.fs, n: n, name: "/dev/null", reads: true, writes: true}
}

// KillAll ends every process at once, without traps: adbd restarted, or the phone did.
// It returns when none is left.
func (m *Machine) KillAll() {
	for {
		m.mu.Lock()
		list := slices.Collect(maps.Values(m.procs))
		m.mu.Unlock()
		if len(list) == 0 {
			return
		}
		for _, p := range list {
			p.signal(sigKILL)
		}
		for _, p := range list {
			<-p.done
		}
	}
}

// Close ends every process and waits for them. Nothing can be started afterwards.
func (m *Machine) Close() {
	m.mu.Lock()
	m.closed = true
	m.mu.Unlock()
	m.KillAll()
	m.wg.Wait()
}

// Processes lists the processes that the shell started, by pid.
func (m *Machine) Processes() []ProcInfo {
	m.mu.Lock()
	list := make([]ProcInfo, 0, len(m.procs))
	for _, p := range m.procs {
		list = append(list, p.info())
	}
	m.mu.Unlock()
	slices.SortFunc(list, func(a, b ProcInfo) int { return a.PID - b.PID })
	return list
}

// allProcesses is ours and the others'.
func (m *Machine) allProcesses() []ProcInfo {
	list := m.Processes()
	if m.opt.Others != nil {
		list = append(list, m.opt.Others()...)
		slices.SortStableFunc(list, func(a, b ProcInfo) int { return a.PID - b.PID })
	}
	return list
}

func (m *Machine) process(pid int) *process {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.procs[pid]
}

func (m *Machine) session(id int) []*process {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []*process
	for _, p := range m.procs {
		if p.sessionID() == id {
			list = append(list, p)
		}
	}
	return list
}

// Signal sends a signal (its number, 9 for KILL) to a process; false when there is none.
func (m *Machine) Signal(pid, sig int) bool {
	p := m.process(pid)
	if p == nil {
		return false
	}
	p.signal(sig)
	return true
}

// procNames and procNode are /proc/PID, asked by the file system with its lock held.
func (m *Machine) procNames() []string {
	var names []string
	for _, p := range m.allProcesses() {
		names = append(names, strconv.Itoa(p.PID))
	}
	return names
}

func (m *Machine) procNode(name string) *node {
	pid, err := strconv.Atoi(name)
	if err != nil || pid <= 0 {
		return nil
	}
	var info ProcInfo
	if p := m.process(pid); p != nil {
		info = p.info()
	} else {
		if m.opt.Others == nil {
			return nil
		}
		others := m.opt.Others()
		i := slices.IndexFunc(others, func(o ProcInfo) bool { return o.PID == pid })
		if i < 0 {
			return nil
		}
		info = others[i]
	}
	text := func(s string) *node { return &node{mode: 0o444, dyn: func() string { return s }} }
	comm := path.Base(info.Argv[0])
	if len(comm) > 15 {
		comm = comm[:15]
	}
	uid := shellUID
	if info.User != "" && info.User != "shell" {
		uid = 0
	}
	return &node{kind: kindDir, mode: 0o555, uid: uid, kids: map[string]*node{
		"cmdline": text(strings.Join(info.Argv, "\x00") + "\x00"),
		"comm":    text(comm + "\n"),
		"stat": text(fmt.Sprintf("%d (%s) S %d %d %d 0 -1 0 0 0 0 0 0 0 0 0 20 0 1 0 %d 0 0\n",
			pid, comm, info.Parent, info.Session, info.Session, info.Start.Milliseconds()/10)),
		"status": text(fmt.Sprintf("Name:\t%s\nState:\tS (sleeping)\nTgid:\t%d\nPid:\t%d\nPPid:\t%d\nUid:\t%d\t%d\t%d\t%d\n",
			comm, pid, pid, info.Parent, uid, uid, uid, uid)),
	}}
}

// Signals by Linux number.
const (
	sigHUP  = 1
	sigINT  = 2
	sigKILL = 9
	sigPIPE = 13
	sigTERM = 15
	sigCHLD = 17
)

var signalNames = [...]string{
	1: "HUP", 2: "INT", 3: "QUIT", 4: "ILL", 5: "TRAP", 6: "ABRT", 7: "BUS", 8: "FPE", 9: "KILL", 10: "USR1",
	11: "SEGV", 12: "USR2", 13: "PIPE", 14: "ALRM", 15: "TERM", 16: "STKFLT", 17: "CHLD", 18: "CONT", 19: "STOP",
	20: "TSTP", 21: "TTIN", 22: "TTOU", 23: "URG", 24: "XCPU", 25: "XFSZ", 26: "VTALRM", 27: "PROF", 28: "WINCH",
	29: "IO", 30: "PWR", 31: "SYS",
}

// signalNumber reads TERM, SIGTERM, term or 15.
func signalNumber(s string) (int, bool) {
	if n, err := strconv.Atoi(s); err == nil {
		return n, n >= 0 && n < len(signalNames)
	}
	s = strings.TrimPrefix(strings.ToUpper(s), "SIG")
	for n, name := range signalNames {
		if n > 0 && name == s {
			return n, true
		}
	}
	return 0, false
}

// stops are the signals that would freeze a process, which this machine cannot.
func stops(sig int) bool { return sig >= 19 && sig <= 22 }

// A process is one process of the phone. It runs on one goroutine.
type process struct {
	m       *Machine
	pid     int
	ppid    int
	started time.Duration
	ctx     context.Context // ends when the process is killed
	cancel  context.CancelFunc
	done    chan struct{}
	wake    chan struct{} // holds a token after a trapped signal
	status  int           // valid once done is closed

	mu      sync.Mutex
	argv    []string
	sid     int
	ignored uint64 // by signal number
	trapped uint64
	queue   []int // trapped signals not yet handled

	pending atomic.Bool // queue is not empty
	killed  atomic.Int32
}

// newProcess makes a child of parent, or the leader of a new session when parent is
// nil. It is nil when the machine is closed. The caller must call start.
func (m *Machine) newProcess(parent *process, argv []string) *process {
	up := m.Uptime()
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return nil
	}
	m.lastPID++
	if m.lastPID > 32767 {
		m.lastPID = 2001
	}
	for m.procs[m.lastPID] != nil {
		m.lastPID++
	}
	p := &process{m: m, pid: m.lastPID, ppid: 1, started: up, sid: m.lastPID, argv: argv,
		done: make(chan struct{}), wake: make(chan struct{}, 1)}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	if parent != nil {
		parent.mu.Lock()
		p.ppid, p.sid, p.ignored = parent.pid, parent.sid, parent.ignored
		if argv == nil {
			p.argv = parent.argv
		}
		parent.mu.Unlock()
	}
	m.procs[p.pid] = p
	m.wg.Add(1)
	return p
}

// start runs body on the process's goroutine. fds are closed at its end.
func (p *process) start(body func() int, fds *fdTable) {
	go func() {
		defer p.m.wg.Done()
		status := body()
		if sig := p.killed.Load(); sig != 0 {
			status = 128 + int(sig)
		}
		p.m.mu.Lock()
		delete(p.m.procs, p.pid)
		for _, q := range p.m.procs { // orphans
			if q.ppid == p.pid {
				q.ppid = 1
			}
		}
		p.m.mu.Unlock()
		p.m.ran(p.pid, nil)
		fds.closeAll()
		p.status = status & 0xff
		p.cancel()
		close(p.done)
	}()
}

func (m *Machine) ran(pid int, argv []string) {
	if m.opt.Ran != nil {
		m.opt.Ran(pid, argv)
	}
}

func (p *process) info() ProcInfo {
	p.mu.Lock()
	defer p.mu.Unlock()
	return ProcInfo{PID: p.pid, Parent: p.ppid, Session: p.sid, Argv: p.argv, Start: p.started}
}

func (p *process) sessionID() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.sid
}

func (p *process) setArgv(argv []string) {
	p.mu.Lock()
	p.argv = argv
	p.mu.Unlock()
}

// signal delivers one: ignored, queued for a trap, or the end of the process.
func (p *process) signal(sig int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	bit := uint64(1) << sig
	switch {
	case sig == 0 || sig == sigCHLD && p.trapped&bit == 0 || sig == 18 || sig == 23 || sig == 28 || stops(sig):
		return
	case sig != sigKILL && p.ignored&bit != 0:
		return
	case sig != sigKILL && p.trapped&bit != 0:
		for _, q := range p.queue {
			if q == sig {
				return // one of a kind waits, as in a signal set
			}
		}
		p.queue = append(p.queue, sig)
		p.pending.Store(true)
		select {
		case p.wake <- struct{}{}:
		default:
		}
	default:
		p.killed.CompareAndSwap(0, int32(sig))
		p.cancel()
	}
}

func (p *process) dead() bool { return p.killed.Load() != 0 }

// takeSignal returns the next trapped signal, 0 when none waits.
func (p *process) takeSignal() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.queue) == 0 {
		return 0
	}
	sig := p.queue[0]
	p.queue = p.queue[1:]
	p.pending.Store(len(p.queue) > 0)
	return sig
}

func (p *process) nextSignal() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.queue) == 0 {
		return 0
	}
	return p.queue[0]
}

type disposition int

const (
	byDefault disposition = iota
	ignore
	catch
)

func (p *process) dispose(sig int, d disposition) {
	p.mu.Lock()
	defer p.mu.Unlock()
	bit := uint64(1) << sig
	p.ignored &^= bit
	p.trapped &^= bit
	switch d {
	case ignore:
		p.ignored |= bit
	case catch:
		p.trapped |= bit
	}
}

// resetTraps is what exec and fork do: caught signals get their default back.
func (p *process) resetTraps() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.trapped, p.queue = 0, nil
	p.pending.Store(false)
}

// wait waits for a child, for a trapped signal or for the own death. ok is true when
// the child has ended.
func (p *process) wait(c *process) (ok bool) {
	for {
		select {
		case <-c.done:
			return true
		default:
		}
		if p.pending.Load() {
			return false
		}
		select {
		case <-c.done:
			return true
		case <-p.wake:
		case <-p.ctx.Done():
			return false
		}
	}
}

// waitThrough waits for a child and lets trapped signals wait, as a shell does for a
// command in the foreground.
func (p *process) waitThrough(c *process) {
	select {
	case <-c.done:
	case <-p.ctx.Done():
	}
}

func absPath(dir, name string) string {
	if !strings.HasPrefix(name, "/") {
		name = dir + "/" + name
	}
	// Lexical cleaning is right here: the links of a phone's storage have no "..".
	return path.Clean(name)
}
