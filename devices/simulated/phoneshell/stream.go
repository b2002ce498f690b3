package phoneshell

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"syscall"
)

// An endpoint is what a descriptor leads to. Reads and writes end with the context.
type endpoint interface {
	read(ctx context.Context, p []byte) (int, error)
	// readLine returns bytes up to and with the delimiter and takes no byte more, so
	// that the next reader of the same descriptor goes on from there.
	readLine(ctx context.Context, delim byte) ([]byte, error)
	write(ctx context.Context, p []byte) error
	close()
}

// A file is an open file description: descriptors of several processes may share it,
// and its end is closed with the last of them. That is what ends a pipe, and what keeps
// an adb stream open while a background process still holds it.
type file struct {
	endpoint
	refs atomic.Int32
}

func newFile(e endpoint) *file {
	f := &file{endpoint: e}
	f.refs.Store(1)
	return f
}

func (f *file) retain() *file {
	if f != nil {
		f.refs.Add(1)
	}
	return f
}

func (f *file) release() {
	if f != nil && f.refs.Add(-1) == 0 {
		f.close()
	}
}

// fdTable holds the descriptors 0 to 9 of a process.
type fdTable [10]*file

func (t *fdTable) dup() fdTable {
	for _, f := range t {
		f.retain()
	}
	return *t
}

func (t *fdTable) closeAll() {
	for i, f := range t {
		f.release()
		t[i] = nil
	}
}

func (t *fdTable) set(fd int, f *file) {
	t[fd].release()
	t[fd] = f
}

// nodeFile is an open file of the virtual file system.
type nodeFile struct {
	fs     *FS
	n      *node
	name   string
	append bool
	reads  bool
	writes bool

	mu      sync.Mutex
	off     int64
	dynText []byte // a dynamic file's text, made at the first read
	dynRead bool
}

func (f *nodeFile) rest() ([]byte, error) {
	if !f.reads {
		return nil, syscall.EBADF
	}
	var b []byte
	if f.n.dyn != nil {
		if !f.dynRead {
			text, err := f.fs.content(f.n)
			if err != nil {
				return nil, err
			}
			f.dynText, f.dynRead = text, true
		}
		b = f.dynText
	} else {
		var err error
		if b, err = f.fs.content(f.n); err != nil {
			return nil, err
		}
	}
	if f.off >= int64(len(b)) {
		return nil, io.EOF
	}
	return b[f.off:], nil
}

func (f *nodeFile) read(ctx context.Context, p []byte) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	switch f.n.kind {
	case kindNull:
		return 0, io.EOF
	case kindZero:
		clear(p)
		return len(p), nil
	case kindRandom:
		for i := range p {
			p[i] = byte(rand.Uint32())
		}
		return len(p), nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	b, err := f.rest()
	if err != nil {
		return 0, err
	}
	n := copy(p, b)
	f.off += int64(n)
	return n, nil
}

