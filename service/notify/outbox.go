package notify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/live"
)

// Shift is how old a notice must be, when the service starts, to go into the
// digest.
const Shift = 12 * time.Hour

// rescan is how long after changes were lost all machines are looked at again.
const rescan = 10 * time.Second

// buffer is how many changes may wait for the outbox, which only glances at
// them.
const buffer = 8192

// Together is how long a machine's first notice waits for others.
const Together = 3 * time.Second

// Machines is what the outbox reads and writes.
type Machines interface {
	// Machines calls yield with each machine's id, until it returns false.
	Machines(yield func(machine string) bool)
	// View shows a machine's state, as it is on disk.
	View(ctx context.Context, machine string, show func(*maintenance.State)) error
	// Changes spreads what changed.
	Changes() *live.Hub
}

// Options say what the outbox works with.
type Options struct {
	Machines Machines
	// Fate journals what became of a notice on a channel, and returns once it is
	// on disk.
	Fate     func(ctx context.Context, machine string, fate *maintenance.NoticeFate) error
	Channels []Channel
	Log      *slog.Logger
	Now      func() time.Time
	// Jitter spreads a pause, so that many services don't come back at once: it
	// returns something between half of it and one and a half. Nil: no spread.
	Jitter func(time.Duration) time.Duration
	// Together and Shift, the constants of the package where 0.
	Together, Shift time.Duration
}

// Outbox takes pending notices to the channels.
type Outbox struct {
	o       Options
	workers []*worker
}

// New returns an outbox. Two channels of one name are an error.
func New(o Options) (*Outbox, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Jitter == nil {
		o.Jitter = func(d time.Duration) time.Duration { return d }
	}
	o.Together, o.Shift = orElse(o.Together, Together), orElse(o.Shift, Shift)
	b := &Outbox{o: o}
	names := make(map[string]bool)
	for _, c := range o.Channels {
		if names[c.Name()] {
			return nil, fmt.Errorf("notify: two channels are called %q: name them apart, since a notice's fate is kept by the name", c.Name())
		}
		names[c.Name()] = true
		b.workers = append(b.workers, newWorker(&b.o, c))
	}
	return b, nil
}

func orElse(d, otherwise time.Duration) time.Duration {
	if d == 0 {
		return otherwise
	}
	return d
}

// Run delivers until ctx ends. What is not delivered then stays pending.
func (b *Outbox) Run(ctx context.Context) error {
	sub := b.o.Machines.Changes().Subscribe(live.Filter{Buffer: buffer})
	defer sub.Close()
	done := make(chan struct{})
	for _, w := range b.workers {
		go func() { w.run(ctx); done <- struct{}{} }()
	}
	b.follow(ctx, sub)
	for range b.workers {
		<-done
	}
	return nil
}

// ChannelStats are a channel's totals since the start, in notices.
type ChannelStats struct {
	Seen      uint64 // came up, or waited when the service started
	Delivered uint64
	GivenUp   uint64
	Failed    uint64 // attempts that failed, each of as many notices as it had
	Pending   int
	Gone      bool // switched off by its receiver
}

// Stats gives each channel's totals.
func (b *Outbox) Stats() map[string]ChannelStats {
	out := make(map[string]ChannelStats, len(b.workers))
	for _, w := range b.workers {
		out[w.channel.Name()] = w.totals()
	}
	return out
}

// follow tells the workers which machines to look at: all of them first, then
// each that has news of a notice; and all again, a while after changes were
// lost.
func (b *Outbox) follow(ctx context.Context, sub *live.Subscription) {
	b.lookAll(true)
	var lost uint64
	var again <-chan time.Time
	for {
		select {
		case <-ctx.Done():
			return
		case <-again:
			again = nil
			b.lookAll(false)
		case c, open := <-sub.C:
			if !open {
				<-ctx.Done()
				return
			}
			if now := sub.Lost(); now != lost && again == nil {
				lost, again = now, time.After(rescan)
			}
			if len(c.Summary.Notices) > 0 {
				b.look(c.Machine, false)
			}
		}
	}
}

func (b *Outbox) lookAll(first bool) {
	b.o.Machines.Machines(func(machine string) bool {
		b.look(machine, first)
		return true
	})
	if first {
		for _, w := range b.workers {
			w.started()
		}
	}
}

func (b *Outbox) look(machine string, first bool) {
	for _, w := range b.workers {
		w.look(machine, first)
	}
}

// pendingItems gives the machine's notices that stand and have no fate on the
// channel.
func pendingItems(s *maintenance.State, channel string) []Item {
	var out []Item
	for i := range s.Notices {
		n := &s.Notices[i]
		if n.Withdrawn != (maintenance.Key{}) || n.Waiting || hasFate(n, channel) {
			continue
		}
		out = append(out, item(s, n))
	}
	return out
}

func hasFate(n *maintenance.Notice, channel string) bool {
	return slices.ContainsFunc(n.Fates, func(f maintenance.NoticeFateAt) bool { return f.Channel == channel })
}

func item(s *maintenance.State, n *maintenance.Notice) Item {
	it := Item{
		ID: hex.EncodeToString(n.ID[:]), Machine: s.Machine.Machine, Display: s.Machine.Display, Customer: s.Machine.Customer,
		Task: n.Task, Stage: StageWord(n), Text: Text(s, n), Raised: n.Raised, notice: n.ID,
	}
	for _, c := range Cautions(s.Chart, n.Task) {
		it.Cautions = append(it.Cautions, c.Text)
	}
	return it
}

// messageID names a set of notices: the notice's own id where it is one.
func messageID(ids []maintenance.NoticeID) string {
	if len(ids) == 1 {
		return hex.EncodeToString(ids[0][:])
	}
	ids = slices.SortedFunc(slices.Values(ids), func(a, b maintenance.NoticeID) int { return slices.Compare(a[:], b[:]) })
	h := sha256.New()
	for _, id := range ids {
		h.Write(id[:])
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

func instant(t time.Time) moment.Instant { return moment.Instant(t.UnixMilli()) }
