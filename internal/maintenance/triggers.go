package maintenance

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/intervals"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// TriggerLate is after how many hours of the chart's first meter a check that
// was due at once is overdue, unless another work day turns before; common
// practice, no source.
const TriggerLate = 8 * hours.Hour

// firing is something that sets a trigger off.
type firing struct {
	key   Key
	at    moment.Span
	date  civil.Date
	hours []MeterShown

	// In words: a happening, or what was done or fitted.
	happened *Happening
	name     string
}

// kind is what sort of happening a trigger looks back at, 0 for records and parts.
func (tr *TriggerDef) kind() HappeningKind {
	switch tr.Kind {
	case TriggerEvent:
		return HappenedEvent
	case TriggerCode:
		return HappenedCode
	case TriggerFailed:
		return HappenedFailed
	case TriggerFinding:
		return HappenedFinding
	case TriggerBefore:
		return HappenedAhead
	}
	return 0
}

// firings are what may set a trigger off since the record, nil for ever, by time.
func (s *State) firings(tr *TriggerDef, rec *TaskRecord) []firing {
	switch tr.Kind {
	case TriggerDone:
		return s.doneSince(tr.Name, rec)
	case TriggerFitted:
		return s.fittedSince(tr.Name, rec)
	}
	var out []firing
	for i := range s.Happened {
		if s.fires(tr, i, rec) {
			out = append(out, s.firing(i))
		}
	}
	return out
}

// fires reports whether what happened may set a trigger off.
func (s *State) fires(tr *TriggerDef, i int, rec *TaskRecord) bool {
	h := &s.Happened[i]
	return h.Kind == tr.kind() && happenedSince(h.At, rec) && s.isNamed(tr, h) && (len(tr.If) == 0 || s.judgeAt(tr.If, h) == certain)
}

func (s *State) firing(i int) firing {
	h := &s.Happened[i]
	return firing{key: h.Key, at: h.At, date: s.dateOf(h.Date, h.At), hours: h.Hours, happened: h}
}

// happenedSince reports whether something happened after a record, nil for ever.
func happenedSince(at moment.Span, rec *TaskRecord) bool { return rec == nil || at.Compare(rec.At) > 0 }

// isNamed reports whether a trigger means a happening. A task of several items
// is meant by its set's name too.
func (s *State) isNamed(tr *TriggerDef, h *Happening) bool {
	return h.Name == tr.Name || tr.Kind == TriggerFailed && s.inSet(h.Name, tr.Name)
}

// inSet reports whether a task is one of a set.
func (s *State) inSet(task, set string) bool {
	i := s.taskIndex(task)
	return i >= 0 && s.Chart != nil && i < len(s.Chart.Tasks) && s.Chart.Tasks[i].Set == set
}

// dateOf is a work day that is known, or else that of a time.
func (s *State) dateOf(d civil.Date, at moment.Span) civil.Date {
	if d.Known() && d != 0 {
		return d
	}
	return s.dateAt(at.Hi())
}

// doneSince are the records of a task or a set since a record, each once.
func (s *State) doneSince(name string, rec *TaskRecord) []firing {
	var out []firing
	for i := range s.Tasks {
		if s.Tasks[i].ID != name && !s.inSet(s.Tasks[i].ID, name) {
			continue
		}
		for j := range s.Tasks[i].Records {
			r := &s.Tasks[i].Records[j]
			if !r.stands() || !happenedSince(r.At, rec) || slices.ContainsFunc(out, func(f firing) bool { return f.key == r.Record }) {
				continue
			}
			out = append(out, firing{key: r.Record, at: r.At, date: s.dateOf(r.Date, r.At), hours: r.Hours, name: name + " done"})
		}
	}
	return byTime(out)
}

