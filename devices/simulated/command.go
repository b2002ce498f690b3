package simulated

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// A call is one command as it was typed on the handset.
type call struct {
	ctx  context.Context
	name string
	args []string // without the name
	in   io.Reader
	out  io.Writer
	err  io.Writer
}

// A command is one of the system's own programs. It returns the exit code.
type command func(h *Handset, c *call) int

// commands are all the system's programs that the handset has, beside the shell's own.
var commands map[string]command

func init() {
	commands = map[string]command{
		"am": am, "appops": appops, "cmd": cmd, "content": content, "dumpsys": dumpsys,
		"getprop": getprop, "input": input, "log": logLine, "media": media, "pm": pm,
		"reboot": rebootCommand, "setprop": setprop, "settings": settingsCommand, "svc": svc,
		"uiautomator": uiautomator, "wm": wm,
	}
}

func (c *call) arg(i int) string {
	if i < len(c.args) {
		return c.args[i]
	}
	return ""
}

// rest is the same call without its first n arguments.
func (c *call) rest(n int) *call {
	d := *c
	d.args = c.args[min(n, len(c.args)):]
	return &d
}

func (c *call) say(format string, args ...any) { fmt.Fprintf(c.out, format, args...) }

func (c *call) fail(code int, format string, args ...any) int {
	fmt.Fprintf(c.err, format, args...)
	return code
}

// wait passes the time that the command takes on the handset. It reports false when the
// command was killed meanwhile.
func (h *Handset) wait(c *call, d time.Duration) bool {
	return h.rest.mono.Sleep(c.ctx, d) == nil
}

// killed is the exit code of a command that a signal ended.
const killed = 143

// onOff reads the two words that a verb takes.
func onOff(word, on, off string) (value, ok bool) {
	switch word {
	case on:
		return true, true
	case off:
		return false, true
	}
	return false, false
}

func digit(b bool) string {
	if b {
		return "1"
	}
	return "0"
}

func number(s string) (float64, bool) {
	f, err := strconv.ParseFloat(s, 64)
	return f, err == nil
}

// dropUser removes a "--user N" pair, which every verb accepts and none here needs.
func dropUser(args []string) []string {
	var kept []string
	for i := 0; i < len(args); i++ {
		if args[i] == "--user" {
			i++
			continue
		}
		kept = append(kept, args[i])
	}
	return kept
}

// float32Text is how the system prints a float: the shortest text that is the same
// 32-bit value, with a fraction always.
func float32Text(f float64) string {
	s := strconv.FormatFloat(float64(float32(f)), 'f', -1, 32)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}

// page collects a dump before it is written, so that no writer is held up under the
// handset's lock.
type page struct{ bytes.Buffer }

func (p *page) line(format string, args ...any) {
	fmt.Fprintf(&p.Buffer, format, args...)
	p.WriteByte('\n')
}

// show runs f on the handset's state and writes what it put down once the lock is free
// again: a reader that is slow must not hold up the handset.
func (h *Handset) show(c *call, f func(p *page)) int {
	p := new(page)
	h.do(func() { f(p) })
	if _, err := c.out.Write(p.Bytes()); err != nil {
		return 1
	}
	return 0
}

// noVerbs is what a service without shell verbs answers.
func noVerbs(c *call) int { return c.fail(0, "No shell command implementation.\n") }

// unknownVerb is what a service answers to a verb that it lacks.
func unknownVerb(c *call) int {
	fmt.Fprintf(c.out, "Unknown command: %s\n", c.arg(0))
	return 255
}
