package doctor

import (
	"context"
	"errors"
	"os"
	"strings"
	"time"

	"rundown/scenarios/clip"
)

// clip looks at the lab's film and at what makes one.
func (e *examination) clip(ctx context.Context) []Finding {
	var list []Finding
	path, have := e.o.File.Bench.Clip, false
	if len(e.needs.clip) > 0 {
		f := Finding{Area: "clip", Name: "file " + path, Verdict: Fine, Required: true}
		info, err := os.Stat(path)
		switch {
		case path == "":
			f.Name, f.Verdict, f.Found = "file", Wrong, "the plan file names none"
			f.Mend = "`rundown workload clip` makes one; name it under bench.clip"
		case err != nil:
			f.Verdict, f.Found, f.Mend = Wrong, oneLine(err), "correct bench.clip, or make it with `rundown workload clip`"
		default:
			have = true
			f.Found = size(info.Size()) + ", for " + strings.Join(e.needs.clip, ", ")
			bounded, cancel := context.WithTimeout(ctx, patience)
			length, err := clip.Length(bounded, path)
			cancel()
			switch {
			case errors.Is(err, clip.ErrNoFFmpeg):
			case err != nil:
				f.Verdict, f.Found, f.Mend = Wrong, oneLine(err), "it is no film that can be played: make another"
			default:
				f.Found = length.Round(time.Second).String() + ", " + f.Found
			}
		}
		list = append(list, f)
	}
	for _, program := range []string{"ffmpeg", "ffprobe"} {
		f := Finding{Area: "clip", Name: program, Verdict: Fine, Required: len(e.needs.clip) > 0 && !have}
		out, err := e.o.Host.Command(ctx, program, "-version")
		switch {
		case missing(err):
			f.Verdict, f.Found, f.Mend = Look, "not installed", "needed to make a clip and to read its length: apt-get install ffmpeg"
			if f.Required {
				f.Verdict = Wrong
			}
		case err != nil:
			f.Verdict, f.Found, f.Mend = Unread, oneLine(err), "run `"+program+" -version` by hand and see"
		default:
			f.Found, _, _ = strings.Cut(firstLine(out), " Copyright")
			if program == "ffmpeg" {
				e.encoders(ctx, &f)
			}
		}
		list = append(list, f)
	}
	return list
}

// encoders are those that the recipes of the lab's clip use.
func (e *examination) encoders(ctx context.Context, f *Finding) {
	out, err := e.o.Host.Command(ctx, "ffmpeg", "-hide_banner", "-encoders")
	if err != nil {
		f.Verdict, f.Found, f.Mend = Unread, f.Found+"; "+oneLine(err), "run `ffmpeg -encoders` by hand and see"
		return
	}
	var lacks []string
	for _, c := range []struct{ encoder, codec string }{{"libx265", "HEVC"}, {"libx264", "H.264"}} {
		has := false
		for line := range strings.Lines(out) {
			words := strings.Fields(line)
			has = has || len(words) > 1 && words[1] == c.encoder
		}
		if !has {
			lacks = append(lacks, c.codec+" ("+c.encoder+")")
		}
	}
	if len(lacks) == 0 {
		f.Found += ", makes HEVC and H.264"
		return
	}
	f.Verdict, f.Found = Look, f.Found+", cannot make "+strings.Join(lacks, " and ")
	f.Mend = "install an ffmpeg with these encoders (Debian's has them), or have the clip made on another host"
}
