package maintenance

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// workWorld is a machine under WorkRules whose chart has these tasks. Its events,
// counts, parts and codes are invented.
func workWorld(t testing.TB, tasks ...TaskDef) *world {
	w := newWorld(t)
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition work", after("0"), &EditionTaken{Chart: workChart(tasks...), Person: "p1"})
	w.bus(after("0"), "1000.00")
	return w
}

func workChart(tasks ...TaskDef) *Chart {
	c := heronChart()
	c.ID, c.Tasks = "heron-work", tasks
	c.Rounds = []RoundDef{{ID: "evening", Call: "evening round"}}
	c.Codes = []CodeDef{{ID: "rotor-hot", SPN: 520777, AnyFMI: true, Source: 40}}
	c.Events = []EventDef{{ID: "plug-cleared"}, {ID: "washed"}, {ID: "stone"}}
	c.Counts = []CountDef{{ID: "bales-wet", Unit: "bale"}}
	c.Conditions = []TraitDef{{ID: "dust", Kind: TraitChoice, Choices: []string{"light", "heavy"}}}
	c.Traits = []TraitDef{{ID: "under-warranty", Kind: TraitYesNo}}
	c.Parts = []PartDef{{ID: "chopper-belt", Kind: "belt", Variants: []string{"aramid", "polyester"}}}
	return c
}

func limbTask(l Limb) TaskDef { return TaskDef{ID: "p/t", Do: "check", Limbs: []Limb{l}} }

func (w *world) tells(at moment.Instant, event string, minutes uint32, facts ...Fact) []Effect {
	w.t.Helper()
	return w.says(at, &FieldEvent{Event: event, Minutes: minutes, Facts: facts, Person: "p1"})
}

func (w *world) state(id string) DueState {
	w.t.Helper()
	return w.task(id).State
}

func openNotices(s *State, task string) []Stage {
	var out []Stage
	for _, n := range s.Notices {
		if n.Task == task && n.Withdrawn.IsZero() {
			out = append(out, n.Stage)
		}
	}
	return out
}

// turn turns the days from one to another.
func (w *world) turn(from, to int) {
	w.t.Helper()
	for n := from; n <= to; n++ {
		w.day(n)
	}
}

func dayAt(n int, hour string) moment.Instant {
	return sunrise.Add(hours.Millis(n)*24*hours.Hour + h(hour))
}

func TestDailyTaskWaitsForTheNextDayWorked(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbDays, Days: 1}))
	w.bus(dayAt(0, "2"), "1001.00")
	w.done(dayAt(0, "3"), "p/t")
	w.bus(dayAt(0, "6"), "1003.00")
	assert.Equal(t, NotDue, w.state("p/t"), "the rest of the day it was done on")
	for n := 1; n <= 6; n++ {
		w.day(n)
		w.bus(dayAt(n, "5"), "1003.00")
		assert.Equal(t, NotDue, w.state("p/t"), "a week of rain")
	}
	w.day(7)
	w.bus(dayAt(7, "3"), "1003.05")
	require.Equal(t, Due, w.state("p/t"), "the meter moves")
	assert.Equal(t, moment.At(dayAt(7, "0")), w.task("p/t").Since)
	assert.Equal(t, DayKey(dayOne.AddDays(7)), w.task("p/t").By)
	assert.Equal(t, []Stage{StageDue}, openNotices(w.s, "p/t"))
	assert.Equal(t, "1 of 1 days worked", w.counter("p/t").Limbs[0].Words)
	w.bus(dayAt(7, "9"), "1008.00")
	assert.Equal(t, Due, w.state("p/t"))
	w.day(8)
	assert.Equal(t, Due, w.state("p/t"))
	w.bus(dayAt(8, "1"), "1008.05")
	assert.Equal(t, Overdue, w.state("p/t"), "a day worked later")
	w.done(dayAt(8, "2"), "p/t")
	assert.Equal(t, NotDue, w.state("p/t"))
}

