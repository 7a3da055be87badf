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

// The model's tasks under WorkRules, one of each sort: figures are invented.
const (
	workHoursOrDays = iota // 1 h or 2 days worked
	workCount              // 6 bales
	workNow                // after a plug of more than 15 minutes
	workThree              // 1 h after three stones within 0.5 h
	workWash               // before the wash
	workSorts
)

func workModelChart() *Chart {
	c := modelChart()
	c.ID, c.Events, c.Counts = "model-work", []EventDef{{ID: "plug"}, {ID: "stone"}, {ID: "wash"}}, []CountDef{{ID: "bale"}}
	c.Tasks = []TaskDef{
		{ID: "model/0", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: modelTasks[0].every, Soon: modelTasks[0].soon, Late: modelTasks[0].late},
			{Kind: LimbDays, Days: 2}}},
		{ID: "model/1", Limbs: []Limb{{Kind: LimbCounted, Of: "bale", Count: 6000}}},
		{ID: "model/2", Triggers: []TriggerDef{{Kind: TriggerEvent, Name: "plug", If: []Cond{{Of: "minutes", Op: CondAbove, Milli: 15_000}}}}},
		{ID: "model/3", Triggers: []TriggerDef{{Kind: TriggerEvent, Name: "stone", Count: 3, Within: hours.Hour / 2, Meter: "engine", By: ByHours, In: hours.Hour}}},
		{ID: "model/4", Triggers: []TriggerDef{{Kind: TriggerBefore, Name: "wash"}}},
	}
	return c
}

// told is an event of the field as the oracle sees it.
type told struct {
	at      moment.Instant
	name    string
	minutes uint32
	milli   int64
	ahead   bool
}

// workModel adds field events to the model and the oracle's word on them.
type workModel struct {
	*model
	told []told
}

func drawWorkModel(t *rapid.T) *workModel {
	m := &workModel{model: &model{tr: drawRun(t, 1500), chart: workModelChart(), rules: WorkRules}}
	last := len(m.tr.ran) - 1
	m.drawSpools(t, last)
	m.drawRecordsOf(t, last, workSorts)
	for range rapid.IntRange(0, 12).Draw(t, "events") {
		e := told{at: minute(rapid.IntRange(1, last).Draw(t, "at")), name: rapid.SampledFrom([]string{"plug", "stone", "stone", "wash", "bale"}).Draw(t, "event")}
		e.minutes = uint32(rapid.IntRange(0, 30).Draw(t, "minutes"))
		e.milli = rapid.SampledFrom([]int64{0, 500, 2500}).Draw(t, "amount")
		e.ahead = e.name == "wash" && rapid.Bool().Draw(t, "ahead")
		m.told = append(m.told, e)
		m.streams = append(m.streams, []*Event{m.act(int(e.at.Elapsed(sunrise)/hours.Minute), &FieldEvent{Event: e.name, Minutes: e.minutes, Milli: e.milli, Ahead: e.ahead})})
	}
	m.o.today = civil.None
	for n := range last/1440 + rapid.IntRange(1, 3).Draw(t, "days") {
		d := dayOne.AddDays(n)
		m.o.today = max(m.o.today, d)
		m.streams = append(m.streams, []*Event{{Key: DayKey(d), Writer: WriterService, At: moment.At(minute(n * 1440)), Known: minute(1 << 20),
			Body: &DayTurned{Date: d, From: minute(n * 1440), Until: minute((n + 1) * 1440)}}})
	}
	return m
}

func dayOf(at moment.Instant) civil.Date {
	return dayOne + civil.Date(at.Elapsed(sunrise)/(24*hours.Hour))
}

// since are the events of a name after a task's record, by time, and whether the
// task has a record.
func (m *workModel) since(task int, name string, ahead bool) (out []told, rec *oracleRecord) {
	rec, _, _ = m.o.cycle(task)
	for _, e := range m.told {
		if e.name == name && e.ahead == ahead && (rec == nil || e.at > rec.at) {
			out = append(out, e)
		}
	}
	slices.SortStableFunc(out, func(a, b told) int { return int(a.at - b.at) })
	return out, rec
}

func (m *workModel) now() hours.Millis {
	var now hours.Millis
	for _, r := range m.o.totals() {
		now = max(now, r.shown)
	}
	return now
}

// worked are the days on which the machine ran, by the highest totals read.
func (m *workModel) worked() []civil.Date {
	rs := m.o.totals()
	var out []civil.Date
	before, top, day := rs[0].shown, rs[0].shown, dayOf(rs[0].at)
	for i, r := range rs {
		if d := dayOf(r.at); d != day {
			before, day = top, d
		}
		top = max(top, r.shown)
		if last := i == len(rs)-1 || dayOf(rs[i+1].at) != day; last && top > before && day <= m.o.today {
			out = append(out, day)
		}
	}
	return out
}

