package maintenance

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// A season in small: intervals of an hour or so, so that all of it lies within
// the part of the trail that is kept in full.
var modelTasks = []struct {
	every, soon, late hours.Millis
	months            int
}{
	{2 * busStep * 10, 2 * busStep, 3 * busStep, 0}, // 1 h, 0.1 h, 0.15 h
	{30 * busStep, 5 * busStep, 5 * busStep, 1},     // 1.5 h or a month
}

func modelChart() *Chart {
	c := &Chart{ID: "model", Edition: 1, Meters: []MeterDef{{ID: "engine", Kind: MeterBroadcast, Resolution: busStep, SPN: 247}}}
	for i, t := range modelTasks {
		limbs := []Limb{{Kind: LimbHours, Meter: "engine", Every: t.every, Soon: t.soon, Late: t.late}}
		if t.months > 0 {
			limbs = append(limbs, Limb{Kind: LimbMonths, Months: uint32(t.months)})
		}
		c.Tasks = append(c.Tasks, TaskDef{ID: fmt.Sprintf("model/%d", i), Do: "grease", Limbs: limbs})
	}
	return c
}

// trueRun is how the machine really ran: minute by minute, and which meter it had.
type trueRun struct {
	ran      []hours.Millis // by minute, machine's running time since the start
	replaced int            // minute from which the second meter counts, -1 never
	start    hours.Millis   // what the first meter showed at the start
	second   hours.Millis   // what the second one showed when it was fitted
}

func (tr *trueRun) shown(minute int) (hours.Millis, int) {
	if tr.replaced >= 0 && minute >= tr.replaced {
		return tr.second + tr.ran[minute] - tr.ran[tr.replaced], 1
	}
	return tr.start + tr.ran[minute], 0
}

func drawTruth(t *rapid.T) *trueRun { return drawRun(t, 300) }

// drawRun draws how a machine ran that stood up to so many minutes between.
func drawRun(t *rapid.T, stand int) *trueRun {
	tr := &trueRun{replaced: -1, start: h("2100") + hours.Millis(rapid.IntRange(0, 3_600_000).Draw(t, "start"))}
	var sum hours.Millis
	for range rapid.IntRange(2, 6).Draw(t, "shifts") {
		for range rapid.IntRange(1, 50).Draw(t, "run") {
			tr.ran = append(tr.ran, sum)
			sum += hours.Minute
		}
		if tr.replaced < 0 && len(tr.ran) > 20 && rapid.Bool().Draw(t, "replaced") {
			tr.replaced = len(tr.ran)
			tr.second = hours.Millis(rapid.IntRange(0, 2).Draw(t, "second")) * hours.Hour / 2
		}
		for range rapid.IntRange(1, stand).Draw(t, "stand") {
			tr.ran = append(tr.ran, sum)
		}
	}
	return tr
}

func minute(n int) moment.Instant { return sunrise.Add(hours.Millis(n) * hours.Minute) }

// model is one drawn history: streams whose own order holds, and an oracle.
type model struct {
	o       oracle
	tr      *trueRun
	streams [][]*Event
	acts    int
	rules   uint32 // 0: the first
	chart   *Chart
	parked  map[int][]*Event // voids that wait for their record, by record
}

func (m *model) read(box byte, seq int, at int, step hours.Millis, person bool) *Event {
	shown, life := m.tr.shown(at)
	shown -= shown % step
	m.o.readings = append(m.o.readings, oracleReading{minute(at), shown, life})
	r := Reading{Meter: "engine", Shown: shown, Resolution: step, Origin: OriginBus}
	if person {
		return m.act(at, &HandReading{Reading: r, Person: "p1"})
	}
	e := &Event{Key: Key{Stream: [16]byte{'b', box}, Seq: uint64(seq)}, Writer: WriterAgent, At: moment.At(minute(at)), Known: minute(1 << 20), Body: &r}
	e.Hash[0], e.Hash[1], e.Hash[2] = box, byte(seq), byte(seq>>8)
	return e
}

