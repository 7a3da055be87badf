package chart

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"
)

// Error is one mistake in a file.
type Error struct {
	File   string
	Line   int    // 1-based; 0 where the mistake is the whole file's
	Column int    // 1-based, in characters
	Path   string // where in the chart, as points[2].tasks[0].every.on; "" at the top
	What   string // what is wrong
	Want   string // what was expected, "" where What says it
	Fix    string // what to do, "" where Want says it
}

// Error gives the mistake on one line: file, line, column, what is wrong, what
// was wanted, what to do.
func (e Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, e.Column)
	}
	b.WriteString(": ")
	b.WriteString(e.What)
	if e.Want != "" {
		b.WriteString("; want ")
		b.WriteString(e.Want)
	}
	if e.Fix != "" {
		b.WriteString("; ")
		b.WriteString(e.Fix)
	}
	return b.String()
}

// Errors are all mistakes found in one file, in the order of their places.
type Errors []Error

// Error gives one line a mistake.
func (es Errors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// report gathers the mistakes of one file.
type report struct {
	file string
	list Errors
	seen map[Error]bool
	more int                   // found beyond maxErrors
	from map[*yaml.Node]string // nodes of other files, with their names
}

// others notes that a tree of nodes is another file's.
func (r *report) others(root *yaml.Node, file string) {
	if r.from == nil {
		r.from = make(map[*yaml.Node]string)
	}
	if _, ok := r.from[root]; ok {
		return
	}
	r.from[root] = file
	for _, n := range root.Content {
		r.others(n, file)
	}
}

// copied notes that one node stands for another.
func (r *report) copied(of, n *yaml.Node) {
	if file, ok := r.from[of]; ok {
		r.from[n] = file
	}
}

// add notes a mistake at a node. The same mistake at the same place, as an
// alias brings it, is told once.
func (r *report) add(n *yaml.Node, path, what, want, fix string) {
	file := r.file
	if other, ok := r.from[n]; ok {
		file = other
	}
	r.addIn(file, n.Line, n.Column, path, what, want, fix)
}

func (r *report) addAt(line, column int, path, what, want, fix string) {
	r.addIn(r.file, line, column, path, what, want, fix)
}

func (r *report) addIn(file string, line, column int, path, what, want, fix string) {
	e := Error{File: file, Line: line, Column: column, Path: path, What: what, Want: want, Fix: fix}
	key := e
	key.Path = ""
	if r.seen[key] {
		return
	}
	if len(r.list) >= maxErrors {
		r.more++
		return
	}
	if r.seen == nil {
		r.seen = make(map[Error]bool)
	}
	r.seen[key] = true
	r.list = append(r.list, e)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// err returns the mistakes in the order of their places, nil where there is
// none.
func (r *report) err() error {
	if len(r.list) == 0 {
		return nil
	}
	slices.SortStableFunc(r.list, func(a, b Error) int {
		if (a.File == r.file) != (b.File == r.file) {
			return cmp.Compare(b2i(b.File == r.file), b2i(a.File == r.file))
		}
		return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column), strings.Compare(a.What, b.What))
	})
	if r.more > 0 {
		last := r.list[len(r.list)-1]
		last.Path, last.Want, last.Fix = "", "", "mend these first"
		last.What = fmt.Sprintf("%d more mistakes are not listed", r.more)
		return append(r.list, last)
	}
	return r.list
}
