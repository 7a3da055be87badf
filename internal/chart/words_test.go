package chart_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Charts that say nothing new keep the bytes that machines have taken. The
// hashes were worked out before the language had its newer words.
func TestChartsOfTheFirstWordsKeepTheirBytes(t *testing.T) {
	for name, want := range map[string]string{
		"testdata/whole.points.yaml":                               "c9c38835c2c3339f624e5370dd108dc409edfc785196e039e518cc7b4ed1996f",
		"testdata/demo.points.yaml":                                "5494a63f3db25f54946fde840a9aec270799acc74f000d3e1b9531f02edf300c",
		"../../cmd/hourbell/demo/charts/dabblestraw-4.points.yaml": "0cafa3291869db249eb5050f017b3f51c2e41509ab1bf20972a0e0cb2f3bb583",
		"../../cmd/hourbell/demo/charts/skeldrow-sr7.points.yaml":  "d8a7693306978905667ebd28b3f17a6b1360f55731b66f10798db51a164b3ae4",
	} {
		src, err := os.ReadFile(filepath.FromSlash(name))
		require.NoError(t, err)
		c, err := chart.Compile(name, src)
		require.NoError(t, err)
		assert.Equal(t, want, fmt.Sprintf("%x", c.Hash()), name)
		assert.Equal(t, byte(1), maintenance.AppendChart(nil, c)[0], name)
		assert.False(t, c.NeedsWorkRules(), name)
	}
}

func taskOf(t *testing.T, c *maintenance.Chart, id string) maintenance.TaskDef {
	t.Helper()
	i := slices.IndexFunc(c.Tasks, func(d maintenance.TaskDef) bool { return d.ID == id })
	require.GreaterOrEqual(t, i, 0, id)
	return c.Tasks[i]
}

func pointOf(t *testing.T, c *maintenance.Chart, id string) maintenance.PointDef {
	t.Helper()
	i := slices.IndexFunc(c.Points, func(d maintenance.PointDef) bool { return d.ID == id })
	require.GreaterOrEqual(t, i, 0, id)
	return c.Points[i]
}

func day(t *testing.T, y, m, d int) civil.Date {
	t.Helper()
	date, ok := civil.Of(y, m, d)
	require.True(t, ok)
	return date
}

func is(of string, words ...string) maintenance.Cond {
	return maintenance.Cond{Of: of, Op: maintenance.CondIs, Words: words}
}

func micros(n int64) maintenance.Bound { return maintenance.Bound{Set: true, Micro: n} }

