package maintenance

import (
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// ErrChart is wrapped by every error of Check.
var ErrChart = errors.New("the chart can't be used")

// The limits of a chart.
const (
	maxChartTasks = 2000
	maxChartList  = 4000
)

// Check reports whether the rules can work with the chart: ids there and
// unique, intervals above 0 and on meters of the chart, rounds defined. It is
// less than a compiler checks, and is part of the rules.
func (c *Chart) Check() error {
	if f := id("id", c.ID, false); f != nil {
		return fmt.Errorf("chart: %w: %s", ErrChart, f.text())
	}
	if len(c.Meters) > MetersKept/2 || len(c.Tasks) > maxChartTasks || len(c.Signals) > maxChartList ||
		len(c.Codes) > maxChartList || len(c.Points) > maxChartList || len(c.Rounds) > maxChartList {
		return fmt.Errorf("chart %s: %w: too many entries", c.ID, ErrChart)
	}
	meters, err := c.checkMeters()
	if err != nil {
		return err
	}
	rounds := make(map[string]bool, len(c.Rounds))
	for i := range c.Rounds {
		rounds[c.Rounds[i].ID] = true
	}
	if err := c.checkTasks(meters, rounds); err != nil {
		return err
	}
	if err := c.checkLog(); err != nil {
		return err
	}
	if err := c.checkTold(); err != nil {
		return err
	}
	return c.checkWork(meters)
}

func (c *Chart) checkMeters() (map[string]bool, error) {
	meters := make(map[string]bool, len(c.Meters))
	for i := range c.Meters {
		m := &c.Meters[i]
		if f := id("id", m.ID, false); f != nil {
			return nil, fmt.Errorf("chart %s: meter %d: %w: %s", c.ID, i+1, ErrChart, f.text())
		}
		if meters[m.ID] {
			return nil, fmt.Errorf("chart %s: meter %q: %w: defined twice", c.ID, m.ID, ErrChart)
		}
		meters[m.ID] = true
	}
	return meters, nil
}

func (c *Chart) checkTasks(meters, rounds map[string]bool) error {
	tasks := make(map[string]bool, len(c.Tasks))
	for i := range c.Tasks {
		t := &c.Tasks[i]
		if f := id("id", t.ID, false); f != nil {
			return fmt.Errorf("chart %s: task %d: %w: %s", c.ID, i+1, ErrChart, f.text())
		}
		switch {
		case tasks[t.ID]:
			return fmt.Errorf("chart %s: task %q: %w: defined twice", c.ID, t.ID, ErrChart)
		case t.Round != "" && !rounds[t.Round]:
			return fmt.Errorf("chart %s: task %q: %w: round %q is not defined", c.ID, t.ID, ErrChart, t.Round)
		case len(t.Limbs) > 16:
			return fmt.Errorf("chart %s: task %q: %w: more than 16 intervals", c.ID, t.ID, ErrChart)
		}
		tasks[t.ID] = true
		if err := c.checkLimbs(t, t.Limbs, meters); err != nil {
			return err
		}
	}
	return nil
}

func (c *Chart) checkLimbs(t *TaskDef, limbs []Limb, meters map[string]bool) error {
	for j := range limbs {
		if why := limbs[j].fault(meters); why != "" {
			return fmt.Errorf("chart %s: task %q: interval %d: %w: %s", c.ID, t.ID, j+1, ErrChart, why)
		}
	}
	return nil
}

// fault says what is wrong with a limb, or "".
func (l *Limb) fault(meters map[string]bool) string {
	switch l.Kind {
	case LimbHours:
		switch {
		case !meters[l.Meter]:
			return fmt.Sprintf("meter %q is not defined", l.Meter)
		case l.Every <= 0 || l.Every > hours.Most:
			return "hours not above 0"
		case l.Soon < 0 || l.Soon > hours.Most || l.Late < 0 || l.Late > hours.Most:
			return "soon or late below 0"
		}
	case LimbMonths:
		if l.Months < 1 || l.Months > 1200 {
			return "months outside 1 to 1200"
		}
	default:
		return l.faultMore(meters)
	}
	return either(l.faultGrid(), faultConds(l.While))
}
