// Package counter puts the domain's counters in the order in which tasks come
// due, and gives each figure its time. The figures are the domain's.
package counter

import (
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Tasks calls yield with each task that the edition in force names, in the
// chart's order, until it returns false.
func Tasks(s *maintenance.State, yield func(*maintenance.Task, *maintenance.TaskDef) bool) {
	if s.Chart == nil {
		return
	}
	for i := range min(len(s.Tasks), len(s.Chart.Tasks)) { // the chart's come first, in its order
		if t, def := &s.Tasks[i], &s.Chart.Tasks[i]; !t.Gone && t.ID == def.ID && !yield(t, def) {
			return
		}
	}
}

// CanBeDue reports whether a task with no service on record may be due without
// anyone knowing: it has an interval, and is not known to be off this machine.
// What is done by hand only, after an event, or never, waits for nothing.
func CanBeDue(t *maintenance.Task, def *maintenance.TaskDef) bool {
	return len(def.Limbs) > 0 && t.Build != maintenance.BuildNot
}

// Meter finds a meter of the machine, nil where it has none of that id.
func Meter(s *maintenance.State, id string) *maintenance.Meter {
	for i := range s.Meters {
		if s.Meters[i].ID == id {
			return &s.Meters[i]
		}
	}
	return nil
}

// First says which of a task's intervals comes first, -1 where none is known.
func First(c *maintenance.Count) int {
	first := -1
	for i := range c.Limbs {
		if c.Limbs[i].Known && !c.Limbs[i].Idle && (first < 0 || sooner(&c.Limbs[i], &c.Limbs[first])) {
			first = i
		}
	}
	return first
}

// workDay is how long a machine runs in a day of the season, to set hours beside
// days where they are ordered: 10 h (common practice, no source).
const workDay = 10 * hours.Hour

// Until is how much running time, or what stands for it, is left until due;
// below 0 beyond it. What is counted, and what has triggered, has no time left:
// its due state orders it.
func Until(l *maintenance.LimbCount) hours.Millis {
	switch {
	case l.InHours:
		return l.Left
	case l.InDays:
		return hours.Millis(l.DaysLeft) * workDay
	case l.Kind == maintenance.LimbDays:
		return hours.Millis(l.CountDue-l.Counted) * workDay
	}
	return 0
}

// sooner reports whether a comes before b: by due state, then by what is left.
func sooner(a, b *maintenance.LimbCount) bool {
	if a.State != b.State {
		return a.State > b.State
	}
	return Until(a) < Until(b)
}

// AsOf is when an interval's figures were so: at the meter's last accepted
// reading, or when the work day turned.
func AsOf(s *maintenance.State, l *maintenance.LimbCount) moment.Span {
	if l.InDays && !l.InHours || l.Kind == maintenance.LimbSeason {
		if n := len(s.Days); n > 0 {
			return moment.At(s.Days[n-1].From)
		}
		return moment.Span{}
	}
	if m := Meter(s, l.Meter); m != nil {
		return m.TotalAt
	}
	return moment.Span{}
}
