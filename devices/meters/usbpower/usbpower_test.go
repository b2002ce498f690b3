package usbpower

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Encodings by the bit fields of Linux's include/linux/usb/pd.h (fixed: 50 mV in bits
// 19..10, 10 mA in 9..0; PPS: 100 mV in 24..17 and 15..8, 50 mA in 6..0; AVS: 100 mV in
// 25..17 and 15..8, 1 W in 7..0; SPR AVS: 10 mA in 19..10 and 9..0). The last three rows
// are put together from the fields by hand.
func TestDecodePDO(t *testing.T) {
	tests := []struct {
		raw   uint32
		want  PDO
		watts float64
	}{
		{0x0001912C, PDO{Kind: Fixed, MinMV: 5000, MaxMV: 5000, MaxMA: 3000}, 15},
		{0x0002D12C, PDO{Kind: Fixed, MinMV: 9000, MaxMV: 9000, MaxMA: 3000}, 27},
		{0x0004B12C, PDO{Kind: Fixed, MinMV: 15000, MaxMV: 15000, MaxMA: 3000}, 45},
		{0x000640E1, PDO{Kind: Fixed, MinMV: 20000, MaxMV: 20000, MaxMA: 2250}, 45},
		{0x00064145, PDO{Kind: Fixed, MinMV: 20000, MaxMV: 20000, MaxMA: 3250}, 65},
		{0x000641F4, PDO{Kind: Fixed, MinMV: 20000, MaxMV: 20000, MaxMA: 5000}, 100},
		{0x3E01912C, PDO{Kind: Fixed, MinMV: 5000, MaxMV: 5000, MaxMA: 3000}, 15}, // with all flags
		{0xC076213C, PDO{Kind: PPS, MinMV: 3300, MaxMV: 5900, MaxMA: 3000}, 17.7},
		{0xC0DC213C, PDO{Kind: PPS, MinMV: 3300, MaxMV: 11000, MaxMA: 3000}, 33},
		{0xC1A42164, PDO{Kind: PPS, MinMV: 3300, MaxMV: 21000, MaxMA: 5000}, 105},
		{1<<30 | 400<<20 | 100<<10 | 180, PDO{Kind: Battery, MinMV: 5000, MaxMV: 20000, MaxMW: 45000}, 45},
		{3<<30 | 1<<28 | 480<<17 | 150<<8 | 240, PDO{Kind: AVS, MinMV: 15000, MaxMV: 48000, MaxMW: 240000}, 240},
		{3<<30 | 2<<28 | 300<<10 | 250, PDO{Kind: SPRAVS, MinMV: 9000, MaxMV: 20000, MaxMA: 3000, MaxMA20: 2500}, 50},
	}
	for _, tt := range tests {
		got, err := DecodePDO(tt.raw)
		if err != nil || got != tt.want || math.Abs(got.Watts()-tt.watts) > 1e-9 {
			t.Errorf("DecodePDO(%#08x) = %v, %g W, %v; want %v, %g W", tt.raw, got, got.Watts(), err, tt.want, tt.watts)
		}
	}
	for _, raw := range []uint32{0, 3<<30 | 3<<28 | 1, 2<<30 | 10<<20 | 20<<10} {
		if got, err := DecodePDO(raw); err == nil {
			t.Errorf("DecodePDO(%#08x) = %v, want an error", raw, got)
		}
	}
}

func FuzzDecodePDO(f *testing.F) {
	f.Add(uint32(0x0001912C))
	f.Add(uint32(0xC0DC213C))
	f.Fuzz(func(t *testing.T, raw uint32) {
		p, err := DecodePDO(raw)
		if err != nil {
			return
		}
		if p.MinMV < 0 || p.MaxMV < p.MinMV || p.MaxMV > 51200 || p.Watts() < 0 || p.Watts() > 600 {
			t.Errorf("DecodePDO(%#08x) = %+v, %g W", raw, p, p.Watts())
		}
		if r, err := DecodeRequest(raw, []PDO{p}); err == nil {
			if c, err := r.Ceiling([]PDO{p}); err != nil || c.Watts < 0 {
				t.Errorf("DecodeRequest(%#08x) = %+v, ceiling %+v, %v", raw, r, c, err)
			}
		}
	})
}

