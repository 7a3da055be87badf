package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// postponed puts tasks off, or takes that back. The due state stays as it is;
// nothing rings until the end.
func (t *step) postponed(b *Postponed) {
	s := t.s
	tasks := s.tasksOf(&ServiceDone{Tasks: b.Tasks, Round: b.Round})
	taken := false
	for _, i := range tasks {
		taken = t.putOff(i, b) || taken
	}
	if !taken {
		t.ignore("nothing that stands was put off or taken back")
		return
	}
	t.settleAll()
}

// putOff puts one task off and reports whether that changed anything.
func (t *step) putOff(i int, b *Postponed) bool {
	s, task := t.s, &t.s.Tasks[i]
	if task.Gone || s.Chart == nil || i >= len(s.Chart.Tasks) {
		return false
	}
	now := t.when()
	if p := task.putOff(); p != nil && (now.Compare(p.On) < 0 || now == p.On && t.e.Key.Compare(p.By) < 0) {
		return false
	}
	if rec := task.latest(); rec != nil && now.Compare(rec.At) < 0 {
		return false // what was put off has been done since
	}
	if b.ForHours == 0 && b.UntilDate == civil.None {
		if task.putOff() == nil {
			return false
		}
		task.Postponed = nil
		t.effect(EffectPostponed, i, "taken back")
		return true
	}
	p := Postponement{By: t.e.Key, Why: b.Why, Person: b.Person, Until: b.UntilDate, On: now}
	if m := s.postponeMeter(i, b.Meter); b.ForHours > 0 && m >= 0 {
		from, ok := s.hoursAt(m, now.Hi())
		if !ok {
			from = s.Meters[m].Total
		}
		p.Meter, p.At = s.Meters[m].ID, max(hours.Add(from, b.ForHours), 1)
	}
	if p.At == 0 && p.Until == civil.None {
		return false
	}
	task.Postponed = []Postponement{p}
	t.effect(EffectPostponed, i, p.words())
	return true
}

// postponeMeter is the index of the meter that a postponement counts on: the one
// named, that of what decides the task, that of its first limb in hours, or the
// machine's first.
func (s *State) postponeMeter(i int, named string) int {
	if named != "" {
		return s.meterIndex(named)
	}
	if m := s.meterIndex(s.limbMeter(i, s.Tasks[i].Limb)); m >= 0 {
		return m
	}
	if m := s.meterIndex(s.orderMeter(i)); m >= 0 {
		return m
	}
	return min(len(s.Meters), 1) - 1
}

func (t *Task) putOff() *Postponement {
	if len(t.Postponed) == 0 {
		return nil
	}
	return &t.Postponed[0]
}

// over reports whether a postponement has come to its end.
func (p *Postponement) over(s *State) bool {
	if p.Until != civil.None && s.today() != civil.None && s.today() >= p.Until {
		return true
	}
	m := s.meterIndex(p.Meter)
	return p.At > 0 && m >= 0 && s.Meters[m].Total >= p.At
}

// endPostponed lets a task ring again whose postponement is over, that was done
// since, or that something made due anew since: that was not known when it was
// put off.
func (t *step) endPostponed(i int) {
	task := &t.s.Tasks[i]
	p := task.putOff()
	if p == nil {
		return
	}
	rec, why := task.latest(), ""
	switch {
	case p.over(t.s):
		why = "it is over"
	case rec != nil && rec.At.Compare(p.On) > 0:
		why = "the task began a new cycle"
	default:
		why = t.s.anew(i, p)
	}
	if why == "" {
		return
	}
	task.Postponed = nil
	t.effect(EffectPostponed, i, why)
}

// anew says what made a task due after it was put off, or "".
func (s *State) anew(i int, p *Postponement) string {
	def, since := &s.Chart.Tasks[i], &TaskRecord{At: p.On}
	if rec := s.Tasks[i].latest(); rec != nil && rec.At.Compare(p.On) > 0 {
		since = rec
	}
	for j := range def.Triggers {
		if f, _, ok := s.fired(&def.Triggers[j], since); ok {
			return "it is due anew: " + f.words(&def.Triggers[j])
		}
	}
	for j := range def.RunIns {
		d := &def.RunIns[j]
		if piece := s.pieceOn(d.Part); piece != nil && piece.At.Compare(p.On) > 0 && s.judgePiece(d.If, piece) == certain {
			return d.Part + " was fitted since"
		}
	}
	return ""
}

// shiftPostponed moves the hours at which postponements of a time end, as
// shiftRecords does.
func (s *State) shiftPostponed(meter string, from, until moment.Span, by hours.Millis) {
	for i := range s.Tasks {
		p := s.Tasks[i].putOff()
		if p == nil || p.At == 0 || p.Meter != meter || p.On.Hi() < from.Lo() || until != (moment.Span{}) && p.On.Hi() >= until.Hi() {
			continue
		}
		p.At = max(hours.Add(p.At, by), 1)
	}
}

// words says who put a task off until when and why.
func (p *Postponement) words() string {
	text := "postponed"
	if p.Person != "" {
		text += " by " + p.Person
	}
	switch {
	case p.At > 0 && p.Until != civil.None:
		text += fmt.Sprintf(" until %v h of %s or %v, whichever comes first", p.At, p.Meter, p.Until)
	case p.At > 0:
		text += fmt.Sprintf(" until %v h of %s", p.At, p.Meter)
	default:
		text += " until " + p.Until.String()
	}
	if p.Why != "" {
		text += ": " + p.Why
	}
	return text
}

// suitsPostponed refuses what is unknown here, an end that is past, and taking
// back what is not put off.
func (s *State) suitsPostponed(b *Postponed) *fault {
	for _, task := range b.Tasks {
		if i := s.taskIndex(task); i < 0 || s.Tasks[i].Gone {
			return &fault{"tasks", fmt.Sprintf("task %q is unknown on this machine", task), "name a task of its chart"}
		}
	}
	switch {
	case b.Round != "" && !s.hasRound(b.Round):
		return &fault{"round", fmt.Sprintf("no task of round %q is on this machine", b.Round), "name a round of its chart"}
	case b.Meter != "" && s.meterIndex(b.Meter) < 0:
		return &fault{"meter", fmt.Sprintf("meter %q is unknown on this machine", b.Meter), "name a meter of its chart"}
	case b.UntilDate != civil.None && s.today() != civil.None && b.UntilDate <= s.today():
		return &fault{"until_date", fmt.Sprintf("%v is not after today, %v", b.UntilDate, s.today()), "give a later day"}
	case b.ForHours == 0 && b.UntilDate == civil.None && !s.anyPutOff(b):
		return &fault{"tasks", "none of them is put off", "nothing is left to do"}
	case b.ForHours > 0 && b.UntilDate == civil.None && len(s.Meters) == 0:
		return &fault{"for_hours", "the machine has no meter to count them on", "give a date"}
	}
	return nil
}

func (s *State) anyPutOff(b *Postponed) bool {
	for _, i := range s.tasksOf(&ServiceDone{Tasks: b.Tasks, Round: b.Round}) {
		if s.Tasks[i].putOff() != nil {
			return true
		}
	}
	return false
}
