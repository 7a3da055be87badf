package maintenance_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// What a stranger can see of a chart in use, from its YAML to what the machine's
// page says. The machine, its chart and all figures are invented.
const merganser = `
chart: merganser
edition: 1
basis: {book: "owner's book", shop: "what we do here"}
meters:
  engine: {group: 65253, source: 0x00, resolution_h: 0.05}
traits:
  plate: {number: whole, ask: "Number on the plate"}
  under_lease: {yes_no, ask: "Is it leased?"}
events:
  choked: "the feeder choked"
  rinsed: "rinsed with water"
materials:
  pin-grease: {kind: grease, thickener: lithium, nlgi: 2}
walks:
  dusk: {call: "the walk at dusk"}
points:
  - id: step-bolt
    fitted_if: {plate: {below: 640}}
    tasks: [{id: look, do: check, every: {hours: 30, on: engine}, who: operator}]
  - id: step-hinge
    fitted_if: {plate: {from: 640}}
    tasks: [{id: oil, do: oil, every: {hours: 30, on: engine}, who: operator}]
  - id: sump
    tasks: [{id: oil, do: change, every: {first_of: [{hours: 300, on: engine}, {months: 12}]}, who: technician}]
  - id: intake-screen
    tasks:
      - {id: knock, do: clean, every: {days_worked: 1}, who: operator}
      - {id: blow, do: clean, every: {days_worked: 2}, who: operator}
  - id: lamp-box
    tasks:
      - {id: cover, do: prepare, before: [rinsed], then: {task: uncover, due: before next start}, who: anyone}
      - {id: uncover, do: check, see: {cover: "off"}, who: anyone}
  - id: feeder-bolts
    tasks: [{id: turn, do: check, after: [{event: choked, if: {minutes: {above: 18}}}], see: {bolts: "none turns"}, who: operator}]
  - id: chaffer-belt
    part: {kind: belt, call: "the chaffer's belt", on: engine}
    tasks:
      - {id: fit, do: replace, who: technician}
      - {id: tension, do: check, run_in: {from: chaffer-belt, on: engine, at_minutes: [20, 70]}, see: {mark: "between the notches"}, who: operator}
  - id: wrist-pin
    tasks:
      - {id: grease, do: grease, every: {hours: 90, on: engine}, too_soon: {hours: 40, on: engine, unless: [rinsed]}, who: operator, material: pin-grease, amount: {strokes: 2, most: 3}, harm: {over: "the cup lifts"}}
  - id: lift-tank
    tasks:
      - {id: oil, do: change, basis: book, every: {months: 12}, who: technician, instead: {from: shop, every: {months: 36}, provided: {done_each_season: bowl}, not_if: [under_lease]}}
      - {id: bowl, do: drain, who: operator}
  - id: rake-clip
    tasks: [{id: gap, do: measure, who: technician, walks: [dusk], measure: {what: gap, unit: mm, spots: [near, mid, far], ok: [0.25, 0.6], act: [0.15, 0.9], keep: [found]}}]
  - id: filters
    tasks: [{id: change, do: change, each: [fuel, oil, air], every: {hours: 120, on: engine}, who: technician}]
  - id: ladder
    tasks: [{id: look, do: check, every: {hours: 25, on: engine}, walks: [dusk], see: {rungs: "dry"}, who: operator}]
`

// yard is one machine with a chart, and the acts on it.
type yard struct {
	t   *testing.T
	s   *maintenance.State
	day int
	seq uint64
	act int
}

var (
	firstDay = mustDay(2031, 7, 14)
	morning  = moment.Instant(int64(firstDay)*24*60*60*1000) + 4*60*60*1000
)

func mustDay(y, m, d int) civil.Date {
	date, ok := civil.Of(y, m, d)
	if !ok {
		panic("no such day")
	}
	return date
}

func hm(text string) hours.Millis {
	m, err := hours.Parse(text)
	if err != nil {
		panic(err)
	}
	return m
}

func compiled(t *testing.T, src string) *maintenance.Chart {
	t.Helper()
	c, err := chart.Compile("merganser.points.yaml", []byte(src))
	require.NoError(t, err)
	return c
}

