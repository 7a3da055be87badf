package fleet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Error is one mistake in a file.
type Error struct {
	File   string
	Line   int    // 1-based; 0 where the mistake is the whole file's
	Column int    // 1-based, in characters: where the field begins
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

// Report gathers the mistakes of one file, so that whoever knows more than its
// form can add to them.
type Report struct {
	file string
	list Errors
	more int // beyond MaxErrors
}

// NewReport returns a report on a file.
func NewReport(file string) *Report { return &Report{file: file} }

// Add notes a mistake at a place.
func (r *Report) Add(at Place, what, want, fix string) {
	if len(r.list) >= MaxErrors {
		r.more++
		return
	}
	r.list = append(r.list, Error{File: r.file, Line: at.Line, Column: at.Column, What: what, Want: want, Fix: fix})
}

// Count is how many mistakes were noted so far.
func (r *Report) Count() int { return len(r.list) + r.more }

// Err returns the mistakes in the order of their places, nil where there is
// none.
func (r *Report) Err() error {
	if len(r.list) == 0 {
		return nil
	}
	slices.SortStableFunc(r.list, func(a, b Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	if r.more > 0 {
		last := r.list[len(r.list)-1]
		return append(r.list, Error{File: r.file, Line: last.Line, Column: last.Column, What: fmt.Sprintf("%d more mistakes are not listed", r.more), Fix: "mend these first"})
	}
	return r.list
}
