package ingest

import (
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/live"
)

// changes gathers what a batch changes, where someone wants to hear it. Indexes
// of effects hold only right after their event, so ids are taken down then.
type changes struct {
	wanted  bool // by anyone
	all     bool // by someone who hears of the agent's own events too
	topic   *live.Topic
	others  bool
	any     bool
	effects []maintenance.Effect
	meters  []string
	tasks   []live.TaskNow
	notices []maintenance.NoticeID
	doubts  []maintenance.Key
	codes   []maintenance.ActiveWarning
	chart   bool
}

func (c *changes) begin(topic *live.Topic) {
	*c = changes{topic: topic, wanted: topic.Wanted(true), all: topic.Wanted(false)}
}

func (c *changes) add(s *maintenance.State, e *maintenance.Event, fx []maintenance.Effect) {
	c.any = true
	if e.Writer != maintenance.WriterAgent {
		c.others = true
	}
	if !c.wanted || !c.all && e.Writer == maintenance.WriterAgent {
		return
	}
	c.effects = append(c.effects, fx...)
	for i := range fx {
		c.note(s, &fx[i])
	}
}

func (c *changes) note(s *maintenance.State, f *maintenance.Effect) {
	switch f.Kind {
	case maintenance.EffectReadingTaken, maintenance.EffectLifeOpened, maintenance.EffectReadingHeld:
		if within(f.Index, s.Meters) {
			c.meters = appendNew(c.meters, s.Meters[f.Index].ID)
		}
	case maintenance.EffectDueChanged:
		if within(f.Index, s.Tasks) {
			c.task(live.TaskNow{ID: s.Tasks[f.Index].ID, Was: f.Was, Now: f.Now})
		}
	case maintenance.EffectNoticeRaised, maintenance.EffectNoticeWithdrawn, maintenance.EffectNoticeAnswered:
		c.notices = appendNew(c.notices, f.Notice)
	case maintenance.EffectDoubtOpened, maintenance.EffectDoubtClosed:
		if within(f.Index, s.Doubts) {
			c.doubts = appendNew(c.doubts, s.Doubts[f.Index].Key)
		}
	case maintenance.EffectWarning:
		if within(f.Index, s.Warnings) {
			c.codes = append(c.codes, s.Warnings[f.Index])
		}
	case maintenance.EffectChart:
		c.chart = true
	}
}

func (c *changes) task(t live.TaskNow) {
	i := slices.IndexFunc(c.tasks, func(o live.TaskNow) bool { return o.ID == t.ID })
	if i < 0 {
		c.tasks = append(c.tasks, t)
		return
	}
	c.tasks[i].Now = t.Now
}

// end gives the batch's change, false where nobody wants it.
func (c *changes) end(m *machine, now moment.Instant) (live.Change, bool) {
	if !c.any || !c.wanted || !c.all && !c.others || !c.topic.Wanted(c.others) {
		return live.Change{}, false
	}
	s := m.state
	out := live.Change{Machine: m.id, Revision: s.Revision, Known: now, Others: c.others, Effects: c.effects,
		Summary: live.Summary{Heard: s.Heard.Until, Engine: s.Engine, Tasks: c.tasks, Warnings: c.codes, Chart: c.chart}}
	for i := range s.Meters {
		if slices.Contains(c.meters, s.Meters[i].ID) {
			out.Summary.Meters = append(out.Summary.Meters, live.MeterNow{ID: s.Meters[i].ID, Total: s.Meters[i].Total, At: s.Meters[i].TotalAt})
		}
	}
	for i := range s.Notices {
		if slices.Contains(c.notices, s.Notices[i].ID) {
			n := s.Notices[i]
			n.Fates = slices.Clone(n.Fates)
			out.Summary.Notices = append(out.Summary.Notices, n)
		}
	}
	for i := range s.Doubts {
		if slices.Contains(c.doubts, s.Doubts[i].Key) {
			out.Summary.Doubts = append(out.Summary.Doubts, s.Doubts[i])
		}
	}
	return out, true
}

func within[T any](i int, list []T) bool { return i >= 0 && i < len(list) }

func appendNew[T comparable](list []T, v T) []T {
	if slices.Contains(list, v) {
		return list
	}
	return append(list, v)
}
