package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestFirstReadingOpensTheFirstLife(t *testing.T) {
	w := newWorld(t, heronChart())
	fx := w.bus(after("1"), "2104.60")
	assert.Equal(t, []EffectKind{EffectLifeOpened, EffectReadingTaken}, kinds(fx))
	m := w.meter("engine")
	require.Len(t, m.Lives, 1)
	l := m.Lives[0]
	assert.Equal(t, []hours.Millis{h("2104.60"), h("2104.60"), h("2104.60")}, []hours.Millis{l.First, l.Last, l.Offset})
	assert.Equal(t, w.last.Key, l.Opened)
	// One from before it counts too, and moves nothing.
	w.fromBox('b', after("0.5"), reading("2104.20"))
	assert.Equal(t, h("2104.60"), w.meter("engine").Total)
	assert.Equal(t, h("2104.20"), w.meter("engine").Lives[0].Offset)
}

func TestLateReadings(t *testing.T) {
	w := newWorld(t, heronChart())
	w.day(1)
	w.bus(after("1"), "100.00")
	w.bus(after("30"), "112.00")
	fx := w.fromBox('b', after("10"), reading("107.00"))
	assert.Equal(t, []EffectKind{EffectLifeOpened, EffectReadingTaken}, append([]EffectKind{EffectLifeOpened}, kinds(fx)...))
	assert.Equal(t, "late", fx[0].Why)
	assert.Equal(t, h("112.00"), w.meter("engine").Total)
	assert.Equal(t, []DayTop{{Date: dayOne, Total: h("107.00")}, {Date: dayOne + 1, Total: h("112.00")}}, w.meter("engine").DayTops)
	assert.Equal(t, []DayHours{{dayOne, h("7"), h("107")}, {dayOne + 1, h("5"), h("112")}}, w.s.DayHours("engine"))

	// No placement satisfies both neighbours of these.
	for _, c := range []struct {
		at    moment.Instant
		shown string
	}{{after("20"), "106.00"}, {after("20"), "113.00"}, {after("10.5"), "108.50"}} {
		fx = w.fromBox('b', c.at, reading(c.shown))
		assert.Equal(t, EffectReadingHeld, fx[0].Kind, c.shown)
		assert.Equal(t, DoubtMisplaced, w.s.Doubts[0].Kind)
	}
	assert.Len(t, w.s.Doubts, 1, "asked once")
	assert.Equal(t, VerdictRefuse, Admit(w.s, w.person(after("31"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtNewMeter})).Word)
	w.says(after("31"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtWrong})
	assert.False(t, w.s.Doubts[0].Closed.IsZero())
	w.bus(after("32"), "113.00")
	assert.Empty(t, w.meter("engine").Held)
}

func TestUnsyncedReadingIsTakenIfSomePlacementFits(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	w.bus(after("30"), "112.00")
	wide := func(from, to string, shown string) []Effect {
		return w.apply(w.agent('b', moment.Span{NotBefore: after(from), NotAfter: after(to)}, reading(shown)))
	}
	fx := wide("0", "29", "105.00")
	assert.Equal(t, "late", fx[0].Why)
	fx = wide("0", "29", "111.80")
	assert.Equal(t, "late", fx[0].Why)
	fx = wide("0", "20", "111.80") // it fits at 13 h or later
	assert.Equal(t, "late", fx[0].Why)
	fx = wide("0", "8", "111.80")
	assert.Equal(t, EffectReadingHeld, fx[0].Kind, "11.8 h since 1 h do not go into 7 h")
	fx = wide("29", "40", "120.00")
	assert.Equal(t, EffectReadingTaken, fx[0].Kind)
	assert.Equal(t, h("120.00"), w.meter("engine").Total)
	assert.Equal(t, moment.Span{NotBefore: after("29"), NotAfter: after("40")}, w.meter("engine").TotalAt)
	// Nothing at all is known of when this was.
	fx = w.apply(w.agent('b', moment.Span{}, reading("104.00")))
	assert.Equal(t, "late", fx[0].Why)
}

func TestReadingAheadOfNowIsHeld(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	e := w.agent('a', moment.At(after("90000")), reading("100.05")) // the box's clock says 2041
	e.Known = after("1.1")
	fx := w.apply(e)
	assert.Equal(t, EffectReadingHeld, fx[0].Kind)
	w.bus(after("1.2"), "100.20")
	assert.Equal(t, h("100.20"), w.meter("engine").Total, "and poisons nothing after it")
	w.bus(after("1.3"), "102.20")
	assert.Equal(t, h("100.20"), w.meter("engine").Total)
}

