package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestDecimalsAreExactToThousandths(t *testing.T) {
	for text, want := range map[string]int64{"0": 0, "7300": 7_300_000, "-0.5": -500, "12.345": 12_345, "0.05": 50, "999999999.999": 999_999_999_999} {
		got, ok := parseMilli(text)
		assert.True(t, ok, text)
		assert.Equal(t, want, got, text)
		assert.Equal(t, text, milliText(want))
	}
	for _, text := range []string{"", "-", ".5", "5.", "1.2345", "1,5", "1e3", "+4", "--4", "4 ", "one", "1.2é", "1234567890123"} {
		_, ok := parseMilli(text)
		assert.False(t, ok, text)
	}
}

func TestConditionsAreHeldToWhatIsKnown(t *testing.T) {
	is := func(op CondOp, milli int64, words ...string) *Cond {
		return &Cond{Of: "x", Op: op, Milli: milli, Words: words}
	}
	for name, c := range map[string]struct {
		cond  *Cond
		value string
		want  truth
	}{
		"is":           {is(CondIs, 0, "blue", "grey"), "grey", certain},
		"is another":   {is(CondIs, 0, "blue"), "grey", untrue},
		"is not":       {is(CondIsNot, 0, "blue"), "grey", certain},
		"is not, is":   {is(CondIsNot, 0, "blue"), "blue", untrue},
		"below":        {is(CondBelow, 7_000), "6.999", certain},
		"not below":    {is(CondBelow, 7_000), "7", untrue},
		"above":        {is(CondAbove, 7_000), "7.001", certain},
		"not above":    {is(CondAbove, 7_000), "7", untrue},
		"from":         {is(CondFrom, 7_000), "7", certain},
		"up to":        {is(CondUpTo, 7_000), "7.0", certain},
		"beyond up to": {is(CondUpTo, 7_000), "7.001", untrue},
		"no number":    {is(CondUpTo, 7_000), "seven", unsure},
		"unknown op":   {is(99, 7_000), "7", unsure},
	} {
		assert.Equal(t, c.want, evalCond(c.cond, c.value, true), name)
		assert.Equal(t, unsure, evalCond(c.cond, "", false), name)
	}
}

func TestAnyNoIsNoAndOtherwiseAnyUnknownIsUnknown(t *testing.T) {
	s := &State{Traits: []TraitKnown{{Name: "a", Value: "1"}, {Name: "b", Value: ""}}, Conditions: []TraitKnown{{Name: "a", Value: "3"}, {Name: "crop", Value: "rye"}}}
	a1, crop, b := Cond{Of: "a", Op: CondIs, Words: []string{"1"}}, Cond{Of: "crop", Op: CondIs, Words: []string{"rye"}}, Cond{Of: "b", Op: CondIs, Words: []string{"1"}}
	assert.Equal(t, certain, s.truthOf(nil, nil))
	assert.Equal(t, certain, s.truthOf([]Cond{a1, crop}, nil), "the build comes before crop and weather")
	assert.Equal(t, untrue, s.truthOf([]Cond{a1}, []Fact{{"a", "2"}}), "what is stated comes first")
	assert.Equal(t, unsure, s.truthOf([]Cond{a1, b}, nil), "one taken back is not known")
	assert.Equal(t, untrue, s.truthOf([]Cond{b, a1}, []Fact{{"a", "2"}}))
	var nobody *State
	assert.Equal(t, unsure, nobody.truthOf([]Cond{a1}, nil))
}

func TestTwoSerialsGetTwoBuilds(t *testing.T) {
	for serial, want := range map[string][2]BuildWord{"7299.999": {BuildFitted, BuildNot}, "7300": {BuildNot, BuildFitted}} {
		w := newOtter(t)
		require.Equal(t, BuildAsked, w.task("old-filter/drain").Build)
		require.Equal(t, BuildAsked, w.task("new-filter/drain").Build)
		fx := w.trait("1", "serial", serial)
		assert.Equal(t, 1, count(fx, EffectTold))
		assert.Equal(t, 2, count(fx, EffectBuild))
		assert.Equal(t, want, [2]BuildWord{w.task("old-filter/drain").Build, w.task("new-filter/drain").Build}, serial)
		assert.Equal(t, BuildFitted, w.task("tail-flap/look").Build)
	}
}

