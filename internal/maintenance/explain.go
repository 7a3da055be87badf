package maintenance

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Reason is one input of a counter: what it is, its value in words and figures,
// when it was so and the event that said so (zero: the chart, or worked out).
type Reason struct {
	What  string
	Value string
	At    moment.Span
	Key   Key
}

// Explanation is the chain of reasons for a task's due state, in reading order.
type Explanation struct {
	Machine  string
	Task     string
	State    DueState
	Revision uint64
	Chain    [32]byte
	Rows     []Reason
}

// String gives the due state in the words that pages use.
func (d DueState) String() string {
	switch d {
	case DueUnknown:
		return "unknown"
	case NotDue:
		return "not due"
	case DueSoon:
		return "soon"
	case Due:
		return "due"
	case Overdue:
		return "overdue"
	}
	return fmt.Sprintf("due state %d", uint8(d))
}

// String gives the stage in the words that pages use.
func (s Stage) String() string { return DueState(uint8(s) + uint8(DueSoon) - 1).String() }

// String gives the origin in the words that pages use.
func (o Origin) String() string {
	switch o {
	case OriginBus:
		return "bus"
	case OriginDerived:
		return "derived"
	case OriginPerson:
		return "person"
	case OriginFeed:
		return "feed"
	}
	return fmt.Sprintf("origin %d", uint8(o))
}

// Explain returns every input of a task's counter with its time and its event.
// The error wraps ErrUnknownTask.
func Explain(s *State, task string) (Explanation, error) {
	c, err := Counter(s, task)
	if err != nil {
		return Explanation{}, err
	}
	x := Explanation{Machine: s.Machine.Machine, Task: task, State: c.State, Revision: s.Revision, Chain: s.Chain}
	t := &s.Tasks[s.taskIndex(task)]
	x.add("state", c.State.String(), t.Since, t.By)
	x.add("edition", fmt.Sprintf("%d of chart %s", s.Chart.Edition, s.Chart.ID), moment.Span{}, Key{})
	x.build(s, t)
	x.records(s, t, c.Record)
	x.sameActs(s, t)
	x.terms(s, &c)
	for j := range c.Limbs {
		x.limb(s, j, &c, t)
	}
	for j := range c.Beside {
		x.interval(&c.Beside[j], "")
	}
	x.told(s, s.taskIndex(task))
	for j := range s.Notices {
		if n := &s.Notices[j]; n.Task == task && n.Cycle == t.Cycle {
			x.notice(n)
		}
	}
	return x, nil
}

func (x *Explanation) add(what, value string, at moment.Span, key Key) {
	x.Rows = append(x.Rows, Reason{what, value, at, key})
}

// records gives the record that counts, and those that do not.
func (x *Explanation) records(s *State, t *Task, counts *TaskRecord) {
	if counts == nil {
		x.add("service record", "none; the counter is unknown and rings nobody", moment.Span{}, Key{})
	}
	for j := len(t.Records) - 1; j >= 0; j-- {
		r := &t.Records[j]
		what := "earlier service record"
		if r == counts {
			what = "service record"
		}
		x.add(what, r.words(), r.At, r.Record)
		if !r.Void.IsZero() {
			x.add("void", "record "+r.Record.String()+" was taken back", moment.Span{}, r.Void)
		}
		if r == counts {
			x.add("known", "the record was written down", moment.At(r.Known), r.Record)
		}
	}
	if !t.Cycle.IsZero() {
		x.add("cycle", "opened by this event", t.cycleAt(), t.Cycle)
	}
}

// sameActs gives the open doubts about two records of the task.
func (x *Explanation) sameActs(s *State, t *Task) {
	for k := range s.Doubts {
		d := &s.Doubts[k]
		if d.Kind == DoubtSameAct && d.Closed.IsZero() && slices.ContainsFunc(t.Records, func(r TaskRecord) bool { return slices.Contains(d.Records, r.Record) }) {
			x.add("open doubt", d.What, d.At, d.Key)
		}
	}
}

// cycleAt is when the cycle's event happened, where a record that is kept says so.
func (t *Task) cycleAt() moment.Span {
	for j := range t.Records {
		if t.Records[j].Record == t.Cycle {
			return t.Records[j].At
		}
	}
	return moment.Span{}
}

