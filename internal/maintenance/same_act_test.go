package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// twice saves the same work from the cab and, so many hours later, from the office.
func twice(t *testing.T, later string, second ServiceDone) (w *world, a, b Key) {
	w = newLogWorld(t)
	first := ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/look"}, Date: dayOne, Person: "p2",
		Materials: []MaterialUsed{{Material: "blue", Milli: 1000, Unit: "g"}}}
	a = w.logs(after("5"), first)
	b = w.logs(after("5").Add(h(later)), second)
	return w, a, b
}

func TestTheSameActTwiceIsOneQuestion(t *testing.T) {
	same := ServiceDone{Tasks: []string{"trough/look", "chopper-belt/renew"}, Date: dayOne, Person: "p5",
		Materials: []MaterialUsed{{Material: "blue", Milli: 1000, Unit: "g"}}}
	about := same
	about.About = true
	fewer := same
	fewer.Tasks = same.Tasks[:1]
	for _, c := range []struct {
		name, later string
		b           ServiceDone
		want        int
	}{
		{"an hour and a half", "1.5", same, 1},
		{"three hours", "3", same, 1},
		{"more than three hours", "3.01", same, 0},
		{"fewer tasks", "1", fewer, 0},
		{"about that time", "1", about, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, a, b := twice(t, c.later, c.b)
			require.Len(t, w.s.Doubts, c.want)
			if c.want == 0 {
				return
			}
			d := w.s.Doubts[0]
			assert.Equal(t, DoubtSameAct, d.Kind)
			assert.Equal(t, []Key{a, b}, d.Records)
			assert.Contains(t, d.What, "by p2")
			assert.Contains(t, d.What, "by p5")
			assert.Contains(t, d.What, "engine 1000.00 h")
			require.NotEmpty(t, w.s.Notices)
			assert.Equal(t, StageSoon, w.s.Notices[len(w.s.Notices)-1].Stage)
			w.refuses(after("9"), &DoubtAnswer{Doubt: d.Key, Word: DoubtRight})
		})
	}
}

func TestOneActTakesBackTheLaterWritten(t *testing.T) {
	w, a, b := twice(t, "1", ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/look"}, Date: dayOne,
		Materials: []MaterialUsed{{Material: "blue", Milli: 1000, Unit: "g"}}})
	w.says(after("9"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtOneAct, Person: "p1"})
	assert.Empty(t, w.with(b))
	assert.Len(t, w.with(a), 2)
	assert.Equal(t, w.last.Key, w.s.Doubts[0].Closed)
	assert.Len(t, w.s.PieceHistory("chopper-belt"), 1)
	require.Len(t, w.s.Used, 2)
	assert.True(t, w.s.Used[0].Void.IsZero())
	assert.Equal(t, w.last.Key, w.s.Used[1].Void)
	for _, n := range w.s.Notices {
		assert.False(t, n.Withdrawn.IsZero())
	}
}

func TestTwoActsStayTwo(t *testing.T) {
	w, a, b := twice(t, "1", ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/look"}, Date: dayOne})
	w.says(after("9"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtTwoActs})
	assert.Len(t, w.with(a), 2)
	assert.Len(t, w.with(b), 2)
	assert.False(t, w.s.Doubts[0].Closed.IsZero())
}

func TestAVoidClosesTheQuestion(t *testing.T) {
	w, a, _ := twice(t, "1", ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/look"}, Date: dayOne})
	w.says(after("9"), &Void{Record: a})
	assert.Equal(t, w.last.Key, w.s.Doubts[0].Closed)
	assert.Contains(t, w.s.Doubts[0].How, "void")
}

func TestThreeRecordsAreAPairEach(t *testing.T) {
	w, _, _ := twice(t, "1", ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/look"}, Date: dayOne})
	w.logs(after("7"), ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/look"}, Date: dayOne})
	require.Len(t, w.s.Doubts, 3)
	for i, d := range w.s.Doubts {
		assert.Equal(t, i, w.s.doubtIndex(d.Key))
	}
}
