package fleet

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// The limits of a file.
const (
	MaxBytes   = 1 << 20
	MaxRows    = 2000 // machines
	MaxColumns = 200
	MaxText    = 128 // characters of a field
	MaxErrors  = 200 // mistakes listed
)

// Place is where a field begins in a file.
type Place struct{ Line, Column int }

// Cell is the text of a field, without the blanks around it, and its place. Text
// is "" where the field is empty or the file has no such column.
type Cell struct {
	Text string
	Place
}

// Fleet is a file's rows.
type Fleet struct {
	File string
	Head Place // of the row that names the columns
	Rows []Row
	has  map[string]bool
}

// Has reports whether the file has a column of this name.
func (f *Fleet) Has(column string) bool { return f.has[column] }

// Row is what a file says of one machine.
type Row struct {
	Machine, Display, Customer, Site, Chart, Attachment Cell
	AsOf                                                AsOf
	Traits                                              []Trait   // those that are known, in the file's order
	Hours                                               []Reading // likewise
	Last                                                []Last    // of all rounds that the file has a column for
}

// Trait is an answer about a machine's build.
type Trait struct {
	Name string
	Cell
}

// Reading is what a meter showed.
type Reading struct {
	Meter string
	Shown hours.Millis
	Step  hours.Millis // of the last digit written
	Place
}

// Last is when a round was last done, as far as anyone knows.
type Last struct {
	Round string
	// Known says that anything is known: the hours that the round's meter showed
	// then, the day, or both.
	Known    bool
	HasHours bool
	Shown    hours.Millis
	Date     civil.Date // None: not said
	Cell
}

// AsOf is when the hours of a row were read.
type AsOf struct {
	Date    civil.Date // None: now
	Minutes int        // of the site's clock, -1: some time of that day
	Place
}
