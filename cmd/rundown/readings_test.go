package main

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/luminance"
)

func TestReadReadings(t *testing.T) {
	got, err := readReadings(strings.NewReader("\ufeffsetting,note,cd_m2\n# by hand\n10, a, 12.5\n\n10,b,12.4 cd/m²\n255,c,\"610,2\"\n"))
	want := []luminance.Reading{{Setting: 10, CdM2: 12.5, Pass: 1}, {Setting: 10, CdM2: 12.4, Pass: 2}, {Setting: 255, CdM2: 610.2, Pass: 1}}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("%v, mismatch (-want +got):\n%s", err, diff)
	}
	if got, err := readReadings(strings.NewReader("1,2\n2,3\n")); err != nil || len(got) != 2 {
		t.Errorf("without names: %v, %v", got, err)
	}
	_, err = readReadings(strings.NewReader("setting,cd_m2\n1,2\nx,3\n4,bright\n5\n"))
	for _, says := range []string{"line 3: setting", "line 4: \"bright\"", "line 5: want"} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("faults: %v; want %q among them", err, says)
		}
	}
	german, err := readReadings(strings.NewReader("setting;cd_m2\n10,5;12,5\n"))
	if err != nil || len(german) != 1 || german[0].Setting != 10.5 || german[0].CdM2 != 12.5 {
		t.Errorf("semicolons and decimal commas: %+v, %v", german, err)
	}
	bare, err := readReadings(strings.NewReader("102;300,5\n255;610,2\n"))
	if err != nil || len(bare) != 2 || bare[0].Setting != 102 || bare[0].CdM2 != 300.5 {
		t.Errorf("semicolons and decimal commas without names: %+v, %v", bare, err)
	}
	if _, err := readReadings(strings.NewReader("setting,cd_m2,note,cd/m2\n1,2,a,3\n")); err == nil || err.Error() != "line 1: cd/m2 is named twice, as columns 2 and 4: rename one of them" {
		t.Errorf("a column named twice: %v", err)
	}
	if _, err := readReadings(strings.NewReader("setting,cd_m2\r1,2\r")); err == nil || !strings.Contains(err.Error(), "CR alone") {
		t.Errorf("CR alone: %v", err)
	}
	for _, text := range []string{"", "a,b\n1,2\n", "setting,cd_m2\n"} {
		if _, err := readReadings(strings.NewReader(text)); err == nil {
			t.Errorf("readReadings(%q): no error", text)
		}
	}
}

func FuzzReadReadings(f *testing.F) {
	f.Add("setting,cd_m2\n1,2\n2,3\n")
	f.Add("1,\"2,5\"\n")
	f.Fuzz(func(t *testing.T, s string) {
		readings, err := readReadings(strings.NewReader(s))
		if err != nil {
			return
		}
		var text strings.Builder
		for _, r := range readings {
			if !(r.Setting >= 0) || math.IsInf(r.Setting, 0) || !(r.CdM2 >= 0) || math.IsInf(r.CdM2, 0) || r.Pass < 1 {
				t.Fatalf("%q gave %+v", s, r)
			}
			fmt.Fprintf(&text, "%v,%v\n", r.Setting, fmt.Sprintf("%f", r.CdM2))
		}
		back, err := readReadings(strings.NewReader(text.String()))
		if err != nil || len(back) != len(readings) {
			t.Errorf("%d readings, written and read back: %d, %v", len(readings), len(back), err)
		}
	})
}
