package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"golang.org/x/term"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/scenarios"
	"rundown/scenarios/clip"
)

type workloadCmd struct {
	List workloadListCmd `cmd:"" help:"List scenarios and pages with version, hash, size and what they ask of a handset."`
	Clip workloadClipCmd `cmd:"" help:"Make the video that the scenario video plays, by a fixed recipe, with ffmpeg."`
}

type workloadListCmd struct {
	File string `help:"List those of a plan file, without a daemon." placeholder:"PLANFILE"`
}

func (c *workloadListCmd) Help() string {
	return "Without --file: those of the running daemon's plan file, or the built-in ones where no daemon runs.\n" +
		"The hash is the one that segments are stored with: over script, pages and clip. Results under different hashes are\n" +
		"of different workloads. --json gives hashes whole, those of pages and clip apart, and what a person may have to do once."
}

func (c *workloadListCmd) Run(e *env) error {
	var list []orchestrator.Workload
	if c.File != "" {
		file, err := scenarios.Load(c.File)
		if err != nil {
			return err
		}
		list = orchestrator.Workloads(e.ctx, file)
	} else {
		var err error
		list, err = e.client.Workloads(e.ctx)
		switch {
		case errors.Is(err, api.ErrNoDaemon):
			fmt.Fprintln(e.errOut, "No daemon answers: these are the built-in ones. --file PLANFILE lists a plan file's.")
			list = orchestrator.Workloads(e.ctx, scenarios.File{Scenarios: scenarios.Builtin()})
		case err != nil:
			return err
		}
	}
	if e.json {
		return e.printJSON(list)
	}
	rows := [][]string{{"NAME", "VERSION", "HASH", "SIZE", "ASKS OF THE HANDSET"}}
	for _, w := range list {
		rows = append(rows, []string{w.Name, w.Version, dash(short(w.Hash)), size(w.Bytes), strings.Join(w.Needs, "; ")})
	}
	table(e.out, rows...)
	return nil
}

// short is a hash as a table shows it; that a workload has commands of its own stays.
func short(hash string) string {
	const most = 12
	if len(hash) <= most {
		return hash
	}
	if strings.HasSuffix(hash, "+shell") {
		return hash[:most] + "+shell"
	}
	return hash[:most]
}

func size(bytes int64) string {
	switch {
	case bytes == 0:
		return "-"
	case bytes < 1e6:
		return fmt.Sprintf("%.0f kB", max(1, float64(bytes)/1e3))
	}
	return fmt.Sprintf("%.1f MB", float64(bytes)/1e6)
}

type workloadClipCmd struct {
	Out    string        `arg:"" optional:"" help:"File to make; left out: a name that tells the recipe, in this folder. Nothing is overwritten."`
	Codec  string        `help:"hevc or h264." enum:"hevc,h264" default:"hevc"`
	FPS    int           `help:"Frames a second: 30 or 60." name:"fps" default:"30"`
	Length time.Duration `help:"How long, rounded up to whole ten seconds." default:"10m" placeholder:"DURATION"`
	Size   string        `help:"Width and height, px." default:"3840x2160" placeholder:"WxH"`
}

func (c *workloadClipCmd) Help() string {
	return fmt.Sprintf(`Pictures from a fixed seed, moving, with an average level of %d %% in every one of them, and sound. They come again
after ten seconds without a seam. The full size takes minutes on two cores and about 1.2 GB as hevc, twice that as h264.
Players that do not repeat a clip by themselves are started again; let it be ten minutes long at least.

Examples:
  rundown workload clip
  rundown workload clip /srv/rundown/clip.mp4 --codec h264 --fps 60`, clip.AverageLevelPct)
}

var sizeForm = regexp.MustCompile(`^([0-9]{1,5})x([0-9]{1,5})$`)

