package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func triggerTask(id string, tr ...TriggerDef) TaskDef {
	return TaskDef{ID: id, Do: "check", Triggers: tr}
}

func TestAPlugOfSomeLengthMakesTheCheckDue(t *testing.T) {
	w := workWorld(t, triggerTask("auger/bolts", TriggerDef{Kind: TriggerEvent, Name: "plug-cleared", If: []Cond{{Of: "minutes", Op: CondAbove, Milli: 15_000}}}))
	w.tells(after("1"), "plug-cleared", 5)
	assert.Equal(t, DueUnknown, w.state("auger/bolts"), "a short one is nothing")
	w.tells(after("2"), "plug-cleared", 25)
	require.Equal(t, Due, w.state("auger/bolts"))
	assert.Equal(t, moment.At(after("2")), w.task("auger/bolts").Since)
	c := w.counter("auger/bolts")
	assert.Equal(t, "plug-cleared, 25 minutes, on 2031-07-14", c.Limbs[c.Limb].Words)
	assert.Equal(t, []Stage{StageDue}, openNotices(w.s, "auger/bolts"))
	w.bus(after("9"), "1007.95")
	assert.Equal(t, Due, w.state("auger/bolts"))
	w.bus(after("10"), "1008.00")
	assert.Equal(t, Overdue, w.state("auger/bolts"), "8 h of the first meter later")
	w.done(after("11"), "auger/bolts")
	assert.Equal(t, NotDue, w.state("auger/bolts"))
	w.tells(after("10.5"), "plug-cleared", 60)
	assert.Equal(t, NotDue, w.state("auger/bolts"), "told late: before the check")
	w.tells(after("12"), "plug-cleared", 60)
	w.day(1)
	assert.Equal(t, Overdue, w.state("auger/bolts"), "another work day has turned")
	assert.Equal(t, moment.At(dayAt(1, "0")), w.task("auger/bolts").Since)
}

func TestGoingToWash(t *testing.T) {
	w := workWorld(t, triggerTask("intake/cover", TriggerDef{Kind: TriggerBefore, Name: "washed"}),
		triggerTask("intake/uncover", TriggerDef{Kind: TriggerBefore, Name: "washed", By: ByNextStart}))
	w.fromBox('a', after("1"), &Engine{Running: false})
	w.says(after("2"), &FieldEvent{Event: "washed", Ahead: true})
	assert.Equal(t, Due, w.state("intake/cover"))
	assert.Equal(t, Due, w.state("intake/uncover"))
	w.done(after("2.1"), "intake/cover")
	w.tells(after("3"), "washed", 0)
	assert.Equal(t, NotDue, w.state("intake/cover"))
	assert.Equal(t, Due, w.state("intake/uncover"))
	w.fromBox('a', after("4"), &Engine{Running: true})
	assert.Equal(t, Overdue, w.state("intake/uncover"), "started with the cover on")
	assert.Equal(t, []Stage{StageOverdue}, openNotices(w.s, "intake/uncover"))
	assert.Equal(t, moment.At(after("4")), w.task("intake/uncover").Since)
	w.done(after("4.2"), "intake/uncover")
	assert.Equal(t, NotDue, w.state("intake/uncover"))
	w.says(after("5"), &FieldEvent{Event: "washed", Ahead: true})
	w.tells(after("6"), "washed", 0)
	assert.Equal(t, Overdue, w.state("intake/cover"), "washed without it")
}

func TestEightStonesWithinFortyHours(t *testing.T) {
	w := workWorld(t, triggerTask("drum/look", TriggerDef{Kind: TriggerEvent, Name: "stone", Count: 3, Within: 4 * hours.Hour}))
	w.tells(after("1"), "stone", 0)
	w.bus(after("6"), "1005.00")
	w.tells(after("6"), "stone", 0)
	w.bus(after("8"), "1006.00")
	w.tells(after("8"), "stone", 0)
	assert.Equal(t, DueUnknown, w.state("drum/look"), "three, 6 h apart")
	assert.Equal(t, "3 of 3 since, or too far apart", w.counter("drum/look").Limbs[0].Why)
	w.tells(after("7"), "stone", 0)
	assert.Equal(t, Due, w.state("drum/look"), "told late: three within 1 h")
	assert.Equal(t, moment.At(after("8")), w.task("drum/look").Since)
}

