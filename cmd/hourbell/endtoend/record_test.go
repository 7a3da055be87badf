package endtoend_test

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

var record = flag.String("record", "", "record the stream of this `name` into testdata/streams; one that is there is never made anew")

const (
	streamsDir  = "../../../testdata/streams"
	streamChart = "rook-8.points.yaml"
	rook        = "rook"
)

// errThere says that a stream of that name is kept already.
var errThere = errors.New("it is there: recorded streams are added to and never made anew")

// keepStream writes a recording's two files. Neither may be there.
func keepStream(dir, name string, stream, facts []byte) error {
	for path, b := range map[string][]byte{name + ".stream": stream, name + ".facts": facts} {
		path = filepath.Join(dir, path)
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("record %s: %w", path, errThere)
		}
		if err != nil {
			return fmt.Errorf("record: %w", err)
		}
		_, err = f.Write(b)
		if err = errors.Join(err, f.Close()); err != nil {
			return fmt.Errorf("record %s: %w", path, err)
		}
	}
	return nil
}

// unkept is the first file of a recording that is there already, "" for none.
func unkept(dir, name string) error {
	for _, ext := range []string{".stream", ".facts"} {
		if _, err := os.Lstat(filepath.Join(dir, name+ext)); err == nil {
			return fmt.Errorf("record %s: %w", name+ext, errThere)
		}
	}
	return nil
}

// A recipe is lived through by today's agent and, with -record, kept.
func TestRecording(t *testing.T) {
	name := cmp.Or(*record, "shift")
	recipe, there := recipes()[name]
	require.True(t, there, "there is no recipe for a stream %q", name)
	if *record != "" {
		require.NoError(t, unkept(streamsDir, name))
	}
	var r *recording
	synctest.Test(t, func(t *testing.T) { r = live(t, recipe) })
	require.NotEmpty(t, r.stream.Bytes())
	require.Equal(t, r.engine, r.heard, "the service that the recording was made with has the engine's hours that it ran")
	if *record != "" {
		require.NoError(t, keepStream(streamsDir, name, r.stream.Bytes(), r.facts(name, recipe)))
	}
}

func TestAStreamIsNeverMadeAnew(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, unkept(dir, "shift"))
	require.NoError(t, keepStream(dir, "shift", []byte("first"), []byte("facts")))
	require.ErrorIs(t, unkept(dir, "shift"), errThere)
	require.ErrorIs(t, keepStream(dir, "shift", []byte("second"), []byte("others")), errThere)
	b, err := os.ReadFile(filepath.Join(dir, "shift.stream"))
	require.NoError(t, err)
	require.Equal(t, "first", string(b))
	b, err = os.ReadFile(filepath.Join(dir, "shift.facts"))
	require.NoError(t, err)
	require.Equal(t, "facts", string(b))
	kept, err := filepath.Glob(filepath.Join(streamsDir, "*.stream"))
	require.NoError(t, err)
	require.NotEmpty(t, kept)
	for _, path := range kept {
		name := filepath.Base(path)
		require.ErrorIs(t, unkept(streamsDir, name[:len(name)-len(".stream")]), errThere)
	}
}

// recording is a service and a machine's bus in a bubble of time, with all that
// an agent sends.
type recording struct {
	t       *testing.T
	ahead   time.Duration // of the bubble's time
	bus     *combinesim.Machine
	began   combinesim.Meters
	service *ingest.Ingest
	office  *office.Office
	server  *agents.Server
	auth    *authority.Authority
	door    *bufconn.Listener
	setup   []string // facts that come before the first message

	mu     sync.Mutex
	stream bytes.Buffer
	dark   bool
	wires  []net.Conn
	// What the separator ran, and the bus was alive, while no agent listened, and
	// how often one began to.
	deafMS, deafBusMS int64
	boots             int

	// At the end:
	ended         time.Time
	truth         combinesim.Truth
	engine, heard int64 // the machine's hours on the engine's meter: as lived, and as the service has them
}

// now is the time in the recording's world.
func (r *recording) now() time.Time { return time.Now().Add(r.ahead) }

// live lives through a recipe.
func live(t *testing.T, recipe recipe) *recording {
	cfg := recipe.config()
	r := &recording{t: t, ahead: time.Until(cfg.Start), began: cfg.Meters, door: bufconn.Listen(1 << 20)}
	var err error
	r.bus, err = combinesim.New(cfg)
	require.NoError(t, err)
	stop := r.serve()
	defer stop()
	r.prepare()
	recipe.live(r)
	r.ended, r.truth = r.now(), r.bus.Truth()
	r.engine = r.engineTotal()
	require.NoError(t, r.service.View(t.Context(), rook, func(s *maintenance.State) { r.heard = int64(s.Meters[0].Total) }))
	return r
}

