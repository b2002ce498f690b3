package onboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices"
	"rundown/devices/simulated/phoneshell"
)

// Two daemons, invented.
var (
	first  = Holder{Daemon: "d1", Bench: "lab 2, Prüfstand", Host: "north", Run: "r1", Segment: "r1-01-1", Since: time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC)}
	second = Holder{Daemon: "d2", Bench: "-", Run: "r9", Since: time.Date(2030, 5, 14, 22, 0, 0, 0, time.UTC)}
)

func lookAt(t testing.TB, ph phone) Holding {
	t.Helper()
	h, err := Held(context.Background(), ph)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func takeFor(t testing.TB, ph phone, h Holder) int64 {
	t.Helper()
	n, err := Take(context.Background(), ph, h, lookAt(t, ph))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func shell(t testing.TB, ph phone, text string) string {
	t.Helper()
	out, err := ph.Shell(context.Background(), text)
	if err != nil {
		t.Fatal(err)
	}
	return out.Stdout
}

func TestTakeAndRelease(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ctx := t.Context()
		if h := lookAt(t, ph); h.Condition != HoldsNothing || h.Number != 0 || len(h.Running) != 0 {
			t.Errorf("a new handset: %+v; want nobody's", h)
		}
		if n := takeFor(t, ph, first); n != 1 {
			t.Errorf("the first number is %d, want 1", n)
		}
		h, want := lookAt(t, ph), first
		want.Number = 1
		if diff := cmp.Diff(want, h.Who); h.Condition != HoldsHeld || diff != "" {
			t.Errorf("%s, mismatch (-want +got):\n%s", h.Condition, diff)
		}
		if h.Quiet > time.Minute {
			t.Errorf("not heard of for %v at once after it was taken", h.Quiet)
		}
		if n := takeFor(t, ph, first); n != 1 {
			t.Errorf("taken again for the same segment: %d, want 1 as before", n)
		}
		next := first
		next.Segment = "r1-02-1"
		if n := takeFor(t, ph, next); n != 2 {
			t.Errorf("for the next segment: %d, want 2", n)
		}
		if held, err := StillHeld(ctx, ph, 1); held || err != nil {
			t.Errorf("number 1 is still held: %v, %v", held, err)
		}
		if held, err := StillHeld(ctx, ph, 2); !held || err != nil {
			t.Errorf("number 2 is still held: %v, %v; want true", held, err)
		}
		if err := Release(ctx, ph, 1); err != nil { // a release that comes late
			t.Error(err)
		}
		if h := lookAt(t, ph); h.Condition != HoldsHeld || h.Number != 2 {
			t.Errorf("after number 1 was released: %+v; want 2, held", h)
		}
		if err := Release(ctx, ph, 2); err != nil {
			t.Error(err)
		}
		if h := lookAt(t, ph); h.Condition != HoldsFree || h.Number != 2 {
			t.Errorf("after number 2 was released: %+v; want 2, free", h)
		}
		if held, err := StillHeld(ctx, ph, 2); held || err != nil {
			t.Errorf("number 2 is still held after its release: %v, %v", held, err)
		}
		if n := takeFor(t, ph, second); n != 3 {
			t.Errorf("the second daemon's number is %d, want 3", n)
		}
		// A number that a lab hands out.
		lease := first
		lease.Number = 3
		if _, err := Take(ctx, ph, lease, lookAt(t, ph)); !errors.Is(err, ErrOutranked) {
			t.Errorf("a lease's number that is not above the handset's: %v, want %v", err, ErrOutranked)
		}
		lease.Number = 5000
		if n := takeFor(t, ph, lease); n != 5000 {
			t.Errorf("a lease's number: %d, want 5000", n)
		}
		lease.Segment, lease.Number = "r1-03-1", 5000
		if n := takeFor(t, ph, lease); n != 5001 {
			t.Errorf("the next segment under the same lease: %d, want 5001", n)
		}
		if left := strings.TrimSpace(shell(t, ph, "cd "+Root+"/holders; echo *")); left != "5001" {
			t.Errorf("holders left: %q, want 5001 alone", left)
		}
	})
}

