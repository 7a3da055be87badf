package service

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/hourbell/hourbell/internal/store"
)

// probeTime bounds one probe of the store.
const probeTime = 5 * time.Second

// prober ties the health that callers see to whether the store works.
type prober struct {
	store  store.Store
	every  time.Duration
	now    func() time.Time
	probed func(time.Time)
	log    *slog.Logger
	health *health.Server
	well   atomic.Bool
	names  []string
}

func newProber(s store.Store, every time.Duration, now func() time.Time, probed func(time.Time), log *slog.Logger) *prober {
	p := &prober{store: s, every: every, now: now, probed: probed, log: log, health: health.NewServer(), names: []string{""}}
	p.set(healthpb.HealthCheckResponse_NOT_SERVING)
	return p
}

// register puts the health service on a server, with a status for each service
// that stands there already.
func (p *prober) register(s *grpc.Server) {
	for name := range s.GetServiceInfo() {
		p.names = append(p.names, name)
	}
	healthpb.RegisterHealthServer(s, p.health)
	p.set(healthpb.HealthCheckResponse_NOT_SERVING)
}

func (p *prober) set(status healthpb.HealthCheckResponse_ServingStatus) {
	for _, name := range p.names {
		p.health.SetServingStatus(name, status)
	}
}

// works reports whether the last probe went well.
func (p *prober) works() bool { return p.well.Load() }

// run probes until ctx ends.
func (p *prober) run(ctx context.Context) error {
	tick := time.NewTicker(p.every)
	defer tick.Stop()
	for {
		p.probe(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func (p *prober) probe(ctx context.Context) {
	bounded, cancel := context.WithTimeout(ctx, probeTime)
	defer cancel()
	err := p.store.Probe(bounded)
	if ctx.Err() != nil {
		return
	}
	well := err == nil
	if was := p.well.Swap(well); well {
		p.probed(p.now())
		p.set(healthpb.HealthCheckResponse_SERVING)
	} else {
		if was {
			p.log.Error("the store does not work", "err", err)
		}
		p.set(healthpb.HealthCheckResponse_NOT_SERVING)
	}
}

// shutdown tells callers to go elsewhere, for good.
func (p *prober) shutdown() { p.health.Shutdown() }
