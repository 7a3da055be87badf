package demo

import (
	"context"
	"sync/atomic"
	"time"

	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/combinesim"
)

// road is how a machine is told how far to go and tells how far it has come.
type road interface {
	// goal waits until there is somewhere to go beyond from and gives it; from
	// itself where nothing comes of it for a while.
	goal(ctx context.Context, from time.Time) (time.Time, error)
	// reach says that everything up to at has been written down.
	reach(at time.Time)
	// meet stops the shift's clock until release is called, and waits until the
	// machine has come as far as it.
	meet(ctx context.Context) (release func(), err error)
}

// ear is a simulated bus as an agent's source hears it. The agent's monotonic
// clock is how far the bus has been heard, so that no tick of the computer's
// clock comes between two frames, however fast the shift goes.
type ear struct {
	machine *combinesim.Machine
	road    road
	born    time.Time    // when this agent's monotonic clock stood at 0
	at      atomic.Int64 // how far the bus has been heard, Unix ns
	goal    time.Time
	frames  []combinesim.Frame // heard and not handed over yet
	next    int
	deaf    func(time.Time) bool // frames that never reach the agent; nil: none
}

// newEar listens from an instant of the machine's shift on; what was before is
// not heard.
func newEar(cfg combinesim.Config, from time.Time, r road) (*ear, error) {
	m, err := combinesim.New(cfg)
	if err != nil {
		return nil, err
	}
	m.Run(from, func(combinesim.Frame) {})
	e := &ear{machine: m, road: r, born: from, goal: from}
	e.at.Store(from.UnixNano())
	return e, nil
}

// Read implements source.Source.
func (e *ear) Read(ctx context.Context, dst []source.Frame) (n int, lost uint64, err error) {
	if e.next == len(e.frames) {
		if err := e.listen(ctx); err != nil {
			return 0, 0, err
		}
	}
	for ; n < len(dst) && e.next < len(e.frames); n, e.next = n+1, e.next+1 {
		f := &e.frames[e.next]
		dst[n] = source.Frame{At: f.AtNS - e.born.UnixNano(), ID: f.ID, Len: f.Len, Data: f.Data}
		e.at.Store(f.AtNS)
	}
	if e.next == len(e.frames) {
		e.at.Store(e.goal.UnixNano())
	}
	return n, 0, ctx.Err()
}

// listen gathers what the bus carries up to the next goal. It is called when all
// before has been written down.
func (e *ear) listen(ctx context.Context) error {
	e.road.reach(e.goal)
	if !e.goal.Before(e.machine.End()) {
		return source.ErrEnd
	}
	goal, err := e.road.goal(ctx, e.goal)
	if err != nil {
		return err
	}
	e.goal = goal
	e.frames, e.next = e.machine.Append(e.frames[:0], goal), 0
	if e.deaf != nil {
		kept := e.frames[:0]
		for _, f := range e.frames {
			if !e.deaf(f.Time()) {
				kept = append(kept, f)
			}
		}
		e.frames = kept
	}
	return nil
}

// mono is the agent's monotonic clock.
func (e *ear) mono() time.Duration { return time.Duration(e.at.Load() - e.born.UnixNano()) }

// now is the agent's wall clock.
func (e *ear) now() time.Time { return time.Unix(0, e.at.Load()).UTC() }

// Close implements source.Source.
func (e *ear) Close() error { return nil }
