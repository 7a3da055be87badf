package bench

import (
	"context"
	"crypto/rand"
	"log/slog"
	"net"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/test/bufconn"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store/local"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/office"
)

// TestADayAtLifesPace lets the agent as it ships spend a day on a connection, by a
// clock that skips what nobody waits for, with every timer of both sides in it: the
// service's keepalive, the agent's gathering, its time probes. What the bench
// reckons for the same day must come to about the same: what it does not know of is
// a second connection, where the service ends the first one within the day, and
// messages that the turn of an instant cuts in two.
func TestADayAtLifesPace(t *testing.T) {
	for _, l := range dayLoads(someDay()) {
		t.Run(l.machine, func(t *testing.T) {
			dir := folder(t)
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t, dir)
				w.enrol(t, l, "lived", "reckoned")
				lived := w.live(t, l)
				reckoned := w.reckon(t, l)
				t.Logf("lived: %d up, %d down in %d events; reckoned: %d up, %d down, %d of keepalive in %d events, %d messages",
					lived.Up, lived.Down, lived.Events, reckoned.Up, reckoned.Down, reckoned.Pings, reckoned.Events, reckoned.Messages)
				require.InEpsilon(t, lived.Up+lived.Down, reckoned.Total, 0.15)
				require.InDelta(t, lived.Events, reckoned.Events, 12)
				if l.chart != fullChart {
					require.LessOrEqual(t, lived.Up+lived.Down, int64(150_000))
				}
			})
		})
	}
}

// someDay is a day, or enough of one.
func someDay() time.Duration {
	if testing.Short() {
		return 3 * time.Hour
	}
	return day
}

// world is a service within a bubble, whose agents reach it without a network.
type world struct {
	dir    string
	office *office.Office
	ingest *ingest.Ingest
	lines  *bufconn.Listener
	enrols net.Listener

	fingerprint string
	// stopEnrolling closes the one listener on a network: while something waits
	// for one, the bubble's clock stands.
	stopEnrolling func()
	boxes         map[string]*enrol.Identity
}

// now is the bubble's time, later by as much as makes it one that a set clock can
// show.
func now() time.Time { return time.Now().AddDate(31, 6, 0) }

func newWorld(t *testing.T, dir string) *world {
	ctx := t.Context()
	s, err := local.Open(filepath.Join(dir, "store"), local.Options{})
	require.NoError(t, err)
	w := &world{dir: dir, lines: bufconn.Listen(1 << 20)}
	w.office, err = office.Open(ctx, office.Options{Store: s, Now: now})
	require.NoError(t, err)
	w.ingest, err = ingest.New(ctx, ingest.Options{Store: s, Now: now})
	require.NoError(t, err)
	auth, err := authority.Open(authority.Options{Dir: filepath.Join(dir, "authority"), Now: now})
	require.NoError(t, err)
	server, err := agents.New(agents.Options{Ingest: w.ingest, Office: w.office, Authority: auth, Address: "nowhere:1", Now: now})
	require.NoError(t, err)
	w.serve(t, server, auth)
	ingesting, stop := context.WithCancel(context.WithoutCancel(ctx))
	ran := make(chan error, 1)
	go func() { ran <- w.ingest.Run(ingesting) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-ran)
		require.NoError(t, auth.Close())
		require.NoError(t, s.Close())
	})
	_, err = w.office.CreateCustomer(ctx, office.Customer{ID: customer, Display: "Bench"})
	require.NoError(t, err)
	_, err = w.office.CreateSite(ctx, office.Site{ID: "field", Customer: customer, Display: "Field", Zone: "Etc/UTC", TurnsAt: 240})
	require.NoError(t, err)
	return w
}

func (w *world) serve(t *testing.T, server *agents.Server, auth *authority.Authority) {
	lines := grpc.NewServer(append(agents.ServerOptions(), grpc.Creds(credentials.NewTLS(auth.ServerTLS(authority.Agents))))...)
	pb.RegisterAgentServiceServer(lines, server)
	enrols := grpc.NewServer(grpc.Creds(credentials.NewTLS(auth.ServerTLS(authority.Enrol))))
	pb.RegisterEnrolmentServiceServer(enrols, server)
	var err error
	w.enrols, err = net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go lines.Serve(w.lines)
	go enrols.Serve(w.enrols)
	t.Cleanup(func() {
		server.Stop()
		lines.GracefulStop()
		enrols.Stop()
	})
	w.stopEnrolling = enrols.Stop
	w.fingerprint = auth.Fingerprint()
}

