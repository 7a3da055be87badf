package trend

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

const hh = hours.Hour

// By hand: 0.3 mm in 40 h from 10 mm at 400 h, so 12 mm at 666 h 40 min and 13 mm
// at 800 h, which is as far beyond 600 h as the values reach back.
func TestAStraightRise(t *testing.T) {
	got := Of(series(40*hh, 10*mm, 10_300_000, 10_600_000, 10_900_000, 11_200_000, 11_500_000), wear(), Options{})
	require.True(t, got.Said, got.Why)
	assert.Equal(t, []int64{7_500_000, 7_500_000, 7_500_000}, []int64{got.SlopeLo, got.Slope, got.SlopeHi})
	assert.Equal(t, int64(7*mm), got.Intercept)
	assert.Equal(t, int64(11_500_000), got.Level)
	assert.Equal(t, []hours.Millis{400 * hh, 600 * hh}, []hours.Millis{got.First, got.Last})
	assert.Equal(t, "play of the shaft: rises by 0.75 mm in 100 h (0.75 to 0.75), from 6 values at 6 different hours, 400 to 600 h", got.Text)
	assert.Equal(t, Reach{
		Word: ReachAhead, Limit: 12 * mm, Likely: 2_400_000_000, Earliest: 2_400_000_000, Latest: 2_400_000_000, Horizon: 800 * hh,
		Text: "leaves what is acceptable (12 mm) at about 667 h, 666 h at the earliest, 667 h at the latest",
	}, got.Ok)
	assert.Equal(t, ReachAhead, got.Act.Word)
	assert.Equal(t, 800*hh, got.Act.Likely)
}

// By hand, from 0 mm at 0 h, every 10 h: slopes of the ten pairs are 0.2 (six
// times), 0.225, 0.2333, 0.25 and 0.3 mm/h. By 0.3 the middle of y - 0.3x is -2.
func TestTheIntervalGivesEarliestAndLatest(t *testing.T) {
	values := []maintenance.MeasuredAt{found(1, 0, 0), found(2, 10*hh, 2*mm), found(3, 20*hh, 4*mm), found(4, 30*hh, 6*mm), found(5, 40*hh, 9*mm)}
	d := &maintenance.MeasureDef{What: "wear", Unit: "mm", OkHi: bound(8 * mm), ActHi: bound(12 * mm)}
	got := Of(values, d, Options{Spot: "left"})
	require.True(t, got.Said, got.Why)
	assert.Equal(t, []int64{200 * mm, 200 * mm, 300 * mm}, []int64{got.SlopeLo, got.Slope, got.SlopeHi})
	assert.Equal(t, "left", got.Spot)
	assert.Contains(t, got.Text, "wear, left: rises by 20 mm in 100 h (20 to 30), from 5 values")
	assert.Equal(t, ReachPast, got.Ok.Word)
	assert.Equal(t, 40*hh, got.Ok.Likely)
	assert.Equal(t, "by 40 h likely out of what is acceptable (8 mm)", got.Ok.Text)
	assert.Equal(t, Reach{
		Word: ReachAhead, Limit: 12 * mm, Likely: 60 * hh, Earliest: 168_000_000, Latest: 60 * hh, Horizon: 80 * hh,
		Text: "comes to the limit at which to act (12 mm) at about 60 h, 46 h at the earliest, 60 h at the latest",
	}, got.Act)
}

