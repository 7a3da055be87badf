package ingest_test

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

const heronStream = "machines/" + heron

func TestCheckpointAndTailGiveTheState(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 300)
	r.mustOffer(s.Batch(1, 200))
	r.stop() // saves the last checkpoint
	cp, has, err := r.store.Checkpoint(t.Context(), heronStream)
	require.NoError(t, err)
	require.True(t, has)
	assert.Equal(t, r.store.Last(heronStream), cp.Revision)
	assert.Equal(t, r.state(heron).Chain, cp.Chain)

	next := r.reopened()
	next.mustOffer(s.Batch(201, 300)) // a tail behind the checkpoint
	killed := next.store.Reopen()
	tail := start(t, killed)
	assert.Equal(t, maintenance.AppendState(nil, next.state(heron)), maintenance.AppendState(nil, tail.state(heron)))
	bare := next.store.Reopen()
	bare.DropCheckpoints()
	whole := start(t, bare)
	assert.Equal(t, maintenance.AppendState(nil, next.state(heron)), maintenance.AppendState(nil, whole.state(heron)))
}

// spoiled gives back checkpoints that can't be right.
type spoiled struct {
	*ingesttest.Memory
	spoil func(*store.Checkpoint)
}

func (s spoiled) Checkpoint(ctx context.Context, stream string) (store.Checkpoint, bool, error) {
	cp, has, err := s.Memory.Checkpoint(ctx, stream)
	if has {
		cp.Fold = append([]byte(nil), cp.Fold...)
		s.spoil(&cp)
	}
	return cp, has, err
}

func TestACheckpointThatCannotBeRightIsNotUsed(t *testing.T) {
	r := machine(t)
	r.mustOffer(season(r, 1, 100).All())
	r.stop()
	want := maintenance.AppendState(nil, r.state(heron))
	for name, spoil := range map[string]func(*store.Checkpoint){
		"bytes":             func(c *store.Checkpoint) { c.Fold = c.Fold[:len(c.Fold)/2] },
		"revision":          func(c *store.Checkpoint) { c.Revision-- },
		"chain":             func(c *store.Checkpoint) { c.Chain[0] ^= 1 },
		"beyond the stream": func(c *store.Checkpoint) { c.Revision += 10 },
	} {
		mem := r.store.Reopen()
		next := build(t, spoiled{mem, spoil}, mem, noon)
		next.run()
		assert.Equal(t, want, maintenance.AppendState(nil, next.state(heron)), name)
		assert.EqualValues(t, 1, next.Stats().CheckpointsBad, name)
	}
}

func TestChartsAreSharedAndFoundInTheStream(t *testing.T) {
	r := machine(t)
	r.commission("stork")
	assert.Same(t, r.state(heron).Chart, r.state("stork").Chart)
	r.stop()
	next := r.reopened()
	assert.NotNil(t, next.state(heron).Chart)
	var asked atomic.Int32
	office := start(t, r.store.Reopen(), func(o *ingest.Options) {
		o.Charts = func(_ context.Context, hash [32]byte) (*maintenance.Chart, error) {
			asked.Add(1)
			return ingesttest.Chart(), nil
		}
	})
	assert.NotZero(t, asked.Load())
	assert.Same(t, office.state(heron).Chart, office.state("stork").Chart)
}

func TestVerifyTellsATamperedJournal(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	r.mustOffer(s.All())
	var steps []uint64
	v, err := r.Verify(t.Context(), heron, func(done, _ uint64) { steps = append(steps, done) })
	require.NoError(t, err)
	assert.True(t, v.Same())
	assert.Equal(t, v.Revision, v.Events)
	assert.Equal(t, []uint64{v.Revision}, steps)
	assert.Equal(t, r.state(heron).Chain, v.ReplayedChain)

	other, err := wire.Marshal(nil, wire.Stamp{Time: r.now()}, &maintenance.Engine{Running: true})
	require.NoError(t, err)
	r.store.Tamper(heronStream, v.Revision-50, other)
	v, err = r.Verify(t.Context(), heron, nil)
	require.NoError(t, err)
	assert.False(t, v.Same())
}