// pd.h: RDO_PROG_VOLT_MV_STEP 20, RDO_PROG_CURR_MA_STEP 50; fixed: 10 mA in 19..10, 9..0.
func TestDecodeRequest(t *testing.T) {
	offered := []PDO{{Kind: Fixed, MinMV: 9000, MaxMV: 9000, MaxMA: 3000}, {Kind: PPS, MinMV: 3300, MaxMV: 11000, MaxMA: 3000}, {Kind: AVS, MinMV: 15000, MaxMV: 28000, MaxMW: 140000}}
	tests := []struct {
		name string
		raw  uint32
		want Request
		ceil float64
	}{
		{"PPS object 2, 9.02 V, 2.5 A", 0x20038632, Request{Object: 2, OutMV: 9020, OpMA: 2500}, 27.06},
		{"fixed object 1, 2 A of at most 2.5 A, mismatch", 1<<28 | 1<<26 | 200<<10 | 250, Request{Object: 1, OutMV: 9000, OpMA: 2000, MaxMA: 2500, Mismatch: true}, 27},
		{"AVS object 3, 28 V, 5 A", 3<<28 | 1120<<9 | 100, Request{Object: 3, OutMV: 28000, OpMA: 5000}, 140},
	}
	for _, tt := range tests {
		got, err := DecodeRequest(tt.raw, offered)
		if err != nil || got != tt.want {
			t.Errorf("%s: %+v, %v; want %+v", tt.name, got, err, tt.want)
		}
		if c, err := got.Ceiling(offered); err != nil || math.Abs(c.Watts-tt.ceil) > 1e-9 {
			t.Errorf("%s: ceiling %+v, %v; want %g W", tt.name, c, err, tt.ceil)
		}
	}
	for _, raw := range []uint32{0, 4 << 28} {
		if got, err := DecodeRequest(raw, offered); err == nil {
			t.Errorf("DecodeRequest(%#08x) = %+v, want an error", raw, got)
		}
	}
}

// The levels of the sources named at Ceilings.
func TestCeilings(t *testing.T) {
	want := []float64{2.5, 4.5, 7.5, 15, 27, 45, 60, 100, 140, 180, 240}
	for i, c := range Ceilings {
		if c.Watts != want[i] || math.Abs(c.Volts*c.Amps-c.Watts) > 1e-9 {
			t.Errorf("%+v, want %g W", c, want[i])
		}
	}
	if len(Ceilings) != len(want) {
		t.Errorf("%d ceilings, want %d", len(Ceilings), len(want))
	}
}

// The power rule's worked example: a port of 50 W gives 3 A at 5, 9 and 15 V and 2.5 A
// at 20 V; the other rows are its formula (encyclopedic article on USB PD: up to 15 W x/5
// at 5 V, to 27 W x/9 at 9 V, to 45 W x/15 at 15 V, to 100 W x/20 at 20 V).
func TestOffers(t *testing.T) {
	fixed := func(mvma ...int) []PDO {
		var ps []PDO
		for i := 0; i < len(mvma); i += 2 {
			ps = append(ps, PDO{Kind: Fixed, MinMV: mvma[i], MaxMV: mvma[i], MaxMA: mvma[i+1]})
		}
		return ps
	}
	tests := []struct {
		watts float64
		want  []PDO
	}{
		{50, fixed(5000, 3000, 9000, 3000, 15000, 3000, 20000, 2500)},
		{7.5, fixed(5000, 1500)},
		{15, fixed(5000, 3000)},
		{18, fixed(5000, 3000, 9000, 2000)},
		{27, fixed(5000, 3000, 9000, 3000)},
		{30, fixed(5000, 3000, 9000, 3000, 15000, 2000)},
		{45, fixed(5000, 3000, 9000, 3000, 15000, 3000)},
		{60, fixed(5000, 3000, 9000, 3000, 15000, 3000, 20000, 3000)},
		{65, fixed(5000, 3000, 9000, 3000, 15000, 3000, 20000, 3250)},
		{100, fixed(5000, 3000, 9000, 3000, 15000, 3000, 20000, 5000)},
	}
	for _, tt := range tests {
		got, err := Offers(tt.watts)
		if diff := cmp.Diff(tt.want, got); diff != "" || err != nil {
			t.Errorf("Offers(%g): %v, mismatch (-want +got):\n%s", tt.watts, err, diff)
		}
	}
	for _, w := range []float64{0, 101, math.NaN()} {
		if _, err := Offers(w); err == nil {
			t.Errorf("Offers(%g): no error", w)
		}
	}
}

