package spool

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/spoolhash"
)

// ReadFrom gives events and gaps of the current epoch from seq on, up to maxEvents
// items and about maxBytes of payload, but one item at least if there is one.
// *TrimmedError when seq is no longer kept, *DamagedError when its bytes rotted
// since the spool was opened. Nothing behind the last event is no error.
func (s *Spool) ReadFrom(ctx context.Context, seq uint64, maxEvents, maxBytes int) (Batch, error) {
	v := s.snapshot()
	b, end, err := s.read(ctx, v, v.current().Ordinal, seq, maxEvents, maxBytes)
	if err == nil && len(b.Items) > 0 {
		s.mu.Lock()
		s.cursor = end
		s.mu.Unlock()
	}
	return b, err
}

// ReadEpoch is ReadFrom of an earlier epoch, as far as it is kept: what it handed
// over to the next one is read there.
func (s *Spool) ReadEpoch(ctx context.Context, id spoolhash.Epoch, seq uint64, maxEvents, maxBytes int) (Batch, error) {
	v := s.snapshot()
	for _, e := range v.epochs {
		if e.ID == id {
			b, _, err := s.read(ctx, v, e.Ordinal, seq, maxEvents, maxBytes)
			return b, err
		}
	}
	return Batch{}, fmt.Errorf("read epoch %v: %w", id, ErrUnknownEpoch)
}

// Tail gives the last n events of the current epoch, oldest first, gaps between them included.
func (s *Spool) Tail(ctx context.Context, n int) (Batch, error) {
	v := s.snapshot()
	last := v.tail.seq
	from := max(v.first(v.tail.ord), last+1-min(last, uint64(max(n, 0))))
	return s.ReadFrom(ctx, from, max(n, 0), 1<<30)
}

// HashAt is H(seq) of the current epoch; seq 0 is its start. *ThinnedError inside a gap.
func (s *Spool) HashAt(ctx context.Context, seq uint64) (spoolhash.Hash, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.closed {
		return spoolhash.Hash{}, ErrClosed
	}
	p, err := locate(ctx, s.snapshot(), seq)
	return p.st.hash, err
}

func (s *Spool) read(ctx context.Context, v view, ord, seq uint64, maxEvents, maxBytes int) (Batch, point, error) {
	e, _ := v.byOrdinal(ord)
	b := Batch{Epoch: e.ID, Last: seq - 1}
	if err := checkRead(ctx, &v, ord, seq); err != nil {
		return b, point{}, err
	}
	if seq == v.lastOf(ord)+1 || maxEvents <= 0 {
		if seq == v.tail.seq+1 && ord == v.tail.ord {
			b.Hash = v.tail.hash
		}
		return b, point{}, nil
	}
	c := collector{v: &v, ord: ord, seq: seq, left: maxBytes, max: maxEvents, b: &b}
	err := s.walkFor(ctx, &v, ord, seq, c.entry)
	if err == nil {
		err = c.err
	}
	if len(b.Items) > 0 {
		err = nil // what was met behind them is met again by the next read
	}
	if err == nil && len(b.Items) == 0 && ctx.Err() == nil {
		err = &TrimmedError{Seq: seq, First: v.lastOf(ord) + 1} // carried over into the next epoch
	}
	return b, c.end, err
}

func checkRead(ctx context.Context, v *view, ord, seq uint64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	last, first := v.lastOf(ord), v.first(ord)
	switch {
	case seq == 0:
		return errors.New("read from event 0: events count from 1")
	case seq > last+1:
		return fmt.Errorf("read from event %d: the epoch's last is %d", seq, last)
	case seq < first:
		return &TrimmedError{Seq: seq, First: first}
	}
	return nil
}

