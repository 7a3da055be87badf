package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
)

// tick is how far the shift's clock moves at a time.
const tick = 20 * time.Second

// The clock's lead over the slowest machine: as little as can't be seen at the
// shift's speed, and more where only the end counts.
const (
	lead     = 2 * time.Minute
	leadFast = 10 * time.Minute
)

// patience is how long a machine may take for one tick.
const patience = time.Minute

// pace is the shift's clock. It stands until it is moved, never moves more than
// lead ahead of the slowest machine that walks with it, and not at all while
// someone holds it: so the shift is the same on a slow computer, it only takes
// longer. After the shift it runs on with the computer's own clock.
type pace struct {
	newsLock
	lead    time.Duration
	now     time.Time
	walkers []*walker
	holds   int
	free    time.Time // when it was set free, by the computer's clock
}

// walker is one machine on its way through the shift.
type walker struct {
	pace    *pace
	name    string
	reached time.Time
}

func newPace(start time.Time, lead time.Duration) *pace { return &pace{now: start, lead: lead} }

// Now is the simulated time.
func (p *pace) Now() time.Time {
	p.Lock()
	defer p.Unlock()
	if !p.free.IsZero() {
		return p.now.Add(time.Since(p.free))
	}
	return p.now
}

// join lets a machine walk along from now on.
func (p *pace) join(name string) *walker {
	p.Lock()
	defer p.Unlock()
	w := &walker{pace: p, name: name, reached: p.now}
	p.walkers = append(p.walkers, w)
	return w
}

// leave ends a machine's walk: nobody waits for it any more.
func (w *walker) leave() {
	p := w.pace
	p.Lock()
	defer p.Unlock()
	p.walkers = slices.DeleteFunc(p.walkers, func(o *walker) bool { return o == w })
	p.changed()
}

// reach says that the machine has lived, and written down, all up to at.
func (w *walker) reach(at time.Time) {
	w.pace.Lock()
	defer w.pace.Unlock()
	if at.After(w.reached) {
		w.reached = at
		w.pace.changed()
	}
}

// last is how far the machine has come.
func (w *walker) last() time.Time {
	w.pace.Lock()
	defer w.pace.Unlock()
	return w.reached
}

// goal waits until the clock is past from and gives it, or from where nothing
// comes of it for a while.
func (w *walker) goal(ctx context.Context, from time.Time) (time.Time, error) {
	err := w.pace.wait(ctx, time.Second, func() bool { return w.pace.now.After(from) })
	if err != nil && ctx.Err() == nil {
		return from, nil
	}
	return later(w.pace.Now(), from), err
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// meet stops the clock until release is called, and waits until the machine has
// come as far as it. A box says hello to the service in between: at the shift's
// speed the blink of an eye that this takes would be half a minute on the
// machine's clock.
func (w *walker) meet(ctx context.Context) (release func(), err error) {
	at, release := w.pace.hold()
	if err := w.pace.wait(ctx, patience, func() bool { return !w.reached.Before(at) }); err != nil {
		release()
		return nil, fmt.Errorf("come to the shift's clock: %w", err)
	}
	return release, nil
}

// hold stops the clock until release is called, any number of times.
func (p *pace) hold() (at time.Time, release func()) {
	p.Lock()
	defer p.Unlock()
	p.holds++
	return p.now, sync.OnceFunc(func() {
		p.Lock()
		defer p.Unlock()
		p.holds--
		p.changed()
	})
}

// advance moves the clock on, once nobody holds it and every machine is near.
func (p *pace) advance(ctx context.Context, to time.Time) error {
	if err := p.settle(ctx, to.Add(-p.lead-tick)); err != nil {
		return err
	}
	for {
		err := p.wait(ctx, patience, func() bool { return p.holds == 0 })
		if err != nil {
			return fmt.Errorf("move the shift's clock: someone holds it: %w", err)
		}
		p.Lock()
		if p.holds == 0 {
			p.now = to
			p.changed()
			p.Unlock()
			return nil
		}
		p.Unlock()
	}
}

// settle waits until every machine has come to an instant.
func (p *pace) settle(ctx context.Context, at time.Time) error {
	var slow []string
	err := p.wait(ctx, patience, func() bool {
		slow = slow[:0]
		for _, w := range p.walkers {
			if w.reached.Before(at) {
				slow = append(slow, w.name)
			}
		}
		return len(slow) == 0
	})
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("wait at %s for the agent of %s: it does not come on", at.Format("15:04:05"), strings.Join(slow, ", "))
	}
	return err
}

// runFree lets the clock run on with the computer's own.
func (p *pace) runFree() {
	p.Lock()
	defer p.Unlock()
	p.free = time.Now()
}
