package chart

import (
	"fmt"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// forbidden is the kind of work that is never done.
const forbidden = "never"

func basisWord(k maintenance.BasisKind) string {
	if int(k) < 1 || int(k) > len(basisWords()) {
		return "nobody"
	}
	return basisWords()[k-1]
}

func basisWordsOf(b maintenance.BasisDef) string {
	text := b.Text
	if b.Who != "" {
		text += ", agreed by " + b.Who
	}
	if b.Agreed != civil.None {
		text += ", " + b.Agreed.String()
	}
	return text
}

// build says what a machine is asked, what may happen to it and what goes in.
func (p *printer) build(c *maintenance.Chart) {
	p.section("Attachments", len(c.Attachments))
	for _, a := range c.Attachments {
		p.line("  %s: %s", a.ID, a.Call)
	}
	p.section("Asked of each machine", len(c.Traits))
	for _, q := range c.Traits {
		p.line("  %s: %s", q.ID, questionWords(q))
	}
	p.section("Asked of crop and field", len(c.Conditions))
	for _, q := range c.Conditions {
		p.line("  %s: %s", q.ID, questionWords(q))
	}
	p.section("What may happen", len(c.Events))
	for _, e := range c.Events {
		p.line("  %s: %s", e.ID, e.Call)
	}
	p.section("What is counted", len(c.Counts))
	for _, n := range c.Counts {
		p.line("  %s: %s", n.ID, countWords(n))
	}
	p.section("Materials", len(c.Materials))
	for _, m := range c.Materials {
		p.line("  %s: %s", m.ID, materialWords(m))
	}
	p.section("Walk-rounds", len(c.Walks))
	for _, w := range c.Walks {
		p.line("  %s: %s", w.ID, walkWords(w, c))
	}
}

// after says where to look and what to set.
func (p *printer) after(c *maintenance.Chart) {
	p.section("Where to look", len(c.Leads))
	for _, l := range c.Leads {
		p.line("  %s: %s", l.ID, l.Call)
		for _, line := range leadLines(l, c) {
			p.line("    %s", line)
		}
	}
	p.section("Settings", len(c.Settings))
	for _, s := range c.Settings {
		p.line("  %s: %s", s.ID, settingWords(s))
		for _, suit := range s.Suits {
			p.line("    %s", suitWords(s, suit))
		}
	}
}

func questionWords(q maintenance.TraitDef) string {
	words := "yes or no"
	switch q.Kind {
	case maintenance.TraitNumber:
		words = "a number"
		if q.Unit != "" {
			words += ", in " + q.Unit
		}
	case maintenance.TraitChoice:
		words = list(q.Choices, "or")
	}
	if q.Ask != "" {
		words = q.Ask + " (" + words + ")"
	}
	if q.Renewed != "" {
		words += ", asked again once " + q.Renewed + " is renewed"
	}
	return words
}

func countWords(n maintenance.CountDef) string {
	if n.Unit == "" {
		return n.Call
	}
	return n.Call + ", in " + n.Unit
}

func materialWords(m maintenance.MaterialDef) string {
	words := []string{m.Call, m.Kind}
	for _, f := range [][2]string{{"", m.Thickener}, {"NLGI ", m.NLGI}, {"", m.Grade}, {"solids: ", m.Solids}} {
		if f[1] != "" {
			words = append(words, f[0]+f[1])
		}
	}
	for _, mix := range m.Mixes {
		if mix.Word == maintenance.MixNo {
			words = append(words, "never with "+mix.With)
		} else {
			words = append(words, "ask before it meets "+mix.With)
		}
	}
	if m.MixChart != "" {
		words = append(words, "mixing by "+m.MixChart)
	}
	if m.Pack > 0 {
		words = append(words, "pack of "+perUnit(m.Pack, milli)+" "+m.PackUnit)
	}
	return strings.Join(append(words, orderWords(m.Numbers, nil, m.LeadDays)...), ", ")
}

// orderWords says how something is ordered.
func orderWords(numbers, alternates []string, lead uint32) []string {
	var words []string
	if len(numbers) > 0 {
		words = append(words, "ordered as "+list(numbers, "or"))
	}
	if len(alternates) > 0 {
		words = append(words, "or instead "+list(alternates, "or"))
	}
	if lead > 0 {
		words = append(words, plural(int64(lead), "working day")+" to get")
	}
	return words
}

// materialWord gives a material as people call it.
func materialWord(id string, c *maintenance.Chart) string {
	for _, m := range c.Materials {
		if m.ID == id {
			return m.Call
		}
	}
	return id
}

// partWord gives a part or a material as people call it.
func partWord(id string, c *maintenance.Chart) string {
	for _, p := range c.Parts {
		if p.ID == id {
			return p.Call
		}
	}
	return materialWord(id, c)
}

func eventWord(id string, c *maintenance.Chart) string {
	for _, e := range c.Events {
		if e.ID == id {
			return e.Call
		}
	}
	return spoken(id)
}

func walkWords(w maintenance.WalkDef, c *maintenance.Chart) string {
	words := w.Call
	switch w.Sign {
	case maintenance.SignSecond:
		words += ", signed by a second person"
	case maintenance.SignReceiver:
		words += ", signed by who receives the machine"
	}
	for i, e := range w.After {
		if i == 0 {
			words += ", asked for after: "
		} else {
			words += "; "
		}
		words += eventWord(e, c)
	}
	return words
}

// --- conditions ---

func condsWords(conds []maintenance.Cond) string {
	words := make([]string, len(conds))
	for i, cond := range conds {
		words[i] = condWords(cond)
	}
	return list(words, "and")
}

func condWords(d maintenance.Cond) string {
	of := spoken(d.Of)
	switch d.Op {
	case maintenance.CondIs:
		return of + " is " + list(d.Words, "or")
	case maintenance.CondIsNot:
		return of + " is known and not " + list(d.Words, "or")
	case maintenance.CondBelow:
		return of + " below " + perUnit(d.Milli, milli)
	case maintenance.CondAbove:
		return of + " above " + perUnit(d.Milli, milli)
	case maintenance.CondFrom:
		return of + " " + perUnit(d.Milli, milli) + " or more"
	}
	return of + " " + perUnit(d.Milli, milli) + " or less"
}

// --- points ---

// pointLines says what there is to know of a point besides its place.
func pointLines(d maintenance.PointDef, c *maintenance.Chart) []string {
	var lines []string
	if d.Call != "" {
		lines = append(lines, d.Call)
	}
	if len(d.FittedIf) > 0 {
		lines = append(lines, "there only if "+condsWords(d.FittedIf))
	}
	switch {
	case d.NotHere != "":
		lines = append(lines, "on the decal; where it is not fitted: "+d.NotHere)
	case d.OnDecal:
		lines = append(lines, "on the decal")
	}
	if d.Access != "" {
		lines = append(lines, "first: "+d.Access)
	}
	if d.Shields > 0 {
		lines = append(lines, plural(int64(d.Shields), "shield")+" to count off and on again")
	}
	if d.Fittings > 0 {
		lines = append(lines, plural(int64(d.Fittings), "fitting"))
	}
	if d.Picture != "" {
		lines = append(lines, "picture: "+d.Picture)
	}
	for _, part := range c.Parts {
		if part.ID == d.ID {
			lines = append(lines, "part: "+partWords(part))
		}
	}
	return lines
}

func partWords(d maintenance.PartDef) string {
	words := []string{d.Call, d.Kind}
	if d.Size != "" {
		words = append(words, "size "+d.Size)
	}
	if d.Pitches > 0 {
		words = append(words, plural(int64(d.Pitches), "pitch"))
	}
	if d.Pieces > 1 {
		words = append(words, fmt.Sprintf("%d renewed together", d.Pieces))
	}
	if len(d.Variants) > 0 {
		words = append(words, list(d.Variants, "or"))
	}
	if d.Meter != "" {
		words = append(words, "its hours on "+d.Meter)
	}
	if d.Spare != "" {
		words = append(words, "spare: "+d.Spare)
	}
	if d.Pack > 0 {
		words = append(words, fmt.Sprintf("pack of %d", d.Pack))
	}
	return strings.ReplaceAll(strings.Join(append(words, orderWords(d.Numbers, d.Alternates, d.LeadDays)...), ", "), "pitchs", "pitches")
}

// --- tasks ---

// whenWords says when a task is done.
func whenWords(t maintenance.TaskDef, c *maintenance.Chart) string {
	switch {
	case t.Do == forbidden:
		return neverWords(t)
	case len(t.Limbs) == 0 && len(t.Triggers)+len(t.RunIns) > 0:
		return "when something asks for it"
	}
	return IntervalWords(t.Limbs)
}

// neverWords says why something is never done.
func neverWords(t maintenance.TaskDef) string {
	if strings.HasPrefix(t.Call, "Never ") {
		return "because " + t.Why
	}
	return "never, because " + t.Why
}

// taskLines says what there is to know of a task besides its interval, who does
// it and with what.
func taskLines(t maintenance.TaskDef, c *maintenance.Chart) []string {
	var lines []string
	say := func(format string, a ...any) { lines = append(lines, fmt.Sprintf(format, a...)) }
	said := func(what, text string) {
		if text != "" {
			say("%s: %s", what, text)
		}
	}
	if len(t.FittedIf) > 0 {
		say("only if %s", condsWords(t.FittedIf))
	}
	if t.Basis != 0 {
		say("says: %s", basisWord(t.Basis))
	}
	if t.Do != forbidden {
		said("why", t.Why)
	}
	lines = append(lines, dueLines(t, c)...)
	lines = append(lines, handLines(t, c)...)
	for _, s := range t.See {
		say("look: %s: %s", spoken(s.Name), s.Want)
	}
	for _, m := range t.Measure {
		say("measure: %s", measureWords(m))
	}
	for _, e := range t.Else {
		say("if not: %s", elseWords(e))
	}
	said("done when", t.DoneWhen)
	said("too much", t.HarmOver)
	said("too little", t.HarmUnder)
	said("expect", t.Expect)
	if t.SignOff {
		say("a second person signs for it")
	}
	return lines
}

// handLines says what a task takes in the hand.
func handLines(t maintenance.TaskDef, c *maintenance.Chart) []string {
	var lines []string
	if t.Pose != "" {
		lines = append(lines, "pose: "+t.Pose)
	}
	if t.Access != "" {
		lines = append(lines, "first: "+t.Access)
	}
	if len(t.Tools) > 0 {
		lines = append(lines, "tools: "+list(t.Tools, "and"))
	}
	if len(t.Needs) > 0 {
		lines = append(lines, "takes: "+needWords(t.Needs, c))
	}
	for _, r := range t.Refuse {
		lines = append(lines, refuseWords(r))
	}
	return lines
}

func refuseWords(r maintenance.Property) string {
	return fmt.Sprintf("never with a material whose %s is %s", r.Name, r.Value)
}

// dueLines says what else makes a task due, and what holds for its interval.
func dueLines(t maintenance.TaskDef, c *maintenance.Chart) []string {
	var lines []string
	for _, in := range t.Instead {
		lines = append(lines, "instead: "+insteadWords(in, t))
	}
	if t.Soft {
		lines = append(lines, "rings nobody; done when the machine stands anyway")
	}
	for _, trigger := range t.Triggers {
		lines = append(lines, triggerWords(trigger, c))
	}
	for _, run := range t.RunIns {
		lines = append(lines, runInWords(run))
	}
	if s := tooSoonWords(t.TooSoon, c); s != "" {
		lines = append(lines, s)
	}
	if len(t.Covers) > 0 {
		lines = append(lines, "done with it: "+list(t.Covers, "and"))
	}
	if len(t.Walks) > 0 {
		lines = append(lines, "looked at in: "+list(t.Walks, "and"))
	}
	return lines
}

func insteadWords(in maintenance.InsteadDef, t maintenance.TaskDef) string {
	words := fmt.Sprintf("%s, by the %s", IntervalWords(in.Limbs), basisWord(in.Basis))
	if len(in.Provided) > 0 {
		words += ", provided each season has seen " + list(in.Provided, "and")
	}
	if len(in.NotIf) > 0 {
		not := make([]string, len(in.NotIf))
		for i, trait := range in.NotIf {
			not[i] = spoken(trait)
		}
		words += ", and known to be no: " + list(not, "and")
	}
	return words + "; else " + IntervalWords(t.Limbs)
}

func triggerWords(t maintenance.TriggerDef, c *maintenance.Chart) string {
	words := ""
	switch t.Kind {
	case maintenance.TriggerBefore:
		words = "before: " + eventWord(t.Name, c)
	case maintenance.TriggerEvent:
		words = "after: " + eventWord(t.Name, c)
	case maintenance.TriggerCode:
		words = "after the code " + t.Name
	case maintenance.TriggerDone:
		words = "after " + t.Name + " is done"
	case maintenance.TriggerFailed:
		words = "after " + t.Name + " failed"
	case maintenance.TriggerFitted:
		words = "after " + t.Name + " is new"
	default:
		words = "after the finding " + t.Name
	}
	if len(t.If) > 0 {
		words += ", if " + condsWords(t.If)
	}
	if t.Count > 1 {
		words += fmt.Sprintf(", %d times", t.Count)
	}
	if t.Within > 0 {
		words += " within " + hourWords(t.Within) + " on " + t.Meter
	}
	if t.WithinDays > 0 {
		words += " within " + plural(int64(t.WithinDays), "day")
	}
	switch t.By {
	case maintenance.ByNextStart:
		return words + ": before the next start"
	case maintenance.ByHours:
		return words + ": in " + hourWords(t.In) + " on " + t.Meter
	case maintenance.ByDays:
		return words + ": in " + plural(int64(t.InDays), "day")
	}
	return words + ": at once"
}

func runInWords(r maintenance.RunInDef) string {
	marks := make([]string, len(r.Marks))
	for i, m := range r.Marks {
		marks[i] = hourWords(m)
		if m < msPerHour {
			marks[i] = perUnit(int64(m), msPerHour/60) + " min"
		}
	}
	words := fmt.Sprintf("run-in: %s on %s after %s is new", list(marks, "and"), r.Meter, r.Part)
	if len(r.If) > 0 {
		words += ", if " + condsWords(r.If)
	}
	if r.Expect != "" {
		words += "; expect " + r.Expect
	}
	return words
}

func tooSoonWords(t maintenance.TooSoonDef, c *maintenance.Chart) string {
	var spans []string
	if t.Hours > 0 {
		spans = append(spans, hourWords(t.Hours)+" on "+t.Meter)
	}
	if t.Days > 0 {
		spans = append(spans, plural(int64(t.Days), "day"))
	}
	if len(spans) == 0 {
		return ""
	}
	words := "too soon before " + list(spans, "or")
	for i, e := range t.Unless {
		if i == 0 {
			words += ", unless: "
		} else {
			words += "; "
		}
		words += eventWord(e, c)
	}
	return words
}

func needWords(needs []maintenance.NeedDef, c *maintenance.Chart) string {
	words := make([]string, len(needs))
	for i, n := range needs {
		what := partWord(n.What, c)
		words[i] = perUnit(n.Milli, milli) + " " + n.Unit + " " + what
		if n.Unit == "pieces" {
			words[i] = perUnit(n.Milli, milli) + " x " + what
		}
	}
	return list(words, "and")
}

func measureWords(m maintenance.MeasureDef) string {
	words := m.What
	switch m.Gauge {
	case maintenance.GaugeGoNo:
		words += ", with a gauge that goes when right"
	case maintenance.GaugeLoose:
		words += ", with a gauge that passes when loose"
	}
	if len(m.Spots) > 0 {
		words += ", at " + list(m.Spots, "and")
	}
	if m.Want.Set {
		words += ", should be " + perUnit(m.Want.Micro, micro) + " " + m.Unit
	}
	if s := rangeWords(m.OkLo, m.OkHi, m.Unit); s != "" {
		words += ", good " + s
	}
	if m.ActLo.Set {
		words += ", act below " + perUnit(m.ActLo.Micro, micro) + " " + m.Unit
	}
	if m.ActHi.Set {
		words += ", act above " + perUnit(m.ActHi.Micro, micro) + " " + m.Unit
	}
	switch {
	case m.Found && m.Left:
		words += "; found and left are kept"
	case m.Found:
		words += "; found is kept"
	case m.Left:
		words += "; left is kept"
	}
	return words
}

func rangeWords(lo, hi maintenance.Bound, unit string) string {
	if unit != "" {
		unit = " " + unit
	}
	switch {
	case lo.Set && hi.Set:
		return perUnit(lo.Micro, micro) + " to " + perUnit(hi.Micro, micro) + unit
	case lo.Set:
		return perUnit(lo.Micro, micro) + unit + " or more"
	case hi.Set:
		return perUnit(hi.Micro, micro) + unit + " or less"
	}
	return ""
}

func elseWords(e maintenance.ElseDef) string {
	words := list(e.Choose, "or")
	if e.Remark != "" {
		if words != "" {
			words += "; "
		}
		words += "remark " + e.Remark
		switch e.Verdict {
		case maintenance.MayRun:
			words += ", it may run"
		case maintenance.RunWatched:
			words += ", it may run and is watched"
		case maintenance.DoNotRun:
			words += ", do not run"
		}
	}
	return words
}

// --- leads and settings ---

func leadLines(l maintenance.LeadDef, c *maintenance.Chart) []string {
	var lines []string
	for _, from := range []struct {
		what  string
		names []string
	}{{"codes", l.Codes}, {"findings", l.Findings}, {"remarks", l.Remarks}} {
		if len(from.names) > 0 {
			lines = append(lines, "from "+from.what+": "+list(from.names, "or"))
		}
	}
	for _, d := range l.Drive {
		lines = append(lines, driveFindWords(d))
	}
	for i, look := range l.Look {
		line := fmt.Sprintf("%d. %s", i+1, look.Point)
		for j, cond := range look.If {
			if j == 0 {
				line += ", if "
			} else {
				line += " and "
			}
			line += leadCondWords(cond, c)
		}
		lines = append(lines, line+": "+look.Why)
	}
	for _, no := range l.NoHelp {
		lines = append(lines, "does not help: "+no)
	}
	return lines
}

func driveFindWords(d maintenance.DriveFindDef) string {
	words := fmt.Sprintf("the drive %s shifted by more than %s %% for %d min", d.Drive, perUnit(int64(d.FindOver), micro/100), d.ForMinutes)
	if d.Alarm > 0 {
		words += fmt.Sprintf(" (its own alarm comes at %s %%)", perUnit(int64(d.Alarm), micro/100))
	}
	if d.LearnAfter != "" {
		words += ", learned anew after " + d.LearnAfter
	}
	return words
}

func leadCondWords(d maintenance.LeadCond, c *maintenance.Chart) string {
	switch d.Kind {
	case maintenance.LeadWith:
		return fmt.Sprintf("%s came within %d s", d.Name, d.Seconds)
	case maintenance.LeadWithout:
		return fmt.Sprintf("%s did not come within %d s", d.Name, d.Seconds)
	case maintenance.LeadSince:
		return "it began after: " + eventWord(d.Name, c)
	case maintenance.LeadShift:
		switch d.Shift {
		case maintenance.ShiftSame:
			return "it shifted the same with and without load"
		case maintenance.ShiftLoad:
			return "it shifts under load only"
		}
		return "it shifted in one step"
	}
	return condWords(d.Cond)
}

func settingWords(s maintenance.SettingDef) string {
	words := s.Call
	if s.Unit != "" {
		words += ", in " + s.Unit
	}
	if len(s.Choices) > 0 {
		words += ", " + list(s.Choices, "or")
	}
	if s.Point != "" {
		words += ", set at " + s.Point
	}
	return words
}

func suitWords(s maintenance.SettingDef, d maintenance.SuitDef) string {
	words := d.Word
	if d.Lo.Set && d.Lo == d.Hi {
		words = strings.TrimSpace(perUnit(d.Lo.Micro, micro) + " " + s.Unit)
	} else if r := rangeWords(d.Lo, d.Hi, s.Unit); r != "" {
		words = r
	}
	if d.Say != "" {
		if words != "" {
			words += ", "
		}
		words += d.Say
	}
	if len(d.If) > 0 {
		words = "where " + condsWords(d.If) + ": " + words
	}
	return words
}
