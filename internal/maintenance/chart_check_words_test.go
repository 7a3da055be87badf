package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTheWholeChartIsChecked(t *testing.T) {
	require.NoError(t, otterChart().Check())
	for want, spoil := range map[string]func(*Chart){
		`trait or condition "crop" is defined twice`:                     func(c *Chart) { c.Traits[2].ID = "crop" },
		`trait "serial": kind 9 is unknown`:                              func(c *Chart) { c.Traits[0].Kind = 9 },
		`trait "shaker_belt": a choice of none`:                          func(c *Chart) { c.Traits[1].Choices = nil },
		`trait "serial": choices for what is no choice`:                  func(c *Chart) { c.Traits[0].Choices = []string{"1"} },
		`point "old-filter": a condition on "plate", which is not`:       func(c *Chart) { c.Points[2].FittedIf[0].Of = "plate" },
		`point "old-filter": a condition on "moisture", which is not`:    func(c *Chart) { c.Points[2].FittedIf[0].Of = "moisture" },
		`a condition on "rented" compares what is no number`:             func(c *Chart) { c.Points[2].FittedIf[0].Of = "rented" },
		`comparison 9 is unknown`:                                        func(c *Chart) { c.Points[2].FittedIf[0].Op = 9 },
		`task "shaker-belt/grey": a condition on "shaker_belt" names no`: func(c *Chart) { c.Tasks[6].FittedIf[0].Words = nil },
		`"red" does not answer it`:                                       func(c *Chart) { c.Tasks[6].FittedIf[0].Words = []string{"red"} },
		`"serial" is no trait that is answered yes or no`:                func(c *Chart) { c.Tasks[0].Instead = []InsteadDef{{NotIf: []string{"serial"}}} },
		`task "tail-flap/look": interval 1: a condition on "wind"`:       func(c *Chart) { c.Tasks[1].Limbs[0].While = []Cond{{Of: "wind", Op: CondIs, Words: []string{"x"}}} },
		`walk-round "dawn" is defined twice`:                             func(c *Chart) { c.Walks[1].ID = "dawn" },
		`walk-round "dawn": signature 3 is unknown`:                      func(c *Chart) { c.Walks[0].Sign = 3 },
		`task "ladder/look": walk-round "dusk" is not defined`:           func(c *Chart) { c.Tasks[0].Walks = []string{"dusk"} },
		`setting "drum" is defined twice`:                                func(c *Chart) { c.Settings[1].ID = "drum" },
		`setting "grate": "open" is none of its choices`:                 func(c *Chart) { c.Settings[1].Suits[0].Word = "open" },
		`setting "drum": a figure for a word, or a word for a figure`:    func(c *Chart) { c.Settings[0].Suits[0].Word = "fast" },
		`setting "drum": no figure suits`:                                func(c *Chart) { c.Settings[0].Suits[1].Lo = Bound{} },
		`setting "drum": the range ends below where it begins`:           func(c *Chart) { c.Settings[0].Suits[0].Hi = micro(1) },
		`lead "shaker-lags": code "x" is not defined`:                    func(c *Chart) { c.Leads[0].Codes = []string{"x"} },
		`place 1: code "x" is not defined`:                               func(c *Chart) { c.Leads[0].Look[0].If[0].Name = "x" },
		`place 2: shift "sideways" is unknown`:                           func(c *Chart) { c.Leads[0].Look[1].If[0].Shift = "sideways" },
		`place 3: an event without a name`:                               func(c *Chart) { c.Leads[0].Look[2].If[0].Name = "" },
		`place 4: a condition on "crop": "oats" does not answer it`:      func(c *Chart) { c.Leads[0].Look[3].If[0].Cond.Words = []string{"oats"} },
		`place 1: point "roof" is not defined`:                           func(c *Chart) { c.Leads[0].Look[0].Point = "roof" },
		`place 1: a condition of kind 9 is unknown`:                      func(c *Chart) { c.Leads[0].Look[0].If[0].Kind = 9 },
		`lead "shaker-lags" is defined twice`:                            func(c *Chart) { c.Leads = append(c.Leads, c.Leads[0]) },
		`more than 128 settings`:                                         func(c *Chart) { c.Settings = make([]SettingDef, SettingsKept+1) },
		`more than 256 traits`:                                           func(c *Chart) { c.Conditions = make([]TraitDef, TraitsKept+1) },
	} {
		c := otterChart()
		spoil(c)
		err := c.Check()
		require.ErrorIs(t, err, ErrChart, want)
		assert.ErrorContains(t, err, want)
	}
}
