package uplink

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// How long the service may take: to welcome, and to acknowledge what it has got.
const (
	welcomeWithin = 30 * time.Second
	ackWithin     = 90 * time.Second
	// The clock is set again this often.
	probeEvery = 6 * time.Hour
	// A backlog of more events than this is announced by what the meters show now.
	aheadFrom = 50
)

var errNoAck = errors.New("the service took events but did not acknowledge them in time")

// session is one open stream. Only run's goroutine sends; one other receives.
type session struct {
	*Uplink
	stream grpc.BidiStreamingClient[pb.ConnectRequest, pb.ConnectResponse]
	cancel context.CancelCauseFunc
	acked  chan struct{}
	paced  chan struct{}

	window  int
	next    uint64   // to send
	hash    [32]byte // before next
	machine string

	mu      sync.Mutex
	sent    []flight // the batches in flight
	gather  time.Duration
	watched bool
}

// flight is a batch on its way: its last sequence number and the hash after it.
type flight struct {
	last uint64
	hash [32]byte
}

func (s *session) run(ctx context.Context) error {
	if err := s.greet(ctx); err != nil {
		return err
	}
	s.report(nil)
	var receiver sync.WaitGroup
	receiver.Go(func() { s.cancel(s.receive()) })
	err := s.send(ctx)
	if !errors.Is(err, io.EOF) {
		s.cancel(err)
	}
	// After io.EOF only the receiver learns why the stream ended.
	receiver.Wait()
	return context.Cause(ctx)
}

// greet says hello, hears what the service has, and finds where to go on.
func (s *session) greet(ctx context.Context) error {
	hello := s.hello()
	if err := s.stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: hello}}); err != nil {
		if _, why := s.stream.Recv(); why != nil {
			err = why
		}
		return fmt.Errorf("say hello: %w", err)
	}
	timer := time.AfterFunc(welcomeWithin, func() { s.cancel(errors.New("the service did not answer the hello in time")) })
	defer timer.Stop()
	resp, err := s.stream.Recv()
	if err != nil {
		if cause := context.Cause(ctx); cause != nil {
			return cause
		}
		return fmt.Errorf("hear the service's welcome: %w", err)
	}
	w := resp.GetWelcome()
	if w == nil || len(w.GetHash()) != 32 || len(w.GetIncarnation()) != 16 || w.GetNextSequence() == 0 {
		return errors.New("hear the service's welcome: it is not one this version understands")
	}
	if err := s.opts.Clock.Set(moment.Instant(w.GetServiceTimeMs()), hello.GetMonotonicMs()); err != nil {
		s.opts.Log.Warn("the clock was not set", "why", err)
	}
	s.window = max(1, int(w.GetWindow()))
	s.machine = w.GetMachine()
	return s.resume(w)
}

func (s *session) hello() *pb.AgentHello {
	epoch := s.opts.Spool.Epoch()
	last, hash := s.opts.Spool.Last()
	revision, chart := s.opts.Cab.Copy()
	now, synced := s.opts.Clock.Now()
	if !synced {
		now = moment.Instant(s.opts.Clock.Best().UnixMilli())
	}
	return &pb.AgentHello{Revision: Revision, Version: s.opts.Version, Epoch: epoch[:], LastSequence: last, LastHash: hash[:],
		FirstSequence: s.opts.Spool.First(), AckedSequence: s.opts.Spool.Acked(), Incarnation: s.incarnation, Rules: s.opts.Rules, ChartHash: chart[:],
		ClockMs: int64(now), Synced: synced, Boot: s.opts.Clock.Boot(), MonotonicMs: s.opts.Clock.Mono(), CopyRevision: revision}
}

// resume sets where sending goes on, or says that the two accounts differ.
func (s *session) resume(w *pb.ServiceWelcome) error {
	spool := s.opts.Spool
	has := w.GetNextSequence() - 1
	last, _ := spool.Last()
	fork := &ForkError{Epoch: spool.Epoch(), Service: has, Spool: last}
	if has > last {
		fork.Why = "the service has events that this spool never wrote"
		return fork
	}
	var theirs [32]byte
	copy(theirs[:], w.GetHash())
	// What was trimmed here can't be compared, nor sent again.
	if has+1 >= spool.First() {
		ours, known, err := spool.HashAt(has)
		if err != nil {
			return fmt.Errorf("compare the spool with the service's account: %w", err)
		}
		if known && ours != theirs {
			fork.Why = "their contents differ"
			return fork
		}
	}
	if acked := spool.Acked(); has < acked {
		s.opts.Log.Warn("the service has less than it acknowledged: sending it again", "acknowledged", acked, "has", has, "first_here", spool.First())
		if err := spool.Rewind(has, theirs); err != nil {
			return fmt.Errorf("remember what the service lacks: %w", err)
		}
	} else if has > acked {
		if err := spool.Ack(has, theirs); err != nil {
			return fmt.Errorf("remember what the service has: %w", err)
		}
	}
	s.incarnation = w.GetIncarnation()
	s.next, s.hash = has+1, theirs
	return nil
}

