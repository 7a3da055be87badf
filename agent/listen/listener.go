package listen

import (
	"errors"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Event is one event, before it has a sequence number.
type Event struct {
	AtMs int64 // on the axis of the frames
	Body maintenance.Body
	// Urgent: it should reach people now.
	Urgent bool
	// Before: it is of the run that the state is from, and AtMs is on that run's
	// axis.
	Before bool
}

// Options of a listener.
type Options struct {
	// Chart names meters, signals, drives and packings of codes. Nil: engine
	// hours, the engine's running and codes only.
	Chart *maintenance.Chart
	// State is what an earlier run's listener remembered, nil for nothing. Nobody
	// knows for how long nothing was heard since: codes that were on are told as
	// unknown from then (Event.Before).
	State *State
}

// Listener is one machine's ear.
type Listener struct {
	bus     *j1939.Bus
	signals []maintenance.SignalDef
	meters  []meter
	derived []derived
	drives  []drive
	engine  engine
	names   names
	latest  latest
	span    span
	now     int64
	passed  int64 // when pass was last done
	out     []Event
}

// New makes a listener. It fails where the chart's signals can't be compiled or
// the remembered state is not one.
func New(opts Options) (*Listener, error) {
	state := opts.State
	if state == nil {
		state = &State{Bus: j1939.BusState{Now: j1939.NoTime}}
	}
	l := &Listener{engine: engine{running: state.Running}, names: newNames(state.Names)}
	bus, err := l.remember(&state.Bus)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	return l, l.hearBy(opts.Chart, bus, state.Derived)
}

// Switch goes on by another chart, with nothing missed. l is not to be used any
// more, unless it fails: then nothing changed.
func (l *Listener) Switch(chart *maintenance.Chart) (*Listener, error) {
	n := &Listener{engine: l.engine, names: l.names, span: l.span, now: l.now, passed: l.passed}
	s := l.State()
	if err := n.hearBy(chart, &s.Bus, s.Derived); err != nil {
		return nil, err
	}
	for i := range n.meters {
		if k := slices.IndexFunc(l.meters, func(m meter) bool { return m.def == n.meters[i].def }); k >= 0 {
			n.meters[i] = l.meters[k]
		}
	}
	for i := range n.derived {
		if k := slices.IndexFunc(l.derived, func(d derived) bool { return d.def == n.derived[i].def }); k >= 0 {
			signal := n.derived[i].signal
			n.derived[i] = l.derived[k]
			n.derived[i].signal = signal
		}
	}
	for i := range l.drives {
		l.drives[i].flush(l, l.now)
	}
	n.out = l.out
	return n, nil
}

func (l *Listener) hearBy(chart *maintenance.Chart, bus *j1939.BusState, kept []DerivedState) error {
	if chart == nil {
		chart = bare()
	}
	compiled, err := compile(chart.Signals)
	if err == nil {
		l.bus, err = j1939.NewBus(j1939.Options{Signals: compiled, SPNs: wanted(chart), Conversions: conversions(chart), State: bus})
	}
	if err != nil {
		return fmt.Errorf("listen by chart %s edition %d: %w", chart.ID, chart.Edition, err)
	}
	l.setUp(chart, kept)
	return nil
}

// bare is the chart of a machine that has none: what the open standard says of
// every machine's engine.
func bare() *maintenance.Chart {
	return &maintenance.Chart{ID: "bare", Meters: []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterBroadcast,
		Group: uint32(groupEngineHours), Source: int16(engineSource), SPN: spnEngineHours, Resolution: 180 * hours.Second}}}
}

func (l *Listener) setUp(chart *maintenance.Chart, kept []DerivedState) {
	l.signals = chart.Signals
	for _, def := range chart.Meters {
		switch def.Kind {
		case maintenance.MeterBroadcast:
			l.meters = append(l.meters, meter{def: def})
		case maintenance.MeterDerived:
			l.derived = append(l.derived, newDerived(def, l.signal(def.Signal), kept))
		}
	}
	for _, def := range chart.Drives {
		l.drives = append(l.drives, drive{def: def, driver: l.signal(def.Driver), driven: l.signal(def.Driven), load: l.signal(def.Load)})
	}
	l.latest.values = make([]sample, len(chart.Signals))
	l.latest.told = make([]sample, len(chart.Signals))
}

// signal is the index of a signal, -1 where the chart maps none.
func (l *Listener) signal(id string) int {
	for i := range l.signals {
		if l.signals[i].ID == id {
			return i
		}
	}
	return -1
}

// Push takes one frame with a 29-bit identifier. Times are 0 or later and never
// run backwards: an earlier one is taken for the latest. Time passes by frames
// too, so nobody needs to call Tick between them.
func (l *Listener) Push(at int64, id uint32, data []byte) {
	at = max(at, l.now)
	if at-l.passed >= second {
		l.Tick(at)
	}
	l.now = at
	l.heard(at)
	l.report(at, l.bus.Push(at, id, data))
}

// Lost says that the interface dropped frames.
func (l *Listener) Lost(frames uint64) { l.span.lost += frames }

