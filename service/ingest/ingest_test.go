package ingest_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/live"
)

func TestAcknowledgedMeansSynced(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 10)
	arrived, release := r.store.Hold()
	ticket, err := r.OfferSpool(t.Context(), heron, s.All())
	require.NoError(t, err)
	<-arrived
	select {
	case <-ticket.Done():
		t.Fatal("acknowledged before the sync")
	default:
	}
	seen := make(chan hours.Millis, 1)
	go func() {
		var total hours.Millis
		err := r.View(t.Context(), heron, func(s *maintenance.State) { total = s.Meters[0].Total })
		if err == nil {
			seen <- total
		}
	}()
	select {
	case <-seen:
		t.Fatal("a reader was shown what is not on disk")
	case <-time.After(20 * time.Millisecond):
	}
	release()
	got, err := ticket.Wait(t.Context())
	require.NoError(t, err)
	assert.EqualValues(t, 10, got.Seq)
	assert.Equal(t, shown(9), <-seen)
}

func TestRepeats(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	got := r.mustOffer(s.Batch(1, 60))
	assert.Equal(t, 60, got.Taken)
	revision := got.Revision
	for _, again := range [][2]uint64{{1, 60}, {1, 30}, {60, 60}, {31, 60}} {
		got = r.mustOffer(s.Batch(again[0], again[1]))
		assert.Zero(t, got.Taken)
		assert.EqualValues(t, again[1]-again[0]+1, got.Repeats)
		assert.Equal(t, revision, got.Revision)
		assert.EqualValues(t, 60, got.Seq)
	}
	got = r.mustOffer(s.Batch(41, 100))
	assert.Equal(t, 20, got.Repeats)
	assert.Equal(t, 40, got.Taken)
	assert.Equal(t, shown(99), r.engine())
	r.reopened()
}

func TestARepeatOfWhatIsQueuedWaitsForTheDisk(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 10)
	arrived, release := r.store.Hold()
	_, err := r.OfferSpool(t.Context(), heron, s.All())
	require.NoError(t, err)
	<-arrived
	again, err := r.OfferSpool(t.Context(), heron, s.All())
	require.NoError(t, err)
	select {
	case <-again.Done():
		t.Fatal("the repeat was acknowledged before the first was on disk")
	default:
	}
	release()
	_, err = again.Wait(t.Context())
	require.NoError(t, err)
}

func TestGap(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	r.mustOffer(s.Batch(1, 10))
	_, err := r.offer(s.Batch(12, 20))
	var gap *ingest.Gap
	require.ErrorAs(t, err, &gap)
	assert.EqualValues(t, 11, gap.Want)
	assert.Equal(t, fault.SpoolGap, fault.Of(err).Reason)
	r.mustOffer(s.Batch(11, 20))
}

func TestReorderedBatchesLoseNothing(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 90)
	for _, b := range [][2]uint64{{31, 60}, {1, 30}, {61, 90}, {31, 60}, {1, 90}, {61, 90}} {
		var gap *ingest.Gap
		if _, err := r.offer(s.Batch(b[0], b[1])); !errors.As(err, &gap) {
			require.NoError(t, err)
		}
	}
	assert.Equal(t, shown(89), r.engine())
	assert.Len(t, bodies[*maintenance.Reading](r, heron), 90)
}

func TestForkOfACopiedSpool(t *testing.T) {
	r := machine(t)
	a := season(r, 1, 50)
	b := a.Copy()
	r.set(noon.Add(time.Hour))
	for i := range 10 {
		at := moment.Instant(noon.UnixMilli() + int64(i+1)*60_000)
		a.Reading(at, shown(50+i))
		b.Reading(at, shown(51+i))
	}
	r.mustOffer(a.Batch(1, 55))
	revision := r.state(heron).Revision
	for name, sb := range map[string]*ingest.SpoolBatch{
		"goes on behind": b.Batch(56, 60), "overlaps": b.Batch(40, 60), "ends where the record does": b.Batch(51, 55), "one at the end": b.Batch(55, 55),
	} {
		_, err := r.offer(sb)
		var fork *ingest.Fork
		require.ErrorAs(t, err, &fork, name)
		assert.EqualValues(t, 55, fork.Seq, name)
		assert.Equal(t, fault.SpoolForked, fault.Of(err).Reason, name)
	}
	assert.Equal(t, revision+1, r.state(heron).Revision, "nothing else was taken")
	found := bodies[*maintenance.Finding](r, heron)
	require.Len(t, found, 1, "said once, in the journal too")
	assert.Equal(t, "spool-forked", found[0].Finding)
	assert.EqualValues(t, 4, r.Stats().Forks)
	r.mustOffer(a.Batch(56, 60))
	assert.Equal(t, shown(59), r.engine(), "the spool on record goes on")
	r.reopened()
}

