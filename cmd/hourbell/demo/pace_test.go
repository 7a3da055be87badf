package demo

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

var seven = time.Date(2031, 7, 14, 7, 0, 0, 0, time.UTC)

// moving moves the clock on in the background; done is closed when it has.
func moving(ctx context.Context, t *testing.T, p *pace, to time.Time) (done chan struct{}) {
	done = make(chan struct{})
	go func() {
		defer close(done)
		require.NoError(t, p.advance(ctx, to))
	}()
	return done
}

func isDone(done chan struct{}) bool {
	synctest.Wait()
	select {
	case <-done:
		return true
	default:
		return false
	}
}

func TestPaceWaitsForTheSlowest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPace(seven, time.Minute)
		quick, slow := p.join("quick"), p.join("slow")
		require.NoError(t, p.advance(t.Context(), seven.Add(time.Minute)))
		to := seven.Add(3 * time.Minute)
		quick.reach(to)
		done := moving(t.Context(), t, p, to)
		require.False(t, isDone(done), "the slow one is two minutes behind")
		slow.reach(seven.Add(100 * time.Second))
		require.True(t, isDone(done))
		require.Equal(t, to, p.Now())

		done = moving(t.Context(), t, p, seven.Add(time.Hour))
		require.False(t, isDone(done))
		quick.reach(seven.Add(time.Hour))
		slow.leave()
		require.True(t, isDone(done), "nobody waits for one that left")
	})
}

func TestPaceIsHeld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPace(seven, time.Minute)
		w := p.join("one")
		require.NoError(t, p.advance(t.Context(), seven.Add(tick)))
		met := make(chan func(), 1)
		go func() {
			release, err := w.meet(t.Context())
			require.NoError(t, err)
			met <- release
		}()
		synctest.Wait()
		require.Empty(t, met, "the machine has not come to the clock")
		w.reach(seven.Add(tick))
		release := <-met
		done := moving(t.Context(), t, p, seven.Add(2*tick))
		require.False(t, isDone(done))
		release()
		release() // once more does nothing
		require.True(t, isDone(done))
	})
}

func TestPaceNamesWhoStandsStill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPace(seven, time.Minute)
		p.join("Oatgallop")
		require.ErrorContains(t, p.settle(t.Context(), seven.Add(time.Hour)), "Oatgallop")
		_, release := p.hold()
		defer release()
		require.ErrorContains(t, p.advance(t.Context(), seven), "someone holds it")
	})
}

func TestPaceRunsFree(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPace(seven, time.Minute)
		time.Sleep(time.Hour)
		require.Equal(t, seven, p.Now())
		p.runFree()
		time.Sleep(time.Hour)
		require.Equal(t, seven.Add(time.Hour), p.Now())
	})
}

func TestGoal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPace(seven, time.Minute)
		w := p.join("one")
		at, err := w.goal(t.Context(), seven)
		require.NoError(t, err)
		require.Equal(t, seven, at, "nothing came of it for a while")
		require.NoError(t, p.advance(t.Context(), seven.Add(tick)))
		at, err = w.goal(t.Context(), seven)
		require.NoError(t, err)
		require.Equal(t, seven.Add(tick), at)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err = w.goal(ctx, at)
		require.ErrorIs(t, err, context.Canceled)
	})
}

func TestBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began, b := time.Now(), newBeat(2000)
		for range 100 {
			require.NoError(t, b.wait(t.Context(), 20*time.Second))
		}
		require.Equal(t, time.Second, time.Since(began))
		time.Sleep(100 * time.Millisecond) // made up for
		for range 100 {
			require.NoError(t, b.wait(t.Context(), 20*time.Second))
		}
		require.Equal(t, 2*time.Second, time.Since(began))
		time.Sleep(time.Hour) // not made up for, but for a little
		for range 100 {
			require.NoError(t, b.wait(t.Context(), 20*time.Second))
		}
		require.InDelta(t, time.Hour+2700*time.Millisecond, time.Since(began), float64(20*time.Millisecond))
	})
}
