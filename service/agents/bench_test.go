package agents_test

import (
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store/local"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

// BenchmarkConnect is eight agents over mutual TLS on loopback into the local
// store, up to acknowledged and synced. Both sides share the processors.
func BenchmarkConnect(b *testing.B) {
	for _, c := range []struct{ streams, size int }{{8, 50}, {8, 500}, {64, 1}} {
		b.Run(fmt.Sprintf("%d streams, %d a batch", c.streams, c.size), func(b *testing.B) { benchConnect(b, c.streams, c.size) })
	}
}

func benchConnect(b *testing.B, streams, size int) {
	s, err := local.Open(b.TempDir(), local.Options{})
	require.NoError(b, err)
	b.Cleanup(func() { s.Close() })
	h := openHouseOn(b, s, nil, b.TempDir())
	ctx := b.Context()
	_, err = h.office.CreateCustomer(ctx, office.Customer{ID: "redbank", Display: "Redbank crew"})
	require.NoError(b, err)
	_, err = h.office.CreateSite(ctx, office.Site{ID: "low-ford", Customer: "redbank", Display: "Low Ford", Zone: "Europe/Kyiv", TurnsAt: 240})
	require.NoError(b, err)
	per := b.N/streams/size + 1
	lines := make([]*line, streams)
	sent := make([][]*pb.ConnectRequest, streams)
	for i := range streams {
		id := fmt.Sprintf("m%d", i)
		_, err = h.office.RegisterMachine(ctx, office.Machine{ID: id, Display: id, Customer: "redbank", Site: "low-ford"})
		require.NoError(b, err)
		require.NoError(b, h.ingest.Commission(ctx, maintenance.Commissioned{Machine: id, Display: id, Customer: "redbank", Site: "low-ford", Zone: "Europe/Kyiv", TurnsAt: 240}))
		_, err = h.ingest.Act(ctx, id, [16]byte{0xed}, moment.Span{}, &maintenance.EditionTaken{Chart: ingesttest.Chart()})
		require.NoError(b, err)
		box := h.enrol(id, byte(i+1))
		lines[i] = box.connect()
		start := h.instant() - moment.Instant(per*size*1000)
		for n := range per * size {
			box.Reading(start+moment.Instant(n*1000), 1000*hours.Hour+hours.Millis(n)*hours.Second/180*180)
		}
		for n := range per {
			sent[i] = append(sent[i], &pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: box.message(uint64(n*size+1), uint64((n+1)*size))}})
		}
	}
	b.ReportAllocs()
	b.ResetTimer()
	var wg sync.WaitGroup
	for i, l := range lines {
		window := make(chan struct{}, 16)
		wg.Go(func() {
			for _, m := range sent[i] {
				window <- struct{}{}
				if err := l.Send(m); err != nil {
					b.Error(err)
					return
				}
			}
		})
		wg.Go(func() {
			for freed := 0; freed < per; {
				m, err := l.Recv()
				if err != nil {
					b.Error(err)
					return
				}
				for ack := m.GetAck(); ack != nil && freed < int(ack.GetSequence())/size; freed++ {
					<-window
				}
			}
		})
	}
	wg.Wait()
	b.ReportMetric(float64(per*size*streams)/b.Elapsed().Seconds(), "events/s")
}
