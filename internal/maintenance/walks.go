package maintenance

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// WalkRecord is the id of the service record that an answer of a walk-round is
// for one task: answer is the key of the event that gave it. The record can be
// voided under it.
func WalkRecord(answer Key, task string) Key {
	return ServiceKey("walk record", answer.String(), task)
}

// WalkRemark is the id of the remark that an answer of a walk-round opens for one
// task.
func WalkRemark(answer Key, task string) Key {
	return ServiceKey("walk remark", answer.String(), task)
}

// String gives the answer in the words that pages use.
func (w LookedWord) String() string {
	switch w {
	case LookedInOrder:
		return "in order"
	case LookedRemark:
		return "remark"
	case LookedNot:
		return "not looked"
	case LookedNotHere:
		return "not on this machine"
	}
	return fmt.Sprintf("answer %d", uint8(w))
}

// walk takes in a step of a walk-round.
func (t *step) walk(b *Walk) {
	if f := t.s.suitsWalk(t.e, b); f != nil {
		t.ignore(f.text())
		return
	}
	switch b.Act {
	case WalkBegin:
		t.walkBegun(b)
		t.answers(t.e.Key, b)
	case WalkAnswer:
		t.answers(b.Walk, b)
	case WalkSign:
		t.walkSigned(b)
	case WalkLeave:
		w := t.s.walkSeen(b.Walk)
		w.Left, w.Why, w.Ended = t.e.Key, b.Why, t.e.At
		t.effect(EffectWalk, t.s.walkIndex(b.Walk), "given up: "+b.Why)
	}
}

func (t *step) walkBegun(b *Walk) {
	s := t.s
	w := WalkSeen{Key: t.e.Key, Occasion: b.Occasion, Chart: s.Chart.ID, Edition: s.Chart.Edition, At: t.e.At, Date: b.Date, Person: b.Person}
	if w.Date == civil.None {
		w.Date = s.dateAt(t.e.At.Hi())
	}
	s.dropWalk()
	pos := len(s.Walks)
	for pos > 0 && comesAfter(s.Walks[pos-1].At, s.Walks[pos-1].Key, w.At, w.Key) {
		pos--
	}
	s.Walks = slices.Insert(s.Walks, pos, w)
	t.effect(EffectWalk, pos, "begun: "+b.Occasion)
}

// dropWalk makes room for a walk-round: the oldest that is over goes first, or
// else the oldest.
func (s *State) dropWalk() {
	if len(s.Walks) < WalksKept {
		return
	}
	i := slices.IndexFunc(s.Walks, func(w WalkSeen) bool { return w.overNow() || len(s.walkMissing(&w)) == 0 })
	s.Walks = slices.Delete(s.Walks, max(i, 0), max(i, 0)+1)
}

func (t *step) walkSigned(b *Walk) {
	s := t.s
	w := s.walkSeen(b.Walk)
	w.Signed, w.SignedBy, w.SignedAs, w.Ended = t.e.Key, b.Person, s.signAs(w), t.e.At
	if b.As != "" {
		w.SignedAs = b.As
	}
	t.effect(EffectWalk, s.walkIndex(b.Walk), "signed")
}

// answers takes in the answers of one event; of two for one task the last.
func (t *step) answers(walk Key, b *Walk) {
	for i := range b.Looked {
		task := b.Looked[i].Task
		if !slices.ContainsFunc(b.Looked[i+1:], func(o Looked) bool { return o.Task == task }) {
			t.answer(walk, b, &b.Looked[i])
		}
	}
	if len(b.Looked) > 0 {
		t.effect(EffectWalk, t.s.walkIndex(walk), fmt.Sprintf("%d answers", len(b.Looked)))
		t.settleAll() // other tasks may wait for what was done
	}
}

// answer takes in one task's answer. The latest by time stands: the record of
// the one before it is void, and that of one which comes late is so from the
// beginning. A remark stays open whatever is answered after it: a record or a
// person's word closes it.
func (t *step) answer(walk Key, b *Walk, l *Looked) {
	w := t.s.walkSeen(walk)
	said := LookedAt{Task: l.Task, Word: l.Word, At: t.e.At, By: t.e.Key, Person: b.Person, Text: l.Text}
	if said.Person == "" {
		said.Person = w.Person
	}
	stands := Key{} // the answer that stands instead, zero: this one
	var before Key
	i, there := slices.BinarySearchFunc(w.Looked, l.Task, func(o LookedAt, task string) int { return strings.Compare(o.Task, task) })
	switch {
	case !there:
		w.Looked = slices.Insert(w.Looked, i, said)
	case comesAfter(said.At, said.By, w.Looked[i].At, w.Looked[i].By):
		before, w.Looked[i] = w.Looked[i].By, said
	default:
		stands = w.Looked[i].By
	}
	t.answerRecord(b, l, said.Person, stands)
	if !before.IsZero() {
		t.unanswer(l.Task, before)
	}
	if l.Word == LookedRemark {
		t.answerRemark(walk, l, said.Person)
	}
}

