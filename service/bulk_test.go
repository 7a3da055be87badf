package service_test

import (
	"context"
	"encoding/binary"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/ingest"
)

// readings gives n readings of a machine, a minute and 0.01 h apart, the last
// one an hour before the rig was started.
func (r *rig) readings(n int) []ingest.Offered {
	r.t.Helper()
	out := make([]ingest.Offered, n)
	for i := range out {
		at := moment.Instant(r.base.Add(-time.Hour - time.Duration(n-i)*time.Minute).UnixMilli())
		body := &maintenance.HandReading{Person: "fern", Reading: maintenance.Reading{Meter: "engine", Shown: 1000*hours.Hour + hours.Millis(i)*hours.Hour/100, Resolution: hours.Hour / 100, Origin: maintenance.OriginPerson}}
		bytes, err := wire.Marshal(nil, wire.Stamp{Time: at}, body)
		require.NoError(r.t, err)
		out[i] = ingest.Offered{Writer: maintenance.WriterPerson, At: moment.At(at), Received: bytes}
		binary.BigEndian.PutUint64(out[i].Key.Stream[:], uint64(i)+1)
	}
	return out
}

// TestALongHistoryIsReadInPages: more than one window of the stream, a rare kind
// of event in it, and every row once.
func TestALongHistoryIsReadInPages(t *testing.T) {
	r := start(t)
	r.fleet()
	const n = 3000
	_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", Record: &pb.ServiceRecord{Round: "hour-50", DoneMoment: r.moment(20 * day)}})
	require.NoError(t, err)
	_, err = r.app.Ingest().Offer(t.Context(), "ossa-1", r.readings(n))
	require.NoError(t, err)
	seen := make(map[uint64]bool)
	last := int64(1 << 62)
	for token, first := "", true; first || token != ""; first = false {
		a, err := pb.NewReadingServiceClient(r.conn).ListReadings(r.ctx, &pb.ListReadingsRequest{Parent: "machines/ossa-1", PageSize: 700, PageToken: token})
		require.NoError(t, err)
		for _, one := range a.Readings {
			require.Less(t, one.ShownMs, last)
			last = one.ShownMs
			seen[one.Revision] = true
		}
		token = a.NextPageToken
	}
	assert.Len(t, seen, n)

	records := pb.NewServiceRecordServiceClient(r.conn)
	list, err := records.ListServiceRecords(r.ctx, &pb.ListServiceRecordsRequest{Parent: "machines/ossa-1"})
	require.NoError(t, err)
	require.Len(t, list.Records, 1)
	assert.Empty(t, list.NextPageToken)
	one, err := records.GetServiceRecord(r.ctx, &pb.GetServiceRecordRequest{Name: list.Records[0].Name})
	require.NoError(t, err)
	assert.Equal(t, "hour-50", one.Record.Round)
	warnings, err := pb.NewWarningServiceClient(r.conn).ListWarningChanges(r.ctx, &pb.ListWarningChangesRequest{Parent: "machines/ossa-1"})
	require.NoError(t, err)
	assert.Empty(t, warnings.Changes)
}

// TestRecordsInPages walks records a page at a time, voided ones among them.
func TestRecordsInPages(t *testing.T) {
	r := start(t)
	r.fleet()
	records := pb.NewServiceRecordServiceClient(r.conn)
	var made []string
	for i := range 5 {
		a, err := records.CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", Record: &pb.ServiceRecord{Round: "hour-50", DoneMoment: r.moment(time.Duration(9-i) * day)}})
		require.NoError(t, err)
		made = append([]string{a.Record.Name}, made...)
	}
	_, err := records.VoidServiceRecord(r.ctx, &pb.VoidServiceRecordRequest{Name: made[1], Why: "wrong machine"})
	require.NoError(t, err)
	var names []string
	var voided []bool
	for token, first := "", true; first || token != ""; first = false {
		a, err := records.ListServiceRecords(r.ctx, &pb.ListServiceRecordsRequest{Parent: "machines/ossa-1", PageSize: 2, PageToken: token})
		require.NoError(t, err)
		for _, one := range a.Records {
			names, voided = append(names, one.Name), append(voided, one.Voided)
		}
		token = a.NextPageToken
	}
	assert.Equal(t, made, names)
	assert.Equal(t, []bool{false, true, false, false, false}, voided)
}

// TestASlowWatcherIsToldThatItLost: it then gets the machine as it stands, and
// ingest never waited.
func TestASlowWatcherIsToldThatItLost(t *testing.T) {
	r := start(t)
	r.fleet()
	ctx, cancel := context.WithCancel(r.ctx)
	defer cancel()
	w, err := pb.NewWatchServiceClient(r.conn).Watch(ctx, &pb.WatchRequest{Machines: []string{"machines/ossa-1"}})
	require.NoError(t, err)
	require.NotNil(t, recv(t, w).GetMachine())
	require.NotNil(t, recv(t, w).GetStillHere())
	// Nobody reads while thousands of batches come in.
	const n = 2000
	offered := r.readings(n)
	var wg sync.WaitGroup
	var mu sync.Mutex
	next := 0
	for range 8 {
		wg.Go(func() {
			for {
				mu.Lock()
				i := next
				next++
				var ticket *ingest.Ticket
				if i < n {
					var err error
					ticket, err = r.app.Ingest().OfferAsync(t.Context(), "ossa-1", offered[i:i+1])
					assert.NoError(t, err)
				}
				mu.Unlock()
				if ticket == nil {
					return
				}
				_, err := ticket.Wait(t.Context())
				assert.NoError(t, err)
			}
		})
	}
	wg.Wait()
	want, err := pb.NewMachineServiceClient(r.conn).GetMachine(r.ctx, &pb.GetMachineRequest{Name: "machines/ossa-1"})
	require.NoError(t, err)
	var lost uint64
	for {
		a := recv(t, w)
		if l := a.GetLost(); l != nil {
			lost += l.Changes
			assert.Contains(t, l.Text, "read lists again")
		}
		m := a.GetMachine()
		if m == nil {
			m = a.GetChange().GetMachine()
		}
		if m.GetRevision() == want.Machine.Revision {
			break // it knows all
		}
	}
	assert.NotZero(t, lost)
}
