package phoneshell

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"
)

// toolbox holds those of toybox's commands that the product's own command lines use, with a
// few that tests cannot do without. What is not there says so and fails, an option as well
// as a command: one that is silently skipped would make a script pass here and fail on a
// phone.
var toolbox map[string]Command

func init() {
	toolbox = map[string]Command{
		"cat": cmdCat, "ls": cmdLs, "rm": cmdRm, "mkdir": cmdMkdir, "mv": cmdMv, "cp": cmdCp, "ln": cmdLn, "touch": cmdTouch,
		"chmod": cmdChmod, "chown": cmdNothing, "stat": cmdStat, "df": cmdDf, "dd": cmdDd, "sync": cmdNothing, "sha256sum": digest(sha256.New),
		"wc": cmdWc, "head": cmdHead, "tail": cmdTail, "grep": cmdGrep, "seq": cmdSeq, "yes": cmdYes,
		"echo": cmdEcho, "printf": cmdPrintf, "true": cmdNothing, "false": func(context.Context, *Proc, []string) int { return 1 },
		"date": cmdDate, "sleep": cmdSleep, "id": cmdID, "pwd": cmdPwd, "kill": cmdKill, "log": cmdNothing,
	}
}

// options reads toybox's mixed options and operands: letters of spec, a letter followed
// by ':' takes a value. ok is false after a complaint.
func (p *Proc) options(args []string, spec string) (flags map[byte]string, rest []string, ok bool) {
	flags = map[byte]string{}
	name := args[0]
	for i := 1; i < len(args); i++ {
		a := args[i]
		if a == "--" {
			return flags, append(rest, args[i+1:]...), true
		}
		if len(a) < 2 || a[0] != '-' {
			rest = append(rest, a)
			continue
		}
		for j := 1; j < len(a); j++ {
			at := strings.IndexByte(spec, a[j])
			if at < 0 || a[j] == ':' {
				p.Errorf(name, "Unknown option '%s' (see \"%s --help\"; this is a simulated phone)", a[j:], name)
				return nil, nil, false
			}
			if at+1 < len(spec) && spec[at+1] == ':' {
				value := a[j+1:]
				if value == "" {
					if i++; i >= len(args) {
						p.Errorf(name, "Missing argument to -%c", a[j])
						return nil, nil, false
					}
					value = args[i]
				}
				flags[a[j]] = value
				break
			}
			flags[a[j]] = "1"
		}
	}
	return flags, rest, true
}

func has(flags map[byte]string, c byte) bool { _, ok := flags[c]; return ok }

// open reads a file as the shell user; "-" is standard input.
func (p *Proc) open(name string) (io.Reader, error) {
	if name == "-" {
		return p.Stdin, nil
	}
	n, err := p.M.fs.openNode(p.Path(name), true, false, false, false, 0)
	if err != nil {
		return nil, err
	}
	if n.kind == kindDir {
		_, err := p.M.fs.content(n)
		return nil, err
	}
	return fdReader{p.proc, newFile(&nodeFile{fs: p.M.fs, n: n, reads: true})}, nil
}

// create writes a file as the shell user.
func (p *Proc) create(name string, trunc bool, perm fs.FileMode) (*nodeFile, error) {
	n, err := p.M.fs.openNode(p.Path(name), true, true, true, trunc, perm)
	if err != nil {
		return nil, err
	}
	return &nodeFile{fs: p.M.fs, n: n, writes: true}, nil
}

// inputs runs body on each named file, or on standard input when there is none.
func (p *Proc) inputs(name string, files []string, body func(file string, r io.Reader) int) int {
	if len(files) == 0 {
		files = []string{"-"}
	}
	status := 0
	for _, f := range files {
		r, err := p.open(f)
		if err != nil {
			status = p.Errorf(name, "%s: %s", f, errText(err))
			continue
		}
		if s := body(f, r); s != 0 {
			status = s
		}
	}
	return status
}

// lines calls body for each line without its end, until body returns false.
func lines(r io.Reader, body func(line string, ended bool) bool) {
	if d, ok := r.(fdReader); ok && d.f != nil {
		for {
			b, err := d.f.readLine(d.p.ctx, '\n')
			if len(b) > 0 {
				s := string(b)
				t := strings.TrimSuffix(s, "\n")
				if !body(t, len(t) < len(s)) {
					return
				}
			}
			if err != nil {
				return
			}
		}
	}
	rest := string(readAll(r))
	for rest != "" {
		line, after, ended := strings.Cut(rest, "\n")
		if !body(line, ended) {
			return
		}
		rest = after
	}
}

