package orchestrator

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"rundown/scenarios"
	"rundown/scenarios/stage"
)

// A Workload is what a handset can be given to do, as a list of workloads shows it.
// Results of different hashes must not be compared silently.
type Workload struct {
	Name    string `json:"name"`
	About   string `json:"about"`
	Version string `json:"version"`
	// Hash is the SHA-256 of the scenario, compiled for a reference handset, hex; it ends
	// in "+shell" when the scenario has commands of its own. Empty for a page of the stage
	// that no scenario opens.
	Hash string `json:"hash,omitempty"`
	// Activity, ContentVersion and ContentHash (SHA-256, hex) tell what the stage serves for it.
	Activity       string `json:"activity,omitempty"`
	ContentVersion string `json:"content_version,omitempty"`
	ContentHash    string `json:"content_hash,omitempty"`
	// Bytes is what reaches the handset: one visit to each page, one turn of a call's
	// pictures and sound, or the clip; 0 where nothing does, or the clip is not known.
	Bytes   int64    `json:"bytes"`
	Needs   []string `json:"needs"`         // what it asks of the handset, for a person
	Ask     string   `json:"ask,omitempty"` // what a person may have to do once
	BuiltIn bool     `json:"built_in"`
}

// Workloads lists the scenarios of a plan file, the built-in ones among them, by name,
// then the pages of the stage that no scenario opens. The first call in a process takes a
// second or two: it makes the pages that are hashed.
func Workloads(file scenarios.File) []Workload {
	served := map[string]stage.Workload{}
	for _, w := range stage.Workloads() {
		served[w.Name] = w
	}
	builtIn, opened := scenarios.Builtin(), map[string]bool{}
	var list []Workload
	for _, name := range slices.Sorted(maps.Keys(file.Scenarios)) {
		s := file.Scenarios[name]
		base, same := builtIn[name]
		w := Workload{
			Name: name, About: s.About, Version: s.Version, Hash: s.Hash(), Activity: s.Stage, Ask: s.Ask,
			BuiltIn: same && base.Hash() == s.Hash(), Needs: asksOf(s, served[s.Stage].Needs),
		}
		if page, ok := served[s.Stage]; ok {
			opened[s.Stage] = true
			w.ContentVersion, w.ContentHash, w.Bytes = page.Version, page.Hash, page.Bytes
		}
		if s.NeedsClip() {
			if info, err := os.Stat(file.Bench.Clip); err == nil && info.Mode().IsRegular() {
				w.Bytes += info.Size()
			}
		}
		list = append(list, w)
	}
	for _, name := range slices.Sorted(maps.Keys(served)) {
		if page := served[name]; !opened[name] {
			list = append(list, Workload{
				Name: name, About: page.About, Version: page.Version, Activity: name,
				ContentVersion: page.Version, ContentHash: page.Hash, Bytes: page.Bytes, Needs: []string{page.Needs}, BuiltIn: true,
			})
		}
	}
	return list
}

// Workloads lists what the handsets of this bench can be given to do.
func (d *Daemon) Workloads() []Workload { return Workloads(d.file) }

// asksOf says what a scenario asks of a handset; stageNeeds is what its page does.
func asksOf(s scenarios.Scenario, stageNeeds string) []string {
	var all []string
	add := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	if stageNeeds != "" {
		add("%s", stageNeeds)
	}
	for _, role := range s.Roles() {
		switch {
		case role == "browser" && stageNeeds != "":
		case role == "browser":
			add("a browser")
		case role == "player":
			add("a video player")
		case role == "camera":
			add("a camera app")
		}
	}
	if s.NeedsClip() {
		add("room for the lab's clip")
	}
	if s.NeedsCounterpart() {
		add("a SIM, and a counterpart who answers")
	}
	for _, pkg := range s.Packages() {
		add("%s installed", pkg)
	}
	for _, who := range slices.Sorted(maps.Keys(s.Permissions)) {
		add("%s for the %s, granted by a command", strings.Join(s.Permissions[who], " and "), who)
	}
	if s.Until == scenarios.UntilFull {
		add("a charger behind a power gate")
	}
	if s.StartLevel != nil {
		add("a start at %g to %g %%", s.StartLevel.Least, s.StartLevel.Most)
	}
	if all == nil {
		add("nothing")
	}
	return all
}