func (r *TaskRecord) words() string {
	text := "done"
	if r.Date != civil.None {
		text += " on " + r.Date.String()
	}
	for k := range r.Hours {
		how := "read"
		if r.Looked&(1<<k) != 0 {
			how = "looked up by time"
		}
		text += fmt.Sprintf("; %s %v h (%s)", r.Hours[k].Meter, r.Hours[k].Shown, how)
	}
	return text
}

// limb gives one thing that can decide: its thresholds and what it is counted on.
func (x *Explanation) limb(s *State, j int, c *Count, t *Task) {
	l := &c.Limbs[j]
	decides := ""
	if j == c.Limb && c.State > NotDue {
		decides = "; it decides the state"
	}
	x.interval(l, decides)
	x.crossings(t, l)
	switch m := s.meterIndex(l.Meter); {
	case (l.Kind == LimbHours || l.InHours) && m >= 0:
		x.meter(s, &s.Meters[m])
	case l.Kind == LimbMonths || l.InDays || l.Kind == LimbDays:
		x.day(s)
	}
}

// interval gives the thresholds and how far it is.
func (x *Explanation) interval(l *LimbCount, decides string) {
	what, name := l.what(), l.name()
	switch {
	case !l.Known && l.Idle:
		x.add(what, name+": does not count, "+l.Why, moment.Span{}, Key{})
	case !l.Known:
		x.add(what, name+": unknown, "+l.Why, moment.Span{}, Key{})
	case l.Kind == LimbHours:
		x.add(what, fmt.Sprintf("%s: soon from %v h, due from %v h, overdue from %v h", name, l.SoonAt, l.DueAt, l.LateAt), moment.Span{}, Key{})
		x.add("counter", fmt.Sprintf("%v h since, %s%s", l.Since, leftWords(l.Left), decides), moment.Span{}, Key{})
	case l.Kind == LimbMonths:
		x.add(what, fmt.Sprintf("%s: soon from %v, due from %v, overdue from %v", name, l.SoonOn, l.DueOn, l.LateOn), moment.Span{}, Key{})
		x.add("counter", fmt.Sprintf("%d days left%s", l.DaysLeft, decides), moment.Span{}, Key{})
	default:
		x.add(what, name+": "+l.from(), moment.Span{}, Key{})
		x.add("counter", l.State.String()+": "+l.Words+decides, moment.Span{}, Key{})
	}
}

// what says which sort of thing it is.
func (l *LimbCount) what() string {
	switch {
	case l.Beside:
		return "beside it, deciding nothing"
	case l.RunIn:
		return "run-in"
	case l.Trigger != 0:
		return "trigger"
	}
	return "interval"
}

// name says what it counts.
func (l *LimbCount) name() string {
	switch {
	case l.RunIn:
		return "new " + l.Of
	case l.Trigger == TriggerBefore:
		return "before " + l.Of
	case l.Trigger != 0:
		return "after " + l.Of
	case l.Kind == LimbHours && l.Grid:
		return fmt.Sprintf("at every %v h of %s", l.Every, l.Meter)
	case l.Kind == LimbHours:
		return fmt.Sprintf("every %v h of %s", l.Every, l.Meter)
	case l.Kind == LimbMonths && l.Grid:
		return fmt.Sprintf("at fixed dates every %d months", l.Months)
	case l.Kind == LimbMonths:
		return fmt.Sprintf("every %d months", l.Months)
	case l.Kind == LimbDays:
		return "days worked"
	case l.Kind == LimbSeason:
		return "season"
	}
	return "count of " + l.Of
}

