package simulated

import (
	"fmt"
	"math"
	"time"
)

// draws counts so many frames drawn until an uptime, where they are counted.
func (a *activity) draws(frames float64, at time.Duration) {
	switch {
	case a.hung || frames <= 0:
	case a.app.OwnSurface:
		a.shown = at
	default:
		a.frames += frames
	}
}

// layer is the name of the activity's own surface, as this flavour words it.
func (h *Handset) layer(a *activity) string {
	if h.ways.sdk < 31 {
		return fmt.Sprintf("SurfaceView - %s#%d", a.name(), a.task)
	}
	return fmt.Sprintf("SurfaceView[%s](BLAST)#%d", a.name(), a.task)
}

// dumpSurfaces is the system's composer: --list names the layers, --latency tells when the
// last frames of one were put on the screen: the refresh period, then rows of three
// instants, ns; all 0 for a layer that is not there.
func dumpSurfaces(h *Handset, args []string, p *page) {
	arg := func(i int) string {
		if i < len(args) {
			return args[i]
		}
		return ""
	}
	switch arg(0) {
	case "--list":
		p.line("Display 0 name=\"Built-in screen\"#1")
		for _, a := range h.tasks {
			if a.app.OwnSurface {
				p.line("%s", h.layer(a))
			}
			p.line("%s#%d", a.name(), a.task)
		}
		p.line("StatusBar#3")
	case "--latency":
		period := time.Duration(float64(time.Second) / h.refreshHz())
		p.line("%d", period.Nanoseconds())
		last := time.Duration(0)
		for _, a := range h.tasks {
			if a.app.OwnSurface && h.layer(a) == arg(1) {
				last = a.shown
			}
		}
		const rows = 4 // a real one has 128
		for i := range rows {
			at := last - time.Duration(rows-1-i)*period
			if last == 0 || at <= 0 {
				p.line("0\t0\t0")
				continue
			}
			p.line("%d\t%d\t%d", (at - period).Nanoseconds(), at.Nanoseconds(), (at - period/2).Nanoseconds())
		}
		if last > 0 { // the next one is on its way
			p.line("%d\t%d\t%d", (last + period).Nanoseconds(), int64(math.MaxInt64), (last + period/2).Nanoseconds())
		}
	default:
		p.line("Build configuration: [sf]")
		p.line("Visible layers (count = %d)", len(h.tasks)+1)
	}
}