// due is what the oracle says of one task.
func (m *workModel) due(task int) DueState {
	var out DueState
	switch task {
	case workHoursOrDays:
		out = m.hoursOrDays()
	case workCount:
		out = m.count()
	case workNow:
		list, rec := m.since(task, "plug", false)
		list = slices.DeleteFunc(list, func(e told) bool { return e.minutes <= 15 })
		out = m.nowOr(list, rec)
	case workThree:
		out = m.three()
	case workWash:
		list, rec := m.since(task, "wash", true)
		out = m.nowOr(list, rec)
		washed, _ := m.since(task, "wash", false)
		if len(list) > 0 && len(washed) > 0 && washed[len(washed)-1].at > list[0].at {
			out = Overdue
		}
	}
	return out
}

func (m *workModel) hoursOrDays() DueState {
	d := modelTasks[0]
	out := m.o.due(workHoursOrDays, d.every, d.soon, d.late, 0)
	rec, _, _ := m.o.cycle(workHoursOrDays)
	if rec == nil {
		return out
	}
	n := 0
	for _, day := range m.worked() {
		if day > rec.date {
			n++
		}
	}
	switch {
	case n >= 3:
		return Overdue
	case n == 2:
		return max(out, Due)
	}
	return out
}

func (m *workModel) count() DueState {
	list, rec := m.since(workCount, "bale", false)
	if rec == nil {
		return DueUnknown
	}
	sum := int64(0)
	for _, e := range list {
		if e.milli == 0 {
			e.milli = 1000
		}
		sum += e.milli
	}
	switch { // a tenth of 6 is less than one: one before and after
	case sum >= 7000:
		return Overdue
	case sum >= 6000:
		return Due
	case sum >= 5000:
		return DueSoon
	}
	return NotDue
}

// nowOr is due from the first on, and overdue once another day has turned.
func (m *workModel) nowOr(list []told, rec *oracleRecord) DueState {
	switch {
	case len(list) > 0 && m.o.today > dayOf(list[0].at):
		return Overdue
	case len(list) > 0:
		return Due
	case rec != nil:
		return NotDue
	}
	return DueUnknown
}

func (m *workModel) three() DueState {
	list, rec := m.since(workThree, "stone", false)
	none := DueUnknown
	if rec != nil {
		none = NotDue
	}
	for k := 2; k < len(list); k++ {
		at := m.o.total(list[k].at)
		if at-m.o.total(list[k-2].at) > hours.Hour/2 {
			continue
		}
		switch ran := m.now() - at; { // an hour before and after is the least
		case ran >= 2*hours.Hour:
			return Overdue
		case ran >= hours.Hour:
			return Due
		}
		return DueSoon
	}
	return none
}

func TestAnyOrderGivesTheOraclesDueStates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawWorkModel(t)
		events := m.shuffle(t)
		m.arrive(events)
		half := rapid.IntRange(0, len(events)).Draw(t, "half")
		s, raised := New(), map[NoticeID]int{}
		var middle []byte
		for i, e := range events {
			if i == half {
				middle = AppendState(nil, s)
			}
			require.NoError(t, Admit(s, e).Err())
			for _, f := range Apply(s, e, nil) {
				if f.Kind == EffectNoticeRaised && f.Why == "" {
					raised[f.Notice]++
				}
			}
		}
		for i := range workSorts {
			m.checkTask(t, s, i)
		}
		for id, n := range raised {
			require.Equal(t, 1, n, "notice %v", id)
		}
		replay(t, m.chart, events, middle, half, s)
	})
}

func (m *workModel) checkTask(t *rapid.T, s *State, i int) {
	task, want := &s.Tasks[i], m.due(i)
	require.Equal(t, want, task.State, "state of task %d", i)
	_, _, opened := m.o.cycle(i)
	require.Equal(t, opened, task.Cycle)
	var open []Stage
	for _, n := range s.Notices {
		if n.Task == task.ID && n.Withdrawn.IsZero() {
			open = append(open, n.Stage)
			require.Equal(t, NoticeIDFor("heron-3", task.ID, opened, n.Stage), n.ID)
		}
	}
	if want < DueSoon {
		require.Empty(t, open)
	} else {
		require.Equal(t, []Stage{stageOf(want)}, open)
	}
	c, err := Counter(s, fmt.Sprintf("model/%d", i))
	require.NoError(t, err)
	best := DueUnknown
	for _, l := range c.Limbs {
		best = max(best, l.State)
	}
	if want >= DueSoon {
		require.Equal(t, want, best, "the counter says what the task says")
		require.Equal(t, want, c.Limbs[c.Limb].State)
	}
}
