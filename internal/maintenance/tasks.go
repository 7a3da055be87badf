package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/intervals"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// taskIndex returns the index of a task, -1 where there is none of that name.
func (s *State) taskIndex(id string) int {
	for i := range s.Tasks {
		if s.Tasks[i].ID == id {
			return i
		}
	}
	return -1
}

// latest returns the record that opened the cycle: the last one that stands.
func (t *Task) latest() *TaskRecord {
	for i := len(t.Records) - 1; i >= 0; i-- {
		if t.Records[i].stands() {
			return &t.Records[i]
		}
	}
	return nil
}

// find returns the index of a meter among the record's hours, or -1.
func (r *TaskRecord) find(meter string) int {
	for k := range r.Hours {
		if r.Hours[k].Meter == meter {
			return k
		}
	}
	return -1
}

// on returns the machine's hours on a meter at the service.
func (r *TaskRecord) on(meter string) (hours.Millis, bool) {
	if k := r.find(meter); k >= 0 {
		return r.Hours[k].Shown, true
	}
	return 0, false
}

// hours are the thresholds of a limb in hours, for a service at from.
func (l *Limb) hours(from hours.Millis) intervals.Hours {
	if l.Grid {
		return intervals.OfGrid(from, l.Every, l.Soon, l.Late)
	}
	return intervals.OfHours(from, l.Every, l.Soon, l.Late)
}

// months are the thresholds of a limb in months, for a service on a date.
func (l *Limb) months(done civil.Date) (intervals.Dates, bool) {
	if l.Grid {
		return intervals.OfGridMonths(l.GridFrom, done, l.Months, l.SoonDays, l.LateDays)
	}
	return intervals.OfMonths(done, l.Months, l.SoonDays, l.LateDays)
}

// limbStand is one way in which something that can decide stands.
type limbStand struct {
	standing intervals.Standing
	meter    string // "" for dates
	at       int    // index of the meter, -1 none
	mark     int64  // threshold of its standing
	look     bool   // when it was reached is looked up
	// preset: it is known when it came about, and by what.
	preset bool
	since  moment.Span
	by     Key
}

// settleAll works out every task's due state anew and raises what has come due.
func (t *step) settleAll() {
	s := t.s
	if s.Chart != nil {
		for i := range min(len(s.Chart.Tasks), len(s.Tasks)) {
			t.settle(i, false)
		}
	}
	t.ringLater()
	s.thresholds()
}

// settle works out one task. anew says that its cycle has just opened.
func (t *step) settle(i int, anew bool) {
	task := &t.s.Tasks[i]
	was := task.State
	t.endPostponed(i)
	state, limb, since, by := t.stand(i, anew)
	changed := anew || state != was || limb != task.Limb
	if changed || by != task.By {
		task.State, task.Limb, task.Since, task.By = state, limb, since, by
	}
	if state != was {
		t.fx = append(t.fx, Effect{Kind: EffectDueChanged, Index: i, Was: was, Now: state})
	}
	t.ring(i)
}

// verdict is what decides a task, as far as it was weighed.
type verdict struct {
	best  intervals.Standing
	limb  int
	since moment.Span
	by    Key
	idle  bool // something is known and does not count now
}

// stand works out a task's due state, what decides it (an index into what can:
// the limbs in force, the triggers, the run-ins), and when and by what it came
// about. Of several with the most urgent standing the one that came first
// decides.
func (t *step) stand(i int, anew bool) (DueState, int, moment.Span, Key) {
	s, task := t.s, &t.s.Tasks[i]
	rec, def := task.latest(), &s.Chart.Tasks[i]
	if task.Build != BuildFitted || !s.attached(def.Point) || rec == nil && len(def.Triggers)+len(def.RunIns) == 0 {
		return DueUnknown, -1, moment.Span{}, Key{}
	}
	v := verdict{limb: -1}
	limbs, _ := s.limbsOf(i)
	t.weighLimbs(&v, i, limbs, rec, anew)
	for j := range def.Triggers {
		g := s.triggerGauge(&def.Triggers[j], rec, false)
		t.weigh(&v, i, len(limbs)+j, &g, rec, anew)
	}
	for j := range def.RunIns {
		g := s.runInGauge(&def.RunIns[j], rec, false)
		t.weigh(&v, i, len(limbs)+len(def.Triggers)+j, &g, rec, anew)
	}
	switch {
	case v.best > intervals.NotDue || v.best == intervals.NotDue && rec != nil:
		return DueState(v.best), v.limb, v.since, v.by
	case rec != nil && (len(limbs) == 0 || v.idle):
		return NotDue, -1, rec.At, task.Cycle
	}
	return DueUnknown, -1, moment.Span{}, Key{}
}

// weighLimbs weighs the intervals in force, which all begin with a record.
func (t *step) weighLimbs(v *verdict, i int, limbs []Limb, rec *TaskRecord, anew bool) {
	if rec == nil {
		return
	}
	for j := range limbs {
		g := t.s.limbGauge(&limbs[j], rec, false)
		v.idle = v.idle || g.idle
		t.weigh(v, i, j, &g, rec, anew)
	}
}

