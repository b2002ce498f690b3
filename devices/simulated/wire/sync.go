package wire

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unicode"
	"unicode/utf8"

	"rundown/devices"
)

const (
	mostSyncPath = 1024     // bytes
	mostSyncData = 64 << 10 // bytes of one DATA message
)

// serveSync is the file service: requests until QUIT, the stream's end, or a request
// after which the two sides no longer agree where the next one begins.
func serveSync(p Phone, s stream) {
	c := &syncConn{phone: p, in: bufio.NewReaderSize(s, mostSyncData), out: bufio.NewWriterSize(s, mostSyncData+8)}
	for c.request() && c.out.Flush() == nil {
	}
	c.out.Flush()
}

type syncConn struct {
	phone Phone
	in    *bufio.Reader
	out   *bufio.Writer
}

func (c *syncConn) header() (id string, n uint32, err error) {
	var head [8]byte
	if _, err := io.ReadFull(c.in, head[:]); err != nil {
		return "", 0, err
	}
	return string(head[:4]), binary.LittleEndian.Uint32(head[4:]), nil
}

func (c *syncConn) put(id string, fields ...any) {
	c.out.WriteString(id)
	for _, field := range fields {
		binary.Write(c.out, binary.LittleEndian, field)
	}
}

// fail sends a failure and returns whether the session goes on.
func (c *syncConn) fail(goOn bool, format string, args ...any) bool {
	text := fmt.Sprintf(format, args...)
	c.put("FAIL", uint32(len(text)), []byte(text))
	return goOn
}

// request serves one request and returns whether another may follow.
func (c *syncConn) request() bool {
	id, n, err := c.header()
	if err != nil || id == "QUIT" {
		return false
	}
	if n > mostSyncPath {
		return c.fail(false, "path too long")
	}
	name := make([]byte, n)
	if _, err := io.ReadFull(c.in, name); err != nil {
		return false
	}
	path := string(name)
	switch id {
	case "STAT":
		c.statV1(path)
	case "STA2", "LST2":
		st, errno := c.stat(path)
		c.put(id, uint32(errno), st)
	case "LIST":
		c.list(path, false)
	case "LIS2":
		c.list(path, true)
	case "RECV":
		c.send(path)
	case "RCV2":
		_, flags, err := c.header()
		if err != nil {
			return false
		}
		if flags != 0 {
			return c.fail(false, "compression is not supported")
		}
		c.send(path)
	case "SEND":
		comma := strings.LastIndexByte(path, ',')
		if comma < 0 {
			return c.fail(false, "missing , in ID_SEND")
		}
		mode, err := strconv.ParseUint(path[comma+1:], 0, 32)
		if err != nil {
			return c.fail(false, "bad mode")
		}
		return c.receive(path[:comma], uint32(mode))
	case "SND2":
		_, mode, err := c.header()
		var flags uint32
		if err == nil {
			err = binary.Read(c.in, binary.LittleEndian, &flags)
		}
		if err != nil {
			return false
		}
		if flags != 0 {
			return c.fail(false, "compression is not supported")
		}
		return c.receive(path, mode)
	default:
		return c.fail(false, "unknown command %08x", binary.LittleEndian.Uint32([]byte(id)))
	}
	return true
}

// statV2 are the fields of a STA2 reply behind its error number.
type statV2 struct {
	Dev, Ino             uint64
	Mode, Nlink          uint32
	UID, GID             uint32
	Size                 uint64
	Atime, Mtime, Ctime_ int64
}

func (c *syncConn) stat(path string) (statV2, syscall.Errno) {
	file, err := c.phone.StatFile(path)
	if err != nil {
		return statV2{}, errnoOf(err)
	}
	return statOf(file), 0
}

func statOf(file devices.File) statV2 {
	const shellUID = 2000
	at := file.ModTime.Unix()
	if file.ModTime.IsZero() {
		at = 0
	}
	return statV2{
		Dev: 1, Ino: 1, Mode: unixMode(file.Mode), Nlink: 1, UID: shellUID, GID: shellUID,
		Size: uint64(file.Size), Atime: at, Mtime: at, Ctime_: at,
	}
}

// statV1 answers with zeros for a file that cannot be described, as the protocol wants.
func (c *syncConn) statV1(path string) {
	st, _ := c.stat(path)
	c.put("STAT", st.Mode, uint32(st.Size), uint32(st.Mtime))
}

func (c *syncConn) list(path string, v2 bool) {
	entries, err := c.phone.ListDir(path)
	if err != nil {
		entries = nil // adbd sends an empty list
	}
	for _, e := range entries {
		st, name := statOf(e.File), []byte(e.Name)
		if v2 {
			c.put("DNT2", uint32(0), st, uint32(len(name)), name)
		} else {
			c.put("DENT", st.Mode, uint32(st.Size), uint32(st.Mtime), uint32(len(name)), name)
		}
	}
	if v2 {
		c.put("DONE", uint32(0), statV2{}, uint32(0))
	} else {
		c.put("DONE", [16]byte{})
	}
}

