package onboard

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rundown/devices"
	"rundown/devices/simulated/phoneshell"
)

// A virtual is the simulated handset's shell with the same stub commands as debian.
type virtual struct {
	*phoneshell.Machine

	mu    sync.Mutex
	dumps map[string]string
	did   strings.Builder
}

// upAnHour is a phone that was started an hour ago.
func upAnHour() phoneshell.Options {
	began := time.Now()
	return phoneshell.Options{UptimeBase: func() time.Duration { return time.Hour + time.Since(began) }}
}

func newVirtual(t testing.TB, opt phoneshell.Options) *virtual {
	v := &virtual{dumps: map[string]string{}}
	opt.Commands = map[string]phoneshell.Command{
		"dumpsys": func(_ context.Context, p *phoneshell.Proc, args []string) int {
			v.mu.Lock()
			text, ok := v.dumps[strings.Join(args[1:min(3, len(args))], " ")]
			if !ok {
				text, ok = v.dumps[args[1]]
			}
			v.mu.Unlock()
			if !ok {
				fmt.Fprintf(p.Stderr, "Can't find service: %s\n", args[1])
			}
			_, _ = io.WriteString(p.Stdout, text)
			return 0
		},
		"uiautomator": func(_ context.Context, p *phoneshell.Proc, args []string) int {
			v.mu.Lock()
			text, ok := v.dumps["ui"]
			v.mu.Unlock()
			if !ok {
				fmt.Fprintln(p.Stderr, "ERROR: could not get idle state.")
				return 0
			}
			if err := v.FS().WriteFile(args[2], []byte(text), 0o644); err != nil {
				return 1
			}
			fmt.Fprintf(p.Stdout, "UI hierchary dumped to: %s\n", args[2])
			return 0
		},
		"input": v.note,
		"am":    v.note,
		"settings": func(_ context.Context, p *phoneshell.Proc, _ []string) int {
			v.mu.Lock()
			defer v.mu.Unlock()
			fmt.Fprintln(p.Stdout, cmp.Or(v.dumps["settings"], "17"))
			return 0
		},
	}
	v.Machine = phoneshell.New(opt)
	v.wifi("1", "up")
	t.Cleanup(v.Close)
	return v
}

func (v *virtual) StreamShell(ctx context.Context, command string, stdout, stderr io.Writer) (int, error) {
	code := v.Exec(ctx, command, nil, stdout, stderr)
	return code, ctx.Err()
}

func (v *virtual) note(_ context.Context, p *phoneshell.Proc, args []string) int {
	v.mu.Lock()
	defer v.mu.Unlock()
	fmt.Fprintln(&v.did, strings.Join(args, " "))
	_, _ = io.WriteString(p.Stdout, v.dumps[args[0]])
	return 0
}

func (v *virtual) set(name, text string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.dumps[name] = text
}

func (v *virtual) wifi(changes, state string) {
	for name, text := range map[string]string{"carrier_changes": changes, "operstate": state} {
		v.FS().Dynamic("/sys/class/net/wlan0/"+name, func() string { return text + "\n" })
	}
}

func (v *virtual) calls() string {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.did.String()
}

func (v *virtual) signal(part string, sig int) {
	for _, p := range v.Processes() {
		if strings.Contains(strings.Join(p.Argv, " "), part) {
			v.Signal(p.PID, sig)
		}
	}
}

func (v *virtual) hangUp() { v.signal("", 1) }

func (v *virtual) killRecorder(key string) { v.signal(key+"/recorder.sh", 9) }

func (v *virtual) Serial() string { return "virtual" }

func (v *virtual) Shell(ctx context.Context, command string) (devices.Output, error) {
	var stdout, stderr bytes.Buffer
	code := v.Exec(ctx, command, nil, &stdout, &stderr)
	if ctx.Err() != nil {
		return devices.Output{}, devices.ErrTimeout
	}
	return devices.Output{Stdout: stdout.String(), Stderr: stderr.String(), ExitCode: code, ExitKnown: true}, nil
}

func (v *virtual) Push(_ context.Context, content io.Reader, path string, mode fs.FileMode) error {
	b, err := io.ReadAll(content)
	if err != nil {
		return err
	}
	if err := v.FS().MkdirAll(path[:strings.LastIndex(path, "/")]); err != nil {
		return err
	}
	return v.FS().WriteFile(path, b, mode)
}

func (v *virtual) Pull(_ context.Context, path string, offset int64, w io.Writer) (int64, error) {
	b, err := v.FS().ReadFile(path)
	if err != nil {
		return 0, err
	}
	n, err := w.Write(b[min(offset, int64(len(b))):])
	return int64(n), err
}

func (v *virtual) Stat(_ context.Context, path string) (devices.File, error) {
	i, err := v.FS().Stat(path)
	if err != nil {
		return devices.File{}, err
	}
	return devices.File{Size: i.Size(), Mode: i.Mode(), ModTime: i.ModTime()}, nil
}

func (v *virtual) Reverse(context.Context, int, int) error { return nil }

