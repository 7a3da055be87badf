package chart

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"go.yaml.in/yaml/v4"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// CompileOver reads a chart that may hold only what differs from another: a
// sister chart (sister_of) or an exception for one machine (exception_for). Base
// gives the source of the edition that it stands on. A file that stands on
// nothing is compiled as it is.
//
// Fields are put over those of the base, one by one and to any depth: points and
// tasks by their id, everything else by its name. A list is replaced as a whole,
// and so is a choice that is made in another way, such as months where the base
// has hours. "gone: yes" takes away what the base has. The base's order stays;
// what is new comes after it.
//
// Its errors are those of Compile. A mistake in the differences is shown in
// their file, one in the base under the base's name.
func CompileOver(name string, src []byte, base func(chart string, edition uint32) ([]byte, error)) (*maintenance.Chart, error) {
	doc, err := ReadOver(name, src, base)
	if err != nil {
		return nil, err
	}
	return doc.Chart, nil
}

// ReadOver is CompileOver with what the compiled chart does not hold.
func ReadOver(name string, src []byte, base func(chart string, edition uint32) ([]byte, error)) (*Document, error) {
	rep := &report{file: name}
	root := parse(rep, src)
	if root == nil || !holdsDifferences(root) {
		return readRoot(rep, root, "")
	}
	o := &over{rep: rep, base: base}
	merged, machine := o.whole(root, maxBases)
	return readRoot(rep, merged, machine)
}

// Missing is why a base can't be had, where whoever looks for it knows what to do.
type Missing struct{ Why, Do string }

// Error gives the reason; what to do is told beside it.
func (m *Missing) Error() string { return m.Why }

// maxBases is how many charts may stand on each other.
const maxBases = 4

// over puts differences over what they differ from.
type over struct {
	rep  *report
	base func(chart string, edition uint32) ([]byte, error)
}

// holdsDifferences reports whether a file holds only what differs from another.
func holdsDifferences(root *yaml.Node) bool {
	return keyOf(root, "sister_of") >= 0 || keyOf(root, "exception_for") >= 0
}

// keyOf gives where in a mapping a key stands, below 0 for nowhere.
func keyOf(n *yaml.Node, key string) int {
	if n.Kind != yaml.MappingNode {
		return -1
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Kind == yaml.ScalarNode && n.Content[i].Value == key {
			return i
		}
	}
	return -1
}

// member gives what stands under a key, nil for nothing.
func member(n *yaml.Node, key string) *yaml.Node {
	if i := keyOf(n, key); i >= 0 {
		return followed(n.Content[i+1])
	}
	return nil
}

func followed(n *yaml.Node) *yaml.Node {
	if n != nil && n.Kind == yaml.AliasNode {
		return n.Alias
	}
	return n
}

// head is what a file of differences says of itself.
type head struct {
	sister  *value // the edition that it is a sister of
	machine string
	of      *value // the edition that the exception is of
}

// whole gives the root of a chart with its differences put over its base, nil
// where that can't be; why is then in the report.
func (o *over) whole(root *yaml.Node, left int) (merged *yaml.Node, machine string) {
	h := o.head(root)
	on := h.sister
	if on == nil {
		on = h.of
	}
	if !on.has("chart") || !on.has("edition") || len(o.rep.list) > 0 {
		return nil, ""
	}
	if left == 0 {
		o.rep.add(on.node, "", fmt.Sprintf("more than %d charts stand on each other", maxBases), "", "write one of them out")
		return nil, ""
	}
	base := o.under(on, left)
	if base == nil {
		return nil, ""
	}
	if h.sister != nil {
		o.ownName(root, on)
	} else {
		o.sameName(root, on)
	}
	if len(o.rep.list) > 0 {
		return nil, ""
	}
	root = o.without(root, "sister_of", "exception_for", "of")
	return o.put(&shape{kind: kindObject, object: language()}, base, root, ""), h.machine
}

