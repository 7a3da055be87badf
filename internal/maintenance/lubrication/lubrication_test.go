package lubrication_test

import (
	"math"
	"math/big"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	. "github.com/hourbell/hourbell/internal/maintenance/lubrication"
)

// units gives a decimal figure in parts of 1/scale, to the nearest.
func units(t *testing.T, text string, scale int64) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	require.True(t, ok, text)
	r.Mul(r, new(big.Rat).SetInt64(2*scale))
	r.Add(r, big.NewRat(1, 1))
	return new(big.Int).Quo(r.Num(), new(big.Int).Lsh(r.Denom(), 1)).Int64()
}

func inputs(t *testing.T, text string) map[string]string {
	t.Helper()
	in := map[string]string{}
	for pair := range strings.FieldsSeq(text) {
		k, v, ok := strings.Cut(pair, "=")
		require.True(t, ok, text)
		in[k] = v
	}
	return in
}

func TestVectors(t *testing.T) {
	b, err := os.ReadFile("testdata/lubrication_drives_open.tsv")
	require.NoError(t, err)
	n := map[string]int{}
	for line := range strings.Lines(string(b)) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if strings.HasPrefix(line, "#") || f[0] == "kind" {
			continue
		}
		require.Len(t, f, 3, line)
		n[f[0]]++
		got, want, err := vector(t, f[0], inputs(t, f[1]), f[2])
		require.NoError(t, err, line)
		assert.Equal(t, want, got, line)
	}
	assert.Equal(t, map[string]int{"grease_g": 5, "chain_mm": 5, "chain_limit_pct": 7, "belt_rpm": 3, "belt_slip_pct": 3}, n)
}

func vector(t *testing.T, kind string, in map[string]string, result string) (got, want int64, err error) {
	t.Helper()
	of := func(name string, scale int64) int64 { return units(t, in[name], scale) }
	switch kind {
	case "grease_g":
		got, err = Regrease(of("D", Millimetre), of("B", Millimetre))
		want = units(t, result, Gram)
	case "chain_mm":
		got, err = ChainLength(of("pitch_in", 25_400_000), of("pitches", 1), of("stretch_pct", Percent))
		want = units(t, result, Millimetre)
	case "chain_limit_pct":
		got, err = ChainLimit(of("teeth", 1), in["fixed"] == "1")
		// The table has six digits of a per cent, which are cut to four.
		want = units(t, result, 1_000_000) / 100
	case "belt_rpm":
		got, err = DrivenSpeed(of("driver", RPM), of("d1", Millimetre), of("d2", Millimetre), of("slip_pct", Percent))
		want = units(t, result, RPM)
	case "belt_slip_pct":
		got, err = Slip(of("driver", RPM), of("d1", Millimetre), of("d2", Millimetre), of("driven", RPM))
		want = units(t, result, Percent)
	}
	return got, want, err
}

// source: bearing makers' handbooks, G = 0.005 D B, worked out by hand.
func TestRegreaseWorkedValues(t *testing.T) {
	for _, c := range []struct{ d, b, want int64 }{{80, 18, 7_200_000}, {90, 20, 9_000_000}, {120, 29, 17_400_000}} {
		got, err := Regrease(c.d*Millimetre, c.b*Millimetre)
		require.NoError(t, err)
		assert.Equal(t, c.want, got)
	}
}

// source: ANSI B29.1 pitches; 20 pitches of 60 worked out by hand: 20 x 19.05 mm.
func TestChainWorkedValues(t *testing.T) {
	for size, want := range map[string]int64{"40": 12_700_000, "50": 15_875_000, "60": 19_050_000, "80": 25_400_000} {
		got, err := Pitch(size)
		require.NoError(t, err)
		assert.Equal(t, want, got, size)
	}
	fresh, err := ChainLength(19_050_000, 20, 0)
	require.NoError(t, err)
	assert.Equal(t, int64(381_000_000), fresh)
	worn, err := ChainLength(19_050_000, 20, 3*Percent)
	require.NoError(t, err)
	assert.Equal(t, int64(392_430_000), worn)
	ppm, err := Elongation(392_430_000, 19_050_000, 20)
	require.NoError(t, err)
	assert.Equal(t, int64(30_000), ppm)
	ppm, err = Elongation(380_619_000, 19_050_000, 20) // 0.1 % short
	require.NoError(t, err)
	assert.Equal(t, int64(-1_000), ppm)
}

