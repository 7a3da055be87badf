package ingest

import (
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
)

// BootClock says where a boot of an agent lies in time: an event's time is its
// monotonic milliseconds plus an offset between these two.
type BootClock struct {
	Boot             uint32
	Earliest, Latest moment.Instant
}

// before2020 is earlier than any build of an agent (2020-01-01): a time below it
// was never that of a set clock.
const before2020 moment.Instant = 1_577_836_800_000

// placer gives the events of one spool a place in time.
type placer struct {
	now   moment.Instant // the service's
	floor moment.Instant // not before: the event before it in the spool
	boots []BootClock
	moved int // events whose own time could not be right
}

// place gives the span in which an event happened. Certain times stand as they
// are. A time that no set clock can show (before 2020, or ahead of the service)
// and one that was never known lie between the event before it and now; one of a
// boot whose place is known lies within that.
func (p *placer) place(s wire.Stamp) moment.Span {
	span := p.span(s)
	p.floor = max(p.floor, span.NotBefore)
	return span
}

func (p *placer) span(s wire.Stamp) moment.Span {
	if s.Synced() {
		if s.Time >= before2020 && s.Time <= p.now+moment.Instant(Ahead) {
			return moment.At(s.Time)
		}
		p.moved++
		return p.unknown()
	}
	for _, b := range p.boots {
		if b.Boot == s.Boot && b.Earliest <= b.Latest {
			return p.within(b.Earliest+moment.Instant(s.Mono), b.Latest+moment.Instant(s.Mono))
		}
	}
	return p.unknown()
}

// within cuts a span to what is possible: not before the floor where the boot
// itself has no honest lower end, and not after now.
func (p *placer) within(from, to moment.Instant) moment.Span {
	if from < before2020 {
		from = p.floor
	}
	to = min(to, p.now)
	if to < before2020 || from > to {
		return p.unknown()
	}
	return moment.Span{NotBefore: from, NotAfter: to}
}

func (p *placer) unknown() moment.Span {
	return moment.Span{NotBefore: min(p.floor, p.now), NotAfter: p.now}
}
