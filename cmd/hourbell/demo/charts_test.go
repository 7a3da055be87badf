package demo

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
)

func compiled(t *testing.T, name, text string) *maintenance.Chart {
	c, err := chart.Compile(name, []byte(text))
	require.NoError(t, err)
	require.Equal(t, name, c.ID)
	return c
}

// TestChartsHaveCautions: no hand goes in without one.
func TestChartsHaveCautions(t *testing.T) {
	for name, text := range map[string]string{rotaryKind: rotaryChart, handKind: handChart} {
		for _, task := range compiled(t, name, text).Tasks {
			assert.NotEmpty(t, task.Cautions, "%s %s", name, task.ID)
		}
	}
}

// TestChartFitsTheMachine: each signal of the chart stands where the simulated
// machine puts it, and each code and drive is one of its own.
func TestChartFitsTheMachine(t *testing.T) {
	c := compiled(t, rotaryKind, rotaryChart)
	layouts := map[string]combinesim.Layout{}
	for _, l := range combinesim.Layouts() {
		layouts[l.Name] = l
	}
	require.NotEmpty(t, c.Signals)
	for _, s := range c.Signals {
		l, is := layouts[s.ID]
		require.True(t, is, "the machine has no signal %s", s.ID)
		assert.Equal(t, []int{int(l.Group), int(l.Source), l.Byte, l.Bit, l.Bits}, []int{int(s.Group), int(s.Source), int(s.Byte), int(s.Bit), int(s.Bits)}, s.ID)
	}
	var codes []string
	for _, code := range combinesim.Codes() {
		codes = append(codes, code.Name)
	}
	for _, code := range c.Codes {
		assert.Contains(t, codes, code.ID)
	}
	require.Len(t, c.Codes, len(codes))
	for _, d := range c.Drives {
		assert.Equal(t, combinesim.Drives()[combinesim.FanDrive].Name, d.ID)
	}
}
