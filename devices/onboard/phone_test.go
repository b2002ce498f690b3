package onboard

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"rundown/devices"
	"rundown/devices/hosttest"
)

// TestMain lets more tests run at once than there are processors: these wait for seconds
// to pass on a real clock and compute next to nothing.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "24"); err != nil {
		panic(err)
	}
	bellEvery = "0.5"
	os.Exit(m.Run())
}

// A phone is a link to a shell under test, and the hands that turn its stub commands.
type phone interface {
	devices.Link
	// set makes `dumpsys NAME` print text from now on.
	set(name, text string)
	// wifi makes the kernel's count of how often Wi-Fi lost or found its network read so, and
	// the state of its interface.
	wifi(changes, state string)
	// calls is what was asked of the stub commands that change a handset, one a line.
	calls() string
	// hangUp sends HUP to every process of the programs, as adbd does when a link ends.
	hangUp()
	// killRecorder kills the recorder outright.
	killRecorder(key string)
}

// A debian is this machine made up as a phone: a real mksh (or dash), the real toybox under
// the names of its commands and nothing else, stub Android commands, and the real /proc.
// Paths under Root and /sys/class are moved into a temporary folder.
type debian struct {
	t     testing.TB
	shell string
	home  string
	stood bool // its uptime is a file that the test writes, and not this machine's
}

// tools are the toybox commands that the programs call.
var tools = []string{"cat", "date", "mkdir", "mv", "printf", "rm", "setsid", "sleep", "stat"}

func newDebian(t testing.TB, shell string) *debian {
	t.Helper()
	sh, toybox := hosttest.Program(t, shell), hosttest.Program(t, "toybox")
	d := &debian{t: t, shell: sh, home: t.TempDir()}
	bin := filepath.Join(d.home, "bin")
	for _, dir := range []string{bin, d.home + "/sys/class/power_supply/battery", d.home + "/sys/class/net/wlan0", d.home + "/dumps"} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, tool := range tools {
		if err := os.Symlink(toybox, filepath.Join(bin, tool)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(sh, filepath.Join(bin, "sh")); err != nil {
		t.Fatal(err)
	}
	stub := d.stub
	// What stands under a service's name and first argument goes before its name alone.
	stub("dumpsys", `if [ -n "$2" ] && [ -e "HOME/dumps/$1 $2" ]; then cat "HOME/dumps/$1 $2"; elif [ -e "HOME/dumps/$1" ]; then cat "HOME/dumps/$1"; else echo "Can't find service: $1" >&2; fi`)
	stub("uiautomator", `[ -e HOME/dumps/ui ] && cat HOME/dumps/ui >"$2" && echo "UI hierchary dumped to: $2"`)
	stub("input", `echo "input $*" >>HOME/calls`)
	stub("am", `echo "am $*" >>HOME/calls; cat HOME/dumps/am 2>/dev/null`)
	stub("settings", `[ -e HOME/dumps/settings ] && cat HOME/dumps/settings || echo 17`)
	d.wifi("1", "up")
	t.Cleanup(func() { d.signalAll(syscall.SIGKILL) })
	return d
}

// stub makes a command of the phone's a shell text, in which HOME stands for its folder.
func (d *debian) stub(name, body string) {
	d.t.Helper()
	text := "#!" + d.shell + "\n" + strings.ReplaceAll(body, "HOME", d.home) + "\n"
	path := filepath.Join(d.home, "bin", name)
	_ = os.Remove(path) // else a link to toybox would be written through
	if err := os.WriteFile(path, []byte(text), 0o755); err != nil {
		d.t.Fatal(err)
	}
}

func (d *debian) move(s string) string {
	s = strings.ReplaceAll(s, Root, d.home+"/rundown")
	if d.stood {
		s = strings.ReplaceAll(s, "/proc/uptime", d.home+"/uptime")
	}
	return strings.ReplaceAll(s, "/sys/class/", d.home+"/sys/class/")
}

func (d *debian) Serial() string { return "debian-" + filepath.Base(d.shell) }

func (d *debian) command(ctx context.Context, command string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, d.shell, "-c", d.move(command))
	cmd.Env = []string{"PATH=" + d.home + "/bin"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true} // as adbd does
	return cmd
}

func (d *debian) StreamShell(ctx context.Context, command string, stdout, stderr io.Writer) (int, error) {
	cmd := d.command(ctx, command)
	// The whole session is hung up on, as adbd does it.
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGHUP) }
	cmd.Stdout, cmd.Stderr = stdout, stderr
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		return -1, err
	}
	return cmd.ProcessState.ExitCode(), ctx.Err()
}

