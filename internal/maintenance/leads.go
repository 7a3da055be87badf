package maintenance

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The names of facts by which a person states what leads ask for. A code's id
// with yes or no says whether it came.
const (
	FactShift = "shift" // how a drive's ratio shifted: ShiftSame, ShiftLoad or ShiftStep
	FactSince = "since" // the id of an event after which it began; may be stated of several
)

// Symptoms is what is seen, as far as a person or another source states it.
type Symptoms struct {
	Codes    []CodeStated
	Findings []string // ids of findings, or of the drives that they are on
	Remarks  []string // ids of the chart's remarks
	Facts    []Fact   // crop, weather, shift, since, the build, whatever a person says
	Leads    []string // asked for by name, whatever is seen
}

// CodeStated is a code of the chart that someone says came on; At is zero where
// it is not known when.
type CodeStated struct {
	Code string
	At   moment.Span
}

// PlaceWord says whether it is worth looking at a place.
type PlaceWord uint8

// The words on a place.
const (
	PlaceHolds PlaceWord = 1 // what it depends on holds
	PlaceAsk   PlaceWord = 2 // something of it is not known: ask
	PlaceNot   PlaceWord = 3 // it does not hold
)

// String gives the word in the words that pages use.
func (w PlaceWord) String() string {
	switch w {
	case PlaceHolds:
		return "look here"
	case PlaceAsk:
		return "not known: ask"
	case PlaceNot:
		return "does not hold"
	}
	return fmt.Sprintf("place %d", uint8(w))
}

// LeadOn is a lead that fits what is seen.
type LeadOn struct {
	Lead, Call string
	Because    []string // which symptoms it begins with
	Places     []PlaceOn
	NoHelp     []string
	Causes     []CauseCount // what it came to before on this machine
}

// PlaceOn is a place to look at.
type PlaceOn struct {
	Point, Call string
	Word        PlaceWord
	Why         string   // the chart's reason
	Because     []string // what holds or does not
	Ask         []string // what is not known
}

// CauseCount counts what a lead came to at one place.
type CauseCount struct {
	Point string
	Text  string // where no place was named
	Count int
	Last  moment.Span
}

// Look returns the leads of a chart that fit what is seen on a machine and what
// is stated, in the chart's order. Places that do not hold come last; otherwise
// theirs is the chart's order, whatever was found before. A nil state is a
// machine of which nothing is known.
func Look(c *Chart, s *State, seen Symptoms) []LeadOn {
	if c == nil {
		return nil
	}
	l := looking{c: c, s: s, seen: seen}
	var out []LeadOn
	for i := range c.Leads {
		if on, fits := l.lead(&c.Leads[i]); fits {
			out = append(out, on)
		}
	}
	return out
}

// looking is what Look works on.
type looking struct {
	c    *Chart
	s    *State // may be nil
	seen Symptoms
}

func (l *looking) lead(d *LeadDef) (LeadOn, bool) {
	out := LeadOn{Lead: d.ID, Call: d.Call, NoHelp: copyOf(d.NoHelp)}
	starts := l.begins(d, &out)
	if len(out.Because) == 0 {
		return LeadOn{}, false
	}
	var last []PlaceOn
	for i := range d.Look {
		p := l.place(&d.Look[i], starts)
		if p.Word == PlaceNot {
			last = append(last, p)
		} else {
			out.Places = append(out.Places, p)
		}
	}
	out.Places = append(out.Places, last...)
	if l.s != nil {
		out.Causes = CausesOf(l.s, d.ID)
	}
	return out, true
}