func newYard(t *testing.T) *yard {
	y := &yard{t: t, s: maintenance.New()}
	y.service("0", &maintenance.RulesChanged{Version: maintenance.WorkRules})
	y.service("0", &maintenance.EditionTaken{Chart: compiled(t, merganser)})
	y.turn(0)
	return y
}

// at is a time of the current work day, in hours after its morning.
func (y *yard) at(hour string) moment.Instant {
	return morning.Add(hours.Millis(y.day)*24*hours.Hour + hm(hour))
}

func (y *yard) apply(e *maintenance.Event) []maintenance.Effect {
	y.t.Helper()
	require.NoError(y.t, maintenance.Admit(y.s, e).Err())
	return maintenance.Apply(y.s, e, nil)
}

func (y *yard) event(w maintenance.Writer, hour string, b maintenance.Body) *maintenance.Event {
	y.act++
	return &maintenance.Event{Key: maintenance.ServiceKey("act", fmt.Sprint(y.act)), Writer: w, At: moment.At(y.at(hour)), Known: y.at(hour), Body: b}
}

func (y *yard) service(hour string, b maintenance.Body) maintenance.Key {
	y.t.Helper()
	e := y.event(maintenance.WriterService, hour, b)
	y.apply(e)
	return e.Key
}

func (y *yard) says(hour string, b maintenance.Body) maintenance.Key {
	y.t.Helper()
	e := y.event(maintenance.WriterPerson, hour, b)
	y.apply(e)
	return e.Key
}

func (y *yard) done(hour string, tasks ...string) maintenance.Key {
	y.t.Helper()
	return y.says(hour, &maintenance.ServiceDone{Tasks: tasks, Date: civil.None, Person: "p1"})
}

func (y *yard) box(hour string, b maintenance.Body) []maintenance.Effect {
	y.t.Helper()
	y.seq++
	e := y.event(maintenance.WriterAgent, hour, b)
	e.Key = maintenance.Key{Stream: [16]byte{9}, Seq: y.seq}
	return y.apply(e)
}

func (y *yard) reads(hour, shown string) []maintenance.Effect {
	y.t.Helper()
	return y.box(hour, &maintenance.Reading{Meter: "engine", Shown: hm(shown), Resolution: hours.Hour / 20, Origin: maintenance.OriginBus})
}

// turn turns the work days up to one.
func (y *yard) turn(to int) {
	y.t.Helper()
	for n := max(y.day, 0); n <= to; n++ {
		d := firstDay.AddDays(n)
		if n == y.day && n > 0 {
			continue
		}
		from := morning.Add(hours.Millis(n) * 24 * hours.Hour)
		y.apply(&maintenance.Event{Key: maintenance.DayKey(d), Writer: maintenance.WriterService, At: moment.At(from), Known: from,
			Body: &maintenance.DayTurned{Date: d, From: from, Until: from.Add(24 * hours.Hour)}})
	}
	y.day = to
}

func (y *yard) count(task string) maintenance.Count {
	y.t.Helper()
	c, err := maintenance.Counter(y.s, task)
	require.NoError(y.t, err)
	return c
}

func (y *yard) state(task string) maintenance.DueState { y.t.Helper(); return y.count(task).State }

// why is the line of explain of that name.
func (y *yard) why(task, what string) string {
	y.t.Helper()
	x, err := maintenance.Explain(y.s, task)
	require.NoError(y.t, err)
	for _, r := range x.Rows {
		if r.What == what {
			return r.Value
		}
	}
	return ""
}

// rings are the stages of the notices that stand for a task.
func (y *yard) rings(task string) (out []maintenance.Stage) {
	for _, n := range y.s.Notices {
		if n.Task == task && n.Withdrawn.IsZero() {
			out = append(out, n.Stage)
		}
	}
	return out
}