// head reads what stands at the top of a file of differences.
func (o *over) head(root *yaml.Node) head {
	table := language()
	r := &reader{rep: o.rep, language: table}
	get := func(name string) *value {
		f, _ := table.find(name)
		if n := member(root, name); n != nil {
			return r.read(&f.shape, n, &place{step: name})
		}
		return nil
	}
	h := head{sister: get("sister_of"), of: get("of")}
	if m := get("exception_for"); m != nil {
		h.machine = m.text
	}
	ex := keyOf(root, "exception_for")
	switch {
	case ex >= 0 && keyOf(root, "sister_of") >= 0:
		o.rep.add(root.Content[ex], "exception_for", "an exception beside a sister", "one of the two", "make two files")
	case ex >= 0 && keyOf(root, "of") < 0:
		o.rep.add(root.Content[ex], "exception_for", "it is not said of which chart", `"of", as {chart: ..., edition: ...}`, "")
	}
	return h
}

// under gives the base's root.
func (o *over) under(on *value, left int) *yaml.Node {
	chart, edition := on.str("chart"), uint32(on.whole("edition", 0))
	src, err := o.base(chart, edition)
	if err != nil {
		fix := "import it first, or mend the name"
		if missing := (*Missing)(nil); errors.As(err, &missing) {
			fix = missing.Do
		}
		o.rep.add(on.node, on.place.String(), fmt.Sprintf("edition %d of %s can't be had: %v", edition, chart, err), "", fix)
		return nil
	}
	mine := o.rep.file
	o.rep.file = fmt.Sprintf("%s edition %d", chart, edition)
	defer func() { o.rep.file = mine }()
	root := parse(o.rep, src)
	if root == nil {
		return nil
	}
	o.rep.others(root, o.rep.file)
	if holdsDifferences(root) {
		root, machine := o.whole(root, left-1)
		if machine != "" {
			o.rep.file = mine
			o.rep.add(on.node, on.place.String(), "it stands on an exception for one machine", "a chart of a kind of machine", "")
			return nil
		}
		return root
	}
	if root.Kind != yaml.MappingNode {
		o.rep.add(root, "", "it is no chart", "", "")
		return nil
	}
	return root
}

// ownName holds a sister to an id of its own.
func (o *over) ownName(root *yaml.Node, on *value) {
	for _, name := range []string{"chart", "edition"} {
		if keyOf(root, name) < 0 {
			o.rep.add(root, "", fmt.Sprintf("a sister chart needs a %q of its own", name), "", "")
		}
	}
	if n := member(root, "chart"); n != nil && n.Value == on.str("chart") {
		o.rep.add(n, "chart", "a sister chart under its base's id", "an id of its own", "")
	}
}

// sameName holds an exception to its chart's ids and meters.
func (o *over) sameName(root *yaml.Node, on *value) {
	if n := member(root, "chart"); n != nil && n.Value != on.str("chart") {
		o.rep.add(n, "chart", "an exception may not change the chart's id", on.str("chart"), "leave it out")
	}
	if i := keyOf(root, "meters"); i >= 0 {
		o.rep.add(root.Content[i], "meters", "an exception may not change meters", "", "make a sister chart")
	}
	o.noRenames(root, "points", "points")
}

func (o *over) noRenames(n *yaml.Node, name, path string) {
	list := member(n, name)
	if list == nil || list.Kind != yaml.SequenceNode {
		return
	}
	for i, entry := range list.Content {
		entry, at := followed(entry), path+"["+strconv.Itoa(i)+"]"
		if was := keyOf(entry, "was"); was >= 0 {
			o.rep.add(entry.Content[was], at+".was", "an exception may not change ids", "", "leave it out, or make a sister chart")
		}
		if name == "points" {
			o.noRenames(entry, "tasks", at+".tasks")
		}
	}
}

// without gives a mapping without some of its keys.
func (o *over) without(n *yaml.Node, keys ...string) *yaml.Node {
	less := *n
	less.Content = nil
	defer o.rep.copied(n, &less)
	for i := 0; i+1 < len(n.Content); i += 2 {
		if !slices.Contains(keys, n.Content[i].Value) {
			less.Content = append(less.Content, n.Content[i], n.Content[i+1])
		}
	}
	return &less
}

// put gives a node with a difference put over it.
func (o *over) put(s *shape, base, diff *yaml.Node, path string) *yaml.Node {
	base, diff = followed(base), followed(diff)
	switch {
	case base.Kind == yaml.MappingNode && diff.Kind == yaml.MappingNode && s != nil && (s.object != nil || s.kind == kindNamed):
		if s.kind != kindNamed && s.object.otherwise(base, diff) {
			return diff
		}
		return o.putMembers(s, base, diff, path)
	case base.Kind == yaml.SequenceNode && diff.Kind == yaml.SequenceNode && s != nil && s.kind == kindList && s.each.kind == kindObject && byID(s.each.object):
		return o.putEntries(s, base, diff, path)
	}
	return diff
}