func (c *workloadClipCmd) Run(e *env) error {
	m := sizeForm.FindStringSubmatch(c.Size)
	if m == nil {
		return fmt.Errorf("--size: want width and height such as 3840x2160, got %q", c.Size)
	}
	recipe := clip.Recipe{Codec: c.Codec, FPS: c.FPS, Length: c.Length}
	recipe.Width, _ = strconv.Atoi(m[1])
	recipe.Height, _ = strconv.Atoi(m[2])
	out := c.Out
	if out == "" {
		out = recipe.Name()
	}
	if info, err := os.Stat(out); err == nil && info.IsDir() {
		out = filepath.Join(out, recipe.Name())
	}
	full, err := filepath.Abs(out)
	if err != nil {
		return err
	}
	if err := recipe.Check(); err != nil {
		return err
	}
	bar := newClipProgress(e, fmt.Sprintf("%s: about %s; Ctrl-C ends it and leaves nothing behind.", out, size(recipe.Estimate())))
	info, err := clip.Make(e.ctx, full, recipe, bar.show)
	bar.end()
	switch {
	case e.ctx.Err() != nil:
		return errors.New("interrupted; no clip was made")
	case err != nil:
		return err
	}
	if e.json {
		return e.printJSON(struct {
			File    string  `json:"file"`
			Recipe  string  `json:"recipe_version"`
			Width   int     `json:"width_px"`
			Height  int     `json:"height_px"`
			LengthS float64 `json:"length_s"`
			clip.Info
		}{full, clip.Version, info.Width, info.Height, info.Length.Seconds(), info})
	}
	fmt.Fprintf(e.out, "file      %s, %s\n", full, size(info.Bytes))
	fmt.Fprintf(e.out, "sha-256   %s\n", info.SHA256)
	fmt.Fprintf(e.out, "pictures  %s %s, %d x %d, %g a second, %d in all, average level %d %%\n", info.Codec, info.Profile, info.Width, info.Height, info.FPS, info.Frames, clip.AverageLevelPct)
	fmt.Fprintf(e.out, "sound     %s, %d channels\n", info.Sound, info.Channels)
	fmt.Fprintf(e.out, "length    %s\n\n", info.Length.Round(10*time.Millisecond))
	fmt.Fprintf(e.out, "In the plan file:\n\n  bench:\n    clip: %s\n", yamlWord(full))
	if info.Length < 10*time.Minute {
		fmt.Fprintln(e.errOut, "\nThis clip is shorter than ten minutes: good for a trial. In a measured segment the seams would count.")
	}
	return nil
}

var plainPath = regexp.MustCompile(`^[A-Za-z0-9_./-]+$`)

// yamlWord is a path as a plan file takes it.
func yamlWord(path string) string {
	if plainPath.MatchString(path) {
		return path
	}
	return "'" + strings.ReplaceAll(path, "'", "''") + "'"
}

// clipProgress shows how far a clip is: one line that is written over on a terminal, else
// a line each tenth.
type clipProgress struct {
	e        *env
	first    string // a line before the first
	terminal bool
	began    time.Time
	shown    string
	tenth    int
}

func newClipProgress(e *env, first string) *clipProgress {
	f, ok := e.errOut.(*os.File)
	return &clipProgress{e: e, first: first, terminal: ok && term.IsTerminal(int(f.Fd())), began: time.Now(), tenth: -1}
}

func (p *clipProgress) show(done float64, what string) {
	if p.first != "" {
		fmt.Fprintln(p.e.errOut, p.first)
		p.first = ""
	}
	text := fmt.Sprintf("%3.0f %%  %s", 100*done, what)
	if took := time.Since(p.began); done > 0.02 && done < 1 && took > 3*time.Second {
		text += fmt.Sprintf(", about %s left", time.Duration(float64(took)*(1-done)/done).Round(time.Second))
	}
	switch tenth := int(10 * done); {
	case text == p.shown:
	case p.terminal:
		fmt.Fprintf(p.e.errOut, "\r%-60s", text)
	case tenth > p.tenth:
		p.tenth = tenth
		fmt.Fprintln(p.e.errOut, text)
	}
	p.shown = text
}

func (p *clipProgress) end() {
	if p.terminal && p.shown != "" {
		fmt.Fprintln(p.e.errOut)
	}
}
