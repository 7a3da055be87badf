package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestLateReadingFromBeforeTheTrailIsHeldToTheDays(t *testing.T) {
	w := newWorld(t, heronChart())
	shown := h("100.00")
	for day := range 5 { // ten hours a day, and the trail reaches back sixteen
		if day > 0 {
			w.day(day)
		}
		at := sunrise.Add(hours.Millis(day)*24*hours.Hour + hours.Hour)
		for range 100 {
			at, shown = at.Add(6*hours.Minute), shown+2*busStep
			w.bus(at, shown.String())
		}
	}
	require.Equal(t, h("150.00"), w.meter("engine").Total)
	require.Greater(t, w.meter("engine").Trail[0].Total, h("130"))
	// The second day went from 110 to 120 h.
	fx := w.fromBox('b', after("30"), reading("114.00"))
	assert.Equal(t, "late", fx[0].Why)
	for _, wrong := range []string{"108.00", "131.00"} {
		fx = w.fromBox('b', after("47"), reading(wrong))
		assert.Equal(t, EffectReadingHeld, fx[0].Kind, wrong)
	}
	assert.Equal(t, []DayHours{{dayOne, h("9.9"), h("110")}, {dayOne + 1, h("10"), h("120")}, {dayOne + 2, h("10"), h("130")},
		{dayOne + 3, h("10"), h("140")}, {dayOne + 4, h("10"), h("150")}}, w.s.DayHours("engine"))
}

func TestAReadingOfTheNewMeterIsNotFromBeforeTheOldOneEnded(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.60")
	for i, shown := range []string{"1.15", "1.20", "1.25"} {
		w.bus(after("2").Add(hours.Millis(i)*3*hours.Minute), shown)
	}
	fx := w.fromBox('b', after("0.5"), reading("0.05"))
	assert.Equal(t, EffectReadingHeld, fx[0].Kind)
	assert.Equal(t, h("2104.70"), w.meter("engine").Total)
}

