package maintenance

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// secondEdition drops a task and a meter, shortens an interval and adds both.
func secondEdition() *Chart {
	c := heronChart()
	c.Edition = 2
	c.Meters[1] = MeterDef{ID: "winch", Kind: MeterPerson, Resolution: tenthHour}
	c.Tasks = append(c.Tasks[:1], c.Tasks[2:]...)
	c.Tasks[0].Limbs[0].Every = 20 * hours.Hour
	c.Tasks = append(c.Tasks, TaskDef{ID: "winch/look", Do: "check", Limbs: []Limb{{Kind: LimbHours, Meter: "winch", Every: 10 * hours.Hour}}})
	return c
}

// taskBytes are the encodings of the named tasks of a state.
func taskBytes(s *State, ids ...string) [][]byte {
	var out [][]byte
	for _, id := range ids {
		c := codec{}
		c.task(&s.Tasks[s.taskIndex(id)])
		out = append(out, c.out)
	}
	return out
}

func TestOldEditionTakenBackRestoresTheTasks(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	derived := func(at moment.Instant, shown string) {
		w.fromBox('a', at, &Reading{Meter: "thresher", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived})
	}
	derived(after("0"), "100.00")
	w.done(after("0"), "sieve-pivot/grease", "drum-bearing/grease", "engine-sump/change", "cab-filter/look")
	w.bus(after("50"), "447.00") // soon
	derived(after("51"), "151.00")
	ids := []string{"sieve-pivot/grease", "drum-bearing/grease", "engine-sump/change", "cab-filter/look"}
	before := taskBytes(w.s, ids...)
	require.Equal(t, []DueState{DueSoon, Due, NotDue, NotDue}, []DueState{w.s.Tasks[0].State, w.s.Tasks[1].State, w.s.Tasks[2].State, w.s.Tasks[3].State})

	fx := w.service("edition 2", after("52"), &EditionTaken{Chart: secondEdition()})
	assert.Equal(t, 1, count(fx, EffectChart))
	assert.Equal(t, Overdue, w.task("sieve-pivot/grease").State, "20 h since 400 h and a tenth")
	assert.Equal(t, w.last.Key, w.task("sieve-pivot/grease").By)
	assert.Equal(t, DueUnknown, w.task("winch/look").State, "new in the edition")
	assert.True(t, w.task("drum-bearing/grease").Gone)
	assert.Equal(t, "drum-bearing/grease", w.s.Tasks[len(w.s.Tasks)-1].ID)
	assert.True(t, w.meter("thresher").Gone)
	_, err := Counter(w.s, "drum-bearing/grease")
	require.ErrorIs(t, err, ErrUnknownTask)
	for _, n := range w.s.Notices {
		assert.False(t, n.Task == "drum-bearing/grease" && n.Withdrawn.IsZero(), "no notice stands for a task that is gone")
	}

	w.service("edition 1 again", after("53"), &EditionTaken{Chart: heronChart()})
	assert.Equal(t, before, taskBytes(w.s, ids...))
	assert.Equal(t, h("447.00"), w.meter("engine").Total)
	assert.Equal(t, h("151.00"), w.meter("thresher").Total)
	assert.False(t, w.meter("thresher").Gone)
	assert.Equal(t, "thresher", w.s.Meters[1].ID)
	open := map[string]Stage{}
	for _, n := range w.s.Notices {
		if n.Withdrawn.IsZero() {
			open[n.Task] = n.Stage
		}
	}
	assert.Equal(t, map[string]Stage{"sieve-pivot/grease": StageSoon, "drum-bearing/grease": StageDue}, open)
	assert.Equal(t, -1, w.s.taskIndex("winch/look"), "it held nothing")
	assert.Len(t, w.s.Editions, 2)
}

func TestTheSameEditionAgainChangesNothing(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("0"), "sieve-pivot/grease")
	fx := w.service("edition 1 again", after("1"), &EditionTaken{Chart: heronChart()})
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
}

func TestRecordOfATaskThatIsGone(t *testing.T) {
	w := newWorld(t, heronChart())
	w.fromBox('a', after("0"), &Reading{Meter: "thresher", Shown: h("100"), Resolution: hours.Second, Origin: OriginDerived})
	w.done(after("0"), "drum-bearing/grease")
	w.fromBox('a', after("60"), &Reading{Meter: "thresher", Shown: h("152"), Resolution: hours.Second, Origin: OriginDerived})
	require.Equal(t, Due, w.task("drum-bearing/grease").State)
	w.service("edition 2", after("61"), &EditionTaken{Chart: secondEdition()})
	w.done(after("62"), "drum-bearing/grease")
	rec := w.last.Key
	w.service("edition 1 again", after("63"), &EditionTaken{Chart: heronChart()})
	task := w.task("drum-bearing/grease")
	assert.Equal(t, NotDue, task.State)
	assert.Equal(t, rec, task.Cycle)
	assert.Equal(t, rec, task.By)
}

func TestAnEditionThatLengthensAnIntervalWithdrawsAndRingsAgainLater(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("0"), "sieve-pivot/grease")
	w.bus(after("60"), "451.00")
	require.Len(t, w.s.Notices, 1)
	longer := heronChart()
	longer.Edition, longer.Tasks[0].Limbs[0].Every = 3, 100*hours.Hour
	fx := w.service("edition 3", after("61"), &EditionTaken{Chart: longer})
	assert.Equal(t, 1, count(fx, EffectNoticeWithdrawn))
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)
	fx = w.bus(after("120"), "501.00")
	require.Equal(t, 1, count(fx, EffectNoticeRaised), "due in earnest now, in the same cycle")
	assert.True(t, w.s.Notices[0].Withdrawn.IsZero())
	assert.Equal(t, moment.At(after("120")), w.s.Notices[0].Raised)
}

func TestChartEncoding(t *testing.T) {
	c := heronChart()
	back, err := DecodeChart(AppendChart(nil, c))
	require.NoError(t, err)
	assert.Equal(t, c, back)
	assert.Equal(t, c.Hash(), back.Hash())
	other := heronChart()
	other.Tasks[3].Do = "clean"
	assert.NotEqual(t, c.Hash(), other.Hash())
	_, err = DecodeChart([]byte{3})
	require.ErrorIs(t, err, ErrEncoding)
	assert.ErrorContains(t, err, "version 3")
	assert.False(t, c.NeedsWorkRules(), "what the first rules know is said in version 1")
	other.Points[0].Shields = 1
	assert.True(t, other.NeedsWorkRules())
	require.NoError(t, c.Check())
	require.NoError(t, bigChart(60).Check())
}

func TestDecodedStateNeedsItsChart(t *testing.T) {
	w := newWorld(t, heronChart())
	b := AppendState(nil, w.s)
	missing := errors.New("no such chart")
	_, err := DecodeState(b, func([32]byte) (*Chart, error) { return nil, missing })
	require.ErrorIs(t, err, missing)
	_, err = DecodeState(b, func(hash [32]byte) (*Chart, error) {
		assert.Equal(t, heronChart().Hash(), hash)
		return bigChart(99), nil
	})
	require.ErrorIs(t, err, ErrEncoding, "another chart than the one asked for")
}