func TestStrangerBuild(t *testing.T) {
	fit := func(y *yard) (out [2]maintenance.BuildWord) {
		out[0], _ = maintenance.Fit(y.s, "step-bolt")
		out[1], _ = maintenance.Fit(y.s, "step-hinge")
		return out
	}
	for plate, want := range map[string][2]maintenance.BuildWord{
		"639": {maintenance.BuildFitted, maintenance.BuildNot},
		"640": {maintenance.BuildNot, maintenance.BuildFitted},
	} {
		y := newYard(t)
		assert.Equal(t, [2]maintenance.BuildWord{maintenance.BuildAsked, maintenance.BuildAsked}, fit(y), "not known is never no")
		var asked []string
		for _, q := range maintenance.Questions(y.s) {
			if q.Name == "plate" {
				asked = append(asked, q.Points...)
			}
		}
		assert.Equal(t, []string{"step-bolt", "step-hinge"}, asked)
		y.reads("1", "700.00")
		y.done("1", "step-bolt/look", "step-hinge/oil")
		y.reads("38", "736.00")
		assert.Empty(t, append(y.rings("step-bolt/look"), y.rings("step-hinge/oil")...), "what is not known to be there rings nobody")
		y.service("38", &maintenance.Trait{Name: "plate", Value: plate})
		assert.Equal(t, want, fit(y), plate)
		for i, task := range []string{"step-bolt/look", "step-hinge/oil"} {
			assert.Equal(t, want[i] == maintenance.BuildFitted, len(y.rings(task)) == 1, "%s with plate %s, 36 h of 30", task, plate)
		}
		for _, q := range maintenance.Questions(y.s) {
			assert.NotEqual(t, "plate", q.Name)
		}
	}
}

func TestStrangerEdition(t *testing.T) {
	hundred := strings.Replace(merganser, "every: {hours: 90, on: engine}, too_soon", "every: {hours: 100, on: engine}, too_soon", 1)
	fifty := strings.Replace(hundred, "edition: 1", "edition: 2", 1)
	fifty = strings.Replace(fifty, "every: {hours: 100, on: engine}, too_soon", "every: {hours: 50, on: engine}, too_soon", 1)
	y := &yard{t: t, s: maintenance.New()}
	y.service("0", &maintenance.RulesChanged{Version: maintenance.WorkRules})
	y.service("0", &maintenance.EditionTaken{Chart: compiled(t, hundred)})
	y.turn(0)
	y.reads("1", "700.00")
	y.done("1", "wrist-pin/grease", "filters/change", "sump/oil", "ladder/look")
	y.reads("63", "761.00")
	before := y.s.Clone()

	// A preview is the same event applied to a copy.
	e := y.event(maintenance.WriterService, "63", &maintenance.EditionTaken{Chart: compiled(t, fifty)})
	preview := y.s.Clone()
	changes := map[string][2]maintenance.DueState{}
	for _, f := range maintenance.Apply(preview, e, nil) {
		if f.Kind == maintenance.EffectDueChanged {
			changes[preview.Tasks[f.Index].ID] = [2]maintenance.DueState{f.Was, f.Now}
		}
	}
	assert.Equal(t, map[string][2]maintenance.DueState{"wrist-pin/grease": {maintenance.NotDue, maintenance.Overdue}}, changes, "61 h of 50 and a tenth")
	assert.Equal(t, before.Hash(), y.s.Hash(), "a preview changes nothing")
	y.apply(e)
	assert.Equal(t, preview.Hash(), y.s.Hash())
	assert.Equal(t, []maintenance.Stage{maintenance.StageOverdue}, y.rings("wrist-pin/grease"))

	y.service("64", &maintenance.EditionTaken{Chart: compiled(t, hundred)})
	back := y.s.Clone()
	assert.Empty(t, y.rings("wrist-pin/grease"))
	back.Revision, back.Chain, back.Acts, back.Editions = before.Revision, before.Chain, before.Acts, before.Editions
	require.Len(t, back.Notices, len(before.Notices)+1)
	assert.Equal(t, "it is no longer so", back.Notices[len(before.Notices)].How, "the notice that was withdrawn is kept")
	back.Notices = back.Notices[:len(before.Notices)]
	assert.Equal(t, maintenance.AppendState(nil, before), maintenance.AppendState(nil, back))
}

