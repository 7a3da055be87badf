package ingest

import (
	"context"
	"time"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/live"
)

// commit is what one append brings to disk. Whoever put something into it, or
// saw something that is in it, waits for done.
type commit struct {
	done     chan struct{}
	err      error // once done
	machines []*machine
}

func newCommit() *commit { return &commit{done: make(chan struct{})} }

// wait waits until the commit is on disk.
func (c *commit) wait(ctx context.Context) error {
	select {
	case <-c.done:
		return c.err
	default:
	}
	select {
	case <-c.done:
		return c.err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (c *commit) isDone() bool {
	select {
	case <-c.done:
		return true
	default:
		return false
	}
}

// queue is what one machine has in the commit to come. Guarded by the machine's
// lock.
type queue struct {
	entries []store.Entry
	bytes   int
	changes []live.Change
}

// enqueue puts the machine's queue into the commit to come. The caller holds the
// machine's lock and the gate.
func (in *Ingest) enqueue(m *machine) {
	if !m.queued {
		in.queueMu.Lock()
		c := in.gathering
		c.machines = append(c.machines, m)
		in.queueMu.Unlock()
		m.commit, m.queued = c, true
	}
	select {
	case in.wake <- struct{}{}:
	default:
	}
}

// nextCommit gives the commit that gathers, nil where nothing is in it yet.
func (in *Ingest) nextCommit() *commit {
	in.queueMu.Lock()
	defer in.queueMu.Unlock()
	if len(in.gathering.machines) == 0 {
		return nil
	}
	return in.gathering
}

// commits is the committer: it runs until ctx ends and all that was queued is on
// disk, or an append fails.
func (in *Ingest) commits(ctx context.Context) error {
	for {
		select {
		case <-in.wake:
		case <-ctx.Done():
			in.close()
			return in.commitOne()
		}
		if err := in.commitOne(); err != nil {
			return err
		}
	}
}

// close lets no more in. When it returns, what was let in is queued.
func (in *Ingest) close() {
	in.gate.Lock()
	defer in.gate.Unlock()
	if in.closed == nil {
		in.closed = errEnded()
	}
}

// commitOne brings to disk what is queued.
func (in *Ingest) commitOne() error {
	in.queueMu.Lock()
	c := in.gathering
	if len(c.machines) == 0 {
		in.queueMu.Unlock()
		return nil
	}
	in.gathering = newCommit()
	in.queueMu.Unlock()
	work := in.take(c)
	began := time.Now()
	// Once begun it is seen through: half a commit helps nobody.
	err := in.o.Store.Append(context.WithoutCancel(in.ctx), in.stretches)
	if err != nil {
		return in.fail(c, err)
	}
	took := time.Since(began)
	in.stats.commit(work.events, work.bytes, len(c.machines), took)
	in.queuedEvents.Add(-int64(work.events))
	close(c.done)
	in.publish(c)
	in.giveBack()
	in.o.OnCommit(work.events, len(c.machines), took)
	return nil
}

type taken struct{ events, bytes int }

// take moves the machines' queues into one append. From then on a machine's
// further events go into the next commit.
func (in *Ingest) take(c *commit) (all taken) {
	in.stretches, in.changes = in.stretches[:0], in.changes[:0]
	for _, m := range c.machines {
		m.mu.Lock()
		q := m.queue
		m.queue, m.queued = queue{}, false
		m.mu.Unlock()
		all.events += len(q.entries)
		all.bytes += q.bytes
		in.stretches = append(in.stretches, store.Stretch{Stream: m.stream, Expect: q.expect(), Entries: q.entries})
		in.changes = append(in.changes, q.changes)
	}
	return all
}

// expect is the revision before the queue's first event.
func (q *queue) expect() uint64 { return q.entries[0].Revision - 1 }

func (in *Ingest) publish(c *commit) {
	for i, changes := range in.changes {
		for j := range changes {
			c.machines[i].topic.Publish(changes[j])
		}
	}
}

// giveBack lets the entries' memory be used again, by whichever machine comes
// next: an idle machine holds on to none.
func (in *Ingest) giveBack() {
	for i := range in.stretches {
		entries := in.stretches[i].Entries
		clear(entries)
		if cap(entries) <= keepEntries {
			entries = entries[:0]
			in.entries.Put(&entries)
		}
	}
	clear(in.stretches)
	clear(in.changes)
}

// keepEntries bounds what is kept for use again: what one full stretch needs.
const keepEntries = 8 * MaxBatchEvents

func (in *Ingest) getEntries() []store.Entry {
	if had, is := in.entries.Get().(*[]store.Entry); is {
		return *had
	}
	return make([]store.Entry, 0, 64)
}

// fail ends ingest for good: neither this commit nor any later one is on disk.
func (in *Ingest) fail(c *commit, cause error) error {
	err := errBroken(cause)
	in.gate.Lock()
	in.closed = err
	in.gate.Unlock()
	in.queueMu.Lock()
	next := in.gathering
	in.queueMu.Unlock()
	in.broken.Store(&err)
	in.o.Log.Error("the journal could not be written; the service takes nothing more", "error", cause)
	c.err, next.err = err, err
	close(c.done)
	close(next.done)
	return err
}
