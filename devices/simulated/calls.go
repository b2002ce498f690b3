package simulated

import (
	"strings"
	"time"
)

// A voice call: who was called, and whether it stands.
type voiceCall struct {
	number string
	up     bool
	ends   *event
}

// Call states as the telephony registry numbers them.
const (
	callIdle    = 0
	callOffHook = 2
)

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
	h.call = &voiceCall{number: number}
	a.number = number
	h.call.ends = h.at(h.age+3*time.Second, func() {
		if h.call != nil {
			h.call.up = true
		}
	})
}

func (h *Handset) endCall() {
	if h.call == nil {
		return
	}
	h.cancel(h.call.ends)
	h.call = nil
}

func (h *Handset) callState() int {
	if h.call != nil {
		return callOffHook
	}
	return callIdle
}
