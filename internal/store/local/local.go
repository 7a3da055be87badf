package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/store"
)

const (
	journalName = "journal"
	probeName   = "probe"

	// maxRecord is room for the largest stretch with the most costly entries.
	maxRecord = store.MaxStretchBytes + store.MaxStretchEntries*entryBound + 1<<10
)

// Store is a store in a folder. It implements store.Store.
type Store struct {
	dir   string
	opts  Options
	pack  *packer
	log   *seglog.Log
	folds *folds

	incarnation [16]byte
	recovery    Recovery
	reached     reached

	foldMu sync.Mutex // held by who changes history blocks; before mu
	syncMu sync.Mutex // held while syncing; before mu

	// Held by who writes; before mu.
	writeMu sync.Mutex
	arena   arena
	batch   seglog.Batch
	written []ref

	mu     sync.Mutex
	tail   tail
	room   chan struct{} // closed when there may be room in the tail
	broken error
	closed bool
	counts counts

	calls   sync.WaitGroup // calls that are under way
	wake    chan struct{}
	stop    chan struct{}
	folder  sync.WaitGroup
	readers sync.Pool
	probing chan struct{} // holds a token while a probe is under way
}

var _ store.Store = (*Store)(nil)

// Append implements store.Store. The context ends the wait for room in the tail;
// once writing has begun the call goes on to its end.
func (s *Store) Append(ctx context.Context, stretches []store.Stretch) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.calls.Done()
	for i := range stretches {
		if err := store.CheckStretch(&stretches[i]); err != nil {
			return err
		}
	}
	began := s.opts.Now()
	next, size, err := s.write(ctx, stretches)
	var conflict *store.ConflictError
	if errors.As(err, &conflict) {
		return s.settle(conflict)
	}
	if err != nil || next == 0 {
		return err
	}
	if err := s.syncTo(next); err != nil {
		return err
	}
	entries := setRevisions(stretches)
	if h := s.opts.Hooks.Appended; h != nil {
		h(s.opts.Now().Sub(began), entries, size)
	}
	return nil
}

// write puts the stretches into the journal, not synced. It returns the index
// behind them and the bytes of their records, 0 if there is nothing to write.
func (s *Store) write(ctx context.Context, stretches []store.Stretch) (next uint64, size int, err error) {
	if err := s.waitForRoom(ctx); err != nil {
		return 0, 0, err
	}
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if err := s.reserve(stretches); err != nil {
		return 0, 0, err
	}
	s.batch.Reset()
	s.written = s.written[:0]
	for i := range stretches {
		x := &stretches[i]
		if len(x.Entries) == 0 {
			continue
		}
		data := s.arena.encode(x)
		s.batch.Add(data)
		size += len(data)
		s.written = append(s.written, ref{first: x.Expect + 1, count: uint64(len(x.Entries)), data: data})
	}
	if s.batch.Len() == 0 {
		return 0, 0, nil
	}
	first, err := s.log.AppendBatch(&s.batch)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		return 0, 0, s.breakLocked(fmt.Errorf("append to the journal: %w", err))
	}
	s.notePending(stretches, first)
	return first + uint64(s.batch.Len()), size, nil
}

// reserve gives out the revisions of a whole store.
func (s *Store) reserve(stretches []store.Stretch) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken != nil {
		return s.broken
	}
	if conflict := s.tail.reserve(stretches); conflict != nil {
		return conflict
	}
	return nil
}

// notePending notes what was written from a journal index on. mu is held.
func (s *Store) notePending(stretches []store.Stretch, first uint64) {
	i := 0
	for k := range stretches {
		if len(stretches[k].Entries) == 0 {
			continue
		}
		r := s.written[i]
		r.index = first + uint64(i)
		s.tail.note(&r, s.opts.FoldBytes)
		s.tail.pending = append(s.tail.pending, pendingRef{s.tail.streams[stretches[k].Stream], r})
		i++
	}
	clear(s.written)
}

// waitForRoom returns when the tail has room, or the store is broken.
func (s *Store) waitForRoom(ctx context.Context) error {
	for {
		s.mu.Lock()
		if s.broken != nil || s.tail.bytes < s.opts.TailBytes {
			defer s.mu.Unlock()
			return s.broken
		}
		s.counts.waits++
		room := s.room
		s.mu.Unlock()
		s.wakeFolder()
		select {
		case <-room:
		case <-ctx.Done():
			return fmt.Errorf("store: append: %w while waiting for folding, which is %d bytes behind", context.Cause(ctx), s.opts.TailBytes)
		}
	}
}