// otherwise reports whether a difference makes a choice in another way.
func (o *object) otherwise(base, diff *yaml.Node) bool {
	for _, name := range o.oneOf {
		if keyOf(diff, name) >= 0 && keyOf(base, name) < 0 && !slices.Contains(o.joined, name) {
			return true
		}
	}
	return false
}

// byID reports whether entries of a list are told apart by an id.
func byID(o *object) bool {
	_, ok := o.find("id")
	return ok
}

// shapeOf gives the shape of a member.
func (s *shape) shapeOf(name string) *shape {
	if s.kind == kindNamed {
		return s.each
	}
	if f, ok := s.object.find(name); ok {
		return &f.shape
	}
	return nil
}

func (o *over) putMembers(s *shape, base, diff *yaml.Node, path string) *yaml.Node {
	out := *diff
	o.rep.copied(diff, &out)
	out.Content = slices.Clone(base.Content)
	first := make(map[string]int)
	for i := 0; i+1 < len(diff.Content); i += 2 {
		key, val := diff.Content[i], followed(diff.Content[i+1])
		at := joined(path, key.Value)
		if line, ok := first[key.Value]; ok {
			o.rep.add(key, at, fmt.Sprintf("%s stands twice, first on line %d", shown(key.Value), line), "", "keep one of them")
			continue
		}
		first[key.Value] = key.Line
		have := keyOf(&out, key.Value)
		switch {
		case o.gone(val, at):
			if have < 0 {
				o.rep.add(key, at, "the base has no "+shown(key.Value)+" to take away", "", "leave it out")
				continue
			}
			out.Content = slices.Delete(out.Content, have, have+2)
		case have < 0:
			out.Content = append(out.Content, key, val)
		default:
			out.Content[have+1] = o.put(s.shapeOf(key.Value), out.Content[have+1], val, at)
			out.Content[have] = key
		}
	}
	return &out
}

func joined(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// gone reports whether a difference takes something away.
func (o *over) gone(n *yaml.Node, path string) bool {
	i := keyOf(n, "gone")
	if i < 0 {
		return false
	}
	if v := n.Content[i+1]; v.Value != "yes" && v.Value != "true" {
		o.rep.add(v, path+".gone", shown(v.Value)+" is not yes", "yes", "")
	}
	for j := 0; j+1 < len(n.Content); j += 2 {
		if j != i && n.Content[j].Value != "id" {
			o.rep.add(n.Content[j], path, shown(n.Content[j].Value)+" beside gone", "", "take one of them out")
		}
	}
	return true
}

// putEntries puts entries of a list over those of the same id.
func (o *over) putEntries(s *shape, base, diff *yaml.Node, path string) *yaml.Node {
	out := *diff
	o.rep.copied(diff, &out)
	out.Content = slices.Clone(base.Content)
	first := make(map[string]int)
	for i, entry := range diff.Content {
		entry := followed(entry)
		at := path + "[" + strconv.Itoa(i) + "]"
		id := ""
		if n := member(entry, "id"); n != nil {
			id = n.Value
		}
		if line, ok := first[id]; ok && id != "" {
			o.rep.add(entry, at, fmt.Sprintf("%s stands twice, first on line %d", shown(id), line), "", "keep one of them")
			continue
		}
		first[id] = entry.Line
		have := slices.IndexFunc(out.Content, func(b *yaml.Node) bool {
			n := member(followed(b), "id")
			return id != "" && n != nil && n.Value == id
		})
		switch {
		case o.gone(entry, at):
			if have < 0 {
				o.rep.add(entry, at, "the base has no "+shown(id)+" to take away", "", "leave it out, or mend the id")
				continue
			}
			out.Content = slices.Delete(out.Content, have, have+1)
		case have < 0:
			out.Content = append(out.Content, entry)
		default:
			out.Content[have] = o.put(s.each, out.Content[have], entry, at)
		}
	}
	return &out
}
