package bench

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	_ "embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/spoolhash"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// chartYAML is the chart of the machines that are loaded: forty tasks.
//
//go:embed bench.points.yaml
var chartYAML string

const (
	customer  = "bench"
	site      = "customers/bench/sites/field"
	fullChart = "bench-rotary"
	// workers is how many calls are under way while a fleet is set up.
	workers = 8
	// historyDays is how long ago the machines' history begins.
	historyDays = 1500
	// firstHours is what their meters showed then.
	firstHours = 1000 * hours.Hour
)

// box is one machine's box: its identity, and its spool as far as it was sent.
type box struct {
	machine string
	cert    tls.Certificate
	epoch   spoolhash.Epoch
	next    uint64 // sequence number
	hash    spoolhash.Hash
}

// fleet is machines of one service, and their boxes.
type fleet struct {
	s     *served
	roots *x509.CertPool
	boxes []*box
	start time.Time // of the machines' history
	known float64   // resident bytes a machine
}

// newFleet commissions machines and enrols a box on each, as people and agents do.
func newFleet(ctx context.Context, o *Options, s *served) (*fleet, error) {
	f := &fleet{s: s, boxes: make([]*box, o.Machines), start: time.Now().Truncate(time.Minute).AddDate(0, 0, -historyDays)}
	o.say("commissioning %d machines and enrolling their boxes", o.Machines)
	if err := createSite(ctx, s.people, time.Now()); err != nil {
		return nil, fmt.Errorf("set the fleet up: %w", err)
	}
	if err := importChart(ctx, s.people, fullChart, chartYAML); err != nil {
		return nil, fmt.Errorf("set the fleet up: %w", err)
	}
	before, err := s.usage(askTrim)
	if err != nil {
		return nil, err
	}
	if err := each(ctx, len(f.boxes), f.commission); err != nil {
		return nil, fmt.Errorf("commission machines: %w", err)
	}
	after, err := s.usage(askTrim)
	if err != nil {
		return nil, err
	}
	f.known = float64(after.Resident-before.Resident) / float64(len(f.boxes))
	if err := f.enrol(ctx); err != nil {
		return nil, fmt.Errorf("enrol boxes: %w", err)
	}
	return f, nil
}

