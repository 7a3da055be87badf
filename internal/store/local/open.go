package local

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/store"
)

const (
	asideName  = "aside"
	asideKept  = 4 // files; older ones are dropped when one more comes
	dirMode    = 0o700
	lostListed = 256
)

var defaultRandom io.Reader = rand.Reader

// Open opens the store in a folder, making both if needed. Damaged folds are set
// aside and rebuilt; Recovery tells. It fails, and changes nothing in the journal,
// while another process has the store.
func Open(dir string, o Options) (*Store, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, fmt.Errorf("store: open %s: %w", dir, err)
	}
	pack, err := newPacker()
	if err != nil {
		return nil, fmt.Errorf("store: open %s: %w", dir, err)
	}
	s := &Store{
		dir: dir, opts: o, pack: pack,
		room: make(chan struct{}), wake: make(chan struct{}, 1), stop: make(chan struct{}), probing: make(chan struct{}, 1),
	}
	s.readers.New = func() any { return new(streamReader) }
	if err := s.open(); err != nil {
		return nil, fmt.Errorf("store: open %s: %w", dir, errors.Join(err, s.release()))
	}
	s.folder.Go(s.runFolder)
	return s, nil
}

func (s *Store) open() error {
	if err := s.makeDirs(); err != nil {
		return err
	}
	if err := s.openJournal(); err != nil {
		return err
	}
	if err := s.countAside(); err != nil {
		return err
	}
	if err := s.openFolds(); err != nil {
		return err
	}
	return s.settleMarks()
}

// makeDirs makes the folder, its name synced, and the same for the folds where
// the journal is in another file system.
func (s *Store) makeDirs() error {
	if err := seglog.MakeDir(s.opts.FS, s.dir); err != nil {
		return err
	}
	if err := os.MkdirAll(s.dir, dirMode); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	return nil
}

func (s *Store) openJournal() error {
	log, rec, err := seglog.Open(filepath.Join(s.dir, journalName), seglog.Options{
		FS: s.opts.FS, SegmentBytes: s.opts.SegmentBytes, MaxRecord: maxRecord, Codec: codec{s.pack},
	})
	if err != nil {
		return err
	}
	s.log = log
	s.recovery.New = rec.Next == 1
	if rec.Torn != nil {
		s.recovery.Torn = rec.Torn.Bytes
	}
	return nil
}

// openFolds opens the folds and replays the journal behind them, once more with
// new ones if they are not fit.
func (s *Store) openFolds() error {
	unfit := s.tryFolds()
	if unfit == nil || !errors.Is(unfit, errFolds) {
		return unfit
	}
	if s.folds != nil {
		if err := s.folds.close(); err != nil {
			return err
		}
		s.folds = nil
	}
	s.broken = nil // only by what is set aside
	if _, err := os.Stat(filepath.Join(s.dir, foldsName)); err == nil {
		if err := s.setAside(unfit.Error()); err != nil {
			return err
		}
	}
	s.recovery.SetAside = append(s.recovery.SetAside, unfit.Error())
	return s.tryFolds()
}

func (s *Store) tryFolds() error {
	s.tail = tail{streams: map[string]*stream{}}
	s.recovery.Replayed, s.recovery.Unread, s.recovery.Lost = 0, 0, nil
	var err error
	if _, statErr := os.Stat(filepath.Join(s.dir, foldsName)); errors.Is(statErr, fs.ErrNotExist) {
		s.recovery.Rebuilt = s.log.Synced() > s.log.First()
		if err := createFolds(s.dir, &s.opts); err != nil {
			return err
		}
	}
	if s.folds, err = openFolds(s.dir, &s.opts, s.pack); err != nil {
		s.folds = nil
		return err
	}
	if err := s.loadHeads(); err != nil {
		return err
	}
	if err := s.replay(); err != nil {
		return err
	}
	return s.dropCheckpoints()
}

