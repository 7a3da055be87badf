package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Where parts of the rules meet.

func TestAnAnswerOfAWalkMakesOtherTasksDue(t *testing.T) {
	chart := otterChart()
	chart.Tasks = append(chart.Tasks, TaskDef{ID: "tail-flap/wipe", Point: "tail-flap", Do: "clean", Triggers: []TriggerDef{{Kind: TriggerDone, Name: "tail-flap/look"}}})
	w := newWorld(t)
	w.service("rules", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition", after("0"), &EditionTaken{Chart: chart})
	w.bus(after("1"), "500.00")
	walk := w.begin("2", "dawn", "p1")
	w.answer("2.1", walk, "p1", Looked{Task: "tail-flap/look", Word: LookedInOrder})
	assert.Equal(t, Due, w.state("tail-flap/wipe"))
	w.answer("2.2", walk, "p1", Looked{Task: "tail-flap/look", Word: LookedNot})
	assert.Equal(t, DueUnknown, w.state("tail-flap/wipe"), "it was not looked at after all")
}

func TestEffectsPointAtWhatEachOpened(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("2", "dawn", "p1")
	// Three remarks of one time: each is put in its place by its key.
	w.answer("2.1", walk, "p1", Looked{Task: "ladder/look", Word: LookedRemark, Text: "bent"}, Looked{Task: "tail-flap/look", Word: LookedRemark, Text: "stiff"},
		Looked{Task: "shaker-belt/gap", Word: LookedRemark, Text: "frayed"})
	at := map[int]bool{}
	for _, f := range w.fx {
		if f.Kind == EffectRemark {
			at[f.Index] = true
		}
	}
	assert.Equal(t, map[int]bool{0: true, 1: true, 2: true}, at)
}

func TestAFactAnswersNoQuestionOfTheBuild(t *testing.T) {
	w := newOtter(t)
	w.tells(after("2"), EventConditions, 0, Fact{"serial", "7100"})
	w.bus(after("3"), "500.00")
	assert.Equal(t, BuildAsked, w.task("old-filter/drain").Build)
	build, _ := Fit(w.s, "old-filter")
	assert.Equal(t, BuildAsked, build)
	assert.Contains(t, questionNames(w.s), "serial")
}

func questionNames(s *State) (out []string) {
	for _, q := range Questions(s) {
		out = append(out, q.Name)
	}
	return out
}

func TestConditionsOfTheChartFindRoom(t *testing.T) {
	w := workWorld(t, limbTask(Limb{Kind: LimbDays, Days: 1, While: []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}}))
	for i := range TraitsKept {
		w.fromBox('a', after("1"), &FieldEvent{Event: EventConditions, Facts: []Fact{{"odd-" + string(rune('A'+i/16)) + string(rune('a'+i%16)), "1"}}})
	}
	require.Len(t, w.s.Conditions, TraitsKept)
	w.tells(after("2"), EventConditions, 0, Fact{"dust", "heavy"})
	k := knownOf(w.s.Conditions, "dust")
	require.NotNil(t, k)
	assert.Equal(t, "heavy", k.Value)
}

// everyTen is a task of 10 h that a plug makes due too.
func everyTen() TaskDef {
	return TaskDef{ID: "p/t", Do: "check", Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 10 * hours.Hour}}, Triggers: []TriggerDef{{Kind: TriggerEvent, Name: "plug-cleared"}}}
}

func TestWhatIsDueAnewRingsThoughItWasPutOff(t *testing.T) {
	off := &Postponed{Tasks: []string{"p/t"}, Why: "no grease", UntilDate: dayOne.AddDays(9)}
	w := workWorld(t, everyTen())
	w.done(after("0"), "p/t")
	w.bus(after("11"), "1010.50")
	w.says(after("12"), off)
	require.Empty(t, openNotices(w.s, "p/t"))
	w.tells(after("11.5"), "plug-cleared", 20)
	assert.NotNil(t, w.task("p/t").putOff(), "that was known when it was put off")
	w.tells(after("13"), "plug-cleared", 20)
	assert.Nil(t, w.task("p/t").putOff())
	assert.Equal(t, []Stage{StageDue}, openNotices(w.s, "p/t"))

	// The other way round it comes to the same.
	w = workWorld(t, everyTen())
	w.done(after("0"), "p/t")
	w.bus(after("11"), "1010.50")
	w.tells(after("13"), "plug-cleared", 20)
	w.says(after("12"), off)
	assert.Nil(t, w.task("p/t").putOff())
}