// Worked out by hand: 7.2 g with a gun of 1.2 g a stroke is 6 strokes; with 1.3 g
// 5.54, so 6 strokes give 0.6 g too much; with 1.6 g 4.5, and halves go up.
func TestStrokes(t *testing.T) {
	for _, c := range []struct{ mass, per, n, rest int64 }{
		{7_200_000, 1_200_000, 6, 0},
		{7_200_000, 1_300_000, 6, -600_000},
		{7_000_000, 1_300_000, 5, 500_000},
		{7_200_000, 1_600_000, 5, -800_000},
		{400_000, 1_000_000, 0, 400_000},
		{0, 1_000_000, 0, 0},
		{MostMass, 1, MostMass, 0},
	} {
		got, err := StrokesFor(c.mass, c.per)
		require.NoError(t, err)
		assert.Equal(t, Strokes{c.n, c.rest}, got, "%d by %d", c.mass, c.per)
	}
	g, err := GramsOf(3_500, 1_400_000) // three and a half strokes
	require.NoError(t, err)
	assert.Equal(t, int64(4_900_000), g)
	per, err := PerStroke(13_500_000, 10)
	require.NoError(t, err)
	assert.Equal(t, int64(1_350_000), per)
}

func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		of   func() (int64, error)
		want string
	}{
		"no diameter":         {func() (int64, error) { return Regrease(0, 18*Millimetre) }, "outside diameter 0"},
		"no width":            {func() (int64, error) { return Regrease(80*Millimetre, -1) }, "bearing width -1"},
		"a house":             {func() (int64, error) { return Regrease(MostBearing+1, 1) }, "outside diameter"},
		"unmeasured gun":      {func() (int64, error) { s, err := StrokesFor(1, 0); return s.Count, err }, "weigh what ten strokes"},
		"negative mass":       {func() (int64, error) { s, err := StrokesFor(-1, 1); return s.Count, err }, "mass of grease -1"},
		"negative strokes":    {func() (int64, error) { return GramsOf(-1, 1) }, "strokes -1"},
		"grams, no gun":       {func() (int64, error) { return GramsOf(1, 0) }, "weigh what ten strokes"},
		"no strokes counted":  {func() (int64, error) { return PerStroke(Gram, 0) }, "strokes 0"},
		"nothing weighed":     {func() (int64, error) { return PerStroke(0, 10) }, "as weighed"},
		"less than a unit":    {func() (int64, error) { return PerStroke(1, 1000) }, "grease of one stroke 0"},
		"unknown chain":       {func() (int64, error) { return Pitch("35") }, "40, 50, 60 or 80"},
		"no pitch":            {func() (int64, error) { return ChainLength(0, 20, 0) }, "pitch of chain 0"},
		"no pitches":          {func() (int64, error) { return ChainLength(19_050_000, 0, 0) }, "pitches 0"},
		"shrunk":              {func() (int64, error) { return ChainLength(19_050_000, 20, -1) }, "stretch -1"},
		"miscounted":          {func() (int64, error) { return Elongation(381_000_000, 19_050_000, 41) }, "count the pitches again"},
		"wrong unit":          {func() (int64, error) { return Elongation(381_000, 19_050_000, 20) }, "measured length 381000"},
		"teeth not known":     {func() (int64, error) { return ChainLimit(0, false) }, "teeth of the larger sprocket"},
		"teeth far out":       {func() (int64, error) { return ChainLimit(1001, true) }, "teeth 1001"},
		"driver backwards":    {func() (int64, error) { return DrivenSpeed(-1, 1, 1, 0) }, "driver speed -1"},
		"no driver pulley":    {func() (int64, error) { return DrivenSpeed(1, 0, 1, 0) }, "driver diameter 0"},
		"no driven pulley":    {func() (int64, error) { return DrivenSpeed(1, 1, 0, 0) }, "driven diameter 0"},
		"slips more than all": {func() (int64, error) { return DrivenSpeed(1, 1, 1, Whole+1) }, "slip 1000001"},
		"slip standing still": {func() (int64, error) { return Slip(0, 1, 1, 0) }, "driver speed 0"},
		"driven backwards":    {func() (int64, error) { return Slip(1, 1, 1, -1) }, "driven speed -1"},
		"too large":           {func() (int64, error) { return DrivenSpeed(MostSpeed, MostPulley, 1, 0) }, "too large"},
		"slip too large":      {func() (int64, error) { return Slip(1, 1, MostPulley, MostSpeed) }, "too large"},
	} {
		got, err := c.of()
		require.ErrorIs(t, err, ErrFigure, name)
		assert.ErrorContains(t, err, c.want, name)
		assert.Zero(t, got, name)
	}
}