// begins gives the symptoms that a lead begins with, in words, and when each came
// about (zero: not known).
func (l *looking) begins(d *LeadDef, out *LeadOn) []moment.Span {
	var starts []moment.Span
	add := func(what string, at moment.Span) {
		if at != (moment.Span{}) {
			what += " since " + at.String()
		}
		out.Because, starts = append(out.Because, what), append(starts, at)
	}
	if slices.Contains(l.seen.Leads, d.ID) {
		add("asked for", moment.Span{})
	}
	for _, code := range d.Codes {
		if on, at := l.codeOn(code); on {
			add("code "+code, at)
		}
	}
	for _, id := range d.Findings {
		if slices.Contains(l.seen.Findings, id) {
			add("finding "+id, moment.Span{})
		}
	}
	for i := range d.Drive {
		if id := d.Drive[i].Drive; slices.Contains(l.seen.Findings, id) && !slices.Contains(d.Findings, id) {
			add("finding on drive "+id, moment.Span{})
		}
	}
	for _, name := range d.Remarks {
		if at, open := l.remarkOpen(name); open {
			add("remark "+name, at)
		}
	}
	return starts
}

// codeOn reports whether a code of the chart is on, on the bus or as stated, and
// since when.
func (l *looking) codeOn(id string) (bool, moment.Span) {
	if value, stated := factOf(l.seen.Facts, id); stated && value == No {
		return false, moment.Span{}
	}
	for _, c := range l.seen.Codes {
		if c.Code == id {
			return true, c.At
		}
	}
	if d := l.c.code(id); d != nil && l.s != nil {
		for i := range l.s.Warnings {
			if w := &l.s.Warnings[i]; d.Is(&w.Code) {
				return true, w.Started
			}
		}
	}
	return false, moment.Span{}
}

// remarkOpen reports whether a remark of that name is open, and since when; the
// oldest where there are several.
func (l *looking) remarkOpen(name string) (moment.Span, bool) {
	if l.s != nil {
		for i := range l.s.Remarks {
			if r := &l.s.Remarks[i]; r.Name == name && r.Closed.IsZero() {
				return r.At, true
			}
		}
	}
	return moment.Span{}, slices.Contains(l.seen.Remarks, name)
}

func (l *looking) place(d *LookDef, starts []moment.Span) PlaceOn {
	out := PlaceOn{Point: d.Point, Why: d.Why, Word: PlaceHolds}
	if p := l.c.point(d.Point); p != nil {
		out.Call = p.Call
		l.fitted(p, &out)
	}
	for i := range d.If {
		is, words := l.holds(&d.If[i], starts)
		switch {
		case is == unsure:
			out.Ask = append(out.Ask, words)
			out.Word = max(out.Word, PlaceAsk)
		case is == untrue:
			out.Because = append(out.Because, "not so: "+words)
			out.Word = PlaceNot
		default:
			out.Because = append(out.Because, words)
		}
	}
	return out
}

// fitted marks a place that is not on the machine.
func (l *looking) fitted(p *PointDef, out *PlaceOn) {
	switch l.s.truthOf(p.FittedIf, l.seen.Facts) {
	case untrue:
		out.Word = PlaceNot
		out.Because = append(out.Because, "not on this machine")
	case unsure:
		out.Word = PlaceAsk
		out.Ask = append(out.Ask, "whether it is on this machine: "+condsText(p.FittedIf))
	}
}

func condsText(conds []Cond) string {
	words := make([]string, 0, len(conds))
	for i := range conds {
		words = append(words, conds[i].words())
	}
	return strings.Join(words, ", ")
}

// holds says whether a condition on a place holds, and gives it in words.
func (l *looking) holds(c *LeadCond, starts []moment.Span) (truth, string) {
	switch c.Kind {
	case LeadFact:
		return l.s.truthOf([]Cond{c.Cond}, l.seen.Facts), c.Cond.words()
	case LeadWith:
		return l.came(c, starts), fmt.Sprintf("code %s came%s", c.Name, within(c.Seconds))
	case LeadWithout:
		return l.came(c, starts).not(), fmt.Sprintf("code %s did not come%s", c.Name, within(c.Seconds))
	case LeadSince:
		return l.since(c.Name, starts), "it began after " + c.Name
	case LeadShift:
		value, stated := factOf(l.seen.Facts, FactShift)
		return evalCond(&Cond{Op: CondIs, Words: []string{c.Shift}}, value, stated), "the drive shifted: " + c.Shift
	}
	return unsure, "a condition that these rules do not know"
}

