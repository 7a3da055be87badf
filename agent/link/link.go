// Package link is the box's connection to its service: mutual TLS by the box's
// identity, made for a mobile link, and the identity's renewal over it.
package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"

	"github.com/hourbell/hourbell/agent/enrol"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// ServerName is the name that every certificate of a service carries, whatever
// address it is reached by.
const ServerName = "hourbell"

const (
	// The agent speaks every ten minutes at least while the bus is alive; only a
	// link that was silent for longer is tried, and given up where no answer comes.
	pingAfter   = 15 * time.Minute
	pingTimeout = 20 * time.Second
	connectIn   = 30 * time.Second

	mostReceived = 4 << 20 // a copy for the cab, its chart in it
	mostSent     = 1 << 20 // a batch
	mostHeaders  = 16 << 10

	// A fleet's renewals are spread over a day. Connections come and go, so each
	// looks soon whether it is time, and then every hour.
	renewSpread = 24 * time.Hour
	renewSoon   = 30 * time.Second
	renewEvery  = time.Hour
)

// Options says what a link stands on.
type Options struct {
	// Dir is the identity's folder.
	Dir string
	// Address is host:port, "" the identity's own.
	Address string
	Rand    io.Reader
	Jitter  func(n time.Duration) time.Duration // in [0, n)
	// RenewSoon is how long after a connection was made it looks whether the
	// identity is to be renewed. 0 takes half a minute.
	RenewSoon time.Duration
	// Renewed is told of each new identity; nil: nobody.
	Renewed func(*enrol.Identity)
	Log     *slog.Logger
}

// Link dials one service as one box. It is safe for concurrent use.
type Link struct {
	opts   Options
	spread time.Duration // of this box's renewal after half of its certificate's life

	renewals sync.WaitGroup

	mu sync.Mutex
	id *enrol.Identity
}

// Open reads the identity, enrol.ErrNone where there is none.
func Open(opts Options) (*Link, error) {
	if opts.Rand == nil || opts.Jitter == nil {
		return nil, errors.New("link: Rand and Jitter are needed")
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.RenewSoon == 0 {
		opts.RenewSoon = renewSoon
	}
	if opts.Renewed == nil {
		opts.Renewed = func(*enrol.Identity) {}
	}
	id, err := enrol.Load(opts.Dir)
	if err != nil {
		return nil, err
	}
	return &Link{opts: opts, spread: opts.Jitter(renewSpread), id: id}, nil
}

// Identity is who this box is.
func (l *Link) Identity() *enrol.Identity {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.id
}

// Address is where the service is dialled.
func (l *Link) Address() string {
	if l.opts.Address != "" {
		return l.opts.Address
	}
	return l.Identity().Address
}

// Dial makes a connection; it is opened by its first call. Until ctx ends the
// identity is renewed over it once half of its life is over. judge is the time
// by which certificates are judged.
func (l *Link) Dial(ctx context.Context, judge func() time.Time) (*grpc.ClientConn, error) {
	tls := l.Identity().TLS(judge)
	tls.ServerName = ServerName
	conn, err := grpc.NewClient("passthrough:///"+l.Address(),
		grpc.WithTransportCredentials(credentials.NewTLS(tls)),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: pingAfter, Timeout: pingTimeout}),
		grpc.WithConnectParams(grpc.ConnectParams{MinConnectTimeout: connectIn}),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(mostReceived), grpc.MaxCallSendMsgSize(mostSent)),
		grpc.WithMaxHeaderListSize(mostHeaders),
		grpc.WithDisableServiceConfig(), grpc.WithDisableRetry(),
		grpc.WithReadBufferSize(4<<10), grpc.WithWriteBufferSize(8<<10))
	if err != nil {
		return nil, fmt.Errorf("reach the service at %s: %w", l.Address(), err)
	}
	l.renewals.Go(func() { l.renew(ctx, conn, judge) })
	return conn, nil
}

// Wait waits until no renewal is under way any more. The contexts of all Dials
// must have ended.
func (l *Link) Wait() { l.renewals.Wait() }

// renew looks, soon after the connection was made and then now and again, whether
// it is time for a new certificate, until ctx ends.
func (l *Link) renew(ctx context.Context, conn *grpc.ClientConn, judge func() time.Time) {
	wait := l.opts.RenewSoon + l.opts.Jitter(l.opts.RenewSoon)
	for {
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		wait = renewEvery
		if !l.Identity().RenewalDue(judge().Add(-l.spread)) {
			continue
		}
		id, err := enrol.Renew(ctx, l.opts.Dir, l.Identity(), pb.NewAgentServiceClient(conn), l.opts.Rand)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			l.opts.Log.Warn("the box's certificate could not be renewed", "good_until", l.Identity().Expires(), "again_in", wait, "why", err)
		default:
			l.mu.Lock()
			l.id = id
			l.mu.Unlock()
			l.opts.Log.Info("the box's certificate was renewed", "good_until", id.Expires())
			l.opts.Renewed(id)
		}
	}
}