func TestAnotherEpochGoesOn(t *testing.T) {
	r := machine(t)
	r.mustOffer(season(r, 1, 50).All())
	r.set(noon.Add(time.Hour))
	next := ingesttest.NewSpool(2)
	next.Reading(r.now(), shown(110))
	r.mustOffer(next.All())
	assert.Equal(t, shown(110), r.engine())
	assert.Len(t, r.state(heron).Epochs, 2)
}

func TestBadEventsAreSetAside(t *testing.T) {
	r := machine(t)
	s := ingesttest.NewSpool(1)
	s.Reading(r.now()-5000, shown(0))
	nonsense := s.Raw([]byte("\xff\xff nonsense"))
	empty, err := wire.Marshal(nil, wire.Stamp{Time: r.now()}, &maintenance.DriveMinute{Drive: "x"})
	require.NoError(t, err)
	noBody := s.Raw(empty[:7]) // a time and no body
	below := s.Put(wire.Stamp{Time: r.now()}, &maintenance.Reading{Meter: "engine", Shown: -1, Resolution: 1, Origin: 1})
	service := s.Put(wire.Stamp{Time: r.now()}, &maintenance.Season{Season: "summer", Open: true})
	unknown := s.Put(wire.Stamp{Time: r.now()}, &maintenance.NoticeAnswer{Word: maintenance.NoticeMine})
	huge := s.Raw(make([]byte, wire.MaxEvent+1))
	s.Reading(r.now(), shown(0))
	got := r.mustOffer(s.All())
	var seqs []uint64
	for _, n := range got.SetAside {
		seqs = append(seqs, n.Seq)
		assert.NotEmpty(t, n.Reason)
	}
	assert.Equal(t, []uint64{nonsense, noBody, below, service, unknown, huge}, seqs)
	assert.Equal(t, 8, got.Taken)
	assert.EqualValues(t, 8, got.Seq)
	assert.Equal(t, shown(0), r.engine(), "those before and behind count")
	aside := bodies[*maintenance.SetAside](r, heron)
	require.Len(t, aside, 6)
	assert.Equal(t, s.Events[nonsense-1], aside[0].Bytes, "kept as received")
	assert.Len(t, aside[5].Bytes, 64<<10, "cut at 64 KiB")
	again := r.mustOffer(s.All())
	assert.Equal(t, 8, again.Repeats, "the rolling hash goes over them")
	s.Reading(r.now()+1, shown(0))
	r.mustOffer(s.Batch(9, 9))
	r.reopened()
}

func TestMalformedBatchesChangeNothing(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 10)
	before := r.state(heron).Revision
	cases := map[string]func(*ingest.SpoolBatch){
		"first_sequence": func(b *ingest.SpoolBatch) { b.First = 0 },
		"fewer runs":     func(b *ingest.SpoolBatch) { b.Events = append(b.Events, nil) },
		"more runs":      func(b *ingest.SpoolBatch) { b.Thinned = make([]ingest.ThinnedRun, 1) },
		"thinned.count": func(b *ingest.SpoolBatch) {
			b.Events, b.Thinned = append(b.Events, nil), []ingest.ThinnedRun{{Count: 0, HashAfter: [32]byte{1}}}
		},
		"events": func(b *ingest.SpoolBatch) {
			b.Events, b.Thinned = append(b.Events, nil), []ingest.ThinnedRun{{Count: 1 << 63, HashAfter: [32]byte{1}}}
		},
		"no room":        func(b *ingest.SpoolBatch) { b.First = 1<<63 - 5 },
		"4097 events":    func(b *ingest.SpoolBatch) { b.Events = make([][]byte, 4097) },
		"bytes, at most": func(b *ingest.SpoolBatch) { b.Events = [][]byte{make([]byte, 4<<20+1)} },
	}
	for text, spoil := range cases {
		sb := s.All()
		spoil(sb)
		_, err := r.offer(sb)
		var bad *ingest.Malformed
		require.ErrorAs(t, err, &bad, text)
		assert.ErrorContains(t, err, text)
	}
	assert.Equal(t, before, r.state(heron).Revision)
}

