package adb

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strings"
	"time"

	"rundown/devices"
)

const (
	maxSyncData = 64 << 10 // most bytes in one DATA, either way
	maxSyncPath = 1024     // most bytes in a path
)

// The kinds of file in a Unix mode.
const (
	unixFormat  = 0o170000
	unixRegular = 0o100000
)

// sync opens the file service.
func (h *Handset) sync(ctx context.Context, path string) (*socket, map[string]bool, error) {
	if path == "" || len(path) > maxSyncPath || strings.ContainsRune(path, 0) {
		return nil, nil, about(h.serial, fmt.Errorf("path %q: want 1 to %d bytes without NUL", path, maxSyncPath))
	}
	sock, has, err := h.transport(ctx, h.server.o.TransferTimeout)
	if err != nil {
		return nil, nil, err
	}
	sock.idle = h.server.o.IdleTimeout
	if err := sock.ask("sync:"); err != nil {
		sock.end()
		return nil, nil, h.streamError(sock, "file service", err)
	}
	return sock, has, nil
}

// syncRequest writes a request: four letters, length, body.
func syncRequest(w io.Writer, id, body string) error {
	p := make([]byte, 0, 8+len(body))
	p = append(p, id...)
	p = binary.LittleEndian.AppendUint32(p, uint32(len(body)))
	_, err := w.Write(append(p, body...))
	return err
}

// quit ends the file service politely; the socket is closed next, so errors do not matter.
func quit(w io.Writer) { _ = syncRequest(w, "QUIT", "") }

// Push writes content to path, replacing it; the handset makes missing parent folders.
// Only the permission bits of mode count, and adbd gives group and others the owner's.
// When Push fails the file may be missing or the old one; adbd removes a half-written one.
func (h *Handset) Push(ctx context.Context, content io.Reader, path string, mode fs.FileMode) error {
	doing := "push " + path
	sock, _, err := h.sync(ctx, path)
	if err != nil {
		return err
	}
	defer sock.end()
	err = sendFile(sock, content, path, mode)
	var local *localError
	if err != nil && !errors.As(err, &local) {
		// The handset may have said why and stopped listening: that is worth more than the
		// broken pipe or the time-out which it caused. It has said it already if at all.
		_ = sock.conn.SetWriteDeadline(time.Now())
		sock.idle = min(sock.idle, time.Second)
		if e := readSyncStatus(sock); isFailure(e) {
			err = e
		}
	} else if err == nil {
		if err = readSyncStatus(sock); err == nil {
			quit(sock)
		}
	}
	return h.syncError(sock, doing, path, err)
}

func isFailure(err error) bool {
	var fail *failure
	return errors.As(err, &fail)
}

// syncError is streamError for the file service, whose FAIL texts are about the file.
func (h *Handset) syncError(sock *socket, doing, path string, err error) error {
	var fail *failure
	switch {
	case err == nil:
		return nil
	case errors.As(err, &fail):
		verb, _, _ := strings.Cut(doing, " ")
		return about(h.serial, fmt.Errorf("%s: %w", verb, fileError(path, fail.text)))
	}
	return h.streamError(sock, doing, err)
}

// sendFile writes SEND, the content in DATA pieces, and DONE with the present time.
func sendFile(w io.Writer, content io.Reader, path string, mode fs.FileMode) error {
	target := fmt.Sprintf("%s,%d", path, unixRegular|uint32(mode.Perm()))
	if err := syncRequest(w, "SEND", target); err != nil {
		return err
	}
	piece := make([]byte, 8+maxSyncData)
	copy(piece, "DATA")
	for {
		n, err := io.ReadFull(content, piece[8:])
		if n > 0 {
			binary.LittleEndian.PutUint32(piece[4:], uint32(n))
			if _, err := w.Write(piece[:8+n]); err != nil {
				return err
			}
		}
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			break
		}
		if err != nil {
			return &localError{fmt.Errorf("read what is to be sent: %w", err)}
		}
	}
	done := []byte("DONE....")
	binary.LittleEndian.PutUint32(done[4:], uint32(time.Now().Unix()))
	_, err := w.Write(done)
	return err
}

// syncHead reads four letters and a number.
func syncHead(r io.Reader) (id string, n uint32, err error) {
	var head [8]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return "", 0, cut(err)
	}
	return string(head[:4]), binary.LittleEndian.Uint32(head[4:]), nil
}

// syncText reads the text of a FAIL.
func syncText(r io.Reader, n uint32) error {
	if n > maxSyncData {
		return fmt.Errorf("%w: FAIL text of %d bytes", errGarbled, n)
	}
	text := make([]byte, n)
	if _, err := io.ReadFull(r, text); err != nil {
		return cut(err)
	}
	return &failure{string(text)}
}

