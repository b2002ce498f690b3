package orchestrator_test

import (
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"rundown/devices/adb"
	"rundown/orchestrator"
)

// Two adb servers, of which one answers at once and one accepts and says nothing for long:
// the handsets of the first are ready, those of the second are not looked at yet. Nothing
// is missing until a server has said so.
func TestNotLookedYetIsNotMissing(t *testing.T) {
	t.Parallel()
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	b := newBench(t, []string{"Alder", "Birch", "Cedar"}, shortPlan)
	overServer(t, b)
	b.file.Bench.Servers = []string{b.servers[0], silent.Addr().String()}
	for i, h := range b.file.Bench.Handsets {
		b.file.Bench.Handsets[i].Serial, b.file.Bench.Handsets[i].Server = b.serials[h.Name], b.file.Bench.Servers[i%2]
	}
	b.file.Bench.Handsets[2].Serial = "NOT-THERE"
	b.adb = adb.Options{RequestTimeout: 20 * time.Second, PollEvery: 100 * time.Millisecond}
	b.startDaemon()
	within(t, 20*time.Second, "the first server's handsets are looked at", func() bool { return b.daemon.Handsets()[0].Link == "ready" })
	list := b.daemon.Handsets()
	if got := list[1]; got.Link != orchestrator.LinkNotLooked || !strings.Contains(got.Advice, silent.Addr().String()) {
		t.Errorf("on a server that has said nothing: %q, %q; want %q and the server's address", got.Link, got.Advice, orchestrator.LinkNotLooked)
	}
	if got := list[2]; got.Link != "not seen" {
		t.Errorf("on a server that does not list it: %q, want not seen", got.Link)
	}
	if _, err := b.daemon.Collect(t.Context(), "Birch"); !errors.Is(err, orchestrator.ErrNotLooked) {
		t.Errorf("collecting from a handset that is not looked at yet: %v", err)
	}
	_ = silent.Close() // accepted or not, nothing answers there any more
	within(t, 30*time.Second, "the silent server is heard as absent", func() bool { return b.daemon.Handsets()[1].Link == orchestrator.LinkNoServer })
}