func TestThinnedRuns(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	r.mustOffer(s.Batch(1, 20))
	gone := func(first, last uint64) *ingest.SpoolBatch {
		return &ingest.SpoolBatch{Epoch: s.Epoch, First: first, Previous: s.Hashes[first-1], Events: [][]byte{nil, s.Events[last]},
			Thinned: []ingest.ThinnedRun{{Count: last - first + 1, HashAfter: s.Hashes[last]}}}
	}
	got := r.mustOffer(gone(21, 40))
	assert.Equal(t, 2, got.Taken)
	assert.EqualValues(t, 41, got.Seq)
	// A run over what is on record in part: the agent thinned what it had sent.
	got = r.mustOffer(gone(31, 60))
	assert.EqualValues(t, 61, got.Seq)
	thinned := bodies[*maintenance.Thinned](r, heron)
	require.Len(t, thinned, 2)
	assert.EqualValues(t, 20, thinned[0].Events)
	assert.EqualValues(t, 19, thinned[1].Events, "42 to 60")
	assert.EqualValues(t, 39, r.Stats().Thinned)
	r.mustOffer(s.Batch(62, 100))
	assert.Equal(t, shown(99), r.engine(), "the meter is cumulative: no hours are lost")
	r.reopened()
}

func TestARestoredServiceIsToldWhatIsGone(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	r.mustOffer(s.All())
	r.stop()
	older := start(t, r.store.Restored("machines/"+heron, r.store.Last("machines/"+heron)-60))
	end, err := older.SpoolEnd(t.Context(), heron, s.Epoch)
	require.NoError(t, err)
	assert.EqualValues(t, 41, end.Next)
	assert.Equal(t, s.Hashes[40], end.Hash)
	assert.NotEqual(t, r.Incarnation(), older.Incarnation())
	// The agent has trimmed up to 70.
	got := older.mustOffer(&ingest.SpoolBatch{Epoch: s.Epoch, First: 41, Previous: s.Hashes[40], Events: append([][]byte{nil}, s.Events[70:]...),
		Thinned: []ingest.ThinnedRun{{Count: 30, HashAfter: s.Hashes[70]}}})
	assert.EqualValues(t, 100, got.Seq)
	assert.Equal(t, shown(99), older.engine())
}

func TestPersonsActs(t *testing.T) {
	r := machine(t)
	ctx := t.Context()
	s := season(r, 1, 30)
	r.mustOffer(s.All())
	done := &maintenance.ServiceDone{Round: "fifty", Person: "p1"}
	got, err := r.Act(ctx, heron, [16]byte{1}, moment.Span{}, done)
	require.NoError(t, err)
	assert.Equal(t, 1, got.Taken)
	assert.NotEmpty(t, got.Effects)
	state := r.state(heron)
	require.Len(t, state.Tasks[0].Records, 1)
	assert.Equal(t, maintenance.NotDue, state.Tasks[0].State)

	again, err := r.Act(ctx, heron, [16]byte{1}, moment.Span{}, done)
	require.NoError(t, err)
	assert.Equal(t, 1, again.Repeats)
	assert.Equal(t, got.Revision, again.Revision)

	for name, c := range map[string]struct {
		body  maintenance.Body
		field string
	}{
		"no such task":    {&maintenance.ServiceDone{Tasks: []string{"roof/paint"}}, "tasks"},
		"no such notice":  {&maintenance.NoticeAnswer{Notice: maintenance.NoticeID{9}, Word: maintenance.NoticeMine}, "notice"},
		"hours below 0":   {&maintenance.HandReading{Reading: maintenance.Reading{Meter: "engine", Shown: -1, Resolution: 1, Origin: maintenance.OriginPerson}}, "shown"},
		"name not a text": {&maintenance.Void{Record: maintenance.Key{Stream: [16]byte{1}}, Why: "\xff"}, ""},
	} {
		_, err := r.Act(ctx, heron, [16]byte{2}, moment.Span{}, c.body)
		var refused *ingest.Refused
		require.ErrorAs(t, err, &refused, name)
		assert.Contains(t, refused.Field, c.field, name)
	}
	assert.Equal(t, got.Revision, r.state(heron).Revision)
	_, err = r.Act(ctx, "nobody", [16]byte{2}, moment.Span{}, done)
	var unknown *ingest.UnknownMachine
	require.ErrorAs(t, err, &unknown)
	assert.Equal(t, fault.NotFound, fault.Of(err).Reason)
	r.reopened()
}

