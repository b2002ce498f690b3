package phoneshell

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/hosttest"
)

// snippets are run here and by the real mksh, which must agree on standard output and
// exit code. They are what scripts for a phone are made of.
var snippets = []struct{ name, text string }{
	{"assignment and expansion", `x=abcdef; echo ${x:1:2} ${x#a*} ${x%f} ${#x} ${x/b/Z} ${x##*c} ${x%%c*}`},
	{"defaults", `unset y; echo "${y:-d} ${y-e} ${y:+s}"; echo ${y:=z} $y; y=; echo "[${y:-d}] [${y-e}]"`},
	{"arithmetic", `a=7; echo $((a/2)) $((-a/2)) $((a%4)) $((a<<2)) $((a>1&&a<9)) $((a>9?1:2)) $((a=a+1)) $a $((a++)) $a $((--a))`},
	{"32 bits", `echo $((3000000000)) $((2147483647+1)) $((65536*65536)) $((1<<31)) $((-2147483648-1)) $((1000000*3600))`},
	{"32 bits through variables", `t=1700000000; echo $((t*1000)); t=$((t+t)); echo $t; [ $((t)) -lt 0 ] && echo negative`},
	{"numbers", `echo $((010)) $((0x10)) $((2#101)) $((-0x1F)) $((08)) $((007+1))`},
	{"names as expressions", `a=b; b=3; c=a+1; echo $((a)) $((c)) $((nosuch)) $((a*(b+1)))`},
	{"zero divisor", `echo $((1/0)); echo next`},
	{"arithmetic command", `x=5; ((x>3)) && echo yes; ((x>9)) || echo no; let x=x+1 y=x*2; echo $x $y`},
	{"test", `[ 1 -lt 2 ] && echo a; [ x = x -a y != x ] && echo b; [ ! -e /nosuch ] && echo c; [ "" ] || echo d; test -z "" && echo e; [ -n "a b" ] && echo f`},
	{"double bracket", `x=foobar; [[ $x == foo* ]] && echo a; [[ $x = "foo*" ]] || echo b; [[ -n $x && ! -e /nosuch ]] && echo c; [[ abc < abd ]] && echo d; [[ 5 -gt 3 ]] && echo e`},
	{"test on non-numbers", `[ 1 -eq a ]; echo $?; [ 1 -eq "" ]; echo $?`},
	{"case", `for x in a bc d1 "*" ""; do case $x in a|b) echo A;; b*) echo B;; *[0-9]) echo D;; \*) echo star;; "") echo empty;; *) echo other;; esac; done`},
	{"loops", `i=0; while [ $i -lt 5 ]; do i=$((i+1)); [ $i -eq 2 ] && continue; [ $i -eq 4 ] && break; echo $i; done; until [ $i -eq 0 ]; do i=$((i-1)); done; echo $i`},
	{"nested break", `for a in 1 2 3; do for b in x y; do [ $a$b = 2x ] && break 2; echo $a$b; done; done; echo end`},
	{"continue 2", `for a in 1 2; do for b in x y; do [ $b = y ] && continue 2; echo $a$b; done; echo no; done`},
	{"functions", `f() { local x=2 y; echo "$# $1 $x [$y]"; g; return 3; }; g() { echo "g $x"; x=9; }; x=1; f a b; echo $? $x`},
	{"local in a subshell", `f() { local v=1; (v=2; echo $v); echo $v; }; v=0; f; echo $v`},
	{"parameters", `set -- a "b c" d; echo $# "$2"; shift; echo "$*"; for p; do echo "<$p>"; done; for p in "$@"; do echo "{$p}"; done; IFS=,; echo "$*"`},
	{"parameters of a function", `f() { echo $#; for i in "$@"; do echo "[$i]"; done; }; f; f ""; f "a b" c; set -- ; f "$@"`},
	{"splitting", `x="a  b c"; for w in $x; do echo "<$w>"; done; IFS=:; y=1:2::3; for w in $y; do echo "<$w>"; done`},
	{"splitting with empty fields", `IFS=,; x=",a,,b,"; set -- $x; echo $#; for i; do echo "<$i>"; done; IFS=" ,"; x=" a , b,,c "; for i in $x $(echo 1,,2); do echo "<$i>"; done`},
	{"read with empty fields", `echo 1,,3 | { IFS=, read -r a b c; echo "$a|$b|$c"; }; echo 1,2,3,4 | { IFS=, read a b; echo "$a|$b"; }; echo ",a," | { IFS=, read a b c; echo "$a|$b|$c"; }; echo "a,b," | { IFS=, read a b; echo "$a|$b"; }; echo "a, b ,c" | { IFS=" ," read a b c; echo "[$a|$b|$c]"; }; echo "a,b,," | { IFS=, read a b; echo "$a|$b"; }; echo "a b  c  " | { read a b; echo "[$a|$b]"; }`},
	{"quoting", `x='$HOME'; echo "$x" '\n' "a\$b" "a\"b" a\ b; echo "it's"`},
	{"command substitution", `x=$(echo a; echo b); echo "$x"; echo $(echo $(echo deep)); y=$(exit 3); echo $?; z=` + "`echo old`" + `; echo $z`},
	{"status of assignment", `x=$(false); echo $?; x=1; echo $?; true; x=$(true)$(false); echo $?`},
	{"here-documents", "x=1; cat <<EOF\na $x $((x+1)) `echo q`\n\tb\nEOF\ncat <<'EOF'\na $x\nEOF\ncat <<-EOF\n\tt $x\n\t\tu\n\tEOF\n"},
	{"here-document to read", "read -r a b <<EOF\n1 2 3\nEOF\necho \"$a|$b\""},
	{"here-string", `read -r a b <<< "x y z"; echo "$a|$b"`},
	{"read loop", "printf 'a b\\nc d\\n' > f; while read -r x y; do echo \"$y $x\"; done < f; while read -r l || [ -n \"$l\" ]; do echo \"[$l]\"; done < f"},
	{"read and backslashes", `printf 'a\\tb c\\\nd\n' > f; read x < f; echo "$x"; read -r x < f; echo "$x"`},
	{"read IFS", `echo "a:b:c" | while IFS=: read -r x y; do echo "$x $y"; done; echo "  lead  trail  " | { IFS= read -r l; echo "[$l]"; }; echo " p  q " | { read -r l; echo "[$l]"; }`},
	{"read at the end", `printf 'no newline' > f; read -r x < f; echo "$? $x"; read -r y < /dev/null; echo "$? [$y]"`},
	{"read shares its input", `printf '1\n2\n3\n' > f; { read -r a; read -r b; cat; echo "$a$b"; } < f`},
	{"read from a pipe is a subshell", `x=0; echo 5 | read x; echo $x; echo 6 | while read y; do x=$y; done; echo $x`},
	{"redirections", `echo a > f; echo b >> f; cat f; cat < f | wc -l; { echo out; echo err >&2; } 2>/dev/null; { echo o; echo e >&2; } > g 2>&1; cat g; echo x 2>&1 >/dev/null`},
	{"failed redirection", `cat < nosuch 2>/dev/null; echo $?; echo x 2>/dev/null > nodir/f; echo $?; : > f; echo $?`},
	{"descriptors", `exec 3> f; echo one >&3; echo two >&3; exec 3>&-; exec 4< f; read -u4 a; read -u4 b; exec 4<&-; echo "$b $a"`},
	{"swap of streams", `{ echo out; echo err >&2; } 3>&1 1>&2 2>&3 3>&- 2>/dev/null | cat`},
	{"exec redirects the rest", `exec > f; echo inside; exec >&2; cat f 1>&2 2>/dev/null; exit 4`},
	{"noclobber", `set -C; echo a > f; echo b 2>/dev/null > f; echo $?; echo c >| f; cat f`},
	{"files", `mkdir -p d/e; touch d/x; [ -d d/e ] && [ -f d/x ] && [ ! -s d/x ] && [ -r d/x ] && [ -w d/x ] && echo ok; mv d/x d/y; ls d; rm -r d; [ -e d ] || echo gone`},
	{"globs", `mkdir d; touch d/a1 d/a2 d/b .h; cd d; echo *; echo a?; echo [ab]*; echo nomatch*; cd ..; echo d/a*; for f in d/*; do echo "$f"; done; set -f; echo d/*`},
	{"braces", `echo {a,b}c x{1,2}{3,4}`},
	{"and or lists", `true && echo a || echo b; false && echo c || echo d; ! true; echo $?; ! false && echo e`},
	{"pipe status", `true | false; echo $?; false | true; echo $?; set -o pipefail; false | true; echo $?`},
	{"exit status", `(exit 7); echo $?; f() { return 5; }; f; echo $?; nosuchcommand 2>/dev/null; echo $?; sh -c 'exit 9'; echo $?`},
	{"exit in a subshell", `(echo a; exit 2; echo b); echo $?; x=$(echo c; exit 3; echo d); echo $? $x; exit 6`},
	{"set -e", `set -e; f() { false; echo in; }; f || echo or; if false; then :; fi; false && true; ! true; echo still; f; echo no`},
	{"set -e in a subshell", `set -e; (false; echo no); echo no`},
	{"set -u", `set -u; echo ${x-unset}; x=1; echo $x; echo $nosuch; echo no`},
	{"set -u in arithmetic", `set -u; x=1; echo $((x+1)); echo "${#x}"`},
	{"parameter error", `echo ${x:?needed}; echo no`},
	{"eval", `x='echo $y'; y=1; eval "$x"; eval 'f() { echo f$1; }'; f 2; eval "z=\$y"; echo $z; eval false; echo $?`},
	{"dot", `echo 'echo "dot $1"; v=5; return 3; echo no' > lib; . ./lib; echo "$? $v"; set -- P; . ./lib`},
	{"sh FILE", `echo 'echo "$0 $1 $#"; exit 4' > s.sh; sh s.sh a b; echo $?; chmod 755 s.sh; echo done`},
	{"sh -c parameters", `sh -c 'echo "$0 $1 $#"' name one two; x=3 sh -c 'echo $x'; y=4; sh -c 'echo "[$y]"'; export y; sh -c 'echo "[$y]"'`},
	{"temporary assignment", `x=1; f() { echo "in $x"; }; x=2 f; echo $x; x=3 eval 'echo $x'`},
	{"readonly", `readonly a=1; echo $a; a=2; echo no`},
	{"export and unset", `export A=1; unset A; echo "[${A-gone}]"; B=2; f() { unset B; }; f; echo "[${B-gone}]"`},
	{"typeset in a function", `f() { typeset x=2; echo $x; }; x=1; f; echo $x`},
	{"background and wait", `(exit 7) & wait $!; echo $?; sleep 0.1 & wait $!; echo $?; wait; echo $?; wait 99999; echo $?`},
	{"background order", `(sleep 0.3; echo late) & echo first; wait; echo end`},
	{"several background jobs", `for i in 3 1 2; do (sleep 0.$i; echo $i) & done; wait; echo all`},
	{"dollar dollar", `p=$$; (q=$$; [ "$p" = "$q" ] && echo same); [ "$p" = "$(echo $$)" ] && echo same; sh -c '[ "$1" = "$$" ] || echo other' x $p`},
	{"kill and wait", `sleep 9 & p=$!; sleep 0.1; kill -0 $p && echo alive; kill $p; wait $p; echo $?; kill -0 $p 2>/dev/null || echo dead`},
	{"kill -9", `sleep 9 & p=$!; sleep 0.1; kill -9 $p; wait $p; echo $?`},
	{"trap TERM runs the cleanup", `echo 'trap "echo clean; exit 3" TERM; echo $$ > pid; while :; do sleep 0.1; done' > s; sh s & while [ ! -s pid ]; do sleep 0.05; done; kill -TERM $(cat pid); wait $!; echo $?`},
	{"trap wakes wait", `trap 'echo T' USR1; sleep 1 & p=$!; (sleep 0.2; kill -USR1 $$) & wait $p; echo $?; kill $p; wait $p; echo $?`},
	{"trap after a command in the foreground", `trap 'echo T' TERM; (sleep 0.1; kill -TERM $$) & sleep 0.4; echo after`},
	{"trap keeps the status", `trap 'true' USR1; false; kill -USR1 $$; echo $?; (exit 5); echo $?`},
	{"trap EXIT", `trap 'echo bye $?' EXIT; echo a; exit 3`},
	{"trap EXIT at the end", `trap 'echo bye' EXIT; (echo sub); f() { echo f; }; f`},
	{"trap EXIT in a subshell", `(trap 'echo inner' EXIT; echo a); echo b`},
	{"trap EXIT after a trapped signal", `trap 'echo x' EXIT; trap 'echo t; exit 2' TERM; kill -TERM $$; echo no`},
	{"exit code after a trapped signal and EXIT", `trap 'echo x; false' EXIT; trap 'exit 2' USR1; kill -USR1 $$; echo no`},
	{"EXIT trap on TERM", `trap 'echo x $?' EXIT; kill -TERM $$; echo no`},
	{"EXIT trap on TERM while waiting", `trap 'echo x' EXIT; (sleep 0.2; kill $$) & sleep 9 > /dev/null 2>&1 & wait; echo no`},
	{"EXIT trap and HUP", `sh -c 'trap "echo x" EXIT; kill -HUP $$; echo no'; echo $?`},
	{"EXIT trap removed", `sh -c 'trap "echo x" EXIT; trap - EXIT; kill $$; echo no'; echo $?`},
	{"trap reset", `trap 'echo no' USR1; trap - USR1; sh -c 'kill -USR1 $$'; echo $?; trap '' TERM; kill $$; echo survived`},
	{"ignored signals are inherited", `trap '' TERM; sh -c 'kill $$; echo alive'; (kill -TERM $$; echo two)`},
	{"death by a signal", `sh -c 'kill -TERM $$; echo no' ; echo $?; sh -c 'kill -KILL $$'; echo $?`},
	{"HUP kills", `sh -c 'kill -HUP $$; echo no'; echo $?; nohup sh -c 'kill -HUP $$; echo yes' 2>/dev/null`},
	{"trap list", `trap 'a b' TERM; trap`},
	{"kill -l", `kill -l 143; kill -l 9`},
	{"command -v", `command -v echo; command -v nosuch; echo $?; f() { :; }; command -v f; type nosuch >/dev/null 2>&1; echo $?`},
	{"getopts", `f() { OPTIND=1; while getopts ab:c o; do echo "$o ${OPTARG-}"; done; shift $((OPTIND-1)); echo "rest $*"; }; f -a -b x -c y z; f -abx; f -b 2>/dev/null`},
	{"echo", `echo "a\tb"; echo -n x; echo; echo -e "c\td"; echo -E "e\tf"; echo -x; echo "a\\\\b"`},
	{"print", `print -r -- "a\tb"; print -n y; print; print "c\td"`},
	{"printf", `printf '%s-%d|' a 1 b 2; printf '%05d %x %5s|%-5s|%.2f%%\n' 42 255 a b 3.14159; printf 'a\tb\n'; printf '%b\n' 'x\ty'; printf '%s\n'`},
	{"cd", `mkdir -p d/e; cd d/e; x=$PWD; cd ..; [ "$x" = "$PWD/e" ] && echo ok; cd - > /dev/null; [ "$PWD" = "$x" ] && echo back; cd /nosuch 2>/dev/null || echo none`},
	{"colon and true", `: ${x:=5}; echo $x; while :; do break; done; true; echo $?`},
	{"nested quotes in substitution", `x="$(echo "a  b")"; echo "$x"; echo "${x:-"q r"}"`},
	{"line continuation", "echo a \\\n b; x=1\\\n2; echo $x"},
	{"comments", "# c\necho a # b\necho a#b"},
	{"function redirect", `f() { echo in; echo err >&2; } 2>/dev/null; f > f1; cat f1`},
	{"loop redirect", `for i in 1 2; do echo $i; done > f; while read x; do echo "r$x"; done < f; { cat; } < f`},
	{"if elif", `f() { if [ $1 -lt 1 ]; then echo a; elif [ $1 -lt 2 ]; then echo b; else echo c; fi; }; f 0; f 1; f 2`},
	{"if without else", `if false; then echo a; fi; echo $?`},
	{"unset function", `f() { echo f; }; unset -f f; f 2>/dev/null; echo $?`},
	{"recursion", `f() { [ $1 -le 0 ] && return; echo $1; f $(($1-1)); }; f 3`},
	{"set output parameters", `set -- "$(printf 'a\nb')"; echo "$1"; echo $1`},
	{"tilde", `HOME=/h; echo ~ ~/x "~"; x=~/y; echo $x`},
	{"seconds", `[ $SECONDS -ge 0 ] && echo ok; case $RANDOM in *[!0-9]*|"") echo bad;; *) echo ok;; esac`},
	{"jobs", `sleep 1 & jobs > f; read a b c < f; echo $a $b $c; kill %1; wait`},
	{"tools: grep", `printf 'alpha 1\nbeta 22\ngamma\n' > f; grep -c a f; grep -v a f; echo $?; grep -q beta f && echo q; grep -o '[0-9][0-9]*' f; grep -E '^(a|g)' f; grep -F . f; echo $?; grep -m 1 a f; grep -n ta f`},
	{"tools: head and tail", `seq 1 20 > f; head -n 2 f; tail -n 2 f; tail -n +19 f; head -c 3 f; tail -c 3 f; tail -c +50 f; head -1 f`},
	{"tools: sums", `printf abc > f; sha256sum f; sha256sum < f; seq 2 2 6; seq 3 | tail -1`},
	{"tools: stat", `mkdir d; printf abc > d/f; stat -c '%s %a %F' d/f; stat -c '%s' nosuch 2>/dev/null; echo $?`},
	{"tools: env", `env A=1 sh -c 'echo $A'`},
	{"tools: dd", `printf 0123456789 > f; dd if=f bs=2 skip=1 count=2 2>/dev/null; echo; dd if=f of=g bs=4 count=1 2>/dev/null; cat g; echo`},
	{"tools: timeout", `timeout 0.2 sleep 5; echo $?; timeout 5 false; echo $?`},
	{"tools: more grep", `printf 'a.b\nA+B\n  x=1\n[q]\n' > f; grep 'a\.b' f; grep 'A+B' f; grep -E 'A\+B' f; grep -i 'a+b' f; grep '^ *x' f; grep '\[q\]' f; grep -w x f; grep -x 'a.b' f; grep -l x f; grep -c nothing f; grep -s x nosuch; echo $?; printf 'level: 93\n' | grep -oE '[0-9]+'; grep -e x -- f; echo 'x|y' | grep 'x|y'; echo ab | grep -q '\(a\)b'; echo $?`},
	{"tools: date", `date -u -d @0 +%Y-%m-%dT%H:%M:%S; date -u -d @86399 '+%H %j %y %e %a %b %p'; [ $(date +%s) -gt 1000000000 ] && echo ok; case $(date +%N) in *[!0-9]*) echo bad;; *) echo digits;; esac`},
	{"tools: ls", `mkdir d; touch d/b d/a d/.h; ls d; ls -a d; ls -1 d; ls d/a d/b; ls nosuch 2>/dev/null; echo $?; ls -d d; [ -z "$(ls -A d | grep nothing)" ] && echo none`},
	{"tools: rm, cp, mkdir", `rm nosuch 2>/dev/null; echo $?; rm -f nosuch; echo $?; mkdir d; mkdir d 2>/dev/null; echo $?; mkdir -p d; echo $?; rm d 2>/dev/null; echo $?; echo x > f; cp f d; cat d/f; cp -r d e; cat e/f; mv f d/g; ls d; rm -rf d e; ls`},
	{"tools: seq", `seq 1 2 7; seq 5 -2 1; seq -s , 3; seq 3 1`},
	{"reader leaves first", `seq 1 100000 | head -n 1; yes | head -n 2`},
	{"large pipe", `seq 1 20000 | while read x; do :; done; seq 1 20000 | cat | tail -n 1`},
	{"append from many", `for i in 1 2 3 4; do (for j in 1 2 3 4 5; do echo x >> f; done) & done; wait; wc -l < f`},
	{"output of a background job in a substitution", `x=$(sleep 0.1 && echo late & echo now); echo $x`},
	{"command with a path", `printf 'echo ran $1\n' > s; chmod 755 s; ./s a; chmod 644 s; ./s 2>/dev/null; echo $?; ./nosuch 2>/dev/null; echo $?`},
	{"unset in a loop", `for i in 1 2; do unset i; done; echo "[${i-gone}]"`},
	{"alternation in case with spaces", `x="a b"; case "$x" in "a b") echo quoted;; esac; case $x in a\ b) echo escaped;; esac`},
	{"syntax error", `if then; echo no`},
}

