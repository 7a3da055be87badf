package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

func sheetLines(s SheetOf) []string {
	var out []string
	for _, p := range s.Points {
		line := p.Point.ID
		if p.Struck {
			line += " (struck)"
		}
		for _, t := range p.Tasks {
			line += " " + t.Task.ID
		}
		out = append(out, line)
	}
	return out
}

func TestTheSheetIsThatOfThisMachineInWalkingOrder(t *testing.T) {
	lines := func(serial string) []string {
		w := newOtter(t)
		w.trait("1", "serial", serial)
		s, err := Sheet(w.s, "dawn", Key{})
		require.NoError(t, err)
		return sheetLines(s)
	}
	assert.Equal(t, []string{"old-filter old-filter/drain", "shaker-belt shaker-belt/gap", "tail-flap tail-flap/look", "ladder ladder/look"}, lines("7299"))
	assert.Equal(t, []string{"old-filter (struck)", "new-filter new-filter/drain", "shaker-belt shaker-belt/gap", "tail-flap tail-flap/look", "ladder ladder/look"}, lines("7300"))
}

func TestTheSheetAsksWhatIsNotKnownOfTheBuild(t *testing.T) {
	w := newOtter(t)
	s, err := Sheet(w.s, "dawn", Key{})
	require.NoError(t, err)
	assert.Equal(t, []string{"old-filter old-filter/drain", "new-filter new-filter/drain", "shaker-belt shaker-belt/gap", "tail-flap tail-flap/look", "ladder ladder/look"}, sheetLines(s))
	assert.Equal(t, BuildAsked, s.Points[0].Tasks[0].Build)
	assert.Equal(t, "only with serial below 7300, and that is not known", s.Points[0].Tasks[0].Question)
	assert.Equal(t, []string{"ladder/look", "tail-flap/look", "shaker-belt/gap"}, s.Missing, "what may not be there is not missing")
}

func TestTheSheetSaysAllThatIsNeededAtAPlace(t *testing.T) {
	w := newOtter(t)
	w.trait("0.5", "serial", "7500")
	w.bus(after("1"), "500.00")
	walk := w.begin("1", "dawn", "p1")
	w.answer("1", walk, "p1", Looked{Task: "shaker-belt/gap", Word: inOrder, Measured: []Measured{walkGap("upper", 145, false), walkGap("upper", 112, true), walkGap("lower", 165, false)}})
	w.bus(after("12"), "510.00")
	w.says(after("12"), &Remark{Point: "shaker-belt", Text: "frayed", Verdict: RunWatched, DoBy: civil.None})
	again := w.begin("13", "dawn", "p1")
	w.answer("13", again, "p2", Looked{Task: "ladder/look", Word: notLooked})
	s, err := Sheet(w.s, "dawn", again)
	require.NoError(t, err)

	p := s.Points[2]
	require.Equal(t, "shaker-belt", p.Point.ID)
	assert.Equal(t, []NeverDone{{Task: "shaker-belt/wax", Why: "wax makes it slip"}}, p.Never)
	require.Len(t, p.Remarks, 1)
	assert.Equal(t, "frayed", p.Remarks[0].Text)
	task := p.Tasks[0]
	assert.Equal(t, "flap up", task.Task.Pose)
	assert.Equal(t, []string{"rule"}, task.Task.Tools)
	assert.Equal(t, []CautionDef{{"stand", "Key out, and nothing turns any more"}}, task.Cautions)
	assert.Equal(t, NotDue, task.Count.State)
	assert.Equal(t, "35.00 h left", task.Left)
	assert.Equal(t, after("1"), task.Count.Record.At.NotAfter)
	require.Len(t, task.Spots, 2)
	assert.Equal(t, "wanted 11 mm; acceptable 9 to 13.5 mm; act at 7 or less, or 16 or more mm", task.Spots[0].Limits)
	assert.Equal(t, "outside the acceptable range", task.Spots[0].FoundWord)
	assert.EqualValues(t, 11_200_000, task.Spots[0].Left.Micro)
	assert.Equal(t, "in order", task.Spots[0].LeftWord)
	assert.Equal(t, "at or beyond the limit at which to act", task.Spots[1].FoundWord)
	assert.Nil(t, task.Spots[1].Left)
	assert.Nil(t, task.Answer, "the answer of another walk-round")

	flap := s.Points[3].Tasks[0]
	assert.Equal(t, []CautionDef{{"prop", "Prop the flap"}, {"stand", "Key out, and nothing turns any more"}}, flap.Cautions, "in the task's order")
	assert.Equal(t, LookedNot, s.Points[4].Tasks[0].Answer.Word)
	answered, open := Progress(s.Walk, s)
	assert.Equal(t, [2]int{1, 3}, [2]int{answered, open})
	answered, open = Progress(nil, s)
	assert.Equal(t, [2]int{0, 4}, [2]int{answered, open})
}

