package scenarios

import (
	"encoding/json"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v4"
)

// compiledSchema is the schema as an independent validator of JSON Schema 2020-12 reads
// it.
func compiledSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	b, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("plan.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("plan.schema.json")
	if err != nil {
		t.Fatal(err) // the validator checks it against the 2020-12 meta-schema too
	}
	return s
}

// asEditorSees is YAML as an editor hands it to a schema: JSON's types.
func asEditorSees(t *testing.T, text string) any {
	t.Helper()
	var v any
	if err := yaml.Load([]byte(text), &v); err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

func TestSchemaTakesWhatLoadTakes(t *testing.T) {
	s := compiledSchema(t)
	example, err := os.ReadFile("../scenarios.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"scenarios.example.yaml": string(example), "minimal": minimal}
	for name, text := range files {
		if _, err := Parse(name, []byte(text)); err != nil {
			t.Errorf("%s: Parse: %v", name, err)
		}
		if err := s.Validate(asEditorSees(t, text)); err != nil {
			t.Errorf("%s: schema: %v", name, err)
		}
	}
	// The built-in scenarios stand in a file of their own without a bench.
	for _, name := range []string{"browse", "video", "call", "camera", "game", "idle"} {
		text, err := builtinFiles.ReadFile("builtin/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		whole := "bench: {handsets: [{name: A, serial: S}]}\n" + string(text)
		if err := s.Validate(asEditorSees(t, whole)); err != nil {
			t.Errorf("builtin/%s.yaml: schema: %v", name, err)
		}
		if _, err := Parse(name, []byte(whole)); err != nil {
			t.Errorf("builtin/%s.yaml: as a user's: %v", name, err)
		}
	}
}

func TestSchemaRefusesWhatLoadRefuses(t *testing.T) {
	s := compiledSchema(t)
	b, err := os.ReadFile("../scenarios.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	example := string(b)
	for _, tt := range []struct{ name, old, new string }{
		{"unknown key", "    drain: 7 ", "    drian: 7 "},
		{"drain too large", "    drain: 7 ", "    drain: 70 "},
		{"drain is text", "    drain: 7 ", "    drain: much "},
		{"a duration without unit", "sample_every: 10 s", "sample_every: 10"},
		{"a duration of another form", "segment_limit: 8 h", "segment_limit: 8 hrs and a bit"},
		{"too hot", "stop_temp_c: 45 ", "stop_temp_c: 60 "},
		{"too hot to charge", "recharge_stop_temp_c: 40", "recharge_stop_temp_c: 50"},
		{"no serial", "      serial: RD0C7D8E9F\n", ""},
		{"handset with a key too many", "      serial: RD0C7D8E9F\n", "      serial: RD0C7D8E9F\n      colour: blue\n"},
		{"a list for a mapping", "limits:\n", "limits: []\nlimit:\n"},
		{"by_hand off alone", "by_hand: on", "by_hand: off"},
		{"both gates", "        by_hand: on\n", "        by_hand: on\n        command: {open: [a], close: [b]}\n"},
		{"a gate that is a port and a command", "        by_hand: on\n", "        usb_port: 1-1.3\n        command: {open: [a], close: [b]}\n"},
		{"no place on the bus", "        by_hand: on\n", "        usb_port: port 3\n"},
		{"a port of no handset", "        by_hand: on\n", "        usb_port: {}\n"},
		{"an answer from nobody", "        by_hand: on\n", "        usb_port: 1-4\n        answer_within: 5 min\n"},
		{"a person's gate when nobody is there", "        by_hand: on\n", "        by_hand: on\n        when_stopped: closed\n"},
		{"an empty command", "close: [lab-port, \"3\", \"off\"]", "close: []"},
		{"port", "    port: 8790\n", "    port: 80\n"},
		{"cron in words", "\"30 20 * * 6\"", "\"@weekly\""},
		{"an hour past 23:59", "\"09:00\"", "\"24:00\""},
		{"no handsets in a night", "handsets: [Alder, Larch]", "handsets: []"},
		{"hours", "hours: {game: 3, video: 2}", "hours: {game: 30, video: 2}"},
		{"precondition value", "    wifi: off\n", "    wifi: sometimes\n"},
		{"precondition name", "    wifi: off\n", "    wlan: off\n"},
		{"luminance of zero", "want: 120", "want: 0"},
		{"two verbs", "      - launch: org.example.reader\n", "      - launch: org.example.reader\n        key: HOME\n"},
		{"no verb", "      - launch: org.example.reader\n        wait: 8 s\n", "      - over: 8 s\n"},
		{"off the screen", "tap: [0.9, 0.5] ", "tap: [1.9, 0.5] "},
		{"half a position", "tap: [0.9, 0.5] ", "tap: [0.9] "},
		{"a telephone number", "open: \"{stage}/{n of 12}?v={n}\" ", "open: \"tel:112\" "},
		{"evidence of no kind", "{kind: page, limit: 4 min}", "{kind: feeling, limit: 4 min}"},
		{"no evidence", "    evidence:\n      - {kind: foreground, of: org.example.reader, limit: 3 min}\n", ""},
		{"no loop to extend", "    extends: browse\n    about: Reads", "    stage: browse\n    evidence: []\n    about: Reads"},
		{"a window without an end", "{least: 80, most: 95}", "{least: 80}"},
		{"a meter that is read in two ways", "      scpi:\n", "      command: {run: [a], columns: [power]}\n      scpi:\n"},
		{"a meter of nobody", "      room: on\n", ""},
		{"a quantity", "power: \"MEAS:POW?\"", "watts: \"MEAS:POW?\""},
		{"a charger without levels", "          - {volts: 5, amps: 3}\n          - {volts: 9, amps: 3}\n          - {volts: 15, amps: 3}\n          - {volts: 20, amps: 2.25}\n", "          []\n"},
		{"set aside", "set_aside_after: 3", "set_aside_after: 0"},
	} {
		if strings.Count(example, tt.old) < 1 {
			t.Errorf("%s: the example no longer has %q", tt.name, tt.old)
			continue
		}
		broken := strings.Replace(example, tt.old, tt.new, 1)
		if _, err := Parse("broken.yaml", []byte(broken)); err == nil {
			t.Errorf("%s: Parse takes it", tt.name)
		}
		var v any
		if err := yaml.Load([]byte(broken), &v); err != nil {
			continue // not YAML any more: no editor gets as far as the schema
		}
		if err := s.Validate(asEditorSees(t, broken)); err == nil {
			t.Errorf("%s: the schema takes it", tt.name)
		}
	}
}

// Every default in the table must be one that its own shape takes, every field has a
// sentence for the editor, and every number a range.
func TestTableIsWhole(t *testing.T) {
	seen := map[*object]bool{}
	var walk func(s shape, at string)
	walk = func(s shape, at string) {
		switch s := s.(type) {
		case *object:
			if seen[s] {
				return
			}
			seen[s] = true
			var keys []string
			for i := range s.fields {
				f := &s.fields[i]
				where := at + "." + f.key
				if slices.Contains(keys, f.key) {
					t.Errorf("%s stands twice in the table", where)
				}
				keys = append(keys, f.key)
				if f.about == "" && at != "" {
					t.Errorf("%s has no description", where)
				}
				if f.def != nil {
					if e := defaultOf(f, where); e == nil {
						t.Errorf("%s: its default %v is refused", where, f.def)
					}
				}
				walk(f.shape, where)
			}
		case *dictionary:
			walk(s.value, at+".*")
		case *list:
			walk(s.value, at+"[]")
		case *either:
			walk(s.scalar, at)
			walk(s.mapping, at)
		case *scalar:
			if len(s.json) == 0 || s.want == "" {
				t.Errorf("%s: its schema or its words are missing", at)
			}
		}
	}
	walk(fileShape, "")
}

func TestSchemaNamesItsParts(t *testing.T) {
	b, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Defs map[string]any `json:"$defs"`
	}
	if err := json.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	want := slices.Sorted(maps.Keys(parts()))
	if got := slices.Sorted(maps.Keys(doc.Defs)); !slices.Equal(got, want) {
		t.Errorf("$defs = %v, want %v", got, want)
	}
	again, err := Schema()
	if err != nil || string(again) != string(b) {
		t.Errorf("a second Schema differs (%v)", err)
	}
}
