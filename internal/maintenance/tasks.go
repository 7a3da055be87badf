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
		if t.Records[i].Void.IsZero() {
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

// hours are the thresholds of a limb in hours that began at from.
func (l *Limb) hours(from hours.Millis) intervals.Hours {
	return intervals.OfHours(from, l.Every, l.Soon, l.Late)
}

// months are the thresholds of a limb in months that began on a date.
func (l *Limb) months(from civil.Date) (intervals.Dates, bool) {
	return intervals.OfMonths(from, l.Months, l.SoonDays, l.LateDays)
}

// limbStand is how one limb stands.
type limbStand struct {
	standing intervals.Standing
	meter    string // "" for dates
	at       int    // index of the meter
	mark     int64  // threshold of its standing
}

// limbStand works out a limb from the record that opened the cycle.
func (s *State) limbStand(l *Limb, rec *TaskRecord) limbStand {
	switch l.Kind {
	case LimbHours:
		from, ok := rec.on(l.Meter)
		m := s.meterIndex(l.Meter)
		if !ok || m < 0 {
			return limbStand{}
		}
		h := l.hours(from)
		st := h.At(s.Meters[m].Total)
		return limbStand{st, l.Meter, m, int64(h.Threshold(st))}
	case LimbMonths:
		d, ok := l.months(rec.Date)
		st := d.At(s.today())
		if !ok || st == intervals.Unknown {
			return limbStand{}
		}
		return limbStand{st, "", -1, int64(d.Threshold(st))}
	}
	return limbStand{}
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

// stand works out a task's due state, the limb that decides it, and when and by
// what it came about. Of several limbs with the most urgent standing the one
// that came first decides.
func (t *step) stand(i int, anew bool) (DueState, int, moment.Span, Key) {
	s, task := t.s, &t.s.Tasks[i]
	rec := task.latest()
	if rec == nil {
		return DueUnknown, -1, moment.Span{}, Key{}
	}
	limbs := s.Chart.Tasks[i].Limbs
	if len(limbs) == 0 {
		return NotDue, -1, rec.At, task.Cycle
	}
	best, limb := intervals.Unknown, -1
	var since moment.Span
	var by Key
	for j := range limbs {
		st := s.limbStand(&limbs[j], rec)
		if st.standing < best || st.standing == intervals.Unknown {
			continue
		}
		at, key := rec.At, task.Cycle
		if st.standing > intervals.NotDue {
			at, key = t.crossing(i, j, &st, anew)
		}
		_, sooner := intervals.First(best, st.standing)
		if sooner || st.standing > intervals.NotDue && at.Compare(since) < 0 {
			best, limb, since, by = st.standing, j, at, key
		}
	}
	if best == intervals.Unknown {
		return DueUnknown, -1, moment.Span{}, Key{}
	}
	return DueState(best), limb, since, by
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
	if !anew && task.State == DueState(st.standing) && task.Limb == limb {
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
	case st.at >= 0 && (anew || moved && at == (moment.Span{})):
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
	if moved || turned {
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
