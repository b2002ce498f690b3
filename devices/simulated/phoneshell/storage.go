package phoneshell

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// byteCount reads 512, 4k, 1M, 2kB.
func byteCount(s string) (int64, bool) {
	unit := int64(1)
	t := strings.TrimRight(s, "kKMGbBc")
	switch suffix := strings.ToLower(s[len(t):]); suffix {
	case "", "c":
	case "b":
		unit = 512
	case "k":
		unit = 1 << 10
	case "m":
		unit = 1 << 20
	case "g":
		unit = 1 << 30
	default:
		return 0, false
	}
	n, err := strconv.ParseInt(t, 10, 64)
	return n * unit, err == nil && n >= 0 && n < 1<<33/unit
}

func cmdDd(_ context.Context, p *Proc, args []string) int {
	in, out := "-", ""
	bs, skip, seek, count := int64(512), int64(0), int64(0), int64(-1)
	trunc, quiet := true, false
	for _, a := range args[1:] {
		k, v, _ := strings.Cut(a, "=")
		var ok bool
		switch k {
		case "if":
			in, ok = v, true
		case "of":
			out, ok = v, true
		case "bs", "ibs", "obs":
			bs, ok = byteCount(v)
			ok = ok && bs > 0 && bs <= 1<<26
		case "skip":
			skip, ok = byteCount(v)
		case "seek":
			seek, ok = byteCount(v)
		case "count":
			count, ok = byteCount(v)
		case "status":
			quiet, ok = v == "none" || v == "noxfer", true
		case "conv":
			ok = true
			for c := range strings.SplitSeq(v, ",") {
				switch c {
				case "notrunc":
					trunc = false
				case "fsync", "sync", "noerror":
				default:
					ok = false
				}
			}
		}
		if !ok {
			p.Errorf("dd", "%s: unsupported on a simulated phone", a)
			return 2
		}
	}
	r, err := p.open(in)
	if err != nil {
		return p.Errorf("dd", "%s: %s", in, errText(err))
	}
	var w io.Writer = p.Stdout
	if out != "" {
		n, err := p.create(out, trunc && seek == 0, 0o644)
		if err != nil {
			return p.Errorf("dd", "%s: %s", out, errText(err))
		}
		n.off = seek * bs
		w = fdWriter{p.proc, newFile(n)}
	}
	block := make([]byte, bs)
	for range skip {
		if _, err := io.ReadFull(r, block); err != nil {
			break
		}
	}
	var full, part, total int64
	for count < 0 || full+part < count {
		n, err := io.ReadFull(r, block)
		if n > 0 {
			if _, werr := w.Write(block[:n]); werr != nil {
				return p.Errorf("dd", "%s: %s", out, errText(werr))
			}
			total += int64(n)
			if int64(n) == bs {
				full++
			} else {
				part++
			}
		}
		if err != nil {
			break
		}
	}
	if !quiet {
		fmt.Fprintf(p.Stderr, "%d+%d records in\n%d+%d records out\n%d bytes copied\n", full, part, full, part, total)
	}
	return 0
}

func cmdDf(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "hk")
	if !ok {
		return 1
	}
	const total = int64(110) << 30
	free := total - p.M.fs.Used()
	if p.M.opt.FreeBytes != nil {
		free = max(p.M.opt.FreeBytes(), 0)
	}
	if len(rest) == 0 {
		rest = []string{"/data"}
	}
	show := func(n int64) string {
		if has(flags, 'h') {
			return human(n)
		}
		return strconv.FormatInt(n/1024, 10)
	}
	unit := "1K-blocks"
	if has(flags, 'h') {
		unit = "     Size"
	}
	fmt.Fprintf(p.Stdout, "Filesystem     %s     Used Available Use%% Mounted on\n", unit)
	status := 0
	for _, a := range rest {
		full := p.Path(a)
		if _, err := p.M.fs.Stat(full); err != nil {
			status = p.Errorf("df", "'%s': %s", a, errText(err))
			continue
		}
		mount, dev := "/data", "/dev/block/dm-5"
		if strings.HasPrefix(full, "/storage") || strings.HasPrefix(full, "/sdcard") {
			mount, dev = "/storage/emulated", "/dev/fuse"
		}
		fmt.Fprintf(p.Stdout, "%-14s %9s %8s %9s %3d%% %s\n", dev, show(total), show(total-free), show(free), (total-free)*100/total, mount)
	}
	return status
}
