package doctor

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"
)

// earliest is before this program was written: a clock that says so was never set.
var earliest = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

const steadyFor, unsteady = 200 * time.Millisecond, 50 * time.Millisecond

// clock looks at the host's clock and its time zone.
func (e *examination) clock(ctx context.Context) []Finding {
	now := e.o.Host.Now()
	set := Finding{Area: "clock", Name: "date", Verdict: Fine, Required: true, Found: now.Format("2006-01-02 15:04:05 MST")}
	if now.Before(earliest) {
		set.Verdict, set.Mend = Wrong, "set the clock: nights begin by it, and records are stamped with it"
	}
	kept := Finding{Area: "clock", Name: "kept right", Verdict: Fine}
	switch sync, within, ok := e.o.Host.Synchronised(); {
	case !ok:
		kept.Verdict, kept.Found = Unread, "this system does not tell"
	case sync:
		kept.Found = fmt.Sprintf("by a time service, within %v", within.Round(time.Microsecond))
	default:
		kept.Verdict, kept.Found = Look, "by nothing that the kernel knows of"
		kept.Mend = "timedatectl set-ntp true (or install chrony); in a container, see to the host's"
	}
	return []Finding{set, kept, e.steady(ctx), e.zone(now)}
}

// steady compares the wall clock with the one that only runs.
func (e *examination) steady(ctx context.Context) Finding {
	f := Finding{Area: "clock", Name: "steady", Verdict: Fine}
	began, wall := time.Now(), e.o.Host.Now().Round(0) // without its monotonic reading
	select {
	case <-time.After(steadyFor):
	case <-ctx.Done():
		f.Verdict, f.Found = Unread, "no time to look"
		return f
	}
	ran, moved := time.Since(began), e.o.Host.Now().Round(0).Sub(wall)
	f.Found = fmt.Sprintf("the wall clock moved %v in %v", moved.Round(time.Millisecond), ran.Round(time.Millisecond))
	if (moved - ran).Abs() > unsteady {
		f.Verdict = Look
		f.Mend = "something sets the clock; durations come from the handsets and are safe, nights begin and end by it"
	}
	return f
}

func (e *examination) zone(now time.Time) Finding {
	name, offset := now.Zone()
	if link, err := os.Readlink(e.o.Host.path("etc/localtime")); err == nil {
		if _, place, ok := strings.Cut(link, "zoneinfo/"); ok {
			name = place + ", " + name
		}
	}
	f := Finding{Area: "clock", Name: "time zone", Verdict: Fine, Found: fmt.Sprintf("%s, %+.1f h from UTC", name, float64(offset)/3600)}
	for _, n := range e.o.File.Nights {
		if _, err := n.Location(); err != nil { // the plan file was checked on another host
			f.Verdict, f.Required, f.Found, f.Mend = Wrong, true, oneLine(err), "correct zone of night "+n.Name
			return f
		}
	}
	for _, n := range e.o.File.Nights {
		if n.Zone == "" && offset == 0 && strings.HasSuffix(name, "UTC") {
			f.Verdict = Look
			f.Mend = "night " + n.Name + " begins by UTC: say zone in the plan file, or set the host's (timedatectl set-timezone)"
			break
		}
	}
	return f
}