// By hand: slopes 0.1, 0.1, 0.1667, 0.2, 0.2, 0.225, 0.25, 0.2667, 0.3 and 0.4; by
// the middle, 0.2125, 12 is reached at 12.25/0.2125 = 57.6 h, by 0.1 at 100 h,
// beyond the 80 h that the values speak for, by 0.4 at 40 h, the last value's.
func TestHowLateIsNotSure(t *testing.T) {
	values := []maintenance.MeasuredAt{found(1, 0, 0), found(2, 10*hh, 1*mm), found(3, 20*hh, 4*mm), found(4, 30*hh, 5*mm), found(5, 40*hh, 9*mm)}
	d := &maintenance.MeasureDef{What: "wear", Unit: "mm", OkHi: bound(12 * mm), ActHi: bound(20 * mm)}
	got := Of(values, d, Options{})
	require.True(t, got.Said, got.Why)
	assert.Equal(t, int64(212_500_000), got.Slope)
	assert.Equal(t, Reach{
		Word: ReachAhead, Limit: 12 * mm, Likely: 207_529_412, Earliest: 40 * hh, Latest: 80 * hh, Open: true, Horizon: 80 * hh,
		Text: "leaves what is acceptable (12 mm) at about 58 h, perhaps by now; how late is not sure",
	}, got.Ok)
	assert.Equal(t, Reach{
		Word: ReachFar, Limit: 20 * mm, Horizon: 80 * hh,
		Text: "likely comes to the limit at which to act (20 mm) after 80 h, further ahead than the values can tell",
	}, got.Act)
}

// By hand: 0.25 mm in 50 h down from 10 mm at 400 h: 8 mm at 800 h.
func TestAFallComesToTheLowerLimits(t *testing.T) {
	values := series(50*hh, 10*mm, 9_750_000, 9_500_000, 9_250_000, 9*mm)
	got := Of(values, thickness(), Options{})
	require.True(t, got.Said, got.Why)
	assert.Equal(t, int64(-5*mm), got.Slope)
	assert.Equal(t, int64(12*mm), got.Intercept)
	assert.Contains(t, got.Text, "thickness of the bar: falls by 0.5 mm in 100 h (0.5 to 0.5)")
	assert.Equal(t, ReachAhead, got.Ok.Word)
	assert.Equal(t, 800*hh, got.Ok.Likely)
	assert.Equal(t, ReachFar, got.Act.Word)

	got = Of(values, wear(), Options{})
	require.True(t, got.Said)
	assert.Equal(t, Reach{}, got.Ok, "a fall comes to no upper limit")
	assert.Equal(t, Reach{}, got.Act)
}

func TestWhyNoTrendIsSaid(t *testing.T) {
	gauge := wear()
	gauge.Gauge = maintenance.GaugeGoNo
	noHours := series(40*hh, 1, 2, 3, 4, 5)
	noHours[2].Hours, noHours[4].Hours = -1, hours.Most+1
	void := series(40*hh, 1, 2, 3, 4, 5)
	void[1].Void = key(9)
	word := series(40*hh, 1, 2, 3, 4, 5)
	word[0].State = "goes"
	for name, c := range map[string]struct {
		values []maintenance.MeasuredAt
		d      *maintenance.MeasureDef
		why    string
	}{
		"nothing measured": {nil, nil, "nothing is measured"},
		"a gauge":          {series(40*hh, 1, 2, 3, 4, 5), gauge, "there is no figure to follow: it is judged by a gauge"},
		"no value":         {nil, wear(), "0 values; 5 are needed"},
		"one value":        {series(40*hh, mm), wear(), "1 value; 5 are needed"},
		"three":            {series(40*hh, 1, 2, 3), wear(), "3 values; 5 are needed"},
		"equal hours":      {series(0, 1, 2, 3, 4, 5, 6), wear(), "6 values at 1 different hour; 3 are needed"},
		"two hours":        {append(series(0, 1, 2, 3), found(4, 500*hh, 5), found(5, 500*hh, 6)), wear(), "5 values at 2 different hours; 3 are needed"},
		"hours not known":  {noHours, wear(), "3 values (and 2 without hours); 5 are needed"},
		"voided":           {void, wear(), "4 values; 5 are needed"},
		"a gauge's word":   {word, wear(), "4 values; 5 are needed"},
		// Five values in groups of 2, 2 and 1 fall into the order of their hours by
		// chance in 2 x 2!2!/5! = 1 of 15 cases, more than 5 %.
		"two pairs share hours": {[]maintenance.MeasuredAt{found(1, 400*hh, 1), found(2, 400*hh, 2), found(3, 440*hh, 3), found(4, 440*hh, 4), found(5, 480*hh, 5)}, wear(),
			"5 values at 3 different hours are too few to be sure of a direction: measure at further hours"},
		"flat":        {series(50*hh, mm, mm, mm, mm, mm), wear(), "5 values do not tell whether it moves: between 0 and 0 mm in 100 h"},
		"up and down": {series(50*hh, mm, 2*mm, mm, 2*mm, mm), wear(), "5 values do not tell whether it moves: between -2 and 2 mm in 100 h"},
		"after an alteration": {append(series(40*hh, 1, 2, 3, 4, 5, 6), left(5, 600*hh, 0), found(6, 640*hh, 1)), wear(),
			"1 value since the last remedy; 5 are needed"},
	} {
		got := Of(c.values, c.d, Options{})
		assert.False(t, got.Said, name)
		assert.Equal(t, c.why, got.Why, name)
		assert.Empty(t, got.Text, name)
		assert.Zero(t, got.Ok, name)
		assert.Zero(t, got.Slope, name)
	}
}

