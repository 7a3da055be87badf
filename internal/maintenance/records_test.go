package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestUnknownRingsNobody(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1000.00")
	w.bus(after("400"), "1390.00")
	for i := range w.s.Tasks {
		assert.Equal(t, DueUnknown, w.s.Tasks[i].State)
		assert.True(t, w.s.Tasks[i].Cycle.IsZero())
	}
	assert.Empty(t, w.s.Notices)
}

func TestRecordOpensACycleAndClosesItsNotice(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	first := w.done(after("0"), "sieve-pivot/grease")
	assert.Equal(t, first, w.task("sieve-pivot/grease").Cycle)
	w.bus(after("60"), "451.00")
	assert.Equal(t, Due, w.task("sieve-pivot/grease").State)
	second := w.done(after("60.5"), "sieve-pivot/grease")
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, NotDue, task.State)
	assert.Equal(t, second, task.Cycle)
	assert.Equal(t, second, w.s.Notices[0].Withdrawn)
	assert.Contains(t, w.s.Notices[0].How, "done")
	assert.Equal(t, h("50"), w.counter("sieve-pivot/grease").Limbs[0].Left)

	// The next cycle rings again, under another id.
	w.bus(after("120"), "501.50")
	require.Len(t, w.s.Notices, 2)
	assert.NotEqual(t, w.s.Notices[0].ID, w.s.Notices[1].ID)
	assert.Equal(t, NoticeIDFor("heron-3", "sieve-pivot/grease", second, StageDue), w.s.Notices[1].ID)
}

func TestVoidReopensTheCycleBefore(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	first := w.done(after("0"), "sieve-pivot/grease")
	w.bus(after("40"), "440.00")
	second := w.done(after("40"), "sieve-pivot/grease")
	w.bus(after("60"), "452.00")
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)

	fx := w.says(after("61"), &Void{Record: second, Person: "p1", Why: "it was the other machine"})
	void := w.last.Key
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, void, task.Cycle, "the void opened it again")
	assert.Equal(t, Due, task.State)
	assert.Equal(t, void, task.By)
	assert.Equal(t, moment.At(after("60")), task.Since, "since the first reading beyond 450 h")
	assert.Equal(t, 1, count(fx, EffectNoticeRaised))
	assert.Equal(t, NoticeIDFor("heron-3", task.ID, void, StageDue), w.s.Notices[len(w.s.Notices)-1].ID)

	w.says(after("62"), &Void{Record: first})
	task = w.task("sieve-pivot/grease")
	assert.Equal(t, DueUnknown, task.State)
	assert.True(t, task.Cycle.IsZero())
	for _, n := range w.s.Notices {
		assert.False(t, n.Withdrawn.IsZero(), "no notice stands")
	}
}

func TestVoidOfAnEarlierRecordMovesNothing(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	first := w.done(after("0"), "sieve-pivot/grease")
	w.bus(after("40"), "440.00")
	second := w.done(after("40"), "sieve-pivot/grease")
	before := *w.task("sieve-pivot/grease")
	w.says(after("41"), &Void{Record: first})
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, second, task.Cycle)
	assert.Equal(t, before.State, task.State)
	assert.Equal(t, before.Since, task.Since)
}

