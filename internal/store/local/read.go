package local

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/store"
)

const (
	whyUnreadable = "the record is damaged in the journal"
	whyNotKept    = "the journal no longer goes back so far"

	// repairBytes bounds the records that one repair holds in memory.
	repairBytes = 32 << 20
)

// streamReader is the memory of one Read.
type streamReader struct {
	found found
	block blockReader
}

// snapshot is a stream as it was when a read began.
type snapshot struct {
	name string
	end  uint64 // last revision
	refs []ref  // not folded then
}

// Read implements store.Store. It gives the entries up to the stream's end as
// it was when the call began.
func (s *Store) Read(ctx context.Context, stream string, from uint64, yield func(store.Entry) bool) error {
	if err := s.enter(ctx); err != nil {
		return err
	}
	defer s.calls.Done()
	x := s.snapshot(stream)
	r := s.readers.Get().(*streamReader)
	defer s.readers.Put(r)
	for next := max(from, 1); next <= x.end && next > 0; {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("store: read stream %q: %w", stream, context.Cause(ctx))
		}
		var err error
		var more bool
		if len(x.refs) > 0 && next >= x.refs[0].first {
			next, more, err = x.readTail(next, yield)
		} else {
			next, more, err = s.readBlock(r, &x, next, yield)
		}
		if err != nil || !more {
			return err
		}
	}
	return nil
}

func (s *Store) snapshot(name string) snapshot {
	s.mu.Lock()
	defer s.mu.Unlock()
	x := s.tail.streams[name]
	if x == nil {
		return snapshot{name: name}
	}
	return snapshot{name: name, end: x.head, refs: x.refs}
}

// readTail yields what is not folded of the record that holds a revision.
func (x *snapshot) readTail(from uint64, yield func(store.Entry) bool) (next uint64, more bool, err error) {
	for len(x.refs) > 1 && x.refs[0].next() <= from {
		x.refs = x.refs[1:]
	}
	r := &x.refs[0]
	if r.data == nil {
		return from, false, &store.DamagedError{Stream: x.name, From: from, To: r.next(), Why: r.why}
	}
	rec, err := openRecord(r.data)
	if err != nil {
		return from, false, fmt.Errorf("store: read stream %q: %w", x.name, err)
	}
	more, err = x.yieldFrom(rec.next, from, yield)
	return r.next(), more, err
}

// readBlock yields the entries of the block that holds a revision.
func (s *Store) readBlock(r *streamReader, x *snapshot, from uint64, yield func(store.Entry) bool) (next uint64, more bool, err error) {
	b, err := s.openBlockAt(r, x.name, from)
	if errors.Is(err, errBlock) {
		if err := s.repair(x.name, from, err); err != nil {
			return from, false, err
		}
		b, err = s.openBlockAt(r, x.name, from)
	}
	if err != nil {
		if errors.Is(err, errBlock) {
			err = fmt.Errorf("%w: a block that was written anew: %w", errFolds, err)
		}
		return from, false, s.foldsFailed(fmt.Errorf("read stream %q at revision %d: %w", x.name, from, err))
	}
	if b.kind == blockDamaged {
		return from, false, &store.DamagedError{Stream: x.name, From: from, To: min(b.next(), x.end+1), Why: string(b.body)}
	}
	more, err = x.yieldFrom(r.block.next, from, yield)
	return b.next(), more, err
}

// yieldFrom yields entries between a revision and the end of the snapshot.
func (x *snapshot) yieldFrom(entry func(*store.Entry) (bool, error), from uint64, yield func(store.Entry) bool) (more bool, err error) {
	var e store.Entry
	for {
		ok, err := entry(&e)
		switch {
		case err != nil:
			return false, fmt.Errorf("store: read stream %q: %w", x.name, err)
		case !ok:
			return true, nil
		case e.Revision < from:
			continue
		case e.Revision > x.end || !yield(e):
			return false, nil
		}
	}
}

