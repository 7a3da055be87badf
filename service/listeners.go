package service

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/api"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/metrics"
)

// The names of the listeners.
const (
	peopleListener  = "people"
	agentsListener  = "agents"
	enrolListener   = "enrolment"
	metricsListener = "metrics"
)

// The limits of the people's and the enrolment listener.
const (
	maxConnections   = 4096
	maxRequest       = 9 << 20 // a picture is at most 8 MiB, a chart 1 MiB
	maxAnswer        = 16 << 20
	maxHeader        = 16 << 10
	maxStreams       = 128
	handshakeTime    = 10 * time.Second
	connectionAge    = 12 * time.Hour
	connectionGrace  = time.Minute
	enrolRequest     = 64 << 10
	enrolStreams     = 4
	enrolConnections = 256
)

// listening is a listener with what serves it.
type listening struct {
	name     string
	listener net.Listener
	serve    func(net.Listener) error
	stop     func(ctx context.Context) error
}

// start serves until the clean-up stops it.
func (l *listening) start(a *App, failed chan<- error) {
	done := make(chan struct{})
	stopping := make(chan struct{})
	go func() {
		defer close(done)
		err := l.serve(l.listener)
		select {
		case <-stopping:
		default:
			select {
			case failed <- fmt.Errorf("the %s listener ended: %w", l.name, cmpErr(err)):
			default:
			}
		}
	}()
	a.clean.add("the "+l.name+" listener", a.o.StopWithin+time.Second, func(ctx context.Context) error {
		close(stopping)
		err := l.stop(ctx)
		<-done
		return err
	})
}

// bind opens the listeners, so that port 0 has its number before anything runs.
func (a *App) bind(ctx context.Context) error {
	var config net.ListenConfig
	for _, l := range []struct{ name, addr string }{{peopleListener, a.o.PeopleAddr}, {agentsListener, a.o.AgentsAddr}, {enrolListener, a.o.EnrolAddr}, {metricsListener, a.o.MetricsAddr}} {
		if l.addr == NoListener {
			continue
		}
		listener, err := config.Listen(ctx, "tcp", l.addr)
		if err != nil {
			return fmt.Errorf("listen on the %s address: %w; another program has it, or it is not this computer's", l.name, err)
		}
		a.clean.close("the "+l.name+" socket", func() error {
			if err := listener.Close(); !errors.Is(err, net.ErrClosed) {
				return err
			}
			return nil
		})
		a.servers = append(a.servers, &listening{name: l.name, listener: listener})
	}
	return nil
}

func (a *App) listening(name string) *listening {
	for _, l := range a.servers {
		if l.name == name {
			return l
		}
	}
	return nil
}

// addr gives the address that a listener got, "" where there is none.
func (a *App) addr(name string) string {
	if l := a.listening(name); l != nil {
		return l.listener.Addr().String()
	}
	return ""
}

// public gives an address as others reach it: by the name that was set, by what
// it is bound to, or by this computer's name.
func (a *App) public(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return ""
	}
	ip := net.ParseIP(host)
	switch {
	case a.o.Host != "":
		host = a.o.Host
	case ip != nil && ip.IsUnspecified():
		if host, err = os.Hostname(); err != nil {
			host = "localhost"
		}
	}
	return net.JoinHostPort(host, port)
}

// Addresses are where the service listens, "" for what it does not.
type Addresses struct{ People, Agents, Enrol, Metrics string }

// Addresses gives them, ports known.
func (a *App) Addresses() Addresses {
	return Addresses{People: a.addr(peopleListener), Agents: a.addr(agentsListener), Enrol: a.addr(enrolListener), Metrics: a.addr(metricsListener)}
}

// Fingerprint is what agents and people pin the service by.
func (a *App) Fingerprint() string { return a.authority.Fingerprint() }

// First says what was made at the first run.
func (a *App) First() First { return a.first }

// Registry is where further metrics are registered.
func (a *App) Registry() *prometheus.Registry { return a.registry }

func (a *App) info() api.Info {
	at := a.Addresses()
	return api.Info{
		Version: a.o.Version, Started: a.started, Incarnation: a.store.Incarnation(), People: a.public(at.People), Agents: a.public(at.Agents), Enrol: at.Enrol, Metrics: at.Metrics,
		EnrolPublic: a.public(at.Enrol), Fingerprint: a.authority.Fingerprint(),
	}
}

