package chart

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
)

func (c *compiler) points(root *value) {
	first := make(map[string]*value)
	for _, v := range root.list("points") {
		if v == nil {
			continue
		}
		c.once(first, v.get("id"), "point")
		def := c.point(v)
		c.chart.Points = append(c.chart.Points, def)
		if part := v.get("part"); part != nil {
			if len(c.chart.Parts) == maintenance.PartsKept {
				c.bad(part, fmt.Sprintf("more than %d parts in one chart", maintenance.PartsKept), "", "keep those that are tracked")
			}
			c.chart.Parts = append(c.chart.Parts, c.part(def, part))
		}
		c.tasks(def.ID, v)
	}
}

func (c *compiler) point(v *value) maintenance.PointDef {
	where := v.get("where")
	def := maintenance.PointDef{
		ID: v.str("id"), Station: uint32(where.whole("station", 0)), Side: where.str("side"), Reach: where.str("reach"),
		Call: v.str("call"), Attachment: where.str("on"), Access: where.str("access"), Shields: uint32(where.whole("shields", 0)),
		Fittings: uint32(where.whole("fittings", 0)), Clock: uint8(where.whole("clock", 0)), SeenFrom: where.str("seen_from"),
		Picture: where.str("picture"), FittedIf: c.conds(v, "fitted_if", nil),
	}
	switch decal := v.get("on_decal"); {
	case decal == nil:
	case decal.text == "no" || decal.text == "false":
	case decal.text == "yes" || decal.text == "true":
		def.OnDecal = true
	default:
		def.OnDecal, def.NotHere = true, decal.text
	}
	return def
}

func (c *compiler) part(point maintenance.PointDef, v *value) maintenance.PartDef {
	def := maintenance.PartDef{
		ID: point.ID, Call: v.str("call"), Kind: v.str("kind"), Size: v.str("size"), Pitches: uint32(v.whole("pitches", 0)),
		Pieces: uint32(v.whole("pieces", 0)), Meter: c.meterOr(v, "on"), Spare: v.str("spare"), Numbers: c.unlike(v, "numbers"),
		Alternates: c.unlike(v, "alternates"), Pack: uint32(v.whole("pack", 0)), LeadDays: uint32(v.whole("lead_days", 0)), Variants: c.unlike(v, "variants"),
	}
	if def.Call == "" {
		def.Call = point.Call
	}
	if def.Call == "" {
		def.Call = spoken(point.ID)
	}
	if def.Meter == "" && !v.keyed("on") {
		c.bad(v, "a part has hours of its own, and the chart has no meter", "a meter in meters", "")
	}
	return def
}

// meterOr gives the meter that is named, else the chart's first.
func (c *compiler) meterOr(v *value, name string) string {
	if v.keyed(name) {
		return v.str(name)
	}
	return c.firstMeter()
}

func (c *compiler) firstMeter() string {
	if len(c.chart.Meters) == 0 {
		return ""
	}
	return c.chart.Meters[0].ID
}

// once refuses an id that was given before.
func (c *compiler) once(first map[string]*value, id *value, what string) {
	if id == nil {
		return
	}
	if other, ok := first[id.text]; ok {
		c.bad(id, fmt.Sprintf("a %s %s stands on line %d already", what, id.text, other.node.Line), "an id of its own", "")
		return
	}
	first[id.text] = id
}

// itemMark stands between a task of several items and the item: no id holds it.
const itemMark = ":"

// maxTaskID is how long the domain lets a task's id be, in bytes.
const maxTaskID = 128

func (c *compiler) tasks(point string, in *value) {
	first := make(map[string]*value)
	for _, v := range in.list("tasks") {
		if v == nil {
			continue
		}
		c.once(first, v.get("id"), "task")
		def := c.task(point, v)
		items := c.unlike(v, "each")
		if len(c.chart.Tasks)+max(1, len(items)) > maxAll {
			c.bad(v, fmt.Sprintf("more than %d tasks in one chart", maxAll), "", "a chart is for one kind of machine: make one file for each")
			return
		}
		if len(items) == 0 {
			c.addTask(v, def)
		}
		for _, item := range items {
			one := def
			one.Set, one.Item = def.ID, item
			one.ID += itemMark + item
			one.Call += ", " + spoken(item)
			if len(one.ID) > maxTaskID {
				c.bad(v.item("each", item), fmt.Sprintf("the task's id %s is too long", shown(one.ID)), fmt.Sprintf("at most %d characters with point, task and item", maxTaskID), "")
			}
			c.addTask(v, one)
		}
	}
}

// addTask puts a task into the chart, with its dose.
func (c *compiler) addTask(v *value, def maintenance.TaskDef) {
	if amount := v.get("amount"); amount != nil && amount.field != nil {
		if dose, more, ok := c.dose(amount); ok {
			c.doses = append(c.doses, dosed{task: len(c.chart.Tasks), dose: dose, more: more})
		}
	}
	c.chart.Tasks = append(c.chart.Tasks, def)
	c.from = append(c.from, v)
}

func (c *compiler) task(point string, v *value) maintenance.TaskDef {
	def := maintenance.TaskDef{
		ID: point + "/" + v.str("id"), Point: point, Do: v.str("do"), Call: v.str("call"),
		Round: v.str("round"), Who: v.str("who"), Material: v.str("material"),
		Amount: c.amount(v.get("amount")), Minutes: uint32(v.whole("minutes", 0)), Cautions: c.unlike(v, "cautions"),
		FittedIf: c.conds(v, "fitted_if", nil), Soft: v.yes("soft"), SignOff: v.yes("sign_off"), Basis: basisKind(v.str("basis")),
		Why: v.str("why"), DoneWhen: v.str("done_when"), Pose: v.str("pose"), Access: v.str("access"), Tools: c.unlike(v, "tools"),
		HarmOver: v.get("harm").str("over"), HarmUnder: v.get("harm").str("under"), Expect: v.str("expect"), Walks: c.unlike(v, "walks"),
	}
	switch {
	case def.Call != "":
	case def.Do == forbidden:
		def.Call = "Never " + spoken(v.str("id")) + " " + spoken(point)
	default:
		def.Call = made(def.Do, point)
	}
	c.limbs(v, &def)
	c.work(v, &def)
	c.triggers(v, &def)
	return def
}

func basisKind(word string) maintenance.BasisKind {
	return maintenance.BasisKind(slices.Index(basisWords(), word) + 1)
}

// made gives a task's words where the chart has none: Grease concave hangers.
func made(do, point string) string {
	words := do + " " + spoken(point)
	return strings.ToUpper(words[:1]) + words[1:]
}

func plural(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
