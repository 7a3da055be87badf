package listen

import (
	"slices"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// State is what a listener must remember over a restart. It is plain data for
// any encoding, and belongs to the events taken before it: keep it whenever
// Memorable says so, and once a minute.
type State struct {
	Bus     j1939.BusState       `json:"bus"`
	Derived []DerivedState       `json:"derived,omitempty"`
	Running bool                 `json:"running"`
	Names   maintenance.BusNames `json:"names"`
}

// DerivedState is one derived meter's sum.
type DerivedState struct {
	Meter string       `json:"meter"`
	Sum   hours.Millis `json:"sum"`
	// Known: the sum stands on a start that is known, so it is absolute.
	Known bool `json:"known"`
}

// Memorable reports whether what an event tells should be remembered with it,
// lest a restart tells it again.
func Memorable(e Event) bool {
	switch e.Body.(type) {
	case *maintenance.Warning, *maintenance.Engine, *maintenance.BusNames:
		return true
	}
	return false
}

// State is what must be remembered with the events that were taken.
func (l *Listener) State() State {
	s := State{Bus: l.bus.State(), Running: l.engine.running, Names: l.names.told}
	s.Names.Claims = slices.Clone(s.Names.Claims)
	for i := range l.derived {
		d := &l.derived[i]
		s.Derived = append(s.Derived, DerivedState{Meter: d.def.ID, Sum: d.shown(), Known: d.known})
	}
	return s
}

// remember gives the state that the bus begins from.
func (l *Listener) remember(s *j1939.BusState) (*j1939.BusState, error) {
	if s.Now == j1939.NoTime {
		return s, nil
	}
	kept := *s
	// What was seen once, and not yet told, is seen again where it is there.
	kept.Codes = slices.DeleteFunc(slices.Clone(s.Codes), func(c j1939.CodeState) bool { return c.Phase == j1939.CodePending })
	old, err := j1939.NewBus(j1939.Options{State: &kept, SPNs: []uint32{}})
	if err != nil {
		return nil, err
	}
	gone := old.Tick(s.Now + silence).Events
	for i := range gone {
		l.code(&gone[i])
	}
	for i := range l.out {
		l.out[i].Before = true
	}
	now := old.State()
	return beforeAll(&now), nil
}

// beforeAll moves a state's times to before any that an axis has. How long ago
// is all the same, since all codes in it are out of sight.
func beforeAll(s *j1939.BusState) *j1939.BusState {
	by := -second - s.Now
	move := func(times ...*int64) {
		for _, t := range times {
			if *t != j1939.NoTime {
				*t += by
			}
		}
	}
	move(&s.Now)
	for i := range s.Codes {
		c := &s.Codes[i]
		move(&c.First, &c.Last, &c.Missing, &c.Unknown)
	}
	for i := range s.Sources {
		move(&s.Sources[i].Heard, &s.Sources[i].Basis)
	}
	return s
}
