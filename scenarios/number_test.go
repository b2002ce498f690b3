package scenarios

import (
	"errors"
	"fmt"
	"regexp"
	"regexp/syntax"
	"slices"
	"strings"
	"testing"

	"github.com/nyaruka/phonenumbers"
)

// libphonenumber's regions with their country code and the pattern of their emergency
// numbers: the published list that CheckNumber is held against.
type region struct {
	id        string
	code      int
	emergency *regexp.Regexp
	lengths   []int32 // digits of its emergency numbers
}

func regions(t testing.TB) []region {
	t.Helper()
	c, err := phonenumbers.ShortNumberMetadataCollection()
	if err != nil {
		t.Fatal(err)
	}
	var all []region
	for _, m := range c.GetMetadata() {
		pattern := m.GetEmergency().GetNationalNumberPattern()
		if pattern == "" || pattern == "NA" {
			continue
		}
		all = append(all, region{m.GetId(), phonenumbers.GetCountryCodeForRegion(m.GetId()), regexp.MustCompile("^(?:" + pattern + ")$"), m.GetEmergency().GetPossibleLength()})
	}
	if len(all) < 200 {
		t.Fatalf("only %d regions", len(all))
	}
	return all
}

// numbersOf writes a pattern of emergency numbers out.
func numbersOf(t testing.TB, r region) []string {
	t.Helper()
	tree, err := syntax.Parse(r.emergency.String(), syntax.Perl)
	if err != nil {
		t.Fatal(err)
	}
	lengths := r.lengths
	if len(lengths) == 0 { // as the country's short numbers
		lengths = []int32{2, 3, 4, 5}
	}
	var all []string
	for _, n := range written(t, tree) {
		if slices.Contains(lengths, int32(len(n))) && len(n) <= 6 && r.emergency.MatchString(n) {
			all = append(all, n)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// written lists all texts of at most seven digits that a pattern stands for.
func written(t testing.TB, re *syntax.Regexp) []string {
	t.Helper()
	joined := func(heads, tails []string) []string {
		var all []string
		for _, h := range heads {
			for _, t := range tails {
				if len(h)+len(t) <= 7 {
					all = append(all, h+t)
				}
			}
		}
		return all
	}
	switch re.Op {
	case syntax.OpEmptyMatch, syntax.OpBeginText, syntax.OpEndText:
		return []string{""}
	case syntax.OpLiteral:
		return []string{string(re.Rune)}
	case syntax.OpCharClass:
		var all []string
		for i := 0; i < len(re.Rune); i += 2 {
			for c := re.Rune[i]; c <= re.Rune[i+1]; c++ {
				all = append(all, string(c))
			}
		}
		return all
	case syntax.OpCapture:
		return written(t, re.Sub[0])
	case syntax.OpConcat:
		all := []string{""}
		for _, sub := range re.Sub {
			all = joined(all, written(t, sub))
		}
		return all
	case syntax.OpAlternate:
		var all []string
		for _, sub := range re.Sub {
			all = append(all, written(t, sub)...)
		}
		return all
	case syntax.OpQuest:
		return append([]string{""}, written(t, re.Sub[0])...)
	case syntax.OpRepeat:
		once, all, times := written(t, re.Sub[0]), []string{}, []string{""}
		for n := 0; n <= re.Max; n++ {
			if n >= re.Min {
				all = append(all, times...)
			}
			times = joined(times, once)
		}
		return all
	}
	t.Fatalf("%s: a pattern of emergency numbers with %v", re, re.Op)
	return nil
}

// Every emergency number of every country in libphonenumber's list is refused: by itself,
// with more digits behind it, behind its country code, and in each form in which a dialler
// or a URI would still read it.
func TestEmergencyNumbersOfTheWorldAreRefused(t *testing.T) {
	checked := 0
	for _, r := range regions(t) {
		numbers := numbersOf(t, r)
		if len(numbers) == 0 && r.id != "GN" { // Guinea's pattern holds seven digits
			t.Errorf("%s: no emergency number of 2 to 6 digits in its pattern", r.id)
		}
		for _, n := range numbers {
			code := fmt.Sprint(r.code)
			forms := []string{
				n, "+" + n, n + "5550100", n + "55501001234",
				"+" + code + n, "+" + code + n + "5550100", "+" + code + "0" + n + "55501", "+" + code + " " + n + "-55501",
				"00" + code + n, n + ",1", n + ";ext=1", n + "p1", n + "w1", "*31#" + n, "#31#" + n, n + "#",
				"tel:" + n, "tel:+" + code + n, encoded(n), "tel:" + encoded(n), wide(n), strings.Join(strings.Split(n, ""), " "), "(" + n + ")", n + "\n", " " + n, n + "x1",
			}
			for _, f := range forms {
				checked++
				if got, err := CheckNumber(f); err == nil {
					t.Errorf("%s: CheckNumber(%q) = %q, want it refused", r.id, f, got)
				}
			}
			if !couldDial(n) {
				t.Errorf("%s: typing %q is taken", r.id, n)
			}
			if !slices.Contains(emergencyByCode()[code], n) {
				t.Errorf("%s: %s is not in emergency.txt under %s", r.id, n, code)
			}
		}
	}
	t.Logf("%d forms refused", checked)
}

func encoded(n string) string {
	var b strings.Builder
	for _, c := range n {
		fmt.Fprintf(&b, "%%%02X", c)
	}
	return b.String()
}

func wide(n string) string {
	return strings.Map(func(r rune) rune { return r - '0' + '０' }, n)
}

func TestCheckNumber(t *testing.T) {
	tests := []struct{ number, want, refused string }{
		// Numbers set aside for drama: Ofcom (+44 7700 900000 to 900999), NANPA (555-0100
		// to 0199), ACMA (+61 491 570 156), Bundesnetzagentur (+49 152 28817386).
		{number: "+44 7700 900123", want: "+447700900123"},
		{number: "+1-212-555-0143", want: "+12125550143"},
		{number: "+61491570156", want: "+61491570156"},
		{number: "+49 152 28817386", want: "+4915228817386"},
		// 3GPP TS 22.101, clause 10.1.1 a) and c).
		{number: "112", refused: "emergency number 112"},
		{number: "911", refused: "emergency number 911"},
		{number: "000", refused: "emergency number 000"},
		{number: "08", refused: "emergency number 08"},
		{number: "110", refused: "emergency number 110"},
		{number: "118", refused: "emergency number 118"},
		{number: "119", refused: "emergency number 119"},
		{number: "999", refused: "emergency number 999"},
		{number: "+112 555 01 00", refused: "emergency number 112"},
		{number: "+999 5550 100", refused: "emergency number 999"},
		{number: "+49 112 5550100", refused: "behind the country code 49 it begins with the emergency number 112"},
		{number: "+49 0112 555010", refused: "behind the country code 49 it begins with the emergency number 112"},
		{number: "+1 911 555 0100", refused: "behind the country code 1 it begins with the emergency number 911"},
		{number: "+81 118 555 0100", refused: "emergency number 118"},
		// National ones that are not in that clause.
		{number: "+61 106 555 010", refused: "emergency number 106"},
		{number: "+64 111 5550100", refused: "emergency number 111"},
		{number: "+55 192 5550100", refused: "emergency number 192"},
		// Forms.
		{number: "07700 900123", refused: "without its country code"},
		{number: "00447700900123", refused: "without its country code"},
		{number: "+44 7700", refused: "short numbers"},
		{number: "+4477009001234567", refused: "8 to 15 digits"},
		{number: "+0447700900123", refused: "8 to 15 digits"},
		{number: "+44 7700 900123,112", refused: "pauses"},
		{number: "+44 7700 900123;112", refused: "pauses"},
		{number: "+44 7700 900123p112", refused: "pauses"},
		{number: "+44 7700 900123W112", refused: "pauses"},
		{number: "*#06#", refused: "service codes"},
		{number: "*21*112#", refused: "service codes"},
		{number: "%31%31%32", refused: "encoded"},
		{number: "tel:112", refused: "without tel:"},
		{number: "TEL:+447700900123", refused: "without TEL:"},
		{number: "sip:112@example.org", refused: "without sip:"},
		{number: "urn:service:sos", refused: "without urn:"},
		{number: "+44 7700 HELPME", refused: "letters"},
		{number: "1-800-CALLNOW", refused: "letters"},
		{number: "１１２", refused: "want the digits 0 to 9"},
		{number: "+44 7700 90012٣", refused: "want the digits 0 to 9"},
		{number: "+44 7700 90012²", refused: "want the digits 0 to 9"},
		{number: "+44\u200b7700900123", refused: "want +, digits"}, // a zero-width blank
		{number: "+44\t7700900123", refused: "want +, digits"},
		{number: "+44 7700 900123\n", refused: "want +, digits"},
		{number: "++447700900123", refused: "want +, digits"},
		{number: "+44+7700900123", refused: "want +, digits"},
		{number: "(+44) 7700 900123", refused: "want +, digits"},
		{number: " +447700900123", refused: "begins or ends"},
		{number: "", refused: "without its country code"},
		{number: "+", refused: "short numbers"},
	}
	for _, tt := range tests {
		got, err := CheckNumber(tt.number)
		if tt.refused == "" {
			if err != nil || got != tt.want {
				t.Errorf("CheckNumber(%q) = %q, %v; want %q", tt.number, got, err, tt.want)
			}
			continue
		}
		var bad *NumberError
		if !errors.As(err, &bad) || got != "" || bad.Number != tt.number || !strings.Contains(err.Error(), tt.refused) {
			t.Errorf("CheckNumber(%q) = %q, %v; want it refused for %q", tt.number, got, err, tt.refused)
		}
	}
}

// Whatever is taken is + and 8 to 15 digits, comes back unchanged when checked again, and
// does not connect to an emergency service by libphonenumber's own judgement, dialled
// from any country of its code with or without the 0 in front.
func FuzzCheckNumber(f *testing.F) {
	for _, s := range []string{"+447700900123", "112", "+49 112", "+1-212-555-0143", "+33 6 39 98 00 01", "*112#", "+39 0112345678", "+7 103 5550100", "１１２"} {
		f.Add(s)
	}
	form := regexp.MustCompile(`^\+[1-9][0-9]{7,14}$`)
	var byCode = map[int][]string{}
	for _, r := range regions(f) {
		byCode[r.code] = append(byCode[r.code], r.id)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := CheckNumber(s)
		if err != nil {
			return
		}
		if !form.MatchString(got) {
			t.Fatalf("CheckNumber(%q) = %q", s, got)
		}
		if again, err := CheckNumber(got); err != nil || again != got {
			t.Errorf("CheckNumber(%q) = %q, %v", got, again, err)
		}
		code, national := countryCode(got[1:])
		var n int
		fmt.Sscan(code, &n)
		for _, id := range byCode[n] {
			for _, dialled := range []string{got, national, "0" + national, strings.TrimLeft(national, "0")} {
				if phonenumbers.ConnectsToEmergencyNumber(dialled, id) {
					t.Errorf("%q is taken as %q, and %q dialled in %s reaches an emergency service", s, got, dialled, id)
				}
			}
		}
	})
}

func TestTypedNumbers(t *testing.T) {
	for s, want := range map[string]bool{
		"112": true, "1 1 2": true, "10111": true, "+112": true, "11{n}": true, "{n}": true, "9{n of 12}": true, "*#06#": true, "12": true, "1122334455": true,
		"2026": false, "tea for 2": false, "{n} apples": false, "447700900123": false, "-": false,
	} {
		if got := couldDial(s); got != want {
			t.Errorf("couldDial(%q) = %t, want %t", s, got, want)
		}
	}
}