func TestBackDatedRecord(t *testing.T) {
	w := newWorld(t, heronChart())
	at, shown := after("0"), h("400.00")
	w.bus(at, shown.String())
	w.done(at, "sieve-pivot/grease")
	for range 60 * 20 {
		at, shown = at.Add(3*hours.Minute), shown+busStep
		w.bus(at, shown.String())
	}
	require.Equal(t, Overdue, w.task("sieve-pivot/grease").State)

	// Done at 452.00 h, an hour of running after it was due, told at 460 h.
	e := w.person(after("60"), &ServiceDone{Tasks: []string{"sieve-pivot/grease"}, Date: civil.None, Person: "p2"})
	e.At = moment.At(after("52"))
	fx := w.apply(e)
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, NotDue, task.State)
	assert.Equal(t, e.Key, task.Cycle)
	assert.Equal(t, 1, count(fx, EffectNoticeWithdrawn))
	c := w.counter("sieve-pivot/grease")
	assert.Equal(t, h("42.00"), c.Limbs[0].Left)
	assert.Equal(t, h("452.00"), c.Limbs[0].DueAt-50*hours.Hour)

	// An older one still, from before the record that counts, moves nothing.
	e = w.person(after("60"), &ServiceDone{Tasks: []string{"sieve-pivot/grease"}, Date: civil.None, Shown: []MeterShown{{"engine", h("430")}}})
	e.At = moment.At(after("30"))
	w.apply(e)
	assert.Equal(t, c.Limbs, w.counter("sieve-pivot/grease").Limbs)
	assert.Len(t, w.task("sieve-pivot/grease").Records, 3)

	// And with three cycles kept, one older than all of them is kept out.
	e = w.person(after("60.1"), &ServiceDone{Tasks: []string{"sieve-pivot/grease"}, Date: civil.None, Shown: []MeterShown{{"engine", h("399")}}})
	e.At = moment.At(after("0").Add(-2 * hours.Hour))
	fx = w.apply(e)
	require.Equal(t, EffectRecord, fx[len(fx)-1].Kind)
	assert.Contains(t, fx[len(fx)-1].Why, "older than the 3 records")
	assert.Equal(t, c.Limbs, w.counter("sieve-pivot/grease").Limbs)
	assert.Len(t, w.task("sieve-pivot/grease").Records, 3)
}

func TestBackDatedRecordThatIsLongOverdueRingsWithItsOwnTime(t *testing.T) {
	w := newWorld(t, heronChart())
	at, shown := after("0"), h("400.00")
	for range 60 * 20 {
		w.bus(at, shown.String())
		at, shown = at.Add(3*hours.Minute), shown+busStep
	}
	e := w.person(after("60"), &ServiceDone{Tasks: []string{"sieve-pivot/grease"}, Date: civil.None, Shown: []MeterShown{{"engine", h("401")}}})
	e.At = moment.At(after("1"))
	w.apply(e)
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, Overdue, task.State)
	assert.Equal(t, e.Key, task.By)
	assert.Equal(t, moment.At(after("56")), task.Since, "401 h, 50 h and a tenth of it: 456 h")
}

func TestHoursAtTheServiceAreLookedUpByTime(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "400.00")
	w.bus(after("2"), "401.00")
	w.done(after("3.5"), "sieve-pivot/grease")
	rec := w.task("sieve-pivot/grease").Records[0]
	assert.Equal(t, []MeterShown{{"engine", h("401.00")}}, rec.Hours)
	assert.Equal(t, dayOne, rec.Date)

	// The agent had no signal: what it read before the service comes after it.
	w.bus(after("3.4"), "402.40")
	assert.Equal(t, h("402.40"), w.task("sieve-pivot/grease").Records[0].Hours[0].Shown)
	assert.Equal(t, h("50.00"), w.counter("sieve-pivot/grease").Limbs[0].Left)
	w.bus(after("3.6"), "402.50")
	assert.Equal(t, h("402.40"), w.task("sieve-pivot/grease").Records[0].Hours[0].Shown)
	assert.Equal(t, h("49.90"), w.counter("sieve-pivot/grease").Limbs[0].Left)
}

func TestHoursOfAServiceBeforeTheFirstReading(t *testing.T) {
	w := newWorld(t, heronChart())
	w.done(after("1"), "sieve-pivot/grease")
	assert.Equal(t, DueUnknown, w.task("sieve-pivot/grease").State)
	w.bus(after("1.5"), "400.00")
	// At most half an hour can have run in between.
	assert.Equal(t, h("399.50"), w.task("sieve-pivot/grease").Records[0].Hours[0].Shown)
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)

	w = newWorld(t, heronChart())
	w.done(after("1"), "sieve-pivot/grease")
	w.bus(after("26"), "400.00")
	assert.Empty(t, w.task("sieve-pivot/grease").Records[0].Hours, "more than a day: not made up")
	assert.Equal(t, DueUnknown, w.task("sieve-pivot/grease").State)
	assert.Contains(t, w.counter("sieve-pivot/grease").Limbs[0].Why, "not read at the service")
}

