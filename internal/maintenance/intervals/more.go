package intervals

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// The least by which a check at a set time after a part is new is overdue after
// it is due, and the mark from which on it is announced.
const (
	LeastRunIn  = 5 * hours.Minute
	SoonRunInAt = 10 * hours.Hour
)

// OverdueAt are the thresholds of what is overdue at a total and nothing before.
func OverdueAt(total hours.Millis) Hours { return Hours{Soon: total, Due: total, Overdue: total} }

// NoDates are thresholds that no day reaches.
var NoDates = Dates{Soon: civil.Last, Due: civil.Last, Overdue: civil.Last}

// OfGrid returns the thresholds of an interval that is due at whole multiples of
// every on the meter, for a service at from hours. One done up to a tenth of the
// interval early counts for its multiple. Soon and late are as in OfHours.
func OfGrid(from, every, soon, late hours.Millis) Hours {
	if every <= 0 {
		return OfHours(from, every, soon, late)
	}
	done := hours.Add(from, every/share)
	steps := done / every
	if done < 0 && done%every != 0 {
		steps--
	}
	h := OfHours(steps*every, every, soon, late)
	h.Soon = max(h.Soon, min(from, h.Due))
	return h
}

// OfRunIn returns the thresholds of a check at a mark of running after a part was
// fitted at from hours: announced a tenth before from a mark of ten hours on, and
// overdue a tenth after, at least LeastRunIn.
func OfRunIn(from, mark hours.Millis) Hours {
	due := hours.Add(from, mark)
	h := Hours{Soon: due, Due: due, Overdue: hours.Add(due, max(mark/share, LeastRunIn))}
	if mark >= SoonRunInAt {
		h.Soon = hours.Sub(due, mark/share)
	}
	return h
}

// OfGridMonths returns the thresholds of an interval that is due at whole steps
// of months from a date of the calendar, for a service on a day: the first step
// later than the service and a tenth of the interval. No step lies before from.
// Month ends clamp. False where a date is not known or lies beyond the calendar.
func OfGridMonths(from, done civil.Date, months, soon, late uint32) (Dates, bool) {
	if !from.Known() || !done.Known() || months == 0 || months > 1<<20 {
		return Dates{Soon: civil.None, Due: civil.None, Overdue: civil.None}, false
	}
	fy, fm, _ := from.YMD()
	dy, dm, _ := done.YMD()
	step := int(months)
	k := max(((dy-fy)*12+dm-fm)/step-1, 0)
	for {
		due := from.AddMonths(k * step)
		before := from.AddMonths((k - 1) * step)
		if due == civil.None {
			return Dates{Soon: civil.None, Due: civil.None, Overdue: civil.None}, false
		}
		length := from.AddMonths(step).Sub(from)
		if before != civil.None {
			length = due.Sub(before)
		}
		tenth := max(length/share, LeastDays)
		if due.Sub(done) > tenth {
			return around(due, tenth, soon, late, done), true
		}
		k++
	}
}

// OfDays returns the thresholds of a number of days from a day on.
func OfDays(from civil.Date, days uint32) (Dates, bool) {
	due := from.AddDays(int(min(days, 1<<20)))
	if due == civil.None {
		return Dates{Soon: civil.None, Due: civil.None, Overdue: civil.None}, false
	}
	return around(due, max(due.Sub(from)/share, LeastDays), 0, 0, from), true
}

// around returns the thresholds about a due date, none before from.
func around(due civil.Date, tenth int, soon, late uint32, from civil.Date) Dates {
	before, after := int(min(soon, 1<<20)), int(min(late, 1<<20))
	if before == 0 {
		before = tenth
	}
	if after == 0 {
		after = tenth
	}
	over := due.AddDays(after)
	if over == civil.None {
		over = civil.Last
	}
	return Dates{Soon: max(due.AddDays(-before), from), Due: due, Overdue: over}
}

// Counts are the thresholds of a limb that counts days worked or amounts.
type Counts struct{ Soon, Due, Overdue int64 }

// OfWorkDays returns the thresholds of a number of days worked. Fewer than ten
// are not announced; overdue starts a tenth after, at least a day worked. Soon
// and late, where not 0, stand in place of the tenth.
func OfWorkDays(days, soon, late uint32) Counts {
	n := int64(days)
	before, after := int64(soon), int64(late)
	if before == 0 && n >= share {
		before = n / share
	}
	if after == 0 {
		after = max(n/share, LeastDays)
	}
	return Counts{Soon: max(n-before, 1), Due: n, Overdue: n + after}
}

// OfCount returns the thresholds of a count in thousandths: a tenth before and
// after, at least one unit. What lies a unit after the last service is not
// announced.
func OfCount(count int64) Counts {
	tenth := max(count/share, 1000)
	c := Counts{Soon: count - tenth, Due: count, Overdue: count + tenth}
	if c.Soon <= 0 {
		c.Soon = count
	}
	return c
}

// At says how the limb stands at a count.
func (c Counts) At(n int64) Standing {
	switch {
	case n >= c.Overdue:
		return Overdue
	case n >= c.Due:
		return Due
	case n >= c.Soon:
		return Soon
	}
	return NotDue
}

// Threshold returns the count from which a standing holds; 0 for those that have
// none.
func (c Counts) Threshold(s Standing) int64 {
	switch s {
	case Soon:
		return c.Soon
	case Due:
		return c.Due
	case Overdue:
		return c.Overdue
	}
	return 0
}

// BeforeOpening returns the thresholds of what is done before a season that opens
// on a date: soon days before, due days before, and overdue from the opening on.
func BeforeOpening(opening civil.Date, soon, due uint32) Dates {
	d := Dates{Soon: opening.AddDays(-int(min(soon, 1<<20))), Due: opening.AddDays(-int(min(due, 1<<20))), Overdue: opening}
	d.Soon = min(d.Soon, d.Due)
	return d
}
