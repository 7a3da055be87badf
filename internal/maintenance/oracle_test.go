package maintenance

import (
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// oracle works out totals, cycles and due states from all that happened, sorted
// by when it happened, in the plainest way. It shares nothing with the rules but
// the types of events.
type oracle struct {
	readings []oracleReading
	records  []oracleRecord
	today    civil.Date
}

type oracleReading struct {
	at    moment.Instant
	shown hours.Millis
	life  int // which physical meter
}

type oracleRecord struct {
	key     Key
	at      moment.Instant
	date    civil.Date
	shown   hours.Millis // -1: not read
	life    int
	task    int
	arrived int
	voided  int // when its void arrived, -1 never
	void    Key
}

// totals are the machine's hours at each reading, in order of time.
func (o *oracle) totals() []oracleReading {
	rs := slices.Clone(o.readings)
	slices.SortStableFunc(rs, func(a, b oracleReading) int { return int(a.at - b.at) })
	var base, first hours.Millis
	total, life := hours.Millis(0), -1
	for i := range rs {
		if rs[i].life != life {
			base, first, life = total, rs[i].shown, rs[i].life
			if i == 0 {
				base = rs[i].shown
			}
		}
		total = max(total, base+rs[i].shown-first)
		rs[i].shown = total
	}
	return rs
}

// total is the machine's hours at an instant.
func (o *oracle) total(at moment.Instant) hours.Millis {
	var out hours.Millis
	for _, r := range o.totals() {
		if r.at <= at {
			out = r.shown
		}
	}
	return out
}

// mapped is what a figure read at a service is in machine's hours.
func (o *oracle) mapped(shown hours.Millis, life int) hours.Millis {
	rs := o.totals()
	raw := slices.Clone(o.readings)
	slices.SortStableFunc(raw, func(a, b oracleReading) int { return int(a.at - b.at) })
	for i := range raw {
		if raw[i].life == life {
			return rs[i].shown + shown - raw[i].shown
		}
	}
	return shown
}

// cycle is the record that counts for a task, its hours, and the event that
// opened its cycle.
func (o *oracle) cycle(task int) (rec *oracleRecord, at hours.Millis, opened Key) {
	var mine []*oracleRecord
	for i := range o.records {
		if o.records[i].task == task {
			mine = append(mine, &o.records[i])
		}
	}
	slices.SortFunc(mine, func(a, b *oracleRecord) int { return int(a.at - b.at) })
	latest := -1
	for i, r := range mine {
		if r.voided < 0 {
			latest = i
		}
	}
	if latest < 0 {
		return nil, 0, Key{}
	}
	rec = mine[latest]
	opened, arrived := rec.key, rec.arrived
	for _, r := range mine[latest+1:] {
		if r.voided > arrived {
			opened, arrived = r.void, r.voided
		}
	}
	at = o.total(rec.at)
	if rec.shown >= 0 {
		at = o.mapped(rec.shown, rec.life)
	}
	return rec, at, opened
}

// due is the due state of a task with an interval in hours, and one in months
// where months is above 0.
func (o *oracle) due(task int, every, soon, late hours.Millis, months int) DueState {
	rec, at, _ := o.cycle(task)
	if rec == nil {
		return DueUnknown
	}
	var now hours.Millis
	for _, r := range o.totals() {
		now = max(now, r.shown)
	}
	ran, out := now-at, NotDue
	switch {
	case ran >= every+late:
		out = Overdue
	case ran >= every:
		out = Due
	case ran >= every-soon:
		out = DueSoon
	}
	if months == 0 {
		return out
	}
	y, m, d := rec.date.YMD()
	m += months
	y, m = y+(m-1)/12, (m-1)%12+1
	date, ok := civil.Of(y, m, d)
	for !ok {
		d--
		date, ok = civil.Of(y, m, d)
	}
	tenth := civil.Date(max((int(date)-int(rec.date))/10, 1))
	switch {
	case o.today >= date+tenth:
		return Overdue
	case o.today >= date:
		return max(out, Due)
	case o.today >= date-tenth:
		return max(out, DueSoon)
	}
	return out
}
