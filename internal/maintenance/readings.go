package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/meters"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// shownAt is a reading on its way to its meter.
type shownAt struct {
	shown, step hours.Millis
	origin      Origin
	key         Key
	at          moment.Span
	quiet       bool // with a service record: not held where it does not fit
}

// span is when the figure was shown, as far as later readings may rely on it.
func (r *shownAt) span() moment.Span {
	s := r.at
	if r.origin == OriginPerson && s.NotBefore != 0 {
		s.NotBefore = max(s.NotBefore.Add(-HandSlack), 1)
	}
	return s
}

// fromBus reports whether an agent took the reading off the machine's bus.
func (r *shownAt) fromBus() bool { return r.origin == OriginBus || r.origin == OriginDerived }

// reading takes in what a meter showed.
func (t *step) reading(b *Reading, origin Origin) {
	i := t.s.meterFor(b.Meter)
	if i < 0 {
		t.ignore(fmt.Sprintf("meter %q is one too many; %d are kept", b.Meter, MetersKept))
		return
	}
	t.read(i, shownAt{shown: b.Shown, step: b.Resolution, origin: origin, key: t.e.Key, at: t.e.At})
}

// read judges a reading and counts or holds it. It reports whether it counted.
func (t *step) read(i int, r shownAt) bool {
	m := &t.s.Meters[i]
	if why := t.s.detached(i, r.at); why != "" {
		t.ignore(why)
		return false
	}
	switch {
	case !t.s.Moved.IsZero() && r.fromBus():
		t.hold(i, r, DoubtMoved)
		return false
	case ahead(t.e):
		t.hold(i, r, DoubtMisplaced)
		return false
	case len(m.Lives) == 0:
		t.firstLife(i, r)
		return true
	case m.straightOn(&r):
		t.accept(i, len(m.Lives)-1, r)
		return true
	}
	life, kind := m.judge(t.s, &r)
	if life >= 0 {
		t.accept(i, life, r)
		return true
	}
	t.hold(i, r, kind)
	return false
}

// ahead reports whether an event claims to have happened after it was taken in.
func ahead(e *Event) bool {
	return e.Known != 0 && e.At.NotBefore != 0 && e.At.NotBefore > e.Known.Add(AheadSlack)
}

// straightOn is the quick answer for the reading that comes next in its life:
// nothing is held, it is not lower, not earlier and not faster than the clock.
func (m *Meter) straightOn(r *shownAt) bool {
	l := &m.Lives[len(m.Lives)-1]
	return len(m.Held) == 0 && r.shown >= l.Last &&
		r.at.Lo() >= m.TotalAt.Lo() && r.at.Hi() >= m.TotalAt.Hi() && l.inPace(r, m.Step)
}

// inPace reports whether the life can have run as far as r says by then, from
// any of its readings on.
func (l *Life) inPace(r *shownAt, step hours.Millis) bool {
	ahead := hours.Sub(l.Total(r.shown), meters.Tolerance(r.step, step))
	return l.Pace == 0 || r.at.Hi() >= l.Pace.Add(ahead)
}

// judge finds the life in which some placement of the reading satisfies every
// neighbour, the current one first. Where there is none it says what is wrong.
func (m *Meter) judge(s *State, r *shownAt) (life int, kind DoubtKind) {
	last := len(m.Lives) - 1
	for k := last; k >= 0; k-- {
		if !m.window(s, k, r).Open() {
			continue
		}
		if k == last && m.asJumped(r) {
			return -1, DoubtFast
		}
		return k, 0
	}
	l := &m.Lives[last]
	switch {
	case r.at.Hi() < m.TotalAt.Lo():
		return -1, DoubtMisplaced
	case r.shown < l.Last:
		return -1, DoubtFell
	}
	return -1, DoubtFast
}