// answerRecord is the service record of an answer: a check or a measurement that
// is in order is done. Values count with any answer; not looked opens nothing.
func (t *step) answerRecord(b *Walk, l *Looked, person string, void Key) {
	s := t.s
	i := s.taskIndex(l.Task)
	if i < 0 || s.Tasks[i].Gone || s.Chart == nil || i >= len(s.Chart.Tasks) || l.Word != LookedInOrder && l.Word != LookedRemark {
		return
	}
	rec := TaskRecord{Record: WalkRecord(t.e.Key, l.Task), At: t.e.At, Known: t.e.Known, Date: b.Date, Person: person, Void: void}
	if rec.Date == civil.None {
		rec.Date = s.dateAt(t.e.At.Hi())
	}
	rec.Hours, rec.Looked = s.hoursOf(&ServiceDone{}, t.e.At)
	t.answerMeasured(i, l, &rec, void)
	if l.Word != LookedInOrder || !looks(&s.Chart.Tasks[i]) {
		return
	}
	if rec.As = b.As; rec.As != "" && rankOf(rec.As) < rankOf(s.Chart.Tasks[i].Who) {
		rec.Said, rec.Waiting = SaidWho, true
	}
	t.record(i, rec, "")
}

// answerMeasured keeps the values of an answer. One that says remark opens its
// own remark, so its values open none.
func (t *step) answerMeasured(i int, l *Looked, rec *TaskRecord, void Key) {
	if t.s.measureOf(i) == nil {
		if len(l.Measured) > 0 {
			t.effect(EffectMeasure, -1, fmt.Sprintf("nothing is measured at task %q now: its values stand in the journal only", l.Task))
		}
		return
	}
	values := copyOf(l.Measured)
	for k := range values {
		values[k].Task = l.Task
	}
	if void.IsZero() {
		t.takeMeasured(values, rec, []int{i}, l.Word == LookedInOrder)
	}
}

// looks reports whether a task is done by looking or measuring.
func looks(d *TaskDef) bool { return d.Do == "check" || d.Do == "measure" }

// unanswer voids the record of an answer that no longer stands, and forgets its
// values: answers given again and again would push out those of years.
func (t *step) unanswer(task string, answer Key) {
	key := WalkRecord(answer, task)
	t.s.forgetValues(task, key)
	i := t.s.taskIndex(task)
	if i < 0 {
		return
	}
	tk := &t.s.Tasks[i]
	was := tk.latestKey()
	for j := range tk.Records {
		r := &tk.Records[j]
		if r.Record != key || !r.Void.IsZero() {
			continue
		}
		r.Void = t.e.Key
		if tk.latestKey() != was {
			t.openCycle(i, "a later answer of the walk-round stands")
		}
		t.effect(EffectRecord, i, "void: a later answer of the walk-round stands")
		t.settleIf(i, was)
	}
}

// answerRemark opens the remark of an answer, with the verdict of the task's
// criterion where none was given.
func (t *step) answerRemark(walk Key, l *Looked, person string) {
	s := t.s
	r := Remark{Task: l.Task, Text: l.Text, Verdict: l.Verdict, DoBy: civil.None, Pictures: l.Pictures, Walk: walk, Person: person}
	if i := s.taskIndex(l.Task); i >= 0 && s.Chart != nil && i < len(s.Chart.Tasks) {
		d := &s.Chart.Tasks[i]
		r.Point = d.Point
		if len(d.Else) > 0 {
			r.Name = d.Else[0].Remark
			if r.Verdict == 0 {
				r.Verdict = d.Else[0].Verdict
			}
		}
	}
	if r.Verdict == 0 {
		r.Verdict = RunWatched
	}
	t.openRemark(r, WalkRemark(t.e.Key, l.Task), t.e.At)
}

func (s *State) walkIndex(key Key) int {
	return slices.IndexFunc(s.Walks, func(w WalkSeen) bool { return w.Key == key })
}

