package maintenance

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func crank(materials ...MaterialUsed) ServiceDone {
	return ServiceDone{Tasks: []string{"crank-bearing/grease"}, Date: dayOne, Materials: materials}
}

func strokes(material string, n int64) MaterialUsed {
	return MaterialUsed{Material: material, Milli: n * 1000, Unit: "stroke"}
}

func TestTooSoonIsSaidAndKept(t *testing.T) {
	w := newLogWorld(t)
	assert.Zero(t, w.said(after("0.5"), crank()), "nothing before it")
	w.logs(after("0.5"), crank())
	w.bus(after("12"), "1011.50")
	says := Says(w.s, w.person(after("12.1"), &ServiceDone{Tasks: []string{"crank-bearing/grease"}, Date: dayOne}))
	require.Len(t, says, 1)
	assert.Equal(t, SaidTooSoon, says[0].Kind)
	assert.Equal(t, "crank-bearing/grease: 11.50 h of engine since the last one at 1000.00 h; not before 15.00 h: the lip seal folds out", says[0].Text)

	w.logs(after("12.1"), crank())
	r := w.task("crank-bearing/grease").latest()
	assert.Equal(t, w.last.Key, r.Record, "it is kept and counts")
	assert.Equal(t, SaidTooSoon, r.Said)
	assert.Equal(t, 1, count(w.fx, EffectSaid))

	w.bus(after("13"), "1012.00")
	w.s.Happened = append(w.s.Happened, Happening{Kind: HappenedEvent, Name: "soaked", At: w.task("crank-bearing/grease").latest().At})
	assert.Equal(t, SaidTooSoon, w.said(after("13"), crank()), "soaked when it was done, not since")
	w.s.Happened[0].At.NotAfter, w.s.Happened[0].At.NotBefore = after("12.5"), after("12.5")
	assert.Zero(t, w.said(after("13"), crank()), "soaked since")
	w.s.Happened[0].Kind = HappenedAhead
	assert.Equal(t, SaidTooSoon, w.said(after("13"), crank()), "only going to be")
	w.s.Happened = nil
	w.bus(after("30"), "1027.00")
	assert.Zero(t, w.said(after("30"), crank()), "15 h or more")
}

func TestTooSoonInDays(t *testing.T) {
	w := newLogWorld(t)
	w.s.Chart.Tasks[0].TooSoon = TooSoonDef{Days: 4}
	w.logs(after("1"), crank())
	assert.Equal(t, SaidTooSoon, w.said(after("50"), ServiceDone{Tasks: []string{"crank-bearing/grease"}, Date: dayOne.AddDays(3)}))
	assert.Zero(t, w.said(after("50"), ServiceDone{Tasks: []string{"crank-bearing/grease"}, Date: dayOne.AddDays(4)}))
}

func TestHowMuchIsTooMuch(t *testing.T) {
	for _, c := range []struct {
		name string
		m    MaterialUsed
		gun  int64 // millionths of a gram a stroke, 0: not measured
		want Said
	}{
		{"eight strokes into two fittings of four", strokes("blue", 8), 0, 0},
		{"nine", strokes("blue", 9), 0, SaidTooMuch},
		{"21 into two fittings of ten a season", strokes("blue", 21), 0, SaidTooMuch | SaidSeason},
		{"grams of a gun that was not measured are not judged", MaterialUsed{Material: "blue", Milli: 90_000, Unit: "g"}, 0, 0},
		{"12 g are 8 strokes of 1.5 g", MaterialUsed{Material: "blue", Milli: 12_000, Unit: "g", Gun: "red"}, 1_500_000, 0},
		{"0.0135 kg are 9 of them", MaterialUsed{Material: "blue", Milli: 14, Unit: "kg", Gun: "red"}, 1_500_000, SaidTooMuch},
		{"millilitres are not compared with strokes", MaterialUsed{Material: "blue", Milli: 900_000, Unit: "ml"}, 1_500_000, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newLogWorld(t)
			if c.gun > 0 {
				w.says(after("0.1"), &GunMeasured{Gun: "red", Micro: c.gun})
			}
			assert.Equal(t, c.want, w.said(after("1"), crank(c.m)))
		})
	}
}

