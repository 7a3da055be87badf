package maintenance

import (
	"sort"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// dayTurned adds a work day. The latest day known is today; months are counted
// by it.
func (t *step) dayTurned(b *DayTurned) {
	s := t.s
	was := s.today()
	pos := len(s.Days)
	for pos > 0 && s.Days[pos-1].Date > b.Date {
		pos--
	}
	s.Days = append(s.Days, Day{})
	copy(s.Days[pos+1:], s.Days[pos:])
	s.Days[pos] = Day{Date: b.Date, From: b.From, Until: b.Until, Listened: s.listenedIn(b.From, b.Until)}
	s.topsIn(b)
	s.datesOfHappenings(b)
	if s.Rules >= WorkRules {
		s.datesOfRecords(b)
	}
	if len(s.Days) > DaysKept {
		s.Days = append(s.Days[:0], s.Days[1:]...)
	}
	if today := s.today(); today != was {
		t.turned, t.wasToday = true, int64(was)
		t.settleAll()
		t.turned = false
	} else if s.Rules >= WorkRules {
		t.settleAll() // a day that turned late may have been worked
	}
}

// topsIn gives a day that turned late the readings already taken in it.
func (s *State) topsIn(b *DayTurned) {
	for i := range s.Meters {
		m := &s.Meters[i]
		for j := range m.Trail {
			if p := &m.Trail[j]; p.At.NotAfter >= b.From && p.At.NotAfter < b.Until {
				m.topOn(b.Date, p.Total, p.Life)
			}
		}
		if len(m.Lives) > 0 && m.TotalAt.NotAfter >= b.From && m.TotalAt.NotAfter < b.Until {
			m.topOn(b.Date, m.Total, m.Folded+uint32(len(m.Lives)-1))
		}
	}
}

// datesOfRecords gives records in a day that turned late their date, and what came
// of them.
func (s *State) datesOfRecords(b *DayTurned) {
	give := func(d *civil.Date, at moment.Instant) {
		if *d == civil.None && at >= b.From && at < b.Until {
			*d = b.Date
		}
	}
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			r := &s.Tasks[i].Records[j]
			give(&r.Date, r.At.NotAfter)
		}
	}
	for i := range s.Parts {
		for j := range s.Parts[i].Pieces {
			p := &s.Parts[i].Pieces[j]
			give(&p.Date, p.At.NotAfter)
		}
	}
	for i := range s.Measures {
		for j := range s.Measures[i].Values {
			v := &s.Measures[i].Values[j]
			give(&v.Date, v.At.NotAfter)
		}
	}
	for i := range s.Used {
		give(&s.Used[i].Date, s.Used[i].At.NotAfter)
	}
	for i := range s.Walks {
		give(&s.Walks[i].Date, s.Walks[i].At.NotAfter)
	}
}

// today is the latest work day known, None before the first.
func (s *State) today() civil.Date {
	if len(s.Days) == 0 {
		return civil.None
	}
	return s.Days[len(s.Days)-1].Date
}

// dayKnown reports whether a day is known, or older than all that are kept.
func (s *State) dayKnown(d civil.Date) bool {
	return s.dayIndex(d) >= 0 || len(s.Days) >= DaysKept && d < s.Days[0].Date
}

// dayIndex returns the index of a date, -1 where it is not known.
func (s *State) dayIndex(d civil.Date) int {
	i := sort.Search(len(s.Days), func(i int) bool { return s.Days[i].Date >= d })
	if i < len(s.Days) && s.Days[i].Date == d {
		return i
	}
	return -1
}

// dayAt returns the index of the work day that an instant lies in, or -1.
func (s *State) dayAt(at moment.Instant) int {
	i := len(s.Days) - 1
	if i < 0 || at >= s.Days[i].Until {
		return -1
	}
	if at < s.Days[i].From {
		i = sort.Search(len(s.Days), func(i int) bool { return s.Days[i].Until > at })
	}
	if at < s.Days[i].From {
		return -1
	}
	return i
}

// dateAt returns the work day of an instant, None where it is not known.
func (s *State) dateAt(at moment.Instant) civil.Date {
	if i := s.dayAt(at); i >= 0 {
		return s.Days[i].Date
	}
	return civil.None
}

// DayHours is what one meter ran in one work day.
type DayHours struct {
	Date  civil.Date
	Hours hours.Millis
	Total hours.Millis // the machine's hours at the end of the day
}

// DayHours returns what a meter ran in each work day in which it was read,
// oldest first: the difference of the highest totals. Hours between two days
// that were both read count for the later one. The first day counts from the
// machine's first reading, and is left out where that is no longer known.
func (s *State) DayHours(meter string) []DayHours {
	i := s.meterIndex(meter)
	if i < 0 {
		return nil
	}
	m := &s.Meters[i]
	out := make([]DayHours, 0, len(m.DayTops))
	for j, top := range m.DayTops {
		switch {
		case j > 0:
			out = append(out, DayHours{top.Date, max(top.Total-m.DayTops[j-1].Total, 0), top.Total})
		case m.Folded == 0 && len(m.Lives) > 0 && s.dateAt(m.Lives[0].From.NotAfter) == top.Date:
			out = append(out, DayHours{top.Date, max(top.Total-m.Lives[0].Offset, 0), top.Total})
		}
	}
	return out
}