// Tick lets time pass while nothing is heard: call it about once a second.
func (l *Listener) Tick(at int64) {
	at = max(at, l.now)
	l.now, l.passed = at, at
	l.report(at, l.bus.Tick(at))
	l.pass(at)
}

// Close ends all that goes on: the listener stops here. What a code does from
// now on is not known; the state says so at the next start.
func (l *Listener) Close(at int64) {
	l.Tick(at)
	l.flushMeters()
	l.endSpan(l.span.last)
	for i := range l.drives {
		l.drives[i].flush(l, l.now)
	}
	l.names.tell(l, l.now)
	l.flushWaiting()
}

// Take appends the events since the last call to dst.
func (l *Listener) Take(dst []Event) []Event {
	dst = append(dst, l.out...)
	clear(l.out)
	l.out = l.out[:0]
	return dst
}

func (l *Listener) emit(at int64, urgent bool, body maintenance.Body) {
	l.out = append(l.out, Event{AtMs: at / 1e6, Body: body, Urgent: urgent})
}

func (l *Listener) report(at int64, r *j1939.Report) {
	for i := range r.Values {
		l.value(at, r.Message.ID.Source, &r.Values[i])
	}
	for i := range r.Signals {
		l.signalValue(at, &r.Signals[i])
	}
	for i := range r.Claims {
		l.names.claim(at, &r.Claims[i])
	}
	if r.Identity != nil {
		l.names.identity(at, r.Identity)
	}
	for i := range r.Events {
		l.code(&r.Events[i])
	}
}

func (l *Listener) value(at int64, source j1939.Address, v *j1939.Value) {
	if v.Param.SPN == spnEngineSpeed && source == engineSource {
		l.engineSpeed(at, v)
	}
	for i := range l.meters {
		if m := &l.meters[i]; m.is(source, v) {
			m.hear(l, at, v)
		}
	}
}

func (l *Listener) signalValue(at int64, v *j1939.SignalValue) {
	l.latest.values[v.Signal] = sample{at: at, heard: true, state: v.State, milli: v.Milli}
	for i := range l.derived {
		if l.derived[i].signal == v.Signal {
			l.derived[i].hear(l, at, v)
		}
	}
	for i := range l.drives {
		if l.drives[i].driven == v.Signal {
			l.drives[i].hear(l, at)
		}
	}
}

// pass does what time alone brings: what ended a while ago comes before what is
// so now, lest times run back.
func (l *Listener) pass(at int64) {
	l.engineSilence(at)
	for i := range l.meters {
		l.meters[i].pass(l, at)
	}
	for i := range l.derived {
		l.derived[i].pass(l, at)
	}
	l.passSpan(at)
	for i := range l.drives {
		l.drives[i].pass(l, at)
	}
	l.names.pass(l, at)
	l.tellLatest(at)
}

// Compile makes of a chart what a bus is decoded by.
func Compile(chart *maintenance.Chart) (*j1939.Signals, map[j1939.Address]j1939.Conversion, error) {
	signals, err := compile(chart.Signals)
	return signals, conversions(chart), err
}

// compile makes the bus's set of signals.
func compile(defs []maintenance.SignalDef) (*j1939.Signals, error) {
	list := make([]j1939.Signal, len(defs))
	var errs []error
	for i := range defs {
		s, err := signalOf(&defs[i])
		if err != nil {
			errs = append(errs, fmt.Errorf("signal %s: %w", defs[i].ID, err))
		}
		list[i] = s
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return j1939.CompileSignals(list)
}

func signalOf(d *maintenance.SignalDef) (j1939.Signal, error) {
	if d.ScaleDen <= 0 || d.OffsetDen <= 0 {
		return j1939.Signal{}, errors.New("its scale or offset has no denominator: compile the chart anew")
	}
	s := j1939.Signal{Name: d.ID, Group: j1939.Group(d.Group), Byte: d.Byte, Bit: d.Bit, Bits: d.Bits, Signed: d.Signed, Unit: d.Unit,
		Scale: j1939.Ratio{Num: d.ScaleNum, Den: d.ScaleDen}, Offset: j1939.Ratio{Num: d.OffsetNum, Den: d.OffsetDen}}
	if d.Source == maintenance.AnySource {
		s.AnySource = true
	} else {
		s.Source = j1939.Address(d.Source)
	}
	if d.BigEndian {
		s.Order = j1939.BigEndian
	}
	return s, nil
}

// wanted is the parameters that the chart's meters and the engine need. One that
// this build does not know can't be heard; the rest can.
func wanted(chart *maintenance.Chart) []uint32 {
	spns := []uint32{spnEngineSpeed}
	for _, m := range chart.Meters {
		if _, known := j1939.FindParameter(m.SPN); known && m.Kind == maintenance.MeterBroadcast {
			spns = append(spns, m.SPN)
		}
	}
	return spns
}

func conversions(chart *maintenance.Chart) map[j1939.Address]j1939.Conversion {
	out := map[j1939.Address]j1939.Conversion{}
	for _, m := range chart.Methods {
		if m.Source != maintenance.AnySource {
			out[j1939.Address(m.Source)] = j1939.Conversion(m.Method)
		}
	}
	return out
}
