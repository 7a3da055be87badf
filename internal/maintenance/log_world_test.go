package maintenance

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// logChart is the chart of the log's tests. Its figures are invented; the words on
// mixing are those of US Bureau of Reclamation FIST 2-4, 1990, table 2.
func logChart() *Chart {
	return &Chart{
		ID: "heron-log", Edition: 1,
		Meters: []MeterDef{
			{ID: "engine", Kind: MeterBroadcast, Resolution: busStep, Group: 65253, Source: 0, SPN: 247},
			{ID: "reel", Kind: MeterDerived, Resolution: hours.Second, Of: "reel-head"},
		},
		Events:      []EventDef{{ID: "soaked", Call: "soaked by rain"}},
		Rounds:      []RoundDef{{ID: "dusk", Call: "dusk round"}},
		Attachments: []AttachmentDef{{ID: "reel-head", Call: "reel head"}},
		Traits:      []TraitDef{{ID: "chopper_cord", Kind: TraitChoice, Choices: []string{"woven", "plain"}, Renewed: "chopper-belt"}},
		Materials: []MaterialDef{
			{ID: "blue", Kind: "grease", Thickener: "lithium complex", NLGI: "2", Solids: "none", MixChart: "FIST 2-4",
				Mixes: []MixDef{{"polyurea", MixNo}, {"clay", MixNo}, {"calcium", MixAsk}}},
			{ID: "white", Kind: "grease", Thickener: "calcium", NLGI: "1"},
			{ID: "green", Kind: "grease", Thickener: "polyurea", NLGI: "2"},
			{ID: "brown", Kind: "grease", Thickener: "lithium", NLGI: "2", Solids: "graphite"},
			{ID: "hub-oil", Kind: "oil", Grade: "80"},
		},
		Parts: []PartDef{
			{ID: "chopper-belt", Kind: "belt", Meter: "engine", Variants: []string{"woven", "plain"}},
			{ID: "breather", Kind: "filter", Meter: "engine", Pieces: 3},
			{ID: "reel-cam", Kind: "bearing", Meter: "reel"},
		},
		Points: []PointDef{
			{ID: "crank-bearing", Fittings: 2}, {ID: "chopper-belt"}, {ID: "breather"}, {ID: "trough"}, {ID: "hub"},
			{ID: "reel-cam", Attachment: "reel-head"},
		},
		Tasks: []TaskDef{
			{ID: "crank-bearing/grease", Point: "crank-bearing", Do: "grease", Round: "dusk", Who: "operator", Material: "blue",
				Limbs:    []Limb{{Kind: LimbHours, Meter: "engine", Every: 40 * hours.Hour}},
				TooSoon:  TooSoonDef{Hours: 15 * hours.Hour, Meter: "engine", Unless: []string{"soaked"}},
				Dose:     []DoseDef{{Unit: "stroke", Lo: 2000, Hi: 3000, Most: 4000, Season: 10_000, Per: "fitting"}},
				Refuse:   []Property{{"solids", "graphite"}},
				HarmOver: "the lip seal folds out"},
			{ID: "chopper-belt/renew", Point: "chopper-belt", Do: "replace", Who: "technician",
				Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 600 * hours.Hour}}},
			{ID: "chopper-belt/watch", Point: "chopper-belt", Do: "check", Triggers: []TriggerDef{{Kind: TriggerDone, Name: "chopper-belt/renew", By: ByDays, InDays: 2}}},
			{ID: "breather/change:left", Point: "breather", Do: "change", Set: "breather/change", Item: "left", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 100 * hours.Hour}}},
			{ID: "breather/change:right", Point: "breather", Do: "change", Set: "breather/change", Item: "right", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 100 * hours.Hour}}},
			{ID: "breather/change:rear", Point: "breather", Do: "change", Set: "breather/change", Item: "rear", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 100 * hours.Hour}}},
			{ID: "trough/wear", Point: "trough", Do: "measure", Round: "dusk",
				See:     []CriterionDef{{Name: "floor", Want: "no hole"}},
				Else:    []ElseDef{{Remark: "trough-worn", Verdict: RunWatched}},
				Measure: []MeasureDef{{What: "gap", Unit: "mm", Spots: []string{"near", "mid", "far"}, OkLo: micro(200_000), OkHi: micro(600_000), ActLo: micro(100_000), ActHi: micro(1_000_000), Meter: "engine"}}},
			{ID: "trough/overhaul", Point: "trough", Do: "overhaul", Who: "dealer", Covers: []string{"trough/sweep"}},
			{ID: "trough/sweep", Point: "trough", Do: "clean", Covers: []string{"trough/look", "trough/overhaul"}},
			{ID: "trough/look", Point: "trough", Do: "check"},
			{ID: "hub/oil", Point: "hub", Do: "never", Round: "dusk", Why: "it swells the bush"},
			{ID: "hub/level", Point: "hub", Do: "fill", Dose: []DoseDef{{Unit: "ml", Lo: 100_000, Hi: 200_000, Most: 250_000}}, Material: "hub-oil"},
			{ID: "reel-cam/grease", Point: "reel-cam", Do: "grease", Round: "dusk", Limbs: []Limb{{Kind: LimbHours, Meter: "reel", Every: 30 * hours.Hour}}},
		},
	}
}

// newLogWorld is heron-3 under WorkRules, with 1000 h on the engine at sunrise.
func newLogWorld(t testing.TB) *world {
	w := newWorld(t)
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition log", after("0"), &EditionTaken{Chart: logChart(), Person: "p1"})
	w.bus(after("0"), "1000.00")
	return w
}

// logs saves a record and returns its key.
func (w *world) logs(at moment.Instant, b ServiceDone) Key {
	w.t.Helper()
	if b.Date == 0 {
		b.Date = civil.None
	}
	w.says(at, &b)
	return w.last.Key
}

// refuses asks whether a body is refused, and about what.
func (w *world) refuses(at moment.Instant, body Body) Verdict {
	w.t.Helper()
	v := Admit(w.s, w.person(at, body))
	require.Equal(w.t, VerdictRefuse, v.Word, "%+v", body)
	require.NotEmpty(w.t, v.Do)
	return v
}

// said are the kinds said of a record before it is saved.
func (w *world) said(at moment.Instant, b ServiceDone) (all Said) {
	w.t.Helper()
	if b.Date == 0 {
		b.Date = civil.None
	}
	before := w.s.Hash()
	for _, s := range Says(w.s, w.person(at, &b)) {
		all |= s.Kind
	}
	require.Equal(w.t, before, w.s.Hash(), "saying changes nothing")
	return all
}

// with are the tasks that have a standing record of a key.
func (w *world) with(record Key) (out []string) {
	for i := range w.s.Tasks {
		if w.s.recordOn(record, []int{i}) != nil {
			out = append(out, w.s.Tasks[i].ID)
		}
	}
	return out
}