func TestALateRecordOfBeforeLeavesItPutOff(t *testing.T) {
	w := workWorld(t, everyTen())
	w.done(after("0"), "p/t")
	w.bus(after("2"), "1002.00")
	w.bus(after("14"), "1013.80")
	w.says(after("15"), &Postponed{Tasks: []string{"p/t"}, Why: "rain", UntilDate: dayOne.AddDays(9)})
	w.done(after("2"), "p/t")
	require.Equal(t, Overdue, w.state("p/t"), "11.8 h since")
	assert.NotNil(t, w.task("p/t").putOff())
	assert.Empty(t, openNotices(w.s, "p/t"))
	w.done(after("15.5"), "p/t")
	assert.Nil(t, w.task("p/t").putOff(), "done since")
}

func TestAPartFittedSinceRingsThoughItWasPutOff(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Do: "check", RunIns: []RunInDef{{Part: "chopper-belt", Meter: "engine", Marks: []hours.Millis{hours.Hour}}},
		Limbs: []Limb{{Kind: LimbHours, Meter: "engine", Every: 5 * hours.Hour}}})
	w.done(after("0"), "p/t")
	w.bus(after("6"), "1006.00")
	w.says(after("6.1"), &Postponed{Tasks: []string{"p/t"}, Why: "rain", UntilDate: dayOne.AddDays(9)})
	require.NotNil(t, w.task("p/t").putOff())
	w.says(after("6.2"), &ServiceDone{Parts: []PartFitted{{Part: "chopper-belt", Variant: "aramid"}}, Date: civil.None, Person: "p2"})
	assert.Nil(t, w.task("p/t").putOff())
}

func TestAnEditionTakenBackKeepsWhatWasPutOffWithoutARecord(t *testing.T) {
	w := workWorld(t, everyTen())
	w.tells(after("1"), "plug-cleared", 20)
	require.Equal(t, Due, w.state("p/t"))
	w.says(after("2"), &Postponed{Tasks: []string{"p/t"}, Why: "rain", UntilDate: dayOne.AddDays(9)})
	before := taskBytes(w.s, "p/t")
	other := workChart(TaskDef{ID: "p/u", Do: "check"})
	other.Edition = 2
	w.service("edition 2", after("3"), &EditionTaken{Chart: other})
	w.service("edition 1 again", after("4"), &EditionTaken{Chart: workChart(everyTen())})
	assert.Equal(t, before, taskBytes(w.s, "p/t"))
}

func TestHoursPutOffGoOnWithAnotherMeter(t *testing.T) {
	w := workWorld(t, everyTen())
	w.done(after("0"), "p/t")
	w.bus(after("11"), "1010.50")
	w.says(after("11"), &Postponed{Tasks: []string{"p/t"}, Why: "rain", ForHours: 5 * hours.Hour, UntilDate: civil.None})
	at := w.task("p/t").putOff().At
	require.Equal(t, h("1015.50"), at)
	w.s.shiftPostponed("engine", moment.At(after("10")), moment.Span{}, -h("3"))
	assert.Equal(t, h("1012.50"), w.task("p/t").putOff().At)
	w.s.shiftPostponed("engine", moment.At(after("12")), moment.Span{}, -h("3"))
	assert.Equal(t, h("1012.50"), w.task("p/t").putOff().At, "said before that time")
}

func TestAnAttachmentThatIsOffIsNotWalkedRound(t *testing.T) {
	chart := logChart()
	chart.Walks = []WalkDef{{ID: "dawn", Call: "dawn walk", Sign: SignSecond}}
	chart.Tasks = append(chart.Tasks, TaskDef{ID: "reel-cam/look", Point: "reel-cam", Do: "check", Walks: []string{"dawn"}},
		TaskDef{ID: "hub/look", Point: "hub", Do: "check", Walks: []string{"dawn"}})
	w := newWorld(t)
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition", after("0"), &EditionTaken{Chart: chart})
	w.reelHead("1", false, "r1", "40")
	walk := w.begin("2", "dawn", "p1")
	w.answer("2.1", walk, "p1", Looked{Task: "hub/look", Word: LookedInOrder}, Looked{Task: "reel-cam/look", Word: LookedNotHere})
	w.says(after("2.2"), &Walk{Act: WalkSign, Walk: walk, Date: civil.None, Person: "p2"})
	assert.Equal(t, "p2", w.s.Walks[0].SignedBy)
}