// send carries a file from the phone to the host.
func (c *syncConn) send(path string) {
	f, err := c.phone.OpenFile(path)
	if err != nil {
		c.fail(true, "open failed: %s", errnoText(err))
		return
	}
	defer f.Close()
	buf := make([]byte, mostSyncData)
	for {
		n, err := io.ReadFull(f, buf)
		if n > 0 {
			c.put("DATA", uint32(n))
			if _, err := c.out.Write(buf[:n]); err != nil {
				return // the link is gone
			}
		}
		switch {
		case err == io.EOF || err == io.ErrUnexpectedEOF:
			c.put("DONE", uint32(0))
			return
		case err != nil:
			c.fail(true, "read failed: %s", errnoText(err))
			return
		}
	}
}

// receive carries a file from the host to the phone. The file's time comes last, so the
// content is kept aside until then; a file cut short by a lost link is never written.
func (c *syncConn) receive(path string, mode uint32) bool {
	var content spool
	defer content.remove()
	for {
		id, n, err := c.header()
		if err != nil {
			return false
		}
		switch id {
		case "DATA":
			if n > mostSyncData {
				return c.fail(false, "oversize data message")
			}
			if err := content.take(c.in, int64(n)); err != nil {
				return false
			}
		case "DONE":
			if err := c.store(path, mode, time.Unix(int64(n), 0), &content); err != nil {
				return c.fail(true, "%s", err)
			}
			c.put("OKAY", uint32(0))
			return true
		default:
			return c.fail(false, "invalid data message")
		}
	}
}

func (c *syncConn) store(path string, mode uint32, mtime time.Time, content *spool) error {
	if mode&syscall.S_IFMT == syscall.S_IFLNK {
		return errors.New("couldn't create symlink: Operation not permitted")
	}
	r, err := content.reader()
	if err != nil {
		return fmt.Errorf("write failed: %s", errnoText(err))
	}
	perm := mode & 0o777 // adbd gives group and others what the owner has
	perm |= perm>>3&0o070 | perm>>6&0o007
	switch err := c.phone.WriteFile(path, fs.FileMode(perm), mtime, r); {
	case errors.Is(err, syscall.ENOSPC):
		return fmt.Errorf("write failed: %s", errnoText(err))
	case err != nil:
		return fmt.Errorf("couldn't create file: %s", errnoText(err))
	}
	return nil
}

// A spool keeps a file on its way to the phone: in memory, and a big one on disk. What
// the disk does not take is an error of reader, after all was read from the link.
type spool struct {
	memory bytes.Buffer
	file   *os.File
	err    error
}

const mostInMemory = 8 << 20 // bytes

func (s *spool) take(r io.Reader, n int64) error {
	if s.file == nil && s.err == nil && int64(s.memory.Len())+n > mostInMemory {
		if s.file, s.err = os.CreateTemp("", "rundown-push-*"); s.err == nil {
			_, s.err = s.memory.WriteTo(s.file)
		}
	}
	var w io.Writer = &s.memory
	if s.err != nil {
		w = io.Discard
	} else if s.file != nil {
		w = diskWriter{s}
	}
	_, err := io.CopyN(w, r, n)
	return err
}

type diskWriter struct{ s *spool }

func (w diskWriter) Write(p []byte) (int, error) {
	if w.s.err == nil {
		_, w.s.err = w.s.file.Write(p)
	}
	return len(p), nil
}

func (s *spool) reader() (io.Reader, error) {
	if s.file == nil || s.err != nil {
		return &s.memory, s.err
	}
	_, err := s.file.Seek(0, io.SeekStart)
	return s.file, err
}

func (s *spool) remove() {
	if s.file != nil {
		s.file.Close()
		os.Remove(s.file.Name())
	}
}

// unixMode is the st_mode of a file mode.
func unixMode(mode fs.FileMode) uint32 {
	m := uint32(mode.Perm())
	switch mode.Type() {
	case fs.ModeDir:
		m |= syscall.S_IFDIR
	case fs.ModeSymlink:
		m |= syscall.S_IFLNK
	case fs.ModeNamedPipe:
		m |= syscall.S_IFIFO
	case fs.ModeSocket:
		m |= syscall.S_IFSOCK
	case fs.ModeDevice:
		m |= syscall.S_IFBLK
	case fs.ModeDevice | fs.ModeCharDevice, fs.ModeCharDevice:
		m |= syscall.S_IFCHR
	default:
		m |= syscall.S_IFREG
	}
	if mode&fs.ModeSetuid != 0 {
		m |= syscall.S_ISUID
	}
	if mode&fs.ModeSetgid != 0 {
		m |= syscall.S_ISGID
	}
	if mode&fs.ModeSticky != 0 {
		m |= syscall.S_ISVTX
	}
	return m
}

func errnoOf(err error) syscall.Errno {
	var errno syscall.Errno
	switch {
	case errors.As(err, &errno):
		return errno
	case errors.Is(err, fs.ErrNotExist):
		return syscall.ENOENT
	case errors.Is(err, fs.ErrPermission):
		return syscall.EACCES
	case errors.Is(err, fs.ErrExist):
		return syscall.EEXIST
	}
	return syscall.EIO
}

// errnoText says an error as the phone's C library does.
func errnoText(err error) string {
	text := errnoOf(err).Error()
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}