func TestARunBeginsWithTheLastRemedy(t *testing.T) {
	old := series(40*hh, 10*mm, 12*mm, 11*mm, 13*mm, 10*mm)
	fresh := []maintenance.MeasuredAt{
		found(10, 1000*hh, 10*mm), found(11, 1040*hh, 10_300_000), found(12, 1080*hh, 10_600_000),
		found(13, 1120*hh, 10_900_000), found(14, 1160*hh, 11_200_000),
	}
	all := slices.Concat(old, fresh)
	assert.Equal(t, 10, Of(all, wear(), Options{}).Values)

	got := Of(append(slices.Clone(all), left(4, 560*hh, 9*mm)), wear(), Options{})
	require.True(t, got.Said, got.Why)
	assert.Equal(t, 5, got.Values, "what was left begins the run, and only what is found counts")
	assert.Equal(t, 1000*hh, got.First)

	same := Of(append(slices.Clone(all), left(4, 560*hh, 10*mm)), wear(), Options{})
	assert.Equal(t, 10, same.Values, "left as found: nothing was altered")

	voided := left(4, 560*hh, 9*mm)
	voided.Void = key(99)
	assert.Equal(t, 10, Of(append(slices.Clone(all), voided), wear(), Options{}).Values)

	fitted := Of(all, wear(), Options{Starts: []moment.Span{at(2), at(4)}})
	require.True(t, fitted.Said, fitted.Why)
	assert.Equal(t, 5, fitted.Values, "a value of the time of the fitting is the old part's")
	assert.Equal(t, got.Slope, fitted.Slope)

	late := Of(all, wear(), Options{Starts: []moment.Span{at(12)}})
	assert.Equal(t, "2 values since the last remedy; 5 are needed", late.Why)
}