func TestEverySectionOfTheWholeChartArrives(t *testing.T) {
	c := compileFile(t, "whole2.points.yaml")
	assert.True(t, c.NeedsWorkRules())
	assert.Equal(t, []maintenance.BasisDef{
		{Kind: maintenance.BasisBook, Text: "owner's book, green cover, pages 40 to 77", Who: "the maker", Agreed: day(t, 2029, 11, 30)},
		{Kind: maintenance.BasisDecal, Text: "plate under the seat box", Agreed: civil.None},
		{Kind: maintenance.BasisShop, Text: "what the winter meeting wrote down", Who: "foreman and both mechanics", Agreed: day(t, 2031, 1, 19)},
		{Kind: maintenance.BasisOwner, Text: "nothing on Sundays", Agreed: civil.None},
	}, c.Basis)
	assert.Equal(t, "pickup", c.Meters[2].Of)
	assert.Equal(t, []maintenance.AttachmentDef{{ID: "pickup", Call: "the swath pickup"}, {ID: "reel-bar", Call: "the eight-metre bar"}}, c.Attachments)
	assert.Equal(t, []maintenance.TraitDef{
		{ID: "frame_number", Kind: maintenance.TraitNumber, Ask: "Number stamped on the frame, right rail"},
		{ID: "axle_load", Kind: maintenance.TraitNumber, Ask: "Axle load on the plate", Unit: "t"},
		{ID: "winnower_belt", Kind: maintenance.TraitChoice, Ask: "Which belt runs the winnower?", Choices: []string{"smooth", "ribbed"}, Renewed: "winnower-belt"},
		{ID: "cold_kit", Kind: maintenance.TraitYesNo, Ask: "Is the cold-start kit fitted?"},
		{ID: "under_warranty", Kind: maintenance.TraitYesNo, Ask: "Is the machine under its maker's warranty?"},
	}, c.Traits)
	assert.Equal(t, []maintenance.TraitDef{
		{ID: "dust", Kind: maintenance.TraitChoice, Ask: "How dusty is it?", Choices: []string{"little", "usual", "heavy"}},
		{ID: "moisture", Kind: maintenance.TraitNumber, Ask: "Moisture of the grain", Unit: "%"},
		{ID: "crop", Kind: maintenance.TraitChoice, Choices: []string{"peas", "beans", "clover"}},
		{ID: "stones", Kind: maintenance.TraitYesNo, Ask: "Are there stones in the field?"},
	}, c.Conditions)
	assert.Equal(t, []maintenance.EventDef{{ID: "hosed", Call: "hosed down with water"}, {ID: "stone-hit", Call: "a stone went through"},
		{ID: "drum-choked", Call: "the drum choked"}, {ID: "taken-over", Call: "another driver took over"}}, c.Events)
	assert.Equal(t, []maintenance.CountDef{{ID: "tanks", Call: "tanks of grain", Unit: "tanks"}}, c.Counts)
	assert.Equal(t, []maintenance.MaterialDef{
		{ID: "post-grease", Call: "the post's grease", Kind: "grease", Thickener: "calcium sulfonate", NLGI: "2", Solids: "none",
			Mixes:    []maintenance.MixDef{{With: "polyurea", Word: maintenance.MixNo}, {With: "lithium", Word: maintenance.MixAsk}, {With: "clay", Word: maintenance.MixAsk}},
			MixChart: "the supplier's sheet of mixing", Pack: 400_000, PackUnit: "g", Numbers: []string{"PG-2"}, LeadDays: 2},
		{ID: "box-oil", Call: "box oil", Kind: "oil", Grade: "80W-90", Pack: 20_000, PackUnit: "l"},
		{ID: "lip-seal", Call: "lip seal", Kind: "seal"},
	}, c.Materials)
	assert.Equal(t, []maintenance.WalkDef{
		{ID: "spring", Call: "the spring walk", Sign: maintenance.SignSecond, After: []string{"storage-out"}},
		{ID: "handing-over", Call: "handing over", Sign: maintenance.SignReceiver, After: []string{"taken-over"}},
	}, c.Walks)
	assert.Equal(t, []maintenance.PartDef{
		{ID: "winnower-belt", Call: "the winnower's belt", Kind: "belt", Size: "B 84", Pieces: 2, Meter: "thresher", Spare: "behind the seat",
			Numbers: []string{"W-84"}, Alternates: []string{"W-84R", "W-85"}, Pack: 2, LeadDays: 4, Variants: []string{"smooth", "ribbed"}},
		{ID: "pickup-box", Call: "pickup box", Kind: "chain", Size: "40", Pitches: 58, Meter: "engine"},
	}, c.Parts)
	assert.Equal(t, []maintenance.SettingDef{
		{ID: "winnower-speed", Call: "speed of the winnower", Unit: "rpm", Point: "sieve-lever", Suits: []maintenance.SuitDef{
			{If: []maintenance.Cond{is("crop", "clover")}, Lo: micros(610_000_000), Hi: micros(690_000_000), Say: "start low, clover flies"},
			{If: []maintenance.Cond{is("crop", "beans")}, Lo: micros(980_000_000), Hi: micros(980_000_000)},
		}},
		{ID: "sieve", Call: "sieve", Choices: []string{"shut", "half", "open"}, Suits: []maintenance.SuitDef{{If: []maintenance.Cond{is("crop", "peas")}, Word: "half"}}},
	}, c.Settings)
	assert.Equal(t, []maintenance.LeadDef{{
		ID: "winnower-lags", Call: "the winnower turns slower than it should", Codes: []string{"winnower-slow"}, Findings: []string{"winnower-shift"}, Remarks: []string{"belt-long"},
		Drive: []maintenance.DriveFindDef{{Drive: "winnower", LearnAfter: "winnower-belt/fit", FindOver: 35_000, ForMinutes: 20, Alarm: 120_000}},
		Look: []maintenance.LookDef{
			{Point: "winnower-belt", Why: "it slips when it is damp", If: []maintenance.LeadCond{{Kind: maintenance.LeadShift, Shift: "load"},
				{Kind: maintenance.LeadFact, Cond: maintenance.Cond{Of: "moisture", Op: maintenance.CondAbove, Milli: 18_000}}, {Kind: maintenance.LeadFact, Cond: is("winnower_belt", "smooth")}}},
			{Point: "sieve-lever", Why: "it stiffens over winter", If: []maintenance.LeadCond{{Kind: maintenance.LeadSince, Name: "storage-in"}, {Kind: maintenance.LeadWithout, Name: "chaff-gate", Seconds: 90}}},
			{Point: "side-filters", Why: "both go with one blocked screen", If: []maintenance.LeadCond{{Kind: maintenance.LeadWith, Name: "chaff-gate", Seconds: 30}}},
		},
		NoHelp: []string{"opening the chaff gate"},
	}}, c.Leads)

	back, err := maintenance.DecodeChart(maintenance.AppendChart(nil, c))
	require.NoError(t, err)
	assert.Equal(t, c, back)
}

