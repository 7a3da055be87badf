package endtoend_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/internal/wire"
)

// roleEnv makes this test binary a child of the test instead: see writer.
const roleEnv = "HOURBELL_ENDTOEND_ROLE"

func TestMain(m *testing.M) {
	if role := os.Getenv(roleEnv); role != "" {
		if err := writer(context.Background(), role, os.Args[1:], os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, "writer:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	code := m.Run()
	if dir, err := programs(); err == nil {
		_ = os.RemoveAll(dir)
	}
	os.Exit(code)
}

// programs builds the service's and the agent's program once, in a folder.
var programs = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "hourbell-endtoend")
	if err != nil {
		return "", err
	}
	const commands = "github.com/hourbell/hourbell/cmd/"
	out, err := exec.Command("go", "build", "-o", dir+string(filepath.Separator), commands+"hourbell", commands+"hourbell-agent").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the programs: %w: %s", err, out)
	}
	return dir, nil
})

// world is one service and what is needed to reach it, seen from a test or a part
// of one.
type world struct {
	t *testing.T
	*place
}

// place is the service itself; it ends with the test that founded it.
type place struct {
	owner  *testing.T
	bin    string
	agent  string
	data   string
	people string
	agents string
	enrol  string
	serve  *child
}

// found makes a service with one machine of the given names each.
func found(t *testing.T, machines ...string) *world {
	dir, err := programs()
	require.NoError(t, err)
	w := &world{t, &place{owner: t, bin: filepath.Join(dir, "hourbell"), agent: filepath.Join(dir, "hourbell-agent"), data: filepath.Join(t.TempDir(), "service"), people: freePort(t), agents: freePort(t), enrol: freePort(t)}}
	w.start()
	w.run("customer", "add", "fern")
	w.run("site", "add", "fern", "yard", "--zone", "Etc/UTC")
	for _, m := range machines {
		w.run("machine", "add", m, "--site", "yard")
	}
	return w
}

// in is the same service, seen from a part of the test.
func (w *world) in(t *testing.T) *world { return &world{t, w.place} }

func freePort(t *testing.T) string {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer lis.Close()
	return lis.Addr().String()
}

// start starts the service and waits until it answers.
func (w *world) start(how ...string) {
	w.serve = startChild(w.owner, exec.Command(w.bin, append([]string{"serve", "--data", w.data, "--people-addr", w.people, "--agents-addr", w.agents,
		"--enrol-addr", w.enrol, "--metrics-addr", "none", "--host", "127.0.0.1", "--client-config", "none"}, how...)...))
	require.Eventually(w.t, func() bool {
		_, err := w.try("server")
		return err == nil
	}, 20*time.Second, 20*time.Millisecond, "the service answers")
}

// run runs a command of the service's program.
func (w *world) run(args ...string) string {
	w.t.Helper()
	out, err := w.try(args...)
	require.NoError(w.t, err, "hourbell %s", strings.Join(args, " "))
	return out
}

func (w *world) try(args ...string) (string, error) {
	out, err := w.command(args...).Output()
	if exit, ok := errors.AsType[*exec.ExitError](err); ok {
		err = fmt.Errorf("%w: %s", err, exit.Stderr)
	}
	return string(out), err
}

func (w *world) command(args ...string) *exec.Cmd {
	cmd := exec.CommandContext(w.t.Context(), w.bin, args...)
	cmd.Env = append(os.Environ(), "HOURBELL_CONFIG="+filepath.Join(w.data, "client.json"), "TZ=UTC")
	return cmd
}

// ask runs a command with --json and reads its answer.
func ask[M any, P interface {
	*M
	proto.Message
}](w *world, args ...string) P {
	w.t.Helper()
	a := P(new(M))
	require.NoError(w.t, protojson.Unmarshal([]byte(w.run(append(args, "--json")...)), a), "hourbell %s", strings.Join(args, " "))
	return a
}

// token is what `hourbell enrol` gives a program.
func (w *world) token(machine string, args ...string) (address, fingerprint, token string) {
	var t struct{ Address, Fingerprint, Token string }
	require.NoError(w.t, json.Unmarshal([]byte(w.run(append([]string{"enrol", machine, "--json"}, args...)...)), &t))
	return t.Address, t.Fingerprint, t.Token
}

