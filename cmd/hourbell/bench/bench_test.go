package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"github.com/hourbell/hourbell/agent/link"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// childEnv makes this test's program the child.
const childEnv = "HOURBELL_BENCH_CHILD"

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) == "" {
		goleak.VerifyTestMain(m)
		return
	}
	if err := RunService(context.Background(), os.Stdin, os.Stdout, os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// folder is one in memory where there is such, since the disk is others' too.
func folder(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "hourbell-bench-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// options measure as little as there is.
func options(t *testing.T, out io.Writer) Options {
	return Options{
		Seconds: 0.5, Machines: 4, Most: 400, Data: filepath.Join(folder(t), "data"), Out: out, Connect: connect, day: someDay(),
		Child: func(context.Context) (*exec.Cmd, error) {
			self, err := os.Executable()
			cmd := exec.Command(self)
			cmd.Env = append(os.Environ(), childEnv+"=1")
			return cmd, err
		},
	}
}

// connect trusts the authority in the service's folder.
func connect(s Service) (*grpc.ClientConn, error) {
	token, err := os.ReadFile(s.TokenFile)
	if err != nil {
		return nil, err
	}
	authority := filepath.Join(filepath.Dir(s.TokenFile), "authority", "authority.crt")
	creds, err := credentials.NewClientTLSFromFile(authority, link.ServerName)
	if err != nil {
		return nil, err
	}
	return grpc.NewClient("passthrough:///"+s.Address, grpc.WithTransportCredentials(creds), grpc.WithPerRPCCredentials(bearer(strings.TrimSpace(string(token)))))
}

type bearer string

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

func (b bearer) RequireTransportSecurity() bool { return true }

// TestFiguresAgree holds what the bench says it put on the path to what the
// service has in its journal.
func TestFiguresAgree(t *testing.T) {
	var out bytes.Buffer
	o := options(t, &out)
	o.JSON = true
	o.Profile = filepath.Join(folder(t), "profiles")
	asked := false
	o.before = func(ctx context.Context, conn *grpc.ClientConn, r *Result) error {
		asked = true
		machines, err := pb.NewMachineServiceClient(conn).ListMachines(ctx, &pb.ListMachinesRequest{})
		require.NoError(t, err)
		require.Len(t, machines.Machines, 4)
		readings := 0
		for _, m := range machines.Machines {
			readings += countReadings(ctx, t, conn, m.Name)
			k := m.Tasks
			require.EqualValues(t, 40, k.NotDue+k.Soon+k.Due+k.Overdue, "tasks of %s with a service on record", m.Name)
		}
		acked := uint64(0)
		for _, p := range r.Paths {
			acked += p.Events
		}
		require.EqualValues(t, acked, readings, "readings in the journal")
		verify(ctx, t, conn)
		return nil
	}
	require.NoError(t, Run(t.Context(), o))
	require.True(t, asked)
	require.NoDirExists(t, o.Data)
	profiles, err := filepath.Glob(filepath.Join(o.Profile, "4x50.*"))
	require.NoError(t, err)
	require.Len(t, profiles, 3)

	var r Result
	require.NoError(t, json.Unmarshal(out.Bytes(), &r))
	consistent(t, &r)
	var tables bytes.Buffer
	require.NoError(t, r.writeTables(&tables))
	require.Contains(t, tables.String(), "500 gzip")
	require.Contains(t, tables.String(), "a reading a minute")
}

func countReadings(ctx context.Context, t *testing.T, conn grpc.ClientConnInterface, machine string) (n int) {
	q := &pb.ListReadingsRequest{Parent: machine, PageSize: 1000}
	for {
		a, err := pb.NewReadingServiceClient(conn).ListReadings(ctx, q)
		require.NoError(t, err)
		for _, r := range a.Readings {
			if r.Origin == pb.Origin_ORIGIN_BUS {
				n++
			}
		}
		if q.PageToken = a.NextPageToken; q.PageToken == "" {
			return n
		}
	}
}

func verify(ctx context.Context, t *testing.T, conn grpc.ClientConnInterface) {
	stream, err := pb.NewVerifyServiceClient(conn).Verify(ctx, &pb.VerifyRequest{})
	require.NoError(t, err)
	same := 0
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		if s := m.GetSummary(); s != nil {
			same = int(s.Same)
			require.Zero(t, s.Differ)
		}
	}
	require.Equal(t, 4, same)
}

// consistent checks what must hold whatever the speed.
func consistent(t *testing.T, r *Result) {
	require.Len(t, r.Paths, 4)
	total := uint64(0)
	for _, p := range r.Paths {
		total += p.Events
		assert.Zero(t, p.Events%uint64(p.Batch))
		assert.Positive(t, p.Events)
		assert.InEpsilon(t, p.PerSecond/p.Floor, p.Ratio, 1e-9)
		assert.GreaterOrEqual(t, p.Folded, p.Service)
		assert.Positive(t, p.Service)
		// A reading's bytes by hand: time 7, meter 8, two figures 7 and 4, origin 2,
		// and the message's own 2.
		assert.InDelta(t, 29, p.Payload, 2)
		assert.Greater(t, p.Journal, p.Payload)
	}
	assert.Equal(t, total, r.Disk.Events)
	assert.Nil(t, r.Disk.Packed, "no segment was full")
	assert.Equal(t, 4, r.Idle.Machines)
	assert.Positive(t, r.Bus.Nanoseconds)
	assert.InDelta(t, 3980, r.Bus.FramesPerSecond, 40)
	require.Len(t, r.Days, 2)
	for _, d := range r.Days {
		assert.Equal(t, d.Up+d.Down+d.Pings, d.Total)
	}
	assert.EqualValues(t, someDay()/time.Minute, r.Days[0].Readings)
	assert.LessOrEqual(t, r.Days[0].Total, int64(150_000), "bytes of a day at a reading a minute")
}

func TestAnInterruptLeavesNothing(t *testing.T) {
	var out bytes.Buffer
	o := options(t, &out)
	o.Seconds, o.Most = 3600, 0
	ctx, interrupt := context.WithCancel(t.Context())
	o.Progress = writerFunc(func(b []byte) {
		if bytes.Contains(b, []byte("50 events a message")) {
			interrupt()
		}
	})
	require.ErrorContains(t, Run(ctx, o), "interrupted")
	require.NoDirExists(t, o.Data)
	require.Empty(t, out.String())
}

type writerFunc func([]byte)

func (f writerFunc) Write(b []byte) (int, error) {
	f(b)
	return len(b), nil
}

func TestAChildThatFailsIsTold(t *testing.T) {
	o := options(t, io.Discard)
	o.Child = func(context.Context) (*exec.Cmd, error) {
		return exec.Command("sh", "-c", "echo no room on the disk >&2; exit 3"), nil
	}
	err := Run(t.Context(), o)
	require.ErrorContains(t, err, "start the service")
	require.ErrorContains(t, err, "no room on the disk")
	require.NoDirExists(t, o.Data)
}

func TestWhatIsNotTaken(t *testing.T) {
	full := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(full, "mine"), []byte("x"), 0o600))
	for text, change := range map[string]func(*Options){
		"--seconds":  func(o *Options) { o.Seconds = -1 },
		"--machines": func(o *Options) { o.Machines = -1 },
		"--most":     func(o *Options) { o.Most = -1 },
		"not empty":  func(o *Options) { o.Data = full },
		"Child":      func(o *Options) { o.Child = nil },
		"find no such folder": func(o *Options) {
			o.Child = func(context.Context) (*exec.Cmd, error) { return nil, errors.New("find no such folder") }
		},
	} {
		o := options(t, io.Discard)
		change(&o)
		require.ErrorContains(t, Run(t.Context(), o), text)
	}
	require.FileExists(t, filepath.Join(full, "mine"))
	require.ErrorContains(t, RunService(t.Context(), strings.NewReader("what\n"), io.Discard, io.Discard), "hourbell bench")
}

// The floor counts what is on disk: every message that was sent, whole.
func TestFloor(t *testing.T) {
	b := &box{next: 1}
	made, err := b.make(time.Date(2031, 7, 2, 7, 0, 0, 0, time.UTC), 3, 5)
	require.NoError(t, err)
	require.EqualValues(t, 1, b.next, "the box stays as it is")
	rate, err := measureFloor(t.Context(), folder(t), [][]message{made, made}, 5, 2, 5*time.Millisecond)
	require.NoError(t, err)
	require.Positive(t, rate)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = measureFloor(ctx, folder(t), [][]message{made}, 5, 2, time.Hour)
	require.ErrorIs(t, err, context.Canceled)
}

func TestGrouped(t *testing.T) {
	for want, v := range map[string]float64{"0": 0, "999": 999.4, "1 000": 1000, "12 345 678": 12345678} {
		require.Equal(t, want, grouped(v))
	}
	require.Equal(t, 2.0, median([]float64{3, 1, 2}))
}
