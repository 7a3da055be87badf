package api

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// The parts of a unit that figures are counted in.
const (
	milli = 1_000
	micro = 1_000_000
)

// decimal writes a figure counted in parts of its unit: 1800 thousandths are 1.8.
func decimal(v int64, parts uint64) string {
	sign, u := "", uint64(v)
	if v < 0 {
		sign, u = "-", -u
	}
	whole, rest := u/parts, u%parts
	if rest == 0 {
		return fmt.Sprintf("%s%d", sign, whole)
	}
	width := len(fmt.Sprint(parts)) - 1
	return fmt.Sprintf("%s%d.%s", sign, whole, strings.TrimRight(fmt.Sprintf("%0*d", width, rest), "0"))
}

// hourText gives hours, and minutes where they are fewer than one hour.
func hourText(h hours.Millis) string {
	const minute, tenth = hours.Hour / 60, hours.Hour / 10
	switch {
	case h > 0 && h < hours.Hour && h%minute == 0:
		return fmt.Sprintf("%d min", h/minute)
	case h%tenth == 0:
		return decimal(int64(h/tenth), 10) + " h"
	}
	return fmt.Sprintf("%v h", h)
}

func counted(n uint32, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// limbWords says one interval, without "every".
func limbWords(l *maintenance.Limb) string {
	var words string
	switch l.Kind {
	case maintenance.LimbHours:
		words = hourText(l.Every) + " of " + l.Meter
	case maintenance.LimbMonths:
		words = counted(l.Months, "month")
	case maintenance.LimbDays:
		words = counted(l.Days, "day") + " worked"
	case maintenance.LimbSeason:
		words = seasonWords(l)
	case maintenance.LimbCounted:
		words = decimal(l.Count, milli) + " " + l.Of
	}
	if l.Grid {
		words += " on the meter's own marks"
	}
	if len(l.While) > 0 {
		words += " while " + condsWords(l.While)
	}
	return words
}

func seasonWords(l *maintenance.Limb) string {
	words := "season"
	if l.Seasons > 1 {
		words = fmt.Sprintf("%d seasons", l.Seasons)
	}
	if l.Crop != "" {
		words += " of " + l.Crop
	}
	switch l.When {
	case maintenance.SeasonBefore:
		words += ", before it opens"
	case maintenance.SeasonIn:
		words += ", while it is open"
	case maintenance.SeasonAfter:
		words += ", once it is closed"
	}
	return words
}

// limbsWords says a task's intervals; "" where it has none.
func limbsWords(limbs []maintenance.Limb) string {
	words := make([]string, len(limbs))
	for i := range limbs {
		words[i] = limbWords(&limbs[i])
	}
	switch len(words) {
	case 0:
		return ""
	case 1:
		return "every " + words[0]
	}
	return "every " + strings.Join(words, " or ") + ", whichever comes first"
}

func condsWords(list []maintenance.Cond) string {
	words := make([]string, len(list))
	for i := range list {
		words[i] = condWords(&list[i])
	}
	return strings.Join(words, " and ")
}

func condWords(c *maintenance.Cond) string {
	figure := decimal(c.Milli, milli)
	switch c.Op {
	case maintenance.CondIs:
		return c.Of + " is " + strings.Join(c.Words, " or ")
	case maintenance.CondIsNot:
		return c.Of + " is not " + strings.Join(c.Words, " or ")
	case maintenance.CondBelow:
		return c.Of + " is below " + figure
	case maintenance.CondAbove:
		return c.Of + " is above " + figure
	case maintenance.CondFrom:
		return c.Of + " is " + figure + " or more"
	}
	return c.Of + " is " + figure + " or less"
}

func basisWord(b maintenance.BasisKind) string {
	switch b {
	case maintenance.BasisBook:
		return "book"
	case maintenance.BasisDecal:
		return "decal"
	case maintenance.BasisShop:
		return "shop"
	case maintenance.BasisOwner:
		return "owner"
	}
	return ""
}

// pointOf finds a point; an empty one where there is none.
func pointOf(c *maintenance.Chart, id string) *maintenance.PointDef {
	if c != nil {
		for i := range c.Points {
			if c.Points[i].ID == id {
				return &c.Points[i]
			}
		}
	}
	return &maintenance.PointDef{}
}

// taskDefOf finds a task, nil where the chart has none of that id.
func taskDefOf(c *maintenance.Chart, id string) *maintenance.TaskDef {
	if c == nil {
		return nil
	}
	for i := range c.Tasks {
		if c.Tasks[i].ID == id {
			return &c.Tasks[i]
		}
	}
	return nil
}

// pointCautions gives the cautions of all tasks at a point, each once.
func pointCautions(c *maintenance.Chart, point string) []*pb.Caution {
	var out []*pb.Caution
	if c == nil || point == "" {
		return nil
	}
	for i := range c.Tasks {
		if c.Tasks[i].Point == point {
			out = addCautions(out, cautionsOf(c, c.Tasks[i].ID))
		}
	}
	return out
}

func addCautions(to, more []*pb.Caution) []*pb.Caution {
	for _, one := range more {
		has := false
		for _, have := range to {
			has = has || have.Id == one.Id
		}
		if !has {
			to = append(to, one)
		}
	}
	return to
}

// workOf says what a task takes and how it is done.
func workOf(c *maintenance.Chart, t *maintenance.TaskDef) *pb.TaskWork {
	p := pointOf(c, t.Point)
	out := &pb.TaskWork{
		EveryWords: limbsWords(t.Limbs), Basis: basisWord(t.Basis), Soft: t.Soft, Pose: t.Pose, Access: t.Access, Tools: t.Tools,
		HarmOver: t.HarmOver, HarmUnder: t.HarmUnder, DoneWhen: t.DoneWhen, Expect: t.Expect, NeverWhy: t.Why,
		Shields: int32(p.Shields), Fittings: int32(p.Fittings), AmountWords: t.Amount, TooSoonWords: tooSoonWords(&t.TooSoon),
	}
	if out.Access == "" {
		out.Access = p.Access
	}
	for i := range t.Instead {
		in := &t.Instead[i]
		out.BookWords, out.EveryWords, out.Basis = out.EveryWords, limbsWords(in.Limbs), basisWord(in.Basis)
	}
	for _, one := range t.See {
		out.Criteria = append(out.Criteria, &pb.TaskCriterion{Name: one.Name, Want: one.Want})
	}
	for i := range t.Else {
		out.Remedies = append(out.Remedies, t.Else[i].Choose...)
	}
	for i := range t.Measure {
		out.MeasureWords = judgeWords(&t.Measure[i])
		for _, one := range t.Measure[i].Remedies {
			if !slices.Contains(out.Remedies, one) {
				out.Remedies = append(out.Remedies, one)
			}
		}
	}
	for i := range t.Dose {
		out.AmountWords = doseWords(&t.Dose[i])
	}
	for _, n := range t.Needs {
		out.Needs = append(out.Needs, strings.TrimSpace(decimal(n.Milli, milli)+" "+n.Unit)+" "+n.What)
	}
	for _, r := range t.Refuse {
		out.RefuseWords = append(out.RefuseWords, "no "+r.Name+" "+r.Value)
	}
	for i := range t.Triggers {
		out.TriggerWords = append(out.TriggerWords, triggerWords(&t.Triggers[i]))
	}
	for i := range t.RunIns {
		out.RunInWords = append(out.RunInWords, runInWords(&t.RunIns[i]))
	}
	return out
}

func tooSoonWords(t *maintenance.TooSoonDef) string {
	var words []string
	if t.Hours > 0 {
		words = append(words, hourText(t.Hours)+" of "+t.Meter)
	}
	if t.Days > 0 {
		words = append(words, counted(t.Days, "day"))
	}
	if len(words) == 0 {
		return ""
	}
	text := "not before " + strings.Join(words, " or ")
	if len(t.Unless) > 0 {
		text += ", unless " + strings.Join(t.Unless, " or ")
	}
	return text
}

func doseWords(d *maintenance.DoseDef) string {
	text := decimal(d.Lo, milli)
	if d.Hi > d.Lo {
		text += " to " + decimal(d.Hi, milli)
	}
	text += " " + unitText(max(d.Lo, d.Hi), d.Unit)
	if d.Per != "" {
		text += " a " + d.Per
	}
	if d.Most > 0 {
		text += ", at most " + decimal(d.Most, milli)
	}
	if d.Season > 0 {
		text += ", in a season at most " + decimal(d.Season, milli)
	}
	return text
}

// unitText is a unit behind its figure: strokes and drops are counted.
func unitText(amount int64, unit string) string {
	if (unit == "stroke" || unit == "drop" || unit == "piece") && amount != milli {
		return unit + "s"
	}
	return unit
}

func triggerWords(t *maintenance.TriggerDef) string {
	what := map[maintenance.TriggerKind]string{
		maintenance.TriggerEvent: "after ", maintenance.TriggerCode: "after the code ", maintenance.TriggerDone: "once done: ", maintenance.TriggerFailed: "where this failed: ",
		maintenance.TriggerFitted: "after fitting ", maintenance.TriggerFinding: "after the finding ", maintenance.TriggerBefore: "before ",
	}[t.Kind] + t.Name
	if t.Count > 1 {
		what += fmt.Sprintf(", %d times", t.Count)
	}
	switch {
	case t.Within > 0:
		what += " within " + hourText(t.Within) + " of " + t.Meter
	case t.WithinDays > 0:
		what += " within " + counted(t.WithinDays, "day")
	}
	if len(t.If) > 0 {
		what += ", if " + condsWords(t.If)
	}
	switch t.By {
	case maintenance.ByNextStart:
		what += ", before the next start"
	case maintenance.ByHours:
		what += ", " + hourText(t.In) + " of " + t.Meter + " later"
	case maintenance.ByDays:
		what += ", " + counted(t.InDays, "day") + " later"
	}
	return what
}

func runInWords(r *maintenance.RunInDef) string {
	marks := make([]string, len(r.Marks))
	for i, m := range r.Marks {
		marks[i] = hourText(m)
	}
	text := strings.Join(marks, ", ") + " of " + r.Meter + " after fitting " + r.Part
	if r.Expect != "" {
		text += " (" + r.Expect + ")"
	}
	return text
}
