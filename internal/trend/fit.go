package trend

import (
	"cmp"
	"math"
	"math/big"
	"math/bits"
	"slices"
)

// z95 is the standard normal quantile of 0.975.
const z95 = 1.959963984540054

// point is one value: x in milliseconds of running time, y in millionths of the
// unit. Neither is beyond most, so that differences fit.
type point struct{ x, y int64 }

const most = math.MaxInt64 / 4

// fit is a Theil-Sen line: y = intercept + slope*x, exact.
type fit struct {
	slope, lo, hi *big.Rat
	intercept     *big.Rat // for slope
	pairs         int      // with different x
	// clipped: the pairs are too few for the level, so that even from the least
	// to the greatest slope the interval is narrower than it should be.
	clipped bool
}

// rise is the slope of one pair; dx is above 0.
type rise struct{ dy, dx int64 }

// line fits points; z is the standard normal quantile of the slope's interval.
// False where no two points differ in x.
func line(points []point, z float64) (fit, bool) {
	rises := slopes(points)
	n := len(rises)
	if n == 0 {
		return fit{}, false
	}
	slices.SortFunc(rises, compareRises)
	rank := lowRank(points, n, z)
	lo := min(max(rank, 0), (n-1)/2)
	f := fit{slope: middle(rises), lo: rises[lo].rat(), hi: rises[n-1-lo].rat(), pairs: n, clipped: rank < 0}
	f.intercept = intercept(points, f.slope)
	return f, true
}

func slopes(points []point) []rise {
	var out []rise
	for i, a := range points {
		for _, b := range points[:i] {
			switch {
			case a.x > b.x:
				out = append(out, rise{a.y - b.y, a.x - b.x})
			case a.x < b.x:
				out = append(out, rise{b.y - a.y, b.x - a.x})
			}
		}
	}
	return out
}

// lowRank is the place of the interval's lower end among n slopes in order; the
// upper end stands as far from the other side. Half of the n pairs less z
// deviations of Kendall's S is rounded to the nearest and stepped outwards. Below
// 0 there is no such slope.
func lowRank(points []point, n int, z float64) int {
	half := (float64(n) - float64(z*deviation(points))) / 2
	return int(math.RoundToEven(half)) - 1
}

// deviation is the standard deviation of Kendall's S where nothing moves, less
// what ties in x and in y take from it.
func deviation(points []point) float64 {
	v := ties(len(points))
	for _, of := range []func(point) int64{func(p point) int64 { return p.x }, func(p point) int64 { return p.y }} {
		count := map[int64]int{}
		for _, p := range points {
			count[of(p)]++
		}
		for _, c := range count {
			v -= ties(c)
		}
	}
	return math.Sqrt(float64(max(v, 0)) / 18)
}

func ties(n int) int { return n * (n - 1) * (2*n + 5) }

func (r rise) rat() *big.Rat { return big.NewRat(r.dy, r.dx) }

// compareRises compares two slopes exactly, by cross products of 128 bits.
func compareRises(a, b rise) int {
	if s := cmp.Compare(sign(a.dy), sign(b.dy)); s != 0 {
		return s
	}
	ah, al := bits.Mul64(size(a.dy), uint64(b.dx))
	bh, bl := bits.Mul64(size(b.dy), uint64(a.dx))
	return sign(a.dy) * cmp.Or(cmp.Compare(ah, bh), cmp.Compare(al, bl))
}

func sign(v int64) int { return cmp.Compare(v, 0) }

func size(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

// middle is the median of slopes in order.
func middle(in []rise) *big.Rat {
	n := len(in)
	if n%2 == 1 {
		return in[n/2].rat()
	}
	return half(new(big.Rat).Add(in[n/2-1].rat(), in[n/2].rat()))
}

// intercept is the median of y - slope*x.
func intercept(points []point, slope *big.Rat) *big.Rat {
	// All over the slope's denominator, so that whole numbers are sorted.
	num, den := slope.Num(), slope.Denom()
	rest := make([]*big.Int, len(points))
	for i, p := range points {
		y := new(big.Int).Mul(big.NewInt(p.y), den)
		rest[i] = y.Sub(y, new(big.Int).Mul(num, big.NewInt(p.x)))
	}
	slices.SortFunc(rest, (*big.Int).Cmp)
	n := len(rest)
	if n%2 == 1 {
		return new(big.Rat).SetFrac(rest[n/2], den)
	}
	return half(new(big.Rat).SetFrac(new(big.Int).Add(rest[n/2-1], rest[n/2]), den))
}

func half(r *big.Rat) *big.Rat { return r.Mul(r, big.NewRat(1, 2)) }

// crossing is the x at which a line of this slope through the points is at y.
// The slope isn't 0.
func crossing(points []point, slope *big.Rat, y int64) *big.Rat {
	x := new(big.Rat).SetInt64(y)
	x.Sub(x, intercept(points, slope))
	return x.Quo(x, slope)
}

// round gives the nearest whole number, halves up, held at the ends of int64.
func round(r *big.Rat) int64 { return floor(new(big.Rat).Add(r, big.NewRat(1, 2))) }

// ceil gives the next whole number up, held at the ends of int64.
func ceil(r *big.Rat) int64 { return -floor(new(big.Rat).Neg(r)) }

// floor cuts down to a whole number, held at the ends of int64 (the lower one
// less one, so that it can be negated).
func floor(r *big.Rat) int64 {
	q := new(big.Int).Div(r.Num(), r.Denom()) // rounds down where the denominator is above 0
	switch {
	case q.IsInt64():
		return max(q.Int64(), -math.MaxInt64)
	case q.Sign() < 0:
		return -math.MaxInt64
	}
	return math.MaxInt64
}