// Who comes at the same moment is refused, and never are there two.
func TestTwoTakeAtOnce(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		for round := range 12 {
			over := lookAt(t, ph)
			takers := []Holder{first, second, first}
			takers[1].Number, takers[2].Daemon, takers[2].Number = over.Number+40, "d3", over.Number+7
			for i := range takers {
				takers[i].Segment = fmt.Sprintf("r1-%02d-1", round+1) // else whoever holds it already keeps it
			}
			got := make([]int64, len(takers))
			var wg sync.WaitGroup
			for i, h := range takers {
				wg.Go(func() {
					n, err := Take(context.Background(), ph, h, over)
					if err != nil && !errors.Is(err, ErrChanged) {
						t.Error(err)
					}
					got[i] = n
				})
			}
			wg.Wait()
			after, won := lookAt(t, ph), 0
			for i, n := range got {
				if n == 0 {
					continue
				}
				won++
				if after.Number != n || after.Who.Daemon != takers[i].Daemon {
					t.Errorf("round %d: %s got %d, and the handset is %s's with %d", round, takers[i].Daemon, n, after.Who.Daemon, after.Number)
				}
			}
			if won > 1 || won == 0 && after.Number != over.Number {
				t.Errorf("round %d: %d of them took it (%v); the handset holds %+v", round, won, got, after)
			}
		}
	})
}

// What stands in the folder is no more than text on a phone: it may be torn, changed, or
// another version's.
func TestHolderFilesOfAllKinds(t *testing.T) {
	tests := []struct {
		name, text string // run on the handset after the first daemon took it
		want       string
		number     int64
	}{
		{name: "torn", text: `echo "w 1 d1 19" >holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "empty", text: `: >holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "gone", text: `rm holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "changed", text: `read -r a b c d <holders/1/who; echo "$a $b d7 $d" >holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "long", text: `i=0; while [ $i -lt 300 ]; do echo "w 1 w 1 w 1 w 1 w 1" ; i=$((i+1)); done >f; x=$(cat f); echo $x >holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "not text", text: `printf 'w 1 \001\377 .\n' >holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "later version", text: `echo "w 2 d1 anything at all 00 ." >holders/1/who`, want: HoldsFuture, number: 1},
		{name: "later version, given back", text: `echo "w 2 d1 anything at all 00 ." >holders/1/who; : >holders/1/free`, want: HoldsFree, number: 1},
		{name: "version out of range", text: `echo "w 99999999999999999999 d1 ." >holders/1/who`, want: HoldsDamaged, number: 1},
		{name: "numbers that are none", text: `mkdir holders/0 holders/007 holders/-3 holders/2000000000 holders/99999999999 holders/x holders/1.5; : >holders/9x`, want: HoldsHeld, number: 1},
		{name: "a file in the way", text: `: >holders/4`, want: HoldsDamaged, number: 4},
		{name: "highest there is", text: `mkdir holders/1999999999`, want: HoldsDamaged, number: MaxNumber},
		{name: "all gone", text: `rm -rf holders`, want: HoldsNothing, number: 0},
	}
	everyShell(t, func(t *testing.T, ph phone) {
		for _, tt := range tests {
			shell(t, ph, "rm -rf "+Root+"; mkdir -p "+Root)
			takeFor(t, ph, first)
			shell(t, ph, "cd "+Root+"; "+tt.text)
			h := lookAt(t, ph)
			if h.Condition != tt.want || h.Number != tt.number {
				t.Errorf("%s: %s, number %d, line %q; want %s, %d", tt.name, h.Condition, h.Number, h.Line, tt.want, tt.number)
			}
			n, err := Take(t.Context(), ph, second, h)
			if tt.number == MaxNumber {
				if !errors.Is(err, ErrNoNumber) {
					t.Errorf("%s: taken: %v, want %v", tt.name, err, ErrNoNumber)
				}
				continue
			}
			if err != nil || n != tt.number+1 {
				t.Errorf("%s: taken over: %d, %v; want %d", tt.name, n, err, tt.number+1)
			}
			if h := lookAt(t, ph); h.Condition != HoldsHeld || h.Who.Daemon != second.Daemon || h.Who.Bench != second.Bench {
				t.Errorf("%s: then it holds %+v; want the second daemon's", tt.name, h)
			}
			if left := strings.TrimSpace(shell(t, ph, "cd "+Root+"/holders; echo *")); left != fmt.Sprint(n) {
				t.Errorf("%s: left are %q, want %d alone", tt.name, left, n)
			}
		}
	})
}

