package maintenance

import "fmt"

// confirmed lets a record count that waits for someone who may do the work, and
// is a second person's signature where the task asks for one.
func (t *step) confirmed(b *Confirmed) {
	done := false
	for i := range t.s.Tasks {
		done = t.confirmTask(i, b) || done
	}
	if !done {
		t.ignore(fmt.Sprintf("record %v does not wait for this person", b.Record))
		return
	}
	t.settleAll()
}

func (t *step) confirmTask(i int, b *Confirmed) bool {
	task := &t.s.Tasks[i]
	was := task.latestKey()
	for j := range task.Records {
		r := &task.Records[j]
		if r.Record != b.Record || !t.s.mayConfirm(i, r, b) {
			continue
		}
		r.Waiting, r.Confirm = false, t.e.Key
		task.cull(t.s.remembered(i))
		if task.latestKey() != was {
			t.openCycle(i, "confirmed: record "+b.Record.String())
		}
		t.effect(EffectRecord, i, "confirmed")
		t.settleIf(i, was)
		return true
	}
	return false
}

// mayConfirm reports whether someone's word makes a task's waiting record count,
// or signs for one that counts.
func (s *State) mayConfirm(i int, r *TaskRecord, b *Confirmed) bool {
	who := 0
	if def := s.taskDef(i); def != nil {
		who = rankOf(def.Who)
	}
	if b.As == "" || rankOf(b.As) < who {
		return false
	}
	return r.Waiting || s.wantsSign(i, r) && b.Person != "" && b.Person != r.Person
}

// wantsSign reports whether a record that counts waits for a second person's
// signature.
func (s *State) wantsSign(i int, r *TaskRecord) bool {
	def := s.taskDef(i)
	return def != nil && def.SignOff && r.stands() && r.Confirm.IsZero()
}

func (s *State) suitsConfirmed(b *Confirmed) *fault {
	if b.As == "" {
		return &fault{"as", "it does not say who confirms", "say operator, technician or dealer"}
	}
	if f := suitsPart(b.As, false); f != nil {
		return f
	}
	known, waits, void, signs := false, "", false, false
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			r := &s.Tasks[i].Records[j]
			if r.Record != b.Record {
				continue
			}
			known, void = true, void || !r.Void.IsZero()
			if r.Void.IsZero() && s.mayConfirm(i, r, b) {
				return nil
			}
			signs = signs || s.wantsSign(i, r)
			if def := s.taskDef(i); def != nil && (r.Waiting || signs && rankOf(b.As) < rankOf(def.Who)) {
				waits = def.Who
			}
		}
	}
	switch {
	case !known:
		return &fault{"record", fmt.Sprintf("record %v is not among those that count on this machine", b.Record), "name one that waits"}
	case void:
		return &fault{"record", "it is void", "log the work anew"}
	case waits != "":
		return &fault{"as", fmt.Sprintf("it is work for the %s, and the %s may not confirm it", waits, b.As), "ask the " + waits}
	case signs:
		return &fault{"person", "a second person signs, and not who did it", "let another person sign"}
	}
	return &fault{"record", "it counts already", "nothing is left to do"}
}
