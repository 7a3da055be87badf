package clock_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/clock"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

type memory map[string][]byte

func (m memory) SaveState(name string, b []byte) error {
	m[name] = append([]byte(nil), b...)
	return nil
}
func (m memory) LoadState(name string) ([]byte, error) { return m[name], nil }

// box is a computer whose own clock may be anything.
type box struct {
	wall time.Time
	mono time.Duration
	kept memory
}

func (b *box) pass(d time.Duration) { b.wall, b.mono = b.wall.Add(d), b.mono+d }

func (b *box) start(t *testing.T) *clock.Clock {
	c, err := clock.Open(clock.Options{Keeper: b.kept, Now: func() time.Time { return b.wall },
		Mono: func() time.Duration { return b.mono }, Built: built})
	require.NoError(t, err)
	return c
}

var (
	built = time.Date(2031, 1, 10, 0, 0, 0, 0, time.UTC)
	noon  = moment.Instant(time.Date(2031, 7, 2, 12, 0, 0, 0, time.UTC).UnixMilli())
)

const minute = moment.Instant(60_000)

func TestAClockIn1970JudgesCertificatesByTheBuild(t *testing.T) {
	b := &box{wall: time.Unix(5, 0), kept: memory{}}
	c := b.start(t)
	require.Equal(t, built.UnixMilli(), c.Best().UnixMilli())
	_, set := c.Now()
	require.False(t, set, "1970 is no time to write down")
}

func TestAClockIn2040IsNotWrittenDown(t *testing.T) {
	b := &box{wall: time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC), kept: memory{}}
	c := b.start(t)
	_, set := c.Now()
	require.False(t, set)
	b.pass(time.Minute)
	require.NoError(t, c.Set(noon, c.Mono()))
	now, set := c.Now()
	require.True(t, set)
	require.Equal(t, noon, now)
	require.Equal(t, int64(noon), c.Best().UnixMilli())
}

func TestTheAnswerIsTakenHalfWay(t *testing.T) {
	b := &box{wall: built, kept: memory{}}
	c := b.start(t)
	sent := c.Mono()
	b.pass(4 * time.Second)
	require.NoError(t, c.Set(noon, sent))
	now, _ := c.Now()
	require.Equal(t, noon+2_000, now)
}

func TestASlowAnswerSetsNothing(t *testing.T) {
	b := &box{wall: built, kept: memory{}}
	c := b.start(t)
	sent := c.Mono()
	b.pass(31 * time.Second)
	require.ErrorIs(t, c.Set(noon, sent), clock.ErrSlow)
	_, set := c.Now()
	require.False(t, set)
}

func TestTheLinksJitterDoesNotMoveTheTime(t *testing.T) {
	b := &box{wall: built, kept: memory{}}
	c := b.start(t)
	require.NoError(t, c.Set(noon, c.Mono()))
	require.NoError(t, c.Set(noon+1_900, c.Mono()))
	now, _ := c.Now()
	require.Equal(t, noon, now)
	require.NoError(t, c.Set(noon+2_100, c.Mono()))
	now, _ = c.Now()
	require.Equal(t, noon+2_100, now)
}

func TestPlacingABootThatWasNeverSet(t *testing.T) {
	b := &box{wall: time.Unix(0, 0), kept: memory{}}
	first := b.start(t)
	require.NoError(t, first.Set(noon, first.Mono()))
	b.pass(10 * time.Minute)
	require.NoError(t, first.Tick())

	// Power off for an unknown time, then twenty minutes without the service.
	dark := b.start(t)
	b.pass(20 * time.Minute)
	require.NoError(t, dark.Tick())
	_, set := dark.Now()
	require.False(t, set)

	// Power off again, and three hours after noon the service is back.
	third := b.start(t)
	require.NoError(t, third.Set(noon+180*minute, third.Mono()))

	early, late, ok := third.Place(dark.Boot())
	require.True(t, ok)
	require.Equal(t, noon+10*minute, early, "not before the last good time")
	require.Equal(t, noon+160*minute, late, "it ran twenty minutes and ended before the third began")

	early, late, ok = third.Place(first.Boot())
	require.True(t, ok)
	require.Equal(t, noon, early)
	require.Equal(t, noon, late)

	_, _, ok = third.Place(99)
	require.False(t, ok)
}

func TestBootsAreBounded(t *testing.T) {
	b := &box{wall: built, kept: memory{}}
	var last *clock.Clock
	for range 200 {
		last = b.start(t)
	}
	require.Equal(t, uint32(200), last.Boot())
	require.Less(t, len(b.kept["clock"]), 16<<10)
}
