package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

var inOrder, notLooked = LookedInOrder, LookedNot

func TestAnOccasionIsOneOfTheCharts(t *testing.T) {
	w := newOtter(t)
	assert.Equal(t, `occasion: the chart has no walk-round "noon"; name one of dawn, before-season, hand-over`,
		w.refused("1", &Walk{Act: WalkBegin, Occasion: "noon", Date: civil.None}))
	key := w.begin("1", "dawn", "p1")
	require.Len(t, w.s.Walks, 1)
	seen := w.s.Walks[0]
	assert.Equal(t, key, seen.Key)
	assert.Equal(t, "otter", seen.Chart)
	assert.EqualValues(t, 3, seen.Edition)
	assert.Equal(t, dayOne, seen.Date, "the work day at the time")
	assert.Contains(t, newRules2(t).suitsWalk(&Event{}, &Walk{Act: WalkBegin, Occasion: "dawn"}).text(), "no chart yet")
}

func TestInOrderOpensTheCycleAndNotLookedNeverDoes(t *testing.T) {
	w := newOtter(t)
	w.bus(after("1"), "500.00")
	walk := w.begin("1", "dawn", "p1")
	w.answer("1", walk, "p1", Looked{Task: "tail-flap/look", Word: notLooked}, Looked{Task: "ladder/look", Word: inOrder})
	assert.Equal(t, DueUnknown, w.task("tail-flap/look").State)
	assert.Empty(t, w.task("tail-flap/look").Records)

	key := w.answer("2", walk, "p1", Looked{Task: "tail-flap/look", Word: inOrder})
	task := w.task("tail-flap/look")
	assert.Equal(t, NotDue, task.State)
	require.Len(t, task.Records, 1)
	assert.Equal(t, WalkRecord(key, "tail-flap/look"), task.Records[0].Record)
	assert.Equal(t, []MeterShown{{"engine", h("500")}}, task.Records[0].Hours)
	assert.Equal(t, "p1", task.Records[0].Person)
	assert.Equal(t, dayOne, task.Records[0].Date)

	w.says(after("3"), &Void{Record: task.Records[0].Record, Person: "p1"})
	assert.Equal(t, DueUnknown, w.task("tail-flap/look").State, "its record can be taken back")
}

func TestALaterAnswerReplacesTheEarlierOne(t *testing.T) {
	w := newOtter(t)
	w.bus(after("1"), "500.00")
	walk := w.begin("1", "dawn", "p1")
	first := w.answer("2", walk, "p1", Looked{Task: "tail-flap/look", Word: inOrder})
	fx := w.answer2("4", walk, Looked{Task: "tail-flap/look", Word: notLooked})
	assert.Equal(t, 1, count(fx, EffectRecord))
	task := w.task("tail-flap/look")
	assert.Equal(t, DueUnknown, task.State)
	assert.Equal(t, w.last.Key, task.Records[0].Void)
	assert.Equal(t, WalkRecord(first, "tail-flap/look"), task.Records[0].Record)

	// One from before that comes late is void from the beginning.
	w.answer("3", walk, "p1", Looked{Task: "tail-flap/look", Word: inOrder})
	task = w.task("tail-flap/look")
	assert.Equal(t, DueUnknown, task.State)
	require.Len(t, task.Records, 2)
	assert.False(t, task.Records[1].Void.IsZero())
	assert.Equal(t, LookedNot, w.s.Walks[0].Looked[0].Word)
	require.Len(t, w.s.Walks[0].Looked, 1)
}

func (w *world) answer2(at string, walk Key, looked ...Looked) []Effect {
	w.answer(at, walk, "p1", looked...)
	return w.fx
}

func TestOfTwoAnswersInOneEventTheLastCounts(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", "dawn", "p1")
	w.answer("2", walk, "p1", Looked{Task: "ladder/look", Word: inOrder}, Looked{Task: "ladder/look", Word: notLooked})
	require.Len(t, w.s.Walks[0].Looked, 1)
	assert.Equal(t, LookedNot, w.s.Walks[0].Looked[0].Word)
	assert.Empty(t, w.task("ladder/look").Records)
}

