package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/intervals"
)

// pieceOn returns the piece of a part that is on the machine, nil where none is.
func (s *State) pieceOn(part string) *Piece {
	i := s.partIndex(part)
	if i < 0 {
		return nil
	}
	p := s.Parts[i].standing()
	if p == nil || p.Off {
		return nil
	}
	return p
}

// runInMeter is the index of the meter that a part's marks count on, or -1.
func (s *State) runInMeter(d *RunInDef) int {
	id := d.Meter
	for i := range s.Chart.Parts {
		if id == "" && s.Chart.Parts[i].ID == d.Part {
			id = s.Chart.Parts[i].Meter
		}
	}
	return s.meterOr(id)
}

// runInGauge is how the checks after a part is new stand: the earliest mark that
// no service since covers. A service covers all marks up to its hours, and one
// that was announced by then.
func (s *State) runInGauge(d *RunInDef, rec *TaskRecord, talk bool) gauge {
	g := gauge{meter: -1, own: true, idle: true, talk: talk}
	p, m := s.pieceOn(d.Part), s.runInMeter(d)
	switch {
	case p == nil:
		g.why = d.Part + " has not been fitted on record"
		return g
	case s.judgePiece(d.If, p) != certain:
		g.why = "it is not asked for this piece of " + d.Part
		return g
	case m < 0:
		g.why = "the meter has never been read"
		return g
	}
	from, ok := shownOn(p.Hours, s.Meters[m].ID)
	if !ok {
		g.why = "the meter was not read at the fitting nor near it"
		return g
	}
	done, covers := hours.Millis(0), false
	if rec != nil && rec.At.Compare(p.At) > 0 {
		done, covers = rec.on(s.Meters[m].ID)
	}
	for k, mark := range d.Marks {
		h := intervals.OfRunIn(from, mark)
		if covers && done >= h.Soon {
			continue
		}
		g.idle, g.meter, g.hours = false, m, h
		if talk {
			g.words = d.words(k, h.Due)
		}
		return g
	}
	g.why = "all checks after fitting " + d.Part + " are done"
	return g
}

// words says at which hours a mark is due, and what to expect at the first.
func (d *RunInDef) words(k int, due hours.Millis) string {
	text := fmt.Sprintf("%s after fitting %s: at %v h", runningText(d.Marks[k]), d.Part, due)
	if k == 0 && d.Expect != "" {
		text += "; expect " + d.Expect
	}
	return text
}

// judgePiece holds conditions to a piece and the machine's traits.
func (s *State) judgePiece(conds []Cond, p *Piece) truth {
	out := certain
	for i := range conds {
		value, known := p.Variant, p.Variant != ""
		if conds[i].Of != "variant" {
			value, known = "", false
			if k, _ := s.traitKnown(conds[i].Of); k != nil {
				value, known = k.Value, true
			}
		}
		out = out.and(evalCond(&conds[i], value, known))
	}
	return out
}

// runningText gives running time in minutes below two hours, else in hours.
func runningText(m hours.Millis) string {
	if m < 2*hours.Hour && m%hours.Minute == 0 {
		return fmt.Sprintf("%d min", m/hours.Minute)
	}
	return fmt.Sprintf("%v h", m)
}