// walkSeen returns a walk-round that is kept, nil where it is not.
func (s *State) walkSeen(key Key) *WalkSeen {
	if i := s.walkIndex(key); i >= 0 {
		return &s.Walks[i]
	}
	return nil
}

// walkDef returns an occasion of the chart, nil where there is none of that id.
func (s *State) walkDef(occasion string) *WalkDef {
	if s.Chart == nil {
		return nil
	}
	for i := range s.Chart.Walks {
		if s.Chart.Walks[i].ID == occasion {
			return &s.Chart.Walks[i]
		}
	}
	return nil
}

// walkTasks are the tasks that are looked at on an occasion, as indexes of the
// chart: those that name it, or, where none does, all that are done by looking
// or measuring. One that is not on this machine, or on an attachment that is off,
// is left out; one of which that is not known is not.
func (s *State) walkTasks(occasion string) []int {
	if s.Chart == nil {
		return nil
	}
	named := slices.ContainsFunc(s.Chart.Tasks, func(d TaskDef) bool { return slices.Contains(d.Walks, occasion) })
	var out []int
	for i := range min(len(s.Chart.Tasks), len(s.Tasks)) {
		d := &s.Chart.Tasks[i]
		on := slices.Contains(d.Walks, occasion)
		if !named {
			on = looks(d) && s.Tasks[i].Build == BuildFitted
		}
		if on && d.Do != doNever && s.Tasks[i].Build != BuildNot && s.attached(d.Point) {
			out = append(out, i)
		}
	}
	return out
}

// walkMissing are the tasks of a walk-round that are on this machine and have no
// answer.
func (s *State) walkMissing(w *WalkSeen) []string {
	var out []string
	for _, i := range s.walkTasks(w.Occasion) {
		if s.Tasks[i].Build == BuildFitted && w.answerFor(s.Tasks[i].ID) == nil {
			out = append(out, s.Tasks[i].ID)
		}
	}
	return out
}

// answerFor is the answer that stands for a task, nil where there is none.
func (w *WalkSeen) answerFor(task string) *LookedAt {
	if i, there := slices.BinarySearchFunc(w.Looked, task, func(o LookedAt, task string) int { return strings.Compare(o.Task, task) }); there {
		return &w.Looked[i]
	}
	return nil
}

// signAs says as what a walk-round is signed.
func (s *State) signAs(w *WalkSeen) string {
	if d := s.walkDef(w.Occasion); d != nil && d.Sign == SignReceiver {
		return "receiver"
	}
	return "second"
}

// suitsWalk refuses a step that the walk-round can't take.
func (s *State) suitsWalk(e *Event, b *Walk) *fault {
	if f := s.notAhead(e); f != nil {
		return f
	}
	if b.Act == WalkBegin {
		if s.walkDef(b.Occasion) == nil {
			return s.noOccasion(b.Occasion)
		}
		return s.suitsAnswers(b, &WalkSeen{Occasion: b.Occasion, Chart: s.Chart.ID, Edition: s.Chart.Edition})
	}
	w := s.walkSeen(b.Walk)
	if w == nil {
		return &fault{"walk", fmt.Sprintf("walk-round %v is unknown on this machine", b.Walk), "begin one, or name one of the last that were begun"}
	}
	switch {
	case b.Act == WalkAnswer && w.overNow() && e.At.Compare(w.Ended) > 0,
		b.Act != WalkAnswer && w.overNow():
		return &fault{"walk", "the walk-round is over: " + w.over(), "begin another one, or write a remark"}
	case b.Act == WalkAnswer && len(b.Looked) == 0:
		return &fault{"looked", "no answer is given", "say what was looked at"}
	case b.Act != WalkAnswer && len(b.Looked) > 0:
		return &fault{"looked", "answers come with a signature or with giving it up", "send the answers first"}
	case b.Act == WalkLeave && b.Why == "":
		return &fault{"why", "given up without a reason", "say why"}
	case b.Act == WalkSign:
		return s.suitsSign(b, w)
	}
	return s.suitsAnswers(b, w)
}

func (s *State) noOccasion(occasion string) *fault {
	if s.Chart == nil {
		return &fault{"occasion", "the machine has no chart yet", "let it take an edition first"}
	}
	return &fault{"occasion", fmt.Sprintf("the chart has no walk-round %q", occasion),
		"name one of " + listed(s.Chart.Walks, func(d *WalkDef) string { return d.ID })}
}

// overNow reports whether the walk-round was signed or given up.
func (w *WalkSeen) overNow() bool { return !w.Signed.IsZero() || !w.Left.IsZero() }

