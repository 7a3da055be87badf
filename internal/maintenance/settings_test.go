package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func drum(left int64, facts ...Fact) *SettingsLeft {
	return &SettingsLeft{Settings: []SettingLeft{{Setting: "drum", Found: micro(800_000_000), Left: micro(left * 1_000_000)}}, Facts: facts, Person: "p1"}
}

func TestConditionsTurnAgainstASetting(t *testing.T) {
	w := newOtter(t)
	fx := w.says(after("1"), drum(760, Fact{"crop", "rye"}))
	assert.Equal(t, "drum speed: found 800 rpm, left 760 rpm", fx[0].Why)
	assert.Empty(t, SettingWords(w.s), "what is not known decides nothing")
	w.s.Conditions = []TraitKnown{{Name: "crop", Value: "rye"}}
	assert.Empty(t, SettingWords(w.s))
	w.s.Conditions[0].Value = "peas"
	said := SettingWords(w.s)
	require.Len(t, said, 1)
	assert.Equal(t, SettingWord{Setting: "drum", Call: "drum speed", Left: "760 rpm", Wanted: "340 to 420 rpm", Say: "slow for peas",
		Text:   "conditions turned against it: drum speed was left at 760 rpm, and 340 to 420 rpm suits now (crop peas)",
		SetFor: []Fact{{"crop", "rye"}}, Now: []Fact{{"crop", "peas"}}, Turned: true, By: w.last.Key}, said[0])

	w.says(after("2"), drum(421, Fact{"crop", "peas"}))
	said = SettingWords(w.s)
	require.Len(t, said, 1)
	assert.False(t, said[0].Turned, "it was set so for peas")
	w.says(after("3"), drum(420))
	assert.Empty(t, SettingWords(w.s), "the ends of the range suit")
	w.says(after("2"), drum(760))
	assert.Empty(t, SettingWords(w.s), "one told late is not how it is set now")
	assert.Len(t, w.s.Settings, 1)
}

func TestASettingOfWords(t *testing.T) {
	w := newOtter(t)
	w.says(after("1"), &SettingsLeft{Settings: []SettingLeft{{Setting: "grate", LeftWord: "narrow"}}})
	w.s.Conditions = []TraitKnown{{Name: "moisture", Value: "17.6"}}
	said := SettingWords(w.s)
	require.Len(t, said, 1)
	assert.Equal(t, "conditions turned against it: grate was left at narrow, and wide suits now (moisture 17.6)", said[0].Text)
	w.s.Conditions[0].Value = "17.5"
	assert.Empty(t, SettingWords(w.s))
}

func TestWhatDoesNotSuitASettingIsRefused(t *testing.T) {
	w := newOtter(t)
	for want, n := range map[string]SettingLeft{
		`the chart has no setting "fan"; name one of drum, grate`:   {Setting: "fan"},
		`it is not said how "drum" was left; give a figure in rpm`:  {Setting: "drum", Found: micro(1)},
		`a word for "drum", which is a figure`:                      {Setting: "drum", Left: micro(1), LeftWord: "fast"},
		`"grate" can't be left at "open"; give one of wide, narrow`: {Setting: "grate", LeftWord: "open"},
		`"grate" can't have been found at "open"`:                   {Setting: "grate", LeftWord: "wide", FoundWord: "open"},
		`a figure for "grate", which is a word`:                     {Setting: "grate", Left: micro(1), LeftWord: "wide"},
	} {
		assert.Contains(t, w.refused("1", &SettingsLeft{Settings: []SettingLeft{n}}), want)
	}
	twice := drum(400)
	twice.Settings = append(twice.Settings, twice.Settings[0])
	assert.Contains(t, w.refused("1", twice), `setting "drum" twice`)
	assert.Contains(t, w.refused("1", drum(400, Fact{"crop", "oats"})), `"oats" does not answer "crop"; give one of rye, peas`)
	assert.Contains(t, newRules2(t).suitsSettings(drum(1)).text(), "no chart yet")
	assert.Empty(t, SettingWords(newRules2(t)))
}