// The holder of a handset that cannot store it is not believed to be one.
func TestTakeOnFullStorage(t *testing.T) {
	free := int64(1 << 30)
	v := newVirtual(t, phoneshell.Options{FreeBytes: func() int64 { return free }})
	takeFor(t, v, first)
	free = 0
	if _, err := Take(t.Context(), v, second, lookAt(t, v)); !errors.Is(err, ErrNoRoom) {
		t.Errorf("taken on a full storage: %v, want %v", err, ErrNoRoom)
	}
	if h := lookAt(t, v); h.Condition != HoldsHeld || h.Who.Daemon != first.Daemon {
		t.Errorf("then it holds %+v; want the first daemon's still", h)
	}
}

// How long ago the holder's daemon was there goes by the handset's uptime; what stands
// there from before a restart says nothing.
func TestQuiet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		boot := "first"
		v := newVirtual(t, phoneshell.Options{UptimeBase: func() time.Duration { return time.Since(began) }, BootID: func() string { return boot }})
		defer v.Close()
		v.set("battery", dump(90, 300, false))
		time.Sleep(time.Hour)
		n := takeFor(t, v, first)
		time.Sleep(20 * time.Minute)
		if got := lookAt(t, v).Quiet.Round(time.Minute); got != 20*time.Minute {
			t.Errorf("quiet for %v, want 20 min", got)
		}
		if _, err := StillHeld(t.Context(), v, n); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Minute)
		if got := lookAt(t, v).Quiet.Round(time.Minute); got != 5*time.Minute {
			t.Errorf("quiet for %v, want 5 min", got)
		}
		begin(t, v, Segment{Key: first.Segment, Holder: n, SampleEverySec: 60})
		time.Sleep(time.Hour)
		if _, err := Inspect(t.Context(), v, first.Segment); err != nil { // the daemon looks at its segment
			t.Fatal(err)
		}
		time.Sleep(3 * time.Minute)
		if got := lookAt(t, v).Quiet.Round(time.Minute); got != 3*time.Minute {
			t.Errorf("quiet for %v since the segment was looked at, want 3 min", got)
		}
		boot = "second"
		if got, up := lookAt(t, v).Quiet, time.Since(began); got != up {
			t.Errorf("quiet for %v after a restart, want the uptime of %v", got, up)
		}
		if err := End(t.Context(), v, first.Segment); err != nil {
			t.Fatal(err)
		}
	})
}

// A segment whose handset was taken ends by itself, recorder and workload, whether the
// workload is between two passes or in a rest, and tears down what it had started.
func TestProgramsEndWhenTaken(t *testing.T) {
	for name, over := range map[string]func(t *testing.T, ph phone){
		"taken":       func(t *testing.T, ph phone) { takeFor(t, ph, second) },
		"given back":  func(t *testing.T, ph phone) { _ = Release(t.Context(), ph, lookAt(t, ph).Number) },
		"folder gone": func(t *testing.T, ph phone) { shell(t, ph, "rm -rf "+Root+"/holders") },
	} {
		t.Run(name, func(t *testing.T) {
			everyShell(t, func(t *testing.T, ph phone) {
				ph.set("battery", dump(93, 300, false))
				w := begin(t, ph, Segment{Key: "taken", Holder: takeFor(t, ph, first), Workload: Program{Start: "ev began 1", Loop: "ev pass $n\nrest 0.3", Stop: "ev tidied 1\nrest 0.1"}})
				w.readings(2)
				w.evidence("pass", 2)
				over(t, ph)
				if got := w.ended(); got != EndHolderChanged {
					t.Errorf("ended by %q, want %q", got, EndHolderChanged)
				}
				if n := w.count("tidied"); n != 1 {
					t.Errorf("torn down %d times, want once", n)
				}
				if err := Revive(t.Context(), ph, "taken"); !errors.Is(err, ErrEnded) {
					t.Errorf("Revive: %v, want %v", err, ErrEnded)
				}
			})
		})
	}
}

