package maintenance

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func holdTexts(r Readiness) []string {
	var out []string
	for _, h := range r.Holds {
		sign := "  "
		if h.Holds {
			sign = "! "
		}
		out = append(out, sign+h.Text)
	}
	return out
}

func TestReadinessSaysWhatHoldsInWalkingOrder(t *testing.T) {
	w := newOtter(t)
	w.trait("0.5", "shaker_belt", "blue")
	w.bus(after("1"), "500.00")
	w.done(after("1"), "tail-flap/look")
	w.bus(after("40"), "531.00")
	w.says(after("40"), &Remark{Point: "ladder", Text: "rung gone", Verdict: DoNotRun, Part: "rung", DoBy: civil.None})
	w.says(after("41"), &Remark{Task: "shaker-belt/gap", Text: "frayed", Verdict: RunWatched, DoBy: civil.None})
	w.says(after("41"), &Remark{Text: "lamp dim", Verdict: MayRun, DoBy: dayOne + 1})
	w.says(after("41"), &Remark{Text: "paint", Verdict: MayRun, DoBy: civil.None})
	walk := w.begin("42", WalkBeforeSeason, "p1")
	for n := 1; n <= 2; n++ {
		w.day(n)
	}
	r := Ready(w.s)
	assert.False(t, r.Ready)
	assert.Equal(t, []string{
		"! run: lamp dim; to be done by 2031-07-15, which has passed",
		"! the walk-round before the season is not signed by the second; 3 tasks have no answer",
		"  watch: frayed",
		"! tail-flap/look is due, and is done before the season",
		"! do not run: rung gone; wanted: rung",
		"  1 task is unknown, with no service on record: shaker-belt/gap",
		"  not known: Number on the plate; it decides about old-filter, new-filter",
	}, holdTexts(r))
	assert.Equal(t, walk, r.Holds[1].Walk)
	for range 20 {
		assert.Equal(t, r, Ready(w.s))
	}

	// Put right one by one, the machine is ready.
	for i := range w.s.Remarks {
		if w.s.Remarks[i].Verdict != RunWatched {
			w.says(after("50"), word(w.s.Remarks[i].Key, RemarkClose, "done"))
		}
	}
	w.answerAll("51", walk, "p1")
	require.False(t, Ready(w.s).Ready)
	w.says(after("52"), &Walk{Act: WalkSign, Walk: walk, Person: "p2", Date: civil.None})
	assert.True(t, Ready(w.s).Ready)
	assert.Equal(t, []string{"  watch: frayed", "  not known: Number on the plate; it decides about old-filter, new-filter"}, holdTexts(Ready(w.s)))
}

func TestUnknownTasksAreOneLine(t *testing.T) {
	c := heronChart()
	c.ID = "sixty"
	for i := range 60 {
		id := fmt.Sprintf("cup-%02d/grease", i)
		c.Tasks = append(c.Tasks, TaskDef{ID: id, Limbs: []Limb{{Kind: LimbMonths, Months: 5}}})
	}
	w := newWorld(t, c)
	r := Ready(w.s)
	assert.True(t, r.Ready, "unknown holds nothing")
	assert.Equal(t, []string{"  63 tasks are unknown, with no service on record: sieve-pivot/grease, drum-bearing/grease, engine-sump/change and 60 more"}, holdTexts(r))
}

func TestATaskPutOffDoesNotHold(t *testing.T) {
	w := newOtter(t)
	w.bus(after("1"), "500.00")
	w.done(after("1"), "tail-flap/look")
	w.bus(after("40"), "534.00")
	task := w.task("tail-flap/look")
	require.Equal(t, Overdue, task.State)
	task.Postponed = []Postponement{{Why: "flap is off", Meter: "engine", At: 540 * hours.Hour, Until: civil.None}}
	r := Ready(w.s)
	assert.True(t, r.Ready)
	assert.Equal(t, "tail-flap/look is overdue, and is done before the season; put off: flap is off", r.Holds[0].Text)
	task.Postponed[0].At = 534 * hours.Hour
	assert.False(t, Ready(w.s).Ready, "it has ended")
}

func TestAMissingSecondSignatureHolds(t *testing.T) {
	c := otterChart()
	c.ID, c.Tasks[0].SignOff = "signed", true
	w := newOtter(t)
	w.service("edition signed", after("0"), &EditionTaken{Chart: c})
	require.True(t, Ready(w.s).Ready)
	w.done(after("1"), "ladder/look")
	r := Ready(w.s)
	assert.False(t, r.Ready)
	assert.Equal(t, "ladder/look is not signed for by a second person", r.Holds[0].Text)
	w.task("ladder/look").Records[0].Confirm = Key{Seq: 1}
	assert.True(t, Ready(w.s).Ready)

	walk := w.begin("2", WalkBeforeSeason, "p1")
	w.answerAll("2", walk, "p1")
	require.Equal(t, []string{"! the walk-round before the season is not signed by the second", "! ladder/look is not signed for by a second person"},
		holdTexts(Ready(w.s))[:2])
	w.says(after("3"), &Walk{Act: WalkSign, Walk: walk, Person: "p2", Date: civil.None})
	assert.True(t, Ready(w.s).Ready, "who signs the walk-round signs for what was done in it")
}