func TestDamageOnDiskIsToldAndTheSpoolGoesOn(t *testing.T) {
	r := machine(t)
	s := season(r, 1, 100)
	r.mustOffer(s.Batch(1, 50))
	revision := r.state(heron).Revision
	r.mustOffer(s.Batch(51, 80))
	r.stop()
	mem := r.store.Reopen()
	mem.DropCheckpoints()
	mem.Damage(heronStream, revision+5, revision+15) // events 55 to 64
	next := start(t, mem)
	assert.EqualValues(t, 10, next.Stats().Damaged)
	assert.Equal(t, revision+30, next.state(heron).Revision, "revisions keep their numbers")
	end, err := next.SpoolEnd(t.Context(), heron, s.Epoch)
	require.NoError(t, err)
	assert.Equal(t, ingest.SpoolEnd{Next: 1, Hash: s.Hashes[0]}, end, "the rolling hash can't be told: all of it again")
	got := next.mustOffer(s.All())
	assert.Equal(t, 80, got.Repeats)
	assert.Equal(t, shown(99), next.engine())
	end, err = next.SpoolEnd(t.Context(), heron, s.Epoch)
	require.NoError(t, err)
	assert.Equal(t, s.Hashes[100], end.Hash, "the rolling hash is known again")
	again := next.store.Reopen()
	again.DropCheckpoints()
	replayed := start(t, again)
	assert.Equal(t, maintenance.AppendState(nil, next.state(heron)), maintenance.AppendState(nil, replayed.state(heron)), "after another start as well")
	v, err := next.Verify(t.Context(), heron, nil)
	require.NoError(t, err)
	assert.EqualValues(t, 10, v.Damaged)
	assert.False(t, v.Same(), "what can't be read can't be verified")
	err = next.History(t.Context(), heron, 1, func(*maintenance.Event, uint64) bool { return true })
	var hole *store.DamagedError
	require.ErrorAs(t, err, &hole)
	assert.Equal(t, revision+5, hole.From)
}

func TestDaysTurn(t *testing.T) {
	r := start(t, ingesttest.New())
	r.set(time.Date(2031, 10, 25, 20, 0, 0, 0, time.UTC))
	r.commission(heron)
	at := func(s string) moment.Instant {
		got, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return moment.Instant(got.UnixMilli())
	}
	last := func() maintenance.Day { d := r.state(heron).Days; return d[len(d)-1] }
	first := len(r.state(heron).Days)
	assert.Equal(t, 60, first)
	// The tables give 2024's night of 25 h; Kyiv's clocks go back on the last
	// Sunday of October, 2031-10-26 at 01:00Z (rule from the tz database, from
	// memory). The work day turns at 04:00 by the new time.
	assert.Equal(t, at("2031-10-25T01:00:00Z"), last().From)
	assert.Equal(t, at("2031-10-26T02:00:00Z"), last().Until)
	s := ingesttest.NewSpool(1)
	r.set(time.Date(2031, 10, 26, 2, 0, 0, 0, time.UTC))
	s.Reading(r.now(), 5*hours.Hour)
	r.mustOffer(s.All())
	assert.Equal(t, at("2031-10-26T02:00:00Z"), last().From)
	assert.Equal(t, at("2031-10-27T02:00:00Z"), last().Until)
	var kinds []maintenance.Kind
	require.NoError(t, r.History(t.Context(), heron, 1, func(e *maintenance.Event, _ uint64) bool { kinds = append(kinds, e.Kind()); return true }))
	assert.Equal(t, []maintenance.Kind{maintenance.KindDayTurned, maintenance.KindReading}, kinds[len(kinds)-2:], "the turn is journalled first")
}

func TestMissedTurnsAreMadeUpFor(t *testing.T) {
	r := machine(t)
	r.stop()
	for name, c := range map[string]struct {
		after, days int
	}{"a week": {7, 7}, "a winter": {120, 120}, "three years": {1096, 400}} {
		mem := r.store.Reopen()
		next := build(t, mem, mem, noon.AddDate(0, 0, c.after))
		next.run()
		s := ingesttest.NewSpool(1)
		s.Reading(next.now(), hours.Hour)
		next.mustOffer(s.All())
		days := next.state(heron).Days
		turned := 0
		for _, d := range days {
			if d.From > moment.Instant(noon.UnixMilli()) {
				turned++
			}
		}
		assert.Equal(t, c.days, turned, name)
		today, ok := civil.Of(2031, 7, 2)
		require.True(t, ok)
		assert.Equal(t, today.AddDays(c.after), days[len(days)-1].Date, name)
		assert.LessOrEqual(t, days[len(days)-1].From, next.now(), name)
		assert.Greater(t, days[len(days)-1].Until, next.now(), name)
	}
}

