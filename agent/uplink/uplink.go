// Package uplink carries the spool's events to the service and brings its
// acknowledgements, its time and the cab's copy back, over one stream that it
// opens again for ever.
//
// An event is sent until the service says that it is on disk. After a lost
// connection the service says what it has, and the uplink goes on from there,
// also where that is less than was acknowledged before (a restored service).
package uplink

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding/gzip"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Revision is the wire's revision that this agent speaks.
const Revision = 1

// The bounds of one batch. The service takes no larger one.
const (
	batchEvents = 500
	batchBytes  = 128 << 10
)

// Item is one event of the spool, or a run of thinned ones.
type Item struct {
	Seq     uint64 // of the last one of a run
	Payload []byte
	Thinned uint64   // above 0: how many were dropped; Payload is then nil
	After   [32]byte // of a run: the rolling hash after it
	// Boot is the boot of an event without a time of its own, 0 otherwise.
	Boot uint32
}

// Spool is the durable queue that the uplink empties.
type Spool interface {
	Epoch() [16]byte
	// First and Last bound what it holds of the epoch; Last is 0 where nothing
	// was written yet.
	First() uint64
	Last() (seq uint64, hash [32]byte)
	Acked() uint64
	// HashAt is the rolling hash after an event, 0 for the epoch's start. It is
	// not known within a run of thinned events.
	HashAt(seq uint64) (hash [32]byte, known bool, err error)
	// Read gives events from a sequence number on, within bounds, and the
	// rolling hash after the last of them.
	Read(from uint64, events, bytes int) ([]Item, [32]byte, error)
	// Ack remembers that all up to seq is on the service's disk; hash is the
	// rolling hash after it.
	Ack(seq uint64, hash [32]byte) error
	// Rewind remembers that the service has less than it acknowledged, so that
	// what it lacks is kept for it.
	Rewind(seq uint64, hash [32]byte) error
}

// Clock is the agent's sense of time.
type Clock interface {
	Boot() uint32
	Mono() int64
	Now() (moment.Instant, bool)
	Best() time.Time
	Set(service moment.Instant, sent int64) error
	Place(boot uint32) (earliest, latest moment.Instant, ok bool)
}

// Cab takes the copy that the service sends.
type Cab interface {
	// Copy is the revision and the chart that the agent has; zeros for none.
	Copy() (revision uint64, chart [32]byte)
	Take(*pb.CabCopy) error
	// Readings is what the meters show now.
	Readings() (moment.Instant, []maintenance.Reading)
}

// Options says what an uplink stands on.
type Options struct {
	// Dial opens a connection; the uplink closes it.
	Dial    func(ctx context.Context) (*grpc.ClientConn, error)
	Spool   Spool
	Clock   Clock
	Cab     Cab
	Log     *slog.Logger
	Version string
	// Rules is the newest version of the rules that this agent computes with.
	Rules uint32
	// Jitter gives a number in [0, n).
	Jitter func(n time.Duration) time.Duration
	// Gather is how long readings wait for company while nobody watches, until
	// the service says otherwise. 0 takes ten minutes.
	Gather time.Duration
	// Plain sends without compression.
	Plain bool
	// Observe is told what changes; nil: nobody.
	Observe func(Status)
}

// Status is how the uplink stands.
type Status struct {
	Connected bool
	Machine   string
	Acked     uint64
	Behind    uint64
	// Trouble is what keeps it from getting through, nil where nothing does.
	Trouble error
	// Refused: the service will not take this spool or this agent; a person must act.
	Refused bool
}

// ForkError says that the service's account of this spool and the spool itself
// differ: it was copied, or set back to an older state.
type ForkError struct {
	Epoch   [16]byte
	Service uint64 // last event the service has
	Spool   uint64 // last event the spool has
	Why     string
}

// Error says what to do.
func (e *ForkError) Error() string {
	return fmt.Sprintf("spool %x: the service has it up to event %d, here it ends at %d, and %s: nothing was sent; "+
		"if this box alone is the machine's, run `hourbell-agent fresh` to go on in a new spool epoch; if a copy of this box runs elsewhere, enrol one of them anew",
		e.Epoch[:4], e.Service, e.Spool, e.Why)
}

// Uplink is one agent's connection to the service.
type Uplink struct {
	opts Options
	bell chan struct{} // something was appended
	soon chan struct{} // something urgent was appended
	// incarnation of the service that acknowledged last.
	incarnation []byte
}

// New makes an uplink; Run runs it.
func New(opts Options) (*Uplink, error) {
	switch {
	case opts.Dial == nil || opts.Spool == nil || opts.Clock == nil || opts.Cab == nil || opts.Jitter == nil:
		return nil, errors.New("uplink: Dial, Spool, Clock, Cab and Jitter are needed")
	case opts.Gather < 0:
		return nil, fmt.Errorf("uplink: gather for %v: it is negative", opts.Gather)
	}
	if opts.Gather == 0 {
		opts.Gather = 10 * time.Minute
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.Observe == nil {
		opts.Observe = func(Status) {}
	}
	return &Uplink{opts: opts, bell: make(chan struct{}, 1), soon: make(chan struct{}, 1)}, nil
}

// Appended tells the uplink that the spool has new events. Urgent ones (a due
// state, a warning, a person's act) are sent at once, others may gather.
func (u *Uplink) Appended(urgent bool) {
	nudge(u.bell)
	if urgent {
		nudge(u.soon)
	}
}

func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// The waits between attempts: doubled from the first to the most, and each
// drawn between its half and itself, so that a fleet does not come back as one.
const (
	firstWait = time.Second
	mostWait  = 2 * time.Minute
	// A refusal needs a person; asking often only costs data.
	refusedWait = 15 * time.Minute
	// A session that lasted this long was a success.
	goodSession = time.Minute
)

// Run connects, and connects again, until ctx ends. It returns nil then.
func (u *Uplink) Run(ctx context.Context) error {
	wait := firstWait
	for {
		begun := u.opts.Clock.Mono()
		err := u.session(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if u.opts.Clock.Mono()-begun > goodSession.Milliseconds() {
			wait = firstWait
		}
		refused := isRefusal(err)
		u.opts.Observe(Status{Trouble: err, Refused: refused, Behind: u.behind(), Acked: u.opts.Spool.Acked()})
		pause := wait/2 + u.opts.Jitter(wait/2)
		if refused {
			pause = refusedWait/2 + u.opts.Jitter(refusedWait/2)
		}
		u.opts.Log.Info("not connected to the service", "why", err, "again_in", pause.Round(time.Second))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		wait = min(2*wait, mostWait)
	}
}

func (u *Uplink) behind() uint64 {
	last, _ := u.opts.Spool.Last()
	if acked := u.opts.Spool.Acked(); last > acked {
		return last - acked
	}
	return 0
}

// session is one connection from dial to end. It never returns nil.
func (u *Uplink) session(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	conn, err := u.opts.Dial(ctx)
	if err != nil {
		return fmt.Errorf("reach the service: %w", err)
	}
	defer conn.Close()
	var call []grpc.CallOption
	if !u.opts.Plain {
		call = append(call, grpc.UseCompressor(gzip.Name))
	}
	stream, err := pb.NewAgentServiceClient(conn).Connect(ctx, call...)
	if err != nil {
		return fmt.Errorf("open the stream: %w", err)
	}
	s := &session{Uplink: u, stream: stream, cancel: cancel, acked: make(chan struct{}, 1), paced: make(chan struct{}, 1), gather: u.opts.Gather}
	return s.run(ctx)
}
