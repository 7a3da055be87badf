package spool

import (
	"context"
	"fmt"
	"io"
)

// NewEpoch begins a new epoch, after a fork was refused or the service lost its
// place: events from seq on (0: what is not acknowledged) get new sequence numbers
// from 1 and a new chain. Nothing is copied or dropped; the old epoch stays
// readable (ReadEpoch) up to seq as long as it is kept. reason is for people.
func (s *Spool) NewEpoch(ctx context.Context, reason string, seq uint64) (EpochInfo, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.usable(ctx); err != nil {
		return EpochInfo{}, fmt.Errorf("new epoch: %w", err)
	}
	from := s.v.acked.index
	if seq > 0 {
		p, err := s.carryFrom(ctx, seq)
		if err != nil {
			return EpochInfo{}, fmt.Errorf("new epoch from event %d: %w", seq, err)
		}
		from = p.index
	}
	if err := s.beginEpoch(reason, from); err != nil {
		return EpochInfo{}, s.failed("new epoch", err)
	}
	return s.v.current().info(), nil
}

// carryFrom is the place of event seq; what is asked for must be there.
func (s *Spool) carryFrom(ctx context.Context, seq uint64) (point, error) {
	if first := s.v.first(s.v.tail.ord); seq < first {
		return point{}, &TrimmedError{Seq: seq, First: first}
	}
	if seq > s.v.tail.seq+1 {
		return point{}, fmt.Errorf("the last event is %d", s.v.tail.seq)
	}
	p, err := locate(ctx, s.snapshot(), seq-1)
	if _, inGap := err.(*ThinnedError); inGap {
		err = nil // the gap goes, what comes behind it is carried over
	}
	return p, err
}

// Epochs lists the epochs that are on record, the current one last.
func (s *Spool) Epochs() []EpochInfo {
	v := s.snapshot()
	out := make([]EpochInfo, 0, len(v.epochs))
	for _, e := range v.epochs {
		out = append(out, e.info())
	}
	return out
}

func (e epoch) info() EpochInfo {
	return EpochInfo{ID: e.ID, Ordinal: e.Ordinal, Reason: e.Reason, At: e.At, Carried: e.Carried, Lost: e.Lost,
		Ended: e.Ended, Last: e.Last, Hash: e.Hash, Acked: e.Acked}
}

// beginEpoch lets a new epoch begin at a log index. The switch is the replacing of
// epochs.meta: before it all is as it was, after it all is new.
func (s *Spool) beginEpoch(reason string, from uint64) error {
	e := epoch{Ordinal: 1, Reason: clip(reason), At: s.opts.Now().UTC(), Start: from}
	if _, err := io.ReadFull(s.opts.Rand, e.ID[:]); err != nil {
		return fmt.Errorf("draw an epoch id: %w", err)
	}
	epochs := append([]epoch(nil), s.v.epochs...)
	if n := len(epochs); n > 0 {
		old := &epochs[n-1]
		e.Ordinal = old.Ordinal + 1
		old.Ended, old.Last, old.Hash, old.Acked = true, s.v.tail.seq, s.v.tail.hash, s.v.acked.st.seq
	}
	epochs = append(epochs, e)
	epochs = epochs[max(len(epochs)-maxEpochs, 0):]
	var next view
	err := s.withRoom(func() (err error) { // making room may change the segments
		next = s.v
		next.epochs = epochs
		if err = s.rechain(&next, e); err != nil {
			return err
		}
		m := epochsMeta{Epochs: epochs, Bases: basesOf(next.segs, e), Check: pointMeta{s.log.Next(), next.tail.seq, next.tail.hash}}
		return s.files.putJSON(epochsFile, m)
	})
	if err != nil {
		return fmt.Errorf("keep the epochs: %w", err)
	}
	s.update(func(v *view) { *v = next })
	return s.saveAcked(next.acked)
}

// rechain works the new epoch's chain out over what it carries over.
func (s *Spool) rechain(v *view, e epoch) error {
	start := point{e.Start, e.start()}
	v.tail, v.acked, v.check = start.st, start, s.log.Next()
	segs := append([]seg(nil), v.segs...)
	i := 0
	for i < len(segs) && segs[i].first < e.Start {
		i++
	}
	reach := func(index uint64) {
		for ; i < len(segs) && segs[i].first <= index; i++ {
			segs[i].base, segs[i].known = v.tail, true
		}
	}
	carried, lost := uint64(0), uint64(0)
	err := v.walk(start, func(en entry) bool {
		reach(en.index)
		v.tail = en.after
		if en.rec.tag == tagEvent {
			carried++
		}
		if en.lost {
			lost += en.rec.gap.Lost
		}
		return true
	})
	reach(s.log.Next())
	v.segs = segs
	cur := &v.epochs[len(v.epochs)-1]
	cur.Carried, cur.Lost = carried, lost
	return err
}

// basesOf is what the segments' own checkpoints don't say.
func basesOf(segs []seg, e epoch) []baseMeta {
	var out []baseMeta
	for _, g := range segs {
		if g.first >= e.Start && g.known {
			out = append(out, baseMeta{g.first, g.base.seq, g.base.hash})
		}
	}
	return out
}

func clip(s string) string {
	if len(s) > maxReason {
		return s[:maxReason]
	}
	return s
}