func TestDaysWorkedFromALateSpool(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbDays, Days: 2}))
	w.done(dayAt(0, "1"), "p/t")
	w.turn(1, 3)
	w.bus(dayAt(3, "1"), "1012.00")
	require.Equal(t, NotDue, w.state("p/t"), "one day is known to be worked: the third")
	w.fromBox('b', dayAt(1, "8"), &Reading{Meter: "engine", Shown: h("1006.00"), Resolution: busStep, Origin: OriginBus})
	require.Equal(t, Due, w.state("p/t"), "the second was as well")
	assert.Equal(t, moment.At(dayAt(3, "0")), w.task("p/t").Since)
	w.fromBox('b', dayAt(2, "8"), &Reading{Meter: "engine", Shown: h("1012.00"), Resolution: busStep, Origin: OriginBus})
	assert.Equal(t, moment.At(dayAt(2, "0")), w.task("p/t").Since, "the hours were run on the day before")
}

func TestTenDaysWorkedAreAnnounced(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbDays, Days: 10}))
	w.done(dayAt(0, "1"), "p/t")
	want := map[int]DueState{8: NotDue, 9: DueSoon, 10: Due, 11: Overdue} // a tenth is one day
	for n := 1; n <= 11; n++ {
		w.day(n)
		w.bus(dayAt(n, "8"), (h("1000") + hours.Millis(n)*hours.Hour).String())
		if state, ok := want[n]; ok {
			assert.Equal(t, state, w.state("p/t"), "day %d", n)
		}
	}
}

func TestFixedHours(t *testing.T) {
	// Due at whole multiples of 100 h; 95 h counts for 100 h (a tenth early), 89 h
	// does not; worked by hand.
	for from, due := range map[string]string{"1000": "1100", "1089.95": "1100", "1090": "1200", "1095": "1200", "1104": "1200"} {
		w := newWorld(t)
		w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
		w.service("edition work", after("0"), &EditionTaken{Chart: workChart(limbTask(Limb{Kind: LimbHours, Meter: "engine", Every: 100 * hours.Hour, Grid: true}))})
		w.bus(after("0"), from)
		w.done(after("1"), "p/t")
		c := w.counter("p/t").Limbs[0]
		assert.Equal(t, h(due), c.DueAt, from)
		assert.Equal(t, h(due)+10*hours.Hour, c.LateAt, from)
	}
}

func TestFixedMonths(t *testing.T) {
	// Every 6 months from 31 August 2030: the end of February clamps. A tenth of
	// the half year is 18 days (184 days from 28 February to 31 August).
	for done, due := range map[string]string{
		"2030-01-10": "2030-08-31", "2031-02-28": "2031-08-31", "2031-02-09": "2031-02-28", "2031-02-12": "2031-08-31",
		"2031-08-31": "2032-02-29", "2031-09-15": "2032-02-29",
	} {
		w := workWorld(t, limbTask(Limb{Kind: LimbMonths, Months: 6, Grid: true, GridFrom: mustDate(2030, 8, 31)}))
		d, err := civil.Parse(done)
		require.NoError(t, err)
		w.says(after("1"), &ServiceDone{Tasks: []string{"p/t"}, Date: d})
		assert.Equal(t, due, w.counter("p/t").Limbs[0].DueOn.String(), done)
	}
}

func TestFirstOfHoursAndMonthsWhileTheAgentIsOff(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 300 * hours.Hour}, {Kind: LimbMonths, Months: 12}}})
	w.done(after("1"), "p/t")
	w.day(200)
	assert.Equal(t, NotDue, w.state("p/t"))
	w.day(366) // 2032-07-14: a leap year
	c := w.counter("p/t")
	assert.Equal(t, Due, c.State)
	assert.Equal(t, 1, c.Limb)
	assert.Equal(t, h("300"), c.Limbs[0].Left)
}

func TestWhile(t *testing.T) {
	heavy := []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}
	w := workWorld(t, limbTask(Limb{Kind: LimbDays, Days: 1, While: heavy}))
	w.done(dayAt(0, "1"), "p/t")
	w.day(1)
	w.bus(dayAt(1, "1"), "1001.00")
	c := w.counter("p/t")
	assert.Equal(t, NotDue, c.State, "dust was not told")
	assert.Equal(t, -1, c.Limb)
	assert.Equal(t, "it counts only while dust is heavy, which was not told", c.Limbs[0].Why)
	w.tells(dayAt(1, "2"), EventConditions, 0, Fact{"dust", "heavy"})
	assert.Equal(t, Due, w.state("p/t"))
	assert.Equal(t, moment.At(dayAt(1, "2")), w.task("p/t").Since, "not before dust was told")
	w.tells(dayAt(1, "1"), EventConditions, 0, Fact{"dust", "light"})
	assert.Equal(t, Due, w.state("p/t"), "told late, of before")
	w.tells(dayAt(1, "5"), EventConditions, 0, Fact{"dust", "light"})
	assert.Equal(t, NotDue, w.state("p/t"))
	assert.Empty(t, openNotices(w.s, "p/t"))
}

