package api

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// partOf is a person's part in the trade: operator, technician or dealer, "" not
// said.
func (a *API) partOf(person string) string { return string(a.o.Office.Part(person)) }

// question is a question about the build, answered or not.
type question struct {
	Def   *maintenance.TraitDef
	Known *maintenance.TraitKnown // nil: not known
	Again string                  // why it is asked again
	Tasks []string                // that wait for the answer
}

// questions gives every question of the chart, in its order, those among them
// that nothing waits for.
func questions(s *maintenance.State) []question {
	if s.Chart == nil {
		return nil
	}
	open := maintenance.Questions(s)
	var out []question
	for i := range s.Chart.Traits {
		def := &s.Chart.Traits[i]
		k := slices.IndexFunc(open, func(q maintenance.Question) bool { return q.Name == def.ID })
		if k >= 0 {
			out = append(out, question{Def: def, Again: open[k].Why, Tasks: open[k].Tasks})
		} else {
			known, why := s.Trait(def.ID)
			out = append(out, question{Def: def, Known: known, Again: why})
		}
	}
	return out
}

// sheetOf is the sheet of an occasion as the API tells it.
type sheetOf struct {
	Walk   maintenance.WalkDef
	Lines  []sheetLine
	Asked  []string // traits
	Struck []*pb.WalkStruck
}

type sheetLine struct {
	Task     string
	Build    maintenance.BuildWord
	Question string                // what is not known of its build
	Left     string                // hours or days left
	Looked   *maintenance.LookedAt // nil: not yet
	Spots    []*pb.WalkSpot
}

var errNoOccasion = errors.New("the machine's chart has no such occasion")

// sheet gives the sheet of an occasion, with the answers of a walk-round where
// one is given.
func sheet(s *maintenance.State, occasion string, walk maintenance.Key) (sheetOf, error) {
	def := walkDef(s.Chart, occasion)
	if def == nil {
		return sheetOf{}, errNoOccasion
	}
	in, err := maintenance.Sheet(s, occasion, walk)
	if err != nil {
		return sheetOf{}, err
	}
	out := sheetOf{Walk: *def}
	for i := range in.Points {
		p := &in.Points[i]
		if p.Struck {
			out.Struck = append(out.Struck, &pb.WalkStruck{Place: p.Point.ID, Call: p.Point.Call, Why: p.Why, Station: int32(p.Point.Station)})
		}
		for j := range p.Tasks {
			out.Lines = append(out.Lines, lineOf(&p.Tasks[j]))
		}
	}
	for _, q := range maintenance.Questions(s) {
		if slices.ContainsFunc(out.Lines, func(l sheetLine) bool { return slices.Contains(q.Tasks, l.Task) }) {
			out.Asked = append(out.Asked, q.Name)
		}
	}
	return out, nil
}

func lineOf(t *maintenance.SheetTask) sheetLine {
	out := sheetLine{Task: t.Task.ID, Build: t.Build, Question: t.Question, Left: t.Left, Looked: t.Answer}
	for i := range t.Spots {
		spot := &t.Spots[i]
		one := &pb.WalkSpot{Spot: spot.Spot, Limits: spot.Limits}
		if spot.Found != nil {
			one.Found = "found " + measuredText(spot.Found, t.Task) + ": " + spot.FoundWord
		}
		if spot.Left != nil {
			one.Left = "left " + measuredText(spot.Left, t.Task) + ": " + spot.LeftWord
		}
		out.Spots = append(out.Spots, one)
	}
	return out
}

// measuredText gives what was measured, with its unit, or what a gauge said.
func measuredText(v *maintenance.MeasuredAt, def *maintenance.TaskDef) string {
	if v.State != "" || len(def.Measure) == 0 {
		return "the gauge " + v.State
	}
	return decimal(v.Micro, micro) + " " + def.Measure[0].Unit
}

func walkDef(c *maintenance.Chart, occasion string) *maintenance.WalkDef {
	if c == nil {
		return nil
	}
	for i := range c.Walks {
		if c.Walks[i].ID == occasion {
			return &c.Walks[i]
		}
	}
	return nil
}