// enrol commissions machines and puts a box on each.
func (w *world) enrol(t *testing.T, l dayLoad, machines ...string) {
	ctx := t.Context()
	c, err := chart.Compile(l.chart+".points.yaml", []byte(l.yaml))
	require.NoError(t, err)
	w.boxes = map[string]*enrol.Identity{}
	for i, id := range machines {
		_, err := w.office.RegisterMachine(ctx, office.Machine{ID: id, Display: id, Customer: customer, Site: "field"})
		require.NoError(t, err)
		require.NoError(t, w.ingest.Commission(ctx, maintenance.Commissioned{Machine: id, Display: id, Customer: customer, Site: "field", Zone: "Etc/UTC", TurnsAt: 240}))
		_, err = w.ingest.Act(ctx, id, [16]byte{0xed, byte(i)}, moment.Span{}, &maintenance.EditionTaken{Chart: c})
		require.NoError(t, err)
		token, _, err := w.office.CreateEnrolment(ctx, id, office.Enrolling{})
		require.NoError(t, err)
		w.boxes[id], err = enrol.Enrol(ctx, enrol.Request{Dir: filepath.Join(w.dir, id), Address: w.enrols.Addr().String(), Fingerprint: w.fingerprint, Token: token, Rand: rand.Reader, Now: now})
		require.NoError(t, err)
	}
	w.stopEnrolling()
}

func (w *world) road(machine string) *road {
	return &road{id: w.boxes[machine], dial: func(ctx context.Context, _, _ string) (net.Conn, error) { return w.lines.DialContext(ctx) }}
}

// live spends the day with the agent itself, at life's pace.
func (w *world) live(t *testing.T, l dayLoad) Day {
	r := w.road("lived")
	e := &ear{born: now()}
	e.goal = e.born
	e.at.Store(e.born.UnixNano())
	var err error
	e.machine, err = l.program(e.born)
	require.NoError(t, err)
	a, err := agent.New(agent.Options{
		Dir: filepath.Join(w.dir, "lived-spool"), Source: e, Now: e.wall, Mono: e.mono, Built: e.born, Version: "bench", Rand: rand.Reader, Gather: gather,
		Dial:   func(_ context.Context, judge func() time.Time) (*grpc.ClientConn, error) { return r.connect(judge) },
		Jitter: func(time.Duration) time.Duration { return 0 }, Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(t, err)
	require.NoError(t, a.Run(t.Context()))
	st := a.Status()
	require.Zero(t, st.Refused)
	// The service ends a connection after a day, give or take a tenth.
	require.LessOrEqual(t, r.counts.dials.Load(), int64(2))
	return Day{Events: st.Events, Up: r.counts.up.Load(), Down: r.counts.down.Load()}
}

// reckon spends it as the bench does.
func (w *world) reckon(t *testing.T, l dayLoad) Day {
	d := &dayOut{load: l, dir: filepath.Join(w.dir, "reckoned-spool"), start: now().Add(-l.length - time.Hour), now: now, road: w.road("reckoned")}
	out, err := d.run(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 1, d.road.counts.dials.Load())
	return out
}

// ear is a simulated bus as an agent's source: it hears what the bus has carried
// up to now, once a second. The agent's monotonic clock is how far it has heard.
type ear struct {
	machine *combinesim.Machine
	born    time.Time
	goal    time.Time
	at      atomic.Int64 // Unix ns
	frames  []combinesim.Frame
	next    int
}

// Read implements source.Source.
func (e *ear) Read(ctx context.Context, dst []source.Frame) (n int, lost uint64, err error) {
	if e.next == len(e.frames) {
		if !e.goal.Before(e.machine.End()) {
			return 0, 0, source.ErrEnd
		}
		select {
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		case <-time.After(time.Second):
		}
		e.goal = now()
		e.frames, e.next = e.machine.Append(e.frames[:0], e.goal), 0
	}
	for ; n < len(dst) && e.next < len(e.frames); n, e.next = n+1, e.next+1 {
		f := &e.frames[e.next]
		dst[n] = source.Frame{At: f.AtNS - e.born.UnixNano(), ID: f.ID, Len: f.Len, Data: f.Data}
		e.at.Store(f.AtNS)
	}
	if e.next == len(e.frames) {
		e.at.Store(e.goal.UnixNano())
	}
	return n, 0, nil
}

func (e *ear) mono() time.Duration { return time.Duration(e.at.Load() - e.born.UnixNano()) }

func (e *ear) wall() time.Time { return time.Unix(0, e.at.Load()).UTC() }

// Close implements source.Source.
func (e *ear) Close() error { return nil }
