package ingest

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
)

// View lets fn look at a machine's state. What fn saw holds once View has
// returned nil: View then waits until all of it is on disk. So fn copies what it
// needs, keeps no pointer into the state, tells nobody, and is quick; State.Clone
// copies all of it.
func (in *Ingest) View(ctx context.Context, machine string, fn func(*maintenance.State)) error {
	m, err := in.machine(machine)
	if err != nil {
		return err
	}
	seen, err := in.seen(ctx, m, fn)
	if err != nil {
		return err
	}
	return seen.wait(ctx)
}

// errStale says that the state is to be read again once the commit is on disk.
var errStale = errors.New("the state is being read again")

// seen is look, which waits for a stale state to be read again.
func (in *Ingest) seen(ctx context.Context, m *machine, fn func(*maintenance.State)) (*commit, error) {
	for {
		c, err := in.look(m, fn)
		if err != errStale {
			return c, err
		}
		if err := c.wait(ctx); err != nil {
			return nil, err
		}
	}
}

// look lets fn see the state and gives the commit with the last of it.
func (in *Ingest) look(m *machine, fn func(*maintenance.State)) (*commit, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := in.broken.Load(); err != nil {
		return nil, *err
	}
	switch {
	case m.stuck == nil && m.stale && m.commit.isDone():
		in.refresh(m)
	case m.stuck == nil && m.stale:
		return m.commit, errStale
	}
	switch {
	case m.stuck != nil:
		return nil, m.stuck
	case m.state.Revision == 0:
		return nil, &UnknownMachine{Machine: m.id}
	}
	fn(m.state)
	return m.commit, nil
}

// ViewEach is View for every machine in order of name, until fn returns false,
// with one wait at the end for all of them. A machine that is Stuck is left out.
func (in *Ingest) ViewEach(ctx context.Context, fn func(machine string, s *maintenance.State) bool) error {
	waits := map[*commit]struct{}{}
	for _, id := range in.list() {
		m, err := in.machine(id)
		if err != nil {
			continue
		}
		goOn := true
		c, err := in.seen(ctx, m, func(s *maintenance.State) { goOn = fn(id, s) })
		unknown, stuck := (*UnknownMachine)(nil), (*Stuck)(nil)
		if errors.As(err, &unknown) || errors.As(err, &stuck) {
			continue
		}
		if err != nil {
			return err
		}
		waits[c] = struct{}{}
		if !goOn {
			break
		}
	}
	for c := range waits {
		if err := c.wait(ctx); err != nil {
			return err
		}
	}
	return nil
}

// LastByOthers is the revision of the last event that the machine's cab can't
// know by itself: what people and the service wrote, turns of the day and
// deliveries left out. Right after a start it is the machine's last revision.
func (in *Ingest) LastByOthers(machine string) (uint64, error) {
	m, err := in.machine(machine)
	if err != nil {
		return 0, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.others, nil
}

// Machines yields the machines' ids in order.
func (in *Ingest) Machines(yield func(machine string) bool) {
	for _, id := range in.list() {
		if !yield(id) {
			return
		}
	}
}

func (in *Ingest) list() []string {
	in.machinesMu.RLock()
	defer in.machinesMu.RUnlock()
	return slices.Clone(in.names)
}

func (in *Ingest) count() int {
	in.machinesMu.RLock()
	defer in.machinesMu.RUnlock()
	return len(in.names)
}

// History yields a machine's events from a revision on, in order, until yield
// returns false. Only what is on disk is told. The rolling hash of an agent's
// event is left out, since it hangs on all events before. Events that can't be
// read any more are passed over and given as an error at the end
// (*store.DamagedError among what it wraps).
func (in *Ingest) History(ctx context.Context, machine string, from uint64, yield func(*maintenance.Event, uint64) bool) error {
	m, err := in.machine(machine)
	if err != nil {
		return err
	}
	var d wire.Decoder
	var damaged, bad error
	ended := false
	for from = max(from, 1); !ended; {
		err := in.o.Store.Read(ctx, m.stream, from, func(e store.Entry) bool {
			from = e.Revision + 1
			event, err := plain(&d, &in.charts, &e)
			if err != nil {
				bad, ended = err, true
			} else if !yield(event, e.Revision) {
				ended = true
			}
			return !ended
		})
		var hole *store.DamagedError
		if errors.As(err, &hole) && hole.To > from {
			damaged, from = errors.Join(damaged, err), hole.To
			continue
		}
		if err = errors.Join(bad, err); err != nil {
			return fmt.Errorf("read the history of machine %s: %w", machine, err)
		}
		ended = true
	}
	if damaged != nil {
		return fmt.Errorf("read the history of machine %s: %w", machine, damaged)
	}
	return nil
}

// plain is an entry's event without the rolling hash.
func plain(d *wire.Decoder, charts *chartShelf, e *store.Entry) (*maintenance.Event, error) {
	stamp, body, err := d.Unmarshal(e.Received)
	if err != nil {
		return nil, fmt.Errorf("revision %d: %w", e.Revision, err)
	}
	charts.share(body)
	return wire.Event(e.Key, e.Writer, e.At, e.Known, stamp.HashAfter, body), nil
}