func (m *model) act(at int, body Body) *Event {
	m.acts++
	return &Event{Key: Key{Stream: [16]byte{'a', byte(m.acts)}}, Writer: WriterPerson, At: moment.At(minute(at)), Known: minute(1 << 20), Body: body}
}

func drawModel(t *rapid.T) *model {
	m := &model{tr: drawTruth(t), chart: modelChart(), parked: map[int][]*Event{}}
	last := len(m.tr.ran) - 1
	m.drawSpools(t, last)
	if m.tr.replaced < 0 {
		for range rapid.IntRange(0, 4).Draw(t, "hand readings") {
			m.streams = append(m.streams, []*Event{m.read(0, 0, rapid.IntRange(1, last).Draw(t, "by hand"), tenthHour, true)})
		}
	}
	m.drawRecords(t, last)
	m.drawDays(t)
	return m
}

// drawSpools gives two boxes their readings. The first has the machine's first
// reading, and after a replacement enough for a new life to open.
func (m *model) drawSpools(t *rapid.T, last int) {
	var a, b []int
	for range rapid.IntRange(0, 25).Draw(t, "readings a") {
		a = append(a, rapid.IntRange(1, last).Draw(t, "at"))
	}
	for range rapid.IntRange(0, 12).Draw(t, "readings b") {
		b = append(b, rapid.IntRange(1, last).Draw(t, "at"))
	}
	a = append(a, 0)
	if m.tr.replaced >= 0 {
		// Three readings over more than 0.1 h: 4, 8, 12 and 16 min of running on.
		for _, more := range []hours.Millis{4, 8, 12, 16} {
			want := m.tr.ran[m.tr.replaced] + more*hours.Minute
			if i := slices.IndexFunc(m.tr.ran, func(r hours.Millis) bool { return r >= want }); i >= 0 {
				a = append(a, i)
			}
		}
		if m.tr.ran[last]-m.tr.ran[m.tr.replaced] < 16*hours.Minute {
			t.Skip("the second meter hardly ran")
		}
	}
	for box, at := range [][]int{a, b} {
		slices.Sort(at)
		var stream []*Event
		for i, n := range slices.Compact(at) {
			stream = append(stream, m.read(byte(box), i+1, n, busStep, false))
		}
		m.streams = append(m.streams, stream)
	}
}

func (m *model) drawRecords(t *rapid.T, last int) { m.drawRecordsOf(t, last, len(modelTasks)) }

func (m *model) drawRecordsOf(t *rapid.T, last, tasks int) {
	used := map[int]bool{}
	for task := range tasks {
		for range rapid.IntRange(0, 3).Draw(t, "records") {
			at := rapid.IntRange(1, last).Filter(func(n int) bool { return !used[n] }).Draw(t, "done at")
			used[at] = true
			r := oracleRecord{at: minute(at), task: task, shown: -1, voided: -1, date: dayOne.AddDays(at / 1440)}
			done := &ServiceDone{Tasks: []string{fmt.Sprintf("model/%d", task)}, Date: r.date, Person: "p2"}
			if m.tr.replaced < 0 && rapid.Bool().Draw(t, "read at the service") {
				shown, life := m.tr.shown(at)
				shown -= shown % busStep
				done.Shown = []MeterShown{{"engine", shown}}
				r.shown, r.life = shown, life
				m.o.readings = append(m.o.readings, oracleReading{minute(at), shown, life})
			}
			e := m.act(at, done)
			r.key = e.Key
			stream := []*Event{e}
			if rapid.Bool().Draw(t, "voided") {
				v := m.act(at, &Void{Record: e.Key, Person: "p2"})
				r.void = v.Key
				stream = append(stream, v)
			}
			m.o.records = append(m.o.records, r)
			m.streams = append(m.streams, stream)
		}
	}
}

func (m *model) drawDays(t *rapid.T) {
	days := []int{0, 1, 2}
	for range rapid.IntRange(0, 2).Draw(t, "later days") {
		days = append(days, rapid.IntRange(3, 45).Draw(t, "day"))
	}
	m.o.today = civil.None
	for _, n := range days {
		d := dayOne.AddDays(n)
		m.o.today = max(m.o.today, d)
		m.streams = append(m.streams, []*Event{{Key: DayKey(d), Writer: WriterService, At: moment.At(minute(n * 1440)), Known: minute(1 << 20),
			Body: &DayTurned{Date: d, From: minute(n * 1440), Until: minute((n + 1) * 1440)}}})
	}
}

