package adb

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"time"

	"rundown/devices"
)

// Shell runs a command line to its end, within Options.ShellTimeout. Its standard input
// is empty. ErrLinkLost means that the end was not seen: the command may have run, in
// part or whole, or may still run. When ctx ends the handset hangs up on the command.
//
// Where the handset's adbd lacks shell v2, both streams arrive in Stdout, and the exit
// code is known all the same (see readMarked).
func (h *Handset) Shell(ctx context.Context, command string) (devices.Output, error) {
	limit := h.server.o.MaxOutput
	stdout, stderr := &capped{left: &limit}, &capped{left: &limit}
	code, err := h.run(ctx, h.server.o.ShellTimeout, 0, command, stdout, stderr)
	out := devices.Output{Stdout: stdout.buf.String(), Stderr: stderr.buf.String(), ExitCode: code, ExitKnown: err == nil}
	if errors.Is(err, ErrOutputTooLong) {
		err = fmt.Errorf("%w of %d bytes: narrow the command, or let it write a file and pull that", err, h.server.o.MaxOutput)
	}
	return out, err
}

// StreamShell runs a command line and copies its output as it arrives, without a limit on
// time or size: ctx ends it. It returns the exit code; -1 where the end was not seen. A
// handset without shell v2 sends both streams to stdout.
func (h *Handset) StreamShell(ctx context.Context, command string, stdout, stderr io.Writer) (exitCode int, err error) {
	code, err := h.run(ctx, 0, 0, command, stdout, stderr)
	if err != nil {
		return -1, err
	}
	return code, nil
}

// run runs a command line; limit 0 leaves its length to ctx, but not that of its start.
// idle is the longest time without output, 0 for no such limit.
func (h *Handset) run(ctx context.Context, limit, idle time.Duration, command string, stdout, stderr io.Writer) (int, error) {
	doing := "shell " + strconv.Quote(devices.Shorten(devices.OneLine(command), 80))
	if strings.ContainsRune(command, 0) {
		return 0, about(h.serial, fmt.Errorf("%s: a command line cannot hold a NUL character", doing))
	}
	sock, has, err := h.transport(ctx, limit)
	if err != nil {
		return 0, err
	}
	defer sock.end()
	service, read := "shell,v2,raw:"+command, readPackets
	if !has["shell_v2"] {
		service, read = markedShell(command)
	}
	if limit == 0 {
		_ = sock.conn.SetDeadline(time.Now().Add(h.server.o.ShellTimeout))
	}
	if err := sock.ask(service); err != nil {
		return 0, h.streamError(sock, doing, err)
	}
	if limit == 0 {
		_ = sock.conn.SetDeadline(time.Time{})
	}
	if has["shell_v2"] {
		if _, err := sock.Write([]byte{packetCloseStdin, 0, 0, 0, 0}); err != nil && !connectionEnded(err) {
			return 0, h.streamError(sock, doing, err)
		}
	}
	sock.idle = idle
	code, err := read(sock, &own{w: stdout}, &own{w: stderr})
	if err != nil {
		return 0, h.streamError(sock, doing, err)
	}
	return code, nil
}

// The packets of shell v2: one byte of kind, four of length (little-endian), data.
const (
	packetStdout     = 1
	packetStderr     = 2
	packetExit       = 3
	packetCloseStdin = 4
	packetWindow     = 5
)

// readPackets copies a shell v2 stream until its exit packet and returns the exit code.
// Only that packet proves that the command ended: an end of the stream before it is
// io.ErrUnexpectedEOF.
func readPackets(r io.Reader, stdout, stderr io.Writer) (int, error) {
	for {
		var head [5]byte
		if _, err := io.ReadFull(r, head[:]); err != nil {
			return 0, cut(err)
		}
		n := int64(binary.LittleEndian.Uint32(head[1:]))
		to := io.Discard
		switch head[0] {
		case packetStdout:
			to = stdout
		case packetStderr:
			to = stderr
		case packetExit:
			if n != 1 {
				return 0, fmt.Errorf("%w: shell exit packet of %d bytes, want 1", errGarbled, n)
			}
			var code [1]byte
			if _, err := io.ReadFull(r, code[:]); err != nil {
				return 0, cut(err)
			}
			return int(code[0]), nil
		case 0, packetCloseStdin, packetWindow: // not sent by a handset, and harmless
		default:
			return 0, fmt.Errorf("%w: shell packet of unknown kind %d", errGarbled, head[0])
		}
		if _, err := io.CopyN(to, r, n); err != nil {
			return 0, cut(err)
		}
	}
}

