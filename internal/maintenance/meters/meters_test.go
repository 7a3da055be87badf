package meters

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestTolerance(t *testing.T) {
	// 0.1 h and the coarser of 0.05 h and 0.1 h.
	assert.Equal(t, 12*hours.Minute, Tolerance(hours.Hour/20, hours.Hour/10))
	assert.Equal(t, 6*hours.Minute, Tolerance(0, -5))
}

func TestAgainst(t *testing.T) {
	const tol = 100
	near := moment.At(10_000)
	for name, c := range map[string]struct {
		shown hours.Millis
		at    moment.Span
		open  bool
	}{
		"agrees before":       {1050, moment.At(2_000), true},
		"agrees after":        {950, moment.At(20_000), true},
		"in pace":             {1500, moment.At(10_400), true},
		"too fast":            {1500, moment.At(10_399), false},
		"fell":                {800, moment.At(20_000), false},
		"late":                {800, moment.At(9_900), true},
		"late, too close":     {800, moment.At(9_901), false},
		"some placement fits": {1500, moment.Span{NotBefore: 1, NotAfter: 10_400}, true},
		"any time":            {5_000, moment.Span{}, true},
	} {
		w := Over(c.at)
		w.Against(c.shown, 1000, near, tol)
		assert.Equal(t, c.open, w.Open(), name)
	}
}

// The window is open exactly where trying every placement of the reading and of
// each neighbour finds one that suits.
func TestWindowAgainstEveryPlacement(t *testing.T) {
	type neighbour struct {
		shown hours.Millis
		at    moment.Span
	}
	span := func(t *rapid.T) moment.Span {
		a := rapid.Int64Range(1, 25).Draw(t, "from")
		return moment.Span{NotBefore: moment.Instant(a), NotAfter: moment.Instant(a + rapid.Int64Range(0, 6).Draw(t, "wide"))}
	}
	rapid.Check(t, func(t *rapid.T) {
		tol := hours.Millis(rapid.Int64Range(0, 3).Draw(t, "tolerance"))
		shown, at := hours.Millis(rapid.Int64Range(0, 20).Draw(t, "shown")), span(t)
		near := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) neighbour {
			return neighbour{hours.Millis(rapid.Int64Range(0, 20).Draw(t, "near")), span(t)}
		}), 0, 4).Draw(t, "neighbours")

		w := Over(at)
		for _, n := range near {
			w.Against(shown, n.shown, n.at, tol)
		}
		suits := func(mine moment.Instant, n neighbour) bool {
			for theirs := n.at.NotBefore; theirs <= n.at.NotAfter; theirs++ {
				d := shown - n.shown
				switch {
				case d > tol && mine.Elapsed(theirs) >= d-tol,
					-d > tol && theirs.Elapsed(mine) >= -d-tol,
					d <= tol && -d <= tol:
					return true
				}
			}
			return false
		}
		want := false
		for mine := at.NotBefore; mine <= at.NotAfter; mine++ {
			all := true
			for _, n := range near {
				all = all && suits(mine, n)
			}
			want = want || all
		}
		require.Equal(t, want, w.Open())
	})
}