// A collector gathers output and writes it in large pieces; false after the reader left.
type collector struct {
	w   io.Writer
	b   []byte
	err error
}

func (c *collector) print(s ...string) bool {
	for _, t := range s {
		c.b = append(c.b, t...)
	}
	if len(c.b) > 16<<10 {
		return c.flush()
	}
	return c.err == nil
}

func (c *collector) flush() bool {
	if len(c.b) > 0 && c.err == nil {
		_, c.err = c.w.Write(c.b)
	}
	c.b = c.b[:0]
	return c.err == nil
}

func (c *collector) end() int {
	if !c.flush() {
		return 1
	}
	return 0
}

func cmdNothing(context.Context, *Proc, []string) int { return 0 }

func cmdCat(_ context.Context, p *Proc, args []string) int {
	_, rest, ok := p.options(args, "u")
	if !ok {
		return 1
	}
	return p.inputs("cat", rest, func(f string, r io.Reader) int {
		if _, err := io.Copy(p.Stdout, onlyReader{r}); err != nil {
			if p.proc.dead() {
				return 1
			}
			return p.Errorf("cat", "%s: %s", f, errText(err))
		}
		return 0
	})
}

type onlyReader struct{ io.Reader }

func cmdYes(_ context.Context, p *Proc, args []string) int {
	s := "y\n"
	if len(args) > 1 {
		s = strings.Join(args[1:], " ") + "\n"
	}
	for {
		if _, err := io.WriteString(p.Stdout, s); err != nil {
			return 1
		}
	}
}

func permissions(m fs.FileMode) string {
	kind := "-"
	switch {
	case m.IsDir():
		kind = "d"
	case m&fs.ModeSymlink != 0:
		kind = "l"
	case m&fs.ModeCharDevice != 0:
		kind = "c"
	}
	return kind + m.Perm().String()[1:]
}

func cmdLs(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "la1dhtrRinASCFLpsH")
	if !ok {
		return 1
	}
	for _, c := range "RiSCFsLpH" {
		if has(flags, byte(c)) && c != 'C' {
			p.Errorf("ls", "-%c: unsupported on a simulated phone", c)
			return 2
		}
	}
	if len(rest) == 0 {
		rest = []string{"."}
	}
	out := collector{w: p.Stdout}
	now := p.M.Wall()
	one := func(name string, i fs.FileInfo) {
		if !has(flags, 'l') && !has(flags, 'n') {
			out.print(name, "\n")
			return
		}
		if i.Mode()&fs.ModeSymlink != 0 {
			name += " -> " + i.(fileInfo).target
		}
		owner := i.(fileInfo).owner()
		_ = now
		size := strconv.FormatInt(i.Size(), 10)
		if has(flags, 'h') && i.Size() >= 1024 {
			size = human(i.Size())
		}
		out.print(fmt.Sprintf("%s 1 %s %s %s %s %s\n", permissions(i.Mode()), owner, owner, size, i.ModTime().UTC().Format("2006-01-02 15:04"), name))
	}
	arrange := func(list []fs.FileInfo) {
		if has(flags, 't') {
			slices.SortStableFunc(list, func(a, b fs.FileInfo) int { return b.ModTime().Compare(a.ModTime()) })
		}
		if has(flags, 'r') {
			slices.Reverse(list)
		}
	}
	status := 0
	for _, a := range rest {
		full := p.Path(a)
		stat := p.M.fs.Stat
		if has(flags, 'd') || has(flags, 'l') && !strings.HasSuffix(a, "/") {
			stat = p.M.fs.Lstat
		}
		info, err := stat(full)
		if err != nil {
			status = p.Errorf("ls", "%s: %s", a, errText(err))
			continue
		}
		if !info.IsDir() || has(flags, 'd') {
			one(a, info)
			continue
		}
		entries, err := p.M.fs.readDir(full, true)
		if err != nil {
			status = p.Errorf("ls", "%s: %s", a, errText(err))
			continue
		}
		if len(rest) > 1 {
			out.print(a, ":\n")
		}
		var list []fs.FileInfo
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), ".") && !has(flags, 'a') && !has(flags, 'A') {
				continue
			}
			i, _ := e.Info()
			list = append(list, i)
		}
		arrange(list)
		if has(flags, 'l') {
			out.print(fmt.Sprintf("total %d\n", len(list)*4))
		}
		if has(flags, 'a') {
			one(".", info)
			one("..", info)
		}
		for _, i := range list {
			one(i.Name(), i)
		}
	}
	out.end()
	return status
}

