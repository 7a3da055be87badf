package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func placeWords(l LeadOn) map[string]PlaceWord {
	out := map[string]PlaceWord{}
	for _, p := range l.Places {
		out[p.Point] = p.Word
	}
	return out
}

func TestALeadFromTheChartAndStatedFactsAlone(t *testing.T) {
	c := otterChart()
	assert.Empty(t, Look(c, nil, Symptoms{}))
	assert.Empty(t, Look(nil, nil, Symptoms{}))
	on := Look(c, nil, Symptoms{Findings: []string{"shaker-drift"}})
	require.Len(t, on, 1)
	assert.Equal(t, []string{"finding shaker-drift"}, on[0].Because)
	assert.Equal(t, []string{"driving slower"}, on[0].NoHelp)
	assert.Equal(t, map[string]PlaceWord{"tail-flap": PlaceAsk, "shaker-belt": PlaceAsk, "shaker-tensioner": PlaceAsk, "new-filter": PlaceAsk}, placeWords(on[0]))
	assert.Equal(t, []string{"the drive shifted: load"}, on[0].Places[1].Ask)

	on = Look(c, nil, Symptoms{Remarks: []string{"shaker-loud"}, Facts: []Fact{{FactShift, ShiftSame}, {FactSince, EventStorageOut}, {"crop", "rye"}, {"serial", "7500"}, {"return-full", No}}})
	require.Len(t, on, 1)
	points := []string{}
	for _, p := range on[0].Places {
		points = append(points, p.Point)
	}
	assert.Equal(t, []string{"tail-flap", "shaker-tensioner", "shaker-belt", "new-filter"}, points, "what does not hold comes last")
	assert.Equal(t, map[string]PlaceWord{"tail-flap": PlaceHolds, "shaker-tensioner": PlaceHolds, "shaker-belt": PlaceNot, "new-filter": PlaceNot}, placeWords(on[0]))
	assert.Equal(t, []string{"not so: the drive shifted: load"}, on[0].Places[2].Because)
	assert.Equal(t, []string{"it began after storage-out"}, on[0].Places[1].Because)
}

func TestALeadFromTheMachinesOwnCodes(t *testing.T) {
	start := func(w *world, at moment.Instant, source uint8, spn uint32, fmi uint8) {
		w.fromBox('a', at, &Warning{Code: Code{Source: source, SPN: spn, FMI: fmi}, Phase: WarningStarted})
	}
	for name, c := range map[string]struct {
		apart hours.Millis
		want  PlaceWord
	}{"within": {90 * hours.Second, PlaceNot}, "beyond": {91 * hours.Second, PlaceHolds}, "before": {-60 * hours.Second, PlaceNot}} {
		w := newOtter(t)
		start(w, after("3"), 40, 521100, 1)
		start(w, after("3").Add(c.apart), 7, 521107, 19)
		on := Look(w.s.Chart, w.s, Symptoms{})
		require.Len(t, on, 1, name)
		assert.Equal(t, "code shaker-slow since 2031-07-14T07:00:00Z", on[0].Because[0])
		assert.Equal(t, c.want, placeWords(on[0])["tail-flap"], name)
	}
	// A code that came and went, once and then twice.
	w := newOtter(t)
	end := func() {
		w.fromBox('a', after("3.5"), &Warning{Code: Code{Source: 7, SPN: 521107, FMI: 19}, Phase: WarningEnded})
	}
	word := func() PlaceWord { return placeWords(Look(w.s.Chart, w.s, Symptoms{})[0])["tail-flap"] }
	start(w, after("3"), 7, 521107, 19)
	start(w, after("3").Add(80*hours.Second), 40, 521100, 1)
	end()
	assert.Equal(t, PlaceNot, word())
	start(w, after("4"), 7, 521107, 19)
	end()
	assert.Equal(t, PlaceAsk, word(), "only the last start is kept")
	w = newOtter(t)
	start(w, after("3"), 40, 521100, 1)
	assert.Equal(t, PlaceHolds, placeWords(Look(w.s.Chart, w.s, Symptoms{})[0])["tail-flap"], "listened to, and it did not come")
	w = newOtter(t)
	start(w, after("3"), 41, 521100, 1)
	assert.Empty(t, Look(w.s.Chart, w.s, Symptoms{}), "another source")
	// Stated without a time, nobody can tell whether it came within.
	on := Look(w.s.Chart, w.s, Symptoms{Codes: []CodeStated{{Code: "shaker-slow"}, {Code: "return-full", At: moment.At(after("3"))}}})
	assert.Equal(t, PlaceAsk, placeWords(on[0])["tail-flap"])
}

func TestALeadSinceAnEvent(t *testing.T) {
	w := newOtter(t)
	w.says(after("5"), &Remark{Name: "shaker-loud", Verdict: RunWatched, DoBy: civil.None})
	word := func() PlaceWord { return placeWords(Look(w.s.Chart, w.s, Symptoms{})[0])["shaker-tensioner"] }
	assert.Equal(t, PlaceAsk, word(), "one that nobody told may have happened")
	w.s.Happened = []Happening{{Kind: HappenedEvent, Name: EventStorageOut, At: moment.At(after("6"))}}
	assert.Equal(t, PlaceNot, word(), "it began before that")
	w.s.Happened[0].At = moment.At(after("4"))
	assert.Equal(t, PlaceHolds, word())
	w.says(after("7"), &RemarkWord{Remark: w.s.Remarks[0].Key, Act: RemarkClose, Why: "quiet", DoBy: civil.None})
	assert.Empty(t, Look(w.s.Chart, w.s, Symptoms{}), "a closed remark leads nowhere")
}

func TestCausesAreCountedAndChangeNoOrder(t *testing.T) {
	w := newOtter(t)
	found := func(at, point, text string) {
		w.says(after(at), &CauseFound{Lead: "shaker-lags", Point: point, Text: text, Person: "p1"})
	}
	found("1", "shaker-tensioner", "stiff")
	found("2", "shaker-tensioner", "stiff again")
	found("4", "ladder", "")
	found("3", "shaker-belt", "")
	found("5", "", "a stone")
	assert.Equal(t, []CauseCount{
		{"shaker-belt", "", 1, moment.At(after("3"))}, {"shaker-tensioner", "", 2, moment.At(after("2"))},
		{"", "a stone", 1, moment.At(after("5"))}, {"ladder", "", 1, moment.At(after("4"))}}, CausesOf(w.s, "shaker-lags"))
	assert.Empty(t, CausesOf(w.s, "other"))
	on := Look(w.s.Chart, w.s, Symptoms{Findings: []string{"shaker-drift"}})
	assert.Equal(t, "tail-flap", on[0].Places[0].Point)
	assert.Len(t, on[0].Causes, 4)
	assert.Equal(t, "ladder", w.s.Causes[3].Point, "they stand by time")

	assert.Contains(t, w.refused("6", &CauseFound{Lead: "x", Point: "ladder"}), `the chart has no lead "x"; leave it out or use one of shaker-lags`)
	assert.Contains(t, w.refused("6", &CauseFound{Code: "x", Point: "ladder"}), `the chart has no code "x"`)
	assert.Contains(t, w.refused("6", &CauseFound{Point: "x"}), `the chart has no point "x"`)
	assert.Contains(t, w.refused("6", &CauseFound{Point: "ladder", Remark: Key{Seq: 1}}), "is unknown on this machine")
	for range CausesKept {
		w.s.Causes = append(w.s.Causes, CauseSeen{Key: Key{Seq: 2}, At: moment.At(after("6"))})
	}
	found("7", "ladder", "")
	assert.Len(t, w.s.Causes, CausesKept)
}
