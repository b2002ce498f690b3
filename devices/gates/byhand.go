package gates

import (
	"context"
	"errors"
	"fmt"
	"time"

	"rundown/devices"
)

var (
	// ErrDeclined means that the person asked said that it cannot be done.
	ErrDeclined = errors.New("the person asked could not do it")
	// ErrUnanswered means that nobody answered within the time limit.
	ErrUnanswered = errors.New("nobody answered within the time limit")
	// ErrSeen, as the cause of the end of a question's context, means that the handset
	// itself shows that what was asked is done.
	ErrSeen = errors.New("the handset shows that it is done")
)

// A Question is what a person is asked to do with their hands.
type Question struct {
	Handset string
	Text    string        // what to do, one sentence
	Options []string      // what can be answered
	Default string        // what stands when nobody answers within Limit; one of Options
	Limit   time.Duration // how long the question stands
}

// An Answer is what was chosen.
type Answer struct {
	Option    string
	ByDefault bool // nobody answered, the default stands
}

// A Prompter puts questions to whoever stands at the bench. Ask returns with the answer,
// with the default at the question's limit, or with the context's error when the question
// is withdrawn, as it is, with ErrSeen as the cause, when the handset shows that the hand
// was there already.
type Prompter interface {
	Ask(ctx context.Context, q Question) (Answer, error)
}

// Answers to the questions of ByHand.
const (
	Done   = "done"
	Cannot = "cannot"
)

// ByHand is a gate that a person moves: they are asked, and the handset is read until it
// confirms, whatever they answer.
type ByHand struct {
	handset  string
	prompter Prompter
	phone    Phone
	limit    time.Duration
	o        VerifyOptions
}

var _ devices.PowerGate = (*ByHand)(nil)

// NewByHand returns a gate that asks. limit is how long the question stands (0 stands for
// 15 min); o.Limit is how long the handset may take to confirm after "done".
func NewByHand(handset string, prompter Prompter, phone Phone, limit time.Duration, o VerifyOptions) *ByHand {
	if limit <= 0 {
		limit = 15 * time.Minute
	}
	return &ByHand{handset: handset, prompter: prompter, phone: phone, limit: limit, o: o.filled()}
}

// Name implements devices.PowerGate.
func (b *ByHand) Name() string { return "by hand" }

// Open implements devices.PowerGate.
func (b *ByHand) Open(ctx context.Context) error {
	return b.set(ctx, true, "plug the charger into handset "+b.handset)
}

// Close implements devices.PowerGate.
func (b *ByHand) Close(ctx context.Context) error {
	return b.set(ctx, false, TextToUnplug(b.handset))
}

// TextToUnplug is the question to unplug a handset, whoever asks it.
func TextToUnplug(handset string) string { return "unplug handset " + handset + " from its charger" }

func (b *ByHand) set(ctx context.Context, on bool, text string) error {
	if p, err := b.phone.Power(ctx); err == nil && p.is(on) {
		return nil // nobody need be called
	}
	asked, withdraw := context.WithCancelCause(ctx)
	type outcome struct {
		answer Answer
		err    error
	}
	answers := make(chan outcome, 1)
	go func() {
		a, err := b.prompter.Ask(asked, Question{Handset: b.handset, Text: text, Options: []string{Done, Cannot}, Default: Cannot, Limit: b.limit})
		answers <- outcome{a, err}
	}()
	answered, because := false, error(nil)
	defer func() {
		withdraw(because)
		if !answered {
			<-answers
		}
	}()
	// While the question stands, the handset is watched: who plugs it in need not answer.
	seen := 0
	for {
		if p, err := b.phone.Power(ctx); err == nil && p.is(on) {
			if seen++; seen >= agree {
				because = ErrSeen
				return nil
			}
		} else {
			seen = 0
		}
		if err := b.o.Clock.Sleep(ctx, b.o.Every); err != nil {
			return err
		}
		select {
		case got := <-answers:
			answered = true
			return b.confirm(ctx, on, text, got.answer, got.err)
		default:
		}
	}
}

func (b *ByHand) confirm(ctx context.Context, on bool, text string, a Answer, err error) error {
	switch {
	case err != nil:
		return fmt.Errorf("handset %s: asking a person to %s: %w", b.handset, text, err)
	case a.ByDefault:
		return fmt.Errorf("handset %s: a person was asked to %s: %w (%s)", b.handset, text, ErrUnanswered, devices.Lasting(b.limit))
	case a.Option != Done:
		return fmt.Errorf("handset %s: a person was asked to %s: %w", b.handset, text, ErrDeclined)
	}
	if err := await(ctx, b.phone, on, b.o); err != nil {
		return fmt.Errorf("handset %s: a person was asked to %s and said that it was done: %w", b.handset, text, err)
	}
	return nil
}