func TestCreepingTooFastIsHeld(t *testing.T) {
	// A meter that runs at twice the clock's pace, read each minute: each step is
	// within the tolerance, the sum is not.
	w := newWorld(t, heronChart())
	at, shown := after("1"), h("100.00")
	for range 60 {
		w.bus(at, shown.String())
		at, shown = at.Add(3*hours.Minute), shown+2*busStep
	}
	assert.LessOrEqual(t, w.meter("engine").Total, h("100.00")+3*busStep+h("0.15"))
	require.Len(t, w.s.Doubts, 1)
	assert.Equal(t, DoubtFast, w.s.Doubts[0].Kind)
}

func TestAHandReadingToldLateIsNoTrap(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	// Read at 1.5 h, typed at 2.0 h while the machine ran on.
	w.says(after("2"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("100.5"), Resolution: tenthHour}, Person: "p1"})
	fx := w.bus(after("2.05"), "101.00")
	assert.Equal(t, []EffectKind{EffectReadingTaken}, kinds(fx))
	assert.Equal(t, h("101.00"), w.meter("engine").Total)
}

func TestNewLifeOpensAtOnceWithANewEngine(t *testing.T) {
	names := func(engine string) *BusNames {
		return &BusNames{Vehicle: "TARN HERON 3", Engine: engine, Claims: []BusName{{Source: 0, Name: 77}}, Confidence: 2}
	}
	for _, order := range []string{"names first", "reading first"} {
		t.Run(order, func(t *testing.T) {
			w := newWorld(t, heronChart())
			w.fromBox('a', after("1"), names("E-1"))
			w.bus(after("1"), "2104.60")
			if order == "names first" {
				w.fromBox('a', after("2"), names("E-2"))
				assert.Len(t, w.meter("engine").Lives, 1)
			}
			fx := w.bus(after("2.1"), "12.00")
			if order == "reading first" {
				assert.Contains(t, kinds(fx), EffectDoubtOpened)
				fx = w.fromBox('a', after("2.2"), names("E-2"))
				assert.Contains(t, kinds(fx), EffectDoubtClosed)
			} else {
				assert.NotContains(t, kinds(fx), EffectDoubtOpened, "no question is left")
			}
			assert.Contains(t, kinds(fx), EffectLifeOpened)
			m := w.meter("engine")
			require.Len(t, m.Lives, 2)
			assert.Contains(t, m.Lives[1].Why, "another engine")
			assert.Equal(t, h("2104.60"), m.Total)
			w.bus(after("3"), "12.80")
			assert.Equal(t, h("2105.40"), w.meter("engine").Total)
			assert.Empty(t, w.s.Notices[min(len(w.s.Notices), 1):])
		})
	}
}

func TestANewEngineWithTheHoursCopiedGoesOn(t *testing.T) {
	w := newWorld(t, heronChart())
	w.fromBox('a', after("1"), &BusNames{Vehicle: "TARN HERON 3", Engine: "E-1"})
	w.bus(after("1"), "2104.60")
	w.fromBox('a', after("2"), &BusNames{Vehicle: "TARN HERON 3", Engine: "E-2"})
	w.bus(after("2.1"), "2104.70")
	assert.True(t, w.meter("engine").Renewed.IsZero())
	fx := w.bus(after("3"), "9.00")
	assert.NotContains(t, kinds(fx), EffectLifeOpened, "the chance is over: three must agree again")
}