// servePeople puts the people's services on their listener.
func (a *App) servePeople(people *api.API) {
	l := a.listening(peopleListener)
	if l == nil {
		return
	}
	s := grpc.NewServer(
		grpc.Creds(credentials.NewTLS(a.authority.ServerTLS(authority.People))),
		grpc.MaxRecvMsgSize(maxRequest), grpc.MaxSendMsgSize(maxAnswer), grpc.MaxHeaderListSize(maxHeader), grpc.MaxConcurrentStreams(maxStreams),
		grpc.ConnectionTimeout(handshakeTime),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 2 * time.Minute, Timeout: 20 * time.Second, MaxConnectionAge: connectionAge, MaxConnectionAgeGrace: connectionGrace}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 30 * time.Second, PermitWithoutStream: true}),
		grpc.ChainUnaryInterceptor(people.Errors, a.access.Unary),
		grpc.ChainStreamInterceptor(people.StreamErrors, a.drain.Stream, a.access.Stream),
	)
	people.Register(s)
	a.prober.register(s)
	reflection.Register(s)
	l.listener = netutil.LimitListener(l.listener, maxConnections)
	l.serve, l.stop = s.Serve, graceful(s, a.o.StopWithin)
}

// serveAgents puts the agents' and the enrolment service on their listeners.
func (a *App) serveAgents() {
	if l := a.listening(agentsListener); l != nil {
		s := grpc.NewServer(append(agents.ServerOptions(), grpc.Creds(credentials.NewTLS(a.authority.ServerTLS(authority.Agents))))...)
		pb.RegisterAgentServiceServer(s, a.agents)
		l.serve, l.stop = s.Serve, graceful(s, a.o.StopWithin)
	}
	if l := a.listening(enrolListener); l != nil {
		s := grpc.NewServer(
			grpc.Creds(credentials.NewTLS(a.authority.ServerTLS(authority.Enrol))),
			grpc.MaxRecvMsgSize(enrolRequest), grpc.MaxHeaderListSize(maxHeader), grpc.MaxConcurrentStreams(enrolStreams), grpc.ConnectionTimeout(handshakeTime),
			grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: time.Minute, MaxConnectionAge: 5 * time.Minute, MaxConnectionAgeGrace: time.Minute}),
		)
		pb.RegisterEnrolmentServiceServer(s, a.agents)
		l.listener = netutil.LimitListener(l.listener, enrolConnections)
		l.serve, l.stop = s.Serve, graceful(s, a.o.StopWithin)
	}
}

// graceful stops a server: open calls may end, those that don't in time are cut
// off.
func graceful(s *grpc.Server, within time.Duration) func(context.Context) error {
	return func(context.Context) error {
		timer := time.AfterFunc(within, s.Stop)
		defer timer.Stop()
		s.GracefulStop()
		return nil
	}
}

// serveMetrics puts /metrics on its listener.
func (a *App) serveMetrics() error {
	err := metrics.Watch(a.registry, metrics.Sources{
		Ingest: a.ingest, Notices: a.outbox.Stats, Connected: a.agents.Connected, StoreWorks: a.prober.works, JournalBytes: a.o.JournalBytes, Log: a.o.Log.With("part", "metrics"),
	})
	if err != nil {
		return fmt.Errorf("register the metrics: %w", err)
	}
	l := a.listening(metricsListener)
	if l == nil {
		return nil
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(a.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 2, Timeout: 30 * time.Second, EnableOpenMetrics: true}))
	s := &http.Server{
		Handler: mux, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 40 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: maxHeader,
	}
	l.listener = netutil.LimitListener(l.listener, 64)
	l.serve = func(on net.Listener) error {
		if err := s.Serve(on); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	}
	l.stop = func(ctx context.Context) error {
		ctx, cancel := context.WithTimeout(ctx, a.o.StopWithin)
		defer cancel()
		if err := s.Shutdown(ctx); err != nil {
			return errors.Join(err, s.Close())
		}
		return nil
	}
	return nil
}
