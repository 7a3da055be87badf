package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// The limits of what a chart says of when a task is due.
const (
	maxTriggers = 16 // a task
	maxRunIns   = 16 // a task
	maxMarks    = 32 // a run-in
	maxConds    = 16 // a list
	maxWithin   = 1000
)

// workNames are what a chart's triggers may name.
type workNames struct {
	meters, tasks, events, codes, parts map[string]bool
}

func (c *Chart) names(meters map[string]bool) workNames {
	n := workNames{meters: meters, tasks: map[string]bool{}, codes: map[string]bool{}, parts: map[string]bool{},
		events: map[string]bool{EventStorageIn: true, EventStorageOut: true}}
	for i := range c.Tasks {
		n.tasks[c.Tasks[i].ID] = true
		if c.Tasks[i].Set != "" {
			n.tasks[c.Tasks[i].Set] = true
		}
	}
	for i := range c.Events {
		n.events[c.Events[i].ID] = true
	}
	for i := range c.Counts {
		n.events[c.Counts[i].ID] = true
	}
	for i := range c.Codes {
		n.codes[c.Codes[i].ID] = true
	}
	for i := range c.Parts {
		n.parts[c.Parts[i].ID] = true
	}
	return n
}

// checkWork holds what came with WorkRules to the chart: what intervals, triggers
// and run-ins name must be there.
func (c *Chart) checkWork(meters map[string]bool) error {
	if len(c.Events) > maxChartList || len(c.Counts) > maxChartList || len(c.Parts) > PartsKept {
		return fmt.Errorf("chart %s: %w: too many entries", c.ID, ErrChart)
	}
	n := c.names(meters)
	for i := range c.Tasks {
		t := &c.Tasks[i]
		if why := n.fault(t); why != "" {
			return fmt.Errorf("chart %s: task %q: %w: %s", c.ID, t.ID, ErrChart, why)
		}
		for j := range t.Instead {
			if err := c.checkLimbs(t, t.Instead[j].Limbs, meters); err != nil {
				return err
			}
		}
	}
	return nil
}

// fault says what is wrong with when a task is due, or "".
func (n *workNames) fault(t *TaskDef) string {
	switch {
	case len(t.Triggers) > maxTriggers || len(t.RunIns) > maxRunIns:
		return fmt.Sprintf("more than %d triggers or run-ins", maxTriggers)
	case len(t.Instead) > 1:
		return "more than one practice in place of the book"
	}
	for i := range t.Limbs {
		if l := &t.Limbs[i]; l.Kind == LimbCounted && !n.events[l.Of] {
			return fmt.Sprintf("interval %d counts %q, which is not defined", i+1, l.Of)
		}
	}
	for i := range t.Triggers {
		if why := n.faultTrigger(&t.Triggers[i]); why != "" {
			return fmt.Sprintf("trigger %d: %s", i+1, why)
		}
	}
	for i := range t.RunIns {
		if why := n.faultRunIn(&t.RunIns[i]); why != "" {
			return fmt.Sprintf("run-in %d: %s", i+1, why)
		}
	}
	for i := range t.Instead {
		if why := n.faultInstead(&t.Instead[i]); why != "" {
			return why
		}
	}
	return n.faultTooSoon(&t.TooSoon)
}

func (n *workNames) faultTrigger(tr *TriggerDef) string {
	known := true
	switch tr.Kind {
	case TriggerEvent, TriggerBefore:
		known = n.events[tr.Name]
	case TriggerCode:
		known = n.codes[tr.Name]
	case TriggerDone, TriggerFailed:
		known = n.tasks[tr.Name]
	case TriggerFitted:
		known = n.parts[tr.Name]
	case TriggerFinding:
		known = tr.Name != ""
	default:
		return fmt.Sprintf("kind %d is unknown", tr.Kind)
	}
	switch {
	case !known:
		return fmt.Sprintf("%q is not defined", tr.Name)
	case tr.Meter != "" && !n.meters[tr.Meter]:
		return fmt.Sprintf("meter %q is not defined", tr.Meter)
	case tr.By > ByDays:
		return fmt.Sprintf("way %d of being due is unknown", tr.By)
	case tr.By == ByHours && (tr.In <= 0 || tr.In > hours.Most):
		return "hours not above 0"
	case tr.By == ByDays && (tr.InDays < 1 || tr.InDays > 36600):
		return "days outside 1 to 36600"
	case tr.Count > maxWithin || tr.Within < 0 || tr.Within > hours.Most || tr.WithinDays > 36600:
		return fmt.Sprintf("a count above %d, or within hours or days that no machine sees", maxWithin)
	}
	return faultConds(tr.If)
}

