package orchestrator

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"rundown/devices"
	"rundown/orchestrator/notices"
	"rundown/results"
	"rundown/scenarios"
)

// newNotices makes the sender of the plan file's notices.
func (d *Daemon) newNotices() *notices.Sender {
	return notices.New(notices.Config{
		Notices: d.file.Notices, Bench: d.file.Bench.Name, Clock: d.clock, Log: d.log,
		Changed: func(r notices.Record, to notices.Delivery) {
			if to.State == notices.Failed || to.State == notices.Unknown {
				d.publish(Change{Kind: "notice", Handset: r.Notice.Handset, Run: r.Notice.Run, Text: fmt.Sprintf("%s not delivered to %s: %s", r.Notice.Title, to.Target, to.Error)})
			}
		},
	})
}

// notify tells those away from the bench, once for each cause.
func (d *Daemon) notify(n notices.Notice) {
	n.At = d.now()
	if err := d.notices.Post(n); err != nil {
		d.log.Error().Err(err).Str("kind", n.Kind).Str("handset", n.Handset).Msg("a notice could not be stored, and is not sent")
	}
}

// notifyPrompt tells that a person is asked.
func (d *Daemon) notifyPrompt(p results.Prompt) {
	text := p.Text + ".\n"
	if p.Why != "" {
		text += p.Why + ".\n"
	}
	text += fmt.Sprintf("Without an answer by %s %s. Answer in the console, or: rundown answer %s", devices.At(p.Until), UnansweredSays(p), p.ID)
	d.notify(notices.Notice{
		Cause: "prompt " + p.ID, Kind: scenarios.NoticePrompt, Title: "a person is asked: " + p.Text, Text: text, Handset: p.Handset, Run: p.RunID, Prompt: p.ID,
	})
}

// notifySetAside tells that a handset begins no run until somebody has looked at it.
func (d *Daemon) notifySetAside(s SetAside) {
	d.notify(notices.Notice{
		Cause: fmt.Sprintf("set aside %s %d", s.Handset, s.Since.UnixNano()), Kind: scenarios.NoticeSetAside, Title: s.Handset + " is set aside",
		Text: fmt.Sprintf("%s. Look at the handset; when it is well: rundown release %s", s.Reason, s.Handset), Handset: s.Handset, Run: s.Run,
	})
}

// notifyLimit tells that a temperature, level or time limit has ended the segment.
func (r *run) notifyLimit() {
	g := r.live
	if g == nil {
		return
	}
	reason := g.u.Verdict.Reason
	if reason == "" {
		reason = "ended at a limit"
	}
	r.d.notify(notices.Notice{
		Cause: "limit " + g.u.ID, Kind: scenarios.NoticeLimit, Title: fmt.Sprintf("%s: %s %s", r.h.Name, g.scenario.Name, reason),
		Text: fmt.Sprintf("Plan %s on %s: segment %d, %s, %s.", r.e.Item.Plan, r.h.Name, r.e.Step+1, g.scenario.Name, reason), Handset: r.h.Name, Run: r.e.RunID,
	})
}

// notifyLinkLost tells, once for each time that it is lost, that a link has been lost for long.
func (r *run) notifyLinkLost(s HandsetStatus) {
	r.d.notify(notices.Notice{
		Cause: fmt.Sprintf("link %s %d", r.e.RunID, s.LinkLostAt.UnixNano()), Kind: scenarios.NoticeLinkLost, Title: r.h.Name + " has not been reached for an hour",
		Text: fmt.Sprintf("%s: %s. What the handset measures goes on by itself, and its files are fetched when it is back.", r.h.Name, sayLinkLost(s)), Handset: r.h.Name, Run: r.e.RunID,
	})
}

// notifyOver tells that the run is over.
func (r *run) notifyOver() {
	plan := r.e.Item.Plan
	title := fmt.Sprintf("plan %s on %s has finished", plan, r.h.Name)
	text := "Plan " + plan + " has finished on " + r.h.Name + "."
	if r.e.State == Stopped {
		title, text = fmt.Sprintf("plan %s on %s was stopped", plan, r.h.Name), fmt.Sprintf("Plan %s was stopped on %s: %s.", plan, r.h.Name, r.e.StopReason)
	}
	segments, err := r.d.store.Segments(r.e.RunID)
	if err != nil {
		r.log.Error().Err(err).Msg("some segments cannot be read and are not counted in the notice")
	}
	var h NightHandset
	for _, g := range segments {
		h.count(g)
	}
	text += fmt.Sprintf(" Segments: %d measured, %d flagged, %d spoiled, %d cancelled, %d not begun.", h.Measured, h.Flagged, h.Spoiled, h.Cancelled, h.Skipped)
	if len(h.Reasons) > 0 {
		text += "\n" + strings.Join(h.Reasons, "\n")
	}
	text += "\nIn full: rundown show " + r.e.RunID
	r.d.notify(notices.Notice{Cause: "run " + r.e.RunID, Kind: scenarios.NoticeRunFinished, Title: title, Text: text, Handset: r.h.Name, Run: r.e.RunID})
}

// notifyHot tells that charging was cut for heat, once a run.
func (r *run) notifyHot(tempC, limitC float64) {
	title, then := "charging cut", "its power is cut until it has cooled"
	if r.byHand() {
		title, then = "unplug it", "unplug it now; nothing here can cut its power"
	}
	r.d.notify(notices.Notice{
		Cause: "hot " + r.e.RunID, Kind: scenarios.NoticeLimit, Title: fmt.Sprintf("%s: %s, battery at %.1f °C", r.h.Name, title, tempC),
		Text: fmt.Sprintf("The battery of %s is at %.1f °C while it is recharged (limit %.1f °C): %s.", r.h.Name, tempC, limitC, then), Handset: r.h.Name, Run: r.e.RunID,
	})
}

// Notices are those of the last months with what became of each, newest first.
func (d *Daemon) Notices() ([]notices.Record, error) { return d.notices.List() }

// NoticeTargets are the plan file's targets and what keeps each from being used.
func (d *Daemon) NoticeTargets() []notices.Status { return d.notices.Targets() }

// TestNotices sends a test to one target, to all where target is empty. ErrRequest when
// the plan file does not have it, or has none.
func (d *Daemon) TestNotices(ctx context.Context, target string) ([]notices.Trial, error) {
	if len(d.file.Notices.Targets) == 0 {
		return nil, fmt.Errorf("%w: the plan file names no targets under notices", ErrRequest)
	}
	trials, err := d.notices.Test(ctx, target)
	if errors.Is(err, notices.ErrNoTarget) {
		return nil, fmt.Errorf("%w: %w", ErrRequest, err)
	}
	return trials, err
}
