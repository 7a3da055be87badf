package spool

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"syscall"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/spoolhash"
)

// Spool is an open spool. Safe for concurrent use: changes wait for one another,
// reads wait for nothing.
type Spool struct {
	dir  string
	opts Options

	wmu      sync.Mutex // held by a change from end to end; before mu
	log      *seglog.Log
	files    *files
	progress map[uint64]progress // how far each segment is thinned
	recovery Recovery
	broken   error
	closed   bool
	tight    bool // the reserve went to records: only these are taken
	thinned  Gap  // counts since Open
	appends  int  // since the reserve was last tried
	freed    bool // room may have come free since
	sealed   bool // the active segment was sealed to be thinned, and the new one has room
	batch    seglog.Batch
	buf      []byte

	v       view // guarded by wmu
	loading bool // it is being worked out: not for readers yet

	mu     sync.Mutex
	shown  view          // v, for readers
	cursor point         // where the last read ended
	waiter chan struct{} // closed when there is news
	shut   bool
}

// Open opens the spool in dir, making the folder if needed. Recovery tells what
// was found.
func Open(dir string, o Options) (*Spool, error) {
	o = o.withDefaults()
	if err := o.validate(); err != nil {
		return nil, fmt.Errorf("open spool %s: %w", dir, err)
	}
	s := &Spool{dir: dir, opts: o, progress: map[uint64]progress{}}
	if err := s.open(); err != nil {
		return nil, fmt.Errorf("open spool %s: %w", dir, err)
	}
	s.restoreReserve()
	return s, nil
}

// Append makes events durable and returns the sequence number of the last. On
// error the events up to the number returned are durable, the others are not.
// *FullError: nothing but records is left and there is no room.
func (s *Spool) Append(ctx context.Context, events ...Event) (last uint64, err error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	last = s.v.tail.seq
	if err := s.usable(ctx); err != nil {
		return last, fmt.Errorf("append: %w", err)
	}
	if err := s.checkEvents(events); err != nil {
		return last, fmt.Errorf("append: %w", err)
	}
	if err := s.untighten(events); err != nil {
		return last, err
	}
	s.sealed = false
	err = s.appendAll(events)
	s.restoreReserveNow()
	return s.v.tail.seq, err
}

func (s *Spool) checkEvents(events []Event) error {
	for i, e := range events {
		if e.Class < Reading || e.Class > Record {
			return fmt.Errorf("event %d of %d: class %d is not known; nothing was appended", i+1, len(events), e.Class)
		}
		if len(e.Payload) > s.opts.MaxEvent() {
			return fmt.Errorf("event %d of %d: %w: %d bytes, at most %d; nothing was appended", i+1, len(events), ErrTooLarge, len(e.Payload), s.opts.MaxEvent())
		}
	}
	return nil
}

func (s *Spool) appendAll(events []Event) error {
	before, ord := s.v.tail.seq, s.v.tail.ord
	for len(events) > 0 {
		err := s.appendSome(events)
		if err == nil || errors.Is(err, ErrFull) {
			events = events[s.v.tail.seq-before:]
			before = s.v.tail.seq
		}
		if err == nil {
			continue
		}
		if !errors.Is(err, syscall.ENOSPC) {
			return s.failed("append", err)
		}
		if err := s.reopen(); err != nil {
			return s.failed("append: open anew after a full disk", err)
		}
		if s.v.tail.ord != ord {
			return s.failed("append", errors.New("the epoch changed while room was made"))
		}
		events = events[s.v.tail.seq-before:]
		before = s.v.tail.seq
		if err := s.freeDisk(events); err != nil {
			return err
		}
	}
	return nil
}

// appendSome appends and syncs as many of the events as go into one write.
func (s *Spool) appendSome(events []Event) error {
	if s.log.Next() == s.activeFirst() {
		if err := s.writeCheckpoint(); err != nil {
			return err
		}
	}
	st, n := s.fill(events)
	if need := int64(s.batch.Size()); need > s.log.Room() {
		if err := s.newSegment(events, need); err != nil {
			return err
		}
		st, n = s.fill(events) // the chain is the same; the batch was not used
	}
	if err := s.commit(); err != nil {
		return fmt.Errorf("%d events: %w", n, err)
	}
	s.update(func(v *view) { v.tail = st })
	return nil
}

// newSegment gets an active segment with room for need bytes.
func (s *Spool) newSegment(events []Event, need int64) error {
	if err := s.makeRoom(events, need); err != nil {
		return err
	}
	if need <= s.log.Room() {
		return nil
	}
	return s.rotate()
}

// fill puts events into the batch, up to half a segment, and gives the state after them.
func (s *Spool) fill(events []Event) (st state, n int) {
	st = s.v.tail
	now := s.opts.Now()
	s.batch.Reset()
	for _, e := range events {
		s.buf = appendEvent(s.buf[:0], e, now)
		if n > 0 && int64(s.batch.Size()+len(s.buf)+16) > s.opts.segment()/2 {
			break
		}
		s.batch.Add(s.buf)
		st.seq++
		st.hash = spoolhash.Next(st.hash, st.seq, e.Payload)
		n++
	}
	return st, n
}

