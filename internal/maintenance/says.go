package maintenance

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// Say is what the rules say at once of one task of a record, with figures. It
// refuses nothing: the record is kept. Task "" is the record as a whole.
type Say struct {
	Task string
	Kind Said
	Text string
}

// Says returns what the rules say of a service record as s stands before it. It
// changes nothing, so a page can show it before the record is saved; Apply
// marks the record with the same.
func Says(s *State, e *Event) []Say {
	if hollow(e) || s.Rules < WorkRules {
		return nil
	}
	b, ok := e.Body.(*ServiceDone)
	if !ok {
		return nil
	}
	y := sayer{s: s, e: e, b: b, tasks: s.tasksOf(b), date: s.doneOn(e, b)}
	y.hours, _ = s.hoursOf(b, e.At)
	for _, i := range y.tasks {
		y.task(i)
	}
	y.materials()
	y.shields()
	return y.out
}

// saidOf are the marks of one task's record.
func saidOf(says []Say, task string) (out Said) {
	for i := range says {
		if says[i].Task == task || says[i].Task == "" {
			out |= says[i].Kind
		}
	}
	return out
}

// sayer gathers what is said of one record.
type sayer struct {
	s     *State
	e     *Event
	b     *ServiceDone
	tasks []int
	date  civil.Date
	hours []MeterShown
	out   []Say
}

func (y *sayer) say(task string, kind Said, text string, args ...any) {
	y.out = append(y.out, Say{Task: task, Kind: kind, Text: fmt.Sprintf(text, args...)})
}

// task says what is to be said of a task whatever went in.
func (y *sayer) task(i int) {
	def := y.s.taskDef(i)
	if def == nil {
		return
	}
	if def.Do == doNever {
		y.say(def.ID, SaidNever, "%s: this is never done here: %s", def.ID, def.Why)
	}
	if y.b.As != "" && rankOf(y.b.As) < rankOf(def.Who) {
		y.say(def.ID, SaidWho, "%s: work for the %s, written by the %s; it counts once it is confirmed", def.ID, def.Who, y.b.As)
	}
	if why := y.s.tooSoon(i, y.e.At, y.hours, y.date); why != "" {
		y.say(def.ID, SaidTooSoon, "%s: %s%s", def.ID, why, harm(def))
	}
	y.spots(i, def)
	y.follows(def)
}

// spots says where a measure gave no value.
func (y *sayer) spots(i int, def *TaskDef) {
	if len(def.Measure) == 0 || y.b.About {
		return
	}
	spots := def.Measure[0].Spots
	if len(spots) == 0 {
		spots = []string{""}
	}
	var missing []string
	for _, spot := range spots {
		given := func(m Measured) bool { return m.Spot == spot && y.s.measuredTask(&m, y.tasks) == i }
		if !slices.ContainsFunc(y.b.Measured, given) {
			missing = append(missing, spot)
		}
	}
	switch {
	case len(missing) == len(spots):
		y.say(def.ID, SaidSpots, "%s: no value of its %s is given", def.ID, def.Measure[0].What)
	case len(missing) > 0:
		y.say(def.ID, SaidSpots, "%s: not measured at %s", def.ID, strings.Join(missing, ", "))
	}
}

// harm is what too much does, behind a colon.
func harm(def *TaskDef) string {
	if def.HarmOver == "" {
		return ""
	}
	return ": " + def.HarmOver
}

// follows names the tasks that must follow and are not in the record.
func (y *sayer) follows(def *TaskDef) {
	for j := range y.s.Chart.Tasks {
		next := &y.s.Chart.Tasks[j]
		if !y.s.inRound(j) || slices.Contains(y.tasks, j) {
			continue
		}
		for k := range next.Triggers {
			if t := &next.Triggers[k]; t.Kind == TriggerDone && (t.Name == def.ID || def.Set != "" && t.Name == def.Set) {
				y.say(def.ID, SaidFollows, "%s: %s follows%s", def.ID, next.ID, soonAfter(t))
				break
			}
		}
	}
}

// soonAfter says by when what a trigger asks for is due.
func soonAfter(t *TriggerDef) string {
	switch t.By {
	case ByNextStart:
		return " before the next start"
	case ByHours:
		return fmt.Sprintf(" within %v h on %s", t.In, t.Meter)
	case ByDays:
		return fmt.Sprintf(" within %d days", t.InDays)
	}
	return " at once"
}

func (y *sayer) shields() {
	if b := y.b; b.ShieldsOff != b.ShieldsOn {
		y.say("", SaidShields, "%s", shieldsText(b))
	}
}

func shieldsText(b *ServiceDone) string {
	return fmt.Sprintf("%d of %d shields are on again", b.ShieldsOn, b.ShieldsOff)
}

// say tells what was said of the record at hand.
func (t *step) say(says []Say) {
	for i := range says {
		t.effect(EffectSaid, t.s.taskIndex(says[i].Task), says[i].Text)
	}
}

// countShields opens a remark where not all shields are on again.
func (t *step) countShields(b *ServiceDone) {
	if b.ShieldsOff != b.ShieldsOn {
		t.openRemark(Remark{Text: shieldsText(b), Verdict: DoNotRun, DoBy: civil.None, Person: b.Person}, t.e.Key, t.e.At)
	}
}

// keepSeen opens the remark of a task whose criterion does not hold.
func (t *step) keepSeen(b *ServiceDone) {
	for i := range b.Seen {
		w := &b.Seen[i]
		def := t.s.taskDef(t.s.taskIndex(w.Task))
		if w.InOrder || def == nil || len(def.Else) == 0 || def.Else[0].Remark == "" {
			continue
		}
		text := w.Note
		if text == "" {
			text = "not as wanted: " + w.Criterion
		}
		t.openElse(def, w.Criterion, text, b.Person)
	}
}

// openElse opens the remark that a task's criterion or measure asks for, once a
// record and spot.
func (t *step) openElse(def *TaskDef, spot, text, person string) {
	r := Remark{Point: def.Point, Task: def.ID, Name: def.Else[0].Remark, Text: text, Verdict: def.Else[0].Verdict, DoBy: civil.None, Person: person}
	if r.Verdict == 0 {
		r.Verdict = RunWatched
	}
	t.openRemark(r, elseKey(t.e.Key, def.ID, spot), t.e.At)
}

// elseKey is the key of a remark that a record opened by a criterion or a spot.
func elseKey(record Key, task, spot string) Key {
	return ServiceKey("remark", record.String(), task, spot)
}