func TestUnknownTraitIsAQuestion(t *testing.T) {
	w := newOtter(t)
	q := Questions(w.s)
	require.Len(t, q, 2, "nothing depends on whether it is rented")
	assert.Equal(t, Question{Name: "serial", Ask: "Number on the plate", Kind: TraitNumber, Points: []string{"old-filter", "new-filter"},
		Tasks: []string{"old-filter/drain", "new-filter/drain"}}, q[0])
	assert.Equal(t, "shaker_belt", q[1].Name)
	assert.Equal(t, []string{"blue", "grey"}, q[1].Choices)
	assert.Equal(t, []string{"shaker-belt"}, q[1].Points)
	build, why := Fit(w.s, "new-filter")
	assert.Equal(t, BuildAsked, build)
	assert.Equal(t, "only with serial from 7300, and that is not known", why)

	w.trait("1", "serial", "7412")
	require.Len(t, Questions(w.s), 1)
	build, why = Fit(w.s, "old-filter")
	assert.Equal(t, BuildNot, build)
	assert.Equal(t, "the plate is that of the earlier build", why)

	w.trait("2", "serial", "")
	assert.Len(t, Questions(w.s), 2, "taken back, it is asked again")
	assert.Equal(t, BuildAsked, w.task("new-filter/drain").Build)
}

func TestAnswersAreRefusedWithWhatIsAllowed(t *testing.T) {
	w := newOtter(t)
	refuse := func(b *Trait) string {
		return Admit(w.s, &Event{Key: ServiceKey("x"), Writer: WriterService, Body: b}).Err().Error()
	}
	assert.Equal(t, `name: the chart asks no question "colour"; answer one of serial, shaker_belt, rented`, refuse(&Trait{Name: "colour", Value: "red"}))
	assert.Equal(t, `value: "red" does not answer "shaker_belt"; give one of blue, grey`, refuse(&Trait{Name: "shaker_belt", Value: "red"}))
	assert.Equal(t, `value: "maybe" does not answer "rented"; give one of yes, no`, refuse(&Trait{Name: "rented", Value: "maybe"}))
	assert.Contains(t, refuse(&Trait{Name: "serial", Value: "73x"}), "give a number, such as 12 or 12.5")
	assert.Contains(t, newRules2(t).suitsTrait(&Trait{Name: "serial", Value: "1"}).text(), "no chart yet")
	assert.Nil(t, New().suitsTrait(&Trait{Name: "serial", Value: "1"}), "the first rules take any")
}

func newRules2(t *testing.T) *State {
	s := New()
	s.Rules = WorkRules
	return s
}

func TestLateAnswerDoesNotReplaceALaterOne(t *testing.T) {
	w := newOtter(t)
	w.trait("5", "serial", "")
	fx := w.trait("4", "serial", "7412")
	assert.Equal(t, "serial: a later answer stands", fx[0].Why)
	assert.Equal(t, BuildAsked, w.task("new-filter/drain").Build, "it was taken back after that")
	w.trait("6", "serial", "7100")
	assert.Equal(t, BuildFitted, w.task("old-filter/drain").Build)
}

func TestWhatIsNotOnTheMachineRingsNobody(t *testing.T) {
	w := newOtter(t)
	w.trait("0.5", "serial", "7000")
	w.bus(after("1"), "100.00")
	w.done(after("1"), "old-filter/drain")
	w.bus(after("13"), "111.00")
	require.Equal(t, Overdue, w.task("old-filter/drain").State)
	require.Len(t, openNotices(w.s, "old-filter/drain"), 1)

	fx := w.trait("14", "serial", "7500")
	assert.Equal(t, 1, count(fx, EffectNoticeWithdrawn))
	assert.Equal(t, DueUnknown, w.task("old-filter/drain").State)
	assert.Empty(t, openNotices(w.s, "old-filter/drain"))

	fx = w.trait("15", "serial", "7000")
	assert.Equal(t, 1, count(fx, EffectNoticeRaised), "its record still counts")
	assert.Equal(t, Overdue, w.task("old-filter/drain").State)
	fx = w.trait("16", "serial", "")
	assert.Equal(t, 1, count(fx, EffectNoticeWithdrawn), "not known rings nobody either")
}

func TestAnEditionDecidesTheBuildAnew(t *testing.T) {
	w := newOtter(t)
	w.trait("1", "serial", "7412")
	w.trait("1", "shaker_belt", "grey")
	next := otterChart()
	next.Edition++
	next.Points[3].FittedIf[0].Milli = 7413_000
	next.Traits[1].Choices = []string{"blue", "green"}
	next.Tasks[6].FittedIf[0].Words = []string{"green"}
	w.service("edition 4", after("2"), &EditionTaken{Chart: next})
	assert.Equal(t, BuildNot, w.task("new-filter/drain").Build)
	q := Questions(w.s)
	require.Len(t, q, 1)
	assert.Equal(t, `the answer "grey" no longer fits the question`, q[0].Why)
	assert.Equal(t, BuildAsked, w.task("shaker-belt/grey").Build)
}

func TestARenewedPartMakesItsAnswerUnknown(t *testing.T) {
	w := newOtter(t)
	w.trait("3", "shaker_belt", "grey")
	piece := Piece{At: moment.At(after("4"))}
	w.s.Parts = []Part{{ID: "shaker-belt", Pieces: []Piece{piece}}}
	q := Questions(w.s)
	require.Len(t, q, 2)
	assert.Equal(t, "shaker-belt was renewed since it was answered", q[1].Why)
	w.s.Parts[0].Pieces[0].Void = Key{Seq: 1}
	assert.Len(t, Questions(w.s), 1, "one taken back was not fitted")
	w.s.Parts[0].Pieces[0] = Piece{At: moment.At(after("2"))}
	assert.Len(t, Questions(w.s), 1, "one fitted before changes nothing")
}

