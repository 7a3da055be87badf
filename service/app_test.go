package service_test

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service"
)

func TestOptionsTellEveryMistake(t *testing.T) {
	_, err := service.New(t.Context(), service.Options{PeopleAddr: "nowhere", MetricsAddr: "7", StopWithin: -1})
	require.Error(t, err)
	for _, want := range []string{"no data folder", "no store", `people's address "nowhere"`, `metrics address "7"`, "negative time"} {
		assert.ErrorContains(t, err, want)
	}
}

// TestNewGivesBackWhatItOpened takes a listener away and wants the store closed
// and the other sockets free.
func TestNewGivesBackWhatItOpened(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	data := t.TempDir()
	o := options(data, &logged{})
	o.MetricsAddr = taken.Addr().String()
	_, err = service.New(t.Context(), o)
	require.ErrorContains(t, err, "metrics address")
	startIn(t, data).stop() // the folder's lock was given back
}

func TestCloseWithoutRun(t *testing.T) {
	data := t.TempDir()
	app, err := service.New(t.Context(), options(data, &logged{}))
	require.NoError(t, err)
	require.NoError(t, app.Close(t.Context()))
	startIn(t, data).stop()
}

func TestFirstRunMakesATokenOnce(t *testing.T) {
	r := start(t)
	first := r.app.First()
	assert.Len(t, first.Token, 32)
	info, err := os.Stat(filepath.Join(r.data, service.TokenFile))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	r.stop()
	again := startIn(t, r.data)
	assert.Empty(t, again.app.First().Token)
	_, err = pb.NewServerServiceClient(again.conn).GetServerInfo(again.ctx, &pb.GetServerInfoRequest{})
	require.NoError(t, err)
	assert.NotContains(t, again.log.String(), first.Token)
	assert.NotContains(t, r.log.String(), first.Token, "a token never stands in a log")
}

// flaky is a store whose probe can be made to fail, or its appends.
type flaky struct {
	store.Store
	noProbe, noAppend atomic.Bool
}

func (f *flaky) Probe(ctx context.Context) error {
	if f.noProbe.Load() {
		return errors.New("the disk is gone")
	}
	return f.Store.Probe(ctx)
}

func (f *flaky) Append(ctx context.Context, s []store.Stretch) error {
	if f.noAppend.Load() {
		return store.ErrBroken
	}
	return f.Store.Append(ctx, s)
}

func flakyStore(f *flaky) func(*service.Options) {
	return func(o *service.Options) {
		data := o.Data
		o.ProbeEvery = time.Millisecond
		o.OpenStore = func(context.Context) (store.Store, error) {
			s, err := local.Open(filepath.Join(data, "store"), local.Options{})
			f.Store = s
			return f, err
		}
	}
}

// TestHealthFollowsTheStore watches the health as callers do.
func TestHealthFollowsTheStore(t *testing.T) {
	f := &flaky{}
	r := start(t, flakyStore(f))
	watch, err := healthpb.NewHealthClient(r.conn).Watch(t.Context(), &healthpb.HealthCheckRequest{}) // no token
	require.NoError(t, err)
	until := func(want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		for {
			a, err := watch.Recv()
			require.NoError(t, err)
			if a.Status == want {
				return
			}
		}
	}
	until(healthpb.HealthCheckResponse_SERVING)
	f.noProbe.Store(true)
	until(healthpb.HealthCheckResponse_NOT_SERVING)
	info, err := pb.NewServerServiceClient(r.conn).GetServerInfo(r.ctx, &pb.GetServerInfoRequest{})
	require.NoError(t, err)
	assert.False(t, info.StoreWorks)
	f.noProbe.Store(false)
	until(healthpb.HealthCheckResponse_SERVING)
	_, err = healthpb.NewHealthClient(r.conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: "hourbell.v1.NoService"})
	assert.Equal(t, codes.NotFound, status.Code(err))
	one, err := healthpb.NewHealthClient(r.conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: "hourbell.v1.MachineService"})
	require.NoError(t, err)
	assert.Equal(t, healthpb.HealthCheckResponse_SERVING, one.Status)
}

