package api_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"rundown/orchestrator"
	"rundown/orchestrator/api"
	"rundown/results"
	"rundown/scenarios"
)

// byHandBench is a bench whose handset Alder has a person for its power gate, and a plan
// that needs it recharged first.
func byHandBench(t *testing.T) *bench {
	t.Helper()
	b, err := startWith(func(c *orchestrator.Config) {
		c.Gates = nil
		c.File.Bench.Handsets[0].Gate = scenarios.Gate{ByHand: true, ConfirmWithin: 10 * time.Hour, AnswerWithin: 20 * time.Hour}
		c.File.Notices = scenarios.Notices{RetryFor: time.Hour, Targets: []scenarios.NoticeTarget{
			{Name: "desk", About: scenarios.NoticeKinds, Webhook: &scenarios.Webhook{Address: scenarios.Secret{Env: "RUNDOWN_TEST_NOT_SET"}}},
		}}
		plan := c.File.Plans["short"]
		plan.StartLevel, plan.Segments = scenarios.Window{Least: 95, Most: 99}, plan.Segments[:1]
		c.File.Plans["short"] = plan
	}, []string{"Alder"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.close)
	if _, err := b.daemon.Enqueue(orchestrator.Request{Plan: "short"}); err != nil {
		t.Fatal(err)
	}
	return b
}

// open waits for the prompt that begins with text.
func (b *bench) open(t *testing.T, client *api.Client, text string) results.Prompt {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		list, err := client.Prompts(t.Context(), results.PromptOpen, "")
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range list {
			if strings.HasPrefix(p.Text, text) {
				return p
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("%q is not asked; open are %+v", text, list)
		}
	}
}

// A recharge by hand over the API: the prompt is read, what cannot be answered is refused,
// the answer given, given again and contradicted, the handset read back, and the run goes
// on to its measurement, with both prompts in its record.
func TestPromptsOverTheAPI(t *testing.T) {
	b := byHandBench(t)
	client := api.NewClient(b.url)
	p := b.open(t, client, "plug the charger into handset Alder")
	answer := func(in any) answer { return b.ask(t, "POST", "/v1/prompts/"+p.ID+"/answer", in) }
	if a := answer(map[string]any{"choice": "maybe"}); a.status != 422 || !strings.Contains(problemOf(t, a), "done or cannot") {
		t.Errorf("a choice that it does not have: %d", a.status)
	}
	if a := answer(map[string]any{"choice": "done"}); a.status != 200 {
		t.Errorf("done: %d %s", a.status, a.body)
	}
	var said results.Prompt
	if a := answer(nil); a.status != 200 {
		t.Errorf("done once more, without a body: %d %s", a.status, a.body)
	}
	if a := answer(map[string]any{}); a.status != 200 || json.Unmarshal(a.body, &said) != nil || said.Choice != "done" || said.By != "this host" {
		t.Errorf("done once more, without a choice: %d %s", a.status, a.body)
	}
	if a := answer(map[string]any{"choice": "cannot"}); a.status != 409 || !strings.Contains(problemOf(t, a), ": done") {
		t.Errorf("cannot, after done: %d", a.status)
	}
	b.handsets["Alder"].Plug(true) // the hand was slower than the answer: the handset is waited for
	p = b.open(t, client, "unplug handset Alder")
	b.handsets["Alder"].Plug(false)
	if _, err := client.Answer(t.Context(), p.ID, ""); err != nil && !strings.Contains(err.Error(), "seen on the handset") {
		t.Error(err)
	}
	if err := b.finish(); err != nil {
		t.Fatal(err)
	}
	r, err := client.Run(t.Context(), p.RunID)
	if err != nil || len(r.Prompts) != 2 || r.Prompts[0].Choice != "done" || r.Run.State != string(orchestrator.Done) || r.Segments[0].Outcome != results.Measured {
		t.Errorf("the run: %+v, %v", r, err)
	}
	a := b.ask(t, "GET", "/v1/export/prompts?format=csv", nil)
	if lines := strings.Split(strings.TrimSpace(string(a.body)), "\n"); len(lines) != 3 || !strings.Contains(lines[1], "plug the charger into handset Alder") || !strings.Contains(lines[1], ",answered,done,this host,") {
		t.Errorf("exported: %s", a.body)
	}
	var log []api.LogEntry
	if log, err = client.Log(t.Context(), 50); err != nil || !strings.Contains(log[0].What+log[1].What+log[2].What, "answered done to: plug the charger into handset Alder") {
		t.Errorf("the change log: %+v, %v", log, err)
	}
}

// The same in a browser: what is asked stands first, comes without a reload, is answered
// with the keyboard, and the run's page has it afterwards.
func TestAPromptIsAnsweredInTheBrowser(t *testing.T) {
	b := byHandBench(t)
	client := api.NewClient(b.url)
	p := openTab(t, b)
	p.size(1280, 800, "light")
	p.open("/")
	p.js(`window.here = "still the same page", ""`)
	const asks = `document.querySelector(".asks")?.textContent ?? ""`
	p.until(asks, "Plug the charger into handset Alder")
	p.until(heading, "One handset needs a hand")
	p.until(`document.querySelector(".do .what")?.textContent ?? ""`, "Asked since")
	if got := p.js(`document.querySelector(".asks").getAttribute("aria-live") + " " + document.querySelector(".asks").compareDocumentPosition(document.querySelector("table.bench"))`); got != "polite 4" {
		t.Errorf("what is asked is %q, want it announced and before the table", got)
	}
	p.until(`document.querySelector("main").textContent`, "Notices cannot be sent to desk: webhook: address: the environment variable RUNDOWN_TEST_NOT_SET is not set for the daemon.")
	for _, at := range []struct {
		name          string
		width, height int64
		scheme        string
	}{{"desk", 1280, 800, "light"}, {"desk", 1280, 800, "dark"}, {"phone", 390, 844, "light"}, {"small", 320, 700, "dark"}} {
		p.size(at.width, at.height, at.scheme)
		p.fits("asked-" + at.name + "-" + at.scheme)
		p.accessible("asked-" + at.name + "-" + at.scheme)
	}
	p.size(1280, 800, "light")
	// To the button with the tabulator key, as without a mouse, and pressed there.
	p.js(`document.getElementById("main").focus(), ""`)
	for range 20 {
		if strings.HasPrefix(p.js(`document.activeElement.textContent`), "It is done") {
			break
		}
		if err := chromedp.Do(p.ctx, chromedp.KeyEvent("\t")); err != nil {
			t.Fatal(err)
		}
	}
	if got := p.js(`document.activeElement.textContent`); got != "It is done: Alder" {
		t.Errorf("the keyboard comes to %q, want the first answer", got)
	}
	if err := chromedp.Do(p.ctx, chromedp.KeyEvent("\r")); err != nil {
		t.Fatal(err)
	}
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "The run goes on once the handset shows it.")
	b.handsets["Alder"].Plug(true)
	p.until(asks, "Unplug handset Alder")
	p.press("It cannot be done: Alder")
	p.until(`document.querySelector(".said")?.textContent ?? ""`, "Unplug handset Alder from its charger: cannot.")
	if got := p.js(`window.here ?? "another page"`); got != "still the same page" {
		t.Error("the page was loaded anew")
	}
	p.fits("answered")
	b.open(t, client, "unplug handset Alder") // asked again while its run ends: it must not stay on power
	b.handsets["Alder"].Plug(false)
	if err := b.finish(); err != nil {
		t.Fatal(err)
	}
	run := mustRuns(t, b)[0]
	if !strings.Contains(run.Reason, "the person asked could not do it") {
		t.Errorf("the run ended: %s", run.Reason)
	}
	p.open("/runs/" + run.ID)
	p.until(`document.querySelector("main").textContent`, "asked: unplug handset Alder from its charger: cannot (this host")
}
