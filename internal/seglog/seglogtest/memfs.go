// Package seglogtest is a file system in memory for tests of what must survive a
// crash. It keeps two forms of everything: what programs see, and what is on the
// disk. Crash forgets every unsynced byte and every unsynced name, or, torn, keeps
// a random part of them. Operations can be made to fail, the disk to be full.
//
// What the disk of this model does, as file systems do:
//
//   - a write reaches the disk by Sync of the file; size with it
//   - a name (create, rename, remove, folder) reaches it by SyncDir of its folder
//   - unsynced sectors of 512 bytes may reach it in any order or not at all; one
//     that didn't reads as it was on the disk, beyond the disk's size as zeros
//   - a failed Sync drops what it should have written: the pages stay visible, a
//     later Sync passes, and a crash loses them
package seglogtest

import (
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"syscall"

	"github.com/hourbell/hourbell/internal/seglog"
)

// SectorSize is the unit, in bytes, that reaches the disk whole or not at all.
const SectorSize = 512

// Op names an operation for FailAt and OnOp.
type Op string

// The operations.
const (
	OpMkdir    Op = "mkdir"
	OpList     Op = "list"
	OpOpen     Op = "open"
	OpCreate   Op = "create"
	OpRename   Op = "rename"
	OpRemove   Op = "remove"
	OpSyncDir  Op = "syncdir"
	OpLock     Op = "lock"
	OpRead     Op = "read"
	OpWrite    Op = "write"
	OpTruncate Op = "truncate"
	OpSync     Op = "sync"
)

// Changing reports whether the operation changes what is on the disk.
func (o Op) Changing() bool {
	switch o {
	case OpList, OpOpen, OpLock, OpRead:
		return false
	}
	return true
}

// FS is the file system. Safe for concurrent use.
type FS struct {
	mu    sync.Mutex
	seen  map[string]*inode // names as programs see them
	disk  map[string]*inode // names on the disk
	undo  []nameOp          // names changed since their folder was synced
	dirs  map[string]bool   // folder: is its name on the disk
	locks map[string]bool
	gen   int // counts crashes: files opened before one are dead

	ops      int
	fail     func(n int, op Op, name string) error
	onOp     func(op Op, name string)
	capacity int64
	noSync   bool
}

type nameOp struct {
	dir   string
	apply func(names map[string]*inode)
}

type inode struct {
	data  []byte       // as programs see it
	disk  []byte       // as on the disk
	dirty map[int]bool // sectors written since the last sync
	size  bool         // size changed since
}

// New is an empty file system with the folder root made and durable.
func New(root string) *FS {
	m := &FS{seen: map[string]*inode{}, disk: map[string]*inode{}, dirs: map[string]bool{}, locks: map[string]bool{}}
	for d := filepath.Clean(root); ; d = filepath.Dir(d) {
		m.dirs[d] = true
		if d == filepath.Dir(d) {
			return m
		}
	}
}

// SkipSync makes every Sync and SyncDir succeed and do nothing: the control that
// tests of durability must catch.
func (m *FS) SkipSync() { m.mu.Lock(); defer m.mu.Unlock(); m.noSync = true }

// SetCapacity limits the bytes of all files together; 0 is no limit. What goes
// over it fails with ENOSPC, a write after filling the disk.
func (m *FS) SetCapacity(n int64) { m.mu.Lock(); defer m.mu.Unlock(); m.capacity = n }

// Used is the bytes of all files that programs see.
func (m *FS) Used() int64 { m.mu.Lock(); defer m.mu.Unlock(); return m.used() }

func (m *FS) used() int64 {
	var n int64
	for _, i := range m.seen {
		n += int64(len(i.data))
	}
	return n
}

// FailAt makes the n-th operation from now (1 is the next) of the given sorts, or
// of all changing ones if none is given, fail with err.
func (m *FS) FailAt(n int, err error, ops ...Op) {
	count := 0
	m.Fail(func(op Op, _ string) error {
		if len(ops) == 0 && op.Changing() || slices.Contains(ops, op) {
			if count++; count == n {
				return err
			}
		}
		return nil
	})
}

// Fail asks f before each operation whether it is to fail; nil f: none fails.
func (m *FS) Fail(f func(op Op, name string) error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fail = nil
	if f != nil {
		m.fail = func(_ int, op Op, name string) error { return f(op, name) }
	}
}

