package maintenance

import (
	"fmt"
	"slices"
)

// checkTold checks the questions about build, crop and weather, the conditions
// on them, walk-rounds, settings and leads.
func (c *Chart) checkTold() error {
	switch {
	case len(c.Traits) > TraitsKept || len(c.Conditions) > TraitsKept:
		return fmt.Errorf("chart %s: %w: more than %d traits or conditions", c.ID, ErrChart, TraitsKept)
	case len(c.Settings) > SettingsKept:
		return fmt.Errorf("chart %s: %w: more than %d settings", c.ID, ErrChart, SettingsKept)
	case len(c.Walks) > maxChartList || len(c.Leads) > maxChartList:
		return fmt.Errorf("chart %s: %w: too many walk-rounds or leads", c.ID, ErrChart)
	}
	names := c.namesTold()
	for _, check := range []func() string{names.defs, names.fitted, names.limbs, names.walks, names.settings, names.leads} {
		if why := check(); why != "" {
			return fmt.Errorf("chart %s: %w: %s", c.ID, ErrChart, why)
		}
	}
	return nil
}

// chartNames are what conditions may name.
type chartNames struct {
	c          *Chart
	traits     map[string]*TraitDef
	conditions map[string]*TraitDef
}

func (c *Chart) namesTold() *chartNames {
	n := &chartNames{c: c, traits: make(map[string]*TraitDef), conditions: make(map[string]*TraitDef)}
	for i := range c.Traits {
		n.traits[c.Traits[i].ID] = &c.Traits[i]
	}
	for i := range c.Conditions {
		n.conditions[c.Conditions[i].ID] = &c.Conditions[i]
	}
	return n
}

// defs checks the questions.
func (n *chartNames) defs() string {
	seen := make(map[string]bool)
	for _, d := range slices.Concat(n.c.Traits, n.c.Conditions) {
		switch f := id("id", d.ID, false); {
		case f != nil:
			return "a trait or condition: " + f.text()
		case seen[d.ID]:
			return fmt.Sprintf("trait or condition %q is defined twice", d.ID)
		case d.Kind < TraitNumber || d.Kind > TraitYesNo:
			return fmt.Sprintf("trait %q: kind %d is unknown", d.ID, d.Kind)
		case d.Kind == TraitChoice && (len(d.Choices) == 0 || len(d.Choices) > maxList):
			return fmt.Sprintf("trait %q: a choice of none, or of more than %d", d.ID, maxList)
		case d.Kind != TraitChoice && len(d.Choices) > 0:
			return fmt.Sprintf("trait %q: choices for what is no choice", d.ID)
		}
		seen[d.ID] = true
	}
	return ""
}

// cond says what is wrong with a condition, or "".
func (n *chartNames) cond(c *Cond, conditions bool) string {
	d := n.traits[c.Of]
	if d == nil && conditions {
		d = n.conditions[c.Of]
	}
	switch {
	case d == nil:
		return fmt.Sprintf("a condition on %q, which is not defined", c.Of)
	case c.Op < CondIs || c.Op > CondUpTo:
		return fmt.Sprintf("a condition on %q: comparison %d is unknown", c.Of, c.Op)
	case c.Op > CondIsNot && d.Kind != TraitNumber:
		return fmt.Sprintf("a condition on %q compares what is no number", c.Of)
	case c.Op <= CondIsNot && len(c.Words) == 0:
		return fmt.Sprintf("a condition on %q names no word", c.Of)
	}
	if c.Op <= CondIsNot {
		for _, w := range c.Words {
			if !d.takes(w) {
				return fmt.Sprintf("a condition on %q: %q does not answer it", c.Of, w)
			}
		}
	}
	return ""
}

func (n *chartNames) conds(where string, list []Cond, conditions bool) string {
	if len(list) > maxList {
		return fmt.Sprintf("%s: more than %d conditions", where, maxList)
	}
	for i := range list {
		if why := n.cond(&list[i], conditions); why != "" {
			return where + ": " + why
		}
	}
	return ""
}

// fitted checks what the build decides: traits only, since crop and weather take
// nothing off a machine.
func (n *chartNames) fitted() string {
	for i := range n.c.Points {
		if why := n.conds(fmt.Sprintf("point %q", n.c.Points[i].ID), n.c.Points[i].FittedIf, false); why != "" {
			return why
		}
	}
	for i := range n.c.Tasks {
		d := &n.c.Tasks[i]
		if why := n.conds(fmt.Sprintf("task %q", d.ID), d.FittedIf, false); why != "" {
			return why
		}
		for j := range d.Instead {
			for _, name := range d.Instead[j].NotIf {
				if t := n.traits[name]; t == nil || t.Kind != TraitYesNo {
					return fmt.Sprintf("task %q: %q is no trait that is answered yes or no", d.ID, name)
				}
			}
		}
	}
	return ""
}

