package scenarios

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
)

// Schema is the plan file's description as JSON Schema 2020-12, for editors that complete
// and check while a file is written. It comes from the same table that Load checks with.
// What only Load can know it leaves out: names that refer to each other, lengths of time
// written as text, dates that do not exist.
func Schema() ([]byte, error) {
	defs := map[string]any{}
	root := lift(fileShape.schema(), defs).(map[string]any)
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "Rundown plan file"
	root["description"] = "Handsets, preconditions, scenarios, plans and nights of one bench."
	root["$defs"] = defs
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(root); err != nil {
		return nil, fmt.Errorf("schema of the plan file: %w", err)
	}
	return b.Bytes(), nil
}

// parts are the shapes that the schema names once and refers to.
func parts() map[string]shape {
	return map[string]shape{
		"handset":  handsetShape,
		"set":      setShape(),
		"scenario": scenarioShape,
		"step":     stepShape,
		"evidence": evidenceShape,
		"plan":     planShape,
		"night":    nightShape,
		"day_mix":  dayMixShape,
	}
}

// lift replaces each occurrence of a named part by a reference to it, and puts the part
// into defs.
func lift(s any, defs map[string]any) any {
	known := map[string]any{}
	for name, p := range parts() {
		known[name] = asJSON(p.schema())
	}
	var walk func(v any, inside string) any
	walk = func(v any, inside string) any {
		switch v := v.(type) {
		case map[string]any:
			plain := asJSON(v).(map[string]any)
			about, described := plain["description"]
			delete(plain, "description")
			for name, def := range known {
				if name == inside || !reflect.DeepEqual(plain, def) {
					continue
				}
				if defs[name] == nil {
					defs[name] = true // being made
					defs[name] = walk(def, name)
				}
				ref := map[string]any{"$ref": "#/$defs/" + name}
				if described {
					ref["description"] = about
				}
				return ref
			}
			out := map[string]any{}
			for k, w := range v {
				out[k] = walk(w, "")
			}
			return out
		case []any:
			out := make([]any, len(v))
			for i, w := range v {
				out[i] = walk(w, "")
			}
			return out
		}
		return v
	}
	return walk(s, "")
}

// asJSON is a value as encoding/json would read it back, so that two can be compared.
func asJSON(v any) any {
	b, err := json.Marshal(v)
	if err != nil { // maps, lists, text and numbers only
		panic(fmt.Sprintf("scenarios: schema: %v", err))
	}
	var out any
	if err := json.Unmarshal(b, &out); err != nil {
		panic(fmt.Sprintf("scenarios: schema: %v", err))
	}
	return out
}
