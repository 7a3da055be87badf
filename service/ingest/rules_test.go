package ingest_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

// old is a store in which a machine was opened before there were newer rules.
func old(t *testing.T) *ingesttest.Memory {
	t.Helper()
	mem := ingesttest.New()
	at := moment.Instant(noon.UnixMilli()) - 60_000
	c := commissioned(heron)
	var entries []store.Entry
	for i, body := range []maintenance.Body{&c, &maintenance.DayTurned{Date: 22_462, From: at - 3_600_000, Until: at + 20*3_600_000},
		&maintenance.EditionTaken{Chart: ingesttest.Chart()}} {
		received, err := wire.Marshal(nil, wire.Stamp{Time: at}, body)
		require.NoError(t, err)
		entries = append(entries, store.Entry{Revision: uint64(i + 1), Key: maintenance.Key{Stream: [16]byte{0x0d, byte(i)}}, Writer: maintenance.WriterService,
			At: moment.At(at), Known: at, Received: received})
	}
	require.NoError(t, mem.Append(t.Context(), []store.Stretch{{Stream: heronStream, Entries: entries}}))
	return mem
}

// kinds gives the kinds of a machine's events from a revision on.
func kinds(r *rig, from uint64) (out []maintenance.Kind) {
	r.t.Helper()
	require.NoError(r.t, r.History(r.t.Context(), heron, from, func(e *maintenance.Event, _ uint64) bool {
		out = append(out, e.Kind())
		return true
	}))
	return out
}

func TestANewMachineHasTheNewestRules(t *testing.T) {
	r := machine(t)
	assert.Equal(t, maintenance.RulesVersion, r.state(heron).Rules)
	assert.Equal(t, []maintenance.Kind{maintenance.KindCommissioned, maintenance.KindRulesChanged, maintenance.KindDayTurned}, kinds(r, 1)[:3])
	r.commission(heron)
	r.mustOffer(season(r, 1, 5).All())
	assert.Equal(t, []*maintenance.RulesChanged{{Version: maintenance.WorkRules}}, bodies[*maintenance.RulesChanged](r, heron), "once")
	require.NoError(t, r.History(t.Context(), heron, 2, func(e *maintenance.Event, _ uint64) bool {
		assert.Equal(t, maintenance.ServiceKey("rules", "2"), e.Key)
		assert.Equal(t, maintenance.WriterService, e.Writer)
		return false
	}))
}

func TestAnOlderMachineIsToldOfNewerRulesFirst(t *testing.T) {
	r := start(t, old(t))
	assert.Equal(t, maintenance.FirstRules, r.state(heron).Rules, "to look at it changes nothing")
	s := season(r, 1, 6)
	r.mustOffer(s.Batch(1, 3))
	assert.Equal(t, []maintenance.Kind{maintenance.KindRulesChanged, maintenance.KindReading, maintenance.KindReading, maintenance.KindReading}, kinds(r, 4))
	others, err := r.LastByOthers(heron)
	require.NoError(t, err)
	assert.EqualValues(t, 4, others, "its cab is to hear of it")
	r.mustOffer(s.Batch(4, 6))
	next := r.reopened()
	next.mustOffer(s.All())
	assert.Equal(t, maintenance.RulesVersion, next.state(heron).Rules)
	assert.Len(t, bodies[*maintenance.RulesChanged](next, heron), 1)
	v, err := next.Verify(t.Context(), heron, nil)
	require.NoError(t, err)
	assert.True(t, v.Same())
}

func TestAnOlderMachineTakesAnActUnderNewerRules(t *testing.T) {
	r := start(t, old(t))
	_, err := r.Act(t.Context(), heron, [16]byte{7}, moment.Span{}, &maintenance.GunMeasured{Gun: "shed-2", Micro: 1_350_000, Person: "p2"})
	require.NoError(t, err)
	require.NoError(t, r.History(t.Context(), heron, 5, func(e *maintenance.Event, _ uint64) bool {
		assert.Equal(t, maintenance.KindGunMeasured, e.Kind())
		assert.Equal(t, maintenance.WriterPerson, e.Writer)
		return false
	}))
}

func TestNewerRulesComeBeforeTheTurnOfTheDay(t *testing.T) {
	mem := old(t)
	r := build(t, mem, mem, noon.Add(24*time.Hour))
	r.run()
	require.Eventually(t, func() bool { return mem.Last(heronStream) >= 5 }, 10*time.Second, time.Millisecond)
	assert.Equal(t, []maintenance.Kind{maintenance.KindRulesChanged, maintenance.KindDayTurned}, kinds(r, 4))
}

// allergic are rules that fail on being changed.
func allergic(s *maintenance.State, e *maintenance.Event, fx []maintenance.Effect) []maintenance.Effect {
	if _, is := e.Body.(*maintenance.RulesChanged); is {
		s.Meters = nil
		panic("index out of range")
	}
	return maintenance.Apply(s, e, fx)
}

func TestRulesThatFailOnAMachineLeaveItUnderTheOldOnes(t *testing.T) {
	mem := old(t)
	r := &rig{t: t, store: mem}
	r.set(noon)
	in, err := ingest.NewWith(t.Context(), ingest.Options{Store: mem, Now: func() time.Time { return time.UnixMilli(r.clock.Load()) }}, allergic)
	require.NoError(t, err)
	r.Ingest = in
	r.run()
	s := season(r, 1, 5)
	_, err = r.offer(s.All())
	var stuck *ingest.Stuck
	require.ErrorAs(t, err, &stuck)
	r.mustOffer(s.All())
	assert.Equal(t, maintenance.FirstRules, r.state(heron).Rules)
	assert.Equal(t, shown(4), r.engine())
	assert.Empty(t, bodies[*maintenance.SetAside](r, heron), "no event is lost by it")
	assert.EqualValues(t, 1, r.Stats().Panics)
}
