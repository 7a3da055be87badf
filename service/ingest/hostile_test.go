package ingest_test

import (
	"bytes"
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

// The largest batches of nothing but bad events, one upon the other while the
// disk is busy, stay within what the journal takes at once.
func TestTheLargestBatchesOfBadEvents(t *testing.T) {
	r := machine(t)
	s := ingesttest.NewSpool(1)
	long := &maintenance.Reading{Meter: string(bytes.Repeat([]byte("m"), 1000)), Shown: 1, Resolution: 1, Origin: 1}
	b, err := wire.Marshal(nil, wire.Stamp{Time: r.now()}, long)
	require.NoError(t, err)
	for range 3 * ingest.MaxBatchEvents {
		s.Raw(b)
	}
	_, release := r.store.Hold()
	time.AfterFunc(20*time.Millisecond, release)
	var tickets []*ingest.Ticket
	for i := range uint64(3) {
		ticket, err := r.OfferSpool(t.Context(), heron, s.Batch(i*ingest.MaxBatchEvents+1, (i+1)*ingest.MaxBatchEvents))
		require.NoError(t, err)
		tickets = append(tickets, ticket)
	}
	for _, ticket := range tickets {
		got, err := ticket.Wait(t.Context())
		require.NoError(t, err)
		assert.Len(t, got.SetAside, ingest.MaxBatchEvents)
	}
	huge := ingesttest.NewSpool(2)
	for range 16 {
		huge.Raw(bytes.Repeat([]byte{0xff}, 256<<10))
	}
	for range 3 {
		r.mustOffer(huge.All())
	}
	_, err = r.Offer(t.Context(), heron, make([]ingest.Offered, ingest.MaxBatchEvents+1))
	assert.ErrorContains(t, err, "at most 4096")
	_, err = r.Offer(t.Context(), heron, []ingest.Offered{{Received: make([]byte, ingest.MaxBatchBytes+1)}})
	assert.ErrorContains(t, err, "bytes")
}

// FuzzOfferSpool offers any bytes as two events between two good ones: whatever
// they are, the spool goes on, the good ones count, and a restart finds the
// same.
func FuzzOfferSpool(f *testing.F) {
	for _, body := range []maintenance.Body{&maintenance.Engine{Running: true}, &maintenance.Thinned{Events: 3}, &maintenance.SetAside{Reason: "x", Bytes: []byte("y")},
		&maintenance.Listened{From: -5000, To: 0, Frames: 9}, &maintenance.Commissioned{Machine: "other"}, &maintenance.DayTurned{Date: 9, From: 1, Until: 2},
		&maintenance.BusNames{Vehicle: "V", Confidence: 1}, &maintenance.ServiceDone{Round: "fifty"}, &maintenance.EditionTaken{Chart: ingesttest.Chart()}} {
		b, err := wire.Marshal(nil, wire.Stamp{Time: 1_940_000_000_000, HashAfter: [32]byte{7}}, body)
		require.NoError(f, err)
		f.Add(b, b)
	}
	f.Add([]byte("\x08"), []byte{0xff})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		if len(a) == 0 || len(b) == 0 {
			return // stands for a thinned run
		}
		mem := ingesttest.New()
		r := start(t, mem)
		r.commission(heron)
		s := ingesttest.NewSpool(1)
		s.Reading(r.now()-2000, 1000*hours.Hour)
		s.Raw(a)
		s.Raw(b)
		s.Reading(r.now()-1000, 1000*hours.Hour)
		got := r.mustOffer(s.All())
		if got.Seq != 4 || got.Taken < 4 {
			t.Fatalf("%+v", got)
		}
		r.stop()
		bare := mem.Reopen()
		bare.DropCheckpoints()
		if next := start(t, bare); !bytes.Equal(maintenance.AppendState(nil, r.state(heron)), maintenance.AppendState(nil, next.state(heron))) {
			t.Fatal("replayed to another state")
		}
	})
}

// TestDaysTurnByThemselves lets two days go by in a bubble of time.
func TestDaysTurnByThemselves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mem := ingesttest.New()
		in, err := ingest.New(t.Context(), ingest.Options{Store: mem})
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		ran := make(chan error, 1)
		go func() { ran <- in.Run(ctx) }()
		require.NoError(t, in.Commission(ctx, commissioned(heron)))
		day := func() (d maintenance.Day) {
			require.NoError(t, in.View(ctx, heron, func(s *maintenance.State) { d = s.Days[len(s.Days)-1] }))
			return d
		}
		first := day() // the bubble's clock begins at midnight UTC, 2000-01-01
		assert.Equal(t, "1999-12-31", first.Date.String(), "02:00 in Kyiv: the day of New Year's Eve still runs")
		for i := range 2 {
			time.Sleep(time.Until(time.UnixMilli(int64(day().Until))) - time.Millisecond)
			synctest.Wait()
			assert.Equal(t, first.Date.AddDays(i), day().Date)
			time.Sleep(2 * time.Second)
			synctest.Wait()
			assert.Equal(t, first.Date.AddDays(i+1), day().Date, "nobody sent anything")
		}
		_, has, err := mem.Checkpoint(ctx, heronStream)
		require.NoError(t, err)
		assert.True(t, has, "checkpoints are saved on the way")
		cancel()
		require.NoError(t, <-ran)
	})
}
