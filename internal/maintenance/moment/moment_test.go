package moment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func TestSpans(t *testing.T) {
	certain, open := At(1000), Span{NotBefore: 0, NotAfter: 900}
	assert.True(t, certain.Certain())
	assert.False(t, Span{}.Certain(), "no time is not a certain one")
	assert.True(t, open.Before(certain))
	assert.False(t, certain.Before(open))
	assert.Equal(t, Ever, open.Lo())
	assert.Equal(t, Never, Span{NotBefore: 5}.Hi())
	assert.Equal(t, -1, open.Compare(certain))
	assert.Equal(t, 1, Span{}.Compare(certain), "what may be at any time counts as late as it can be")
	wide := Span{NotBefore: 400, NotAfter: 1500}
	assert.EqualValues(t, 0, wide.MinElapsed(certain))
	assert.EqualValues(t, 500, wide.MaxElapsed(certain))
	assert.EqualValues(t, 100, certain.MinElapsed(open))
	assert.EqualValues(t, -100, open.MaxElapsed(At(1000)))
}

func TestValid(t *testing.T) {
	for _, s := range []Span{{}, At(1), {0, 5}, {5, 0}, {5, 6}, At(Latest)} {
		assert.True(t, s.Valid(), s)
	}
	for _, s := range []Span{{6, 5}, {-1, 5}, {5, -1}, {5, Latest + 1}, {Latest + 1, 0}} {
		assert.False(t, s.Valid(), s)
	}
}

func TestStringAgainstTheStandardLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := Instant(rapid.Int64Range(1, int64(Latest)).Draw(t, "at"))
		require.Equal(t, time.UnixMilli(int64(at)).UTC().Format(time.RFC3339), at.String())
	})
	assert.Equal(t, "no time", Instant(0).String())
	assert.Equal(t, "no time", Span{}.String())
	assert.Equal(t, "not after 1970-01-01T00:00:01Z", Span{NotAfter: 1000}.String())
	assert.Equal(t, "not before 1970-01-01T00:00:01Z", Span{NotBefore: 1000}.String())
	assert.Equal(t, "1970-01-01T00:00:01Z to 1970-01-01T00:01:00Z", Span{1000, 60_000}.String())
}

// Min and max elapsed are what the placements of both spans can give.
func TestElapsedIsWhatPlacementsGive(t *testing.T) {
	span := func(t *rapid.T, name string) Span {
		a, b := rapid.Int64Range(1, 30).Draw(t, name), rapid.Int64Range(0, 8).Draw(t, name+" wide")
		return Span{Instant(a), Instant(a + b)}
	}
	rapid.Check(t, func(t *rapid.T) {
		s, o := span(t, "s"), span(t, "o")
		least, most := int64(1<<62), int64(-1<<62)
		for a := s.NotBefore; a <= s.NotAfter; a++ {
			for b := o.NotBefore; b <= o.NotAfter; b++ {
				least, most = min(least, int64(a-b)), max(most, int64(a-b))
			}
		}
		require.Equal(t, hours.Millis(max(least, 0)), s.MinElapsed(o))
		require.Equal(t, hours.Millis(most), s.MaxElapsed(o))
		require.Equal(t, least > 0, o.Before(s))
	})
}
