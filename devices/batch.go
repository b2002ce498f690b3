package devices

import (
	"context"
	"crypto/rand"
	"fmt"
	"strconv"
	"strings"
)

// A Result is what one command of a Batch left.
type Result struct {
	Command  string
	Text     string // standard output and error, as they came
	ExitCode int
}

// Failed returns the reason, for a person, when the command is missing on the handset or
// says that it failed; "" when it did not. Several of Android's commands fail with exit
// code 0, so the text counts too.
func (r Result) Failed() string {
	said := excerpt(r.Text)
	name, _, _ := strings.Cut(strings.TrimSpace(r.Command), " ")
	switch {
	case r.ExitCode == 127 || r.ExitCode == 126:
		return fmt.Sprintf("the handset has no command %q that the shell may run", name)
	case r.ExitCode != 0:
		return fmt.Sprintf("%q failed with exit code %d: %s", shownCommand(r.Command), r.ExitCode, said)
	case refused(beginning(r.Text)):
		return fmt.Sprintf("%q was refused: %s", shownCommand(r.Command), said)
	case dumpTimeout.MatchString(lastLine(r.Text)):
		return fmt.Sprintf("%q was not answered in time by the handset's own service", shownCommand(r.Command))
	}
	return ""
}

// beginning is where a command says that it was refused. Long dumps carry logs of old
// refusals further down.
func beginning(text string) string {
	const most = 600
	if len(text) > most {
		return text[:most]
	}
	return text
}

func lastLine(text string) string {
	text = strings.TrimSpace(text)
	return text[strings.LastIndexByte(text, '\n')+1:]
}

// Batch runs command lines one after the other in a single shell call, so that a report
// costs one round trip, and returns one result for each, in order. Each runs in a
// subshell of its own with nothing on its standard input. The outputs are told apart by
// a random mark, which no output can contain by accident or design.
//
// A batch whose end is missing is ErrLinkLost: none of its results is returned.
func Batch(ctx context.Context, l Link, commands []string) ([]Result, error) {
	if len(commands) == 0 {
		return nil, nil
	}
	mark := rand.Text()
	out, err := l.Shell(ctx, batchScript(mark, commands))
	if err != nil {
		return nil, err
	}
	results, err := splitBatch(out.Stdout, mark, commands)
	if err != nil && strings.TrimSpace(out.Stderr) != "" {
		return nil, fmt.Errorf("%w (it said %s)", err, excerpt(out.Stderr))
	}
	return results, err
}

func batchScript(mark string, commands []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `X=%s;B(){ echo "$X<$1";};E(){ echo;echo "$X>$1 $2";}`, Quote(mark))
	for i, c := range commands {
		fmt.Fprintf(&b, "\nB %d;(%s\n)</dev/null 2>&1;E %d $?", i, c, i)
	}
	return b.String()
}

// splitBatch takes the outputs of a batch apart. Whatever the commands printed, the
// result has one entry for each or is an error.
func splitBatch(text, mark string, commands []string) ([]Result, error) {
	text = strings.ReplaceAll(text, "\r\n", "\n") // a link through a terminal
	results := make([]Result, 0, len(commands))
	for i, c := range commands {
		begin, end := fmt.Sprintf("%s<%d\n", mark, i), fmt.Sprintf("\n%s>%d ", mark, i)
		_, rest, found := strings.Cut(text, begin)
		if !found {
			return nil, fmt.Errorf("command %q left no answer: %w", shownCommand(c), ErrLinkLost)
		}
		body, rest, found := strings.Cut(rest, end)
		if !found {
			return nil, fmt.Errorf("command %q: its end did not arrive: %w", shownCommand(c), ErrLinkLost)
		}
		code, after, found := strings.Cut(rest, "\n")
		n, err := strconv.Atoi(code)
		if !found || err != nil {
			return nil, fmt.Errorf("command %q: its exit code did not arrive: %w", shownCommand(c), ErrLinkLost)
		}
		results = append(results, Result{Command: c, Text: body, ExitCode: n})
		text = after
	}
	return results, nil
}
