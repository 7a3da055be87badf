package trend

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// measured draws a machine's values: 5 to 24 of them, 5 to 60 h apart, on a line
// of so many millimetres an hour with a spread of a quarter of a millimetre, read
// to the given step.
func measured(r *rand.Rand, slope float64, step int64) (out []maintenance.MeasuredAt) {
	h := float64(300 + r.IntN(500))
	for i := range 5 + r.IntN(20) {
		y := 10 + slope*h + r.NormFloat64()/4
		micro := int64(math.Round(y*mm/float64(step))) * step
		out = append(out, found(i, hours.Millis(h*float64(hours.Hour)), micro))
		h += float64(5 + r.IntN(56))
	}
	return out
}

// Where nothing moves, a sure direction is an error of at most 5 %. With three
// thousand runs the share is known to 0.4 % (one deviation of a binomial count).
// A coarse rule makes equal figures, which speak against a trend.
func TestNoiseRarelyGivesATrend(t *testing.T) {
	for _, c := range []struct {
		name  string
		step  int64
		runs  int
		least int // so that the check itself can fail
	}{{"read finely", 1, 3000, 30}, {"to a tenth", mm / 10, 1000, 1}, {"to half a millimetre", mm / 2, 1000, 0}} {
		r := rand.New(rand.NewPCG(5, 23))
		said := 0
		for range c.runs {
			if Of(measured(r, 0, c.step), wear(), Options{}).Said {
				said++
			}
		}
		assert.LessOrEqual(t, said, c.runs*5/100, "%s: said %d times", c.name, said)
		assert.GreaterOrEqual(t, said, c.least, "%s: said %d times", c.name, said)
	}
}

// Nor where several values share their hours: five to eight at three or four.
func TestNoiseAtEqualHoursRarelyGivesATrend(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 37))
	const runs = 3000
	said := 0
	for range runs {
		var values []maintenance.MeasuredAt
		n, groups := 5+r.IntN(4), 3+r.IntN(2)
		for i := range n {
			values = append(values, found(i, hours.Millis(i*groups/n*50)*hours.Hour, int64(r.NormFloat64()*mm)))
		}
		if Of(values, wear(), Options{}).Said {
			said++
		}
	}
	assert.LessOrEqual(t, said, runs*5/100, "said %d times", said)
	assert.Greater(t, said, 10)
}

// Counted out: of all orders in which five or six different values can come, at
// most 5 % give a sure direction, however they share their hours.
func TestEveryOrderOfFewValues(t *testing.T) {
	for n := 5; n <= 6; n++ {
		for shared := range 1 << (n - 1) { // bit i: value i+1 has the hours of value i
			points := make([]point, n)
			for i := 1; i < n; i++ {
				points[i].x = points[i-1].x + int64(1-shared>>(i-1)&1)
			}
			if points[n-1].x < LeastHours-1 {
				continue
			}
			all, sure := 0, 0
			orders(points, 0, func() {
				all++
				if f, ok := line(points, z95); ok && !f.clipped && f.lo.Sign()*f.hi.Sign() > 0 {
					sure++
				}
			})
			assert.LessOrEqual(t, sure*100, all*5, "%d of %d orders at %v", sure, all, points)
		}
	}
}

// orders puts 1 to n into the points in every order, and calls do for each.
func orders(points []point, from int, do func()) {
	if from == 0 {
		for i := range points {
			points[i].y = int64(i + 1)
		}
	}
	if from == len(points) {
		do()
		return
	}
	for i := from; i < len(points); i++ {
		points[from].y, points[i].y = points[i].y, points[from].y
		orders(points, from+1, do)
		points[from].y, points[i].y = points[i].y, points[from].y
	}
}

// A drift of a millimetre in 100 h is found in all but some of the shortest
// runs, with its direction right, and its interval holds the true slope in 95 %.
func TestDriftIsFound(t *testing.T) {
	for _, slope := range []float64{0.01, -0.01} {
		r := rand.New(rand.NewPCG(7, 29))
		const runs = 1000
		said, long, missed, held := 0, 0, 0, 0
		for range runs {
			got := Of(measured(r, slope, mm/100), wear(), Options{})
			if got.Values >= 10 {
				long++
			}
			if !got.Said {
				if got.Values >= 10 {
					missed++
				}
				continue
			}
			said++
			assert.Positive(t, float64(got.Slope)*slope, "the direction is right")
			// Millionths in 1,000 h.
			if truth := int64(slope * 1000 * mm); got.SlopeLo <= truth && truth <= got.SlopeHi {
				held++
			}
		}
		assert.Greater(t, said, runs*90/100, "found %d times", said)
		assert.Less(t, missed, long/100, "missed %d of %d with ten values and more", missed, long)
		assert.Greater(t, held, said*94/100, "held %d of %d", held, said)
	}
}

// The span from earliest to latest holds the hours at which the true line comes
// to the limit in most runs. It follows from the slope's interval alone, so no 95 %
// are promised.
func TestTheSpanMostlyHoldsTheTruth(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 31))
	d := &maintenance.MeasureDef{Unit: "mm", OkHi: bound(20 * mm)}
	said, held := 0, 0
	for range 1000 {
		got := Of(measured(r, 0.01, mm/100), d, Options{})
		if got.Ok.Word != ReachAhead {
			continue
		}
		said++
		if truth := 1000 * hours.Hour; got.Ok.Earliest <= truth && (truth <= got.Ok.Latest || got.Ok.Open) {
			held++
		}
	}
	assert.Greater(t, said, 200)
	assert.Greater(t, held, said*85/100, "held %d of %d", held, said)
}
