// Package mixing says what a published chart says of two greases that meet in
// one bearing, by their thickeners.
//
// Published charts differ, and base oil and additives count as well, so the
// chart's word is never a promise: give the chart's name with it. What the chart
// doesn't hold is "not in the chart", which is neither yes nor no.
package mixing

import "strings"

// Chart names the chart that Say reads.
const Chart = "US Bureau of Reclamation, FIST 2-4 (1990), table 2"

// Word is what the chart says of a pair.
type Word uint8

// The words, from nothing said to yes.
const (
	NotInChart Word = 0 // the chart has no such thickener
	No         Word = 1 // they do not go together
	Ask        Word = 2 // borderline: ask before
	Yes        Word = 3 // they go together, as far as the chart goes
)

// String gives the word as people read it.
func (w Word) String() string {
	switch w {
	case No:
		return "do not mix"
	case Ask:
		return "borderline"
	case Yes:
		return "mix"
	}
	return "not in the chart"
}

// The chart's thickeners, in its order.
var thickeners = [...]string{
	"sodium", "aluminium complex", "barium", "calcium", "calcium complex",
	"clay", "lithium", "lithium complex", "polyurea",
}

// pairs has the chart's rows: y mixes, b is borderline, n does not. A row and
// column of the same name stand for two greases of one thickener; the chart
// calls two clay greases borderline.
var pairs = [len(thickeners)]string{
	"ynnnnnnnn",
	"nynnnnbyn",
	"nnynnnnnn",
	"nnnynnbyn",
	"nnnnynnnn",
	"nnnnnbnnn",
	"nbnbnnyyn",
	"nynynnyyn",
	"nnnnnnnny",
}

// Thickeners gives the names that the chart knows, in its order.
func Thickeners() []string { return append([]string(nil), thickeners[:]...) }

// Say gives the chart's word on two thickeners, in either order, and the
// chart's name. Names are the trade's in lower case: those of Thickeners;
// "aluminum complex" is aluminium complex. Any other name, none and one that is
// spelt otherwise give NotInChart.
func Say(a, b string) (Word, string) {
	i, j := index(a), index(b)
	if i < 0 || j < 0 {
		return NotInChart, Chart
	}
	switch pairs[i][j] {
	case 'y':
		return Yes, Chart
	case 'b':
		return Ask, Chart
	}
	return No, Chart
}

func index(name string) int {
	name = strings.TrimSpace(name)
	if name == "aluminum complex" {
		name = "aluminium complex"
	}
	for i, t := range thickeners {
		if t == name {
			return i
		}
	}
	return -1
}
