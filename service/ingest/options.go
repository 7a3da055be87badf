package ingest

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
)

// The bounds of one batch.
const (
	// MaxBatchEvents is how many events one Offer or OfferSpool may bring.
	MaxBatchEvents = 4096
	// MaxBatchBytes is how many bytes they may have together.
	MaxBatchBytes = 4 << 20
	// Ahead is how far ahead of the service's clock an event may claim to have
	// happened before it is placed in time as one whose clock was not set.
	Ahead = maintenance.AheadSlack
)

// Options say what ingest stands on.
type Options struct {
	Store store.Store
	// Now is the service's clock.
	Now func() time.Time
	Log *slog.Logger
	// Charts finds a compiled chart by its hash, where a checkpoint names one:
	// the office keeps them. nil, or an error: the machine's stream is searched.
	Charts func(ctx context.Context, hash [32]byte) (*maintenance.Chart, error)
	// CheckpointEvery is how many events a machine takes in between two
	// checkpoints (0: 20,000), CheckpointAfter how long a machine with new events
	// goes without one (0: 10 minutes).
	CheckpointEvery int
	CheckpointAfter time.Duration
	// DaysBack is how many missed turns of the work day are made up for after a
	// long sleep (0: 400).
	DaysBack int
	// Queued is how many events may wait for the journal before senders wait
	// (0: 65,536).
	Queued int
	// OnCommit is told of every commit: its events, machines and how long the
	// append took. It must be quick. nil: nobody.
	OnCommit func(events, machines int, took time.Duration)
}

func (o Options) withDefaults() (Options, error) {
	if o.Store == nil {
		return o, errors.New("ingest: Options.Store is needed")
	}
	if o.CheckpointEvery < 0 || o.CheckpointAfter < 0 || o.DaysBack < 0 || o.Queued < 0 {
		return o, errors.New("ingest: CheckpointEvery, CheckpointAfter, DaysBack and Queued can't be negative; 0 takes the default")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.OnCommit == nil {
		o.OnCommit = func(int, int, time.Duration) {}
	}
	o.CheckpointEvery = cmp.Or(o.CheckpointEvery, 20_000)
	o.CheckpointAfter = cmp.Or(o.CheckpointAfter, 10*time.Minute)
	o.DaysBack = cmp.Or(o.DaysBack, 400)
	o.Queued = cmp.Or(o.Queued, 65_536)
	return o, nil
}
