package listen

import (
	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// drive gathers a minute of how a driven shaft follows its driver. Minutes are
// those of the axis.
type drive struct {
	def                  maintenance.DriveDef
	driver, driven, load int
	ends                 int64 // the minute's end; 0: none is open
	loaded, empty        mean
	missing              uint32
}

// mean gathers ratios. The mean of ratios is the ratio of sums here: a sample
// at speed counts for more than one at a crawl.
type mean struct {
	driver, driven, load int64
	samples              uint32
}

// mostMilli bounds what is taken for a speed or a load, so that a minute's sum
// fits: a milliard of its unit.
const mostMilli = 1_000_000_000_000

// hear takes a sample at each driven speed, with the driver's and the load's
// latest, none of them older than a gap.
func (d *drive) hear(l *Listener, at int64) {
	if d.driver < 0 {
		return
	}
	d.pass(l, at)
	if d.ends == 0 {
		d.ends = at - at%minute + minute
	}
	driver, driven := &l.latest.values[d.driver], &l.latest.values[d.driven]
	switch {
	case !driver.usable(at) || !driven.usable(at):
		d.missing++
	case driver.milli <= d.def.DriverAbove:
		// Standing or running up: nothing is claimed.
	default:
		d.add(l, at, driver.milli, driven.milli)
	}
}

func (d *drive) add(l *Listener, at int64, driver, driven int64) {
	into, load := &d.empty, int64(0)
	if d.load >= 0 {
		s := &l.latest.values[d.load]
		if !s.usable(at) {
			d.missing++
			return
		}
		if load = s.milli; load > d.def.LoadedAbove {
			into = &d.loaded
		}
	}
	into.driver += driver
	into.driven += driven
	into.load += load
	into.samples++
}

func (d *drive) pass(l *Listener, at int64) {
	if d.ends != 0 && at >= d.ends {
		d.flush(l, d.ends)
	}
}

func (d *drive) flush(l *Listener, at int64) {
	if d.loaded.samples+d.empty.samples > 0 {
		l.emit(at, false, &maintenance.DriveMinute{Drive: d.def.ID, Loaded: d.loaded.ratio(), Empty: d.empty.ratio(), Missing: d.missing})
	}
	d.ends, d.missing, d.loaded, d.empty = 0, 0, mean{}, mean{}
}

// ratio rounds to the nearest millionth. Load is given in millionths of full
// where its signal is in per cent.
func (m mean) ratio() maintenance.Ratio {
	n := int64(m.samples)
	if n == 0 || m.driver/n == 0 {
		return maintenance.Ratio{}
	}
	micro := (m.driven/n*1_000_000 + m.driver/n/2) / (m.driver / n)
	// Thousandths of a per cent are hundred-thousandths of full.
	return maintenance.Ratio{Millionths: clamp(micro), Load: clamp(m.load / n * 10), Samples: m.samples}
}

func clamp(v int64) uint32 { return uint32(min(max(v, 0), 1<<32-1)) }

// sample is a signal's latest value.
type sample struct {
	at    int64
	heard bool
	state j1939.State
	milli int64
}

// usable reports whether there is a value, no older than a gap, of a size that
// a shaft or a load can have.
func (s *sample) usable(at int64) bool {
	return s.heard && s.state == j1939.StateOK && at-s.at <= sampleGap && s.milli >= 0 && s.milli <= mostMilli
}

type latest struct {
	values []sample
	told   []sample
	due    int64 // 0: no time was told yet
}

// mostValues is how many values one event may carry.
const mostValues = maintenance.ValuesKept

// tellLatest tells the values that changed since they were last told.
func (l *Listener) tellLatest(at int64) {
	if l.latest.due == 0 {
		l.latest.due = at + valuesEvery
	}
	if at < l.latest.due {
		return
	}
	l.latest.due = at + valuesEvery
	body := &maintenance.BusValues{}
	for i := range l.latest.values {
		v, told := l.latest.values[i], &l.latest.told[i]
		if !v.heard || told.heard && v.state == told.state && v.milli == told.milli || len(body.Values) == mostValues {
			continue
		}
		*told = v
		body.Values = append(body.Values, maintenance.BusValue{Signal: l.signals[i].ID, State: state(v.state), Milli: v.milli})
	}
	if len(body.Values) > 0 {
		l.emit(at, false, body)
	}
}

func state(s j1939.State) maintenance.ValueState {
	switch s {
	case j1939.StateOK:
		return maintenance.ValueOK
	case j1939.StateNotAvailable:
		return maintenance.ValueNotAvailable
	}
	return maintenance.ValueError
}
