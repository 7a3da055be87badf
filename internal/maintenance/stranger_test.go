package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestHoursByHandAgreeWithTheBus(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1234.55")
	fx := w.says(after("1.2"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1234.5"), Resolution: tenthHour}, Person: "p1"})
	m := w.meter("engine")
	assert.Equal(t, h("1234.55"), m.Total)
	assert.Empty(t, m.Held)
	assert.Empty(t, w.s.Doubts)
	assert.Len(t, m.Lives, 1)
	assert.Equal(t, []EffectKind{EffectReadingTaken}, kinds(fx))
	w.bus(after("1.3"), "1234.85")
	assert.Equal(t, h("1234.85"), w.meter("engine").Total)
}

func TestHandReadingBeyondTheToleranceIsHeld(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1234.55")
	fx := w.says(after("1.2"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1234.3"), Resolution: tenthHour}, Person: "p1"})
	assert.Equal(t, []EffectKind{EffectReadingHeld, EffectDoubtOpened, EffectNoticeRaised}, kinds(fx))
	assert.Equal(t, h("1234.55"), w.meter("engine").Total)
}

func TestMeterReplaced(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.00")
	w.done(after("1.1"), "sieve-pivot/grease")
	w.bus(after("1.6"), "2104.60")
	left := w.counter("sieve-pivot/grease").Limbs[0].Left
	assert.Equal(t, h("49.4"), left)

	fx := w.bus(after("2.0"), "0.15")
	assert.Equal(t, []EffectKind{EffectReadingHeld, EffectDoubtOpened, EffectNoticeRaised}, kinds(fx))
	assert.Contains(t, w.s.Doubts[0].What, "0.15 h")
	assert.Contains(t, w.s.Doubts[0].What, "2104.60 h")
	w.bus(after("2.05"), "0.20")
	assert.Equal(t, h("2104.60"), w.meter("engine").Total, "two do not agree yet")
	fx = w.bus(after("2.1"), "0.25")
	assert.Contains(t, kinds(fx), EffectLifeOpened)
	assert.Contains(t, kinds(fx), EffectDoubtClosed)
	assert.Contains(t, kinds(fx), EffectNoticeWithdrawn)

	m := w.meter("engine")
	require.Len(t, m.Lives, 2)
	assert.Equal(t, h("0.15"), m.Lives[1].First)
	assert.Equal(t, h("2104.60"), m.Lives[1].Offset, "the machine's hours go on")
	assert.Equal(t, h("2104.70"), m.Total)
	assert.Empty(t, m.Held)
	assert.Equal(t, h("49.3"), w.counter("sieve-pivot/grease").Limbs[0].Left, "what is due does not move but by 0.1 h run")
	w.bus(after("5"), "3.10")
	assert.Equal(t, h("2107.55"), w.meter("engine").Total)
}

func TestNoNewLifeFromFewerOrShorterReadings(t *testing.T) {
	for name, shown := range map[string][]string{
		"two":           {"0.10", "0.30"},
		"less than 0.1": {"0.10", "0.15", "0.15", "0.15"},
		"do not agree":  {"900.00", "0.30", "700.00", "0.35"},
		"too fast":      {"0.10", "5.00", "20.00"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, heronChart())
			w.bus(after("1"), "2104.60")
			at := after("1.5")
			for _, s := range shown {
				w.bus(at, s)
				at = at.Add(3 * hours.Minute)
			}
			assert.Len(t, w.meter("engine").Lives, 1)
			assert.Equal(t, h("2104.60"), w.meter("engine").Total)
			w.bus(at, "2104.80")
			assert.Empty(t, w.meter("engine").Held, "cleared by the next true reading")
			assert.False(t, w.s.Doubts[0].Closed.IsZero())
		})
	}
}

func TestImplausibleRise(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1000.00")
	w.done(after("1"), "sieve-pivot/grease")
	fx := w.bus(after("1.5"), "1037.00")
	assert.Equal(t, []EffectKind{EffectReadingHeld, EffectDoubtOpened, EffectNoticeRaised}, kinds(fx))
	assert.Contains(t, w.s.Doubts[0].What, "37.00 h more in at most 0.50 h")
	assert.Equal(t, h("1000.00"), w.meter("engine").Total)
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)

	fx = w.bus(after("1.6"), "1000.55")
	assert.Equal(t, []EffectKind{EffectReadingTaken, EffectDoubtClosed, EffectNoticeWithdrawn}, kinds(fx))
	assert.Equal(t, h("1000.55"), w.meter("engine").Total)
	assert.Empty(t, w.meter("engine").Held)
}

func TestJumpedMeterStaysHeldUntilAPersonSpeaks(t *testing.T) {
	jumped := func(t *testing.T) *world {
		w := newWorld(t, heronChart())
		w.bus(after("1"), "1000.00")
		for i := range 100 {
			// 0.5 h of running an hour, and soon more time than the jump has passed.
			w.bus(after("1.5").Add(hours.Millis(i)*hours.Hour), (h("1037.00") + hours.Millis(i)*hours.Hour/2).String())
		}
		require.Equal(t, h("1000.00"), w.meter("engine").Total)
		require.Len(t, w.meter("engine").Held, HeldKept)
		require.EqualValues(t, 100, w.meter("engine").HeldN)
		require.Len(t, w.s.Doubts, 1)
		return w
	}
	t.Run("new meter", func(t *testing.T) {
		w := jumped(t)
		fx := w.says(after("102"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtNewMeter, Person: "p1"})
		assert.Contains(t, kinds(fx), EffectLifeOpened)
		assert.Equal(t, h("1049.50"), w.meter("engine").Total, "1000 and the 49.5 h it ran since it was held")
		w.bus(after("103"), "1087.50")
		assert.Equal(t, h("1050.50"), w.meter("engine").Total)
	})
	t.Run("right", func(t *testing.T) {
		w := jumped(t)
		w.says(after("102"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtRight, Person: "p1"})
		assert.Equal(t, h("1086.50"), w.meter("engine").Total)
		w.bus(after("103"), "1087.50")
		assert.Equal(t, h("1087.50"), w.meter("engine").Total)
		assert.Empty(t, w.meter("engine").Held)
	})
	t.Run("wrong", func(t *testing.T) {
		w := jumped(t)
		w.says(after("102"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtWrong, Person: "p1"})
		assert.Equal(t, h("1000.00"), w.meter("engine").Total)
		w.bus(after("103"), "1087.00")
		assert.Equal(t, h("1000.00"), w.meter("engine").Total, "it goes on from what was wrong")
		assert.Len(t, w.s.Doubts, 2)
		w.bus(after("104"), "1003.00")
		assert.Equal(t, h("1003.00"), w.meter("engine").Total)
		assert.Empty(t, w.meter("engine").Held)
	})
}

func TestDerivedMeterGoesOnAfterTheBoxWasSwapped(t *testing.T) {
	derived := func(shown string) *Reading {
		return &Reading{Meter: "thresher", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived}
	}
	w := newWorld(t, heronChart())
	w.fromBox('a', after("1"), derived("812.00"))
	w.done(after("1"), "drum-bearing/grease")
	w.fromBox('a', after("2"), derived("812.90"))
	fx := w.fromBox('b', after("9"), derived("0.02"))
	assert.Contains(t, kinds(fx), EffectLifeOpened)
	m := w.meter("thresher")
	assert.Equal(t, h("812.90"), m.Total, "it goes on from the last known")
	require.Len(t, w.s.Doubts, 1)
	assert.Equal(t, DoubtOtherBox, w.s.Doubts[0].Kind)
	assert.True(t, w.s.Doubts[0].Closed.IsZero())
	assert.Contains(t, w.s.Doubts[0].What, "not heard and is not counted")
	w.fromBox('b', after("10"), derived("0.92"))
	assert.Equal(t, h("813.80"), w.meter("thresher").Total)
	x, err := Explain(w.s, "drum-bearing/grease")
	require.NoError(t, err)
	assert.Contains(t, words(x), "another box began its own sum")

	// What the old box still had for us comes late, and counts where it belongs.
	w.fromBox('a', after("2.5"), derived("813.30"))
	assert.Equal(t, h("814.20"), w.meter("thresher").Total)
	assert.Equal(t, h("47.80"), w.counter("drum-bearing/grease").Limbs[0].Left)
}

// A new box that got the last known from the service goes on from it.
func TestDerivedMeterGoesOnFromTheLastKnownInAnotherBox(t *testing.T) {
	derived := func(shown string) *Reading {
		return &Reading{Meter: "thresher", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived}
	}
	w := newWorld(t, heronChart())
	w.fromBox('a', after("1"), derived("812.00"))
	w.fromBox('a', after("2"), derived("812.90"))
	w.fromBox('b', after("2.05"), derived("812.90"))
	assert.Empty(t, w.s.Doubts, "hardly anything went unheard")
	w.fromBox('c', after("9"), derived("812.90"))
	w.fromBox('c', after("10"), derived("813.80"))
	m := w.meter("thresher")
	assert.Equal(t, h("813.80"), m.Total)
	assert.Len(t, m.Lives, 1)
	require.Len(t, w.s.Doubts, 1, "said once")
	assert.Equal(t, DoubtOtherBox, w.s.Doubts[0].Kind)
	assert.True(t, w.s.Doubts[0].Closed.IsZero())
	assert.Contains(t, w.s.Doubts[0].What, "went on from the last known 812.90 h")
	assert.Contains(t, w.s.Doubts[0].What, "was not heard and is not counted")
	// What the box before still had comes late and is no box taking its place.
	w.fromBox('b', after("2.5"), derived("812.90"))
	require.Len(t, w.s.Doubts, 1)
	w.says(after("11"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtSameMachine, Person: "p1"})
	w.fromBox('c', after("12"), derived("814.00"))
	require.Len(t, w.s.Doubts, 1)
	assert.False(t, w.s.Doubts[0].Closed.IsZero())
}

func TestDueMidShiftByTheCrossingReading(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0.5"), "400.00")
	w.done(after("0.5"), "sieve-pivot/grease")
	at, shown := after("0.5"), h("400.00")
	var raised []Effect
	crossings := map[string]moment.Instant{}
	for range 60 * 20 { // 60 h in steps of 0.05 h, without a halt
		at, shown = at.Add(3*hours.Minute), shown+busStep
		fx := w.bus(at, shown.String())
		for range 3 { // however often events repeat
			again := Apply(w.s, w.last, nil)
			require.Equal(t, []EffectKind{EffectIgnored}, kinds(again))
		}
		for _, f := range fx {
			if f.Kind == EffectNoticeRaised {
				raised = append(raised, f)
				n := w.s.Notices[f.Index]
				assert.Equal(t, moment.At(at), n.Raised)
				assert.Equal(t, w.last.Key, n.By)
				crossings[shown.String()] = at
			}
		}
	}
	require.Len(t, raised, 3, "one notice a stage")
	// A tenth of 50 h before and after 450 h.
	assert.Equal(t, map[string]moment.Instant{
		"445.00": after("0.5").Add(h("45")), "450.00": after("0.5").Add(h("50")), "455.00": after("0.5").Add(h("55")),
	}, crossings)
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, Overdue, task.State)
	assert.Equal(t, moment.At(after("0.5").Add(h("55"))), task.Since)
	open := 0
	for _, n := range w.s.Notices {
		if n.Withdrawn.IsZero() {
			open++
			assert.Equal(t, StageOverdue, n.Stage)
		}
	}
	assert.Equal(t, 1, open)
}

