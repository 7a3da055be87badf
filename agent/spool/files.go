package spool

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/hourbell/hourbell/internal/seglog"
)

const (
	fileMagic     = "hbstate1"
	fileHead      = len(fileMagic) + 4
	stateSuffix   = ".state"
	damagedSuffix = ".damaged"
	epochsFile    = "epochs.meta"
	ackedFile     = "acked.meta"
	reserveFile   = "reserve"
	logFolder     = "log"
	maxStateName  = 48
)

// files are the small files beside the log: each whole, checksummed, replaced
// under another name.
type files struct {
	fs    seglog.FS
	dir   string
	sizes map[string]int64
}

func openFiles(fsys seglog.FS, dir string) (*files, error) {
	if err := seglog.MakeDir(fsys, dir); err != nil {
		return nil, err
	}
	entries, err := fsys.List(dir)
	if err != nil {
		return nil, fmt.Errorf("list folder: %w", err)
	}
	f := &files{fs: fsys, dir: dir, sizes: map[string]int64{}}
	for _, e := range entries {
		if strings.HasSuffix(e.Name, ".tmp") {
			if err := fsys.Remove(f.path(e.Name)); err != nil {
				return nil, fmt.Errorf("remove unfinished file: %w", err)
			}
			continue
		}
		f.sizes[e.Name] = e.Size
	}
	return f, nil
}

func (f *files) path(name string) string { return filepath.Join(f.dir, name) }

// used is the bytes of all of them.
func (f *files) used() int64 {
	var n int64
	for _, size := range f.sizes {
		n += size
	}
	return n
}

func checksum(name string, data []byte) uint32 {
	t := crc32.MakeTable(crc32.Castagnoli)
	return crc32.Update(crc32.Checksum([]byte(name), t), t, data)
}

func (f *files) put(name string, data []byte) error {
	b := append(make([]byte, 0, fileHead+len(data)), fileMagic...)
	b = binary.LittleEndian.AppendUint32(b, checksum(name, data))
	b = append(b, data...)
	if err := seglog.ReplaceFile(f.fs, f.path(name), b); err != nil {
		return err
	}
	f.sizes[name] = int64(len(b))
	return nil
}

// get reads a file. Missing is fs.ErrNotExist; damaged sets it aside and is *StateError.
func (f *files) get(name string) ([]byte, error) {
	b, err := seglog.ReadFile(f.fs, f.path(name), maxSegment)
	if err != nil {
		return nil, err
	}
	switch {
	case len(b) < fileHead || string(b[:len(fileMagic)]) != fileMagic:
		return nil, f.setAside(name, "it doesn't begin as such a file does")
	case binary.LittleEndian.Uint32(b[len(fileMagic):]) != checksum(name, b[fileHead:]):
		return nil, f.setAside(name, "checksum does not match")
	}
	return b[fileHead:], nil
}

// setAside renames a damaged file; an older one of that name gives way.
func (f *files) setAside(name, reason string) error {
	kept := name + damagedSuffix
	if err := f.fs.Rename(f.path(name), f.path(kept)); err != nil {
		return fmt.Errorf("set damaged %s aside: %w", name, err)
	}
	if err := f.fs.SyncDir(f.dir); err != nil {
		return fmt.Errorf("set damaged %s aside: %w", name, err)
	}
	f.sizes[kept] = f.sizes[name]
	delete(f.sizes, name)
	return &StateError{Name: strings.TrimSuffix(name, stateSuffix), Kept: kept, Reason: reason}
}

func (f *files) putJSON(name string, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode %s: %w", name, err)
	}
	return f.put(name, data)
}

// getJSON is get, decoded; ok is false when the file is missing or was set aside.
func (f *files) getJSON(name string, v any) (ok bool, err error) {
	data, err := f.get(name)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if json.Unmarshal(data, v) != nil {
		return false, f.setAside(name, "its content is not understood")
	}
	return true, nil
}

// makeReserve makes the reserve file of size bytes, really written.
func (f *files) makeReserve(size int64) error {
	if f.sizes[reserveFile] == size {
		return nil
	}
	if err := seglog.ReplaceFile(f.fs, f.path(reserveFile), make([]byte, size)); err != nil {
		return err
	}
	f.sizes[reserveFile] = size
	return nil
}

// dropReserve gives its room back; false if there is none.
func (f *files) dropReserve() (bool, error) {
	if _, ok := f.sizes[reserveFile]; !ok {
		return false, nil
	}
	if err := f.fs.Remove(f.path(reserveFile)); err != nil {
		return false, fmt.Errorf("give the reserve back: %w", err)
	}
	delete(f.sizes, reserveFile)
	return true, nil
}

func validName(name string) bool {
	if name == "" || len(name) > maxStateName {
		return false
	}
	for _, c := range name {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' && c != '_' {
			return false
		}
	}
	return true
}