func TestOfTask(t *testing.T) {
	d := *wear()
	d.Spots, d.Remedies = []string{"left", "right"}, []string{"shim", "mill-shaft/true-up"}
	chart := &maintenance.Chart{Tasks: []maintenance.TaskDef{
		{ID: "mill-shaft/shim", Point: "mill-shaft"},
		{ID: "mill-shaft/play", Point: "mill-shaft", Measure: []maintenance.MeasureDef{d}},
	}}
	s := &maintenance.State{Chart: chart, Measures: []maintenance.MeasureSeen{
		{Task: "mill-shaft/play", Spot: "right", Values: series(40*hh, 10*mm, 10_300_000, 10_600_000, 10_900_000, 11_200_000)},
		{Task: "mill-shaft/other", Spot: "left", Values: series(40*hh, 1, 2, 3, 4, 5)},
	}}
	spots := func() (out []string) {
		for _, got := range OfTask(s, "mill-shaft/play") {
			out = append(out, got.Spot+": "+got.Why)
		}
		return out
	}
	assert.Equal(t, []string{"left: 0 values; 5 are needed", "right: "}, spots())

	s.Parts = []maintenance.Part{{ID: "mill-shaft", Pieces: []maintenance.Piece{{At: at(3), Void: key(50)}, {At: at(0)}}}, {ID: "mill-belt", Pieces: []maintenance.Piece{{At: at(4)}}}}
	assert.Equal(t, "right: 4 values since the last remedy; 5 are needed", spots()[1], "a part was fitted at the point")

	s.Tasks = []maintenance.Task{
		{ID: "mill-shaft/shim", Records: []maintenance.TaskRecord{{At: at(1)}, {At: at(3), Void: key(51)}, {At: at(3), Waiting: true}}},
		{ID: "mill-belt/shim", Records: []maintenance.TaskRecord{{At: at(4)}}},
	}
	assert.Equal(t, "right: 3 values since the last remedy; 5 are needed", spots()[1], "the remedy was done")
	s.Tasks = append(s.Tasks, maintenance.Task{ID: "mill-shaft/true-up", Records: []maintenance.TaskRecord{{At: at(2)}}})
	assert.Equal(t, "right: 2 values since the last remedy; 5 are needed", spots()[1])

	chart.Tasks[1].Measure[0].Spots = nil
	assert.Equal(t, []string{": 0 values since the last remedy; 5 are needed"}, spots(), "one spot without a name")
	assert.Empty(t, OfTask(s, "mill-shaft/shim"), "it measures nothing")
	assert.Empty(t, OfTask(s, "nowhere/play"))
	assert.Empty(t, OfTask(&maintenance.State{}, "mill-shaft/play"))
}

func TestFiguresInWords(t *testing.T) {
	for micro, want := range map[int64]string{
		0: "0 mm", 420_000: "0.42 mm", 1: "0.000001 mm", 1_234_567: "1.23 mm", -1_235_000: "-1.24 mm", 999_600: "1 mm",
		123_456_789: "123 mm", 100 * mm: "100 mm", math.MaxInt64: "9220000000000 mm",
	} {
		assert.Equal(t, want, figure(micro, "mm"))
	}
	assert.Equal(t, "317.5 mm", exact(317_500_000, "mm"))
	assert.Equal(t, "-0.25", exact(-250_000, ""))
	assert.Equal(t, "-9223372036854.775808 mm", exact(math.MinInt64, "mm"))
}

func drawValues(t *rapid.T) []maintenance.MeasuredAt {
	h := rapid.OneOf(rapid.Int64Range(0, 1000), rapid.Int64Range(-2, int64(hours.Most)+2), rapid.Int64())
	y := rapid.OneOf(rapid.Int64Range(0, 20), rapid.Int64Range(-100*mm, 100*mm), rapid.Int64())
	one := rapid.Custom(func(t *rapid.T) maintenance.MeasuredAt {
		v := found(rapid.IntRange(0, 30).Draw(t, "record"), hours.Millis(h.Draw(t, "hours")), y.Draw(t, "micro"))
		v.Left = rapid.IntRange(0, 9).Draw(t, "left") == 0
		if rapid.IntRange(0, 9).Draw(t, "void") == 0 {
			v.Void = key(99)
		}
		return v
	})
	values := rapid.SliceOfN(one, 0, 24).Draw(t, "values")
	if rapid.Bool().Draw(t, "moves") {
		k := rapid.Int64Range(-50, 50).Draw(t, "slope")
		for i := range values {
			values[i].Hours = hours.Millis(rapid.Int64Range(0, 1000).Draw(t, "on the line")) * hours.Hour
			values[i].Micro = k*int64(values[i].Hours/hours.Minute) + rapid.Int64Range(-60, 60).Draw(t, "off the line")
		}
	}
	return values
}

