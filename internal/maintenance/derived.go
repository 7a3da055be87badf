package maintenance

import (
	"math"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// rebuild works out what Apply keeps at hand.
func (s *State) rebuild() {
	s.work.ready = true
	s.work.closed = 0
	for i := range s.Notices {
		if !s.Notices[i].Withdrawn.IsZero() {
			s.work.closed++
		}
	}
	if s.work.chart != s.Chart {
		s.work.hash = s.chartHash()
		s.work.chart = s.Chart
	}
	s.thresholds()
}

// thresholds works out, for each meter, the lowest threshold above its total,
// and the latest record whose hours on it were looked up.
func (s *State) thresholds() {
	w := &s.work
	w.next, w.looked, w.days = w.next[:0], w.looked[:0], w.days[:0]
	for range s.Meters {
		w.next = append(w.next, math.MaxInt64)
		w.looked = append(w.looked, 0)
		w.days = append(w.days, false)
	}
	for i := range s.Tasks {
		s.taskThresholds(i)
	}
	s.happenedLookups()
	s.otherLookups()
	for i := range s.Notices {
		n := &s.Notices[i]
		if n.Waiting && n.LaterAt > 0 && n.Withdrawn.IsZero() {
			s.threshold(s.meterIndex(n.LaterOn), n.LaterAt)
		}
	}
}

func (s *State) taskThresholds(i int) {
	task := &s.Tasks[i]
	for j := range task.Records {
		s.recordLookups(&task.Records[j])
	}
	if task.Gone || s.Chart == nil || i >= len(s.Chart.Tasks) {
		return
	}
	if p := task.putOff(); p != nil && p.At > 0 {
		s.threshold(s.meterIndex(p.Meter), p.At)
	}
	rec, def := task.latest(), &s.Chart.Tasks[i]
	limbs, _ := s.limbsOf(i)
	for j := range limbs {
		if rec == nil {
			break
		}
		if m := s.meterOr(limbs[j].Meter); limbs[j].Kind == LimbDays && m >= 0 {
			s.work.days[m] = true
			continue
		}
		g := s.limbGauge(&limbs[j], rec, false)
		s.gaugeThresholds(&g)
	}
	for j := range def.Triggers {
		g := s.triggerGauge(&def.Triggers[j], rec, false)
		s.gaugeThresholds(&g)
	}
	for j := range def.RunIns {
		g := s.runInGauge(&def.RunIns[j], rec, false)
		s.gaugeThresholds(&g)
	}
}

// gaugeThresholds notes the next threshold of what stands in machine's hours.
func (s *State) gaugeThresholds(g *gauge) {
	if g.meter < 0 || !g.tells() {
		return
	}
	if next, ok := g.hours.Next(s.Meters[g.meter].Total); ok {
		s.threshold(g.meter, next)
	}
}

// happenedLookups notes until when news of a meter may change the hours of what
// happened.
func (s *State) happenedLookups() {
	for i := range s.Happened {
		h := &s.Happened[i]
		for m := range s.Meters {
			if h.Kind == HappenedStart {
				break
			}
			until := h.At.Hi()
			if _, ok := h.on(s.Meters[m].ID); !ok {
				until = until.Add(LookupReach)
			}
			s.lookedUp(m, until)
		}
	}
}

// recordLookups notes until when news of a meter may change the record's hours.
func (s *State) recordLookups(r *TaskRecord) {
	for m := range s.Meters {
		k := r.find(s.Meters[m].ID)
		switch {
		case k < 0:
			s.lookedUp(m, r.At.Hi().Add(LookupReach))
		case r.Looked&(1<<k) != 0:
			s.lookedUp(m, r.At.Hi())
		}
	}
}

func (s *State) threshold(meter int, at hours.Millis) {
	if meter >= 0 && meter < len(s.work.next) {
		s.work.next[meter] = min(s.work.next[meter], at)
	}
}

func (s *State) lookedUp(meter int, at moment.Instant) {
	if meter >= 0 && meter < len(s.work.looked) {
		s.work.looked[meter] = max(s.work.looked[meter], at)
	}
}

// Clone returns a copy that shares nothing that changes: charts and texts only.
func (s *State) Clone() *State {
	c := *s
	c.work = work{}
	c.Days, c.Epochs, c.Acts = copyOf(s.Days), copyOf(s.Epochs), copyOf(s.Acts)
	c.Meters, c.Tasks, c.Notices = copyOf(s.Meters), copyOf(s.Tasks), copyOf(s.Notices)
	for i := range c.Meters {
		m := &c.Meters[i]
		m.Lives, m.Held, m.Trail, m.DayTops = copyOf(m.Lives), copyOf(m.Held), copyOf(m.Trail), copyOf(m.DayTops)
	}
	for i := range c.Tasks {
		// A record's hours are never changed in place, so they may be shared.
		c.Tasks[i].Records, c.Tasks[i].Crossed = copyOf(c.Tasks[i].Records), copyOf(c.Tasks[i].Crossed)
	}
	for i := range c.Notices {
		c.Notices[i].Fates = copyOf(c.Notices[i].Fates)
	}
	c.Warnings, c.Counts, c.Doubts = copyOf(s.Warnings), copyOf(s.Counts), copyOf(s.Doubts)
	c.Names.Claims, c.MovedNames.Claims = copyOf(s.Names.Claims), copyOf(s.MovedNames.Claims)
	c.Heard.Spans, c.Latest, c.Editions = copyOf(s.Heard.Spans), copyOf(s.Latest), copyOf(s.Editions)
	c.cloneWork(s)
	return &c
}

// cloneWork copies what came with WorkRules. Lists of a happening, of a remark
// and of a setting are never changed in place, so they may be shared.
func (c *State) cloneWork(s *State) {
	c.Happened, c.Traits, c.Conditions, c.Seasons = copyOf(s.Happened), copyOf(s.Traits), copyOf(s.Conditions), copyOf(s.Seasons)
	c.Parts, c.Measures, c.Walks = copyOf(s.Parts), copyOf(s.Measures), copyOf(s.Walks)
	for i := range c.Parts {
		c.Parts[i].Pieces = copyOf(c.Parts[i].Pieces)
	}
	for i := range c.Measures {
		c.Measures[i].Values = copyOf(c.Measures[i].Values)
	}
	for i := range c.Walks {
		c.Walks[i].Looked = copyOf(c.Walks[i].Looked)
	}
	c.Remarks, c.Settings, c.Guns, c.Attachments = copyOf(s.Remarks), copyOf(s.Settings), copyOf(s.Guns), copyOf(s.Attachments)
	c.Causes, c.Used, c.FoundAt, c.Owners = copyOf(s.Causes), copyOf(s.Used), copyOf(s.FoundAt), copyOf(s.Owners)
	for i := range c.Tasks {
		c.Tasks[i].Postponed = copyOf(c.Tasks[i].Postponed)
	}
}

func copyOf[T any](list []T) []T { return append([]T(nil), list...) }