func (n *workNames) faultRunIn(d *RunInDef) string {
	switch {
	case !n.parts[d.Part]:
		return fmt.Sprintf("part %q is not defined", d.Part)
	case d.Meter != "" && !n.meters[d.Meter]:
		return fmt.Sprintf("meter %q is not defined", d.Meter)
	case len(d.Marks) == 0 || len(d.Marks) > maxMarks:
		return fmt.Sprintf("%d marks; give 1 to %d", len(d.Marks), maxMarks)
	}
	last := hours.Millis(0)
	for _, m := range d.Marks {
		if m <= last || m > hours.Most {
			return "marks that do not rise from above 0"
		}
		last = m
	}
	return faultConds(d.If)
}

func (n *workNames) faultInstead(d *InsteadDef) string {
	switch {
	case len(d.Limbs) == 0 || len(d.Limbs) > 16:
		return "a practice in place of the book with no interval, or with more than 16"
	case len(d.Provided) > maxConds || len(d.NotIf) > maxConds:
		return fmt.Sprintf("a practice with more than %d terms", maxConds)
	}
	for i := range d.Limbs {
		if l := &d.Limbs[i]; l.Kind == LimbCounted && !n.events[l.Of] {
			return fmt.Sprintf("the practice counts %q, which is not defined", l.Of)
		}
	}
	for _, task := range d.Provided {
		if !n.tasks[task] {
			return fmt.Sprintf("the practice asks for task %q, which is not defined", task)
		}
	}
	return ""
}

func (n *workNames) faultTooSoon(d *TooSoonDef) string {
	switch {
	case d.Hours < 0 || d.Hours > hours.Most || d.Days > 36600:
		return "too soon in hours or days that no machine sees"
	case d.Meter != "" && !n.meters[d.Meter]:
		return fmt.Sprintf("too soon on meter %q, which is not defined", d.Meter)
	case len(d.Unless) > maxConds:
		return fmt.Sprintf("too soon unless more than %d events", maxConds)
	}
	for _, e := range d.Unless {
		if !n.events[e] {
			return fmt.Sprintf("too soon unless %q, which is not defined", e)
		}
	}
	return ""
}

// faultMore is fault for the kinds of interval that came with WorkRules.
func (l *Limb) faultMore(meters map[string]bool) string {
	switch l.Kind {
	case LimbDays:
		switch {
		case l.Days < 1 || l.Days > 1000:
			return "days worked outside 1 to 1000"
		case l.Meter != "" && !meters[l.Meter]:
			return fmt.Sprintf("meter %q is not defined", l.Meter)
		case l.Meter == "" && len(meters) == 0:
			return "the chart has no meter to tell a day worked by"
		}
	case LimbSeason:
		if l.When < SeasonBefore || l.When > SeasonAfter || l.Seasons > 50 {
			return "say before, in or after, and every 1 to 50 seasons"
		}
	case LimbCounted:
		if l.Of == "" || l.Count <= 0 || l.Count > maxMilli {
			return "a count of nothing, or not above 0"
		}
	default:
		return fmt.Sprintf("kind %d is unknown", l.Kind)
	}
	return either(l.faultGrid(), faultConds(l.While))
}

// faultGrid: only hours and months stand at fixed hours and dates.
func (l *Limb) faultGrid() string {
	switch {
	case !l.Grid:
		return ""
	case l.Kind != LimbHours && l.Kind != LimbMonths:
		return "only hours and months stand at fixed hours and dates"
	case l.Kind == LimbMonths && !l.GridFrom.Known():
		return "fixed dates without the first of them"
	}
	return ""
}

func faultConds(conds []Cond) string {
	if len(conds) > maxConds {
		return fmt.Sprintf("more than %d conditions in a list", maxConds)
	}
	for i := range conds {
		c := &conds[i]
		switch {
		case c.Of == "":
			return "a condition on nothing"
		case c.Op < CondIs || c.Op > CondUpTo:
			return fmt.Sprintf("comparison %d is unknown", c.Op)
		case c.Op <= CondIsNot && len(c.Words) == 0:
			return "a condition that compares with no word"
		}
	}
	return ""
}

func either(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