// fittedSince are the pieces of a part that were fitted since a record.
func (s *State) fittedSince(name string, rec *TaskRecord) []firing {
	var out []firing
	i := s.partIndex(name)
	if i < 0 {
		return nil
	}
	for j := range s.Parts[i].Pieces {
		p := &s.Parts[i].Pieces[j]
		if !p.Void.IsZero() || p.Off || !happenedSince(p.At, rec) {
			continue
		}
		out = append(out, firing{key: p.Record, at: p.At, date: s.dateOf(p.Date, p.At), hours: p.Hours, name: name + " fitted"})
	}
	return byTime(out)
}

func byTime(list []firing) []firing {
	slices.SortStableFunc(list, func(a, b firing) int {
		if c := a.at.Compare(b.at); c != 0 {
			return c
		}
		return a.key.Compare(b.key)
	})
	return list
}

// words says what set a trigger off.
func (f *firing) words(tr *TriggerDef) string {
	text := f.name + onDate(f.date)
	if f.happened != nil {
		text = f.happened.words()
	}
	if tr.Count > 1 {
		text = fmt.Sprintf("%d times, the last: %s", tr.Count, text)
	}
	return text
}

// words says what happened, such as "plug-cleared, 25 minutes, on 2031-07-15".
func (h *Happening) words() string {
	text := h.Name
	if h.Minutes > 0 {
		text += fmt.Sprintf(", %d minutes,", h.Minutes)
	}
	if h.Kind == HappenedAhead {
		text += " said to come"
	}
	return text + onDate(h.Date)
}

func onDate(d civil.Date) string {
	if !d.Known() {
		return ""
	}
	return " on " + d.String()
}

// judgeAt holds conditions to a happening: its minutes, its facts, what was told
// by then, and traits.
func (s *State) judgeAt(conds []Cond, h *Happening) truth {
	out := certain
	for i := range conds {
		c := &conds[i]
		if c.Of == "minutes" {
			v := unsure
			if h.Minutes > 0 {
				v = evalFigure(c, int64(h.Minutes)*1000)
			}
			out = out.and(v)
			continue
		}
		value, known := s.toldBy(c.Of, h)
		out = out.and(evalCond(c, value, known))
	}
	return out
}

// toldBy is a fact of a happening, or what was last told of it by then.
func (s *State) toldBy(name string, h *Happening) (string, bool) {
	if v, ok := factOf(h.Facts, name); ok {
		return v, true
	}
	for i := len(s.Happened) - 1; i >= 0; i-- {
		o := &s.Happened[i]
		if o.compare(h) > 0 || o.Kind != HappenedEvent && o.Kind != HappenedAhead {
			continue
		}
		if v, ok := factOf(o.Facts, name); ok {
			return v, true
		}
	}
	if k := knownOf(s.Conditions, name); k != nil && k.At.Compare(h.At) <= 0 {
		return k.Value, true
	}
	if k, _ := s.traitKnown(name); k != nil {
		return k.Value, true
	}
	return "", false
}

// fired is the first time since the record at which a trigger had what it takes,
// and how often it was seen by then.
func (s *State) fired(tr *TriggerDef, rec *TaskRecord) (firing, int, bool) {
	if tr.kind() != 0 {
		return s.firedBy(tr, rec)
	}
	list, need := s.firings(tr, rec), int(max(tr.Count, 1))
	for k := need - 1; k < len(list); k++ {
		if need == 1 || s.near(tr, &list[k-need+1], &list[k]) {
			return list[k], len(list), true
		}
	}
	return firing{}, len(list), false
}

// firedBy is fired for what happened.
func (s *State) firedBy(tr *TriggerDef, rec *TaskRecord) (firing, int, bool) {
	var few [64]int
	list, need := few[:0], int(max(tr.Count, 1))
	for i := range s.Happened {
		if !s.fires(tr, i, rec) {
			continue
		}
		list = append(list, i)
		k := len(list) - need
		if k < 0 {
			continue
		}
		if need == 1 {
			return s.firing(i), 1, true
		}
		a, b := s.firing(list[k]), s.firing(i)
		if s.near(tr, &a, &b) {
			return b, len(list), true
		}
	}
	return firing{}, len(list), false
}