func TestAnotherPieceIsNotPutOffAndAnswersItsOwnQuestions(t *testing.T) {
	chart := logChart()
	chart.Parts[2].Variants = []string{"steel", "nylon"}
	chart.Traits = append(chart.Traits, TraitDef{ID: "reel_cam", Kind: TraitChoice, Choices: []string{"steel", "nylon"}, Renewed: "reel-cam"})
	chart.Tasks = append(chart.Tasks, TaskDef{ID: "reel-cam/oil", Point: "reel-cam", Do: "oil", FittedIf: []Cond{{Of: "reel_cam", Op: CondIs, Words: []string{"steel"}}}})
	w := newWorld(t)
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition", after("0"), &EditionTaken{Chart: chart})
	w.reelHead("1", true, "r1", "40")
	w.logs(after("2"), ServiceDone{Parts: []PartFitted{{Part: "reel-cam", Variant: "steel"}}, Person: "p1"})
	require.Equal(t, BuildFitted, w.task("reel-cam/oil").Build)
	w.says(after("3"), &Postponed{Tasks: []string{"reel-cam/grease"}, Why: "rain", UntilDate: dayOne.AddDays(9)})
	w.reelHead("4", false, "r1", "41")
	w.reelHead("5", true, "r2", "7")
	assert.Equal(t, BuildAsked, w.task("reel-cam/oil").Build, "nobody said what is on the other piece")
	assert.Nil(t, w.task("reel-cam/grease").putOff())
	w.reelHead("6", false, "r2", "8")
	w.reelHead("7", true, "r1", "41")
	assert.Equal(t, BuildFitted, w.task("reel-cam/oil").Build)
}

func TestALateRecordLeavesARemarkOpenThatWasOpenedAgain(t *testing.T) {
	w := newOtter(t)
	w.says(after("1"), &Remark{Point: "ladder", Text: "bent", Verdict: RunWatched, DoBy: civil.None, Person: "p1"})
	key := w.last.Key
	w.says(after("2"), &RemarkWord{Remark: key, Act: RemarkClose, Why: "straight", DoBy: civil.None})
	w.says(after("5"), &RemarkWord{Remark: key, Act: RemarkReopen, DoBy: civil.None})
	w.says(after("3"), &ServiceDone{Tasks: []string{"ladder/look"}, Closes: []Key{key}, Date: civil.None})
	assert.True(t, w.s.Remarks[0].Closed.IsZero())
	w.says(after("6"), &ServiceDone{Tasks: []string{"ladder/look"}, Closes: []Key{key}, Date: civil.None})
	assert.Equal(t, w.last.Key, w.s.Remarks[0].Record)
}

func TestADayThatTurnsLateDatesItsRecords(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Do: "check", Limbs: []Limb{{Kind: LimbMonths, Months: 1}}})
	w.done(dayAt(1, "2"), "p/t")
	require.Equal(t, civil.None, w.task("p/t").Records[0].Date)
	w.day(1)
	assert.Equal(t, dayOne.AddDays(1), w.task("p/t").Records[0].Date)
	assert.Equal(t, NotDue, w.state("p/t"))
	w.day(33) // 2031-08-16; due a month after 2031-07-15
	assert.Equal(t, Due, w.state("p/t"))
}

// A practice on the term of a task that is done often remembers each season.
func TestTermsRememberSeasonsOfATaskDoneOften(t *testing.T) {
	w := workWorld(t,
		TaskDef{ID: "oil/change", Do: "change", Limbs: []Limb{{Kind: LimbMonths, Months: 6}}, Instead: []InsteadDef{{Limbs: []Limb{{Kind: LimbMonths, Months: 60}}, Provided: []string{"filter/knock"}}}},
		TaskDef{ID: "filter/knock", Do: "clean"})
	w.done(dayAt(0, "1"), "oil/change")
	open := func(year string, from int) {
		w.opens(year, "", true, dayOne.AddDays(from))
		w.turn(from, from+3)
		for n := range 4 {
			w.done(dayAt(from+n, "3"), "filter/knock")
		}
		w.opens(year, "", false, dayOne.AddDays(from+5))
		w.day(from + 6)
	}
	open("y31", 10)
	open("y32", 380)
	assert.Equal(t, "the practice holds in place of the book", w.counter("oil/change").Practice)
	assert.Equal(t, NotDue, w.state("oil/change"))
	w.opens("y33", "", true, dayOne.AddDays(700))
	w.opens("y33", "", false, dayOne.AddDays(705))
	w.day(706)
	assert.Equal(t, "falls back to the book: filter/knock was not done in season y33", w.counter("oil/change").Practice)
}

