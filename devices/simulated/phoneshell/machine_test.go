package phoneshell

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fastClock runs factor times as fast as the host's.
type fastClock struct {
	began  time.Time
	factor float64
}

func newFastClock(factor float64) *fastClock { return &fastClock{time.Now(), factor} }

func (c *fastClock) Now() time.Time {
	return c.began.Add(time.Duration(float64(time.Since(c.began)) * c.factor))
}

func (c *fastClock) Sleep(ctx context.Context, d time.Duration) error {
	return hostClock{}.Sleep(ctx, time.Duration(float64(d)/c.factor))
}

// eventually waits for a condition, with a deadline.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 10 s: %s", what)
		}
	}
}

func content(m *Machine, name string) string {
	b, err := m.FS().ReadFile(name)
	if err != nil {
		return "error: " + err.Error()
	}
	return string(b)
}

// A script that sleeps takes the clock's time and none of the test's.
func TestLongScriptTakesTheClocksTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := New(Options{})
		defer m.Close()
		out, _, code := run2(m, `i=0; while [ $i -lt 25 ]; do sleep 3; i=$((i+1)); done; read -r u x < /proc/uptime; echo ${u%.*}`)
		if got := strings.TrimSpace(out); code != 0 || got != "75" {
			t.Errorf("uptime at the end = %q, code %d; want 75", got, code)
		}
	})
}

// The way a recorder is started over adb: it outlives the session that started it, and
// a later TERM makes it clean up.
func TestSetsidOutlivesTheLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := New(Options{})
		defer m.Close()
		if err := m.FS().WriteFile("/data/local/tmp/rec.sh", []byte(`
trap '' HUP
trap 'echo cleanup >> /data/local/tmp/log; exit 0' TERM
	echo $$ > /data/local/tmp/pid
	n=0
	while :; do
	  n=$((n+1)); echo "line $n" >> /data/local/tmp/log
	  sleep 1 & wait $!
	done
	`), 0o644); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if code := m.Exec(t.Context(), `setsid sh /data/local/tmp/rec.sh </dev/null >/dev/null 2>&1 & echo $!`, nil, &out, io.Discard); code != 0 {
			t.Fatalf("exit code %d, want 0", code)
		}
		pid := strings.TrimSpace(out.String())
		eventually(t, "the recorder writes three lines", func() bool { return strings.Contains(content(m, "/data/local/tmp/log"), "line 3") })
		if got := strings.TrimSpace(content(m, "/data/local/tmp/pid")); got != pid {
			t.Errorf("$$ of the recorder = %s, $! of its starter = %s", got, pid)
		}
		if got := content(m, "/proc/"+pid+"/cmdline"); got != "sh\x00/data/local/tmp/rec.sh\x00" {
			t.Errorf("cmdline = %q", got)
		}
		// Links come and go.
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(20*time.Millisecond, cancel)
		if code := m.Exec(ctx, `tail -f /data/local/tmp/log`, nil, io.Discard, io.Discard); code != 129 {
			t.Errorf("lost link: exit code %d, want 129", code)
		}
		got, _, code := run2(m, `kill -0 `+pid+` && echo there; kill -TERM `+pid+`; sleep 2; kill -0 `+pid+` 2>/dev/null || echo gone; tail -n 1 /data/local/tmp/log`)
		if want := "there\ngone\ncleanup\n"; got != want || code != 0 {
			t.Errorf("got %q, code %d; want %q", got, code, want)
		}
	})
}

func run2(m *Machine, text string) (string, string, int) {
	var out, errs bytes.Buffer
	code := m.Exec(context.Background(), text, nil, &out, &errs)
	return out.String(), errs.String(), code
}

