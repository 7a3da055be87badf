package uplink_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// spool is a queue in memory. Its chain is computed here, not by the product.
type spool struct {
	mu     sync.Mutex
	first  uint64
	events [][]byte
	chain  [][32]byte // chain[n] is the hash after n
	acked  uint64

	rewound bool
}

func newSpool(n int) *spool {
	s := &spool{first: 1, chain: [][32]byte{sha256.Sum256([]byte("start"))}}
	for range n {
		s.add()
	}
	return s
}

func (s *spool) add() {
	s.mu.Lock()
	defer s.mu.Unlock()
	seq := uint64(len(s.events) + 1)
	payload := fmt.Appendf(nil, "event %d", seq)
	prev := s.chain[len(s.chain)-1]
	s.chain = append(s.chain, sha256.Sum256(append(binary.BigEndian.AppendUint64(prev[:], seq), payload...)))
	s.events = append(s.events, payload)
}

func (s *spool) Epoch() [16]byte { return [16]byte{7} }
func (s *spool) First() uint64   { s.mu.Lock(); defer s.mu.Unlock(); return s.first }
func (s *spool) Last() (uint64, [32]byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return uint64(len(s.events)), s.chain[len(s.events)]
}
func (s *spool) Acked() uint64 { s.mu.Lock(); defer s.mu.Unlock(); return s.acked }
func (s *spool) HashAt(seq uint64) ([32]byte, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.chain[seq], true, nil
}
func (s *spool) Rewind(seq uint64, hash [32]byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rewound, s.acked = true, min(s.acked, seq)
	return nil
}
func (s *spool) Read(from uint64, events, _ int) (out []uplink.Item, hash [32]byte, _ error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	seq := from
	for ; seq <= uint64(len(s.events)) && len(out) < events; seq++ {
		out = append(out, uplink.Item{Seq: seq, Payload: s.events[seq-1]})
	}
	return out, s.chain[seq-1], nil
}
func (s *spool) Ack(seq uint64, hash [32]byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.chain[seq] != hash {
		return fmt.Errorf("acknowledged with another hash")
	}
	s.acked = seq
	return nil
}

// wall is a clock that is set and runs with the test's time.
type wall struct{ start time.Time }

func (w wall) Boot() uint32                                { return 1 }
func (w wall) Mono() int64                                 { return time.Since(w.start).Milliseconds() }
func (w wall) Now() (moment.Instant, bool)                 { return moment.Instant(time.Now().UnixMilli()), true }
func (w wall) Best() time.Time                             { return time.Now() }
func (w wall) Set(moment.Instant, int64) error             { return nil }
func (w wall) Place(uint32) (a, b moment.Instant, ok bool) { return 1, 2, true }

type cab struct{}

func (cab) Copy() (uint64, [32]byte) { return 0, [32]byte{} }
func (cab) Take(*pb.CabCopy) error   { return nil }
func (cab) Readings() (moment.Instant, []maintenance.Reading) {
	return 5, []maintenance.Reading{{Meter: "engine", Shown: 42, Resolution: 1, Origin: maintenance.OriginBus}}
}

// service is the other side: it keeps what it is sent and acknowledges it.
type service struct {
	pb.UnimplementedAgentServiceServer
	mu      sync.Mutex
	has     uint64
	hash    [32]byte
	got     []string
	thinned uint64
	ahead   uint64
	hellos  int
	batches []time.Time
	mute    bool   // acknowledge nothing
	dropAt  uint64 // end the stream once this was acknowledged
	refuse  error  // answer the hello with this
	watched bool
	window  uint32
}

func (s *service) Connect(stream grpc.BidiStreamingServer[pb.ConnectRequest, pb.ConnectResponse]) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.hellos++
	hello := first.GetHello()
	welcome := &pb.ServiceWelcome{Incarnation: make([]byte, 16), NextSequence: s.has + 1, Hash: append([]byte(nil), s.hash[:]...),
		ServiceTimeMs: 1, Machine: "lark", Window: max(1, s.window), MonotonicMs: hello.GetMonotonicMs()}
	refuse, watched := s.refuse, s.watched
	s.mu.Unlock()
	if refuse != nil {
		return refuse
	}
	if err := stream.Send(&pb.ConnectResponse{Message: &pb.ConnectResponse_Welcome{Welcome: welcome}}); err != nil {
		return err
	}
	if watched {
		if err := stream.Send(&pb.ConnectResponse{Message: &pb.ConnectResponse_Pace{Pace: &pb.Pace{Watched: true}}}); err != nil {
			return err
		}
	}
	for {
		m, err := stream.Recv()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if live := m.GetLiveNow(); live != nil {
			s.mu.Lock()
			s.ahead = live.GetBehind()
			s.mu.Unlock()
			continue
		}
		if b := m.GetBatch(); b != nil {
			if err := s.take(b, stream); err != nil {
				return err
			}
		}
	}
}