func TestMovedBox(t *testing.T) {
	setUp := func(t *testing.T) *world {
		w := newWorld(t, heronChart())
		w.fromBox('a', after("1"), &BusNames{Vehicle: "TARN HERON 3", Engine: "E-1"})
		w.bus(after("1"), "2104.60")
		fx := w.fromBox('a', after("2"), &BusNames{Vehicle: "TARN HERON 5", Engine: "E-9"})
		require.Equal(t, []EffectKind{EffectDoubtOpened, EffectNoticeRaised}, kinds(fx))
		require.Equal(t, DoubtMoved, w.s.Doubts[0].Kind)
		require.Contains(t, w.s.Doubts[0].What, "TARN HERON 5")
		for i, shown := range []string{"2104.90", "2105.00", "2105.10", "2105.40"} {
			fx = w.bus(after("2.5").Add(hours.Millis(i)*6*hours.Minute), shown)
			require.Equal(t, []EffectKind{EffectReadingHeld}, kinds(fx), "plausible or not")
		}
		require.Equal(t, h("2104.60"), w.meter("engine").Total)
		require.Equal(t, "TARN HERON 3", w.s.Names.Vehicle)
		return w
	}
	t.Run("same machine", func(t *testing.T) {
		w := setUp(t)
		fx := w.says(after("3"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtSameMachine, Person: "p1"})
		assert.Equal(t, 3, count(fx, EffectReadingTaken))
		assert.Equal(t, h("2105.10"), w.meter("engine").Total, "what was held is judged anew, and 0.3 h in 6 min is too fast")
		assert.Equal(t, "TARN HERON 5", w.s.Names.Vehicle)
		assert.True(t, w.s.Moved.IsZero())
		w.bus(after("3.2"), "2105.20")
		assert.Equal(t, h("2105.20"), w.meter("engine").Total)
	})
	t.Run("the bus names this machine again", func(t *testing.T) {
		w := setUp(t)
		w.fromBox('a', after("5"), &BusNames{Vehicle: "TARN HERON 3", Engine: "E-1"})
		assert.True(t, w.s.Moved.IsZero())
		assert.False(t, w.s.Doubts[0].Closed.IsZero())
		assert.Empty(t, w.meter("engine").Held, "it was another machine's")
		assert.Equal(t, h("2104.60"), w.meter("engine").Total)
		w.bus(after("6"), "2105.60")
		assert.Equal(t, h("2105.60"), w.meter("engine").Total)
	})
	t.Run("a person's reading counts", func(t *testing.T) {
		w := setUp(t)
		w.says(after("4"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("2106.1"), Resolution: tenthHour}})
		assert.Equal(t, h("2106.1"), w.meter("engine").Total)
	})
	t.Run("only that answer fits", func(t *testing.T) {
		w := setUp(t)
		for _, word := range []DoubtWord{DoubtNewMeter, DoubtRight, DoubtWrong} {
			assert.Equal(t, VerdictRefuse, Admit(w.s, w.person(after("4"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: word})).Word)
		}
	})
}

func TestAnotherControllerIsAskedAboutAndCounted(t *testing.T) {
	w := newWorld(t, heronChart())
	w.fromBox('a', after("1"), &BusNames{Vehicle: "TARN HERON 3", Engine: "E-1", Claims: []BusName{{0, 77}, {38, 5}}})
	w.bus(after("1"), "2104.60")
	fx := w.fromBox('a', after("2"), &BusNames{Engine: "E-1", Claims: []BusName{{0, 78}, {38, 6}}})
	assert.Equal(t, []EffectKind{EffectDoubtOpened, EffectNoticeRaised}, kinds(fx))
	assert.Equal(t, DoubtOtherBox, w.s.Doubts[0].Kind)
	assert.Equal(t, []BusName{{0, 78}, {38, 6}}, w.s.Names.Claims)
	assert.Equal(t, "TARN HERON 3", w.s.Names.Vehicle, "what is unheard is not forgotten")
	w.bus(after("2.1"), "2105.60")
	assert.Equal(t, h("2105.60"), w.meter("engine").Total)
	w.says(after("3"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtSameMachine})
	assert.False(t, w.s.Doubts[0].Closed.IsZero())
	// Others come and go, such as a header's controller.
	fx = w.fromBox('a', after("4"), &BusNames{Claims: []BusName{{38, 9}}})
	assert.Empty(t, fx)
	fx = w.fromBox('b', after("3.5"), &BusNames{Vehicle: "AN OLD NAME"})
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx), "later names are known")
}

