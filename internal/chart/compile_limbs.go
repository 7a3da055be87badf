package chart

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// limbs compiles a task's interval with its soon and late.
func (c *compiler) limbs(v *value, def *maintenance.TaskDef) {
	def.Limbs = c.interval(v.get("every"))
	if len(def.Limbs) == 0 {
		return
	}
	c.near(v.get("soon"), def.Limbs, true)
	c.near(v.get("late"), def.Limbs, false)
}

func (c *compiler) interval(every *value) []maintenance.Limb {
	var limbs []maintenance.Limb
	if every == nil {
		return nil
	}
	for _, v := range append([]*value{every}, every.list("first_of")...) {
		if v == nil {
			continue
		}
		l, ok := c.limb(v)
		if !ok {
			continue
		}
		if slices.ContainsFunc(limbs, func(o maintenance.Limb) bool { return sameLimb(o, l) }) {
			c.bad(v, "two intervals in "+limbUnit(l), "one of each kind, as only the shorter would ever count", "keep one of them")
			continue
		}
		limbs = append(limbs, l)
	}
	return limbs
}

// sameLimb reports two intervals of which only the shorter would ever count.
func sameLimb(a, b maintenance.Limb) bool {
	return a.Kind == b.Kind && a.Meter == b.Meter && a.Of == b.Of && a.When == b.When && a.Crop == b.Crop && len(a.While)+len(b.While) == 0
}

// limbUnit says what an interval is counted in.
func limbUnit(l maintenance.Limb) string {
	switch l.Kind {
	case maintenance.LimbHours:
		return "hours on " + l.Meter
	case maintenance.LimbDays:
		return "days worked"
	case maintenance.LimbSeason:
		return "seasons"
	case maintenance.LimbCounted:
		return l.Of
	}
	return "months"
}

func (c *compiler) limb(v *value) (maintenance.Limb, bool) {
	var l maintenance.Limb
	switch {
	case v.has("hours"):
		l = maintenance.Limb{Kind: maintenance.LimbHours, Meter: v.str("on"), Every: hours.Millis(v.whole("hours", 0))}
	case v.has("months"):
		l = maintenance.Limb{Kind: maintenance.LimbMonths, Months: uint32(v.whole("months", 0))}
	case v.has("days_worked"):
		l = maintenance.Limb{Kind: maintenance.LimbDays, Meter: v.str("on"), Days: uint32(v.whole("days_worked", 0))}
	case v.has("season"), v.has("seasons"):
		l = maintenance.Limb{Kind: maintenance.LimbSeason, When: seasonWhen(v.str("season")), Seasons: uint32(v.whole("seasons", 1)), Crop: v.str("crop")}
	case v.has("count"):
		l = maintenance.Limb{Kind: maintenance.LimbCounted, Of: v.str("of"), Count: v.whole("count", 0)}
	default:
		return l, false
	}
	if l.Kind == maintenance.LimbDays && len(c.chart.Meters) == 0 && !c.root.keyed("meters") {
		c.bad(v, "days worked are told by a meter, and the chart has none", "a meter in meters", "")
	}
	l.While = c.conds(v, "while", nil)
	c.latest(v.get("latest"), &l)
	c.grid(v.get("grid"), &l)
	return l, true
}

func seasonWhen(word string) maintenance.SeasonWhen {
	switch word {
	case "in":
		return maintenance.SeasonIn
	case "after":
		return maintenance.SeasonAfter
	}
	return maintenance.SeasonBefore
}

// latest is where an interval is overdue, counted from the last time. The table
// reads it as hours; for days and counts the same number is taken over.
func (c *compiler) latest(v *value, l *maintenance.Limb) {
	if v == nil {
		return
	}
	over := int64(0)
	switch l.Kind {
	case maintenance.LimbHours:
		over = v.num - int64(l.Every)
		l.Late = hours.Millis(max(0, over))
	case maintenance.LimbDays:
		if v.num%msPerHour != 0 {
			c.bad(v, shown(v.node.Value)+" is finer than a day", "whole days", "")
			return
		}
		over = v.num/msPerHour - int64(l.Days)
		l.LateDays = uint32(max(0, over))
	case maintenance.LimbCounted:
		if v.num%(msPerHour/milli) != 0 {
			c.bad(v, shown(v.node.Value)+" is finer than a thousandth", "", "")
			return
		}
		over = v.num/(msPerHour/milli) - l.Count
		l.Late = hours.Millis(max(0, over))
	default:
		return // refused by the table
	}
	if over <= 0 {
		c.bad(v, shown(v.node.Value)+" is not above the interval", "more than "+everyWords(*l), "")
	}
}

// grid is yes for hours on a meter, and a date for months.
func (c *compiler) grid(v *value, l *maintenance.Limb) {
	if v == nil || v.text == "no" || v.text == "false" || l.Kind > maintenance.LimbMonths {
		return
	}
	said := v.text == "yes" || v.text == "true"
	switch {
	case l.Kind == maintenance.LimbHours && said:
		l.Grid = true
	case l.Kind == maintenance.LimbHours:
		c.bad(v, shown(v.text)+" for an interval in hours", "yes", "")
	case said:
		c.bad(v, "a grid of months starts on a date", "a date, as 2031-03-02", "")
	default:
		date, err := civil.Parse(v.text)
		if err != nil {
			c.bad(v, shown(v.text)+" is not a date", "a date, as 2031-03-02", "")
			return
		}
		l.Grid, l.GridFrom = true, date
	}
}

