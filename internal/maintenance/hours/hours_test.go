package hours

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParse(t *testing.T) {
	for text, want := range map[string]Millis{
		"0":              0,
		"0.05":           180_000, // one bit of SAE J1939-71 SPN 247
		"0.1":            360_000,
		"1234.55":        1234*Hour + 1_980_000,
		"1234.50":        1234*Hour + 1_800_000,
		"0012":           12 * Hour,
		"0.00001":        36,
		"210554060.75":   210554060*Hour + 2_700_000, // the largest figure of 32 bits of 0.05 h
		"999999999":      Most,
		"000000000000.2": 720_000,
	} {
		got, err := Parse(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
}

func TestParseRefuses(t *testing.T) {
	for text, why := range map[string]string{
		"":                        "empty",
		"-1":                      "negative",
		"-0":                      "negative",
		"1,5":                     "a comma",
		"1,234.5":                 "a comma",
		"NaN":                     "write digits",
		"Inf":                     "write digits",
		"1e3":                     "write digits",
		"0x10":                    "write digits",
		"+5":                      "write digits",
		" 5":                      "write digits",
		"5.":                      "write digits",
		".5":                      "write digits",
		"5.5.5":                   "write digits",
		"1.-5":                    "write digits",
		"٥":                       "write digits",
		"0.000001":                "more than five digits",
		"1000000000":              "more than 999999999",
		"999999999.1":             "more than 999999999",
		"99999999999999999999999": "more than 999999999",
	} {
		_, err := Parse(text)
		require.ErrorIs(t, err, ErrFormat, text)
		assert.Contains(t, err.Error(), why, text)
	}
}

func TestText(t *testing.T) {
	m := 1234*Hour + 1_980_000 // 1234.55 h
	for _, c := range []struct {
		resolution Millis
		want       string
	}{
		{Hour, "1234"}, {Hour / 10, "1234.5"}, {Hour / 20, "1234.55"}, {Hour / 100, "1234.55"},
		{Second, "1234.55"}, {0, "1234.55"}, {-1, "1234.55"}, {10 * Hour, "1234"},
	} {
		assert.Equal(t, c.want, m.Text(c.resolution), "resolution %d", c.resolution)
	}
	assert.Equal(t, "1234.55", m.String())
	assert.Equal(t, "-0.25", (-Hour / 4).String())
	assert.Equal(t, "0.99", (Hour - 1).String(), "cut off, not rounded")
	assert.Equal(t, "-2562047788015.21", Millis(math.MinInt64).String())
}

func TestAddAndSubHoldAtTheEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Int64().Draw(t, "a"), rapid.Int64().Draw(t, "b")
		clamp := func(x *big.Int) int64 {
			if !x.IsInt64() {
				if x.Sign() < 0 {
					return math.MinInt64
				}
				return math.MaxInt64
			}
			return x.Int64()
		}
		require.Equal(t, clamp(new(big.Int).Add(big.NewInt(a), big.NewInt(b))), int64(Add(Millis(a), Millis(b))))
		require.Equal(t, clamp(new(big.Int).Sub(big.NewInt(a), big.NewInt(b))), int64(Sub(Millis(a), Millis(b))))
	})
}

func TestTextComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Whole hundred-thousandths of an hour are written exactly.
		m := Millis(rapid.Int64Range(0, int64(Most)/36).Draw(t, "m")) * 36
		back, err := Parse(string(m.Append(nil, 5)))
		require.NoError(t, err)
		require.Equal(t, m, back)
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1234.55", "0", "1,5", "-1", "9.99999", "NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := Parse(s)
		if err != nil {
			require.ErrorIs(t, err, ErrFormat)
			return
		}
		require.True(t, m.Valid())
		again, err := Parse(string(m.Append(nil, 5)))
		require.NoError(t, err)
		require.Equal(t, m, again)
	})
}