func within(seconds uint32) string {
	if seconds == 0 {
		return ""
	}
	return fmt.Sprintf(" within %d s", seconds)
}

func (t truth) not() truth {
	switch t {
	case untrue:
		return certain
	case certain:
		return untrue
	}
	return unsure
}

// came reports whether another code came within some seconds of what the lead
// begins with, before or after it. With no limit it is enough that it is on.
func (l *looking) came(c *LeadCond, starts []moment.Span) truth {
	if value, stated := factOf(l.seen.Facts, c.Name); stated {
		return evalCond(&Cond{Op: CondIs, Words: []string{Yes}}, value, true)
	}
	if on, _ := l.codeOn(c.Name); on && c.Seconds == 0 {
		return certain
	}
	at, known := l.codeTimes(c.Name)
	switch {
	case !known && (len(at) == 0 || c.Seconds == 0):
		return unsure
	case len(at) == 0 || c.Seconds == 0:
		return untrue
	}
	all := untrue
	for _, o := range at {
		for _, start := range starts {
			switch near(o, start, hours.Millis(c.Seconds)*hours.Second) {
			case certain:
				return certain
			case unsure:
				all = unsure
			}
		}
	}
	return all
}

// near reports whether two times lie no further apart than some time.
func near(a, b moment.Span, most hours.Millis) truth {
	switch {
	case a == (moment.Span{}) || b == (moment.Span{}):
		return unsure
	case a.MinElapsed(b) > most || b.MinElapsed(a) > most:
		return untrue
	case a.MaxElapsed(b) <= most && b.MaxElapsed(a) <= most:
		return certain
	}
	return unsure
}

// codeTimes are the times at which a code is known to have come on, and whether
// the machine was listened to at all, so that none means that it did not come.
func (l *looking) codeTimes(id string) (at []moment.Span, known bool) {
	for _, c := range l.seen.Codes {
		if c.Code == id {
			at = append(at, c.At)
		}
	}
	if l.s == nil {
		return at, false
	}
	if d := l.c.code(id); d != nil {
		for i := range l.s.Warnings {
			if w := &l.s.Warnings[i]; d.Is(&w.Code) {
				at = append(at, w.Started)
			}
		}
	}
	for i := range l.s.Happened {
		if h := &l.s.Happened[i]; h.Kind == HappenedCode && h.Name == id {
			at = append(at, h.At)
		}
	}
	return append(at, l.countTimes(id)...), l.s.CountsOver == 0 && (l.s.Heard.Until != 0 || len(l.s.Warnings)+len(l.s.Counts) > 0)
}

// countTimes are the times of a code's starts as they were counted, whether it is
// on or not: the last one, and that those before are not later.
func (l *looking) countTimes(id string) (at []moment.Span) {
	d := l.c.code(id)
	for i := range l.s.Counts {
		n := &l.s.Counts[i]
		if d == nil || !d.Is(&n.Code) || n.Last == 0 {
			continue
		}
		at = append(at, moment.At(n.Last))
		if n.Starts > 1 {
			at = append(at, moment.Span{NotAfter: n.Last})
		}
	}
	return at
}

// since reports whether what is seen began after an event. One that nobody told
// may have happened all the same.
func (l *looking) since(event string, starts []moment.Span) truth {
	for _, f := range l.seen.Facts {
		if f.Name == FactSince && f.Value == event {
			return certain
		}
	}
	if l.s == nil {
		return unsure
	}
	all := unsure
	for i := range l.s.Happened {
		h := &l.s.Happened[i]
		if h.Kind != HappenedEvent || h.Name != event || h.At == (moment.Span{}) {
			continue
		}
		for _, start := range starts {
			switch {
			case start == (moment.Span{}):
			case h.At.Before(start):
				return certain
			case start.Before(h.At):
				all = untrue
			}
		}
	}
	return all
}