func (d *debian) Shell(ctx context.Context, command string) (devices.Output, error) {
	cmd := d.command(ctx, command)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		return devices.Output{}, err
	}
	if ctx.Err() != nil {
		return devices.Output{}, devices.ErrTimeout
	}
	return devices.Output{Stdout: stdout.String(), Stderr: stderr.String(), ExitCode: cmd.ProcessState.ExitCode(), ExitKnown: true}, nil
}

func (d *debian) Push(_ context.Context, content io.Reader, path string, mode fs.FileMode) error {
	b, err := io.ReadAll(content)
	if err != nil {
		return err
	}
	path = d.move(path)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return os.WriteFile(path, []byte(d.move(string(b))), mode)
}

func (d *debian) Pull(_ context.Context, path string, offset int64, w io.Writer) (int64, error) {
	b, err := os.ReadFile(d.move(path))
	if err != nil {
		return 0, err
	}
	b = []byte(strings.ReplaceAll(string(b), d.home+"/sys/", "/sys/"))
	if d.stood {
		b = []byte(strings.ReplaceAll(string(b), d.home+"/uptime", "/proc/uptime"))
	}
	n, err := w.Write(b[min(offset, int64(len(b))):])
	return int64(n), err
}

func (d *debian) Stat(_ context.Context, path string) (devices.File, error) {
	i, err := os.Stat(d.move(path))
	if err != nil {
		return devices.File{}, err
	}
	return devices.File{Size: i.Size(), Mode: i.Mode(), ModTime: i.ModTime()}, nil
}

func (d *debian) Reverse(context.Context, int, int) error { return errors.ErrUnsupported }

func (d *debian) set(name, text string) { d.write(filepath.Join(d.home, "dumps", name), text) }

func (d *debian) wifi(changes, state string) {
	d.write(d.home+"/sys/class/net/wlan0/operstate", state+"\n")
	d.write(d.home+"/sys/class/net/wlan0/carrier_changes", changes+"\n")
}

func (d *debian) write(path, text string) {
	d.t.Helper()
	// Renamed into place: a stub never reads half of it.
	if err := os.WriteFile(path+".new", []byte(text), 0o644); err != nil {
		d.t.Fatal(err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		d.t.Fatal(err)
	}
}

func (d *debian) calls() string {
	b, _ := os.ReadFile(d.home + "/calls")
	return string(b)
}

// pids are the processes whose command line names this phone's folder.
func (d *debian) pids(part string) []int {
	var pids []int
	names, _ := filepath.Glob("/proc/[0-9]*/cmdline")
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil || !bytes.Contains(b, []byte(d.home)) || !bytes.Contains(b, []byte(part)) {
			continue
		}
		var pid int
		if _, err := fmt.Sscanf(name, "/proc/%d/", &pid); err == nil {
			pids = append(pids, pid)
		}
	}
	slices.Sort(pids)
	return pids
}

func (d *debian) signalAll(sig syscall.Signal) {
	for _, pid := range d.pids("") {
		_ = syscall.Kill(pid, sig)
	}
}

func (d *debian) hangUp() { d.signalAll(syscall.SIGHUP) }

func (d *debian) killRecorder(key string) {
	for _, pid := range d.pids(key + "/recorder.sh") {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
}

// shells is the table of shells that the programs run under.
var shells = []struct {
	name string
	new  func(testing.TB) phone
}{
	{"mksh", func(t testing.TB) phone { return newDebian(t, "mksh") }},
	{"dash", func(t testing.TB) phone { return newDebian(t, "dash") }},
	{"simulated", func(t testing.TB) phone { return newVirtual(t, upAnHour()) }},
}

// everyShell runs a test under each of them, all at once.
func everyShell(t *testing.T, test func(t *testing.T, ph phone)) {
	t.Helper()
	t.Parallel()
	for _, s := range shells {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			test(t, s.new(t))
		})
	}
}

