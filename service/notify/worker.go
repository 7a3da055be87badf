package notify

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// schedule is the pause before each attempt (Standard Webhooks 1.0.0). After the
// last one a message is given up.
func schedule() []time.Duration {
	return []time.Duration{0, 5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour, 10 * time.Hour, 14 * time.Hour, 20 * time.Hour, 24 * time.Hour}
}

// perMessage is how many notices go into one message at most, so that its body
// stays small.
const perMessage = 20

// again is the pause after a fate could not be journalled or a state not read.
const again = 5 * time.Second

// job is a message to be delivered: a fixed set of notices, so that its id stays.
type job struct {
	machine  string // "" for a digest
	notices  []ref
	attempts int
	next     time.Time
}

// ref is one ring of one notice of one machine.
type ref struct {
	machine string
	id      maintenance.NoticeID
	ring    string // ringOf
}

// worker serves one channel, so that a slow one holds up no other.
type worker struct {
	o       *Options
	channel Channel
	wake    chan struct{}

	mu     sync.Mutex
	dirty  map[string]time.Time // machines to look at, and when
	digest []string             // machines to look at for the digest
	ready  bool                 // the digest's machines are all known
	jobs   []*job
	queued map[ref]bool // in jobs
	stats  ChannelStats

	// Of run alone.
	hold  time.Time // the far side is down until then
	downs int       // times in a row that it was
	gone  bool
}

func newWorker(o *Options, c Channel) *worker {
	return &worker{o: o, channel: c, wake: make(chan struct{}, 1), dirty: make(map[string]time.Time), queued: make(map[ref]bool)}
}

// look asks for a machine to be looked at, soon after its first news.
func (w *worker) look(machine string, first bool) {
	w.mu.Lock()
	if first {
		w.digest = append(w.digest, machine)
	} else if _, there := w.dirty[machine]; !there {
		w.dirty[machine] = w.o.Now().Add(w.o.Together)
	}
	w.mu.Unlock()
	w.poke()
}

// started says that all machines for the digest were named.
func (w *worker) started() {
	w.mu.Lock()
	w.ready = true
	w.mu.Unlock()
	w.poke()
}

func (w *worker) poke() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

func (w *worker) totals() ChannelStats {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := w.stats
	out.Pending = len(w.queued)
	return out
}

// tally changes the totals.
func (w *worker) tally(change func(*ChannelStats)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	change(&w.stats)
}

func (w *worker) run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		w.gather(ctx)
		next := w.deliver(ctx)
		var after <-chan time.Time
		if !next.IsZero() {
			timer.Reset(max(next.Sub(w.o.Now()), 0))
			after = timer.C
		}
		select {
		case <-ctx.Done():
			return
		case <-w.wake:
		case <-after:
		}
	}
}

// gather turns what is pending on machines with news into jobs.
func (w *worker) gather(ctx context.Context) {
	w.mu.Lock()
	var first []string
	if w.ready {
		first, w.digest = w.digest, nil
	}
	now := w.o.Now()
	var due []string
	for machine, at := range w.dirty {
		if !at.After(now) {
			due = append(due, machine)
			delete(w.dirty, machine)
		}
	}
	w.mu.Unlock()
	slices.Sort(due)
	w.gatherFirst(ctx, first, now)
	for _, machine := range due {
		w.enqueue(machine, w.read(ctx, machine))
	}
}

// gatherFirst looks at every machine once, when the service has started: what is
// older than a shift goes into the digest.
func (w *worker) gatherFirst(ctx context.Context, machines []string, now time.Time) {
	var old []Item
	for _, machine := range machines {
		var fresh []Item
		for _, it := range w.read(ctx, machine) {
			if it.Raised.NotAfter < instant(now.Add(-w.o.Shift)) {
				old = append(old, it)
			} else {
				fresh = append(fresh, it)
			}
		}
		w.enqueue(machine, fresh)
	}
	w.enqueue("", old)
}

// read gives what is pending on one machine and not yet in a job.
func (w *worker) read(ctx context.Context, machine string) []Item {
	var items []Item
	err := w.o.Machines.View(ctx, machine, func(s *maintenance.State) { items = pendingItems(s, w.channel.Name()) })
	if err != nil && ctx.Err() == nil {
		w.o.Log.Warn("read pending notices", "machine", machine, "channel", w.channel.Name(), "err", err)
		w.mu.Lock()
		w.dirty[machine] = w.o.Now().Add(again)
		w.mu.Unlock()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.DeleteFunc(items, func(it Item) bool { return w.queued[it.ref] })
}

func (w *worker) enqueue(machine string, items []Item) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for chunk := range slices.Chunk(items, perMessage) {
		j := &job{machine: machine, next: w.o.Now()}
		for _, it := range chunk {
			j.notices = append(j.notices, it.ref)
			w.queued[it.ref] = true
		}
		w.stats.Seen += uint64(len(chunk))
		w.jobs = append(w.jobs, j)
	}
}

