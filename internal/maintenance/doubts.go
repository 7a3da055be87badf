package maintenance

import (
	"cmp"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// takes reports whether an answer fits a doubt.
func (k DoubtKind) takes(w DoubtWord) bool {
	switch k {
	case DoubtFell, DoubtFast:
		return w == DoubtNewMeter || w == DoubtWrong || w == DoubtRight
	case DoubtMoved:
		return w == DoubtSameMachine
	case DoubtOtherBox:
		return w == DoubtSameMachine || w == DoubtRight || w == DoubtNewMeter
	case DoubtMisplaced:
		return w == DoubtWrong
	case DoubtFork:
		return w == DoubtSameMachine || w == DoubtWrong
	case DoubtSameAct:
		return w == DoubtOneAct || w == DoubtTwoActs
	}
	return false
}

// choices names the answers that fit a doubt.
func (k DoubtKind) choices() string {
	switch k {
	case DoubtFell, DoubtFast:
		return "say that the meter is new, that the held readings are wrong or that they are right"
	case DoubtMoved:
		return "say that it is the same machine, or take the box off"
	case DoubtOtherBox:
		return "say that it is the same machine"
	case DoubtMisplaced:
		return "say that the held readings are wrong"
	case DoubtFork:
		return "say that it is the same machine once one box alone writes to it"
	case DoubtSameAct:
		return "say that the two records are one act, or two"
	}
	return "say which is right"
}

// stage is how urgent the notice of a doubt is: due where nothing counts until
// it is answered.
func (k DoubtKind) stage() Stage {
	if k == DoubtMoved || k == DoubtFork {
		return StageDue
	}
	return StageSoon
}

// openDoubt asks a person, unless the same is asked already.
func (t *step) openDoubt(d Doubt) {
	s := t.s
	for i := range s.Doubts {
		o := &s.Doubts[i]
		if o.Kind == DoubtSameAct || d.Kind == DoubtSameAct {
			if o.Key == d.Key { // once a pair
				return
			}
			continue
		}
		if o.Closed.IsZero() && o.Kind == d.Kind && o.Meter == d.Meter {
			return
		}
	}
	s.Doubts = append(s.Doubts, d)
	t.effect(EffectDoubtOpened, len(s.Doubts)-1, d.What)
	stage := d.Kind.stage()
	t.raise(Notice{ID: NoticeIDFor(s.Machine.Machine, "", d.Key, stage), Doubt: d.Key, Cycle: d.Key,
		Stage: stage, Raised: d.At, By: t.e.Key})
}

// FindingForked is the service's finding that two boxes write to one spool.
const FindingForked = "spool-forked"

// finding asks a person where a finding needs one. Every other finding is kept
// for the tasks that it makes due.
func (t *step) finding(b *Finding) {
	if b.Finding != FindingForked {
		t.found(b)
		return
	}
	what := "two boxes write to one spool, or it was set back to an older copy: what the second one brings is refused"
	for _, f := range b.Evidence {
		what += fmt.Sprintf("; %s %s", f.Name, f.Value)
	}
	t.openDoubt(Doubt{Key: t.e.Key, Kind: DoubtFork, At: t.e.At, What: what})
}

// doubtIndex returns the index of the doubt that an event raised, or -1.
func (s *State) doubtIndex(key Key) int {
	if key.IsZero() {
		return -1
	}
	for i := len(s.Doubts) - 1; i >= 0; i-- {
		if s.Doubts[i].Key == key {
			return i
		}
	}
	return -1
}

// closeDoubts closes a meter's open doubts about readings.
func (t *step) closeDoubts(meter, how string) {
	for _, kind := range [3]DoubtKind{DoubtFell, DoubtFast, DoubtMisplaced} {
		t.closeDoubtsOf(kind, meter, how)
	}
}

func (t *step) closeDoubtsOf(kind DoubtKind, meter, how string) {
	for i := range t.s.Doubts {
		if d := &t.s.Doubts[i]; d.Kind == kind && d.Meter == meter {
			t.closeDoubt(i, how)
		}
	}
}

func (t *step) closeDoubt(i int, how string) {
	d := &t.s.Doubts[i]
	if !d.Closed.IsZero() {
		return
	}
	d.Closed, d.How = t.e.Key, how
	t.effect(EffectDoubtClosed, i, how)
	for j := range t.s.Notices {
		if t.s.Notices[j].Doubt == d.Key {
			t.closeNotice(j, how)
		}
	}
}

// doubtAnswer resolves a doubt as a person says.
func (t *step) doubtAnswer(b *DoubtAnswer) {
	s := t.s
	i := s.doubtIndex(b.Doubt)
	if i < 0 || !s.Doubts[i].Closed.IsZero() || !s.Doubts[i].Kind.takes(b.Word) {
		t.ignore(fmt.Sprintf("doubt %v is not open or takes another answer", b.Doubt))
		return
	}
	d := s.Doubts[i]
	m := s.meterIndex(d.Meter)
	switch {
	case d.Kind == DoubtMoved:
		t.sameMachine(i)
	case d.Kind == DoubtSameAct:
		t.saidSameAct(i, b.Word)
	case d.Kind == DoubtOtherBox || d.Kind == DoubtFork || m < 0:
		t.closeDoubt(i, "a person said so")
	case b.Word == DoubtWrong:
		t.saidWrong(i, m, d.Kind)
	case b.Word == DoubtNewMeter:
		t.saidNew(i, m, d.Kind)
	case b.Word == DoubtRight:
		t.saidRight(i, m, d.Kind)
	}
}

// saidWrong leaves the held readings out of the question. They stay to be
// compared with: a meter that goes on from them is no more right than they.
func (t *step) saidWrong(i, m int, kind DoubtKind) {
	meter := &t.s.Meters[m]
	for j := range meter.Held {
		if h := &meter.Held[j]; h.Kind == kind {
			h.Wrong = true
		}
	}
	t.closeDoubt(i, "a person said that the held readings are wrong")
}

// firstHeld returns the earliest held reading of a kind that nobody said is
// wrong, or -1.
func (m *Meter) firstHeld(kind DoubtKind) int {
	for j := range m.Held {
		if h := &m.Held[j]; h.Kind == kind && !h.Wrong && len(m.Lives) > 0 {
			return j
		}
	}
	return -1
}

func (t *step) saidNew(i, m int, kind DoubtKind) {
	if from := t.s.Meters[m].firstHeld(kind); from >= 0 {
		t.openLife(m, from, "a person said that the meter is new")
	}
	t.closeDoubt(i, "a person said that the meter is new")
}

func (t *step) saidRight(i, m int, kind DoubtKind) {
	if from := t.s.Meters[m].firstHeld(kind); from >= 0 {
		t.carryOn(m, from, "a person said that the held readings are right")
	}
	t.closeDoubt(i, "a person said that the held readings are right")
}

// sameMachine takes over how the bus names itself and judges anew what was held.
func (t *step) sameMachine(i int) {
	s := t.s
	s.Moved = Key{}
	t.closeDoubt(i, "a person said that it is the same machine")
	t.takeNames(&s.MovedNames)
	s.MovedNames = BusNames{}
	for m := range s.Meters {
		t.judgeAgain(m, DoubtMoved)
	}
}

// askSameAct asks whether a record and another of the same tasks, near it in time
// and written elsewhere, are one act.
func (t *step) askSameAct(rec *TaskRecord, tasks []int) {
	mine := t.s.recordOn(rec.Record, tasks)
	if mine == nil || mine.About {
		return
	}
	others := t.s.Tasks[tasks[0]].Records
	for j := range others {
		o := &others[j]
		if o.Record == rec.Record || !o.Void.IsZero() || o.About || o.Carried || apart(o, mine) > SameActReach || !t.s.sameTasks(o.Record, rec.Record) {
			continue
		}
		a, b := o, mine
		if b.writtenBefore(a) {
			a, b = b, a
		}
		t.openDoubt(Doubt{Key: sameActKey(a.Record, b.Record), Kind: DoubtSameAct, At: t.e.At, Records: []Key{a.Record, b.Record},
			What: t.s.sameActText(a, b, tasks)})
	}
}

// recordOn returns the record as the first of some tasks keeps it, or nil.
func (s *State) recordOn(record Key, tasks []int) *TaskRecord {
	if len(tasks) == 0 {
		return nil
	}
	list := s.Tasks[tasks[0]].Records
	for j := range list {
		if list[j].Record == record && list[j].Void.IsZero() {
			return &list[j]
		}
	}
	return nil
}

// apart is how far two records lie apart in effective time.
func apart(a, b *TaskRecord) hours.Millis {
	d := a.At.Hi().Elapsed(b.At.Hi())
	return max(d, -d)
}

// writtenBefore orders records by when they were written down.
func (r *TaskRecord) writtenBefore(o *TaskRecord) bool {
	return cmp.Or(cmp.Compare(r.Known, o.Known), r.Record.Compare(o.Record)) < 0
}

// sameTasks reports whether two records stand at exactly the same tasks.
func (s *State) sameTasks(a, b Key) bool {
	for i := range s.Tasks {
		if (s.recordOn(a, []int{i}) == nil) != (s.recordOn(b, []int{i}) == nil) {
			return false
		}
	}
	return true
}

// sameActKey is the doubt's key: of the pair, whichever record came first.
func sameActKey(a, b Key) Key {
	if b.Compare(a) < 0 {
		a, b = b, a
	}
	return ServiceKey("same act", a.String(), b.String())
}

func (s *State) sameActText(a, b *TaskRecord, tasks []int) string {
	what := s.Tasks[tasks[0]].ID
	if len(tasks) > 1 {
		what = fmt.Sprintf("%s and %d more", what, len(tasks)-1)
	}
	return fmt.Sprintf("%s: two records %v h apart, %s by %s and %s by %s; say whether they are one act", what, apart(a, b),
		a.stamp(), orNobody(a.Person), b.stamp(), orNobody(b.Person))
}

// stamp is a record's time and hours in words.
func (r *TaskRecord) stamp() string {
	out := r.At.String()
	for _, h := range r.Hours {
		out += fmt.Sprintf(", %s %v h", h.Meter, h.Shown)
	}
	return out
}

func orNobody(person string) string {
	if person == "" {
		return "nobody named"
	}
	return person
}

// saidSameAct takes back the record that was written later, if the two are one.
func (t *step) saidSameAct(i int, word DoubtWord) {
	pair := t.s.Doubts[i].Records
	if word == DoubtTwoActs || len(pair) != 2 {
		t.closeDoubt(i, "a person said that they are two acts")
		return
	}
	t.closeDoubt(i, "a person said that they are one act: record "+pair[1].String()+" is taken back")
	t.takeBack(pair[1])
	t.settleAll()
}
