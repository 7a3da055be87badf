package trend

import (
	"math"
	"math/big"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestTheilSenVectors(t *testing.T) {
	b, err := os.ReadFile("testdata/theilsen_open.tsv")
	require.NoError(t, err)
	n := 0
	for line := range strings.Lines(string(b)) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if strings.HasPrefix(line, "#") || f[0] == "name" {
			continue
		}
		require.Len(t, f, 9, line)
		checkVector(t, f)
		n++
	}
	assert.Equal(t, 7, n)
}

// checkVector has name, x, y, pairs, slope, intercept from the medians, intercept
// as the median of y - slope*x, and the slope's interval.
func checkVector(t *testing.T, f []string) {
	t.Helper()
	points := pointsOf(t, f[1], f[2])
	got, ok := line(points, z95)
	require.True(t, ok, f[0])
	assert.Equal(t, f[3], strconv.Itoa(got.pairs), "%s pairs", f[0])
	apart := middleOf(points, func(p point) int64 { return p.y }) - float(got.slope)*middleOf(points, func(p point) int64 { return p.x })
	for i, value := range map[int]float64{4: float(got.slope), 5: apart, 6: float(got.intercept), 7: float(got.lo), 8: float(got.hi)} {
		want, err := strconv.ParseFloat(f[i], 64)
		require.NoError(t, err)
		assert.InDelta(t, want, value/mm, 1e-10*max(1, math.Abs(want)), "%s column %d", f[0], i)
	}
}

func pointsOf(t *testing.T, x, y string) (out []point) {
	t.Helper()
	ys := strings.Split(y, ",")
	for i, text := range strings.Split(x, ",") {
		n, err := strconv.ParseInt(text, 10, 64)
		require.NoError(t, err)
		out = append(out, point{n, decimal(t, ys[i])})
	}
	return out
}

func middleOf(points []point, of func(point) int64) float64 {
	var v []int64
	for _, p := range points {
		v = append(v, of(p))
	}
	slices.Sort(v)
	return float64(v[(len(v)-1)/2]+v[len(v)/2]) / 2
}

// source: Sen 1968, as two statistics packages' tests print it: level 0.93, slope
// 4, from 3.71 to 4.38; the quantile of 0.965 of the standard normal is 1.811911.
func TestSenAtHisOwnLevel(t *testing.T) {
	f, ok := line(pointsOf(t, "1,2,3,4,10,12,18", "9,15,19,20,45,55,78"), 1.811911)
	require.True(t, ok)
	assert.Equal(t, "4000000/1", f.slope.String())
	assert.Equal(t, "6000000/1", f.intercept.String())
	assert.InDelta(t, 3.71, float(f.lo)/mm, 0.005)
	assert.InDelta(t, 4.38, float(f.hi)/mm, 0.006)
}

// Norris' 36 points of the NIST Statistical Reference Datasets, x and y in tenths,
// typed from memory: that their least squares come out as certified shows them to be
// right. Theil and Sen's line lies near that one.
var norris = [][2]int64{
	{2, 1}, {3374, 3388}, {1182, 1181}, {8846, 8880}, {101, 92}, {2265, 2281}, {6663, 6685}, {9963, 9985}, {4486, 4491},
	{7770, 7789}, {5582, 5592}, {4, 3}, {6, 1}, {7755, 7781}, {6669, 6688}, {3380, 3393}, {4475, 4489}, {116, 108},
	{5560, 5577}, {2281, 2283}, {9958, 9980}, {8876, 8888}, {1202, 1196}, {3, 3}, {3, 6}, {5568, 5576}, {3391, 3393},
	{8872, 8880}, {9990, 9985}, {7790, 7789}, {111, 102}, {1183, 1176}, {2292, 2289}, {6691, 6684}, {4489, 4492}, {5, 2},
}

func TestNearNorris(t *testing.T) {
	n, sx, sy, sxx, sxy := int64(len(norris)), int64(0), int64(0), int64(0), int64(0)
	var points []point
	for _, p := range norris {
		sx, sy, sxx, sxy = sx+p[0], sy+p[1], sxx+p[0]*p[0], sxy+p[0]*p[1]
		points = append(points, point{p[0], p[1]})
	}
	slope := big.NewRat(n*sxy-sx*sy, n*sxx-sx*sx)
	intercept := (float64(sy) - float(slope)*float64(sx)) / float64(n) / 10
	require.InDelta(t, 1.00211681802045, float(slope), 1e-13, "certified")
	require.InDelta(t, -0.262323073774029, intercept, 1e-11, "certified")

	f, ok := line(points, z95)
	require.True(t, ok)
	assert.InDelta(t, 1.00211681802045, float(f.slope), 0.001)
	assert.InDelta(t, -0.262323073774029, float(f.intercept)/10, 0.3)
	assert.LessOrEqual(t, float(f.lo), 1.00211681802045)
	assert.GreaterOrEqual(t, float(f.hi), 1.00211681802045)
}