// markedShell wraps a command line for the old shell service, which has neither exit code
// nor a mark of the end. The command runs in a shell of its own, so that no quote, comment
// or exit in it reaches what follows: a last line with a random marker and the exit code.
func markedShell(command string) (service string, read func(io.Reader, io.Writer, io.Writer) (int, error)) {
	marker := "rundown-end-" + rand.Text()
	service = "shell:sh -c " + devices.Quote(command) + ` </dev/null; echo "` + marker + ` $?"`
	return service, func(r io.Reader, stdout, _ io.Writer) (int, error) { return readMarked(r, marker, stdout) }
}

// readMarked copies a stream until "MARKER CODE\n" and returns the code. The marker is
// stripped, and nothing else: output that does not end with a line feed stays so. The
// marker alone proves nothing, because a list of processes may show the command line
// that holds it; there it is not followed by digits. An end of the stream before it is
// io.ErrUnexpectedEOF.
func readMarked(r io.Reader, marker string, w io.Writer) (int, error) {
	end := regexp.MustCompile(regexp.QuoteMeta(marker) + ` (\d{1,3})\r?\n`)
	longest := len(marker) + len(" 255\r\n")
	var held []byte // not yet copied: may be the beginning of the marker line
	chunk := make([]byte, 32<<10)
	for {
		n, err := r.Read(chunk)
		held = append(held, chunk[:n]...)
		if at := end.FindSubmatchIndex(held); at != nil {
			code, _ := strconv.Atoi(string(held[at[2]:at[3]])) // three digits at most
			_, err := w.Write(held[:at[0]])
			return code, err
		}
		keep := len(held) // from here on it may be the marker line
		for i := max(0, len(held)-longest); i < len(held); i++ {
			if mayBecome(held[i:], marker) {
				keep = i
				break
			}
		}
		if err != nil {
			keep = len(held)
		}
		if _, err := w.Write(held[:keep]); err != nil {
			return 0, err
		}
		held = append(held[:0], held[keep:]...)
		if err != nil {
			return 0, cut(err)
		}
	}
}

// mayBecome reports whether tail is a beginning of "MARKER CODE\r\n".
func mayBecome(tail []byte, marker string) bool {
	if len(tail) <= len(marker) {
		return strings.HasPrefix(marker, string(tail))
	}
	rest, ok := bytes.CutPrefix(tail, []byte(marker))
	if !ok || rest[0] != ' ' {
		return false
	}
	rest = bytes.TrimSuffix(rest[1:], []byte("\r"))
	return len(rest) <= 3 && len(bytes.Trim(rest, "0123456789")) == 0
}

// capped collects output until the limit that it shares with the other stream.
type capped struct {
	buf  bytes.Buffer
	left *int64
}

func (c *capped) Write(p []byte) (int, error) {
	n := min(int64(len(p)), *c.left)
	c.buf.Write(p[:n])
	*c.left -= n
	if n < int64(len(p)) {
		return int(n), ErrOutputTooLong
	}
	return len(p), nil
}

// own marks the errors of a caller's writer as the caller's.
type own struct{ w io.Writer }

func (o *own) Write(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil // a pipe would wait for a reader of nothing
	}
	n, err := o.w.Write(p)
	if err == nil && n < len(p) {
		err = io.ErrShortWrite
	}
	if err != nil {
		err = &localError{err}
	}
	return n, err
}