// dump is a battery dump with invented values.
func dump(level, tempDC int, ac bool) string {
	return fmt.Sprintf(`Current Battery Service state:
  AC powered: %v
  USB powered: false
  Wireless powered: false
  Max charging current: 0
  Charge counter: %d
  status: 3
  health: 2
  present: true
  level: %d
  scale: 100
  voltage: 4011
  temperature: %d
  technology: Li-ion
`, ac, level*32_000, level, tempDC)
}

// A watch follows one segment's files through the reader.
type watch struct {
	t       *testing.T
	ph      phone
	key     string
	offsets [2]int64
	readers [2]Reader
	samples []Sample
	marks   []Mark
	acts    []Activity
}

// look reads what is new. Every line must be whole and in sequence.
func (w *watch) look() {
	w.t.Helper()
	for i, path := range []string{SamplesPath(w.key), ActivityPath(w.key)} {
		var b bytes.Buffer
		n, err := w.ph.Pull(w.t.Context(), path, w.offsets[i], &b)
		if errors.Is(err, devices.ErrNotExist) {
			continue
		}
		if err != nil {
			w.t.Fatal(err)
		}
		w.offsets[i] += n
		lines, err := w.readers[i].Feed(b.Bytes())
		if err != nil {
			w.t.Errorf("%s: %v", path, err)
		}
		for _, l := range lines {
			switch {
			case l.Sample != nil:
				w.samples = append(w.samples, *l.Sample)
			case l.Mark != nil:
				w.marks = append(w.marks, *l.Mark)
			default:
				w.acts = append(w.acts, *l.Activity)
			}
		}
	}
}

// until waits, bounded, until the condition holds of what was read.
func (w *watch) until(what string, holds func() bool) {
	w.t.Helper()
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		if w.look(); holds() {
			return
		}
	}
	w.t.Fatalf("waited in vain for %s; samples %+v marks %+v activity %+v calls %q%s", what, w.samples, w.marks, w.acts, w.ph.calls(), said(w.t.Context(), w.ph, w.key))
}

func (w *watch) readings(n int) {
	w.t.Helper()
	n += len(w.samples)
	w.until(fmt.Sprintf("%d readings", n), func() bool { return len(w.samples) >= n })
}

func (w *watch) evidence(kind string, n int) {
	w.t.Helper()
	w.until(fmt.Sprintf("evidence %s %d", kind, n), func() bool { return w.count(kind) >= n })
}

func (w *watch) count(kind string) int {
	n := 0
	for _, a := range w.acts {
		if a.Kind == kind {
			n++
		}
	}
	return n
}

// ended waits for the segment's end and returns the reason of the end mark.
func (w *watch) ended() string {
	w.t.Helper()
	var s State
	w.until("the end", func() bool {
		var err error
		if s, err = Inspect(w.t.Context(), w.ph, w.key); err != nil {
			w.t.Fatal(err)
		}
		return s.Ended
	})
	w.look()
	last := w.marks[len(w.marks)-1]
	if last.Kind != MarkEnd || last.Text != s.EndReason {
		w.t.Errorf("last mark %+v, end.txt %q: want an end mark of the same reason", last, s.EndReason)
	}
	w.until("the programs to be gone", func() bool {
		s, err := Inspect(w.t.Context(), w.ph, w.key)
		return err == nil && !s.RecorderAlive && !s.WorkloadAlive
	})
	for i, r := range w.readers {
		if err := r.Close(); err != nil {
			w.t.Errorf("file %d: %v", i, err)
		}
	}
	return last.Text
}

// begin installs and starts a segment.
func begin(t *testing.T, ph phone, s Segment) *watch {
	t.Helper()
	if s.SampleEverySec == 0 {
		s.SampleEverySec = 1
	}
	if err := Install(t.Context(), ph, s); err != nil {
		t.Fatal(err)
	}
	if err := Start(t.Context(), ph, s.Key); err != nil {
		t.Fatal(err)
	}
	return &watch{t: t, ph: ph, key: s.Key}
}

// moved gives the paths under /sys their real names again in what the shell prints.
type moved struct{ *debian }

func (m moved) Shell(ctx context.Context, command string) (devices.Output, error) {
	out, err := m.debian.Shell(ctx, command)
	out.Stdout = strings.ReplaceAll(out.Stdout, m.home+"/sys/", "/sys/")
	return out, err
}
