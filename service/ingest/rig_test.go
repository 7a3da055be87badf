package ingest_test

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// noon is the time at which tests begin: a summer's noon at Low Ford.
var noon = time.Date(2031, 7, 2, 9, 0, 0, 0, time.UTC)

const heron = "heron"

// rig is an ingest that runs, with a clock that the test sets.
type rig struct {
	*ingest.Ingest
	t     *testing.T
	store *ingesttest.Memory
	clock atomic.Int64
	end   func() error
}

func (r *rig) now() moment.Instant { return moment.Instant(r.clock.Load()) }
func (r *rig) set(at time.Time)    { r.clock.Store(at.UnixMilli()) }

// start opens a store's ingest and runs it until the test ends or stop is called.
func start(t *testing.T, s *ingesttest.Memory, change ...func(*ingest.Options)) *rig {
	t.Helper()
	r := build(t, s, s, noon, change...)
	r.run()
	return r
}

func build(t *testing.T, s store.Store, mem *ingesttest.Memory, at time.Time, change ...func(*ingest.Options)) *rig {
	t.Helper()
	r := &rig{t: t, store: mem}
	r.set(at)
	o := ingest.Options{Store: s, Now: func() time.Time { return time.UnixMilli(r.clock.Load()) }}
	for _, c := range change {
		c(&o)
	}
	in, err := ingest.New(t.Context(), o)
	require.NoError(t, err)
	r.Ingest = in
	return r
}

func (r *rig) run() {
	ctx, cancel := context.WithCancel(context.WithoutCancel(r.t.Context()))
	ran := make(chan error, 1)
	go func() { ran <- r.Run(ctx) }()
	var err error
	ended := false
	r.end = func() error {
		if !ended {
			cancel()
			err, ended = <-ran, true
		}
		return err
	}
	r.t.Cleanup(func() { r.end() }) //nolint: the test that expects an error looks at it
}

func (r *rig) stop() { require.NoError(r.t, r.end()) }

// commission opens a machine with the small chart.
func (r *rig) commission(id string) {
	r.t.Helper()
	require.NoError(r.t, r.Commission(r.t.Context(), commissioned(id)))
	_, err := r.Act(r.t.Context(), id, [16]byte{0xed, 1}, moment.Span{}, &maintenance.EditionTaken{Chart: ingesttest.Chart()})
	require.NoError(r.t, err)
}

func commissioned(id string) maintenance.Commissioned {
	return maintenance.Commissioned{Machine: id, Display: "The " + id, Customer: "redbank", Site: "low-ford", Zone: "Europe/Kyiv", TurnsAt: 240}
}

// machine starts an ingest with one machine.
func machine(t *testing.T, change ...func(*ingest.Options)) *rig {
	t.Helper()
	r := start(t, ingesttest.New(), change...)
	r.commission(heron)
	return r
}

func (r *rig) offer(sb *ingest.SpoolBatch) (ingest.Receipt, error) {
	t, err := r.OfferSpool(r.t.Context(), heron, sb)
	if err != nil {
		return ingest.Receipt{}, err
	}
	return t.Wait(r.t.Context())
}

func (r *rig) mustOffer(sb *ingest.SpoolBatch) ingest.Receipt {
	r.t.Helper()
	got, err := r.offer(sb)
	require.NoError(r.t, err)
	return got
}

// state gives a copy of a machine's state.
func (r *rig) state(id string) (out *maintenance.State) {
	r.t.Helper()
	require.NoError(r.t, r.View(r.t.Context(), id, func(s *maintenance.State) { out = s.Clone() }))
	return out
}

// engine gives the machine's hours.
func (r *rig) engine() hours.Millis {
	r.t.Helper()
	s := r.state(heron)
	require.Equal(r.t, "engine", s.Meters[0].ID)
	return s.Meters[0].Total
}

// bodies gives a machine's events of one type, from its history.
func bodies[B maintenance.Body](r *rig, id string) (out []B) {
	r.t.Helper()
	require.NoError(r.t, r.History(r.t.Context(), id, 1, func(e *maintenance.Event, _ uint64) bool {
		if b, is := e.Body.(B); is {
			out = append(out, b)
		}
		return true
	}))
	return out
}

// reopened is what another process would find, and must be what this one has.
func (r *rig) reopened() *rig {
	r.t.Helper()
	next := start(r.t, r.store.Reopen())
	next.clock.Store(r.clock.Load())
	for id := range r.Machines {
		assert.Equal(r.t, maintenance.AppendState(nil, r.state(id)), maintenance.AppendState(nil, next.state(id)), "machine %s", id)
	}
	return next
}

// season is a spool with n readings, a minute apart up to now, from 1000 h.
func season(r *rig, epoch byte, n int) *ingesttest.Spool {
	s := ingesttest.NewSpool(epoch)
	for i := range n {
		s.Reading(r.now()-moment.Instant((n-1-i)*60_000), shown(i))
	}
	return s
}

// shown is what the meter shows at the i-th minute.
func shown(i int) hours.Millis {
	return 1000*hours.Hour + (hours.Millis(i)*hours.Minute)/(3*hours.Minute)*(3*hours.Minute)
}
