package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rundown/devices/gates"
	"rundown/results"
)

// A Prompt is a question to whoever stands at the bench.
type Prompt struct {
	Handset string // empty: none in particular
	Run     string // that asks; empty: none does
	Segment string
	Text    string        // what to do or to decide, one sentence
	Why     string        // why it is asked
	Limit   time.Duration // how long it stands
	Choices []string      // what can be answered; the first is the plain "done"
	Default string        // what stands when nobody answers within Limit; one of Choices
}

// An Answer is what came of a prompt.
type Answer struct {
	Choice    string
	By        string // who answered; empty when nobody did
	ByDefault bool   // nobody answered, the default stands
}

// ErrNoPrompt means that there is no prompt of this identifier.
var ErrNoPrompt = errors.New("no such prompt")

// prompts are the questions that stand, in the store and in memory.
type prompts struct {
	mu       sync.Mutex
	standing map[string]*promptAtHand // by ID: open, or answered and not yet heard
	ending   chan struct{}            // closed when the daemon stops: what is open stays so
}

type promptAtHand struct {
	rec     results.Prompt
	settled chan struct{} // closed when it has an answer
	asked   bool          // somebody waits for the answer
}

func newPrompts() *prompts {
	return &prompts{standing: map[string]*promptAtHand{}, ending: make(chan struct{})}
}

// loadPrompts takes up what stood when the daemon stopped or died.
func (d *Daemon) loadPrompts() error {
	list, err := d.store.Prompts("")
	for _, p := range list {
		if p.State != results.PromptOpen && p.Taken {
			continue
		}
		s := &promptAtHand{rec: p, settled: make(chan struct{})}
		if p.State == results.PromptAnswered {
			close(s.settled)
		} else if p.State != results.PromptOpen {
			continue
		}
		d.prompts.standing[p.ID] = s
	}
	return err
}

// prompt asks a person and waits: for an answer, for the prompt's limit, which makes its
// default the answer, or for the end of ctx, which withdraws it (gates.ErrSeen as its cause:
// because the handset shows that it is done). The only errors are ctx's and the store's.
//
// A prompt outlives the daemon. Whoever asks the same of the same handset in the same run
// again after a restart finds the prompt as it stood, its limit running from when it was
// first asked, or the answer that was given meanwhile.
func (d *Daemon) prompt(ctx context.Context, q Prompt) (Answer, error) {
	if q.Text == "" || q.Limit <= 0 || !slices.Contains(q.Choices, q.Default) {
		return Answer{}, fmt.Errorf("prompt %q: want a text, a limit and a default that is one of its choices", q.Text)
	}
	s, err := d.openPrompt(q)
	if err != nil {
		return Answer{}, err
	}
	return d.awaitAnswer(ctx, s, q)
}

// awaitAnswer waits for the answer to a prompt that was opened, as prompt says.
func (d *Daemon) awaitAnswer(ctx context.Context, s *promptAtHand, q Prompt) (Answer, error) {
	waited, before := d.stopwatch(), max(d.now().Sub(d.recordOf(s).OpenedAt), 0)
	for {
		left := q.Limit - before - waited.read()
		if left <= 0 {
			if err := d.settlePrompt(s, results.PromptUnanswered, q.Default, "", ""); err != nil {
				return Answer{}, err
			}
		}
		slept := d.sleeping(ctx, min(max(left, 0), longestStep))
		select {
		case <-s.settled:
		case <-slept.done:
		}
		slept.end()
		select {
		case <-s.settled:
			return d.takeAnswer(s)
		default:
		}
		if ctx.Err() != nil {
			return Answer{}, d.withdraw(ctx, s)
		}
	}
}

