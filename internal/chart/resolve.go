package chart

import (
	"fmt"
	"slices"
	"strings"
)

// Besides the sections of names, a reference may be to what is defined
// elsewhere in a chart.
const (
	inPoints   = "points"
	inParts    = "parts"    // points with a part of their own
	inTasks    = "tasks"    // point/task, or task alone at its own point
	inRemarks  = "remarks"  // what a task's else opens
	inFindings = "findings" // leads, and the findings and drives that they start from
)

// home gives the section in which names of a kind are defined.
func home(section string) string {
	switch section {
	case inParts, inTasks, inRemarks:
		return inPoints
	case inFindings:
		return "leads"
	}
	return section
}

// resolve holds every name used against the names defined.
func (r *reader) resolve(root *value) {
	d := &definitions{root: root, names: make(map[string][]string), known: make(map[string]map[string]bool)}
	r.defs = d
	for _, ref := range r.refs {
		r.reference(d, ref)
	}
}

func (r *reader) reference(d *definitions, ref reference) {
	var names []string
	for _, section := range ref.shape.sections() {
		if !d.whole(section) {
			return // the section itself is not understood, and said so
		}
		names = append(names, d.of(section)...)
	}
	if ref.shape.soft && len(names) == 0 || slices.Contains(ref.shape.words, ref.value.text) {
		return
	}
	if slices.Contains(ref.shape.sections(), inTasks) {
		ref.value.text = d.full(ref.value)
	}
	for _, section := range ref.shape.sections() {
		if d.known[section][ref.value.text] {
			return
		}
	}
	names = append(names, ref.shape.words...)
	sections := list(ref.shape.sections(), "or")
	fix := didYouMean(ref.value.text, names)
	if fix == "" {
		fix = addIt(ref.shape.sections())
	}
	r.bad(ref.value, fmt.Sprintf("%s is not defined in %s", shown(ref.value.text), sections), r.choice(ref.shape, names), fix)
}

func addIt(sections []string) string {
	switch sections[0] {
	case inTasks:
		return "name it as point/task, or as task alone at its own point"
	case inFindings:
		return "add it to leads"
	case inParts:
		return "give that point a part"
	case inRemarks:
		return `let a task open it, with "else"`
	}
	return "add it to " + list(sections, "or")
}

// choice lists what could have been named, where that is short.
func (r *reader) choice(s *shape, defined []string) string {
	const most = 8
	if n := len(defined); n == 0 || n > most {
		return s.what + " of this chart"
	}
	return list(defined, "or")
}

// definitions are the names that a chart defines, by section.
type definitions struct {
	root  *value
	names map[string][]string
	known map[string]map[string]bool
	sets  map[string][]string // tasks of several items: the ids of their items
}

// whole reports whether all of a section is understood.
func (d *definitions) whole(section string) bool {
	at := home(section)
	if d.root.keys[at] != nil && !d.root.has(at) {
		return false
	}
	if at != inPoints {
		return true
	}
	for _, p := range d.root.list(inPoints) {
		if p == nil || !p.has("id") || p.keyed("tasks") && !p.has("tasks") {
			return false
		}
	}
	return true
}

// of gives the names of a section.
func (d *definitions) of(section string) []string {
	if names, ok := d.names[section]; ok {
		return names
	}
	names := d.gather(section)
	d.names[section] = names
	d.known[section] = make(map[string]bool, len(names))
	for _, name := range names {
		d.known[section][name] = true
	}
	return names
}

func (d *definitions) gather(section string) []string {
	var names []string
	switch section {
	case inPoints, inParts:
		for _, p := range d.root.list(inPoints) {
			if section == inPoints || p.keyed("part") {
				names = append(names, p.str("id"))
			}
		}
	case inTasks:
		return d.tasks()
	case inRemarks:
		d.eachTask(func(_ string, t *value) {
			if name := t.get("else").str("remark"); name != "" {
				names = append(names, name)
			}
		})
	case inFindings:
		for _, e := range d.root.entries("leads") {
			names = append(names, e.key.text)
			names = append(names, e.value.texts("findings")...)
		}
		for _, e := range d.root.entries("drives") {
			names = append(names, e.key.text)
		}
	default:
		for _, e := range d.root.entries(section) {
			names = append(names, e.key.text)
		}
	}
	return names
}

func (d *definitions) eachTask(do func(point string, task *value)) {
	for _, p := range d.root.list(inPoints) {
		for _, t := range p.list("tasks") {
			if t != nil {
				do(p.str("id"), t)
			}
		}
	}
}

// tasks gives all tasks, and the items of those that have several.
func (d *definitions) tasks() []string {
	var names []string
	d.sets = make(map[string][]string)
	d.eachTask(func(point string, t *value) {
		id := point + "/" + t.str("id")
		names = append(names, id)
		for _, item := range t.list("each") {
			if item != nil {
				d.sets[id] = append(d.sets[id], id+itemMark+item.text)
			}
		}
		names = append(names, d.sets[id]...)
	})
	return names
}

// full gives a task's name with its point: a task alone is at the point where
// it is named.
func (d *definitions) full(v *value) string {
	if strings.Contains(v.text, "/") {
		return v.text
	}
	if i, ok := v.place.pointIndex(); ok {
		if points := d.root.list(inPoints); i < len(points) {
			return points[i].str("id") + "/" + v.text
		}
	}
	return v.text
}
