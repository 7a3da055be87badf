package ingest

import (
	"sync/atomic"
	"time"
)

// Stats are totals since the start, and what is at hand.
type Stats struct {
	Batches, Taken, Repeats, SetAside uint64
	// Forks counts refused batches of a spool whose history differs, Misplaced
	// events whose own time could not be right, Thinned events that agents said
	// they dropped.
	Forks, Misplaced, Thinned uint64
	Commits, Committed        uint64 // appends, and events in them
	CommittedBytes            uint64
	CommitSeconds             float64
	LongestCommit             time.Duration
	Turns                     uint64 // work days turned
	Checkpoints               uint64
	CheckpointsBad            uint64 // could not be saved or used
	Damaged                   uint64 // events that could not be read at the start
	Panics                    uint64 // events that the rules failed on
	Stuck                     uint64 // machines that can't be worked on
	Queued                    int    // events waiting for the disk
	Machines                  int
	// Stopped says that nothing more is taken.
	Stopped bool
}

// counters are the atomics behind Stats.
type counters struct {
	batches, taken, repeats, setAside    atomic.Uint64
	forks, misplaced, thinned, turns     atomic.Uint64
	commits, committed, bytes            atomic.Uint64
	nanos, longest                       atomic.Int64
	checkpoints, checkpointsBad, damaged atomic.Uint64
	panics, stuck                        atomic.Uint64
}

func (c *counters) batch(taken, repeats, aside int) {
	c.batches.Add(1)
	c.taken.Add(uint64(taken))
	if repeats > 0 {
		c.repeats.Add(uint64(repeats))
	}
	if aside > 0 {
		c.setAside.Add(uint64(aside))
	}
}

// commit is called by the committer alone.
func (c *counters) commit(events, bytes, _ int, took time.Duration) {
	c.commits.Add(1)
	c.committed.Add(uint64(events))
	c.bytes.Add(uint64(bytes))
	c.nanos.Add(int64(took))
	c.longest.Store(max(c.longest.Load(), int64(took)))
}

// Stats gives the totals.
func (in *Ingest) Stats() Stats {
	c := &in.stats
	in.gate.RLock()
	closed := in.closed != nil
	in.gate.RUnlock()
	return Stats{
		Batches: c.batches.Load(), Taken: c.taken.Load(), Repeats: c.repeats.Load(), SetAside: c.setAside.Load(),
		Forks: c.forks.Load(), Misplaced: c.misplaced.Load(), Thinned: c.thinned.Load(),
		Commits: c.commits.Load(), Committed: c.committed.Load(), CommittedBytes: c.bytes.Load(),
		CommitSeconds: time.Duration(c.nanos.Load()).Seconds(), LongestCommit: time.Duration(c.longest.Load()),
		Turns: c.turns.Load(), Checkpoints: c.checkpoints.Load(), CheckpointsBad: c.checkpointsBad.Load(), Damaged: c.damaged.Load(),
		Panics: c.panics.Load(), Stuck: c.stuck.Load(),
		Queued: int(in.queuedEvents.Load()), Machines: in.count(), Stopped: closed,
	}
}
