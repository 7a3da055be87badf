package maintenance

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// micro is a bound in millionths.
func micro(n int64) Bound { return Bound{Set: true, Micro: n} }

// otterChart is the chart of the tests about walk-rounds and leads: all of it is
// invented.
func otterChart() *Chart {
	below := []Cond{{Of: "serial", Op: CondBelow, Milli: 7300_000}}
	above := []Cond{{Of: "serial", Op: CondFrom, Milli: 7300_000}}
	return &Chart{
		ID: "otter", Edition: 3,
		Meters: []MeterDef{{ID: "engine", Kind: MeterBroadcast, Resolution: busStep, Group: 65253, SPN: 247}},
		Codes: []CodeDef{
			{ID: "shaker-slow", SPN: 521100, FMI: 1, Source: 40}, {ID: "return-full", SPN: 521107, AnyFMI: true, Source: AnySource},
			{ID: "oil-warm", SPN: 521109, FMI: 0, Source: 40}},
		Rounds:   []RoundDef{{ID: "seventy", Call: "70 h round"}},
		Cautions: []CautionDef{{"stand", "Key out, and nothing turns any more"}, {"prop", "Prop the flap"}},
		Traits: []TraitDef{
			{ID: "serial", Kind: TraitNumber, Ask: "Number on the plate"},
			{ID: "shaker_belt", Kind: TraitChoice, Ask: "Print on the shaker's belt", Choices: []string{"blue", "grey"}, Renewed: "shaker-belt"},
			{ID: "rented", Kind: TraitYesNo, Ask: "Is it rented out?"}},
		Conditions: []TraitDef{{ID: "crop", Kind: TraitChoice, Choices: []string{"rye", "peas"}}, {ID: "moisture", Kind: TraitNumber, Unit: "%"}},
		Events:     []EventDef{{ID: EventStorageOut}, {ID: "forded"}},
		Walks: []WalkDef{{ID: "dawn", Call: "before the first start"}, {ID: WalkBeforeSeason, Call: "before the season", Sign: SignSecond},
			{ID: "hand-over", Call: "hand-over", Sign: SignReceiver}},
		Parts: []PartDef{{ID: "shaker-belt", Kind: "belt"}},
		Points: []PointDef{
			{ID: "ladder", Call: "ladder"},
			{ID: "tail-flap", Call: "tail flap", Station: 9, Side: "rear"},
			{ID: "old-filter", Call: "bowl filter", Station: 2, FittedIf: below, OnDecal: true, NotHere: "the plate is that of the earlier build"},
			{ID: "new-filter", Call: "twin filter", Station: 2, FittedIf: above},
			{ID: "shaker-belt", Call: "shaker's belt", Station: 5, Side: "left"},
			{ID: "shaker-tensioner", Station: 6},
		},
		Tasks: []TaskDef{
			{ID: "ladder/look", Point: "ladder", Do: "check", Walks: []string{"dawn", WalkBeforeSeason}, See: []CriterionDef{{"rungs", "dry, none bent"}}},
			{ID: "tail-flap/look", Point: "tail-flap", Do: "check", Walks: []string{"dawn", WalkBeforeSeason}, Cautions: []string{"prop", "stand"},
				Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 30 * hours.Hour}},
				See:   []CriterionDef{{"hinge", "moves by hand"}}, Else: []ElseDef{{Remark: "flap-stiff", Verdict: DoNotRun}}},
			{ID: "old-filter/drain", Point: "old-filter", Do: "check", Walks: []string{"dawn"},
				Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 10 * hours.Hour}}},
			{ID: "new-filter/drain", Point: "new-filter", Do: "check", Walks: []string{"dawn"}},
			{ID: "shaker-belt/gap", Point: "shaker-belt", Do: "measure", Walks: []string{"dawn", WalkBeforeSeason}, Cautions: []string{"stand"},
				Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 45 * hours.Hour}}, Round: "seventy", Pose: "flap up", Tools: []string{"rule"},
				Measure: []MeasureDef{{What: "gap", Unit: "mm", Spots: []string{"upper", "lower"}, Want: micro(11_000_000), OkLo: micro(9_000_000), OkHi: micro(13_500_000),
					ActLo: micro(7_000_000), ActHi: micro(16_000_000), Found: true, Left: true, Meter: "engine"}}},
			{ID: "shaker-belt/wax", Point: "shaker-belt", Do: "never", Why: "wax makes it slip"},
			{ID: "shaker-belt/grey", Point: "shaker-belt", Do: "clean", FittedIf: []Cond{{Of: "shaker_belt", Op: CondIs, Words: []string{"grey"}}},
				Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 20 * hours.Hour}}},
		},
		Leads: []LeadDef{{ID: "shaker-lags", Codes: []string{"shaker-slow"}, Findings: []string{"shaker-drift"}, Remarks: []string{"shaker-loud"},
			Look: []LookDef{
				{Point: "tail-flap", If: []LeadCond{{Kind: LeadWithout, Name: "return-full", Seconds: 90}}, Why: "a full return says so itself"},
				{Point: "shaker-belt", If: []LeadCond{{Kind: LeadShift, Shift: ShiftLoad}}, Why: "it slips under load"},
				{Point: "shaker-tensioner", If: []LeadCond{{Kind: LeadSince, Name: EventStorageOut}}, Why: "seized while it stood"},
				{Point: "new-filter", If: []LeadCond{{Kind: LeadFact, Cond: Cond{Of: "crop", Op: CondIs, Words: []string{"peas"}}}}},
			}, NoHelp: []string{"driving slower"}}},
		Settings: []SettingDef{
			{ID: "drum", Call: "drum speed", Unit: "rpm", Suits: []SuitDef{
				{If: []Cond{{Of: "crop", Op: CondIs, Words: []string{"peas"}}}, Lo: micro(340_000_000), Hi: micro(420_000_000), Say: "slow for peas"},
				{If: []Cond{{Of: "crop", Op: CondIs, Words: []string{"rye"}}}, Lo: micro(700_000_000)}}},
			{ID: "grate", Choices: []string{"wide", "narrow"}, Suits: []SuitDef{{If: []Cond{{Of: "moisture", Op: CondAbove, Milli: 17_500}}, Word: "wide"}}}},
	}
}

