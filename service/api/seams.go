package api

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// What this file answers from the state alone is the rules' to answer. Each
// function stands for the one that its comment names.

// partOf is a person's part in the trade: operator, technician or dealer, "" not
// said. The office's people will tell it.
func (a *API) partOf(person string) string { return "" }

// saying is one remark of the rules on a record: maintenance.Say, its kind in a
// word (saidKind).
type saying struct {
	Task string
	Kind maintenance.Said
	Text string
}

// says is what the rules say of a record as the state stands before it:
// maintenance.Says(s, e). Nothing: what the record is marked with is told.
func says(s *maintenance.State, e *maintenance.Event) []saying { return nil }

// question is a question about the build: maintenance.Question.
type question struct {
	Def   *maintenance.TraitDef
	Known *maintenance.TraitKnown // nil: not known
	Again string                  // why it is asked again
	Tasks []string                // that wait for the answer
}

// questions gives every question of the chart: maintenance.Questions(s).
func questions(s *maintenance.State) []question {
	if s.Chart == nil {
		return nil
	}
	var out []question
	for i := range s.Chart.Traits {
		def := &s.Chart.Traits[i]
		out = append(out, question{Def: def, Known: knownOf(s.Traits, def.ID), Tasks: waitFor(s, def.ID)})
	}
	return out
}

func knownOf(list []maintenance.TraitKnown, name string) *maintenance.TraitKnown {
	for i := range list {
		if list[i].Name == name {
			return &list[i]
		}
	}
	return nil
}

// waitFor gives the tasks that a trait decides and of which it is not known
// whether they are on the machine.
func waitFor(s *maintenance.State, trait string) []string {
	var out []string
	about := func(list []maintenance.Cond) bool {
		return slices.ContainsFunc(list, func(c maintenance.Cond) bool { return c.Of == trait })
	}
	for i := range min(len(s.Tasks), len(s.Chart.Tasks)) {
		def := &s.Chart.Tasks[i]
		if s.Tasks[i].Build == maintenance.BuildAsked && (about(def.FittedIf) || about(pointOf(s.Chart, def.Point).FittedIf)) {
			out = append(out, def.ID)
		}
	}
	return out
}

// fit says whether a point is on the machine, and why not or what is asked:
// maintenance.Fit(s, point).
func fit(s *maintenance.State, point string) (maintenance.BuildWord, string) {
	p := pointOf(s.Chart, point)
	known := func(c maintenance.Cond) bool { return knownOf(s.Traits, c.Of) != nil }
	for _, c := range p.FittedIf {
		if !known(c) {
			return maintenance.BuildAsked, "it depends on " + c.Of + ", which is not known"
		}
	}
	return maintenance.BuildFitted, p.NotHere
}

// hold is one of maintenance.Readiness.Holds.
type hold struct {
	Holds        bool // otherwise it is only said
	Point, Task  string
	Remark, Walk maintenance.Key
	Text         string
}

// ready gives what holds a machine, or is only said of it: maintenance.Ready(s).
func ready(s *maintenance.State) []hold {
	var out []hold
	for i := range s.Remarks {
		if r := &s.Remarks[i]; r.Closed.IsZero() && r.Verdict == maintenance.DoNotRun {
			out = append(out, hold{Holds: true, Remark: r.Key, Point: r.Point, Task: r.Task, Text: "do not run: " + r.Text})
		}
	}
	for i := range s.Tasks {
		if t := &s.Tasks[i]; !t.Gone && t.Build != maintenance.BuildNot && t.State == maintenance.Overdue && len(t.Postponed) == 0 {
			out = append(out, hold{Holds: true, Task: t.ID, Text: "overdue"})
		}
	}
	return out
}