func (s *Spool) commit() error {
	if _, err := s.log.AppendBatch(&s.batch); err != nil {
		return err
	}
	return s.log.Sync()
}

func (s *Spool) activeFirst() uint64 { return s.v.segs[len(s.v.segs)-1].first }

// writeCheckpoint puts the chain's state at the head of the active segment.
func (s *Spool) writeCheckpoint() error {
	s.batch.Reset()
	s.buf = appendCheckpoint(s.buf[:0], checkpoint{s.v.tail.ord, s.v.current().ID, s.v.tail.seq, s.v.tail.hash})
	s.batch.Add(s.buf)
	return s.commit()
}

// rotate seals the active segment and puts a checkpoint at the head of the next,
// before anything else may be trimmed.
func (s *Spool) rotate() error {
	if err := s.log.Rotate(); err != nil {
		return err
	}
	s.update(func(v *view) {
		v.segs = append(v.segs[:len(v.segs):len(v.segs)], seg{first: s.log.Next(), base: v.tail, known: true})
	})
	return s.writeCheckpoint()
}

// update changes the view and shows it to readers.
func (s *Spool) update(f func(*view)) {
	f(&s.v)
	if !s.loading {
		s.show()
	}
}

func (s *Spool) show() {
	s.mu.Lock()
	defer s.mu.Unlock()
	news := s.shown.tail != s.v.tail
	s.shown = s.v
	if news {
		s.wake()
	}
}

// wake tells those in Wait to look again. mu is held.
func (s *Spool) wake() {
	if s.waiter != nil {
		close(s.waiter)
		s.waiter = nil
	}
}

// Wait returns when the epoch has events after seq or is no longer the current
// one; else with ctx's error, or ErrClosed.
func (s *Spool) Wait(ctx context.Context, epoch spoolhash.Epoch, seq uint64) error {
	for {
		s.mu.Lock()
		if s.shut {
			s.mu.Unlock()
			return ErrClosed
		}
		if s.shown.tail.seq > seq || s.shown.current().ID != epoch {
			s.mu.Unlock()
			return nil
		}
		if s.waiter == nil {
			s.waiter = make(chan struct{})
		}
		news := s.waiter
		s.mu.Unlock()
		select {
		case <-news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// snapshot is the view now, the cursor in it.
func (s *Spool) snapshot() view {
	s.mu.Lock()
	defer s.mu.Unlock()
	v := s.shown
	v.cursor = s.cursor
	return v
}

// usable is nil while changes are allowed. wmu is held.
func (s *Spool) usable(ctx context.Context) error {
	switch {
	case s.closed:
		return ErrClosed
	case s.broken != nil:
		return s.broken
	}
	return ctx.Err()
}

// failed breaks the spool, but for a lack of room.
func (s *Spool) failed(doing string, err error) error {
	if errors.Is(err, ErrFull) {
		return err
	}
	err = fmt.Errorf("%s: %w", doing, err)
	if s.broken == nil {
		s.broken = fmt.Errorf("%w (%w)", ErrBroken, err)
	}
	return err
}

// Epoch is the id of the current epoch.
func (s *Spool) Epoch() spoolhash.Epoch {
	v := s.snapshot()
	return v.current().ID
}

// Last is the last event's sequence number in the current epoch, 0 if there is
// none, and the rolling hash after it.
func (s *Spool) Last() (seq uint64, hash spoolhash.Hash) {
	v := s.snapshot()
	return v.tail.seq, v.tail.hash
}

// Acked is the current epoch and how far it is acknowledged.
func (s *Spool) Acked() (epoch spoolhash.Epoch, seq uint64) {
	v := s.snapshot()
	return v.current().ID, v.acked.st.seq
}

// Recovery tells what Open found.
func (s *Spool) Recovery() Recovery {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	return s.recovery
}

// Stats gives figures.
func (s *Spool) Stats() Stats {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	_, reserve := s.files.sizes[reserveFile]
	return Stats{Bytes: s.total(), MaxBytes: s.opts.MaxBytes, Segments: len(s.v.segs), First: s.v.first(s.v.tail.ord),
		Last: s.v.tail.seq, Acked: s.v.acked.st.seq, ThinnedReadings: s.thinned.Readings, ThinnedKeeps: s.thinned.Keeps,
		Tight: s.tight, ReserveAvailable: reserve}
}

// Close lets the spool go. A second Close does nothing.
func (s *Spool) Close() error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	s.mu.Lock()
	s.shut = true
	s.wake()
	s.mu.Unlock()
	if err := s.log.Close(); err != nil {
		return fmt.Errorf("close spool %s: %w", s.dir, err)
	}
	return nil
}

func (s *Spool) logDir() string { return filepath.Join(s.dir, logFolder) }
