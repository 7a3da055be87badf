package bench

import (
	"bufio"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"syscall"
	"time"

	"google.golang.org/grpc"

	"github.com/google/uuid"

	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service"
	"github.com/hourbell/hourbell/service/ingest"
)

// RunService is the child: a service in the folder that the first line of in
// names. It says where it listens, answers each further line with its counts,
// and stops in good order when in ends.
func RunService(ctx context.Context, in io.Reader, out io.Writer) error {
	lines := bufio.NewScanner(in)
	if !lines.Scan() {
		return errors.New("bench service: no folder named on standard input")
	}
	data := lines.Text()
	app, err := service.New(ctx, service.Options{
		Data: data, Version: "bench", Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError})), Now: time.Now, Rand: rand.Reader,
		OpenStore: func(context.Context) (store.Store, error) {
			return local.Open(filepath.Join(data, "store"), local.Options{})
		},
		PeopleAddr: "127.0.0.1:0", AgentsAddr: "127.0.0.1:0", EnrolAddr: "127.0.0.1:0", MetricsAddr: service.NoListener, Host: "127.0.0.1",
	})
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- app.Run(ctx) }()
	at := app.Addresses()
	enc := json.NewEncoder(out)
	if err := enc.Encode(Service{People: at.People, Agents: at.Agents, Fingerprint: app.Fingerprint(), TokenFile: filepath.Join(data, service.TokenFile)}); err != nil {
		return err
	}
	for lines.Scan() {
		debug.FreeOSMemory()
		if err := enc.Encode(app.Ingest().Stats()); err != nil {
			return err
		}
	}
	stop()
	return <-ended
}

// running is the child seen from outside.
type running struct {
	at    Service
	cmd   *exec.Cmd
	in    io.WriteCloser
	out   *bufio.Scanner
	conn  *grpc.ClientConn
	ended bool
}

func startService(ctx context.Context, o Options, data string) (*running, error) {
	cmd, err := o.Child(ctx)
	if err != nil {
		return nil, err
	}
	cmd.Stderr = os.Stderr
	s := &running{cmd: cmd}
	if s.in, err = cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the service: %w", err)
	}
	s.out = bufio.NewScanner(out)
	if err := s.ask(data, &s.at); err != nil {
		s.kill()
		return nil, fmt.Errorf("start the service: %w", err)
	}
	if s.conn, err = o.Connect(s.at); err != nil {
		s.kill()
		return nil, err
	}
	return s, nil
}

// ask writes one line and reads one.
func (s *running) ask(line string, into any) error {
	if _, err := fmt.Fprintln(s.in, line); err != nil {
		return err
	}
	if !s.out.Scan() {
		return errors.Join(errors.New("the service ended"), s.out.Err())
	}
	return json.Unmarshal(s.out.Bytes(), into)
}

func (s *running) stats() (st ingest.Stats, err error) { return st, s.ask("stats", &st) }

// stop lets it end in good order.
func (s *running) stop() error {
	s.ended = true
	_ = s.conn.Close()
	if err := s.in.Close(); err != nil {
		return err
	}
	if err := s.cmd.Wait(); err != nil {
		return fmt.Errorf("stop the service: %w", err)
	}
	return nil
}

func (s *running) kill() {
	if s.ended {
		return
	}
	s.ended = true
	if s.conn != nil {
		_ = s.conn.Close()
	}
	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
}

// processor is the service's processor time so far, by the kernel's account
// (hundredths of a second on Linux; 0 elsewhere).
func (s *running) processor() (time.Duration, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", s.cmd.Process.Pid))
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ENOTSUP) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	// The program's name, in brackets, may hold blanks; user and system time are
	// fields 14 and 15 of all, 12 and 13 after it.
	fields := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+1:]))
	user, err1 := strconv.ParseInt(fields[11], 10, 64)
	system, err2 := strconv.ParseInt(fields[12], 10, 64)
	return time.Duration(user+system) * 10 * time.Millisecond, errors.Join(err1, err2)
}

// memory is the service's resident memory in bytes, after it gave back what it
// doesn't need.
func (s *running) memory() (float64, error) {
	if _, err := s.stats(); err != nil {
		return 0, err
	}
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kb, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
			return kb * 1024, err
		}
	}
	return 0, errors.New("the kernel doesn't tell the resident memory")
}

// box is one machine's identity.
type box struct {
	machine string
	id      *enrol.Identity
	next    uint64 // sequence number
	epoch   [16]byte
	hash    [32]byte
}

// enrol commissions machines and gives each a box, as people and agents do.
func (s *running) enrol(ctx context.Context, o Options, n int) ([]*box, error) {
	if _, err := pb.NewCustomerServiceClient(s.conn).CreateCustomer(ctx, &pb.CreateCustomerRequest{CustomerId: "bench", Customer: &pb.Customer{DisplayName: "Bench"}, RequestId: uuid.NewString()}); err != nil {
		return nil, err
	}
	site := &pb.Site{DisplayName: "Bench", TimeZone: "Etc/UTC", TurnsAtMinutes: 240}
	if _, err := pb.NewCustomerServiceClient(s.conn).CreateSite(ctx, &pb.CreateSiteRequest{Parent: "customers/bench", SiteId: "field", Site: site, RequestId: uuid.NewString()}); err != nil {
		return nil, err
	}
	identities, err := os.MkdirTemp("", "hourbell-bench-boxes-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(identities)
	boxes := make([]*box, n)
	for i := range boxes {
		if boxes[i], err = s.enrolOne(ctx, fmt.Sprintf("m%04d", i), filepath.Join(identities, strconv.Itoa(i))); err != nil {
			return nil, fmt.Errorf("enrol machine %d: %w", i, err)
		}
	}
	return boxes, nil
}

func (s *running) enrolOne(ctx context.Context, id, dir string) (*box, error) {
	m := &pb.Machine{DisplayName: id, Site: "customers/bench/sites/field"}
	if _, err := pb.NewMachineServiceClient(s.conn).CreateMachine(ctx, &pb.CreateMachineRequest{MachineId: id, Machine: m, RequestId: uuid.NewString()}); err != nil {
		return nil, err
	}
	token, err := pb.NewFleetServiceClient(s.conn).CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Parent: "machines/" + id})
	if err != nil {
		return nil, err
	}
	who, err := enrol.Enrol(ctx, enrol.Request{Dir: dir, Address: token.GetAddress(), Fingerprint: token.GetFingerprint(), Token: token.GetToken(), Rand: rand.Reader, Now: time.Now})
	if err != nil {
		return nil, err
	}
	b := &box{machine: id, id: who, next: 1}
	_, _ = rand.Read(b.epoch[:])
	return b, nil
}
