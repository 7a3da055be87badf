package maintenance

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// serviceDone takes in a service record. Hours that were read at the service
// count as a person's readings too, where they fit; hours of meters that were
// not read are looked up by time.
func (t *step) serviceDone(b *ServiceDone) {
	s, more := t.s, t.s.Rules >= WorkRules
	tasks := s.tasksOf(b)
	if len(tasks) == 0 && !(more && len(b.Parts)+len(b.Failed) > 0) {
		t.ignore("the record names no task of this machine")
		return
	}
	says := Says(s, t.e)
	t.later = true
	odd := t.readShown(b)
	rec := TaskRecord{Record: t.e.Key, At: t.e.At, Known: t.e.Known, Date: s.doneOn(t.e, b), Person: b.Person}
	rec.Hours, rec.Looked = s.hoursOf(b, t.e.At)
	for _, i := range tasks {
		r := rec
		if more {
			r.As, r.About = b.As, b.About
			r.Said = saidOf(says, s.Tasks[i].ID)
			r.Waiting = r.Said&SaidWho != 0
		}
		t.record(i, r, odd)
	}
	if more {
		t.logMore(b, &rec, tasks, says)
	}
	t.later = false
	for _, w := range t.waiting {
		t.settleMoved(w)
	}
	if more {
		t.settleAll()
	}
	s.thresholds()
}

// readShown counts what the meters showed at the service and says which of it
// does not fit.
func (t *step) readShown(b *ServiceDone) (odd string) {
	for i := range b.Shown {
		m := t.s.meterIndex(b.Shown[i].Meter)
		if m < 0 {
			continue
		}
		r := shownAt{shown: b.Shown[i].Shown, step: HandStep, origin: OriginPerson, key: t.e.Key, at: t.e.At, quiet: true}
		if !t.read(m, r) {
			odd = fmt.Sprintf("; %v h on %s does not fit the readings and moved no counter", r.shown, b.Shown[i].Meter)
		}
	}
	return odd
}

// doneOn is the civil date of a record: as it says, or else by its time. Of one
// that was done at about then, and does not say, no day is known: the calendar
// does not begin on a day that nobody named.
func (s *State) doneOn(e *Event, b *ServiceDone) civil.Date {
	if b.Date == civil.None && !(b.About && s.Rules >= WorkRules) {
		return s.dateAt(e.At.Hi())
	}
	return b.Date
}

// logMore takes in what else a record says under WorkRules.
func (t *step) logMore(b *ServiceDone, rec *TaskRecord, tasks []int, says []Say) {
	t.say(says)
	t.fitParts(b, rec, tasks)
	t.useMaterials(b, rec, tasks)
	t.keepFound(b)
	t.keepMeasured(b, rec, tasks)
	t.keepSeen(b)
	t.countShields(b)
	t.keepFailed(b, rec)
	for _, key := range b.Closes {
		t.closeRemarkBy(key)
	}
	t.askSameAct(rec, tasks)
}

// keepFailed takes in tasks that were tried and are not done.
func (t *step) keepFailed(b *ServiceDone, rec *TaskRecord) {
	for _, task := range b.Failed {
		t.happened(Happening{Key: t.e.Key, Kind: HappenedFailed, Name: task, At: t.e.At, Date: rec.Date, Hours: rec.Hours, Person: b.Person})
	}
}

// tasksOf returns the indexes of the tasks that a record names: each of Tasks
// that is known, and those of its round, once each.
func (s *State) tasksOf(b *ServiceDone) []int {
	if s.Rules >= WorkRules {
		return s.tasksDone(b)
	}
	var out []int
	for i := range s.Tasks {
		named := b.Round != "" && s.Chart != nil && i < len(s.Chart.Tasks) && s.Chart.Tasks[i].Round == b.Round
		for _, id := range b.Tasks {
			named = named || id == s.Tasks[i].ID
		}
		if named {
			out = append(out, i)
		}
	}
	return out
}

// hasRound reports whether any task of the machine belongs to a round.
func (s *State) hasRound(round string) bool {
	return s.Chart != nil && len(s.tasksOf(&ServiceDone{Round: round})) > 0
}

