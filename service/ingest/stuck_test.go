package ingest_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

// brittle are rules that change half of the state and then fail on one drive.
func brittle(s *maintenance.State, e *maintenance.Event, fx []maintenance.Effect) []maintenance.Effect {
	if d, is := e.Body.(*maintenance.DriveMinute); is && d.Drive == "cursed" {
		s.Revision += 7
		s.Meters = nil
		panic("index out of range")
	}
	return maintenance.Apply(s, e, fx)
}

func startBrittle(t *testing.T, s *ingesttest.Memory) *rig {
	t.Helper()
	r := &rig{t: t, store: s}
	r.set(noon)
	in, err := ingest.NewWith(t.Context(), ingest.Options{Store: s, Now: func() time.Time { return time.UnixMilli(r.clock.Load()) }}, brittle)
	require.NoError(t, err)
	r.Ingest = in
	r.run()
	return r
}

func TestAnEventThatTheRulesFailOnHoldsUpNobody(t *testing.T) {
	r := startBrittle(t, ingesttest.New())
	r.commission(heron)
	r.commission("stork")
	s := ingesttest.NewSpool(1)
	s.Reading(r.now()-1000, shown(0))
	cursed := s.Put(wire.Stamp{Time: r.now()}, &maintenance.DriveMinute{Drive: "cursed"})
	s.Reading(r.now(), shown(0))
	_, err := r.offer(s.All())
	var stuck *ingest.Stuck
	require.ErrorAs(t, err, &stuck)
	assert.Equal(t, fault.Internal, fault.Of(err).Reason)
	assert.NotContains(t, fault.Of(err).Text, "goroutine")

	got := r.mustOffer(s.All())
	assert.EqualValues(t, 3, got.Seq, "the agent sends again, and its spool goes on")
	assert.Equal(t, shown(0), r.engine())
	aside := bodies[*maintenance.SetAside](r, heron)
	require.Len(t, aside, 1)
	assert.Equal(t, s.Events[cursed-1], aside[0].Bytes)
	assert.EqualValues(t, 1, r.Stats().Panics)

	ticket, err := r.OfferSpool(t.Context(), "stork", season(r, 2, 10).All())
	require.NoError(t, err)
	_, err = ticket.Wait(t.Context())
	require.NoError(t, err)
	r.stop()
	r.reopened() // with sound rules: the same state
}

func TestAPersonsActThatTheRulesFailOnIsNotJournalled(t *testing.T) {
	r := startBrittle(t, ingesttest.New())
	r.commission(heron)
	before := r.state(heron)
	_, err := r.Offer(t.Context(), heron, []ingest.Offered{{Key: maintenance.Key{Stream: [16]byte{4}}, Writer: maintenance.WriterService, Received: marshal(t, &maintenance.DriveMinute{Drive: "cursed"})}})
	var stuck *ingest.Stuck
	require.ErrorAs(t, err, &stuck)
	assert.Equal(t, maintenance.AppendState(nil, before), maintenance.AppendState(nil, r.state(heron)))
}

func marshal(t *testing.T, body maintenance.Body) []byte {
	t.Helper()
	b, err := wire.Marshal(nil, wire.Stamp{}, body)
	require.NoError(t, err)
	return b
}

func TestAJournalThatTheRulesFailOnHoldsUpItsMachineOnly(t *testing.T) {
	r := start(t, ingesttest.New())
	r.commission(heron)
	r.commission("stork")
	s := ingesttest.NewSpool(1)
	s.Put(wire.Stamp{Time: r.now()}, &maintenance.DriveMinute{Drive: "cursed"}) // sound rules take it
	r.mustOffer(s.All())
	r.end()
	mem := r.store.Reopen()
	mem.DropCheckpoints()
	next := startBrittle(t, mem)
	err := next.View(t.Context(), heron, func(*maintenance.State) {})
	var stuck *ingest.Stuck
	require.ErrorAs(t, err, &stuck)
	_, err = next.offer(s.All())
	require.ErrorAs(t, err, &stuck)
	var seen []string
	require.NoError(t, next.ViewEach(t.Context(), func(id string, _ *maintenance.State) bool { seen = append(seen, id); return true }))
	assert.Equal(t, []string{"stork"}, seen)
	assert.EqualValues(t, 1, next.Stats().Stuck)
	next.stop()
	sound := start(t, next.store.Reopen())
	assert.NotNil(t, sound.state(heron), "sound rules find everything as it was")
}