func TestNextDays(t *testing.T) {
	r := machine(t)
	days, err := r.NextDays(heron, 400)
	require.NoError(t, err)
	require.Len(t, days, 400)
	assert.LessOrEqual(t, days[0].From, r.now())
	for i := 1; i < len(days); i++ {
		require.Equal(t, days[i-1].Until, days[i].From)
	}
}

func TestPlacement(t *testing.T) {
	r := machine(t)
	now := r.now()
	reading := &maintenance.Reading{Meter: "engine", Shown: 1000 * hours.Hour, Resolution: hours.Hour / 20, Origin: maintenance.OriginBus}
	known := now - 7_200_000
	boots := []ingest.BootClock{{Boot: 2, Earliest: now - 3_600_000, Latest: now - 3_500_000}, {Boot: 3, Earliest: 0, Latest: now},
		{Boot: 4, Earliest: now + 1, Latest: now - 1}, {Boot: 5, Earliest: now - 1000, Latest: now + 10_000}, {Boot: 6, Earliest: now + 1000, Latest: now + 2000}}
	cases := []struct {
		name  string
		stamp wire.Stamp
		want  moment.Span
	}{
		{"synced", wire.Stamp{Time: known}, moment.At(known)},
		{"1970, said to be set", wire.Stamp{Time: 1000}, moment.Span{NotBefore: known, NotAfter: now}},
		{"2040", wire.Stamp{Time: 2_208_988_800_000}, moment.Span{NotBefore: known, NotAfter: now}},
		{"five minutes ahead", wire.Stamp{Time: now + 300_000}, moment.At(now + 300_000)},
	}
	s := ingesttest.NewSpool(1)
	for _, c := range cases {
		s.Put(c.stamp, reading)
	}
	u := ingesttest.NewSpool(2)
	u.Put(wire.Stamp{Time: known}, reading)
	unsynced := []struct {
		name  string
		stamp wire.Stamp
		want  moment.Span
	}{
		{"boot placed", wire.Stamp{Boot: 2, Mono: 60_000}, moment.Span{NotBefore: now - 3_540_000, NotAfter: now - 3_440_000}},
		{"boot of unknown start", wire.Stamp{Boot: 3, Mono: 60_000}, moment.Span{NotBefore: now - 3_540_000, NotAfter: now}},
		{"boot turned round", wire.Stamp{Boot: 4, Mono: 1}, moment.Span{NotBefore: now - 3_540_000, NotAfter: now}},
		{"boot not told", wire.Stamp{Boot: 9, Mono: 1}, moment.Span{NotBefore: now - 3_540_000, NotAfter: now}},
		{"up to now at most", wire.Stamp{Boot: 5, Mono: 0}, moment.Span{NotBefore: now - 1000, NotAfter: now}},
		{"all ahead", wire.Stamp{Boot: 6, Mono: 0}, moment.Span{NotBefore: now - 1000, NotAfter: now}},
	}
	for _, c := range unsynced {
		u.Put(c.stamp, reading)
	}
	r.mustOffer(s.All())
	sb := u.All()
	sb.Boots = boots
	r.mustOffer(sb)
	var got []moment.Span
	require.NoError(t, r.History(t.Context(), heron, 1, func(e *maintenance.Event, _ uint64) bool {
		if _, is := e.Body.(*maintenance.Reading); is {
			got = append(got, e.At)
		}
		return true
	}))
	require.Len(t, got, len(cases)+1+len(unsynced))
	for i, c := range cases {
		assert.Equal(t, c.want, got[i], c.name)
	}
	for i, c := range unsynced {
		assert.Equal(t, c.want, got[len(cases)+1+i], c.name)
	}
	r.reopened()
}