func TestStrangerFirstOf(t *testing.T) {
	y := newYard(t)
	y.reads("1", "700.00")
	y.done("1", "sump/oil")
	y.turn(30)
	y.reads("1", "999.95")
	assert.Equal(t, maintenance.DueSoon, y.state("sump/oil"))
	y.reads("2", "1000.00")
	c := y.count("sump/oil")
	assert.Equal(t, maintenance.Due, c.State)
	assert.Equal(t, maintenance.LimbHours, c.Limbs[c.Limb].Kind)
	assert.Equal(t, hours.Millis(0), c.Limbs[c.Limb].Left)

	// The agent is off from the second day on; the days turn all the same.
	y = newYard(t)
	y.reads("1", "700.00")
	y.done("1", "sump/oil")
	y.turn(365) // 2032-07-13
	assert.Equal(t, maintenance.DueSoon, y.state("sump/oil"))
	y.turn(366) // 2032-07-14
	c = y.count("sump/oil")
	assert.Equal(t, maintenance.Due, c.State)
	assert.Equal(t, maintenance.LimbMonths, c.Limbs[c.Limb].Kind)
	assert.Equal(t, mustDay(2032, 7, 14), c.Limbs[c.Limb].DueOn)
	assert.Equal(t, []maintenance.Stage{maintenance.StageDue}, y.rings("sump/oil"))
}

func TestStrangerWorkedDays(t *testing.T) {
	y := newYard(t)
	y.reads("1", "700.00")
	y.done("1.5", "intake-screen/knock", "intake-screen/blow")
	y.reads("9", "707.00")
	y.turn(7) // a week of rain
	assert.Equal(t, maintenance.NotDue, y.state("intake-screen/knock"))
	assert.Equal(t, maintenance.NotDue, y.state("intake-screen/blow"))
	y.reads("1", "707.10")
	assert.Equal(t, maintenance.Due, y.state("intake-screen/knock"))
	assert.Less(t, y.state("intake-screen/blow"), maintenance.Due)
	y.turn(8)
	y.reads("1", "707.20")
	assert.Equal(t, maintenance.Due, y.state("intake-screen/blow"))
}

func TestStrangerBeforeAnEvent(t *testing.T) {
	y := newYard(t)
	y.box("1", &maintenance.Engine{Running: false})
	y.says("2", &maintenance.FieldEvent{Event: "rinsed", Ahead: true})
	assert.Equal(t, maintenance.Due, y.state("lamp-box/cover"))
	assert.Equal(t, maintenance.Due, y.state("lamp-box/uncover"))
	y.done("2.1", "lamp-box/cover")
	y.says("3", &maintenance.FieldEvent{Event: "rinsed"})
	assert.Equal(t, maintenance.NotDue, y.state("lamp-box/cover"))
	y.box("4", &maintenance.Engine{Running: true})
	assert.Equal(t, maintenance.Overdue, y.state("lamp-box/uncover"))
	assert.Equal(t, []maintenance.Stage{maintenance.StageOverdue}, y.rings("lamp-box/uncover"))
	y.done("4.1", "lamp-box/uncover")
	assert.Empty(t, y.rings("lamp-box/uncover"))
}

func TestStrangerSeverity(t *testing.T) {
	y := newYard(t)
	y.says("1", &maintenance.FieldEvent{Event: "choked", Minutes: 5})
	assert.Equal(t, maintenance.DueUnknown, y.state("feeder-bolts/turn"))
	y.says("2", &maintenance.FieldEvent{Event: "choked", Minutes: 25})
	assert.Equal(t, maintenance.Due, y.state("feeder-bolts/turn"))
	assert.Equal(t, []maintenance.Stage{maintenance.StageDue}, y.rings("feeder-bolts/turn"))
	c := y.count("feeder-bolts/turn")
	assert.Equal(t, "choked, 25 minutes, on 2031-07-14", c.Limbs[c.Limb].Words)
}

