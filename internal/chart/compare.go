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
	PointChanged    ChangeKind = 7 // where it is, where it is fitted, its part
	WordChanged     ChangeKind = 8 // a trait, condition, event, count, material, walk-round, lead or setting
	BasisChanged    ChangeKind = 9 // where figures come from
)

// Change is one difference between two editions.
type Change struct {
	Kind ChangeKind
	// What changed: the id of a task, a meter, a point or whatever else has one.
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

// Compare lists what differs in b, beside a: meters, basis, other words, points,
// then the tasks of b in their order, then those that are gone.
func Compare(a, b *maintenance.Chart) []Change {
	changes := compareMeters(a, b)
	changes = append(changes, compareRows(BasisChanged, basisRows(a), basisRows(b))...)
	changes = append(changes, compareRows(WordChanged, wordRows(a), wordRows(b))...)
	changes = append(changes, compareRows(PointChanged, pointRows(a), pointRows(b))...)
	for _, now := range b.Tasks {
		was, ok := findTask(a, now.ID)
		if !ok {
			changes = append(changes, Change{Kind: TaskAdded, ID: now.ID, Now: now.Call + ", " + whenWords(now, b)})
			continue
		}
		changes = append(changes, compareTask(was, now, a, b)...)
	}
	for _, was := range a.Tasks {
		if _, ok := findTask(b, was.ID); !ok {
			changes = append(changes, Change{Kind: TaskGone, ID: was.ID, Was: was.Call + ", " + whenWords(was, a)})
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
	say(IntervalChanged, whenWords(was, a), whenWords(now, b))
	say(WorkChanged, workWords(was, a), workWords(now, b))
	say(CautionsChanged, cautionWords(was, a), cautionWords(now, b))
	return changes
}

func workWords(t maintenance.TaskDef, c *maintenance.Chart) string {
	words := []string{t.Do + ", " + t.Call + ", by " + whoWord(t.Who)}
	if t.Round != "" {
		words[0] += ", round " + t.Round
	}
	for _, w := range []string{t.Material, t.Amount} {
		if w != "" {
			words[0] += ", " + w
		}
	}
	words[0] += minutesWords(t.Minutes)
	return strings.Join(append(words, taskLines(t, c)...), "; ")
}

// row is what a chart says of one id, in words.
type row struct{ id, words string }

// compareRows lists what differs between two lists of rows: those of b in their
// order, then those that are gone.
func compareRows(kind ChangeKind, a, b []row) []Change {
	var changes []Change
	find := func(rows []row, id string) string {
		if i := slices.IndexFunc(rows, func(r row) bool { return r.id == id }); i >= 0 {
			return rows[i].words
		}
		return ""
	}
	for _, now := range b {
		if was := find(a, now.id); was != now.words {
			changes = append(changes, Change{Kind: kind, ID: now.id, Was: was, Now: now.words})
		}
	}
	for _, was := range a {
		if !slices.ContainsFunc(b, func(r row) bool { return r.id == was.id }) {
			changes = append(changes, Change{Kind: kind, ID: was.id, Was: was.words})
		}
	}
	return changes
}

func basisRows(c *maintenance.Chart) []row {
	var rows []row
	for _, b := range c.Basis {
		rows = append(rows, row{basisWord(b.Kind), basisWordsOf(b)})
	}
	return rows
}

func wordRows(c *maintenance.Chart) []row {
	var rows []row
	add := func(what, id, words string) { rows = append(rows, row{what + " " + id, words}) }
	for _, a := range c.Attachments {
		add("attachment", a.ID, a.Call)
	}
	for _, q := range slices.Concat(c.Traits, c.Conditions) {
		add("question", q.ID, questionWords(q))
	}
	for _, e := range c.Events {
		add("event", e.ID, e.Call)
	}
	for _, n := range c.Counts {
		add("count", n.ID, countWords(n))
	}
	for _, m := range c.Materials {
		add("material", m.ID, materialWords(m))
	}
	for _, w := range c.Walks {
		add("walk-round", w.ID, walkWords(w, c))
	}
	for _, l := range c.Leads {
		add("lead", l.ID, strings.Join(append([]string{l.Call}, leadLines(l, c)...), "; "))
	}
	for _, s := range c.Settings {
		words := []string{settingWords(s)}
		for _, suit := range s.Suits {
			words = append(words, suitWords(s, suit))
		}
		add("setting", s.ID, strings.Join(words, "; "))
	}
	return rows
}

func pointRows(c *maintenance.Chart) []row {
	var rows []row
	for _, p := range c.Points {
		words := strings.Join(append([]string{tablePlace(p)}, pointLines(p, c)...), "; ")
		rows = append(rows, row{p.ID, strings.TrimPrefix(words, "; ")})
	}
	return rows
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
