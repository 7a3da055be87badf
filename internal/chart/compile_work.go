package chart

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// work compiles what is done, looked for and measured.
func (c *compiler) work(v *value, def *maintenance.TaskDef) {
	for _, e := range v.entries("see") {
		if e.value != nil {
			def.See = append(def.See, maintenance.CriterionDef{Name: e.key.text, Want: e.value.text})
		}
	}
	if e := v.get("else"); e != nil {
		def.Else = []maintenance.ElseDef{{Choose: c.unlike(e, "choose"), Remark: e.str("remark"), Verdict: verdict(e)}}
	}
	if m := v.get("measure"); m != nil {
		def.Measure = []maintenance.MeasureDef{c.measure(m)}
		def.Measure[0].Remedies = v.get("else").texts("choose")
	} else if def.Do == "measure" && !v.keyed("measure") {
		c.bad(v.get("do"), "nothing says what is measured", `"measure" beside it, as {what: ..., unit: ...}`, "")
	}
	for _, e := range v.entries("needs") {
		if e.value != nil {
			def.Needs = append(def.Needs, maintenance.NeedDef{What: e.key.text, Milli: e.value.num, Unit: e.value.text})
		}
	}
	c.refuse(v, def)
	if def.Do == forbidden {
		c.never(v)
	}
}

func verdict(e *value) maintenance.RunVerdict {
	switch e.str("verdict") {
	case "run":
		return maintenance.MayRun
	case "do not run":
		return maintenance.DoNotRun
	}
	if e.has("remark") {
		return maintenance.RunWatched
	}
	return 0
}

// never holds forbidden work to saying why, and to nothing that makes it due.
func (c *compiler) never(v *value) {
	if !v.keyed("why") {
		c.bad(v, "what is never done needs its reason", `"why"`, "")
	}
	for _, name := range []string{"every", "after", "also_after", "before", "then", "run_in", "measure", "see", "amount", "round", "walks", "covers", "too_soon", "sign_off", "needs"} {
		if f := v.get(name); f != nil {
			c.bad(f, shown(name)+" for what is never done", "", "leave it out, or name the work that is done")
		}
	}
}

func (c *compiler) refuse(v *value, def *maintenance.TaskDef) {
	refused := v.get("refuse")
	if refused == nil {
		return
	}
	for _, f := range refuseObject().fields {
		for _, text := range c.unlike(refused, f.name) {
			def.Refuse = append(def.Refuse, maintenance.Property{Name: f.name, Value: text})
		}
	}
	i := slices.IndexFunc(c.chart.Materials, func(m maintenance.MaterialDef) bool { return m.ID == def.Material })
	if i < 0 {
		return
	}
	m := c.chart.Materials[i]
	for _, p := range def.Refuse {
		if property(m, p.Name) == p.Value {
			c.bad(v.get("material"), fmt.Sprintf("%s has the %s %s, which this task refuses", def.Material, p.Name, p.Value), "another material", "")
		}
	}
}

// property gives a quality of a material by its name.
func property(m maintenance.MaterialDef, name string) string {
	switch name {
	case "kind":
		return m.Kind
	case "thickener":
		return m.Thickener
	case "nlgi":
		return m.NLGI
	case "grade":
		return m.Grade
	}
	return m.Solids
}

func (c *compiler) measure(v *value) maintenance.MeasureDef {
	def := maintenance.MeasureDef{
		What: v.str("what"), Unit: v.str("unit"), Spots: c.unlike(v, "spots"), Meter: c.meterOr(v, "on"),
		Want: v.get("want").bound(), Found: true, Left: true,
	}
	def.OkLo, def.OkHi = v.get("ok").bounds()
	def.ActLo, def.ActHi = v.get("act").bounds()
	if v.has("keep") {
		keep := c.unlike(v, "keep")
		def.Found, def.Left = slices.Contains(keep, "found"), slices.Contains(keep, "left")
	}
	switch v.str("gauge") {
	case "goes when right":
		def.Gauge = maintenance.GaugeGoNo
	case "passes when loose":
		def.Gauge = maintenance.GaugeLoose
	}
	if v.keyed("gauge") {
		for _, name := range []string{"unit", "want", "ok", "act"} {
			if f := v.get(name); f != nil {
				c.bad(f, shown(name)+" beside a gauge, which reads no figure", "", "leave it out")
			}
		}
		return def
	}
	if !v.keyed("unit") {
		c.bad(v, "a measure needs a unit", `"unit", or "gauge" where no figure is read`, "")
	}
	c.inside(v, "ok", "act")
	c.inside(v, "want", "ok")
	if !v.keyed("ok") {
		c.inside(v, "want", "act")
	}
	return def
}

