package endtoend_test

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// The roles of a child: an agent's spool and uplink under a load of events that
// each carry a random mark; and the control, which says that an event is saved
// before it has written it.
const (
	roleHonest  = "honest"
	roleControl = "control"
)

// box is one machine's box: its identity and its spool, over many lives of its
// process.
type box struct {
	w       *world
	machine string
	dir     string
	role    string
	said    *account
	run     *child
}

// newBox enrols a box for a machine.
func newBox(t *testing.T, w *world, machine, role string) *box {
	b := &box{w: w, machine: machine, dir: t.TempDir(), role: role, said: newAccount()}
	address, fingerprint, token := w.token(machine)
	_, err := enrol.Enrol(t.Context(), enrol.Request{Dir: filepath.Join(b.dir, "identity"), Address: address, Fingerprint: fingerprint, Token: token,
		Rand: rand.Reader, Now: time.Now})
	require.NoError(t, err)
	return b
}

// start starts the box's process, which writes until it is killed, or, told to
// drain, until the service has all.
func (b *box) start(mode string) {
	cmd := exec.Command(os.Args[0], b.dir, mode)
	cmd.Env = append(os.Environ(), roleEnv+"="+b.role)
	out, err := cmd.StdoutPipe()
	require.NoError(b.w.t, err)
	heard := make(chan struct{})
	b.run = startChild(b.w.t, cmd)
	go func() { defer close(heard); b.said.listen(out) }()
	b.run.done = after(b.run.done, heard)
}

// after is closed when both are.
func after(a, b chan struct{}) chan struct{} {
	both := make(chan struct{})
	go func() { <-a; <-b; close(both) }()
	return both
}

// writer is the child.
func writer(ctx context.Context, role string, args []string, out io.Writer) error {
	dir, mode := args[0], args[1]
	id, err := enrol.Load(filepath.Join(dir, "identity"))
	if err != nil {
		return err
	}
	sp, err := spool.Open(filepath.Join(dir, "spool"), spool.Options{Now: time.Now, Rand: rand.Reader, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	up, err := uplink.New(uplink.Options{
		Dial: func(context.Context) (*grpc.ClientConn, error) {
			return grpc.NewClient("passthrough:///"+id.Address, grpc.WithTransportCredentials(credentials.NewTLS(id.TLS(time.Now))))
		},
		Spool: boxSpool{sp}, Clock: boxClock{time.Now()}, Cab: noCab{}, Version: "endtoend", Rules: maintenance.RulesVersion,
		Jitter:  func(time.Duration) time.Duration { return 0 },
		Observe: func(s uplink.Status) { fmt.Fprintf(out, "acked %d\n", s.Acked) },
	})
	if err != nil {
		return err
	}
	go func() { _ = up.Run(ctx) }()
	if mode == "drain" {
		for {
			last, _ := sp.Last()
			if (boxSpool{sp}).Acked() >= last {
				return sp.Close()
			}
			up.Appended(true)
			time.Sleep(5 * time.Millisecond)
		}
	}
	for {
		if err := write(ctx, sp, role, out); err != nil {
			return err
		}
		up.Appended(true)
	}
}

// write saves a few events and says which. The control says so first.
func write(ctx context.Context, sp *spool.Spool, role string, out io.Writer) error {
	last, _ := sp.Last()
	events, said := []spool.Event{}, ""
	for i := range uint64(4) {
		var b [4]byte
		_, _ = rand.Read(b[:])
		mark := binary.BigEndian.Uint32(b[:])
		body := &maintenance.BusValues{Values: []maintenance.BusValue{{Signal: "mark", State: maintenance.ValueOK, Milli: int64(mark)}}}
		payload, err := wire.Marshal(nil, wire.Stamp{Time: moment.Instant(time.Now().UnixMilli())}, body)
		if err != nil {
			return err
		}
		events = append(events, spool.Event{Class: spool.Keep, Payload: payload})
		said += fmt.Sprintf("saved %d %d\n", last+1+i, mark)
	}
	if role == roleControl {
		_, _ = io.WriteString(out, said)
	}
	if _, err := sp.Append(ctx, events...); err != nil {
		return err
	}
	if role == roleHonest {
		_, _ = io.WriteString(out, said)
	}
	return nil
}

// boxSpool is the spool as the uplink empties it.
type boxSpool struct{ *spool.Spool }

func (b boxSpool) Epoch() [16]byte          { return b.Spool.Epoch() }
func (b boxSpool) First() uint64            { return b.Stats().First }
func (b boxSpool) Last() (uint64, [32]byte) { return b.Spool.Last() }
func (b boxSpool) Acked() uint64            { _, seq := b.Spool.Acked(); return seq }
func (b boxSpool) Ack(seq uint64, hash [32]byte) error {
	return b.Spool.Ack(context.Background(), seq, hash)
}
func (b boxSpool) Rewind(seq uint64, hash [32]byte) error {
	return b.Spool.Rewind(context.Background(), seq, hash)
}
func (b boxSpool) HashAt(seq uint64) ([32]byte, bool, error) {
	h, err := b.Spool.HashAt(context.Background(), seq)
	return h, err == nil, err
}
func (b boxSpool) Read(from uint64, events, bytes int) ([]uplink.Item, [32]byte, error) {
	batch, err := b.ReadFrom(context.Background(), from, events, bytes)
	if err != nil {
		return nil, [32]byte{}, err
	}
	var out []uplink.Item
	for _, it := range batch.Items {
		if it.Gap != nil {
			return nil, [32]byte{}, fmt.Errorf("a gap from %d to %d: this test writes less than a spool holds", it.Gap.From, it.Gap.To)
		}
		out = append(out, uplink.Item{Seq: it.Seq, Payload: it.Payload})
	}
	return out, batch.Hash, nil
}

type boxClock struct{ start time.Time }

func (c boxClock) Boot() uint32                                            { return 1 }
func (c boxClock) Mono() int64                                             { return time.Since(c.start).Milliseconds() }
func (c boxClock) Now() (moment.Instant, bool)                             { return moment.Instant(time.Now().UnixMilli()), true }
func (c boxClock) Best() time.Time                                         { return time.Now() }
func (c boxClock) Set(moment.Instant, int64) error                         { return nil }
func (c boxClock) Place(uint32) (earliest, latest moment.Instant, ok bool) { return 0, 0, false }

type noCab struct{}

func (noCab) Copy() (uint64, [32]byte)                          { return 0, [32]byte{} }
func (noCab) Take(*pb.CabCopy) error                            { return nil }
func (noCab) Readings() (moment.Instant, []maintenance.Reading) { return 0, nil }