func (s *service) take(b *pb.Batch, stream grpc.BidiStreamingServer[pb.ConnectRequest, pb.ConnectResponse]) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if b.GetFirstSequence() != s.has+1 || string(b.GetPreviousHash()) != string(s.hash[:]) {
		return status.Errorf(codes.DataLoss, "batch begins at %d after %x, want %d after %x", b.GetFirstSequence(), b.GetPreviousHash(), s.has+1, s.hash)
	}
	s.batches = append(s.batches, time.Now())
	runs := b.GetThinned()
	for _, e := range b.GetEvents() {
		if len(e) == 0 {
			s.has += runs[0].GetCount()
			s.thinned += runs[0].GetCount()
			copy(s.hash[:], runs[0].GetHashAfter())
			runs = runs[1:]
			continue
		}
		s.has++
		s.hash = sha256.Sum256(append(binary.BigEndian.AppendUint64(s.hash[:], s.has), e...))
		s.got = append(s.got, string(e))
	}
	if s.mute {
		return nil
	}
	if err := stream.Send(&pb.ConnectResponse{Message: &pb.ConnectResponse_Ack{Ack: &pb.Ack{Sequence: s.has}}}); err != nil {
		return err
	}
	if s.dropAt != 0 && s.has >= s.dropAt {
		s.dropAt = 0
		return status.Error(codes.Unavailable, "the link is gone")
	}
	return nil
}

type rig struct {
	t      *testing.T
	spool  *spool
	svc    *service
	up     *uplink.Uplink
	seen   []uplink.Status
	mu     sync.Mutex
	finish func()
}

// start runs an uplink against svc in the test's bubble.
func start(t *testing.T, sp *spool, svc *service) *rig {
	r := &rig{t: t, spool: sp, svc: svc}
	if svc.hash == ([32]byte{}) {
		svc.hash = sp.chain[0]
	}
	lis := bufconn.Listen(1 << 20)
	srv := grpc.NewServer()
	pb.RegisterAgentServiceServer(srv, svc)
	up, err := uplink.New(uplink.Options{
		Dial: func(context.Context) (*grpc.ClientConn, error) {
			return grpc.NewClient("passthrough:///service", grpc.WithTransportCredentials(insecure.NewCredentials()),
				grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return lis.DialContext(ctx) }))
		},
		Spool: sp, Clock: wall{time.Now()}, Cab: cab{}, Version: "test", Rules: 1,
		Jitter:  func(n time.Duration) time.Duration { return n / 2 },
		Observe: func(s uplink.Status) { r.mu.Lock(); r.seen = append(r.seen, s); r.mu.Unlock() },
	})
	require.NoError(t, err)
	r.up = up
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = srv.Serve(lis) })
	wg.Go(func() { require.NoError(t, up.Run(ctx)) })
	r.finish = func() { cancel(); srv.Stop(); wg.Wait() }
	return r
}

func (r *rig) last() uplink.Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	require.NotEmpty(r.t, r.seen)
	return r.seen[len(r.seen)-1]
}

func wants(n int) (out []string) {
	for i := range n {
		out = append(out, fmt.Sprintf("event %d", i+1))
	}
	return out
}

func TestABacklogArrivesInOrderAndIsAcknowledged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, newSpool(1234), &service{window: 4})
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, wants(1234), r.svc.got)
		require.Equal(t, uint64(1234), r.spool.Acked())
		require.Equal(t, uint64(1234), r.svc.ahead, "what the meters show now went ahead of the backlog")
		require.True(t, r.last().Connected)
		require.Zero(t, r.last().Behind)
		r.finish()
	})
}

func TestALostLinkIsTakenUpWhereTheServiceStands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, newSpool(2000), &service{window: 2, dropAt: 900})
		time.Sleep(10 * time.Second)
		synctest.Wait()
		require.Equal(t, wants(2000), r.svc.got, "each once, none lost")
		require.Equal(t, 2, r.svc.hellos)
		r.finish()
	})
}

