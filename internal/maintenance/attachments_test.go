package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func (w *world) reel(at string, shown string) []Effect {
	w.t.Helper()
	return w.fromBox('a', after(at), &Reading{Meter: "reel", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived})
}

func (w *world) reelHead(at string, on bool, piece, shown string, carried ...CarriedRecord) []Effect {
	w.t.Helper()
	b := &Attachment{Attachment: "reel-head", Piece: piece, On: on, Person: "p1", Carried: carried}
	if shown != "" {
		b.Shown = []MeterShown{{"reel", h(shown)}}
	}
	return w.service("reel head "+at, after(at), b)
}

func TestAnAttachmentsOwnHoursGoOn(t *testing.T) {
	for _, shown := range []string{"40", "900"} { // less and more than the one before had
		w := newLogWorld(t)
		w.reel("1", "300.00")
		w.reelHead("2", false, "head-1", "300.9")
		assert.Equal(t, h("300.9"), w.meter("reel").Total)
		fx := w.reel("3", "301.50")
		assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
		assert.Contains(t, fx[0].Why, "taken off")
		assert.Equal(t, h("300.9"), w.meter("reel").Total, "off: it does not count")
		w.refuses(after("3"), &ServiceDone{Tasks: []string{"trough/look"}, Date: civil.None, Shown: []MeterShown{{"reel", h("301")}}})

		w.reelHead("4", true, "head-2", shown)
		m := w.meter("reel")
		assert.Equal(t, h(shown), m.Total)
		assert.Contains(t, m.Lives[len(m.Lives)-1].Why, "head-2 put on")
		w.reel("6", shown+".75")
		assert.Equal(t, h(shown+".75"), w.meter("reel").Total)
		assert.Empty(t, w.meter("reel").Held)
		assert.Empty(t, w.s.Doubts)
		fx = w.fromBox('b', after("1.5"), &Reading{Meter: "reel", Shown: h("300.4"), Resolution: hours.Second, Origin: OriginDerived})
		assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx), "of the piece before")
		assert.Equal(t, h(shown+".75"), w.meter("reel").Total)
	}
}

func TestLateReadingsFromBeforeItWasTakenOffCount(t *testing.T) {
	w := newLogWorld(t)
	w.reel("1", "300.00")
	w.reelHead("5", false, "head-1", "")
	w.fromBox('b', after("4"), &Reading{Meter: "reel", Shown: h("302"), Resolution: hours.Second, Origin: OriginDerived})
	assert.Equal(t, h("302"), w.meter("reel").Total)
}

func TestRecordsMoveWithTheirAttachment(t *testing.T) {
	w := newLogWorld(t)
	w.reelHead("0.5", true, "head-1", "300")
	w.reel("1", "300.40")
	w.logs(after("1"), ServiceDone{Tasks: []string{"reel-cam/grease", "crank-bearing/grease"}, Date: dayOne, Person: "p2"})
	record := w.last.Key
	w.reel("40", "331.00")
	assert.Equal(t, Due, w.task("reel-cam/grease").State)
	w.reelHead("41", false, "head-1", "")
	assert.Equal(t, DueUnknown, w.task("reel-cam/grease").State, "not due while it is off")
	for _, n := range w.s.Notices {
		assert.False(t, n.Task == "reel-cam/grease" && n.Withdrawn.IsZero())
	}
	assert.False(t, w.s.attached("reel-cam"))
	assert.True(t, w.s.attached("trough"))
	assert.NotContains(t, w.with(w.logs(after("41.5"), ServiceDone{Round: "dusk"})), "reel-cam/grease", "a round leaves it out")

	shown, carried := w.s.CarryOut("reel-head")
	assert.Equal(t, []MeterShown{{"reel", h("331")}}, shown)
	assert.Equal(t, []CarriedRecord{{Record: record, Task: "reel-cam/grease", At: moment.At(after("1")), Date: dayOne,
		Hours: []MeterShown{{"reel", h("300.4")}}, Person: "p2"}}, carried, "its own meter alone, and its own tasks")

	// Another machine, where another head stood before.
	o := newLogWorld(t)
	o.act = 50 // keys of its own
	o.reelHead("0.5", true, "head-9", "20")
	former := o.logs(after("2"), ServiceDone{Tasks: []string{"reel-cam/grease"}, Date: dayOne})
	o.reelHead("3", false, "head-9", "")
	o.reelHead("42", true, "head-1", "331", carried...)
	task := o.task("reel-cam/grease")
	require.NotNil(t, task.latest())
	assert.Equal(t, record, task.latest().Record)
	assert.True(t, task.latest().Carried)
	assert.Empty(t, o.with(former))
	assert.Equal(t, Due, task.State, "30.6 h since, of 30 h")
	assert.Equal(t, -h("0.6"), o.counter("reel-cam/grease").Limbs[0].Left)
	o.logs(after("43"), ServiceDone{Tasks: []string{"reel-cam/grease"}, Date: dayOne})
	assert.Equal(t, NotDue, o.task("reel-cam/grease").State)
	assert.Empty(t, o.s.Doubts, "no same act with a carried record")
}

