package service_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// rig is a running service on loopback ports of its own.
type rig struct {
	t    *testing.T
	app  *service.App
	data string
	conn *grpc.ClientConn
	log  *logged
	ctx  context.Context // with the keeper's token
	base time.Time

	stopOnce sync.Once
	cancel   context.CancelFunc
	ended    chan error
}

// logged keeps a log for a test to read.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func options(data string, log *logged) service.Options {
	return service.Options{
		Data: data, PeopleAddr: "127.0.0.1:0", AgentsAddr: "127.0.0.1:0", EnrolAddr: "127.0.0.1:0", MetricsAddr: "127.0.0.1:0",
		Version: "test", Log: slog.New(slog.NewTextHandler(log, nil)), Together: 20 * time.Millisecond,
		OpenStore: func(context.Context) (store.Store, error) {
			return local.Open(filepath.Join(data, "store"), local.Options{})
		},
	}
}

// start runs a service; change may change how.
func start(t *testing.T, change ...func(*service.Options)) *rig {
	return startIn(t, t.TempDir(), change...)
}

func startIn(t *testing.T, data string, change ...func(*service.Options)) *rig {
	t.Helper()
	r := &rig{t: t, data: data, log: &logged{}, base: time.Now().Truncate(time.Second), ended: make(chan error, 1)}
	o := options(data, r.log)
	for _, c := range change {
		c(&o)
	}
	app, err := service.New(t.Context(), o)
	require.NoError(t, err)
	r.app = app
	var ctx context.Context
	ctx, r.cancel = context.WithCancel(context.Background())
	go func() { r.ended <- app.Run(ctx) }()
	t.Cleanup(r.stop)
	r.conn = r.dial()
	token, err := os.ReadFile(filepath.Join(data, service.TokenFile))
	require.NoError(t, err)
	r.ctx = as(t.Context(), strings.TrimSpace(string(token)))
	return r
}

// stop ends the service and holds it to a clean end.
func (r *rig) stop() {
	r.stopOnce.Do(func() {
		if r.conn != nil {
			require.NoError(r.t, r.conn.Close())
		}
		r.cancel()
		require.NoError(r.t, <-r.ended)
	})
}

// dial connects as people do; the fingerprint's check is the command's matter.
func (r *rig) dial() *grpc.ClientConn {
	conn, err := grpc.NewClient("passthrough:///"+r.app.Addresses().People, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS13})))
	require.NoError(r.t, err)
	return conn
}

// as puts a bearer token on the calls of a context.
func as(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

const testChart = `chart: ossa-rotary
edition: 1
meters:
  engine: {group: 65253, resolution_h: 0.05}
rounds:
  hour-50: {call: "50 h grease round"}
cautions:
  still: "Engine off, key out, wait until every part stands still"
codes:
  rotor-slow: {spn: 520301, fmi: 1, text: "Rotor slow"}
points:
  - id: shaker-pivot
    where: {station: 2}
    tasks: [{id: grease, do: grease, round: hour-50, every: {hours: 50, on: engine}, who: operator, cautions: [still]}]
  - id: engine-oil
    where: {station: 1}
    tasks: [{id: change, do: change, every: {months: 12}, who: technician}]
`

// fleet makes two customers with a machine each: ossa-1 of tallow-fen and
// ossa-2 of far-mere.
func (r *rig) fleet() {
	r.t.Helper()
	office, charts, machines := pb.NewCustomerServiceClient(r.conn), pb.NewChartServiceClient(r.conn), pb.NewMachineServiceClient(r.conn)
	_, err := charts.ImportEdition(r.ctx, &pb.ImportEditionRequest{FileName: "ossa.points.yaml", Yaml: testChart})
	require.NoError(r.t, err)
	for customer, machine := range map[string]string{"tallow-fen": "ossa-1", "far-mere": "ossa-2"} {
		_, err := office.CreateCustomer(r.ctx, &pb.CreateCustomerRequest{CustomerId: customer, Customer: &pb.Customer{DisplayName: customer}})
		require.NoError(r.t, err)
		site := customer + "-barn"
		_, err = office.CreateSite(r.ctx, &pb.CreateSiteRequest{Parent: "customers/" + customer, SiteId: site, Site: &pb.Site{DisplayName: site, TimeZone: "Etc/UTC", TurnsAtMinutes: 240}})
		require.NoError(r.t, err)
		_, err = machines.CreateMachine(r.ctx, &pb.CreateMachineRequest{MachineId: machine, Machine: &pb.Machine{DisplayName: machine, Site: "customers/" + customer + "/sites/" + site, Edition: "charts/ossa-rotary/editions/-"}})
		require.NoError(r.t, err)
	}
}