func TestHoursAndDaysAfterAnEvent(t *testing.T) {
	w := workWorld(t, triggerTask("p/hours", TriggerDef{Kind: TriggerEvent, Name: "washed", By: ByHours, In: 20 * hours.Hour, Meter: "engine"}),
		triggerTask("p/days", TriggerDef{Kind: TriggerEvent, Name: EventStorageOut, By: ByDays, InDays: 20}))
	w.tells(after("1"), "washed", 0)
	w.tells(after("1"), EventStorageOut, 0)
	assert.Equal(t, DueUnknown, w.state("p/hours"))
	w.bus(after("19"), "1018.00")
	assert.Equal(t, DueSoon, w.state("p/hours"), "a tenth of 20 h before")
	w.bus(after("21"), "1020.00")
	assert.Equal(t, Due, w.state("p/hours"))
	assert.Equal(t, moment.At(after("21")), w.task("p/hours").Since)
	w.bus(after("23"), "1022.00")
	assert.Equal(t, Overdue, w.state("p/hours"))
	for _, row := range []struct {
		day  int
		want DueState
	}{{17, DueUnknown}, {18, DueSoon}, {20, Due}, {22, Overdue}} {
		w.day(row.day)
		assert.Equal(t, row.want, w.state("p/days"), "day %d", row.day)
	}
}

func TestCodesFindingsAndOtherWorkTrigger(t *testing.T) {
	w := workWorld(t, triggerTask("rotor/look", TriggerDef{Kind: TriggerCode, Name: "rotor-hot"}),
		triggerTask("drive/look", TriggerDef{Kind: TriggerFinding, Name: "slip"}),
		triggerTask("belt/run", TriggerDef{Kind: TriggerDone, Name: "belt/fit"}),
		TaskDef{ID: "belt/fit"},
		triggerTask("belt/tension", TriggerDef{Kind: TriggerFitted, Name: "chopper-belt"}),
		triggerTask("sieve/redo", TriggerDef{Kind: TriggerFailed, Name: "belt/fit"}))
	w.fromBox('a', after("1"), &Warning{Code: Code{Source: 40, SPN: 520777, FMI: 4}, Phase: WarningStarted})
	w.fromBox('a', after("1"), &Warning{Code: Code{Source: 41, SPN: 520777, FMI: 5}, Phase: WarningStarted})
	assert.Equal(t, Due, w.state("rotor/look"))
	require.Len(t, w.s.Happened, 1, "the other source's code is another one")
	w.service("finding slip", after("2"), &Finding{Finding: "slip"})
	assert.Equal(t, Due, w.state("drive/look"))
	key := w.done(after("3"), "belt/fit")
	assert.Equal(t, Due, w.state("belt/run"))
	w.day(1)
	assert.Equal(t, Overdue, w.state("belt/run"))
	w.says(after("25"), &Void{Record: key, Why: "not done"})
	assert.Equal(t, DueUnknown, w.state("belt/run"), "taken back")
	w.day(2)
	w.s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{{Record: key, At: moment.At(after("26")), Date: dayOne.AddDays(1)}}}}
	w.day(3)
	assert.Equal(t, Overdue, w.state("belt/tension"))
	st := step{s: w.s, e: w.person(dayAt(3, "2"), &ServiceDone{Failed: []string{"belt/fit"}})}
	st.happened(Happening{Kind: HappenedFailed, Name: "belt/fit"})
	st.settleAll()
	assert.Equal(t, Due, w.state("sieve/redo"))
}

func TestEventsThatTheChartDoesNotKnow(t *testing.T) {
	w := workWorld(t, triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "washed"}))
	v := Admit(w.s, w.person(after("1"), &FieldEvent{Event: "wshed"}))
	assert.Equal(t, VerdictRefuse, v.Word)
	assert.Equal(t, "say one of plug-cleared, washed, stone, bales-wet, storage-in, storage-out or conditions", v.Do)
	fx := w.fromBox('a', after("1"), &FieldEvent{Event: "wshed"})
	require.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
	assert.Empty(t, w.s.Happened)
	v = Admit(w.s, &Event{Key: Key{Stream: [16]byte{9}}, Writer: WriterPerson, At: moment.At(after("9")), Known: after("1"), Body: &FieldEvent{Event: "washed"}})
	assert.Equal(t, "at", v.Field)
}