func TestLitresAreJudgedInMillilitres(t *testing.T) {
	w := newLogWorld(t)
	fill := func(milli int64) ServiceDone {
		return ServiceDone{Tasks: []string{"hub/level"}, Date: dayOne, Materials: []MaterialUsed{{Material: "hub-oil", Milli: milli, Unit: "l"}}}
	}
	assert.Zero(t, w.said(after("1"), fill(250)))
	b := fill(251)
	says := Says(w.s, w.person(after("1"), &b))
	require.Len(t, says, 1)
	assert.Equal(t, "hub/level: 251 ml went in; at most 250 ml at once", says[0].Text)
}

func TestASeasonsAmount(t *testing.T) {
	// Two fittings, at most ten strokes each in one season: 20.
	for _, c := range []struct {
		name    string
		seasons []SeasonSeen
		days    int // between the record and the one before
		want    Said
	}{
		{"the same season", []SeasonSeen{{Opened: dayOne.AddDays(-3), Closed: 0}}, 30, SaidSeason},
		{"one before it opened", []SeasonSeen{{Opened: dayOne.AddDays(20), Closed: 0}}, 30, 0},
		{"one before it, the other in it", []SeasonSeen{{Opened: dayOne.AddDays(-3), Closed: dayOne.AddDays(10)}, {Opened: dayOne.AddDays(20)}}, 30, 0},
		{"none known, within 365 days", nil, 364, SaidSeason},
		{"none known, a year on", nil, 365, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newLogWorld(t)
			w.s.Chart.Tasks[0].TooSoon, w.s.Chart.Tasks[0].Dose[0].Most = TooSoonDef{}, 0
			for _, n := range c.seasons {
				if n.Closed == 0 {
					n.Closed = civil.None
				}
				w.s.Seasons = append(w.s.Seasons, n)
			}
			key := w.logs(after("1"), crank(strokes("blue", 15)))
			b := crank(strokes("blue", 6))
			b.Date = dayOne.AddDays(c.days)
			at := after("2").Add(hours.Millis(24*c.days) * hours.Hour)
			assert.Equal(t, c.want, w.said(at, b))
			w.says(after("3"), &Void{Record: key})
			assert.Zero(t, w.said(at, b), "void: only six went in")
		})
	}
}

func TestMixing(t *testing.T) {
	// Lithium complex with calcium borderline, with polyurea no: US Bureau of
	// Reclamation FIST 2-4, 1990, table 2.
	for _, c := range []struct {
		name     string
		was, now string
		want     Said
	}{
		{"the same", "blue", "blue", 0},
		{"polyurea on lithium complex", "blue", "green", SaidMix | SaidMaterial},
		{"lithium complex on polyurea, though only the other says so", "green", "blue", SaidMix},
		{"calcium on lithium complex", "blue", "white", SaidMixAsk | SaidMaterial},
		{"lithium on lithium complex", "blue", "brown", SaidRefused | SaidMaterial},
		{"unknown", "blue", "black", SaidMaterial},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newLogWorld(t)
			w.s.Chart.Tasks[0].TooSoon = TooSoonDef{}
			w.logs(after("1"), crank(strokes(c.was, 2)))
			assert.Equal(t, c.want, w.said(after("2"), crank(strokes(c.now, 2))))
		})
	}
}

