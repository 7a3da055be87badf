package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func TestChartsThatTheLogCantWorkWith(t *testing.T) {
	require.NoError(t, logChart().Check())
	for _, c := range []struct {
		why   string
		spoil func(c *Chart)
	}{
		{"attachment \"plough\" is not defined", func(c *Chart) { c.Meters[1].Of = "plough" }},
		{"attachment \"plough\" is not defined", func(c *Chart) { c.Points[0].Attachment = "plough" }},
		{"defined twice or without an id", func(c *Chart) { c.Attachments = append(c.Attachments, c.Attachments[0]) }},
		{"defined twice", func(c *Chart) { c.Parts = append(c.Parts, c.Parts[0]) }},
		{"no id", func(c *Chart) { c.Parts[0].ID = "" }},
		{"meter \"wheel\" is not defined", func(c *Chart) { c.Parts[0].Meter = "wheel" }},
		{"at most 512 parts", func(c *Chart) { c.Parts = make([]PartDef, PartsKept+1) }},
		{"defined twice", func(c *Chart) { c.Materials = append(c.Materials, c.Materials[0]) }},
		{"mixing", func(c *Chart) { c.Materials[0].Mixes[0].Word = 3 }},
		{"covers \"none\", which is not defined", func(c *Chart) { c.Tasks[0].Covers = []string{"none"} }},
		{"covers itself", func(c *Chart) { c.Tasks[0].Covers = []string{c.Tasks[0].ID} }},
		{"too soon counts on meter \"wheel\"", func(c *Chart) { c.Tasks[0].TooSoon = TooSoonDef{Hours: hours.Hour, Meter: "wheel"} }},
		{"more than one measure", func(c *Chart) { c.Tasks[0].Dose = make([]DoseDef, 2) }},
		{"an amount without a unit", func(c *Chart) { c.Tasks[0].Dose[0].Unit = "" }},
		{"more than the most", func(c *Chart) { c.Tasks[0].Dose[0].Most = 2999 }},
		{"below 0, or too much", func(c *Chart) { c.Tasks[0].Dose[0].Lo = 3001 }},
		{"season's amount below 0", func(c *Chart) { c.Tasks[0].Dose[0].Season = -1 }},
		{"a measure without a unit", func(c *Chart) { c.wear().Unit = "" }},
		{"meter \"wheel\"", func(c *Chart) { c.wear().Meter = "wheel" }},
		{"gauge 3 is unknown", func(c *Chart) { c.wear().Gauge = 3 }},
		{"inside the limits", func(c *Chart) { c.wear().ActHi = micro(599_999) }},
		{"inside the limits", func(c *Chart) { c.wear().ActLo = micro(200_001) }},
		{"spot \"near\" twice", func(c *Chart) { c.wear().Spots = []string{"near", "near"} }},
	} {
		chart := logChart()
		c.spoil(chart)
		err := chart.Check()
		require.ErrorIs(t, err, ErrChart, c.why)
		assert.ErrorContains(t, err, c.why)
	}
}

// wear is the measure of the log's chart.
func (c *Chart) wear() *MeasureDef {
	for i := range c.Tasks {
		if c.Tasks[i].ID == "trough/wear" {
			return &c.Tasks[i].Measure[0]
		}
	}
	return nil
}
