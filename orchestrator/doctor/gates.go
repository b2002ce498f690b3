package doctor

import (
	"context"
	"errors"
	"os/exec"

	"rundown/devices/gates"
)

// gates looks at the power gates. None is moved.
func (e *examination) gates(ctx context.Context) []Finding {
	var list []Finding
	for _, h := range e.o.File.Bench.Handsets {
		f := Finding{Area: "gate", Name: h.Name, Verdict: Fine, Required: true}
		var err error
		switch g := h.Gate; {
		case g.USBPort != "":
			f.Found = "USB port " + g.USBPort
			_, err = gates.FindPort(e.o.Host.path("sys"), g.USBPort)
		case g.USBSerial != "":
			f.Found = "the USB port of " + g.USBSerial
			if _, err = gates.FindPortOf(e.o.Host.path("sys"), g.USBSerial); errors.Is(err, gates.ErrNoPort) {
				// A closed port shows nothing of what is behind it; the daemon knows it from before.
				f.Verdict, f.Required, f.Found, err = Look, false, oneLine(err), nil
				f.Mend = "attach the handset once with the port open, so that the daemon learns where it is"
			}
		case len(g.Open) > 0 && len(g.Close) > 0:
			f.Found = "command " + g.Open[0]
			for _, program := range []string{g.Open[0], g.Close[0]} {
				if _, missed := exec.LookPath(program); missed != nil {
					err = errors.Join(err, missed)
				}
			}
		case g.ByHand:
			f.Found = "a person plugs and unplugs"
		case e.o.Gate != nil && e.o.Gate(h.Name) != "":
			f.Found = e.o.Gate(h.Name)
		default:
			f.Verdict, f.Required, f.Found = Look, false, "none"
			f.Mend = "charge it before its run, or describe a gate in the plan file"
		}
		if err != nil {
			f.Verdict, f.Found = Wrong, oneLine(err)
			f.Mend = "correct gate in the plan file; the right to switch USB ports is a udev rule's to give"
		}
		list = append(list, f)
	}
	return list
}
