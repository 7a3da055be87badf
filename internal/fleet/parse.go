package fleet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// column is what a column of the file is.
type column struct {
	kind columnKind
	name string // of a trait, meter or round; or the column's own
}

type columnKind uint8

const (
	columnBad columnKind = iota
	columnText
	columnAsOf
	columnTrait
	columnHours
	columnLast
)

// textColumns and prefixes are the names that a column may have.
func textColumns() []string {
	return []string{"machine", "display", "customer", "site", "chart", "as_of", "attachment"}
}

func prefixes() map[string]columnKind {
	return map[string]columnKind{"trait": columnTrait, "hours": columnHours, "last": columnLast}
}

// parser reads one file.
type parser struct {
	*Report
	lines   []string // of the file, for columns in characters
	comma   rune
	columns []column
	seen    map[string]Place // machines
	badHead bool
	fleet   Fleet
}

// Parse reads a file: all of it, or Errors with every mistake in it. name is the
// file's, for mistakes to name.
func Parse(name string, src []byte) (Fleet, error) {
	f, report := Read(name, src)
	if err := report.Err(); err != nil {
		return Fleet{}, err
	}
	return f, nil
}

// Read is Parse for who has more to say of the rows: it gives what can be read,
// and the report to add to. There are no rows where the columns can't be told.
func Read(name string, src []byte) (Fleet, *Report) {
	p := &parser{Report: NewReport(name), seen: map[string]Place{}, fleet: Fleet{File: name, Head: Place{1, 1}, has: map[string]bool{}}}
	if text, ok := p.text(src); ok {
		p.read(text)
	}
	if p.badHead {
		p.fleet.Rows = nil
	}
	return p.fleet, p.Report
}

// text takes the mark of UTF-8 off and holds the file to its form.
func (p *parser) text(src []byte) (string, bool) {
	if len(src) > MaxBytes {
		p.Add(Place{}, fmt.Sprintf("the file has %d bytes", len(src)), fmt.Sprintf("at most %d", MaxBytes), "cut it in two")
		return "", false
	}
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) {
		p.Add(Place{}, "the file is UTF-16", "UTF-8", "save it as CSV in UTF-8")
		return "", false
	}
	text := string(bytes.TrimPrefix(src, []byte("\xef\xbb\xbf")))
	p.lines = strings.Split(text, "\n")
	for i, line := range p.lines {
		for at, r := range line {
			if r == 0 || r == utf8.RuneError && !strings.HasPrefix(line[at:], "\uFFFD") {
				p.Add(Place{i + 1, p.characters(i+1, at) + 1}, fmt.Sprintf("byte 0x%02x is no text in UTF-8", line[at]), "", "save the file as CSV in UTF-8")
				return "", false
			}
		}
	}
	return text, true
}

// characters counts those of a line before a byte.
func (p *parser) characters(line, bytes int) int {
	if line < 1 || line > len(p.lines) {
		return bytes
	}
	text := p.lines[line-1]
	return utf8.RuneCountInString(text[:min(bytes, len(text))])
}

// read reads the rows.
func (p *parser) read(text string) {
	p.comma = separator(text)
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord = p.comma, -1
	for {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			p.badForm(err)
			return
		}
		cells := make([]Cell, len(fields))
		for i, f := range fields {
			line, at := r.FieldPos(i)
			cells[i] = Cell{strings.TrimSpace(f), Place{line, p.characters(line, at-1) + 1}}
		}
		switch {
		case p.columns == nil:
			p.head(cells)
		case len(p.fleet.Rows) >= MaxRows:
			p.Add(cells[0].Place, fmt.Sprintf("there are more than %d machines", MaxRows), "", "cut the file in two")
			return
		case !empty(cells):
			p.row(cells)
		}
	}
	if len(p.fleet.Rows) == 0 && p.Err() == nil {
		p.Add(Place{}, "the file names no machine", "a row of column names, and a row for each machine", "")
	}
}

