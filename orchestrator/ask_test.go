package orchestrator_test

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/results"
)

// askingBench has a handset whose browser asks in words that the scenario does not know.
func askingBench(t *testing.T) *bench {
	t.Helper()
	return newBench(t, []string{"Alder"}, `
plans:
  call: {drain: 3, start_level_pct: {least: 50, most: 94}, restart_spoiled: 0, segments: [call]}
`, func(_ string, o *simulated.Options) { o.BrowserAsks = []string{"İzin ver", "Engelle"} }).start(overServer)
}

// press is a finger on what carries a text.
func press(t *testing.T, h *simulated.Handset, text string) {
	t.Helper()
	bounds := regexp.MustCompile(`text="` + text + `"[^>]*bounds="\[(\d+),(\d+)\]`)
	screen := show(t, h, "uiautomator dump /sdcard/w.xml >/dev/null; cat /sdcard/w.xml; rm /sdcard/w.xml")
	at := bounds.FindStringSubmatch(screen)
	if at == nil {
		t.Fatalf("no %q on the screen: %s", text, screen)
	}
	x, _ := strconv.Atoi(at[1])
	y, _ := strconv.Atoi(at[2])
	show(t, h, fmt.Sprintf("input tap %d %d", x+2, y+2))
}

// A call whose page may not use the camera: a person is asked, and once they have seen to
// it on the handset the segment goes on as if nothing had been. The next time nobody is
// asked, and until then whoever queues it is told to stay near.
func TestAPersonIsAskedOnce(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := askingBench(t)
		if said := strings.Join(b.daemon.Cautions("call", "Alder"), " "); !strings.Contains(said, "has not run on Alder before") {
			t.Errorf("cautions %q, want that somebody should stay near", said)
		}
		b.queue("call")
		var prompts []results.Prompt
		within(t, 2*time.Minute, "a person is asked", func() bool { prompts = b.daemon.Prompts(); return len(prompts) > 0 })
		if p := prompts[0]; !strings.Contains(p.Text, "allow it") || !strings.Contains(p.Why, "no call evidence") {
			t.Errorf("asked %q, because %q", p.Text, p.Why)
		}
		press(t, b.handsets["Alder"], "İzin ver")
		if _, err := b.daemon.AnswerPrompt(prompts[0].ID, "done", "somebody"); err != nil {
			t.Fatal(err)
		}
		segments := b.finish(4 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Measured {
			t.Fatalf("segments %+v, want one that is measured", segments)
		}
		if said := b.daemon.Cautions("call", "Alder"); len(said) > 0 {
			t.Errorf("cautions %q of a call that has run, want none", said)
		}
	})
}

// Nobody answers: the segment is given up with what was asked as the reason.
func TestNobodyAnswers(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T) {
		b := askingBench(t)
		b.queue("call")
		segments := b.finish(4 * time.Minute)["Alder"]
		if len(segments) != 1 || segments[0].Outcome != results.Spoiled || !strings.Contains(segments[0].Reason, "nobody answered on the handset") {
			t.Errorf("segments %+v, want one spoiled since nobody answered", segments)
		}
		if n := len(b.daemon.Prompts()); n != 0 {
			t.Errorf("%d prompts stand after the run", n)
		}
	})
}
