package scenarios

import "time"

// A Gate names what lets power to a handset. At most one of the kinds is set.
type Gate struct {
	USBPort     string   // a port of a hub of this host by its place on the bus, as in 1-1.3
	USBSerial   string   // the port to which the handset of this USB serial number is attached
	Open, Close []string // the lab's own command and its arguments, run on the host, no shell
	ByHand      bool     // a person plugs and unplugs

	// ConfirmWithin is how long the handset may take to show that power came or went.
	ConfirmWithin time.Duration
	// AnswerWithin is how long a person is waited for, of ByHand.
	AnswerWithin time.Duration
	// WhenStopped is one of the Gate words: what the gate is brought to when the daemon stops.
	WhenStopped string
}

// What a power gate is brought to when the daemon stops.
const (
	GateClosed = "closed"   // no cell charges unattended
	GateOpen   = "open"     // for handsets that would run empty
	GateAsItIs = "as it is" // nothing is done
)

const usbPlace = `^(usb:)?[1-9][0-9]{0,2}-[1-9][0-9]{0,2}(\.[1-9][0-9]{0,2}){0,6}$`

var gateShape = &object{
	noun: "a power gate",
	fields: []field{
		{key: "usb_port", about: "The port of a USB hub of this host whose power Linux switches: its place on the bus, or the handset attached to it by its USB serial number.", shape: &either{
			scalar: matching(`a place on the USB bus such as 1-1.3 (bus, then port by port), as "adb devices -l" shows it`, usbPlace),
			mapping: &object{noun: "the port of a handset", fields: []field{
				{key: "serial", about: "The handset's USB serial number.", shape: matching("a serial number without spaces", `^[!-~]{1,64}$`), required: true},
			}},
		}},
		{key: "command", about: "The lab's own commands, run on the host without a shell.", shape: &object{noun: "the commands to open and to close", fields: []field{
			{key: "open", about: "Lets power to the handset: program and arguments.", shape: commandShape, required: true},
			{key: "close", about: "Cuts power: program and arguments.", shape: commandShape, required: true},
		}}},
		{key: "by_hand", about: "A person plugs and unplugs when asked.", shape: onOff()},
		{key: "confirm_within", about: "How long the handset may take to show that power came or went.", shape: duration(5*time.Second, 10*time.Minute), def: "1 min"},
		{key: "answer_within", about: "How long a person is waited for, with by_hand; then the run ends.", shape: duration(time.Minute, 24*time.Hour)},
		{key: "when_stopped", about: "What the gate is brought to when the daemon stops: closed (no cell charges unattended), open, as it is. A person's gate stays as it is.", shape: choice(GateClosed, GateOpen, GateAsItIs)},
	},
	check: func(r *reader, e *entry) {
		kinds := 0
		for _, there := range []bool{e.has("usb_port"), e.has("command"), valueOf[bool](e, "by_hand")} {
			if there {
				kinds++
			}
		}
		if kinds != 1 {
			r.fault(e.node, e.path, "want one of usb_port, command and by_hand: on")
			return
		}
		byHand := valueOf[bool](e, "by_hand")
		if e.has("answer_within") && !byHand {
			r.fault(e.at("answer_within").node, e.at("answer_within").path, "answer_within goes with by_hand: nobody is asked for this gate")
		}
		if e.has("when_stopped") && byHand {
			r.fault(e.at("when_stopped").node, e.at("when_stopped").path, "when_stopped goes with usb_port or command: a person's gate stays as it is")
		}
	},
	also: map[string]any{"oneOf": []any{
		gateKind("usb_port", nil, "command"),
		gateKind("command", nil, "usb_port"),
		gateKind("by_hand", map[string]any{"by_hand": map[string]any{"enum": []any{true, "on", "yes"}}, "when_stopped": false}, "usb_port", "command"),
	}},
}

// gateKind is one kind of gate in the schema: it is there and the others are not.
func gateKind(key string, properties map[string]any, others ...string) map[string]any {
	if properties == nil {
		properties = map[string]any{"by_hand": map[string]any{"enum": []any{false, "off", "no"}}, "answer_within": false}
	}
	for _, other := range others {
		properties[other] = false
	}
	return map[string]any{"required": []any{key}, "properties": properties}
}

var commandShape = &list{noun: "a program and its arguments, 1 to 32 words", value: text("a word of up to 500 characters", 500), least: 1, most: 32}

// defaultAnswerWithin is how long a person is waited for when the file does not say.
const defaultAnswerWithin = 15 * time.Minute

// gateOf is a handset's power gate; none where the file has none.
func gateOf(e *entry) (g Gate) {
	if e == nil {
		return g
	}
	g.ByHand, g.ConfirmWithin = valueOf[bool](e, "by_hand"), valueOf[time.Duration](e, "confirm_within")
	g.WhenStopped = GateClosed
	if g.ByHand {
		g.WhenStopped, g.AnswerWithin = GateAsItIs, defaultAnswerWithin
	}
	if e.has("when_stopped") {
		g.WhenStopped = valueOf[string](e, "when_stopped")
	}
	if e.has("answer_within") {
		g.AnswerWithin = valueOf[time.Duration](e, "answer_within")
	}
	if at := e.at("usb_port"); at != nil {
		g.USBPort, _ = at.value.(string)
		g.USBSerial = valueOf[string](at, "serial")
	}
	if c := e.at("command"); c != nil {
		g.Open, g.Close = words(c.at("open")), words(c.at("close"))
	}
	return g
}