func TestARemarkOfAWalkRoundIsOpenedWithTheChartsVerdict(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", "dawn", "p1")
	key := w.answer("2", walk, "p3", Looked{Task: "tail-flap/look", Word: LookedRemark, Text: "stiff", Pictures: [][32]byte{{7}}},
		Looked{Task: "ladder/look", Word: LookedRemark, Text: "rung bent", Verdict: MayRun})
	require.Len(t, w.s.Remarks, 2)
	r := w.s.Remarks[w.s.remarkIndex(WalkRemark(key, "tail-flap/look"))]
	assert.Equal(t, Remark{Point: "tail-flap", Task: "tail-flap/look", Name: "flap-stiff", Text: "stiff", Verdict: DoNotRun, DoBy: civil.None,
		Pictures: [][32]byte{{7}}, Walk: walk, Person: "p3"}, r.Remark)
	assert.Empty(t, w.task("tail-flap/look").Records, "what was found wrong was not done")
	assert.Equal(t, MayRun, w.s.Remarks[w.s.remarkIndex(WalkRemark(key, "ladder/look"))].Verdict)

	w.answer("3", walk, "p3", Looked{Task: "tail-flap/look", Word: inOrder})
	assert.Equal(t, 2, w.s.remarksOpen(), "only a record or a word closes a remark")
}

func TestMeasuredAnswersAreKeptAndTakenBack(t *testing.T) {
	w := newOtter(t)
	w.bus(after("1"), "500.00")
	walk := w.begin("1", "dawn", "p1")
	assert.Contains(t, w.refused("2", &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{{Task: "shaker-belt/gap", Word: inOrder}}, Date: civil.None}),
		"is measured, and no value is given")
	for want, v := range map[string]Measured{
		`task "shaker-belt/gap" has no spot "side"; name one of upper, lower`: walkGap("side", 110, false),
		"shaker-belt/gap is measured in mm; give it in mm":                    {Spot: "upper", Unit: "cm", Micro: 1},
		`a value of task "ladder/look"`:                                       {Task: "ladder/look", Spot: "upper", Unit: "mm"},
	} {
		assert.Contains(t, w.refused("2", &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{{Task: "shaker-belt/gap", Word: inOrder, Measured: []Measured{v}}}, Date: civil.None}), want)
	}
	assert.Contains(t, w.refused("2", &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{{Task: "ladder/look", Word: inOrder, Measured: []Measured{walkGap("", 1, false)}}}, Date: civil.None}),
		"nothing is measured")
	key := w.answer("2", walk, "p1", Looked{Task: "shaker-belt/gap", Word: inOrder, Measured: []Measured{walkGap("upper", 145, false), walkGap("upper", 112, true), walkGap("lower", 108, false)}})
	require.Len(t, w.s.Measures, 2)
	rec := WalkRecord(key, "shaker-belt/gap")
	assert.Equal(t, MeasureSeen{Task: "shaker-belt/gap", Spot: "upper", Values: []MeasuredAt{
		{Record: rec, At: moment.At(after("2")), Date: dayOne, Hours: h("500"), Micro: 14_500_000, Looked: true},
		{Record: rec, At: moment.At(after("2")), Date: dayOne, Hours: h("500"), Left: true, Micro: 11_200_000, Looked: true}}}, w.s.Measures[1])
	assert.Equal(t, NotDue, w.task("shaker-belt/gap").State)

	w.answer("3", walk, "p1", Looked{Task: "shaker-belt/gap", Word: LookedNotHere})
	assert.Equal(t, DueUnknown, w.task("shaker-belt/gap").State)
	for _, m := range w.s.Measures {
		for _, v := range m.Values {
			assert.Equal(t, w.last.Key, v.Void)
		}
	}
}

func TestAnAnswerByWhoMayNotDoItWaits(t *testing.T) {
	w := newOtter(t)
	w.s.Chart.Tasks[w.s.taskIndex("ladder/look")].Who = "dealer"
	walk := w.begin("1", WalkBeforeSeason, "p1")
	w.says(after("2"), &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{{Task: "ladder/look", Word: inOrder}}, Date: civil.None, Person: "p1", As: "operator"})
	rec := WalkRecord(w.last.Key, "ladder/look")
	require.Len(t, w.task("ladder/look").Records, 1)
	assert.True(t, w.task("ladder/look").Records[0].Waiting)
	assert.Equal(t, SaidWho, w.task("ladder/look").Records[0].Said)
	assert.Equal(t, DueUnknown, w.task("ladder/look").State, "it does not count yet")
	assert.Contains(t, w.refused("3", &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{{Task: "ladder/look", Word: inOrder}}, Date: civil.None, As: "smith"}), "no part in the trade")
	w.says(after("3"), &Confirmed{Record: rec, Person: "p7", As: "dealer"})
	assert.Equal(t, NotDue, w.task("ladder/look").State)
}

