package ingest

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/live"
)

// Ingest owns the machines' states. It is safe for concurrent use. Run must run
// for anything to come to disk.
type Ingest struct {
	o      Options
	ctx    context.Context
	hub    *live.Hub
	charts chartShelf
	stats  counters
	// apply is maintenance.Apply; a test puts something worse in its place.
	apply func(*maintenance.State, *maintenance.Event, []maintenance.Effect) []maintenance.Effect

	// gate is held for reading while events are decided and queued, and for
	// writing to close: what was let in is queued.
	gate   sync.RWMutex
	closed error
	// broken is set once an append has failed.
	broken atomic.Pointer[error]

	machinesMu sync.RWMutex
	machines   map[string]*machine
	names      []string // sorted

	idle         *commit // done; of a machine that has queued nothing yet
	queueMu      sync.Mutex
	gathering    *commit
	wake         chan struct{}
	queuedEvents atomic.Int64
	entries      sync.Pool // of *[]store.Entry

	// The committer's own.
	stretches []store.Stretch
	changes   [][]live.Change
}

// New brings every machine up from its checkpoint and the tail of its stream.
// ctx bounds the loading only.
func New(ctx context.Context, o Options) (*Ingest, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return newIngest(ctx, o, maintenance.Apply)
}

func newIngest(ctx context.Context, o Options, apply func(*maintenance.State, *maintenance.Event, []maintenance.Effect) []maintenance.Effect) (*Ingest, error) {
	in := &Ingest{o: o, apply: apply, ctx: context.WithoutCancel(ctx), hub: live.NewHub(), machines: map[string]*machine{},
		idle: newCommit(), gathering: newCommit(), wake: make(chan struct{}, 1)}
	close(in.idle.done)
	if err := in.loadAll(ctx); err != nil {
		return nil, fmt.Errorf("bring up the machines: %w", err)
	}
	return in, nil
}

func (in *Ingest) loadAll(ctx context.Context) error {
	type found struct {
		stream string
		last   uint64
	}
	var all []found
	err := in.o.Store.Streams(ctx, func(stream string, last uint64) bool {
		if strings.HasPrefix(stream, streamPrefix) && last > 0 {
			all = append(all, found{stream, last})
		}
		return true
	})
	if err != nil {
		return fmt.Errorf("list the streams: %w", err)
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, f := range all {
		g.Go(func() error {
			m, err := in.load(ctx, f.stream, f.last)
			if err == nil {
				in.addNew(m)
			}
			return err
		})
	}
	return g.Wait()
}

// Run brings what is queued to disk, turns the work days and saves checkpoints.
// When ctx ends it takes nothing more in, sees what was queued to disk, saves
// the last checkpoints and returns nil. It returns an error once the journal
// can't be written. It is called once.
func (in *Ingest) Run(ctx context.Context) error {
	helpers, stop := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() { in.turnDays(helpers) })
	wg.Go(func() { in.keepCheckpoints(helpers) })
	err := in.commits(ctx)
	stop()
	wg.Wait()
	in.hub.Close()
	if err != nil {
		return err
	}
	if err := in.saveCheckpoints(context.WithoutCancel(ctx), func(*machine) bool { return true }); err != nil {
		in.o.Log.Warn("the last checkpoints could not be saved; the next start replays more", "error", err)
	}
	return nil
}

// Changes is where what changed can be heard, after it is on disk.
func (in *Ingest) Changes() *live.Hub { return in.hub }

// Incarnation is the store's.
func (in *Ingest) Incarnation() [16]byte { return in.o.Store.Incarnation() }

func (in *Ingest) machine(id string) (*machine, error) {
	in.machinesMu.RLock()
	m := in.machines[id]
	in.machinesMu.RUnlock()
	if m == nil {
		return nil, &UnknownMachine{Machine: id}
	}
	return m, nil
}

// enter lets a sender in; it calls leave when what it brings is queued.
func (in *Ingest) enter() error {
	in.gate.RLock()
	if in.closed != nil {
		in.gate.RUnlock()
		return in.closed
	}
	return nil
}

func (in *Ingest) leave() { in.gate.RUnlock() }

func (in *Ingest) now() moment.Instant { return moment.Instant(in.o.Now().UnixMilli()) }

// addNew adds a machine, false where there is one of that name.
func (in *Ingest) addNew(m *machine) bool {
	in.machinesMu.Lock()
	defer in.machinesMu.Unlock()
	if in.machines[m.id] != nil {
		return false
	}
	in.machines[m.id] = m
	i, _ := slices.BinarySearch(in.names, m.id)
	in.names = slices.Insert(in.names, i, m.id)
	return true
}
