package preconditions

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"rundown/devices"
)

// Restore puts every change back, the newest first, and returns those that are still to be
// undone, oldest first. All are tried, but for a link that fails: what was not reached by
// then is left too. The error joins why, each with what to put back by hand.
//
// What counts is how the handset is afterwards: a setting is read back, and of anything
// else that cannot be undone it is read whether it is as it was already; then nothing is
// left of it. A key press is tried once.
func Restore(ctx context.Context, l devices.Link, changes []Change) (left []Change, err error) {
	var failed []error
	for i, c := range slices.Backward(changes) {
		said, err := undo(ctx, l, c)
		if err != nil && !(c.DropsLink && dropped(err)) {
			if linkFailed(err) {
				for _, c := range slices.Backward(changes[:i+1]) {
					left = append(left, c)
				}
				failed = append(failed, fmt.Errorf("handset %s: %d changes were not put back: %w", l.Serial(), i+1, err))
				break
			}
			said = err.Error()
		}
		// Expected of a change that drops the link: the handset restarts its end of it. It is
		// the first change and so the last to be undone; nothing waits for the link here.
		if said == "" || c.Press {
			continue
		}
		left = append(left, c)
		failed = append(failed, fmt.Errorf("handset %s: %s was not put back to %s: %s", l.Serial(), c.Name, c.Before, said))
	}
	slices.Reverse(left)
	return left, errors.Join(failed...)
}

// undo undoes one change and says what speaks against its being undone; "": nothing does.
// The error is the link's.
func undo(ctx context.Context, l devices.Link, c Change) (said string, err error) {
	commands := []string{c.Undo}
	space, name, isSetting := strings.Cut(c.Setting, " ")
	if isSetting {
		commands = append(commands, "settings get "+devices.Quote(space)+" "+devices.Quote(name))
	}
	results, err := devices.Batch(ctx, l, commands)
	if err != nil {
		return "", err
	}
	said = results[0].Failed()
	switch {
	case isSetting && results[1].Failed() == "":
		if isAs(results[1].Text, c.Was) {
			return "", nil
		}
		if said == "" {
			said = fmt.Sprintf("the command was accepted, and the setting reads %q", lastOf(results[1].Text))
		}
	case said != "" && c.State != "":
		now, err := stateNow(ctx, l, c.Name)
		if err != nil {
			return "", err
		}
		if now == c.State {
			return "", nil
		}
	}
	return said, nil
}

// isAs reports whether a setting that was printed holds a value; nil: that it is not set.
// A command may print a warning of its own first.
func isAs(printed string, was *string) bool {
	printed = strings.TrimSpace(strings.ReplaceAll(printed, "\r\n", "\n"))
	want := "null"
	if was != nil {
		want = strings.TrimSpace(strings.ReplaceAll(*was, "\r\n", "\n"))
	}
	if printed == want || strings.HasSuffix(printed, "\n"+want) {
		return true
	}
	// Newer systems keep the brightness a second time, as a fraction, and bring the setting
	// in line with it, which may round it by one step.
	got, err := strconv.Atoi(lastOf(printed))
	wanted, bad := strconv.Atoi(want)
	return err == nil && bad == nil && wanted >= 10 && max(got-wanted, wanted-got) <= 1
}

func lastOf(text string) string {
	text = strings.TrimSpace(text)
	return strings.TrimSpace(text[strings.LastIndexByte(text, '\n')+1:])
}

// stateNow reads what a precondition's state is, to be compared with a Change's; "" when
// that cannot be told.
func stateNow(ctx context.Context, l devices.Link, precondition string) (string, error) {
	e := find(precondition)
	if e == nil {
		return "", nil
	}
	sdk, err := sdkOf(ctx, l, Handset{})
	if err != nil {
		return "", err
	}
	r, err := read(ctx, l, Handset{SDK: sdk}, devices.Flavour{SDK: sdk}, []*entry{e})
	if err != nil {
		return "", err
	}
	return e.state(r).compared(), nil
}

// BackTo works out what puts a precondition that is changed by a command back to a state, one
// that a Change has, as the handset is now. Nothing is to be done where undo is empty. The
// error is the link's, or says why it cannot be put back.
func BackTo(ctx context.Context, l devices.Link, precondition, state string) (undo string, err error) {
	e := find(precondition)
	fields := strings.SplitN(state, " ", 4)
	if e == nil || e.set == nil || len(fields) != 4 {
		return "", fmt.Errorf("handset %s: %s cannot be put back to %q: it is not known here", l.Serial(), precondition, state)
	}
	on := fields[0] == "true"
	value, err := strconv.ParseFloat(fields[1], 64)
	if err != nil {
		return "", fmt.Errorf("handset %s: %s cannot be put back to %q: %w", l.Serial(), precondition, state, err)
	}
	w := Want{Name: precondition}
	switch e.Kind {
	case OnOff:
		w.On = &on
	case Number:
		w.Value = &value
	case Choice:
		w.Choice = fields[2]
	}
	if err := w.check(); err != nil {
		return "", fmt.Errorf("handset %s: %w", l.Serial(), err)
	}
	sdk, err := sdkOf(ctx, l, Handset{})
	if err != nil {
		return "", err
	}
	r, err := read(ctx, l, Handset{SDK: sdk}, devices.Flavour{SDK: sdk}, []*entry{e})
	if err != nil {
		return "", err
	}
	found := e.state(r)
	if found.compared() == state {
		return "", nil
	}
	steps, whyNot := e.set(r, found, w)
	var commands []string
	for _, s := range steps {
		if s.setting == "" && !s.press && !s.dropsLink { // settings are put back by themselves
			commands = append(commands, either(s.ways))
		}
	}
	if whyNot != "" {
		return "", fmt.Errorf("handset %s: %s cannot be put back: %s", l.Serial(), precondition, whyNot)
	}
	return strings.Join(commands, "; "), nil
}

// SayState is a Change's state for people.
func SayState(state string) string {
	f := strings.SplitN(state, " ", 4)
	switch {
	case len(f) != 4:
		return state
	case f[2] != "":
		return f[2]
	case f[1] != "0":
		return f[1]
	}
	return onOffText(f[0] == "true")
}

// compared is a state as it is compared with another of the same precondition; "" for one
// that could not be read.
func (s state) compared() string {
	if s.unread != "" {
		return ""
	}
	return fmt.Sprintf("%t %g %s %s", s.on, s.value, s.choice, s.never)
}