// bound gives a number as a limit, none where it is not said.
func (v *value) bound() maintenance.Bound {
	if v == nil {
		return maintenance.Bound{}
	}
	return maintenance.Bound{Set: true, Micro: v.num}
}

func (v *value) bounds() (low, high maintenance.Bound) {
	if v == nil {
		return low, high
	}
	if v.low.set {
		low = maintenance.Bound{Set: true, Micro: v.low.num}
	}
	if v.high.set {
		high = maintenance.Bound{Set: true, Micro: v.high.num}
	}
	return low, high
}

// inside holds one range, or number, to lie inside another.
func (c *compiler) inside(v *value, inner, outer string) {
	in, out := v.get(inner), v.get(outer)
	if in == nil || out == nil {
		return
	}
	low, high := in.low, in.high
	if inner == "want" {
		low, high = limit{true, in.num}, limit{true, in.num}
	}
	switch {
	case out.low.set && (!low.set || low.num < out.low.num):
		c.bad(in, fmt.Sprintf("%s reaches below %s", inner, outer), perUnit(out.low.num, micro)+" or more", "")
	case out.high.set && (!high.set || high.num > out.high.num):
		c.bad(in, fmt.Sprintf("%s reaches above %s", inner, outer), perUnit(out.high.num, micro)+" or less", "")
	}
}

// --- what makes a task due ---

func (c *compiler) triggers(v *value, def *maintenance.TaskDef) {
	for _, name := range []string{"after", "also_after"} {
		for _, t := range v.list(name) {
			if t != nil {
				def.Triggers = append(def.Triggers, c.trigger(t)...)
			}
		}
	}
	for _, event := range c.unlike(v, "before") {
		def.Triggers = append(def.Triggers, maintenance.TriggerDef{Kind: maintenance.TriggerBefore, Name: event})
	}
	if run := v.get("run_in"); run != nil {
		runs := run.items
		if run.field != nil {
			runs = []*value{run}
		}
		for _, one := range runs {
			if one != nil {
				def.RunIns = append(def.RunIns, c.runIn(one, def.Point))
			}
		}
	}
	c.tooSoon(v.get("too_soon"), def)
	c.instead(v.get("instead"), def)
	def.Covers = c.taskIDs(v, "covers")
	if len(def.Covers) > maxListed {
		c.bad(v.get("covers"), fmt.Sprintf("%d tasks here", len(def.Covers)), fmt.Sprintf("at most %d, each item of a set counted", maxListed), "")
		def.Covers = nil
	}
}

// taskIDs gives the tasks that are named, each item of a set by itself.
func (c *compiler) taskIDs(v *value, name string) []string {
	var ids []string
	for _, id := range c.unlike(v, name) {
		if items := c.defs.sets[id]; len(items) > 0 {
			ids = append(ids, items...)
		} else {
			ids = append(ids, id)
		}
	}
	return ids
}

func (c *compiler) trigger(v *value) []maintenance.TriggerDef {
	t := maintenance.TriggerDef{If: c.conds(v, "if", nil), Count: uint32(v.whole("count", 0))}
	if w := v.get("within"); w != nil {
		t.Within, t.WithinDays, t.Meter = hours.Millis(w.whole("hours", 0)), uint32(w.whole("days", 0)), w.str("on")
	}
	c.due(v.get("due"), &t)
	for i, name := range []string{"event", "code", "done", "failed", "fitted", "finding"} {
		if !v.has(name) {
			continue
		}
		t.Kind = maintenance.TriggerKind(i + 1)
		names := []string{v.str(name)}
		if name == "finding" {
			names = c.findings(names[0])
		}
		all := make([]maintenance.TriggerDef, len(names))
		for j, n := range names {
			all[j] = t
			all[j].Name = n
		}
		return all
	}
	return nil
}