// The workload ends by itself also when its recorder is gone, and cannot be brought back.
func TestWorkloadAloneEndsWhenTaken(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(93, 300, false))
		w := begin(t, ph, Segment{Key: "alone", Holder: takeFor(t, ph, first), Workload: Program{Loop: "ev pass $n\nrest 0.3", Stop: "ev tidied 1"}})
		w.evidence("pass", 2)
		ph.killRecorder("alone")
		takeFor(t, ph, second)
		w.evidence("tidied", 1)
		w.until("the workload to be gone", func() bool {
			s, err := Inspect(t.Context(), ph, "alone")
			return err == nil && !s.WorkloadAlive
		})
		shell(t, ph, `d=`+Root+`/alone; sh $d/workload.sh $d revive; sh $d/workload.sh $d run`)
		if s, err := Inspect(t.Context(), ph, "alone"); err != nil || s.WorkloadAlive {
			t.Errorf("after it was told to begin again: alive %v, %v", s.WorkloadAlive, err)
		}
		if n := w.count("started"); n != 1 {
			t.Errorf("started %d times, want once", n)
		}
	})
}

// Whoever comes with a number that is not the handset's any more begins nothing.
func TestStartIsRefusedToAnOlderNumber(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(93, 300, false))
		s := Segment{Key: "late", SampleEverySec: 1, Holder: takeFor(t, ph, first), Workload: Program{Start: "ev began 1", Stop: "ev tidied 1"}}
		if err := Install(t.Context(), ph, s); err != nil {
			t.Fatal(err)
		}
		takeFor(t, ph, second)
		if err := Start(t.Context(), ph, "late"); !errors.Is(err, ErrNotHeld) {
			t.Errorf("Start: %v, want %v", err, ErrNotHeld)
		}
		if h := lookAt(t, ph); len(h.Running) != 0 {
			t.Errorf("running: %+v, want nothing", h.Running)
		}
		w := &watch{t: t, ph: ph, key: "late"}
		if w.look(); len(w.samples) != 0 || len(w.acts) != 0 || len(w.marks) != 1 || w.marks[0].Text != EndHolderChanged {
			t.Errorf("samples %v, activity %v, marks %v; want the end mark alone", w.samples, w.acts, w.marks)
		}
	})
}

// Recorder and workload look within a minute also where one reading, or one rest, takes
// an hour; and the parts of a rest are as long as the rest.
func TestLongPausesEndWithinAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := newVirtual(t, phoneshell.Options{UptimeBase: func() func() time.Duration {
			began := time.Now()
			return func() time.Duration { return time.Hour + time.Since(began) }
		}()})
		defer v.Close()
		v.set("battery", dump(93, 300, false))
		w := begin(t, v, Segment{Key: "long", Holder: takeFor(t, v, first), SampleEverySec: 3600, Workload: Program{Loop: "ev pass $n\nrest 3599.5"}})
		time.Sleep(3*time.Hour + 30*time.Minute)
		synctest.Wait()
		w.look()
		if len(w.samples) != 4 || w.count("pass") != 4 {
			t.Errorf("%d readings and %d passes in three and a half hours, want 4 and 4", len(w.samples), w.count("pass"))
		}
		for i := 1; i < len(w.samples); i++ {
			if d := w.samples[i].UptimeMS - w.samples[i-1].UptimeMS; d != 3_600_000 {
				t.Errorf("reading %d came %d ms after the one before, want 3600000", i+1, d)
			}
		}
		var last int64
		for _, a := range w.acts {
			if a.Kind == "pass" {
				if d := a.UptimeMS - last; last > 0 && d != 3_599_500 {
					t.Errorf("pass %d came %d ms after the one before, want 3599500", a.Value, d)
				}
				last = a.UptimeMS
			}
		}
		takeFor(t, v, second)
		time.Sleep(61 * time.Second)
		synctest.Wait()
		if h := lookAt(t, v); len(h.Running) != 0 {
			t.Errorf("running a minute after it was taken: %+v", h.Running)
		}
		w.look()
		if last := w.marks[len(w.marks)-1]; last.Text != EndHolderChanged {
			t.Errorf("last mark %+v, want %s", last, EndHolderChanged)
		}
	})
}

