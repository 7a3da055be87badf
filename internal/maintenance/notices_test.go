package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// dueWorld is a world in which the sieve pivot's grease is due at 451 h.
func dueWorld(t *testing.T) (*world, NoticeID) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("0"), "sieve-pivot/grease")
	w.bus(after("60"), "451.00")
	require.Len(t, w.s.Notices, 1)
	return w, w.s.Notices[0].ID
}

func TestLaterRingsAgainOnceAfterRunningHours(t *testing.T) {
	w, id := dueWorld(t)
	fx := w.says(after("60.1"), &NoticeAnswer{Notice: id, Word: NoticeLater, Later: 2 * hours.Hour, Person: "p1"})
	assert.Equal(t, []EffectKind{EffectNoticeAnswered}, kinds(fx))
	n := &w.s.Notices[0]
	assert.Equal(t, h("453.00"), n.LaterAt)
	assert.Equal(t, "engine", n.LaterOn)
	assert.Equal(t, "p1", n.Person)
	assert.Zero(t, count(w.bus(after("63"), "452.95"), EffectNoticeRaised))
	fx = w.bus(after("64"), "453.00")
	require.Equal(t, 1, count(fx, EffectNoticeRaised))
	for _, f := range fx {
		if f.Kind == EffectNoticeRaised {
			assert.Equal(t, "later is over", f.Why)
			assert.Equal(t, id, f.Notice)
			assert.Equal(t, 0, f.Index)
		}
	}
	assert.Zero(t, count(w.bus(after("65"), "453.50"), EffectNoticeRaised), "once")
}

func TestLaterAtTheNextHalt(t *testing.T) {
	w, id := dueWorld(t)
	w.fromBox('a', after("60.05"), &Engine{Running: true})
	w.says(after("60.1"), &NoticeAnswer{Notice: id, Word: NoticeLater})
	w.bus(after("61"), "452.00")
	fx := w.fromBox('a', after("61.5"), &Engine{Running: false})
	assert.Equal(t, []EffectKind{EffectEngine, EffectNoticeRaised}, kinds(fx))
	assert.Equal(t, "the halt has come", fx[1].Why)
	w.fromBox('a', after("61.6"), &Engine{Running: true})
	fx = w.fromBox('a', after("61.7"), &Engine{Running: false})
	assert.Equal(t, []EffectKind{EffectEngine}, kinds(fx), "once")
	fx = w.fromBox('b', after("61"), &Engine{Running: true})
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx), "a late word")
	assert.False(t, w.s.Engine.Running)
}

func TestALaterStageRingsAfreshAndClosesTheOneBefore(t *testing.T) {
	w, id := dueWorld(t)
	w.says(after("60.1"), &NoticeAnswer{Notice: id, Word: NoticeLater, Later: 10 * hours.Hour})
	fx := w.bus(after("70"), "455.00")
	assert.Equal(t, []EffectKind{EffectReadingTaken, EffectDueChanged, EffectNoticeWithdrawn, EffectNoticeRaised}, kinds(fx))
	assert.Zero(t, count(w.bus(after("80"), "461.50"), EffectNoticeRaised), "the later of the stage before is over with it")
	assert.Equal(t, VerdictRefuse, Admit(w.s, w.person(after("81"), &NoticeAnswer{Notice: id, Word: NoticeMine})).Word)
}

func TestMine(t *testing.T) {
	w, id := dueWorld(t)
	w.says(after("60.1"), &NoticeAnswer{Notice: id, Word: NoticeMine, Person: "p4"})
	assert.Equal(t, NoticeMine, w.s.Notices[0].Word)
	assert.Equal(t, "p4", w.s.Notices[0].Person)
	w.says(after("60.2"), &NoticeAnswer{Notice: id, Word: NoticeLater, Later: hours.Hour, Person: "p5"})
	w.says(after("60.3"), &NoticeAnswer{Notice: id, Word: NoticeMine, Person: "p4"})
	assert.Zero(t, count(w.bus(after("62"), "452.50"), EffectNoticeRaised), "mine takes later back")
}

func TestFates(t *testing.T) {
	w, id := dueWorld(t)
	w.service("fate 1", after("60.1"), &NoticeFate{Notice: id, Channel: "web", Word: NoticeGivenUp})
	w.service("fate 2", after("60.2"), &NoticeFate{Notice: id, Channel: "web", Word: NoticeDelivered})
	w.service("fate 3", after("60.3"), &NoticeFate{Notice: id, Channel: "mail", Word: NoticeDelivered})
	assert.Equal(t, []NoticeFateAt{{"web", NoticeDelivered, after("60.2")}, {"mail", NoticeDelivered, after("60.3")}}, w.s.Notices[0].Fates)
	fx := w.service("fate 4", after("60.4"), &NoticeFate{Notice: NoticeID{7}, Channel: "web", Word: NoticeDelivered})
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
}