// findings gives what the data may call a finding: the name itself, and for a
// lead its drive and the findings that lead there.
func (c *compiler) findings(name string) []string {
	names := []string{name}
	for _, e := range c.root.entries("leads") {
		if e.key.text != name {
			continue
		}
		for _, other := range append(e.value.texts("findings"), e.value.get("drive").str("of")) {
			if other != "" && !slices.Contains(names, other) {
				names = append(names, other)
			}
		}
	}
	return names
}

func (c *compiler) due(v *value, t *maintenance.TriggerDef) {
	switch {
	case v == nil:
	case v.has("hours"):
		on := v.str("on")
		if t.Meter != "" && on != "" && on != t.Meter {
			c.bad(v.get("on"), "due on another meter than the one that within counts on", t.Meter, "")
		}
		t.By, t.In, t.Meter = maintenance.ByHours, hours.Millis(v.whole("hours", 0)), on
	case v.has("days"):
		t.By, t.InDays = maintenance.ByDays, uint32(v.whole("days", 0))
	case v.text == dueWords()[1]:
		t.By = maintenance.ByNextStart
	}
}

func (c *compiler) runIn(v *value, point string) maintenance.RunInDef {
	def := maintenance.RunInDef{Part: v.str("from"), Meter: v.str("on"), Expect: v.str("expect")}
	if !v.keyed("from") {
		def.Part = point
		if c.parts[point] == nil {
			c.bad(v, "a run-in without a part", `"from" with a point that has a part`, "or give this point a part")
		}
	}
	def.If = c.conds(v, "if", c.parts[def.Part].texts("variants"))
	for _, mark := range slices.Concat(v.list("at_minutes"), v.list("at_hours")) {
		if mark == nil {
			continue
		}
		if n := len(def.Marks); n > 0 && hours.Millis(mark.num) <= def.Marks[n-1] {
			c.bad(mark, shown(mark.node.Value)+" does not come after the one before it", "hours that rise", "")
			continue
		}
		def.Marks = append(def.Marks, hours.Millis(mark.num))
	}
	return def
}

func (c *compiler) tooSoon(v *value, def *maintenance.TaskDef) {
	if v == nil {
		return
	}
	t := maintenance.TooSoonDef{Hours: hours.Millis(v.whole("hours", 0)), Days: uint32(v.whole("days", 0)), Unless: c.unlike(v, "unless")}
	if v.has("hours") {
		t.Meter = v.str("on")
		if !v.keyed("on") {
			t.Meter = c.tooSoonMeter(v, def.Limbs)
		}
	}
	for _, l := range def.Limbs {
		switch {
		case l.Kind == maintenance.LimbHours && l.Meter == t.Meter && t.Hours >= l.Every:
			c.bad(v.get("hours"), shown(v.get("hours").node.Value)+" is no shorter than the interval", "less than "+everyWords(l), "")
		case l.Kind == maintenance.LimbMonths && t.Days >= 28*l.Months:
			c.bad(v.get("days"), shown(v.get("days").node.Value)+" is no shorter than the interval", "less than "+everyWords(l), "")
		}
	}
	def.TooSoon = t
}

// tooSoonMeter gives the meter of the task's interval, where there is only one.
func (c *compiler) tooSoonMeter(v *value, limbs []maintenance.Limb) string {
	var meters []string
	for _, l := range limbs {
		if l.Kind == maintenance.LimbHours && !slices.Contains(meters, l.Meter) {
			meters = append(meters, l.Meter)
		}
	}
	if len(meters) != 1 {
		c.bad(v.get("hours"), "it is not said on which meter", `"on" with a meter`, "")
		return ""
	}
	return meters[0]
}

// underWarranty is the trait by whose name the maker's book keeps its place.
const underWarranty = "under_warranty"

func (c *compiler) instead(v *value, def *maintenance.TaskDef) {
	if v == nil {
		return
	}
	in := maintenance.InsteadDef{
		Basis: basisKind(v.str("from")), Limbs: c.interval(v.get("every")), NotIf: c.unlike(v, "not_if"),
		Provided: c.taskIDs(v.get("provided"), "done_each_season"),
	}
	if len(in.Provided) > maxTerms {
		c.bad(v.get("provided"), fmt.Sprintf("%d tasks here", len(in.Provided)), fmt.Sprintf("at most %d, each item of a set counted", maxTerms), "")
	}
	if c.asked[underWarranty] != nil && !slices.Contains(in.NotIf, underWarranty) && (v.has("not_if") || !v.keyed("not_if")) {
		c.bad(v, "another interval than the book's would count under warranty", underWarranty+" in not_if", "")
	}
	for i, trait := range v.list("not_if") {
		if trait == nil {
			continue
		}
		if q := c.asked[trait.text]; q != nil && q.Kind != 0 && q.Kind != maintenance.TraitYesNo {
			c.bad(v.list("not_if")[i], trait.text+" is no question of yes or no", "a trait that is", "")
		}
	}
	def.Instead = []maintenance.InsteadDef{in}
}