// Every figure that int64 holds gives a result that big fractions agree with, or
// an error.
func TestAgainstFractions(t *testing.T) {
	near := func(t *rapid.T, got int64, want *big.Rat) {
		off := new(big.Rat).Sub(new(big.Rat).SetInt64(got), want)
		require.LessOrEqual(t, off.Abs(off).Cmp(big.NewRat(1, 2)), 0, "%d against %s", got, want.FloatString(3))
	}
	frac := func(over, under []int64) *big.Rat {
		r := big.NewRat(1, 1)
		for _, f := range over {
			r.Mul(r, new(big.Rat).SetInt64(f))
		}
		for _, f := range under {
			r.Quo(r, new(big.Rat).SetInt64(f))
		}
		return r
	}
	figure := rapid.OneOf(rapid.Int64Range(-2, 1000), rapid.Int64Range(1, 1_000*Millimetre), rapid.Int64(), rapid.SampledFrom([]int64{math.MaxInt64, math.MinInt64}))
	rapid.Check(t, func(t *rapid.T) {
		a, b, c, d := figure.Draw(t, "a"), figure.Draw(t, "b"), figure.Draw(t, "c"), figure.Draw(t, "d")
		if got, err := Regrease(a, b); err == nil {
			near(t, got, frac([]int64{a, b}, []int64{200_000_000}))
		}
		if got, err := StrokesFor(a, b); err == nil {
			require.Equal(t, a, got.Count*b+got.Rest)
			require.LessOrEqual(t, 2*max(got.Rest, -got.Rest), b)
		}
		if got, err := GramsOf(a, b); err == nil {
			near(t, got, frac([]int64{a, b}, []int64{1000}))
		}
		if got, err := ChainLength(a, b, c); err == nil {
			near(t, got, frac([]int64{a, b, Whole + c}, []int64{Whole}))
		}
		if got, err := Elongation(a, b, c); err == nil {
			near(t, got, new(big.Rat).Sub(frac([]int64{a, Whole}, []int64{b, c}), big.NewRat(Whole, 1)))
		}
		if got, err := DrivenSpeed(a, b, c, d); err == nil {
			near(t, got, frac([]int64{a, b, Whole - d}, []int64{c, Whole}))
		}
		if got, err := Slip(a, b, c, d); err == nil {
			near(t, got, new(big.Rat).Sub(big.NewRat(Whole, 1), frac([]int64{d, c, Whole}, []int64{a, b})))
		}
	})
}

func TestChainLimitNeverRises(t *testing.T) {
	for _, fixed := range []bool{false, true} {
		last := 3 * Percent
		for teeth := int64(LeastTeeth); teeth <= MostTeeth; teeth++ {
			got, err := ChainLimit(teeth, fixed)
			require.NoError(t, err)
			require.LessOrEqual(t, got, last)
			require.Positive(t, got)
			last = got
		}
	}
}
