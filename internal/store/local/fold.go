package local

import (
	"context"
	"fmt"
	"hash/crc32"

	"github.com/hourbell/hourbell/internal/store"
)

// foldTo folds all before a journal index.
func (s *Store) foldTo(ctx context.Context, upTo uint64) error {
	for {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("store: fold: %w", context.Cause(ctx))
		}
		more, err := s.foldRound(upTo)
		if err != nil || !more {
			return err
		}
	}
}

// foldCuts folds as long as enough for a commit has gathered.
func (s *Store) foldCuts() error {
	for {
		s.mu.Lock()
		ready := len(s.tail.cuts) > 0 && s.tail.cuts[0] <= s.tail.next
		upTo := s.tail.next
		s.mu.Unlock()
		if !ready {
			return nil
		}
		if _, err := s.foldRound(upTo); err != nil {
			return err
		}
	}
}

// foldRound makes one commit of folds. More says that it may be called again.
func (s *Store) foldRound(upTo uint64) (more bool, err error) {
	s.foldMu.Lock()
	defer s.foldMu.Unlock()
	s.mu.Lock()
	jobs, next := s.tail.round(upTo)
	broken := s.broken
	s.mu.Unlock()
	// Without jobs there may be records that can't be read: they are passed.
	if broken != nil || next <= s.folds.pos.next {
		return false, broken
	}
	began := s.opts.Now()
	if err := s.folds.fold(jobs, s.folds.pos.after(jobs, next)); err != nil {
		return false, s.foldsFailed(err)
	}
	records, bytes := s.foldDone(jobs, next)
	if h := s.opts.Hooks.Folded; h != nil {
		h(s.opts.Now().Sub(began), records, bytes)
	}
	return true, s.noteReached()
}

// foldDone drops what was folded from memory.
func (s *Store) foldDone(jobs []job, next uint64) (records int, bytes int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	records, bytes = s.tail.records, s.tail.bytes
	s.tail.folded(jobs, next)
	s.counts.folds++
	s.makeRoom()
	return records - s.tail.records, bytes - s.tail.bytes
}

// after is the position when jobs are folded too.
func (p position) after(jobs []job, next uint64) position {
	p.next = next
	var last *ref
	for i := range jobs {
		for k := range jobs[i].refs {
			if r := &jobs[i].refs[k]; r.data != nil && r.index > p.last {
				p.last, last = r.index, r
			}
		}
	}
	if last != nil {
		p.check = recordCheck(last.data)
	}
	return p
}

func recordCheck(data []byte) uint32 { return crc32.Checksum(data, castagnoli) }

// walk decodes a whole record, to know that it can be folded.
func walk(rec record) error {
	var e store.Entry
	for {
		more, err := rec.next(&e)
		if err != nil || !more {
			return err
		}
	}
}