func TestHandReadingThatAgreesTightensNothing(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1234.55")
	w.says(after("3"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1234.5"), Resolution: tenthHour}, Person: "p1"})
	m := w.meter("engine")
	assert.Equal(t, moment.At(after("1")), m.TotalAt)
	assert.Equal(t, OriginBus, m.Origin)
	// The bus's own that agrees says that the machine stood.
	w.bus(after("3"), "1234.50")
	m = w.meter("engine")
	assert.Equal(t, moment.At(after("3")), m.TotalAt)
	assert.Equal(t, w.last.Key, m.TotalBy)
	assert.Equal(t, h("1234.55"), m.Total)
}

func TestThreeReadingsWithinLessThanATenthOpenNothing(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.60")
	for i, shown := range []string{"0.10", "0.12", "0.15", "0.19"} {
		w.bus(after("1.5").Add(hours.Millis(i)*3*hours.Minute), shown)
	}
	require.Len(t, w.meter("engine").Held, 4)
	assert.Len(t, w.meter("engine").Lives, 1)
	w.bus(after("1.8"), "0.20")
	assert.Len(t, w.meter("engine").Lives, 2)
}

func TestReadingsSaidToBeWrongOpenNothingLater(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.60")
	w.bus(after("1.5"), "0.10")
	w.bus(after("1.6"), "0.20")
	w.says(after("1.65"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtWrong})
	w.bus(after("1.7"), "0.30")
	w.bus(after("1.8"), "0.40")
	assert.Len(t, w.meter("engine").Lives, 1)
	fx := w.bus(after("1.9"), "0.50")
	assert.Contains(t, kinds(fx), EffectLifeOpened, "three that nobody called wrong")
	assert.Equal(t, h("0.30"), w.meter("engine").Lives[1].First)
	assert.Equal(t, h("2104.80"), w.meter("engine").Total)
}

func TestAJumpThatIsRightStandsWhateverComesLate(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1000.00")
	w.bus(after("2"), "1037.00")
	w.says(after("2.1"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtRight})
	require.Equal(t, h("1037.00"), w.meter("engine").Total)
	fx := w.fromBox('b', after("1.5"), reading("1000.50"))
	assert.Equal(t, "late", fx[0].Why)
	assert.Equal(t, h("1037.00"), w.meter("engine").Total, "its figures mean what they meant")
	assert.Equal(t, h("1000.50"), w.meter("engine").Lives[0].Last)
}

func TestFiguresTakenBackAreNotTakenAgainLate(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1000.00")
	w.says(after("100"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1050"), Resolution: tenthHour}})
	w.bus(after("101"), "1010.00")
	w.says(after("101.5"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtRight})
	require.Equal(t, h("1010.00"), w.meter("engine").Total)
	assert.Equal(t, h("1010.00"), w.meter("engine").Lives[0].Last, "the segment before ended no higher")
	fx := w.fromBox('b', after("90"), reading("1030.00"))
	assert.Equal(t, EffectReadingHeld, fx[0].Kind)
	w.fromBox('b', after("90"), reading("1009.00"))
	assert.Equal(t, h("1010.00"), w.meter("engine").Total)
}

func TestGoneTaskForgetsTheStateOfTheCycleBefore(t *testing.T) {
	thresher := func(shown string) *Reading {
		return &Reading{Meter: "thresher", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived}
	}
	w := newWorld(t, heronChart())
	w.fromBox('a', after("0"), thresher("100"))
	w.done(after("0"), "drum-bearing/grease")
	w.fromBox('a', after("60"), thresher("154"))
	require.Equal(t, Due, w.task("drum-bearing/grease").State)
	w.service("edition 2", after("61"), &EditionTaken{Chart: secondEdition()})
	e := w.person(after("62"), &ServiceDone{Tasks: []string{"drum-bearing/grease"}, Date: civil.None, Shown: []MeterShown{{"thresher", h("102")}}})
	e.At = moment.At(after("2"))
	w.apply(e)
	w.service("edition 1 again", after("63"), &EditionTaken{Chart: heronChart()})
	task := w.task("drum-bearing/grease")
	assert.Equal(t, Due, task.State)
	assert.Equal(t, e.Key, task.Cycle)
	assert.Equal(t, w.last.Key, task.By, "not by what crossed in the cycle before")
}

func TestCrossingsKeepTheirTimeWhenMoreIsKnownOfALifeBefore(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "2054.00")
	for i, shown := range []string{"0.10", "0.20", "0.30"} {
		w.bus(after("1").Add(hours.Millis(i)*6*hours.Minute), shown)
	}
	w.done(after("1.5"), "sieve-pivot/grease")
	w.bus(after("47"), "45.40")
	soon := *w.task("sieve-pivot/grease")
	require.Equal(t, DueSoon, soon.State)
	w.fromBox('b', after("0.5"), reading("2054.40"))
	require.Equal(t, h("2099.70"), w.meter("engine").Total)
	w.bus(after("52"), "50.40")
	require.Equal(t, Due, w.task("sieve-pivot/grease").State)
	// A chart that asks later takes it back to soon, which came about when it did.
	later := heronChart()
	later.Edition, later.Tasks[0].Limbs[0].Every, later.Tasks[0].Limbs[0].Soon = 2, 60*hours.Hour, 15*hours.Hour
	w.service("edition 2", after("53"), &EditionTaken{Chart: later})
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, DueSoon, task.State)
	assert.Equal(t, soon.Since, task.Since)
	assert.Equal(t, soon.By, task.By)
}

func TestBackDatedServiceLongBeforeTheFirstReading(t *testing.T) {
	for at, known := range map[string]bool{"5.9": false, "6.1": true} {
		w := newWorld(t, heronChart())
		w.bus(after("30"), "400.00")
		e := w.person(after("31"), &ServiceDone{Tasks: []string{"sieve-pivot/grease"}, Date: civil.None})
		e.At = moment.At(after(at))
		w.apply(e)
		require.Len(t, w.task("sieve-pivot/grease").Records, 1)
		_, ok := w.task("sieve-pivot/grease").Records[0].on("engine")
		assert.Equal(t, known, ok, at)
	}
}

func TestHeldReadingsThatDoNotFitTheNewLifeAreLetGo(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.60")
	for i, shown := range []string{"0.15", "90.00", "0.20", "0.25"} {
		w.bus(after("2").Add(hours.Millis(i)*3*hours.Minute), shown)
	}
	m := w.meter("engine")
	require.Len(t, m.Lives, 2)
	assert.Equal(t, h("2104.70"), m.Total)
	assert.Empty(t, m.Held)
}

func TestWhatIsHeldForAMovedBoxStaysHeldWhileANewLifeOpens(t *testing.T) {
	w := newWorld(t, heronChart())
	w.fromBox('a', after("1"), &BusNames{Vehicle: "TARN HERON 3"})
	w.bus(after("1"), "2104.60")
	w.bus(after("2"), "9.00")
	w.fromBox('a', after("3"), &BusNames{Vehicle: "TARN HERON 5"})
	w.bus(after("3.1"), "9.50")
	w.says(after("4"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtNewMeter})
	m := w.meter("engine")
	require.Len(t, m.Lives, 2)
	require.Len(t, m.Held, 1)
	assert.Equal(t, h("2104.60"), m.Total)
	w.says(after("5"), &DoubtAnswer{Doubt: w.s.Moved, Word: DoubtSameMachine})
	assert.Equal(t, h("2105.10"), w.meter("engine").Total)
	assert.Empty(t, w.meter("engine").Held)
}

func TestBackDatedServiceIsDueSinceTheDayItCameDue(t *testing.T) {
	w := newWorld(t, heronChart())
	for n := 1; n < 380; n++ {
		w.day(n)
	}
	e := w.person(after("9100"), &ServiceDone{Tasks: []string{"engine-sump/change"}, Date: dayOne})
	e.At = moment.At(after("2"))
	w.apply(e)
	task := w.task("engine-sump/change")
	assert.Equal(t, Due, task.State)
	assert.Equal(t, e.Key, task.By)
	assert.Equal(t, moment.At(sunrise.Add(366*24*hours.Hour)), task.Since, "the work day 2032-07-14 began")
}