func TestLostLinkHangsUpTheSession(t *testing.T) {
	tests := []struct {
		name, text string
		lives      bool
	}{
		{"foreground", `echo up > r; while :; do sleep 0.01; done`, false},
		{"background of the session", `sh -c 'echo up > r; while :; do sleep 0.01; done' & wait`, false},
		{"HUP ignored", `trap '' HUP; echo up > r; while :; do sleep 0.01; done`, true},
		{"nohup", `nohup sh -c 'echo up > r; while :; do sleep 0.01; done'`, true},
		{"session of its own", `setsid -w sh -c 'echo up > r; while :; do sleep 0.01; done'`, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := New(Options{})
				defer m.Close()
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan int)
				go func() { done <- m.Exec(ctx, "cd /data/local/tmp; "+tt.text, nil, io.Discard, io.Discard) }()
				eventually(t, "the script has started", func() bool { return content(m, "/data/local/tmp/r") == "up\n" })
				cancel()
				if code := <-done; code != 129 {
					t.Errorf("exit code %d, want 129", code)
				}
				if tt.lives {
					time.Sleep(time.Minute) // long enough for a HUP to have worked
					if len(m.Processes()) == 0 {
						t.Error("nothing lives on")
					}
					return
				}
				eventually(t, "nothing is left", func() bool { return len(m.Processes()) == 0 })
			})
		})
	}
}

func TestTrappedHangUpRunsItsTrap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := New(Options{})
		defer m.Close()
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			eventually(t, "started", func() bool { return content(m, "/data/local/tmp/r") == "up\n" })
			cancel()
		}()
		m.Exec(ctx, `trap 'echo restored > /data/local/tmp/r; exit 1' HUP; echo up > /data/local/tmp/r; while :; do sleep 0.01; done`, nil, io.Discard, io.Discard)
		eventually(t, "the trap has run", func() bool { return content(m, "/data/local/tmp/r") == "restored\n" })
	})
}

// adbd keeps the stream open while any process holds it.
func TestStreamStaysOpenWhileHeld(t *testing.T) {
	tests := []struct {
		text string
		want time.Duration
	}{
		{`sleep 60 & echo started`, 60 * time.Second},
		{`sleep 60 >/dev/null & echo started`, 60 * time.Second}, // standard error is still held
		{`sleep 60 </dev/null >/dev/null 2>&1 & echo started`, 0},
		{`{ sleep 60; echo x; } >/dev/null 2>&1 & echo started`, 0},
		{`x=$(sleep 60 & echo y); echo started`, 60 * time.Second},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := New(Options{})
				began := time.Now()
				out, _, _ := run2(m, tt.text)
				if got := time.Since(began); got != tt.want || out != "started\n" {
					t.Errorf("ended after %v with %q, want %v", got, out, tt.want)
				}
				m.Close()
			})
		})
	}
}

func TestInsideABubble(t *testing.T) {
	tests := []struct {
		name, text, want string
		took             time.Duration
	}{
		{"loop", `i=0; while [ $i -lt 1000 ]; do d=$(date +%s); sleep 10; i=$((i+1)); done; echo $i`, "1000\n", 10000 * time.Second},
		{"pipe whose writer sleeps", `{ sleep 5; echo a; sleep 5; echo b; } | while read x; do echo "got $x"; done`, "got a\ngot b\n", 10 * time.Second},
		{"here-document", "sleep 1; cat <<EOF\nx\nEOF", "x\n", time.Second},
		{"wait and trap", `trap 'echo T; exit 0' TERM; (sleep 3; kill $$) & sleep 100 >/dev/null 2>&1 & wait; echo no`, "T\n", 3 * time.Second},
		{"trap waits for the foreground", `trap 'echo T; exit 0' TERM; (sleep 3; kill $$) & sleep 100; echo no`, "T\n", 100 * time.Second},
		{"timeout", `timeout 7 sleep 60; echo $?`, "124\n", 7 * time.Second},
		{"timeout that kills", `timeout -k 2 7 sh -c 'trap "" TERM; sleep 60 & while :; do wait; done'; echo $?`, "137\n", 60 * time.Second},
		{"read with a limit", `sleep 100 | { read -t 4 x; echo $?; }`, "1\n", 100 * time.Second},
		{"SECONDS", `sleep 90; echo $SECONDS`, "90\n", 90 * time.Second},
		{"fraction", `sleep 0.25; sleep 0.25; read -r u x < /proc/uptime; echo $u`, "0.50\n", 500 * time.Millisecond},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := New(Options{})
				began := time.Now()
				got, stderr, _ := run2(m, tt.text)
				if took := time.Since(began); got != tt.want || took != tt.took {
					t.Errorf("%q after %v, want %q after %v\n%s", got, took, tt.want, tt.took, stderr)
				}
				m.Close()
			})
		})
	}
}

