package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/meters"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// firstLife opens a meter's first life: what it shows are the machine's hours.
func (t *step) firstLife(i int, r shownAt) {
	m := &t.s.Meters[i]
	m.Lives = []Life{{Opened: t.e.Key, First: r.shown, Last: r.shown, Offset: r.shown, From: r.span(), Why: "first reading"}}
	t.effect(EffectLifeOpened, i, "first reading")
	t.accept(i, 0, r)
}

// maybeOpen opens a new life after a reading that fell, if it is the third of
// three that agree, or the machine has a new engine or the agent a new box. It
// reports whether it did.
func (t *step) maybeOpen(i int, r *shownAt) bool {
	m := &t.s.Meters[i]
	l := &m.Lives[len(m.Lives)-1]
	if !m.Renewed.IsZero() && r.origin == OriginBus {
		if from := m.firstFallen(func(h *HeldReading) bool { return h.Origin == OriginBus }); from >= 0 {
			t.openLife(i, from, "the bus names another engine")
			return true
		}
	}
	if r.origin == OriginDerived && l.Box != [16]byte{} && l.Box != r.key.Stream {
		box := r.key.Stream
		from := m.firstFallen(func(h *HeldReading) bool { return h.Origin == OriginDerived && h.Key.Stream == box })
		if from >= 0 {
			t.newBox(i, from)
			return true
		}
	}
	if from := m.agreeing(); from >= 0 && !m.besidePerson(from) {
		t.openLife(i, from, fmt.Sprintf("%d readings agree from the lower figure", AgreeReadings))
		return true
	}
	return false
}

// firstFallen returns the earliest held reading that fell and is such, or -1.
func (m *Meter) firstFallen(such func(*HeldReading) bool) int {
	for j := range m.Held {
		if h := &m.Held[j]; h.Kind == DoubtFell && !h.Wrong && such(h) {
			return j
		}
	}
	return -1
}

// agreeing returns the first of three held readings that fell, run on from each
// other no faster than the clock, and have run 0.1 h or more; or -1.
func (m *Meter) agreeing() int {
	for a := range m.Held {
		if m.Held[a].Kind != DoubtFell || m.Held[a].Wrong {
			continue
		}
		count, at := 1, a
		for b := a + 1; b < len(m.Held); b++ {
			if h := &m.Held[b]; h.Kind != DoubtFell || h.Wrong || !h.follows(&m.Held[at]) || !h.follows(&m.Held[a]) {
				continue
			}
			count, at = count+1, b
			if count >= AgreeReadings && m.Held[b].Shown-m.Held[a].Shown >= AgreeSpan {
				return a
			}
		}
	}
	return -1
}

// follows reports whether h can have been shown after o by the same meter.
func (h *HeldReading) follows(o *HeldReading) bool {
	return h.Shown >= o.Shown && h.Shown-o.Shown <= h.At.MaxElapsed(o.At)+meters.Tolerance(h.Step, o.Step)
}

// besidePerson reports whether the reading held at index from runs on from what
// others than persons read before. Then it is a person's figure that stands too
// high, and which of the two is right is a question.
func (m *Meter) besidePerson(from int) bool {
	l, h := &m.Lives[len(m.Lives)-1], &m.Held[from]
	if m.Origin != OriginPerson || l.SureAt == (moment.Span{}) {
		return false
	}
	sure := HeldReading{Shown: l.Sure, At: l.SureAt, Step: h.Step}
	return h.Shown >= l.Sure-meters.Tolerance(h.Step, m.Step) && h.Shown-l.Sure <= h.At.MaxElapsed(sure.At)+meters.Tolerance(h.Step, m.Step)
}

// newBox opens a life for a derived meter whose sum another box began anew. The
// hours that no box heard are not made up; the doubt says which they are.
func (t *step) newBox(i, from int) {
	m := &t.s.Meters[i]
	h, total, at := m.Held[from], m.Total, m.TotalAt
	t.openLife(i, from, "another box began its own sum")
	t.openDoubt(Doubt{Key: h.Key, Kind: DoubtOtherBox, Meter: m.ID, At: h.At, What: fmt.Sprintf(
		"%s: another box began its own sum at %v h (%v); the machine's hours go on from %v h (%v); what it ran between the two was not heard and is not counted",
		m.ID, h.Shown, h.At, total, at)})
}