func TestAnswersForWhatIsNotOnTheSheetAreRefused(t *testing.T) {
	w := newOtter(t)
	w.trait("0.5", "serial", "7412")
	walk := w.begin("1", WalkBeforeSeason, "p1")
	ask := func(l Looked) *Walk { return &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{l}, Date: civil.None} }
	assert.Contains(t, w.refused("1", ask(Looked{Task: "new-filter/drain", Word: inOrder})), `is not looked at in walk-round "before-season"`)
	assert.Contains(t, w.refused("1", ask(Looked{Task: "roof/look", Word: inOrder})), "name a task of its sheet")
	assert.Contains(t, w.refused("1", &Walk{Act: WalkAnswer, Walk: Key{Seq: 3}, Looked: []Looked{{Task: "ladder/look", Word: inOrder}}, Date: civil.None}), "is unknown on this machine")
	assert.Contains(t, w.refused("1", &Walk{Act: WalkAnswer, Walk: walk, Date: civil.None}), "no answer is given")
	e := w.person(after("9"), ask(Looked{Task: "ladder/look", Word: inOrder}))
	e.Known = after("2")
	assert.Contains(t, Admit(w.s, e).Err().Error(), "lies ahead")
}

func (w *world) answerAll(at string, walk Key, person string) {
	w.t.Helper()
	for _, task := range w.s.walkMissing(w.s.walkSeen(walk)) {
		l := Looked{Task: task, Word: inOrder}
		if w.s.measureOf(w.s.taskIndex(task)) != nil {
			l.Measured = []Measured{walkGap("upper", 110, false)}
		}
		w.answer(at, walk, person, l)
	}
}

func TestAnotherPersonSignsAFinishedWalkRound(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", WalkBeforeSeason, "p1")
	sign := func(person, as string) *Walk {
		return &Walk{Act: WalkSign, Walk: walk, Person: person, As: as, Date: civil.None}
	}
	w.answer("2", walk, "p2", Looked{Task: "ladder/look", Word: inOrder})
	assert.Equal(t, `walk: 2 tasks have no answer: tail-flap/look, shaker-belt/gap; answer them, with "not looked" where that is so`, w.refused("2", sign("p9", "")))
	w.answerAll("3", walk, "p3")
	for _, person := range []string{"p1", "p2", "p3"} {
		assert.Contains(t, w.refused("4", sign(person, "")), person+" walked round or answered, and can't sign as well")
	}
	assert.Contains(t, w.refused("4", sign("", "")), "say who signs")
	assert.Contains(t, w.refused("4", sign("p9", "receiver")), "is signed by the second")
	w.says(after("4"), sign("p9", "second"))
	seen := w.s.Walks[0]
	assert.Equal(t, [3]any{w.last.Key, "p9", "second"}, [3]any{seen.Signed, seen.SignedBy, seen.SignedAs})
	assert.Contains(t, w.refused("5", sign("p8", "")), "the walk-round is over: signed by p9")
	assert.Contains(t, w.refused("5", &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{{Task: "ladder/look", Word: notLooked}}, Date: civil.None}), "begin another one")
	w.answer("2.5", walk, "p2", Looked{Task: "ladder/look", Word: LookedRemark, Text: "greasy"})
	assert.Equal(t, LookedRemark, w.s.Walks[0].answerFor("ladder/look").Word, "given before it was signed, it still comes in")
}

func TestAReceiverSignsAndAnEverydayRoundIsNotSigned(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", "hand-over", "p1")
	w.answerAll("2", walk, "p1")
	w.says(after("3"), &Walk{Act: WalkSign, Walk: walk, Person: "p7", Date: civil.None})
	assert.Equal(t, "receiver", w.s.Walks[0].SignedAs)
	walk = w.begin("4", "dawn", "p1")
	assert.Contains(t, w.refused("5", &Walk{Act: WalkSign, Walk: walk, Person: "p7", Date: civil.None}), `walk-round "dawn" is not signed`)
}

func TestAWalkRoundIsGivenUpWithAReason(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", "dawn", "p1")
	assert.Contains(t, w.refused("2", &Walk{Act: WalkLeave, Walk: walk, Date: civil.None}), "say why")
	w.says(after("2"), &Walk{Act: WalkLeave, Walk: walk, Why: "dark", Date: civil.None})
	assert.Contains(t, w.refused("3", &Walk{Act: WalkLeave, Walk: walk, Why: "dark", Date: civil.None}), "given up: dark")
}