func TestHappenedIsBounded(t *testing.T) {
	w := workWorld(t)
	w.tells(after("0.5"), "washed", 0)
	s := w.s
	for i := range HappenedKept + 50 {
		at := after("1").Add(hours.Millis(i) * hours.Second)
		Apply(s, &Event{Key: ServiceKey("stone", at.String()), Writer: WriterPerson, At: moment.At(at), Known: at, Body: &FieldEvent{Event: "stone"}}, nil)
	}
	require.Len(t, s.Happened, HappenedKept)
	assert.Equal(t, "washed", s.Happened[0].Name, "the most frequent goes first")
	assert.Equal(t, moment.At(after("1").Add(51*hours.Second)), s.Happened[1].At)
}

func runInWorld(t *testing.T, cond ...Cond) *world {
	w := workWorld(t, TaskDef{ID: "belt/tension", RunIns: []RunInDef{{Part: "chopper-belt", Meter: "engine",
		Marks: []hours.Millis{20 * hours.Minute, 90 * hours.Minute, 12 * hours.Hour}, If: cond, Expect: "6 mm longer"}}})
	w.bus(after("0.3"), "1000.30")
	return w
}

// fit is a piece of the belt as a record leaves it in the state.
func fit(w *world, at moment.Instant, shown, variant string) Piece {
	return Piece{Record: ServiceKey("fit", at.String()), At: moment.At(at), Date: dayOne, Variant: variant,
		Hours: []MeterShown{{Meter: "engine", Shown: h(shown)}}}
}

func (w *world) settleNow() {
	st := step{s: w.s, e: w.last, moved: nowhere}
	st.settleAll()
}

func TestChecksAfterAPartIsNew(t *testing.T) {
	w := runInWorld(t)
	w.s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{fit(w, after("0.3"), "1000.30", "")}}}
	w.settleNow()
	c := w.counter("belt/tension")
	assert.Equal(t, "20 min after fitting chopper-belt: at 1000.63 h; expect 6 mm longer", c.Limbs[0].Words)
	w.bus(after("0.6"), "1000.60")
	assert.Equal(t, DueUnknown, w.state("belt/tension"))
	w.bus(after("0.65"), "1000.65")
	require.Equal(t, Due, w.state("belt/tension"), "the first reading beyond 1000.633 h")
	assert.Equal(t, moment.At(after("0.65")), w.task("belt/tension").Since)
	w.bus(after("0.75"), "1000.75")
	assert.Equal(t, Overdue, w.state("belt/tension"), "5 min of running later: 1000.717 h")
	w.done(after("0.76"), "belt/tension")
	assert.Equal(t, NotDue, w.state("belt/tension"))
	w.bus(after("1.8"), "1001.80")
	assert.Equal(t, Due, w.state("belt/tension"), "the second mark, at 1001.80 h")
	w.done(after("1.9"), "belt/tension")
	w.bus(after("11"), "1011.00")
	assert.Equal(t, NotDue, w.state("belt/tension"))
	w.bus(after("11.1"), "1011.10")
	assert.Equal(t, DueSoon, w.state("belt/tension"), "a tenth of 12 h before 1012.30 h")
	w.done(after("11.2"), "belt/tension")
	w.bus(after("20"), "1020.00")
	assert.Equal(t, NotDue, w.state("belt/tension"), "all are done")
	assert.Equal(t, "all checks after fitting chopper-belt are done", w.counter("belt/tension").Limbs[0].Why)
}

