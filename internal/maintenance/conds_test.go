package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestParseMilli(t *testing.T) {
	for text, want := range map[string]int64{"0": 0, "17": 17_000, "-12.5": -12_500, "0.125": 125, "3.1000": 3_100, "14.250": 14_250} {
		got, ok := parseMilli(text)
		assert.True(t, ok, text)
		assert.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "-", ".", ".5", "5.", "1.2.3", "0.0001", "1e3", "12 %", "9999999999999999"} {
		_, ok := parseMilli(text)
		assert.False(t, ok, text)
	}
}

func TestWhatIsNotKnownIsNeverNo(t *testing.T) {
	is := Cond{Of: "straw", Op: CondIs, Words: []string{"wet", "tough"}}
	isNot := Cond{Of: "straw", Op: CondIsNot, Words: []string{"wet"}}
	for _, c := range []Cond{is, isNot, {Op: CondBelow, Milli: 5}} {
		assert.Equal(t, unsure, evalCond(&c, "", false))
	}
	assert.Equal(t, certain, evalCond(&is, "tough", true))
	assert.Equal(t, untrue, evalCond(&is, "dry", true))
	assert.Equal(t, certain, evalCond(&isNot, "dry", true))
	assert.Equal(t, unsure, evalCond(&Cond{Op: CondAbove, Milli: 5}, "many", true), "no number")
	for op, want := range map[CondOp][3]truth{ // of 13.9, 14 and 14.1 against 14
		CondBelow: {certain, untrue, untrue}, CondAbove: {untrue, untrue, certain}, CondFrom: {untrue, certain, certain}, CondUpTo: {certain, certain, untrue},
	} {
		for i, v := range []string{"13.9", "14", "14.1"} {
			assert.Equal(t, want[i], evalCond(&Cond{Op: op, Milli: 14_000}, v, true), "%d %s", op, v)
		}
	}
	s := &State{Traits: []TraitKnown{{Name: "axle", Value: "wide"}}}
	wide, narrow, other := Cond{Of: "axle", Op: CondIs, Words: []string{"wide"}}, Cond{Of: "axle", Op: CondIs, Words: []string{"narrow"}}, is
	for _, row := range []struct {
		conds      []Cond
		yes, known bool
	}{{nil, true, true}, {[]Cond{wide}, true, true}, {[]Cond{wide, other}, false, false}, {[]Cond{other, narrow}, false, true}} {
		yes, known := s.holds(row.conds)
		assert.Equal(t, row.yes, yes)
		assert.Equal(t, row.known, known)
	}
}