func TestWalkRoundsStayBounded(t *testing.T) {
	w := newOtter(t)
	first := w.begin("1", "dawn", "p1")
	second := w.begin("2", "dawn", "p1")
	w.says(after("3"), &Walk{Act: WalkLeave, Walk: second, Why: "rain", Date: civil.None})
	for range WalksKept - 1 {
		w.begin("4", "dawn", "p1")
	}
	assert.Len(t, w.s.Walks, WalksKept)
	assert.NotNil(t, w.s.walkSeen(first), "the one that is over goes first")
	assert.Nil(t, w.s.walkSeen(second))
}

func TestAnEditionChangesWhileAWalkRoundIsOpen(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", "dawn", "p1")
	w.answer("2", walk, "p1", Looked{Task: "ladder/look", Word: inOrder})
	next := otterChart()
	next.Edition++
	next.Tasks = next.Tasks[1:]
	w.service("edition 4", after("3"), &EditionTaken{Chart: next})
	w.answer("2.5", walk, "p2", Looked{Task: "ladder/look", Word: LookedRemark, Text: "bent after all"})
	sheet, err := Sheet(w.s, "", walk)
	require.NoError(t, err)
	require.Len(t, sheet.Gone, 1)
	assert.Equal(t, "ladder/look", sheet.Gone[0].Task)
	assert.Equal(t, LookedRemark, sheet.Gone[0].Word)
	assert.Equal(t, []string{"tail-flap/look", "shaker-belt/gap"}, sheet.Missing)
	assert.Len(t, w.s.Remarks, 1)
}

// Answers that come in any order, late and repeated give the same walk-round and
// the same due states: those of the latest answer for each task, and no others.
func TestAnswersInAnyOrder(t *testing.T) {
	tasks := []string{"ladder/look", "tail-flap/look", "shaker-belt/gap"}
	rapid.Check(t, func(rt *rapid.T) {
		base := newOtter(t)
		base.bus(after("1"), "500.00")
		walk := base.begin("1", "dawn", "p1")
		base.bus(after("40"), "510.00")
		var events []*Event
		for range rapid.IntRange(1, 9).Draw(rt, "answers") {
			l := Looked{Task: rapid.SampledFrom(tasks).Draw(rt, "task"), Word: LookedWord(rapid.IntRange(1, 4).Draw(rt, "word")), Text: "seen"}
			if l.Task == "shaker-belt/gap" && l.Word <= LookedRemark {
				l.Measured = []Measured{walkGap("upper", rapid.Int64Range(60, 170).Draw(rt, "gap"), false)}
			}
			e := base.person(after("1").Add(hours.Millis(rapid.IntRange(1, 30).Draw(rt, "at"))*hours.Hour), &Walk{Act: WalkAnswer, Walk: walk, Looked: []Looked{l}, Date: civil.None, Person: "p1"})
			e.Known = after("40")
			events = append(events, e)
		}
		want := lastAnswers(events)
		for range 3 {
			s := base.s.Clone()
			for _, i := range rapid.Permutation(append(indexes(len(events)), indexes(len(events))...)).Draw(rt, "order") {
				v := Admit(s, events[i])
				require.NoError(rt, v.Err())
				Apply(s, events[i], nil)
			}
			require.Len(rt, s.Walks[0].Looked, len(want))
			for _, task := range tasks {
				l, e := s.Walks[0].answerFor(task), want[task]
				state := DueUnknown
				if e != nil {
					require.Equal(rt, e.Key, l.By)
					if e.Body.(*Walk).Looked[0].Word == LookedInOrder {
						// At most 10 h since: the intervals are 30 h and 45 h.
						state = NotDue
					}
				}
				k := s.Tasks[s.taskIndex(task)]
				require.Equal(rt, state, k.State, task)
				standing := 0
				for _, r := range k.Records {
					if r.Void.IsZero() {
						standing++
					}
				}
				require.LessOrEqual(rt, standing, 1)
				standingValues(rt, s, task, e)
			}
		}
	})
}

// standingValues holds the values that stand to the latest answer's.
func standingValues(rt *rapid.T, s *State, task string, e *Event) {
	for _, m := range s.Measures {
		for _, v := range m.Values {
			if m.Task == task && v.Void.IsZero() {
				require.Equal(rt, WalkRecord(e.Key, task), v.Record)
			}
		}
	}
}

func lastAnswers(events []*Event) map[string]*Event {
	out := map[string]*Event{}
	for _, e := range events {
		task := e.Body.(*Walk).Looked[0].Task
		o := out[task]
		if o == nil || e.At.NotAfter > o.At.NotAfter || e.At.NotAfter == o.At.NotAfter && string(e.Key.Stream[:]) > string(o.Key.Stream[:]) {
			out[task] = e
		}
	}
	return out
}

func indexes(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}
