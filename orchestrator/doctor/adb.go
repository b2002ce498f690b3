package doctor

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"rundown/devices"
	"rundown/devices/adb"
)

// protocolKnown is the adb server protocol that Rundown was tried with: 41, since 2018.
const protocolKnown = 41

// A seen is one handset as an adb server lists it.
type seen struct {
	adb.Device
	server string
}

const startServer = "start it there with `adb start-server` (on Debian: apt-get install adb)"

// adb looks at the program and at each server, and notes the handsets that are seen.
func (e *examination) adb(ctx context.Context) []Finding {
	program := Finding{Area: "adb", Name: "program", Verdict: Fine}
	out, err := e.o.Host.Command(ctx, "adb", "version")
	switch {
	case missing(err):
		program.Verdict, program.Found = Look, "not installed on this host"
		program.Mend = "needed to start a server and to accept keys: apt-get install adb"
	case err != nil:
		program.Verdict, program.Found, program.Mend = Look, oneLine(err), "run `adb version` by hand and see"
	default:
		program.Found = adbVersion(out)
	}
	list := []Finding{program}
	servers := e.o.File.Bench.Servers
	if len(servers) == 0 {
		servers = []string{adb.DefaultAddr}
	}
	for _, address := range servers {
		list = append(list, e.adbServer(ctx, address))
	}
	return list
}

// adbVersion is what `adb version` prints: a line with the protocol's version, one with the
// program's, and where it is installed.
func adbVersion(text string) string {
	found := firstLine(text)
	for line := range strings.Lines(text) {
		if v, ok := strings.CutPrefix(strings.TrimSpace(line), "Version "); ok {
			found += ", " + v
		}
	}
	return found
}

func (e *examination) adbServer(ctx context.Context, address string) Finding {
	f := Finding{Area: "adb", Name: "server " + address, Verdict: Fine, Required: true}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	s := e.o.Host.server(address)
	version, err := s.Version(ctx)
	if err != nil {
		f.Verdict, f.Found, f.Mend = Wrong, oneLine(err), startServer
		if errors.Is(err, devices.ErrNoServer) {
			f.Found = "no server answers"
		}
		return f
	}
	rows, err := s.Devices(ctx)
	for _, d := range rows {
		e.seen = append(e.seen, seen{d, address})
	}
	f.Found = fmt.Sprintf("protocol %d, %d handsets listed", version, len(rows))
	switch {
	case err != nil:
		f.Verdict, f.Found, f.Mend = Look, f.Found+"; "+oneLine(err), "compare with `adb devices -l`"
	case version != protocolKnown:
		f.Verdict, f.Mend = Look, fmt.Sprintf("protocol %d is the one that was tried: use the adb of a current Debian", protocolKnown)
	}
	return f
}
