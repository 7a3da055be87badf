package local

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"github.com/hourbell/hourbell/internal/seglog"
)

const (
	incarnationName = "incarnation"
	reachedName     = "reached"
	lockName        = "lock" // of the journal

	markVersion = "1"
	markLimit   = 256 // bytes of a mark's file
)

var errMark = errors.New("it is damaged")

// reached is how far the journal was synced, in a file beside it.
type reached struct {
	mu      sync.Mutex
	settled bool // what it said at open was heeded; before, nothing is written
	written uint64
}

// Renew gives the store in a folder a new incarnation. It is run after the
// folder was put back from a copy, before the store is opened: agents and phones
// then send again what the copy doesn't have.
func Renew(dir string) error {
	return renew(seglog.OS{}, dir, nil)
}

func renew(fsys seglog.FS, dir string, random io.Reader) error {
	journal := filepath.Join(dir, journalName)
	if _, err := fsys.List(journal); err != nil {
		return fmt.Errorf("store: renew the incarnation: no journal in %s, so there is no store to renew: %w", dir, err)
	}
	lock, err := fsys.Lock(filepath.Join(journal, lockName))
	if err != nil {
		return fmt.Errorf("store: renew the incarnation: %w", err)
	}
	_, err = writeIncarnation(fsys, dir, orDefault[io.Reader](random, defaultRandom))
	if err = errors.Join(err, lock.Close()); err != nil {
		return fmt.Errorf("store: renew the incarnation: %w", err)
	}
	return nil
}

func writeIncarnation(fsys seglog.FS, dir string, random io.Reader) (id [16]byte, err error) {
	if _, err := io.ReadFull(random, id[:]); err != nil {
		return id, fmt.Errorf("draw an incarnation: %w", err)
	}
	return id, writeMark(fsys, filepath.Join(dir, incarnationName), hex.EncodeToString(id[:]))
}

// readIncarnation returns false if there is none; errMark is in the error if it
// is damaged.
func readIncarnation(fsys seglog.FS, dir string) (id [16]byte, ok bool, err error) {
	text, ok, err := readMark(fsys, filepath.Join(dir, incarnationName))
	if err != nil || !ok {
		return id, false, err
	}
	if n, err := hex.Decode(id[:], []byte(text)); err != nil || n != len(id) {
		return id, false, fmt.Errorf("%s: %w", incarnationName, errMark)
	}
	return id, true, nil
}

func readReached(fsys seglog.FS, dir string) (index uint64, ok bool, err error) {
	text, ok, err := readMark(fsys, filepath.Join(dir, reachedName))
	if err != nil || !ok {
		return 0, false, err
	}
	if index, err = strconv.ParseUint(text, 10, 64); err != nil {
		return 0, false, fmt.Errorf("%s: %w", reachedName, errMark)
	}
	return index, true, nil
}

// noteReached writes how far the journal is synced.
func (s *Store) noteReached() error {
	s.reached.mu.Lock()
	defer s.reached.mu.Unlock()
	index := s.log.Synced()
	if !s.reached.settled || index == s.reached.written {
		return nil
	}
	err := writeMark(s.opts.FS, filepath.Join(s.dir, reachedName), strconv.FormatUint(index, 10))
	if err != nil {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.breakLocked(fmt.Errorf("note how far the journal is synced: %w", err))
	}
	s.reached.written = index
	return nil
}

// A mark is one line: version, value, and the first 8 bytes of the SHA-256 of
// both.
func writeMark(fsys seglog.FS, path, value string) error {
	return seglog.ReplaceFile(fsys, path, []byte(markLine(value)))
}

func markLine(value string) string {
	sum := sha256.Sum256([]byte(markVersion + " " + value))
	return fmt.Sprintf("%s %s %x\n", markVersion, value, sum[:8])
}

func readMark(fsys seglog.FS, path string) (value string, ok bool, err error) {
	data, err := seglog.ReadFile(fsys, path, markLimit)
	if errors.Is(err, fs.ErrNotExist) {
		return "", false, nil
	}
	if err != nil {
		return "", false, err
	}
	fields := strings.Fields(string(data))
	if len(fields) != 3 || markLine(fields[1]) != string(data) {
		return "", false, fmt.Errorf("%s: %w", path, errMark)
	}
	return fields[1], true, nil
}