// rest takes the same time in parts as in one.
func TestRestInParts(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		text := Segment{Key: "parts", SampleEverySec: 1}.workloadText()
		// The functions alone, with a nap that only says what it was told.
		text = text[:strings.LastIndex(text, "\ncase $2 in")] + "\nnap() { echo \"$1\"; }\n"
		if err := ph.Push(t.Context(), strings.NewReader(text), Root+"/parts/f.sh", 0o644); err != nil {
			t.Fatal(err)
		}
		for in, want := range map[string]string{
			"0.3": "0.3", "60": "60", "60.25": "60.25", "61": "60 1", "125.5": "60 60 5.5", "120": "60 60", "120.75": "60 60.75", "3600": strings.TrimSpace(strings.Repeat("60 ", 60)), ".5": ".5",
		} {
			got := strings.Join(strings.Fields(shell(t, ph, "set -- "+Root+"/parts; . "+Root+"/parts/f.sh; rest "+in)), " ")
			if got != want {
				t.Errorf("rest %s: naps of %q, want %q", in, got, want)
			}
		}
	})
}

// Whatever runs is found and ended, also what has lost the file with its process id, what
// has lost its recorder, and what does not listen.
func TestEndAll(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(93, 300, false))
		loop := Program{Loop: "ev pass $n\nrest 0.3", Stop: "ev tidied 1"}
		mine := begin(t, ph, Segment{Key: "mine", Workload: loop})
		plain := begin(t, ph, Segment{Key: "plain", Workload: loop})
		lost := begin(t, ph, Segment{Key: "lost", Workload: loop})
		alone := begin(t, ph, Segment{Key: "alone", Workload: loop})
		deaf := begin(t, ph, Segment{Key: "deaf", Workload: Program{Loop: "trap '' TERM\nev pass $n\nrest 0.3", Stop: "ev tidied 1"}})
		for _, w := range []*watch{mine, plain, lost, alone, deaf} {
			w.evidence("pass", 1)
		}
		shell(t, ph, "rm "+Root+"/lost/recorder.pid "+Root+"/lost/workload.pid "+Root+"/deaf/recorder.pid "+Root+"/deaf/workload.pid")
		ph.killRecorder("alone")
		keys, err := EndAll(t.Context(), ph, "mine")
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff([]string{"alone", "deaf", "lost", "plain"}, keys); diff != "" {
			t.Errorf("ended (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff([]string{"mine"}, lookAt(t, ph).Keys()); diff != "" {
			t.Errorf("running (-want +got):\n%s", diff)
		}
		for _, w := range []*watch{plain, lost, alone, deaf} {
			if got := w.ended(); got != EndStopped {
				t.Errorf("%s: ended by %q, want %q", w.key, got, EndStopped)
			}
			if n := w.count("tidied"); n < 1 {
				t.Errorf("%s: not torn down", w.key)
			}
			if len(w.samples) == 0 {
				t.Errorf("%s: its samples are gone", w.key)
			}
		}
		mine.readings(1)
		if err := End(t.Context(), ph, "mine"); err != nil {
			t.Fatal(err)
		}
		if keys, err := EndAll(t.Context(), ph); err != nil || len(keys) != 0 {
			t.Errorf("ended once more: %v, %v; want nothing", keys, err)
		}
		if err := End(t.Context(), ph, "../x"); !errors.Is(err, ErrKey) {
			t.Errorf("a key that is none: %v, want %v", err, ErrKey)
		}
	})
}