// OnOp calls f after each changing operation that did not fail.
func (m *FS) OnOp(f func(op Op, name string)) { m.mu.Lock(); defer m.mu.Unlock(); m.onOp = f }

// Ops is how many operations were asked for so far.
func (m *FS) Ops() int { m.mu.Lock(); defer m.mu.Unlock(); return m.ops }

// Crash is the power going: what is not on the disk is gone. Files open before it
// fail from then on, locks are free. With tear not nil a random part of what was
// unsynced has reached the disk.
func (m *FS) Crash(tear *rand.Rand) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.gen++
	m.locks = map[string]bool{}
	if tear != nil {
		for _, op := range m.undo {
			if tear.IntN(2) == 0 {
				op.apply(m.disk)
			}
		}
	}
	m.undo = nil
	m.loseDirs()
	for _, name := range slices.Sorted(maps.Keys(m.disk)) {
		m.disk[name].crash(tear)
	}
	m.seen = maps.Clone(m.disk)
}

func (m *FS) loseDirs() {
	for d, durable := range m.dirs {
		if durable {
			continue
		}
		delete(m.dirs, d)
		for name := range m.disk {
			if filepath.Dir(name) == d {
				delete(m.disk, name)
			}
		}
	}
}

// crash settles what of the inode is on the disk.
func (i *inode) crash(tear *rand.Rand) {
	if tear != nil && (len(i.dirty) > 0 || i.size) {
		i.tear(tear)
	}
	i.data = slices.Clone(i.disk)
	i.dirty, i.size = map[int]bool{}, false
}

// tear lets a part of the unsynced bytes reach the disk, in one of the ways that
// disks do: all sectors up to a point, any of them, or the size only.
func (i *inode) tear(r *rand.Rand) {
	sectors := slices.Sorted(maps.Keys(i.dirty))
	keep := map[int]bool{}
	upTo, way := r.IntN(len(sectors)+1), r.IntN(4)
	for n, s := range sectors {
		switch way {
		case 0:
			keep[s] = n < upTo
		case 1:
			keep[s] = r.IntN(2) == 0
		case 2:
			keep[s] = n >= upTo
		}
	}
	size := len(i.disk)
	if i.size && len(i.data) > size {
		size += r.IntN(len(i.data) - size + 1)
	} else if i.size && r.IntN(2) == 0 {
		size = len(i.data)
	}
	for s, k := range keep {
		if k && i.size {
			size = max(size, min((s+1)*SectorSize, len(i.data)))
		}
	}
	i.disk = resize(i.disk, size)
	for s, k := range keep {
		if k {
			i.flush(s)
		}
	}
}

// flush writes one sector to the disk, as far as the disk's size goes.
func (i *inode) flush(s int) {
	from, to := s*SectorSize, min((s+1)*SectorSize, len(i.data), len(i.disk))
	if from < to {
		copy(i.disk[from:to], i.data[from:to])
	}
}

func resize(b []byte, n int) []byte {
	if n <= len(b) {
		return b[:n]
	}
	return append(b, make([]byte, n-len(b))...)
}

// begin counts an operation and says whether it is to fail. mu is held.
func (m *FS) begin(op Op, name string) error {
	m.ops++
	if m.fail != nil {
		if err := m.fail(m.ops, op, name); err != nil {
			return &fs.PathError{Op: string(op), Path: name, Err: err}
		}
	}
	return nil
}

// done tells OnOp. mu is held and let go for the call.
func (m *FS) done(op Op, name string) {
	if f := m.onOp; f != nil {
		m.mu.Unlock()
		defer m.mu.Lock()
		f(op, name)
	}
}

func pathErr(op Op, name string, err error) error {
	return &fs.PathError{Op: string(op), Path: name, Err: err}
}

// change does a change of names now and keeps it for the folder's sync.
func (m *FS) change(name string, apply func(map[string]*inode)) {
	apply(m.seen)
	m.undo = append(m.undo, nameOp{filepath.Dir(name), apply})
}

