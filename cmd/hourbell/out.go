package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// output is where answers go, and in which form.
type output struct {
	w    io.Writer
	err  io.Writer
	json bool
}

// document prints an answer: as one JSON document for programs, else by the
// function.
func (o *output) document(m proto.Message, people func(w io.Writer)) error {
	if !o.json {
		people(o.w)
		return nil
	}
	return o.line(m)
}

// line prints a message as one line of JSON.
func (o *output) line(m proto.Message) error {
	b, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(m)
	if err != nil {
		return fmt.Errorf("print the answer: %w", err)
	}
	_, err = o.w.Write(append(b, '\n'))
	return err
}

// table gathers rows and prints them in columns.
type table struct {
	rows [][]string
}

func newTable(head ...string) *table { return &table{rows: [][]string{head}} }

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// print writes the table, or what it means that there are no rows.
func (t *table) print(w io.Writer, none string) {
	if len(t.rows) == 1 {
		fmt.Fprintln(w, none)
		return
	}
	rows := make([][]string, len(t.rows))
	for i, row := range t.rows {
		rows[i] = make([]string, max(len(row), len(t.rows[0])))
		for j, cell := range row {
			rows[i][j] = plain(cell)
		}
	}
	if wide := screenWidth(w); wide > 0 {
		rows = narrowed(rows, wide)
	}
	var aligned strings.Builder
	tw := tabwriter.NewWriter(&aligned, 0, 0, gap, ' ', 0)
	for _, row := range rows {
		fmt.Fprintln(tw, strings.Join(row, "\t")) // a row that lacks cells would start its neighbours' columns anew
	}
	_ = tw.Flush()
	for line := range strings.Lines(aligned.String()) {
		fmt.Fprintln(w, strings.TrimRight(line, " \n"))
	}
}

// plain keeps what a service or a file says from moving the terminal's cursor.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
			return ' '
		}
		return r
	}, s)
}

// cautions numbers the cautions of the tasks on a page and prints them under it.
type cautions struct {
	texts []string
}

// marks gives the numbers of a task's cautions, "[1] [2]".
func (c *cautions) marks(list []*pb.Caution) string {
	marks := make([]string, 0, len(list))
	for _, one := range list {
		marks = append(marks, fmt.Sprintf("[%d]", c.number(one.Text)))
	}
	return strings.Join(marks, " ")
}

func (c *cautions) number(text string) int {
	for i, t := range c.texts {
		if t == text {
			return i + 1
		}
	}
	c.texts = append(c.texts, text)
	return len(c.texts)
}

func (c *cautions) print(w io.Writer) {
	if len(c.texts) == 0 {
		return
	}
	fmt.Fprintln(w, "\nBefore hands go in:")
	for i, t := range c.texts {
		fmt.Fprintf(w, "  [%d] %s\n", i+1, plain(t))
	}
	fmt.Fprintln(w, "The machine's own book, local rules and work that only a dealer may do come first.")
}

// plainLines is plain for a text of several lines.
func plainLines(s string) string {
	lines := strings.Split(s, "\n")
	for i, line := range lines {
		lines[i] = plain(line)
	}
	return strings.Join(lines, "\n")
}