func TestCountedEvents(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbCounted, Of: "bales-wet", Count: 30_000}))
	add := func(at string, milli int64) {
		w.says(after(at), &FieldEvent{Event: "bales-wet", Milli: milli})
	}
	add("0.5", 50_000)
	w.done(after("1"), "p/t")
	assert.Equal(t, NotDue, w.state("p/t"), "what came before the service does not count")
	add("2", 26_500)
	assert.Equal(t, NotDue, w.state("p/t"))
	add("3", 0) // one
	assert.Equal(t, DueSoon, w.state("p/t"), "27.5 of 30: a tenth before is 27")
	assert.Equal(t, "27.5 of 30 bales-wet", w.counter("p/t").Limbs[0].Words)
	add("5", 2_500)
	assert.Equal(t, Due, w.state("p/t"))
	assert.Equal(t, moment.At(after("5")), w.task("p/t").Since)
	add("4", 3_000)
	assert.Equal(t, Overdue, w.state("p/t"), "told late: 33")
	assert.Equal(t, moment.At(after("5")), w.task("p/t").Since)
	w.done(after("4.5"), "p/t")
	assert.Equal(t, NotDue, w.state("p/t"), "2.5 since the back-dated service")
}

func (w *world) opens(name, crop string, open bool, d civil.Date) {
	w.t.Helper()
	w.act++
	w.service("season "+name+crop+d.String()+string(rune('a'+w.act)), w.last.Known.Add(1), &Season{Season: name, Crop: crop, Open: open, Date: d})
}

func TestBeforeASeason(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbSeason, When: SeasonBefore}))
	w.done(dayAt(0, "1"), "p/t") // outside any season: for the one that opens next
	first := dayOne.AddDays(5)
	w.opens("y31", "barley", true, first)
	w.opens("y31", "wheat", true, first.AddDays(20))
	w.day(5)
	assert.Equal(t, NotDue, w.state("p/t"), "it was done for this one")
	w.opens("y31", "barley", false, first.AddDays(30))
	w.opens("y31", "wheat", false, first.AddDays(50))
	w.day(300)
	assert.Equal(t, NotDue, w.state("p/t"), "the next is not announced")
	next := dayOne.AddDays(360)
	w.opens("y32", "barley", true, next)
	for _, row := range []struct {
		days int
		want DueState
	}{{-43, NotDue}, {-42, DueSoon}, {-15, DueSoon}, {-14, Due}, {-1, Due}, {0, Overdue}} {
		w.day(360 + row.days)
		assert.Equal(t, row.want, w.state("p/t"), "%d days from the opening", row.days)
	}
	assert.Equal(t, moment.At(dayAt(360, "0")), w.task("p/t").Since)
	w.opens("y32", "barley", true, next.AddDays(30))
	assert.Equal(t, DueSoon, w.state("p/t"), "announced anew, 30 days off")
	w.opens("y32", "barley", true, civil.None)
	assert.Equal(t, NotDue, w.state("p/t"), "taken back")
}

func TestBeforeASeasonDoneInOne(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbSeason, When: SeasonBefore, Seasons: 2, SoonDays: 30}))
	w.opens("y31", "", true, dayOne)
	w.done(dayAt(0, "1"), "p/t")
	w.opens("y31", "", false, dayOne.AddDays(40))
	w.opens("y32", "", true, dayOne.AddDays(365))
	w.day(365)
	assert.Equal(t, NotDue, w.state("p/t"), "every second season")
	w.opens("y32", "", false, dayOne.AddDays(400))
	w.day(700)
	assert.Equal(t, NotDue, w.state("p/t"))
	w.opens("y33", "", true, dayOne.AddDays(730))
	assert.Equal(t, DueSoon, w.state("p/t"))
	w.opens("y33", "", true, dayOne.AddDays(699))
	assert.Equal(t, Overdue, w.state("p/t"), "opened without a word before")
}