func TestKillAllRunsNoTraps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := New(Options{})
		defer m.Close()
		run2(m, `cd /data/local/tmp; for i in 1 2 3; do setsid sh -c 'trap "echo trap >> log" EXIT TERM HUP; echo up >> log; while :; do sleep 1 & wait; done' </dev/null >/dev/null 2>&1 & done`)
		eventually(t, "three are up", func() bool { return content(m, "/data/local/tmp/log") == "up\nup\nup\n" })
		m.KillAll()
		if list := m.Processes(); len(list) != 0 {
			t.Errorf("left: %v", list)
		}
		if got := content(m, "/data/local/tmp/log"); got != "up\nup\nup\n" {
			t.Errorf("log = %q", got)
		}
		if out, _, code := run2(m, "echo again"); out != "again\n" || code != 0 {
			t.Errorf("after the restart: %q, %d", out, code)
		}
		m.Close()
		if _, _, code := run2(m, "echo no"); code != 255 {
			t.Errorf("closed machine: exit code %d, want 255", code)
		}
	})
}

func TestCloseStopsBusyLoops(t *testing.T) {
	m := New(Options{})
	for _, s := range []string{`while :; do :; done`, `while true; do x=$((x+1)); done`, `f() { f; }; while :; do f; done`, `cat`, `yes > /dev/null`, `yes | cat > /dev/null`, `read x`, `x=$(cat)`, `sleep 1000 | cat`} {
		r, w := io.Pipe()
		defer w.Close()
		go m.Exec(context.Background(), s+" 2>/dev/null", r, io.Discard, io.Discard)
	}
	eventually(t, "all are running", func() bool { return len(m.Processes()) >= 9 })
	began := time.Now()
	m.Close()
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("Close took %v", took)
	}
}

func TestStandardInput(t *testing.T) {
	m := New(Options{})
	defer m.Close()
	var out bytes.Buffer
	code := m.Exec(t.Context(), `read a; read b; cat; echo "$a-$b"`, strings.NewReader("1\n2\n3\n4\n"), &out, io.Discard)
	if out.String() != "3\n4\n1-2\n" || code != 0 {
		t.Errorf("got %q, %d", out.String(), code)
	}
	out.Reset()
	m.Exec(t.Context(), `sh -s; cat > /dev/null`, strings.NewReader("echo from input\nexit 3\n"), &out, io.Discard)
	if out.String() != "from input\n" {
		t.Errorf("got %q", out.String())
	}
}

func TestFullStorage(t *testing.T) {
	var free atomic.Int64
	free.Store(1000)
	m := New(Options{FreeBytes: free.Load})
	defer m.Close()
	free.Store(5)
	out, stderr, code := run2(m, `cd /data/local/tmp; echo 1234 > a; echo $?; free=1; echo 123456 >> a; echo $?; cat a; printf 1234567 > b; echo $?; echo x > /dev/null; echo $?; df /data | while read -r a b c d e; do [ $a = /dev/root ] || [ $a = Filesystem ] || echo $d; done`)
	if want := "0\n1\n1234\n1\n0\n0\n"; out != want || code != 0 || !strings.Contains(stderr, "No space left on device") {
		t.Errorf("got %q, %d, want %q; stderr %q", out, code, want, stderr)
	}
	if err := m.FS().WriteFile("/sdcard/big", make([]byte, 6), 0o644); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("WriteFile = %v, want ENOSPC", err)
	}
}