// shuffle merges the streams in a drawn order that keeps each one's own, after
// the machine's first reading, with repeats of what has come before.
func (m *model) shuffle(t *rapid.T) []*Event {
	out := []*Event{
		{Key: ServiceKey("commissioned"), Writer: WriterService, At: moment.At(sunrise), Known: sunrise, Body: &Commissioned{Machine: "heron-3"}},
		{Key: ServiceKey("edition"), Writer: WriterService, At: moment.At(sunrise), Known: sunrise, Body: &EditionTaken{Chart: m.chart}},
		m.streams[0][0],
	}
	if m.rules > 0 {
		out = slices.Insert(out, 1, &Event{Key: ServiceKey("rules"), Writer: WriterService, At: moment.At(sunrise), Known: sunrise, Body: &RulesChanged{Version: m.rules}})
	}
	streams := slices.Clone(m.streams)
	streams[0] = streams[0][1:]
	for {
		streams = slices.DeleteFunc(streams, func(s []*Event) bool { return len(s) == 0 })
		if len(streams) == 0 {
			return out
		}
		i := rapid.IntRange(0, len(streams)-1).Draw(t, "stream")
		out = append(out, streams[i][0])
		streams[i] = streams[i][1:]
		if rapid.IntRange(0, 4).Draw(t, "repeat") == 0 {
			out = append(out, out[rapid.IntRange(0, len(out)-1).Draw(t, "which")])
		}
	}
}

// arrive tells the oracle in which order records and voids came.
func (m *model) arrive(events []*Event) {
	seen := map[Key]int{}
	for i, e := range events {
		if _, ok := seen[e.Key]; !ok {
			seen[e.Key] = i
		}
	}
	for i := range m.o.records {
		r := &m.o.records[i]
		r.arrived = seen[r.key]
		if !r.void.IsZero() {
			r.voided = seen[r.void]
		}
	}
}

func TestAnyOrderGivesTheOraclesCounters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t)
		m.rules = rapid.SampledFrom([]uint32{0, WorkRules}).Draw(t, "rules")
		events := m.shuffle(t)
		m.arrive(events)
		half := rapid.IntRange(0, len(events)).Draw(t, "half")
		s, raised := New(), map[NoticeID]int{}
		var highest hours.Millis
		var middle []byte
		for i, e := range events {
			if i == half {
				middle = AppendState(nil, s)
			}
			v := Admit(s, e)
			require.NoError(t, v.Err())
			revision := s.Revision
			for _, f := range Apply(s, e, nil) {
				if f.Kind == EffectNoticeRaised && f.Why == "" {
					raised[f.Notice]++
				}
			}
			require.Equal(t, v.Word == VerdictTake, s.Revision == revision+1)
			if len(s.Meters) > 0 {
				require.GreaterOrEqual(t, s.Meters[0].Total, highest, "counters never move backwards")
				highest = s.Meters[0].Total
			}
		}
		m.check(t, s, raised)
		replay(t, m.chart, events, middle, half, s)
	})
}

func (m *model) check(t *rapid.T, s *State, raised map[NoticeID]int) {
	var want hours.Millis
	for _, r := range m.o.totals() {
		want = max(want, r.shown)
	}
	require.Equal(t, want, s.Meters[0].Total, "total")
	require.Empty(t, s.Meters[0].Held)
	for _, d := range s.Doubts {
		require.True(t, d.Kind == DoubtSameAct || !d.Closed.IsZero(), d.What)
	}
	for i, d := range modelTasks {
		rec, at, opened := m.o.cycle(i)
		task := &s.Tasks[i]
		require.Equal(t, opened, task.Cycle, "cycle of task %d", i)
		if rec != nil {
			got, ok := task.latest().on("engine")
			require.True(t, ok)
			require.Equal(t, at, got, "hours at the service of task %d", i)
		}
		state := m.o.due(i, d.every, d.soon, d.late, d.months)
		require.Equal(t, state, task.State, "state of task %d", i)
		var open []Stage
		for _, n := range s.Notices {
			if n.Task == task.ID && n.Withdrawn.IsZero() {
				open = append(open, n.Stage)
				require.Equal(t, NoticeIDFor("heron-3", task.ID, opened, n.Stage), n.ID)
			}
		}
		if state >= DueSoon {
			require.Equal(t, []Stage{stageOf(state)}, open)
		} else {
			require.Empty(t, open)
		}
	}
	for id, n := range raised {
		require.Equal(t, 1, n, "notice %v", id)
	}
	m.checkDays(t, s)
}

