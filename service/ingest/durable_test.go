package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

// early is a store that answers before it writes: what is wrong with it must
// show in the test below.
type early struct {
	*ingesttest.Memory
	held []store.Stretch
}

func (e *early) Append(ctx context.Context, stretches []store.Stretch) error {
	err := e.Memory.Append(ctx, e.held)
	e.held = nil
	for _, s := range stretches {
		s.Entries = slices.Clone(s.Entries)
		e.held = append(e.held, s)
	}
	return err
}

// killed pushes four machines' events until the store dies at its n-th append,
// opens it again and sends everything once more. It gives the events that were
// acknowledged and lost.
func killed(t *testing.T, n int, written bool, answersEarly bool) (lost uint64) {
	mem := ingesttest.New()
	var s store.Store = mem
	if answersEarly {
		s = &early{Memory: mem}
	}
	r := build(t, s, mem, noon)
	r.run()
	spools := map[string]*ingesttest.Spool{}
	for i := range 4 {
		id := fmt.Sprintf("m%d", i)
		r.commission(id)
		spools[id] = season(r, byte(i+1), 120)
	}
	mem.DieAt(n, written)
	var mu sync.Mutex
	acked := map[string]uint64{}
	var wg sync.WaitGroup
	for id, spool := range spools {
		wg.Go(func() {
			for first := uint64(1); first <= spool.Last(); first += 10 {
				ticket, err := r.OfferSpool(t.Context(), id, spool.Batch(first, first+9))
				if err != nil {
					return
				}
				if first%40 != 1 { // most are waited for
					continue
				}
				got, err := ticket.Wait(t.Context())
				if err != nil {
					return
				}
				mu.Lock()
				acked[id] = max(acked[id], got.Seq)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	_ = r.end() // the store may have died or not
	next := start(t, mem.Reopen())
	for id, spool := range spools {
		end, err := next.SpoolEnd(t.Context(), id, spool.Epoch)
		if missing := (*ingest.UnknownMachine)(nil); errors.As(err, &missing) {
			lost += acked[id]
			continue
		}
		require.NoError(t, err)
		lost += max(acked[id], end.Next-1) - (end.Next - 1)
		resend(t, next, id, spool)
	}
	return lost
}

// resend sends a whole spool again, and checks that it counts once.
func resend(t *testing.T, r *rig, id string, spool *ingesttest.Spool) {
	t.Helper()
	ticket, err := r.OfferSpool(t.Context(), id, spool.All())
	require.NoError(t, err)
	got, err := ticket.Wait(t.Context())
	require.NoError(t, err)
	require.Equal(t, spool.Last(), got.Seq)
	assert.Len(t, bodies[*maintenance.Reading](r, id), len(spool.Events), "each event is on record once")
	v, err := r.Verify(t.Context(), id, nil)
	require.NoError(t, err)
	assert.True(t, v.Same())
}

func TestKilledInTheMiddleLosesNothingAcknowledged(t *testing.T) {
	for n := 1; n <= 12; n++ {
		for _, written := range []bool{false, true} {
			assert.Zero(t, killed(t, n, written, false), "died at append %d, written: %v", n, written)
		}
	}
}

func TestTheControlThatAnswersEarlyLosesEvents(t *testing.T) {
	lost := uint64(0)
	for n := 1; n <= 12; n++ {
		lost += killed(t, n, false, true)
	}
	assert.NotZero(t, lost, "a store that acknowledges before it writes must fail the test above")
}

// TestAnyOrderOfBatches offers a spool in random pieces, over restarts, with bad
// and thinned events, and holds ingest to what one number can tell: how far the
// spool is.
func TestAnyOrderOfBatches(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		mem := ingesttest.New()
		r := start(t, mem)
		r.commission(heron)
		spool := ingesttest.NewSpool(1)
		n := rapid.Uint64Range(1, 60).Draw(rt, "events")
		bad := 0
		for i := range n {
			if rapid.IntRange(0, 9).Draw(rt, "bad") == 0 {
				spool.Raw(rapid.SliceOfN(rapid.Byte(), 1, 20).Draw(rt, "bytes"))
				bad++
			} else {
				spool.Reading(r.now()-moment.Instant((n-i)*60_000), shown(int(i)))
			}
		}
		next := uint64(1)
		for range rapid.IntRange(1, 20).Draw(rt, "steps") {
			if rapid.IntRange(0, 9).Draw(rt, "restart") == 0 {
				r.stop()
				mem = mem.Reopen()
				if rapid.Bool().Draw(rt, "without checkpoints") {
					mem.DropCheckpoints()
				}
				r = start(t, mem)
			}
			first := rapid.Uint64Range(1, n).Draw(rt, "first")
			last := rapid.Uint64Range(first, n).Draw(rt, "last")
			got, err := r.offer(spool.Batch(first, last))
			if first > next {
				var gap *ingest.Gap
				if !errors.As(err, &gap) || gap.Want != next {
					rt.Fatalf("batch %d-%d at %d: %v", first, last, next, err)
				}
				continue
			}
			if err != nil {
				rt.Fatalf("batch %d-%d at %d: %v", first, last, next, err)
			}
			taken := max(last+1, next) - next
			next = max(next, last+1)
			if got.Seq != next-1 || uint64(got.Taken) != taken || uint64(got.Repeats) != last-first+1-taken {
				rt.Fatalf("batch %d-%d: %+v, wanted up to %d, %d taken", first, last, got, next-1, taken)
			}
		}
		got, err := r.offer(spool.All())
		if err != nil || got.Seq != n {
			rt.Fatalf("at the end: %+v, %v", got, err)
		}
		total := len(bodies[*maintenance.Reading](r, heron)) + len(bodies[*maintenance.SetAside](r, heron))
		if total < int(n)-bad { // some random bytes are events
			rt.Fatalf("%d of %d events on record", total, n)
		}
		v, err := r.Verify(t.Context(), heron, nil)
		if err != nil || !v.Same() {
			rt.Fatalf("verify: %+v, %v", v, err)
		}
		r.stop()
	})
}

func TestManyAtOnce(t *testing.T) {
	r := start(t, ingesttest.New(), func(o *ingest.Options) { o.Queued, o.CheckpointEvery = 300, 50 })
	ctx := t.Context()
	var wg sync.WaitGroup
	for i := range 6 {
		id := fmt.Sprintf("m%d", i)
		r.commission(id)
		spool := season(r, byte(i+1), 400)
		for worker := range 2 { // two connections of one agent
			wg.Go(func() {
				for first := uint64(1); first <= 400; first += 20 {
					ticket, err := r.OfferSpool(ctx, id, spool.Batch(first, first+19))
					if gap := (*ingest.Gap)(nil); errors.As(err, &gap) {
						continue
					}
					if assert.NoError(t, err) && worker == 0 {
						_, err = ticket.Wait(ctx)
						assert.NoError(t, err)
					}
				}
			})
		}
		wg.Go(func() {
			for n := range 20 {
				_, err := r.Act(ctx, id, [16]byte{1, byte(n)}, moment.Span{}, &maintenance.FieldEvent{Event: maintenance.EventConditions, Facts: []maintenance.Fact{{Name: "straw", Value: fmt.Sprint(n)}}})
				assert.NoError(t, err)
				assert.NoError(t, r.ViewEach(ctx, func(string, *maintenance.State) bool { return true }))
				r.Stats()
			}
		})
	}
	wg.Wait()
	for id := range r.Machines {
		s := r.state(id)
		require.EqualValues(t, 401, s.Epochs[0].Next)
		assert.Equal(t, shown(399), s.Meters[0].Total)
		v, err := r.Verify(ctx, id, nil)
		require.NoError(t, err)
		assert.True(t, v.Same(), id)
	}
	r.stop()
	r.reopened()
}

func TestOverTheLocalStore(t *testing.T) {
	dir := t.TempDir()
	s := openLocal(t, dir)
	r := build(t, s, nil, noon)
	r.run()
	r.commission(heron)
	spool := season(r, 1, 2000)
	for first := uint64(1); first < 2000; first += 500 {
		r.mustOffer(spool.Batch(first, first+499))
	}
	want := maintenance.AppendState(nil, r.state(heron))
	v, err := r.Verify(t.Context(), heron, nil)
	require.NoError(t, err)
	assert.True(t, v.Same())
	r.stop()
	require.NoError(t, s.Close())

	again := build(t, openLocal(t, dir), nil, noon.Add(time.Minute))
	again.run()
	assert.Equal(t, want, maintenance.AppendState(nil, again.state(heron)))
	assert.Equal(t, r.Incarnation(), again.Incarnation())
	again.mustOffer(spool.All())
	v, err = again.Verify(t.Context(), heron, nil)
	require.NoError(t, err)
	assert.True(t, v.Same())
}