// sheetOf is the sheet of an occasion: maintenance.SheetOf.
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
// one is given: maintenance.Sheet(s, occasion, walk).
func sheet(s *maintenance.State, occasion string, walk maintenance.Key) (sheetOf, error) {
	def := walkDef(s.Chart, occasion)
	if def == nil {
		return sheetOf{}, errNoOccasion
	}
	out := sheetOf{Walk: *def}
	for _, p := range chart.WalkingOrder(s.Chart.Points) {
		for i := range s.Chart.Tasks {
			t := &s.Chart.Tasks[i]
			if t.Point != p.ID || !slices.Contains(t.Walks, occasion) {
				continue
			}
			build := maintenance.BuildFitted
			if i < len(s.Tasks) && s.Tasks[i].ID == t.ID {
				build = s.Tasks[i].Build
			}
			if build != maintenance.BuildNot {
				out.Lines = append(out.Lines, sheetLine{Task: t.ID, Build: build, Looked: lookedAt(s, walk, t.ID)})
			}
		}
	}
	for _, q := range questions(s) {
		if q.Known == nil && slices.ContainsFunc(out.Lines, func(l sheetLine) bool { return slices.Contains(q.Tasks, l.Task) }) {
			out.Asked = append(out.Asked, q.Def.ID)
		}
	}
	return out, nil
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

func lookedAt(s *maintenance.State, walk maintenance.Key, task string) *maintenance.LookedAt {
	for i := range s.Walks {
		if s.Walks[i].Key != walk || walk.IsZero() {
			continue
		}
		for j := range s.Walks[i].Looked {
			if l := &s.Walks[i].Looked[j]; l.Task == task {
				copied := *l
				return &copied
			}
		}
	}
	return nil
}

// settingWords says which settings do not suit the conditions, by setting:
// maintenance.SettingWords(s).
func settingWords(s *maintenance.State) map[string]string { return nil }

// symptoms are what a lead begins with: maintenance.Symptoms.
type symptoms struct {
	Codes, Findings, Remarks, Since []string
	Facts                           []maintenance.Fact
	Shift, Lead                     string
}

// place is one place to look: one of maintenance.LeadOn's.
type place struct {
	Def   *maintenance.LookDef
	Fit   pb.LeadFit
	Asked []string
	// Because is what of its condition holds or does not.
	Because []string
}

// leadOn is a lead that fits: maintenance.LeadOn.
type leadOn struct {
	Def     *maintenance.LeadDef
	Because []string
	Places  []place
}

// look gives the leads that fit what is seen: maintenance.Look(c, s, seen). s is
// nil where only the chart is known.
func look(c *maintenance.Chart, s *maintenance.State, seen symptoms) []leadOn {
	var out []leadOn
	for i := range c.Leads {
		l := leadOn{Def: &c.Leads[i]}
		for _, from := range []struct {
			what       string
			have, want []string
		}{{"code", seen.Codes, l.Def.Codes}, {"finding", seen.Findings, l.Def.Findings}, {"remark", seen.Remarks, l.Def.Remarks}} {
			for _, one := range from.want {
				if slices.Contains(from.have, one) {
					l.Because = append(l.Because, from.what+" "+one)
				}
			}
		}
		if seen.Lead != "" && seen.Lead != l.Def.ID || seen.Lead == "" && len(l.Because) == 0 {
			continue
		}
		for j := range l.Def.Look {
			l.Places = append(l.Places, placeOf(&l.Def.Look[j]))
		}
		out = append(out, l)
	}
	return out
}

func placeOf(def *maintenance.LookDef) place {
	p := place{Def: def, Fit: pb.LeadFit_LEAD_FIT_HOLDS}
	for _, c := range def.If {
		p.Fit = pb.LeadFit_LEAD_FIT_NOT_KNOWN
		if name := c.Name + c.Cond.Of; name != "" {
			p.Asked = append(p.Asked, name)
		}
	}
	return p
}

// causesOf gives in words what a lead came to: maintenance.CausesOf(s, lead).
func causesOf(s *maintenance.State, lead string) []string {
	var out []string
	for i := range s.Causes {
		if c := &s.Causes[i]; c.Lead == lead {
			out = append(out, strings.TrimPrefix(strings.TrimSpace(c.Point+": "+c.Text), ": "))
		}
	}
	return out
}

// review looks back at a task: maintenance.Review(s, task).
func review(s *maintenance.State, task string) (findings []string, proposal string) { return nil, "" }

// adherence says how early or late services were: maintenance.Adherence(s). Only
// Task or Round, Services, Early, Late and the figures are to be set.
func adherence(s *maintenance.State) []*pb.TaskAdherence {
	var out []*pb.TaskAdherence
	for i := range s.Tasks {
		n := int32(0)
		for j := range s.Tasks[i].Records {
			if s.Tasks[i].Records[j].Void.IsZero() {
				n++
			}
		}
		if n > 1 && !s.Tasks[i].Gone {
			out = append(out, &pb.TaskAdherence{Task: s.Tasks[i].ID, Services: n - 1})
		}
	}
	return out
}

// pieceHours is what the fitted piece of a part ran: maintenance.PieceHours.
func pieceHours(s *maintenance.State, part *maintenance.Part) (hours.Millis, bool) {
	for i := len(part.Pieces) - 1; i >= 0; i-- {
		if part.Pieces[i].Void.IsZero() {
			return pieceRan(s, part, i)
		}
	}
	return 0, false
}

// pieceRan is what one piece ran until the next came, or until now:
// maintenance.PieceHistory.
func pieceRan(s *maintenance.State, part *maintenance.Part, i int) (hours.Millis, bool) {
	piece, meter := &part.Pieces[i], partMeter(s.Chart, part.ID)
	from, known := shownOn(piece.Hours, meter)
	if !known || piece.Off || !piece.Void.IsZero() {
		return 0, false
	}
	for j := i + 1; j < len(part.Pieces); j++ {
		if part.Pieces[j].Void.IsZero() {
			to, known := shownOn(part.Pieces[j].Hours, meter)
			return to - from, known
		}
	}
	for j := range s.Meters {
		if s.Meters[j].ID == meter && len(s.Meters[j].Lives) > 0 {
			return s.Meters[j].Total - from, true
		}
	}
	return 0, false
}

func partMeter(c *maintenance.Chart, part string) string {
	if c != nil {
		for i := range c.Parts {
			if c.Parts[i].ID == part {
				return c.Parts[i].Meter
			}
		}
	}
	return ""
}

func shownOn(list []maintenance.MeterShown, meter string) (hours.Millis, bool) {
	for _, m := range list {
		if m.Meter == meter {
			return m.Shown, true
		}
	}
	return 0, false
}

// limbOf is the interval of the chart that one of a task's counts is of, nil for
// triggers and run-ins. With a practice in force it is the practice's.
func limbOf(def *maintenance.TaskDef, count *maintenance.Count, i int) *maintenance.Limb {
	if i < len(def.Limbs) && def.Limbs[i].Kind == count.Limbs[i].Kind {
		return &def.Limbs[i]
	}
	return nil
}

// beside are the book's intervals while a practice holds in their place, or the
// practice's while the book's hold, and which and why: Count.Beside and
// Count.Practice.
func beside(count *maintenance.Count) (list []maintenance.LimbCount, practice string) { return nil, "" }

// countWords says an interval and how it stands: Count.Limbs with Words.
func countWords(count *maintenance.LimbCount, limb *maintenance.Limb) string {
	words := ""
	if limb != nil {
		words = "every " + limbWords(limb)
	}
	switch {
	case !count.Known && count.Why != "":
		words += ": not known, " + count.Why
	case count.Kind == maintenance.LimbHours && count.Left < 0:
		words += fmt.Sprintf(": %v h over", -count.Left)
	case count.Kind == maintenance.LimbHours:
		words += fmt.Sprintf(": %v h left", count.Left)
	}
	return strings.TrimPrefix(words, ": ")
}

// judgeWords says a measure's ranges; Judge(d, micro) judges a value by them.
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

// errNotYet says that the chart's language does not have this yet.
var errNotYet = errors.New("this build can't do that")

// chartSchema is the JSON Schema of charts: chart.Schema(). Then schemaCode of
// service/access_test.go is OK.
func chartSchema() (string, error) { return "", errNotYet }

// compileOver compiles a chart that may hold only what differs from another:
// chart.CompileOver(name, yaml, base).
func compileOver(name string, yaml []byte, base func(chart string, edition uint32) ([]byte, error)) (*maintenance.Chart, error) {
	return chart.Compile(name, yaml)
}

// lubricationTable prints a machine's table of grease and oil: chart.Table with
// fits of maintenance.Fit and the tasks' build. "": the tasks say all.
func lubricationTable(s *maintenance.State) (string, error) { return "", nil }

// The wire's MaterialUsed says for which task and with which gun once event.proto
// has those fields; they are then set and read as any other.

func materialExtra(m *pb.MaterialUsed, field protoreflect.Name) string {
	r := m.ProtoReflect()
	if f := r.Descriptor().Fields().ByName(field); f != nil {
		return r.Get(f).String()
	}
	return ""
}

func setMaterialExtra(m *pb.MaterialUsed, field protoreflect.Name, value string) {
	r := m.ProtoReflect()
	if f := r.Descriptor().Fields().ByName(field); f != nil && value != "" {
		r.Set(f, protoreflect.ValueOfString(value))
	}
}