// syncTo returns when all before a journal index is synced and readable. One
// sync serves all who wait for it.
func (s *Store) syncTo(next uint64) error {
	s.syncMu.Lock()
	defer s.syncMu.Unlock()
	s.mu.Lock()
	done, broken := s.tail.next >= next, s.broken
	s.mu.Unlock()
	if done || broken != nil {
		return broken
	}
	began := s.opts.Now()
	err := s.log.Sync()
	if h := s.opts.Hooks.Synced; h != nil && err == nil {
		h(s.opts.Now().Sub(began))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		return s.breakLocked(fmt.Errorf("sync the journal: %w", err))
	}
	s.tail.publish(s.log.Synced())
	if len(s.tail.cuts) > 0 {
		s.wakeFolder()
	}
	return nil
}

// settle waits until the revision that a conflict names can be read.
func (s *Store) settle(conflict *store.ConflictError) error {
	s.mu.Lock()
	x, next := s.tail.streams[conflict.Stream], s.tail.next
	if x != nil && x.head < conflict.Have && len(s.tail.pending) > 0 {
		next = s.tail.pending[len(s.tail.pending)-1].r.index + 1
	}
	s.mu.Unlock()
	if err := s.syncTo(next); err != nil {
		return err
	}
	return conflict
}

// Streams implements store.Store.
func (s *Store) Streams(ctx context.Context, yield func(stream string, last uint64) bool) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.calls.Done()
	type head struct {
		name string
		last uint64
	}
	s.mu.Lock()
	heads := make([]head, 0, len(s.tail.streams))
	for name, x := range s.tail.streams {
		if x.head > 0 {
			heads = append(heads, head{name, x.head})
		}
	}
	s.mu.Unlock()
	slices.SortFunc(heads, func(a, b head) int { return strings.Compare(a.name, b.name) })
	for _, h := range heads {
		if !yield(h.name, h.last) {
			return nil
		}
	}
	return nil
}

// Checkpoint implements store.Store. A checkpoint that is damaged is not
// returned; it is counted and gives way to the next one saved.
func (s *Store) Checkpoint(ctx context.Context, stream string) (store.Checkpoint, bool, error) {
	if err := s.enter(ctx); err != nil {
		return store.Checkpoint{}, false, err
	}
	defer s.calls.Done()
	c, ok, err := s.folds.checkpoint(stream)
	if errors.Is(err, errCheckpoint) {
		s.opts.Logger.WarnContext(ctx, "checkpoint is damaged: the stream is to be replayed from its start", "stream", stream, "error", err)
		s.count(func(c *counts) { c.damagedCheckpoints++ })
		return store.Checkpoint{}, false, nil
	}
	if err != nil {
		return store.Checkpoint{}, false, s.foldsFailed(fmt.Errorf("read checkpoint of stream %q: %w", stream, err))
	}
	return c, ok, nil
}

// SaveCheckpoints implements store.Store. A checkpoint beyond its stream's end
// is refused with an InvalidError, before anything is saved.
func (s *Store) SaveCheckpoints(ctx context.Context, checkpoints []store.Checkpoint) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.calls.Done()
	if err := s.checkCheckpoints(checkpoints); err != nil || len(checkpoints) == 0 {
		return err
	}
	if err := s.folds.saveCheckpoints(checkpoints); err != nil {
		return s.foldsFailed(err)
	}
	return s.noteReached()
}

func (s *Store) checkCheckpoints(checkpoints []store.Checkpoint) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken != nil {
		return s.broken
	}
	for i := range checkpoints {
		c := &checkpoints[i]
		if err := store.CheckCheckpoint(c); err != nil {
			return err
		}
		var head uint64
		if x := s.tail.streams[c.Stream]; x != nil {
			head = x.head
		}
		if c.Revision > head {
			return &store.InvalidError{Stream: c.Stream, Why: fmt.Sprintf("a checkpoint at revision %d, but the stream ends at %d", c.Revision, head)}
		}
	}
	return nil
}

// Incarnation implements store.Store.
func (s *Store) Incarnation() [16]byte { return s.incarnation }