// Mkdir implements seglog.FS.
func (m *FS) Mkdir(dir string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	dir = filepath.Clean(dir)
	if _, ok := m.dirs[dir]; ok {
		return pathErr(OpMkdir, dir, fs.ErrExist)
	}
	if _, ok := m.dirs[filepath.Dir(dir)]; !ok {
		return pathErr(OpMkdir, dir, fs.ErrNotExist)
	}
	if err := m.begin(OpMkdir, dir); err != nil {
		return err
	}
	m.dirs[dir] = false
	m.done(OpMkdir, dir)
	return nil
}

// List implements seglog.FS.
func (m *FS) List(dir string) ([]seglog.Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	dir = filepath.Clean(dir)
	if err := m.begin(OpList, dir); err != nil {
		return nil, err
	}
	if _, ok := m.dirs[dir]; !ok {
		return nil, pathErr(OpList, dir, fs.ErrNotExist)
	}
	var out []seglog.Entry
	for _, name := range slices.Sorted(maps.Keys(m.seen)) {
		if filepath.Dir(name) == dir {
			out = append(out, seglog.Entry{Name: filepath.Base(name), Size: int64(len(m.seen[name].data))})
		}
	}
	return out, nil
}

// Open implements seglog.FS.
func (m *FS) Open(name string, write bool) (seglog.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.begin(OpOpen, name); err != nil {
		return nil, err
	}
	i, ok := m.seen[filepath.Clean(name)]
	if !ok {
		return nil, pathErr(OpOpen, name, fs.ErrNotExist)
	}
	return &file{m: m, i: i, name: name, gen: m.gen, write: write}, nil
}

// Create implements seglog.FS.
func (m *FS) Create(name string) (seglog.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	name = filepath.Clean(name)
	if err := m.begin(OpCreate, name); err != nil {
		return nil, err
	}
	if _, ok := m.dirs[filepath.Dir(name)]; !ok {
		return nil, pathErr(OpCreate, name, fs.ErrNotExist)
	}
	i, ok := m.seen[name]
	if ok {
		i.truncate(0)
	} else {
		i = &inode{dirty: map[int]bool{}}
		m.change(name, func(names map[string]*inode) { names[name] = i })
	}
	m.done(OpCreate, name)
	return &file{m: m, i: i, name: name, gen: m.gen, write: true}, nil
}

// Rename implements seglog.FS. Both names are in one folder.
func (m *FS) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	from, to = filepath.Clean(from), filepath.Clean(to)
	if err := m.begin(OpRename, to); err != nil {
		return err
	}
	i, ok := m.seen[from]
	if !ok {
		return pathErr(OpRename, from, fs.ErrNotExist)
	}
	m.change(to, func(names map[string]*inode) {
		delete(names, from)
		names[to] = i
	})
	m.done(OpRename, to)
	return nil
}

// Remove implements seglog.FS.
func (m *FS) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	name = filepath.Clean(name)
	if err := m.begin(OpRemove, name); err != nil {
		return err
	}
	if _, ok := m.seen[name]; !ok {
		return pathErr(OpRemove, name, fs.ErrNotExist)
	}
	m.change(name, func(names map[string]*inode) { delete(names, name) })
	m.done(OpRemove, name)
	return nil
}

// SyncDir implements seglog.FS.
func (m *FS) SyncDir(dir string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	dir = filepath.Clean(dir)
	if err := m.begin(OpSyncDir, dir); err != nil {
		return err
	}
	if _, ok := m.dirs[dir]; !ok {
		return pathErr(OpSyncDir, dir, fs.ErrNotExist)
	}
	if m.noSync {
		return nil
	}
	rest := m.undo[:0]
	for _, op := range m.undo {
		if op.dir == dir {
			op.apply(m.disk)
		} else {
			rest = append(rest, op)
		}
	}
	m.undo = rest
	for d := range m.dirs {
		if filepath.Dir(d) == dir {
			m.dirs[d] = true
		}
	}
	m.done(OpSyncDir, dir)
	return nil
}

// Lock implements seglog.FS.
func (m *FS) Lock(name string) (io.Closer, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	name = filepath.Clean(name)
	if err := m.begin(OpLock, name); err != nil {
		return nil, err
	}
	if m.locks[name] {
		return nil, &seglog.LockedError{Path: name}
	}
	m.locks[name] = true
	return &lock{m: m, name: name, gen: m.gen}, nil
}

type lock struct {
	m    *FS
	name string
	gen  int
}

func (l *lock) Close() error {
	l.m.mu.Lock()
	defer l.m.mu.Unlock()
	if l.gen == l.m.gen {
		delete(l.m.locks, l.name)
	}
	return nil
}

