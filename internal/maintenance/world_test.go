package maintenance

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The tests play on one invented machine: combine "heron-3" of the crew at
// Lower Tarn. Times are counted from the morning of its first work day.

const (
	tenthHour = hours.Hour / 10
	busStep   = hours.Hour / 20 // 0.05 h, SAE J1939-71, SPN 247
)

// dayOne is 2031-07-14, and sunrise 04:00 universal time on it.
var (
	dayOne  = mustDate(2031, 7, 14)
	sunrise = moment.Instant(int64(dayOne)*24*60*60*1000) + 4*60*60*1000
)

func mustDate(y, m, d int) civil.Date {
	date, ok := civil.Of(y, m, d)
	if !ok {
		panic("no such date")
	}
	return date
}

// h reads decimal hours.
func h(text string) hours.Millis {
	m, err := hours.Parse(text)
	if err != nil {
		panic(err)
	}
	return m
}

// after is the instant some hours after sunrise.
func after(text string) moment.Instant { return sunrise.Add(h(text)) }

// world drives a state with events.
type world struct {
	t    testing.TB
	s    *State
	fx   []Effect
	seq  map[byte]uint64
	act  byte
	log  []*Event
	last *Event
}

func newWorld(t testing.TB, charts ...*Chart) *world {
	w := &world{t: t, s: New(), seq: map[byte]uint64{}}
	w.service("commissioned", after("0"), &Commissioned{Machine: "heron-3", Display: "Heron 3", Site: "lower-tarn", Zone: "Etc/UTC", TurnsAt: 240})
	for _, c := range charts {
		w.service("edition "+c.ID, after("0"), &EditionTaken{Chart: c, Person: "p1"})
	}
	w.day(0)
	return w
}

// apply admits and applies one event and returns what followed.
func (w *world) apply(e *Event) []Effect {
	w.t.Helper()
	v := Admit(w.s, e)
	require.NoError(w.t, v.Err())
	w.fx = Apply(w.s, e, nil)
	w.log = append(w.log, e)
	w.last = e
	return w.fx
}

func box(b byte) (id [16]byte) {
	copy(id[:], "spool of box ")
	id[15] = b
	return id
}

// agent gives the next event of a box's spool.
func (w *world) agent(b byte, at moment.Span, body Body) *Event {
	w.seq[b]++
	e := &Event{Key: Key{Stream: box(b), Seq: w.seq[b]}, Writer: WriterAgent, At: at, Known: at.NotAfter, Body: body}
	e.Hash[0], e.Hash[1] = b, byte(w.seq[b])
	return e
}

func (w *world) fromBox(b byte, at moment.Instant, body Body) []Effect {
	w.t.Helper()
	return w.apply(w.agent(b, moment.At(at), body))
}

// bus is a reading of the engine's meter off the bus.
func (w *world) bus(at moment.Instant, shown string) []Effect {
	w.t.Helper()
	return w.fromBox('a', at, &Reading{Meter: "engine", Shown: h(shown), Resolution: busStep, Origin: OriginBus})
}

// person gives an act.
func (w *world) person(at moment.Instant, body Body) *Event {
	w.act++
	e := &Event{Writer: WriterPerson, At: moment.At(at), Known: at, Body: body}
	copy(e.Key.Stream[:], "act of a person")
	e.Key.Stream[15] = w.act
	return e
}

func (w *world) says(at moment.Instant, body Body) []Effect {
	w.t.Helper()
	return w.apply(w.person(at, body))
}

func (w *world) done(at moment.Instant, tasks ...string) Key {
	w.t.Helper()
	w.says(at, &ServiceDone{Tasks: tasks, Date: civil.None, Person: "p2"})
	return w.last.Key
}

func (w *world) service(name string, at moment.Instant, body Body) []Effect {
	w.t.Helper()
	return w.apply(&Event{Key: ServiceKey(strings.Fields(name)...), Writer: WriterService, At: moment.At(at), Known: at, Body: body})
}

// day turns the work day n days after the first.
func (w *world) day(n int) []Effect {
	w.t.Helper()
	from := sunrise.Add(hours.Millis(n) * 24 * hours.Hour)
	d := dayOne.AddDays(n)
	return w.apply(&Event{Key: DayKey(d), Writer: WriterService, At: moment.At(from), Known: from,
		Body: &DayTurned{Date: d, From: from, Until: from.Add(24 * hours.Hour)}})
}

func (w *world) meter(id string) *Meter {
	w.t.Helper()
	i := w.s.meterIndex(id)
	require.GreaterOrEqual(w.t, i, 0, id)
	return &w.s.Meters[i]
}

func (w *world) task(id string) *Task {
	w.t.Helper()
	i := w.s.taskIndex(id)
	require.GreaterOrEqual(w.t, i, 0, id)
	return &w.s.Tasks[i]
}

func (w *world) counter(id string) Count {
	w.t.Helper()
	c, err := Counter(w.s, id)
	require.NoError(w.t, err)
	return c
}

// kinds are the kinds of what followed.
func kinds(fx []Effect) []EffectKind {
	var out []EffectKind
	for _, f := range fx {
		out = append(out, f.Kind)
	}
	return out
}

func count(fx []Effect, k EffectKind) int {
	n := 0
	for _, f := range fx {
		if f.Kind == k {
			n++
		}
	}
	return n
}

// heronChart is the chart of the tests: figures are invented.
func heronChart() *Chart {
	return &Chart{
		ID: "heron", Edition: 1,
		Meters: []MeterDef{
			{ID: "engine", Kind: MeterBroadcast, Resolution: busStep, Group: 65253, Source: 0, SPN: 247},
			{ID: "thresher", Kind: MeterDerived, Resolution: hours.Second, Signal: "drum_speed", Above: 250_000, Hold: 5 * hours.Second, SetFrom: "cab display"},
		},
		Signals: []SignalDef{{ID: "drum_speed", Group: 65300, Source: 40, Byte: 1, Bit: 1, Bits: 16, ScaleNum: 1, ScaleDen: 8, OffsetDen: 1, Unit: "rpm"}},
		Rounds:  []RoundDef{{ID: "fifty", Call: "50 h grease round", Minutes: 40}},
		Points:  []PointDef{{ID: "sieve-pivot", Station: 3, Side: "left"}, {ID: "engine-sump", Station: 1}},
		Tasks: []TaskDef{
			{ID: "sieve-pivot/grease", Point: "sieve-pivot", Do: "grease", Round: "fifty", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 50 * hours.Hour}}},
			{ID: "drum-bearing/grease", Point: "drum-bearing", Do: "grease", Round: "fifty", Limbs: []Limb{{Kind: LimbHours, Meter: "thresher", Every: 50 * hours.Hour}}},
			{ID: "engine-sump/change", Point: "engine-sump", Do: "change", Limbs: []Limb{
				{Kind: LimbHours, Meter: "engine", Every: 250 * hours.Hour}, {Kind: LimbMonths, Months: 12}}},
			{ID: "cab-filter/look", Point: "cab-filter", Do: "check"},
		},
	}
}