// otherBox says what no box heard where another box goes on with a derived
// meter's sum from the last known. It is not made up.
func (t *step) otherBox(i int, r *shownAt) {
	m := &t.s.Meters[i]
	l := &m.Lives[len(m.Lives)-1]
	if r.origin != OriginDerived || l.Box == [16]byte{} || l.Box == r.key.Stream || r.at.MaxElapsed(l.Until) <= BoxGap {
		return
	}
	t.openDoubt(Doubt{Key: r.key, Kind: DoubtOtherBox, Meter: m.ID, At: r.at, What: fmt.Sprintf(
		"%s: another box sums it since %v and went on from the last known %v h (%v); what it ran between the two was not heard and is not counted; read the display",
		m.ID, r.at, m.Total, l.Until)})
}

// openLife opens a new life from a held reading. The machine's hours go on.
func (t *step) openLife(i, from int, why string) {
	m := &t.s.Meters[i]
	prev := &m.Lives[len(m.Lives)-1]
	h := m.Held[from]
	t.addLife(i, Life{Opened: t.e.Key, First: h.Shown, Last: h.Shown, Offset: max(prev.End(), m.Total), From: h.At,
		Why: fmt.Sprintf("%s: the meter showed %v h after %v h", why, h.Shown, prev.Last)})
	t.effect(EffectLifeOpened, i, why)
	t.absorb(i, from, fmt.Sprintf("a new meter life opened at %v h", h.Shown))
}

// addLife makes l the current life.
func (t *step) addLife(i int, l Life) {
	m := &t.s.Meters[i]
	if len(m.Lives) >= LivesKept {
		m.Lives = append(m.Lives[:0], m.Lives[1:]...)
		m.Folded++
	}
	m.Lives = append(m.Lives, l)
	m.Renewed = Key{}
}

// absorb counts the held readings from an index on that fit the life just
// opened, lets go of the others and closes the meter's doubts.
func (t *step) absorb(i, from int, how string) {
	m := &t.s.Meters[i]
	held := m.Held
	m.Held = nil
	for j := range held {
		if held[j].Kind == DoubtMoved {
			m.Held = append(m.Held, held[j])
		}
	}
	m.HeldN = uint64(len(m.Held))
	for j := from; j < len(held); j++ {
		h := &held[j]
		r := shownAt{shown: h.Shown, step: h.Step, origin: h.Origin, key: h.Key, at: h.At}
		if j != from && (h.Wrong || h.Kind == DoubtMoved || h.Shown < m.Lives[len(m.Lives)-1].First || !t.fitsLast(i, &r)) {
			continue
		}
		t.accept(i, len(m.Lives)-1, r)
	}
	t.closeDoubts(m.ID, how)
}

// fitsLast reports whether the current life takes the reading.
func (t *step) fitsLast(i int, r *shownAt) bool {
	m := &t.s.Meters[i]
	return m.window(t.s, len(m.Lives)-1, r).Open()
}

// carryOn opens a segment of the same meter from a held reading that a person
// said is right: its figures go on to mean what they meant.
func (t *step) carryOn(i, from int, why string) {
	m := &t.s.Meters[i]
	prev := &m.Lives[len(m.Lives)-1]
	h := m.Held[from]
	offset := prev.Total(h.Shown)
	l := Life{Opened: t.e.Key, First: h.Shown, Last: h.Shown, Offset: offset, From: h.At, Same: true, Why: why}
	if offset < m.Total {
		m.backTo(offset)
		// Figures above it were wrong; the life before ended no higher.
		prev.Last = min(prev.Last, max(h.Shown, prev.First))
	}
	t.addLife(i, l)
	t.effect(EffectLifeOpened, i, why)
	t.absorb(i, from, why)
	t.lookAgain(i)
	t.settleAll()
}

// backTo takes the machine's hours back to total and forgets figures above it.
func (m *Meter) backTo(total hours.Millis) {
	m.Total, m.TotalAt = total, moment.Span{}
	for len(m.Trail) > 0 && m.Trail[len(m.Trail)-1].Total > total {
		m.Trail = m.Trail[:len(m.Trail)-1]
	}
	kept := m.DayTops[:0]
	for _, top := range m.DayTops {
		if top.Total <= total {
			kept = append(kept, top)
		}
	}
	m.DayTops = kept
}