func TestPermissions(t *testing.T) {
	m := New(Options{})
	defer m.Close()
	m.FS().Deny("/sys/class/power_supply/battery/current_now")
	m.FS().Dynamic("/sys/class/power_supply/battery/capacity", func() string { return "93\n" })
	m.FS().WriteFile("/data/local/tmp/secret", []byte("x"), 0o200)
	tests := []struct{ text, out, stderr string }{
		{`cat /sys/class/power_supply/battery/current_now`, "", "cat: /sys/class/power_supply/battery/current_now: Permission denied\n"},
		{`read x < /sys/class/power_supply/battery/current_now`, "", "/system/bin/sh: /sys/class/power_supply/battery/current_now: Permission denied\n"},
		{`[ -r /sys/class/power_supply/battery/current_now ] || echo no; [ -e /sys/class/power_supply/battery/current_now ] && echo there`, "no\nthere\n", ""},
		{`cat /sys/class/power_supply/battery/capacity`, "93\n", ""},
		{`echo 5 > /sys/class/power_supply/battery/capacity`, "", "/system/bin/sh: /sys/class/power_supply/battery/capacity: Permission denied\n"},
		{`cat /data/local/tmp/secret`, "", "cat: /data/local/tmp/secret: Permission denied\n"},
		{`echo x > /system/x; mkdir /x; rm /system/bin/cat; cat /proc/uptime > /dev/null && echo ok`, "ok\n", "/system/bin/sh: /system/x: Permission denied\nmkdir: '/x': Permission denied\nrm: /system/bin/cat: Permission denied\n"},
		{`ls /data`, "", "ls: /data: Permission denied\n"},
		{`echo a > /sdcard/f; cat /storage/emulated/0/f; ls -d /sdcard/DCIM`, "a\n/sdcard/DCIM\n", ""},
	}
	for _, tt := range tests {
		if out, stderr, _ := run2(m, tt.text); out != tt.out || stderr != tt.stderr {
			t.Errorf("%s:\ngot  %q, %q\nwant %q, %q", tt.text, out, stderr, tt.out, tt.stderr)
		}
	}
}

// What is not supported must be loud: a script must not pass here by accident.
func TestUnsupportedIsLoud(t *testing.T) {
	m := New(Options{})
	defer m.Close()
	for text, code := range map[string]int{
		`sed p`: 127, `find /`: 127, `ps`: 127, `echo | grep -A 3 x`: 2, `grep -P x /dev/null`: 2,
		`ls --color`: 1, `date -D x`: 2, `kill -STOP $$`: 1, `typeset -i x=1`: 2, `a=(1 2)`: 1, `trap x ERR`: 1,
		`nosuch`: 127, `coproc_test |& cat`: 1, `select x in a; do :; done`: 1, `head -n -3 /dev/null`: 2, `stat -c %T /`: 2, `[[ a =~ b ]]`: 1, `cat <(echo)`: 1,
	} {
		if _, stderr, got := run2(m, text); got != code || stderr == "" {
			t.Errorf("%s: exit code %d, stderr %q; want %d and a message", text, got, stderr, code)
		}
	}
	_, stderr, code := run2(m, `nosuch -x`)
	if want := "/system/bin/sh: nosuch: inaccessible or not found\n"; stderr != want || code != 127 {
		t.Errorf("got %q, %d; want %q, 127", stderr, code, want)
	}
}

func TestClocks(t *testing.T) {
	wall := time.Date(2024, 2, 29, 23, 59, 58, 123456789, time.UTC)
	m := New(Options{Wall: func() time.Time { return wall }, UptimeBase: func() time.Duration { return 90061*time.Second + 250*time.Millisecond },
		BootID: func() string { return "6f0d1f0c-8a35-4d0c-9c25-4e8a9b8a0001" }})
	defer m.Close()
	out, _, _ := run2(m, `echo $EPOCHREALTIME; date +%s; date +%s.%N; date '+%F %T %j %a %b'; date -u +%Y-%m-%dT%H:%M:%SZ; read -r u x < /proc/uptime; echo $u; cat /proc/sys/kernel/random/boot_id; touch /data/local/tmp/f; stat -c %Y /data/local/tmp/f; date -d @86400 +%F`)
	want := `1709251198.123456
1709251198
1709251198.123456789
2024-02-29 23:59:58 060 Thu Feb
2024-02-29T23:59:58Z
90061.25
6f0d1f0c-8a35-4d0c-9c25-4e8a9b8a0001
1709251198
1970-01-02
`
	if out != want {
		t.Errorf("got\n%swant\n%s", out, want)
	}
}