// checkDays holds the highest total of each work day to the oracle.
func (m *model) checkDays(t *rapid.T, s *State) {
	want := map[civil.Date]hours.Millis{}
	for _, r := range m.o.totals() {
		d := dayOne + civil.Date(r.at.Elapsed(sunrise)/(24*hours.Hour))
		if s.dayIndex(d) >= 0 {
			want[d] = r.shown
		}
	}
	got := map[civil.Date]hours.Millis{}
	for _, top := range s.Meters[0].DayTops {
		got[top.Date] = top.Total
	}
	require.Equal(t, want, got)
}

// replay applies the events to a fresh state, and from the middle on to a
// decoded one: both end at the same bytes.
func replay(t *rapid.T, chart *Chart, events []*Event, middle []byte, half int, s *State) {
	want := AppendState(nil, s)
	again := new(State)
	for _, e := range events {
		b := AppendEvent(nil, e)
		back, err := DecodeEvent(b)
		require.NoError(t, err)
		Apply(again, back, nil)
	}
	require.Equal(t, want, AppendState(nil, again))
	if middle == nil {
		return
	}
	charts := func([32]byte) (*Chart, error) { return chart, nil }
	cp, err := DecodeState(middle, charts)
	require.NoError(t, err)
	require.Equal(t, middle, AppendState(nil, cp))
	for _, e := range events[half:] {
		Apply(cp, e, nil)
	}
	require.Equal(t, want, AppendState(nil, cp))
}

// A box without a clock knows only spans. Each true reading has a placement,
// the true one, that satisfies every other, so none is held, in any order.
func TestUnsyncedReadingsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := drawTruth(t)
		tr.replaced = -1
		last := len(tr.ran) - 1
		var events []*Event
		var want hours.Millis
		var end moment.Instant
		for i := range rapid.IntRange(1, 40).Draw(t, "readings") {
			at := rapid.IntRange(0, last).Draw(t, "at")
			shown, _ := tr.shown(at)
			shown -= shown % busStep
			span := moment.At(minute(at))
			if rapid.Bool().Draw(t, "unsynced") {
				span.NotBefore = span.NotBefore.Add(-hours.Millis(rapid.IntRange(0, 600).Draw(t, "before")) * hours.Minute)
				span.NotAfter = span.NotAfter.Add(hours.Millis(rapid.IntRange(0, 600).Draw(t, "after")) * hours.Minute)
				if rapid.IntRange(0, 9).Draw(t, "never") == 0 {
					span.NotBefore = 0
				}
			}
			e := &Event{Key: Key{Stream: [16]byte{'b', byte(i + 1)}, Seq: 1}, Writer: WriterAgent, At: span, Known: minute(1 << 20),
				Body: &Reading{Meter: "engine", Shown: shown, Resolution: busStep, Origin: OriginBus}}
			events, want, end = append(events, e), max(want, shown), max(end, span.NotAfter)
		}
		s := New()
		for _, e := range rapid.Permutation(events).Draw(t, "order") {
			before := s.Clone()
			Apply(s, e, nil)
			require.Empty(t, s.Meters[0].Held, "%+v", before.Meters)
		}
		require.Equal(t, want, s.Meters[0].Total)
		require.Len(t, s.Meters[0].Lives, 1)
		at, ok := s.hoursAt(0, end)
		require.True(t, ok)
		require.Equal(t, want, at)
	})
}
