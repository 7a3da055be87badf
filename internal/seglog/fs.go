package seglog

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
)

// FS is the seam between the log and the disk. Names are whole paths.
type FS interface {
	// Mkdir makes one folder; fs.ErrExist if it is there.
	Mkdir(dir string) error
	// List gives the plain files of a folder in the order of their names.
	List(dir string) ([]Entry, error)
	// Open opens a file that exists, to read or to read and write.
	Open(name string, write bool) (File, error)
	// Create makes an empty file to read and write, or empties one that exists.
	Create(name string) (File, error)
	// Rename replaces to if it exists.
	Rename(from, to string) error
	Remove(name string) error
	// SyncDir makes the folder's names durable.
	SyncDir(dir string) error
	// Lock takes the file's lock for this process or returns *LockedError.
	Lock(name string) (io.Closer, error)
}

// File is an open file.
type File interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	Size() (int64, error)
	Truncate(size int64) error
	// Sync makes data and size durable.
	Sync() error
}

// Entry is a file in a folder.
type Entry struct {
	Name string // without the folder
	Size int64  // bytes
}

// tmpSuffix marks files that are being made.
const tmpSuffix = ".tmp"

// ReplaceFile puts data in place of the file name, durably and whole: written
// under another name (name + ".tmp"), synced, renamed, the folder synced.
func ReplaceFile(fsys FS, name string, data []byte) error {
	tmp := name + tmpSuffix
	if err := writeSynced(fsys, tmp, data); err != nil {
		_ = fsys.Remove(tmp) // may not exist; the first error is the one to tell
		return err
	}
	if err := fsys.Rename(tmp, name); err != nil {
		return fmt.Errorf("rename %s: %w", tmp, err)
	}
	if err := fsys.SyncDir(filepath.Dir(name)); err != nil {
		return fmt.Errorf("sync folder of %s: %w", name, err)
	}
	return nil
}

func writeSynced(fsys FS, name string, data []byte) error {
	f, err := fsys.Create(name)
	if err != nil {
		return fmt.Errorf("create %s: %w", name, err)
	}
	if _, err = f.WriteAt(data, 0); err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}

// ReadFile reads a whole file of at most limit bytes.
func ReadFile(fsys FS, name string, limit int64) ([]byte, error) {
	f, err := fsys.Open(name, false)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return nil, fmt.Errorf("size of %s: %w", name, err)
	}
	if size > limit {
		return nil, fmt.Errorf("%s has %d bytes, more than %d", name, size, limit)
	}
	return readSpan(f, 0, size)
}

// MakeDir makes dir and what is missing above it, and sees to it that the names are
// durable, also those that an earlier, failed call made.
func MakeDir(fsys FS, dir string) error {
	err := fsys.Mkdir(dir)
	if errors.Is(err, fs.ErrExist) {
		return syncAbove(fsys, dir)
	}
	parent := filepath.Dir(dir)
	if errors.Is(err, fs.ErrNotExist) && parent != dir {
		if err := MakeDir(fsys, parent); err != nil {
			return err
		}
		err = fsys.Mkdir(dir)
	}
	if err != nil {
		return fmt.Errorf("make folder %s: %w", dir, err)
	}
	if err := fsys.SyncDir(parent); err != nil {
		return fmt.Errorf("sync folder %s: %w", parent, err)
	}
	return nil
}

// syncAbove syncs the folders above one that exists. A folder further up, or one
// that we may not read, was somebody else's to make.
func syncAbove(fsys FS, dir string) error {
	first := true
	for parent := filepath.Dir(dir); parent != dir; dir, parent = parent, filepath.Dir(parent) {
		err := fsys.SyncDir(parent)
		if err != nil && first && !errors.Is(err, fs.ErrPermission) {
			return fmt.Errorf("sync folder %s: %w", parent, err)
		}
		first = false
	}
	return nil
}

// readSpan reads [from, to) or as much of it as the file has.
func readSpan(f io.ReaderAt, from, to int64) ([]byte, error) {
	b := make([]byte, max(to-from, 0))
	n, err := f.ReadAt(b, from)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read %d bytes at %d: %w", len(b), from, err)
	}
	return b[:n], nil
}
