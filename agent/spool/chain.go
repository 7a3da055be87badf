package spool

import (
	"errors"
	"io"
	"time"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/spoolhash"
)

// epoch is an epoch as epochs.meta keeps it.
type epoch struct {
	Ordinal uint64
	ID      spoolhash.Epoch
	Reason  string
	At      time.Time
	Start   uint64 // log index from which on records count in this epoch
	Carried uint64
	Lost    uint64

	Ended bool           `json:",omitempty"`
	Last  uint64         `json:",omitempty"`
	Hash  spoolhash.Hash `json:",omitzero"`
	Acked uint64         `json:",omitempty"`
}

// state is where the chain stands.
type state struct {
	ord  uint64 // ordinal of the epoch
	seq  uint64
	hash spoolhash.Hash
}

func (e epoch) start() state { return state{ord: e.Ordinal, hash: spoolhash.Start(e.ID)} }

// point is a place in the log with the state before it.
type point struct {
	index uint64
	st    state
}

// seg is a segment of the log and the state before its first record.
type seg struct {
	first uint64
	base  state
	known bool // base is
}

// view is all that a reader needs, at one moment. Its slices are never changed,
// only replaced.
type view struct {
	log    *seglog.Log
	epochs []epoch // ordinals are consecutive; the last is current
	segs   []seg
	tail   state
	acked  point  // index of the first record not acknowledged, state before it
	check  uint64 // damage from this log index on is newer than the epoch
	cursor point  // in snapshots: where the last read ended
}

func (v *view) current() epoch { return v.epochs[len(v.epochs)-1] }

func (v *view) byOrdinal(ord uint64) (epoch, bool) {
	i := ord - v.epochs[0].Ordinal
	if ord < v.epochs[0].Ordinal || i >= uint64(len(v.epochs)) {
		return epoch{}, false
	}
	return v.epochs[i], true
}

// at is the epoch to which a record at that index belongs.
func (v *view) at(index uint64) (epoch, bool) {
	for i := len(v.epochs) - 1; i >= 0; i-- {
		if v.epochs[i].Start <= index {
			return v.epochs[i], true
		}
	}
	return epoch{}, false
}

// step moves the state into the epoch that is current at the index.
func (v *view) step(st state, index uint64) state {
	if e, ok := v.at(index); ok && e.Ordinal > st.ord {
		return e.start()
	}
	return st
}

// entry is one record of a walk.
type entry struct {
	index  uint64
	next   uint64 // index after it
	rec    stored
	lost   bool  // damaged; rec.gap says how many
	size   int   // bytes in the segment
	before state // in the epoch of the record
	after  state
}

// walk goes from p on, to the end of what is durable or until f returns false.
// Payloads are valid within f only.
func (v *view) walk(p point, f func(entry) (more bool)) error {
	r, err := v.log.Reader(p.index)
	if err != nil {
		return err
	}
	defer r.Close()
	st := p.st
	for {
		index, b, err := r.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		e, err := v.entry(st, index, b, err)
		if err != nil {
			return err
		}
		st = e.after
		if !f(e) {
			return nil
		}
	}
}

// entry judges what a reader gave.
func (v *view) entry(st state, index uint64, b []byte, err error) (entry, error) {
	var bad *seglog.DamagedError
	if errors.As(err, &bad) {
		return v.lost(st, bad.From, bad.To), nil
	}
	if err != nil {
		return entry{}, err
	}
	rec, err := parse(b)
	if err != nil { // sound bytes that no known build wrote
		return v.lost(st, index, index+1), nil
	}
	st = v.step(st, index)
	e := entry{index: index, next: index + 1, rec: rec, size: seglog.FrameSize(len(b)), before: st, after: st}
	switch rec.tag {
	case tagEvent:
		e.after.seq++
		e.after.hash = spoolhash.Next(st.hash, e.after.seq, rec.payload)
	case tagGap:
		if rec.ordinal == st.ord {
			e.after.seq, e.after.hash = rec.gap.To-1, rec.gap.Hash
		}
	}
	return e, nil
}

// lost is a damaged stretch: every index of it counts as one event, so that
// numbering stays the same, and the hash stays where it was.
func (v *view) lost(st state, from, to uint64) entry {
	e := entry{index: from, next: to, lost: true}
	if last := v.step(st, to-1); last.ord != v.step(st, from).ord {
		ep, _ := v.byOrdinal(last.ord)
		from = max(from, ep.Start)
	}
	st = v.step(st, to-1)
	e.before, e.after = st, st
	e.after.seq += to - from
	e.rec.tag = tagGap
	e.rec.gap = Gap{From: st.seq + 1, To: e.after.seq + 1, Hash: st.hash, Lost: to - from}
	return e
}

// kept reports whether the log still has the place where an epoch begins.
func (v *view) kept(e epoch) bool { return len(v.segs) > 0 && e.Start >= v.segs[0].first }

// startFor is the nearest known place before event seq of an epoch; ok is false
// where the events up to there are no longer kept.
func (v *view) startFor(ord, seq uint64) (p point, ok bool) {
	if e, found := v.byOrdinal(ord); found && v.kept(e) {
		p, ok = point{e.Start, e.start()}, true
	}
	for _, s := range v.segs {
		if s.known && s.base.ord == ord && s.base.seq < seq {
			p, ok = point{s.first, s.base}, true
		}
	}
	for _, c := range []point{v.acked, v.cursor} {
		if ok && c.st.ord == ord && c.st.seq < seq && c.index > p.index {
			p = c
		}
	}
	return p, ok
}

// first is the first sequence number of an epoch that can be read, a gap's
// included; one past the last if none.
func (v *view) first(ord uint64) uint64 {
	if e, found := v.byOrdinal(ord); found && v.kept(e) {
		return 1
	}
	for _, s := range v.segs {
		if s.known && s.base.ord == ord {
			return s.base.seq + 1
		}
	}
	return v.lastOf(ord) + 1
}

func (v *view) lastOf(ord uint64) uint64 {
	if e, ok := v.byOrdinal(ord); ok && e.Ended {
		return e.Last
	}
	return v.tail.seq
}