func TestAnEditionWithoutATaskThatATriggerMadeDueEndsItsNotice(t *testing.T) {
	w := workWorld(t, everyTen())
	w.tells(after("1"), "plug-cleared", 20)
	require.Equal(t, []Stage{StageDue}, openNotices(w.s, "p/t"))
	before := taskBytes(w.s, "p/t")
	other := workChart(TaskDef{ID: "p/u", Do: "check"})
	other.Edition = 2
	w.service("edition 2", after("3"), &EditionTaken{Chart: other})
	assert.Empty(t, openNotices(w.s, "p/t"))
	w.service("edition 1 again", after("4"), &EditionTaken{Chart: workChart(everyTen())})
	assert.Equal(t, []Stage{StageDue}, openNotices(w.s, "p/t"))
	assert.Equal(t, before, taskBytes(w.s, "p/t"))
}

func TestARemarkOfTheRulesHasNoDate(t *testing.T) {
	w := newLogWorld(t)
	w.logs(after("1"), ServiceDone{Tasks: []string{"trough/wear"}, Seen: []SeenWord{{"trough/wear", "floor", false, "thin"}}})
	require.Len(t, w.s.Remarks, 1)
	assert.Equal(t, civil.None, w.s.Remarks[0].DoBy)
	for _, hold := range Ready(w.s).Holds {
		if !hold.Remark.IsZero() {
			assert.False(t, hold.Holds, hold.Text)
		}
	}
}

func TestAnswersGivenAgainPushOutNoMeasures(t *testing.T) {
	w := newOtter(t)
	w.bus(after("1"), "500.00")
	w.logs(after("1"), ServiceDone{Tasks: []string{"shaker-belt/gap"}, Measured: []Measured{{Task: "shaker-belt/gap", Spot: "upper", Unit: "mm", Micro: 12_000_000}}})
	walk := w.begin("2", "dawn", "p1")
	for i := range ValuesSeen + 3 {
		w.answer("2", walk, "p1", Looked{Task: "shaker-belt/gap", Word: LookedInOrder, Measured: []Measured{walkGap("upper", int64(110+i%9), false)}})
	}
	list := w.s.Measures[0].Values
	require.Len(t, list, 2, "of the answers the last")
	assert.EqualValues(t, 12_000_000, list[0].Micro)
	assert.EqualValues(t, 100_000*(110+(ValuesSeen+2)%9), list[1].Micro)
}

func TestASecondPersonSignsForWorkThatCounts(t *testing.T) {
	w := workWorld(t, TaskDef{ID: "p/t", Do: "check", Who: "technician", SignOff: true})
	rec := w.logs(after("1"), ServiceDone{Tasks: []string{"p/t"}, Person: "p1", As: "technician"})
	require.False(t, Ready(w.s).Ready)
	assert.Equal(t, "a second person signs, and not who did it", w.refuses(after("2"), &Confirmed{Record: rec, Person: "p1", As: "technician"}).Why)
	assert.Contains(t, w.refuses(after("2"), &Confirmed{Record: rec, Person: "p2", As: "operator"}).Why, "the operator may not confirm it")
	w.says(after("2"), &Confirmed{Record: rec, Person: "p2", As: "technician"})
	assert.Equal(t, w.last.Key, w.task("p/t").Records[0].Confirm)
	assert.Equal(t, rec, w.task("p/t").Cycle, "no new cycle")
	assert.True(t, Ready(w.s).Ready)
	assert.Equal(t, "it counts already", w.refuses(after("3"), &Confirmed{Record: rec, Person: "p3", As: "technician"}).Why)
}

func TestAnAttachmentThatIsOffHoldsNoMachine(t *testing.T) {
	chart := logChart()
	chart.Tasks = append(chart.Tasks, TaskDef{ID: "reel-cam/look", Point: "reel-cam", Do: "check", SignOff: true})
	w := newWorld(t)
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition", after("0"), &EditionTaken{Chart: chart})
	w.reelHead("1", true, "r1", "40")
	w.done(after("1.5"), "reel-cam/look")
	require.False(t, Ready(w.s).Ready, "not signed for")
	w.reelHead("2", false, "r1", "40")
	assert.True(t, Ready(w.s).Ready)
}
