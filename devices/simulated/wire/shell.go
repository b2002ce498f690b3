package wire

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"sync"
)

// Packets of the shell v2 protocol: one byte id, four bytes little-endian length, data.
const (
	shellStdin      = 0
	shellStdout     = 1
	shellStderr     = 2
	shellExit       = 3
	shellCloseStdin = 4
)

// mostShellData is the most output that one shell v2 packet carries, in bytes.
const mostShellData = 32 << 10

// A shell is one shell or exec service. Without v2 the streams are merged and the exit
// code is lost, as the protocol has no place for it.
type shell struct {
	phone   Phone
	faults  *Faults
	command string
	v2, pty bool
}

func (sh shell) run(s stream) {
	if sh.command == "" && !sh.v2 {
		sh.pty = true // as adbd does for an old interactive shell
	}
	stdin := io.Reader(s)
	out := &shellWriter{s: s, v2: sh.v2, id: shellStdout, crlf: sh.pty, faults: sh.faults, mu: new(sync.Mutex)}
	errOut := out
	if sh.v2 && !sh.pty {
		errOut = &shellWriter{s: s, v2: true, id: shellStderr, faults: sh.faults, mu: out.mu}
	}
	var fed sync.WaitGroup
	if sh.v2 {
		r, w := io.Pipe()
		defer fed.Wait()
		defer s.Close() // ends the feeding goroutine
		defer r.Close()
		fed.Go(func() { feedStdin(s, w) })
		stdin = r
	}
	code := sh.phone.Exec(s.Context(), sh.command, stdin, out, errOut)
	for sh.faults.Now().EndlessOutput {
		if _, err := io.WriteString(out, "and so on without end\n"); err != nil {
			return
		}
	}
	if s.Context().Err() != nil || !sh.v2 {
		return
	}
	exit := []byte{shellExit, 1, 0, 0, 0, byte(code)}
	switch now := sh.faults.Now(); {
	case now.NoExitPacket:
	case now.HalfHeader:
		s.Write(exit[:2])
	default:
		out.packet(exit)
	}
}

// feedStdin takes the host's packets apart until the stream ends.
func feedStdin(s stream, stdin *io.PipeWriter) {
	in := bufio.NewReader(s)
	defer stdin.Close()
	var head [5]byte
	for {
		if _, err := io.ReadFull(in, head[:]); err != nil {
			return
		}
		data := io.LimitReader(in, int64(binary.LittleEndian.Uint32(head[1:])))
		switch head[0] {
		case shellStdin:
			// A command that reads no more loses its input, and the rest is still read.
			io.Copy(stdin, data)
		case shellCloseStdin:
			stdin.Close()
		}
		if _, err := io.Copy(io.Discard, data); err != nil {
			return
		}
	}
}

// A shellWriter writes one of a command's two streams.
type shellWriter struct {
	s        stream
	v2, crlf bool
	id       byte
	faults   *Faults
	mu       *sync.Mutex // keeps packets of both streams whole
}

func (w *shellWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for done := 0; done < len(p); {
		part := p[done:min(len(p), done+mostShellData)]
		data := part
		if w.crlf {
			data = bytes.ReplaceAll(part, []byte("\n"), []byte("\r\n"))
		}
		var err error
		if w.v2 {
			buf := binary.LittleEndian.AppendUint32([]byte{w.id}, uint32(len(data)))
			err = w.packet(append(buf, data...))
		} else {
			_, err = w.s.Write(data)
		}
		if err != nil {
			return done, err
		}
		done += len(part)
	}
	return len(p), nil
}

func (w *shellWriter) packet(p []byte) error {
	if w.faults.Now().SplitHeaders {
		const within = 3 // bytes of a header of five
		if _, err := w.s.Write(p[:within]); err != nil {
			return err
		}
		p = p[within:]
	}
	_, err := w.s.Write(p)
	return err
}