// weigh holds one thing that can decide against what was weighed before it.
func (t *step) weigh(v *verdict, i, j int, g *gauge, rec *TaskRecord, anew bool) {
	stands, n := g.stands(t.s)
	for k := range n {
		st := &stands[k]
		if st.standing < v.best || st.standing == intervals.Unknown {
			continue
		}
		at, key := moment.Span{}, t.s.Tasks[i].Cycle
		if rec != nil {
			at = rec.At
		}
		if st.standing > intervals.NotDue {
			at, key = t.cameAbout(i, j, st, g, anew)
		}
		_, sooner := intervals.First(v.best, st.standing)
		if sooner || st.standing > intervals.NotDue && at.Compare(v.since) < 0 {
			v.best, v.limb, v.since, v.by = st.standing, j, at, key
		}
	}
}

// cameAbout says when and by what a standing came about: not before a condition
// was told that it needs.
func (t *step) cameAbout(i, j int, st *limbStand, g *gauge, anew bool) (moment.Span, Key) {
	at, key := st.since, st.by
	if !st.preset {
		at, key = t.crossing(i, j, st, anew)
	}
	if g.told != nil && g.told.At.Compare(at) > 0 {
		return g.told.At, g.told.By
	}
	return at, key
}

// crossing says when and by what a limb crossed the threshold of its standing:
// what was seen to cross it, or what the state said of it before, or else the
// event at hand: at its reading's own time, for a record or a void at that of the
// first reading beyond the threshold.
func (t *step) crossing(i, limb int, st *limbStand, anew bool) (moment.Span, Key) {
	task := &t.s.Tasks[i]
	if x := task.crossed(st.meter, st.mark); x != nil {
		return x.Since, x.By
	}
	// What is looked up may stand on another threshold than before.
	if !anew && !st.look && task.State == DueState(st.standing) && task.Limb == limb {
		return task.Since, task.By
	}
	return t.crossingNow(task, st, anew)
}

// crossingNow is crossing for what came about with the event at hand.
func (t *step) crossingNow(task *Task, st *limbStand, anew bool) (moment.Span, Key) {
	at, by := t.e.At, t.e.Key
	moved := st.at >= 0 && t.moved.meter == st.at && int64(t.moved.was) < st.mark
	turned := st.at < 0 && t.turned && t.wasToday < st.mark
	if moved {
		at, by = t.moved.at, t.moved.by
	}
	switch {
	case st.at >= 0 && (anew || moved && at == (moment.Span{}) || st.look && !moved):
		at = t.e.At
		if first, ok := t.s.Meters[st.at].firstAt(hours.Millis(st.mark)); ok {
			at = first
		}
	case st.at < 0 && (anew || turned):
		if d := t.s.dayIndex(civil.Date(st.mark)); d >= 0 {
			at = moment.At(t.s.Days[d].From)
		} else if turned {
			at = moment.At(t.s.Days[len(t.s.Days)-1].From)
		}
	}
	if moved || turned || st.look {
		task.cross(Crossing{Meter: st.meter, Mark: st.mark, Since: at, By: by})
	}
	return at, by
}

func (t *Task) crossed(meter string, mark int64) *Crossing {
	for i := range t.Crossed {
		if x := &t.Crossed[i]; x.Mark == mark && x.Meter == meter {
			return x
		}
	}
	return nil
}

func (t *Task) cross(x Crossing) { t.Crossed = appendBounded(t.Crossed, x, CrossedKept) }

// sawEarlier moves the time at which thresholds were crossed, where a late
// reading from beyond one is older than the one that was seen to cross it.
func (t *step) sawEarlier(i int, total hours.Millis, r *shownAt) {
	id := t.s.Meters[i].ID
	for j := range t.s.Tasks {
		task := &t.s.Tasks[j]
		for k := range task.Crossed {
			x := &task.Crossed[k]
			if x.Meter != id || x.Mark > int64(total) || r.at.Compare(x.Since) >= 0 {
				continue
			}
			if task.By == x.By && task.Since == x.Since {
				task.Since, task.By = r.at, r.key
			}
			x.Since, x.By = r.at, r.key
		}
	}
}

// limbMeter is the meter of what stands at an index among all that can decide a
// task, "" where it has none.
func (s *State) limbMeter(i, j int) string {
	if s.Chart == nil || i < 0 || i >= len(s.Chart.Tasks) || i >= len(s.Tasks) || j < 0 {
		return ""
	}
	def := &s.Chart.Tasks[i]
	limbs, _ := s.limbsOf(i)
	if j < len(limbs) {
		return limbs[j].Meter
	}
	if j -= len(limbs); j < len(def.Triggers) {
		return def.Triggers[j].Meter
	}
	if j -= len(def.Triggers); j < len(def.RunIns) {
		if m := s.runInMeter(&def.RunIns[j]); m >= 0 {
			return s.Meters[m].ID
		}
	}
	return ""
}
