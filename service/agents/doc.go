// Package agents serves the agents: it enrols boxes and takes their events.
//
// Who speaks is told by the certificate alone, and what it may do by the
// office's table, which is asked when a stream opens and again before every
// batch once the office has changed: that is the revocation. The machine comes
// from the table; nothing in a message can name another.
//
// One stream belongs to one agent; a newer connection of the same agent ends the
// older. On a stream one goroutine receives and offers, another sends: one
// acknowledgement for all that has come to disk since the last. A slow agent
// holds up itself only.
package agents

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	_ "google.golang.org/grpc/encoding/gzip" // agents send compressed
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/office"
)

// Revision is the wire's revision that this service speaks.
const Revision = 1

// The bounds of what an agent may send.
const (
	// MaxMessage is the largest message taken, in bytes, after decompression: a
	// full batch and what goes with it.
	MaxMessage = ingest.MaxBatchBytes + 1<<20
	maxToken   = 256
	maxRequest = 16 << 10
	maxBoots   = 256
	maxLive    = 64
)

// Options say what the server stands on.
type Options struct {
	Ingest    *ingest.Ingest
	Office    *office.Office
	Authority *authority.Authority
	// Address is where agents find AgentService, host:port; enrolments hand it on.
	Address string
	Now     func() time.Time
	Log     *slog.Logger
	// Window is how many batches an agent may have in flight (0: 16).
	Window int
	// Gather is how long agents gather readings while nobody watches (0: 10
	// minutes).
	Gather time.Duration
	// CopyAfter is how long a cab's copy waits for further changes (0: 2 s).
	CopyAfter time.Duration
	// CopyBehind is how many events a cab's copy may be behind before a new one is
	// sent although nobody but the agent wrote (0: 5,000).
	CopyBehind uint64
	// Linger is how long an agent is still taken for watched after the last
	// watcher left (0: 30 s).
	Linger time.Duration
	// HelloWithin is how long a stream may stay silent at its start (0: 20 s).
	HelloWithin time.Duration
}

// Server serves AgentService and EnrolmentService.
type Server struct {
	pb.UnimplementedAgentServiceServer
	pb.UnimplementedEnrolmentServiceServer
	o        Options
	stopping chan struct{}
	stop     func()

	mu      sync.Mutex
	streams map[string]*stream // by agent
	seen    map[string]Presence
	ahead   map[string]Ahead // by machine
}

// Presence is how an agent stands with this run of the service.
type Presence struct {
	Connected bool
	Since     time.Time // of the connection
	Seen      time.Time // last heard
	Version   string
	Rules     uint32
	Acked     uint64 // the last event of its spool that was acknowledged
}

// Ahead is what a machine's meters show now, told ahead of a backlog. It counts
// nowhere.
type Ahead struct {
	Heard time.Time
	Now   *pb.LiveNow
}

// New returns a server.
func New(o Options) (*Server, error) {
	switch {
	case o.Ingest == nil || o.Office == nil || o.Authority == nil:
		return nil, errors.New("agents: Ingest, Office and Authority are needed")
	case o.Window < 0 || o.Gather < 0 || o.CopyAfter < 0 || o.Linger < 0 || o.HelloWithin < 0:
		return nil, errors.New("agents: Window, Gather, CopyAfter, Linger and HelloWithin can't be negative; 0 takes the default")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Window = cmp.Or(o.Window, 16)
	o.Gather = cmp.Or(o.Gather, 10*time.Minute)
	o.CopyAfter = cmp.Or(o.CopyAfter, 2*time.Second)
	o.CopyBehind = cmp.Or(o.CopyBehind, 5_000)
	o.Linger = cmp.Or(o.Linger, 30*time.Second)
	o.HelloWithin = cmp.Or(o.HelloWithin, 20*time.Second)
	stopping := make(chan struct{})
	return &Server{o: o, stopping: stopping, stop: sync.OnceFunc(func() { close(stopping) }),
		streams: map[string]*stream{}, seen: map[string]Presence{}, ahead: map[string]Ahead{}}, nil
}

// ServerOptions are the limits of the agents' gRPC server, to be given to
// grpc.NewServer with the credentials.
func ServerOptions() []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec()),
		// TLS has read a record whole: a buffer of gRPC's own beside it would be 32 KiB
		// of every idle machine's connection.
		grpc.ReadBufferSize(0),
		grpc.MaxRecvMsgSize(MaxMessage),
		grpc.MaxSendMsgSize(64 << 20),
		grpc.MaxConcurrentStreams(4), // of one connection: a stream, and a renewal beside it
		grpc.MaxHeaderListSize(16 << 10),
		grpc.ConnectionTimeout(20 * time.Second),
		grpc.InitialWindowSize(1 << 20),
		grpc.InitialConnWindowSize(1 << 20),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			// A dead connection is noticed within six minutes. A shorter time would
			// cost a mobile link more than the readings do.
			Time: 5 * time.Minute, Timeout: 60 * time.Second,
			MaxConnectionAge: 24 * time.Hour, MaxConnectionAgeGrace: time.Minute,
		}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 30 * time.Second, PermitWithoutStream: true}),
	}
}

// Stop lets every stream acknowledge what is on its way to disk and end. It
// returns at once; the gRPC server's GracefulStop waits for the streams.
func (s *Server) Stop() { s.stop() }

// Presence tells how an agent stands, false where it has not spoken to this run
// of the service.
func (s *Server) Presence(agent string) (Presence, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p, has := s.seen[agent]
	return p, has
}

// Connected is how many agents are connected.
func (s *Server) Connected() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.streams)
}

// Ahead gives what a machine's meters show now where its agent still has a
// backlog to send.
func (s *Server) Ahead(machine string) (Ahead, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	a, has := s.ahead[machine]
	return a, has
}

// who tells which agent speaks and that it may.
func (s *Server) who(ctx context.Context) (office.Agent, [32]byte, error) {
	unknown := func(why string) error {
		return fault.New(fault.AgentUnknown, why+": an agent speaks over mutual TLS with the certificate of its enrolment")
	}
	p, has := peer.FromContext(ctx)
	if !has {
		return office.Agent{}, [32]byte{}, unknown("the connection has no peer")
	}
	info, is := p.AuthInfo.(credentials.TLSInfo)
	if !is || len(info.State.VerifiedChains) == 0 {
		return office.Agent{}, [32]byte{}, unknown("the connection has no verified certificate")
	}
	id, key, err := authority.AgentID(info.State.VerifiedChains[0][0])
	if err != nil {
		return office.Agent{}, key, unknown(err.Error())
	}
	a, err := s.o.Office.Admit(id, key)
	return a, key, err
}

// status translates an error at the edge, and logs what the caller is not told.
func (s *Server) status(method string, err error) error {
	if err == nil {
		return nil
	}
	// A caller that hung up is no failure, however the transport says so.
	if status.Code(err) == codes.Canceled {
		return err
	}
	if is := fault.Of(err); is.Reason == fault.Internal || is.Reason == fault.JournalStopped {
		s.o.Log.Error("a call failed", "method", method, "error", err)
	}
	return fault.Status(err)
}
