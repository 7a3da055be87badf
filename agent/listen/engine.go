package listen

import (
	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// The engine runs above a speed no starter reaches for long, and stands below
// one that no idling engine falls to (common practice, no source).
const (
	runsAbove   = 250_000 // thousandths of a revolution a minute
	standsBelow = 50_000
	runsFor     = second
)

type engine struct {
	running bool
	rising  int64 // above runsAbove since
	rises   bool
	heard   int64 // last valid speed; of a state that says running, the first moment
	any     bool  // heard is set
}

func (l *Listener) engineSpeed(at int64, v *j1939.Value) {
	milli, ok := v.Milli()
	if !ok {
		return
	}
	e := &l.engine
	if at-e.heard > silence {
		e.rises = false
	}
	e.heard, e.any = at, true
	switch {
	case milli <= runsAbove:
		e.rises = false
		if milli < standsBelow {
			l.setRunning(at, false)
		}
	case !e.rises:
		e.rises, e.rising = true, at
	case !e.running && at-e.rising >= runsFor:
		l.setRunning(e.rising, true)
	}
}

// engineSilence: a bus that fell silent was switched off with the engine.
func (l *Listener) engineSilence(at int64) {
	e := &l.engine
	if !e.any {
		e.heard, e.any = at, true
	}
	if e.running && at-e.heard > silence {
		l.setRunning(e.heard, false)
	}
}

func (l *Listener) setRunning(at int64, running bool) {
	if l.engine.running == running {
		return
	}
	l.engine.running = running
	if !running {
		l.flushMeters()
	}
	l.emit(at, false, &maintenance.Engine{Running: running})
}

// span is how long the bus has been heard.
type span struct {
	open   bool
	from   int64
	last   int64
	frames uint64
	lost   uint64
}

func (l *Listener) heard(at int64) {
	s := &l.span
	if s.open && at-s.last > silence {
		l.endSpan(s.last)
	}
	if !s.open {
		s.open, s.from = true, at
		l.names.woke = at
	}
	s.last = at
	s.frames++
}

func (l *Listener) passSpan(at int64) {
	s := &l.span
	switch {
	case s.open && at-s.last > silence:
		l.endSpan(s.last)
	case s.open && s.last-s.from >= listenedEvery:
		end := s.last
		l.endSpan(end)
		s.open, s.from = true, end
	}
}

func (l *Listener) endSpan(at int64) {
	s := &l.span
	// On the axis's own milliseconds, so that spans that meet have no gap.
	if from, to := instant(s.from), instant(at); s.open && to > from {
		l.emit(at, false, &maintenance.Listened{From: from, To: to, Frames: s.frames, Lost: s.lost})
		s.frames, s.lost = 0, 0
	}
	s.open = false
}