func TestTheFirstRulesKnowNoBuild(t *testing.T) {
	w := newWorld(t)
	fx := Apply(w.s, &Event{Key: ServiceKey("e"), Writer: WriterService, Body: &EditionTaken{Chart: otterChart()}}, nil)
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx), "what it says is not known yet")
	w.trait("1", "serial", "7412")
	assert.Empty(t, w.s.Traits)
	w.service("rules", after("2"), &RulesChanged{Version: WorkRules})
	fx = w.service("edition", after("2"), &EditionTaken{Chart: otterChart(), Person: "p1"})
	assert.Equal(t, 3, count(fx, EffectBuild))
	assert.Equal(t, BuildAsked, w.task("old-filter/drain").Build)
}

func TestAMachineWithoutAChartAsksNothing(t *testing.T) {
	s := newRules2(t)
	assert.Empty(t, Questions(s))
	build, why := Fit(s, "ladder")
	assert.Equal(t, BuildAsked, build)
	assert.Equal(t, "the machine has no chart yet", why)
}

func TestTraitsStayBounded(t *testing.T) {
	w := newOtter(t)
	for i := range TraitsKept {
		w.s.Traits = append(w.s.Traits, TraitKnown{Name: "a" + string(rune('0'+i/100)) + string(rune('0'+i/10%10)) + string(rune('0'+i%10)), Value: "1"})
	}
	w.trait("1", "serial", "7412")
	assert.Len(t, w.s.Traits, TraitsKept)
	assert.Equal(t, BuildFitted, w.task("new-filter/drain").Build)
}

func TestAnExplanationSaysWhyATaskIsNotHere(t *testing.T) {
	w := newOtter(t)
	w.trait("1", "serial", "7412")
	x, err := Explain(w.s, "old-filter/drain")
	require.NoError(t, err)
	assert.Contains(t, x.Rows, Reason{What: "build", Value: "not on this machine: only with serial below 7300, and it is 7412"})
	assert.Contains(t, x.Rows, Reason{What: "trait", Value: "serial 7412", At: moment.At(after("1")), Key: w.last.Key})
	x, err = Explain(w.s, "shaker-belt/grey")
	require.NoError(t, err)
	assert.Contains(t, x.Rows, Reason{What: "build", Value: "not known whether it is on this machine: only with shaker_belt grey, and that is not known"})
}

func TestConditionsInWords(t *testing.T) {
	for want, c := range map[string]Cond{
		"belt blue or grey": {Op: CondIs, Words: []string{"blue", "grey"}}, "belt not blue nor grey": {Op: CondIsNot, Words: []string{"blue", "grey"}},
		"belt below 0.5": {Op: CondBelow, Milli: 500}, "belt above -2": {Op: CondAbove, Milli: -2000}, "belt from 7": {Op: CondFrom, Milli: 7000}, "belt up to 7.05": {Op: CondUpTo, Milli: 7050}} {
		c.Of = "belt"
		assert.Equal(t, want, c.words())
	}
}

// Every place in a chart where a condition may stand asks its question.
func TestEveryConditionAsks(t *testing.T) {
	cond := []Cond{{Of: "rented", Op: CondIs, Words: []string{Yes}}}
	for name, put := range map[string]func(*Chart){
		"interval": func(c *Chart) { c.Tasks[1].Limbs[0].While = cond },
		"trigger":  func(c *Chart) { c.Tasks[0].Triggers = []TriggerDef{{Kind: TriggerEvent, Name: "forded", If: cond}} },
		"run-in":   func(c *Chart) { c.Tasks[0].RunIns = []RunInDef{{If: cond}} },
		"instead":  func(c *Chart) { c.Tasks[0].Instead = []InsteadDef{{NotIf: []string{"rented"}}} },
		"practice": func(c *Chart) { c.Tasks[0].Instead = []InsteadDef{{Limbs: []Limb{{While: cond}}}} },
		"lead":     func(c *Chart) { c.Leads[0].Look[0].If[0] = LeadCond{Kind: LeadFact, Cond: cond[0]} },
		"setting":  func(c *Chart) { c.Settings[0].Suits[0].If = cond },
	} {
		s := newRules2(t)
		s.Chart = otterChart()
		require.Len(t, Questions(s), 2)
		put(s.Chart)
		q := Questions(s)
		require.Len(t, q, 3, name)
		assert.Equal(t, "rented", q[2].Name)
		assert.Equal(t, []string{Yes, No}, q[2].Choices)
		assert.Empty(t, q[2].Points, "no place waits for it")
	}
}
