package ingest

import (
	"context"
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
)

// checkpointBatch bounds the memory that saving checkpoints takes.
const checkpointBatch = 64

// keepCheckpoints saves checkpoints now and then: soon of a machine with many
// new events, later of one with any.
func (in *Ingest) keepCheckpoints(ctx context.Context) {
	tick := time.NewTicker(min(in.o.CheckpointAfter, 10*time.Second))
	defer tick.Stop()
	last := time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		many := uint64(in.o.CheckpointEvery)
		if time.Since(last) >= in.o.CheckpointAfter {
			last, many = time.Now(), 1
		}
		err := in.saveCheckpoints(ctx, func(m *machine) bool { return m.state.Revision >= m.pointed+many })
		if err != nil && ctx.Err() == nil {
			in.o.Log.Warn("checkpoints could not be saved; a start would replay more", "error", err)
			in.stats.checkpointsBad.Add(1)
		}
	}
}

// saveCheckpoints saves those of the machines that are due, in order of name. A
// state may be ahead of the journal by what is queued, so its checkpoint waits
// for that.
func (in *Ingest) saveCheckpoints(ctx context.Context, due func(*machine) bool) error {
	var batch []store.Checkpoint
	var waits []*commit
	flush := func() error {
		for _, c := range waits {
			if err := c.wait(ctx); err != nil {
				return err
			}
		}
		if len(batch) == 0 {
			return nil
		}
		if err := in.o.Store.SaveCheckpoints(ctx, batch); err != nil {
			return fmt.Errorf("save checkpoints: %w", err)
		}
		in.stats.checkpoints.Add(uint64(len(batch)))
		batch, waits = batch[:0], waits[:0]
		return nil
	}
	for _, id := range in.list() {
		m, err := in.machine(id)
		if err != nil {
			continue
		}
		m.mu.Lock()
		if m.stuck == nil && !m.stale && m.state.Revision > m.pointed && due(m) {
			batch = append(batch, store.Checkpoint{Stream: m.stream, Revision: m.state.Revision, Chain: m.state.Chain,
				Fold: maintenance.AppendState(nil, m.state)})
			waits = append(waits, m.commit)
			m.pointed = m.state.Revision
		}
		m.mu.Unlock()
		if len(batch) == checkpointBatch {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}