// realShell runs a snippet under the real mksh in an empty folder.
func realShell(t *testing.T, text string) (string, int) {
	t.Helper()
	bin := t.TempDir()
	mksh, _ := exec.LookPath("mksh")
	if err := os.Symlink(mksh, bin+"/sh"); err != nil {
		t.Fatal(err)
	}
	if toybox, err := exec.LookPath("toybox"); err == nil { // the phone's tools, where the host has them
		names, err := exec.CommandContext(t.Context(), toybox).Output()
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range strings.Fields(string(names)) {
			if name == "timeout" { // this build's gives 127 for a program that ended by itself
				continue
			}
			if _, ours := toolbox[name]; ours || slices.Contains([]string{"setsid", "nohup", "env"}, name) {
				if err := os.Symlink(toybox, bin+"/"+name); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	c := exec.CommandContext(ctx, mksh, "-c", text)
	c.Args[0] = "sh"
	c.Dir = t.TempDir()
	c.Env = []string{"PATH=" + bin + ":/usr/bin:/bin", "HOME=/", "LC_ALL=C"}
	var out bytes.Buffer
	c.Stdout = &out
	c.WaitDelay = 5 * time.Second
	err := c.Run()
	if c.ProcessState == nil {
		t.Fatalf("mksh: %v", err)
	}
	code := c.ProcessState.ExitCode()
	return out.String(), code
}

func TestSameAsMksh(t *testing.T) {
	hosttest.Program(t, "mksh")
	for _, tt := range snippets {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			want, wantCode := realShell(t, tt.text)
			got, stderr, code := run(t, New(Options{}), "cd /data/local/tmp; "+tt.text)
			if tt.name == "syntax error" { // parsed whole, with the cd
				want, got = "", strings.TrimSpace(got)
			}
			if diff := cmp.Diff(want, got); diff != "" || code != wantCode {
				t.Errorf("%s\nexit code %d, mksh has %d; output (-mksh +here):\n%s\nstderr: %s", tt.text, code, wantCode, diff, stderr)
			}
		})
	}
}

// run executes a command line to its end.
func run(t testing.TB, m *Machine, text string) (stdout, stderr string, code int) {
	t.Helper()
	t.Cleanup(m.Close)
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	var out, errs bytes.Buffer
	code = m.Exec(ctx, text, nil, &out, &errs)
	if ctx.Err() != nil {
		t.Fatalf("did not end: %s\n%s%s", text, out.String(), errs.String())
	}
	return out.String(), errs.String(), code
}