// window is what the neighbours in life k leave of the reading's span.
func (m *Meter) window(s *State, k int, r *shownAt) meters.Window {
	w, l, tol := meters.Over(r.at), &m.Lives[k], meters.Tolerance(r.step, m.Step)
	if k > 0 {
		w.Lo = max(w.Lo, m.Lives[k-1].Until.Lo())
	}
	if k+1 < len(m.Lives) {
		w.Hi = min(w.Hi, m.Lives[k+1].From.Hi())
	}
	if r.at.Lo() >= m.TotalAt.Lo() && r.shown > l.Last && !l.inPace(r, m.Step) {
		w.Hi = w.Lo - 1
	}
	total, number := l.Total(r.shown), m.Folded+uint32(k)
	if k+1 < len(m.Lives) && m.Lives[k+1].Same && total > m.Lives[k+1].Offset {
		// A figure that a person took back.
		w.Against(total, m.Lives[k+1].Offset, m.Lives[k+1].From, tol)
	}
	w.Against(total, l.Offset, l.From, tol)
	w.Against(total, l.End(), l.Until, tol)
	for i := len(m.Trail) - 1; i >= 0 && w.Open(); i-- {
		if p := &m.Trail[i]; p.Life == number {
			w.Against(total, p.Total, p.At, tol)
		}
	}
	if w.Open() && (len(m.Trail) == 0 || r.at.Lo() < m.Trail[0].At.Lo()) {
		m.windowDays(s, &w, total, number, tol)
	}
	return w
}

// windowDays narrows by the day tops, for readings from before the trail.
func (m *Meter) windowDays(s *State, w *meters.Window, total hours.Millis, number uint32, tol hours.Millis) {
	for i := len(m.DayTops) - 1; i >= 0 && w.Open(); i-- {
		top := &m.DayTops[i]
		if top.Life != number {
			continue
		}
		if d := s.dayIndex(top.Date); d >= 0 {
			w.Against(total, top.Total, moment.Span{NotBefore: s.Days[d].From, NotAfter: s.Days[d].Until}, tol)
		}
	}
}

// asJumped reports whether the reading is of a meter that jumped ahead and has
// stayed there. Such a meter stays held until a person speaks, though with time
// its figure becomes one that the clock allows.
func (m *Meter) asJumped(r *shownAt) bool {
	for i := range m.Held {
		h := &m.Held[i]
		if h.Kind == DoubtFast && r.at.Hi() >= h.At.Lo() && r.shown >= h.Shown-meters.Tolerance(r.step, h.Step) {
			return true
		}
	}
	return false
}

// accept counts a reading in life k.
func (t *step) accept(i, k int, r shownAt) {
	m := &t.s.Meters[i]
	l, last, was := &m.Lives[k], k == len(m.Lives)-1, m.Total
	newest := last && r.at.Lo() >= m.TotalAt.Lo()
	t.ranOn = r.shown < l.First && r.at.Compare(l.From) < 0
	if t.ranOn {
		t.earlier(i, k, &r)
		l = &m.Lives[k]
	}
	if more := r.shown - l.Last; more > 0 {
		l.Last = r.shown
		if !last {
			t.shift(i, k+1, more)
		}
	}
	total := l.Total(r.shown)
	why := t.count(i, k, total, newest, &r)
	m.trail(total, r.span(), m.Folded+uint32(k))
	t.ranOn = m.top(t.s, total, r.at, m.Folded+uint32(k)) || t.ranOn
	t.effect(EffectReadingTaken, i, why)
	if newest {
		t.clearHeld(i, &r)
	}
	if newest && r.origin == OriginBus {
		m.Renewed = Key{}
	}
	t.afterReading(i, was, total, &r)
}

// count moves the meter to a counted reading and says which kind it is: one
// that moved it (""), one that agrees with a higher figure, or a late one.
func (t *step) count(i, k int, total hours.Millis, newest bool, r *shownAt) string {
	m := &t.s.Meters[i]
	l := &m.Lives[k]
	switch last := k == len(m.Lives)-1; {
	case last && total >= m.Total:
		if newest {
			t.otherBox(i, r)
		}
		m.Total, m.Origin, m.Step = total, r.origin, r.step
		m.asOf(r)
		l.heard(r, total)
		return ""
	case last && newest && m.Total-total <= meters.Tolerance(r.step, m.Step):
		if r.origin != OriginPerson {
			m.asOf(r)
			l.heard(r, total)
		}
		return "agrees"
	}
	l.heard(r, total)
	return "late"
}

// asOf keeps the latest reading that agrees with the total.
func (m *Meter) asOf(r *shownAt) {
	if m.TotalAt == (moment.Span{}) || r.at.Compare(m.TotalAt) >= 0 {
		m.TotalAt, m.TotalBy = r.at, r.key
	}
}

// heard keeps what a life knows of its readings.
func (l *Life) heard(r *shownAt, total hours.Millis) {
	at := r.span()
	l.Until = later(l.Until, at)
	if at.NotBefore != 0 {
		l.Pace = max(l.Pace, at.NotBefore.Add(-total))
	}
	if r.origin == OriginDerived && l.Until == at {
		l.Box = r.key.Stream
	}
	if r.origin != OriginPerson && r.shown >= l.Sure {
		l.Sure, l.SureAt = r.shown, r.at
	}
}

