package spool

import (
	"context"
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/spoolhash"
)

// Ack takes note, durably, that the service has all events of the current epoch up
// to seq on its disk; hash is the service's rolling hash after it. An ack of less
// than was acknowledged changes nothing (see Rewind). *ForkError when the hashes
// differ or the service has more than was ever written here.
func (s *Spool) Ack(ctx context.Context, seq uint64, hash spoolhash.Hash) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.usable(ctx); err != nil {
		return fmt.Errorf("acknowledge: %w", err)
	}
	if seq < s.v.acked.st.seq {
		return nil
	}
	p, err := s.verified(ctx, seq, hash)
	if err != nil || p.index == s.v.acked.index && seq == s.v.acked.st.seq {
		return err
	}
	if err := s.saveAcked(p); err != nil {
		return err
	}
	s.restoreReserveNow()
	return nil
}

// Rewind takes note that the service has less than it acknowledged (it was
// restored): events after seq count as unacknowledged again, as far as they are
// kept, and are not trimmed. *TrimmedError, after rewinding as far as can be, when
// some are gone; its First is where the service has to go on. *ForkError as Ack.
func (s *Spool) Rewind(ctx context.Context, seq uint64, hash spoolhash.Hash) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.usable(ctx); err != nil {
		return fmt.Errorf("rewind: %w", err)
	}
	if seq >= s.v.acked.st.seq {
		return nil
	}
	first := s.v.first(s.v.tail.ord)
	if seq+1 < first {
		return errors.Join(s.rewindTo(ctx, first-1), &TrimmedError{Seq: seq + 1, First: first})
	}
	p, err := s.verified(ctx, seq, hash)
	if err != nil {
		return err
	}
	return s.saveAcked(p)
}

func (s *Spool) rewindTo(ctx context.Context, seq uint64) error {
	if seq >= s.v.acked.st.seq {
		return nil
	}
	p, err := locate(ctx, s.snapshot(), seq)
	if err != nil {
		return err
	}
	return s.saveAcked(p)
}

// verified is the place behind seq if our hash there is the service's. Inside a gap
// ours isn't known and theirs is taken.
func (s *Spool) verified(ctx context.Context, seq uint64, hash spoolhash.Hash) (point, error) {
	p, err := locate(ctx, s.snapshot(), seq)
	var thinned *ThinnedError
	var fork *ForkError
	switch {
	case errors.As(err, &thinned):
		p.st.hash = hash
		return p, nil
	case errors.As(err, &fork):
		fork.Theirs = hash
		return p, fork
	case err != nil:
		return p, fmt.Errorf("find event %d: %w", seq, err)
	case p.st.hash != hash:
		return p, &ForkError{Seq: seq, Last: s.v.tail.seq, Ours: p.st.hash, Theirs: hash}
	}
	return p, nil
}

func (s *Spool) saveAcked(p point) error {
	m := ackedMeta{Ordinal: p.st.ord, Seq: p.st.seq, Hash: p.st.hash, Index: p.index}
	err := s.withRoom(func() error { return s.files.putJSON(ackedFile, m) })
	if err != nil {
		return s.failed("keep the acknowledgement", err)
	}
	s.update(func(v *view) { v.acked = p })
	s.freed = true
	return nil
}