func TestClosedNoticesAreBoundedAndOpenOnesKept(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	at, shown := after("0"), h("400.00")
	w.fromBox('a', at, &Reading{Meter: "thresher", Shown: h("10"), Resolution: hours.Second, Origin: OriginDerived})
	w.done(at, "drum-bearing/grease")
	w.fromBox('a', at.Add(60*hours.Hour), &Reading{Meter: "thresher", Shown: h("61"), Resolution: hours.Second, Origin: OriginDerived})
	require.Len(t, w.s.Notices, 1)
	for range 100 {
		w.done(at, "sieve-pivot/grease")
		at, shown = at.Add(60*hours.Hour), shown+52*hours.Hour
		fx := w.bus(at, shown.String())
		for _, f := range fx {
			if f.Kind == EffectNoticeRaised {
				require.Equal(t, f.Notice, w.s.Notices[f.Index].ID)
			}
		}
	}
	assert.LessOrEqual(t, len(w.s.Notices), NoticesKept+4)
	assert.Equal(t, "drum-bearing/grease", w.s.Notices[0].Task, "an open one is always kept")
}

func TestNoticeIDs(t *testing.T) {
	id := NoticeIDFor("heron-3", "a/b", Key{Seq: 1}, StageSoon)
	assert.Equal(t, id, NoticeIDFor("heron-3", "a/b", Key{Seq: 1}, StageSoon))
	for _, other := range []NoticeID{
		NoticeIDFor("heron-4", "a/b", Key{Seq: 1}, StageSoon), NoticeIDFor("heron-3", "a/c", Key{Seq: 1}, StageSoon),
		NoticeIDFor("heron-3", "a/b", Key{Seq: 2}, StageSoon), NoticeIDFor("heron-3", "a/b", Key{Seq: 1}, StageDue),
		NoticeIDFor("heron-3a", "/b", Key{Seq: 1}, StageSoon),
	} {
		assert.NotEqual(t, id, other)
	}
	assert.NotEqual(t, ServiceKey("day", "2031-07-14"), ServiceKey("day2031-07-14"))
	assert.Equal(t, ServiceKey("day", "2031-07-14"), DayKey(dayOne))
	assert.Equal(t, "not due soon due overdue", NotDue.String()+" "+StageSoon.String()+" "+StageDue.String()+" "+StageOverdue.String())
}

func TestMonthsByTheDaysTurn(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("0"), "400.00")
	w.done(after("1"), "engine-sump/change")
	for n := 1; n < 330; n++ {
		require.Zero(t, count(w.day(n), EffectNoticeRaised))
	}
	fx := w.day(330) // 2032-06-08, 36 days before 2032-07-14
	assert.Equal(t, 1, count(fx, EffectNoticeRaised))
	task := w.task("engine-sump/change")
	assert.Equal(t, DueSoon, task.State)
	assert.Equal(t, 1, task.Limb)
	assert.Equal(t, moment.At(sunrise.Add(330*24*hours.Hour)), task.Since)
	assert.Equal(t, DayKey(mustDate(2032, 6, 8)), task.By)
	assert.Equal(t, 36, w.counter("engine-sump/change").Limbs[1].DaysLeft)

	// Copies of the day, late and out of order, change nothing.
	before := w.s.Hash()
	for _, n := range []int{330, 12, 100, 330} {
		from := sunrise.Add(hours.Millis(n) * 24 * hours.Hour)
		e := &Event{Key: DayKey(dayOne.AddDays(n)), Writer: WriterService, At: moment.At(from), Known: from,
			Body: &DayTurned{Date: dayOne.AddDays(n), From: from, Until: from.Add(24 * hours.Hour)}}
		assert.Equal(t, VerdictRepeat, Admit(w.s, e).Word)
		assert.Equal(t, []EffectKind{EffectIgnored}, kinds(Apply(w.s, e, nil)))
	}
	assert.Equal(t, before, w.s.Hash())

	// Days that turned while nobody was there: only the highest stage rings.
	fx = w.day(403) // 2032-08-20
	assert.Equal(t, 1, count(fx, EffectNoticeRaised))
	assert.Equal(t, Overdue, w.task("engine-sump/change").State)
	fx = w.day(366) // late, and today stays today
	assert.Zero(t, count(fx, EffectDueChanged))
	assert.Equal(t, mustDate(2032, 8, 20), w.s.today())
}