func TestStrangerRunIn(t *testing.T) {
	y := newYard(t)
	fits := func(hour string) maintenance.Key {
		return y.says(hour, &maintenance.ServiceDone{Tasks: []string{"chaffer-belt/fit"}, Date: civil.None, Person: "p1"})
	}
	y.reads("1", "1300.00")
	fits("1")
	y.turn(10)
	y.reads("1", "1450.30")
	y.done("1.01", "chaffer-belt/tension")
	_, ran, known := y.s.PieceHours("chaffer-belt")
	require.True(t, known)
	assert.Equal(t, hm("150.30"), ran)
	again := fits("1.1")
	for i, shown := range []string{"1450.35", "1450.40", "1450.45", "1450.50", "1450.55", "1450.60"} {
		y.reads(fmt.Sprintf("1.%d", 15+5*i), shown)
		assert.Less(t, y.state("chaffer-belt/tension"), maintenance.Due, shown)
	}
	// 20 minutes are 0.3333 h: 1450.6333 h.
	y.reads("1.45", "1450.65")
	assert.Equal(t, maintenance.Due, y.state("chaffer-belt/tension"))
	assert.Equal(t, []maintenance.Stage{maintenance.StageDue}, y.rings("chaffer-belt/tension"))
	// One check at 1.4 h covers both marks.
	y.reads("3", "1451.70")
	y.done("3", "chaffer-belt/tension")
	assert.Equal(t, maintenance.NotDue, y.state("chaffer-belt/tension"))
	y.turn(12)
	y.reads("1", "1460.00")
	assert.Equal(t, maintenance.NotDue, y.state("chaffer-belt/tension"))
	_, ran, _ = y.s.PieceHours("chaffer-belt")
	assert.Equal(t, hm("9.70"), ran)
	// It was another machine's belt.
	y.says("2", &maintenance.Void{Record: again, Person: "p1", Why: "another machine"})
	_, ran, _ = y.s.PieceHours("chaffer-belt")
	assert.Equal(t, hm("160.00"), ran)
}

func TestStrangerTooSoonAndTooMuch(t *testing.T) {
	y := newYard(t)
	y.reads("1", "700.00")
	y.done("1", "wrist-pin/grease")
	y.reads("13", "712.00")
	record := func(strokes int64) *maintenance.ServiceDone {
		return &maintenance.ServiceDone{Tasks: []string{"wrist-pin/grease"}, Date: civil.None, Person: "p1", As: "operator",
			Materials: []maintenance.MaterialUsed{{Material: "pin-grease", Milli: strokes * 1000, Unit: "stroke"}}}
	}
	said := func(hour string, strokes int64) map[maintenance.Said]string {
		out := map[maintenance.Said]string{}
		for _, s := range maintenance.Says(y.s, y.event(maintenance.WriterPerson, hour, record(strokes))) {
			out[s.Kind] = s.Text
		}
		return out
	}
	assert.Equal(t, map[maintenance.Said]string{
		maintenance.SaidTooSoon: "wrist-pin/grease: 12.00 h of engine since the last one at 700.00 h; not before 40.00 h: the cup lifts",
	}, said("13", 2))
	words := said("13", 5)
	assert.Contains(t, words[maintenance.SaidTooMuch], "5 strokes")
	assert.Contains(t, words[maintenance.SaidTooMuch], "3")
	y.says("13", record(5))
	recs := y.s.Tasks[taskAt(t, y.s, "wrist-pin/grease")].Records
	require.Len(t, recs, 2, "the record is kept")
	assert.Equal(t, maintenance.SaidTooSoon|maintenance.SaidTooMuch, recs[1].Said)
	y.says("14", &maintenance.FieldEvent{Event: "rinsed"})
	assert.Empty(t, said("15", 2), "after rinsing it is not too soon")
}

func taskAt(t *testing.T, s *maintenance.State, id string) int {
	for i := range s.Tasks {
		if s.Tasks[i].ID == id {
			return i
		}
	}
	require.Fail(t, "no task", id)
	return -1
}

func TestStrangerTerms(t *testing.T) {
	y := newYard(t)
	y.service("1", &maintenance.Trait{Name: "under_lease", Value: "no"})
	y.done("1", "lift-tank/oil")
	season := func(name string, from int, bowl bool) {
		y.turn(from)
		y.service("1", &maintenance.Season{Season: name, Open: true, Date: firstDay.AddDays(from)})
		if bowl {
			y.done("2", "lift-tank/bowl")
		}
		y.turn(from + 20)
		y.service("1", &maintenance.Season{Season: name, Date: firstDay.AddDays(from + 20)})
	}
	season("2031", 5, true)
	y.turn(366)
	assert.Equal(t, maintenance.NotDue, y.state("lift-tank/oil"), "a year on the practice holds")
	require.Len(t, y.count("lift-tank/oil").Beside, 1, "the book's figure stays in sight")
	season("2032", 370, false)
	c := y.count("lift-tank/oil")
	assert.Equal(t, "falls back to the book: lift-tank/bowl was not done in season 2032", c.Practice)
	assert.GreaterOrEqual(t, c.State, maintenance.Due)
	assert.Contains(t, y.why("lift-tank/oil", "practice"), "lift-tank/bowl was not done in season 2032")
	assert.Equal(t, uint32(12), c.Limbs[0].Months)
}

