package combinesim

import (
	"math"
	"slices"
	"time"
)

// Machine is a simulated combine with its bus. It is not safe for use by several
// goroutines at once.
type Machine struct {
	cfg Config
	w   *world
	log *ledger
	bus bus
	end int64
}

// New builds a machine at the start of its program. The error tells everything
// that is wrong with the configuration at once.
func New(cfg Config) (*Machine, error) {
	if err := cfg.validate(); err != nil {
		return nil, err
	}
	m := &Machine{cfg: cfg}
	m.cfg.own()
	m.log = newLedger(&m.cfg)
	m.w = newWorld(&m.cfg, m.log)
	m.log.fuel[0] = m.w.fuelUL
	m.end = cfg.Start.UnixNano() + int64(cfg.Program.Length())
	m.bus.build(&m.cfg)
	m.bus.step(m.w, m.log)
	return m, nil
}

// own makes the configuration independent of the caller's slices.
func (c *Config) own() {
	c.Program = slices.Clone(c.Program)
	c.Rates.Others = slices.Clone(c.Rates.Others)
	f := &c.Faults
	f.Slipping, f.Riding = slices.Clone(f.Slipping), slices.Clone(f.Riding)
	f.Alarms, f.Warnings = slices.Clone(f.Alarms), slices.Clone(f.Warnings)
	f.Glitches, f.Missing = slices.Clone(f.Glitches), slices.Clone(f.Missing)
	f.Silences, f.Requested = slices.Clone(f.Silences), slices.Clone(f.Requested)
	f.Replaced = slices.Clone(f.Replaced)
	slices.SortStableFunc(f.Replaced, func(a, b MeterReplaced) int { return int(a.At/Step - b.At/Step) })
	if f.Moved != nil {
		moved := *f.Moved
		f.Moved = &moved
	}
}

// Next is the next frame on the bus, false once the program is over.
func (m *Machine) Next() (Frame, bool) { return m.next(m.end) }

// Run hands over every frame that begins before until and moves the machine on
// to that instant, or to the end of its program.
func (m *Machine) Run(until time.Time, hear func(Frame)) {
	limit := min(until.UnixNano(), m.end)
	for f, ok := m.next(limit); ok; f, ok = m.next(limit) {
		hear(f)
	}
}

// Append is Run into a slice: it appends the frames that begin before until.
func (m *Machine) Append(dst []Frame, until time.Time) []Frame {
	limit := min(until.UnixNano(), m.end)
	for f, ok := m.next(limit); ok; f, ok = m.next(limit) {
		dst = append(dst, f)
	}
	return dst
}

// next is the next frame before limit. World and bus move on no further.
func (m *Machine) next(limit int64) (Frame, bool) {
	for {
		at := m.bus.ready()
		if edge := m.w.now + stepNS; at >= edge {
			if edge > limit {
				return Frame{}, false
			}
			m.w.advance()
			m.bus.step(m.w, m.log)
			continue
		}
		if at >= limit {
			return Frame{}, false
		}
		if f, ok := m.bus.send(m.w, m.log, at); ok {
			m.log.frames++
			return f, true
		}
	}
}

// Ask is a request (59904) for a group that is heard now, by a listener that may
// send: the machine answers as it does to [Faults].Requested, within 20 ms and
// only while the bus is alive. The request itself is not put on the bus.
func (m *Machine) Ask(group uint32) { m.bus.answer(m.w, group, m.w.now) }

// Now is the beginning of the step that the world is in.
func (m *Machine) Now() time.Time { return time.Unix(0, m.w.now).UTC() }

// End is when the program is over.
func (m *Machine) End() time.Time { return time.Unix(0, m.end).UTC() }

// Doing is the activity of the present step.
func (m *Machine) Doing() Activity { return m.w.do }

// Value is a signal's exact value now in thousandths of its unit, as the machine
// has it and not as a broken sensor tells it. A meter that is not fitted is below
// 0.
func (m *Machine) Value(s Signal) int64 { return m.w.value(s) }

// Truth is what the machine did so far.
func (m *Machine) Truth() Truth {
	return m.log.truth(m.cfg.Start.UnixNano(), m.cfg.Meters.Separator)
}

// TimeAbove is the time so far that a signal's exact value was above a threshold
// (both in thousandths of its unit) for at least hold without a break. It lives
// the day once more without a bus, so it takes some milliseconds for each 12
// hours. It ends where the box was moved to another machine.
func (m *Machine) TimeAbove(s Signal, above int64, hold time.Duration) Above {
	return m.TimeWhen(func(value func(Signal) int64) bool { return value(s) > above }, hold)
}

// TimeWhen is the time so far that a condition on the exact values held, as
// [Machine.TimeAbove].
func (m *Machine) TimeWhen(cond func(value func(Signal) int64) bool, hold time.Duration) Above {
	again := newWorld(&m.cfg, nil)
	seen := spanner{hold: int64(hold)}
	value := again.value
	for again.now < m.w.now && !again.moved {
		seen.see(cond(value), again.now)
		again.advance()
	}
	return Above{seen.until(again.now), int64(hold) / 1e6}
}

const never = math.MaxInt64
