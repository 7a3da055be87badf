package j1939_test

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

func TestParseRatio(t *testing.T) {
	for text, want := range map[string]j1939.Ratio{
		"0.125": {1, 8}, "-40": {-40, 1}, "1e-7": {1, 10_000_000}, "0": {0, 1}, "0.05": {1, 20}, "1E3": {1000, 1}, "+2.50": {5, 2}, ".5": {1, 2},
		"0.001953125": {1, 512},
	} {
		got, err := j1939.ParseRatio(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
		assert.True(t, got.Valid())
	}
	for _, text := range []string{"", "x", "1/3", "0x10", "1e", "1e999999999", "1e-19", "99999999999999999999", "0.00000000000000000001", "Inf", "NaN", "1_000", "1p3", "--1", "1e+-3"} {
		_, err := j1939.ParseRatio(text)
		require.Error(t, err, text)
	}
}

func TestRatioString(t *testing.T) {
	assert.Equal(t, "0.125", j1939.Ratio{1, 8}.String())
	assert.Equal(t, "-40", j1939.Ratio{-40, 1}.String())
	assert.Equal(t, "1/3", j1939.Ratio{1, 3}.String())
	assert.Equal(t, "no number", j1939.Ratio{}.String())
	for _, r := range []j1939.Ratio{{}, {1, -2}, {2, 4}, {math.MinInt64, 1}} {
		assert.False(t, r.Valid(), r)
	}
}

// Rounding is to the nearest, halves away from zero, at every width; where it can't fit it says so.
func TestTimesAgainstBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := j1939.Linear{
			Num: rapid.Int64Range(-1<<62, 1<<62).Draw(t, "num"),
			Off: rapid.Int64().Draw(t, "off"),
			Den: rapid.Int64Range(1, math.MaxInt64).Draw(t, "den"),
		}
		if rapid.Bool().Draw(t, "small") {
			l = j1939.Linear{l.Num % 1000, l.Off % 100_000, l.Den%1000 + 1}
		}
		raw := rapid.Int64().Draw(t, "raw")
		k := rapid.SampledFrom([]int64{1, 2, 8, 1000, 3_600_000}).Draw(t, "k")
		x := new(big.Int).Mul(big.NewInt(raw), big.NewInt(l.Num))
		x.Add(x, big.NewInt(l.Off)).Mul(x, big.NewInt(k))
		want, rest := new(big.Int).QuoRem(x, big.NewInt(l.Den), new(big.Int))
		if twice := new(big.Int).Abs(new(big.Int).Lsh(rest, 1)); twice.Cmp(big.NewInt(l.Den)) >= 0 {
			want.Add(want, big.NewInt(int64(rest.Sign())))
		}
		got, exact, ok := l.Times(raw, k)
		if !ok { // out of 64 bits, or of the 128 bits in which it is worked out
			wide := new(big.Int).Abs(x).BitLen() > 128
			require.True(t, wide || new(big.Int).Abs(want).Cmp(big.NewInt(math.MaxInt64)) > 0, "%v x %d", l, raw)
			return
		}
		require.Equal(t, want.String(), big.NewInt(got).String(), "%v x %d x %d", l, raw, k)
		require.Equal(t, rest.Sign() == 0, exact)
	})
}

func TestTimesRoundsHalvesAway(t *testing.T) {
	half := j1939.Linear{Num: 1, Den: 2}
	for raw, want := range map[int64]int64{1: 1, 3: 2, -1: -1, -3: -2, 2: 1, -2: -1} {
		got, _, ok := half.Times(raw, 1)
		require.True(t, ok)
		assert.Equal(t, want, got, raw)
	}
	wide := j1939.Linear{Num: 1 << 40, Off: 1, Den: 2} // 2^61 and a half, worked out in 128 bits
	got, exact, ok := wide.Times(1<<22, 1)
	assert.True(t, ok)
	assert.False(t, exact)
	assert.Equal(t, int64(1<<61+1), got)
	third := j1939.Linear{Num: 1, Den: 3}
	got, exact, ok = third.Times(4, 1)
	assert.True(t, ok)
	assert.False(t, exact)
	assert.Equal(t, int64(1), got)
}

func TestNewLinear(t *testing.T) {
	l, err := j1939.NewLinear(j1939.Ratio{1, 32}, j1939.Ratio{-273, 1})
	require.NoError(t, err)
	assert.Equal(t, j1939.Linear{1, -8736, 32}, l)
	l, err = j1939.NewLinear(j1939.Ratio{1, 6}, j1939.Ratio{1, 4})
	require.NoError(t, err)
	assert.Equal(t, j1939.Linear{2, 3, 12}, l)
	_, err = j1939.NewLinear(j1939.Ratio{1, 999_999_937}, j1939.Ratio{1, math.MaxInt64 - 24})
	require.ErrorContains(t, err, "too many digits")
	_, err = j1939.NewLinear(j1939.Ratio{}, j1939.Ratio{0, 1})
	require.Error(t, err)
}