// hoursOf are the machine's hours on every meter at a service, and which of
// them were looked up.
func (s *State) hoursOf(b *ServiceDone, at moment.Span) (out []MeterShown, looked uint64) {
	for i := range s.Meters {
		id := s.Meters[i].ID
		if h, ok := s.readAt(i, b, at); ok {
			out = append(out, MeterShown{Meter: id, Shown: h})
		} else if h, ok := s.hoursAt(i, at.Hi()); ok {
			looked |= 1 << len(out)
			out = append(out, MeterShown{Meter: id, Shown: h})
		}
	}
	return out, looked
}

// readAt maps what a meter showed at the service to the machine's hours, by the
// life in force at the time.
func (s *State) readAt(i int, b *ServiceDone, at moment.Span) (hours.Millis, bool) {
	m := &s.Meters[i]
	for j := range b.Shown {
		if b.Shown[j].Meter == m.ID && len(m.Lives) > 0 {
			r := shownAt{shown: b.Shown[j].Shown, step: HandStep, origin: OriginPerson, at: at}
			return max(m.Lives[m.lifeFor(s, &r)].Total(r.shown), 0), true
		}
	}
	return 0, false
}

// lifeFor is the life that a figure fits, or else the one in force at the time.
func (m *Meter) lifeFor(s *State, r *shownAt) int {
	if k, _ := m.judge(s, r); k >= 0 {
		return k
	}
	k := len(m.Lives) - 1
	for k > 0 && m.Lives[k].From.Lo() > r.at.Hi() {
		k--
	}
	return k
}

// record gives one task a record and opens its cycle if it is the latest.
func (t *step) record(i int, rec TaskRecord, odd string) {
	task := &t.s.Tasks[i]
	was := task.latestKey()
	if !task.insert(rec, t.s.orderMeter(i), t.s.remembered(i)) {
		t.effect(EffectRecord, i, fmt.Sprintf("older than the %d records that count; kept in the history and changes no counter", CyclesKept))
		return
	}
	why := "counts"
	if rec.Waiting {
		why = "waits until someone who may do it confirms it"
	} else if now := task.latestKey(); now != was {
		t.openCycle(i, "done: record "+rec.Record.String())
	} else {
		why = "before the record that counts"
	}
	t.effect(EffectRecord, i, why+odd)
	t.settleIf(i, was)
}

// settleIf settles a task of the edition in force whose cycle changed.
func (t *step) settleIf(i int, was Key) {
	if task := &t.s.Tasks[i]; !task.Gone && t.s.Chart != nil && i < len(t.s.Chart.Tasks) {
		t.settle(i, task.latestKey() != was)
	}
}

func (t *Task) latestKey() Key {
	if r := t.latest(); r != nil {
		return r.Record
	}
	return Key{}
}

// openCycle makes the event at hand the one that opened the task's cycle.
func (t *step) openCycle(i int, how string) {
	task := &t.s.Tasks[i]
	task.Cycle, task.Rung, task.Crossed = t.e.Key, 0, nil
	if task.latest() == nil {
		task.Cycle = Key{}
	}
	if task.Gone {
		task.State, task.Limb, task.Since, task.By = DueUnknown, -1, moment.Span{}, Key{}
	}
	t.closeNotices(task.ID, StageOverdue, how)
}

// orderMeter is the meter whose hours order records of one time: that of the
// task's first limb in hours.
func (s *State) orderMeter(i int) string {
	if s.Chart != nil && i < len(s.Chart.Tasks) {
		for _, l := range s.Chart.Tasks[i].Limbs {
			if l.Kind == LimbHours {
				return l.Meter
			}
		}
	}
	return ""
}

// compare orders records by effective time, as late as each can be; then by
// hours, date, when they became known, and key.
func (r *TaskRecord) compare(o *TaskRecord, meter string) int {
	a, _ := r.on(meter)
	b, _ := o.on(meter)
	return cmp.Or(r.At.Compare(o.At), cmp.Compare(a, b), cmp.Compare(r.Date, o.Date), cmp.Compare(r.Known, o.Known), r.Record.Compare(o.Record))
}

// insert puts a record in its place and culls. It reports whether rec was kept.
func (t *Task) insert(rec TaskRecord, meter string, of []SeasonSeen) bool {
	pos := len(t.Records)
	for pos > 0 && t.Records[pos-1].compare(&rec, meter) > 0 {
		pos--
	}
	t.Records = append(t.Records, TaskRecord{})
	copy(t.Records[pos+1:], t.Records[pos:])
	t.Records[pos] = rec
	t.cull(of)
	for i := range t.Records {
		if t.Records[i].Record == rec.Record {
			return true
		}
	}
	return false
}