func TestEveryWordOfPointsArrives(t *testing.T) {
	c := compileFile(t, "whole2.points.yaml")
	assert.Equal(t, maintenance.PointDef{
		ID: "drum-post", Call: "the drum's post", OnDecal: true, Station: 3, Side: "right", Reach: "from the step", Access: "the tin behind the step",
		Shields: 2, Fittings: 3, Clock: 4, SeenFrom: "right", Picture: "drum-post-1",
	}, pointOf(t, c, "drum-post"))
	assert.Equal(t, maintenance.PointDef{
		ID: "winnower-belt", Station: 5, Side: "left", OnDecal: true, NotHere: "later machines have a chain there",
		FittedIf: []maintenance.Cond{{Of: "frame_number", Op: maintenance.CondFrom, Milli: 300_000}, {Of: "frame_number", Op: maintenance.CondBelow, Milli: 7_200_000}},
	}, pointOf(t, c, "winnower-belt"))
	assert.Equal(t, "pickup", pointOf(t, c, "pickup-box").Attachment)
}

func TestEveryWordOfTasksArrives(t *testing.T) {
	c := compileFile(t, "whole2.points.yaml")
	assert.Equal(t, maintenance.TaskDef{
		ID: "drum-post/grease", Point: "drum-post", Do: "grease", Call: "Grease the drum's post", Round: "noon", Who: "operator", Material: "post-grease",
		Amount: "2 to 3 strokes per fitting, at most 4, at most 60 a season", Minutes: 6, Cautions: []string{"stopped"},
		Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "thresher", Every: 80 * hours.Hour, Soon: 6 * hours.Hour, Late: 9 * hours.Hour,
			While: []maintenance.Cond{is("dust", "usual", "little")}}},
		Basis: maintenance.BasisShop, Walks: []string{"spring", "handing-over"},
		Triggers: []maintenance.TriggerDef{{Kind: maintenance.TriggerEvent, Name: "hosed", By: maintenance.ByHours, In: 2 * hours.Hour, Meter: "engine"}},
		TooSoon:  maintenance.TooSoonDef{Hours: 45 * hours.Hour, Meter: "thresher", Days: 1, Unless: []string{"hosed"}},
		DoneWhen: "a thin ring shows all round", Pose: "drum turned to its mark", Access: "both tins off", Tools: []string{"gun with the long nozzle"},
		Dose:     []maintenance.DoseDef{{Unit: "stroke", Lo: 2_000, Hi: 3_000, Most: 4_000, Season: 60_000, Per: "fitting"}},
		HarmOver: "the lip turns out", HarmUnder: "the race goes blue", Expect: "the third fitting takes its grease slowly",
		Refuse: []maintenance.Property{{Name: "thickener", Value: "polyurea"}, {Name: "solids", Value: "graphite"}, {Name: "solids", Value: "moly"}},
	}, taskOf(t, c, "drum-post/grease"))
	assert.Equal(t, maintenance.TaskDef{ID: "drum-post/water", Point: "drum-post", Do: "never", Call: "Never water drum post", Why: "a jet drives water past the lip"},
		taskOf(t, c, "drum-post/water"))

	play := taskOf(t, c, "drum-post/play")
	assert.Equal(t, []maintenance.Limb{
		{Kind: maintenance.LimbSeason, When: maintenance.SeasonAfter, Seasons: 1},
		{Kind: maintenance.LimbCounted, Of: "tanks", Count: 900_000, Soon: 50_000, Late: 100_000},
		{Kind: maintenance.LimbDays, Meter: "thresher", Days: 20, SoonDays: 2},
	}, play.Limbs)
	remedies := []string{"take a shim out", "renew the bearing"}
	assert.Equal(t, []maintenance.MeasureDef{{What: "play at the rim", Unit: "mm", Spots: []string{"upper", "lower"}, Want: micros(150_000),
		OkLo: micros(50_000), OkHi: micros(300_000), ActHi: micros(600_000), Found: true, Left: true, Meter: "thresher", Remedies: remedies}}, play.Measure)
	assert.Equal(t, []maintenance.ElseDef{{Choose: remedies, Remark: "loose-post", Verdict: maintenance.RunWatched}}, play.Else)
	assert.True(t, play.SignOff)

	assert.Equal(t, []maintenance.NeedDef{{What: "winnower-belt", Milli: 2_000, Unit: "pieces"}, {What: "lip-seal", Milli: 1_000, Unit: "pieces"}, {What: "box-oil", Milli: 300, Unit: "l"}},
		taskOf(t, c, "winnower-belt/fit").Needs)
	tension := taskOf(t, c, "winnower-belt/tension")
	assert.Equal(t, []maintenance.RunInDef{{Part: "winnower-belt", Meter: "thresher", Marks: []hours.Millis{20 * hours.Minute, 90 * hours.Minute, 5 * hours.Hour},
		If: []maintenance.Cond{is("variant", "ribbed")}, Expect: "a finger's width longer at the first look"}}, tension.RunIns)
	assert.Equal(t, []maintenance.CriterionDef{{Name: "mark", Want: "between the two notches"}, {Name: "edges", Want: "no cords to be seen"}}, tension.See)
	assert.Equal(t, []maintenance.ElseDef{{Remark: "belt-long", Verdict: maintenance.DoNotRun}}, tension.Else)
	free := taskOf(t, c, "winnower-belt/free")
	assert.Equal(t, maintenance.GaugeLoose, free.Measure[0].Gauge)
	assert.Equal(t, []maintenance.RunInDef{{Part: "winnower-belt", Meter: "engine", Marks: []hours.Millis{hours.Hour, 10 * hours.Hour}}}, free.RunIns)
	assert.Equal(t, []maintenance.Cond{{Of: "winnower_belt", Op: maintenance.CondIsNot, Words: []string{"smooth"}}}, free.FittedIf)
}