// --- what several tasks say of each other ---

// agree gives tasks what others say of them, and checks what tasks cover.
func (c *compiler) agree() {
	index := make(map[string]int, len(c.chart.Tasks))
	for i := range c.chart.Tasks {
		index[c.chart.Tasks[i].ID] = i
	}
	for i := range c.chart.Tasks {
		c.follow(i, index)
	}
	c.covers(index)
	for i := range c.chart.Tasks {
		t := &c.chart.Tasks[i]
		for _, id := range t.Covers {
			if j, ok := index[id]; ok && c.chart.Tasks[j].Do == forbidden {
				c.bad(c.from[i].get("covers"), id+" is never done", "tasks that are done", "")
			}
		}
		if len(t.Triggers) > maxTerms {
			c.bad(c.from[i], fmt.Sprintf("%d things make %s due", len(t.Triggers), t.ID), fmt.Sprintf("at most %d", maxTerms), "")
		}
	}
}

// follow lets the task that has to come then be due before the next start.
func (c *compiler) follow(i int, index map[string]int) {
	t := &c.chart.Tasks[i]
	v := c.from[i].get("then")
	if v == nil {
		return
	}
	for _, id := range c.taskIDs(v, "task") {
		j, ok := index[id]
		if !ok {
			continue
		}
		if i == j || t.Set != "" && t.Set == c.chart.Tasks[j].Set {
			c.bad(v.get("task"), "a task that has to follow itself", "another task", "")
			continue
		}
		other := &c.chart.Tasks[j]
		if other.Do == forbidden {
			c.bad(v.get("task"), id+" is never done", "a task that is done", "")
			continue
		}
		var all []maintenance.TriggerDef
		for _, trigger := range t.Triggers {
			if trigger.Kind == maintenance.TriggerBefore && trigger.By == maintenance.ByNow {
				all = append(all, maintenance.TriggerDef{Kind: maintenance.TriggerBefore, Name: trigger.Name, By: maintenance.ByNextStart})
			}
		}
		all = append(all, maintenance.TriggerDef{Kind: maintenance.TriggerDone, Name: cmp.Or(t.Set, t.ID), By: maintenance.ByNextStart})
		for _, one := range all {
			if !slices.ContainsFunc(other.Triggers, func(o maintenance.TriggerDef) bool { return o.Kind == one.Kind && o.Name == one.Name && o.By == one.By }) {
				other.Triggers = append(slices.Clip(other.Triggers), one)
			}
		}
	}
}

// covers refuses a task that is done with itself, at once or round about. Each
// ring is told once, at its first task.
func (c *compiler) covers(index map[string]int) {
	const open, closed = 1, 2
	state := make([]uint8, len(c.chart.Tasks))
	var way []int
	var visit func(i int)
	visit = func(i int) {
		state[i] = open
		way = append(way, i)
		for _, id := range c.chart.Tasks[i].Covers {
			switch j, ok := index[id]; {
			case !ok || state[j] == closed:
			case state[j] == open:
				c.ring(way[slices.Index(way, j):])
			default:
				visit(j)
			}
		}
		way = way[:len(way)-1]
		state[i] = closed
	}
	for i := range c.chart.Tasks {
		if state[i] == 0 {
			visit(i)
		}
	}
}

// ring reports tasks of which each covers the next, and the last the first.
func (c *compiler) ring(tasks []int) {
	names := make([]string, len(tasks))
	for i, t := range tasks {
		names[i] = c.chart.Tasks[t].ID
	}
	v := c.from[tasks[0]].get("covers")
	if len(names) == 1 {
		c.bad(v, names[0]+" covers itself", "other tasks", "")
		return
	}
	c.bad(v, fmt.Sprintf("%s covers itself by way of %s", names[0], strings.Join(names[1:], ", ")), "", "take one of them away")
}
