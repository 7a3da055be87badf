package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// terms gives what holds a task as a whole: its build, a practice in place of the
// book, a postponement, and that it rings nobody.
func (x *Explanation) terms(s *State, c *Count) {
	switch c.Build {
	case BuildNot:
		x.add("build", "not on this machine; it rings nobody", moment.Span{}, Key{})
	case BuildAsked:
		x.add("build", "whether it is on this machine is not known; it rings nobody", moment.Span{}, Key{})
	}
	if c.Practice != "" {
		x.add("practice", c.Practice, moment.Span{}, Key{})
	}
	if p := s.Tasks[s.taskIndex(c.Task)].putOff(); p != nil {
		x.add("postponed", c.Postponed, p.On, p.By)
	}
	if c.Soft {
		x.add("soft", "it rings nobody; it is offered when the machine stands", moment.Span{}, Key{})
	}
}

// told gives the events, seasons, pieces and conditions that the task's counters
// look at.
func (x *Explanation) told(s *State, i int) {
	def := &s.Chart.Tasks[i]
	rec := s.Tasks[i].latest()
	limbs, _ := s.limbsOf(i)
	for j := range limbs {
		x.toldOf(s, &limbs[j], rec)
	}
	for j := range def.Triggers {
		for _, f := range s.firings(&def.Triggers[j], rec) {
			x.add("happened", f.words(&TriggerDef{}), f.at, f.key)
		}
	}
	for j := range def.RunIns {
		if p := s.pieceOn(def.RunIns[j].Part); p != nil {
			x.add("fitted", pieceWords(def.RunIns[j].Part, p), p.At, p.Record)
		}
	}
	if len(def.Instead) > 0 {
		for _, name := range def.Instead[0].NotIf {
			x.toldName(s, name)
		}
	}
}

func (x *Explanation) toldOf(s *State, l *Limb, rec *TaskRecord) {
	for i := range l.While {
		x.toldName(s, l.While[i].Of)
	}
	if l.Kind == LimbSeason {
		x.seasons(s, l.Crop)
	}
	if l.Kind != LimbCounted || rec == nil {
		return
	}
	for i := range s.Happened {
		if h := &s.Happened[i]; h.Kind == HappenedEvent && h.Name == l.Of && h.At.Compare(rec.At) > 0 {
			x.add("counted", milliText(h.amount())+" "+h.words(), h.At, h.Key)
		}
	}
}

func (x *Explanation) toldName(s *State, name string) {
	if k, _ := s.told(name); k != nil {
		x.add("told", name+" is "+k.Value, k.At, k.By)
	}
}

func (x *Explanation) seasons(s *State, crop string) {
	for i := range s.Seasons {
		n := &s.Seasons[i]
		if crop != "" && n.Crop != crop {
			continue
		}
		name := n.Season
		if n.Crop != "" {
			name += " of " + n.Crop
		}
		if n.Opened != civil.None {
			x.add("season", name+" opens on "+n.Opened.String(), moment.At(n.OpenedKnown), n.OpenedBy)
		}
		if n.Closed != civil.None {
			x.add("season", name+" closes on "+n.Closed.String(), moment.At(n.ClosedKnown), n.ClosedBy)
		}
	}
}

func pieceWords(part string, p *Piece) string {
	text := part + onDate(p.Date)
	if p.Variant != "" {
		text += ", " + p.Variant
	}
	for i := range p.Hours {
		text += fmt.Sprintf("; %s %v h", p.Hours[i].Meter, p.Hours[i].Shown)
	}
	return text
}
