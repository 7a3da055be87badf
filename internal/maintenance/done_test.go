package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func TestWhatARecordStandsFor(t *testing.T) {
	for _, c := range []struct {
		name string
		b    ServiceDone
		want []string
	}{
		{"a task", ServiceDone{Tasks: []string{"trough/look"}}, []string{"trough/look"}},
		{"a set is all its items", ServiceDone{Tasks: []string{"breather/change"}}, []string{"breather/change:left", "breather/change:right", "breather/change:rear"}},
		{"two of three", ServiceDone{Tasks: []string{"breather/change:left", "breather/change:rear"}}, []string{"breather/change:left", "breather/change:rear"}},
		{"what it covers, once each, in a ring too", ServiceDone{Tasks: []string{"trough/overhaul"}}, []string{"trough/overhaul", "trough/sweep", "trough/look"}},
		{"a round without forbidden work", ServiceDone{Round: "dusk"}, []string{"crank-bearing/grease", "trough/wear", "reel-cam/grease"}},
		{"forbidden work that is named is kept", ServiceDone{Tasks: []string{"hub/oil"}}, []string{"hub/oil"}},
		{"what failed is not done", ServiceDone{Round: "dusk", Failed: []string{"trough/wear"}}, []string{"crank-bearing/grease", "reel-cam/grease"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newLogWorld(t)
			assert.Equal(t, c.want, w.with(w.logs(after("1"), c.b)))
		})
	}
}

func TestARoundLeavesOutWhatIsNotOnThisMachine(t *testing.T) {
	w := newLogWorld(t)
	w.task("trough/wear").Build = BuildNot
	w.task("reel-cam/grease").Build = BuildAsked
	assert.Equal(t, []string{"crank-bearing/grease", "reel-cam/grease"}, w.with(w.logs(after("1"), ServiceDone{Round: "dusk"})))
}

func TestTheThirdOfThreeStaysDue(t *testing.T) {
	w := newLogWorld(t)
	w.logs(after("0.1"), ServiceDone{Tasks: []string{"breather/change"}})
	w.bus(after("110"), "1100.00")
	w.logs(after("110"), ServiceDone{Tasks: []string{"breather/change:left", "breather/change:right"}})
	assert.Equal(t, NotDue, w.task("breather/change:left").State)
	assert.Equal(t, NotDue, w.task("breather/change:right").State)
	assert.Equal(t, Due, w.task("breather/change:rear").State)
}

func TestOneActAndOneUndo(t *testing.T) {
	w := newLogWorld(t)
	key := w.logs(after("1"), ServiceDone{Round: "dusk"})
	w.says(after("2"), &Void{Record: key})
	assert.Empty(t, w.with(key))
	assert.Equal(t, DueUnknown, w.task("crank-bearing/grease").State)
}

func TestUnderTheFirstRulesNothingOfItHasEffect(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "1000.00")
	w.says(after("1"), &ServiceDone{Tasks: []string{"sieve-pivot/grease"}, Date: dayOne, As: "operator", About: true, ShieldsOff: 3,
		Materials: []MaterialUsed{{Material: "blue", Milli: 1000, Unit: "stroke"}}, Found: []AsFound{{Task: "sieve-pivot/grease", Word: FoundDry}}})
	r := w.task("sieve-pivot/grease").latest()
	require.NotNil(t, r)
	assert.Empty(t, r.As)
	assert.False(t, r.About)
	assert.Zero(t, r.Said)
	assert.Empty(t, w.s.Used)
	assert.Empty(t, w.s.FoundAt)
	assert.Empty(t, w.s.Remarks)
	assert.Nil(t, Says(w.s, w.last))
}

func TestWhoMayDoIt(t *testing.T) {
	for _, c := range []struct {
		name, task, as string
		waits          bool
	}{
		{"not said counts as before", "trough/overhaul", "", false},
		{"a dealer's work by a technician", "trough/overhaul", "technician", true},
		{"a dealer's work by a dealer", "trough/overhaul", "dealer", false},
		{"a technician's work by an operator", "chopper-belt/renew", "operator", true},
		{"a technician's work by a dealer", "chopper-belt/renew", "dealer", false},
		{"an operator's work by anyone", "crank-bearing/grease", "anyone", true},
		{"anyone's work by an operator", "trough/look", "operator", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newLogWorld(t)
			key := w.logs(after("1"), ServiceDone{Tasks: []string{c.task}, As: c.as})
			task := w.task(c.task)
			require.NotEmpty(t, task.Records)
			r := &task.Records[0]
			assert.Equal(t, c.waits, r.Waiting)
			assert.Equal(t, c.waits, r.Said&SaidWho != 0)
			if c.waits {
				assert.Nil(t, task.latest())
				assert.Equal(t, DueUnknown, task.State)
				assert.Positive(t, count(w.fx, EffectSaid))
			} else {
				assert.Equal(t, key, task.latestKey())
			}
		})
	}
}

func TestAWaitingRecordCountsOnceItIsConfirmed(t *testing.T) {
	w := newLogWorld(t)
	key := w.logs(after("1"), ServiceDone{Tasks: []string{"chopper-belt/renew"}, As: "operator"})
	v := w.refuses(after("2"), &Confirmed{Record: key, As: "operator"})
	assert.Equal(t, "as", v.Field)
	assert.Contains(t, v.Why, "technician")
	w.refuses(after("2"), &Confirmed{Record: key})
	w.refuses(after("2"), &Confirmed{Record: key, As: "harvester"})
	w.refuses(after("2"), &Confirmed{Record: Key{Stream: [16]byte{9}}, As: "dealer"})

	w.says(after("2"), &Confirmed{Record: key, As: "dealer", Person: "p1"})
	confirm := w.last.Key
	task := w.task("chopper-belt/renew")
	assert.Equal(t, NotDue, task.State)
	assert.Equal(t, confirm, task.Cycle, "the word opened the cycle")
	assert.Equal(t, confirm, task.Records[0].Confirm)
	assert.Equal(t, h("1000"), w.counter("chopper-belt/renew").Limbs[0].DueAt-h("600"), "counted from when it was done")
	w.refuses(after("3"), &Confirmed{Record: key, As: "dealer"})

	w.says(after("3"), &Void{Record: key})
	assert.Equal(t, DueUnknown, w.task("chopper-belt/renew").State)
	w.refuses(after("4"), &Confirmed{Record: key, As: "dealer"})
}