func TestInAndAfterASeason(t *testing.T) {
	in := TaskDef{ID: "p/in", Limbs: []Limb{{Kind: LimbSeason, When: SeasonIn}}}
	post := TaskDef{ID: "p/after", Limbs: []Limb{{Kind: LimbSeason, When: SeasonAfter, Crop: "wheat"}}}
	w := workWorld(t, in, post)
	w.done(dayAt(0, "1"), "p/in", "p/after")
	w.opens("y31", "wheat", true, dayOne.AddDays(10))
	w.opens("y31", "maize", true, dayOne.AddDays(60))
	w.day(9)
	assert.Equal(t, NotDue, w.state("p/in"))
	w.day(10)
	assert.Equal(t, Due, w.state("p/in"))
	assert.Equal(t, NotDue, w.state("p/after"))
	w.opens("y31", "wheat", false, dayOne.AddDays(40))
	w.day(40)
	assert.Equal(t, Due, w.state("p/in"), "maize is still to come")
	assert.Equal(t, Due, w.state("p/after"), "wheat is over")
	w.opens("y31", "maize", false, dayOne.AddDays(90))
	w.day(90)
	assert.Equal(t, Overdue, w.state("p/in"))
	w.done(dayAt(90, "1"), "p/in")
	assert.Equal(t, NotDue, w.state("p/in"))
	w.opens("y32", "wheat", true, dayOne.AddDays(370))
	w.day(370)
	assert.Equal(t, Overdue, w.state("p/after"), "the next season has opened")
	assert.Equal(t, Due, w.state("p/in"))
}

func TestSoftTasksRingNobody(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Soft: true, Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 10 * hours.Hour}}})
	w.done(after("0.1"), "p/t")
	w.bus(after("30"), "1020.00")
	assert.Equal(t, Overdue, w.state("p/t"))
	assert.Empty(t, w.s.Notices)
}

func TestWhatIsNotFittedIsUnknown(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbHours, Meter: "engine", Every: 10 * hours.Hour}))
	w.done(after("0.1"), "p/t")
	w.task("p/t").Build = BuildNot
	w.bus(after("30"), "1020.00")
	assert.Equal(t, DueUnknown, w.state("p/t"))
	assert.Empty(t, openNotices(w.s, "p/t"))
}

func TestInsteadOfTheBook(t *testing.T) {
	change := TaskDef{ID: "box/oil", Basis: BasisBook, Limbs: []Limb{{Kind: LimbSeason, When: SeasonAfter}},
		Instead: []InsteadDef{{Basis: BasisShop, Limbs: []Limb{{Kind: LimbSeason, When: SeasonAfter, Seasons: 2}}, Provided: []string{"box/magnet"}, NotIf: []string{"under-warranty"}}}}
	w := workWorld(t, change, TaskDef{ID: "box/magnet"})
	w.done(dayAt(0, "1"), "box/oil")
	assert.Equal(t, "the book holds: whether under-warranty is not known", w.counter("box/oil").Practice)
	w.s.Traits = []TraitKnown{{Name: "under-warranty", Value: No}}
	w.opens("y31", "", true, dayOne.AddDays(1))
	w.day(20)
	w.done(dayAt(20, "1"), "box/magnet")
	w.opens("y31", "", false, dayOne.AddDays(30))
	w.day(30)
	c := w.counter("box/oil")
	assert.Equal(t, NotDue, c.State, "every second season")
	assert.Equal(t, BasisShop, c.Limbs[0].Basis)
	require.Len(t, c.Beside, 1)
	assert.Equal(t, BasisBook, c.Beside[0].Basis)
	assert.Equal(t, Due, c.Beside[0].State, "the book's figure stays in sight")
	w.says(dayAt(30, "1"), &Void{Record: w.task("box/magnet").Records[0].Record, Why: "another machine"})
	w.day(31)
	c = w.counter("box/oil")
	assert.Equal(t, Due, c.State)
	assert.Equal(t, "falls back to the book: box/magnet was not done in season y31", c.Practice)
}

