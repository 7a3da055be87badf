package ingest

import (
	"context"
	"fmt"
	"math"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/spoolhash"
	"github.com/hourbell/hourbell/internal/wire"
)

// SpoolBatch is consecutive events of one spool, as its agent sent them.
type SpoolBatch struct {
	Epoch [16]byte
	// First is the sequence number of the first event, Previous the rolling hash
	// before it.
	First    uint64
	Previous [32]byte
	// Events are serialised hourbell.v1.Events as the spool holds them, not to be
	// changed any more. An empty one stands for the next of Thinned.
	Events  [][]byte
	Thinned []ThinnedRun
	Boots   []BootClock
}

// ThinnedRun is consecutive events that the agent has no more.
type ThinnedRun struct {
	Count     uint64
	HashAfter [32]byte
}

// spoolsKept bounds what is remembered of a machine's spools beside its state.
const spoolsKept = maintenance.EpochsKept

// SpoolEnd is how far a spool is on record.
type SpoolEnd struct {
	Next uint64   // the sequence number wanted next, 1 for a new spool
	Hash [32]byte // rolling hash before it
}

// SpoolEnd tells how far a spool of the machine is on record. Where the rolling
// hash there was lost on the service's disk it asks for the spool from its
// beginning: what is on record is passed over, and the hash is known again.
func (in *Ingest) SpoolEnd(ctx context.Context, machine string, epoch [16]byte) (end SpoolEnd, err error) {
	err = in.View(ctx, machine, func(s *maintenance.State) { end.Next, end.Hash = spoolEnd(s, epoch) })
	if end.Hash == [32]byte{} {
		end.Next, end.Hash = 1, spoolhash.Start(epoch)
	}
	return end, err
}

// OfferSpool decides the events of a batch in order and queues what is taken. The
// ticket tells when they are on disk. The batch's rolling hash is walked: what
// is on record already is passed over as a repeat, a batch that begins too late
// is a *Gap, one whose history differs a *Fork, one out of form *Malformed; then
// nothing of it is taken. An event that can't be taken in is set aside.
func (in *Ingest) OfferSpool(ctx context.Context, machine string, sb *SpoolBatch) (*Ticket, error) {
	if err := sb.check(); err != nil {
		return nil, err
	}
	m, err := in.admit(ctx, machine)
	if err != nil {
		return nil, err
	}
	defer in.leave()
	defer m.mu.Unlock()
	b := in.begin(m, false)
	w := walk{batch: b, sb: sb, seq: sb.First, hash: sb.Previous, place: placer{now: b.now, floor: m.floor(sb.Epoch), boots: sb.Boots}}
	w.next, w.known = spoolEnd(m.state, sb.Epoch)
	err = w.all()
	if b.receipt.Taken > 0 {
		if len(m.spools) > spoolsKept {
			clear(m.spools)
		}
		m.spools[sb.Epoch] = w.place.floor
	}
	b.receipt.Seq = w.next - 1
	t := b.end()
	if w.place.moved > 0 {
		in.stats.misplaced.Add(uint64(w.place.moved))
		in.o.Log.Warn("events claim times that no set clock shows; they are placed between their neighbours and now", "machine", machine, "events", w.place.moved)
	}
	if err != nil {
		return nil, err
	}
	return t, nil
}

// check holds a batch to its form.
func (sb *SpoolBatch) check() error {
	if len(sb.Events) > MaxBatchEvents {
		return &Malformed{"events", fmt.Sprintf("%d events, at most %d are taken at once", len(sb.Events), MaxBatchEvents)}
	}
	if sb.Epoch == [16]byte{} {
		return &Malformed{"epoch", "it is all zero"}
	}
	if sb.First == 0 {
		return &Malformed{"first_sequence", "0; a spool's events are numbered from 1"}
	}
	size, runs, span := 0, 0, uint64(0)
	for _, e := range sb.Events {
		size += len(e)
		if len(e) > 0 {
			span++
			continue
		}
		if runs == len(sb.Thinned) {
			return &Malformed{"thinned", "fewer runs than there are empty events"}
		}
		n := sb.Thinned[runs].Count
		if sb.Thinned[runs].HashAfter == [32]byte{} {
			return &Malformed{"thinned.hash_after", "it is all zero"}
		}
		if n == 0 || n > math.MaxInt64-span {
			return &Malformed{"thinned.count", fmt.Sprintf("%d events", n)}
		}
		runs, span = runs+1, span+n
	}
	switch {
	case runs != len(sb.Thinned):
		return &Malformed{"thinned", "more runs than there are empty events"}
	case sb.First > math.MaxInt64-span:
		return &Malformed{"first_sequence", fmt.Sprintf("%d leaves no room for the events", sb.First)}
	case size > MaxBatchBytes:
		return &Malformed{"events", fmt.Sprintf("%d bytes, at most %d are taken at once", size, MaxBatchBytes)}
	}
	return nil
}

