package simulated

import (
	"io"
	"net"
	"testing"
)

func TestMemoryNet(t *testing.T) {
	var n MemoryNet
	l, err := n.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := n.Listen(t.Context(), "tcp", l.Addr().String()); err == nil {
		t.Error("a port was given twice")
	}
	done := make(chan error, 1)
	go func() {
		c, err := l.Accept()
		if err == nil {
			_, err = io.WriteString(c, "hello")
			_ = c.Close()
		}
		done <- err
	}()
	c, err := n.Dial(t.Context(), "tcp", net.JoinHostPort("localhost", itoa(l.Addr().(*net.TCPAddr).Port)))
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(c); string(b) != "hello" || err != nil {
		t.Errorf("read %q, %v", b, err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	_ = l.Close()
	if _, err := n.Dial(t.Context(), "tcp", l.Addr().String()); err == nil {
		t.Error("a listener that was closed is reached")
	}
	if _, err := l.Accept(); err == nil {
		t.Error("a listener that was closed accepts")
	}
}