// US Bureau of Reclamation FIST 2-4, 1990, table 2: lithium complex does not go
// with clay, is borderline with none of lithium, and calcium with lithium is.
func TestMixingByThePublishedChart(t *testing.T) {
	for pair, want := range map[[2]string]MixWord{{"lithium complex", "clay"}: MixNo, {"lithium", "calcium"}: MixAsk, {"lithium", "lithium complex"}: 0, {"lithium", "soap"}: 0} {
		a, b := MaterialDef{ID: "a", Thickener: pair[0]}, MaterialDef{ID: "b", Thickener: pair[1]}
		word, chart := a.mix(&b)
		assert.Equal(t, want, word, pair)
		assert.Equal(t, want != 0, strings.Contains(chart, "FIST 2-4"), pair)
		b.Mixes = []MixDef{{With: "polyurea", Word: MixNo}}
		word, _ = a.mix(&b)
		assert.Zero(t, word, "the machine's own chart says what it says, and no more")
	}
}

func TestMixingNamesTheChartAndPromisesNothing(t *testing.T) {
	w := newLogWorld(t)
	b := crank(strokes("green", 2))
	says := Says(w.s, w.person(after("1"), &b))
	require.Len(t, says, 2)
	assert.Equal(t, "crank-bearing/grease: green (polyurea) does not go with blue (lithium complex) by FIST 2-4; charts differ: ask, or clean it out", says[0].Text)
	assert.Equal(t, "crank-bearing/grease: green went in; the chart says blue", says[1].Text)
	key := w.logs(after("1"), b)
	assert.Equal(t, SaidMix|SaidMaterial, w.task("crank-bearing/grease").latest().Said)
	assert.Equal(t, SaidMix, w.said(after("9"), crank(strokes("blue", 2)))&SaidMix, "green is in there now")
	w.says(after("2"), &Void{Record: key})
	assert.Zero(t, w.said(after("9"), crank(strokes("blue", 2))), "void: it never went in")
}

func TestSpotsThatWereNotMeasuredAreSaid(t *testing.T) {
	w := newLogWorld(t)
	wear := func(m ...Measured) []string {
		var out []string
		for _, say := range Says(w.s, w.person(after("2"), &ServiceDone{Tasks: []string{"trough/wear"}, Date: dayOne, Measured: m})) {
			if say.Kind == SaidSpots {
				out = append(out, say.Text)
			}
		}
		return out
	}
	assert.Equal(t, []string{"trough/wear: not measured at near, far"}, wear(gap("mid", false, 400_000)))
	assert.Empty(t, wear(gap("near", false, 400_000), gap("mid", false, 400_000), gap("far", false, 400_000)))
	assert.Len(t, wear(), 1)
}

func TestForbiddenWorkIsKeptAndSaid(t *testing.T) {
	w := newLogWorld(t)
	w.logs(after("1"), ServiceDone{Tasks: []string{"hub/oil"}})
	require.Equal(t, SaidNever, w.task("hub/oil").latest().Said)
	for _, f := range w.fx {
		if f.Kind == EffectSaid {
			assert.Equal(t, "hub/oil: this is never done here: it swells the bush", f.Why)
			assert.Equal(t, w.s.taskIndex("hub/oil"), f.Index)
		}
	}
}

func TestWhatFollowsIsNamed(t *testing.T) {
	w := newLogWorld(t)
	b := ServiceDone{Tasks: []string{"chopper-belt/renew"}}
	says := Says(w.s, w.person(after("1"), &b))
	require.Len(t, says, 1)
	assert.Equal(t, Say{"chopper-belt/renew", SaidFollows, "chopper-belt/renew: chopper-belt/watch follows within 2 days"}, says[0])
	assert.Zero(t, w.said(after("1"), ServiceDone{Tasks: []string{"chopper-belt/renew", "chopper-belt/watch"}}), "done in the same act")
}