// code returns a code of the chart, nil where there is none of that id.
func (c *Chart) code(id string) *CodeDef {
	for i := range c.Codes {
		if c.Codes[i].ID == id {
			return &c.Codes[i]
		}
	}
	return nil
}

// CausesOf returns what a lead came to on this machine, counted by place: in the
// chart's order of looking, then the others by how often and by name.
func CausesOf(s *State, lead string) []CauseCount {
	var out []CauseCount
	for i := range s.Causes {
		n := &s.Causes[i]
		if n.Lead != lead {
			continue
		}
		text := n.Text
		if n.Point != "" {
			text = ""
		}
		j := slices.IndexFunc(out, func(o CauseCount) bool { return o.Point == n.Point && o.Text == text })
		if j < 0 {
			out, j = append(out, CauseCount{Point: n.Point, Text: text}), len(out)
		}
		out[j].Count++
		out[j].Last = n.At
	}
	rank := s.lookRanks(lead)
	slices.SortStableFunc(out, func(a, b CauseCount) int {
		return cmp.Or(cmp.Compare(rank.of(a.Point), rank.of(b.Point)), cmp.Compare(b.Count, a.Count), cmp.Compare(a.Point, b.Point), cmp.Compare(a.Text, b.Text))
	})
	return out
}

// lookRanks are the places of a lead in the chart's order.
func (s *State) lookRanks(lead string) walkRanks {
	rank := make(walkRanks)
	if s.Chart == nil {
		return rank
	}
	for i := range s.Chart.Leads {
		if s.Chart.Leads[i].ID != lead {
			continue
		}
		for _, l := range s.Chart.Leads[i].Look {
			if _, there := rank[l.Point]; !there {
				rank[l.Point] = len(rank)
			}
		}
	}
	return rank
}

// causeFound keeps what a lead came to, by time.
func (t *step) causeFound(b *CauseFound) {
	s := t.s
	if f := s.suitsCause(b); f != nil {
		t.ignore(f.text())
		return
	}
	n := CauseSeen{CauseFound: *b, Key: t.e.Key, At: t.e.At}
	pos := len(s.Causes)
	for pos > 0 && comesAfter(s.Causes[pos-1].At, s.Causes[pos-1].Key, n.At, n.Key) {
		pos--
	}
	s.Causes = slices.Insert(s.Causes, pos, n)
	if over := len(s.Causes) - CausesKept; over > 0 {
		s.Causes = slices.Delete(s.Causes, 0, over)
	}
}

// suitsCause refuses a cause at a place, of a lead or a code that the chart does
// not have.
func (s *State) suitsCause(b *CauseFound) *fault {
	if !b.Remark.IsZero() && s.remarkIndex(b.Remark) < 0 {
		return &fault{"remark", fmt.Sprintf("remark %v is unknown on this machine", b.Remark), "name one of its remarks, or none"}
	}
	if s.Chart == nil {
		return nil
	}
	c := s.Chart
	switch {
	case b.Lead != "" && !slices.ContainsFunc(c.Leads, func(d LeadDef) bool { return d.ID == b.Lead }):
		return &fault{"lead", fmt.Sprintf("the chart has no lead %q", b.Lead), "leave it out or use one of " + listed(c.Leads, func(d *LeadDef) string { return d.ID })}
	case b.Code != "" && c.code(b.Code) == nil:
		return &fault{"code", fmt.Sprintf("the chart has no code %q", b.Code), "leave it out or use one of " + listed(c.Codes, func(d *CodeDef) string { return d.ID })}
	case b.Point != "" && c.point(b.Point) == nil:
		return &fault{"point", fmt.Sprintf("the chart has no point %q", b.Point), "name a point of the chart, or say in words where it was"}
	}
	return nil
}
