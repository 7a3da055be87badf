package maintenance

import (
	"cmp"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// AdherenceOf is how early or late services of one task, or of one round, were
// against their interval. Early is below 0.
type AdherenceOf struct {
	Task, Round string // one of them is set
	Hours       []HoursOff
	// MedianHours and WorstHours are of Hours: of an even number the lower of the
	// two in the middle; the worst is that furthest from the interval, of two the
	// later one.
	MedianHours, WorstHours hours.Millis
	Days                    []DaysOff
	MedianDays, WorstDays   int
}

// Count is how many services were held against the one before.
func (a *AdherenceOf) Count() int { return len(a.Hours) + len(a.Days) }

// HoursOff is how far one service was off its interval on a meter.
type HoursOff struct {
	Record Key
	Meter  string
	Every  hours.Millis
	Off    hours.Millis // above 0: late
}

// DaysOff is how far one service was off its date.
type DaysOff struct {
	Record Key
	Due    civil.Date
	Off    int // above 0: late
}

// Adherence holds the services that stand against the one before each: task by
// task in the chart's order, then round by round. Of several intervals that
// counts which was furthest through. Tasks and rounds without two services that
// can be held against each other are left out.
func Adherence(s *State) []AdherenceOf {
	if s.Chart == nil {
		return nil
	}
	var out []AdherenceOf
	rounds := make([]AdherenceOf, len(s.Chart.Rounds))
	for i := range min(len(s.Chart.Tasks), len(s.Tasks)) {
		a := s.adherence(i)
		if a.Count() == 0 {
			continue
		}
		r := slices.IndexFunc(s.Chart.Rounds, func(d RoundDef) bool { return d.ID == s.Chart.Tasks[i].Round })
		if r >= 0 {
			rounds[r].Round = s.Chart.Rounds[r].ID
			rounds[r].Hours = append(rounds[r].Hours, a.Hours...)
			rounds[r].Days = append(rounds[r].Days, a.Days...)
		}
		out = append(out, a)
	}
	for i := range rounds {
		if rounds[i].Count() > 0 {
			out = append(out, rounds[i])
		}
	}
	for i := range out {
		out[i].sum()
	}
	return out
}

// adherence holds the standing records of one task against each other.
func (s *State) adherence(i int) AdherenceOf {
	d := &s.Chart.Tasks[i]
	a := AdherenceOf{Task: d.ID}
	var before *TaskRecord
	for j := range s.Tasks[i].Records {
		rec := &s.Tasks[i].Records[j]
		if !rec.Void.IsZero() || rec.Waiting {
			continue
		}
		if before != nil {
			a.hold(d, before, rec)
		}
		before = rec
	}
	return a
}

// hold adds how far a service was off, on the interval that was furthest through.
func (a *AdherenceOf) hold(d *TaskDef, before, rec *TaskRecord) {
	var on *HoursOff
	var by *DaysOff
	var off, every int64
	for j := range d.Limbs {
		l := &d.Limbs[j]
		switch h, isHours := l.hoursOff(before, rec); {
		case isHours:
			if on == nil && by == nil || further(int64(h.Off), int64(h.Every), off, every) {
				on, by, off, every = &h, nil, int64(h.Off), int64(h.Every)
			}
		case l.Kind == LimbMonths:
			n, days, ok := l.daysOff(before, rec)
			if ok && (on == nil && by == nil || further(int64(n.Off), int64(days), off, every)) {
				on, by, off, every = nil, &n, int64(n.Off), int64(days)
			}
		}
	}
	switch {
	case on != nil:
		a.Hours = append(a.Hours, *on)
	case by != nil:
		a.Days = append(a.Days, *by)
	}
}

// further reports whether one interval was further through than another, each
// measured in itself.
func further(off, every, thanOff, thanEvery int64) bool {
	// In thousandths of the interval: 999999999 h and as much again stay far
	// within what fits.
	return off*1000/max(every, 1) > thanOff*1000/max(thanEvery, 1)
}

func (l *Limb) hoursOff(before, rec *TaskRecord) (HoursOff, bool) {
	from, ok := before.on(l.Meter)
	at, known := rec.on(l.Meter)
	if l.Kind != LimbHours || l.Every <= 0 || !ok || !known {
		return HoursOff{}, false
	}
	due := hours.Add(from, l.Every)
	if l.Grid {
		due = (from/l.Every + 1) * l.Every
	}
	return HoursOff{Record: rec.Record, Meter: l.Meter, Every: l.Every, Off: hours.Sub(at, due)}, true
}

// daysOff gives the days off and those of the interval.
func (l *Limb) daysOff(before, rec *TaskRecord) (DaysOff, int, bool) {
	if l.Grid || !before.Date.Known() || !rec.Date.Known() {
		return DaysOff{}, 0, false
	}
	due := before.Date.AddMonths(int(l.Months))
	return DaysOff{Record: rec.Record, Due: due, Off: rec.Date.Sub(due)}, due.Sub(before.Date), due.Known()
}

// sum works out the middle and the worst.
func (a *AdherenceOf) sum() {
	off := make([]int64, 0, len(a.Hours))
	for _, h := range a.Hours {
		off = append(off, int64(h.Off))
	}
	median, worst := middle(off)
	a.MedianHours, a.WorstHours = hours.Millis(median), hours.Millis(worst)
	off = off[:0]
	for _, d := range a.Days {
		off = append(off, int64(d.Off))
	}
	median, worst = middle(off)
	a.MedianDays, a.WorstDays = int(median), int(worst)
}

func middle(off []int64) (median, worst int64) {
	if len(off) == 0 {
		return 0, 0
	}
	slices.SortFunc(off, func(a, b int64) int { return cmp.Compare(a, b) })
	low, high := off[0], off[len(off)-1]
	worst = high
	if -low > high {
		worst = low
	}
	return off[(len(off)-1)/2], worst
}
