package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// foundTimes puts conditions found into a state, oldest first.
func foundTimes(s *State, task string, words ...FoundWord) {
	for _, w := range words {
		n := len(s.FoundAt) + 1
		s.FoundAt = append(s.FoundAt, FoundAt{Record: Key{Seq: uint64(n)}, Task: task, Word: w, At: moment.At(sunrise.Add(hours.Millis(n) * hours.Hour))})
	}
}

func times(n int, w FoundWord) []FoundWord {
	out := make([]FoundWord, n)
	for i := range out {
		out[i] = w
	}
	return out
}

// The limits are a rule of thumb: common practice, no source.
func TestTwentyConditionsSuggestAndChangeNothing(t *testing.T) {
	const task = "sieve-pivot/grease"
	for name, c := range map[string]struct {
		dry, purged int
		want        ReviewWord
	}{
		"six dry":                  {6, 0, ReviewShorter},
		"five dry":                 {5, 0, ReviewStays},
		"ten purged":               {0, 10, ReviewLonger},
		"nine purged":              {0, 9, ReviewStays},
		"ten purged and one dry":   {1, 10, ReviewStays},
		"six dry, fourteen purged": {6, 14, ReviewShorter},
	} {
		w := newWorld(t, heronChart())
		foundTimes(w.s, task, times(4, FoundDry)...) // older than the last twenty
		foundTimes(w.s, "drum-bearing/grease", times(20, FoundDry)...)
		foundTimes(w.s, task, times(c.dry, FoundDry)...)
		foundTimes(w.s, task, times(c.purged, FoundPurged)...)
		foundTimes(w.s, task, times(20-c.dry-c.purged, FoundFine)...)
		before := w.s.Hash()
		r, ok := Review(w.s, task)
		require.True(t, ok)
		assert.Equal(t, c.want, r.Word, name)
		assert.Equal(t, [4]int{20, c.dry, 20 - c.dry - c.purged, c.purged}, [4]int{r.Seen, r.Dry, r.Fine, r.Purged}, name)
		assert.Equal(t, "common practice, no source", r.Basis)
		assert.Equal(t, before, w.s.Hash(), "it changes nothing")
	}
}

func TestBelowTwentyConditionsSayHowManyMore(t *testing.T) {
	w := newWorld(t, heronChart())
	foundTimes(w.s, "sieve-pivot/grease", times(20, FoundDry)...)
	w.s.FoundAt[3].Void = Key{Seq: 1}
	r, ok := Review(w.s, "sieve-pivot/grease")
	require.True(t, ok)
	assert.Equal(t, ReviewMore, r.Word)
	assert.Equal(t, 1, r.Needed)
	assert.Equal(t, "19 conditions as found are on record; 1 more are needed to say anything", r.Text)
	_, ok = Review(w.s, "roof/grease")
	assert.False(t, ok)
}

func TestAdherenceHoldsServicesAgainstTheOneBefore(t *testing.T) {
	w := newWorld(t, heronChart())
	assert.Empty(t, Adherence(w.s))
	shown := func(at, engine, thresher string, tasks ...string) {
		w.says(after(at), &ServiceDone{Tasks: tasks, Date: dayOne, Shown: []MeterShown{{"engine", h(engine)}, {"thresher", h(thresher)}}})
	}
	// Every 50 h: 4 h late, then 10 h early; the other one 2 h late.
	shown("100", "100", "70", "sieve-pivot/grease", "drum-bearing/grease")
	shown("200", "154", "122", "sieve-pivot/grease", "drum-bearing/grease")
	shown("300", "194", "150", "sieve-pivot/grease")
	a := Adherence(w.s)
	require.Len(t, a, 3)
	assert.Equal(t, "sieve-pivot/grease", a[0].Task)
	assert.Equal(t, 2, a[0].Count())
	assert.Equal(t, h("4"), a[0].Hours[0].Off)
	assert.Equal(t, -h("10"), a[0].Hours[1].Off)
	assert.Equal(t, -h("10"), a[0].MedianHours)
	assert.Equal(t, -h("10"), a[0].WorstHours)
	assert.Equal(t, "drum-bearing/grease", a[1].Task)
	assert.Equal(t, "thresher", a[1].Hours[0].Meter)
	assert.Equal(t, "fifty", a[2].Round)
	assert.Equal(t, 3, a[2].Count())
	assert.Equal(t, h("2"), a[2].MedianHours)
}

func TestAdherenceCountsTheIntervalThatWasFurthestThrough(t *testing.T) {
	w := newWorld(t, heronChart())
	w.says(after("1"), &ServiceDone{Tasks: []string{"engine-sump/change"}, Date: dayOne, Shown: []MeterShown{{"engine", h("100")}}})
	// 13 months and 100 h later: the months were over, the 250 h were not.
	w.says(after("9600"), &ServiceDone{Tasks: []string{"engine-sump/change"}, Date: mustDate(2032, 8, 14), Shown: []MeterShown{{"engine", h("200")}}})
	a := Adherence(w.s)
	require.Len(t, a, 1)
	assert.Empty(t, a[0].Hours)
	require.Len(t, a[0].Days, 1)
	assert.Equal(t, mustDate(2032, 7, 14), a[0].Days[0].Due)
	assert.Equal(t, 31, a[0].WorstDays)
	// 260 h and six months after that: the hours were over.
	w.says(after("14000"), &ServiceDone{Tasks: []string{"engine-sump/change"}, Date: mustDate(2033, 2, 14), Shown: []MeterShown{{"engine", h("460")}}})
	a = Adherence(w.s)
	require.Len(t, a[0].Hours, 1)
	assert.Equal(t, h("10"), a[0].WorstHours)
}

func TestAdherenceToWholeMultiples(t *testing.T) {
	l := Limb{Kind: LimbHours, Meter: "engine", Every: 50 * hours.Hour, Grid: true}
	before, rec := &TaskRecord{Hours: []MeterShown{{"engine", h("112")}}}, &TaskRecord{Hours: []MeterShown{{"engine", h("153")}}}
	off, ok := l.hoursOff(before, rec)
	require.True(t, ok)
	assert.Equal(t, h("3"), off.Off, "due at 150 h, wherever it was done before")
	_, ok = l.hoursOff(before, &TaskRecord{})
	assert.False(t, ok, "without hours nothing can be held against it")
}