// cull keeps the last CyclesKept records that stand, of those before them the
// last one in each of the seasons, and voided ones while there is room.
func (t *Task) cull(of []SeasonSeen) {
	standing, from := 0, 0
	for i := len(t.Records) - 1; i >= 0; i-- {
		if t.Records[i].stands() {
			if standing++; standing > CyclesKept {
				from = i + 1
				break
			}
		}
	}
	kept := t.Records[:0]
	for i := range t.Records {
		if i >= from || t.lastIn(of, i) {
			kept = append(kept, t.Records[i])
		}
	}
	t.Records = dropFirst(kept, len(kept)-RecordsKept, func(r *TaskRecord) bool { return !r.stands() })
	t.Records = dropFirst(t.Records, len(t.Records)-RecordsKept, func(*TaskRecord) bool { return true })
}

// lastIn reports whether a record is the last one that stands in one of the
// seasons.
func (t *Task) lastIn(of []SeasonSeen, i int) bool {
	r := &t.Records[i]
	if !r.stands() || r.Date == civil.None {
		return false
	}
	for k := range of {
		if of[k].holds(r.Date) && !slices.ContainsFunc(t.Records[i+1:], func(o TaskRecord) bool {
			return o.stands() && o.Date != civil.None && of[k].holds(o.Date)
		}) {
			return true
		}
	}
	return false
}

// stands reports whether a record counts: neither void nor waiting.
func (r *TaskRecord) stands() bool { return r.Void.IsZero() && !r.Waiting }

// void takes a record back. The record before it, if there is one, opens its
// cycle again.
func (t *step) void(b *Void) {
	if !t.takeBack(b.Record) {
		t.ignore(fmt.Sprintf("record %v is not among those that count", b.Record))
		return
	}
	if t.s.Rules >= WorkRules {
		t.settleAll()
	}
	t.s.thresholds()
}

// takeBack makes a record void by the event at hand, with all that came of it. It
// reports whether there was anything.
func (t *step) takeBack(record Key) bool {
	found := false
	for i := range t.s.Tasks {
		task := &t.s.Tasks[i]
		was := task.latestKey()
		for j := range task.Records {
			r := &task.Records[j]
			if r.Record != record || !r.Void.IsZero() {
				continue
			}
			r.Void, found = t.e.Key, true
			if task.latestKey() != was {
				t.openCycle(i, "record "+record.String()+" is void")
			}
			t.effect(EffectRecord, i, "void")
			t.settleIf(i, was)
		}
	}
	if t.s.Rules >= WorkRules {
		found = t.takeBackMore(record) || found
	}
	return found
}

// takeBackMore is takeBack for what came with WorkRules.
func (t *step) takeBackMore(record Key) bool {
	found := t.voidPieces(record)
	found = t.voidUsed(record) || found
	found = t.voidMeasured(record) || found
	found = t.unhappen(record) || found
	found = t.voidRemarks(record) || found
	for i := range t.s.Doubts {
		if d := &t.s.Doubts[i]; d.Kind == DoubtSameAct && slices.Contains(d.Records, record) {
			t.closeDoubt(i, "record "+record.String()+" is void")
		}
	}
	return found
}

// refine looks up again the hours of records that were looked up by time. More
// news of that time can only raise them, since each is the highest total read by
// then.
func (t *step) refine(meter int) {
	s := t.s
	s.refineHappened(meter)
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			s.refineOne(&s.Tasks[i].Records[j], meter)
		}
	}
	s.eachOther(s.Meters[meter].ID, func(r *TaskRecord) { s.refineOne(r, meter) })
}

func (s *State) refineOne(r *TaskRecord, meter int) {
	id := s.Meters[meter].ID
	k := r.find(id)
	if k >= 0 && r.Looked&(1<<k) == 0 || k < 0 && r.Carried {
		return
	}
	if h, ok := s.hoursAt(meter, r.At.Hi()); ok && (k < 0 || h > r.Hours[k].Shown) {
		r.set(k, id, h)
	}
}

