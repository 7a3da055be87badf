package maintenance

import (
	"fmt"
	"sort"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/intervals"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// gauge is one thing that can make a task due, as it stands: an interval, a
// trigger or the checks after a part is new. It may stand in machine's hours, in
// dates and at once; the most urgent of these counts.
type gauge struct {
	why   string // why it can't be told or does not count, "" it does
	idle  bool   // it is known, and does not count now
	words string // what it stands on, for people; with talk only
	talk  bool   // say why and on what, as far as that takes figures

	meter int // index, -1: not in hours
	hours intervals.Hours
	dated bool
	dates intervals.Dates
	fixed limbStand // standing Unknown: not at once

	counted bool
	counts  intervals.Counts
	n       int64 // days worked, or thousandths counted

	// own: it came with WorkRules; when it came about is looked up, whatever the
	// order in which that became known.
	own  bool
	told *TraitKnown // the latest condition that lets it count
}

// tells reports whether the gauge says how it stands.
func (g *gauge) tells() bool { return g.why == "" && !g.idle }

// stands are the ways in which the gauge stands, none where it doesn't tell.
func (g *gauge) stands(s *State) (out [3]limbStand, n int) {
	if !g.tells() {
		return out, 0
	}
	if g.fixed.standing != intervals.Unknown {
		out[n] = g.fixed
		n++
	}
	if g.meter >= 0 {
		m := &s.Meters[g.meter]
		st := g.hours.At(m.Total)
		out[n] = limbStand{standing: st, meter: m.ID, at: g.meter, mark: int64(g.hours.Threshold(st)), look: g.own}
		n++
	}
	if g.dated {
		st := g.dates.At(s.today())
		out[n] = limbStand{standing: st, at: -1, mark: int64(g.dates.Threshold(st))}
		if g.own && st > intervals.NotDue {
			out[n].set(s.startOf(g.dates.Threshold(st)))
		}
		n++
	}
	return out, n
}

// standing is the most urgent way in which the gauge stands.
func (g *gauge) standing(s *State) intervals.Standing {
	best := intervals.Unknown
	list, n := g.stands(s)
	for k := range n {
		best = max(best, list[k].standing)
	}
	return best
}

// set gives a stand that is known to have come about at a time by an event.
func (st *limbStand) set(at moment.Span, by Key) { st.preset, st.since, st.by = true, at, by }

// startOf is when a work day began, or the first one after it that is known.
func (s *State) startOf(d civil.Date) (moment.Span, Key) {
	i := sort.Search(len(s.Days), func(i int) bool { return s.Days[i].Date >= d })
	if i == len(s.Days) {
		return moment.Span{}, DayKey(d)
	}
	return moment.At(s.Days[i].From), DayKey(s.Days[i].Date)
}

// limbGauge works out a limb from the record that opened the cycle.
func (s *State) limbGauge(l *Limb, rec *TaskRecord, talk bool) gauge {
	g := gauge{meter: -1, talk: talk}
	switch l.Kind {
	case LimbHours:
		s.hoursGauge(&g, l, rec)
	case LimbMonths:
		s.monthsGauge(&g, l, rec)
	case LimbDays:
		s.daysGauge(&g, l, rec)
	case LimbSeason:
		s.seasonGauge(&g, l, rec)
	case LimbCounted:
		s.countedGauge(&g, l, rec)
	default:
		g.why = "the kind of interval is unknown"
	}
	if len(l.While) > 0 {
		s.whileHolds(&g, l)
	}
	return g
}

func (s *State) hoursGauge(g *gauge, l *Limb, rec *TaskRecord) {
	m := s.meterIndex(l.Meter)
	from, ok := rec.on(l.Meter)
	switch {
	case m < 0 || len(s.Meters[m].Lives) == 0 && !ok:
		g.why = "the meter has never been read"
	case !ok:
		g.why = "the meter was not read at the service nor near it"
	default:
		g.meter, g.hours = m, l.hours(from)
	}
}

func (s *State) monthsGauge(g *gauge, l *Limb, rec *TaskRecord) {
	d, ok := l.months(rec.Date)
	switch {
	case !ok:
		g.why = "the service has no date"
	case s.today() == civil.None:
		g.why = "no work day has turned yet"
	default:
		g.dated, g.dates = true, d
	}
}

// daysGauge counts days worked: those on which the machine's hours rose. A day
// of rain counts for nothing.
func (s *State) daysGauge(g *gauge, l *Limb, rec *TaskRecord) {
	i := s.meterOr(l.Meter)
	switch {
	case i < 0:
		g.why = "the meter has never been read"
		return
	case rec.Date == civil.None:
		g.why = "the service has no date"
		return
	}
	m := &s.Meters[i]
	g.counted, g.counts = true, intervals.OfWorkDays(l.Days, l.SoonDays, l.LateDays)
	days := m.workedAfter(s, rec.Date)
	g.n = int64(len(days))
	st := g.counts.At(g.n)
	g.fixed = limbStand{standing: st, at: -1}
	if st > intervals.NotDue {
		g.fixed.set(s.startOf(days[g.counts.Threshold(st)-1]))
	}
	if g.talk {
		g.words = fmt.Sprintf("%d of %d days worked", g.n, l.Days)
	}
}

// meterOr returns the index of a meter, of the chart's first one for "", or -1.
func (s *State) meterOr(id string) int {
	if id == "" {
		return min(s.chartMeters(), 1) - 1
	}
	return s.meterIndex(id)
}

// workedAfter are the days after a date on which the meter ran.
func (m *Meter) workedAfter(s *State, after civil.Date) []civil.Date {
	var out []civil.Date
	for j := len(m.DayTops) - 1; j >= 0 && m.DayTops[j].Date > after; j-- {
		if m.worked(s, j) {
			out = append(out, m.DayTops[j].Date)
		}
	}
	for a, b := 0, len(out)-1; a < b; a, b = a+1, b-1 {
		out[a], out[b] = out[b], out[a]
	}
	return out
}

// worked reports whether the meter ran on a day that it was read: its highest
// total lies above that of the day read before it, or above the first reading.
func (m *Meter) worked(s *State, j int) bool {
	top := &m.DayTops[j]
	switch {
	case j > 0:
		return top.Total > m.DayTops[j-1].Total
	case m.Folded > 0 || len(m.Lives) == 0 || s.dateAt(m.Lives[0].From.NotAfter) != top.Date:
		return false
	}
	return top.Total > m.Lives[0].Offset
}

// countedGauge adds up what happened since the service.
func (s *State) countedGauge(g *gauge, l *Limb, rec *TaskRecord) {
	g.counted, g.counts = true, intervals.OfCount(l.Count)
	g.fixed = limbStand{standing: intervals.NotDue, at: -1}
	for i := range s.Happened {
		h := &s.Happened[i]
		if h.Kind != HappenedEvent || h.Name != l.Of || h.At.Compare(rec.At) <= 0 {
			continue
		}
		was := g.counts.At(g.n)
		g.n += h.amount()
		if st := g.counts.At(g.n); st != was {
			g.fixed.standing = st
			g.fixed.set(h.At, h.Key)
		}
	}
	if g.talk {
		g.words = fmt.Sprintf("%s of %s %s", milliText(g.n), milliText(l.Count), l.Of)
	}
}

// whileHolds leaves a limb out of the count whose conditions don't hold. What
// was not told does not hold.
func (s *State) whileHolds(g *gauge, l *Limb) {
	for i := range l.While {
		k, _ := s.told(l.While[i].Of)
		switch {
		case k == nil:
			g.idle, g.why = true, "it counts only while "+l.While[i].sentence()+", which was not told"
			return
		case evalCond(&l.While[i], k.Value, true) != certain:
			g.idle, g.why = true, "it counts only while "+l.While[i].sentence()+", and "+k.Name+" is "+k.Value
			return
		case g.told == nil || k.At.Compare(g.told.At) > 0:
			g.told = k
		}
	}
}