// each calls do for 0 to n-1, several at once.
func each(ctx context.Context, n int, do func(context.Context, int) error) error {
	g, inner := errgroup.WithContext(ctx)
	g.SetLimit(workers)
	for i := range n {
		if inner.Err() != nil {
			break
		}
		g.Go(func() error { return do(inner, i) })
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return context.Cause(ctx)
}

// createSite makes the customer and a site whose work day turns half a day from
// now, so that it does not turn in the middle.
func createSite(ctx context.Context, conn grpc.ClientConnInterface, now time.Time) error {
	client := pb.NewCustomerServiceClient(conn)
	if _, err := client.CreateCustomer(ctx, &pb.CreateCustomerRequest{CustomerId: customer, Customer: &pb.Customer{DisplayName: "Bench"}, RequestId: uuid.NewString()}); err != nil {
		return err
	}
	now = now.UTC()
	turns := (now.Hour()*60 + now.Minute() + 12*60) % (24 * 60)
	_, err := client.CreateSite(ctx, &pb.CreateSiteRequest{Parent: "customers/" + customer, SiteId: "field",
		Site: &pb.Site{DisplayName: "Field", TimeZone: "Etc/UTC", TurnsAtMinutes: int32(turns)}, RequestId: uuid.NewString()})
	return err
}

func importChart(ctx context.Context, conn grpc.ClientConnInterface, id, text string) error {
	_, err := pb.NewChartServiceClient(conn).ImportEdition(ctx, &pb.ImportEditionRequest{FileName: id + ".points.yaml", Yaml: text, RequestId: uuid.NewString()})
	return err
}

func createMachine(ctx context.Context, conn grpc.ClientConnInterface, id, chart string) error {
	m := &pb.Machine{DisplayName: id, Site: site, Edition: "charts/" + chart + "/editions/-"}
	_, err := pb.NewMachineServiceClient(conn).CreateMachine(ctx, &pb.CreateMachineRequest{MachineId: id, Machine: m, RequestId: uuid.NewString()})
	return err
}

// commission makes one machine, and writes down that each round was done at the
// beginning of its history: tasks that nobody ever did ring nobody.
func (f *fleet) commission(ctx context.Context, i int) error {
	id := fmt.Sprintf("bench-%04d", i)
	f.boxes[i] = &box{machine: id, next: 1}
	if err := createMachine(ctx, f.s.people, id, fullChart); err != nil {
		return err
	}
	at := timestamppb.New(f.start)
	y, m, d := civil.Date(f.start.Unix() / 86_400).YMD()
	for _, round := range []string{"hours-10", "hours-50", "hours-100", "hours-250"} {
		record := &pb.ServiceRecord{Round: round, DoneMoment: &pb.Moment{NotBeforeTime: at, NotAfterTime: at},
			DoneDate: &pb.CivilDate{Year: int32(y), Month: int32(m), Day: int32(d)}, Shown: []*pb.MeterShown{{Meter: "engine", ShownMs: int64(firstHours)}}}
		req := &pb.CreateServiceRecordRequest{Parent: "machines/" + id, Record: record, RequestId: uuid.NewString()}
		if _, err := pb.NewServiceRecordServiceClient(f.s.people).CreateServiceRecord(ctx, req); err != nil {
			return err
		}
	}
	return nil
}

// enrol puts a box on every machine: the first as the agent's program does, and
// the others with the same call and their keys in memory.
func (f *fleet) enrol(ctx context.Context) error {
	dir, err := os.MkdirTemp("", "hourbell-bench-box-")
	if err != nil {
		return fmt.Errorf("make a box's folder: %w", err)
	}
	defer os.RemoveAll(dir)
	id, err := enrolBox(ctx, f.s, f.boxes[0].machine, filepath.Join(dir, "identity"), time.Now)
	if err != nil {
		return err
	}
	config := id.TLS(time.Now)
	f.roots = config.RootCAs
	f.boxes[0].fresh(config.Certificates[0])
	conn, err := f.dial(f.s.at.Enrol, nil)
	if err != nil {
		return err
	}
	defer conn.Close()
	return each(ctx, len(f.boxes)-1, func(ctx context.Context, i int) error { return f.enrolOne(ctx, conn, f.boxes[i+1]) })
}

// enrolBox enrols a box as the agent's program does.
func enrolBox(ctx context.Context, s *served, machine, dir string, now func() time.Time) (*enrol.Identity, error) {
	t, err := pb.NewFleetServiceClient(s.people).CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Parent: "machines/" + machine})
	if err != nil {
		return nil, err
	}
	return enrol.Enrol(ctx, enrol.Request{Dir: dir, Address: s.at.Enrol, Fingerprint: t.GetFingerprint(), Token: t.GetToken(), Rand: rand.Reader, Now: now})
}

func (f *fleet) enrolOne(ctx context.Context, conn *grpc.ClientConn, b *box) error {
	t, err := pb.NewFleetServiceClient(f.s.people).CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Parent: "machines/" + b.machine})
	if err != nil {
		return err
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return fmt.Errorf("make a key: %w", err)
	}
	csr, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	if err != nil {
		return fmt.Errorf("make a certificate request: %w", err)
	}
	resp, err := pb.NewEnrolmentServiceClient(conn).Enrol(ctx, &pb.EnrolRequest{Token: t.GetToken(), CertificateRequest: csr})
	if err != nil {
		return err
	}
	if resp.GetMachine() != b.machine {
		return errors.New("the service enrolled another machine's box")
	}
	b.fresh(tls.Certificate{Certificate: resp.GetCertificateChain(), PrivateKey: key})
	return nil
}

// fresh gives the box its identity and an empty spool.
func (b *box) fresh(cert tls.Certificate) {
	b.cert = cert
	_, _ = rand.Read(b.epoch[:]) // never fails
	b.hash = spoolhash.Start(b.epoch)
}

// dial makes a connection to the service, as a box or, with nil, as nobody.
func (f *fleet) dial(address string, b *box) (*grpc.ClientConn, error) {
	config := &tls.Config{RootCAs: f.roots, ServerName: link.ServerName, MinVersion: tls.VersionTLS13}
	if b != nil {
		config.Certificates = []tls.Certificate{b.cert}
	}
	conn, err := grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(credentials.NewTLS(config)),
		grpc.WithDisableServiceConfig(), grpc.WithDisableRetry())
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w", address, err)
	}
	return conn, nil
}
