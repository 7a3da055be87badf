package agents

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/live"
	"github.com/hourbell/hourbell/service/office"
)

// pipe is the gRPC side of a stream.
type pipe = grpc.BidiStreamingServer[pb.ConnectRequest, pb.ConnectResponse]

// stream is one agent's connection. The handler's goroutine sends; one other
// receives.
type stream struct {
	*Server
	pipe     pipe
	agent    office.Agent
	key      [32]byte
	version  uint64 // of the office, when the agent was last admitted
	hello    *pb.AgentHello
	epoch    [16]byte
	replaced chan struct{}
	replace  func()

	tickets  chan *ingest.Ticket
	probes   chan *pb.TimeProbe
	greeted  chan struct{}
	received chan error // why receiving ended
	watched  chan bool
	inHand   atomic.Int32  // batches received whose ticket is not yet in tickets
	settled  chan struct{} // inHand fell while the service was stopping

	// The sender's own.
	waiting []*ingest.Ticket
	copied  uint64 // revision of the copy that the cab has
	chart   [32]byte
	told    bool // that it is watched
	news    <-chan live.Change
	office  <-chan struct{} // closed when the office has changed
	// Nil while nothing is to come.
	copyAfter, unwatch <-chan time.Time
}

// Connect carries one agent's events, until either side ends it.
func (s *Server) Connect(p pipe) error {
	agent, key, err := s.who(p.Context())
	if err != nil {
		return s.status("Connect", err)
	}
	replaced := make(chan struct{})
	st := &stream{Server: s, pipe: p, agent: agent, key: key, version: s.o.Office.Version(),
		replaced: replaced, replace: sync.OnceFunc(func() { close(replaced) }),
		tickets: make(chan *ingest.Ticket, s.o.Window), probes: make(chan *pb.TimeProbe, 1), greeted: make(chan struct{}), received: make(chan error, 1), watched: make(chan bool, 1), settled: make(chan struct{}, 1)}
	err = st.run()
	s.o.Log.Info("an agent's stream ended", "agent", agent.ID, "machine", agent.Machine, "why", err)
	return s.status("Connect", err)
}

func (st *stream) run() error {
	hellos := make(chan *pb.AgentHello, 1)
	go func() { st.received <- st.receive(hellos) }()
	timer := time.NewTimer(st.o.HelloWithin)
	defer timer.Stop()
	select {
	case st.hello = <-hellos:
	case err := <-st.received:
		return ended(err)
	case <-timer.C:
		return fault.New(fault.StreamOrder, "no hello came: the agent speaks first")
	case <-st.stopping:
		return stoppingError()
	}
	if err := st.greet(); err != nil {
		return err
	}
	close(st.greeted)
	return st.talk()
}

// greet answers the hello: what the service has of the spool.
func (st *stream) greet() error {
	ctx := st.pipe.Context()
	end, err := st.o.Ingest.SpoolEnd(ctx, st.agent.Machine, st.epoch)
	if err != nil {
		return err
	}
	if at, forked := forkedAt(st.hello, end); forked {
		return st.o.Ingest.ReportFork(ctx, st.agent.Machine, st.epoch, at)
	}
	if acked := st.hello.GetAckedSequence(); end.Next <= acked {
		st.o.Log.Warn("an agent has had more acknowledged than is on record: it sends it again", "agent", st.agent.ID, "machine", st.agent.Machine,
			"acknowledged", acked, "on_record", end.Next-1, "restored", !st.sameIncarnation())
	}
	if err := st.o.Office.UseAgentKey(ctx, st.agent.ID, st.key); err != nil {
		return err
	}
	incarnation := st.o.Ingest.Incarnation()
	return st.send(&pb.ConnectResponse{Message: &pb.ConnectResponse_Welcome{Welcome: &pb.ServiceWelcome{
		Incarnation: incarnation[:], NextSequence: end.Next, Hash: end.Hash[:], ServiceTimeMs: st.o.Now().UnixMilli(),
		Machine: st.agent.Machine, Window: uint32(st.o.Window), MonotonicMs: st.hello.GetMonotonicMs(),
	}}})
}