func (s *Store) loadHeads() error {
	return s.folds.heads(func(name string, last uint64) {
		s.tail.streams[name] = &stream{name: name, reserved: last, head: last, folded: last}
	})
}

// replay takes what the journal has behind the folds into the tail, and folds it
// as it gathers.
func (s *Store) replay() error {
	start, err := s.replayFrom()
	if err != nil {
		return err
	}
	r, err := s.log.Reader(start)
	if err != nil {
		return err
	}
	defer r.Close()
	pos := s.folds.pos // what is replayed moves it
	for {
		index, data, err := r.Next()
		var bad *seglog.DamagedError
		switch {
		case errors.Is(err, io.EOF):
			s.tail.next = max(s.tail.next, s.log.Synced())
			return nil
		case errors.As(err, &bad):
			s.recovery.Unread += bad.To - min(max(bad.From, pos.next), bad.To)
			continue
		case err != nil:
			return err
		case index == pos.last && recordCheck(data) != pos.check:
			s.renewFor("the folds were made from another journal, or the journal was put back and written on")
			return fmt.Errorf("%w: they were not made from this journal: record %d is another", errFolds, index)
		case index < pos.next:
			continue
		}
		if err := s.replayRecord(index, data); err != nil {
			return err
		}
	}
}

// replayFrom returns the journal index to begin at: the last record folded, to
// see that it is the same, if it is still kept.
func (s *Store) replayFrom() (uint64, error) {
	pos, first, end := s.folds.pos, s.log.First(), s.log.Synced()
	s.tail.next = pos.next
	if pos.next > end {
		s.renewFor(fmt.Sprintf("the journal ends before record %d, but was folded up to %d", end, pos.next-1))
		return 0, fmt.Errorf("%w: they stand for journal record %d, the journal ends before %d", errFolds, pos.next-1, end)
	}
	if pos.next < first {
		s.recovery.Unread += first - pos.next
	}
	if pos.last >= first {
		return pos.last, nil
	}
	return max(pos.next, first), nil
}

// replayRecord takes one record into the tail.
func (s *Store) replayRecord(index uint64, data []byte) error {
	rec, err := openRecord(data)
	if errors.Is(err, errNewer) {
		return fmt.Errorf("journal record %d: %w", index, err)
	}
	if err == nil {
		err = walk(rec)
	}
	var x *stream
	if err == nil {
		x = s.tail.of(string(rec.stream))
		if rec.first <= x.head {
			err = fmt.Errorf("stream %q: revision %d comes after %d", rec.stream, rec.first, x.head)
			if s.folds.pos.next > s.log.First() && !s.recovery.Rebuilt {
				return fmt.Errorf("%w: journal record %d: %w", errFolds, index, err)
			}
		}
	}
	s.recovery.Replayed++
	if err != nil {
		s.opts.Logger.Error("journal record can't be used", "record", index, "error", err)
		s.recovery.Unread++
		return nil
	}
	s.addReplayed(x, ref{first: rec.first, count: rec.count, index: index, data: s.arena.keep(data)})
	if s.tail.bytes >= s.opts.FoldBytes {
		_, err = s.foldRound(index + 1)
	}
	return err
}

func (s *Store) addReplayed(x *stream, r ref) {
	if r.first > x.head+1 {
		lost := ref{first: x.head + 1, count: r.first - x.head - 1, index: r.index, why: whyUnreadable}
		if s.log.First() > 1 && x.head == 0 {
			lost.why = whyNotKept
		}
		s.opts.Logger.Error("entries of a stream are lost", "stream", x.name, "from", lost.first, "to", r.first-1, "why", lost.why)
		if len(s.recovery.Lost) < lostListed {
			s.recovery.Lost = append(s.recovery.Lost, store.DamagedError{Stream: x.name, From: lost.first, To: lost.next(), Why: lost.why})
		}
		s.tail.note(&lost, s.opts.FoldBytes)
		s.tail.add(x, lost)
	}
	s.tail.note(&r, s.opts.FoldBytes)
	s.tail.add(x, r)
	x.reserved = x.head
	s.tail.next = r.index + 1
}

