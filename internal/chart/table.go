package chart

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// tableWidth is the most that a line of the printed table has, in characters.
const tableWidth = 100

// column is one column of the printed table.
type column struct {
	title string
	width int
}

// columns leave one blank between them.
func columns() []column {
	return []column{{"point", 15}, {"place", 11}, {"work", 16}, {"interval", 16}, {"material", 13}, {"amount, most", 12}, {"who", 10}}
}

// Table writes the lubrication table of one machine for print: in walking order
// whatever something goes in with, and at each point its cautions in full and
// what must never go in. Fits says of a point (task "") and of a task
// whether this machine has it, and what is to be noted there; nil takes the
// chart as it is. A note of what is not shown stands in its place. It returns
// the first error of w.
func Table(w io.Writer, c *maintenance.Chart, fits func(point, task string) (shown bool, note string)) error {
	if fits == nil {
		fits = func(string, string) (bool, string) { return true, "" }
	}
	t := &tabler{printer: printer{w: w}, chart: c, fits: fits}
	title := fmt.Sprintf("Lubrication table: %s, edition %d", c.ID, c.Edition)
	if c.Exception != "" {
		title += ", exception for " + c.Exception
	}
	t.wrapped("", title)
	t.line("")
	t.head()
	for _, p := range WalkingOrder(c.Points) {
		t.point(p)
	}
	return t.err
}

type tabler struct {
	printer
	chart *maintenance.Chart
	fits  func(point, task string) (bool, string)
}

func (t *tabler) head() {
	var titles, rules []string
	for _, col := range columns() {
		titles = append(titles, col.title)
		rules = append(rules, strings.Repeat("-", col.width))
	}
	t.row(titles)
	t.row(rules)
}

// point writes the rows of a point, where anything goes in there.
func (t *tabler) point(p maintenance.PointDef) {
	tasks := t.work(p)
	if len(tasks) == 0 {
		return
	}
	shown, note := t.fits(p.ID, "")
	if !shown {
		if t.notHere(pointWord(p), note) {
			t.line("")
		}
		return
	}
	t.noted(note)
	if t.tasks(p, tasks) || note != "" {
		t.line("")
	}
}

// work gives what goes in at a point.
func (t *tabler) work(p maintenance.PointDef) []maintenance.TaskDef {
	var tasks []maintenance.TaskDef
	for _, d := range t.chart.Tasks {
		if d.Point == p.ID && lubricates(d) {
			tasks = append(tasks, d)
		}
	}
	return tasks
}

// tasks writes a point's rows with their cautions below, and reports whether it
// wrote anything.
func (t *tabler) tasks(p maintenance.PointDef, tasks []maintenance.TaskDef) bool {
	var cautions []string
	wrote, named := false, false
	for _, d := range tasks {
		shown, note := t.fits(p.ID, d.ID)
		if !shown {
			wrote = t.notHere(pointWord(p)+", "+d.Call, note) || wrote
			continue
		}
		wrote = true
		named = t.task(p, d, named)
		t.noted(note)
		for _, id := range d.Cautions {
			if !slices.Contains(cautions, id) {
				cautions = append(cautions, id)
			}
		}
	}
	for _, id := range cautions {
		t.wrapped("  ! ", cautionText(t.chart.Cautions, id))
	}
	return wrote
}

// lubricates reports work that something goes in with, and work that is
// forbidden.
func lubricates(d maintenance.TaskDef) bool {
	return d.Do == "grease" || d.Do == "oil" || d.Do == "fill" || d.Do == forbidden || d.Material != "" || d.Amount != "" || len(d.Dose) > 0
}

// notHere says why something is not on this machine, where that is known, and
// reports whether it did.
func (t *tabler) notHere(what, note string) bool {
	if note != "" {
		t.wrapped("", what+": "+note)
	}
	return note != ""
}

func (t *tabler) noted(note string) {
	if note != "" {
		t.wrapped("  * ", note)
	}
}

// task writes the row of a task, under its point's name where that does not
// stand above it already. It reports whether it stands there now.
func (t *tabler) task(p maintenance.PointDef, d maintenance.TaskDef, named bool) bool {
	if d.Do == forbidden {
		t.wrapped("", pointWord(p)+": "+d.Call+", "+neverWords(d))
		return named
	}
	name, place := pointWord(p), tablePlace(p)
	if named {
		name, place = "", ""
	}
	t.row([]string{name, place, d.Call, tableInterval(d, t.chart), materialWord(d.Material, t.chart), tableAmount(d), whoWord(d.Who)})
	for _, in := range d.Instead {
		t.wrapped("  * ", "instead: "+insteadWords(in, d))
	}
	for _, r := range d.Refuse {
		t.wrapped("  * ", refuseWords(r))
	}
	if d.TooSoon.Hours > 0 || d.TooSoon.Days > 0 {
		t.wrapped("  * ", tooSoonWords(d.TooSoon, t.chart))
	}
	if d.HarmOver != "" {
		t.wrapped("  * ", "too much: "+d.HarmOver)
	}
	return true
}

func pointWord(p maintenance.PointDef) string {
	if p.Call != "" {
		return p.Call
	}
	return spoken(p.ID)
}

func tablePlace(p maintenance.PointDef) string {
	return strings.TrimSuffix(strings.TrimPrefix(placeWords(p), " ("), ")")
}

func tableInterval(d maintenance.TaskDef, c *maintenance.Chart) string {
	limbs := make([]string, len(d.Limbs))
	for i, l := range d.Limbs {
		limbs[i] = everyWords(l)
	}
	if len(limbs) == 0 {
		return whenWords(d, c)
	}
	return list(limbs, "or")
}

func tableAmount(d maintenance.TaskDef) string {
	if len(d.Dose) > 0 {
		return amountWords(d.Dose[0])
	}
	return d.Amount
}

// row writes one row, each cell on as many lines as it needs.
func (t *tabler) row(cells []string) {
	cols := columns()
	lines, most := make([][]string, len(cols)), 0
	for i, col := range cols {
		lines[i] = wrap(cells[i], col.width)
		most = max(most, len(lines[i]))
	}
	for n := range most {
		var b strings.Builder
		for i, col := range cols {
			cell := ""
			if n < len(lines[i]) {
				cell = lines[i][n]
			}
			b.WriteString(cell)
			if i < len(cols)-1 {
				b.WriteString(strings.Repeat(" ", col.width-utf8.RuneCountInString(cell)+1))
			}
		}
		t.line("%s", strings.TrimRight(b.String(), " "))
	}
}

// wrapped writes a text on lines of the table's width, each after the first
// indented as far as its mark.
func (t *tabler) wrapped(mark, text string) {
	for i, line := range wrap(text, tableWidth-utf8.RuneCountInString(mark)) {
		if i > 0 {
			mark = strings.Repeat(" ", utf8.RuneCountInString(mark))
		}
		t.line("%s%s", mark, line)
	}
}

// wrap breaks a text between words, and a word that is too long where it must.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		for r := []rune(word); len(r) > width; r = []rune(word) {
			if line != "" {
				lines, line = append(lines, line), ""
			}
			cut := width
			if at := strings.LastIndexByte(string(r[:width]), '-'); at > 0 {
				cut = utf8.RuneCountInString(string(r[:width])[:at+1])
			}
			lines = append(lines, string(r[:cut]))
			word = string(r[cut:])
		}
		switch {
		case word == "":
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}