func TestCommission(t *testing.T) {
	r := start(t, ingesttest.New())
	ctx := t.Context()
	require.NoError(t, r.Commission(ctx, commissioned(heron)))
	revision := r.state(heron).Revision
	require.NoError(t, r.Commission(ctx, commissioned(heron)), "the same again")
	assert.Equal(t, revision, r.state(heron).Revision)
	other := commissioned(heron)
	other.Site = "hill"
	err := r.Commission(ctx, other)
	assert.Equal(t, fault.AlreadyExists, fault.Of(err).Reason)
	for field, spoil := range map[string]func(*maintenance.Commissioned){
		"zone":    func(c *maintenance.Commissioned) { c.Zone = "Nowhere/Ford" },
		"machine": func(c *maintenance.Commissioned) { c.Machine = "two words" },
		"UTF-8":   func(c *maintenance.Commissioned) { c.Display = "\xff" },
	} {
		c := commissioned("stork")
		spoil(&c)
		err := r.Commission(ctx, c)
		var refused *ingest.Refused
		require.ErrorAs(t, err, &refused, field)
		assert.ErrorContains(t, err, field)
	}
	var all []string
	for id := range r.Machines {
		all = append(all, id)
	}
	assert.Equal(t, []string{heron}, all, "a machine that was refused isn't there")
}

func TestGracefulStopLosesNothing(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 500)
	arrived, release := r.store.Hold()
	var tickets []*ingest.Ticket
	for first := uint64(1); first < 500; first += 50 {
		ticket, err := r.OfferSpool(t.Context(), heron, s.Batch(first, first+49))
		require.NoError(t, err)
		tickets = append(tickets, ticket)
	}
	<-arrived
	stopped := make(chan error, 1)
	go func() { stopped <- r.end() }()
	release()
	require.NoError(t, <-stopped)
	for _, ticket := range tickets {
		_, err := ticket.Wait(t.Context())
		require.NoError(t, err)
	}
	_, err := r.offer(s.Batch(500, 500))
	require.ErrorIs(t, err, ingest.ErrStopped)
	assert.Equal(t, fault.Stopping, fault.Of(err).Reason)
	assert.Equal(t, shown(499), r.engine(), "what is on disk can still be read")
	next := r.reopened()
	end, err := next.SpoolEnd(t.Context(), heron, s.Epoch)
	require.NoError(t, err)
	assert.EqualValues(t, 501, end.Next)
}

func TestAFailedAppendAcknowledgesNothingAndStops(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	r.mustOffer(s.Batch(1, 50))
	r.store.DieAt(1, false)
	_, err := r.offer(s.Batch(51, 100))
	require.ErrorIs(t, err, ingest.ErrStopped)
	require.ErrorIs(t, err, store.ErrBroken)
	assert.Equal(t, fault.JournalStopped, fault.Of(err).Reason)
	require.ErrorIs(t, r.end(), store.ErrBroken, "Run says so")
	_, err = r.offer(s.Batch(51, 100))
	require.ErrorIs(t, err, ingest.ErrStopped)
	err = r.View(t.Context(), heron, func(*maintenance.State) {})
	require.ErrorIs(t, err, ingest.ErrStopped, "the state is ahead of the disk: it is not shown")
	assert.True(t, r.Stats().Stopped)
	next := start(t, r.store.Reopen())
	assert.Equal(t, shown(49), next.engine())
	next.mustOffer(s.All())
	assert.Equal(t, shown(99), next.engine())
}

