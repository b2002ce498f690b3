package simulated

import (
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"time"
)

// register gives a file of the shared storage its place in the media store.
func (h *Handset) register(file string) {
	if _, ok := h.media[file]; ok {
		return
	}
	h.lastMedia++
	h.media[file] = h.lastMedia
}

// scan brings the media store up to what is on the shared storage. A file that was
// pushed is not known before.
func (h *Handset) scan() {
	found := map[string]bool{}
	var walk func(dir string)
	walk = func(dir string) {
		entries, err := h.machine.FS().ReadDir(dir)
		if err != nil {
			return
		}
		for _, e := range entries {
			p := path.Join(dir, e.Name())
			if e.IsDir() {
				if _, err := h.machine.FS().Stat(path.Join(p, ".nomedia")); err != nil && e.Name() != "Android" {
					walk(p)
				}
				continue
			}
			if e.Type()&fs.ModeType == 0 && mediaKind(p) != "" {
				found[p] = true
			}
		}
	}
	walk("/sdcard")
	h.do(func() {
		for _, p := range slices.Sorted(maps.Keys(found)) {
			h.register(p)
		}
		maps.DeleteFunc(h.media, func(p string, _ int) bool { return !found[p] })
	})
}

func mediaKind(file string) string {
	switch strings.ToLower(path.Ext(file)) {
	case ".mp4", ".mkv", ".webm", ".3gp":
		return "video"
	case ".jpg", ".jpeg", ".png":
		return "images"
	case ".mp3", ".ogg", ".m4a":
		return "audio"
	}
	return ""
}

// content is the command that asks content providers.
func content(h *Handset, c *call) int {
	if !h.wait(c, max(h.toolDelay(0), 500*time.Millisecond)) {
		return killed
	}
	var uri, method, argument, where string
	for i := 1; i+1 < len(c.args); i++ {
		switch c.args[i] {
		case "--uri":
			uri = c.args[i+1]
		case "--method":
			method = c.args[i+1]
		case "--arg":
			argument = c.args[i+1]
		case "--where":
			where = c.args[i+1]
		}
	}
	switch {
	case c.arg(0) == "query" && strings.HasPrefix(uri, "content://media/external/"):
		kind, _, _ := strings.Cut(strings.TrimPrefix(uri, "content://media/external/"), "/")
		return h.mediaRows(c, kind, where)
	case c.arg(0) == "call" && strings.HasPrefix(uri, "content://media") && method == "scan_volume" && h.ways.scanByCall:
		if argument != "external_primary" {
			c.say("Result: null\n")
			return 0
		}
		h.scan()
		c.say("Result: Bundle[{}]\n")
		return 0
	case c.arg(0) == "call" && strings.HasPrefix(uri, "content://media") && method == "scan_file" && h.ways.scanByCall:
		h.scan()
		c.say("Result: Bundle[{}]\n")
		return 0
	case c.arg(0) == "query" && strings.HasPrefix(uri, "content://settings/"):
		space := strings.TrimPrefix(uri, "content://settings/")
		return h.show(c, func(p *page) {
			for i, k := range slices.Sorted(maps.Keys(h.settings[space])) {
				p.line("Row: %d _id=%d, name=%s, value=%s", i, i+1, k, h.settings[space][k])
			}
		})
	}
	return c.fail(1, "[ERROR] Unsupported operation: %s\n", strings.Join(c.args, " "))
}

// mediaRows prints the rows of one media table. The one condition that is understood is
// an equality or a LIKE on _data or _display_name; another one is refused.
func (h *Handset) mediaRows(c *call, kind, where string) int {
	match := func(string) bool { return true }
	if where != "" {
		column, pattern, ok := condition(where)
		if !ok {
			return c.fail(1, "Error while accessing provider:media\nandroid.database.sqlite.SQLiteException: near %q: syntax error (code 1)\n", where)
		}
		match = func(p string) bool {
			data := strings.Replace(p, "/sdcard", "/storage/emulated/0", 1)
			if column == "_display_name" {
				data = path.Base(p)
			}
			return like(pattern, data)
		}
	}
	return h.show(c, func(p *page) {
		n := 0
		for _, file := range slices.SortedFunc(maps.Keys(h.media), func(a, b string) int { return h.media[a] - h.media[b] }) {
			if k := mediaKind(file); k == kind && match(file) || kind == "file" && match(file) {
				p.line("Row: %d _id=%d, _data=%s", n, h.media[file], strings.Replace(file, "/sdcard", "/storage/emulated/0", 1))
				n++
			}
		}
		if n == 0 {
			p.line("No result found.")
		}
	})
}

func condition(where string) (column, pattern string, ok bool) {
	for _, op := range []string{"=", " LIKE ", " like "} {
		column, pattern, ok = strings.Cut(where, op)
		if ok {
			column, pattern = strings.TrimSpace(column), strings.Trim(strings.TrimSpace(pattern), `'"`)
			if op == "=" {
				pattern = strings.NewReplacer("%", "\x00").Replace(pattern)
			}
			return column, pattern, column == "_data" || column == "_display_name"
		}
	}
	return "", "", false
}

// like matches SQL's pattern, in which % stands for any text.
func like(pattern, s string) bool {
	parts := strings.Split(pattern, "%")
	if len(parts) == 1 {
		return strings.ReplaceAll(pattern, "\x00", "%") == s
	}
	if !strings.HasPrefix(s, parts[0]) || !strings.HasSuffix(s, parts[len(parts)-1]) {
		return false
	}
	s = s[len(parts[0]):]
	for _, part := range parts[1 : len(parts)-1] {
		i := strings.Index(s, part)
		if i < 0 {
			return false
		}
		s = s[i+len(part):]
	}
	return len(s) >= len(parts[len(parts)-1])
}
