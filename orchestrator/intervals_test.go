package orchestrator_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/results/calculate"
	"rundown/results/compare"
	"rundown/results/reading"
)

var updateGolden = flag.Bool("golden.update", false, "write the golden file of intervals anew")

// filled gives every field of a value something, one element to each list and a number of
// its own to each number, so that none can take another's place unseen.
func filled(v reflect.Value, n *int) {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		filled(v.Elem(), n)
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			v.Set(reflect.ValueOf(benchStart))
			return
		}
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() && v.Type().Field(i).Tag.Get("json") != "-" {
				filled(v.Field(i), n)
			}
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		filled(v.Index(0), n)
	case reflect.Float64:
		*n++
		v.SetFloat(float64(*n) + 0.5)
	case reflect.Int, reflect.Int64:
		*n++
		v.SetInt(int64(*n))
	case reflect.String:
		v.SetString("text")
	case reflect.Bool:
		v.SetBool(true)
	}
}

// Values with their intervals are written as other programs know them, and read back.
func TestIntervalsAreWrittenAsTheyWere(t *testing.T) {
	type written struct {
		Figure      reading.ScenarioFigure
		Charge      reading.Charge
		Heat        reading.Sustained
		Mix         reading.MixFigure
		Learned     reading.Learned
		Comparison  compare.Comparison
		Test        compare.TTest
		Calculation calculate.Result
	}
	var have, back written
	n := 0
	filled(reflect.ValueOf(&have).Elem(), &n)
	text, err := json.MarshalIndent(have, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("testdata", "intervals.json")
	if *updateGolden {
		if err := os.WriteFile(golden, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(text, want) {
		t.Errorf("written (-golden +now):\n%s", cmp.Diff(string(want), string(text)))
	}
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if again, err := json.MarshalIndent(back, "", " "); err != nil || !bytes.Equal(again, text) {
		t.Errorf("read back and written again it differs, %v", err)
	}
	if n := bytes.Count(text, []byte(`"low"`)); n < 25 {
		t.Errorf("only %d intervals: the test looks at the wrong types", n)
	}
}