// A work day is as long as the zone makes it: what runs in the last minute of one
// of 23 or 25 hours was run on it.
func TestDaysWorkedWhereClocksChange(t *testing.T) {
	b, err := os.ReadFile("testdata/dst_open.tsv")
	require.NoError(t, err)
	n := 0
	for line := range strings.Lines(string(b)) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if strings.HasPrefix(line, "#") || f[0] == "zone" {
			continue
		}
		date, err := civil.Parse(f[1])
		require.NoError(t, err)
		from, until := utc(t, f[2]), utc(t, f[3])
		w := &world{t: t, s: New(), seq: map[byte]uint64{}}
		w.service("rules 2", from, &RulesChanged{Version: WorkRules})
		w.service("edition", from, &EditionTaken{Chart: workChart(limbTask(Limb{Kind: LimbDays, Days: 1}))})
		for k, span := range [][2]moment.Instant{{from.Add(-24 * hours.Hour), from}, {from, until}, {until, until.Add(24 * hours.Hour)}} {
			d := date.AddDays(k - 1)
			w.apply(&Event{Key: DayKey(d), Writer: WriterService, At: moment.At(span[0]), Known: span[0], Body: &DayTurned{Date: d, From: span[0], Until: span[1]}})
		}
		w.bus(from.Add(-2*hours.Hour), "500.00")
		w.done(from.Add(-hours.Hour), "p/t")
		w.bus(from.Add(-hours.Minute), "500.05")
		assert.Equal(t, NotDue, w.state("p/t"), line)
		w.bus(until.Add(-hours.Minute), "500.10")
		assert.Equal(t, Due, w.state("p/t"), line)
		assert.Equal(t, moment.At(from), w.task("p/t").Since, line)
		w.bus(until, "500.15")
		assert.Equal(t, Overdue, w.state("p/t"), line)
		n++
	}
	assert.Equal(t, 19, n)
}

func utc(t *testing.T, text string) moment.Instant {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return moment.Instant(at.UnixMilli())
}

func TestExplainGivesWhatWorkRulesLookAt(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Soft: true, Limbs: []Limb{{Kind: LimbDays, Days: 3, While: []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}},
		{Kind: LimbSeason, When: SeasonIn, Crop: "wheat"}, {Kind: LimbCounted, Of: "stone", Count: 5000}},
		Triggers: []TriggerDef{{Kind: TriggerEvent, Name: "plug-cleared"}},
		RunIns:   []RunInDef{{Part: "chopper-belt", Meter: "engine", Marks: []hours.Millis{hours.Hour / 2}}}})
	w.done(after("1"), "p/t")
	w.opens("y31", "wheat", true, dayOne.AddDays(9))
	w.tells(after("2"), "stone", 0, Fact{"dust", "heavy"})
	w.tells(after("3"), "plug-cleared", 12)
	w.s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{fit(w, after("0.3"), "1000.00", "aramid")}}}
	w.says(after("4"), &Postponed{Tasks: []string{"p/t"}, Why: "light fades", UntilDate: dayOne.AddDays(2), Person: "p3"})
	x, err := Explain(w.s, "p/t")
	require.NoError(t, err)
	got := map[string][]string{}
	for _, r := range x.Rows {
		got[r.What] = append(got[r.What], r.Value)
	}
	assert.Equal(t, []string{"due"}, got["state"])
	assert.Contains(t, got["interval"], "days worked: due from 3 days worked on, overdue from 4")
	assert.Contains(t, got["interval"], "season: soon from 2031-07-23, due from 2031-07-23")
	assert.Contains(t, got["interval"], "count of stone: soon from 4, due from 5, overdue from 6")
	assert.Equal(t, []string{"after plug-cleared: overdue from 1008.00 h of engine, overdue from 2031-07-15"}, got["trigger"])
	assert.Contains(t, got["counter"], "due: plug-cleared, 12 minutes, on 2031-07-14; it decides the state")
	assert.Equal(t, []string{"new chopper-belt: soon from 1000.50 h, due from 1000.50 h, overdue from 1000.58 h of engine"}, got["run-in"])
	assert.Equal(t, []string{"plug-cleared, 12 minutes, on 2031-07-14"}, got["happened"])
	assert.Equal(t, []string{"1 stone on 2031-07-14"}, got["counted"])
	assert.Equal(t, []string{"dust is heavy"}, got["told"])
	assert.Equal(t, []string{"y31 of wheat opens on 2031-07-23"}, got["season"])
	assert.Equal(t, []string{"chopper-belt on 2031-07-14, aramid; engine 1000.00 h"}, got["fitted"])
	assert.Equal(t, []string{"postponed by p3 until 2031-07-16: light fades"}, got["postponed"])
	assert.Len(t, got["soft"], 1)
}