// Probe implements store.Store: it writes and syncs a small file in the store's
// folder. A disk that hangs is said when the context ends.
func (s *Store) Probe(ctx context.Context) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.calls.Done()
	s.mu.Lock()
	broken := s.broken
	s.mu.Unlock()
	if broken != nil {
		return broken
	}
	select {
	case s.probing <- struct{}{}:
	default:
		return errors.New("store: probe: an earlier probe has not come back from the disk")
	}
	done := make(chan error, 1)
	s.calls.Go(func() {
		err := writeProbe(filepath.Join(s.dir, probeName))
		<-s.probing
		done <- err
	})
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("store: probe: %w before the disk answered", context.Cause(ctx))
	}
}

func writeProbe(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("store: probe: %w", err)
	}
	_, err = f.WriteString("written by the store to see whether the disk takes it\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("store: probe: %w", err)
	}
	return nil
}

// Fold folds all that is synced now. It is done without being asked, now and
// then and at Close.
func (s *Store) Fold(ctx context.Context) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.calls.Done()
	s.mu.Lock()
	upTo := s.tail.next
	s.mu.Unlock()
	return s.foldTo(ctx, upTo)
}

// Maintained says what Maintain did.
type Maintained struct {
	Segments      int   // packed by this call
	Before, After int64 // their bytes
}

// Maintain packs the sealed segments of the journal that are not packed yet.
// Reading and appending go on.
func (s *Store) Maintain(ctx context.Context) (Maintained, error) {
	if err := s.enter(ctx); err != nil {
		return Maintained{}, err
	}
	defer s.calls.Done()
	res, err := s.log.CompressSealed(ctx, 0)
	m := Maintained{Segments: res.Segments, Before: res.Before, After: res.After}
	if err != nil {
		return m, fmt.Errorf("store: pack the journal: %w", err)
	}
	return m, nil
}

// Close folds what is not folded and lets the folder go. It waits for the calls
// that are under way, so it may not be called from inside one (a Read's yield).
// A second Close does nothing.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	s.mu.Unlock()
	s.calls.Wait()
	close(s.stop)
	s.folder.Wait()
	var err error
	if s.brokenNow() == nil {
		err = s.foldTo(context.Background(), s.log.Synced())
	}
	return errors.Join(err, s.release())
}

// release closes what is open.
func (s *Store) release() error {
	var errs []error
	if s.folds != nil {
		errs = append(errs, s.folds.close())
	}
	if s.log != nil {
		errs = append(errs, s.log.Close())
	}
	s.pack.close()
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("store: close: %w", err)
	}
	return nil
}

// enter begins a call: every exported method but Close does.
func (s *Store) enter(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("store: %w", context.Cause(ctx))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return store.ErrClosed
	}
	s.calls.Add(1)
	return nil
}

// breakLocked marks the store broken by its first failure. mu is held.
func (s *Store) breakLocked(cause error) error {
	if s.broken == nil {
		s.broken = fmt.Errorf("%w: %w", store.ErrBroken, cause)
		s.opts.Logger.Error("the store is broken and must be opened again", "error", cause)
		s.makeRoom()
	}
	return s.broken
}

// foldsFailed breaks the store by a failure of the folds. Folds that are
// damaged are moved aside at once, so that the next open builds them anew even
// if it would not meet the damage.
func (s *Store) foldsFailed(cause error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken == nil && errors.Is(cause, errFolds) {
		if err := s.setAside(cause.Error()); err != nil {
			cause = errors.Join(cause, err)
		}
	}
	return s.breakLocked(cause)
}

func (s *Store) brokenNow() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.broken
}

// makeRoom wakes those who wait for room in the tail. mu is held.
func (s *Store) makeRoom() {
	close(s.room)
	s.room = make(chan struct{})
}

func (s *Store) wakeFolder() {
	select {
	case s.wake <- struct{}{}:
	default: // it is awake
	}
}

func (s *Store) count(do func(c *counts)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	do(&s.counts)
}

func setRevisions(stretches []store.Stretch) (entries int) {
	for i := range stretches {
		x := &stretches[i]
		for k := range x.Entries {
			x.Entries[k].Revision = x.Expect + uint64(k) + 1
		}
		entries += len(x.Entries)
	}
	return entries
}

// runFolder folds when enough has gathered, and now and then whatever there is.
func (s *Store) runFolder() {
	tick := time.NewTicker(s.opts.FoldAge)
	defer tick.Stop()
	for {
		var err error
		select {
		case <-s.stop:
			return
		case <-tick.C:
			err = s.foldTo(context.Background(), s.log.Synced())
		case <-s.wake:
			err = s.foldCuts()
		}
		if err != nil {
			return // the store is broken and says so
		}
	}
}