// separator is the semicolon where the first line has one outside quotes.
func separator(text string) rune {
	first, _, _ := strings.Cut(text, "\n")
	quoted := false
	for _, r := range first {
		switch {
		case r == '"':
			quoted = !quoted
		case r == ';' && !quoted:
			return ';'
		}
	}
	return ','
}

func empty(cells []Cell) bool {
	for _, c := range cells {
		if c.Text != "" {
			return false
		}
	}
	return true
}

// badForm tells of quotes out of place, after which nothing can be told apart.
func (p *parser) badForm(err error) {
	var bad *csv.ParseError
	if !errors.As(err, &bad) {
		p.Add(Place{}, "the file can't be read: "+err.Error(), "", "")
		return
	}
	what, fix := "a quote stands in a field without quotes around it", "put the whole field in quotes, and write a quote in it twice"
	if errors.Is(bad.Err, csv.ErrQuote) {
		what, fix = "a quote is not closed, or something stands behind it", "close it, and write a quote inside quotes twice"
	}
	p.Add(Place{bad.Line, p.characters(bad.Line, bad.Column-1) + 1}, what, "", fix)
}

// head reads the names of the columns.
func (p *parser) head(cells []Cell) {
	p.fleet.Head = cells[0].Place
	if len(cells) > MaxColumns {
		p.Add(cells[MaxColumns].Place, fmt.Sprintf("the file has %d columns", len(cells)), fmt.Sprintf("at most %d", MaxColumns), "")
		cells = cells[:MaxColumns]
	}
	p.columns = make([]column, len(cells))
	for i, c := range cells {
		p.columns[i] = p.column(c)
		if key := p.columns[i].key(); key != "" {
			if p.fleet.has[key] {
				p.Add(c.Place, fmt.Sprintf("the column %q stands here a second time", key), "", "leave one of the two out")
			}
			p.fleet.has[key] = true
		}
	}
	if !p.fleet.has["machine"] && p.Err() == nil {
		p.Add(p.fleet.Head, `the column "machine" is missing`, "", "name it in the first row")
	}
	p.badHead = p.Count() > 0
}

// key is the column's name as the file should have it, "" where it is none.
func (c column) key() string {
	for word, kind := range prefixes() {
		if c.kind == kind {
			return word + ":" + c.name
		}
	}
	return c.name
}

// column reads one name.
func (p *parser) column(c Cell) column {
	if c.Text == "" {
		p.Add(c.Place, "a column has no name", "", "name it, or take it out")
		return column{}
	}
	word, name, particular := strings.Cut(c.Text, ":")
	word, name = strings.ToLower(strings.TrimSpace(word)), strings.TrimSpace(name)
	if kind, is := prefixes()[word]; is && particular {
		if name == "" {
			p.Add(c.Place, fmt.Sprintf("the column %q names nothing", c.Text), word+":NAME", "")
			return column{}
		}
		return column{kind, name}
	}
	for _, known := range textColumns() {
		if word != known || particular {
			continue
		}
		if known == "as_of" {
			return column{columnAsOf, known}
		}
		return column{columnText, known}
	}
	p.Add(c.Place, fmt.Sprintf("there is no column %q", short(c.Text)), "", suggestion(word, name, particular))
	return column{}
}

// suggestion says what a misspelt name may mean.
func suggestion(word, name string, particular bool) string {
	if particular {
		if near := nearest(word, []string{"trait", "hours", "last"}); near != "" {
			return fmt.Sprintf("did you mean %q?", near+":"+name)
		}
	}
	if near := nearest(word, append(textColumns(), "trait", "hours", "last")); near != "" && !particular {
		if _, is := prefixes()[near]; is {
			near += ":NAME"
		}
		return fmt.Sprintf("did you mean %q?", near)
	}
	return "the columns are machine, display, customer, site, chart, as_of, attachment, trait:NAME, hours:METER and last:ROUND"
}

func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
