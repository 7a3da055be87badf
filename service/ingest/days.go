package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest/workday"
)

// CopyDays is how many coming work days a cab's copy carries.
const CopyDays = 400

// openingDays is how many past work days a machine's stream opens with, so that
// what an agent gathered before the machine was commissioned has its days.
const openingDays = 60

// setTurns reads the site's rule out of the state.
func (m *machine) setTurns(log *slog.Logger) {
	c := &m.state.Machine
	turns, err := workday.New(c.Zone, c.TurnsAt)
	if err != nil {
		if c.Machine != "" {
			log.Error("a machine's work days can't be told", "machine", m.id, "error", err)
		}
		return
	}
	m.turns, m.hasTurns = turns, true
	if n := len(m.state.Days); n > 0 {
		m.nextTurn = m.state.Days[n-1].Until
	}
}

// turn journals the work days that have begun since the last one known.
func (b *batch) turn() {
	m := b.m
	today := m.turns.At(b.now)
	first := today.Date.AddDays(1 - openingDays)
	if n := len(m.state.Days); n > 0 {
		first = max(m.state.Days[n-1].Date.AddDays(1), today.Date.AddDays(1-b.in.o.DaysBack))
	}
	for d := first; d <= today.Date; d = d.AddDays(1) {
		if day, is := m.turns.Day(d); is {
			b.ownOrLog(maintenance.DayKey(d), moment.At(day.From), &day)
		}
	}
	m.nextTurn = today.Until
	b.in.stats.turns.Add(1)
}

// turnDays turns the machines' work days as they come. The service's clock may
// be set, and in a demonstration runs faster than life, so it is looked at once
// a second.
func (in *Ingest) turnDays(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var next moment.Instant
	var machines int
	for {
		if n := in.count(); in.now() >= next || n != machines {
			next, machines = in.turnDue(ctx), n
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// turnDue turns the work day of every machine where it is time, and gives the
// next instant at which it will be for any.
func (in *Ingest) turnDue(ctx context.Context) moment.Instant {
	next := moment.Latest
	for _, id := range in.list() {
		m, err := in.admit(ctx, id)
		if stuck := (*Stuck)(nil); errors.As(err, &stuck) {
			continue
		}
		if err != nil {
			return next
		}
		if m.hasTurns {
			if in.now() >= m.nextTurn {
				in.begin(m, false).end()
			}
			next = min(next, m.nextTurn)
		}
		m.mu.Unlock()
		in.leave()
	}
	return next
}

// NextDays gives the machine's present work day and those to come, n in all.
func (in *Ingest) NextDays(machine string, n int) ([]maintenance.DayTurned, error) {
	m, err := in.machine(machine)
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	turns, has := m.turns, m.hasTurns
	m.mu.Unlock()
	if !has {
		return nil, nil
	}
	out := make([]maintenance.DayTurned, 0, n)
	for day := range turns.From(turns.At(in.now()).Date, n) {
		out = append(out, day)
	}
	return out, nil
}

// Commission opens a machine's stream, with the rules and the work days up to now. The same
// again does nothing; another machine under the same name is an error.
func (in *Ingest) Commission(ctx context.Context, c maintenance.Commissioned) error {
	if err := checkCommissioned(&c); err != nil {
		return err
	}
	m, err := in.open(c.Machine)
	if err != nil {
		return err
	}
	done, err := in.commission(m, &c)
	if err != nil {
		in.forget(m)
	}
	in.leave() // before the wait: who ends ingest needs the gate shut
	if err != nil {
		return err
	}
	return done.wait(ctx)
}

// commission unlocks the machine.
func (in *Ingest) commission(m *machine, c *maintenance.Commissioned) (*commit, error) {
	defer m.mu.Unlock()
	if m.stuck != nil {
		return nil, m.stuck
	}
	if m.state.Machine.Machine != "" {
		if m.state.Machine != *c {
			return nil, &fault.ExistsError{Kind: "machine", Name: c.Machine}
		}
		return m.commit, nil
	}
	b := in.begin(m, false)
	if err := b.own(maintenance.ServiceKey("commissioned", c.Machine), moment.At(b.now), c); err != nil {
		return nil, err
	}
	b.rules()
	m.setTurns(in.o.Log)
	b.turn()
	return b.end().commit, nil
}

func checkCommissioned(c *maintenance.Commissioned) error {
	if _, err := workday.New(c.Zone, c.TurnsAt); err != nil {
		return &Refused{Field: "zone", Why: err.Error()}
	}
	for i := range len(c.Machine) {
		if b := c.Machine[i]; b <= ' ' || b > '~' {
			return &Refused{Field: "machine", Why: fmt.Sprintf("byte %d of the id is 0x%02x", i+1, b), Fix: "use a-z, 0-9 and '-'"}
		}
	}
	if c.Machine == "" || len(c.Machine) > 128 {
		return &Refused{Field: "machine", Why: "an id has 1 to 128 bytes"}
	}
	return nil
}

// open gives a machine, new or not, locked and with the gate open.
func (in *Ingest) open(id string) (*machine, error) {
	if err := in.enter(); err != nil {
		return nil, err
	}
	for {
		in.machinesMu.RLock()
		m := in.machines[id]
		in.machinesMu.RUnlock()
		if m == nil {
			m = in.newMachine(id)
			m.mu.Lock() // before anyone can see it
			if in.addNew(m) {
				return m, nil
			}
			continue
		}
		m.mu.Lock()
		if !m.gone {
			return m, nil
		}
		m.mu.Unlock()
	}
}

// forget takes a machine out again that came to nothing.
func (in *Ingest) forget(m *machine) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.state.Revision > 0 || m.gone {
		return
	}
	m.gone = true
	in.machinesMu.Lock()
	defer in.machinesMu.Unlock()
	delete(in.machines, m.id)
	if i, there := slices.BinarySearch(in.names, m.id); there {
		in.names = slices.Delete(in.names, i, i+1)
	}
}