func TestShieldsThatAreNotOnAgain(t *testing.T) {
	w := newLogWorld(t)
	assert.Zero(t, w.said(after("1"), ServiceDone{Tasks: []string{"trough/look"}, ShieldsOff: 3, ShieldsOn: 3}))
	key := w.logs(after("1"), ServiceDone{Tasks: []string{"trough/look"}, ShieldsOff: 3, ShieldsOn: 2, Person: "p2"})
	assert.Equal(t, SaidShields, w.task("trough/look").latest().Said)
	require.Len(t, w.s.Remarks, 1)
	assert.Equal(t, "2 of 3 shields are on again", w.s.Remarks[0].Text)
	assert.Equal(t, DoNotRun, w.s.Remarks[0].Verdict)
	assert.Equal(t, key, w.s.Remarks[0].Key)

	closing := w.logs(after("2"), ServiceDone{Tasks: []string{"trough/sweep"}, Closes: []Key{key}})
	assert.Equal(t, closing, w.s.Remarks[0].Closed)
	assert.Equal(t, closing, w.s.Remarks[0].Record)
	w.refuses(after("3"), &ServiceDone{Tasks: []string{"trough/sweep"}, Closes: []Key{key}})
	w.says(after("3"), &Void{Record: closing})
	assert.True(t, w.s.Remarks[0].Closed.IsZero(), "open again")
	w.says(after("4"), &Void{Record: key})
	assert.False(t, w.s.Remarks[0].Closed.IsZero())
	assert.Equal(t, "the record is void", w.s.Remarks[0].How)
}

func TestACriterionThatDoesNotHoldOpensItsRemark(t *testing.T) {
	w := newLogWorld(t)
	w.logs(after("1"), ServiceDone{Tasks: []string{"trough/wear"}, Seen: []SeenWord{{Task: "trough/wear", Criterion: "floor", InOrder: true}}})
	assert.Empty(t, w.s.Remarks)
	key := w.logs(after("6"), ServiceDone{Tasks: []string{"trough/wear"}, Person: "p2",
		Seen: []SeenWord{{Task: "trough/wear", Criterion: "floor", Note: "a hole like a thumb"}}})
	require.Len(t, w.s.Remarks, 1)
	assert.Equal(t, Remark{Point: "trough", Task: "trough/wear", Name: "trough-worn", DoBy: civil.None, Text: "a hole like a thumb", Verdict: RunWatched, Person: "p2"}, w.s.Remarks[0].Remark)
	w.says(after("7"), &Void{Record: key})
	assert.Equal(t, "the record is void", w.s.Remarks[0].How)
}

func TestGunsKeepTheLatestMeasure(t *testing.T) {
	w := newLogWorld(t)
	w.says(after("5"), &GunMeasured{Gun: "red", Micro: 1_400_000})
	w.says(after("2"), &GunMeasured{Gun: "red", Micro: 900_000})
	w.says(after("3"), &GunMeasured{Gun: "blue", Micro: 2_700_000})
	require.Len(t, w.s.Guns, 2)
	assert.Equal(t, "blue", w.s.Guns[0].Gun)
	assert.EqualValues(t, 1_400_000, w.s.Guns[1].Micro)
}

func TestAmountsConvert(t *testing.T) {
	s := &State{Guns: []GunSeen{{Gun: "red", Micro: 1_500_000}}}
	for _, c := range []struct {
		milli      int64
		unit, want string
		out        int64
		ok         bool
	}{
		{1500, "kg", "g", 1_500_000, true},
		{250_000, "g", "kg", 250, true},
		{1800, "l", "ml", 1_800_000, true},
		{40_000, "ml", "l", 40, true},
		{4000, "stroke", "g", 6000, true}, // 4 strokes of 1.5 g
		{9000, "g", "stroke", 6000, true},
		{3000, "drop", "drop", 3000, true},
		{3000, "drop", "ml", 0, false},
		{3000, "g", "ml", 0, false},
		{maxMilli, "kg", "g", 1_000_000_000_000_000, true},
	} {
		got, ok := s.inUnit(c.milli, c.unit, "red", c.want)
		assert.Equal(t, c.ok, ok, "%d %s in %s", c.milli, c.unit, c.want)
		assert.Equal(t, c.out, got, "%d %s in %s", c.milli, c.unit, c.want)
	}
	_, ok := s.inUnit(1000, "stroke", "other", "g")
	assert.False(t, ok)
}