func human(n int64) string {
	f := float64(n)
	for _, unit := range []string{"", "K", "M", "G", "T"} {
		if f < 1024 {
			if f < 10 && unit != "" {
				return fmt.Sprintf("%.1f%s", f, unit)
			}
			return fmt.Sprintf("%.0f%s", f, unit)
		}
		f /= 1024
	}
	return fmt.Sprintf("%.0fP", f)
}

func cmdRm(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "rRfiv")
	if !ok {
		return 1
	}
	force, all := has(flags, 'f'), has(flags, 'r') || has(flags, 'R')
	if len(rest) == 0 && !force {
		return p.Errorf("rm", "Needs 1 argument")
	}
	status := 0
	for _, a := range rest {
		full := p.Path(a)
		info, err := p.M.fs.Lstat(full)
		if err != nil {
			if !force {
				status = p.Errorf("rm", "%s: %s", a, errText(err))
			}
			continue
		}
		if info.IsDir() && !all {
			status = p.Errorf("rm", "%s: is directory", a)
			continue
		}
		if err := p.M.fs.remove(full, true, all); err != nil {
			status = p.Errorf("rm", "%s: %s", a, errText(err))
		}
	}
	return status
}

func cmdMkdir(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "pm:v")
	if !ok {
		return 1
	}
	status := 0
	for _, a := range rest {
		var err error
		if has(flags, 'p') {
			err = p.M.fs.mkdirAll(p.Path(a), true)
		} else {
			err = p.M.fs.mkdir(p.Path(a), true)
		}
		if err == nil && has(flags, 'm') {
			if m, e := strconv.ParseUint(flags['m'], 8, 32); e == nil {
				err = p.M.fs.chmod(p.Path(a), fs.FileMode(m), true)
			}
		}
		if err != nil {
			status = p.Errorf("mkdir", "'%s': %s", a, errText(err))
		}
	}
	return status
}

// target is where a file goes that is moved or copied to dest.
func (p *Proc) target(src, dest string) string {
	full := p.Path(dest)
	if i, err := p.M.fs.Stat(full); err == nil && i.IsDir() {
		return path.Join(full, path.Base(src))
	}
	return full
}

func cmdMv(_ context.Context, p *Proc, args []string) int {
	_, rest, ok := p.options(args, "fnv")
	if !ok {
		return 1
	}
	if len(rest) < 2 {
		return p.Errorf("mv", "Needs 2 arguments")
	}
	dest := rest[len(rest)-1]
	status := 0
	for _, a := range rest[:len(rest)-1] {
		if err := p.M.fs.rename(p.Path(a), p.target(a, dest), true); err != nil {
			status = p.Errorf("mv", "bad '%s': %s", a, errText(err))
		}
	}
	return status
}

func cmdCp(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "rRfpav")
	if !ok {
		return 1
	}
	if len(rest) < 2 {
		return p.Errorf("cp", "Needs 2 arguments")
	}
	deep := has(flags, 'r') || has(flags, 'R') || has(flags, 'a')
	dest := rest[len(rest)-1]
	status := 0
	var copyTo func(from, to string) error
	copyTo = func(from, to string) error {
		info, err := p.M.fs.Stat(from)
		if err != nil {
			return err
		}
		if info.IsDir() {
			if err := p.M.fs.mkdirAll(to, true); err != nil {
				return err
			}
			list, err := p.M.fs.readDir(from, true)
			if err != nil {
				return err
			}
			for _, e := range list {
				if err := copyTo(path.Join(from, e.Name()), path.Join(to, e.Name())); err != nil {
					return err
				}
			}
			return nil
		}
		n, err := p.M.fs.openNode(from, true, false, false, false, 0)
		if err != nil {
			return err
		}
		b, err := p.M.fs.content(n)
		if err != nil {
			return err
		}
		out, err := p.create(to, true, info.Mode())
		if err != nil {
			return err
		}
		if err := out.write(p.proc.ctx, b); err != nil {
			return err
		}
		if has(flags, 'p') || has(flags, 'a') {
			return p.M.fs.Chtimes(to, info.ModTime())
		}
		return nil
	}
	for _, a := range rest[:len(rest)-1] {
		if i, err := p.M.fs.Stat(p.Path(a)); err == nil && i.IsDir() && !deep {
			status = p.Errorf("cp", "Skipped dir '%s'", a)
			continue
		}
		if err := copyTo(p.Path(a), p.target(a, dest)); err != nil {
			status = p.Errorf("cp", "bad '%s': %s", a, errText(err))
		}
	}
	return status
}