func TestCommandsOfTheOwner(t *testing.T) {
	m := New(Options{Commands: map[string]Command{"settings": func(_ context.Context, p *Proc, args []string) int {
		fmt.Fprintf(p.Stdout, "%s in %s with %s, a process: %t\n", strings.Join(args, " "), p.Dir, p.Getenv("X"), p.PID > 0)
		return 7
	}}, Others: func() []ProcInfo {
		return []ProcInfo{{PID: 1234, Parent: 600, User: "u0_a99", Argv: []string{"org.example.player"}}}
	}})
	defer m.Close()
	m.Register("am", func(_ context.Context, p *Proc, args []string) int {
		b, _ := io.ReadAll(p.Stdin)
		fmt.Fprintf(p.Stdout, "am %s", b)
		return 0
	})
	out, stderr, _ := run2(m, `cd /data/local/tmp; export X=5; settings get 'a b'; echo $?; echo in | am; command -v settings; /system/bin/am < /dev/null; echo; kill 1234; ls -d /proc/1234; cat /proc/1234/cmdline`)
	want := "settings get a b in /data/local/tmp with 5, a process: true\n7\nam in\n/system/bin/settings\nam \n/proc/1234\norg.example.player\x00"
	if out != want || stderr != "/system/bin/sh: kill: 1234: Operation not permitted\n" {
		t.Errorf("got %q\nwant %q\nstderr %q", out, want, stderr)
	}
}

func TestManySessionsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := New(Options{})
		defer m.Close()
		var wg sync.WaitGroup
		for i := range 20 {
			wg.Go(func() {
				out, stderr, code := run2(m, fmt.Sprintf(`cd /data/local/tmp; mkdir -p d%d; cd d%d; for j in 1 2 3 4 5; do (echo $j >> log; sleep 0.0$j) & echo shared >> ../shared; done; wait; for j in 1 2 3 4 5; do grep -c $j log; done | while read n; do echo -n $n; done; ls -l | wc -l > /dev/null; x=$(seq 1 50 | while read n; do echo $n; done | wc -l); echo " $x"`, i, i))
				if out != "11111 50\n" || code != 0 {
					t.Errorf("session %d: %q, %d, %s", i, out, code, stderr)
				}
			})
		}
		wg.Wait()
		if got := strings.Count(content(m, "/data/local/tmp/shared"), "shared\n"); got != 100 {
			t.Errorf("%d shared lines, want 100", got)
		}
	})
}

func TestNoDescriptorsOfTheHost(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("counts /proc/self/fd")
	}
	count := func() int {
		list, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	m := New(Options{})
	defer m.Close()
	before := count()
	out, _, _ := run2(m, `i=0; most=0; while [ $i -lt 3000 ]; do read -r u x < /proc/uptime; echo $u | cat | cat >> /data/local/tmp/l; i=$((i+1)); done; echo $i`)
	if after := count(); out != "3000\n" || after > before+3 {
		t.Errorf("%q; descriptors %d before, %d after", out, before, after)
	}
}

func TestFS(t *testing.T) {
	f := New(Options{}).FS()
	if err := f.WriteFile("/nosuch/x", nil, 0o644); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("WriteFile without folder = %v", err)
	}
	if err := f.Append("/sdcard/a", []byte("1")); err != nil {
		t.Fatal(err)
	}
	old, _ := f.openNode("/sdcard/a", false, false, false, false, 0)
	before, _ := f.content(old)
	f.Append("/sdcard/a", []byte("2"))
	f.writeAt(old, 0, []byte("X"))
	f.WriteFile("/sdcard/a", []byte("new"), 0o600)
	if string(before) != "1" {
		t.Errorf("a reader's bytes changed to %q", before)
	}
	if i, err := f.Stat("/storage/emulated/0/a"); err != nil || i.Size() != 3 || i.Mode() != 0o600 || i.Name() != "a" {
		t.Errorf("Stat = %v, %v", i, err)
	}
	if err := f.Rename("/sdcard/a", "/sdcard/DCIM/b"); err != nil {
		t.Error(err)
	}
	if _, err := f.Stat("/sdcard/a"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("renamed file is still there: %v", err)
	}
	if err := f.Remove("/sdcard/DCIM"); !errors.Is(err, syscall.ENOTEMPTY) {
		t.Errorf("Remove of a full folder = %v", err)
	}
	if err := f.RemoveAll("/sdcard/DCIM"); err != nil || f.Used() != 0 {
		t.Errorf("RemoveAll = %v, %d bytes used", err, f.Used())
	}
	list, err := f.ReadDir("/sdcard")
	var names []string
	for _, e := range list {
		names = append(names, e.Name())
	}
	if want := []string{"Download", "Movies", "Pictures"}; err != nil || !slices.Equal(names, want) {
		t.Errorf("ReadDir = %v, %v; want %v", names, err, want)
	}
	if b := make([]byte, 4); true {
		f.WriteFile("/sdcard/r", []byte("0123456789"), 0o644)
		if n, err := f.ReadAt("/sdcard/r", b, 8); n != 2 || err != nil || string(b[:n]) != "89" {
			t.Errorf("ReadAt = %d, %v, %q", n, err, b[:n])
		}
	}
}

