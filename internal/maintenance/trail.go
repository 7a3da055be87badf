package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// trail remembers when a total was first read: one point a bucket, the earliest
// of it. What is kept depends on the readings alone, not on their order.
func (m *Meter) trail(total hours.Millis, at moment.Span, life uint32) {
	n := len(m.Trail)
	if n > 0 && total/trailFine == m.Trail[n-1].Total/trailFine && m.Trail[n-1].Life == life && at.Compare(m.Trail[n-1].At) >= 0 {
		return
	}
	pos := n
	for pos > 0 && (m.Trail[pos-1].Life > life || m.Trail[pos-1].Life == life && m.Trail[pos-1].Total > total) {
		pos--
	}
	if pos < n && (m.Trail[pos].At.Compare(at) <= 0 || m.Trail[pos].Total < total) {
		return // a higher total was read earlier, or a person took it back
	}
	if n > 0 && total < m.Trail[n-1].Total-trailReach {
		return
	}
	from := pos
	for from > 0 && m.Trail[from-1].At.Compare(at) > 0 {
		from-- // lower totals that were read later say nothing
	}
	m.Trail = append(m.Trail, TrailPoint{})
	copy(m.Trail[from+1:], m.Trail[pos:])
	m.Trail = m.Trail[:n+1-(pos-from)]
	m.Trail[from] = TrailPoint{At: at, Total: total, Life: life}
	m.thin()
}

// thin keeps the earliest point of each bucket and drops what lies too far back.
func (m *Meter) thin() {
	if len(m.Trail) < 2 {
		return
	}
	top := m.Trail[len(m.Trail)-1].Total
	kept := m.Trail[:0]
	for _, p := range m.Trail {
		if p.Total < top-trailReach {
			continue
		}
		if n := len(kept); n > 0 && kept[n-1].Life == p.Life && sameBucket(kept[n-1].Total, p.Total, top) {
			continue
		}
		kept = append(kept, p)
	}
	if over := len(kept) - trailMost; over > 0 {
		kept = append(kept[:0], kept[over:]...)
	}
	m.Trail = kept
}

// sameBucket reports whether two totals, a not above b, share one point: a
// coarse bucket where all of it lies further back than the near part.
func sameBucket(a, b, top hours.Millis) bool {
	if a/trailFine == b/trailFine {
		return true
	}
	return a/trailCoarse == b/trailCoarse && (b/trailCoarse+1)*trailCoarse <= top-trailNear
}

// top keeps the highest total of the work day in which a reading certainly was
// reached: that of the latest instant it may be from. It reports whether that may
// change which days the meter ran on.
func (m *Meter) top(s *State, total hours.Millis, at moment.Span, life uint32) bool {
	if at.NotAfter == 0 {
		return false
	}
	if day := s.dayAt(at.NotAfter); day >= 0 {
		return m.topOn(s.Days[day].Date, total, life)
	}
	return false
}

func (m *Meter) topOn(date civil.Date, total hours.Millis, life uint32) bool {
	pos := len(m.DayTops)
	for pos > 0 && m.DayTops[pos-1].Date > date {
		pos--
	}
	if pos > 0 && m.DayTops[pos-1].Date == date {
		top := &m.DayTops[pos-1]
		if total <= top.Total {
			return false
		}
		ran := pos == len(m.DayTops) && m.ranOn(pos-1)
		top.Total, top.Life = total, life
		return !ran
	}
	if pos == 0 && len(m.DayTops) >= DaysKept {
		return false
	}
	m.DayTops = append(m.DayTops, DayTop{})
	copy(m.DayTops[pos+1:], m.DayTops[pos:])
	m.DayTops[pos] = DayTop{Date: date, Total: total, Life: life}
	if len(m.DayTops) > DaysKept {
		m.DayTops = append(m.DayTops[:0], m.DayTops[1:]...)
	}
	return true
}

// ranOn reports whether a day's highest total lies above all before it.
func (m *Meter) ranOn(j int) bool {
	if j == 0 {
		return m.Folded == 0 && len(m.Lives) > 0 && m.DayTops[0].Total > m.Lives[0].Offset
	}
	return m.DayTops[j].Total > m.DayTops[j-1].Total
}

// hoursAt looks up the machine's hours at an instant: the highest total read by
// then. Where there is none, the first reading after, if it came within
// LookupReach, less the time in between.
func (s *State) hoursAt(i int, at moment.Instant) (hours.Millis, bool) {
	m := &s.Meters[i]
	if len(m.Lives) == 0 {
		return 0, false
	}
	if m.TotalAt != (moment.Span{}) && m.TotalAt.Hi() <= at {
		return m.Total, true
	}
	best, found := hours.Millis(0), false
	for j := len(m.Trail) - 1; j >= 0; j-- {
		if m.Trail[j].At.Hi() <= at {
			best, found = m.Trail[j].Total, true
			break
		}
	}
	if !found {
		best, found = s.dayTopBy(m, at)
	}
	if found {
		return best, true
	}
	return m.justAfter(at)
}

// dayTopBy returns the highest total of the days that ended by an instant.
func (s *State) dayTopBy(m *Meter, at moment.Instant) (hours.Millis, bool) {
	for j := len(m.DayTops) - 1; j >= 0; j-- {
		if d := s.dayIndex(m.DayTops[j].Date); d >= 0 && s.Days[d].Until <= at {
			return m.DayTops[j].Total, true
		}
	}
	return 0, false
}

// justAfter works back from the first reading, where it followed closely.
func (m *Meter) justAfter(at moment.Instant) (hours.Millis, bool) {
	if len(m.Trail) == 0 || m.Folded > 0 || m.Trail[0].Life != 0 || m.Trail[0].At.NotAfter == 0 {
		return 0, false
	}
	gap := m.Trail[0].At.NotAfter.Elapsed(at)
	if gap > LookupReach || m.Trail[0].Total > m.Lives[0].Offset {
		return 0, false
	}
	return max(m.Trail[0].Total-gap, 0), true
}

// firstAt returns when a total was first reached, as far as the trail reaches.
func (m *Meter) firstAt(total hours.Millis) (moment.Span, bool) {
	if len(m.Trail) == 0 || m.Trail[0].Total >= total {
		return moment.Span{}, false
	}
	for j := range m.Trail {
		if m.Trail[j].Total >= total {
			return m.Trail[j].At, true
		}
	}
	return m.TotalAt, m.Total >= total
}