func TestAPersonsFigureThatIsTooHighOpensNoLife(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1249.50")
	// The agent is silent for days, and a person types 1294.5 for 1249.5.
	w.says(after("100"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1294.5"), Resolution: tenthHour}, Person: "p1"})
	require.Equal(t, h("1294.5"), w.meter("engine").Total)
	for i := range 5 {
		w.bus(after("101").Add(hours.Millis(i)*6*hours.Minute), (h("1249.60") + hours.Millis(i)*h("0.1")).String())
	}
	assert.Len(t, w.meter("engine").Lives, 1, "which of the two is right is a question")
	require.Len(t, w.s.Doubts, 1)
	w.says(after("102"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtRight, Person: "p1"})
	assert.Equal(t, h("1250.00"), w.meter("engine").Total)
	w.bus(after("103"), "1250.90")
	assert.Equal(t, h("1250.90"), w.meter("engine").Total)
	assert.Empty(t, w.meter("engine").Held)
}

func TestGoingBackTakesDueStatesBack(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1249.50")
	w.done(after("1"), "sieve-pivot/grease")
	w.says(after("100"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1304.5"), Resolution: tenthHour}, Person: "p1"})
	require.Equal(t, Overdue, w.task("sieve-pivot/grease").State)
	w.done(after("100.1"), "engine-sump/change")
	w.bus(after("101"), "1249.60")
	fx := w.says(after("102"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtRight, Person: "p1"})
	assert.Equal(t, 2, count(fx, EffectNoticeWithdrawn), "the doubt's and the task's")
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)
	assert.Equal(t, h("49.90"), w.counter("sieve-pivot/grease").Limbs[0].Left)
	assert.Equal(t, h("249.90"), w.counter("engine-sump/change").Limbs[0].Left, "looked up among wrong figures, looked up again")
}

func TestReadingsHeldUntilALifeOpensCrossAtTheirOwnTime(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("0"), "sieve-pivot/grease")
	w.bus(after("60"), "449.90")
	require.Equal(t, DueSoon, w.task("sieve-pivot/grease").State)
	w.bus(after("61"), "0.00")
	w.bus(after("61.1"), "0.10") // 450.00 h
	crossing := w.last.Key
	w.bus(after("61.2"), "0.20")
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, Due, task.State)
	assert.Equal(t, moment.At(after("61.1")), task.Since)
	assert.Equal(t, crossing, task.By)
}

func TestLivesAreFolded(t *testing.T) {
	w := newWorld(t, heronChart())
	at, want := after("1"), h("500.00")
	w.bus(at, "500.00")
	for range 40 {
		for _, shown := range []string{"0.00", "0.05", "0.10"} {
			at = at.Add(hours.Hour)
			w.bus(at, shown)
		}
		want += h("0.10")
		at = at.Add(2 * hours.Hour)
		w.bus(at, "2.00")
		want += h("1.90")
		require.Equal(t, want, w.meter("engine").Total)
	}
	m := w.meter("engine")
	assert.Len(t, m.Lives, LivesKept)
	assert.EqualValues(t, 41-LivesKept, m.Folded)
	last := m.Lives[LivesKept-1]
	assert.Equal(t, want, last.End())
}

func TestLateReadingOfAClosedLifeCountsThere(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.00")
	w.done(after("1"), "sieve-pivot/grease")
	for i, shown := range []string{"0.15", "0.20", "0.25"} {
		w.bus(after("3").Add(hours.Millis(i)*3*hours.Minute), shown)
	}
	w.done(after("3.5"), "drum-bearing/grease")
	require.Equal(t, h("2104.10"), w.meter("engine").Total)
	// A second box had heard the old meter for longer.
	w.fromBox('b', after("2"), reading("2104.60"))
	assert.Equal(t, h("2104.70"), w.meter("engine").Total)
	assert.Equal(t, h("49.30"), w.counter("sieve-pivot/grease").Limbs[0].Left)
	assert.Equal(t, h("2104.70"), w.task("drum-bearing/grease").Records[0].Hours[0].Shown)
	// And the new one from an earlier figure on.
	w.fromBox('b', after("2.9"), reading("0.05"))
	assert.Equal(t, h("2104.80"), w.meter("engine").Total)
	// A late figure that fits neither is held.
	fx := w.fromBox('b', after("2.95"), reading("2105.90"))
	assert.Equal(t, EffectReadingHeld, fx[0].Kind)
}

func TestMetersThatNoEditionNamesAreKeptApart(t *testing.T) {
	w := newWorld(t, heronChart())
	for _, id := range []string{"winch", "auger"} {
		w.fromBox('a', after("1"), &Reading{Meter: id, Shown: 5 * hours.Hour, Resolution: busStep, Origin: OriginBus})
	}
	var ids []string
	for _, m := range w.s.Meters {
		ids = append(ids, m.ID)
	}
	assert.Equal(t, []string{"engine", "thresher", "auger", "winch"}, ids)
	for i := range 100 {
		Apply(w.s, w.agent('a', moment.At(after("2")), &Reading{Meter: string(rune('A' + i)), Shown: 1, Resolution: 1, Origin: OriginBus}), nil)
	}
	assert.Len(t, w.s.Meters, MetersKept)
}
