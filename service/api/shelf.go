package api

import (
	"context"
	"errors"
	"slices"
	"sync"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
)

// shelves remember where in each machine's stream its service records stand,
// which were voided, and which editions it took. Records are few and streams are long: a machine's stream is
// read through once, when it is first asked for, and then only what came since.
type shelves struct {
	mu       sync.Mutex
	machines map[string]*shelf
}

// shelf is one machine's.
type shelf struct {
	mu   sync.Mutex
	upTo uint64 // revision read
	rows []shelved
	void map[maintenance.Key]string // why
	// took are the hashes of the editions that brought it to the one in force, each
	// after the one that it was taken over. One that is taken back is gone.
	took [][32]byte
}

// shelved is one record's place.
type shelved struct {
	key      maintenance.Key
	revision uint64
}

func (s *shelves) of(machine string) *shelf {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.machines == nil {
		s.machines = make(map[string]*shelf)
	}
	one := s.machines[machine]
	if one == nil {
		one = &shelf{void: make(map[maintenance.Key]string)}
		s.machines[machine] = one
	}
	return one
}

// shelf gives a machine's shelf, locked and up to date. The caller unlocks it.
func (a *API) shelf(ctx context.Context, machine string) (*shelf, error) {
	var last uint64
	if err := a.view(ctx, machine, func(st *maintenance.State) { last = st.Revision }); err != nil {
		return nil, err
	}
	s := a.shelves.of(machine)
	s.mu.Lock()
	if s.upTo >= last {
		return s, nil
	}
	err := a.o.Ingest.History(ctx, machine, s.upTo+1, func(e *maintenance.Event, revision uint64) bool {
		if revision > last || ctx.Err() != nil {
			return false
		}
		s.put(e, revision)
		return true
	})
	if damaged := (*store.DamagedError)(nil); errors.As(err, &damaged) {
		err = nil // passed over; `verify` tells of it
	}
	if err = errors.Join(err, context.Cause(ctx)); err != nil {
		s.mu.Unlock()
		return nil, err
	}
	s.upTo = last
	return s, nil
}

func (s *shelf) put(e *maintenance.Event, revision uint64) {
	s.upTo = revision
	switch b := e.Body.(type) {
	case *maintenance.ServiceDone:
		s.rows = append(s.rows, shelved{e.Key, revision})
	case *maintenance.EditionTaken:
		s.take(b.Chart.Hash())
	case *maintenance.Void:
		s.void[b.Record] = b.Why
	}
}

// take puts an edition on those taken, or takes the last one back.
func (s *shelf) take(hash [32]byte) {
	switch n := len(s.took); {
	case n > 0 && s.took[n-1] == hash:
	case n > 1 && s.took[n-2] == hash:
		s.took = s.took[:n-1]
	default:
		s.took = append(s.took, hash)
	}
}

// find gives the place of a record, false where there is none.
func (s *shelf) find(key maintenance.Key) (shelved, bool) {
	i := slices.IndexFunc(s.rows, func(r shelved) bool { return r.key == key })
	if i < 0 {
		return shelved{}, false
	}
	return s.rows[i], true
}

// before gives up to n records before a revision, the last written first, and
// whether there are more.
func (s *shelf) before(revision uint64, n int) ([]shelved, bool) {
	end, _ := slices.BinarySearchFunc(s.rows, revision, func(r shelved, at uint64) int {
		if r.revision < at {
			return -1
		}
		return 1
	})
	from := max(end-n, 0)
	out := slices.Clone(s.rows[from:end])
	slices.Reverse(out)
	return out, from > 0
}

// fetch reads the event at a revision.
func (a *API) fetch(ctx context.Context, machine string, at shelved) (*past, error) {
	part, err := a.window(ctx, machine, at.revision, at.revision+1, func(*maintenance.Event) bool { return true })
	if err != nil || len(part) == 0 {
		return nil, err
	}
	return &part[0], nil
}