func drawDef(t *rapid.T) *maintenance.MeasureDef {
	limit := rapid.Custom(func(t *rapid.T) maintenance.Bound {
		return maintenance.Bound{Set: rapid.Bool().Draw(t, "set"), Micro: rapid.OneOf(rapid.Int64Range(-200*mm, 200*mm), rapid.Int64()).Draw(t, "limit")}
	})
	return &maintenance.MeasureDef{What: "gap", Unit: "mm", OkLo: limit.Draw(t, "ok lo"), OkHi: limit.Draw(t, "ok hi"), ActLo: limit.Draw(t, "act lo"), ActHi: limit.Draw(t, "act hi")}
}

// checkSane holds whatever the values are.
func checkSane(t require.TestingT, got Trend) {
	require.NotEqual(t, got.Said, got.Why != "", "said, or why not")
	require.Equal(t, got.Said, got.Text != "")
	if got.Said {
		require.GreaterOrEqual(t, got.Values, LeastValues)
		require.GreaterOrEqual(t, got.Different, LeastHours)
		require.LessOrEqual(t, got.SlopeLo, got.Slope)
		require.LessOrEqual(t, got.Slope, got.SlopeHi)
		require.False(t, got.SlopeLo < 0 && got.SlopeHi > 0, "its direction is sure")
	}
	for _, r := range []Reach{got.Ok, got.Act} {
		require.Equal(t, r.Word == ReachNone, r == Reach{})
		if r.Word == ReachAhead || r.Word == ReachPast {
			require.True(t, 0 <= r.Earliest && r.Earliest <= r.Likely && r.Likely <= r.Latest && r.Latest <= r.Horizon, "%+v", r)
			require.Equal(t, r.Word == ReachPast, r.Likely <= got.Last)
		}
	}
	for _, text := range []string{got.Why, got.Text, got.Ok.Text, got.Act.Text} {
		require.False(t, strings.Contains(text, "NaN") || strings.Contains(text, "Inf") || strings.Contains(text, "%!"), text)
	}
}

func TestAnyValuesGiveASaneTrend(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values, d := drawValues(t), drawDef(t)
		before := slices.Clone(values)
		got := Of(values, d, Options{})
		checkSane(t, got)
		require.Equal(t, before, values, "the values are left as they were")
		require.Equal(t, got, Of(rapid.Permutation(values).Draw(t, "order"), d, Options{}), "order changes nothing")
	})
}

// FuzzOf reads six bytes a value: record, hours and figure of two, and marks.
func FuzzOf(f *testing.F) {
	f.Add([]byte("\x01\x00\x10\x00\x10\x00\x02\x00\x20\x00\x20\x00\x03\x00\x30\x00\x30\x00\x04\x00\x40\x00\x40\x00\x05\x00\x50\x00\x50\x00"), int64(mm))
	f.Add([]byte("\x01\x00\x10\x00\x10\x00\x02\x00\x20\x00\x20\x01\x03\x00\x30\x00\x30\x02"), int64(math.MinInt64))
	f.Fuzz(func(t *testing.T, raw []byte, limit int64) {
		var values []maintenance.MeasuredAt
		for v := range slices.Chunk(raw[:min(len(raw), 900)], 6) {
			if len(v) < 6 {
				break
			}
			shift := int64(v[5] >> 3)
			m := found(int(v[0]), hours.Millis((int64(v[1])<<8|int64(v[2]))<<shift), (int64(int8(v[3]))<<8|int64(v[4]))<<(shift+10))
			m.Left = v[5]&1 != 0
			if v[5]&2 != 0 {
				m.Void = key(1)
			}
			values = append(values, m)
		}
		d := &maintenance.MeasureDef{Unit: "mm", OkLo: bound(limit), OkHi: bound(-limit), ActLo: bound(limit / 2), ActHi: bound(mm)}
		checkSane(t, Of(values, d, Options{}))
	})
}
