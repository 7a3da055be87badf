package service

import (
	"context"
	"math/rand/v2"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/fault"
)

// drain ends open streams when the service stops, so that a graceful stop does
// not wait for those who watch.
type drain struct {
	ctx context.Context
	end func()
}

func newDrain() *drain {
	ctx, cancel := context.WithCancelCause(context.Background())
	return &drain{ctx: ctx, end: func() {
		cancel(fault.New(fault.Stopping, "the service is ending: come again in a moment"))
	}}
}

// Stream gives a stream a context that ends when the service stops.
func (d *drain) Stream(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	ctx, cancel := context.WithCancelCause(ss.Context())
	defer cancel(nil)
	defer context.AfterFunc(d.ctx, func() { cancel(context.Cause(d.ctx)) })()
	return handler(srv, &drained{ServerStream: ss, ctx: ctx})
}

type drained struct {
	grpc.ServerStream
	ctx context.Context
}

// Context ends when the service stops.
func (s *drained) Context() context.Context { return s.ctx }

// fate journals what became of a notice's delivery. Its name is its own, so that
// telling it again does nothing.
func (a *App) fate(ctx context.Context, machine string, f *maintenance.NoticeFate) error {
	key := maintenance.ServiceKey("notice-fate", f.Notice.String(), f.Channel)
	_, err := a.ingest.Act(ctx, machine, key.Stream, moment.Span{}, f)
	return err
}

// jitter spreads a pause between half of it and one and a half.
func jitter(d time.Duration) time.Duration {
	if d <= 0 {
		return d
	}
	return d/2 + rand.N(d)
}