// readSyncStatus reads what comes after a SEND: OKAY (nil) or FAIL (*failure).
func readSyncStatus(r io.Reader) error {
	id, n, err := syncHead(r)
	switch {
	case err != nil:
		return err
	case id == "OKAY":
		return nil
	case id == "FAIL":
		return syncText(r, n)
	}
	return fmt.Errorf("%w: want OKAY or FAIL after a push, got %q", errGarbled, id)
}

// Pull copies path from byte offset on into w and returns the bytes copied, which also
// when it fails are those that follow offset: the caller may go on from there.
//
// From the beginning it uses RECV. RECV knows no offset, so from elsewhere it runs `tail
// -c +N` in a shell v2, whose raw streams change no byte and whose exit packet proves
// that the file was read to its end: a log of hours costs only what is new in it. What a
// shell says before the file (warnings of its linker) is passed over. Without shell v2,
// or where the shell turns line ends into CR LF after all, the whole file comes by RECV
// and what lies before offset is dropped here.
func (h *Handset) Pull(ctx context.Context, path string, offset int64, w io.Writer) (int64, error) {
	if offset < 0 {
		return 0, about(h.serial, fmt.Errorf("pull %s: offset %d: want 0 or more", path, offset))
	}
	if offset > 0 {
		has, err := h.Features(ctx)
		if err != nil {
			return 0, err
		}
		if has["shell_v2"] {
			if n, err := h.pullTail(ctx, path, offset, w); !errors.Is(err, errConverted) {
				return n, err
			}
		}
	}
	sock, _, err := h.sync(ctx, path)
	if err != nil {
		return 0, err
	}
	defer sock.end()
	if err = syncRequest(sock, "RECV", path); err != nil {
		return 0, h.syncError(sock, "pull "+path, path, err)
	}
	n, err := receiveFile(sock, offset, &own{w: w})
	if err == nil {
		quit(sock)
	}
	return n, h.syncError(sock, "pull "+path, path, err)
}

// receiveFile reads the reply to a RECV, drops skip bytes and copies the rest.
func receiveFile(r io.Reader, skip int64, w io.Writer) (copied int64, err error) {
	for {
		id, n, err := syncHead(r)
		if err != nil {
			return copied, err
		}
		switch id {
		case "DONE":
			return copied, nil
		case "FAIL":
			return copied, syncText(r, n)
		case "DATA":
		default:
			return copied, fmt.Errorf("%w: want DATA, DONE or FAIL in a pull, got %q", errGarbled, id)
		}
		if n > maxSyncData {
			return copied, fmt.Errorf("%w: DATA of %d bytes, most is %d", errGarbled, n, maxSyncData)
		}
		drop := min(skip, int64(n))
		if _, err := io.CopyN(io.Discard, r, drop); err != nil {
			return copied, cut(err)
		}
		skip -= drop
		m, err := io.CopyN(w, r, int64(n)-drop)
		copied += m
		if err != nil {
			return copied, cut(err)
		}
	}
}

func (h *Handset) pullTail(ctx context.Context, path string, offset int64, w io.Writer) (int64, error) {
	if offset == math.MaxInt64 {
		return 0, about(h.serial, fmt.Errorf("pull %s: offset %d is too large", path, offset))
	}
	q := devices.Quote(path)
	if strings.HasPrefix(path, "-") {
		q = devices.Quote("./" + path) // no option of tail
	}
	mark := "rundown-file-" + rand.Text()
	command := fmt.Sprintf("echo %s; tail -c +%d %s", mark, offset+1, q)
	limit := int64(4 << 10)
	stderr := &capped{left: &limit}
	counted := &afterMark{counter: counter{w: w}, mark: mark + "\n"}
	code, err := h.run(ctx, h.server.o.TransferTimeout, h.server.o.IdleTimeout, command, counted, stderr)
	if err != nil {
		return counted.n, err
	}
	if !counted.found {
		return 0, about(h.serial, fmt.Errorf("pull %s from byte %d: %w", path, offset, devices.ErrLinkLost))
	}
	if code != 0 {
		// What a shell says differs between handsets; whether the file is there does not.
		if _, err := h.Stat(ctx, path); err != nil {
			return counted.n, err
		}
		fail := &devices.CommandError{Command: command, ExitCode: code, Stderr: stderr.buf.String()}
		return counted.n, about(h.serial, fmt.Errorf("pull %s from byte %d: %w", path, offset, fail))
	}
	return counted.n, nil
}

// errConverted means that a shell's raw stream came with its line ends changed.
var errConverted = errors.New("the handset's shell changes line ends")

// afterMark passes on what comes after a line of its own.
type afterMark struct {
	counter
	mark  string // with its line feed
	held  []byte // what came before it was seen
	found bool
}

// mostBeforeMark bounds what a shell may say before a file, bytes.
const mostBeforeMark = 64 << 10