func TestAWaitingRecordLeavesTheCycleBefore(t *testing.T) {
	w := newLogWorld(t)
	first := w.logs(after("1"), ServiceDone{Tasks: []string{"chopper-belt/renew"}, As: "technician"})
	for i := range 12 {
		w.logs(after("10").Add(hours.Millis(6*i)*hours.Hour), ServiceDone{Tasks: []string{"chopper-belt/renew"}, As: "operator"})
	}
	task := w.task("chopper-belt/renew")
	assert.Equal(t, first, task.latestKey())
	assert.LessOrEqual(t, len(task.Records), RecordsKept)
}

func TestAboutThatTime(t *testing.T) {
	w := newLogWorld(t)
	w.says(after("5"), &HandReading{Reading: Reading{Meter: "reel", Shown: h("90"), Resolution: tenthHour}})
	e := w.person(sunrise.Add(-900*hours.Hour), &ServiceDone{Tasks: []string{"crank-bearing/grease"}, Date: dayOne.AddDays(-37), About: true})
	e.Known = after("6")
	w.apply(e)
	task := w.task("crank-bearing/grease")
	require.NotNil(t, task.latest())
	assert.True(t, task.latest().About)
	assert.Empty(t, task.latest().Hours, "no meter was read yet")
	assert.Equal(t, DueUnknown, task.State)
	assert.Empty(t, w.s.Notices, "unknown rings nobody")
	w.logs(after("7"), ServiceDone{Tasks: []string{"crank-bearing/grease"}, About: true})
	assert.Equal(t, NotDue, w.task("crank-bearing/grease").State)
}

func TestWhatARecordMayNotSay(t *testing.T) {
	w := newLogWorld(t)
	look := []string{"trough/look"}
	for _, c := range []struct {
		name, field, do string
		b               ServiceDone
	}{
		{"an unknown task", "tasks", "chart", ServiceDone{Tasks: []string{"trough/paint"}}},
		{"an unknown part in the trade", "as", "technician", ServiceDone{Tasks: look, As: "driver"}},
		{"an unknown task failed", "failed", "chart", ServiceDone{Tasks: look, Failed: []string{"trough/paint"}}},
		{"done and failed", "failed", "one of the two", ServiceDone{Tasks: look, Failed: look}},
		{"an unknown part", "parts", "chart", ServiceDone{Tasks: look, Parts: []PartFitted{{Part: "sieve"}}}},
		{"an unknown variant", "parts", "woven", ServiceDone{Tasks: look, Parts: []PartFitted{{Part: "chopper-belt", Variant: "steel"}}}},
		{"a part twice", "parts", "once", ServiceDone{Tasks: look, Parts: []PartFitted{{Part: "chopper-belt"}, {Part: "chopper-belt", Off: true}}}},
		{"a gun that was never measured", "materials", "weigh", ServiceDone{Tasks: look, Materials: []MaterialUsed{{Material: "blue", Milli: 1000, Unit: "stroke", Gun: "red"}}}},
		{"a material for an unknown task", "materials", "chart", ServiceDone{Tasks: look, Materials: []MaterialUsed{{Material: "blue", Task: "trough/paint"}}}},
		{"found at an unknown task", "found", "chart", ServiceDone{Tasks: look, Found: []AsFound{{Task: "trough/paint", Word: FoundDry}}}},
		{"an unknown criterion", "seen", "floor", ServiceDone{Tasks: look, Seen: []SeenWord{{Task: "trough/wear", Criterion: "lid"}}}},
		{"another unit", "measured", "mm", ServiceDone{Tasks: []string{"trough/wear"}, Measured: []Measured{{Spot: "mid", Micro: 1, Unit: "in"}}}},
		{"an unknown spot", "measured", "far", ServiceDone{Tasks: []string{"trough/wear"}, Measured: []Measured{{Spot: "top", Micro: 1, Unit: "mm"}}}},
		{"nothing that is measured", "measured", "task", ServiceDone{Tasks: look, Measured: []Measured{{Micro: 1, Unit: "mm"}}}},
		{"an unknown remark", "closes", "open remarks", ServiceDone{Tasks: look, Closes: []Key{{Stream: [16]byte{4}}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := w.refuses(after("1"), &c.b)
			assert.Equal(t, c.field, v.Field)
			assert.Contains(t, v.Do, c.do)
		})
	}
}

func TestWhatFailedIsRememberedUntilTheRecordIsVoid(t *testing.T) {
	w := newLogWorld(t)
	key := w.logs(after("1"), ServiceDone{Failed: []string{"trough/look"}, Person: "p2"})
	require.Len(t, w.s.Happened, 1)
	assert.Equal(t, HappenedFailed, w.s.Happened[0].Kind)
	assert.Equal(t, "trough/look", w.s.Happened[0].Name)
	assert.Empty(t, w.with(key))
	w.says(after("2"), &Void{Record: key})
	assert.Empty(t, w.s.Happened)
	w.refuses(after("3"), &Void{Record: key})
}
