package agent

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"

	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/spoolhash"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// keeper lets the agent's parts keep their memory beside the events.
type keeper struct {
	spool *spool.Spool
	log   *slog.Logger
}

func (k keeper) SaveState(name string, b []byte) error {
	return k.spool.SaveState(context.Background(), name, b)
}

// LoadState gives nothing where nothing was kept, or where what was kept is
// damaged: it has been set aside then, and the part begins anew.
func (k keeper) LoadState(name string) ([]byte, error) {
	b, err := k.spool.LoadState(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if _, damaged := errors.AsType[*spool.StateError](err); damaged {
		k.log.Error("what was kept is damaged; beginning without it", "why", err)
		return nil, nil
	}
	return b, err
}

// queue is the spool as the uplink empties it.
type queue struct{ *Agent }

func (q queue) Epoch() [16]byte          { return q.spool.Epoch() }
func (q queue) First() uint64            { return q.spool.Stats().First }
func (q queue) Last() (uint64, [32]byte) { return q.spool.Last() }
func (q queue) Ack(seq uint64, hash [32]byte) error {
	return q.spool.Ack(context.Background(), seq, hash)
}
func (q queue) Acked() uint64 {
	epoch, seq := q.spool.Acked()
	if epoch != q.spool.Epoch() {
		return 0
	}
	return seq
}

func (q queue) HashAt(seq uint64) (hash [32]byte, known bool, err error) {
	hash, err = q.spool.HashAt(context.Background(), seq)
	if _, thinned := errors.AsType[*spool.ThinnedError](err); thinned {
		return hash, false, nil
	}
	return hash, err == nil, err
}

func (q queue) Rewind(seq uint64, hash [32]byte) error {
	err := q.spool.Rewind(context.Background(), seq, hash)
	if _, trimmed := errors.AsType[*spool.TrimmedError](err); trimmed {
		// The uplink says how much is gone when it gets there.
		return nil
	}
	return err
}

func (q queue) Read(from uint64, events, bytes int) ([]uplink.Item, [32]byte, error) {
	batch, err := q.spool.ReadFrom(context.Background(), from, events, bytes)
	if err != nil {
		return nil, [32]byte{}, err
	}
	items := make([]uplink.Item, len(batch.Items))
	for i, it := range batch.Items {
		if g := it.Gap; g != nil {
			items[i] = uplink.Item{Seq: g.To - 1, Thinned: g.To - g.From, After: g.Hash}
			continue
		}
		items[i] = uplink.Item{Seq: it.Seq, Payload: it.Payload, Boot: wire.BootOf(it.Payload)}
	}
	return items, batch.Hash, nil
}

// ownEvents is the spool as the cab goes on from a copy.
type ownEvents struct{ *Agent }

func (o ownEvents) Epoch() [16]byte { return o.spool.Epoch() }

func (o ownEvents) Own(from uint64, fn func(cab.Own) error) error {
	ctx := context.Background()
	if first := o.spool.Stats().First; from < first {
		hash, err := o.spool.HashAt(ctx, first-1)
		if err != nil {
			return err
		}
		gap := cab.Own{Seq: first - 1, Hash: hash, At: o.unplaced(), Body: &maintenance.Thinned{Events: first - from}}
		if err := fn(gap); err != nil {
			return err
		}
		from = first
	}
	hash, err := o.spool.HashAt(ctx, from-1)
	if err != nil {
		return err
	}
	for {
		batch, err := o.spool.ReadFrom(ctx, from, 500, 1<<20)
		if err != nil || len(batch.Items) == 0 {
			return err
		}
		for _, it := range batch.Items {
			if hash, err = o.each(it, hash, fn); err != nil {
				return err
			}
		}
		from = batch.Last + 1
	}
}

// unplaced is all that is known of when something happened that is not there any
// more: before now.
func (o ownEvents) unplaced() moment.Span {
	return moment.Span{NotAfter: moment.Instant(o.clock.Best().UnixMilli())}
}

func (o ownEvents) each(it spool.Item, hash spoolhash.Hash, fn func(cab.Own) error) (spoolhash.Hash, error) {
	if g := it.Gap; g != nil {
		return g.Hash, fn(cab.Own{Seq: g.To - 1, Hash: g.Hash, At: o.unplaced(), Body: &maintenance.Thinned{Events: g.To - g.From}})
	}
	hash = spoolhash.Next(hash, it.Seq, it.Payload)
	at, body := o.placed(it.Payload)
	return hash, fn(cab.Own{Seq: it.Seq, Hash: hash, At: at, Known: at.NotAfter, Body: body})
}

// placed reads an event of the spool and places it in time. One that can't be
// read the service sets aside, and so does the cab.
func (a *Agent) placed(payload []byte) (moment.Span, maintenance.Body) {
	stamp, body, err := wire.Unmarshal(payload)
	if err != nil {
		return (ownEvents{a}).unplaced(), &maintenance.SetAside{Reason: err.Error()}
	}
	return a.spanOf(stamp), body
}

// cabWatch is the cab as the uplink feeds it; the listening loop learns of each
// new copy.
type cabWatch struct{ *Agent }

func (c cabWatch) Copy() (uint64, [32]byte) { return c.cab.Copy() }

func (c cabWatch) Take(m *pb.CabCopy) error {
	if err := c.cab.Take(m); err != nil {
		return err
	}
	select {
	case c.fresh <- struct{}{}:
	default:
	}
	return nil
}

func (c cabWatch) Readings() (moment.Instant, []maintenance.Reading) { return c.cab.Readings() }