func TestSetsInsteadAndTriggersArrive(t *testing.T) {
	c := compileFile(t, "whole2.points.yaml")
	for _, item := range []string{"fuel", "hydraulic"} {
		d := taskOf(t, c, "side-filters/change:"+item)
		assert.Equal(t, []string{"side-filters/change", item, "Change side filters, " + item}, []string{d.Set, d.Item, d.Call})
		assert.Equal(t, []maintenance.Limb{
			{Kind: maintenance.LimbHours, Meter: "engine", Every: 240 * hours.Hour, Grid: true},
			{Kind: maintenance.LimbMonths, Months: 12, SoonDays: 10, LateDays: 20, Grid: true, GridFrom: day(t, 2030, 4, 1)},
		}, d.Limbs)
		assert.Equal(t, []maintenance.InsteadDef{{Basis: maintenance.BasisShop, Limbs: []maintenance.Limb{{Kind: maintenance.LimbSeason, When: maintenance.SeasonBefore, Seasons: 2}},
			Provided: []string{"side-filters/bowl"}, NotIf: []string{"under_warranty"}}}, d.Instead)
		assert.Equal(t, []string{"side-filters/bowl"}, d.Covers)
	}
	assert.Equal(t, []maintenance.Limb{{Kind: maintenance.LimbSeason, When: maintenance.SeasonIn, Seasons: 1, Crop: "peas"}}, taskOf(t, c, "side-filters/bowl").Limbs)
	blow := taskOf(t, c, "side-filters/blow")
	assert.True(t, blow.Soft)
	assert.Equal(t, []maintenance.Limb{{Kind: maintenance.LimbDays, Days: 1, While: []maintenance.Cond{is("dust", "heavy"), {Of: "moisture", Op: maintenance.CondUpTo, Milli: 14_500}}}}, blow.Limbs)

	assert.Equal(t, []maintenance.TriggerDef{{Kind: maintenance.TriggerBefore, Name: "hosed"}}, taskOf(t, c, "dynamo/hood").Triggers)
	assert.Equal(t, []maintenance.TriggerDef{
		{Kind: maintenance.TriggerBefore, Name: "hosed", By: maintenance.ByNextStart},
		{Kind: maintenance.TriggerDone, Name: "dynamo/hood", By: maintenance.ByNextStart},
	}, taskOf(t, c, "dynamo/unhood").Triggers)
	assert.Equal(t, []maintenance.TriggerDef{
		{Kind: maintenance.TriggerEvent, Name: "drum-choked", If: []maintenance.Cond{{Of: "minutes", Op: maintenance.CondAbove, Milli: 12_000}, is("stones", "yes")},
			Count: 3, Within: 30 * hours.Hour, Meter: "thresher", By: maintenance.ByNextStart},
		{Kind: maintenance.TriggerCode, Name: "chaff-gate", Count: 2, WithinDays: 3},
		{Kind: maintenance.TriggerDone, Name: "winnower-belt/fit", By: maintenance.ByDays, InDays: 2},
		{Kind: maintenance.TriggerFailed, Name: "drum-post/play"},
		{Kind: maintenance.TriggerFitted, Name: "winnower-belt"},
		{Kind: maintenance.TriggerFinding, Name: "winnower-lags"},
		{Kind: maintenance.TriggerFinding, Name: "winnower-shift"},
		{Kind: maintenance.TriggerFinding, Name: "winnower"},
	}, taskOf(t, c, "dynamo/bolts").Triggers)

	assert.Equal(t, []maintenance.Limb{
		{Kind: maintenance.LimbCounted, Of: "tanks", Count: 300_000, Late: 20_000, While: []maintenance.Cond{is("stones", "no")}},
		{Kind: maintenance.LimbSeason, When: maintenance.SeasonBefore, Seasons: 2, Crop: "peas"},
		{Kind: maintenance.LimbDays, Days: 30, LateDays: 4},
	}, taskOf(t, c, "sieve-lever/free").Limbs)

	for id, want := range map[string]struct {
		words string
		dose  maintenance.DoseDef
	}{
		"pickup-box/oil":   {"12 drops per link", maintenance.DoseDef{Unit: "drop", Lo: 12_000, Hi: 12_000, Per: "link"}},
		"pickup-box/fill":  {"1.25 l", maintenance.DoseDef{Unit: "l", Lo: 1_250, Hi: 1_250}},
		"pickup-box/pack":  {"30 to 40 g", maintenance.DoseDef{Unit: "g", Lo: 30_000, Hi: 40_000}},
		"pickup-box/rinse": {"250 ml", maintenance.DoseDef{Unit: "ml", Lo: 250_000, Hi: 250_000}},
	} {
		d := taskOf(t, c, id)
		assert.Equal(t, want.words, d.Amount, id)
		assert.Equal(t, []maintenance.DoseDef{want.dose}, d.Dose, id)
	}
}

