package maintenance

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/mixing"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The units of amounts that convert: g to kg, ml to l, and a stroke to g by the
// gun that was measured.
const (
	unitGram   = "g"
	unitKilo   = "kg"
	unitMilli  = "ml"
	unitLitre  = "l"
	unitStroke = "stroke"
	unitDrop   = "drop"
)

// seasonDays is what stands for a season where none is known.
const seasonDays = 365

// usedFor returns the index of the task that a material went in at, -1 where it
// is the record's as a whole: the task it names, the only task done that takes
// it, or the only task done.
func (s *State) usedFor(m *MaterialUsed, tasks []int) int {
	if m.Task != "" {
		return s.taskIndex(m.Task)
	}
	only := -1
	for _, i := range tasks {
		if def := s.taskDef(i); def != nil && def.takes(m.Material) {
			if only >= 0 {
				return -1
			}
			only = i
		}
	}
	if only < 0 && len(tasks) == 1 {
		return tasks[0]
	}
	return only
}

// takes reports whether a task takes a material.
func (d *TaskDef) takes(material string) bool {
	return d.Material == material || slices.ContainsFunc(d.Needs, func(n NeedDef) bool { return n.What == material })
}

// materialDef is a material of the chart in force, or nil.
func (s *State) materialDef(id string) *MaterialDef {
	if s.Chart == nil || id == "" {
		return nil
	}
	for i := range s.Chart.Materials {
		if s.Chart.Materials[i].ID == id {
			return &s.Chart.Materials[i]
		}
	}
	return nil
}

// materials says what is to be said of what went in.
func (y *sayer) materials() {
	for k := range y.b.Materials {
		m := &y.b.Materials[k]
		i := y.s.usedFor(m, y.tasks)
		def := y.s.taskDef(i)
		if def == nil {
			continue
		}
		y.amount(def, m)
		y.mixing(def, m)
		y.refused(def, m)
		if def.Material != "" && !def.takes(m.Material) {
			y.say(def.ID, SaidMaterial, "%s: %s went in; the chart says %s", def.ID, m.Material, def.Material)
		}
	}
}

// amount holds what went in to the dose: at once, and in the season.
func (y *sayer) amount(def *TaskDef, m *MaterialUsed) {
	if len(def.Dose) == 0 {
		return
	}
	d := &def.Dose[0]
	got, ok := y.s.inUnit(m.Milli, m.Unit, m.Gun, d.Unit)
	if !ok {
		return
	}
	times := y.s.doseTimes(def)
	if most := mulDiv(d.Most, times, 1); d.Most > 0 && got > most {
		y.say(def.ID, SaidTooMuch, "%s: %s went in; at most %s at once%s", def.ID, amountText(got, d.Unit), amountText(most, d.Unit), harm(def))
	}
	if d.Season == 0 {
		return
	}
	sum := addCapped(got, y.s.usedInSeason(def.ID, m.Gun, d.Unit, y.date))
	if most := mulDiv(d.Season, times, 1); sum > most {
		y.say(def.ID, SaidSeason, "%s: %s in this season; at most %s in one%s", def.ID, amountText(sum, d.Unit), amountText(most, d.Unit), harm(def))
	}
}

// doseTimes is for how many places a dose's figures are meant.
func (s *State) doseTimes(def *TaskDef) int64 {
	if def.Dose[0].Per == "" {
		return 1
	}
	for i := range s.Chart.Points {
		if p := &s.Chart.Points[i]; p.ID == def.Point {
			return max(int64(p.Fittings), 1)
		}
	}
	return 1
}

// usedInSeason is what went in at a task in the season that a date lies in, as far
// as it can be told in the unit.
func (s *State) usedInSeason(task, gun, unit string, date civil.Date) (sum int64) {
	from, until := s.seasonOf(date)
	for i := range s.Used {
		u := &s.Used[i]
		if u.Task != task || !u.Void.IsZero() || !u.Date.Known() || u.Date < from || u.Date > until {
			continue
		}
		if got, ok := s.inUnit(u.Milli, u.Unit, gun, unit); ok {
			sum = addCapped(sum, got)
		}
	}
	return sum
}

// seasonOf are the first and last day of the season that a date lies in; the 365
// days up to the date where none is known.
func (s *State) seasonOf(date civil.Date) (from, until civil.Date) {
	from, until = date.AddDays(1-seasonDays), date
	found := false
	for i := range s.Seasons {
		n := &s.Seasons[i]
		if !n.Opened.Known() || n.Opened > date || n.Closed.Known() && n.Closed < date || found && n.Opened > from {
			continue
		}
		found, from, until = true, n.Opened, civil.Last
		if n.Closed.Known() {
			until = n.Closed
		}
	}
	return from, until
}