// newOtter is a machine with the whole chart and the rules of version 2.
func newOtter(t testing.TB) *world {
	w := newWorld(t)
	w.service("rules", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition", after("0"), &EditionTaken{Chart: otterChart()})
	return w
}

func (w *world) trait(at, name, value string) []Effect {
	w.t.Helper()
	w.act++
	return w.apply(&Event{Key: ServiceKey("trait", string(w.act)), Writer: WriterService, At: moment.At(after(at)), Known: after(at), Body: &Trait{Name: name, Value: value, Person: "p1"}})
}

// refused is what a person's act is refused with.
func (w *world) refused(at string, body Body) string {
	w.t.Helper()
	e := w.person(after(at), body)
	v := Admit(w.s, e)
	require.Equal(w.t, VerdictRefuse, v.Word)
	before := w.s.Clone()
	Apply(before, e, nil)
	require.Len(w.t, before.Walks, len(w.s.Walks))
	require.Equal(w.t, w.s.Remarks, before.Remarks)
	require.Equal(w.t, w.s.Tasks, before.Tasks)
	return v.Err().Error()
}

func (w *world) begin(at, occasion, person string) Key {
	w.t.Helper()
	w.says(after(at), &Walk{Act: WalkBegin, Occasion: occasion, Date: civil.None, Person: person})
	return w.last.Key
}

func (w *world) answer(at string, walk Key, person string, looked ...Looked) Key {
	w.t.Helper()
	w.says(after(at), &Walk{Act: WalkAnswer, Walk: walk, Looked: looked, Date: civil.None, Person: person})
	return w.last.Key
}

func walkGap(spot string, tenths int64, left bool) Measured {
	return Measured{Spot: spot, Unit: "mm", Micro: tenths * 100_000, Left: left}
}