// kill ends the service as a power cut would, as far as a process can be.
func (w *world) kill() { w.serve.kill() }

// stop ends it in good order.
func (w *world) stop() { w.serve.stop() }

// child is a process that this test started.
type child struct {
	t    *testing.T
	cmd  *exec.Cmd
	done chan struct{}
}

func startChild(t *testing.T, cmd *exec.Cmd) *child {
	if cmd.Stderr == nil {
		log, err := os.CreateTemp(t.TempDir(), "log")
		require.NoError(t, err)
		cmd.Stderr = log
		t.Cleanup(func() {
			if t.Failed() {
				b, _ := os.ReadFile(log.Name())
				t.Logf("%s said:\n%s", filepath.Base(cmd.Path), tail(b, 4000))
			}
			_ = log.Close()
		})
	}
	require.NoError(t, cmd.Start())
	done := make(chan struct{})
	c := &child{t: t, cmd: cmd, done: done}
	go func() { defer close(done); _ = cmd.Wait() }()
	t.Cleanup(c.kill)
	return c
}

func tail(b []byte, n int) []byte { return b[max(0, len(b)-n):] }

func (c *child) signal(s os.Signal) {
	select {
	case <-c.done:
	default:
		_ = c.cmd.Process.Signal(s)
	}
	<-c.done
}

// ended waits until it has ended by itself.
func (c *child) ended() {
	c.t.Helper()
	select {
	case <-c.done:
	case <-time.After(30 * time.Second):
		require.Fail(c.t, "it does not end", "%v", c.cmd.Args)
	}
}

func (c *child) kill() { c.signal(syscall.SIGKILL) }
func (c *child) stop() { c.signal(syscall.SIGTERM) }

// claim is one event that a writer said was saved: its sequence number and the
// mark in it.
type claim struct{ seq, mark uint64 }

// account is all that a writer ever said it had saved, and how far the service
// acknowledged. A number that is claimed twice with two marks stays two claims.
type account struct {
	mu    sync.Mutex
	saved map[claim]bool
	acked uint64
}

func newAccount() *account { return &account{saved: map[claim]bool{}} }

func (a *account) listen(r io.Reader) {
	s := bufio.NewScanner(r)
	for s.Scan() {
		var n, mark uint64
		a.mu.Lock()
		if k, _ := fmt.Sscanf(s.Text(), "saved %d %d", &n, &mark); k == 2 {
			a.saved[claim{n, mark}] = true
		} else if k, _ := fmt.Sscanf(s.Text(), "acked %d", &n); k == 1 {
			a.acked = max(a.acked, n)
		}
		a.mu.Unlock()
	}
}

// savedSoFar is the last sequence number that was claimed.
func (a *account) savedSoFar() (last uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for c := range a.saved {
		last = max(last, c.seq)
	}
	return last
}

func (a *account) ackedSoFar() uint64 { a.mu.Lock(); defer a.mu.Unlock(); return a.acked }

// journalled reads a stopped service's journal: the marks of a machine's own
// events in order, and whether any came twice.
func (w *world) journalled(machine string) map[uint64]uint64 {
	w.t.Helper()
	s, err := local.Open(filepath.Join(w.data, "store"), local.Options{})
	require.NoError(w.t, err)
	defer func() { require.NoError(w.t, s.Close()) }()
	out := map[uint64]uint64{}
	last := uint64(0)
	err = s.Read(w.t.Context(), "machines/"+machine, 1, func(e store.Entry) bool {
		if e.Writer != maintenance.WriterAgent {
			return true
		}
		_, body, err := wire.Unmarshal(e.Received)
		require.NoError(w.t, err)
		v := body.(*maintenance.BusValues).Values[0]
		require.Equal(w.t, last+1, e.Key.Seq, "events stand in order, each once")
		last = e.Key.Seq
		out[e.Key.Seq] = uint64(v.Milli)
		return true
	})
	require.NoError(w.t, err)
	return out
}