func cmdLn(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "sf")
	if !ok {
		return 1
	}
	if !has(flags, 's') || len(rest) != 2 {
		p.Errorf("ln", "only ln -s TARGET NAME is supported on a simulated phone")
		return 2
	}
	name := p.target(rest[0], rest[1])
	if has(flags, 'f') {
		p.M.fs.remove(name, true, false)
	}
	if err := p.M.fs.Symlink(absPath(path.Dir(name), rest[0]), name); err != nil {
		return p.Errorf("ln", "%s: %s", rest[1], errText(err))
	}
	return 0
}

func cmdTouch(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "acmd:t:r:")
	if !ok {
		return 1
	}
	status := 0
	for _, a := range rest {
		full := p.Path(a)
		when := p.M.Wall()
		if has(flags, 'd') {
			t, err := parseDate(flags['d'], when)
			if err != nil {
				return p.Errorf("touch", "bad date '%s'", flags['d'])
			}
			when = t
		}
		if has(flags, 'r') {
			i, err := p.M.fs.Stat(p.Path(flags['r']))
			if err != nil {
				return p.Errorf("touch", "'%s': %s", flags['r'], errText(err))
			}
			when = i.ModTime()
		}
		if has(flags, 't') {
			p.Errorf("touch", "-t: unsupported on a simulated phone")
			return 2
		}
		if _, err := p.M.fs.Stat(full); err != nil {
			if has(flags, 'c') {
				continue
			}
			if _, err := p.create(a, false, 0o644); err != nil {
				status = p.Errorf("touch", "'%s': %s", a, errText(err))
				continue
			}
		}
		if err := p.M.fs.Chtimes(full, when); err != nil {
			status = p.Errorf("touch", "'%s': %s", a, errText(err))
		}
	}
	return status
}

func cmdChmod(_ context.Context, p *Proc, args []string) int {
	rest := args[1:]
	if len(rest) > 0 && rest[0] == "-R" {
		p.Errorf("chmod", "-R: unsupported on a simulated phone")
		return 2
	}
	if len(rest) < 2 {
		return p.Errorf("chmod", "Needs 2 arguments")
	}
	status := 0
	for _, a := range rest[1:] {
		i, err := p.M.fs.Stat(p.Path(a))
		if err == nil {
			mode, ok := parseMode(rest[0], i.Mode().Perm())
			if !ok {
				return p.Errorf("chmod", "bad mode '%s'", rest[0])
			}
			err = p.M.fs.chmod(p.Path(a), mode, true)
		}
		if err != nil {
			status = p.Errorf("chmod", "'%s': %s", a, errText(err))
		}
	}
	return status
}

// parseMode reads 755, +x, u+rw,g-w, a=r.
func parseMode(s string, old fs.FileMode) (fs.FileMode, bool) {
	if n, err := strconv.ParseUint(s, 8, 32); err == nil {
		return fs.FileMode(n) & 0o777, true
	}
	for part := range strings.SplitSeq(s, ",") {
		i := strings.IndexAny(part, "+-=")
		if i < 0 {
			return 0, false
		}
		var who, bits fs.FileMode
		for _, c := range part[:i] {
			switch c {
			case 'u':
				who |= 0o700
			case 'g':
				who |= 0o070
			case 'o':
				who |= 0o007
			case 'a':
				who |= 0o777
			default:
				return 0, false
			}
		}
		if i == 0 {
			who = 0o777
		}
		for _, c := range part[i+1:] {
			switch c {
			case 'r':
				bits |= 0o444
			case 'w':
				bits |= 0o222
			case 'x', 'X':
				bits |= 0o111
			default:
				return 0, false
			}
		}
		switch part[i] {
		case '+':
			old |= who & bits
		case '-':
			old &^= who & bits
		case '=':
			old = old&^who | who&bits
		}
	}
	return old, true
}

