package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func aRemark(verdict RunVerdict, text string) *Remark {
	return &Remark{Point: "tail-flap", Text: text, Verdict: verdict, DoBy: civil.None, Person: "p1"}
}

func word(key Key, act RemarkAct, why string) *RemarkWord {
	return &RemarkWord{Remark: key, Act: act, DoBy: civil.None, Why: why, Person: "p2"}
}

func TestRemarkIsOpenedChangedCarriedClosedAndOpenedAgain(t *testing.T) {
	w := newOtter(t)
	r := aRemark(RunWatched, "hinge squeaks")
	r.Pictures = [][32]byte{{1}}
	fx := w.says(after("1"), r)
	key := w.last.Key
	assert.Equal(t, []EffectKind{EffectRemark}, kinds(fx))
	assert.Equal(t, "opened: watch", fx[0].Why)
	r.Pictures[0] = [32]byte{9}
	require.Equal(t, [32]byte{1}, w.s.Remarks[0].Pictures[0], "nothing of the event is kept but its texts")

	w.says(after("2"), &RemarkWord{Remark: key, Act: RemarkChange, Verdict: DoNotRun, Part: "hinge", DoBy: dayOne + 4, Pictures: [][32]byte{{1}, {2}}})
	seen := w.s.Remarks[0]
	assert.Equal(t, DoNotRun, seen.Verdict)
	assert.Equal(t, "hinge", seen.Part)
	assert.Equal(t, dayOne+4, seen.DoBy)
	assert.Equal(t, [][32]byte{{1}, {2}}, seen.Pictures, "a picture that is there stays one")
	assert.Equal(t, "hinge squeaks", seen.Text)

	w.says(after("3"), word(key, RemarkCarry, ""))
	assert.True(t, w.s.Remarks[0].Carried)
	fx = w.says(after("4"), word(key, RemarkClose, "oiled"))
	assert.Equal(t, "closed", fx[0].Why)
	assert.Equal(t, w.last.Key, w.s.Remarks[0].Closed)
	assert.Equal(t, "oiled", w.s.Remarks[0].How)
	w.says(after("5"), word(key, RemarkReopen, "squeaks again"))
	assert.True(t, w.s.Remarks[0].Closed.IsZero())
	assert.False(t, w.s.Remarks[0].Carried)
	assert.Equal(t, w.s.Hash(), w.s.Clone().Hash())
}

func TestWordsOnARemarkCountByTheirTime(t *testing.T) {
	w := newOtter(t)
	w.says(after("1"), aRemark(DoNotRun, "bolt gone"))
	key := w.last.Key
	w.says(after("6"), word(key, RemarkClose, "bolt in"))
	w.says(after("8"), word(key, RemarkReopen, "gone again"))
	fx := w.says(after("7"), word(key, RemarkClose, "written before that, came later"))
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
	assert.True(t, w.s.Remarks[0].Closed.IsZero())
	change := word(key, RemarkChange, "")
	change.Verdict = RunWatched
	w.says(after("5"), change)
	assert.Equal(t, RunWatched, w.s.Remarks[0].Verdict, "no later word changed it")
	change.Verdict = MayRun
	w.says(after("4"), change)
	assert.Equal(t, RunWatched, w.s.Remarks[0].Verdict)
}

func TestRemarksStandInOrderOfTheirTime(t *testing.T) {
	w := newOtter(t)
	w.says(after("5"), aRemark(MayRun, "second"))
	fx := w.says(after("2"), aRemark(MayRun, "first, told late"))
	assert.Equal(t, 0, fx[0].Index)
	assert.Equal(t, "first, told late", w.s.Remarks[0].Text)
}

func TestWhatDoesNotSuitARemarkIsRefused(t *testing.T) {
	w := newOtter(t)
	r := aRemark(MayRun, "x")
	r.Point = "roof"
	assert.Contains(t, w.refused("1", r), `the chart has no point "roof"`)
	r = aRemark(MayRun, "x")
	r.Name = "odd"
	assert.Equal(t, `name: the chart has no remark "odd"; leave it out or use one of flap-stiff, shaker-loud`, w.refused("1", r))
	r = aRemark(MayRun, "x")
	r.Task = "roof/look"
	assert.Contains(t, w.refused("1", r), `task "roof/look" is unknown on this machine`)

	w.says(after("1"), aRemark(MayRun, "x"))
	key := w.last.Key
	assert.Contains(t, w.refused("2", word(Key{Seq: 4}, RemarkCarry, "")), "is unknown on this machine")
	assert.Contains(t, w.refused("2", word(key, RemarkReopen, "")), "the remark is open")
	assert.Contains(t, w.refused("2", word(key, RemarkChange, "")), "nothing of the remark changes")
	w.says(after("2"), word(key, RemarkCarry, ""))
	assert.Contains(t, w.refused("3", word(key, RemarkCarry, "")), "already")
	w.says(after("3"), word(key, RemarkClose, "done"))
	assert.Contains(t, w.refused("4", word(key, RemarkClose, "done")), "closed already: done")
	assert.Contains(t, w.refused("4", word(key, RemarkCarry, "")), "open it again first")
}

func TestRemarksStayBounded(t *testing.T) {
	w := newOtter(t)
	for i := range 3 * RemarksKept {
		w.s.Remarks = append(w.s.Remarks, RemarkSeen{Key: Key{Seq: uint64(i + 1)}, At: moment.At(after("1")), Closed: Key{Seq: 1}})
	}
	w.says(after("2"), aRemark(MayRun, "one more"))
	assert.Len(t, w.s.Remarks, RemarksKept+1)
	assert.Equal(t, Key{Seq: 2*RemarksKept + 1}, w.s.Remarks[0].Key, "the oldest closed ones go first")
	for len(w.s.Remarks) < RemarksKept+RemarksOpen {
		w.s.Remarks = append(w.s.Remarks, RemarkSeen{Key: Key{Seq: uint64(9000 + len(w.s.Remarks))}})
	}
	assert.Contains(t, w.refused("3", aRemark(DoNotRun, "no room")), "close those that are done")
	assert.Contains(t, w.refused("3", word(w.s.Remarks[0].Key, RemarkReopen, "")), "1000 remarks are open")
}

func TestAMachineWithoutAChartTakesRemarks(t *testing.T) {
	s := newRules2(t)
	Apply(s, &Event{Key: ServiceKey("r"), Writer: WriterPerson, At: moment.At(after("1")), Known: after("1"), Body: aRemark(DoNotRun, "no ladder")}, nil)
	require.Len(t, s.Remarks, 1)
	r := Ready(s)
	require.Len(t, r.Holds, 2)
	assert.Contains(t, r.Holds[0].Text, "no chart yet")
	assert.Equal(t, "do not run: no ladder", r.Holds[1].Text)
}