func (w *WalkSeen) over() string {
	if w.Left.IsZero() {
		return "signed by " + w.SignedBy
	}
	return "given up: " + w.Why
}

func (s *State) suitsSign(b *Walk, w *WalkSeen) *fault {
	d := s.walkDef(w.Occasion)
	if d != nil && d.Sign == SignNone {
		return &fault{"act", fmt.Sprintf("walk-round %q is not signed", w.Occasion), "nothing is left to do"}
	}
	if b.Person == "" {
		return &fault{"person", "nobody signs", "say who signs"}
	}
	walked := b.Person == w.Person
	for i := range w.Looked {
		walked = walked || w.Looked[i].Person == b.Person
	}
	switch as := s.signAs(w); {
	case walked:
		return &fault{"person", fmt.Sprintf("%s walked round or answered, and can't sign as well", b.Person), "let another person sign"}
	case b.As != "" && b.As != as:
		return &fault{"as", fmt.Sprintf("signed as %q, and this walk-round is signed by the %s", b.As, as), fmt.Sprintf("say %q, or leave it out", as)}
	}
	if missing := s.walkMissing(w); len(missing) > 0 {
		return &fault{"walk", fmt.Sprintf("%d tasks have no answer: %s", len(missing), namesListed(missing, 12)), "answer them, with \"not looked\" where that is so"}
	}
	return nil
}

// suitsAnswers refuses answers for what the walk-round does not look at. After a
// change of edition any task is taken that it may have had.
func (s *State) suitsAnswers(b *Walk, w *WalkSeen) *fault {
	if f := suitsPart(b.As, true); f != nil {
		return f
	}
	if len(w.Looked)+len(b.Looked) > LookedKept {
		return &fault{"looked", fmt.Sprintf("more than %d answers", LookedKept), "begin another walk-round"}
	}
	same := s.Chart != nil && s.Chart.ID == w.Chart && s.Chart.Edition == w.Edition
	on := make(map[string]bool)
	for _, i := range s.walkTasks(w.Occasion) {
		on[s.Tasks[i].ID] = true
	}
	remarks := s.remarksOpen()
	for i := range b.Looked {
		l := &b.Looked[i]
		if l.Word == LookedRemark {
			remarks++
		}
		switch {
		case !on[l.Task] && same && !(s.notHere(l.Task) && l.Word == LookedNotHere):
			return &fault{"task", fmt.Sprintf("task %q is not looked at in walk-round %q on this machine", l.Task, w.Occasion), "name a task of its sheet"}
		case remarks > RemarksOpen:
			return &fault{"looked", fmt.Sprintf("%d remarks are open on this machine, and no more are taken", RemarksOpen), "close those that are done"}
		case !on[l.Task] && s.measureOf(s.taskIndex(l.Task)) == nil:
			continue // it may have been measured before
		}
		if f := s.suitsLooked(l); f != nil {
			return f
		}
	}
	return nil
}

// notHere reports whether a task is on the chart and not on this machine, or on an
// attachment that is off.
func (s *State) notHere(task string) bool {
	i := s.taskIndex(task)
	if i < 0 {
		return false
	}
	def := s.taskDef(i)
	return s.Tasks[i].Build == BuildNot || def != nil && !s.attached(def.Point)
}

func (s *State) suitsLooked(l *Looked) *fault {
	if f := s.suitsAnswerMeasured(l); f != nil {
		return f
	}
	d := s.measureOf(s.taskIndex(l.Task))
	switch {
	case len(l.Measured) > 0 && l.Word != LookedInOrder && l.Word != LookedRemark:
		return &fault{"measured", fmt.Sprintf("values for %q, which was %s", l.Task, l.Word), "say in order or remark, or leave the values out"}
	case l.Word == LookedInOrder && d != nil && len(l.Measured) == 0:
		return &fault{"measured", fmt.Sprintf("%q is measured, and no value is given", l.Task), "give what was measured, or say \"not looked\""}
	}
	return nil
}

// suitsAnswerMeasured refuses values of another task, and those that do not fit
// what the task measures.
func (s *State) suitsAnswerMeasured(l *Looked) *fault {
	for i := range l.Measured {
		v := l.Measured[i]
		if v.Task != "" && v.Task != l.Task {
			return &fault{"measured", fmt.Sprintf("a value of task %q in the answer for %q", v.Task, l.Task), "give each task's values with its own answer"}
		}
		v.Task = l.Task
		if f := s.suitsMeasured(&v, nil); f != nil {
			return f
		}
	}
	return nil
}