// mixing holds what went in to what went in last. Which thickeners go together is
// the chart's word, and charts differ (US Bureau of Reclamation FIST 2-4, 1990,
// table 2, is one of them): it is a warning, never a promise.
func (y *sayer) mixing(def *TaskDef, m *MaterialUsed) {
	was, in := y.s.materialDef(y.s.inThere(def, y.e.At)), y.s.materialDef(m.Material)
	if was == nil || in == nil || was.ID == in.ID {
		return
	}
	word, chart := in.mix(was)
	kind, text := SaidMixAsk, "%s: %s (%s) on %s (%s) is borderline by %s; charts differ: ask before, or clean it out"
	switch word {
	case 0:
		return
	case MixNo:
		kind, text = SaidMix, "%s: %s (%s) does not go with %s (%s) by %s; charts differ: ask, or clean it out"
	}
	y.say(def.ID, kind, text, def.ID, in.ID, in.Thickener, was.ID, was.Thickener, chart)
}

// inThere is the material that went in last by a time, else the chart's.
func (s *State) inThere(def *TaskDef, by moment.Span) string {
	for i := len(s.Used) - 1; i >= 0; i-- {
		if u := &s.Used[i]; u.Task == def.ID && u.Void.IsZero() && u.At.Compare(by) <= 0 {
			return u.Material
		}
	}
	return def.Material
}

// mix is the graver word of two materials on each other, and whose chart says so.
func (d *MaterialDef) mix(o *MaterialDef) (word MixWord, chart string) {
	for _, pair := range [2][2]*MaterialDef{{d, o}, {o, d}} {
		for _, m := range pair[0].Mixes {
			if m.With == pair[1].Thickener && m.With != "" && (word == 0 || m.Word < word) {
				word, chart = m.Word, cmp.Or(pair[0].MixChart, "the chart")
			}
		}
	}
	if len(d.Mixes)+len(o.Mixes) > 0 {
		return word, chart
	}
	return published(d.Thickener, o.Thickener)
}

// published is what a published chart says of two thickeners, where the machine's
// own chart says nothing of either material.
func published(a, b string) (MixWord, string) {
	switch word, chart := mixing.Say(a, b); word {
	case mixing.No:
		return MixNo, chart
	case mixing.Ask:
		return MixAsk, chart
	}
	return 0, ""
}

// refused says which properties of the material the task refuses.
func (y *sayer) refused(def *TaskDef, m *MaterialUsed) {
	mat := y.s.materialDef(m.Material)
	if mat == nil {
		return
	}
	for _, p := range def.Refuse {
		if value := mat.property(p.Name); value != "" && value == p.Value {
			y.say(def.ID, SaidRefused, "%s: %s has %s %s, which may not go in here%s", def.ID, mat.ID, p.Name, value, harm(def))
		}
	}
}

// property is a quality of the material, "" where it is not said.
func (d *MaterialDef) property(name string) string {
	switch name {
	case "kind":
		return d.Kind
	case "thickener":
		return d.Thickener
	case "nlgi":
		return d.NLGI
	case "grade":
		return d.Grade
	case "solids":
		return d.Solids
	}
	return ""
}

// inUnit converts an amount in thousandths. ok is false where the two can't be
// compared.
func (s *State) inUnit(milli int64, unit, gun, want string) (int64, bool) {
	if unit == want {
		return milli, true
	}
	gram := s.strokeMicro(gun)
	from, fromBy, ok := unitBase(unit, gram)
	to, toBy, known := unitBase(want, gram)
	if !ok || !known || from != to {
		return 0, false
	}
	return mulDiv(milli, fromBy, toBy), true
}

// unitBase is what a unit measures and how much of it, in millionths of g or ml.
func unitBase(unit string, strokeMicro int64) (of string, micro int64, ok bool) {
	switch unit {
	case unitGram:
		return unitGram, 1_000_000, true
	case unitKilo:
		return unitGram, 1_000_000_000, true
	case unitMilli:
		return unitMilli, 1_000_000, true
	case unitLitre:
		return unitMilli, 1_000_000_000, true
	case unitStroke:
		return unitGram, strokeMicro, strokeMicro > 0
	}
	return "", 0, false
}