func TestAnotherPieceWithoutAFigureWaitsForItsFirstReading(t *testing.T) {
	w := newLogWorld(t)
	w.reelHead("0.5", true, "head-1", "300")
	w.reelHead("1", false, "head-1", "")
	w.reelHead("2", true, "head-2", "")
	assert.Empty(t, w.meter("reel").Lives)
	w.reel("3", "12.00")
	assert.Equal(t, h("12"), w.meter("reel").Total)
	w.reelHead("4", false, "head-2", "")
	w.reelHead("5", true, "head-2", "")
	w.reel("6", "12.50")
	assert.Equal(t, h("12.5"), w.meter("reel").Total, "the same piece goes on")
	assert.Len(t, w.meter("reel").Lives, 1)
}

func TestWhatAnAttachmentMayNotSay(t *testing.T) {
	w := newLogWorld(t)
	w.reelHead("0.5", true, "head-1", "300")
	for _, b := range []*Attachment{
		{Attachment: "plough", On: true},
		{Attachment: "reel-head", Piece: "head-2", On: true},
		{Attachment: "reel-head", Shown: []MeterShown{{"engine", h("1")}}},
		{Attachment: "reel-head", Carried: []CarriedRecord{{Record: Key{Seq: 1}, Task: "trough/look", Date: civil.None}}},
	} {
		v := Admit(w.s, &Event{Key: ServiceKey("no"), Writer: WriterService, At: moment.At(after("1")), Known: after("1"), Body: b})
		assert.Equal(t, VerdictRefuse, v.Word, "%+v", b)
	}
	w.reelHead("1", false, "head-1", "")
	v := Admit(w.s, &Event{Key: ServiceKey("no"), Writer: WriterService, At: moment.At(after("2")), Known: after("2"), Body: &Attachment{Attachment: "reel-head"}})
	assert.Contains(t, v.Why, "off already")
}

func TestASaleLeavesTheRecords(t *testing.T) {
	sale := func(w *world, at, to string) {
		w.service("sale "+to, after(at), &HandedOver{Customer: to, Site: to + "-yard", Zone: "Etc/UTC", TurnsAt: 300, Person: "p1"})
	}
	var last []byte
	for _, order := range [][]string{{"a", "b", "c"}, {"c", "a", "b"}, {"b", "c", "a"}} {
		w := newLogWorld(t)
		w.s.Machine.Customer = "first"
		key := w.logs(after("1"), ServiceDone{Tasks: []string{"trough/look"}, Date: dayOne})
		for _, to := range order {
			sale(w, map[string]string{"a": "10", "b": "20", "c": "30"}[to], to)
		}
		assert.Equal(t, "c", w.s.Machine.Customer)
		assert.Equal(t, "c-yard", w.s.Machine.Site)
		assert.EqualValues(t, 300, w.s.Machine.TurnsAt)
		require.Len(t, w.s.Owners, 3)
		for i, want := range []string{"first", "a", "b"} {
			assert.Equal(t, want, w.s.Owners[i].Customer, "%v", order)
		}
		assert.Equal(t, moment.At(after("20")), w.s.Owners[1].Until)
		assert.Equal(t, []string{"trough/look"}, w.with(key))
		now := AppendState(nil, &State{Machine: w.s.Machine, Owners: w.s.Owners})
		if last != nil {
			assert.Equal(t, last, now)
		}
		last = now
	}
}
