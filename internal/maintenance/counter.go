package maintenance

import (
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// ErrUnknownTask is wrapped where a machine has no task of that name.
var ErrUnknownTask = errors.New("the machine has no such task")

// LimbCount is how far one thing that can make a task due is: an interval, a
// trigger or the checks after a part is new. Where Known is false it can't be
// told or does not count now, and Why says why; only what is written in the chart
// is set then.
type LimbCount struct {
	Kind  LimbKind // 0 for triggers and run-ins
	State DueState
	Known bool
	Why   string

	// LimbHours and what else stands in machine's hours of Meter (InHours).
	Meter                 string
	Every                 hours.Millis
	Since                 hours.Millis // run since the service, at least 0
	Left                  hours.Millis // to due; negative beyond it
	SoonAt, DueAt, LateAt hours.Millis // totals from which soon, due and overdue hold

	// LimbMonths and what else stands in civil dates of the site (InDays).
	Months                uint32
	DaysLeft              int // to due; negative beyond it
	SoonOn, DueOn, LateOn civil.Date

	// Rules 2.

	InHours, InDays bool // which of the figures above hold
	// Words is on what it stands, such as "2 of 3 days worked" or "20 min after
	// fitting fan-belt: at 1450.63 h", "" where the figures say all.
	Words string
	Basis BasisKind // who says so, 0 not said
	// Beside: a figure shown beside the one in force; it decides nothing.
	Beside  bool
	Idle    bool // it is known that it does not count now
	Grid    bool
	Trigger TriggerKind // of a trigger, 0 none
	Of      string      // what is counted, what triggers, or the part that is run in
	RunIn   bool
	// LimbDays and LimbCounted: days worked, or thousandths counted, and from how
	// many on it is soon, due and overdue.
	Counted, CountSoon, CountDue, CountLate int64
}

// Count is a task's counter.
type Count struct {
	Task   string
	State  DueState
	Limb   int         // which of Limbs decides State, -1 none
	Record *TaskRecord // that opened the cycle, nil: none on record
	// Limbs are all that can decide: the intervals in force, then the triggers,
	// then the run-ins, in the chart's order.
	Limbs []LimbCount

	// Rules 2.

	// Beside are the book's intervals while a practice holds in their place, or
	// the practice's while the book's hold; Practice says which and why.
	Beside    []LimbCount
	Practice  string
	Postponed string // by whom, until when and why; "" it is not
	Soft      bool   // it rings nobody
	Build     BuildWord
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
	t, def := &s.Tasks[i], &s.Chart.Tasks[i]
	c := Count{Task: t.ID, State: t.State, Limb: t.Limb, Record: t.latest(), Soft: def.Soft, Build: t.Build}
	limbs, why := s.limbsOf(i)
	c.Practice = why
	basis := s.countBeside(&c, def, limbs)
	for j := range limbs {
		c.Limbs = append(c.Limbs, s.limbCount(&limbs[j], c.Record, basis))
	}
	for j := range def.Triggers {
		c.Limbs = append(c.Limbs, s.triggerCount(&def.Triggers[j], c.Record, def.Basis))
	}
	for j := range def.RunIns {
		c.Limbs = append(c.Limbs, s.runInCount(&def.RunIns[j], c.Record, def.Basis))
	}
	if t.Build != BuildFitted {
		for j := range c.Limbs {
			c.Limbs[j].Known, c.Limbs[j].State, c.Limbs[j].Why = false, DueUnknown, t.Build.String()
		}
	}
	if p := t.putOff(); p != nil {
		c.Postponed = p.words()
	}
	return c
}

// countBeside counts the figures that a task has beside those in force, and
// returns on what basis the latter stand.
func (s *State) countBeside(c *Count, def *TaskDef, inForce []Limb) BasisKind {
	if s.Rules < WorkRules || len(def.Instead) == 0 {
		return def.Basis
	}
	d := &def.Instead[0]
	beside, basis, force := d.Limbs, d.Basis, def.Basis
	if len(inForce) > 0 && len(d.Limbs) > 0 && &inForce[0] == &d.Limbs[0] {
		beside, basis, force = def.Limbs, def.Basis, d.Basis
	}
	for j := range beside {
		n := s.limbCount(&beside[j], c.Record, basis)
		n.Beside = true
		c.Beside = append(c.Beside, n)
	}
	return force
}

// noDates is a count without figures.
func noDates() LimbCount {
	return LimbCount{SoonOn: civil.None, DueOn: civil.None, LateOn: civil.None}
}

func (s *State) limbCount(l *Limb, rec *TaskRecord, basis BasisKind) LimbCount {
	c := noDates()
	c.Kind, c.Meter, c.Every, c.Months, c.Grid, c.Of, c.Basis = l.Kind, l.Meter, l.Every, l.Months, l.Grid, l.Of, basis
	if rec == nil {
		c.Why = "no service on record"
		return c
	}
	g := s.limbGauge(l, rec, true)
	s.countGauge(&c, &g)
	if from, ok := rec.on(c.Meter); ok && c.InHours {
		c.Since = max(hours.Sub(s.Meters[g.meter].Total, from), 0)
	}
	return c
}

func (s *State) triggerCount(tr *TriggerDef, rec *TaskRecord, basis BasisKind) LimbCount {
	c := noDates()
	c.Trigger, c.Of, c.Meter, c.Basis = tr.Kind, tr.Name, tr.Meter, basis
	g := s.triggerGauge(tr, rec, true)
	s.countGauge(&c, &g)
	return c
}

func (s *State) runInCount(d *RunInDef, rec *TaskRecord, basis BasisKind) LimbCount {
	c := noDates()
	c.RunIn, c.Of, c.Meter, c.Basis = true, d.Part, d.Meter, basis
	g := s.runInGauge(d, rec, true)
	s.countGauge(&c, &g)
	if p := s.pieceOn(d.Part); p != nil && c.InHours {
		if from, ok := shownOn(p.Hours, c.Meter); ok {
			c.Since = max(hours.Sub(s.Meters[g.meter].Total, from), 0)
		}
	}
	return c
}

// countGauge puts a gauge's figures into a count.
func (s *State) countGauge(c *LimbCount, g *gauge) {
	c.Why, c.Idle, c.Words = g.why, g.idle, g.words
	if !g.tells() {
		return
	}
	st := g.standing(s)
	c.Known, c.State = st > 0, DueState(st)
	if g.meter >= 0 {
		total := s.Meters[g.meter].Total
		c.InHours, c.Meter = true, s.Meters[g.meter].ID
		c.SoonAt, c.DueAt, c.LateAt = g.hours.Soon, g.hours.Due, g.hours.Overdue
		c.Left = hours.Sub(g.hours.Due, total)
	}
	if g.dated {
		c.InDays = true
		c.SoonOn, c.DueOn, c.LateOn = shownDate(g.dates.Soon), shownDate(g.dates.Due), shownDate(g.dates.Overdue)
		c.DaysLeft = c.DueOn.Sub(s.today())
	}
	if g.counted {
		c.Counted, c.CountSoon, c.CountDue, c.CountLate = g.n, g.counts.Soon, g.counts.Due, g.counts.Overdue
	}
	c.dueNow(g)
}

// dueNow leaves no figure to what is due from the moment that it happened.
func (c *LimbCount) dueNow(g *gauge) {
	if g.fixed.standing == 0 || g.counted {
		return
	}
	c.DueOn, c.SoonOn, c.DaysLeft = civil.None, civil.None, 0
	c.SoonAt, c.DueAt, c.Left = 0, 0, 0
}

// shownDate is a threshold, None for one that no day reaches.
func shownDate(d civil.Date) civil.Date {
	if d == civil.Last {
		return civil.None
	}
	return d
}
