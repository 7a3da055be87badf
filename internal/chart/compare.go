package chart

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// ChangeKind is what differs between two editions of a chart.
type ChangeKind uint8

// The kinds of change.
const (
	TaskAdded       ChangeKind = 1
	TaskGone        ChangeKind = 2
	IntervalChanged ChangeKind = 3 // the interval, or when it is soon or overdue
	WorkChanged     ChangeKind = 4 // what is done, by whom, with what, in which round
	CautionsChanged ChangeKind = 5
	MeterChanged    ChangeKind = 6 // added, gone, or known in another way
)

// Change is one difference between two editions.
type Change struct {
	Kind ChangeKind
	// What changed: a task's id, or a meter's.
	ID string
	// Was and Now say it in words, "" where there was or is nothing.
	Was, Now string
}

// String gives the change on one line.
func (c Change) String() string {
	switch c.Kind {
	case TaskAdded:
		return fmt.Sprintf("%s is new: %s", c.ID, c.Now)
	case TaskGone:
		return fmt.Sprintf("%s is gone; it was %s", c.ID, c.Was)
	}
	return fmt.Sprintf("%s: %s, was %s", c.ID, orNothing(c.Now), orNothing(c.Was))
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// Compare lists what differs in b, beside a: meters, then the tasks of b in
// their order, then those that are gone.
func Compare(a, b *maintenance.Chart) []Change {
	changes := compareMeters(a, b)
	for _, now := range b.Tasks {
		was, ok := findTask(a, now.ID)
		if !ok {
			changes = append(changes, Change{Kind: TaskAdded, ID: now.ID, Now: now.Call + ", " + IntervalWords(now.Limbs)})
			continue
		}
		changes = append(changes, compareTask(was, now, a, b)...)
	}
	for _, was := range a.Tasks {
		if _, ok := findTask(b, was.ID); !ok {
			changes = append(changes, Change{Kind: TaskGone, ID: was.ID, Was: was.Call + ", " + IntervalWords(was.Limbs)})
		}
	}
	return changes
}

func findTask(c *maintenance.Chart, id string) (maintenance.TaskDef, bool) {
	i := slices.IndexFunc(c.Tasks, func(t maintenance.TaskDef) bool { return t.ID == id })
	if i < 0 {
		return maintenance.TaskDef{}, false
	}
	return c.Tasks[i], true
}

func compareTask(was, now maintenance.TaskDef, a, b *maintenance.Chart) []Change {
	var changes []Change
	say := func(kind ChangeKind, before, after string) {
		if before != after {
			changes = append(changes, Change{Kind: kind, ID: now.ID, Was: before, Now: after})
		}
	}
	say(IntervalChanged, IntervalWords(was.Limbs), IntervalWords(now.Limbs))
	say(WorkChanged, workWords(was), workWords(now))
	say(CautionsChanged, cautionWords(was, a), cautionWords(now, b))
	return changes
}

func workWords(t maintenance.TaskDef) string {
	words := []string{t.Do, t.Call, "by " + whoWord(t.Who)}
	if t.Round != "" {
		words = append(words, "round "+t.Round)
	}
	for _, w := range []string{t.Material, t.Amount} {
		if w != "" {
			words = append(words, w)
		}
	}
	return strings.Join(words, ", ") + minutesWords(t.Minutes)
}

// cautionWords gives the cautions' texts, so that a caution that says another
// thing under the same name is a change.
func cautionWords(t maintenance.TaskDef, c *maintenance.Chart) string {
	words := make([]string, len(t.Cautions))
	for i, id := range t.Cautions {
		words[i] = cautionText(c.Cautions, id)
	}
	return strings.Join(words, "; ")
}

func compareMeters(a, b *maintenance.Chart) []Change {
	var changes []Change
	for _, now := range b.Meters {
		was := ""
		if m, ok := findMeter(a, now.ID); ok {
			was = meterWords(m, a.Signals)
		}
		if words := meterWords(now, b.Signals); words != was {
			changes = append(changes, Change{Kind: MeterChanged, ID: now.ID, Was: was, Now: words})
		}
	}
	for _, was := range a.Meters {
		if _, ok := findMeter(b, was.ID); !ok {
			changes = append(changes, Change{Kind: MeterChanged, ID: was.ID, Was: meterWords(was, a.Signals)})
		}
	}
	return changes
}

func findMeter(c *maintenance.Chart, id string) (maintenance.MeterDef, bool) {
	i := slices.IndexFunc(c.Meters, func(m maintenance.MeterDef) bool { return m.ID == id })
	if i < 0 {
		return maintenance.MeterDef{}, false
	}
	return c.Meters[i], true
}
