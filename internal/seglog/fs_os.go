package seglog

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

const (
	fileMode = 0o600
	dirMode  = 0o700
)

// OS is the operating system's files.
type OS struct{}

type osFile struct{ *os.File }

func (f osFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

func (f osFile) Sync() error { return syncData(f.File) }

// Mkdir implements FS.
func (OS) Mkdir(dir string) error { return os.Mkdir(dir, dirMode) }

// List implements FS.
func (OS) List(dir string) ([]Entry, error) {
	des, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []Entry
	for _, de := range des {
		info, err := de.Info()
		if errors.Is(err, fs.ErrNotExist) || err == nil && !info.Mode().IsRegular() {
			continue
		}
		if err != nil {
			return nil, err
		}
		out = append(out, Entry{Name: de.Name(), Size: info.Size()})
	}
	return out, nil
}

// Open implements FS.
func (OS) Open(name string, write bool) (File, error) {
	flag := os.O_RDONLY
	if write {
		flag = os.O_RDWR
	}
	f, err := os.OpenFile(name, flag, 0)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

// Create implements FS.
func (OS) Create(name string) (File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_TRUNC, fileMode)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

// Rename implements FS.
func (OS) Rename(from, to string) error { return os.Rename(from, to) }

// Remove implements FS.
func (OS) Remove(name string) error { return os.Remove(name) }

// SyncDir implements FS.
func (OS) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}

// Lock implements FS. The file stays when the lock is let go.
func (OS) Lock(name string) (io.Closer, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, fileMode)
	if err != nil {
		return nil, fmt.Errorf("open lock %s: %w", name, err)
	}
	if err := lockFile(f); err != nil {
		defer f.Close()
		if errors.Is(err, errHeld) {
			return nil, &LockedError{Path: name, PID: readPID(f)}
		}
		return nil, fmt.Errorf("lock %s: %w", name, err)
	}
	writePID(f)
	return f, nil
}

var errHeld = errors.New("held")

// readPID is a courtesy to the reader of the error: 0 when not known.
func readPID(f *os.File) int {
	var pid int
	if _, err := fmt.Fscan(io.NewSectionReader(f, 0, 20), &pid); err != nil {
		return 0
	}
	return pid
}

// writePID leaves the id for readPID; the lock holds without it.
func writePID(f *os.File) {
	if f.Truncate(0) == nil {
		_, _ = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
}
