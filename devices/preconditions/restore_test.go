package preconditions_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rundown/devices/preconditions"
	"rundown/devices/simulated"
)

func apply(t *testing.T, h *simulated.Handset, facts preconditions.Handset) []preconditions.Change {
	t.Helper()
	var changes []preconditions.Change
	if _, err := preconditions.Apply(t.Context(), h, facts, preconditions.DefaultSet(), func(c preconditions.Change) error {
		changes = append(changes, c)
		return nil
	}); err != nil || len(changes) < 5 {
		t.Fatalf("Apply = %v with %d changes", err, len(changes))
	}
	return changes
}

func names(changes []preconditions.Change) []string {
	var list []string
	for _, c := range changes {
		list = append(list, c.Name)
	}
	return list
}

// What a handset lets nobody put back is left; the rest is undone.
func TestRestoreLeavesWhatTheHandsetRefuses(t *testing.T) {
	h, facts := shelf(t, simulated.Options{Android: simulated.Android14})
	changes := apply(t, h, facts)
	// What writes settings, also by way of a command, and not what switches radios.
	refused := slices.DeleteFunc(slices.Clone(changes), func(c preconditions.Change) bool { return c.Setting == "" && c.Name != "location" })
	if len(refused) < 2 || len(refused) == len(changes) {
		t.Fatalf("changes %v: want settings and commands among them", names(changes))
	}
	h.RefuseSettings(true)
	left, err := preconditions.Restore(t.Context(), h, changes)
	if got, want := names(left), names(refused); !slices.Equal(got, want) || err == nil || !strings.Contains(err.Error(), "was not put back to") {
		t.Errorf("left %v, want %v; %v", got, want, err)
	}
	h.RefuseSettings(false)
	if left, err = preconditions.Restore(t.Context(), h, left); len(left) > 0 || err != nil {
		t.Errorf("once it lets: left %v, %v", names(left), err)
	}
}

// A write that says nothing and has no effect is seen.
func TestRestoreReadsBack(t *testing.T) {
	h, facts := shelf(t, simulated.Options{Android: simulated.Android14})
	changes := apply(t, h, facts)
	h.IgnoreSetting("system", "screen_off_timeout", true)
	left, err := preconditions.Restore(t.Context(), h, changes)
	if len(left) != 1 || left[0].Setting != "system screen_off_timeout" || !strings.Contains(err.Error(), "the setting reads") {
		t.Errorf("left %v, %v; want screen_off_timeout", names(left), err)
	}
}

// Nothing is owed of what is as it was already, whatever the handset says to the command:
// it refused the change itself, or a person has put it back.
func TestNothingIsOwedOfWhatIsAsItWas(t *testing.T) {
	h, facts := shelf(t, simulated.Options{Android: simulated.Android14})
	changes := apply(t, h, facts)
	if _, err := preconditions.Restore(t.Context(), h, changes); err != nil {
		t.Fatal(err)
	}
	h.RefuseSettings(true)
	h.RefuseInput(true)
	for i := range changes {
		if changes[i].Setting == "" {
			changes[i].Undo = "no-such-command"
		}
	}
	if left, err := preconditions.Restore(t.Context(), h, changes); len(left) > 0 || err != nil {
		t.Errorf("left %v, %v; want nothing: all is as it was", names(left), err)
	}
}

// A key press that is refused is tried once and not owed.
func TestKeyPressesAreNotOwed(t *testing.T) {
	h, _ := shelf(t, simulated.Options{})
	h.RefuseInput(true)
	left, err := preconditions.Restore(t.Context(), h, []preconditions.Change{{Name: "keyguard", Undo: "input keyevent 223", Before: "locked", Press: true}})
	if len(left) > 0 || err != nil {
		t.Errorf("left %v, %v", names(left), err)
	}
}

// A link that is lost in the middle leaves what was not reached, in order.
func TestRestoreOverALostLink(t *testing.T) {
	h, facts := shelf(t, simulated.Options{Android: simulated.Android14})
	changes := apply(t, h, facts)
	h.LoseLink()
	left, err := preconditions.Restore(t.Context(), h, changes)
	if got, want := names(left), names(changes); !slices.Equal(got, want) || err == nil {
		t.Errorf("left %v, want %v; %v", got, want, err)
	}
	h.RestoreLink()
	if left, err := preconditions.Restore(t.Context(), h, left); len(left) > 0 || err != nil {
		t.Errorf("left %v, %v", names(left), err)
	}
}

// What a command changed can be put back by whoever knows only which state it had, and the
// setting's old value; then nothing is left to be done.
func TestBackToAState(t *testing.T) {
	for _, android := range []simulated.Flavour{simulated.Android9, simulated.Android12, simulated.Android14, simulated.Android16} {
		h, facts := shelf(t, simulated.Options{Android: android})
		before := everySetting(t, h)
		changes := apply(t, h, facts)
		var commands []preconditions.Change
		for i, c := range changes {
			switch {
			case c.Press || c.DropsLink:
			case c.Setting == "":
				commands = append(commands, c)
			default:
				changes[i] = preconditions.Change{Name: c.Name, Setting: c.Setting}.BackTo(c.Was)
			}
		}
		if len(commands) < 2 {
			t.Fatalf("Android %v: commands among the changes %v: want two", android, names(changes))
		}
		for _, c := range commands {
			undo, err := preconditions.BackTo(t.Context(), h, c.Name, c.State)
			if err != nil || undo == "" {
				t.Fatalf("Android %v: %s back to %q: %q, %v", android, c.Name, c.State, undo, err)
			}
			run(t, h, undo)
			if undo, err = preconditions.BackTo(t.Context(), h, c.Name, c.State); err != nil || undo != "" {
				t.Errorf("Android %v: once more %s back to %q: %q, %v; want nothing to do", android, c.Name, c.State, undo, err)
			}
		}
		if left, err := preconditions.Restore(t.Context(), h, changes); len(left) > 0 || err != nil {
			t.Errorf("Android %v: left %v, %v", android, names(left), err)
		}
		if diff := cmp.Diff(before, everySetting(t, h)); diff != "" {
			t.Errorf("Android %v: its settings (-before +after):\n%s", android, diff)
		}
		for name, state := range map[string]string{"bluetooth": "on", "nothing": "true 0  ", "media_volume": "false x  ", "do_not_disturb": "false 0 loud "} {
			if undo, err := preconditions.BackTo(t.Context(), h, name, state); err == nil {
				t.Errorf("%s back to %q: %q; want an error", name, state, undo)
			}
		}
	}
}