// nearUnit is one way to say how long before or after due.
type nearUnit struct {
	name string // the field
	kind maintenance.LimbKind
	unit string // of intervals in it
}

func nearUnits() []nearUnit {
	return []nearUnit{
		{"hours", maintenance.LimbHours, "hours"}, {"days", maintenance.LimbMonths, "months"},
		{"days_worked", maintenance.LimbDays, "days worked"}, {"count", maintenance.LimbCounted, "what is counted"},
	}
}

// near sets soon or late on every interval that it is for.
func (c *compiler) near(v *value, limbs []maintenance.Limb, soon bool) {
	for _, unit := range nearUnits() {
		n := v.get(unit.name)
		if n == nil {
			continue
		}
		used := false
		for i := range limbs {
			if l := &limbs[i]; l.Kind == unit.kind || soon && unit.name == "days" && l.When == maintenance.SeasonBefore {
				used = true
				c.setNear(n, l, soon)
			}
		}
		if !used {
			c.bad(n, unit.name+" for a task without an interval in "+unit.unit, "", "leave it out")
		}
	}
}

// setNear sets soon or late of one interval. The shortest month has 28 days.
func (c *compiler) setNear(v *value, l *maintenance.Limb, soon bool) {
	every, days := int64(l.Every), false
	switch l.Kind {
	case maintenance.LimbMonths:
		every, days = 28*int64(l.Months), true
	case maintenance.LimbDays:
		every, days = int64(l.Days), true
	case maintenance.LimbCounted:
		every = l.Count
	case maintenance.LimbSeason:
		every, days = maxDays, true
	}
	switch {
	case soon && v.num >= every:
		c.bad(v, shown(v.node.Value)+" is no shorter than the interval", "less than "+everyWords(*l), "")
	case soon && days:
		l.SoonDays = uint32(v.num)
	case soon:
		l.Soon = hours.Millis(v.num)
	case l.Late != 0 || l.LateDays != 0:
		c.bad(v, "late stands beside latest", "", "keep one of them")
	case days:
		l.LateDays = uint32(v.num)
	default:
		l.Late = hours.Millis(v.num)
	}
}

// --- amounts ---

// dosed gives an amount's unit, as the table names it and in short.
func doseUnit(v *value) (name, unit string) {
	for _, u := range doseUnits() {
		if v.has(u[0]) {
			return u[0], u[1]
		}
	}
	return "", ""
}

// dose compiles a structured amount, and reports whether it says what the first
// encoding can't.
func (c *compiler) dose(v *value) (d maintenance.DoseDef, more, ok bool) {
	name, unit := doseUnit(v)
	if name == "" {
		return d, false, false
	}
	n := v.get(name)
	d = maintenance.DoseDef{Unit: unit, Lo: n.low.num, Hi: n.high.num, Most: v.whole("most", 0), Season: v.whole("season_most", 0), Per: v.str("per")}
	return d, d.Lo != d.Hi || unit != "stroke" || d.Season != 0, true
}

// amount gives an amount in words.
func (c *compiler) amount(v *value) string {
	if v == nil || v.field == nil {
		return v.words()
	}
	d, _, ok := c.dose(v)
	if !ok {
		return ""
	}
	name, _ := doseUnit(v)
	if d.Most != 0 && d.Most < d.Hi {
		c.bad(v.get("most"), fmt.Sprintf("at most %s is less than %s", perUnit(d.Most, milli), doseWords(d.Hi, name)), perUnit(d.Hi, milli)+" or more", "")
	}
	if least := max(d.Hi, d.Most); d.Season != 0 && d.Season < least {
		c.bad(v.get("season_most"), fmt.Sprintf("at most %s a season is less than %s in one service", perUnit(d.Season, milli), doseWords(least, name)), perUnit(least, milli)+" or more", "")
	}
	return amountWords(d)
}

// doseWords says an amount by the word of the table.
func doseWords(n int64, name string) string {
	if n == milli {
		return "1 " + name[:len(name)-1]
	}
	return perUnit(n, milli) + " " + name
}

// amountWords says an amount: 2 to 3 strokes per fitting, at most 4.
func amountWords(d maintenance.DoseDef) string {
	unit := d.Unit
	if (unit == "stroke" || unit == "drop") && d.Hi != milli {
		unit += "s"
	}
	text := perUnit(d.Hi, milli) + " " + unit
	if d.Lo != d.Hi {
		text = perUnit(d.Lo, milli) + " to " + text
	}
	if d.Per != "" {
		text += " per " + d.Per
	}
	return text + mostWords(d)
}

// mostWords says the most that may go in.
func mostWords(d maintenance.DoseDef) string {
	text := ""
	if d.Most > 0 {
		text += ", at most " + perUnit(d.Most, milli)
	}
	if d.Season > 0 {
		text += ", at most " + perUnit(d.Season, milli) + " a season"
	}
	return text
}