func TestStrangerSpots(t *testing.T) {
	y := newYard(t)
	e := y.event(maintenance.WriterPerson, "1", &maintenance.ServiceDone{Tasks: []string{"rake-clip/gap"}, Date: civil.None, Person: "p1", Measured: []maintenance.Measured{
		{Task: "rake-clip/gap", Spot: "near", Unit: "mm", Micro: 400_000}, {Task: "rake-clip/gap", Spot: "mid", Unit: "mm", Micro: 600_000}, {Task: "rake-clip/gap", Spot: "far", Unit: "mm", Micro: 450_000}}})
	var said []string
	for _, f := range y.apply(e) {
		if f.Kind == maintenance.EffectMeasure {
			said = append(said, y.s.Measures[f.Index].Spot+" | "+f.Why)
		}
	}
	require.Len(t, said, 1)
	assert.Contains(t, said[0], "mid | mid: 0.6 mm: near the limit")
}

func TestStrangerPartial(t *testing.T) {
	y := newYard(t)
	y.reads("1", "700.00")
	y.done("1", "filters/change")
	y.turn(9)
	y.reads("1", "821.00")
	for _, item := range []string{"fuel", "oil", "air"} {
		require.Equal(t, maintenance.Due, y.state("filters/change:"+item))
	}
	y.done("2", "filters/change:fuel", "filters/change:air")
	assert.Equal(t, maintenance.NotDue, y.state("filters/change:fuel"))
	assert.Equal(t, maintenance.Due, y.state("filters/change:oil"))
	assert.Equal(t, maintenance.NotDue, y.state("filters/change:air"))
	assert.Equal(t, []maintenance.Stage{maintenance.StageDue}, y.rings("filters/change:oil"))
}

func TestStrangerNotLookedIsNeverInOrder(t *testing.T) {
	y := newYard(t)
	y.reads("1", "700.00")
	y.done("1", "ladder/look")
	y.reads("28", "726.00")
	require.Equal(t, maintenance.Due, y.state("ladder/look"))
	walk := y.says("28", &maintenance.Walk{Act: maintenance.WalkBegin, Occasion: "dusk", Date: civil.None, Person: "p1"})
	looked := func(hour string, w maintenance.LookedWord) {
		y.says(hour, &maintenance.Walk{Act: maintenance.WalkAnswer, Walk: walk, Date: civil.None, Person: "p1", Looked: []maintenance.Looked{{Task: "ladder/look", Word: w}}})
	}
	looked("28.1", maintenance.LookedNot)
	assert.Equal(t, maintenance.Due, y.state("ladder/look"))
	assert.Equal(t, []maintenance.Stage{maintenance.StageDue}, y.rings("ladder/look"))
	looked("28.2", maintenance.LookedInOrder)
	assert.Equal(t, maintenance.NotDue, y.state("ladder/look"))
	looked("28.3", maintenance.LookedNot)
	assert.Equal(t, maintenance.Due, y.state("ladder/look"), "the later word stands")
}

func TestStrangerReview(t *testing.T) {
	y := newYard(t)
	y.reads("1", "700.00")
	for n := range 20 {
		y.turn(n)
		word := maintenance.FoundFine
		if n%2 == 0 {
			word = maintenance.FoundDry
		}
		y.says("3", &maintenance.ServiceDone{Tasks: []string{"wrist-pin/grease"}, Date: civil.None, Person: "p1", Found: []maintenance.AsFound{{Task: "wrist-pin/grease", Word: word}}})
		r, ok := maintenance.Review(y.s, "wrist-pin/grease")
		require.True(t, ok)
		assert.Equal(t, 19-n, r.Needed)
	}
	chart, hash := y.s.Chart.Hash(), y.s.Hash()
	r, _ := maintenance.Review(y.s, "wrist-pin/grease")
	assert.Equal(t, maintenance.ReviewShorter, r.Word, "dry ten times of twenty; common practice, no source")
	assert.Equal(t, hash, y.s.Hash(), "it suggests and changes nothing")
	assert.Equal(t, chart, y.s.Chart.Hash())
	assert.Equal(t, 90*hours.Hour, y.count("wrist-pin/grease").Limbs[0].Every)
}
