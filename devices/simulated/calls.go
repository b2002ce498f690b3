package simulated

import (
	"strings"
	"sync"
	"time"
)

// A voice call: with whom, and how far it is.
type voiceCall struct {
	number  string
	ringing bool // it came in and nobody has answered here
	up      bool
	other   *Handset // on the same exchange; nil for a number outside
	ends    *event
}

// Call states as the telephony registry numbers them, and as it numbers the state of the
// call in front.
const (
	callIdle    = 0
	callRinging = 1
	callOffHook = 2

	frontIdle     = 0
	frontActive   = 1
	frontAlerting = 4
)

// An Exchange is the telephone network between handsets that have numbers on it. Numbers
// that it does not know are answered by themselves after some seconds. The zero value is
// ready.
type Exchange struct {
	mu sync.Mutex
	by map[string]*Handset
}

func (x *Exchange) join(number string, h *Handset) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.by == nil {
		x.by = map[string]*Handset{}
	}
	x.by[number] = h
}

func (x *Exchange) find(number string) *Handset {
	if x == nil {
		return nil
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.by[number]
}

// isEmergency says whether a number could reach an emergency service anywhere. The list
// is of numbers in general use in many countries; a handset would ask its network and SIM.
func isEmergency(data string) bool {
	digits := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, data)
	switch digits {
	case "000", "08", "100", "101", "102", "103", "108", "110", "111", "112", "113", "114", "115", "116", "117",
		"118", "119", "120", "122", "190", "191", "192", "193", "194", "195", "197", "198", "199", "911", "912", "990", "991", "992",
		"993", "994", "995", "996", "997", "998", "999":
		return true
	}
	return false
}

func (h *Handset) placeCall(a *activity, number string) {
	if !h.sim || h.radios.airplane || number == "" {
		return // the dialer shows that there is no network
	}
	h.endCall()
	c := &voiceCall{number: number, other: h.opt.Exchange.find(number)}
	h.call, a.number = c, number
	if c.other == nil || c.other == h {
		c.other = nil
		c.ends = h.at(h.age+3*time.Second, func() { c.up = true })
		return
	}
	// Each side changes under its own lock, one after the other.
	h.chore(func() {
		rings := false
		c.other.do(func() {
			if c.other.call == nil && c.other.sim && !c.other.radios.airplane && !c.other.poweredOff {
				c.other.call, rings = &voiceCall{number: h.opt.Number, ringing: true, other: h}, true
				c.other.wake()
			}
		})
		if !rings {
			h.do(func() { h.dropCall(c) })
		}
	})
}

// takeCall answers what rings.
func (h *Handset) takeCall() {
	c := h.call
	if c == nil || !c.ringing {
		return
	}
	c.ringing, c.up = false, true
	if app := h.appFor(roleDialer); app != nil {
		h.bring(app, ".InCallActivity")
	}
	if c.other == nil {
		return // from outside the bench
	}
	h.chore(func() {
		c.other.do(func() {
			if o := c.other.call; o != nil && o.other == h {
				o.up = true
			}
		})
	})
}

func (h *Handset) endCall() {
	if h.call != nil {
		h.dropCall(h.call)
	}
}

// dropCall ends a call, if it is still the one that stands, and its other side.
func (h *Handset) dropCall(c *voiceCall) {
	if h.call != c {
		return
	}
	h.cancel(c.ends)
	h.call = nil
	if o := c.other; o != nil {
		h.chore(func() {
			o.do(func() {
				if o.call != nil && o.call.other == h {
					o.call.other = nil // this side has gone already
					o.dropCall(o.call)
				}
			})
		})
	}
}

func (h *Handset) callState() int {
	switch {
	case h.call == nil:
		return callIdle
	case h.call.ringing:
		return callRinging
	}
	return callOffHook
}

// frontCall is the state of the call in front.
func (h *Handset) frontCall() int {
	switch {
	case h.call == nil || h.call.ringing:
		return frontIdle
	case h.call.up:
		return frontActive
	}
	return frontAlerting
}
