package scenarios

import (
	_ "embed"
	"fmt"
	"strings"
	"sync"
	"unicode"
)

// CallCaution is to be shown to a person before a handset dials by itself.
const CallCaution = "Handsets will place real telephone calls, which cost money and ring at the other end. " +
	"Call only a counterpart of your own that is meant for it. Emergency numbers, short numbers and anything that could be dialled as one are refused; " +
	"see to it all the same that no handset on the bench can reach an emergency service by itself: no test SIM with a hotline, no private network that rewrites numbers."

// A NumberError is a telephone number that is not dialled, with the reason.
type NumberError struct {
	Number string // as given
	Reason string
}

func (e *NumberError) Error() string {
	return fmt.Sprintf("telephone number %s: %s", shown(e.Number), e.Reason)
}

// everywhere are the numbers that any handset takes for an emergency call by itself, some
// of them without a SIM only (3GPP TS 22.101, clause 10.1.1).
var everywhere = []string{"112", "911", "000", "08", "110", "118", "119", "999"}

//go:embed emergency.txt
var emergencyText string

// emergencyByCode are the national emergency numbers by country code.
var emergencyByCode = sync.OnceValue(func() map[string][]string {
	all := map[string][]string{}
	for line := range strings.Lines(emergencyText) {
		f := strings.Fields(line)
		if len(f) > 1 && f[0] != "#" {
			all[f[0]] = f[1:]
		}
	}
	return all
})

// twoDigitCodes are the country codes of two digits (ITU-T E.164, list of assigned codes);
// 1 and 7 have one, all others three.
const twoDigitCodes = " 20 27 30 31 32 33 34 36 39 40 41 43 44 45 46 47 48 49 51 52 53 54 55 56 57 58 60 61 62 63 64 65 66 81 82 84 86 90 91 92 93 94 95 98 "

// countryCode splits a number's digits behind the country code.
func countryCode(digits string) (code, national string) {
	n := 3
	switch {
	case digits[0] == '1' || digits[0] == '7':
		n = 1
	case strings.Contains(twoDigitCodes, " "+digits[:2]+" "):
		n = 2
	}
	return digits[:n], digits[n:]
}

// CheckNumber returns a telephone number as it is dialled, + and digits, or a *NumberError
// that says why it is refused.
//
// Refused is whatever is, begins with, or could be dialled as an emergency number: only
// international form is taken (ITU-T E.164: +, country code, 8 to 15 digits in all, blanks
// and hyphens between), so that no short number and no national one can come through; and
// of those, any whose digits, or whose digits behind the country code with or without
// leading zeros, begin with a number of 3GPP TS 22.101, clause 10.1.1, or with an emergency
// number of a country of that code. That refuses some ordinary numbers too: better these.
func CheckNumber(s string) (string, error) {
	refuse := func(format string, args ...any) (string, error) {
		return "", &NumberError{Number: s, Reason: fmt.Sprintf(format, args...)}
	}
	var digits strings.Builder
	low := strings.ToLower(s)
	if strings.HasPrefix(low, "tel:") || strings.HasPrefix(low, "sip:") || strings.HasPrefix(low, "urn:") {
		return refuse("want the number alone, without %s", s[:4])
	}
	for i, r := range s {
		switch {
		case r >= '0' && r <= '9':
			digits.WriteRune(r)
		case r == '+' && i == 0:
		case r == ' ' || r == '-':
			if i == 0 || i == len(s)-1 {
				return refuse("it begins or ends with a blank or hyphen")
			}
		case r == '*' || r == '#':
			return refuse("service codes (* and #) are not dialled")
		case r == '%':
			return refuse("encoded characters (%%) are not dialled")
		case strings.ContainsRune(",;pwPW", r):
			return refuse("pauses and what comes after them (, ; p w) are not dialled")
		case unicode.IsLetter(r):
			return refuse("letters are not dialled")
		case unicode.IsDigit(r) || unicode.IsNumber(r):
			return refuse("want the digits 0 to 9, got %q", string(r))
		default:
			return refuse("want +, digits, blanks and hyphens, got %q", string(r))
		}
	}
	d := digits.String()
	const form = "want the whole international form, such as +44 7700 900123: + and country code, 8 to 15 digits in all"
	switch {
	case !strings.HasPrefix(s, "+"):
		for _, e := range everywhere {
			if strings.HasPrefix(d, e) {
				return refuse("it begins with the emergency number %s", e)
			}
		}
		return refuse("without its country code it could reach an emergency service somewhere: %s", form)
	case len(d) < 8:
		return refuse("short numbers could reach an emergency service: %s", form)
	case len(d) > 15 || d[0] == '0':
		return refuse("%s", form)
	}
	code, national := countryCode(d)
	for _, e := range everywhere {
		if strings.HasPrefix(d, e) {
			return refuse("it begins with the emergency number %s", e)
		}
	}
	for _, e := range emergencyByCode()[code] {
		// As somebody there would dial it, who puts a 0 in front.
		if strings.HasPrefix("0"+national, e) {
			return refuse("with a 0 instead of the country code %s it begins with the emergency number %s", code, e)
		}
	}
	for {
		for _, list := range [][]string{everywhere, emergencyByCode()[code]} {
			for _, e := range list {
				if strings.HasPrefix(national, e) {
					return refuse("behind the country code %s it begins with the emergency number %s", code, e)
				}
			}
		}
		without, ok := strings.CutPrefix(national, "0")
		if !ok {
			return "+" + d, nil
		}
		national = without
	}
}

// couldDial says whether text typed into a dialler would be a short number, an emergency
// number, or the beginning of one: nothing else than digits and what is typed with them.
func couldDial(s string) bool {
	plain := placeholder.ReplaceAllString(s, "")
	counted := plain != s // {n} stands for digits that nobody knows here
	var d strings.Builder
	for _, r := range plain {
		switch {
		case r >= '0' && r <= '9':
			d.WriteRune(r)
		case strings.ContainsRune(" +-()./*#,;", r):
		default:
			return false
		}
	}
	digits := d.String()
	if counted {
		return true
	}
	if digits == "" {
		return false
	}
	if len(digits) <= 3 || strings.ContainsAny(s, "*#") {
		return true
	}
	for _, e := range everywhere {
		if strings.HasPrefix(digits, e) {
			return true
		}
	}
	for _, list := range emergencyByCode() {
		for _, e := range list {
			if digits == e {
				return true
			}
		}
	}
	return false
}
