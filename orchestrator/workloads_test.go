package orchestrator

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"rundown/scenarios"
	"rundown/scenarios/stage"
)

func TestWorkloadsOfAPlanFile(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "scenarios.example.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	file, err := scenarios.Parse("scenarios.example.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	file.Bench.Clip = filepath.Join("demo", "clip.mp4")
	list := Workloads(t.Context(), file)
	of := map[string]Workload{}
	for _, w := range list {
		if of[w.Name].Name != "" || w.About == "" || w.Version == "" || len(w.Needs) == 0 {
			t.Errorf("%+v: named twice, or something is missing", w)
		}
		of[w.Name] = w
	}
	for name, s := range file.Scenarios {
		w := of[name]
		if (w.Hash == s.Hash()) == (s.Stage != "" || s.NeedsClip()) || len(w.Hash) < 64 || w.Activity != s.Stage || strings.HasSuffix(w.Hash, "+shell") != s.HasShell() {
			t.Errorf("%s: hash %q, activity %q; the scenario's own are %q, %q", name, w.Hash, w.Activity, s.Hash(), s.Stage)
		}
		if s.Stage != "" && of[name].ContentHash != stage.WorkloadHash(s.Stage) {
			t.Errorf("%s: content %q, want the stage's", name, of[name].ContentHash)
		}
	}
	none := []string{"light", "speed"} // pages of the stage that no scenario opens
	if len(list) != len(file.Scenarios)+len(none) {
		t.Errorf("%d workloads; want every scenario, and the pages %q", len(list), none)
	}
	for _, page := range none {
		if of[page].ContentHash == "" || of[page].Hash != of[page].ContentHash {
			t.Errorf("%s: %+v; want its content's hash", page, of[page])
		}
	}
	for name, want := range map[string]string{
		"kart": "org.example.kart installed", "video": "room for the lab's clip", "voicecall": "counterpart", "camera": "camera and microphone for the camera",
		"charge": "power gate", "idle": "nothing", "slow_browse": "a browser",
	} {
		if !slices.ContainsFunc(of[name].Needs, func(n string) bool { return strings.Contains(n, want) }) {
			t.Errorf("%s asks for %q, want %q among it", name, of[name].Needs, want)
		}
	}
	if of["browse"].BuiltIn != true || of["slow_browse"].BuiltIn || of["slow_browse"].Hash == of["browse"].Hash {
		t.Errorf("browse %+v, slow_browse %+v: one is built in, the other is not", of["browse"], of["slow_browse"])
	}
	film := of["video"]
	file.Bench.Clip = filepath.Join("demo", "bench.yaml") // another clip, as far as its hash goes
	for _, w := range Workloads(t.Context(), file) {
		if (w.Hash == of[w.Name].Hash) == (w.Name == "video") || w.Name == "video" && w.ClipSHA256 == film.ClipSHA256 {
			t.Errorf("with another clip %s has hash %q, before %q", w.Name, w.Hash, of[w.Name].Hash)
		}
	}
	file.Bench.Clip = ""
	for _, w := range Workloads(t.Context(), file) {
		if w.Name == "video" && (w.Hash != "" || w.Bytes != 0) {
			t.Errorf("without a clip: %+v", w)
		}
	}
	file.Bench.Clip = filepath.Join("demo", "clip.mp4")
	if info, err := os.Stat(file.Bench.Clip); err != nil || of["video"].Bytes != info.Size() || of["browse"].Bytes < 12*300_000 || of["idle"].Bytes != 0 {
		t.Errorf("bytes: video %d, browse %d, idle %d", of["video"].Bytes, of["browse"].Bytes, of["idle"].Bytes)
	}
}