func cmdStat(_ context.Context, p *Proc, args []string) int {
	flags, rest, ok := p.options(args, "c:Lft")
	if !ok {
		return 1
	}
	if has(flags, 'f') || has(flags, 't') {
		p.Errorf("stat", "-f and -t: unsupported on a simulated phone")
		return 2
	}
	status := 0
	for _, a := range rest {
		stat := p.M.fs.Lstat
		if has(flags, 'L') {
			stat = p.M.fs.Stat
		}
		info, err := stat(p.Path(a))
		if err != nil {
			status = p.Errorf("stat", "'%s': %s", a, errText(err))
			continue
		}
		i := info.(fileInfo)
		format := "  File: %n\n  Size: %s\t Blocks: %b\t IO Blocks: 512\t%F\nDevice: 1h\t Inode: %i\t Links: 1\nAccess: (%a/%A)\tUid: (%u/%U)\tGid: (%g/%G)\nModify: %y"
		if has(flags, 'c') {
			format = flags['c']
		}
		var b strings.Builder
		for j := 0; j < len(format); j++ {
			if format[j] != '%' || j+1 == len(format) {
				b.WriteByte(format[j])
				continue
			}
			j++
			switch format[j] {
			case 'n':
				b.WriteString(a)
			case 'N':
				b.WriteString("`" + a + "'")
			case 's':
				fmt.Fprint(&b, i.size)
			case 'b':
				fmt.Fprint(&b, (i.size+511)/512)
			case 'B':
				b.WriteString("512")
			case 'F':
				switch {
				case i.IsDir():
					b.WriteString("directory")
				case i.mode&fs.ModeSymlink != 0:
					b.WriteString("symbolic link")
				case i.mode&fs.ModeCharDevice != 0:
					b.WriteString("character device")
				case i.size == 0:
					b.WriteString("regular empty file")
				default:
					b.WriteString("regular file")
				}
			case 'i':
				fmt.Fprint(&b, i.ino)
			case 'h':
				b.WriteByte('1')
			case 'a':
				fmt.Fprintf(&b, "%o", i.mode.Perm())
			case 'A':
				b.WriteString(permissions(i.mode))
			case 'u', 'g':
				fmt.Fprint(&b, i.uid)
			case 'U', 'G':
				b.WriteString(i.owner())
			case 'X', 'Y', 'Z', 'W':
				fmt.Fprint(&b, i.mtime.Unix())
			case 'x', 'y', 'z':
				b.WriteString(i.mtime.UTC().Format("2006-01-02 15:04:05.000000000 +0000"))
			case '%':
				b.WriteByte('%')
			default:
				p.Errorf("stat", "%%%c: unsupported on a simulated phone", format[j])
				return 2
			}
		}
		fmt.Fprintln(p.Stdout, b.String())
	}
	return status
}

func cmdSleep(_ context.Context, p *Proc, args []string) int {
	if len(args) < 2 {
		return p.Errorf("sleep", "Needs 1 argument")
	}
	var total time.Duration
	for _, a := range args[1:] {
		d, ok := parseSeconds(a)
		if !ok {
			return p.Errorf("sleep", "not a number '%s'", a)
		}
		total += d
	}
	if !p.Sleep(total) {
		return 1
	}
	return 0
}

func digest(newHash func() hash.Hash) Command {
	return func(_ context.Context, p *Proc, args []string) int {
		flags, rest, ok := p.options(args, "b")
		if !ok {
			return 1
		}
		return p.inputs(args[0], rest, func(f string, r io.Reader) int {
			h := newHash()
			if _, err := io.Copy(h, onlyReader{r}); err != nil {
				return p.Errorf(args[0], "%s: %s", f, errText(err))
			}
			sum := hex.EncodeToString(h.Sum(nil))
			if !has(flags, 'b') {
				sum += "  " + f
			}
			fmt.Fprintln(p.Stdout, sum)
			return 0
		})
	}
}

func cmdID(_ context.Context, p *Proc, args []string) int {
	flags, _, ok := p.options(args, "ungGZ")
	if !ok {
		return 1
	}
	switch {
	case has(flags, 'Z'):
		fmt.Fprintln(p.Stdout, "u:r:shell:s0")
	case has(flags, 'n'):
		fmt.Fprintln(p.Stdout, "shell")
	case has(flags, 'u'), has(flags, 'g'):
		fmt.Fprintln(p.Stdout, shellUID)
	default:
		fmt.Fprintln(p.Stdout, "uid=2000(shell) gid=2000(shell) groups=2000(shell),1004(input),1007(log),1011(adb),1015(sdcard_rw),1028(sdcard_r),3003(inet),9997(everybody) context=u:r:shell:s0")
	}
	return 0
}

func cmdPwd(_ context.Context, p *Proc, _ []string) int {
	fmt.Fprintln(p.Stdout, p.Dir)
	return 0
}
