package ingest_test

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

// sink is a store that forgets, for what ingest itself costs.
type sink struct{ *ingesttest.Memory }

func (sink) Append(context.Context, []store.Stretch) error { return nil }

// BenchmarkOfferSpool is eight agents at 50 events a batch, 16 batches in flight
// each, up to synced.
func BenchmarkOfferSpool(b *testing.B) {
	b.Run("no storage", func(b *testing.B) { benchSpools(b, sink{ingesttest.New()}, 8, 50) })
	b.Run("local", func(b *testing.B) { benchSpools(b, openLocal(b, b.TempDir()), 8, 50) })
	b.Run("local, 500 a batch", func(b *testing.B) { benchSpools(b, openLocal(b, b.TempDir()), 8, 500) })
}

func openLocal(t testing.TB, dir string) store.Store {
	s, err := local.Open(dir, local.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func benchSpools(b *testing.B, s store.Store, agents, size int) {
	now := noon
	in, err := ingest.New(b.Context(), ingest.Options{Store: s, Now: func() time.Time { return now }, CheckpointEvery: 1 << 30})
	require.NoError(b, err)
	ctx, cancel := context.WithCancel(b.Context())
	ran := make(chan error, 1)
	go func() { ran <- in.Run(ctx) }()
	defer func() { cancel(); <-ran }()
	per := b.N/agents/size + 1
	spools := make([]*ingesttest.Spool, agents)
	for i := range spools {
		id := fmt.Sprintf("m%d", i)
		require.NoError(b, in.Commission(ctx, commissioned(id)))
		_, err := in.Act(ctx, id, [16]byte{0xed}, moment.Span{}, &maintenance.EditionTaken{Chart: ingesttest.Chart()})
		require.NoError(b, err)
		spools[i] = ingesttest.NewSpool(byte(i + 1))
		start := moment.Instant(noon.UnixMilli()) - moment.Instant(per*size*1000)
		for n := range per * size {
			spools[i].Reading(start+moment.Instant(n*1000), 1000*hours.Hour+hours.Millis(n)*hours.Second/180*180)
		}
	}
	b.ReportAllocs()
	b.ResetTimer()
	var wg sync.WaitGroup
	for i, s := range spools {
		wg.Go(func() { push(b, in, fmt.Sprintf("m%d", i), s, per, size) })
	}
	wg.Wait()
	b.ReportMetric(float64(per*size*agents)/b.Elapsed().Seconds(), "events/s")
}

func push(b *testing.B, in *ingest.Ingest, id string, s *ingesttest.Spool, batches, size int) {
	flight := make([]*ingest.Ticket, 0, 16)
	for i := range batches {
		if len(flight) == cap(flight) {
			if _, err := flight[0].Wait(b.Context()); err != nil {
				b.Error(err)
				return
			}
			flight = flight[:copy(flight, flight[1:])]
		}
		t, err := in.OfferSpool(b.Context(), id, s.Batch(uint64(i*size+1), uint64((i+1)*size)))
		if err != nil {
			b.Error(err)
			return
		}
		flight = append(flight, t)
	}
	for _, t := range flight {
		if _, err := t.Wait(b.Context()); err != nil {
			b.Error(err)
		}
	}
}

// BenchmarkVerify is what rebuilding six machines costs, each with a reading a
// minute for 40 days of 12 h. It reports events/s over all processors, and the
// seconds that 300 machines take at that pace.
func BenchmarkVerify(b *testing.B) {
	const machines, readings = 6, 40 * 12 * 60
	in := verifiable(b, machines, readings)
	b.ReportAllocs()
	for b.Loop() {
		var next atomic.Int64
		var wg sync.WaitGroup
		for range runtime.GOMAXPROCS(0) {
			wg.Go(func() {
				for i := next.Add(1); i <= machines; i = next.Add(1) {
					if v, err := in.Verify(b.Context(), fmt.Sprintf("m%d", i-1), nil); err != nil || !v.Same() {
						b.Error(v, err)
					}
				}
			})
		}
		wg.Wait()
	}
	pace := float64(b.N*machines*readings) / b.Elapsed().Seconds()
	b.ReportMetric(pace, "events/s")
	b.ReportMetric(300*readings/pace, "s/300-machines")
}

// verifiable is a service with machines that ran for a season.
func verifiable(b *testing.B, machines, readings int) *ingest.Ingest {
	now := noon
	in, err := ingest.New(b.Context(), ingest.Options{Store: openLocal(b, b.TempDir()), Now: func() time.Time { return now }, CheckpointEvery: 1 << 30})
	require.NoError(b, err)
	ctx, cancel := context.WithCancel(b.Context())
	ran := make(chan error, 1)
	go func() { ran <- in.Run(ctx) }()
	b.Cleanup(func() { cancel(); <-ran })
	start := moment.Instant(noon.UnixMilli()) - 41*24*60*60*1000
	for i := range machines {
		id := fmt.Sprintf("m%d", i)
		require.NoError(b, in.Commission(ctx, commissioned(id)))
		_, err := in.Act(ctx, id, [16]byte{0xed, byte(i)}, moment.Span{}, &maintenance.EditionTaken{Chart: ingesttest.Chart()})
		require.NoError(b, err)
		s := ingesttest.NewSpool(byte(i + 1))
		for n := range readings {
			day, minute := n/720, n%720
			s.Reading(start+moment.Instant((day*24*60+minute)*60*1000), 1000*hours.Hour+hours.Millis(n/3)*hours.Hour/20)
		}
		push(b, in, id, s, readings/400, 400)
	}
	return in
}
