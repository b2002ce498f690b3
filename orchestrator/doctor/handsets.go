package doctor

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices"
	"rundown/devices/adb"
	"rundown/scenarios"
)

// clockApart is by how much a handset's wall clock may differ before it is worth a look.
// Durations are those of its uptime; its photos and its apps go by the wall clock.
const clockApart = 2 * time.Minute

// handsets looks at each handset of the bench, or without a plan file at each that is seen.
func (e *examination) handsets(ctx context.Context) []Finding {
	bench := e.o.File.Bench.Handsets
	if len(bench) == 0 {
		for _, s := range e.seen {
			bench = append(bench, scenarios.Handset{Name: s.Serial, Serial: s.Serial, Server: s.server})
		}
	}
	if len(bench) == 0 {
		return []Finding{{
			Area: "handset", Name: "any", Verdict: Look, Found: "no handset is seen",
			Mend: "plug one in with USB debugging on, and accept the dialog on it that asks to allow this computer, always",
		}}
	}
	found := make([][]Finding, len(bench))
	var wg sync.WaitGroup
	for i, h := range bench {
		wg.Go(func() { found[i] = e.handset(ctx, h) })
	}
	wg.Wait()
	return slices.Concat(found...)
}

func (e *examination) handset(ctx context.Context, h scenarios.Handset) []Finding {
	s, ok := e.find(h)
	link := Finding{Area: "handset", Name: h.Name, Verdict: Fine, Required: e.needs.plans, Found: "ready"}
	switch {
	case !ok:
		link.Verdict, link.Found = Wrong, "not listed by any adb server"
		link.Mend = "plug it in and switch it on, or check its serial number in the plan file against `adb devices`" + e.strangers()
		if h.Connect != "" {
			link.Mend = "check that it is in the Wi-Fi network and that `adb connect " + h.Connect + "` works; after a restart of the handset, `adb tcpip 5555` over the cable comes first"
		}
		return []Finding{link}
	case !s.Ready():
		link.Verdict, link.Found, link.Mend = Wrong, s.StateText, s.Advice()
		if s.State == adb.StateNoPermission {
			link.Mend = installRule + "; then " + joinGroup
		}
		return []Finding{link}
	}
	if s.Model != "" {
		link.Found += ", " + strings.ReplaceAll(s.Model, "_", " ")
	}
	if e.o.Busy != nil {
		if run := e.o.Busy(h.Name); run != "" {
			link.Found += "; in run " + run + ", so that it was asked nothing"
			return []Finding{link}
		}
	}
	ctx, cancel := context.WithTimeout(ctx, 4*patience)
	defer cancel()
	l := e.o.Host.server(s.server).Handset(s.Serial)
	list := append([]Finding{link}, e.wallClock(ctx, l, h))
	roles := slices.Sorted(maps.Keys(e.needs.roles))
	if !e.needs.plans {
		roles = []string{"browser", "camera", "player"}
	}
	for _, role := range roles {
		list = append(list, e.app(ctx, l, h, role))
	}
	return list
}

func (e *examination) find(h scenarios.Handset) (found seen, ok bool) {
	for _, s := range e.seen {
		if (s.Serial == h.Serial || h.Connect != "" && s.Serial == h.Connect) && (h.Server == "" || h.Server == s.server) {
			if !ok || s.Ready() && !found.Ready() { // the same handset by cable and by Wi-Fi
				found, ok = s, true
			}
		}
	}
	return found, ok
}

// strangers names what is seen and stands in no plan file: one of them may be meant.
func (e *examination) strangers() string {
	var list []string
	for _, s := range e.seen {
		if !slices.ContainsFunc(e.o.File.Bench.Handsets, func(h scenarios.Handset) bool { return s.Serial == h.Serial || s.Serial == h.Connect }) {
			list = append(list, s.Serial)
		}
	}
	if len(list) == 0 {
		return ""
	}
	return "; seen and not named there: " + strings.Join(list, ", ")
}

func (e *examination) wallClock(ctx context.Context, l devices.Link, h scenarios.Handset) Finding {
	f := Finding{Area: "handset", Name: h.Name + ", clock", Verdict: Fine}
	_, wall, err := devices.Uptime(ctx, l)
	if err != nil {
		f.Verdict, f.Found, f.Mend = Unread, oneLine(err), "see whether `adb shell date` answers"
		return f
	}
	apart := wall.Sub(e.o.Now())
	f.Found = fmt.Sprintf("%+.0f s from the bench's", apart.Seconds())
	if apart.Abs() > clockApart {
		f.Verdict, f.Mend = Look, "switch automatic date and time on, on the handset"
	}
	return f
}

// app looks for the app that plays a role: the plan file's, or the handset's default.
func (e *examination) app(ctx context.Context, l devices.Link, h scenarios.Handset, role string) Finding {
	f := Finding{Area: "handset", Name: h.Name + ", " + role, Verdict: Fine, Required: len(e.needs.roles[role]) > 0}
	pkg, named := h.Packages[role]
	if !named {
		var err error
		if pkg, err = devices.Resolve(ctx, l, role); err != nil {
			f.Verdict, f.Found = Wrong, oneLine(err)
			f.Mend = "install one, set it as the default, or name it under packages in the plan file"
			return f
		}
	}
	versions, err := devices.AppVersions(ctx, l, []string{pkg})
	switch version, installed := versions[pkg]; {
	case err != nil:
		f.Verdict, f.Found, f.Mend = Unread, oneLine(err), "see whether `adb shell pm list packages` answers"
	case !installed && named:
		f.Verdict, f.Found = Wrong, pkg+", which the plan file names, is not installed"
		f.Mend = "install it, or correct packages in the plan file"
	case !installed:
		f.Found = pkg
	default:
		f.Found = pkg + " " + version
	}
	if scenarios := e.needs.roles[role]; len(scenarios) > 0 {
		f.Found += "; for " + strings.Join(scenarios, ", ")
	}
	return f
}