// send pushes what the spool has, and then what comes, until ctx ends.
func (s *session) send(ctx context.Context) error {
	if err := s.ahead(); err != nil {
		return err
	}
	probe := time.NewTicker(probeEvery)
	defer probe.Stop()
	for {
		if err := s.drain(ctx); err != nil {
			return err
		}
		if err := s.idle(ctx, probe.C); err != nil {
			return err
		}
	}
}

// ahead shows what the meters show now where a backlog comes first.
func (s *session) ahead() error {
	last, _ := s.opts.Spool.Last()
	if last < s.next+aheadFrom {
		return nil
	}
	at, readings := s.opts.Cab.Readings()
	if len(readings) == 0 || at == 0 {
		return nil
	}
	m := &pb.LiveNow{TimeMs: int64(at), Behind: last + 1 - s.next}
	for _, r := range readings {
		m.Readings = append(m.Readings, &pb.Reading{Meter: r.Meter, ShownMs: int64(r.Shown), ResolutionMs: int64(r.Resolution), Origin: pb.Origin(r.Origin)})
	}
	return sendError("show what the meters show now", s.stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_LiveNow{LiveNow: m}}))
}

// drain sends batches until the spool has no more.
func (s *session) drain(ctx context.Context) error {
	for {
		last, _ := s.opts.Spool.Last()
		if s.next > last {
			return nil
		}
		if err := s.waitWindow(ctx); err != nil {
			return err
		}
		if err := s.sendBatch(); err != nil {
			return err
		}
	}
}

// waitWindow waits until a further batch may be in flight.
func (s *session) waitWindow(ctx context.Context) error {
	if s.inFlight() < s.window {
		return nil
	}
	timer := time.NewTimer(ackWithin)
	defer timer.Stop()
	for s.inFlight() >= s.window {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-s.acked:
		case <-timer.C:
			return errNoAck
		}
	}
	return nil
}

func (s *session) inFlight() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.sent)
}

func (s *session) sendBatch() error {
	batch := &pb.Batch{FirstSequence: s.next, PreviousHash: append([]byte(nil), s.hash[:]...)}
	from := s.next
	if first := s.opts.Spool.First(); from < first {
		// A restored service wants what is gone here: it is told how much.
		hash, known, err := s.opts.Spool.HashAt(first - 1)
		if err == nil && !known {
			err = errors.New("the hash before its first event is not known")
		}
		if err != nil {
			return fmt.Errorf("say what is gone from the spool: %w", err)
		}
		batch.Events = append(batch.Events, nil)
		batch.Thinned = append(batch.Thinned, &pb.ThinnedRun{Count: first - from, HashAfter: hash[:]})
		from = first
	}
	items, hash, err := s.opts.Spool.Read(from, batchEvents, batchBytes)
	if err != nil {
		return fmt.Errorf("read the spool: %w", err)
	}
	last := from - 1
	boots := map[uint32]bool{}
	for _, it := range items {
		last = it.Seq
		batch.Events = append(batch.Events, it.Payload)
		if it.Thinned > 0 {
			batch.Thinned = append(batch.Thinned, &pb.ThinnedRun{Count: it.Thinned, HashAfter: append([]byte(nil), it.After[:]...)})
		}
		if it.Boot != 0 && !boots[it.Boot] {
			boots[it.Boot] = true
			batch.Boots = append(batch.Boots, s.bootClock(it.Boot))
		}
	}
	s.mu.Lock()
	s.sent = append(s.sent, flight{last, hash})
	s.mu.Unlock()
	if err := s.stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: batch}}); err != nil {
		return sendError("send a batch", err)
	}
	s.next, s.hash = last+1, hash
	return nil
}

func (s *session) bootClock(boot uint32) *pb.BootClock {
	early, late, ok := s.opts.Clock.Place(boot)
	if !ok {
		// Nothing is known of it but that it was before now.
		now := s.opts.Clock.Best().UnixMilli()
		return &pb.BootClock{Boot: boot, OffsetLatestMs: now}
	}
	return &pb.BootClock{Boot: boot, OffsetEarliestMs: int64(early), OffsetLatestMs: int64(late)}
}