// openPrompt finds the prompt that stands already, or opens it.
func (d *Daemon) openPrompt(q Prompt) (*promptAtHand, error) {
	d.prompts.mu.Lock()
	for _, s := range d.prompts.standing {
		if !s.asked && s.rec.Handset == q.Handset && s.rec.RunID == q.Run && s.rec.SegmentID == q.Segment && s.rec.Text == q.Text {
			s.asked = true
			d.prompts.mu.Unlock()
			return s, nil
		}
	}
	d.prompts.mu.Unlock()
	now := d.now()
	s := &promptAtHand{asked: true, settled: make(chan struct{}), rec: results.Prompt{
		ID: newID("p", now), Handset: q.Handset, RunID: q.Run, SegmentID: q.Segment, Text: q.Text, Why: q.Why, OpenedAt: now, Until: now.Add(q.Limit),
		Choices: slices.Clone(q.Choices), Default: q.Default, State: results.PromptOpen,
	}}
	rec := s.rec // once others may find it, it is theirs too
	if err := d.store.PutPrompt(rec); err != nil {
		return nil, err
	}
	d.prompts.mu.Lock()
	d.prompts.standing[rec.ID] = s
	d.prompts.mu.Unlock()
	d.log.Warn().Str("handset", q.Handset).Str("run", q.Run).Str("prompt", rec.ID).Time("until", rec.Until).Str("default", q.Default).Msg("a person is asked: " + q.Text)
	if q.Handset != "" {
		d.tell(q.Handset, func(h *HandsetStatus) { h.WaitsFor = waitsForPerson(q.Text) })
	}
	d.publish(Change{Kind: "prompt", Handset: q.Handset, Run: q.Run, Text: q.Text})
	d.notifyPrompt(rec)
	return s, nil
}

func waitsForPerson(text string) string { return "a person: " + text }

// recordOf is a prompt as it stands now.
func (d *Daemon) recordOf(s *promptAtHand) results.Prompt {
	d.prompts.mu.Lock()
	defer d.prompts.mu.Unlock()
	return s.rec
}

// settlePrompt gives a prompt its answer, once: one that has it keeps it.
func (d *Daemon) settlePrompt(s *promptAtHand, state, choice, by, reason string) error {
	d.prompts.mu.Lock()
	defer d.prompts.mu.Unlock()
	if s.rec.State != results.PromptOpen {
		return nil
	}
	rec := s.rec
	rec.State, rec.Choice, rec.By, rec.Reason, rec.SettledAt = state, choice, by, reason, d.now()
	// What was withdrawn, and what nobody waits for, is not heard by anybody later.
	rec.Taken = state != results.PromptAnswered && (state != results.PromptUnanswered || !s.asked)
	if err := d.store.PutPrompt(rec); err != nil {
		return err
	}
	s.rec = rec
	close(s.settled)
	if rec.Taken {
		delete(d.prompts.standing, rec.ID)
	}
	if rec.Handset != "" {
		d.tell(rec.Handset, func(h *HandsetStatus) {
			if h.WaitsFor == waitsForPerson(rec.Text) {
				h.WaitsFor = ""
			}
		})
	}
	d.log.Info().Str("handset", rec.Handset).Str("run", rec.RunID).Str("prompt", rec.ID).Str("state", state).Str("choice", choice).Str("by", by).Msg("a prompt has its answer")
	d.publish(Change{Kind: "prompt", Handset: rec.Handset, Run: rec.RunID, Text: rec.Outcome()})
	return nil
}

// takeAnswer hands the answer to whoever asked.
func (d *Daemon) takeAnswer(s *promptAtHand) (Answer, error) {
	d.prompts.mu.Lock()
	defer d.prompts.mu.Unlock()
	rec := s.rec
	rec.Taken = true
	if err := d.store.PutPrompt(rec); err != nil {
		s.asked = false // it is asked again, and the answer is still there
		return Answer{}, err
	}
	s.rec = rec
	delete(d.prompts.standing, rec.ID)
	return Answer{Choice: rec.Choice, By: rec.By, ByDefault: rec.State == results.PromptUnanswered}, nil
}

// withdraw ends a prompt whose asker has gone. When it is the daemon that stops, the
// prompt stays as it is.
func (d *Daemon) withdraw(ctx context.Context, s *promptAtHand) error {
	select {
	case <-d.prompts.ending:
		return ctx.Err()
	default:
	}
	state, reason := results.PromptWithdrawn, why(context.Cause(ctx))
	if errors.Is(context.Cause(ctx), gates.ErrSeen) {
		state, reason = results.PromptSeen, ""
	}
	return errors.Join(ctx.Err(), d.settlePrompt(s, state, "", "", reason))
}

// stands reports whether a prompt stands of which is true what is asked, under the lock.
func (d *Daemon) stands(is func(*promptAtHand) bool) bool {
	d.prompts.mu.Lock()
	defer d.prompts.mu.Unlock()
	for _, s := range d.prompts.standing {
		if is(s) {
			return true
		}
	}
	return false
}

