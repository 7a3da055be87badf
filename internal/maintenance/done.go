package maintenance

import (
	"fmt"
	"slices"
	"strings"
)

// The words of work that the rules look at.
const (
	doNever   = "never"   // forbidden: no round has it
	doChange  = "change"  // a new piece goes in
	doReplace = "replace" // likewise
)

// tasksDone returns the indexes of the tasks that a record stands for, once each:
// those it names, the items of sets it names, those of its round and what these
// cover. A task that failed is not done.
func (s *State) tasksDone(b *ServiceDone) []int {
	done := make([]bool, len(s.Tasks))
	for i := range s.Tasks {
		def := s.taskDef(i)
		done[i] = slices.Contains(b.Tasks, s.Tasks[i].ID) ||
			def != nil && s.inRound(i) && (b.Round != "" && def.Round == b.Round || def.Set != "" && slices.Contains(b.Tasks, def.Set))
	}
	s.cover(done)
	var out []int
	for i := range done {
		if done[i] && !s.failed(b, i) {
			out = append(out, i)
		}
	}
	return out
}

// taskDef is the task in the edition in force, nil where it does not name it.
func (s *State) taskDef(i int) *TaskDef {
	if s.Chart == nil || i < 0 || i >= len(s.Chart.Tasks) {
		return nil
	}
	return &s.Chart.Tasks[i]
}

// inRound reports whether a task is done with others: it is on this machine, the
// attachment that it is at is on, and it is not forbidden.
func (s *State) inRound(i int) bool {
	def := s.taskDef(i)
	return def != nil && s.Tasks[i].Build != BuildNot && def.Do != doNever && s.attached(def.Point)
}

// failed reports whether a record says that a task was tried and failed.
func (s *State) failed(b *ServiceDone, i int) bool {
	if slices.Contains(b.Failed, s.Tasks[i].ID) {
		return true
	}
	def := s.taskDef(i)
	return def != nil && def.Set != "" && slices.Contains(b.Failed, def.Set)
}

// cover adds what the tasks done cover, and what that covers.
func (s *State) cover(done []bool) {
	var next []int
	for i := range done {
		if done[i] {
			next = append(next, i)
		}
	}
	for len(next) > 0 {
		def := s.taskDef(next[0])
		next = next[1:]
		if def == nil || len(def.Covers) == 0 {
			continue
		}
		for i := range s.Chart.Tasks {
			c := &s.Chart.Tasks[i]
			if i < len(done) && !done[i] && s.inRound(i) && (slices.Contains(def.Covers, c.ID) || c.Set != "" && slices.Contains(def.Covers, c.Set)) {
				done[i] = true
				next = append(next, i)
			}
		}
	}
}

// hasTask reports whether a task, or a set of items, is on the machine.
func (s *State) hasTask(id string) bool {
	if s.taskIndex(id) >= 0 {
		return true
	}
	return s.Rules >= WorkRules && s.Chart != nil && id != "" &&
		slices.ContainsFunc(s.Chart.Tasks, func(t TaskDef) bool { return t.Set == id })
}

// rankOf orders who may do what: anyone, operator, technician, dealer. An unknown
// word is anyone's.
func rankOf(word string) int {
	switch word {
	case "operator":
		return 1
	case "technician":
		return 2
	case "dealer":
		return 3
	}
	return 0
}

// suitsPart refuses a part in the trade that nobody has.
func suitsPart(as string, empty bool) *fault {
	if as == "" && empty || as == "anyone" || rankOf(as) > 0 {
		return nil
	}
	return &fault{"as", fmt.Sprintf("%q is no part in the trade", as), "say operator, technician or dealer"}
}

// suitsDoneMore holds what a record says under WorkRules to what the state knows.
func (s *State) suitsDoneMore(b *ServiceDone) *fault {
	for _, task := range b.Failed {
		if !s.hasTask(task) {
			return &fault{"failed", fmt.Sprintf("task %q is unknown on this machine", task), "name a task of its chart"}
		}
		if slices.Contains(b.Tasks, task) {
			return &fault{"failed", fmt.Sprintf("task %q is done and failed", task), "say one of the two"}
		}
	}
	for i := range b.Found {
		if f := s.suitsTask("found", b.Found[i].Task); f != nil {
			return f
		}
	}
	for i := range b.Seen {
		if f := s.suitsSeen(&b.Seen[i]); f != nil {
			return f
		}
	}
	tasks := s.tasksOf(b)
	for i := range b.Measured {
		if f := s.suitsMeasured(&b.Measured[i], tasks); f != nil {
			return f
		}
	}
	return first(suitsPart(b.As, true), s.suitsParts(b), s.suitsMaterials(b), s.suitsCloses(b))
}

func (s *State) suitsTask(field, task string) *fault {
	if s.taskIndex(task) >= 0 {
		return nil
	}
	return &fault{field, fmt.Sprintf("task %q is unknown on this machine", task), "name a task of its chart"}
}

// suitsSeen refuses a criterion that the task does not have.
func (s *State) suitsSeen(w *SeenWord) *fault {
	if f := s.suitsTask("seen", w.Task); f != nil || w.Criterion == "" {
		return f
	}
	def := s.taskDef(s.taskIndex(w.Task))
	var names []string
	for i := 0; def != nil && i < len(def.See); i++ {
		names = append(names, def.See[i].Name)
	}
	if def == nil || slices.Contains(names, w.Criterion) {
		return nil
	}
	do := "leave it out: it has none"
	if len(names) > 0 {
		do = "name one of " + strings.Join(names, ", ")
	}
	return &fault{"seen", fmt.Sprintf("task %q has no criterion %q", w.Task, w.Criterion), do}
}

func (s *State) suitsCloses(b *ServiceDone) *fault {
	for _, key := range b.Closes {
		i := s.remarkIndex(key)
		if i < 0 {
			return &fault{"closes", fmt.Sprintf("remark %v is unknown", key), "name one of the machine's open remarks"}
		}
		if r := &s.Remarks[i]; !r.Closed.IsZero() {
			return &fault{"closes", fmt.Sprintf("remark %v is closed: %s", key, r.How), "name one of the machine's open remarks"}
		}
	}
	return nil
}

// unhappen forgets what failed by a void record.
func (t *step) unhappen(record Key) bool {
	was := len(t.s.Happened)
	t.s.Happened = slices.DeleteFunc(t.s.Happened, func(h Happening) bool { return h.Kind == HappenedFailed && h.Key == record })
	return len(t.s.Happened) < was
}

// otherStands reports whether a piece, a material, a finding or a value of a
// record stands, and whether any is known. A record of parts alone has no task.
func (s *State) otherStands(record Key) (stands, known bool) {
	see := func(of, void Key) {
		if of == record {
			known, stands = true, stands || void.IsZero()
		}
	}
	for i := range s.Parts {
		for _, p := range s.Parts[i].Pieces {
			see(p.Record, p.Void)
		}
	}
	for i := range s.Used {
		see(s.Used[i].Record, s.Used[i].Void)
	}
	for i := range s.FoundAt {
		see(s.FoundAt[i].Record, s.FoundAt[i].Void)
	}
	for i := range s.Measures {
		for _, v := range s.Measures[i].Values {
			see(v.Record, v.Void)
		}
	}
	for i := range s.Happened {
		if s.Happened[i].Kind == HappenedFailed {
			see(s.Happened[i].Key, Key{})
		}
	}
	return stands, known
}