func TestAServiceThatHasLessThanItAcknowledgedIsSentItAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newSpool(100)
		sp.acked = 80
		r := start(t, sp, &service{has: 30, hash: sp.chain[30], got: wants(30)})
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, wants(100), r.svc.got)
		require.Zero(t, r.svc.thinned)
		require.True(t, sp.rewound, "what the service lacks is not trimmed")
		r.finish()
	})
}

func TestWhatARestoredServiceCannotHaveBackIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newSpool(100)
		sp.acked, sp.first = 80, 51
		r := start(t, sp, &service{has: 30, hash: sp.chain[30], got: wants(30)})
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, uint64(20), r.svc.thinned)
		require.Equal(t, append(wants(30), wants(100)[50:]...), r.svc.got)
		require.Equal(t, sp.chain[100], r.svc.hash, "the chain goes on over the gap")
		r.finish()
	})
}

func TestACopiedSpoolSendsNothing(t *testing.T) {
	for name, svc := range map[string]*service{
		"another content": {has: 30, hash: [32]byte{1}},
		"more than here":  {has: 300, hash: [32]byte{1}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, newSpool(100), svc)
				time.Sleep(time.Minute)
				synctest.Wait()
				require.Empty(t, svc.got)
				require.Equal(t, 1, svc.hellos, "a refusal is not repeated every second")
				var fork *uplink.ForkError
				require.ErrorAs(t, r.last().Trouble, &fork)
				require.True(t, r.last().Refused)
				require.ErrorContains(t, fork, "hourbell-agent fresh")
				r.finish()
			})
		})
	}
}

func TestReadingsGatherUnlessSomethingIsUrgentOrSomeoneWatches(t *testing.T) {
	cases := []struct {
		name    string
		urgent  bool
		watched bool
		within  time.Duration
		after   time.Duration
	}{
		{"nobody watches", false, false, 10*time.Minute + time.Second, 10 * time.Minute},
		{"urgent", true, false, time.Second, 0},
		{"watched", false, true, time.Second, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t, newSpool(0), &service{watched: c.watched})
				time.Sleep(time.Second)
				synctest.Wait()
				begun := time.Now()
				r.spool.add()
				r.up.Appended(c.urgent)
				time.Sleep(c.within)
				synctest.Wait()
				require.Len(t, r.svc.batches, 1)
				require.GreaterOrEqual(t, r.svc.batches[0].Sub(begun), c.after)
				r.finish()
			})
		})
	}
}

func TestAServiceThatNeverAcknowledgesIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		svc := &service{mute: true, window: 1}
		r := start(t, newSpool(1000), svc)
		time.Sleep(89 * time.Second)
		synctest.Wait()
		require.Len(t, svc.batches, 1, "one batch is in flight and no more")
		require.Zero(t, r.spool.Acked(), "nothing is taken for acknowledged")
		time.Sleep(3 * time.Second)
		synctest.Wait()
		require.Equal(t, 2, svc.hellos)
		r.finish()
	})
}

func TestAttemptsGrowRareButNeverEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		svc := &service{refuse: status.Error(codes.Unavailable, "shut")}
		r := start(t, newSpool(1), svc)
		time.Sleep(24 * time.Hour)
		synctest.Wait()
		// Waits of 0.75 s doubled to 48 s, seven of them, 95 s in all; then 90 s each.
		require.InDelta(t, 7+(86_400-95)/90, svc.hellos, 3)
		require.False(t, r.last().Refused)
		svc.mu.Lock()
		svc.refuse = nil
		svc.mu.Unlock()
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		require.Equal(t, wants(1), svc.got)
		r.finish()
	})
}

func TestAnAgentThatIsNotLetInAsksSeldom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		svc := &service{refuse: status.Error(codes.PermissionDenied, "revoked")}
		r := start(t, newSpool(1), svc)
		time.Sleep(time.Hour)
		synctest.Wait()
		require.LessOrEqual(t, svc.hellos, 6)
		require.True(t, r.last().Refused)
		r.finish()
	})
}

func TestOptionsAreJudged(t *testing.T) {
	_, err := uplink.New(uplink.Options{})
	require.ErrorContains(t, err, "Dial")
}