// forkedAt tells from the hello where the spool's history differs from the one on
// record: the service has more than was ever written here, or another hash at
// its end. Where the spool goes on beyond the record, the batches tell.
func forkedAt(h *pb.AgentHello, end ingest.SpoolEnd) (uint64, bool) {
	last := h.GetLastSequence()
	switch {
	case end.Next == 1:
		return 0, false
	case last < end.Next-1:
		return last + 1, true
	case last == end.Next-1 && end.Hash != [32]byte{} && !bytes.Equal(h.GetLastHash(), end.Hash[:]):
		return last, true
	}
	return 0, false
}

func (st *stream) sameIncarnation() bool {
	incarnation := st.o.Ingest.Incarnation()
	return bytes.Equal(st.hello.GetIncarnation(), incarnation[:])
}

// talk sends what there is to say until the stream ends.
func (st *stream) talk() error {
	st.enter()
	defer st.leave()
	hub := st.o.Ingest.Changes()
	changes := hub.Subscribe(live.Filter{Machines: []string{st.agent.Machine}, Others: true, Buffer: 1})
	defer changes.Close()
	defer hub.OnWatched(st.agent.Machine, func(w bool) { latest(st.watched, w) })()
	st.news, st.office = changes.C, st.o.Office.Changed()
	if err := st.admitted(); err != nil {
		return err
	}
	if err := st.start(); err != nil {
		return err
	}
	for {
		if end, err := st.turn(); end || err != nil {
			return err
		}
	}
}

// turn waits for one thing to happen and says what follows from it.
func (st *stream) turn() (end bool, err error) {
	var done <-chan struct{}
	if len(st.waiting) > 0 {
		done = st.waiting[0].Done()
	}
	select {
	case t := <-st.tickets:
		st.gather(t)
	case <-done:
		err = st.acknowledge()
	case p := <-st.probes:
		err = st.answer(p)
	case _, open := <-st.news:
		if !open {
			st.news = nil
		} else if st.copyAfter == nil {
			st.copyAfter = time.After(st.o.CopyAfter)
		}
	case <-st.copyAfter:
		err = st.copyAtAPause()
	case w := <-st.watched:
		err = st.repace(w)
	case <-st.unwatch:
		st.unwatch = nil
		err = st.pace(false)
	case <-st.office:
		st.office = st.o.Office.Changed()
		err = st.admitted()
	case why := <-st.received:
		return true, errors.Join(ended(why), st.drain())
	case <-st.replaced:
		err = fault.New(fault.AgentReplaced, "a newer connection of agent "+st.agent.ID+" took over; if this box did not open it, a copy of it runs elsewhere", "agent", st.agent.ID)
	case <-st.stopping:
		return true, cmp.Or(st.drain(), stoppingError())
	}
	return false, err
}

// gather takes up a ticket, and those that came behind it.
func (st *stream) gather(t *ingest.Ticket) {
	st.waiting = append(st.waiting, t)
	for {
		select {
		case t := <-st.tickets:
			st.waiting = append(st.waiting, t)
		default:
			return
		}
	}
}

// repace tells the agent that someone watches, at once, or that nobody does, in
// a while.
func (st *stream) repace(watched bool) error {
	st.unwatch = nil
	if watched {
		return st.pace(true)
	}
	if st.told {
		st.unwatch = time.After(st.o.Linger)
	}
	return nil
}

// copyAtAPause sends the cab's copy unless events are on their way to disk.
func (st *stream) copyAtAPause() error {
	st.copyAfter = nil
	if len(st.waiting) > 0 {
		st.copyAfter = time.After(st.o.CopyAfter)
		return nil
	}
	return st.copy(false)
}