func TestCheck(t *testing.T) {
	c65 := Charger{Text: "a 65 W charger", Watts: 65, Levels: []Level{{5, 3}, {9, 3}, {15, 3}, {20, 3.25}}}
	tests := []struct {
		name    string
		charger Charger
		cable   Cable
		watts   float64
		says    []string // none: no notes at all
	}{
		{"all in the tables", c65, Cable{Amps: 5}, 65, nil},
		{"3 A cable", c65, Cable{Amps: 3}, 60, []string{"the cable (3 A) holds the level of 20 V, 3.25 A to 3 A"}},
		{"cable not stated", c65, Cable{}, 60, []string{"not stated; 3 A is taken", "holds the level"}},
		{"a maker's own level", Charger{Watts: 66, Levels: []Level{{5, 2}, {11, 6}}}, Cable{Amps: 6}, 66, []string{"no level of USB PD's fixed supplies", "cable of 6 A is in no table", "power rule"}},
		{"extended range, plain cable", Charger{Watts: 140, Levels: []Level{{5, 3}, {20, 5}, {28, 5}}}, Cable{Amps: 5}, 100, []string{"needs an extended-range cable"}},
		{"extended range", Charger{Watts: 140, Levels: []Level{{5, 3}, {9, 3}, {15, 3}, {20, 5}, {28, 5}}}, Cable{Amps: 5, Extended: true}, 140, nil},
		{"label that contradicts itself", Charger{Watts: 30, Levels: []Level{{5, 3}, {9, 3}, {15, 3}}}, Cable{Amps: 3}, 45, []string{"45 W, more than the charger's 30 W"}},
		{"too much for any cable", Charger{Levels: []Level{{5, 8}}}, Cable{Amps: 5}, 25, []string{"more than the 5 A that any", "holds the level"}},
		{"no 5 V", Charger{Levels: []Level{{9, 2}}}, Cable{Amps: 3}, 18, []string{"no level of 5 V"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, notes, err := Check(tt.charger, tt.cable)
			if err != nil || math.Abs(c.Watts-tt.watts) > 1e-9 {
				t.Errorf("ceiling %+v, %v; want %g W", c, err, tt.watts)
			}
			all := strings.Join(notes, "\n")
			for _, says := range tt.says {
				if !strings.Contains(all, says) {
					t.Errorf("notes %q; want %q", notes, says)
				}
			}
			if tt.says == nil && len(notes) > 0 {
				t.Errorf("notes %q; want none", notes)
			}
		})
	}
	if _, _, err := Check(Charger{Text: "x"}, Cable{Amps: 3}); !errors.Is(err, ErrNoLevels) {
		t.Errorf("no levels: %v", err)
	}
	if _, _, err := Check(Charger{Levels: []Level{{500, 3}}}, Cable{Amps: 3}); err == nil {
		t.Error("500 V: no error")
	}
}

func TestExceeds(t *testing.T) {
	at := func(s int) time.Time { return time.Unix(1_700_000_000+int64(s), 0).UTC() }
	ceiling := Ceiling{Name: "PD 9 V", Volts: 9, Amps: 3, Watts: 27}
	// 27 W + 5 % + 1 % + 0.1 W = 28.7335 W is allowed.
	watts := []float64{0, 27, 28.7, 28.8, math.NaN(), 30, 27, 29, 5}
	var log []Point
	for i, w := range watts {
		log = append(log, Point{at(i), w})
	}
	got := Exceeds(log, ceiling, MeterError{Pct: 1, Watts: 0.1})
	want := []Excess{{From: at(3), To: at(5), Watts: 30, Points: 2, Allowed: 28.7335}, {From: at(7), To: at(7), Watts: 29, Points: 1, Allowed: 28.7335}}
	for i := range got {
		got[i].Allowed = math.Round(got[i].Allowed*1e6) / 1e6
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("mismatch (-want +got):\n%s", diff)
	}
	if !strings.Contains(got[0].String(), "30 W") || !strings.Contains(got[0].String(), "fault of the data") {
		t.Errorf("String = %q", got[0])
	}
	if got := Exceeds(log, Ceiling{Watts: 45}, MeterError{}); got != nil {
		t.Errorf("within the ceiling: %v", got)
	}
}