// walkFor walks from the nearest known place before seq. When the log was trimmed
// or opened anew meanwhile it waits for the change to end and looks again.
func (s *Spool) walkFor(ctx context.Context, v *view, ord, seq uint64, f func(entry) bool) error {
	for {
		p, ok := v.startFor(ord, seq)
		if !ok {
			return &TrimmedError{Seq: seq, First: v.first(ord)}
		}
		err := v.walk(p, f)
		var trimmed *seglog.TrimmedError
		if !errors.As(err, &trimmed) && !errors.Is(err, seglog.ErrClosed) {
			return err
		}
		s.wmu.Lock()
		now, closed := s.snapshot(), s.closed
		s.wmu.Unlock()
		if closed {
			return ErrClosed
		}
		if now.log == v.log && now.segs[0].first == v.segs[0].first || ctx.Err() != nil {
			return err
		}
		*v = now
	}
}

// collector gathers a batch on a walk.
type collector struct {
	v        *view
	ord, seq uint64
	max      int
	left     int
	b        *Batch
	end      point
	err      error
}

func (c *collector) entry(e entry) bool {
	if e.before.ord > c.ord {
		return false
	}
	if e.before.ord < c.ord || e.after.seq < c.seq || e.after.seq == e.before.seq || e.after.seq <= c.b.Last {
		return true
	}
	if e.lost && e.next > c.v.check && c.ord == c.v.current().Ordinal {
		c.err = &DamagedError{Seq: max(e.before.seq+1, c.seq), Err: errors.New("checksum does not match")}
		return false
	}
	if len(c.b.Items) > 0 && (len(c.b.Items) >= c.max || c.left < len(e.rec.payload)) {
		return false
	}
	c.b.Items = append(c.b.Items, c.item(e))
	c.left -= len(e.rec.payload)
	c.b.Last, c.b.Hash = e.after.seq, e.after.hash
	c.end = point{e.next, e.after}
	return len(c.b.Items) < c.max && e.after.seq < c.v.lastOf(c.ord)
}

func (c *collector) item(e entry) Item {
	if e.rec.tag == tagGap {
		g := e.rec.gap
		g.From = max(g.From, c.seq)
		return Item{Seq: g.From, Gap: &g}
	}
	return Item{Seq: e.after.seq, Class: e.rec.class, Key: e.rec.key, At: time.UnixMilli(e.rec.at).UTC(),
		Payload: append([]byte(nil), e.rec.payload...)}
}

// locate finds the place behind event seq of the current epoch. wmu is held.
func locate(ctx context.Context, v view, seq uint64) (point, error) {
	cur := v.current()
	switch {
	case seq > v.tail.seq:
		return point{}, &ForkError{Seq: seq, Last: v.tail.seq}
	case seq == 0:
		return point{cur.Start, cur.start()}, nil
	case seq == v.acked.st.seq:
		return v.acked, nil
	case seq+1 < v.first(cur.Ordinal):
		return point{}, &TrimmedError{Seq: seq, First: v.first(cur.Ordinal)}
	}
	if v.cursor.st.ord == cur.Ordinal && v.cursor.st.seq == seq {
		return v.cursor, nil
	}
	for _, g := range v.segs {
		if g.known && g.base.ord == cur.Ordinal && g.base.seq == seq {
			return point{g.first, g.base}, nil
		}
	}
	return walkTo(ctx, v, seq)
}

func walkTo(ctx context.Context, v view, seq uint64) (p point, err error) {
	from, ok := v.startFor(v.tail.ord, seq)
	if !ok {
		return p, &TrimmedError{Seq: seq, First: v.first(v.tail.ord)}
	}
	found := false
	var thinned error
	err = v.walk(from, func(e entry) bool {
		switch {
		case e.before.ord < v.tail.ord || e.after.seq < seq:
			return true
		case e.after.seq > seq:
			thinned = &ThinnedError{Seq: seq, Gap: e.rec.gap}
			p = point{e.index, state{v.tail.ord, seq, spoolhash.Hash{}}}
		default:
			p, found = point{e.next, e.after}, true
		}
		return false
	})
	switch {
	case err != nil:
		return p, err
	case thinned != nil:
		return p, thinned
	case !found:
		return p, fmt.Errorf("event %d was not found", seq)
	}
	return p, ctx.Err()
}
