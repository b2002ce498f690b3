package phoneshell

import (
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

// shellUID is the user that adb's shell runs as on a phone without root.
const shellUID = 2000

// An FS is the virtual file system of one phone: a tree in memory, with files whose
// text is made when they are read (/proc, /sys) and paths that the shell may not read.
//
// Its methods act as the phone's owner and are not held back by permission bits; what
// runs in the shell is. All paths are absolute; links (/sdcard) are followed. Errors
// are *fs.PathError around a syscall.Errno, so that errors.Is(err, fs.ErrNotExist) and
// errors.Is(err, syscall.ENOSPC) hold. Safe for concurrent use.
type FS struct {
	mu   sync.RWMutex
	root *node
	ino  uint64
	used int64

	wall func() time.Time
	free func() int64            // bytes left on the data partition, nil: plenty
	proc func(name string) *node // a process's folder under /proc, nil when there is none
	pids func() []string         // names of the process folders

	removed func(name string, content []byte) // told each file that goes; nil: nobody
}

type nodeKind uint8

const (
	kindFile nodeKind = iota
	kindDir
	kindLink
	kindNull
	kindZero
	kindRandom
)

// A node is one file or folder. All fields are guarded by FS.mu; the bytes below
// len(data) are never changed in place, so a reader may keep a slice of them.
type node struct {
	kind   nodeKind
	mode   fs.FileMode // permission bits
	uid    int
	ino    uint64
	mtime  time.Time
	data   []byte
	kids   map[string]*node
	target string        // of a link
	dyn    func() string // text made at each read
	denied bool          // the shell gets "Permission denied"
	procfs bool          // holds the process folders
}

func newFS(wall func() time.Time, free func() int64) *FS {
	f := &FS{wall: wall, free: free}
	f.root = &node{kind: kindDir, mode: 0o755, kids: map[string]*node{}, mtime: wall()}
	for _, d := range []string{"/system/bin", "/vendor", "/proc/sys/kernel/random", "/sys/class/power_supply", "/dev", "/data", "/storage/emulated"} {
		f.must(f.MkdirAll(d))
	}
	f.root.kids["proc"].procfs = true
	f.root.kids["data"].mode = 0o771
	f.root.kids["data"].denied = true // `ls /data` is refused, paths through it are not
	for _, d := range []string{"/data/local", "/data/local/tmp", "/storage/emulated/0"} {
		f.must(f.MkdirAll(d))
		n, _ := f.lookup(d, true)
		n.mode, n.uid = 0o771, shellUID
	}
	for _, d := range []string{"DCIM/Camera", "Download", "Movies", "Pictures"} {
		f.must(f.MkdirAll("/storage/emulated/0/" + d))
	}
	f.must(f.Symlink("/storage/emulated/0", "/sdcard"))
	f.must(f.Symlink("/system/bin", "/bin"))
	for name, kind := range map[string]nodeKind{"null": kindNull, "zero": kindZero, "urandom": kindRandom, "random": kindRandom} {
		f.root.kids["dev"].kids[name] = &node{kind: kind, mode: 0o666, mtime: wall(), ino: f.nextIno()}
	}
	return f
}

func (f *FS) must(err error) {
	if err != nil {
		panic("phoneshell: building the file system: " + err.Error())
	}
}

func (f *FS) nextIno() uint64 { f.ino++; return f.ino }

func pathError(op, name string, errno syscall.Errno) error {
	return &fs.PathError{Op: op, Path: name, Err: errno}
}

// lookup finds the node of an absolute path; the caller holds mu. It returns a bare Errno.
func (f *FS) lookup(name string, followLast bool) (*node, error) {
	n := f.root
	rest := name
	links := 0
	for {
		rest = strings.TrimLeft(rest, "/")
		if rest == "" {
			return n, nil
		}
		var part string
		if i := strings.IndexByte(rest, '/'); i >= 0 {
			part, rest = rest[:i], rest[i+1:]
		} else {
			part, rest = rest, ""
		}
		if part == "." {
			continue
		}
		if part == ".." { // only where the caller did not clean the path
			return nil, syscall.ENOENT
		}
		if n.kind != kindDir {
			return nil, syscall.ENOTDIR
		}
		kid := n.kids[part]
		if kid == nil && n.procfs && f.proc != nil {
			kid = f.proc(part)
		}
		if kid == nil {
			return nil, syscall.ENOENT
		}
		if kid.kind == kindLink && (rest != "" || followLast) {
			if links++; links > 40 {
				return nil, syscall.ELOOP
			}
			target := kid.target
			if !strings.HasPrefix(target, "/") {
				return nil, syscall.ENOENT // Symlink makes absolute targets only
			}
			n, rest = f.root, target+"/"+rest
			continue
		}
		n = kid
	}
}

// parent finds the folder that holds name; the caller holds mu.
func (f *FS) parent(name string) (*node, string, error) {
	name = path.Clean("/" + name)
	dir, base := path.Split(name)
	if base == "" {
		return nil, "", syscall.EEXIST
	}
	n, err := f.lookup(dir, true)
	if err != nil {
		return nil, "", err
	}
	if n.kind != kindDir {
		return nil, "", syscall.ENOTDIR
	}
	return n, base, nil
}

func (n *node) mayRead(user bool) bool {
	if !user {
		return true
	}
	if n.denied {
		return false
	}
	if n.uid == shellUID {
		return n.mode&0o400 != 0
	}
	return n.mode&0o004 != 0
}

func (n *node) mayWrite(user bool) bool {
	if !user {
		return true
	}
	if n.uid == shellUID {
		return n.mode&0o200 != 0
	}
	return n.mode&0o002 != 0
}

func (n *node) mayExec(user bool) bool {
	if !user {
		return true
	}
	if n.uid == shellUID {
		return n.mode&0o100 != 0
	}
	return n.mode&0o001 != 0
}

// grow says whether more bytes may be stored; the caller holds mu.
func (f *FS) grow(n *node, more int) error {
	if more > 0 && f.free != nil && n.dyn == nil && f.free() < int64(more) {
		return syscall.ENOSPC
	}
	return nil
}

func (f *FS) appendTo(n *node, p []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.appendLocked(n, p)
}

func (f *FS) appendLocked(n *node, p []byte) error {
	switch n.kind {
	case kindNull, kindZero, kindRandom:
		return nil
	case kindDir:
		return syscall.EISDIR
	}
	if n.dyn != nil {
		return syscall.EACCES
	}
	if err := f.grow(n, len(p)); err != nil {
		return err
	}
	n.data = append(n.data, p...)
	n.mtime = f.wall()
	f.used += int64(len(p))
	return nil
}

// writeAt replaces bytes from off on, in a copy where it does not append.
func (f *FS) writeAt(n *node, off int64, p []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if off == int64(len(n.data)) || n.kind != kindFile {
		return f.appendLocked(n, p)
	}
	if n.dyn != nil {
		return syscall.EACCES
	}
	end := max(int(off)+len(p), len(n.data))
	if err := f.grow(n, end-len(n.data)); err != nil {
		return err
	}
	f.used += int64(end - len(n.data))
	fresh := make([]byte, end)
	copy(fresh, n.data)
	copy(fresh[off:], p)
	n.data, n.mtime = fresh, f.wall()
	return nil
}

func (f *FS) truncateLocked(n *node, size int) error {
	if n.kind != kindFile {
		return nil
	}
	if n.dyn != nil {
		return syscall.EACCES
	}
	f.used += int64(size - len(n.data))
	if size <= len(n.data) {
		// A new capacity: the old bytes may still be read by somebody.
		n.data = n.data[:size:size]
	} else {
		n.data = append(n.data[:len(n.data):len(n.data)], make([]byte, size-len(n.data))...)
	}
	n.mtime = f.wall()
	return nil
}

// content returns the bytes of a file at this instant. The slice must not be changed.
func (f *FS) content(n *node) ([]byte, error) {
	f.mu.RLock()
	dyn, data, kind := n.dyn, n.data, n.kind
	f.mu.RUnlock()
	switch {
	case kind == kindDir:
		return nil, syscall.EISDIR
	case dyn != nil:
		return []byte(dyn()), nil
	}
	return data[:len(data):len(data)], nil
}

// openNode finds or makes the file for the shell or for the owner (user false).
func (f *FS) openNode(name string, user, write, create, trunc bool, perm fs.FileMode) (*node, error) {
	if !write {
		f.mu.RLock()
		defer f.mu.RUnlock()
		n, err := f.lookup(name, true)
		if err != nil {
			return nil, err
		}
		if !n.mayRead(user) {
			return nil, syscall.EACCES
		}
		return n, nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	n, err := f.lookup(name, true)
	switch {
	case err == syscall.ENOENT && create:
		dir, base, perr := f.parent(name)
		if perr != nil {
			return nil, perr
		}
		if !dir.mayWrite(user) {
			return nil, syscall.EACCES
		}
		n = f.makeIn(dir, base, kindFile, perm)
		return n, nil
	case err != nil:
		return nil, err
	case n.kind == kindDir:
		return nil, syscall.EISDIR
	case !n.mayWrite(user) || n.denied && user:
		return nil, syscall.EACCES
	}
	if trunc {
		if err := f.truncateLocked(n, 0); err != nil {
			return nil, err
		}
	}
	return n, nil
}

func (f *FS) makeIn(dir *node, base string, kind nodeKind, perm fs.FileMode) *node {
	n := &node{kind: kind, mode: perm & 0o777, uid: dir.uid, ino: f.nextIno(), mtime: f.wall()}
	if kind == kindDir {
		n.kids = map[string]*node{}
	}
	dir.kids[base] = n
	dir.mtime = n.mtime
	return n
}

// ReadFile returns a copy of the file's bytes.
func (f *FS) ReadFile(name string) ([]byte, error) {
	n, err := f.openNode(name, false, false, false, false, 0)
	if err == nil {
		var b []byte
		if b, err = f.content(n); err == nil {
			return slices.Clone(b), nil
		}
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: err}
}

// ReadAt copies the file's bytes from offset on into p and returns their number; 0 at
// and past the end.
func (f *FS) ReadAt(name string, p []byte, offset int64) (int, error) {
	n, err := f.openNode(name, false, false, false, false, 0)
	if err == nil {
		var b []byte
		if b, err = f.content(n); err == nil {
			if offset >= int64(len(b)) {
				return 0, nil
			}
			return copy(p, b[offset:]), nil
		}
	}
	return 0, &fs.PathError{Op: "read", Path: name, Err: err}
}

// WriteFile replaces the file, making it with mode when it is not there. Its folder must be.
func (f *FS) WriteFile(name string, data []byte, mode fs.FileMode) error {
	n, err := f.openNode(name, false, true, true, true, mode)
	if err == nil {
		f.mu.Lock()
		n.mode = mode & 0o777
		f.mu.Unlock()
		err = f.appendTo(n, data)
	}
	if err != nil {
		return &fs.PathError{Op: "write", Path: name, Err: err}
	}
	return nil
}

// Append adds to the end of the file, making it when it is not there.
func (f *FS) Append(name string, data []byte) error {
	n, err := f.openNode(name, false, true, true, false, 0o644)
	if err == nil {
		err = f.appendTo(n, data)
	}
	if err != nil {
		return &fs.PathError{Op: "append", Path: name, Err: err}
	}
	return nil
}

// Dynamic makes a read-only file whose text is made by text at each open; missing
// folders are made. text is called without locks held and may be called at the same
// time by several readers.
func (f *FS) Dynamic(name string, text func() string) {
	f.must(f.MkdirAll(path.Dir(path.Clean(name))))
	f.mu.Lock()
	defer f.mu.Unlock()
	dir, base, err := f.parent(name)
	f.must(err)
	n := f.makeIn(dir, base, kindFile, 0o444)
	n.dyn, n.uid = text, 0
}

// Deny makes the shell get "Permission denied" on the path (which is made, as an empty
// file, when it is not there). The owner's methods still read it.
func (f *FS) Deny(name string) {
	f.must(f.MkdirAll(path.Dir(path.Clean(name))))
	f.mu.Lock()
	defer f.mu.Unlock()
	n, err := f.lookup(name, true)
	if err != nil {
		dir, base, perr := f.parent(name)
		f.must(perr)
		n = f.makeIn(dir, base, kindFile, 0o400)
	}
	n.denied = true
}

// Symlink makes name a link to the absolute path target.
func (f *FS) Symlink(target, name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	dir, base, err := f.parent(name)
	if err == nil && dir.kids[base] != nil {
		err = syscall.EEXIST
	}
	if err != nil {
		return &fs.PathError{Op: "symlink", Path: name, Err: err}
	}
	n := f.makeIn(dir, base, kindLink, 0o777)
	n.target = target
	return nil
}

// MkdirAll makes the folder and those above it.
func (f *FS) MkdirAll(name string) error { return f.mkdirAll(name, false) }

func (f *FS) mkdirAll(name string, user bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	name = path.Clean("/" + name)
	if n, err := f.lookup(name, true); err == nil {
		if n.kind != kindDir {
			return pathError("mkdir", name, syscall.ENOTDIR)
		}
		return nil
	}
	at := ""
	for part := range strings.SplitSeq(name[1:], "/") {
		at += "/" + part
		n, err := f.lookup(at, true)
		if err == nil && n.kind == kindDir {
			continue
		}
		if err == nil {
			return pathError("mkdir", at, syscall.ENOTDIR)
		}
		if err := f.mkdirLocked(at, user); err != nil {
			return &fs.PathError{Op: "mkdir", Path: at, Err: err}
		}
	}
	return nil
}

func (f *FS) mkdir(name string, user bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.mkdirLocked(name, user); err != nil {
		return &fs.PathError{Op: "mkdir", Path: name, Err: err}
	}
	return nil
}

func (f *FS) mkdirLocked(name string, user bool) error {
	dir, base, err := f.parent(name)
	if err != nil {
		return err
	}
	if dir.kids[base] != nil {
		return syscall.EEXIST
	}
	if !dir.mayWrite(user) {
		return syscall.EACCES
	}
	f.makeIn(dir, base, kindDir, 0o755)
	return nil
}

// Remove removes a file, a link or an empty folder.
func (f *FS) Remove(name string) error { return f.remove(name, false, false) }

// RemoveAll removes the path and all below it; nothing there is no error.
func (f *FS) RemoveAll(name string) error { return f.remove(name, false, true) }

func (f *FS) remove(name string, user, all bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	dir, base, err := f.parent(name)
	var n *node
	if err == nil {
		if n = dir.kids[base]; n == nil {
			err = syscall.ENOENT
		}
	}
	switch {
	case err == syscall.ENOENT && all:
		return nil
	case err != nil:
	case !dir.mayWrite(user):
		err = syscall.EACCES
	case n.kind == kindDir && len(n.kids) > 0 && !all:
		err = syscall.ENOTEMPTY
	}
	if err != nil {
		return &fs.PathError{Op: "remove", Path: name, Err: err}
	}
	f.used -= size(n)
	delete(dir.kids, base)
	dir.mtime = f.wall()
	if f.removed != nil {
		f.tellRemoved(path.Clean(name), n)
	}
	return nil
}

func (f *FS) tellRemoved(name string, n *node) {
	if n.kind == kindFile && n.dyn == nil {
		f.removed(name, n.data)
	}
	for base, kid := range n.kids {
		f.tellRemoved(name+"/"+base, kid)
	}
}

func size(n *node) int64 {
	s := int64(len(n.data))
	for _, k := range n.kids {
		s += size(k)
	}
	return s
}

// Rename moves from to to, replacing a file that is there.
func (f *FS) Rename(from, to string) error { return f.rename(from, to, false) }

func (f *FS) rename(from, to string, user bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	fromDir, fromBase, err := f.parent(from)
	if err != nil {
		return &fs.PathError{Op: "rename", Path: from, Err: err}
	}
	n := fromDir.kids[fromBase]
	if n == nil {
		return pathError("rename", from, syscall.ENOENT)
	}
	toDir, toBase, err := f.parent(to)
	if err != nil {
		return &fs.PathError{Op: "rename", Path: to, Err: err}
	}
	if !fromDir.mayWrite(user) || !toDir.mayWrite(user) {
		return pathError("rename", to, syscall.EACCES)
	}
	if path.Clean(from) == path.Clean(to) {
		return nil
	}
	if n.kind == kindDir && strings.HasPrefix(path.Clean(to)+"/", path.Clean(from)+"/") {
		return pathError("rename", to, syscall.EINVAL)
	}
	if old := toDir.kids[toBase]; old != nil {
		if old.kind == kindDir && (n.kind != kindDir || len(old.kids) > 0) {
			return pathError("rename", to, syscall.EISDIR)
		}
		f.used -= size(old)
	}
	delete(fromDir.kids, fromBase)
	toDir.kids[toBase] = n
	fromDir.mtime = f.wall()
	toDir.mtime = fromDir.mtime
	return nil
}

// Chmod sets the permission bits.
func (f *FS) Chmod(name string, mode fs.FileMode) error { return f.chmod(name, mode, false) }

func (f *FS) chmod(name string, mode fs.FileMode, user bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	n, err := f.lookup(name, true)
	if err == nil && user && n.uid != shellUID {
		err = syscall.EPERM
	}
	if err != nil {
		return &fs.PathError{Op: "chmod", Path: name, Err: err}
	}
	n.mode = mode & 0o777
	return nil
}

// Chtimes sets the modification time.
func (f *FS) Chtimes(name string, mtime time.Time) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	n, err := f.lookup(name, true)
	if err != nil {
		return &fs.PathError{Op: "chtimes", Path: name, Err: err}
	}
	n.mtime = mtime
	return nil
}

// Stat describes the path, following links. Dynamic files have size 0, as /proc has.
func (f *FS) Stat(name string) (fs.FileInfo, error) { return f.stat(name, true) }

// Lstat describes the path itself.
func (f *FS) Lstat(name string) (fs.FileInfo, error) { return f.stat(name, false) }

func (f *FS) stat(name string, follow bool) (fs.FileInfo, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	n, err := f.lookup(name, follow)
	if err != nil {
		return nil, &fs.PathError{Op: "stat", Path: name, Err: err}
	}
	return n.info(path.Base(name)), nil
}

// ReadDir lists the folder, sorted by name.
func (f *FS) ReadDir(name string) ([]fs.DirEntry, error) { return f.readDir(name, false) }

func (f *FS) readDir(name string, user bool) ([]fs.DirEntry, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	n, err := f.lookup(name, true)
	switch {
	case err != nil:
	case n.kind != kindDir:
		err = syscall.ENOTDIR
	case !n.mayRead(user):
		err = syscall.EACCES
	}
	if err != nil {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: err}
	}
	list := make([]fs.DirEntry, 0, len(n.kids))
	for base, k := range n.kids {
		list = append(list, fs.FileInfoToDirEntry(k.info(base)))
	}
	if n.procfs && f.pids != nil {
		for _, pid := range f.pids() {
			if k := f.proc(pid); k != nil {
				list = append(list, fs.FileInfoToDirEntry(k.info(pid)))
			}
		}
	}
	slices.SortFunc(list, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return list, nil
}

// Used is the number of bytes stored in files.
func (f *FS) Used() int64 {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.used
}

func (n *node) info(name string) fileInfo {
	mode := n.mode
	switch n.kind {
	case kindDir:
		mode |= fs.ModeDir
	case kindLink:
		mode |= fs.ModeSymlink
	case kindNull, kindZero, kindRandom:
		mode |= fs.ModeDevice | fs.ModeCharDevice
	}
	size := int64(len(n.data))
	switch n.kind {
	case kindDir:
		size = 4096
	case kindLink:
		size = int64(len(n.target))
	}
	return fileInfo{name: name, size: size, mode: mode, mtime: n.mtime, uid: n.uid, ino: n.ino, target: n.target, n: n}
}

type fileInfo struct {
	name   string
	size   int64
	mode   fs.FileMode
	mtime  time.Time
	uid    int
	ino    uint64
	target string
	n      *node
}

func (i fileInfo) Name() string       { return i.name }
func (i fileInfo) Size() int64        { return i.size }
func (i fileInfo) Mode() fs.FileMode  { return i.mode }
func (i fileInfo) ModTime() time.Time { return i.mtime }
func (i fileInfo) IsDir() bool        { return i.mode.IsDir() }
func (i fileInfo) Sys() any           { return nil }

func (i fileInfo) owner() string {
	if i.uid == shellUID {
		return "shell"
	}
	return "root"
}