func TestARunInEndsWithItsPieceAndComesBackWithAVoid(t *testing.T) {
	w := runInWorld(t, Cond{Of: "variant", Op: CondIs, Words: []string{"aramid"}})
	w.s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{fit(w, after("0.3"), "1000.30", "aramid")}}}
	w.settleNow()
	w.bus(after("1"), "1001.00")
	require.Equal(t, Overdue, w.state("belt/tension"))
	w.s.Parts[0].Pieces = append(w.s.Parts[0].Pieces, fit(w, after("1"), "1001.00", "polyester"))
	w.settleNow()
	assert.Equal(t, DueUnknown, w.state("belt/tension"), "not asked for this one")
	assert.Empty(t, openNotices(w.s, "belt/tension"))
	w.s.Parts[0].Pieces[1].Void = w.last.Key
	w.settleNow()
	assert.Equal(t, Overdue, w.state("belt/tension"), "the old piece is on again")
	w.s.Parts[0].Pieces = append(w.s.Parts[0].Pieces, Piece{Off: true, At: moment.At(after("1.1"))})
	w.settleNow()
	assert.Equal(t, DueUnknown, w.state("belt/tension"), "the place is empty")
}

func TestPostponed(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Round: "evening", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 10 * hours.Hour}}})
	w.done(after("0.1"), "p/t")
	w.bus(after("10"), "1010.00")
	require.Equal(t, []Stage{StageDue}, openNotices(w.s, "p/t"))
	until := dayOne.AddDays(3)
	fx := w.says(after("10"), &Postponed{Round: "evening", Why: "rain is near", ForHours: 5 * hours.Hour, UntilDate: until, Person: "p7"})
	assert.Equal(t, 1, count(fx, EffectPostponed))
	assert.Equal(t, Due, w.state("p/t"), "the due state stays as it is")
	assert.Empty(t, openNotices(w.s, "p/t"))
	assert.Equal(t, "postponed by p7 until 1015.00 h of engine or 2031-07-17, whichever comes first: rain is near", w.s.Notices[len(w.s.Notices)-1].How)
	w.bus(after("13"), "1013.00")
	assert.Equal(t, Overdue, w.state("p/t"))
	assert.Empty(t, openNotices(w.s, "p/t"))
	w.bus(after("15"), "1015.00")
	assert.Equal(t, []Stage{StageOverdue}, openNotices(w.s, "p/t"), "the hours are over")
	w.says(after("16"), &Postponed{Tasks: []string{"p/t"}, Why: "again", UntilDate: until})
	assert.Empty(t, openNotices(w.s, "p/t"))
	w.says(after("17"), &Postponed{Tasks: []string{"p/t"}, UntilDate: civil.None})
	assert.Equal(t, []Stage{StageOverdue}, openNotices(w.s, "p/t"), "taken back; it rings again in the same cycle")
	w.says(after("18"), &Postponed{Tasks: []string{"p/t"}, Why: "again", UntilDate: until})
	w.day(2)
	assert.Empty(t, openNotices(w.s, "p/t"))
	w.day(3)
	assert.Equal(t, []Stage{StageOverdue}, openNotices(w.s, "p/t"), "the day has come")
	w.says(dayAt(3, "1"), &Postponed{Tasks: []string{"p/t"}, Why: "again", UntilDate: until.AddDays(9)})
	w.done(dayAt(3, "2"), "p/t")
	assert.Empty(t, w.task("p/t").Postponed, "a record ends it")
	for field, b := range map[string]*Postponed{
		"tasks":      {Tasks: []string{"p/x"}, Why: "x", ForHours: 1},
		"round":      {Round: "none", Why: "x", ForHours: 1},
		"meter":      {Tasks: []string{"p/t"}, Meter: "none", Why: "x", ForHours: 1},
		"until_date": {Tasks: []string{"p/t"}, Why: "x", UntilDate: until},
	} {
		if b.UntilDate == 0 {
			b.UntilDate = civil.None
		}
		assert.Equal(t, field, Admit(w.s, w.person(dayAt(3, "3"), b)).Field)
	}
	assert.Equal(t, "none of them is put off", Admit(w.s, w.person(dayAt(3, "3"), &Postponed{Tasks: []string{"p/t"}, UntilDate: civil.None})).Why)
}