// openBlockAt opens the block that holds a revision. errBlock is in the error if
// it is damaged or missing.
func (s *Store) openBlockAt(r *streamReader, stream string, revision uint64) (block, error) {
	var err error
	if r.found, err = s.folds.find(stream, revision, r.found); err != nil {
		return block{}, err
	}
	return r.found.open(revision, &r.block, s.pack)
}

// open opens what was found, if it holds the revision.
func (f *found) open(revision uint64, r *blockReader, p *packer) (block, error) {
	if len(f.key) == 0 {
		return block{}, fmt.Errorf("%w: there is none", errBlock)
	}
	b, err := openBlock(f.key, f.value)
	if err != nil {
		return block{}, err
	}
	if b.next() <= revision {
		return block{}, fmt.Errorf("%w: it ends at revision %d and none goes on", errBlock, b.next()-1)
	}
	if b.kind == blockDamaged {
		return b, nil
	}
	return b, r.open(b, p)
}

// repair puts the block that should hold a revision anew, from the journal.
func (s *Store) repair(stream string, revision uint64, why error) error {
	s.foldMu.Lock()
	defer s.foldMu.Unlock()
	var r streamReader
	if _, err := s.openBlockAt(&r, stream, revision); !errors.Is(err, errBlock) {
		return nil // repaired meanwhile, or worse: the caller looks again
	}
	w, err := s.wound(&r, stream)
	if err == nil {
		err = s.collect(&w)
	}
	if err == nil {
		err = s.folds.replace(&w)
	}
	if err != nil {
		return s.foldsFailed(fmt.Errorf("repair stream %q at revision %d: %w", stream, revision, err))
	}
	s.opts.Logger.Warn("history block was damaged and is rebuilt from the journal", "stream", stream, "from", w.lo, "to", w.hi-1, "error", why)
	s.count(func(c *counts) { c.repaired++ })
	return nil
}

// wound is a span of a stream's history to be put anew.
type wound struct {
	stream   string
	lo, hi   uint64 // revisions [lo, hi)
	from, to uint64 // journal indexes [from, to) in which its records stand
	refs     []ref  // those that are there, in order
}

// wound finds how far around what was found the history is damaged.
func (s *Store) wound(r *streamReader, stream string) (wound, error) {
	w := wound{stream: stream, lo: 1, hi: r.found.after, from: s.log.First(), to: s.folds.pos.next}
	if w.hi == 0 {
		s.mu.Lock()
		w.hi = s.tail.streams[stream].folded + 1
		s.mu.Unlock()
	}
	if r.found.afterFrom > 0 {
		w.to = r.found.afterFrom + 1
	}
	if len(r.found.key) == 0 {
		return w, nil
	}
	b, err := openBlock(r.found.key, r.found.value)
	if err != nil {
		_, w.lo, _ = splitBlockKey(r.found.key)
		if w.lo <= 1 {
			return w, nil
		}
		before, err := s.folds.find(stream, w.lo-1, found{})
		if err != nil {
			return w, err
		}
		if b, err = openBlock(before.key, before.value); err != nil || b.next() != w.lo {
			return w, nil // search the whole journal
		}
	} else {
		w.lo = b.next()
	}
	w.from = max(w.from, b.to)
	return w, nil
}

// collect reads the records of a wound out of the journal. If they are many it
// makes the wound shorter: the rest is repaired when it is read.
func (s *Store) collect(w *wound) error {
	r, err := s.log.Reader(w.from)
	if err != nil {
		return err
	}
	defer r.Close()
	size := 0
	for {
		index, data, err := r.Next()
		var bad *seglog.DamagedError
		switch {
		case errors.As(err, &bad):
			continue // shows as revisions that are missing
		case errors.Is(err, io.EOF) || err == nil && index >= w.to:
			return nil
		case err != nil:
			return err
		}
		rec, err := openRecord(data)
		if err != nil || string(rec.stream) != w.stream || rec.last() < w.lo || rec.first >= w.hi || walk(rec) != nil {
			continue
		}
		w.refs = append(w.refs, ref{first: rec.first, count: rec.count, index: index, data: append([]byte(nil), data...)})
		if size += len(data); size >= repairBytes {
			w.hi = min(w.hi, rec.last()+1)
			return nil
		}
	}
}