func (f *nodeFile) readLine(ctx context.Context, delim byte) ([]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if f.n.kind != kindFile {
		if f.n.kind == kindDir {
			return nil, syscall.EISDIR
		}
		return nil, io.EOF
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	b, err := f.rest()
	if err != nil {
		return nil, err
	}
	if i := bytes.IndexByte(b, delim); i >= 0 {
		f.off += int64(i) + 1
		return b[:i+1], nil
	}
	f.off += int64(len(b))
	return b, io.EOF
}

func (f *nodeFile) write(ctx context.Context, p []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if !f.writes {
		return syscall.EBADF
	}
	if f.append {
		return f.fs.appendTo(f.n, p)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.fs.writeAt(f.n, f.off, p); err != nil {
		return err
	}
	f.off += int64(len(p))
	return nil
}

func (f *nodeFile) close() {}

// pipeSize is how much a writer may be ahead of the reader, as Linux has it.
const pipeSize = 64 << 10

// A pipe carries bytes between processes. It waits on channels only: unlike an
// operating system's pipe it lets a synctest bubble's clock go on.
type pipe struct {
	mu      sync.Mutex
	buf     []byte
	rclosed bool
	wclosed bool
	werr    error         // what the reader gets at the end instead of io.EOF
	changed chan struct{} // closed at the next change, made by whoever waits
}

func (p *pipe) wakeLocked() {
	if p.changed != nil {
		close(p.changed)
		p.changed = nil
	}
}

// waitLocked unlocks, waits for a change, and locks again.
func (p *pipe) waitLocked(ctx context.Context) error {
	if p.changed == nil {
		p.changed = make(chan struct{})
	}
	c := p.changed
	p.mu.Unlock()
	var err error
	select {
	case <-c:
	case <-ctx.Done():
		err = ctx.Err()
	}
	p.mu.Lock()
	return err
}

func (p *pipe) Read(ctx context.Context, b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for len(p.buf) == 0 {
		if p.wclosed {
			return 0, p.endLocked()
		}
		if err := p.waitLocked(ctx); err != nil {
			return 0, err
		}
	}
	n := copy(b, p.buf)
	p.consumeLocked(n)
	return n, nil
}

func (p *pipe) endLocked() error {
	if p.werr != nil {
		return p.werr
	}
	return io.EOF
}

func (p *pipe) consumeLocked(n int) {
	if n == len(p.buf) {
		p.buf = p.buf[:0]
	} else {
		p.buf = p.buf[n:]
	}
	p.wakeLocked()
}

func (p *pipe) ReadLine(ctx context.Context, delim byte) ([]byte, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var line []byte
	for {
		if i := bytes.IndexByte(p.buf, delim); i >= 0 {
			line = append(line, p.buf[:i+1]...)
			p.consumeLocked(i + 1)
			return line, nil
		}
		line = append(line, p.buf...)
		p.consumeLocked(len(p.buf))
		if p.wclosed {
			return line, p.endLocked()
		}
		if err := p.waitLocked(ctx); err != nil {
			return line, err
		}
	}
}

func (p *pipe) Write(ctx context.Context, b []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for len(b) > 0 {
		if p.rclosed {
			return syscall.EPIPE
		}
		room := pipeSize - len(p.buf)
		if room <= 0 {
			if err := p.waitLocked(ctx); err != nil {
				return err
			}
			continue
		}
		n := min(room, len(b))
		p.buf = append(p.buf, b[:n]...)
		b = b[n:]
		p.wakeLocked()
	}
	return nil
}

func (p *pipe) closeRead() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rclosed, p.buf = true, nil
	p.wakeLocked()
}

func (p *pipe) closeWrite(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wclosed, p.werr = true, err
	p.wakeLocked()
}

type pipeReader struct{ p *pipe }

func (r pipeReader) read(ctx context.Context, b []byte) (int, error) { return r.p.Read(ctx, b) }
func (r pipeReader) readLine(ctx context.Context, delim byte) ([]byte, error) {
	return r.p.ReadLine(ctx, delim)
}
func (r pipeReader) write(context.Context, []byte) error { return syscall.EBADF }
func (r pipeReader) close()                              { r.p.closeRead() }

type pipeWriter struct{ p *pipe }

func (w pipeWriter) read(context.Context, []byte) (int, error)      { return 0, syscall.EBADF }
func (w pipeWriter) readLine(context.Context, byte) ([]byte, error) { return nil, syscall.EBADF }
func (w pipeWriter) write(ctx context.Context, b []byte) error      { return w.p.Write(ctx, b) }
func (w pipeWriter) close()                                         { w.p.closeWrite(nil) }

func newPipe() (r, w *file) {
	p := &pipe{}
	return newFile(pipeReader{p}), newFile(pipeWriter{p})
}

// textReader is a here-document.
type textReader struct {
	mu sync.Mutex
	b  []byte
}

func (t *textReader) read(_ context.Context, p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.b) == 0 {
		return 0, io.EOF
	}
	n := copy(p, t.b)
	t.b = t.b[n:]
	return n, nil
}

func (t *textReader) readLine(_ context.Context, delim byte) ([]byte, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if i := bytes.IndexByte(t.b, delim); i >= 0 {
		line := t.b[:i+1]
		t.b = t.b[i+1:]
		return line, nil
	}
	line := t.b
	t.b = nil
	return line, io.EOF
}