func TestOneEventThatCrossesSeveralStagesRingsTheHighest(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("0"), "sieve-pivot/grease")
	fx := w.bus(after("80"), "456.00")
	assert.Equal(t, 1, count(fx, EffectNoticeRaised))
	require.Len(t, w.s.Notices, 1)
	assert.Equal(t, StageOverdue, w.s.Notices[0].Stage)
	assert.Equal(t, []EffectKind{EffectReadingTaken, EffectDueChanged, EffectNoticeRaised}, kinds(fx))
	assert.Equal(t, NotDue, fx[1].Was)
	assert.Equal(t, Overdue, fx[1].Now)
}

func TestExplainGivesEveryInput(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.60")
	rec := w.done(after("1.1"), "sieve-pivot/grease")
	for i, shown := range []string{"0.15", "0.20", "0.25"} {
		w.bus(after("2").Add(hours.Millis(i)*3*hours.Minute), shown)
	}
	w.bus(after("30"), "9.00")
	w.bus(after("60"), "37.00")
	w.bus(after("75"), "50.30")
	crossing := w.last.Key
	w.bus(after("75.1"), "99.00")
	held := w.last.Key
	x, err := Explain(w.s, "sieve-pivot/grease")
	require.NoError(t, err)
	assert.Equal(t, Due, x.State)
	all := words(x)
	for _, want := range []string{
		"state: due", "edition: 1 of chart heron", "engine 2104.60 h (looked up by time)",
		"every 50.00 h of engine: soon from 2149.60 h, due from 2154.60 h, overdue from 2159.60 h",
		"50.15 h since, 0.15 h over", "engine 2154.75 h (bus)",
		"engine showed 2104.60 to 2104.60 h, the machine's 2104.60 to 2104.60 h: first reading",
		"engine showed 0.15 to 50.30 h, the machine's 2104.60 to 2154.75 h: 3 readings agree from the lower figure",
		"held, not counted: engine: 99.00 h", "notice: due ", "open doubt: engine: 99.00 h",
	} {
		assert.Contains(t, all, want)
	}
	row := func(what string) Reason {
		for _, r := range x.Rows {
			if r.What == what {
				return r
			}
		}
		require.Fail(t, "no row", what)
		return Reason{}
	}
	assert.Equal(t, crossing, row("state").Key)
	assert.Equal(t, moment.At(after("75")), row("state").At)
	assert.Equal(t, rec, row("service record").Key)
	assert.Equal(t, moment.At(after("1.1")), row("service record").At)
	assert.Equal(t, held, row("held, not counted").Key)
	assert.Equal(t, moment.At(after("75")), row("machine's hours").At)
	assert.Equal(t, crossing, row("machine's hours").Key)

	_, err = Explain(w.s, "sieve-pivot/paint")
	require.ErrorIs(t, err, ErrUnknownTask)
}

func words(x Explanation) string {
	var out string
	for _, r := range x.Rows {
		out += r.What + ": " + r.Value + "\n"
	}
	return out
}