func later(a, b moment.Span) moment.Span {
	if b.Compare(a) >= 0 || a == (moment.Span{}) {
		return b
	}
	return a
}

// earlier takes a reading from before the life's first. In a life whose figures
// are the machine's hours that changes no total; in another one the hours that
// the new meter had run by its first reading become known, and are added.
func (t *step) earlier(i, k int, r *shownAt) {
	m := &t.s.Meters[i]
	l := &m.Lives[k]
	less, from := l.First-r.shown, l.From
	l.First, l.From = r.shown, r.span()
	if l.Same || k == 0 && m.Folded == 0 {
		l.Offset -= less
		return
	}
	l.Pace = l.Pace.Add(-less)
	m.lift(m.Folded+uint32(k), less)
	if k == len(m.Lives)-1 {
		m.Total = hours.Add(m.Total, less)
	}
	until := moment.Span{}
	if k+1 < len(m.Lives) {
		until = m.Lives[k+1].From
	}
	t.shiftRecords(i, from, until, less)
	t.shift(i, k+1, less)
}

// shift moves the machine's hours in the lives from k on, because more is known
// of the lives before. A life that a person said is the same meter stays: its
// figures mean what they meant, and so do those of the lives after it.
func (t *step) shift(i, k int, by hours.Millis) {
	m := &t.s.Meters[i]
	end := k
	for ; end < len(m.Lives) && !m.Lives[end].Same; end++ {
		l := &m.Lives[end]
		l.Offset = hours.Add(l.Offset, by)
		if l.Pace != 0 {
			l.Pace = l.Pace.Add(-by)
		}
		m.lift(m.Folded+uint32(end), by)
	}
	if end == k {
		return
	}
	if end == len(m.Lives) {
		m.Total = hours.Add(m.Total, by)
		t.shiftRecords(i, m.Lives[k].From, moment.Span{}, by)
		return
	}
	t.shiftRecords(i, m.Lives[k].From, m.Lives[end].From, by)
}

// lift adds to the totals kept of one life.
func (m *Meter) lift(life uint32, by hours.Millis) {
	for i := range m.Trail {
		if m.Trail[i].Life == life {
			m.Trail[i].Total = hours.Add(m.Trail[i].Total, by)
		}
	}
	for i := range m.DayTops {
		if m.DayTops[i].Life == life {
			m.DayTops[i].Total = hours.Add(m.DayTops[i].Total, by)
		}
	}
}

// afterReading lets the tasks see what a counted reading changed.
func (t *step) afterReading(i int, was, total hours.Millis, r *shownAt) {
	m, w := &t.s.Meters[i], &t.s.work
	if len(w.next) != len(t.s.Meters) || len(w.days) != len(t.s.Meters) {
		t.s.thresholds()
	}
	refine := r.at.Hi() <= w.looked[i]
	crossed := m.Total >= w.next[i]
	if late := total < m.Total; late {
		t.sawEarlier(i, total, r)
	}
	if refine {
		t.refine(i)
	}
	if refine || crossed || t.ranOn && w.days[i] {
		t.settleMoved(movedFrom{i, was, r.at, r.key})
	}
}

// settleMoved settles the tasks after a meter moved on.
func (t *step) settleMoved(m movedFrom) {
	if t.later {
		t.waiting = append(t.waiting, m)
		return
	}
	t.moved = m
	t.settleAll()
	t.moved = nowhere
}

// meterIndex returns the index of a meter, -1 where there is none of that name.
func (s *State) meterIndex(id string) int {
	for i := range s.Meters {
		if s.Meters[i].ID == id {
			return i
		}
	}
	return -1
}

// meterFor is meterIndex, and makes room for a meter that no edition names.
func (s *State) meterFor(id string) int {
	if i := s.meterIndex(id); i >= 0 {
		return i
	}
	if len(s.Meters) >= MetersKept {
		return -1
	}
	at := len(s.Meters)
	for at > s.chartMeters() && s.Meters[at-1].ID > id {
		at--
	}
	s.Meters = append(s.Meters, Meter{})
	copy(s.Meters[at+1:], s.Meters[at:])
	s.Meters[at] = Meter{ID: id, Gone: true}
	s.thresholds()
	return at
}

// chartMeters is how many meters the edition in force names.
func (s *State) chartMeters() int {
	if s.Chart == nil {
		return 0
	}
	return min(len(s.Chart.Meters), len(s.Meters))
}