// strokeMicro is what a stroke of a gun gives, in millionths of a gram: of the one
// named, else of the only one that was measured; 0 not known.
func (s *State) strokeMicro(gun string) int64 {
	for i := range s.Guns {
		if g := &s.Guns[i]; g.Gun == gun || gun == "" && len(s.Guns) == 1 {
			return g.Micro
		}
	}
	return 0
}

// mulDiv is a*b/c, rounded to the nearest and capped, for values from 0 on.
func mulDiv(a, b, c int64) int64 {
	if a <= 0 || b <= 0 || c <= 0 {
		return 0
	}
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	lo, carry := bits.Add64(lo, uint64(c)/2, 0)
	if hi += carry; hi >= uint64(c) {
		return math.MaxInt64
	}
	q, _ := bits.Div64(hi, lo, uint64(c))
	return int64(min(q, math.MaxInt64))
}

// addCapped adds amounts from 0 on.
func addCapped(a, b int64) int64 {
	if a > math.MaxInt64-b {
		return math.MaxInt64
	}
	return a + b
}

// amountText is an amount in thousandths with its unit in words.
func amountText(milli int64, unit string) string {
	if (unit == unitStroke || unit == unitDrop) && milli != 1000 {
		unit += "s"
	}
	return strings.TrimSpace(decimal(milli, 3) + " " + unit)
}

// decimal is a figure with some digits behind the point, less the zeros there.
func decimal(v int64, digits int) string {
	sign, u := "", uint64(v)
	if v < 0 {
		sign, u = "-", -u
	}
	scale := uint64(1)
	for range digits {
		scale *= 10
	}
	out := fmt.Sprintf("%s%d.%0*d", sign, u/scale, digits, u%scale)
	return strings.TrimRight(strings.TrimRight(out, "0"), ".")
}

// useMaterials keeps what went in.
func (t *step) useMaterials(b *ServiceDone, rec *TaskRecord, tasks []int) {
	s := t.s
	for k := range b.Materials {
		m := &b.Materials[k]
		u := MaterialUsedAt{Record: rec.Record, Task: m.Task, Material: m.Material, Milli: m.Milli, Unit: m.Unit, At: rec.At, Date: rec.Date}
		if i := s.usedFor(m, tasks); i >= 0 {
			u.Task = s.Tasks[i].ID
		}
		s.Used = insertBy(s.Used, u, (*MaterialUsedAt).compare)
	}
	s.Used = lastOf(s.Used, UsedKept)
}

func (u *MaterialUsedAt) compare(o *MaterialUsedAt) int {
	return cmp.Or(u.At.Compare(o.At), u.Record.Compare(o.Record))
}

// keepFound keeps how greased points were found.
func (t *step) keepFound(b *ServiceDone) {
	s := t.s
	for i := range b.Found {
		f := FoundAt{Record: t.e.Key, Task: b.Found[i].Task, Word: b.Found[i].Word, At: t.e.At}
		s.FoundAt = insertBy(s.FoundAt, f, func(a, b *FoundAt) int { return cmp.Or(a.At.Compare(b.At), a.Record.Compare(b.Record)) })
	}
	s.FoundAt = lastOf(s.FoundAt, FoundKept)
}

// voidUsed takes back what went in by a void record, and how it found points.
func (t *step) voidUsed(record Key) bool {
	found := false
	for i := range t.s.Used {
		if u := &t.s.Used[i]; u.Record == record && u.Void.IsZero() {
			u.Void, found = t.e.Key, true
		}
	}
	for i := range t.s.FoundAt {
		if f := &t.s.FoundAt[i]; f.Record == record && f.Void.IsZero() {
			f.Void, found = t.e.Key, true
		}
	}
	return found
}

// suitsMaterials refuses a material for a task that the machine does not have,
// and strokes of a gun that nobody measured.
func (s *State) suitsMaterials(b *ServiceDone) *fault {
	for i := range b.Materials {
		m := &b.Materials[i]
		if m.Task != "" && s.taskIndex(m.Task) < 0 {
			return &fault{"materials", fmt.Sprintf("task %q is unknown on this machine", m.Task), "name a task of its chart"}
		}
		if m.Gun != "" && s.strokeMicro(m.Gun) == 0 {
			return &fault{"materials", fmt.Sprintf("grease gun %q was never measured", m.Gun), "count its strokes into a cup and weigh it, or leave it out"}
		}
	}
	return nil
}
