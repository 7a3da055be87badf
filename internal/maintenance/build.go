package maintenance

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Question is a trait that a condition of the chart asks for and that is not
// known of this machine.
type Question struct {
	Name    string
	Ask     string
	Kind    TraitKind
	Choices []string
	Unit    string
	Why     string   // why it is asked again, "" where it was never answered
	Points  []string // that wait for the answer, in the chart's order
	Tasks   []string // likewise, those at the points among them
}

// Questions returns the traits that any condition of the chart asks for and that
// are not known, once each, in the chart's order.
func Questions(s *State) []Question {
	if s.Chart == nil {
		return nil
	}
	var out []Question
	asked := s.Chart.traitsAsked()
	for i := range s.Chart.Traits {
		d := &s.Chart.Traits[i]
		if k, why := s.traitKnown(d.ID); k == nil && asked[d.ID] {
			out = append(out, s.question(d, why))
		}
	}
	return out
}

func (s *State) question(d *TraitDef, why string) Question {
	q := Question{Name: d.ID, Ask: d.asks(), Kind: d.Kind, Choices: d.choices(), Unit: d.Unit, Why: why}
	for i := range s.Chart.Points {
		p := &s.Chart.Points[i]
		if speaksOf(p.FittedIf, d.ID) && s.truthOf(p.FittedIf, nil) == unsure {
			q.Points = append(q.Points, p.ID)
		}
	}
	for i := range s.Chart.Tasks {
		t := &s.Chart.Tasks[i]
		conds := s.Chart.fittedIf(t)
		if !speaksOf(conds, d.ID) || s.truthOf(conds, nil) != unsure {
			continue
		}
		q.Tasks = append(q.Tasks, t.ID)
		if t.Point != "" && !slices.Contains(q.Points, t.Point) {
			q.Points = append(q.Points, t.Point)
		}
	}
	return q
}

// Fit says whether a point is on this machine, and why.
func Fit(s *State, point string) (BuildWord, string) {
	if s.Chart == nil {
		return BuildAsked, "the machine has no chart yet"
	}
	p := s.Chart.point(point)
	if p == nil {
		return BuildNot, fmt.Sprintf("the chart has no point %q", point)
	}
	build, why := s.fit(p.FittedIf)
	if build == BuildNot && p.NotHere != "" {
		why = p.NotHere
	}
	return build, why
}

// fit says what conditions of the build come to, and which of them decides.
func (s *State) fit(conds []Cond) (BuildWord, string) {
	switch s.truthOf(conds, nil) {
	case certain:
		return BuildFitted, ""
	case untrue:
		return BuildNot, s.condsWhy(conds, untrue)
	}
	return BuildAsked, s.condsWhy(conds, unsure)
}

// condsWhy says which conditions are no, or not known.
func (s *State) condsWhy(conds []Cond, want truth) string {
	var out []string
	for i := range conds {
		c := &conds[i]
		if s.truthOf(conds[i:i+1], nil) != want {
			continue
		}
		if k, _ := s.told(c.Of); k != nil {
			out = append(out, fmt.Sprintf("only with %s, and it is %s", c.words(), k.Value))
		} else {
			out = append(out, fmt.Sprintf("only with %s, and that is not known", c.words()))
		}
	}
	return strings.Join(out, "; ")
}

// trait takes in an answer about the build. The latest by time counts; one taken
// back is kept, so that an earlier one that comes late does not stand again.
func (t *step) trait(b *Trait) {
	s := t.s
	if f := s.suitsTrait(b); f != nil {
		t.ignore(f.text())
		return
	}
	s.makeRoom(b.Name)
	told := TraitKnown{Name: b.Name, Value: b.Value, At: t.e.At, By: t.e.Key, Person: b.Person}
	if !tell(&s.Traits, told) {
		t.effect(EffectTold, -1, b.Name+": a later answer stands")
		return
	}
	what := b.Name + ": " + b.Value
	if b.Value == "" {
		what = b.Name + ": taken back"
	}
	t.effect(EffectTold, -1, what)
	t.rebuildTasks()
	t.settleAll()
}

// makeRoom drops an answer that the chart in force does not ask for, where the
// list is full. A chart asks at most TraitsKept.
func (s *State) makeRoom(name string) {
	if len(s.Traits) < TraitsKept || knownOf(s.Traits, name) != nil {
		return
	}
	s.Traits = dropFirst(s.Traits, 1, func(k *TraitKnown) bool {
		return !slices.ContainsFunc(s.Chart.Traits, func(d TraitDef) bool { return d.ID == k.Name })
	})
}

// tell puts what was told in its place by name, unless a later word stands.
func tell(list *[]TraitKnown, k TraitKnown) bool {
	i, there := slices.BinarySearchFunc(*list, k.Name, func(o TraitKnown, name string) int { return strings.Compare(o.Name, name) })
	if !there {
		if len(*list) >= TraitsKept {
			return false
		}
		*list = slices.Insert(*list, i, k)
		return true
	}
	if o := &(*list)[i]; !comesAfter(k.At, k.By, o.At, o.By) {
		return false
	}
	(*list)[i] = k
	return true
}

