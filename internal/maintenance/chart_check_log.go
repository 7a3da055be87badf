package maintenance

import (
	"fmt"
	"slices"
)

// checkLog reports whether the rules of the service log can work with the chart:
// parts, materials, attachments, what tasks cover, doses and measures.
func (c *Chart) checkLog() error {
	if len(c.Parts) > PartsKept || len(c.Attachments) > AttachKept || len(c.Materials) > maxChartList {
		return fmt.Errorf("chart %s: %w: at most %d parts, %d attachments and %d materials", c.ID, ErrChart, PartsKept, AttachKept, maxChartList)
	}
	if err := c.checkAttached(); err != nil {
		return err
	}
	if err := c.checkParts(); err != nil {
		return err
	}
	if err := c.checkMaterials(); err != nil {
		return err
	}
	names := c.taskNames()
	for i := range c.Tasks {
		t := &c.Tasks[i]
		if why := t.logFault(c, names); why != "" {
			return fmt.Errorf("chart %s: task %q: %w: %s", c.ID, t.ID, ErrChart, why)
		}
	}
	return nil
}

// taskNames are the tasks and sets that a task can cover.
func (c *Chart) taskNames() map[string]bool {
	names := make(map[string]bool, len(c.Tasks))
	for i := range c.Tasks {
		names[c.Tasks[i].ID] = true
		if set := c.Tasks[i].Set; set != "" {
			names[set] = true
		}
	}
	return names
}

func (c *Chart) checkAttached() error {
	known := map[string]bool{"": true}
	for i := range c.Attachments {
		if known[c.Attachments[i].ID] {
			return fmt.Errorf("chart %s: attachment %q: %w: defined twice or without an id", c.ID, c.Attachments[i].ID, ErrChart)
		}
		known[c.Attachments[i].ID] = true
	}
	for i := range c.Meters {
		if !known[c.Meters[i].Of] {
			return fmt.Errorf("chart %s: meter %q: %w: attachment %q is not defined", c.ID, c.Meters[i].ID, ErrChart, c.Meters[i].Of)
		}
	}
	for i := range c.Points {
		if !known[c.Points[i].Attachment] {
			return fmt.Errorf("chart %s: point %q: %w: attachment %q is not defined", c.ID, c.Points[i].ID, ErrChart, c.Points[i].Attachment)
		}
	}
	return nil
}

func (c *Chart) hasMeter(id string) bool {
	return slices.ContainsFunc(c.Meters, func(m MeterDef) bool { return m.ID == id })
}

func (c *Chart) checkParts() error {
	seen := make(map[string]bool, len(c.Parts))
	for i := range c.Parts {
		p := &c.Parts[i]
		why := ""
		switch {
		case id("id", p.ID, false) != nil:
			why = "it has no id, or one that is too long"
		case seen[p.ID]:
			why = "defined twice"
		case p.Meter != "" && !c.hasMeter(p.Meter):
			why = fmt.Sprintf("meter %q is not defined", p.Meter)
		}
		if why != "" {
			return fmt.Errorf("chart %s: part %q: %w: %s", c.ID, p.ID, ErrChart, why)
		}
		seen[p.ID] = true
	}
	return nil
}

func (c *Chart) checkMaterials() error {
	seen := make(map[string]bool, len(c.Materials))
	for i := range c.Materials {
		m := &c.Materials[i]
		why := ""
		switch {
		case id("id", m.ID, false) != nil:
			why = "it has no id, or one that is too long"
		case seen[m.ID]:
			why = "defined twice"
		case slices.ContainsFunc(m.Mixes, func(x MixDef) bool { return x.With == "" || x.Word < MixNo || x.Word > MixAsk }):
			why = "a word on mixing without a thickener, or neither no nor ask"
		}
		if why != "" {
			return fmt.Errorf("chart %s: material %q: %w: %s", c.ID, m.ID, ErrChart, why)
		}
		seen[m.ID] = true
	}
	return nil
}

// logFault says what is wrong with a task, or "".
func (t *TaskDef) logFault(c *Chart, names map[string]bool) string {
	for _, other := range t.Covers {
		switch {
		case !names[other]:
			return fmt.Sprintf("it covers %q, which is not defined", other)
		case other == t.ID:
			return "it covers itself"
		}
	}
	switch {
	case len(t.Measure) > 1 || len(t.Dose) > 1 || len(t.Else) > 1:
		return "more than one measure, amount or else"
	case t.TooSoon.Hours < 0 || t.TooSoon.Hours > 0 && !c.hasMeter(t.TooSoon.Meter):
		return fmt.Sprintf("too soon counts on meter %q, which is not defined", t.TooSoon.Meter)
	case len(t.Dose) > 0 && t.Dose[0].fault() != "":
		return t.Dose[0].fault()
	case len(t.Measure) > 0:
		return t.Measure[0].fault(c)
	}
	return ""
}

// fault says what is wrong with a dose, or "".
func (d *DoseDef) fault() string {
	switch {
	case d.Unit == "":
		return "an amount without a unit"
	case d.Lo < 0 || d.Hi < d.Lo || d.Hi > maxMilli || d.Most > maxMilli || d.Season > maxMilli:
		return "an amount below 0, or too much"
	case d.Most < 0 || d.Most > 0 && d.Most < d.Hi:
		return "the amount is more than the most that may go in"
	case d.Season < 0:
		return "a season's amount below 0"
	}
	return ""
}

// fault says what is wrong with a measure, or "".
func (d *MeasureDef) fault(c *Chart) string {
	switch {
	case d.Gauge > GaugeLoose:
		return fmt.Sprintf("gauge %d is unknown", d.Gauge)
	case d.Gauge == GaugeNone && d.Unit == "":
		return "a measure without a unit"
	case d.Meter != "" && !c.hasMeter(d.Meter):
		return fmt.Sprintf("the measure runs over meter %q, which is not defined", d.Meter)
	case above(d.OkLo, d.OkHi) || above(d.ActLo, d.ActHi) || above(d.ActLo, d.OkLo) || above(d.OkHi, d.ActHi):
		return "the acceptable range does not lie inside the limits at which to act"
	}
	for i, spot := range d.Spots {
		if spot == "" || slices.Contains(d.Spots[:i], spot) {
			return fmt.Sprintf("spot %q twice, or without a name", spot)
		}
	}
	return ""
}

// above reports whether a lower bound lies above a higher one.
func above(lo, hi Bound) bool { return lo.Set && hi.Set && lo.Micro > hi.Micro }
