package chart_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
)

const whole = `every-field, edition 12
  book: a book
  decal: a plate

Meters
  engine: on the bus, group 65253, SPN 247, any source, in steps of 0.05 h
  pto: on the bus, group 65255, SPN 248, source 0x21, in steps of 0.5 h
  drum: time during which drum_speed is above 149.5 rpm for more than 2.25 s, set from the dial, in steps of 0.02 h
  belt: read off: the counter, in steps of 0.25 h
  tally: read off: the tally, in steps of 0.1 h

Signals
  drum_speed: group 65296, source 0x9D, byte 3, 16 bits, 0.125 rpm a bit from -10.5
  angle: group 65297, any source, byte 1, 12 bits, high byte first, signed, 1/3 ° a bit
  gate: group 65297, any source, byte 4 bit 3, 2 bits, 1 a bit
  shaft: group 61184, source 0x07, byte 2 bit 5, 9 bits, high byte first, 1 a bit

Drives
  drum: shaft drives gate at 1.000001, judged above 0.001
  chain: gate drives shaft at 0.5, judged above 30, loaded when angle is above -2.5 °

Codes
  drum-slow: SPN 524287, FMI 1, source 0x9D: Drum slow
  any-way: SPN 7, any FMI, any source

Older packings of codes
  source 0x9D: method 2
  source 0x03: method 1

Rounds
  weekly: the weekly round, 1 task, 45 min
  small: small round, 0 tasks

Points, in walking order
  drum-bearing (station 4, under, lying)
    drum-bearing/grease: Grease it, every 50 h on drum (soon 2.5 h before, overdue 4 h after), 12 months (soon 20 days before) or 62.5 h on engine (soon 2.5 h before, overdue 4 h after), whichever comes first
      by technician, round weekly, grease, 1 stroke per fitting, at most 3, 7 min
      ! Engine off, key out
      ! Count the shields
    drum-bearing/look: Check drum bearing, by hand only
      by anyone
  gate_pivot
    gate_pivot/oil: Oil gate pivot, every 1 month (overdue 5 days after)
      by dealer, 3 drops
`

func TestDescribe(t *testing.T) {
	var b strings.Builder
	require.NoError(t, chart.Describe(&b, compileFile(t, "whole.points.yaml"), chart.Basis{Book: "a book", Decal: "a plate"}))
	assert.Equal(t, whole, b.String())
}

// A caution is shown wherever its task is, even where the chart lost its text.
func TestDescribeNeverDropsACaution(t *testing.T) {
	c := &maintenance.Chart{Points: []maintenance.PointDef{{ID: "p"}}, Tasks: []maintenance.TaskDef{{ID: "p/t", Point: "p", Cautions: []string{"still"}}}}
	var b strings.Builder
	require.NoError(t, chart.Describe(&b, c, chart.Basis{}))
	assert.Contains(t, b.String(), "      ! still\n")
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestDescribeReturnsTheWritersError(t *testing.T) {
	assert.EqualError(t, chart.Describe(full{}, compileFile(t, "demo.points.yaml"), chart.Basis{}), "disk full")
}

func TestWalkingOrder(t *testing.T) {
	in := []maintenance.PointDef{{ID: "none"}, {ID: "c", Station: 3}, {ID: "a1", Station: 1}, {ID: "b", Station: 2}, {ID: "a2", Station: 1}, {ID: "none2"}}
	var ids []string
	for _, p := range chart.WalkingOrder(in) {
		ids = append(ids, p.ID)
	}
	assert.Equal(t, []string{"a1", "a2", "b", "c", "none", "none2"}, ids)
	assert.Equal(t, "none", in[0].ID, "the chart's own order stays")
}

func TestCompare(t *testing.T) {
	const before = `chart: a
edition: 1
meters: {engine: {group: 65253}, drum: {read_off: dial}}
cautions: {still: "engine off"}
points:
  - id: hub
    tasks:
      - {id: grease, do: grease, every: {hours: 100, on: engine}, who: operator, cautions: [still]}
      - {id: look, do: check, every: {months: 6}, who: operator}
      - {id: level, do: check, every: {months: 6}, who: operator}
`
	after := strings.NewReplacer(
		"edition: 1", "edition: 2",
		"hours: 100", "hours: 50",
		"id: look, do: check, every: {months: 6}, who: operator", "id: oil, do: change, every: {months: 12}, who: dealer",
		"drum: {read_off: dial}", "fan: {read_off: dial}",
		"engine off", "engine off, key out",
		"id: level, do: check, every: {months: 6}, who: operator", "id: level, do: check, every: {months: 6}, soon: {days: 9}, who: dealer",
	).Replace(before)
	a, err := chart.Compile("before", []byte(before))
	require.NoError(t, err)
	b, err := chart.Compile("after", []byte(after))
	require.NoError(t, err)

	changes := chart.Compare(a, b)
	assert.Equal(t, []chart.Change{
		{Kind: chart.MeterChanged, ID: "fan", Now: "read off: dial, in steps of 0.1 h"},
		{Kind: chart.MeterChanged, ID: "drum", Was: "read off: dial, in steps of 0.1 h"},
		{Kind: chart.IntervalChanged, ID: "hub/grease", Was: "every 100 h on engine", Now: "every 50 h on engine"},
		{Kind: chart.CautionsChanged, ID: "hub/grease", Was: "engine off", Now: "engine off, key out"},
		{Kind: chart.TaskAdded, ID: "hub/oil", Now: "Change hub, every 12 months"},
		{Kind: chart.IntervalChanged, ID: "hub/level", Was: "every 6 months", Now: "every 6 months (soon 9 days before)"},
		{Kind: chart.WorkChanged, ID: "hub/level", Was: "check, Check hub, by operator", Now: "check, Check hub, by dealer"},
		{Kind: chart.TaskGone, ID: "hub/look", Was: "Check hub, every 6 months"},
	}, changes)
	assert.Equal(t, "hub/grease: every 50 h on engine, was every 100 h on engine", changes[2].String())
	assert.Equal(t, "hub/oil is new: Change hub, every 12 months", changes[4].String())
	assert.Equal(t, "hub/look is gone; it was Check hub, every 6 months", changes[7].String())
	assert.Equal(t, "drum: nothing, was read off: dial, in steps of 0.1 h", changes[1].String())
	assert.Empty(t, chart.Compare(a, a))
}
