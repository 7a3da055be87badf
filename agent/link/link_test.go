package link_test

import (
	"context"
	"crypto/rand"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/agent/agenttest"
	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/link"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

func office(t *testing.T, name string) *agenttest.Office {
	return agenttest.Serve(t, agenttest.New("lark", time.Now), name)
}

func enrolled(t *testing.T, o *agenttest.Office) string {
	dir := filepath.Join(t.TempDir(), "identity")
	_, err := enrol.Enrol(t.Context(), enrol.Request{Dir: dir, Address: o.EnrolAddress, Fingerprint: o.Fingerprint(), Token: o.Token, Rand: rand.Reader, Now: time.Now})
	require.NoError(t, err)
	return dir
}

func none(time.Duration) time.Duration { return 0 }

func open(t *testing.T, dir, address string) *link.Link {
	l, err := link.Open(link.Options{Dir: dir, Address: address, Rand: rand.Reader, Jitter: none})
	require.NoError(t, err)
	t.Cleanup(l.Wait)
	return l
}

// hello opens a stream and hears the welcome.
func hello(t *testing.T, ctx context.Context, l *link.Link, judge func() time.Time) error {
	conn, err := l.Dial(ctx, judge)
	require.NoError(t, err)
	defer conn.Close()
	stream, err := pb.NewAgentServiceClient(conn).Connect(ctx)
	if err != nil {
		return err
	}
	_ = stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: &pb.AgentHello{Epoch: make([]byte, 16)}}})
	_, err = stream.Recv()
	return err
}

func TestABoxReachesItsServiceWhateverItsAddress(t *testing.T) {
	o := office(t, "hourbell")
	dir := enrolled(t, o)
	require.NoError(t, hello(t, t.Context(), open(t, dir, ""), time.Now))
	l := open(t, dir, o.AgentAddress)
	require.Equal(t, o.AgentAddress, l.Address())
	require.NoError(t, hello(t, t.Context(), l, time.Now))
}

func TestAnotherServerIsNotSpokenTo(t *testing.T) {
	dir := enrolled(t, office(t, "hourbell"))
	for name, o := range map[string]*agenttest.Office{"another authority's": office(t, "hourbell"), "with another name": nil} {
		if o == nil {
			o = office(t, "elsewhere")
			dir = enrolled(t, o)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		require.Equal(t, codes.Unavailable, status.Code(hello(t, ctx, open(t, dir, o.AgentAddress), time.Now)), name)
		cancel()
	}
}

func TestAClockIn1970StillConnects(t *testing.T) {
	o := office(t, "hourbell")
	l := open(t, enrolled(t, o), "")
	// What judges is the agent's best time, never the box's own clock.
	require.NoError(t, hello(t, t.Context(), l, time.Now))
	require.Error(t, hello(t, t.Context(), l, func() time.Time { return time.Unix(5, 0) }))
}

func TestNoIdentity(t *testing.T) {
	_, err := link.Open(link.Options{Dir: t.TempDir(), Rand: rand.Reader, Jitter: none})
	require.ErrorIs(t, err, enrol.ErrNone)
	_, err = link.Open(link.Options{Dir: t.TempDir()})
	require.Error(t, err)
}

func TestAnIdentityIsRenewedOverTheConnectionAndTakenUp(t *testing.T) {
	o := office(t, "hourbell")
	o.Life = 2 * 365 * 24 * time.Hour
	dir := enrolled(t, o)
	renewed := make(chan *enrol.Identity, 1)
	l, err := link.Open(link.Options{Dir: dir, Rand: rand.Reader, Jitter: none, RenewSoon: time.Millisecond, Renewed: func(id *enrol.Identity) { renewed <- id }})
	require.NoError(t, err)
	t.Cleanup(l.Wait)
	before := l.Identity().Expires()
	// More than half of the first certificate's life is over then, and less of the next one's.
	later := func() time.Time { return time.Now().Add(20 * 24 * time.Hour) }
	o.Life = 6 * 365 * 24 * time.Hour
	conn, err := l.Dial(t.Context(), later)
	require.NoError(t, err)
	defer conn.Close()
	id := <-renewed
	require.True(t, id.Expires().After(before))
	require.Equal(t, id, l.Identity())
	require.NoFileExists(t, filepath.Join(dir, "next.pem"))
	loaded, err := enrol.Load(dir)
	require.NoError(t, err)
	require.Equal(t, id.Expires(), loaded.Expires())
	require.NoError(t, hello(t, t.Context(), l, time.Now), "with the new key")
}

func TestAnIdentityThatIsNotHalfOverIsNotRenewed(t *testing.T) {
	o := office(t, "hourbell")
	dir := enrolled(t, o)
	l, err := link.Open(link.Options{Dir: dir, Rand: rand.Reader, Jitter: none, RenewSoon: time.Nanosecond})
	require.NoError(t, err)
	t.Cleanup(l.Wait)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	require.NoError(t, hello(t, ctx, l, func() time.Time { return time.Now().Add(-time.Hour) }))
	require.Zero(t, o.Renewed())
}