// TestABrokenJournalEndsTheService: nothing is acknowledged, and Run says why.
func TestABrokenJournalEndsTheService(t *testing.T) {
	f := &flaky{}
	r := start(t, flakyStore(f))
	r.fleet()
	f.noAppend.Store(true)
	_, err := pb.NewReadingServiceClient(r.conn).RecordHours(r.ctx, &pb.RecordHoursRequest{Parent: "machines/ossa-1", Meter: "engine", ShownMs: hour})
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.ErrorContains(t, <-r.ended, "journal")
	r.ended <- nil // for the clean-up
}

func TestReflectionNeedsAToken(t *testing.T) {
	r := start(t)
	ask := func(ctx context.Context) error {
		s, err := reflectpb.NewServerReflectionClient(r.conn).ServerReflectionInfo(ctx)
		require.NoError(t, err)
		_ = s.Send(&reflectpb.ServerReflectionRequest{MessageRequest: &reflectpb.ServerReflectionRequest_ListServices{}})
		a, err := s.Recv()
		if err == nil {
			names := a.GetListServicesResponse().GetService()
			assert.Greater(t, len(names), 12)
			require.NoError(t, s.CloseSend())
			_, end := s.Recv()
			assert.ErrorIs(t, end, io.EOF)
		}
		return err
	}
	assert.Equal(t, codes.Unauthenticated, status.Code(ask(t.Context())))
	assert.NoError(t, ask(r.ctx))
}

func TestLargeMessagesAndHeadersAreRefused(t *testing.T) {
	r := start(t)
	_, err := pb.NewChartServiceClient(r.conn).ImportEdition(r.ctx, &pb.ImportEditionRequest{Yaml: string(make([]byte, 10<<20))})
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
	_, err = pb.NewChartServiceClient(r.conn).ImportEdition(r.ctx, &pb.ImportEditionRequest{Yaml: string(make([]byte, 1<<20+1))})
	assert.Equal(t, codes.InvalidArgument, status.Code(err))
	_, err = pb.NewServerServiceClient(r.conn).GetServerInfo(as(r.ctx, string(make([]byte, 32<<10))), &pb.GetServerInfoRequest{})
	assert.Error(t, err)
}

func scrape(t *testing.T, r *rig) string {
	t.Helper()
	a, err := http.Get("http://" + r.app.Addresses().Metrics + "/metrics")
	require.NoError(t, err)
	defer http.DefaultClient.CloseIdleConnections()
	defer a.Body.Close()
	require.Equal(t, http.StatusOK, a.StatusCode)
	b, err := io.ReadAll(a.Body)
	require.NoError(t, err)
	return string(b)
}

func TestMetricsAreServed(t *testing.T) {
	r := start(t)
	text := scrape(t, r)
	assert.Contains(t, text, "hourbell_machines 0\n")
	assert.Contains(t, text, `hourbell_build_info{version="test"} 1`)
	r.fleet()
	r.read("ossa-1", 1234.5, 0)
	text = scrape(t, r)
	assert.Contains(t, text, "hourbell_machines 2\n")
	assert.Contains(t, text, `hourbell_machine_operating_seconds_total{machine="ossa-1",meter="engine"} 4.4442e+06`+"\n")
	assert.NotContains(t, text, `hourbell_machine_operating_seconds_total{machine="ossa-2"`, "a machine that was never read has no hours")
	assert.Contains(t, text, "hourbell_ingest_commit_seconds_count")
}

// TestNoListenerWhereNoneIsWanted leaves all but the people's out.
func TestNoListenerWhereNoneIsWanted(t *testing.T) {
	r := start(t, func(o *service.Options) {
		o.AgentsAddr, o.EnrolAddr, o.MetricsAddr = service.NoListener, service.NoListener, service.NoListener
	})
	at := r.app.Addresses()
	assert.NotEmpty(t, at.People)
	assert.Equal(t, service.Addresses{People: at.People}, at)
	_, err := pb.NewServerServiceClient(r.conn).GetServerInfo(r.ctx, &pb.GetServerInfoRequest{})
	require.NoError(t, err)
}