func (t *textReader) write(context.Context, []byte) error { return syscall.EBADF }
func (t *textReader) close()                              {}

// captureWriter collects the output of a command substitution.
type captureWriter struct {
	mu   sync.Mutex
	b    []byte
	done chan struct{} // closed when nobody holds it any more; made by whoever waits
	over bool
}

func (c *captureWriter) read(context.Context, []byte) (int, error)      { return 0, syscall.EBADF }
func (c *captureWriter) readLine(context.Context, byte) ([]byte, error) { return nil, syscall.EBADF }

func (c *captureWriter) write(_ context.Context, p []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.b = append(c.b, p...)
	return nil
}

func (c *captureWriter) close() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.over = true
	if c.done != nil {
		close(c.done)
	}
}

// wait returns when the last holder has closed, or with the context.
func (c *captureWriter) wait(ctx context.Context) string {
	c.mu.Lock()
	if !c.over {
		c.done = make(chan struct{})
		d := c.done
		c.mu.Unlock()
		select {
		case <-d:
		case <-ctx.Done():
		}
		c.mu.Lock()
	}
	defer c.mu.Unlock()
	return string(c.b)
}

// hostWriter is standard output or error of an adb session.
type hostWriter struct {
	w      io.Writer
	sem    chan struct{} // a lock that may be held while w blocks
	broken bool          // the session is over: writers get EPIPE
	closed chan struct{} // nobody on the phone holds it any more
}

func newHostWriter(w io.Writer) *hostWriter {
	if w == nil {
		w = io.Discard
	}
	return &hostWriter{w: w, sem: make(chan struct{}, 1), closed: make(chan struct{})}
}

func (h *hostWriter) read(context.Context, []byte) (int, error)      { return 0, syscall.EBADF }
func (h *hostWriter) readLine(context.Context, byte) ([]byte, error) { return nil, syscall.EBADF }

func (h *hostWriter) write(ctx context.Context, p []byte) error {
	select {
	case h.sem <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-h.sem }()
	if h.broken {
		return syscall.EPIPE
	}
	if _, err := h.w.Write(p); err != nil {
		h.broken = true
		return syscall.EPIPE
	}
	return nil
}

func (h *hostWriter) close() { close(h.closed) }

// hangUp returns when no write is under way and none will reach w again.
func (h *hostWriter) hangUp() {
	h.sem <- struct{}{}
	h.broken = true
	<-h.sem
}

// hostReader is standard input of an adb session. Nothing is read from r before a
// process asks for it.
type hostReader struct {
	pipe
	r     io.Reader
	start sync.Once
}

func (h *hostReader) pump() {
	b := make([]byte, 32<<10)
	for {
		n, err := h.r.Read(b)
		if n > 0 && h.pipe.Write(context.Background(), b[:n]) != nil {
			return
		}
		if err != nil {
			h.closeWrite(nil)
			return
		}
	}
}

func (h *hostReader) read(ctx context.Context, p []byte) (int, error) {
	h.start.Do(func() { go h.pump() })
	return h.pipe.Read(ctx, p)
}

func (h *hostReader) readLine(ctx context.Context, delim byte) ([]byte, error) {
	h.start.Do(func() { go h.pump() })
	return h.pipe.ReadLine(ctx, delim)
}

func (h *hostReader) write(context.Context, []byte) error { return syscall.EBADF }
func (h *hostReader) close()                              { h.closeRead() }

// fdReader and fdWriter give a command its descriptors as Go streams.
type fdReader struct {
	p *process
	f *file
}

func (r fdReader) Read(b []byte) (int, error) {
	if r.f == nil {
		return 0, syscall.EBADF
	}
	return r.f.read(r.p.ctx, b)
}

type fdWriter struct {
	p *process
	f *file
}

func (w fdWriter) Write(b []byte) (int, error) {
	if w.f == nil {
		return 0, syscall.EBADF
	}
	if err := w.f.write(w.p.ctx, b); err != nil {
		if err == syscall.EPIPE {
			w.p.signal(sigPIPE)
		}
		return 0, err
	}
	return len(b), nil
}