// idle waits for something to send: at once where it is urgent or someone
// watches, else after a while in which readings gather.
func (s *session) idle(ctx context.Context, probe <-chan time.Time) error {
	var gathered <-chan time.Time
	timer := time.NewTimer(ackWithin)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-s.soon:
			return nil
		case <-gathered:
			return nil
		case <-s.paced:
			if watched, _ := s.pace(); watched {
				return nil
			}
		case <-s.bell:
			watched, gather := s.pace()
			if watched {
				return nil
			}
			if gathered == nil {
				gathered = time.After(gather)
			}
		case <-probe:
			if err := s.probe(); err != nil {
				return err
			}
		case <-s.acked:
			timer.Reset(ackWithin)
		case <-timer.C:
			if s.inFlight() > 0 {
				return errNoAck
			}
			timer.Reset(ackWithin)
		}
	}
}

func (s *session) pace() (watched bool, gather time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.watched, s.gather
}

func (s *session) probe() error {
	return sendError("ask for the time", s.stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_TimeProbe{TimeProbe: &pb.TimeProbe{MonotonicMs: s.opts.Clock.Mono()}}}))
}

func sendError(doing string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", doing, err)
}

// receive hears the service until the stream ends. It never returns nil.
func (s *session) receive() error {
	for {
		resp, err := s.stream.Recv()
		if err != nil {
			return fmt.Errorf("hear the service: %w", err)
		}
		if err := s.heard(resp); err != nil {
			return err
		}
	}
}

func (s *session) heard(resp *pb.ConnectResponse) error {
	switch m := resp.GetMessage().(type) {
	case *pb.ConnectResponse_Ack:
		return s.heardAck(m.Ack)
	case *pb.ConnectResponse_TimeAnswer:
		if err := s.opts.Clock.Set(moment.Instant(m.TimeAnswer.GetServiceTimeMs()), m.TimeAnswer.GetMonotonicMs()); err != nil {
			s.opts.Log.Warn("the clock was not set", "why", err)
		}
	case *pb.ConnectResponse_CabCopy:
		if err := s.opts.Cab.Take(m.CabCopy); err != nil {
			// The cab goes on with the copy it has.
			s.opts.Log.Error("the cab's copy was not taken", "why", err)
		}
	case *pb.ConnectResponse_Pace:
		s.mu.Lock()
		s.watched = m.Pace.GetWatched()
		if g := m.Pace.GetGatherMs(); g > 0 {
			s.gather = time.Duration(g) * time.Millisecond
		}
		s.mu.Unlock()
		nudge(s.paced)
	}
	return nil
}

func (s *session) heardAck(ack *pb.Ack) error {
	for _, n := range ack.GetSetAside() {
		s.opts.Log.Warn("the service set an event aside", "sequence", n.GetSequence(), "why", n.GetReason())
	}
	s.mu.Lock()
	n, hash := 0, [32]byte{}
	for n < len(s.sent) && s.sent[n].last <= ack.GetSequence() {
		hash = s.sent[n].hash
		n++
	}
	// An acknowledgement ends at a batch's end: only there is its hash known.
	whole := n > 0 && s.sent[n-1].last == ack.GetSequence()
	s.sent = s.sent[n:]
	s.mu.Unlock()
	if last, _ := s.opts.Spool.Last(); ack.GetSequence() > last {
		return &ForkError{Epoch: s.opts.Spool.Epoch(), Service: ack.GetSequence(), Spool: last, Why: "the service acknowledged what was never sent"}
	}
	if whole && ack.GetSequence() > s.opts.Spool.Acked() {
		if err := s.opts.Spool.Ack(ack.GetSequence(), hash); err != nil {
			return fmt.Errorf("remember what was acknowledged: %w", err)
		}
	}
	nudge(s.acked)
	s.report(nil)
	return nil
}

func (s *session) report(trouble error) {
	s.opts.Observe(Status{Connected: true, Machine: s.machine, Acked: s.opts.Spool.Acked(), Behind: s.behind(), Trouble: trouble})
}

// isRefusal reports whether trying again soon is no use.
func isRefusal(err error) bool {
	if _, ok := errors.AsType[*ForkError](err); ok {
		return true
	}
	switch status.Code(err) {
	case codes.PermissionDenied, codes.Unauthenticated, codes.FailedPrecondition:
		return true
	}
	return false
}