func TestNoLine(t *testing.T) {
	for name, points := range map[string][]point{
		"nothing": nil, "one value": {{5, 7}}, "equal hours": {{5, 7}, {5, 8}, {5, 9}},
	} {
		_, ok := line(points, z95)
		assert.False(t, ok, name)
	}
}

func drawPoints(t *rapid.T) []point {
	x := rapid.OneOf(rapid.Int64Range(0, 12), rapid.Int64Range(0, 4_000_000_000), rapid.Int64Range(0, most))
	y := rapid.OneOf(rapid.Int64Range(-5, 5), rapid.Int64Range(-1_000_000_000, 1_000_000_000), rapid.Int64Range(-most, most))
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) point { return point{x.Draw(t, "x"), y.Draw(t, "y")} }), 0, 14).Draw(t, "points")
}

// A separate reckoning in fractions: the median of the slopes, and that the
// interval holds it.
func TestLineAgainstFractions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := drawPoints(t)
		var all []*big.Rat
		for i := range points {
			for j := range points {
				if points[i].x < points[j].x {
					all = append(all, big.NewRat(points[j].y-points[i].y, points[j].x-points[i].x))
				}
			}
		}
		f, ok := line(points, z95)
		require.Equal(t, len(all) > 0, ok)
		if !ok {
			return
		}
		slices.SortFunc(all, (*big.Rat).Cmp)
		n := len(all)
		want := new(big.Rat).Add(all[(n-1)/2], all[n/2])
		require.Zero(t, want.Cmp(new(big.Rat).Add(f.slope, f.slope)))
		require.Equal(t, n, f.pairs)
		require.LessOrEqual(t, f.lo.Cmp(f.slope), 0)
		require.GreaterOrEqual(t, f.hi.Cmp(f.slope), 0)
		wider, _ := line(points, 2.575829) // 99 %
		require.LessOrEqual(t, wider.lo.Cmp(f.lo), 0)
		require.GreaterOrEqual(t, wider.hi.Cmp(f.hi), 0)
	})
}

// Shifts and scales carry over exactly, and the order of the values doesn't matter.
func TestLineIsEquivariant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) point {
			return point{rapid.Int64Range(0, 1000).Draw(t, "x"), rapid.Int64Range(-10_000, 10_000).Draw(t, "y")}
		}), 2, 14).Draw(t, "points")
		f, ok := line(points, z95)
		if !ok {
			return
		}
		dx, dy := rapid.Int64Range(0, 1<<40).Draw(t, "dx"), rapid.Int64Range(-1<<40, 1<<40).Draw(t, "dy")
		kx, ky := rapid.Int64Range(1, 5000).Draw(t, "kx"), rapid.SampledFrom([]int64{-3000, -1, 1, 7, 1_000_000}).Draw(t, "ky")
		var moved []point
		for _, p := range rapid.Permutation(points).Draw(t, "order") {
			moved = append(moved, point{p.x*kx + dx, p.y*ky + dy})
		}
		g, ok := line(moved, z95)
		require.True(t, ok)
		by := big.NewRat(ky, kx)
		lo, hi := new(big.Rat).Mul(f.lo, by), new(big.Rat).Mul(f.hi, by)
		if ky < 0 {
			lo, hi = hi, lo
		}
		require.Zero(t, new(big.Rat).Mul(f.slope, by).Cmp(g.slope))
		require.Zero(t, lo.Cmp(g.lo))
		require.Zero(t, hi.Cmp(g.hi))
		// y = a + bx becomes ky*a + dy - slope*dx at 0.
		a := new(big.Rat).Mul(f.intercept, big.NewRat(ky, 1))
		a.Add(a, big.NewRat(dy, 1)).Sub(a, new(big.Rat).Mul(g.slope, big.NewRat(dx, 1)))
		require.Zero(t, a.Cmp(g.intercept))
	})
}

func TestRounding(t *testing.T) {
	for _, c := range []struct{ num, den, floor, ceil, round int64 }{
		{7, 2, 3, 4, 4}, {-7, 2, -4, -3, -3}, {10, 3, 3, 4, 3}, {-10, 3, -4, -3, -3}, {6, 2, 3, 3, 3}, {0, 1, 0, 0, 0},
	} {
		r := big.NewRat(c.num, c.den)
		assert.Equal(t, []int64{c.floor, c.ceil, c.round}, []int64{floor(r), ceil(r), round(r)}, r.String())
	}
	huge := new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), 90))
	assert.Equal(t, int64(math.MaxInt64), round(huge))
	assert.Equal(t, int64(math.MaxInt64), ceil(huge))
	assert.Equal(t, int64(-math.MaxInt64), floor(huge.Neg(huge)))
}
