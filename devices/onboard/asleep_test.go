package onboard

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rundown/devices/hosttest"
)

// A dozing phone is a debian whose uptime the test writes: a nap of the recorder's takes
// next to no time here, and moves the uptime on by its length and by what the test has it
// sleep in it.
type dozing struct {
	*debian
	t *testing.T
}

func newDozing(t *testing.T, shell string) dozing {
	d := dozing{newDebian(t, shell), t}
	d.stood = true
	d.write("uptime", "3600.00 7200.00")
	move, toybox := hosttest.Program(t, "mv"), hosttest.Program(t, "toybox")
	// Short sleeps are the host's and the workload's; they move nothing.
	d.stub("sleep", `case $1 in
0.*) exec `+toybox+` sleep "$1" ;;
60 | 300) exec `+toybox+` sleep "$1" ;;
esac
extra=0
[ -e HOME/asleep ] && read -r extra <HOME/asleep && rm HOME/asleep
read -r up rest <HOME/uptime
[ "$extra" -gt 0 ] && [ -e HOME/look ] && echo "$((${up%%.*} + ${1%%.*} + extra)).00" >HOME/rundown/looked/contact
part=${1#*.}
echo "$((${up%%.*} + ${1%%.*} + extra)).${part%"${part#??}"} 1.00" >HOME/uptime.$$
`+move+` HOME/uptime.$$ HOME/uptime
`+toybox+` sleep 0.02`)
	d.stub("dumpsys", `[ -e "HOME/dumps/$1" ] && cat "HOME/dumps/$1"
if [ "$1" = battery ] && [ -e HOME/within ]; then
	read -r up rest <HOME/uptime
	`+move+` HOME/within HOME/dumps/battery
	echo "$((${up%%.*} + 900)).00 1.00" >HOME/uptime.$$
	`+move+` HOME/uptime.$$ HOME/uptime
fi`)
	return d
}