func TestTooSoon(t *testing.T) {
	def := TaskDef{ID: "p/t", TooSoon: TooSoonDef{Hours: 40 * hours.Hour, Meter: "engine", Days: 30, Unless: []string{"washed"}}}
	w := workWorld(t, def)
	shown := func(text string) []MeterShown { return []MeterShown{{Meter: "engine", Shown: h(text)}} }
	say := func(at, total string, day int) string {
		return w.s.tooSoon(0, moment.At(after(at)), shown(total), dayOne.AddDays(day))
	}
	assert.Empty(t, say("1", "1001", 0), "the first one")
	w.done(after("1"), "p/t")
	assert.Equal(t, "12.00 h of engine since the last one at 1000.00 h; not before 40.00 h; and 1 day since the last one on 2031-07-14; not before 30 days", say("30", "1012", 1))
	assert.Empty(t, say("60", "1040", 2), "enough hours")
	assert.Empty(t, say("800", "1012", 33), "enough days")
	assert.Empty(t, say("0.5", "1000", 0), "before it: nothing is known of one before")
	w.tells(after("20"), "washed", 0)
	assert.Empty(t, say("30", "1012", 1), "washed since")
	assert.NotEmpty(t, say("19", "1012", 1), "not yet washed then")
}

func TestAnEventToldBeforeItsDayTurned(t *testing.T) {
	w := workWorld(t, triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "washed"}))
	w.tells(dayAt(1, "3"), "washed", 0)
	assert.Equal(t, "washed", w.counter("p/t").Limbs[0].Words)
	w.day(1)
	assert.Equal(t, "washed on 2031-07-15", w.counter("p/t").Limbs[0].Words)
	assert.Equal(t, Due, w.state("p/t"))
	w.day(2)
	assert.Equal(t, Overdue, w.state("p/t"))
}

func TestATaskThatAnEventMadeDueLeavesWithItsEdition(t *testing.T) {
	w := workWorld(t, triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "washed"}))
	w.tells(after("1"), "washed", 0)
	require.Equal(t, []Stage{StageDue}, openNotices(w.s, "p/t"))
	next := workChart(TaskDef{ID: "p/other"})
	next.Edition = 2
	w.service("edition two", after("2"), &EditionTaken{Chart: next})
	assert.Empty(t, openNotices(w.s, "p/t"))
}

// A new meter's first reading comes late: what happened since then moves with the
// machine's hours.
func TestHappeningsMoveWithTheHoursOfANewMeter(t *testing.T) {
	w := workWorld(t, triggerTask("p/t", TriggerDef{Kind: TriggerEvent, Name: "washed", By: ByHours, In: 10 * hours.Hour}))
	w.bus(after("5"), "1005.00")
	for i, shown := range []string{"3.00", "3.05", "3.15"} {
		w.bus(after("20").Add(hours.Millis(i)*10*hours.Minute), shown)
	}
	require.Equal(t, h("1005.15"), w.meter("engine").Total, "a new life")
	w.tells(after("21"), "washed", 0)
	assert.Equal(t, h("1015.15"), w.counter("p/t").Limbs[0].DueAt)
	w.fromBox('b', after("18"), &Reading{Meter: "engine", Shown: h("1.00"), Resolution: busStep, Origin: OriginBus})
	require.Equal(t, h("1007.15"), w.meter("engine").Total, "2 h more are known of it")
	assert.Equal(t, h("1017.15"), w.counter("p/t").Limbs[0].DueAt)
}

func TestTheOldestPostponementDoesNotComeBack(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 10 * hours.Hour}}})
	w.done(after("0.1"), "p/t")
	w.bus(after("10"), "1010.00")
	until := dayOne.AddDays(5)
	w.says(after("11"), &Postponed{Tasks: []string{"p/t"}, Why: "parts come late", UntilDate: until})
	w.says(after("10.5"), &Postponed{Tasks: []string{"p/t"}, Why: "told late", UntilDate: until.AddDays(9)})
	assert.Equal(t, until, w.task("p/t").Postponed[0].Until, "the later word counts")
	w.says(after("9"), &Postponed{Tasks: []string{"p/t"}, UntilDate: civil.None})
	assert.Len(t, w.task("p/t").Postponed, 1)
	w.done(after("12"), "p/t")
	w.says(after("11.5"), &Postponed{Tasks: []string{"p/t"}, Why: "told late", UntilDate: until})
	assert.Empty(t, w.task("p/t").Postponed, "it has been done since")
}
