package chart

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/j1939"
)

// kind is what sort of thing may stand at one place of a chart.
type kind uint8

const (
	kindText     kind = iota + 1 // words for people
	kindID                       // a name that is defined here
	kindRef                      // a name that is defined in the section target
	kindWord                     // one of a closed list
	kindYesNo                    // yes or no
	kindWhole                    // a whole number, decimal or 0x
	kindSource                   // a J1939 source address, or the word any
	kindDecimal                  // a decimal number, held as a count of small units
	kindRational                 // a decimal number or a fraction, held exactly
	kindValue                    // a decimal number, or what a sensor says in its place
	kindFrame                    // id#data, as a bus recording writes it
	kindObject                   // fields by name
	kindList                     // several of one shape
	kindNamed                    // several of one shape, each under a key of its own
	kindEither                   // a word, a list or fields, each of its own shape
	kindFlag                     // said or not: nothing, or yes
	kindDate                     // a day, as 2031-03-02
	kindRange                    // [lowest, highest] of decimals
	kindAmount                   // a number with its unit, as 1.8 l
)

// shape says what may stand at one place of a chart.
type shape struct {
	kind   kind
	min    int64    // whole numbers
	max    int64    // whole numbers; characters of a text; entries of a list
	above  bool     // decimals: above 0, not merely 0 or more
	signed bool     // decimals: below 0 allowed
	per    int64    // decimals: how many of the units they are held in make 1
	finest string   // decimals: that unit in words
	top    int64    // decimals: the most, in 1
	least  int      // lists: the fewest entries
	unit   string   // decimals: what is counted
	open   bool     // ranges: either side may be left open with ~
	single bool     // ranges: one number may stand for both
	target string   // references: the sections of the chart, with commas between
	soft   bool     // references: any words where the chart has none of the sections
	what   string   // references: what is referred to, with its article
	words  []string // closed lists; references: names that every chart knows
	plain  *shape   // either: what a single word may be; a text of up to max characters where nil
	later  []string // closed lists: words of later versions
	key    *shape   // named, either: what the keys are
	each   *shape   // lists, named, either: what the entries are
	object *object  // objects, either
}

// sections gives the sections that a reference may name something of.
func (s *shape) sections() []string { return strings.Split(s.target, ",") }

// field is one row of the table of fields.
type field struct {
	name     string
	shape    shape
	required bool
	unless   string // required but where the work ("do") is this
	needs    string // other fields, with commas between, of which one must stand beside it
	doc      string // what it says, in a sentence
}

// object is a group of fields.
type object struct {
	title  string // what it is, with its article
	doc    string
	fields []field
	oneOf  []string // exactly one of these fields stands
	anyOf  []string // at least one of these fields stands
	joined []string // of oneOf: two that may stand together
	later  []string // words that later versions understand here
}

// need gives the fields of which one must stand beside f.
func (f *field) need() []string {
	if f.needs == "" {
		return nil
	}
	return strings.Split(f.needs, ",")
}

// find gives the row of a name.
func (o *object) find(name string) (*field, bool) {
	for i := range o.fields {
		if o.fields[i].name == name {
			return &o.fields[i], true
		}
	}
	return nil, false
}

// names gives the names of all fields, in the table's order.
func (o *object) names() []string {
	names := make([]string, len(o.fields))
	for i := range o.fields {
		names[i] = o.fields[i].name
	}
	return names
}

// want says in words what may stand there.
func (s *shape) want() string {
	switch s.kind {
	case kindText:
		return fmt.Sprintf("a text of up to %d characters", s.max)
	case kindID:
		return "an id of lower-case letters, digits, dashes and underscores that starts with a letter"
	case kindRef:
		return s.what
	case kindWord:
		return list(s.words, "or")
	case kindYesNo:
		return "yes or no"
	case kindWhole:
		return fmt.Sprintf("a whole number from %d to %d", s.min, s.max)
	case kindSource:
		return "a source address from 0 to 253, or any"
	case kindDecimal:
		return s.wantDecimal()
	case kindRational:
		return "a number, as 0.125, or a fraction, as 1/3"
	case kindValue:
		return "a number, or " + list(stateWords(), "or")
	case kindFrame:
		return "a frame, as 18FEE500#72600000FFFFFFFF"
	case kindObject:
		return s.object.shown()
	case kindFlag:
		return "nothing after it, or yes"
	case kindDate:
		return "a date, as 2031-03-02"
	case kindRange:
		return s.wantRange()
	case kindAmount:
		return "a number with its unit, as 1.8 l; the units are " + list(unitWords(), "and")
	case kindList:
		return "a list, as [...]"
	case kindNamed:
		return "names, each with its meaning"
	}
	return s.wantEither()
}

// shown gives an object's title with its first field.
func (o *object) shown() string { return o.title + ", as {" + o.fields[0].name + ": ...}" }

func (s *shape) wantEither() string {
	want := "a text"
	if s.plain != nil {
		want = s.plain.want()
	}
	if s.each != nil && s.key == nil {
		want += ", a list"
	}
	switch {
	case s.plain != nil && s.plain.kind == kindObject:
		want = s.object.shown() + ", or a list of them"
	case s.object != nil:
		want += ", or " + s.object.shown()
	}
	return want
}

func (s *shape) wantRange() string {
	want := "[lowest, highest]"
	if s.single {
		want = "a number, or [lowest, highest]"
	}
	if s.open {
		want += ", with ~ for a side that is open"
	}
	return want
}

func (s *shape) wantDecimal() string {
	name := "a number"
	if s.unit != "" {
		name += " of " + s.unit
	}
	switch {
	case s.signed:
		return fmt.Sprintf("%s from -%d to %d", name, s.top, s.top)
	case s.above:
		return fmt.Sprintf("%s above 0, at most %d", name, s.top)
	}
	return fmt.Sprintf("%s from 0 to %d", name, s.top)
}

// walk calls do for every object that the table names, outer ones first, each
// once.
func (o *object) walk(do func(*object)) {
	var seen []*object
	var visit func(s *shape)
	visit = func(s *shape) {
		if s == nil {
			return
		}
		visit(s.key)
		visit(s.each)
		visit(s.plain)
		if s.object == nil || slices.Contains(seen, s.object) {
			return
		}
		seen = append(seen, s.object)
		do(s.object)
		for i := range s.object.fields {
			visit(&s.object.fields[i].shape)
		}
	}
	visit(&shape{kind: kindObject, object: o})
}

// homes gives the titles of the objects in which name is a field.
func (o *object) homes(name string) []string {
	var homes []string
	o.walk(func(in *object) {
		if _, ok := in.find(name); ok && !slices.Contains(homes, in.title) {
			homes = append(homes, in.title)
		}
	})
	return homes
}

// stateWords are what a signal may be in place of a number.
func stateWords() []string {
	return []string{j1939.StateError.String(), j1939.StateNotAvailable.String()}
}