// Corrupt hands f the bytes of a file, as seen and on the disk, to change in place.
func (m *FS) Corrupt(name string, f func(b []byte)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i, ok := m.seen[filepath.Clean(name)]
	if !ok {
		panic(fmt.Sprintf("no file %s", name))
	}
	f(i.data)
	i.disk = slices.Clone(i.data)
}

// Put puts a durable file in place.
func (m *FS) Put(name string, data []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := &inode{data: slices.Clone(data), disk: slices.Clone(data), dirty: map[int]bool{}}
	name = filepath.Clean(name)
	m.seen[name], m.disk[name] = i, i
}

// Bytes is a copy of a file as programs see it; nil if there is none.
func (m *FS) Bytes(name string) []byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	if i, ok := m.seen[filepath.Clean(name)]; ok {
		return slices.Clone(i.data)
	}
	return nil
}

// file is an open file.
type file struct {
	m      *FS
	i      *inode
	name   string
	gen    int
	write  bool
	closed bool
}

func (f *file) begin(op Op) error {
	if f.closed || f.gen != f.m.gen {
		return pathErr(op, f.name, fs.ErrClosed)
	}
	if op.Changing() && !f.write {
		return pathErr(op, f.name, fs.ErrPermission)
	}
	return f.m.begin(op, f.name)
}

func (f *file) ReadAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.begin(OpRead); err != nil {
		return 0, err
	}
	if off >= int64(len(f.i.data)) {
		return 0, io.EOF
	}
	n := copy(p, f.i.data[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// WriteAt writes; one that is made to fail writes the first half, one on a full
// disk what there is room for.
func (f *file) WriteAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.begin(OpWrite); err != nil {
		n := 0
		if f.gen == f.m.gen && !f.closed && f.write {
			n = f.i.write(p[:len(p)/2], off)
		}
		return n, err
	}
	room := int64(len(p))
	if grow := off + room - int64(len(f.i.data)); f.m.capacity > 0 && grow > 0 {
		room -= min(max(f.m.used()+grow-f.m.capacity, 0), room)
	}
	n := f.i.write(p[:room], off)
	if n < len(p) {
		return n, pathErr(OpWrite, f.name, syscall.ENOSPC)
	}
	f.m.done(OpWrite, f.name)
	return n, nil
}

func (i *inode) write(p []byte, off int64) int {
	if len(p) == 0 {
		return 0
	}
	if end := int(off) + len(p); end > len(i.data) {
		i.data, i.size = resize(i.data, end), true
	}
	copy(i.data[off:], p)
	for s := int(off) / SectorSize; s*SectorSize < int(off)+len(p); s++ {
		i.dirty[s] = true
	}
	return len(p)
}

func (i *inode) truncate(size int64) {
	if int(size) == len(i.data) {
		return
	}
	if int(size) < len(i.data) {
		for s := int(size) / SectorSize; s*SectorSize < len(i.data); s++ {
			i.dirty[s] = true
		}
		clear(i.data[size:])
	}
	i.data, i.size = resize(i.data, int(size)), true
}

func (f *file) Truncate(size int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.begin(OpTruncate); err != nil {
		return err
	}
	f.i.truncate(size)
	f.m.done(OpTruncate, f.name)
	return nil
}

func (f *file) Sync() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.begin(OpSync); err != nil {
		if f.gen == f.m.gen && !f.closed {
			f.i.dirty = map[int]bool{} // clean now, and never written
		}
		return err
	}
	if f.m.noSync {
		return nil
	}
	f.i.disk = resize(f.i.disk, len(f.i.data))
	for s := range f.i.dirty {
		f.i.flush(s)
	}
	f.i.dirty, f.i.size = map[int]bool{}, false
	f.m.done(OpSync, f.name)
	return nil
}

func (f *file) Size() (int64, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.closed || f.gen != f.m.gen {
		return 0, pathErr(OpRead, f.name, fs.ErrClosed)
	}
	return int64(len(f.i.data)), nil
}

func (f *file) Close() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.closed {
		return pathErr(OpRead, f.name, fs.ErrClosed)
	}
	f.closed = true
	return nil
}

var (
	_ seglog.FS   = (*FS)(nil)
	_ seglog.File = (*file)(nil)
)
