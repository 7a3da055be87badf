package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The engine's hours: group 65253, SPN 247 (SAE J1939-71), from source 0.
const (
	groupEngineHours = 65253
	spnEngineHours   = 247
	sourceEngine     = 0
)

// busNames compares how the bus names itself with how it did.
//
// Another vehicle: the box was moved, and nothing it reads counts until a
// person says that the machine is the same. Another engine in the same vehicle:
// the next reading of its hours that fell opens a new life at once. Another
// controller in the same vehicle, with the same engine: a doubt, and counting
// goes on as far as it is plausible. What was not heard this time changes
// nothing.
func (t *step) busNames(b *BusNames) {
	s := t.s
	if s.NamesAt != (moment.Span{}) && t.e.At.Compare(s.NamesAt) < 0 {
		t.ignore("later names are known")
		return
	}
	switch {
	case !s.Moved.IsZero():
		t.namesWhileMoved(b)
		return
	case b.Vehicle != "" && s.Names.Vehicle != "" && b.Vehicle != s.Names.Vehicle:
		s.Moved, s.MovedNames, s.NamesAt = t.e.Key, copyNames(b), t.e.At
		t.openDoubt(Doubt{Key: t.e.Key, Kind: DoubtMoved, At: t.e.At, What: fmt.Sprintf(
			"the bus names vehicle %q, and this machine is %q; nothing is counted until a person says which it is", b.Vehicle, s.Names.Vehicle)})
		return
	}
	t.takeNames(b)
	s.NamesAt = t.e.At
}

// namesWhileMoved closes the doubt by itself once the bus names this machine
// again. What was held meanwhile was another machine's.
func (t *step) namesWhileMoved(b *BusNames) {
	s := t.s
	s.NamesAt = t.e.At
	if b.Vehicle == "" || b.Vehicle != s.Names.Vehicle {
		s.MovedNames = mergeNames(s.MovedNames, b)
		return
	}
	i := s.doubtIndex(s.Moved)
	s.Moved, s.MovedNames = Key{}, BusNames{}
	for m := range s.Meters {
		s.Meters[m].dropHeld(func(h *HeldReading) bool { return h.Kind == DoubtMoved })
	}
	if i >= 0 {
		t.closeDoubt(i, "the bus names this machine again")
	}
	t.takeNames(b)
}

// takeNames says what is new in the names of the same machine and keeps them.
func (t *step) takeNames(b *BusNames) {
	s := t.s
	newEngine := b.Engine != "" && s.Names.Engine != "" && b.Engine != s.Names.Engine
	if newEngine {
		t.renew()
	} else if what := s.otherClaim(b); what != "" {
		t.openDoubt(Doubt{Key: t.e.Key, Kind: DoubtOtherBox, At: t.e.At, What: what})
	}
	s.Names = mergeNames(s.Names, b)
}

// renew marks the engine's meter: it may begin anew.
func (t *step) renew() {
	for i := range t.s.Meters {
		if !t.s.engineMeter(i) {
			continue
		}
		m := &t.s.Meters[i]
		m.Renewed = t.e.Key
		if from := m.firstFallen(func(h *HeldReading) bool { return h.Origin == OriginBus }); from >= 0 {
			t.openLife(i, from, "the bus names another engine")
		}
	}
}

// engineMeter reports whether a meter counts the engine's own hours off the bus.
func (s *State) engineMeter(i int) bool {
	if i < s.chartMeters() {
		d := &s.Chart.Meters[i]
		return d.Kind == MeterBroadcast && (d.SPN == spnEngineHours || d.SPN == 0 && d.Group == groupEngineHours)
	}
	return s.Meters[i].ID == "engine"
}

// otherClaim says which controller that a meter comes from was replaced, or "".
func (s *State) otherClaim(b *BusNames) string {
	for _, c := range b.Claims {
		if c.Name == 0 || !s.watches(c.Source) {
			continue
		}
		for _, k := range s.Names.Claims {
			if k.Source == c.Source && k.Name != 0 && k.Name != c.Name {
				return fmt.Sprintf("the controller at source %d is another one (NAME %016X, before %016X); its hours may begin anew or be copied",
					c.Source, c.Name, k.Name)
			}
		}
	}
	return ""
}

// watches reports whether a source sends hours: the engine's, or one that the
// chart takes a meter from. Others come and go, such as a header's.
func (s *State) watches(source uint8) bool {
	if source == sourceEngine {
		return true
	}
	for i := range s.chartMeters() {
		if d := &s.Chart.Meters[i]; d.Kind == MeterBroadcast && d.Source == int16(source) {
			return true
		}
	}
	return false
}

