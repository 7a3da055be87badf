package demo

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/combinesim"
)

// gather is how long readings wait for company, by the computer's clock.
const gather = 50 * time.Millisecond

// boxSpec is all that a machine's box needs to be told. It goes to a child
// process as well.
type boxSpec struct {
	Machine string // the story's id
	Seed    uint64
	Start   time.Time // of the shift
	From    time.Time // of listening
	Dir     string
	// Token, Address and Fingerprint are for a box that is not enrolled yet.
	Token, Address, Fingerprint string
}

// box is the agent's box in one machine: the real agent on a simulated bus.
type box struct {
	spec boxSpec
	ear  *ear
	road road
	link *link
	log  *slog.Logger
	// rang is told of each bell in the cab; nil: nobody.
	rang func(cab.Bell)
	// up is closed once the box is connected and its cab knows the machine.
	up   chan struct{}
	once sync.Once

	agent *agent.Agent

	mu      sync.Mutex
	release func() // lets the clock go on after the hello; nil where it goes
}

// newBox puts a box into a machine.
func newBox(spec boxSpec, r road, l *link, log *slog.Logger) (*box, error) {
	story, err := storyOf(spec)
	if err != nil {
		return nil, err
	}
	ear, err := newEar(story.Machine, spec.From, r)
	if err != nil {
		return nil, err
	}
	return &box{spec: spec, ear: ear, road: r, link: l, log: log.With("machine", spec.Machine), up: make(chan struct{})}, nil
}

func storyOf(spec boxSpec) (combinesim.Story, error) {
	for _, s := range combinesim.Crew(spec.Start, spec.Seed) {
		if s.ID == spec.Machine && s.HasBus() {
			return s, nil
		}
	}
	return combinesim.Story{}, fmt.Errorf("no machine %q with a bus in the crew", spec.Machine)
}

// run enrols the box, where it is not, and listens and pushes until the shift is
// over and all of it is acknowledged, or ctx ends.
func (b *box) run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	defer b.goOn()
	id, err := b.identity(ctx)
	if err != nil {
		return err
	}
	b.agent, err = agent.New(agent.Options{
		Dir: filepath.Join(b.spec.Dir, "spool"), Source: b.ear, Now: b.ear.now, Mono: b.ear.mono, Built: b.spec.Start,
		Dial: func(ctx context.Context, judge func() time.Time) (*grpc.ClientConn, error) {
			return b.dial(ctx, id, judge)
		},
		Version: "demo", Rand: rand.Reader, Gather: gather, Log: b.log, Observe: func(s uplink.Status) { b.observe(ctx, s) }, Ring: b.rang,
		Jitter: func(time.Duration) time.Duration { return 0 },
	})
	if err != nil {
		return fmt.Errorf("start the agent of %s: %w", b.spec.Machine, err)
	}
	if err := b.agent.Run(ctx); err != nil {
		return fmt.Errorf("the agent of %s: %w", b.spec.Machine, err)
	}
	return nil
}

// identity is the box's own, got for the token at the first start.
func (b *box) identity(ctx context.Context) (*enrol.Identity, error) {
	dir := filepath.Join(b.spec.Dir, "identity")
	id, err := enrol.Load(dir)
	if !errors.Is(err, enrol.ErrNone) {
		return id, err
	}
	return enrol.Enrol(ctx, enrol.Request{Dir: dir, Address: b.spec.Address, Fingerprint: b.spec.Fingerprint, Token: b.spec.Token, Rand: rand.Reader, Now: b.ear.now})
}

// dial connects to the service with mutual TLS. The shift's clock stands until
// the service has answered the hello.
func (b *box) dial(ctx context.Context, id *enrol.Identity, judge func() time.Time) (*grpc.ClientConn, error) {
	if err := b.link.await(ctx); err != nil {
		return nil, err
	}
	release, err := b.road.meet(ctx)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	b.release = release
	b.mu.Unlock()
	return grpc.NewClient("passthrough:///"+id.Address, grpc.WithTransportCredentials(credentials.NewTLS(id.TLS(judge))),
		grpc.WithContextDialer(b.link.dial), grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 5 * time.Minute, Timeout: 20 * time.Second}))
}

// observe hears how the uplink stands.
func (b *box) observe(ctx context.Context, s uplink.Status) {
	if !s.Connected {
		b.goOn()
		return
	}
	b.once.Do(func() { go b.awaitCopy(ctx) })
	select {
	case <-b.up:
		b.goOn()
	default: // awaitCopy lets it go on
	}
}

// awaitCopy waits until the cab has its copy: before, the box doesn't know what
// to listen for.
func (b *box) awaitCopy(ctx context.Context) {
	poll := time.NewTicker(time.Millisecond)
	defer poll.Stop()
	for {
		if revision, _ := b.agent.Cab().Copy(); revision > 0 {
			close(b.up)
			b.goOn()
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-poll.C:
		}
	}
}

// goOn lets the shift's clock go on.
func (b *box) goOn() {
	b.mu.Lock()
	release := b.release
	b.release = nil
	b.mu.Unlock()
	if release != nil {
		release()
	}
}