func TestAnOccasionThatNoTaskNamesLooksAtAllThatIsLookedAt(t *testing.T) {
	w := newOtter(t)
	w.trait("1", "serial", "7500")
	s, err := Sheet(w.s, "hand-over", Key{})
	require.NoError(t, err)
	assert.Equal(t, SignReceiver, s.Sign)
	assert.Equal(t, []string{"old-filter (struck)", "new-filter new-filter/drain", "shaker-belt shaker-belt/gap", "tail-flap tail-flap/look", "ladder ladder/look"}, sheetLines(s))
}

func TestAnUnknownSheetIsRefused(t *testing.T) {
	w := newOtter(t)
	walk := w.begin("1", "dawn", "p1")
	_, err := Sheet(w.s, "noon", Key{})
	require.ErrorIs(t, err, ErrUnknownWalk)
	assert.ErrorContains(t, err, "name one of dawn, before-season, hand-over")
	_, err = Sheet(w.s, "", Key{Seq: 5})
	require.ErrorIs(t, err, ErrUnknownWalk)
	_, err = Sheet(w.s, "hand-over", walk)
	require.ErrorIs(t, err, ErrUnknownWalk)
	assert.ErrorContains(t, err, `one of "dawn"; leave the occasion out`)
	_, err = Sheet(newRules2(t), "dawn", Key{})
	require.ErrorIs(t, err, ErrUnknownWalk)
}

func TestGaugesAreJudgedByWhatTheyAre(t *testing.T) {
	goNo, loose := &MeasureDef{Gauge: GaugeGoNo}, &MeasureDef{Gauge: GaugeLoose}
	goes, not := &MeasuredAt{State: GaugeGoes}, &MeasuredAt{State: GaugeGoesNot}
	assert.Equal(t, "in order", goNo.judged(goes))
	assert.Equal(t, "the gauge does not go in: not right", goNo.judged(not))
	assert.Equal(t, "the gauge passes: worn", loose.judged(goes))
	assert.Equal(t, "in order", loose.judged(not))
	open := &MeasureDef{Unit: "bar", OkLo: micro(2_500_000)}
	assert.Equal(t, "acceptable 2.5 or more bar", open.limits())
	assert.Equal(t, "outside the acceptable range", open.judged(&MeasuredAt{Micro: 2_499_999}))
	assert.Equal(t, "in order", open.judged(&MeasuredAt{Micro: 2_500_000}))
}

func TestLimitsAndHoursLeftInWords(t *testing.T) {
	lo, hi := micro(2_000_000), micro(-4_500_000)
	for want, got := range map[string]string{
		"2 or more": rangeText(false, lo, Bound{}), "up to -4.5": rangeText(false, Bound{}, hi), "2 to -4.5": rangeText(false, lo, hi),
		"at 2 or less": rangeText(true, lo, Bound{}), "at -4.5 or more": rangeText(true, Bound{}, hi), "": rangeText(true, Bound{}, Bound{})} {
		assert.Equal(t, want, got)
	}
	months := func(left int) string {
		c := Count{Limbs: []LimbCount{{Kind: LimbMonths, Known: true, DaysLeft: left}}}
		return c.leftText()
	}
	assert.Equal(t, "3 days left", months(3))
	assert.Equal(t, "2 days over", months(-2))
	c := Count{Limb: -1}
	assert.Empty(t, c.leftText())
}