func (a *afterMark) Write(p []byte) (int, error) {
	if a.found {
		return a.counter.Write(p)
	}
	a.held = append(a.held, p...)
	if bytes.Contains(a.held, []byte(strings.TrimSuffix(a.mark, "\n")+"\r\n")) {
		return 0, errConverted
	}
	_, file, found := bytes.Cut(a.held, []byte(a.mark))
	if !found {
		if len(a.held) > mostBeforeMark {
			return 0, fmt.Errorf("%w: %d bytes before the file", errGarbled, len(a.held))
		}
		return len(p), nil
	}
	a.found, a.held = true, nil
	if len(file) > 0 {
		if _, err := a.counter.Write(file); err != nil {
			return 0, err
		}
	}
	return len(p), nil
}

// counter counts what it passes on.
type counter struct {
	w io.Writer
	n int64
}

func (c *counter) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += int64(n)
	return n, err
}

// Stat describes path, following links. A handset without stat_v2 (some of Android 8)
// describes the link itself, gives the size modulo 4 GiB, and cannot tell a file that is
// missing from one that may not be looked at: both are ErrNotExist.
func (h *Handset) Stat(ctx context.Context, path string) (devices.File, error) {
	sock, has, err := h.sync(ctx, path)
	if err != nil {
		return devices.File{}, err
	}
	defer sock.end()
	id, read := "STA2", readStat2
	if !has["stat_v2"] {
		id, read = "STAT", readStat1
	}
	err = syncRequest(sock, id, path)
	var f devices.File
	if err == nil {
		f, err = read(sock)
	}
	if err == nil {
		quit(sock)
	}
	return f, h.syncError(sock, "stat "+path, path, err)
}

// readStat1 reads the reply to STAT: mode, size, time, all 0 where there is nothing.
func readStat1(r io.Reader) (devices.File, error) {
	var p [16]byte
	if err := statReply(r, "STAT", p[:]); err != nil {
		return devices.File{}, err
	}
	u32 := func(at int) uint32 { return binary.LittleEndian.Uint32(p[at:]) }
	if u32(4) == 0 && u32(8) == 0 && u32(12) == 0 {
		return devices.File{}, &failure{errnoText[2]}
	}
	return devices.File{Size: int64(u32(8)), Mode: fileMode(u32(4)), ModTime: time.Unix(int64(u32(12)), 0).UTC()}, nil
}

// readStat2 reads the reply to STA2, 72 bytes: error u32, dev u64, ino u64, mode u32,
// nlink u32, uid u32, gid u32, size u64, then three times of 64 bits.
func readStat2(r io.Reader) (devices.File, error) {
	var p [72]byte
	if err := statReply(r, "STA2", p[:]); err != nil {
		return devices.File{}, err
	}
	if errno := binary.LittleEndian.Uint32(p[4:]); errno != 0 {
		text, ok := errnoText[errno]
		if !ok {
			text = fmt.Sprintf("Linux error %d", errno)
		}
		return devices.File{}, &failure{text}
	}
	size := binary.LittleEndian.Uint64(p[40:])
	if size > math.MaxInt64 {
		return devices.File{}, fmt.Errorf("%w: file size %d", errGarbled, size)
	}
	return devices.File{
		Size:    int64(size),
		Mode:    fileMode(binary.LittleEndian.Uint32(p[24:])),
		ModTime: time.Unix(int64(binary.LittleEndian.Uint64(p[56:])), 0).UTC(),
	}, nil
}

// statReply fills p with a reply that begins with id, or returns a FAIL as *failure.
func statReply(r io.Reader, id string, p []byte) error {
	if _, err := io.ReadFull(r, p[:8]); err != nil {
		return cut(err)
	}
	switch string(p[:4]) {
	case "FAIL":
		return syncText(r, binary.LittleEndian.Uint32(p[4:]))
	case id:
		_, err := io.ReadFull(r, p[8:])
		return cut(err)
	}
	return fmt.Errorf("%w: want %s, got %q", errGarbled, id, p[:4])
}

// fileMode turns a Unix mode into Go's.
func fileMode(unix uint32) fs.FileMode {
	mode := fs.FileMode(unix & 0o777)
	switch unix & unixFormat {
	case unixRegular:
	case 0o040000:
		mode |= fs.ModeDir
	case 0o120000:
		mode |= fs.ModeSymlink
	case 0o060000:
		mode |= fs.ModeDevice
	case 0o020000:
		mode |= fs.ModeDevice | fs.ModeCharDevice
	case 0o010000:
		mode |= fs.ModeNamedPipe
	case 0o140000:
		mode |= fs.ModeSocket
	default:
		mode |= fs.ModeIrregular
	}
	for bit, is := range map[uint32]fs.FileMode{0o4000: fs.ModeSetuid, 0o2000: fs.ModeSetgid, 0o1000: fs.ModeSticky} {
		if unix&bit != 0 {
			mode |= is
		}
	}
	return mode
}