// serve runs the service's agents' side until the returned function is called.
func (r *recording) serve() (stop func()) {
	t := r.t
	mem := ingesttest.New()
	var err error
	r.service, err = ingest.New(t.Context(), ingest.Options{Store: mem, Now: r.now})
	require.NoError(t, err)
	r.office, err = office.Open(t.Context(), office.Options{Store: mem, Now: r.now})
	require.NoError(t, err)
	r.auth, err = authority.Open(authority.Options{Dir: t.TempDir(), Now: r.now})
	require.NoError(t, err)
	r.server, err = agents.New(agents.Options{Ingest: r.service, Office: r.office, Authority: r.auth, Address: "office:1", Now: r.now})
	require.NoError(t, err)
	g := grpc.NewServer(append(agents.ServerOptions(), grpc.Creds(credentials.NewTLS(r.auth.ServerTLS(authority.Agents))))...)
	pb.RegisterAgentServiceServer(g, r.server)
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	var wg sync.WaitGroup
	wg.Go(func() { _ = g.Serve(r.door) })
	wg.Go(func() { _ = r.service.Run(ctx) })
	return func() {
		r.server.Stop()
		g.GracefulStop()
		cancel()
		wg.Wait()
		r.auth.Close()
	}
}

// prepare sets the machine up, and says so among the facts.
func (r *recording) prepare() {
	t, ctx := r.t, r.t.Context()
	_, err := r.office.CreateCustomer(ctx, office.Customer{ID: "fern", Display: "Fern"})
	require.NoError(t, err)
	_, err = r.office.CreateSite(ctx, office.Site{ID: "yard", Customer: "fern", Display: "Yard", Zone: "Etc/UTC", TurnsAt: 240})
	require.NoError(t, err)
	_, err = r.office.RegisterMachine(ctx, office.Machine{ID: rook, Display: "Rook", Customer: "fern", Site: "yard"})
	require.NoError(t, err)
	require.NoError(t, r.service.Commission(ctx, maintenance.Commissioned{Machine: rook, Display: "Rook", Customer: "fern", Site: "yard", Zone: "Etc/UTC", TurnsAt: 240}))
	src, err := os.ReadFile(filepath.Join(streamsDir, streamChart))
	require.NoError(t, err)
	compiled, err := chart.Compile(streamChart, src)
	require.NoError(t, err)
	r.act(1, r.now(), &maintenance.EditionTaken{Chart: compiled})
	r.fact("chart", streamChart)

	before := r.now().Add(-12 * time.Hour)
	r.act(2, before, &maintenance.HandReading{Person: "p1", Reading: maintenance.Reading{Meter: "separator", Shown: hours.Millis(r.began.Separator),
		Resolution: hours.Hour / 100, Origin: maintenance.OriginPerson}})
	r.fact("hand separator "+before.Format(time.RFC3339), r.began.Separator)
	for i, s := range servedBefore() {
		shown := maintenance.MeterShown{Meter: s.meter, Shown: hours.Millis(r.start(s.meter) - s.agoMS)}
		r.act(byte(10+i), before, &maintenance.ServiceDone{Round: s.round, Person: "p1", Shown: []maintenance.MeterShown{shown}})
		r.fact(fmt.Sprintf("served %s %s %s", s.round, before.Format(time.RFC3339), s.meter), int64(shown.Shown))
	}
}

func (r *recording) act(id byte, at time.Time, body maintenance.Body) {
	_, err := r.service.Act(r.t.Context(), rook, [16]byte{id}, moment.At(moment.Instant(at.UnixMilli())), body)
	require.NoError(r.t, err)
}

func (r *recording) fact(key string, value any) {
	r.setup = append(r.setup, fmt.Sprintf("%s = %v", key, value))
}

// start is what a meter showed at the start.
func (r *recording) start(meter string) int64 {
	if meter == "engine" {
		return r.began.Engine
	}
	return r.began.Separator
}

// served is a round that was done before the recording begins, so many
// milliseconds of running ago.
type served struct {
	round, meter string
	everyMS      int64
	agoMS        int64
	task         string // the round's one task
}

func servedBefore() []served {
	const h = combinesim.Hour
	return []served{{"grease-10", "engine", 10 * h, 8 * h, "knife-drive/grease"}, {"grease-50", "separator", 50 * h, 20 * h, "rotor-front-bearing/grease"}}
}

// signal lets the box have a signal, or none.
func (r *recording) signal(on bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.dark = !on
	if on {
		return
	}
	for _, w := range r.wires {
		_ = w.Close()
	}
	r.wires = nil
}

// dial is the box's way to the service.
func (r *recording) dial(ctx context.Context, _ string) (net.Conn, error) {
	r.mu.Lock()
	dark := r.dark
	r.mu.Unlock()
	if dark {
		return nil, errors.New("no signal")
	}
	conn, err := r.door.DialContext(ctx)
	if err == nil {
		r.mu.Lock()
		r.wires = append(r.wires, conn)
		r.mu.Unlock()
	}
	return conn, err
}

// keep appends a message as it was serialised.
func (r *recording) keep(b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stream.Write(binary.AppendUvarint(nil, uint64(len(b))))
	r.stream.Write(b)
}

