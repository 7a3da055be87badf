package maintenance

import (
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/intervals"
)

// ErrUnknownTask is wrapped where a machine has no task of that name.
var ErrUnknownTask = errors.New("the machine has no such task")

// LimbCount is how far one interval of a task is. Where Known is false it can't
// be told, and Why says why; only Kind, Meter and the interval are set then.
type LimbCount struct {
	Kind  LimbKind
	State DueState
	Known bool
	Why   string

	// LimbHours, in machine's hours of Meter.
	Meter                 string
	Every                 hours.Millis
	Since                 hours.Millis // run since the service, at least 0
	Left                  hours.Millis // to due; negative beyond it
	SoonAt, DueAt, LateAt hours.Millis // totals from which soon, due and overdue hold

	// LimbMonths, in civil dates of the site.
	Months                uint32
	DaysLeft              int // to due; negative beyond it
	SoonOn, DueOn, LateOn civil.Date
}

// Count is a task's counter.
type Count struct {
	Task   string
	State  DueState
	Limb   int         // which of Limbs decides State, -1 none
	Record *TaskRecord // that opened the cycle, nil: none on record
	Limbs  []LimbCount
}

// Counter returns how far a task of the edition in force is through its
// interval. The error wraps ErrUnknownTask.
func Counter(s *State, task string) (Count, error) {
	i := s.taskIndex(task)
	if i < 0 || s.Tasks[i].Gone || s.Chart == nil || i >= len(s.Chart.Tasks) {
		return Count{}, fmt.Errorf("task %q on machine %q: %w", task, s.Machine.Machine, ErrUnknownTask)
	}
	return s.counter(i), nil
}

// counter is Counter of the task at an index of the chart.
func (s *State) counter(i int) Count {
	t := &s.Tasks[i]
	c := Count{Task: t.ID, State: t.State, Limb: t.Limb, Record: t.latest()}
	for j := range s.Chart.Tasks[i].Limbs {
		c.Limbs = append(c.Limbs, s.limbCount(&s.Chart.Tasks[i].Limbs[j], c.Record))
	}
	return c
}

func (s *State) limbCount(l *Limb, rec *TaskRecord) LimbCount {
	c := LimbCount{Kind: l.Kind, Meter: l.Meter, Every: l.Every, Months: l.Months, SoonOn: civil.None, DueOn: civil.None, LateOn: civil.None}
	switch {
	case rec == nil:
		c.Why = "no service on record"
	case l.Kind == LimbHours:
		s.countHours(&c, l, rec)
	case l.Kind == LimbMonths:
		s.countMonths(&c, l, rec)
	}
	return c
}

func (s *State) countHours(c *LimbCount, l *Limb, rec *TaskRecord) {
	m := s.meterIndex(l.Meter)
	from, ok := rec.on(l.Meter)
	switch {
	case m < 0 || len(s.Meters[m].Lives) == 0:
		c.Why = "the meter has never been read"
		return
	case !ok:
		c.Why = "the meter was not read at the service nor near it"
		return
	}
	h, total := l.hours(from), s.Meters[m].Total
	c.Known, c.State = true, DueState(h.At(total))
	c.Since, c.Left = max(hours.Sub(total, from), 0), hours.Sub(h.Due, total)
	c.SoonAt, c.DueAt, c.LateAt = h.Soon, h.Due, h.Overdue
}

func (s *State) countMonths(c *LimbCount, l *Limb, rec *TaskRecord) {
	d, ok := l.months(rec.Date)
	switch {
	case !ok:
		c.Why = "the service has no date"
		return
	case s.today() == civil.None:
		c.Why = "no work day has turned yet"
		return
	}
	st := d.At(s.today())
	c.Known, c.State = st != intervals.Unknown, DueState(st)
	c.DaysLeft = d.Due.Sub(s.today())
	c.SoonOn, c.DueOn, c.LateOn = d.Soon, d.Due, d.Overdue
}
