package service

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCleanupsRunBackwardsAndAll(t *testing.T) {
	var c cleanups
	var order []string
	for _, name := range []string{"a", "b", "c"} {
		c.close(name, func() error {
			order = append(order, name)
			if name == "b" {
				return errors.New("it is stuck")
			}
			return nil
		})
	}
	err := c.drain(t.Context())
	assert.Equal(t, []string{"c", "b", "a"}, order)
	require.ErrorContains(t, err, "stop b: it is stuck")
	require.NoError(t, c.drain(t.Context()), "each runs once")
	assert.Len(t, order, 3)
}

// TestACleanupThatOverrunsIsLeftBehind, and the others still run.
func TestACleanupThatOverrunsIsLeftBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c cleanups
		began := time.Now()
		last := false
		c.close("the last", func() error { last = true; return nil })
		release := make(chan struct{})
		c.add("the stuck one", 5*time.Second, func(context.Context) error { <-release; return nil })
		c.add("the slow one", 5*time.Second, func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() })
		cancelled, cancel := context.WithCancel(t.Context())
		cancel() // a stop that comes with its context ended has its full time
		err := c.drain(cancelled)
		require.ErrorContains(t, err, "stop the stuck one: not done within 5s")
		require.ErrorContains(t, err, "stop the slow one: context deadline exceeded")
		assert.True(t, last)
		assert.Equal(t, 11*time.Second, time.Since(began))
		close(release)
	})
}

func TestJitterStaysBetweenHalfAndOneAndAHalf(t *testing.T) {
	assert.Zero(t, jitter(0))
	low, high := false, false
	for range 2000 {
		d := jitter(time.Minute)
		assert.GreaterOrEqual(t, d, 30*time.Second)
		assert.Less(t, d, 90*time.Second)
		low, high = low || d < 40*time.Second, high || d > 80*time.Second
	}
	assert.True(t, low && high, "it spreads")
}
