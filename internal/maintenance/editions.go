package maintenance

import (
	"cmp"
	"fmt"
	"slices"
)

// editionTaken puts a chart in force. Meters and tasks are known by their ids:
// what the edition does not name is kept as it is, behind the others, and is
// there again when an edition names it. A task that is new has no record and is
// unknown.
func (t *step) editionTaken(b *EditionTaken) {
	s, hash := t.s, b.Chart.Hash()
	if s.Rules < WorkRules && b.Chart.NeedsWorkRules() {
		t.ignore(fmt.Sprintf("the edition needs rules %d", WorkRules))
		return
	}
	for i := range s.Editions {
		if o := &s.Editions[i]; o.Chart == b.Chart.ID && o.Edition == b.Chart.Edition && o.Hash != hash {
			t.ignore(fmt.Sprintf("edition %d of chart %s was taken with other content", o.Edition, o.Chart))
			return
		}
	}
	if s.Chart != nil && s.chartHash() == hash {
		t.ignore("this edition is in force already")
		return
	}
	s.remember(EditionSeen{Chart: b.Chart.ID, Edition: b.Chart.Edition, Hash: hash})
	s.Chart, s.work.chart, s.work.hash = b.Chart, b.Chart, hash
	s.orderMeters()
	t.orderTasks()
	t.effect(EffectChart, -1, fmt.Sprintf("edition %d of chart %s", b.Chart.Edition, b.Chart.ID))
	t.rebuildTasks()
	t.settleAll()
}

func (s *State) remember(e EditionSeen) {
	if slices.Contains(s.Editions, e) {
		return
	}
	s.Editions = appendBounded(s.Editions, e, EditionsKept)
}

// orderMeters puts the meters in the chart's order, then the others by id.
func (s *State) orderMeters() {
	old := s.Meters
	s.Meters = make([]Meter, 0, len(s.Chart.Meters)+len(old))
	for i := range s.Chart.Meters {
		m := Meter{ID: s.Chart.Meters[i].ID}
		if j := slices.IndexFunc(old, func(o Meter) bool { return o.ID == m.ID }); j >= 0 {
			m = old[j]
			old = slices.Delete(slices.Clone(old), j, j+1)
		}
		m.Gone = false
		s.Meters = append(s.Meters, m)
	}
	for _, m := range old {
		// One that was never read holds nothing.
		if len(m.Lives) > 0 || len(m.Held) > 0 {
			m.Gone = true
			s.Meters = append(s.Meters, m)
		}
	}
	named := len(s.Chart.Meters)
	slices.SortStableFunc(s.Meters[named:], func(a, b Meter) int { return cmp.Compare(a.ID, b.ID) })
	s.Meters = s.Meters[:min(len(s.Meters), MetersKept)]
}

// orderTasks puts the tasks in the chart's order, then the others by id.
func (t *step) orderTasks() {
	s := t.s
	old := make(map[string]Task, len(s.Tasks))
	for i := range s.Tasks {
		old[s.Tasks[i].ID] = s.Tasks[i]
	}
	tasks := make([]Task, 0, len(s.Chart.Tasks)+len(old))
	for i := range s.Chart.Tasks {
		id := s.Chart.Tasks[i].ID
		task, ok := old[id]
		if !ok {
			task = Task{ID: id, Limb: -1}
		}
		task.Gone = false
		tasks = append(tasks, task)
		delete(old, id)
	}
	var gone []Task
	for i := range s.Tasks {
		task, ok := old[s.Tasks[i].ID]
		switch {
		case ok && task.holds():
			task.Gone = true
			gone = append(gone, task)
		case ok:
			t.closeNotices(task.ID, StageOverdue, "the edition in force does not name its task")
		}
	}
	slices.SortStableFunc(gone, func(a, b Task) int { return cmp.Compare(a.ID, b.ID) })
	for len(gone) > GoneKept {
		over := &gone[len(gone)-1]
		if s.Rules >= WorkRules {
			t.closeNotices(over.ID, StageOverdue, goneWords)
		}
		gone = gone[:len(gone)-1]
	}
	s.Tasks = append(tasks, gone...)
	for i := range s.Tasks {
		if task := &s.Tasks[i]; task.Gone {
			t.closeNotices(task.ID, StageOverdue, goneWords)
			task.Rung = 0
		} else {
			meter := s.orderMeter(i)
			slices.SortStableFunc(task.Records, func(a, b TaskRecord) int { return a.compare(&b, meter) })
		}
	}
}

const goneWords = "the edition in force does not name its task"

// holds reports whether anything of a task would be lost with it. One without a
// record may be due by a trigger, or be put off.
func (t *Task) holds() bool {
	return len(t.Records)+len(t.Postponed)+len(t.Crossed) > 0 || t.State != DueUnknown
}