// walk goes along a batch with the rolling hash.
type walk struct {
	*batch
	sb    *SpoolBatch
	place placer
	seq   uint64   // of the event at hand
	hash  [32]byte // before it
	runs  int      // thinned runs passed
	next  uint64   // wanted
	known [32]byte // hash before next, as on record
}

func (w *walk) all() error {
	if w.seq > w.next {
		return &Gap{Machine: w.m.id, Want: w.next, Got: w.seq}
	}
	if w.seq == w.next && !w.agrees(w.hash) {
		if w.next == 1 {
			return &Malformed{"previous_hash", "it is not the one that this spool epoch begins with"}
		}
		return w.fork(w.sb.Epoch, w.next-1)
	}
	for _, payload := range w.sb.Events {
		if err := w.step(payload); err != nil {
			return err
		}
	}
	return nil
}

// agrees compares a hash before next with the one on record. The zero hash is
// that of a spool whose last events were lost on the service's disk.
func (w *walk) agrees(hash [32]byte) bool { return hash == w.known || w.known == [32]byte{} }

func (w *walk) step(payload []byte) error {
	count, after := uint64(1), [32]byte{}
	if len(payload) == 0 {
		run := &w.sb.Thinned[w.runs]
		w.runs++
		count, after = run.Count, run.HashAfter
	} else {
		after = spoolhash.Next(w.hash, w.seq, payload)
	}
	last, before := w.seq+count-1, w.hash
	w.seq, w.hash = last+1, after
	if last < w.next {
		w.receipt.Repeats++
		if last+1 == w.next && !w.agrees(after) {
			return w.fork(w.sb.Epoch, last)
		}
		return nil
	}
	if w.known == [32]byte{} {
		w.resume(before)
	}
	key := maintenance.Key{Stream: w.sb.Epoch, Seq: last}
	var err error
	if len(payload) == 0 {
		err = w.thinned(key, last+1-w.next, after)
	} else {
		err = w.payload(key, after, payload)
	}
	if err == nil {
		w.next = last + 1
	}
	return err
}

// resume journals the rolling hash that was lost, before the first new event.
func (w *walk) resume(hash [32]byte) {
	w.known = hash
	w.ownOrLog(maintenance.ServiceKey("resumed", fmt.Sprintf("%x", w.sb.Epoch), fmt.Sprint(w.next)), moment.At(w.now),
		resumption(w.sb.Epoch, SpoolEnd{Next: w.next, Hash: hash}))
}

// payload decides an event as the spool holds it.
func (w *walk) payload(key maintenance.Key, after [32]byte, payload []byte) error {
	stamp, body, err := w.m.decoder.UnmarshalShared(payload)
	if err != nil {
		return w.aside(key, after, payload, err.Error())
	}
	if standIn(body) {
		return w.aside(key, after, payload, "a spool can't hold this kind of event: it stands for one that is not there")
	}
	e := &w.m.event // nothing keeps it
	wire.Put(e, key, maintenance.WriterAgent, w.place.place(stamp), w.now, after, body)
	return w.decide(e, payload)
}

// standIn reports whether a body stands for events that are not there: the
// service alone writes those, with the rolling hash that they can't give.
func standIn(body maintenance.Body) bool {
	switch body.(type) {
	case *maintenance.Thinned, *maintenance.SetAside:
		return true
	}
	return false
}

// thinned journals that events are gone. What the service has of the run
// already stays.
func (w *walk) thinned(key maintenance.Key, count uint64, after [32]byte) error {
	body := &maintenance.Thinned{Events: count}
	received, err := wire.Marshal(nil, wire.Stamp{Time: w.now, HashAfter: after}, body)
	if err != nil {
		return fmt.Errorf("note thinned events of machine %s: %w", w.m.id, err)
	}
	w.in.stats.thinned.Add(count)
	at := w.place.unknown()
	return w.decide(wire.Event(key, maintenance.WriterAgent, at, w.now, after, body), received)
}
