package listen

import (
	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// What SAE J1939-71 says of every machine that has an engine.
const (
	groupEngineHours j1939.Group   = 65253
	spnEngineHours   uint32        = 247
	spnEngineSpeed   uint32        = 190
	engineSource     j1939.Address = 0
)

// meter is one that the bus broadcasts.
type meter struct {
	def   maintenance.MeterDef
	shown hours.Millis
	at    int64 // when it was last heard
	heard bool
	waits bool  // what was heard last waits for new names to be told
	told  int64 // when an event was last made
	last  hours.Millis
	any   bool // an event was made
}

func (m *meter) is(source j1939.Address, v *j1939.Value) bool {
	return v.Param.SPN == m.def.SPN && uint32(v.Param.Group) == m.def.Group &&
		(m.def.Source == maintenance.AnySource || j1939.Address(m.def.Source) == source)
}

// hear takes what the meter shows, whatever it is: what can't be right is for
// the domain to judge.
func (m *meter) hear(l *Listener, at int64, v *j1939.Value) {
	ms, ok := v.HourMillis()
	if !ok {
		return
	}
	m.shown, m.at, m.heard, m.waits = hours.Millis(ms), at, true, l.names.first(at)
	if m.waits {
		return
	}
	every := readingEvery
	switch {
	case m.shown < m.last:
		every = fallEvery
	case m.shown == m.last && !l.engine.running:
		every = standingEvery
	}
	if !m.any || at-m.told >= every {
		m.tell(l)
	}
}

// pass tells what was heard too soon after the last event to be told, where the
// meter was not heard again.
func (m *meter) pass(l *Listener, at int64) {
	if m.pending() && at-m.told >= readingEvery {
		m.tell(l)
	}
}

func (m *meter) pending() bool { return m.heard && !m.waits && m.shown != m.last }

func (m *meter) tell(l *Listener) {
	m.told, m.last, m.any = m.at, m.shown, true
	l.emit(m.at, false, &maintenance.Reading{Meter: m.def.ID, Shown: m.shown, Resolution: m.def.Resolution, Origin: maintenance.OriginBus})
}

// derived is running time while a signal is above a threshold.
type derived struct {
	def    maintenance.MeterDef
	signal int
	sum    int64 // nanoseconds counted since this listener began
	base   hours.Millis
	known  bool // base is known

	on    bool  // above, as last heard
	since int64 // above without a break since
	upTo  int64 // counted up to here; before hold is over: since
	held  bool  // above for longer than hold
	last  int64 // last valid sample

	told    int64
	toldSum hours.Millis
	any     bool

	marks []mark // a ring, the oldest at next once it is full
	next  int
}

// mark is what was counted at a time.
type mark struct{ at, sum int64 }

// mostMarks bounds how far back a reading off the display may lie: so many
// minutes of running.
const mostMarks = 720

func newDerived(def maintenance.MeterDef, signal int, kept []DerivedState) derived {
	d := derived{def: def, signal: signal}
	for _, k := range kept {
		if k.Meter == def.ID {
			d.base, d.known = k.Sum, k.Known
		}
	}
	return d
}

func (d *derived) shown() hours.Millis { return d.base + hours.Millis(d.sum/1e6) }

// hear counts from the first sample above to the first that is not, so that what
// is missed of a spell at its beginning comes on at its end. Between samples
// further apart than a gap, and up to one without a value, nothing is claimed.
func (d *derived) hear(l *Listener, at int64, v *j1939.SignalValue) {
	ok := v.State == j1939.StateOK
	if d.on && (at-d.last > sampleGap || !ok) {
		d.off()
	}
	if !ok {
		return
	}
	if d.on {
		d.count(at)
	}
	switch above := v.Milli > d.def.Above; {
	case above && !d.on:
		d.on, d.since, d.upTo, d.held = true, at, at, d.def.Hold == 0
	case !above:
		d.off()
	}
	d.last = at
	d.tell(l, at)
}

// count adds the time up to at; the hold counts once it is over.
func (d *derived) count(at int64) {
	if !d.held && at-d.since >= int64(d.def.Hold)*1e6 {
		d.held = true
	}
	if d.held {
		d.sum += at - d.upTo
		d.upTo = at
		d.mark(at)
	}
}

// mark remembers the sum once a minute of running.
func (d *derived) mark(at int64) {
	m := mark{at, d.sum}
	switch n := len(d.marks); {
	case n > 0 && d.sum-d.marks[(d.next+n-1)%n].sum < minute:
	case n < mostMarks:
		d.marks = append(d.marks, m)
	default:
		d.marks[d.next] = m
		d.next = (d.next + 1) % n
	}
}

// sumAt is what was counted at an earlier time: within a minute's running, and
// exact where it ran all that while.
func (d *derived) sumAt(at int64) int64 {
	before, after := mark{at: at}, mark{sum: d.sum}
	if len(d.marks) == mostMarks {
		before.sum = d.marks[d.next].sum // further back nothing is known
	}
	for i := range d.marks {
		m := d.marks[(d.next+i)%len(d.marks)]
		if m.at > at {
			after = m
			break
		}
		before = m
	}
	return min(before.sum+at-before.at, max(after.sum, before.sum))
}

func (d *derived) off() { d.on, d.held = false, false }

func (d *derived) pass(l *Listener, at int64) {
	if d.on && at-d.last > sampleGap {
		d.off()
	}
	d.tell(l, at)
}

func (d *derived) pending() bool { return d.known && d.shown() != d.toldSum }

// tell makes an event where the sum moved and the last event is long enough ago,
// and one for a beginning.
func (d *derived) tell(l *Listener, at int64) {
	if d.any && d.pending() && at-d.told >= readingEvery || !d.any && d.known && at-d.last <= sampleGap {
		d.emit(l)
	}
}

// emit tells the sum as of the last sample.
func (d *derived) emit(l *Listener) {
	d.told, d.toldSum, d.any = d.last, d.shown(), true
	l.emit(d.last, false, &maintenance.Reading{Meter: d.def.ID, Shown: d.shown(), Resolution: d.def.Resolution, Origin: maintenance.OriginDerived})
}

// SetDerived gives a derived meter what it showed when it was last known, after a
// box was swapped. What was counted here goes on top where the start was not
// known before. It reports whether the chart has such a meter.
func (l *Listener) SetDerived(meter string, shown hours.Millis) bool {
	for i := range l.derived {
		d := &l.derived[i]
		if d.def.ID != meter {
			continue
		}
		if d.known {
			d.base += shown - d.shown()
		} else {
			d.base, d.known = shown, true
		}
		return true
	}
	return false
}

// SetDerivedAt gives a derived meter what it showed at an earlier time, as a
// person read it off: what was counted since goes on top.
func (l *Listener) SetDerivedAt(meter string, shown hours.Millis, at int64) bool {
	for i := range l.derived {
		if d := &l.derived[i]; d.def.ID == meter {
			d.base, d.known = shown-hours.Millis(d.sumAt(min(at, l.now))/1e6), true
			return true
		}
	}
	return false
}

// Derived tells a derived meter's sum and whether it is absolute.
func (l *Listener) Derived(meter string) (shown hours.Millis, known bool) {
	for i := range l.derived {
		if l.derived[i].def.ID == meter {
			return l.derived[i].shown(), l.derived[i].known
		}
	}
	return 0, false
}

// flushWaiting tells what waited for names, as it still shows when the listener
// stops.
func (l *Listener) flushWaiting() {
	for i := range l.meters {
		if m := &l.meters[i]; m.waits {
			m.waits, m.at = false, l.now
			m.tell(l)
		}
	}
}

// flushMeters tells what each meter shows, where that was not told yet.
func (l *Listener) flushMeters() {
	for i := range l.meters {
		if m := &l.meters[i]; m.pending() || m.heard && !m.waits && !m.any {
			m.tell(l)
		}
	}
	for i := range l.derived {
		if d := &l.derived[i]; d.pending() {
			d.emit(l)
		}
	}
}