// Prompts are those that wait for a person, oldest first.
func (d *Daemon) Prompts() []results.Prompt {
	d.prompts.mu.Lock()
	defer d.prompts.mu.Unlock()
	list := []results.Prompt{}
	for _, s := range d.prompts.standing {
		if s.rec.State == results.PromptOpen {
			list = append(list, s.rec)
		}
	}
	slices.SortFunc(list, func(a, b results.Prompt) int {
		if c := a.OpenedAt.Compare(b.OpenedAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return list
}

// AnswerPrompt answers a prompt; an empty choice is the first of its choices. by says who
// answers, for the record. The same answer again changes nothing, nor does "done" to what
// the handset has shown already. ErrNoPrompt, ErrRequest
// for a choice that it does not have, ErrNotNow when something else stands already.
func (d *Daemon) AnswerPrompt(id, choice, by string) (results.Prompt, error) {
	p, s, err := d.findPrompt(id)
	if err != nil {
		return p, err
	}
	if choice == "" {
		choice = p.Choices[0]
	}
	if !slices.Contains(p.Choices, choice) {
		return p, fmt.Errorf("%w: prompt %s takes %s, not %q", ErrRequest, id, strings.Join(p.Choices, " or "), choice)
	}
	if s != nil {
		if err := d.settlePrompt(s, results.PromptAnswered, choice, by, ""); err != nil {
			return p, err
		}
		if p, _, err = d.findPrompt(id); err != nil {
			return p, err
		}
	}
	if p.State == results.PromptAnswered && p.Choice == choice || p.State == results.PromptSeen && choice == p.Choices[0] {
		return p, nil
	}
	return p, fmt.Errorf("%s: %w: %s", id, ErrNotNow, p.Outcome())
}

// findPrompt finds a prompt where it stands, or in the store.
func (d *Daemon) findPrompt(id string) (results.Prompt, *promptAtHand, error) {
	d.prompts.mu.Lock()
	defer d.prompts.mu.Unlock()
	if s := d.prompts.standing[id]; s != nil {
		return s.rec, s, nil
	}
	p, err := d.store.Prompt(id)
	if errors.Is(err, results.ErrNotFound) {
		err = fmt.Errorf("%s: %w: `rundown prompts` lists those that wait", id, ErrNoPrompt)
	}
	return p, nil, err
}

// watchPrompts ends prompts for which nobody waits any more, such as those of a run that
// was over when the daemon started again.
func (d *Daemon) watchPrompts(ctx context.Context) {
	for {
		d.prompts.mu.Lock()
		var left []*promptAtHand
		for _, s := range d.prompts.standing {
			if !s.asked {
				left = append(left, s)
			}
		}
		d.prompts.mu.Unlock()
		for _, s := range left {
			if err := d.endUnasked(s); err != nil {
				d.log.Error().Err(err).Str("prompt", d.recordOf(s).ID).Msg("a prompt that nobody waits for could not be ended")
			}
		}
		if d.clock.Sleep(ctx, d.pollEvery) != nil {
			return
		}
	}
}

func (d *Daemon) endUnasked(s *promptAtHand) error {
	rec := d.recordOf(s)
	if run, err := d.store.Run(rec.RunID); rec.RunID != "" && err == nil && State(run.State).over() {
		if rec.State == results.PromptAnswered {
			_, err := d.takeAnswer(s) // nobody is left to hear it
			return err
		}
		return d.settlePrompt(s, results.PromptWithdrawn, "", "", "its run is over")
	}
	if d.now().After(rec.Until) {
		return d.settlePrompt(s, results.PromptUnanswered, rec.Default, "", "")
	}
	return nil
}

// A nap is a sleep by the daemon's clock that can be ended.
type nap struct {
	done   chan struct{}
	cancel context.CancelFunc
}

func (d *Daemon) sleeping(ctx context.Context, long time.Duration) nap {
	ctx, cancel := context.WithCancel(ctx)
	n := nap{done: make(chan struct{}), cancel: cancel}
	go func() {
		defer close(n.done)
		_ = d.clock.Sleep(ctx, long)
	}()
	return n
}

// end ends the sleep and waits until it has ended.
func (n nap) end() {
	n.cancel()
	<-n.done
}
