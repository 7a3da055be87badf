package notify

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Shift is how old a notice must be, when the service starts, to go into the
// digest.
const Shift = 12 * time.Hour

// Poll is how often the outbox looks for machines with something to send. It
// asks the states themselves: a subscription to every change would make ingest
// put each of them together, for the few that are about notices.
const Poll = time.Second

// Together is how long a machine's first notice waits for others.
const Together = 3 * time.Second

// Machines is what the outbox reads and writes.
type Machines interface {
	// Machines calls yield with each machine's id, until it returns false.
	Machines(yield func(machine string) bool)
	// View shows a machine's state, as it is on disk.
	View(ctx context.Context, machine string, show func(*maintenance.State)) error
	// ViewEach shows each machine's state in order, until show returns false. What
	// was shown is on disk once it has returned nil.
	ViewEach(ctx context.Context, show func(machine string, s *maintenance.State) bool) error
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
	// Together, Shift and Poll are the constants of the package where 0.
	Together, Shift, Poll time.Duration
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
	o.Together, o.Shift, o.Poll = orElse(o.Together, Together), orElse(o.Shift, Shift), orElse(o.Poll, Poll)
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
	done := make(chan struct{})
	for _, w := range b.workers {
		go func() { w.run(ctx); done <- struct{}{} }()
	}
	b.follow(ctx)
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
// each that has changed and owes something.
func (b *Outbox) follow(ctx context.Context) {
	b.o.Machines.Machines(func(machine string) bool {
		for _, w := range b.workers {
			w.look(machine, true)
		}
		return true
	})
	for _, w := range b.workers {
		w.started()
	}
	tick := time.NewTicker(b.o.Poll)
	defer tick.Stop()
	seen := make(map[string]uint64)
	for {
		b.poll(ctx, seen)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// poll looks at the machines whose revision is not the one seen.
func (b *Outbox) poll(ctx context.Context, seen map[string]uint64) {
	type news struct {
		machine  string
		revision uint64
		owes     bool
	}
	var found []news
	err := b.o.Machines.ViewEach(ctx, func(machine string, s *maintenance.State) bool {
		if seen[machine] != s.Revision {
			found = append(found, news{machine, s.Revision, b.owes(s)})
		}
		return ctx.Err() == nil
	})
	if err != nil {
		if ctx.Err() == nil {
			b.o.Log.Warn("look for notices", "err", err)
		}
		return
	}
	for _, n := range found {
		seen[n.machine] = n.revision
		if !n.owes {
			continue
		}
		for _, w := range b.workers {
			w.look(n.machine, false)
		}
	}
}

// owes reports whether any channel has something of this machine to send.
func (b *Outbox) owes(s *maintenance.State) bool {
	for i := range s.Notices {
		for _, w := range b.workers {
			if pending(&s.Notices[i], w.channel.Name()) {
				return true
			}
		}
	}
	return false
}

// pending reports whether a notice stands, does not wait for a later, and has
// no fate of its present ring on the channel.
func pending(n *maintenance.Notice, channel string) bool {
	return n.Withdrawn.IsZero() && !n.Waiting && !hasFate(n, channel+ringOf(n))
}

// ringOf names the ring of a notice that a channel owes: "" for its first, and
// another one for each time that a person's later is over. A notice put off twice
// to the next halt has one ring for both.
func ringOf(n *maintenance.Notice) string {
	switch {
	case n.Word != maintenance.NoticeLater:
		return ""
	case n.LaterAt == 0:
		return "/halt"
	}
	return fmt.Sprintf("/%s-%d", n.LaterOn, n.LaterAt)
}

// FateOf splits what a fate is kept under: the channel, and whether it is that of
// a ring after a later.
func FateOf(kept string) (channel string, again bool) {
	channel, _, again = strings.Cut(kept, "/")
	return channel, again
}

// pendingItems gives the machine's notices that are pending on the channel.
func pendingItems(s *maintenance.State, channel string) []Item {
	var out []Item
	for i := range s.Notices {
		if n := &s.Notices[i]; pending(n, channel) {
			out = append(out, item(s, n))
		}
	}
	return out
}

func hasFate(n *maintenance.Notice, channel string) bool {
	return slices.ContainsFunc(n.Fates, func(f maintenance.NoticeFateAt) bool { return f.Channel == channel })
}

func item(s *maintenance.State, n *maintenance.Notice) Item {
	it := Item{
		ID: hex.EncodeToString(n.ID[:]), Machine: s.Machine.Machine, Display: s.Machine.Display, Customer: s.Machine.Customer,
		Task: n.Task, Stage: StageWord(n), Text: Text(s, n), Raised: n.Raised, Again: ringOf(n) != "", ref: ref{s.Machine.Machine, n.ID, ringOf(n)},
	}
	for _, c := range maintenance.CautionsOf(s.Chart, n.Task) {
		it.Cautions = append(it.Cautions, c.Text)
	}
	return it
}

// messageID names a set of rings: the notice's own id where it is the first ring
// of one.
func messageID(refs []ref) string {
	if len(refs) == 1 && refs[0].ring == "" {
		return hex.EncodeToString(refs[0].id[:])
	}
	refs = slices.SortedFunc(slices.Values(refs), func(a, b ref) int { return cmp.Or(slices.Compare(a.id[:], b.id[:]), cmp.Compare(a.ring, b.ring)) })
	h := sha256.New()
	for _, r := range refs {
		h.Write(r.id[:])
		h.Write([]byte(r.ring))
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

func instant(t time.Time) moment.Instant { return moment.Instant(t.UnixMilli()) }
