package doctor

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"syscall"
	"time"
)

// ports looks at the addresses on which the daemon listens.
func (e *examination) ports(ctx context.Context) []Finding {
	var list []Finding
	if e.o.API != "" {
		list = append(list, e.port(ctx, "API and console", e.o.API))
	}
	stage := e.o.File.Bench.Stage
	if stage.Listen != "" {
		list = append(list, e.port(ctx, "stage", stage.Listen))
	}
	if host, _, err := net.SplitHostPort(stage.Address); err == nil && net.ParseIP(host) != nil {
		f := Finding{Area: "port", Name: "stage " + stage.Address, Verdict: Fine, Found: "an address of this host"}
		if addresses, err := net.InterfaceAddrs(); err == nil && !slices.ContainsFunc(addresses, func(a net.Addr) bool { return strings.HasPrefix(a.String(), host+"/") }) {
			f.Verdict, f.Found = Look, "no address of this host"
			f.Mend = "handsets ask there for their pages: correct bench.stage.address, unless something in between forwards it"
		}
		list = append(list, f)
	}
	return list
}

func (e *examination) port(ctx context.Context, name, address string) Finding {
	f := Finding{Area: "port", Name: name + " " + address, Verdict: Fine, Required: true, Found: "this daemon's"}
	if e.o.Running {
		return f
	}
	err := e.o.Host.Listen(address)
	switch {
	case err == nil:
		f.Found = "free"
	case errors.Is(err, syscall.EADDRINUSE) && answersAsRundown(ctx, e.o.API):
		f.Verdict, f.Required, f.Found = Look, false, "taken; a Rundown daemon answers on "+e.o.API
		f.Mend = "ask it with `rundown doctor`, without --file; two daemons cannot share a bench"
	case errors.Is(err, syscall.EADDRINUSE):
		f.Verdict, f.Found, f.Mend = Wrong, "taken by another program", "end that program (`ss -ltnp` names it), or take another port"
	case errors.Is(err, syscall.EACCES):
		f.Verdict, f.Found, f.Mend = Wrong, "this user may not open it", "take a port above 1023"
	default:
		f.Verdict, f.Found, f.Mend = Wrong, oneLine(err), "correct the address"
	}
	return f
}

func answersAsRundown(ctx context.Context, address string) bool {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/healthz", nil)
	if err != nil {
		return false
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		return false
	}
	defer a.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(a.Body, 100))
	return a.StatusCode == http.StatusOK && string(text) == "well\n"
}
