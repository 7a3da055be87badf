// Package intervals holds the thresholds of one limb of an interval: from where
// on a task is soon, due and overdue, in hours of a meter or in civil dates, and
// which of several limbs comes first.
package intervals

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Standing is how far a limb is. The numbers are in order of urgency.
type Standing uint8

// The standings.
const (
	Unknown Standing = 0
	NotDue  Standing = 1
	Soon    Standing = 2
	Due     Standing = 3
	Overdue Standing = 4
)

// The share of an interval by which soon comes before due and overdue after,
// and the least that this is.
const (
	share      = 10
	LeastHours = hours.Hour
	LeastDays  = 1
)

// Hours are the thresholds of a limb in machine's hours of one meter.
type Hours struct{ Soon, Due, Overdue hours.Millis }

// OfHours returns the thresholds of an interval that began when the machine had
// from hours. Soon starts a tenth of the interval (cut to the millisecond)
// before due and overdue a tenth after, at least an hour each; soon and late,
// where not 0, stand in place of the tenth. Soon never starts before from.
func OfHours(from, every, soon, late hours.Millis) Hours {
	tenth := max(every/share, LeastHours)
	if soon == 0 {
		soon = tenth
	}
	if late == 0 {
		late = tenth
	}
	due := hours.Add(from, every)
	return Hours{Soon: max(hours.Sub(due, soon), from), Due: due, Overdue: hours.Add(due, late)}
}

// At says how the limb stands when the machine has total hours.
func (h Hours) At(total hours.Millis) Standing {
	switch {
	case total >= h.Overdue:
		return Overdue
	case total >= h.Due:
		return Due
	case total >= h.Soon:
		return Soon
	}
	return NotDue
}

// Next returns the lowest threshold above total; false where all are passed.
func (h Hours) Next(total hours.Millis) (hours.Millis, bool) {
	for _, t := range [3]hours.Millis{h.Soon, h.Due, h.Overdue} {
		if t > total {
			return t, true
		}
	}
	return 0, false
}

// Threshold returns where a standing begins; 0 for those that have none.
func (h Hours) Threshold(s Standing) hours.Millis {
	switch s {
	case Soon:
		return h.Soon
	case Due:
		return h.Due
	case Overdue:
		return h.Overdue
	}
	return 0
}

// Dates are the thresholds of a limb in civil dates: the first day on which
// each standing holds.
type Dates struct{ Soon, Due, Overdue civil.Date }

// OfMonths returns the thresholds of an interval of months from its anchor.
// Month ends clamp. Soon starts a tenth of the days between anchor and due (cut
// to the day) before due and overdue a tenth after, at least a day each; soon
// and late, where not 0, stand in place of the tenth. False where the anchor is
// not known or due lies beyond the calendar.
func OfMonths(anchor civil.Date, months, soon, late uint32) (Dates, bool) {
	due := anchor.AddMonths(int(min(months, 1<<20)))
	if due == civil.None {
		return Dates{Soon: civil.None, Due: civil.None, Overdue: civil.None}, false
	}
	return around(due, max(due.Sub(anchor)/share, LeastDays), soon, late, anchor), true
}

// At says how the limb stands on a day; Unknown where the day is not known.
func (d Dates) At(today civil.Date) Standing {
	switch {
	case today == civil.None:
		return Unknown
	case today >= d.Overdue:
		return Overdue
	case today >= d.Due:
		return Due
	case today >= d.Soon:
		return Soon
	}
	return NotDue
}

// Threshold returns the first day of a standing; None for those without one.
func (d Dates) Threshold(s Standing) civil.Date {
	switch s {
	case Soon:
		return d.Soon
	case Due:
		return d.Due
	case Overdue:
		return d.Overdue
	}
	return civil.None
}

// First returns the more urgent of two limbs' standings, since whichever comes
// first counts, and whether the second is it. The first keeps a tie, and an
// unknown limb never decides over a known one.
func First(a, b Standing) (Standing, bool) {
	if b > a {
		return b, true
	}
	return a, false
}