// lookAgain looks up the hours of records anew after a person took the machine's
// hours back: those beyond what it has now were looked up among wrong figures.
func (t *step) lookAgain(meter int) {
	s := t.s
	s.lowerHappened(meter)
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			s.lookAgainOne(&s.Tasks[i].Records[j], meter)
		}
	}
	s.eachOther(s.Meters[meter].ID, func(r *TaskRecord) { s.lookAgainOne(r, meter) })
	t.refine(meter)
}

func (s *State) lookAgainOne(r *TaskRecord, meter int) {
	m := &s.Meters[meter]
	k := r.find(m.ID)
	if k < 0 || r.Looked&(1<<k) == 0 || r.Hours[k].Shown <= m.Total {
		return
	}
	h, ok := s.hoursAt(meter, r.At.Hi())
	if !ok || h > m.Total {
		h = m.Total
	}
	r.set(k, m.ID, h)
}

// set gives the record's hours on a meter. The list is copied, since other
// tasks of the record share it.
func (r *TaskRecord) set(k int, meter string, h hours.Millis) {
	list := copyOf(r.Hours)
	if k < 0 {
		if k = len(list); k >= 64 {
			return
		}
		list = append(list, MeterShown{Meter: meter})
		r.Looked |= 1 << k
	}
	list[k].Shown = h
	r.Hours = list
}

// shiftRecords moves the hours of records from one time until another (none: to
// the end), and what was seen to cross thresholds counted from them.
func (t *step) shiftRecords(meter int, from, until moment.Span, by hours.Millis) {
	id := t.s.Meters[meter].ID
	t.s.shiftHappened(id, from, until, by)
	for i := range t.s.Tasks {
		task := &t.s.Tasks[i]
		for j := range task.Records {
			r := &task.Records[j]
			if r.shift(id, from, until, by) && task.latest() == r {
				task.shiftCrossed(id, by)
			}
		}
	}
	t.s.eachOther(id, func(r *TaskRecord) { r.shift(id, from, until, by) })
	t.s.shiftPostponed(id, from, until, by)
	for i := range t.s.Notices {
		if n := &t.s.Notices[i]; n.LaterOn == id && n.LaterAt > 0 {
			n.LaterAt = hours.Add(n.LaterAt, by)
		}
	}
	t.settleMoved(movedFrom{meter: meter, was: hours.Sub(t.s.Meters[meter].Total, by), by: t.e.Key})
}

// shift moves the record's hours on a meter if it is of the time.
func (r *TaskRecord) shift(meter string, from, until moment.Span, by hours.Millis) bool {
	k := r.find(meter)
	if k < 0 || r.At.Hi() < from.Lo() || until != (moment.Span{}) && r.At.Hi() >= until.Hi() {
		return false
	}
	r.set(k, meter, hours.Add(r.Hours[k].Shown, by))
	return true
}

func (t *Task) shiftCrossed(meter string, by hours.Millis) {
	for i := range t.Crossed {
		if t.Crossed[i].Meter == meter {
			t.Crossed[i].Mark += int64(by)
		}
	}
}

// suitsShown refuses hours read at a service that the meter can't have shown.
func (s *State) suitsShown(e *Event, shown *MeterShown) *fault {
	i := s.meterIndex(shown.Meter)
	if i < 0 {
		return &fault{"shown", fmt.Sprintf("meter %q is unknown on this machine", shown.Meter), "name a meter of its chart"}
	}
	m := &s.Meters[i]
	if why := s.detached(i, e.At); why != "" {
		return &fault{"shown", why, "leave its meter out, or put it on first"}
	}
	if len(m.Lives) == 0 {
		return nil
	}
	r := shownAt{shown: shown.Shown, step: HandStep, origin: OriginPerson, at: e.At}
	if k, _ := m.judge(s, &r); k >= 0 || shown.Shown <= m.shownLast() {
		return nil
	}
	return &fault{"shown", fmt.Sprintf("%v h on %s is more than the %v h it showed (%v) and can have run since", shown.Shown, shown.Meter, m.shownLast(), m.TotalAt),
		"read the meter again; if it is right, enter it as a reading by hand and answer the doubt"}
}

// shownLast is what the meter showed last.
func (m *Meter) shownLast() hours.Millis {
	if len(m.Lives) == 0 {
		return 0
	}
	return m.Lives[len(m.Lives)-1].Last
}