func stoppingError() error {
	return fault.New(fault.Stopping, "the service is ending: connect again in a moment")
}

// ended makes the end that an agent chose no error.
func ended(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// start says what the agent is to know at once.
func (st *stream) start() error {
	st.copied = st.hello.GetCopyRevision()
	copy(st.chart[:], st.hello.GetChartHash())
	watched := st.o.Ingest.Changes().Watched(st.agent.Machine)
	if err := st.pace(watched); err != nil {
		return err
	}
	return st.copy(true)
}

// admitted asks the office again, once it has changed, whether the agent may
// still speak.
func (st *stream) admitted() error {
	v := st.o.Office.Version()
	if v == st.version {
		return nil
	}
	if _, err := st.o.Office.Admit(st.agent.ID, st.key); err != nil {
		return err
	}
	st.version = v
	return nil
}

// acknowledge sends one acknowledgement for all that has come to disk.
func (st *stream) acknowledge() error {
	ack := &pb.Ack{}
	n := 0
	for ; n < len(st.waiting) && isDone(st.waiting[n]); n++ {
		r, err := st.waiting[n].Receipt()
		if err != nil {
			return err
		}
		ack.Sequence = max(ack.Sequence, r.Seq)
		for _, note := range r.SetAside {
			ack.SetAside = append(ack.SetAside, &pb.SetAsideNote{Sequence: note.Seq, Reason: note.Reason})
		}
	}
	st.waiting = st.waiting[:copy(st.waiting, st.waiting[n:])]
	clear(st.waiting[len(st.waiting):cap(st.waiting)])
	st.note(ack.Sequence)
	return st.send(&pb.ConnectResponse{Message: &pb.ConnectResponse_Ack{Ack: ack}})
}

func isDone(t *ingest.Ticket) bool {
	select {
	case <-t.Done():
		return true
	default:
		return false
	}
}

// drain acknowledges what is still on its way to disk, before the stream ends.
func (st *stream) drain() error {
	for {
		var done <-chan struct{}
		if len(st.waiting) > 0 {
			done = st.waiting[0].Done()
		} else if st.inHand.Load() == 0 && len(st.tickets) == 0 {
			return nil
		}
		var err error
		select {
		case t := <-st.tickets:
			st.gather(t)
		case <-done:
			err = st.acknowledge()
		case <-st.settled:
		case <-st.pipe.Context().Done():
			err = context.Cause(st.pipe.Context())
		}
		if err != nil {
			return err
		}
	}
}

func (st *stream) answer(p *pb.TimeProbe) error {
	return st.send(&pb.ConnectResponse{Message: &pb.ConnectResponse_TimeAnswer{TimeAnswer: &pb.TimeAnswer{
		MonotonicMs: p.GetMonotonicMs(), ServiceTimeMs: st.o.Now().UnixMilli()}}})
}

func (st *stream) pace(watched bool) error {
	st.told = watched
	return st.send(&pb.ConnectResponse{Message: &pb.ConnectResponse_Pace{Pace: &pb.Pace{Watched: watched, GatherMs: st.o.Gather.Milliseconds()}}})
}

// copy sends the cab's copy where the cab can't know what it says: others wrote
// since, or the copy is far behind.
func (st *stream) copy(atStart bool) error {
	others, err := st.o.Ingest.LastByOthers(st.agent.Machine)
	if err != nil {
		return err
	}
	m := &pb.CabCopy{}
	var chart *maintenance.Chart
	err = st.o.Ingest.View(st.pipe.Context(), st.agent.Machine, func(s *maintenance.State) {
		if s.Revision == st.copied || others <= st.copied && st.copied != 0 && s.Revision < st.copied+st.o.CopyBehind {
			return
		}
		m.Revision, m.Rules, m.State, chart = s.Revision, s.Rules, maintenance.AppendState(nil, s), s.Chart
	})
	if err != nil || m.State == nil {
		return err
	}
	if err := st.withChart(m, chart); err != nil {
		return err
	}
	st.o.Log.Debug("a cab gets a copy", "machine", st.agent.Machine, "revision", m.Revision, "at_start", atStart, "bytes", len(m.State)+len(m.Chart))
	st.copied = m.Revision
	return st.send(&pb.ConnectResponse{Message: &pb.ConnectResponse_CabCopy{CabCopy: m}})
}

func (st *stream) withChart(m *pb.CabCopy, chart *maintenance.Chart) error {
	if chart != nil {
		hash := chart.Hash()
		m.ChartHash = hash[:]
		if hash != st.chart {
			m.Chart = maintenance.AppendChart(nil, chart)
			st.chart = hash
		}
	}
	days, err := st.o.Ingest.NextDays(st.agent.Machine, ingest.CopyDays)
	for i := range days {
		m.Days = append(m.Days, wire.DayToProto(&days[i]))
	}
	return err
}

func (st *stream) send(m *pb.ConnectResponse) error { return st.pipe.Send(m) }

// enter makes this the agent's stream, and ends the one before it.
func (st *stream) enter() {
	st.mu.Lock()
	defer st.mu.Unlock()
	if older := st.streams[st.agent.ID]; older != nil {
		older.replace()
	}
	st.streams[st.agent.ID] = st
	now := st.o.Now()
	st.seen[st.agent.ID] = Presence{Connected: true, Since: now, Seen: now, Version: st.hello.GetVersion(), Rules: st.hello.GetRules()}
}

func (st *stream) leave() {
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.streams[st.agent.ID] != st {
		return
	}
	delete(st.streams, st.agent.ID)
	delete(st.ahead, st.agent.Machine)
	p := st.seen[st.agent.ID]
	p.Connected = false
	st.seen[st.agent.ID] = p
}

// note remembers that the agent was heard, and how far it is.
func (st *stream) note(acked uint64) {
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.streams[st.agent.ID] != st {
		return
	}
	p := st.seen[st.agent.ID]
	p.Seen, p.Acked = st.o.Now(), max(p.Acked, acked)
	st.seen[st.agent.ID] = p
	if acked >= st.hello.GetLastSequence() {
		delete(st.ahead, st.agent.Machine) // the backlog is in
	}
}

// latest puts v into a channel of one, in place of what is there.
func latest[T any](c chan T, v T) {
	for {
		select {
		case c <- v:
			return
		default:
		}
		select {
		case <-c:
		default:
		}
	}
}

// receive takes what the agent sends until the stream ends. It never returns
// nil.
func (st *stream) receive(hellos chan<- *pb.AgentHello) error {
	first, err := st.pipe.Recv()
	if err != nil {
		return err
	}
	hello := first.GetHello()
	if err := st.check(hello); err != nil {
		return err
	}
	copy(st.epoch[:], hello.GetEpoch())
	hellos <- hello
	select { // what comes before the welcome must not change what it says
	case <-st.greeted:
	case <-st.pipe.Context().Done():
		return context.Cause(st.pipe.Context())
	}
	version := st.o.Office.Version()
	for {
		m, err := st.pipe.Recv()
		if err != nil {
			return err
		}
		if v := st.o.Office.Version(); v != version {
			if _, err := st.o.Office.Admit(st.agent.ID, st.key); err != nil {
				return err
			}
			version = v
		}
		if err := st.take(m); err != nil {
			return err
		}
	}
}

func (st *stream) check(h *pb.AgentHello) error {
	switch {
	case h == nil:
		return fault.New(fault.StreamOrder, "the first message is not a hello: the agent speaks first, with a hello")
	case h.GetRevision() != Revision:
		return fault.InvalidField("hello.revision", fmt.Sprintf("%d; this service speaks %d", h.GetRevision(), Revision), "bring agent and service to versions that fit")
	case len(h.GetEpoch()) != 16 || bytes.Equal(h.GetEpoch(), make([]byte, 16)):
		return fault.InvalidField("hello.epoch", "it is not 16 bytes, or all zero", "")
	case len(h.GetLastHash()) != 32 && h.GetLastSequence() != 0:
		return fault.InvalidField("hello.last_hash", fmt.Sprintf("%d bytes, it has 32", len(h.GetLastHash())), "")
	case len(h.GetVersion()) > 128:
		return fault.InvalidField("hello.version", fmt.Sprintf("%d bytes, at most 128", len(h.GetVersion())), "")
	}
	return nil
}

func (st *stream) take(m *pb.ConnectRequest) error {
	switch b := m.GetMessage().(type) {
	case *pb.ConnectRequest_Batch:
		return st.batch(b.Batch)
	case *pb.ConnectRequest_TimeProbe:
		latest(st.probes, b.TimeProbe)
		return nil
	case *pb.ConnectRequest_LiveNow:
		return st.liveNow(b.LiveNow)
	case *pb.ConnectRequest_Hello:
		return fault.New(fault.StreamOrder, "a second hello: a stream has one, at its start")
	}
	return nil // of a later revision of the wire
}

func (st *stream) batch(b *pb.Batch) error {
	st.inHand.Add(1)
	defer st.settle()
	sb, err := st.spoolBatch(b)
	if err != nil {
		return err
	}
	ctx := st.pipe.Context()
	t, err := st.o.Ingest.OfferSpool(ctx, st.agent.Machine, sb)
	if err != nil {
		return err
	}
	select {
	case st.tickets <- t:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// settle says that a batch is out of hand; where the service is stopping, the
// sender may be waiting for that.
func (st *stream) settle() {
	st.inHand.Add(-1)
	select {
	case <-st.stopping:
		latest(st.settled, struct{}{})
	default:
	}
}

func (st *stream) spoolBatch(b *pb.Batch) (*ingest.SpoolBatch, error) {
	sb := &ingest.SpoolBatch{Epoch: st.epoch, First: b.GetFirstSequence(), Events: b.GetEvents()}
	if !hash32(&sb.Previous, b.GetPreviousHash()) {
		return nil, &ingest.Malformed{Field: "previous_hash", Why: fmt.Sprintf("%d bytes, it has 32", len(b.GetPreviousHash()))}
	}
	if len(b.GetBoots()) > maxBoots || len(b.GetThinned()) > ingest.MaxBatchEvents {
		return nil, &ingest.Malformed{Field: "boots", Why: "too many boots or thinned runs"}
	}
	for _, r := range b.GetThinned() {
		run := ingest.ThinnedRun{Count: r.GetCount()}
		if !hash32(&run.HashAfter, r.GetHashAfter()) {
			return nil, &ingest.Malformed{Field: "thinned.hash_after", Why: fmt.Sprintf("%d bytes, it has 32", len(r.GetHashAfter()))}
		}
		sb.Thinned = append(sb.Thinned, run)
	}
	for _, c := range b.GetBoots() {
		sb.Boots = append(sb.Boots, ingest.BootClock{Boot: c.GetBoot(), Earliest: moment.Instant(c.GetOffsetEarliestMs()), Latest: moment.Instant(c.GetOffsetLatestMs())})
	}
	return sb, nil
}

func hash32(dst *[32]byte, b []byte) bool { return copy(dst[:], b) == 32 && len(b) == 32 }

// liveNow keeps what the meters show now, for whoever looks while a backlog
// comes in.
func (st *stream) liveNow(n *pb.LiveNow) error {
	if len(n.GetReadings()) > maxLive {
		return fault.InvalidField("live_now.readings", fmt.Sprintf("%d readings, at most %d", len(n.GetReadings()), maxLive), "")
	}
	st.mu.Lock()
	defer st.mu.Unlock()
	st.ahead[st.agent.Machine] = Ahead{Heard: st.o.Now(), Now: n}
	return nil
}