func copyNames(b *BusNames) BusNames {
	n := *b
	n.Claims = copyOf(b.Claims)
	return n
}

// mergeNames puts what was heard over what was known.
func mergeNames(known BusNames, b *BusNames) BusNames {
	if b.Vehicle != "" {
		known.Vehicle = b.Vehicle
	}
	if b.Engine != "" {
		known.Engine = b.Engine
	}
	known.Confidence = b.Confidence
	claims := copyOf(known.Claims)
	for _, c := range b.Claims {
		pos := len(claims)
		for pos > 0 && claims[pos-1].Source >= c.Source {
			pos--
		}
		if pos < len(claims) && claims[pos].Source == c.Source {
			claims[pos] = c
			continue
		}
		claims = append(claims, BusName{})
		copy(claims[pos+1:], claims[pos:])
		claims[pos] = c
	}
	known.Claims = claims
	return known
}

// engine keeps whether the engine runs. Its stop is the halt that notices were
// put off to.
func (t *step) engine(b *Engine) {
	s := t.s
	if s.Engine.At != (moment.Span{}) && t.e.At.Compare(s.Engine.At) < 0 {
		if b.Running {
			t.started()
		}
		t.ignore("a later word on the engine is known")
		return
	}
	began := b.Running && !s.Engine.Running
	stopped := !b.Running && (s.Engine.Running || s.Engine.At == moment.Span{})
	s.Engine = EngineState{Running: b.Running, At: t.e.At}
	t.effect(EffectEngine, -1, "")
	if stopped {
		t.ringHalt()
	}
	if began {
		t.started()
	}
}

// busValues keeps the latest value of each signal.
func (t *step) busValues(b *BusValues) {
	s, at := t.s, instantOf(t.e)
	if at < s.LatestAt {
		t.ignore("later values are known")
		return
	}
	s.LatestAt = at
	for _, v := range b.Values {
		i := 0
		for i < len(s.Latest) && s.Latest[i].Signal != v.Signal {
			i++
		}
		switch {
		case i < len(s.Latest):
			s.Latest[i] = v
		case len(s.Latest) < ValuesKept:
			s.Latest = append(s.Latest, v)
		}
	}
}

// listened adds what was heard. Spans that overlap count once.
func (t *step) listened(b *Listened) {
	h := &t.s.Heard
	h.Frames += b.Frames
	h.Lost += b.Lost
	h.Until = max(h.Until, b.To)
	h.add(t.s, b.From, b.To)
}

// add puts a span among those heard and counts what is new of it.
func (h *Heard) add(s *State, from, to moment.Instant) {
	if len(h.Spans) >= SpansKept {
		from = max(from, h.Spans[0].From) // of what lies before it is not known what was heard
	}
	if to <= from {
		return
	}
	lo, hi := 0, 0
	for lo < len(h.Spans) && h.Spans[lo].To < from {
		lo++
	}
	joined, at := HeardSpan{from, to}, from
	for hi = lo; hi < len(h.Spans) && h.Spans[hi].From <= to; hi++ {
		o := h.Spans[hi]
		h.count(s, at, o.From)
		at = max(at, o.To)
		joined = HeardSpan{min(joined.From, o.From), max(joined.To, o.To)}
	}
	h.count(s, at, to)
	h.put(lo, hi, joined)
}

// put stands one span in place of those from lo to before hi.
func (h *Heard) put(lo, hi int, joined HeardSpan) {
	if hi > lo {
		h.Spans[lo] = joined
		h.Spans = append(h.Spans[:lo+1], h.Spans[hi:]...)
		return
	}
	h.Spans = append(h.Spans, HeardSpan{})
	copy(h.Spans[lo+1:], h.Spans[lo:])
	h.Spans[lo] = joined
	if len(h.Spans) > SpansKept {
		h.Spans = append(h.Spans[:0], h.Spans[1:]...)
	}
}

// count adds a span that was not heard before to the total and to its days.
func (h *Heard) count(s *State, from, to moment.Instant) {
	if to <= from {
		return
	}
	h.Total = hours.Add(h.Total, to.Elapsed(from))
	for i := len(s.Days) - 1; i >= 0 && s.Days[i].Until > from; i-- {
		d := &s.Days[i]
		if part := min(to, d.Until).Elapsed(max(from, d.From)); part > 0 {
			d.Listened += part
		}
	}
}

// listenedIn is what was heard between two instants, as far as spans are kept.
func (s *State) listenedIn(from, until moment.Instant) hours.Millis {
	var sum hours.Millis
	for _, o := range s.Heard.Spans {
		if part := min(o.To, until).Elapsed(max(o.From, from)); part > 0 {
			sum += part
		}
	}
	return sum
}
