package maintenance

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// limbsOf are the limbs in force of a task: the book's, or those of a practice
// in its place where its terms are met. Where the task has a practice, why says
// which it is and for what reason.
func (s *State) limbsOf(i int) (limbs []Limb, why string) {
	def := &s.Chart.Tasks[i]
	if s.Rules < WorkRules || len(def.Instead) == 0 {
		return def.Limbs, ""
	}
	d := &def.Instead[0]
	for _, name := range d.NotIf {
		switch k, _ := s.traitKnown(name); {
		case k == nil:
			return def.Limbs, fmt.Sprintf("the book holds: whether %s is not known", name)
		case k.Value != No:
			return def.Limbs, fmt.Sprintf("the book holds: %s is %s", name, k.Value)
		}
	}
	if missed := s.missed(d, s.Tasks[i].latest()); missed != "" {
		return def.Limbs, "falls back to the book: " + missed
	}
	return d.Limbs, "the practice holds in place of the book"
}

// missed says which of the tasks that a practice asks for was not done in which
// season closed since the record, or "".
func (s *State) missed(d *InsteadDef, rec *TaskRecord) string {
	if rec == nil || rec.Date == civil.None {
		return ""
	}
	seasons := s.seasonsOf("")
	for k := range seasons {
		n := &seasons[k]
		if n.Closed == civil.None || n.Closed <= rec.Date || n.Closed > s.today() {
			continue
		}
		for _, task := range d.Provided {
			if !s.doneIn(task, n) {
				return fmt.Sprintf("%s was not done in season %s", task, n.Season)
			}
		}
	}
	return ""
}

// remembered are the seasons of which the last record of a task is kept beyond
// those that count, since a practice is held to it; none for most tasks.
func (s *State) remembered(i int) []SeasonSeen {
	def := s.taskDef(i)
	if s.Rules < WorkRules || def == nil {
		return nil
	}
	for j := range s.Chart.Tasks {
		for k := range s.Chart.Tasks[j].Instead {
			list := s.Chart.Tasks[j].Instead[k].Provided
			if slices.Contains(list, def.ID) || def.Set != "" && slices.Contains(list, def.Set) {
				return s.seasonsOf("")
			}
		}
	}
	return nil
}

// doneIn reports whether a task, or one of a set, has a record in a season.
func (s *State) doneIn(name string, n *SeasonSeen) bool {
	for i := range s.Tasks {
		if s.Tasks[i].ID != name && !s.inSet(s.Tasks[i].ID, name) {
			continue
		}
		for j := range s.Tasks[i].Records {
			if r := &s.Tasks[i].Records[j]; r.stands() && r.Date != civil.None && n.holds(r.Date) {
				return true
			}
		}
	}
	return false
}