// keepingCodec serialises as the protobuf codec does, and keeps what goes up.
type keepingCodec struct{ keep func([]byte) }

func (keepingCodec) Name() string { return "proto" }

func (c keepingCodec) Marshal(v any) ([]byte, error) {
	b, err := proto.Marshal(v.(proto.Message))
	if _, up := v.(*pb.ConnectRequest); up && err == nil {
		c.keep(b)
	}
	return b, err
}

func (keepingCodec) Unmarshal(b []byte, v any) error { return proto.Unmarshal(b, v.(proto.Message)) }

// streamBox is a box with its data folder and its certificate.
type streamBox struct {
	r    *recording
	dir  string
	cert tls.Certificate
	// wall is the box's own clock so long after it was switched on; nil: it is right.
	wall  func(since time.Duration) time.Time
	bytes int64 // of its spool
}

// box enrols a box on the machine, in place of the one before.
func (r *recording) box() *streamBox {
	t := r.t
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	require.NoError(t, err)
	token, _, err := r.office.CreateEnrolment(t.Context(), rook, office.Enrolling{Replace: true})
	require.NoError(t, err)
	got, err := r.server.Enrol(t.Context(), &pb.EnrolRequest{Token: token, CertificateRequest: der})
	require.NoError(t, err)
	return &streamBox{r: r, dir: t.TempDir(), cert: tls.Certificate{Certificate: got.GetCertificateChain(), PrivateKey: key}}
}

func (b *streamBox) connect(_ context.Context, judge func() time.Time) (*grpc.ClientConn, error) {
	pool := x509.NewCertPool()
	root, err := x509.ParseCertificate(b.r.auth.Certificate())
	if err != nil {
		return nil, err
	}
	pool.AddCert(root)
	return grpc.NewClient("passthrough:///"+link.ServerName, grpc.WithContextDialer(b.r.dial),
		grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{RootCAs: pool, Certificates: []tls.Certificate{b.cert}, Time: judge,
			ServerName: link.ServerName, MinVersion: tls.VersionTLS13})),
		grpc.WithDefaultCallOptions(grpc.ForceCodec(keepingCodec{b.r.keep})))
}

// listen runs the box's agent for a while; with 0, to the end of the machine's
// program and until all is acknowledged.
func (b *streamBox) listen(span time.Duration) {
	ctx := context.WithoutCancel(b.r.t.Context())
	if span > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, span)
		defer stop()
	}
	b.run(ctx, b.r.bus.End())
}

// bring runs the box's agent for a while, and until all is acknowledged.
func (b *streamBox) bring(span time.Duration) {
	b.run(context.WithoutCancel(b.r.t.Context()), b.r.now().Add(span))
}

func (b *streamBox) run(ctx context.Context, until time.Time) {
	r, t := b.r, b.r.t
	before := r.bus.Truth()
	r.bus.Run(r.now(), func(combinesim.Frame) {}) // nobody listened until now
	after := r.bus.Truth()
	r.deafMS += after.SeparatorMS - before.SeparatorMS
	r.deafBusMS += aliveMS(&after) - aliveMS(&before)
	r.boots++
	begun := time.Now()
	wall := b.wall
	if wall == nil {
		wall = func(time.Duration) time.Time { return r.now() }
	}
	a, err := agent.New(agent.Options{Dir: b.dir, Source: &liveBus{r: r, begun: begun, until: until}, Dial: b.connect,
		Now:  func() time.Time { return wall(time.Since(begun)) },
		Mono: func() time.Duration { return time.Since(begun) }, Built: r.now().AddDate(0, -2, 0), Version: "recorder", Rand: rand.Reader,
		SpoolBytes: b.bytes, Jitter: func(time.Duration) time.Duration { return 0 }})
	require.NoError(t, err)
	require.NoError(t, a.Run(ctx))
}

// liveBus hears the simulated bus as time passes.
type liveBus struct {
	r     *recording
	begun time.Time // of the agent, by the bubble's time
	until time.Time
	buf   []combinesim.Frame
	next  int
}

// Read implements source.Source.
func (l *liveBus) Read(ctx context.Context, dst []source.Frame) (n int, lost uint64, err error) {
	if l.next == len(l.buf) {
		if !l.r.now().Before(l.until) {
			return 0, 0, source.ErrEnd
		}
		select {
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		case <-time.After(time.Second):
		}
		l.buf, l.next = l.r.bus.Append(l.buf[:0], l.r.now()), 0
	}
	born := l.begun.Add(l.r.ahead).UnixNano()
	for ; n < len(dst) && l.next < len(l.buf); n, l.next = n+1, l.next+1 {
		f := &l.buf[l.next]
		dst[n] = source.Frame{At: f.AtNS - born, ID: f.ID, Len: f.Len, Data: f.Data}
	}
	return n, 0, ctx.Err()
}

// Close implements source.Source.
func (l *liveBus) Close() error { return nil }
