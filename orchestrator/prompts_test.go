package orchestrator

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"rundown/devices/gates"
	"rundown/results"
)

// promptDaemon is a daemon of which only the prompts are used; stop ends it as Stop would.
func promptDaemon(t *testing.T, dir string) (d *Daemon, stop func()) {
	t.Helper()
	d = New(Config{DataDir: dir, Log: zerolog.New(os.Stderr).Level(zerolog.Disabled), Links: noLinks{}})
	var err error
	if d.store, err = results.Open(filepath.Join(dir, "rundown.db")); err != nil {
		t.Fatal(err)
	}
	if err := d.loadPrompts(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.watchPrompts(ctx)
	}()
	return d, func() {
		close(d.prompts.ending)
		cancel()
		<-ended
		if err := d.store.Close(); err != nil {
			t.Error(err)
		}
	}
}

type noLinks struct{ Links }

// An asking is a prompt under way.
type asking struct {
	answer Answer
	err    error
	done   chan struct{}
}

func ask(ctx context.Context, d *Daemon, q Prompt) *asking {
	a := &asking{done: make(chan struct{})}
	go func() {
		defer close(a.done)
		a.answer, a.err = d.prompt(ctx, q)
	}()
	synctest.Wait()
	return a
}

func unplug() Prompt {
	return Prompt{Handset: "Alder", Run: "r1", Text: "unplug handset Alder", Why: "a segment is to begin", Limit: 15 * time.Minute, Choices: []string{"done", "cannot"}, Default: "cannot"}
}

func TestPromptIsAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, stop := promptDaemon(t, t.TempDir())
		defer stop()
		asked := ask(t.Context(), d, unplug())
		open := d.Prompts()
		if len(open) != 1 || open[0].Text != "unplug handset Alder" || open[0].Until.Sub(open[0].OpenedAt) != 15*time.Minute || open[0].State != results.PromptOpen {
			t.Fatalf("open prompts: %+v", open)
		}
		id := open[0].ID
		if waits := d.Handsets(); len(waits) != 0 { // it is in no plan file here
			t.Errorf("handsets %+v", waits)
		}
		if _, err := d.AnswerPrompt(id, "perhaps", "desk"); !errors.Is(err, ErrRequest) || !strings.Contains(err.Error(), "done or cannot") {
			t.Errorf("a choice that it does not have: %v", err)
		}
		if _, err := d.AnswerPrompt("p0", "done", "desk"); !errors.Is(err, ErrNoPrompt) {
			t.Errorf("a prompt that is not there: %v", err)
		}
		time.Sleep(time.Minute)
		if p, err := d.AnswerPrompt(id, "", "desk"); err != nil || p.Choice != "done" || p.By != "desk" || p.SettledAt.Sub(p.OpenedAt) != time.Minute {
			t.Errorf("answered: %+v, %v", p, err)
		}
		<-asked.done
		if asked.err != nil || asked.answer != (Answer{Choice: "done", By: "desk"}) {
			t.Errorf("the asker heard %+v, %v", asked.answer, asked.err)
		}
		if _, err := d.AnswerPrompt(id, "done", "another"); err != nil {
			t.Errorf("the same answer again: %v, want nothing to happen", err)
		}
		if _, err := d.AnswerPrompt(id, "cannot", "another"); !errors.Is(err, ErrNotNow) || !strings.Contains(err.Error(), "unplug handset Alder: done") {
			t.Errorf("another answer afterwards: %v", err)
		}
		p, err := d.store.Prompt(id)
		if err != nil || p.By != "desk" || !p.Taken || len(d.Prompts()) != 0 {
			t.Errorf("stored: %+v, %v", p, err)
		}
		var texts []string
		changes, _ := d.Changes(0)
		for _, c := range changes {
			texts = append(texts, c.Kind+" "+c.Text)
		}
		if got := strings.Join(texts, "; "); got != "prompt unplug handset Alder; prompt unplug handset Alder: done" {
			t.Errorf("published: %s", got)
		}
	})
}

func TestPromptsDefaultStandsAtItsLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, stop := promptDaemon(t, t.TempDir())
		defer stop()
		start := time.Now()
		asked := ask(t.Context(), d, unplug())
		id := d.Prompts()[0].ID
		<-asked.done
		if took := time.Since(start); asked.err != nil || asked.answer != (Answer{Choice: "cannot", ByDefault: true}) || took != 15*time.Minute {
			t.Errorf("after %v: %+v, %v", took, asked.answer, asked.err)
		}
		if p, err := d.store.Prompt(id); err != nil || p.State != results.PromptUnanswered || p.Choice != "cannot" || p.By != "" {
			t.Errorf("stored: %+v, %v", p, err)
		}
		if _, err := d.AnswerPrompt(id, "done", "late"); !errors.Is(err, ErrNotNow) || !strings.Contains(err.Error(), "nobody answered") {
			t.Errorf("an answer too late: %v", err)
		}
	})
}

