package scenarios

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestPowerGates(t *testing.T) {
	const confirm = time.Minute
	for _, tt := range []struct {
		text string
		want Gate
	}{
		{"{usb_port: 1-1.3}", Gate{USBPort: "1-1.3", ConfirmWithin: confirm, WhenStopped: GateClosed}},
		{`{usb_port: "usb:2-4", by_hand: off, when_stopped: open, confirm_within: 30 s}`, Gate{USBPort: "usb:2-4", ConfirmWithin: 30 * time.Second, WhenStopped: GateOpen}},
		{"{usb_port: {serial: RD0A1B2C3D}}", Gate{USBSerial: "RD0A1B2C3D", ConfirmWithin: confirm, WhenStopped: GateClosed}},
		{"{by_hand: on, answer_within: 2 h}", Gate{ByHand: true, ConfirmWithin: confirm, AnswerWithin: 2 * time.Hour, WhenStopped: GateAsItIs}},
		{"{command: {open: [a], close: [b, c]}, when_stopped: as it is}", Gate{Open: []string{"a"}, Close: []string{"b", "c"}, ConfirmWithin: confirm, WhenStopped: GateAsItIs}},
	} {
		f, err := Parse("gates.yaml", fmt.Appendf(nil, "bench:\n  handsets: [{name: A, serial: S, power_gate: %s}]\n", tt.text))
		if err != nil {
			t.Errorf("%s: %v", tt.text, err)
			continue
		}
		if diff := cmp.Diff(tt.want, f.Bench.Handsets[0].Gate); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.text, diff)
		}
	}
	for text, want := range map[string]string{
		"{usb_port: 1-1.3, command: {open: [a], close: [b]}}": "bench.handsets[0].power_gate: want one of usb_port, command and by_hand: on",
		"{usb_port: 1-4, by_hand: on}":                        "bench.handsets[0].power_gate: want one of usb_port, command and by_hand: on",
		"{usb_port: ../../etc}":                               `bench.handsets[0].power_gate.usb_port: want a place on the USB bus such as 1-1.3 (bus, then port by port), as "adb devices -l" shows it, got "../../etc"`,
		"{usb_port: 1-4, answer_within: 5 min}":               "bench.handsets[0].power_gate.answer_within: answer_within goes with by_hand: nobody is asked for this gate",
		"{by_hand: on, when_stopped: closed}":                 "bench.handsets[0].power_gate.when_stopped: when_stopped goes with usb_port or command: a person's gate stays as it is",
		"{usb_port: 1-4, when_stopped: shut}":                 "bench.handsets[0].power_gate.when_stopped: want closed, open or as it is, got shut",
	} {
		_, err := Parse("gates.yaml", fmt.Appendf(nil, "bench:\n  handsets: [{name: A, serial: S, power_gate: %s}]\n", text))
		faults, ok := err.(Faults)
		if !ok || len(faults) != 1 || faults[0].Line != 2 || faults[0].Path+": "+faults[0].Msg != want {
			t.Errorf("%s: %v; want %s", text, err, want)
		}
	}
}