// from says from when on each standing holds, as far as there are figures.
func (l *LimbCount) from() string {
	text := ""
	add := func(word, value string) {
		if text != "" {
			text += ", "
		}
		text += word + " from " + value
	}
	switch {
	case l.Kind == LimbDays:
		return fmt.Sprintf("due from %d days worked on, overdue from %d", l.CountDue, l.CountLate)
	case l.Kind == LimbCounted:
		return fmt.Sprintf("soon from %s, due from %s, overdue from %s", milliText(l.CountSoon), milliText(l.CountDue), milliText(l.CountLate))
	}
	if l.InHours && l.DueAt > 0 {
		add("soon", fmt.Sprintf("%v h", l.SoonAt))
		add("due", fmt.Sprintf("%v h", l.DueAt))
	}
	if l.InDays && l.DueOn != civil.None {
		add("soon", l.SoonOn.String())
		add("due", l.DueOn.String())
	}
	if l.InHours {
		add("overdue", fmt.Sprintf("%v h of %s", l.LateAt, l.Meter))
	}
	if l.InDays && l.LateOn != civil.None {
		add("overdue", l.LateOn.String())
	}
	if text == "" {
		return "no date or hour is set"
	}
	return text
}

// crossings gives what was seen to cross the limb's thresholds.
func (x *Explanation) crossings(t *Task, l *LimbCount) {
	for j := range t.Crossed {
		c := &t.Crossed[j]
		switch {
		case c.Meter != "" && c.Meter == l.Meter && (l.Kind == LimbHours || c.Mark == int64(l.DueAt) || c.Mark == int64(l.LateAt)):
			x.add("crossed", fmt.Sprintf("%v h of %s", hours.Millis(c.Mark), c.Meter), c.Since, c.By)
		case c.Meter == "" && l.Kind == LimbMonths:
			x.add("crossed", civil.Date(c.Mark).String(), c.Since, c.By)
		}
	}
}

func (x *Explanation) day(s *State) {
	if n := len(s.Days); n > 0 {
		d := &s.Days[n-1]
		x.add("work day", d.Date.String(), moment.Span{NotBefore: d.From, NotAfter: d.Until}, DayKey(d.Date))
	}
}

// meter gives the reading that the machine's hours stand on, the lives behind
// them, and what was held.
func (x *Explanation) meter(s *State, m *Meter) {
	if len(m.Lives) == 0 {
		return
	}
	x.add("machine's hours", fmt.Sprintf("%s %s h (%s)", m.ID, m.Total.Text(m.Step), m.Origin), m.TotalAt, m.TotalBy)
	if m.Folded > 0 {
		x.add("earlier meter lives", fmt.Sprintf("%d, no longer told apart", m.Folded), moment.Span{}, Key{})
	}
	for k := range m.Lives {
		l := &m.Lives[k]
		x.add("meter life", fmt.Sprintf("%s showed %v to %v h, the machine's %v to %v h: %s", m.ID, l.First, l.Last, l.Offset, l.End(), l.Why), l.From, l.Opened)
	}
	for k := range m.Held {
		h := &m.Held[k]
		x.add("held, not counted", h.Why, h.At, h.Key)
	}
	if n := m.HeldN - uint64(len(m.Held)); m.HeldN > uint64(len(m.Held)) {
		x.add("held, not counted", fmt.Sprintf("%d more of %s", n, m.ID), moment.Span{}, Key{})
	}
	for k := range s.Doubts {
		if d := &s.Doubts[k]; d.Closed.IsZero() && (d.Meter == m.ID || d.Meter == "" && d.Kind != DoubtSameAct) {
			x.add("open doubt", d.What, d.At, d.Key)
		}
	}
}

func (x *Explanation) notice(n *Notice) {
	x.add("notice", n.Stage.String()+" "+n.ID.String(), n.Raised, n.By)
	if n.Word != 0 {
		word := "mine"
		if n.Word == NoticeLater {
			word = "later"
		}
		x.add("answer", word, moment.Span{}, Key{})
	}
	for _, f := range n.Fates {
		word := "delivered"
		if f.Word == NoticeGivenUp {
			word = "given up"
		}
		x.add("delivery", f.Channel+": "+word, moment.At(f.At), Key{})
	}
	if !n.Withdrawn.IsZero() {
		x.add("notice closed", n.How, moment.Span{}, n.Withdrawn)
	}
}

// leftWords says how far a counter is from due, or past it.
func leftWords(left hours.Millis) string {
	if left < 0 {
		return fmt.Sprintf("%v h over", -left)
	}
	return fmt.Sprintf("%v h left", left)
}
