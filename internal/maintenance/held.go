package maintenance

import (
	"fmt"
)

// hold keeps a reading that can't be right, or not yet, and says so once. A fall
// that opens a new life at once is no question.
func (t *step) hold(i int, r shownAt, kind DoubtKind) {
	if r.quiet {
		return
	}
	m := &t.s.Meters[i]
	why := m.doubtful(&r, kind)
	m.keepHeld(HeldReading{Key: r.key, At: r.at, Shown: r.shown, Origin: r.origin, Why: why, Step: r.step, Kind: kind})
	t.effect(EffectReadingHeld, i, why)
	if kind == DoubtMoved || kind == DoubtFell && t.maybeOpen(i, &r) {
		return
	}
	t.openDoubt(Doubt{Key: r.key, Kind: kind, Meter: m.ID, At: r.at, What: why})
}

// doubtful says with figures why a reading is held.
func (m *Meter) doubtful(r *shownAt, kind DoubtKind) string {
	switch kind {
	case DoubtMoved:
		return "the bus names another machine"
	case DoubtMisplaced:
		return fmt.Sprintf("%s: %v h (%v) does not fit between the readings before and after", m.ID, r.shown, r.at)
	case DoubtFell:
		return fmt.Sprintf("%s: %v h (%v) after %v h (%v); a meter does not run backwards", m.ID, r.shown, r.at, m.shownLast(), m.TotalAt)
	}
	return fmt.Sprintf("%s: %v h (%v) after %v h (%v); %v h more in at most %v h", m.ID, r.shown, r.at, m.shownLast(), m.TotalAt,
		r.shown-m.shownLast(), max(r.at.MaxElapsed(m.TotalAt), 0))
}

// keepHeld puts a held reading in its place in time. One that shows the same as
// another of its origin at the place is counted only.
func (m *Meter) keepHeld(h HeldReading) {
	m.HeldN++
	at := len(m.Held)
	for at > 0 && m.Held[at-1].At.Compare(h.At) > 0 {
		at--
	}
	if at > 0 {
		if o := &m.Held[at-1]; o.Shown == h.Shown && o.Origin == h.Origin && o.Kind == h.Kind && o.Wrong == h.Wrong && o.Key.Stream == h.Key.Stream {
			return
		}
	}
	m.Held = append(m.Held, HeldReading{})
	copy(m.Held[at+1:], m.Held[at:])
	m.Held[at] = h
	if len(m.Held) > HeldKept {
		m.Held = append(m.Held[:heldFirst], m.Held[heldFirst+1:]...)
	}
}

// clearHeld lets go of held readings that a newer true one stands against.
func (t *step) clearHeld(i int, r *shownAt) {
	m := &t.s.Meters[i]
	if len(m.Held) == 0 {
		return
	}
	m.dropHeld(func(h *HeldReading) bool {
		return h.Kind != DoubtMoved && (h.At.Hi() <= r.at.Lo() || h.At == r.at)
	})
	for _, kind := range [3]DoubtKind{DoubtFell, DoubtFast, DoubtMisplaced} {
		if !m.holds(kind) {
			t.closeDoubtsOf(kind, m.ID, fmt.Sprintf("%v h (%v) goes on from the figure before", r.shown, r.at))
		}
	}
}

// dropHeld lets go of the held readings that are such.
func (m *Meter) dropHeld(such func(*HeldReading) bool) {
	kept := m.Held[:0]
	for j := range m.Held {
		if !such(&m.Held[j]) {
			kept = append(kept, m.Held[j])
		}
	}
	clear(m.Held[len(kept):])
	m.Held = kept
	if len(kept) == 0 {
		m.Held, m.HeldN = nil, 0
	}
}

func (m *Meter) holds(kind DoubtKind) bool {
	for j := range m.Held {
		if m.Held[j].Kind == kind && !m.Held[j].Wrong {
			return true
		}
	}
	return false
}

// judgeAgain runs the readings held of one kind through the rules once more.
func (t *step) judgeAgain(i int, kind DoubtKind) {
	m := &t.s.Meters[i]
	var again []HeldReading
	for _, h := range m.Held {
		if h.Kind == kind {
			again = append(again, h)
		}
	}
	m.dropHeld(func(h *HeldReading) bool { return h.Kind == kind })
	for _, h := range again {
		t.read(i, shownAt{shown: h.Shown, step: h.Step, origin: h.Origin, key: h.Key, at: h.At})
	}
}
