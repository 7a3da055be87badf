package j1939

import (
	"errors"
	"fmt"
)

// CodePhase is how far the tracker is with a code.
type CodePhase uint8

// The phases.
const (
	CodePending    CodePhase = iota + 1 // seen, its start not certain yet
	CodeActive                          // started
	CodeOutOfSight                      // started, then its source fell silent
)

// BusState is all that a Bus must remember over a restart, so that codes that go on are not started anew: plain values,
// to be kept in any encoding. Times are on the axis of Push; NoTime stands for none. Keep it at every event of a code
// and every few seconds while codes are followed: the span from the kept state to the restart counts as not heard, and
// where that is five seconds or more, running codes are told as unknown since then, and on again when they are seen.
type BusState struct {
	Now     int64         // latest time that the bus was told
	Codes   []CodeState   // at most MaxTracked
	Sources []SourceState // of the sources that have codes
	Names   []NameState   // at most one an address
	Refused uint64        // codes refused for want of room, ever
}

// CodeState is one code that is followed.
type CodeState struct {
	Key     CodeKey
	Owner   Name    // who it belongs to as known by now; 0 where not known
	Address Address // where its source is, AddressNull where it has no address
	Phase   CodePhase
	First   int64 // when it was first seen, while its start isn't certain
	Seen    uint8 // messages it was seen in since
	Last    int64 // the last message that had it
	Missing int64 // the first message that lacks it
	Unknown int64 // since when it is out of sight
	Lamps   Lamps
	Count   uint8
	Raw     [4]byte
}

// SourceState is when a source was heard.
type SourceState struct {
	Address Address
	Heard   int64 // anything
	Basis   int64 // codes, or its coming back after silence
}

// NameState is a name that holds an address.
type NameState struct {
	Address Address
	Name    Name
}

// NoTime stands for "never" in a BusState.
const NoTime = noTime

// State takes a copy of what the bus remembers. Transfers under way are not in it.
func (b *Bus) State() BusState {
	t := b.tracker
	s := BusState{Now: b.now, Refused: t.refused}
	for i := range t.n {
		s.Codes = append(s.Codes, t.list[i].CodeState)
	}
	for a := range Address(AddressNull) {
		if t.live[a] > 0 {
			s.Sources = append(s.Sources, SourceState{Address: a, Heard: t.heard[a], Basis: t.basis[a]})
		}
		if name := b.claims.holder[a]; name != 0 {
			s.Names = append(s.Names, NameState{Address: a, Name: name})
		}
	}
	return s
}

// Validate tells all that is wrong with a state.
func (s *BusState) Validate() error {
	var errs []error
	if len(s.Codes) > MaxTracked {
		errs = append(errs, fmt.Errorf("%d codes: at most %d are followed", len(s.Codes), MaxTracked))
	}
	known := map[Address]bool{}
	for _, x := range s.Sources {
		if x.Address >= AddressNull || known[x.Address] || x.Heard == NoTime || x.Basis == NoTime {
			errs = append(errs, fmt.Errorf("source %d: no source, twice, or without its times", x.Address))
		}
		known[x.Address] = true
	}
	for i, c := range s.Codes {
		if err := c.validate(known); err != nil {
			errs = append(errs, fmt.Errorf("code %d (%d/%d): %w", i, c.Key.SPN, c.Key.FMI, err))
		}
	}
	held := map[Address]bool{}
	for _, n := range s.Names {
		if n.Address >= AddressNull || held[n.Address] || n.Name == 0 {
			errs = append(errs, fmt.Errorf("name %s at %d: no source, twice, or no name", n.Name, n.Address))
		}
		held[n.Address] = true
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("remembered state of the bus: %w", err)
	}
	return nil
}

func (c *CodeState) validate(known map[Address]bool) error {
	switch {
	case c.Key.SPN > maxSPN || c.Key.FMI > modeMask || c.Key.Packed != 0 && c.Key.Packed>>24 != 1:
		return errors.New("no such code")
	case c.Phase < CodePending || c.Phase > CodeOutOfSight:
		return fmt.Errorf("no such phase (%d)", c.Phase)
	case c.Address != AddressNull && !known[c.Address]:
		return fmt.Errorf("nothing is said of its source %d", c.Address)
	case c.Address == AddressNull && c.Phase != CodeOutOfSight:
		return errors.New("without an address, it must be out of sight")
	case c.Phase == CodePending && c.First == NoTime:
		return errors.New("without the time it was first seen")
	}
	return nil
}

// restore is for a valid state.
func (b *Bus) restore(s *BusState) {
	t := b.tracker
	b.now, t.refused = s.Now, s.Refused
	for _, x := range s.Sources {
		t.heard[x.Address], t.basis[x.Address] = x.Heard, x.Basis
	}
	for i, c := range s.Codes {
		t.list[i] = tracked{CodeState: c}
		t.live[c.Address]++
	}
	t.n = len(s.Codes)
	for _, n := range s.Names {
		b.claims.holder[n.Address] = n.Name
	}
	t.schedule()
}