// A prompt ends with what its asker's context ends of.
func TestPromptIsWithdrawn(t *testing.T) {
	for _, tt := range []struct {
		cause         error
		state, reason string
	}{
		{gates.ErrSeen, results.PromptSeen, ""},
		{errors.New("the run was cancelled"), results.PromptWithdrawn, "the run was cancelled"},
	} {
		synctest.Test(t, func(t *testing.T) {
			d, stop := promptDaemon(t, t.TempDir())
			defer stop()
			ctx, end := context.WithCancelCause(t.Context())
			asked := ask(ctx, d, unplug())
			id := d.Prompts()[0].ID
			end(tt.cause)
			<-asked.done
			if !errors.Is(asked.err, context.Canceled) {
				t.Errorf("%v: the asker heard %v", tt.cause, asked.err)
			}
			if p, err := d.store.Prompt(id); err != nil || p.State != tt.state || p.Reason != tt.reason {
				t.Errorf("%v: stored %+v, %v", tt.cause, p, err)
			}
		})
	}
}

// The daemon stops while a prompt stands, and is started again: the prompt is the same
// one, its limit goes on, and an answer that is given before anybody asks again is heard.
func TestPromptOutlivesTheDaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		d, stop := promptDaemon(t, dir)
		ctx, end := context.WithCancel(t.Context())
		asked := ask(ctx, d, unplug())
		other := ask(ctx, d, Prompt{Text: "place the meter", Run: "r2", Limit: time.Hour, Choices: []string{"done"}, Default: "done"})
		id := d.Prompts()[0].ID
		time.Sleep(10 * time.Minute)
		close(d.prompts.ending)
		end()
		<-asked.done
		<-other.done
		d.prompts.ending = make(chan struct{}) // stop closes it
		stop()

		d, stop = promptDaemon(t, dir)
		if open := d.Prompts(); len(open) != 2 || open[0].ID != id {
			t.Fatalf("open after the restart: %+v", open)
		}
		again := ask(t.Context(), d, unplug())
		if open := d.Prompts(); len(open) != 2 {
			t.Errorf("asked again, %d prompts are open", len(open))
		}
		start := time.Now()
		<-again.done
		if took := time.Since(start); !again.answer.ByDefault || took != 5*time.Minute {
			t.Errorf("the limit ended after %v more (%+v)", took, again.answer)
		}
		meter := d.Prompts()[0].ID
		if _, err := d.AnswerPrompt(meter, "done", "desk"); err != nil {
			t.Fatal(err)
		}
		stop() // killed before anybody has heard it

		d, stop = promptDaemon(t, dir)
		defer stop()
		heard := ask(t.Context(), d, Prompt{Text: "place the meter", Run: "r2", Limit: time.Hour, Choices: []string{"done"}, Default: "done"})
		<-heard.done
		if heard.err != nil || heard.answer != (Answer{Choice: "done", By: "desk"}) {
			t.Errorf("heard %+v, %v", heard.answer, heard.err)
		}
		asked = ask(t.Context(), d, unplug()) // the old one was told already
		if open := d.Prompts(); len(open) != 1 || open[0].ID == id {
			t.Errorf("a new question is %+v", open)
		}
		if _, err := d.AnswerPrompt(d.Prompts()[0].ID, "cannot", "desk"); err != nil {
			t.Error(err)
		}
		<-asked.done
	})
}

// Prompts that nobody asks again after a restart do not stand for ever.
func TestPromptNobodyWaitsFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		d, stop := promptDaemon(t, dir)
		now := d.now()
		for _, p := range []results.Prompt{
			{ID: "p1", RunID: "over", Text: "a", State: results.PromptOpen},
			{ID: "p2", RunID: "alive", Text: "b", State: results.PromptOpen},
			{ID: "p3", RunID: "over", Text: "c", State: results.PromptAnswered, Choice: "done"},
		} {
			p.OpenedAt, p.Until, p.Choices, p.Default = now, now.Add(time.Hour), []string{"done", "cannot"}, "cannot"
			if err := d.store.PutPrompt(p); err != nil {
				t.Fatal(err)
			}
		}
		for id, state := range map[string]State{"over": Stopped, "alive": Recharging} {
			if err := d.store.PutRun(results.Run{ID: id, State: string(state)}); err != nil {
				t.Fatal(err)
			}
		}
		stop()
		d, stop = promptDaemon(t, dir)
		defer stop()
		time.Sleep(time.Minute)
		if open := d.Prompts(); len(open) != 1 || open[0].ID != "p2" {
			t.Errorf("open: %+v, want p2", open)
		}
		time.Sleep(time.Hour)
		for id, want := range map[string]string{"p1": results.PromptWithdrawn, "p2": results.PromptUnanswered, "p3": results.PromptAnswered} {
			if p, err := d.store.Prompt(id); err != nil || p.State != want || !p.Taken {
				t.Errorf("%s: %+v, %v; want %s", id, p, err, want)
			}
		}
		d.prompts.mu.Lock()
		defer d.prompts.mu.Unlock()
		if n := len(d.prompts.standing); n != 0 {
			t.Errorf("%d prompts are kept in memory", n)
		}
	})
}