// A recorder that hears no TERM is killed, and its files are closed.
func TestEndAllKillsTheDeaf(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(93, 300, false))
		w := begin(t, ph, Segment{Key: "deaf", Workload: Program{Stop: "ev tidied 1"}})
		w.readings(1)
		ph.killRecorder("deaf")
		// Another of its name, that hears nothing.
		if err := ph.Push(t.Context(), strings.NewReader("trap '' TERM HUP\nwhile :; do sleep 1; done\n"), Root+"/deafer/recorder.sh", 0o644); err != nil {
			t.Fatal(err)
		}
		shell(t, ph, `d=`+Root+`/deafer; setsid sh "$d/recorder.sh" "$d" run </dev/null >/dev/null 2>&1 &`)
		w.until("it to run", func() bool { return len(lookAt(t, ph).Keys()) == 2 })
		e := &ending{l: ph, ends: func(string) bool { return true }}
		if err := e.step(t.Context(), "", nil); err != nil || len(e.left) != 2 {
			t.Fatalf("found %+v, %v; want a workload and a recorder", e.left, err)
		}
		if err := e.kill(t.Context()); err != nil || len(e.left) != 0 {
			t.Errorf("left after they were killed: %+v, %v", e.left, err)
		}
		if err := e.closed(t.Context(), "deaf"); err != nil {
			t.Error(err)
		}
		if got := w.ended(); got != EndStopped || w.count("tidied") != 1 {
			t.Errorf("ended by %q, torn down %d times; want %q, once", got, w.count("tidied"), EndStopped)
		}
	})
}

// The folder of the holders is no segment.
func TestHoldersAreNoSegment(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		takeFor(t, ph, first)
		if err := Install(t.Context(), ph, Segment{Key: "one", SampleEverySec: 1}); err != nil {
			t.Fatal(err)
		}
		if keys, err := List(t.Context(), ph); err != nil || len(keys) != 1 || keys[0] != "one" {
			t.Errorf("listed: %v, %v; want one", keys, err)
		}
		if err := Remove(t.Context(), ph, "holders"); !errors.Is(err, ErrKey) {
			t.Errorf("removing the holders: %v, want %v", err, ErrKey)
		}
		if s, err := Inspect(t.Context(), ph, "one"); err != nil || s.Holder != 1 {
			t.Errorf("Inspect: holder %d, %v; want 1", s.Holder, err)
		}
	})
}

func TestHolderIsChecked(t *testing.T) {
	for _, bad := range []Holder{{}, {Daemon: "D 1"}, {Daemon: "d1", Run: "a b"}, {Daemon: "d1", Segment: "../x"}, {Daemon: "d1", Number: -1}, {Daemon: "d1", Number: MaxNumber + 1}, {Daemon: "d1", Bench: strings.Repeat("x", 81)}} {
		if _, err := Take(t.Context(), heard{to: &bytes.Buffer{}}, bad, Holding{}); err == nil || errors.Is(err, devices.ErrTimeout) {
			t.Errorf("Take(%+v): %v; want it refused", bad, err)
		}
	}
	if err := (Segment{Key: "a", SampleEverySec: 1, Holder: MaxNumber + 1}).check(); err == nil {
		t.Error("a segment with a number out of range was not refused")
	}
}