func TestHoursReadAtTheServiceMoveTheMeterToo(t *testing.T) {
	w := newWorld(t, heronChart())
	w.says(after("1"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("400"), Resolution: tenthHour}, Person: "p1"})
	w.done(after("1"), "sieve-pivot/grease")
	fx := w.says(after("80"), &ServiceDone{Round: "fifty", Date: civil.None, Shown: []MeterShown{{"engine", h("451.2")}}})
	assert.Equal(t, h("451.2"), w.meter("engine").Total)
	assert.Zero(t, count(fx, EffectNoticeRaised), "what the service itself put right rings nobody")
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)
	assert.Equal(t, h("50"), w.counter("sieve-pivot/grease").Limbs[0].Left)
	x, err := Explain(w.s, "sieve-pivot/grease")
	require.NoError(t, err)
	assert.Contains(t, words(x), "engine 451.20 h (read)")
}

func TestHoursReadInAnEarlierLife(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "2104.60")
	for i, shown := range []string{"0.15", "0.20", "0.25", "0.30"} {
		w.bus(after("2").Add(hours.Millis(i)*3*hours.Minute), shown)
	}
	w.bus(after("20"), "10.15")
	// Read off the old meter before it went, told now.
	e := w.person(after("20"), &ServiceDone{Round: "fifty", Date: civil.None, Shown: []MeterShown{{"engine", h("2104.5")}}})
	e.At = moment.At(after("0.9"))
	w.apply(e)
	assert.Equal(t, h("2104.5"), w.task("sieve-pivot/grease").Records[0].Hours[0].Shown)
	// Off the new one.
	w.says(after("20.1"), &ServiceDone{Round: "fifty", Date: civil.None, Shown: []MeterShown{{"engine", h("10.1")}}})
	rec := w.task("sieve-pivot/grease").latest()
	assert.Equal(t, h("2114.55"), rec.Hours[0].Shown)
}

func TestRoundCountsForItsTasksAndARecordForAllLimbs(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "400.00")
	w.fromBox('a', after("1"), &Reading{Meter: "thresher", Shown: h("300"), Resolution: hours.Second, Origin: OriginDerived})
	fx := w.says(after("1"), &ServiceDone{Round: "fifty", Date: civil.None, Person: "p1"})
	assert.Equal(t, 2, count(fx, EffectRecord))
	assert.Equal(t, NotDue, w.task("sieve-pivot/grease").State)
	assert.Equal(t, NotDue, w.task("drum-bearing/grease").State)
	assert.Equal(t, DueUnknown, w.task("engine-sump/change").State)
	w.done(after("2"), "engine-sump/change", "cab-filter/look")
	assert.Equal(t, NotDue, w.task("engine-sump/change").State)
	assert.Equal(t, NotDue, w.task("cab-filter/look").State, "by hand only: never due")
	c := w.counter("engine-sump/change")
	require.Len(t, c.Limbs, 2)
	assert.Equal(t, h("250"), c.Limbs[0].Left)
	assert.Equal(t, "2032-07-14", c.Limbs[1].DueOn.String())
}

func TestVoidOfARoundReopensAllItsTasks(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "400.00")
	w.says(after("1"), &ServiceDone{Round: "fifty", Date: civil.None})
	rec := w.last.Key
	fx := w.says(after("1"), &Void{Record: rec})
	assert.Equal(t, 2, count(fx, EffectRecord))
	assert.Equal(t, DueUnknown, w.task("sieve-pivot/grease").State)
	assert.Equal(t, DueUnknown, w.task("drum-bearing/grease").State)
}

func TestLateReadingBeyondAThresholdMovesSinceEarlier(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("0"), "sieve-pivot/grease")
	w.bus(after("60"), "452.00")
	first := *w.task("sieve-pivot/grease")
	require.Equal(t, Due, first.State)
	// Another box was nearer: it saw 450.50 h at 58.4 h, and 449 h at 57 h.
	fx := w.fromBox('b', after("58.4"), reading("450.50"))
	assert.Zero(t, count(fx, EffectNoticeRaised), "no second notice")
	task := w.task("sieve-pivot/grease")
	assert.Equal(t, moment.At(after("58.4")), task.Since)
	assert.Equal(t, w.last.Key, task.By)
	w.fromBox('b', after("57"), reading("449.00"))
	assert.Equal(t, moment.At(after("58.4")), w.task("sieve-pivot/grease").Since, "below the threshold")
	assert.Equal(t, h("452.00"), w.meter("engine").Total)
	assert.Len(t, w.s.Notices, 1)
}