// comesAfter reports whether one event comes after another, by time and then by key.
func comesAfter(at moment.Span, by Key, than moment.Span, thanBy Key) bool {
	if c := at.Compare(than); c != 0 {
		return c > 0
	}
	return by.Compare(thanBy) > 0
}

// rebuildTasks works out which tasks of the chart are on this machine. Notices
// of one that is not, or not known to be, are closed. It settles nothing: the
// caller does.
func (t *step) rebuildTasks() {
	s := t.s
	for i := range s.Tasks {
		task := &s.Tasks[i]
		build, why := BuildFitted, ""
		if !task.Gone && s.Rules >= WorkRules && s.Chart != nil && i < len(s.Chart.Tasks) {
			build, why = s.fit(s.Chart.fittedIf(&s.Chart.Tasks[i]))
		}
		if build == task.Build {
			continue
		}
		task.Build = build
		if build != BuildFitted {
			t.closeNotices(task.ID, StageOverdue, build.String())
			task.Rung = 0
		}
		t.effect(EffectBuild, i, strings.TrimSuffix(build.String()+": "+why, ": "))
	}
}

// String gives the word in the words that pages use.
func (b BuildWord) String() string {
	switch b {
	case BuildFitted:
		return "on this machine"
	case BuildNot:
		return "not on this machine"
	case BuildAsked:
		return "not known whether it is on this machine"
	}
	return fmt.Sprintf("build %d", uint8(b))
}

// build gives why a task is not on this machine, or what is not known of that.
func (x *Explanation) build(s *State, t *Task) {
	i := s.taskIndex(t.ID)
	if t.Build == BuildFitted || s.Chart == nil || i >= len(s.Chart.Tasks) {
		return
	}
	conds := s.Chart.fittedIf(&s.Chart.Tasks[i])
	_, why := s.fit(conds)
	x.add("build", t.Build.String()+": "+why, moment.Span{}, Key{})
	for j := range conds {
		if k := knownOf(s.Traits, conds[j].Of); k != nil && k.Value != "" {
			x.add("trait", k.Name+" "+k.Value, k.At, k.By)
		}
	}
}

// suitsTrait refuses an answer that does not fit its question.
func (s *State) suitsTrait(b *Trait) *fault {
	if s.Rules < WorkRules {
		return nil
	}
	if s.Chart == nil {
		return &fault{"name", "the machine has no chart yet", "let it take an edition first"}
	}
	i := slices.IndexFunc(s.Chart.Traits, func(d TraitDef) bool { return d.ID == b.Name })
	if i < 0 {
		return &fault{"name", fmt.Sprintf("the chart asks no question %q", b.Name),
			"answer one of " + listed(s.Chart.Traits, func(d *TraitDef) string { return d.ID })}
	}
	if b.Value == "" || s.Chart.Traits[i].takes(b.Value) {
		return nil
	}
	return &fault{"value", fmt.Sprintf("%q does not answer %q", b.Value, b.Name), s.Chart.Traits[i].allowed()}
}

// takes reports whether a value answers the question.
func (d *TraitDef) takes(value string) bool {
	switch d.Kind {
	case TraitNumber:
		_, ok := parseMilli(value)
		return ok
	case TraitChoice, TraitYesNo:
		return slices.Contains(d.choices(), value)
	}
	return false
}

func (d *TraitDef) choices() []string {
	if d.Kind == TraitYesNo {
		return []string{Yes, No}
	}
	return d.Choices
}

// allowed says what answers the question.
func (d *TraitDef) allowed() string {
	if d.Kind == TraitNumber {
		return "give a number, such as 12 or 12.5, with at most three digits after the point"
	}
	return "give one of " + strings.Join(d.choices(), ", ")
}

func (d *TraitDef) asks() string {
	if d.Ask != "" {
		return d.Ask
	}
	return d.ID
}

// traitKnown is the answer that stands about the build, nil where none does: it
// was taken back, no longer fits the question, or its part was renewed since;
// why says so. A renewed part's variant answers its question.
func (s *State) traitKnown(name string) (k *TraitKnown, why string) {
	k = knownOf(s.Traits, name)
	if d := s.Chart.trait(name); d != nil {
		at := moment.Span{}
		if k != nil {
			at = k.At
		}
		switch value, p, renewed := s.renewedTrait(d, at); {
		case renewed && value != "":
			return &TraitKnown{Name: name, Value: value, At: p.At, By: p.Record}, ""
		case renewed:
			return nil, fmt.Sprintf("%s was renewed since it was answered", d.Renewed)
		case k != nil && k.Value != "" && !d.takes(k.Value):
			return nil, fmt.Sprintf("the answer %q no longer fits the question", k.Value)
		}
	}
	if k == nil || k.Value == "" {
		return nil, ""
	}
	return k, ""
}

// Trait is the answer that stands about the build, nil where none does; why says
// what became of one that was given. It is not to be changed.
func (s *State) Trait(name string) (k *TraitKnown, why string) { return s.traitKnown(name) }