func FuzzWho(f *testing.F) {
	f.Add(first.line())
	f.Add(second.line())
	f.Add("w 2 d1 later .")
	f.Add("w 1 d1 1900000000 - - - - 00000000 .")
	f.Fuzz(func(t *testing.T, s string) {
		h, err := parseWho(s)
		if err != nil {
			return
		}
		if back, err := parseWho(h.line()); err != nil || back != h {
			t.Errorf("parseWho(%q) = %+v, read back as %+v, %v", s, h, back, err)
		}
		// What it says goes into command lines and records.
		if !daemonPattern.MatchString(h.Daemon) || h.Segment != "" && !keyPattern.MatchString(h.Segment) {
			t.Errorf("parseWho(%q) = %+v", s, h)
		}
	})
}

// What a handset answers is foreign text.
func FuzzHolding(f *testing.F) {
	f.Add("boot a\nup 12.5\nnumber 1\nwho " + first.line() + "\ncontact a 11.00\nrunning 12 r1-01-1 recorder\n")
	f.Add("boot a\nup 12.5\nnumber 99999999999\n")
	f.Add("boot a\nup 9227000000\n")
	f.Fuzz(func(t *testing.T, s string) {
		h, err := readHolding(strings.Split(s, "\n"))
		if err != nil {
			return
		}
		if h.Number < 0 || h.Number > MaxNumber || h.Quiet < 0 || (h.Number == 0) != (h.Condition == HoldsNothing) {
			t.Errorf("readHolding(%q) = %+v", s, h)
		}
		for _, r := range h.Running {
			if checkKey(r.Key) != nil || r.PID < 2 {
				t.Errorf("readHolding(%q): running %+v", s, r)
			}
		}
	})
}

// The texts that are run over the link keep to what all shells share.
func TestHolderTextsKeepToTheSubset(t *testing.T) {
	for name, text := range map[string]string{"look": lookText + scanText + "scan", "take": highest + takeText + "taking"} {
		for _, fault := range subset(text) {
			t.Errorf("%s:%s", name, fault)
		}
	}
	var asked bytes.Buffer
	l := heard{to: &asked}
	_, _ = StillHeld(t.Context(), l, 3)
	_ = Release(t.Context(), l, 3)
	e := &ending{l: l, ends: func(string) bool { return true }, left: []Running{{PID: 7, Key: "a", Program: "recorder"}, {PID: 8, Key: "a", Program: "workload"}}}
	_ = e.step(t.Context(), "-TERM", []int{7})
	for _, fault := range subset(asked.String()) {
		t.Errorf("%s in\n%s", fault, asked.String())
	}
}

// heard writes down what it is told to run.
type heard struct {
	devices.Link
	to *bytes.Buffer
}

func (heard) Serial() string { return "heard" }

func (h heard) Shell(_ context.Context, command string) (devices.Output, error) {
	fmt.Fprintln(h.to, command)
	return devices.Output{}, devices.ErrTimeout
}

// A holder that does not say any more of which segment it is counts as heard of as long as any
// segment that lies there was.
func TestDamagedHolderOfASegment(t *testing.T) {
	everyShell(t, func(t *testing.T, ph phone) {
		takeFor(t, ph, first)
		for _, who := range []string{"", "w 1 d1 19"} {
			shell(t, ph, fmt.Sprintf(`mkdir -p %[1]s/r1-01-1; read -r b </proc/sys/kernel/random/boot_id; [ -n "$b" ] || b=boot-count-$(settings get global boot_count)
echo "$b" >%[1]s/r1-01-1/boot.txt; read -r u x </proc/uptime; echo "$u" >%[1]s/r1-01-1/contact; echo %[2]s >%[1]s/holders/1/who; rm %[1]s/holders/1/contact`, Root, devices.Quote(who)))
			if h := lookAt(t, ph); h.Condition != HoldsDamaged || !h.Lies || h.Quiet > time.Minute {
				t.Errorf("%q: %+v; want a damaged holder, with a segment that was heard of just now", who, h)
			}
		}
		shell(t, ph, "rm -r "+Root+"/r1-01-1")
		if h := lookAt(t, ph); h.Condition != HoldsDamaged || h.Lies || h.Quiet < h.Uptime {
			t.Errorf("without a segment: %+v; want it not heard of since the start", h)
		}
	})
}