// deliver sends every job whose time has come and says when the next one's
// comes, zero where none waits.
func (w *worker) deliver(ctx context.Context) time.Time {
	for ctx.Err() == nil && !w.gone {
		j := w.nextJob()
		if j == nil {
			break
		}
		w.attempt(ctx, j)
	}
	return w.nextTime()
}

// nextJob gives the job that waited longest among those whose time has come.
func (w *worker) nextJob() *job {
	now := w.o.Now()
	if now.Before(w.hold) {
		return nil
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, j := range w.jobs {
		if !j.next.After(now) {
			return j
		}
	}
	return nil
}

func (w *worker) nextTime() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	var next time.Time
	earlier := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	if !w.gone {
		for _, j := range w.jobs {
			earlier(latest(j.next, w.hold))
		}
	}
	for _, at := range w.dirty {
		earlier(at)
	}
	return next
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// attempt sends a job's message once, as its notices stand now.
func (w *worker) attempt(ctx context.Context, j *job) {
	m, err := w.message(ctx, j)
	if err != nil {
		j.next = w.o.Now().Add(again)
		return
	}
	if len(m.Notices) == 0 { // all closed meanwhile
		w.finish(j)
		return
	}
	err = w.channel.Send(ctx, m)
	switch {
	case ctx.Err() != nil:
		return
	case err == nil:
		w.downs = 0
		w.settle(ctx, j, m, maintenance.NoticeDelivered, "")
	case errors.Is(err, ErrGone):
		w.gone = true
		w.tally(func(t *ChannelStats) { t.Gone = true })
		w.o.Log.Error("channel switched off: its receiver wants no more messages", "channel", w.channel.Name())
	default:
		w.failed(ctx, j, m, err)
	}
}

// failed plans the next attempt, or gives the message up.
func (w *worker) failed(ctx context.Context, j *job, m *Message, err error) {
	j.attempts++
	w.tally(func(t *ChannelStats) { t.Failed += uint64(len(m.Notices)) })
	plan := schedule()
	now := w.o.Now()
	var refused *RefusedError
	if !errors.As(err, &refused) { // nobody can be reached: hold everything
		w.downs++
		pause := w.o.Jitter(plan[min(w.downs, len(plan)-1)])
		var down *DownError
		if errors.As(err, &down) {
			pause = max(pause, down.After)
		}
		w.hold = now.Add(pause)
	}
	if j.attempts >= len(plan) {
		w.o.Log.Error("notices given up", "channel", w.channel.Name(), "message", m.ID, "attempts", j.attempts, "err", err)
		w.settle(ctx, j, m, maintenance.NoticeGivenUp, err.Error())
		return
	}
	j.next = latest(now.Add(w.o.Jitter(plan[j.attempts])), w.hold)
	w.o.Log.Warn("notices not delivered, sent again later", "channel", w.channel.Name(), "message", m.ID, "attempt", j.attempts, "next", j.next, "err", err)
}

// settle journals the fate of each notice sent. Those that could not be
// journalled are sent again under the same id.
func (w *worker) settle(ctx context.Context, j *job, m *Message, word maintenance.NoticeFateWord, detail string) {
	for _, it := range m.Notices {
		fate := &maintenance.NoticeFate{Notice: it.ref.id, Channel: w.channel.Name() + it.ref.ring, Word: word, Detail: cut(detail, 200)}
		if err := w.o.Fate(ctx, it.Machine, fate); err != nil {
			if ctx.Err() == nil {
				w.o.Log.Warn("journal a notice's fate; it is sent again", "machine", it.Machine, "notice", it.ID, slog.Any("err", err))
			}
			j.next = w.o.Now().Add(again)
			return
		}
		w.tally(func(t *ChannelStats) {
			if word == maintenance.NoticeDelivered {
				t.Delivered++
			} else {
				t.GivenUp++
			}
		})
	}
	w.finish(j)
}

func cut(s string, n int) string { return s[:min(n, len(s))] }

func (w *worker) finish(j *job) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.jobs = slices.DeleteFunc(w.jobs, func(o *job) bool { return o == j })
	for _, n := range j.notices {
		delete(w.queued, n)
	}
}

// message puts a job's notices together as they stand now. Its id is that of the
// whole job, whatever closed meanwhile.
func (w *worker) message(ctx context.Context, j *job) (*Message, error) {
	m := &Message{Machine: j.machine, Digest: j.machine == "", Time: w.o.Now()}
	machines := make([]string, 0, 1)
	for _, n := range j.notices {
		if !slices.Contains(machines, n.machine) {
			machines = append(machines, n.machine)
		}
	}
	m.ID = messageID(j.notices)
	for _, machine := range machines {
		err := w.o.Machines.View(ctx, machine, func(s *maintenance.State) {
			for _, it := range pendingItems(s, w.channel.Name()) {
				if slices.Contains(j.notices, it.ref) {
					m.Notices = append(m.Notices, it)
				}
			}
		})
		if err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(m.Notices, func(a, b Item) int {
		return cmp.Or(cmp.Compare(a.Machine, b.Machine), cmp.Compare(a.Raised.NotAfter, b.Raised.NotAfter))
	})
	return m, nil
}