// settingWords says which settings do not suit the conditions, by setting.
func settingWords(s *maintenance.State) map[string]string {
	out := make(map[string]string)
	for _, w := range maintenance.SettingWords(s) {
		text := w.Text
		if w.Say != "" {
			text += ": " + w.Say
		}
		if out[w.Setting] != "" {
			text = out[w.Setting] + "; " + text
		}
		out[w.Setting] = text
	}
	return out
}

// symptoms are what a lead begins with, as a request states it.
type symptoms struct {
	Codes, Findings, Remarks, Since []string
	Facts                           []maintenance.Fact
	Shift, Lead                     string
}

// stated gives the symptoms in the rules' words. Codes that the machine has on
// are left to its state, which knows since when.
func (q *symptoms) stated(s *maintenance.State) maintenance.Symptoms {
	out := maintenance.Symptoms{Findings: q.Findings, Remarks: q.Remarks, Facts: slices.Clone(q.Facts)}
	for _, code := range q.Codes {
		if s == nil || !slices.ContainsFunc(s.Warnings, func(w maintenance.ActiveWarning) bool {
			def := CodeDef(s.Chart, w.Code)
			return def != nil && def.ID == code
		}) {
			out.Codes = append(out.Codes, maintenance.CodeStated{Code: code})
		}
	}
	for _, event := range q.Since {
		out.Facts = append(out.Facts, maintenance.Fact{Name: maintenance.FactSince, Value: event})
	}
	if q.Shift != "" {
		out.Facts = append(out.Facts, maintenance.Fact{Name: maintenance.FactShift, Value: q.Shift})
	}
	if q.Lead != "" {
		out.Leads = []string{q.Lead}
	}
	return out
}

// look gives the leads that fit what is seen, or the one that is asked for. s is
// nil where only the chart is known.
func look(c *maintenance.Chart, s *maintenance.State, seen symptoms) []maintenance.LeadOn {
	out := maintenance.Look(c, s, seen.stated(s))
	return slices.DeleteFunc(out, func(l maintenance.LeadOn) bool { return seen.Lead != "" && l.Lead != seen.Lead })
}

// causesOf gives in words what a lead came to before.
func causesOf(list []maintenance.CauseCount) []string {
	var out []string
	for _, c := range list {
		text := cmp.Or(c.Point, c.Text)
		if c.Count > 1 {
			text += fmt.Sprintf(", %d times", c.Count)
		}
		out = append(out, text)
	}
	return out
}

// review looks back at a task: what was seen, and what it suggests.
func review(s *maintenance.State, task string) (findings []string, proposal string) {
	r, known := maintenance.Review(s, task)
	if !known {
		return nil, ""
	}
	findings = append(findings, fmt.Sprintf("as found, %s: %d dry, %d fine, %d purged", counted(uint32(r.Seen), "time"), r.Dry, r.Fine, r.Purged))
	if r.Basis != "" {
		findings = append(findings, r.Basis)
	}
	return findings, r.Text
}

// adherence says how early or late services were, by task and by round.
func adherence(s *maintenance.State) []*pb.TaskAdherence {
	var out []*pb.TaskAdherence
	for _, a := range maintenance.Adherence(s) {
		one := &pb.TaskAdherence{Task: a.Task, Round: a.Round, Services: int32(len(a.Hours) + len(a.Days))}
		if len(a.Hours) > 0 {
			one.MedianOffMs, one.WorstOffMs = new(int64(a.MedianHours)), new(int64(a.WorstHours))
		}
		if len(a.Days) > 0 {
			one.MedianOffDays, one.WorstOffDays = new(int32(a.MedianDays)), new(int32(a.WorstDays))
		}
		for _, h := range a.Hours {
			one.Early, one.Late = one.Early+count(h.Off < 0), one.Late+count(h.Off > 0)
		}
		for _, d := range a.Days {
			one.Early, one.Late = one.Early+count(d.Off < 0), one.Late+count(d.Off > 0)
		}
		out = append(out, one)
	}
	return out
}

func count(yes bool) int32 {
	if yes {
		return 1
	}
	return 0
}