// told is what is known of a name, nil where nothing is: of the build first, then
// of crop and weather. A nil state knows nothing.
func (s *State) told(name string) (k *TraitKnown, why string) {
	if s == nil {
		return nil, ""
	}
	if k, why = s.traitKnown(name); k != nil {
		return k, ""
	}
	// What is told in passing answers no question about the build.
	if c := knownOf(s.Conditions, name); c != nil && c.Value != "" && s.Chart.trait(name) == nil {
		return c, ""
	}
	return nil, why
}

// knownOf returns what is known under a name, nil where nothing is. The list is
// sorted by name.
func knownOf(list []TraitKnown, name string) *TraitKnown {
	i := sort.Search(len(list), func(i int) bool { return list[i].Name >= name })
	if i < len(list) && list[i].Name == name {
		return &list[i]
	}
	return nil
}

// trait returns a question of the chart, nil where there is none of that name.
func (c *Chart) trait(name string) *TraitDef {
	if c == nil {
		return nil
	}
	for i := range c.Traits {
		if c.Traits[i].ID == name {
			return &c.Traits[i]
		}
	}
	return nil
}

// truthOf holds conditions, all of which must hold, to stated facts first and
// then to what the state knows. Any no is no; otherwise any not known is not
// known. A nil state knows nothing.
func (s *State) truthOf(conds []Cond, facts []Fact) truth {
	all := certain
	for i := range conds {
		value, known := factOf(facts, conds[i].Of)
		if k, _ := s.told(conds[i].Of); !known && k != nil {
			value, known = k.Value, true
		}
		all = all.and(evalCond(&conds[i], value, known))
	}
	return all
}

// factOf is the fact stated last of a name.
func factOf(facts []Fact, name string) (string, bool) {
	for i := len(facts) - 1; i >= 0; i-- {
		if facts[i].Name == name && facts[i].Value != "" {
			return facts[i].Value, true
		}
	}
	return "", false
}

// words gives a condition as people read it.
func (c *Cond) words() string {
	switch c.Op {
	case CondIs:
		return c.Of + " " + strings.Join(c.Words, " or ")
	case CondIsNot:
		return c.Of + " not " + strings.Join(c.Words, " nor ")
	case CondBelow:
		return c.Of + " below " + milliText(c.Milli)
	case CondAbove:
		return c.Of + " above " + milliText(c.Milli)
	case CondFrom:
		return c.Of + " from " + milliText(c.Milli)
	case CondUpTo:
		return c.Of + " up to " + milliText(c.Milli)
	}
	return c.Of
}

// milliText gives thousandths as a decimal number.
func milliText(milli int64) string { return decimal(milli, 3) }

// listed gives the names of a list for people, the first twenty of them.
func listed[T any](list []T, name func(*T) string) string {
	names := make([]string, 0, len(list))
	for i := range list {
		names = append(names, name(&list[i]))
	}
	return namesListed(names, 20)
}

func namesListed(names []string, most int) string {
	if len(names) == 0 {
		return "none: the chart has none"
	}
	if more := len(names) - most; more > 0 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), more)
	}
	return strings.Join(names, ", ")
}

// point returns a point of the chart, nil where there is none of that name.
func (c *Chart) point(id string) *PointDef {
	for i := range c.Points {
		if c.Points[i].ID == id {
			return &c.Points[i]
		}
	}
	return nil
}

// fittedIf are the conditions on which a task is on a machine: its point's and
// its own.
func (c *Chart) fittedIf(t *TaskDef) []Cond {
	p := c.point(t.Point)
	if p == nil || len(p.FittedIf) == 0 {
		return t.FittedIf
	}
	return slices.Concat(p.FittedIf, t.FittedIf)
}

func speaksOf(conds []Cond, name string) bool {
	return slices.ContainsFunc(conds, func(c Cond) bool { return c.Of == name })
}

// traitsAsked are the names that any condition of the chart speaks of.
func (c *Chart) traitsAsked() map[string]bool {
	asked := make(map[string]bool)
	add := func(conds []Cond) {
		for i := range conds {
			asked[conds[i].Of] = true
		}
	}
	for i := range c.Points {
		add(c.Points[i].FittedIf)
	}
	for i := range c.Tasks {
		c.Tasks[i].asks(add)
	}
	for i := range c.Leads {
		for j := range c.Leads[i].Look {
			for k := range c.Leads[i].Look[j].If {
				asked[c.Leads[i].Look[j].If[k].Cond.Of] = true
			}
		}
	}
	for i := range c.Settings {
		for j := range c.Settings[i].Suits {
			add(c.Settings[i].Suits[j].If)
		}
	}
	return asked
}

// asks goes through the conditions of a task.
func (d *TaskDef) asks(add func([]Cond)) {
	add(d.FittedIf)
	for i := range d.Limbs {
		add(d.Limbs[i].While)
	}
	for i := range d.Triggers {
		add(d.Triggers[i].If)
	}
	for i := range d.RunIns {
		add(d.RunIns[i].If)
	}
	for i := range d.Instead {
		for j := range d.Instead[i].Limbs {
			add(d.Instead[i].Limbs[j].While)
		}
		for _, name := range d.Instead[i].NotIf {
			add([]Cond{{Of: name}})
		}
	}
}