// limbs checks what an interval holds while.
func (n *chartNames) limbs() string {
	for i := range n.c.Tasks {
		d := &n.c.Tasks[i]
		limbs := d.Limbs
		for j := range d.Instead {
			limbs = slices.Concat(limbs, d.Instead[j].Limbs)
		}
		for j := range limbs {
			if why := n.conds(fmt.Sprintf("task %q: interval %d", d.ID, j+1), limbs[j].While, true); why != "" {
				return why
			}
		}
	}
	return ""
}

// walks checks the walk-rounds and that tasks name none that is not defined.
func (n *chartNames) walks() string {
	seen := make(map[string]bool)
	for i := range n.c.Walks {
		d := &n.c.Walks[i]
		switch f := id("id", d.ID, false); {
		case f != nil:
			return "a walk-round: " + f.text()
		case seen[d.ID]:
			return fmt.Sprintf("walk-round %q is defined twice", d.ID)
		case d.Sign > SignReceiver:
			return fmt.Sprintf("walk-round %q: signature %d is unknown", d.ID, d.Sign)
		}
		seen[d.ID] = true
	}
	for i := range n.c.Tasks {
		for _, w := range n.c.Tasks[i].Walks {
			if !seen[w] {
				return fmt.Sprintf("task %q: walk-round %q is not defined", n.c.Tasks[i].ID, w)
			}
		}
	}
	return ""
}

func (n *chartNames) settings() string {
	seen := make(map[string]bool)
	for i := range n.c.Settings {
		d := &n.c.Settings[i]
		where := fmt.Sprintf("setting %q", d.ID)
		if f := id("id", d.ID, false); f != nil {
			return "a setting: " + f.text()
		}
		if seen[d.ID] {
			return where + " is defined twice"
		}
		seen[d.ID] = true
		for j := range d.Suits {
			if why := d.Suits[j].fault(d); why != "" {
				return where + ": " + why
			}
			if why := n.conds(where, d.Suits[j].If, true); why != "" {
				return why
			}
		}
	}
	return ""
}

// fault says what is wrong with what suits, or "".
func (s *SuitDef) fault(d *SettingDef) string {
	switch {
	case len(d.Choices) > 0 && !slices.Contains(d.Choices, s.Word):
		return fmt.Sprintf("%q is none of its choices", s.Word)
	case len(d.Choices) > 0 && (s.Lo.Set || s.Hi.Set), len(d.Choices) == 0 && s.Word != "":
		return "a figure for a word, or a word for a figure"
	case len(d.Choices) == 0 && !s.Lo.Set && !s.Hi.Set:
		return "no figure suits"
	case s.Lo.Set && s.Hi.Set && s.Lo.Micro > s.Hi.Micro:
		return "the range ends below where it begins"
	}
	return ""
}

func (n *chartNames) leads() string {
	seen := make(map[string]bool)
	for i := range n.c.Leads {
		d := &n.c.Leads[i]
		where := fmt.Sprintf("lead %q", d.ID)
		if f := id("id", d.ID, false); f != nil {
			return "a lead: " + f.text()
		}
		if seen[d.ID] {
			return where + " is defined twice"
		}
		seen[d.ID] = true
		for _, code := range d.Codes {
			if n.c.code(code) == nil {
				return fmt.Sprintf("%s: code %q is not defined", where, code)
			}
		}
		for j := range d.Look {
			if why := n.look(&d.Look[j]); why != "" {
				return fmt.Sprintf("%s: place %d: %s", where, j+1, why)
			}
		}
	}
	return ""
}

// look says what is wrong with a place to look at, or "". A fact that the chart
// does not define may be stated by a person.
func (n *chartNames) look(d *LookDef) string {
	if n.c.point(d.Point) == nil {
		return fmt.Sprintf("point %q is not defined", d.Point)
	}
	for i := range d.If {
		l := &d.If[i]
		switch l.Kind {
		case LeadFact:
			if n.traits[l.Cond.Of] == nil && n.conditions[l.Cond.Of] == nil {
				continue
			}
			if why := n.cond(&l.Cond, true); why != "" {
				return why
			}
		case LeadWith, LeadWithout:
			if n.c.code(l.Name) == nil {
				return fmt.Sprintf("code %q is not defined", l.Name)
			}
		case LeadSince:
			if l.Name == "" {
				return "an event without a name"
			}
		case LeadShift:
			if l.Shift != ShiftSame && l.Shift != ShiftLoad && l.Shift != ShiftStep {
				return fmt.Sprintf("shift %q is unknown", l.Shift)
			}
		default:
			return fmt.Sprintf("a condition of kind %d is unknown", l.Kind)
		}
	}
	return ""
}