// A chart for the first evening is short, and nothing in it needs explaining
// twice.
func TestEveningChart(t *testing.T) {
	c := compileFile(t, "evening.points.yaml")
	assert.Len(t, c.Points, 3)
	assert.Equal(t, "every 5 days worked", chart.IntervalWords(taskOf(t, c, "drive-belt/tension").Limbs))
	assert.Equal(t, []maintenance.DoseDef{{Unit: "stroke", Lo: 2_000, Hi: 2_000, Most: 3_000}}, taskOf(t, c, "tailboard-hinge/grease").Dose)
}

// A trait of two thousandths, or a quoted word of a number, reads as it stands.
func TestConditionsOnNumbersAndWords(t *testing.T) {
	in := head + `meters: {m: {read_off: x}}
traits: {year: {number: whole}, kit: "Is it there?", belt: {choose: [a, b]}}
points:
  - id: hub
    fitted_if: {year: 2019, kit: yes, belt: {not: [b]}}
    tasks: [{id: a, do: check, who: anyone, fitted_if: {kit: false}}]
`
	c, err := chart.Compile("f", []byte(in))
	require.NoError(t, err)
	assert.Equal(t, []maintenance.Cond{
		{Of: "year", Op: maintenance.CondFrom, Milli: 2_019_000}, {Of: "year", Op: maintenance.CondUpTo, Milli: 2_019_000},
		is("kit", "yes"), {Of: "belt", Op: maintenance.CondIsNot, Words: []string{"b"}},
	}, c.Points[0].FittedIf)
	assert.Equal(t, []maintenance.Cond{is("kit", "no")}, c.Tasks[0].FittedIf)
}