// dropCheckpoints drops those of an end that the journal no longer has: the
// revisions behind will be given out again.
func (s *Store) dropCheckpoints() error {
	n, err := s.folds.dropCheckpoints(func(name string) uint64 {
		if x := s.tail.streams[name]; x != nil {
			return x.head
		}
		return 0
	})
	if err != nil {
		return err
	}
	if s.recovery.DroppedCheckpoints = n; n > 0 {
		s.renewFor(fmt.Sprintf("%d checkpoints stood beyond the end of their streams", n))
	}
	return nil
}

// settleMarks reads the incarnation, renews it where the journal has lost
// something that was answered for, and notes how far the journal reaches.
func (s *Store) settleMarks() error {
	id, ok, err := readIncarnation(s.opts.FS, s.dir)
	switch {
	case errors.Is(err, errMark):
		s.renewFor(err.Error())
	case err != nil:
		return err
	case !ok && !s.recovery.New:
		s.renewFor("the file " + incarnationName + " is missing")
	}
	if err := s.checkReached(); err != nil {
		return err
	}
	if s.recovery.Unread > 0 {
		s.renewFor(fmt.Sprintf("%d journal records can't be read", s.recovery.Unread))
	}
	if !ok || s.Restored() {
		if id, err = writeIncarnation(s.opts.FS, s.dir, s.opts.Random); err != nil {
			return err
		}
	}
	if s.Restored() {
		s.opts.Logger.Warn("the store has less than was answered for; its incarnation is renewed", "why", strings.Join(s.recovery.Renewed, "; "))
	}
	s.incarnation = id
	s.reached.settled = true
	return s.noteReached()
}

func (s *Store) checkReached() error {
	index, ok, err := readReached(s.opts.FS, s.dir)
	switch {
	case errors.Is(err, errMark):
		s.opts.Logger.Warn("how far the journal reached is not known", "error", err)
		return nil
	case err != nil:
		return err
	case ok && index > s.log.Synced():
		s.renewFor(fmt.Sprintf("the journal ends before record %d, but was synced up to %d", s.log.Synced(), index-1))
	}
	s.reached.written = index
	return nil
}

func (s *Store) renewFor(why string) { s.recovery.Renewed = append(s.recovery.Renewed, why) }

// setAside moves the folds aside. mu is held, or nobody else is there yet.
func (s *Store) setAside(why string) error {
	aside := filepath.Join(s.dir, asideName)
	if err := os.MkdirAll(aside, dirMode); err != nil {
		return fmt.Errorf("set folds aside: %w", err)
	}
	n := s.counts.setAside + 1
	to := filepath.Join(aside, asideFile(n))
	if err := os.Rename(filepath.Join(s.dir, foldsName), to); err != nil {
		return fmt.Errorf("set folds aside: %w", err)
	}
	if err := os.Remove(filepath.Join(aside, asideFile(n-asideKept))); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("drop folds that were set aside long ago: %w", err)
	}
	if err := errors.Join(syncDir(aside), syncDir(s.dir)); err != nil {
		return fmt.Errorf("set folds aside: %w", err)
	}
	s.counts.setAside = n
	s.opts.Logger.Warn("folds are set aside, to be rebuilt from the journal", "file", to, "why", why)
	return nil
}

func asideFile(n int) string { return fmt.Sprintf("folds-%06d.bolt", n) }

// countAside finds out how many folds were set aside so far: they are numbered.
func (s *Store) countAside() error {
	entries, err := os.ReadDir(filepath.Join(s.dir, asideName))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("count what is set aside: %w", err)
	}
	for _, e := range entries {
		var n int
		if _, err := fmt.Sscanf(e.Name(), "folds-%d.bolt", &n); err == nil {
			s.counts.setAside = max(s.counts.setAside, n)
		}
	}
	return nil
}
