package agents_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const heron, stork = "heron", "stork"

// house is the service's side, on loopback with real certificates.
type house struct {
	t       testing.TB
	store   *ingesttest.Memory
	ingest  *ingest.Ingest
	office  *office.Office
	auth    *authority.Authority
	server  *agents.Server
	grpc    *grpc.Server
	address string
	enrolAt string
	clock   atomic.Int64
	dir     string
	close   func()
}

func (h *house) now() time.Time          { return time.UnixMilli(h.clock.Load()) }
func (h *house) instant() moment.Instant { return moment.Instant(h.clock.Load()) }

// newHouse has the machines heron and stork, with the small chart.
func newHouse(t testing.TB, change ...func(*agents.Options)) *house {
	h := openHouse(t, ingesttest.New(), t.TempDir(), change...)
	ctx := t.Context()
	_, err := h.office.CreateCustomer(ctx, office.Customer{ID: "redbank", Display: "Redbank crew"})
	require.NoError(t, err)
	_, err = h.office.CreateSite(ctx, office.Site{ID: "low-ford", Customer: "redbank", Display: "Low Ford", Zone: "Europe/Kyiv", TurnsAt: 240})
	require.NoError(t, err)
	for _, id := range []string{heron, stork} {
		_, err = h.office.RegisterMachine(ctx, office.Machine{ID: id, Display: "The " + id, Customer: "redbank", Site: "low-ford"})
		require.NoError(t, err)
		require.NoError(t, h.ingest.Commission(ctx, maintenance.Commissioned{Machine: id, Display: "The " + id, Customer: "redbank", Site: "low-ford", Zone: "Europe/Kyiv", TurnsAt: 240}))
		_, err = h.ingest.Act(ctx, id, [16]byte{0xed}, moment.Span{}, &maintenance.EditionTaken{Chart: ingesttest.Chart()})
		require.NoError(t, err)
	}
	return h
}

func openHouse(t testing.TB, s *ingesttest.Memory, dir string, change ...func(*agents.Options)) *house {
	return openHouseOn(t, s, s, dir, change...)
}

func openHouseOn(t testing.TB, s store.Store, mem *ingesttest.Memory, dir string, change ...func(*agents.Options)) *house {
	h := &house{t: t, store: mem, dir: dir}
	h.clock.Store(time.Date(2031, 7, 2, 9, 0, 0, 0, time.UTC).UnixMilli())
	var err error
	h.ingest, err = ingest.New(t.Context(), ingest.Options{Store: s, Now: h.now})
	require.NoError(t, err)
	h.office, err = office.Open(t.Context(), office.Options{Store: s, Now: h.now})
	require.NoError(t, err)
	h.auth, err = authority.Open(authority.Options{Dir: dir, Now: h.now})
	require.NoError(t, err)
	agentsAt, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	enrolAt, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	h.address, h.enrolAt = agentsAt.Addr().String(), enrolAt.Addr().String()
	o := agents.Options{Ingest: h.ingest, Office: h.office, Authority: h.auth, Address: h.address, Now: h.now, CopyAfter: 5 * time.Millisecond, Linger: time.Millisecond}
	for _, c := range change {
		c(&o)
	}
	h.server, err = agents.New(o)
	require.NoError(t, err)
	h.serve(agentsAt, enrolAt)
	return h
}

func (h *house) serve(agentsAt, enrolAt net.Listener) {
	h.grpc = grpc.NewServer(append(agents.ServerOptions(), grpc.Creds(credentials.NewTLS(h.auth.ServerTLS(authority.Agents))))...)
	pb.RegisterAgentServiceServer(h.grpc, h.server)
	enrol := grpc.NewServer(append(agents.ServerOptions(), grpc.Creds(credentials.NewTLS(h.auth.ServerTLS(authority.Enrol))))...)
	pb.RegisterEnrolmentServiceServer(enrol, h.server)
	go h.grpc.Serve(agentsAt)
	go enrol.Serve(enrolAt)
	ctx, cancel := context.WithCancel(context.WithoutCancel(h.t.Context()))
	ran := make(chan error, 1)
	go func() { ran <- h.ingest.Run(ctx) }()
	closed := false
	h.close = func() {
		if closed {
			return
		}
		closed = true
		h.server.Stop()
		h.grpc.GracefulStop()
		enrol.GracefulStop()
		cancel()
		<-ran
		h.auth.Close()
	}
	h.t.Cleanup(h.close)
}

// box is an agent's side: a key, a certificate, and a spool.
type box struct {
	*ingesttest.Spool
	h    *house
	id   string
	key  *ecdsa.PrivateKey
	cert tls.Certificate
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	return key
}

func csr(t testing.TB, key *ecdsa.PrivateKey) []byte {
	der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	require.NoError(t, err)
	return der
}

