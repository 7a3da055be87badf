package fleet

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// unknown is the word for what nobody knows; an empty field says the same.
const unknown = "unknown"

// row reads one machine.
func (p *parser) row(cells []Cell) {
	if len(cells) > len(p.columns) {
		if extra := cells[len(p.columns):]; !empty(extra) {
			p.Add(extra[0].Place, fmt.Sprintf("the row has %d fields", len(cells)), fmt.Sprintf("%d, as the first row has", len(p.columns)), p.quoteHint())
		}
		cells = cells[:len(p.columns)]
	}
	row := Row{AsOf: AsOf{Date: civil.None, Minutes: -1}, Machine: Cell{Place: cells[0].Place}}
	for i, c := range cells {
		if utf8.RuneCountInString(c.Text) > MaxText {
			p.Add(c.Place, fmt.Sprintf("the field has %d characters", utf8.RuneCountInString(c.Text)), fmt.Sprintf("at most %d", MaxText), "")
			continue
		}
		p.field(&row, p.columns[i], c)
	}
	if p.named(&row) {
		p.fleet.Rows = append(p.fleet.Rows, row)
	}
}

// quoteHint says why a row may have too many fields.
func (p *parser) quoteHint() string {
	if p.comma == ',' {
		return "write decimals with a point, or put a field with a comma in quotes"
	}
	return "put a field with a semicolon in quotes"
}

// named holds a row to a machine of its own.
func (p *parser) named(row *Row) bool {
	if row.Machine.Text == "" {
		p.Add(row.Machine.Place, "the row names no machine", "", "give the machine's id")
		return false
	}
	if before, there := p.seen[row.Machine.Text]; there {
		p.Add(row.Machine.Place, fmt.Sprintf("machine %s stands in line %d already", row.Machine.Text, before.Line), "", "leave one of the two rows out")
		return false
	}
	p.seen[row.Machine.Text] = row.Machine.Place
	return true
}

// field reads one field of a row.
func (p *parser) field(row *Row, col column, c Cell) {
	switch col.kind {
	case columnText:
		*map[string]*Cell{"machine": &row.Machine, "display": &row.Display, "customer": &row.Customer, "site": &row.Site,
			"chart": &row.Chart, "attachment": &row.Attachment}[col.name] = c
	case columnAsOf:
		row.AsOf = p.asOf(c)
	case columnTrait:
		if !blank(c) {
			row.Traits = append(row.Traits, Trait{col.name, c})
		}
	case columnHours:
		if blank(c) {
			return
		}
		if shown, step, ok := p.hours(c, c.Text); ok {
			row.Hours = append(row.Hours, Reading{col.name, shown, step, c.Place})
		}
	case columnLast:
		row.Last = append(row.Last, p.last(col.name, c))
	}
}

func blank(c Cell) bool { return c.Text == "" || strings.EqualFold(c.Text, unknown) }

// maxHours is the most that is taken: no machine's meter comes near it.
const maxHours = 1_000_000

// hours reads hours with at most two decimals. Where fields are apart by
// semicolons the decimals may stand behind a comma.
func (p *parser) hours(c Cell, text string) (shown, step hours.Millis, ok bool) {
	plain := text
	if p.comma == ';' {
		plain = strings.Replace(plain, ",", ".", 1)
	}
	whole, frac, point := strings.Cut(plain, ".")
	want := "hours with at most two decimals, as 1234.5"
	if p.comma == ';' {
		want = "hours with at most two decimals, as 1234,5"
	}
	if !digits(whole) || point && !digits(frac) || len(frac) > 2 || len(whole) > 7 {
		p.Add(c.Place, fmt.Sprintf("%q are no hours", short(text)), want, "")
		return 0, 0, false
	}
	n, _ := strconv.ParseInt(whole+frac, 10, 64) // the digits were counted
	step = hours.Hour
	for range len(frac) {
		step /= 10
	}
	if shown = hours.Millis(n) * step; shown > maxHours*hours.Hour {
		p.Add(c.Place, fmt.Sprintf("%s hours are more than any machine runs", whole), want, "")
		return 0, 0, false
	}
	return shown, step, true
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// last reads when a round was last done: hours, a day, or both.
func (p *parser) last(round string, c Cell) Last {
	out := Last{Round: round, Date: civil.None, Cell: c}
	if blank(c) {
		return out
	}
	words := strings.Fields(c.Text)
	if len(words) > 2 {
		p.Add(c.Place, fmt.Sprintf("%q does not say when the round was last done", short(c.Text)), "hours, a day, both, or unknown", "")
		return out
	}
	for _, w := range words {
		switch {
		case strings.Contains(w, "-") && out.Date == civil.None:
			out.Date, _ = p.date(c, w)
		case !out.HasHours:
			out.Shown, _, out.HasHours = p.hours(c, w)
		default:
			p.Add(c.Place, fmt.Sprintf("%q does not say when the round was last done", short(c.Text)), "hours, a day, both, or unknown", "")
		}
	}
	out.Known = out.HasHours || out.Date.Known()
	return out
}

func (p *parser) date(c Cell, text string) (civil.Date, bool) {
	d, err := civil.Parse(text)
	if err != nil {
		p.Add(c.Place, fmt.Sprintf("%q is no day of the calendar", short(text)), "a day as 2031-07-14", "")
		return civil.None, false
	}
	return d, true
}

// asOf reads when the hours were read: nothing for now, a day, or a day and
// clock time.
func (p *parser) asOf(c Cell) AsOf {
	out := AsOf{Date: civil.None, Minutes: -1, Place: c.Place}
	if c.Text == "" {
		return out
	}
	day, clock, timed := strings.Cut(c.Text, " ")
	date, ok := p.date(c, day)
	if !ok {
		return out
	}
	out.Date = date
	if !timed {
		return out
	}
	hour, minute, colon := strings.Cut(strings.TrimSpace(clock), ":")
	h, m := small(hour), small(minute)
	if !colon || h < 0 || h > 23 || m < 0 || m > 59 || len(minute) != 2 {
		p.Add(c.Place, fmt.Sprintf("%q is no clock time", short(clock)), "a day, or a day and clock time as 2031-07-14 18:30", "")
		return out
	}
	out.Minutes = h*60 + m
	return out
}

// small reads one or two digits, -1 for anything else.
func small(s string) int {
	if !digits(s) || len(s) > 2 {
		return -1
	}
	n, _ := strconv.Atoi(s)
	return n
}