// near reports whether two firings lie no further apart than the trigger says.
// What is not known keeps nothing apart: rather one look too many.
func (s *State) near(tr *TriggerDef, a, b *firing) bool {
	if tr.WithinDays > 0 && a.date.Known() && b.date.Known() && b.date.Sub(a.date) > int(tr.WithinDays) {
		return false
	}
	if tr.Within <= 0 {
		return true
	}
	m := s.meterOr(tr.Meter)
	if m < 0 {
		return true
	}
	x, ok1 := shownOn(a.hours, s.Meters[m].ID)
	y, ok2 := shownOn(b.hours, s.Meters[m].ID)
	return !ok1 || !ok2 || hours.Sub(y, x) <= tr.Within
}

// triggerGauge is how a trigger stands since the record, nil for ever.
func (s *State) triggerGauge(tr *TriggerDef, rec *TaskRecord, talk bool) gauge {
	g := gauge{meter: -1, own: true, talk: talk}
	f, n, ok := s.fired(tr, rec)
	if !ok {
		g.idle, g.why = true, "it did not happen since"
		if talk && n > 0 {
			g.why = fmt.Sprintf("%d of %d since, or too far apart", n, max(tr.Count, 1))
		}
		return g
	}
	if talk {
		g.words = f.words(tr)
	}
	switch tr.By {
	case ByHours:
		s.byHours(&g, tr, &f)
	case ByDays:
		s.byDays(&g, tr, &f)
	default:
		s.byNow(&g, tr, &f)
	}
	return g
}

// byNow: due from what happened on. It is overdue once the engine started, where
// it is due by then or before what was to come, and once that came; otherwise
// when another work day has turned or TriggerLate has run.
func (s *State) byNow(g *gauge, tr *TriggerDef, f *firing) {
	g.fixed = limbStand{standing: intervals.Due, at: -1}
	g.fixed.set(f.at, f.key)
	if h := s.lastStart(); tr.By == ByNextStart || tr.Kind == TriggerBefore {
		g.overdueBy(h, f)
	}
	if tr.By == ByNextStart {
		return
	}
	g.overdueBy(s.cameToPass(tr, f), f)
	if over := f.date.AddDays(1); over != civil.None {
		g.dated, g.dates = true, intervals.NoDates
		g.dates.Overdue = over
	}
	if m := s.meterOr(""); m >= 0 {
		if from, ok := shownOn(f.hours, s.Meters[m].ID); ok {
			g.meter, g.hours = m, intervals.OverdueAt(hours.Add(from, TriggerLate))
		}
	}
}

// overdueBy makes it overdue from a later happening on, the earliest of several.
func (g *gauge) overdueBy(h *Happening, f *firing) {
	if h == nil || h.At.Compare(f.at) <= 0 || g.fixed.standing == intervals.Overdue && h.At.Compare(g.fixed.since) >= 0 {
		return
	}
	g.fixed.standing = intervals.Overdue
	g.fixed.set(h.At, h.Key)
}

// cameToPass is the event that was said to come, once it happened.
func (s *State) cameToPass(tr *TriggerDef, f *firing) *Happening {
	if tr.Kind != TriggerBefore {
		return nil
	}
	for i := range s.Happened {
		if h := &s.Happened[i]; h.Kind == HappenedEvent && h.Name == tr.Name && h.At.Compare(f.at) > 0 {
			return h
		}
	}
	return nil
}

// byHours: due some hours after. Where they are not known it is due at once:
// rather one look too many.
func (s *State) byHours(g *gauge, tr *TriggerDef, f *firing) {
	if m := s.meterOr(tr.Meter); m >= 0 {
		if from, ok := shownOn(f.hours, s.Meters[m].ID); ok {
			g.meter, g.hours = m, intervals.OfHours(from, tr.In, 0, 0)
			return
		}
	}
	s.byNow(g, tr, f)
}

func (s *State) byDays(g *gauge, tr *TriggerDef, f *firing) {
	d, ok := intervals.OfDays(f.date, tr.InDays)
	if !ok || s.today() == civil.None {
		s.byNow(g, tr, f)
		return
	}
	g.dated, g.dates = true, d
}