// A wait inside the gate would keep it from being shut, and hang for ever.
func TestAFailedAppendEndsEveryCommissioning(t *testing.T) {
	r := machine(t)
	r.store.DieAt(1, false)
	ended := make(chan error, 3)
	for i := range cap(ended) {
		go func() { ended <- r.Commission(t.Context(), commissioned(fmt.Sprintf("wader-%d", i))) }()
	}
	for range cap(ended) {
		require.ErrorIs(t, <-ended, ingest.ErrStopped)
	}
	require.ErrorIs(t, r.end(), store.ErrBroken)
}

func TestStoppingSeesACommissioningThrough(t *testing.T) {
	r := machine(t)
	arrived, release := r.store.Hold()
	_, err := r.OfferSpool(t.Context(), heron, season(r, 1, 10).Batch(1, 5))
	require.NoError(t, err)
	<-arrived // the committer writes, so what comes now waits for the next commit
	ended := make(chan error, 1)
	go func() { ended <- r.Commission(t.Context(), commissioned("wader")) }()
	require.Eventually(t, func() bool { return slices.Contains(slices.Collect(r.Machines), "wader") }, time.Minute, time.Millisecond)
	stopped := make(chan error, 1)
	go func() { stopped <- r.end() }()
	release()
	require.NoError(t, <-stopped)
	if err := <-ended; err != nil { // the gate was shut before it came in
		require.ErrorIs(t, err, ingest.ErrStopped)
	}
}

func TestChangesComeAfterTheSyncAndInOrder(t *testing.T) {
	r := machine(t)
	all := r.Changes().Subscribe(live.Filter{})
	defer all.Close()
	others := r.Changes().Subscribe(live.Filter{Machines: []string{heron}, Others: true})
	defer others.Close()
	s := season(r, 1, 40)
	arrived, release := r.store.Hold()
	_, err := r.OfferSpool(t.Context(), heron, s.Batch(1, 20))
	require.NoError(t, err)
	<-arrived
	assert.Empty(t, all.C)
	release()
	c := <-all.C
	assert.Equal(t, heron, c.Machine)
	assert.False(t, c.Others)
	require.Len(t, c.Summary.Meters, 1)
	assert.Equal(t, live.MeterNow{ID: "engine", Total: shown(19), At: moment.At(r.now() - 20*60_000)}, c.Summary.Meters[0])
	assert.GreaterOrEqual(t, len(c.Effects), 20)
	r.mustOffer(s.Batch(21, 40))
	next := <-all.C
	assert.Equal(t, c.Revision+20, next.Revision)
	assert.Empty(t, others.C)

	_, err = r.Act(t.Context(), heron, [16]byte{7}, moment.Span{}, &maintenance.ServiceDone{Round: "fifty", Person: "p1"})
	require.NoError(t, err)
	c = <-others.C
	assert.True(t, c.Others)
	assert.Equal(t, []live.TaskNow{{ID: "beater-bearing/grease", Was: maintenance.DueUnknown, Now: maintenance.NotDue}}, c.Summary.Tasks)
	assert.Equal(t, c, <-all.C)
}

func TestHistoryTellsEveryEventOnce(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 30)
	got := r.mustOffer(s.All())
	var revisions []uint64
	var last *maintenance.Event
	require.NoError(t, r.History(t.Context(), heron, got.Revision-29, func(e *maintenance.Event, revision uint64) bool {
		revisions, last = append(revisions, revision), e
		return true
	}))
	require.Len(t, revisions, 30)
	assert.Equal(t, got.Revision, revisions[29])
	assert.Equal(t, maintenance.Key{Stream: s.Epoch, Seq: 30}, last.Key)
	assert.Equal(t, moment.At(r.now()), last.At)
	n := 0
	require.NoError(t, r.History(t.Context(), heron, 1, func(*maintenance.Event, uint64) bool { n++; return n < 5 }))
	assert.Equal(t, 5, n)
}