// enrol puts a new box on a machine.
func (h *house) enrol(machine string, epoch byte, how ...office.Enrolling) *box {
	h.t.Helper()
	b := &box{Spool: ingesttest.NewSpool(epoch), h: h, key: newKey(h.t)}
	how = append(how, office.Enrolling{})
	token, _, err := h.office.CreateEnrolment(h.t.Context(), machine, how[0])
	require.NoError(h.t, err)
	resp, err := h.tryEnrol(token, b.key)
	require.NoError(h.t, err)
	require.Equal(h.t, machine, resp.GetMachine())
	require.Equal(h.t, h.address, resp.GetAddress())
	b.id, b.cert = resp.GetAgent(), tls.Certificate{Certificate: resp.GetCertificateChain(), PrivateKey: b.key}
	return b
}

func (h *house) tryEnrol(token string, key *ecdsa.PrivateKey) (*pb.EnrolResponse, error) {
	conn := h.dial(h.enrolAt)
	defer conn.Close()
	return pb.NewEnrolmentServiceClient(conn).Enrol(h.t.Context(), &pb.EnrolRequest{Token: token, CertificateRequest: csr(h.t, key)})
}

func (h *house) dial(address string, certs ...tls.Certificate) *grpc.ClientConn {
	h.t.Helper()
	pool := x509.NewCertPool()
	cert, err := x509.ParseCertificate(h.auth.Certificate())
	require.NoError(h.t, err)
	pool.AddCert(cert)
	conn, err := grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(credentials.NewTLS(
		&tls.Config{RootCAs: pool, Certificates: certs, Time: h.now, MinVersion: tls.VersionTLS13})))
	require.NoError(h.t, err)
	return conn
}

// line is one open stream.
type line struct {
	pb.AgentService_ConnectClient
	t       testing.TB
	conn    *grpc.ClientConn
	welcome *pb.ServiceWelcome
	others  []*pb.ConnectResponse // that came while something else was awaited
}

// refused connects, says a message, and gives the error that comes of it.
func (b *box) refused(first *pb.ConnectRequest) error {
	b.h.t.Helper()
	conn := b.h.dial(b.h.address, b.cert)
	defer conn.Close()
	stream, err := pb.NewAgentServiceClient(conn).Connect(context.WithoutCancel(b.h.t.Context()))
	if err != nil {
		return err
	}
	l := &line{AgentService_ConnectClient: stream}
	if first != nil {
		_ = stream.Send(first) // it may have ended by now: Recv tells why
	}
	return l.failure()
}

// open connects and says a message.
func (b *box) open(first *pb.ConnectRequest) *line {
	b.h.t.Helper()
	conn := b.h.dial(b.h.address, b.cert)
	stream, err := pb.NewAgentServiceClient(conn).Connect(context.WithoutCancel(b.h.t.Context()))
	require.NoError(b.h.t, err)
	l := &line{AgentService_ConnectClient: stream, t: b.h.t, conn: conn}
	b.h.t.Cleanup(func() { conn.Close() })
	if first != nil {
		require.NoError(b.h.t, stream.Send(first))
	}
	return l
}

func (b *box) hello() *pb.AgentHello {
	return &pb.AgentHello{Revision: 1, Version: "test", Epoch: b.Epoch[:], LastSequence: b.Last(), LastHash: b.Hashes[b.Last()][:], FirstSequence: 1, Rules: 1}
}

// connect opens a stream up to the welcome.
func (b *box) connect() *line {
	b.h.t.Helper()
	l := b.open(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: b.hello()}})
	m, err := l.Recv()
	require.NoError(b.h.t, err)
	l.welcome = m.GetWelcome()
	require.NotNil(b.h.t, l.welcome)
	return l
}

func (l *line) batch(b *box, first, last uint64) {
	l.t.Helper()
	require.NoError(l.t, l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: b.message(first, last)}}))
}

func (b *box) message(first, last uint64) *pb.Batch {
	return &pb.Batch{FirstSequence: first, PreviousHash: b.Hashes[first-1][:], Events: b.Events[first-1 : last]}
}

// await reads until a message is such.
func await[M any](l *line, get func(*pb.ConnectResponse) M, is func(M) bool) M {
	l.t.Helper()
	for i, m := range l.others {
		if v := get(m); is(v) {
			l.others = append(l.others[:i:i], l.others[i+1:]...)
			return v
		}
	}
	for {
		m, err := l.Recv()
		require.NoError(l.t, err)
		if v := get(m); is(v) {
			return v
		}
		l.others = append(l.others, m)
	}
}

func (l *line) ack(sequence uint64) *pb.Ack {
	l.t.Helper()
	return await(l, (*pb.ConnectResponse).GetAck, func(a *pb.Ack) bool { return a != nil && a.GetSequence() >= sequence })
}

func (l *line) copy() *pb.CabCopy {
	l.t.Helper()
	return await(l, (*pb.ConnectResponse).GetCabCopy, func(c *pb.CabCopy) bool { return c != nil })
}

// failure reads until the stream ends, and gives why.
func (l *line) failure() error {
	for {
		if _, err := l.Recv(); err != nil {
			return err
		}
	}
}

// readings appends n readings, a minute apart up to now.
func (b *box) readings(n int) {
	for i := range n {
		b.Reading(b.h.instant()-moment.Instant((n-1-i)*60_000), 3_600_000_000)
	}
}
