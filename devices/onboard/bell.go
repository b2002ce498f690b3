package onboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"rundown/devices"
)

// A handset that sleeps is not asked how it is; it says so itself. A command that waits there
// for a sign ends when it has come, and the end reaches the host at once. Its naps stand still
// while the handset is suspended, so that waiting wakes nothing: it looks when something else
// has woken the handset, and what matters most does that, power that comes.

// ErrNoBell means that a handset can only be asked: its link takes no command that stays.
var ErrNoBell = errors.New("a command that waits cannot be left on this link")

// bellEvery is how often a handset that is awake looks, s; tests have less time.
var bellEvery = "20"

// A streamer is a link that carries the output of a command as it comes, for as long as the
// command takes.
type streamer interface {
	StreamShell(ctx context.Context, command string, stdout, stderr io.Writer) (exitCode int, err error)
}

// AwaitEnd waits on the handset until a segment has ended there, whatever for, or ctx ends.
// armed is called once, when the handset waits.
func AwaitEnd(ctx context.Context, l devices.Link, key string, armed func()) error {
	if err := checkKey(key); err != nil {
		return err
	}
	return await(ctx, l, `[ -s "$_d/end.txt" ] || [ ! -d "$_d" ]`, "_d="+devices.Quote(dir(key))+"\n", armed)
}

// AwaitPower waits on the handset until its battery shows a power source, or ctx ends. It gives
// up with an error when somebody takes the handset meanwhile: what is measured there is not
// measured beside another's readings.
func AwaitPower(ctx context.Context, l devices.Link, armed func()) error {
	before := "_r=" + devices.Quote(Root) + "\n" + `set -- "$_r"/` + holdersFolder + `/*
_n="$*"
holders() {
	set -- "$_r"/` + holdersFolder + `/*
	[ "$*" = "$_n" ] || exit 0
}
`
	return await(ctx, l, `{ holders; case $(dumpsys battery) in *'powered: true'*) true ;; *) false ;; esac; }`, before, armed)
}

// await waits until a command of the handset's shell succeeds there.
func await(ctx context.Context, l devices.Link, holds, before string, armed func()) error {
	s, ok := l.(streamer)
	if !ok {
		return ErrNoBell
	}
	out := &hearing{word: "waits", then: armed}
	command := before + "echo waits\nuntil " + holds + "; do sleep " + bellEvery + "; done\necho come"
	if _, err := s.StreamShell(ctx, command, out, io.Discard); err != nil {
		return fmt.Errorf("waiting on %s: %w", l.Serial(), err)
	}
	if said := strings.TrimSpace(out.String()); !strings.HasSuffix(said, "come") {
		return fmt.Errorf("waiting on %s: it ended with %q", l.Serial(), said)
	}
	return nil
}

// hearing is output that calls a function once, when a word has come.
type hearing struct {
	mu   sync.Mutex
	buf  bytes.Buffer
	word string
	then func()
}

func (h *hearing) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.buf.Len() < 4096 { // of a handset that talks, the beginning and the latest
		h.buf.Write(b)
	} else {
		h.buf.Truncate(2048)
		h.buf.Write(b)
	}
	if h.then != nil && strings.Contains(h.buf.String(), h.word) {
		h.then()
		h.then = nil
	}
	return len(b), nil
}

func (h *hearing) String() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.buf.String()
}