func TestChartsAreHeldToWhatTheyName(t *testing.T) {
	require.NoError(t, everyRule().Check())
	for want, def := range map[string]TaskDef{
		"days worked outside 1 to 1000":           limbTask(Limb{Kind: LimbDays}),
		`meter "winch" is not defined`:            limbTask(Limb{Kind: LimbDays, Days: 1, Meter: "winch"}),
		"say before, in or after":                 limbTask(Limb{Kind: LimbSeason}),
		`counts "acorns", which is not defined`:   limbTask(Limb{Kind: LimbCounted, Of: "acorns", Count: 1}),
		"a count of nothing":                      limbTask(Limb{Kind: LimbCounted, Of: "stone"}),
		"kind 9 is unknown":                       limbTask(Limb{Kind: 9}),
		"only hours and months":                   limbTask(Limb{Kind: LimbDays, Days: 1, Grid: true}),
		"without the first of them":               limbTask(Limb{Kind: LimbMonths, Months: 1, Grid: true, GridFrom: civil.None}),
		"a condition that compares with no word":  limbTask(Limb{Kind: LimbDays, Days: 1, While: []Cond{{Of: "dust", Op: CondIs}}}),
		`"hail" is not defined`:                   triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "hail"}),
		"hours not above 0":                       triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "washed", By: ByHours}),
		"days outside 1 to 36600":                 triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "washed", By: ByDays}),
		`"fan-cold" is not defined`:               triggerTask("p/t", TriggerDef{Kind: TriggerCode, Name: "fan-cold"}),
		`"p/x" is not defined`:                    triggerTask("p/t", TriggerDef{Kind: TriggerDone, Name: "p/x"}),
		`"winch-rope" is not defined`:             triggerTask("p/t", TriggerDef{Kind: TriggerFitted, Name: "winch-rope"}),
		"marks that do not rise":                  {ID: "p/t", RunIns: []RunInDef{{Part: "chopper-belt", Marks: []hours.Millis{2, 2}}}},
		"0 marks":                                 {ID: "p/t", RunIns: []RunInDef{{Part: "chopper-belt"}}},
		`asks for task "p/x"`:                     {ID: "p/t", Instead: []InsteadDef{{Limbs: []Limb{{Kind: LimbMonths, Months: 1}}, Provided: []string{"p/x"}}}},
		"a practice in place of the book with no": {ID: "p/t", Instead: []InsteadDef{{}}},
		`too soon unless "hail"`:                  {ID: "p/t", TooSoon: TooSoonDef{Unless: []string{"hail"}}},
	} {
		err := workChart(def).Check()
		require.ErrorIs(t, err, ErrChart, want)
		assert.ErrorContains(t, err, want)
	}
}

func TestAnEditionOfLaterRulesIsNotTakenUnderTheFirst(t *testing.T) {
	w := newWorld(t, heronChart())
	e := &Event{Key: ServiceKey("edition early"), Writer: WriterService, Body: &EditionTaken{Chart: workChart(limbTask(Limb{Kind: LimbDays, Days: 1}))}}
	assert.Equal(t, "chart", Admit(w.s, e).Field)
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(Apply(w.s, e, nil)))
	assert.Equal(t, "heron", w.s.Chart.ID)
	before := w.s.Clone()
	Apply(w.s, w.person(after("1"), &FieldEvent{Event: EventConditions, Facts: []Fact{{"dust", "heavy"}}}), nil)
	assert.Empty(t, w.s.Happened)
	assert.Equal(t, before.Conditions, w.s.Conditions)
}
