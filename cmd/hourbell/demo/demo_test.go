package demo

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
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

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// childEnv makes this test's program the child.
const childEnv = "HOURBELL_DEMO_CHILD"

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) == "" {
		goleak.VerifyTestMain(m)
		return
	}
	if err := RunChild(context.Background(), os.Stdin, os.Stdout, os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// options run the whole demo as fast as this computer can.
func options(t *testing.T, out *bytes.Buffer) Options {
	return Options{
		Seed: 1, Data: folder(t), Out: out, Program: "hourbell", Version: "test",
		Child: func(context.Context) (*exec.Cmd, error) {
			self, err := os.Executable()
			cmd := exec.Command(self)
			cmd.Env = append(os.Environ(), childEnv+"=1")
			return cmd, err
		},
		Connect: connect, WriteClient: func(string, Service) error { return nil },
	}
}

// folder is one in memory where there is such: thousands of syncs to a disk that
// others use take longer than the shift.
func folder(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "hourbell-demo-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// connect trusts the authority in the service's folder.
func connect(s Service) (*grpc.ClientConn, error) {
	token, err := os.ReadFile(s.TokenFile)
	if err != nil {
		return nil, err
	}
	pem, err := os.ReadFile(filepath.Join(filepath.Dir(s.TokenFile), "authority", "authority.crt"))
	if err != nil {
		return nil, err
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pem)
	return grpc.NewClient("passthrough:///"+s.Address, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS13})),
		grpc.WithPerRPCCredentials(bearer(strings.TrimSpace(string(token)))), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(16<<20)))
}

type bearer string

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

func (b bearer) RequireTransportSecurity() bool { return true }

// TestDemo plays the whole shift with nothing held back: the check finds nothing,
// the service goes on until it is interrupted, and each control makes the check
// find something.
func TestDemo(t *testing.T) {
	var out bytes.Buffer
	o := options(t, &out)
	o.Stay = true
	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	asked := 0
	o.WriteClient = func(path string, s Service) error {
		conn, err := connect(s)
		require.NoError(t, err)
		a, err := pb.NewMachineServiceClient(conn).ListMachines(ctx, &pb.ListMachinesRequest{})
		require.NoError(t, err)
		asked = len(a.Machines)
		interrupt()
		return conn.Close()
	}
	var crew []*known
	var said []*facts
	o.seen = func(k []*known, f []*facts) { crew, said = k, f }
	require.NoError(t, Run(ctx, o))
	require.Equal(t, 7, asked, "machines that the service still tells of")
	for _, k := range crew {
		assert.Contains(t, out.String(), k.story.Name)
	}
	assert.Contains(t, out.String(), "no difference")
	t.Run("controls", func(t *testing.T) { controls(t, crew, said) })
	t.Run("rings", func(t *testing.T) { ringTimes(t, said) })
}

// ringTimes holds Oatgallop's ring against the program of its day, reckoned by
// hand: its engine starts at 07:11 and runs for 3 h 19 min, stands until 10:56 and
// has run its fifth hour at 12:37; the 10 h round was 5 h from due.
func ringTimes(t *testing.T, said []*facts) {
	rung := 0
	for _, n := range said[0].notices {
		if n.Stage != pb.Stage_STAGE_DUE {
			continue
		}
		rung++
		at := latest(n.RaisedMoment).Local()
		due := time.Date(at.Year(), at.Month(), at.Day(), 12, 37, 0, 0, time.Local)
		assert.WithinDuration(t, due, at, rhythm+10*time.Second)
	}
	assert.Equal(t, 3, rung, "one notice for each task of the round")
}

// TestMuted drops an hour of one machine's frames. The check says so.
func TestMuted(t *testing.T) {
	if testing.Short() {
		t.Skip("plays the whole shift once more")
	}
	var out bytes.Buffer
	o := options(t, &out)
	o.Start = lastShift(time.Now())
	o.mute = func(machine string, at time.Time) bool {
		since := at.Sub(o.Start)
		return machine == "larkumber" && since >= 8*time.Hour && since < 9*time.Hour
	}
	err := Run(t.Context(), o)
	differ, is := errors.AsType[*DifferError](err)
	require.True(t, is, "%v", err)
	require.ErrorContains(t, differ, "Larkumber: no reading of the engine from 14:5")
	require.ErrorContains(t, differ, "Larkumber: the separator has")
	for _, d := range differ.Differences {
		assert.True(t, strings.HasPrefix(d, "Larkumber: "), "%s", d)
	}
	assert.Contains(t, out.String(), "NOT AS IT HAPPENED")
}

// TestInterrupted stops in the middle: nothing runs on and nothing is left.
func TestInterrupted(t *testing.T) {
	t.Setenv("TMPDIR", folder(t))
	var out bytes.Buffer
	o := options(t, &out)
	o.Data = ""
	ctx, interrupt := context.WithCancel(t.Context())
	o.mute = func(_ string, at time.Time) bool {
		if at.Sub(o.Start) > 4*time.Hour {
			interrupt()
		}
		return false
	}
	o.Start = lastShift(time.Now())
	require.ErrorContains(t, Run(ctx, o), "interrupted")
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestRefused(t *testing.T) {
	var out bytes.Buffer
	o := options(t, &out)
	require.NoError(t, os.WriteFile(filepath.Join(o.Data, "mine.txt"), []byte("keep"), 0o600))
	require.ErrorContains(t, Run(t.Context(), o), "the folder is not empty")
	o.Factor = -1
	require.ErrorContains(t, Run(t.Context(), o), "--factor -1")
	require.Error(t, Run(t.Context(), Options{}))
	there, err := os.ReadDir(o.Data)
	require.NoError(t, err)
	require.Len(t, there, 1, "nothing was changed")
}

func TestChildAlone(t *testing.T) {
	require.ErrorContains(t, RunChild(t.Context(), strings.NewReader(""), &bytes.Buffer{}, &bytes.Buffer{}), "`hourbell demo` alone")
	require.Error(t, RunChild(t.Context(), strings.NewReader("{}\n"), &bytes.Buffer{}, &bytes.Buffer{}))
}

func TestLastShift(t *testing.T) {
	zone := time.FixedZone("", 2*3600)
	for now, want := range map[string]string{
		"2031-07-14T19:00:00+02:00": "2031-07-14T07:00:00+02:00",
		"2031-07-14T18:59:59+02:00": "2031-07-13T07:00:00+02:00",
		"2031-07-14T03:00:00+02:00": "2031-07-13T07:00:00+02:00",
	} {
		at, err := time.Parse(time.RFC3339, now)
		require.NoError(t, err)
		got := lastShift(at.In(zone))
		require.Equal(t, want, got.Format(time.RFC3339))
		require.False(t, got.Add(combinesim.ShiftLength).After(at))
	}
	require.Equal(t, "Etc/GMT-2", siteZone(time.Now().In(zone)))
	require.Equal(t, "Etc/GMT+5", siteZone(time.Now().In(time.FixedZone("", -5*3600))))
}