// write writes a file of the phone's folder so that nobody reads half of it.
func (d dozing) write(name, text string) {
	d.t.Helper()
	path := filepath.Join(d.home, name)
	if err := os.WriteFile(path+".new", []byte(text+"\n"), 0o644); err != nil {
		d.t.Fatal(err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		d.t.Fatal(err)
	}
}

// sleeps has the phone sleep for so many s in the recorder's next nap.
func (d dozing) sleeps(w *watch, seconds int) {
	d.t.Helper()
	n := w.count("slept")
	d.write("asleep", fmt.Sprint(seconds))
	w.until(fmt.Sprintf("a sleep of %d s to be seen", seconds), func() bool { return w.count("slept") > n })
}

// everyDozing runs a test under the shells that run on real processes.
func everyDozing(t *testing.T, test func(t *testing.T, d dozing)) {
	t.Helper()
	t.Parallel()
	for _, shell := range []string{"mksh", "dash"} {
		t.Run(shell, func(t *testing.T) {
			t.Parallel()
			test(t, newDozing(t, shell))
		})
	}
}

// The recorder tells sleep by its two clocks, says how much of the time it was, and keeps
// to limits at the first reading afterwards.
func TestSleepIsSeenByTheClocks(t *testing.T) {
	everyDozing(t, func(t *testing.T, d dozing) {
		d.set("battery", dump(93, 300, false))
		w := begin(t, d, Segment{Key: "dozes", NoTarget: true, SampleEverySec: 10, StopLevelPct: 20, TimeLimitSec: 9 * 3600})
		w.readings(2)
		if w.count("slept") != 0 {
			t.Errorf("slept before it did: %+v", w.acts)
		}
		d.sleeps(w, 3000)
		d.sleeps(w, 600)
		w.readings(30)
		var slept []Activity
		for _, a := range w.acts {
			if a.Kind == "slept" {
				slept = append(slept, a)
			}
		}
		for i, want := range []int64{3000, 600} {
			a := slept[i]
			var of int64
			if _, err := fmt.Sscanf(a.Detail, "of %d s", &of); err != nil || a.Value < want-2 || a.Value > want+5 || of < a.Value || of > a.Value+13 {
				t.Errorf("sleep %d: %d s %q; want %d s of at most 13 s more", i+1, a.Value, a.Detail, want)
			}
			if strings.Contains(a.Detail, "looked") {
				t.Errorf("sleep %d: %q, and nobody looked", i+1, a.Detail)
			}
			for _, s := range w.samples {
				if before := a.UptimeMS - s.UptimeMS; before > 0 && before < 1000*want-1000 {
					t.Errorf("sample %d lies within sleep %d", s.Seq, i+1)
				}
			}
		}
		if len(slept) != 2 {
			t.Errorf("%d sleeps, want two: %+v", len(slept), slept)
		}
		// Awake again, it keeps to its spacing.
		last := w.samples[len(w.samples)-1]
		if gap := last.UptimeMS - w.samples[len(w.samples)-2].UptimeMS; gap < 9000 || gap > 11_000 {
			t.Errorf("readings %d ms apart, want 10 s", gap)
		}
		d.write("asleep", "40000")
		if got := w.ended(); got != EndTimeLimit {
			t.Errorf("ended by %q, want %q", got, EndTimeLimit)
		}
	})
}

// A look that wakes the handset is told apart from what wakes it by itself.
func TestSleepThatALookEnds(t *testing.T) {
	everyDozing(t, func(t *testing.T, d dozing) {
		d.set("battery", dump(93, 300, false))
		w := begin(t, d, Segment{Key: "looked", NoTarget: true, SampleEverySec: 600})
		w.readings(1)
		d.write("look", "1") // at the instant at which the sleep ends
		d.sleeps(w, 3000)
		a := w.acts[len(w.acts)-1]
		if !strings.HasSuffix(a.Detail, ", looked at") {
			t.Errorf("%+v, want it to say that it was looked at", a)
		}
		if err := Stop(t.Context(), d, "looked"); err != nil {
			t.Fatal(err)
		}
	})
}

// A reading within which the handset falls asleep has values from before and a time from
// after: it is made again.
func TestReadingAcrossASleepIsMadeAgain(t *testing.T) {
	everyDozing(t, func(t *testing.T, d dozing) {
		d.set("battery", dump(93, 300, false))
		w := begin(t, d, Segment{Key: "across", NoTarget: true, SampleEverySec: 10})
		w.readings(2)
		d.write("within", strings.TrimSuffix(dump(91, 300, false), "\n"))
		w.until("the level of after the sleep", func() bool { return len(w.samples) > 0 && w.samples[len(w.samples)-1].LevelPct == 91 })
		for i, s := range w.samples {
			if i > 0 && s.UptimeMS-w.samples[i-1].UptimeMS > 800_000 && s.LevelPct != 91 {
				t.Errorf("sample %d shows the level of before the sleep at a time after it", s.Seq)
			}
		}
		if w.count("slept") != 1 {
			t.Errorf("%d sleeps, want one: %+v", w.count("slept"), w.acts)
		}
		if err := Stop(t.Context(), d, "across"); err != nil {
			t.Fatal(err)
		}
	})
}

// Where no sleep shows, the power manager is asked now and then whether the screen is off.
func TestScreenOffIsAskedForWithoutSleep(t *testing.T) {
	everyDozing(t, func(t *testing.T, d dozing) {
		d.set("battery", dump(93, 300, false))
		d.set("power", "Power Manager State:\n  mWakefulness=Asleep\n")
		w := begin(t, d, Segment{Key: "off", NoTarget: true, SampleEverySec: 10, AsleepEverySec: 300})
		w.evidence("asleep", 3)
		var at []time.Duration
		for _, a := range w.acts {
			if a.Kind == "asleep" {
				at = append(at, time.Duration(a.UptimeMS)*time.Millisecond)
			}
		}
		for i := 1; i < len(at); i++ {
			if d := at[i] - at[i-1]; d < 300*time.Second || d > 330*time.Second {
				t.Errorf("asked %v after the time before, want 5 min", d)
			}
		}
		d.set("power", "Power Manager State:\n  mWakefulness=Awake\n")
		n := len(w.acts)
		w.readings(100) // a thousand seconds
		asked := 0
		for i, a := range w.acts[n:] {
			if a.Kind != "asleep" {
				continue
			}
			if asked++; a.Value > 0 && i > 0 { // the first may be from before
				t.Errorf("%+v: evidence of sleep with the screen on", a)
			}
		}
		if asked < 2 {
			t.Errorf("a lit screen was asked for %d times in 1000 s", asked)
		}
		if err := Stop(t.Context(), d, "off"); err != nil {
			t.Fatal(err)
		}
	})
}