// pieceHours is what the fitted piece of a part ran.
func pieceHours(s *maintenance.State, part *maintenance.Part) (hours.Millis, bool) {
	_, ran, known := s.PieceHours(part.ID)
	return ran, known
}

// pieceRan is what one piece ran until the next came, or until now.
func pieceRan(s *maintenance.State, part *maintenance.Part, i int) (hours.Millis, bool) {
	for _, life := range s.PieceHistory(part.ID) {
		if life.Piece.Record == part.Pieces[i].Record {
			return life.Ran, life.Known && !life.Piece.Off
		}
	}
	return 0, false
}

// limbOf is the interval that one of a task's counts is of: of the book, or of
// the practice in its place; nil for triggers and run-ins.
func limbOf(def *maintenance.TaskDef, l *maintenance.LimbCount) *maintenance.Limb {
	if l.Kind == 0 {
		return nil
	}
	limbs := slices.Clone(def.Limbs)
	for i := range def.Instead {
		limbs = append(limbs, def.Instead[i].Limbs...)
	}
	for i := range limbs {
		if limbs[i].Kind == l.Kind && limbs[i].Meter == l.Meter && limbs[i].Every == l.Every && limbs[i].Months == l.Months && limbs[i].Of == l.Of {
			return &limbs[i]
		}
	}
	return nil
}

// countWords says an interval and how it stands.
func countWords(l *maintenance.LimbCount, limb *maintenance.Limb) string {
	var words []string
	if limb != nil {
		words = append(words, "every "+limbWords(limb))
	}
	if l.Words != "" {
		words = append(words, l.Words)
	}
	switch {
	case !l.Known && l.Why != "":
		words = append(words, "not known, "+l.Why)
	case l.Idle && l.Why != "":
		words = append(words, l.Why)
	case inHours(l) && l.Left < 0:
		words = append(words, fmt.Sprintf("%v h over", -l.Left))
	case inHours(l):
		words = append(words, fmt.Sprintf("%v h left", l.Left))
	case inDays(l) && l.DaysLeft < 0:
		words = append(words, fmt.Sprintf("%d days over", -l.DaysLeft))
	case inDays(l):
		words = append(words, fmt.Sprintf("%d days left", l.DaysLeft))
	}
	return strings.Join(words, ": ")
}

// judgeWords says a measure's ranges.
func judgeWords(d *maintenance.MeasureDef) string {
	words := d.What
	if d.Want.Set {
		words += ", wanted " + decimal(d.Want.Micro, micro) + " " + d.Unit
	}
	if d.OkLo.Set || d.OkHi.Set {
		words += ", in order " + rangeWords(d.OkLo, d.OkHi, d.Unit)
	}
	if d.ActLo.Set || d.ActHi.Set {
		words += ", act outside " + rangeWords(d.ActLo, d.ActHi, d.Unit)
	}
	switch d.Gauge {
	case maintenance.GaugeGoNo:
		words += ", the gauge goes in when right"
	case maintenance.GaugeLoose:
		words += ", the gauge passes when worn"
	}
	return words
}

func rangeWords(lo, hi maintenance.Bound, unit string) string {
	switch {
	case lo.Set && hi.Set:
		return decimal(lo.Micro, micro) + " to " + decimal(hi.Micro, micro) + " " + unit
	case lo.Set:
		return "from " + decimal(lo.Micro, micro) + " " + unit
	}
	return "up to " + decimal(hi.Micro, micro) + " " + unit
}

// lubricationTable prints a machine's table of service.
func lubricationTable(s *maintenance.State) (string, error) {
	var b strings.Builder
	err := chart.Table(&b, s.Chart, func(point, task string) (bool, string) {
		build, why := maintenance.Fit(s, point)
		for i := range s.Tasks {
			if t := &s.Tasks[i]; t.ID == task && build == maintenance.BuildFitted {
				build = t.Build
			}
		}
		if build == maintenance.BuildAsked {
			return true, cmp.Or(why, "not known whether it is on this machine")
		}
		return build == maintenance.BuildFitted, why
	})
	return b.String(), err
}