// FuzzExec: no program text makes the shell fail, run for ever, or leave a process.
func FuzzExec(f *testing.F) {
	for _, s := range snippets {
		f.Add(s.text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		m := New(Options{Clock: newFastClock(1000)})
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		m.Exec(ctx, "cd /data/local/tmp; "+text, nil, io.Discard, io.Discard)
		m.Close()
		if list := m.Processes(); len(list) != 0 {
			t.Errorf("%q left %v", text, list)
		}
	})
}

func bench(b *testing.B, text string) {
	m := New(Options{Clock: newFastClock(1e9)})
	defer m.Close()
	b.ResetTimer()
	out, stderr, code := run2(m, fmt.Sprintf("cd /data/local/tmp; n=0; while [ $n -lt %d ]; do n=$((n+1)); %s; done", b.N, text))
	if code != 0 {
		b.Fatal(out, stderr, code)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "loops/s")
}

func BenchmarkCounter(b *testing.B) { bench(b, `:`) }
func BenchmarkAppend(b *testing.B)  { bench(b, `echo "$n,93,4211" >> log`) }
func BenchmarkReadUptime(b *testing.B) {
	bench(b, `read -r u x < /proc/uptime`)
}
func BenchmarkRecorderLoop(b *testing.B) {
	bench(b, `read -r u x < /proc/uptime; echo "$n ${u%.*} $EPOCHREALTIME ." >> log; sleep 10`)
}
func BenchmarkSubstitution(b *testing.B) { bench(b, `x=$(date +%s)`) }
func BenchmarkPipeline(b *testing.B) {
	bench(b, `x=$(printf 'a: 1\nlevel: 93\n' | grep level | head -n 1)`)
}

// Who watches the programs of a phone sees each begin and end, whoever started it and however
// it ended.
func TestRanTellsOfEachProgram(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		alive := map[int]string{}
		var began []string
		m := New(Options{Ran: func(pid int, argv []string) {
			mu.Lock()
			defer mu.Unlock()
			delete(alive, pid)
			if argv != nil {
				alive[pid] = strings.Join(argv, " ")
				began = append(began, alive[pid])
			}
		}})
		defer m.Close()
		if err := m.FS().WriteFile("/data/local/tmp/loop.sh", []byte("while :; do sleep 10 & wait; done\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			time.Sleep(time.Minute)
			cancel() // the link is lost
		}()
		m.Exec(ctx, "setsid sh /data/local/tmp/loop.sh a </dev/null >/dev/null 2>&1 & sh /data/local/tmp/loop.sh b", nil, io.Discard, io.Discard)
		synctest.Wait()
		count := func(program string) (n int) {
			mu.Lock()
			defer mu.Unlock()
			for _, line := range alive {
				if line == program {
					n++
				}
			}
			return n
		}
		if a, b := count("sh /data/local/tmp/loop.sh a"), count("sh /data/local/tmp/loop.sh b"); a != 1 || b != 0 {
			t.Errorf("after the link was lost %d of a and %d of b run, want 1 and 0; began: %q", a, b, began)
		}
		m.KillAll()
		if mu.Lock(); len(alive) != 0 {
			t.Errorf("all were killed, and these run: %v", alive)
		}
		mu.Unlock()
	})
}
