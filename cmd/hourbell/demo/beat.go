package demo

import (
	"context"
	"time"
)

// behind is how much of lost time a beat makes up for.
const behind = 300 * time.Millisecond

// beat lets the shift's clock move at its factor's speed.
type beat struct {
	factor float64
	next   time.Time // by the computer's clock
}

func newBeat(factor float64) *beat { return &beat{factor: factor, next: time.Now()} }

// wait waits as long as a step of the shift's clock takes; not at all where
// there is no factor.
func (b *beat) wait(ctx context.Context, step time.Duration) error {
	if b.factor == 0 {
		return context.Cause(ctx)
	}
	b.next = later(b.next.Add(time.Duration(float64(step)/b.factor)), time.Now().Add(-behind))
	timer := time.NewTimer(time.Until(b.next))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-timer.C:
		return nil
	}
}