// A whole night on a handset that has been up for 40 days, at no cost in time: the clock
// counts on beyond 32 bits of milliseconds, the schedule keeps to the second, a jump of the
// wall clock changes nothing, and a handset that slept leaves a gap, not a heap.
func TestNight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var mu sync.Mutex
		var slept, jumped time.Duration
		up := func() time.Duration {
			mu.Lock()
			defer mu.Unlock()
			return 40*24*time.Hour + time.Since(began) + slept
		}
		v := newVirtual(t, phoneshell.Options{
			UptimeBase: up,
			Wall: func() time.Time {
				mu.Lock()
				defer mu.Unlock()
				return time.Now().Add(slept + jumped)
			},
		})
		defer v.Close()
		level := 93
		v.set("battery", dump(level, 300, false))
		w := begin(t, v, Segment{Key: "night", SampleEverySec: 10, WarmUpSec: 300, TargetPoints: 7, TimeLimitSec: 12 * 3600, StopOnPower: true, Workload: Program{Loop: "ev pass $n\nrest 60"}})
		// One point each 45 min. The first falls after the warm-up: the start edge is at
		// 92, the target at 85.
		for range 8 {
			time.Sleep(45 * time.Minute)
			level--
			v.set("battery", dump(level, 300, false))
			mu.Lock()
			switch level {
			case 90:
				jumped -= 26 * time.Hour
			case 88:
				slept += 95 * time.Second // frozen: processes did not run meanwhile
			}
			mu.Unlock()
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		w.look()
		if got := w.marks[len(w.marks)-1]; got.Kind != MarkEnd || got.Text != EndTarget {
			t.Fatalf("last mark %+v, want the target; %d samples", got, len(w.samples))
		}
		if s, err := Inspect(t.Context(), v, "night"); err != nil || !s.Ended || s.EndReason != EndTarget || s.RecorderAlive || s.WorkloadAlive {
			t.Errorf("Inspect = %+v, %v; want ended at the target and nothing running", s, err)
		}
		// The host was last in touch six hours before.
		if want := "input keyevent 3\ninput keyevent 223\n"; v.calls() != want {
			t.Errorf("calls %q, want %q", v.calls(), want)
		}
		first := w.samples[0]
		if first.UptimeMS < 40*24*3600*1000 {
			t.Errorf("first sample at %d ms: want beyond 40 days", first.UptimeMS)
		}
		gaps, off := 0, 0
		for i, s := range w.samples[1:] {
			switch d := s.UptimeMS - w.samples[i].UptimeMS; {
			case d > 95_000 && d < 120_000:
				gaps++
			case d > 10_000:
				t.Errorf("sample %d comes %d ms after the one before", s.Seq, d)
			}
			if (s.UptimeMS-first.UptimeMS)%10_000 != 0 {
				off++
			}
		}
		// Only the reading at the waking is off the schedule; those after it keep to it again.
		if off != 1 {
			t.Errorf("%d samples off the schedule, want 1", off)
		}
		if gaps != 1 {
			t.Errorf("%d gaps, want the one of the sleep", gaps)
		}
		// 8 points of 45 min and the gap, one reading each 10 s, the first one at 0.
		if n := len(w.samples); n < 2155 || n > 2165 {
			t.Errorf("%d samples, want about 2160", n)
		}
		if last := w.samples[len(w.samples)-1]; last.WallMS >= first.WallMS {
			t.Errorf("wall clock %d ms at the end: want the jump back to show (began at %d ms)", last.WallMS, first.WallMS)
		}
		if n := w.count("pass"); n < 355 || n > 365 {
			t.Errorf("%d passes of the loop, want about 360", n)
		}
	})
}

// A full storage loses readings and says so by their numbers; it stops neither program,
// and what is written afterwards is whole.
func TestFullStorage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		free := int64(1 << 30)
		v := newVirtual(t, phoneshell.Options{FreeBytes: func() int64 {
			mu.Lock()
			defer mu.Unlock()
			return free
		}})
		defer v.Close()
		set := func(n int64) {
			mu.Lock()
			defer mu.Unlock()
			free = n
		}
		v.set("battery", dump(93, 300, false))
		w := begin(t, v, Segment{Key: "full", SampleEverySec: 10})
		time.Sleep(time.Minute)
		set(0)
		time.Sleep(time.Minute)
		set(1 << 30)
		time.Sleep(time.Minute)
		synctest.Wait()
		var b bytes.Buffer
		if _, err := v.Pull(t.Context(), SamplesPath("full"), 0, &b); err != nil {
			t.Fatal(err)
		}
		var r Reader
		lines, err := r.Feed(b.Bytes())
		if err == nil || !strings.Contains(err.Error(), "samples 8 to 13 are missing") || strings.Contains(err.Error(), "\n") {
			t.Errorf("errors: got %v, want only that samples 8 to 13 are missing", err)
		}
		last := lines[len(lines)-1].Sample
		if last == nil || last.Seq < 18 {
			t.Errorf("last line %v, want a sample after the storage was freed", lines[len(lines)-1])
		}
		if err := Stop(t.Context(), w.ph, "full"); err != nil {
			t.Fatal(err)
		}
	})
}
