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
	task     string // of a walk-round's answer; "" the event is the record
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
	var works map[string]bool
	if err := a.view(ctx, machine, func(st *maintenance.State) { last, works = st.Revision, notLooked(st.Chart) }); err != nil {
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
		s.put(e, revision, works)
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

// notLooked are the chart's tasks that are not done by looking or measuring: an
// answer of a walk-round is no record of them.
func notLooked(c *maintenance.Chart) map[string]bool {
	works := make(map[string]bool)
	if c != nil {
		for i := range c.Tasks {
			works[c.Tasks[i].ID] = c.Tasks[i].Do != "check" && c.Tasks[i].Do != "measure"
		}
	}
	return works
}

func (s *shelf) put(e *maintenance.Event, revision uint64, works map[string]bool) {
	s.upTo = revision
	switch b := e.Body.(type) {
	case *maintenance.ServiceDone:
		s.rows = append(s.rows, shelved{key: e.Key, revision: revision})
	case *maintenance.Walk:
		for i := range b.Looked {
			if l := &b.Looked[i]; l.Word == maintenance.LookedInOrder && !works[l.Task] {
				s.rows = append(s.rows, shelved{maintenance.WalkRecord(e.Key, l.Task), revision, l.Task})
			}
		}
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

// before gives some n records before a revision, the last written first, and
// whether there are more. Those of one walk-round's event stay together.
func (s *shelf) before(revision uint64, n int) ([]shelved, bool) {
	end, _ := slices.BinarySearchFunc(s.rows, revision, func(r shelved, at uint64) int {
		if r.revision < at {
			return -1
		}
		return 1
	})
	from := max(end-n, 0)
	for from > 0 && s.rows[from-1].revision == s.rows[from].revision {
		from--
	}
	out := slices.Clone(s.rows[from:end])
	slices.Reverse(out)
	return out, from > 0
}

// fetch reads the record at a revision: an event, or an answer in one.
func (a *API) fetch(ctx context.Context, machine string, at shelved) (*past, error) {
	part, err := a.window(ctx, machine, at.revision, at.revision+1, func(*maintenance.Event) bool { return true })
	if err != nil || len(part) == 0 {
		return nil, err
	}
	if b, is := part[0].event.Body.(*maintenance.Walk); is {
		return &past{event: answered(part[0].event, b, at), revision: at.revision}, nil
	}
	return &part[0], nil
}

// answered is the service record that an answer of a walk-round is.
func answered(e *maintenance.Event, b *maintenance.Walk, at shelved) *maintenance.Event {
	done := &maintenance.ServiceDone{Tasks: []string{at.task}, Date: b.Date, Person: b.Person, As: b.As, Walk: b.Walk}
	if b.Act == maintenance.WalkBegin {
		done.Walk = e.Key
	}
	for i := range b.Looked {
		if l := &b.Looked[i]; l.Task == at.task {
			done.Note, done.Measured = l.Text, slices.Clone(l.Measured)
		}
	}
	for i := range done.Measured {
		done.Measured[i].Task = at.task
	}
	one := *e
	one.Key, one.Body = at.key, done
	return &one
}
