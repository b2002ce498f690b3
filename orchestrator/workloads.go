package orchestrator

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
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
	// Hash is the one that segments of it are stored with: SHA-256, hex, over the scenario
	// compiled for a reference handset, what the stage serves for it and the clip that it
	// plays. It ends in "+shell" when the scenario has commands of its own. Of a page that
	// no scenario opens it is the page's. Empty where a clip is played and there is none.
	Hash string `json:"hash,omitempty"`
	// Activity, ContentVersion and ContentHash (SHA-256, hex) tell what the stage serves for it.
	Activity       string `json:"activity,omitempty"`
	ContentVersion string `json:"content_version,omitempty"`
	ContentHash    string `json:"content_hash,omitempty"`
	ClipSHA256     string `json:"clip_sha256,omitempty"`
	// Bytes is what reaches the handset: one visit to each page, one turn of a call's
	// pictures and sound, or the clip; 0 where nothing does, or the clip is not known.
	Bytes   int64    `json:"bytes"`
	Needs   []string `json:"needs"`         // what it asks of the handset, for a person
	Ask     string   `json:"ask,omitempty"` // what a person may have to do once
	BuiltIn bool     `json:"built_in"`
}

// Workloads lists the scenarios of a plan file, the built-in ones among them, by name,
// then the pages of the stage that no scenario opens. The first call in a process takes
// seconds: it makes the pages that are hashed, and reads the clip.
func Workloads(ctx context.Context, file scenarios.File) []Workload {
	return workloads(ctx, file, newLabClip(file.Bench.Clip))
}

// Workloads lists what the handsets of this bench can be given to do.
func (d *Daemon) Workloads(ctx context.Context) []Workload { return workloads(ctx, d.file, d.clip) }

// workloadHash joins a scenario's hash with those of the pages that the stage serves for
// it and of the clip: where one of them changed it is another load. What the hash ends in
// ("+shell") stays.
func workloadHash(hash, activity, clipSHA256 string) string {
	own, mark, marked := strings.Cut(hash, "+")
	for _, with := range []string{stage.WorkloadHash(activity), clipSHA256} {
		if with != "" {
			sum := sha256.Sum256([]byte(own + "\n" + with))
			own = hex.EncodeToString(sum[:])
		}
	}
	if marked {
		return own + "+" + mark
	}
	return own
}

func workloads(ctx context.Context, file scenarios.File, film *labClip) []Workload {
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
			Name: name, About: s.About, Version: s.Version, Activity: s.Stage, Ask: s.Ask,
			BuiltIn: same && base.Hash() == s.Hash(), Needs: asksOf(s, served[s.Stage].Needs),
		}
		if page, ok := served[s.Stage]; ok {
			opened[s.Stage] = true
			w.ContentVersion, w.ContentHash, w.Bytes = page.Version, page.Hash, page.Bytes
		}
		if !s.NeedsClip() {
			w.Hash = workloadHash(s.Hash(), s.Stage, "")
		} else if f, err := film.read(ctx); err == nil {
			w.Hash, w.ClipSHA256 = workloadHash(s.Hash(), s.Stage, f.SHA256), f.SHA256
			w.Bytes += f.Bytes
		}
		list = append(list, w)
	}
	for _, name := range slices.Sorted(maps.Keys(served)) {
		if page := served[name]; !opened[name] {
			list = append(list, Workload{
				Name: name, About: page.About, Version: page.Version, Hash: page.Hash, Activity: name,
				ContentVersion: page.Version, ContentHash: page.Hash, Bytes: page.Bytes, Needs: []string{page.Needs}, BuiltIn: true,
			})
		}
	}
	return list
}

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
