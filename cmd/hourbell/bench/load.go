package bench

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/spoolhash"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// step is the time between two readings of the load: they run in step with the
// clock, in the past, so that every one counts.
const step = 10 * time.Second

// stream is one box's open connection.
type stream struct {
	box    *box
	conn   *grpc.ClientConn
	stream grpc.BidiStreamingClient[pb.ConnectRequest, pb.ConnectResponse]
	window int
}

// open connects a box and says hello.
func (s *running) open(ctx context.Context, b *box) (*stream, error) {
	config := b.id.TLS(time.Now)
	config.ServerName = link.ServerName
	conn, err := grpc.NewClient("passthrough:///"+s.at.Agents, grpc.WithTransportCredentials(credentials.NewTLS(config)))
	if err != nil {
		return nil, err
	}
	c := &stream{box: b, conn: conn}
	if c.stream, err = pb.NewAgentServiceClient(conn).Connect(ctx); err == nil {
		err = c.greet()
	}
	if err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return c, nil
}

func (c *stream) greet() error {
	b := c.box
	if b.next == 1 {
		b.hash = spoolhash.Start(b.epoch)
	}
	hello := &pb.AgentHello{Revision: 1, Version: "bench", Epoch: b.epoch[:], LastSequence: b.next - 1, LastHash: b.hash[:], FirstSequence: 1,
		Rules: maintenance.RulesVersion, ClockMs: time.Now().UnixMilli(), Synced: true, Boot: 1, MonotonicMs: 1}
	if err := c.stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: hello}}); err != nil {
		return err
	}
	answer, err := c.stream.Recv()
	if err != nil {
		return err
	}
	w := answer.GetWelcome()
	if w.GetNextSequence() != b.next {
		return fmt.Errorf("the service wants event %d, not %d", w.GetNextSequence(), b.next)
	}
	c.window = max(1, int(w.GetWindow()))
	return nil
}

// load sends events in batches over one stream a box, as fast as the window
// allows, and measures until the last is acknowledged.
func (s *running) load(ctx context.Context, boxes []*box, batch, events int) (PathResult, error) {
	p := PathResult{Streams: len(boxes), Batch: batch}
	streams, batches, err := s.prepare(ctx, boxes, batch, events)
	if err != nil {
		return p, err
	}
	before, err := s.account()
	if err != nil {
		return p, err
	}
	begun := time.Now()
	errs := make([]error, len(streams))
	var wg sync.WaitGroup
	for i, c := range streams {
		wg.Go(func() { errs[i] = c.push(batches[i]) })
	}
	wg.Wait()
	p.Seconds = since(begun)
	after, err := s.account()
	if err := errors.Join(append(errs, err)...); err != nil {
		return p, err
	}
	for i, c := range streams {
		p.Events += uint64(len(batches[i]) * batch)
		errs[i] = c.conn.Close()
	}
	if taken := after.stats.Taken - before.stats.Taken; taken < p.Events {
		return p, fmt.Errorf("%d events were acknowledged and %d taken in", p.Events, taken)
	}
	p.PerSecond = float64(p.Events) / p.Seconds
	p.ServiceCPU = (after.cpu - before.cpu).Seconds() / float64(p.Events) * 1e6
	p.Commits = after.stats.Commits - before.stats.Commits
	p.JournalBytes = float64(after.stats.CommittedBytes-before.stats.CommittedBytes) / float64(p.Events)
	return p, errors.Join(errs...)
}

// account is what the service has used and done so far.
type account struct {
	cpu   time.Duration
	stats struct{ Taken, Commits, CommittedBytes uint64 }
}

func (s *running) account() (a account, err error) {
	st, err := s.stats()
	if err != nil {
		return a, err
	}
	a.stats.Taken, a.stats.Commits, a.stats.CommittedBytes = st.Taken, st.Commits, st.CommittedBytes
	a.cpu, err = s.processor()
	return a, err
}

// prepare opens the streams and makes every batch beforehand, so that making
// them is not measured.
func (s *running) prepare(ctx context.Context, boxes []*box, batch, events int) (streams []*stream, batches [][]*pb.ConnectRequest, err error) {
	each := max(1, events/len(boxes)/batch)
	for _, b := range boxes {
		c, err := s.open(ctx, b)
		if err != nil {
			return nil, nil, err
		}
		streams = append(streams, c)
		own := make([]*pb.ConnectRequest, each)
		for i := range own {
			if own[i], err = b.batch(batch); err != nil {
				return nil, nil, err
			}
		}
		batches = append(batches, own)
	}
	return streams, batches, nil
}

// batch is the box's next readings, each a step after the one before.
func (b *box) batch(n int) (*pb.ConnectRequest, error) {
	m := &pb.Batch{FirstSequence: b.next, PreviousHash: append([]byte(nil), b.hash[:]...), Events: make([][]byte, n)}
	start := time.Now().Truncate(24 * time.Hour).Add(-1000 * 24 * time.Hour)
	for i := range m.Events {
		run := time.Duration(b.next) * step
		body := &maintenance.Reading{Meter: "engine", Shown: hours.Millis(run.Milliseconds()), Resolution: 180 * hours.Second, Origin: maintenance.OriginBus}
		payload, err := wire.Marshal(nil, wire.Stamp{Time: moment.Instant(start.Add(run).UnixMilli())}, body)
		if err != nil {
			return nil, err
		}
		b.hash = spoolhash.Next(b.hash, b.next, payload)
		b.next++
		m.Events[i] = payload
	}
	return &pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: m}}, nil
}

// push sends the batches within the window and waits for the last ack.
func (c *stream) push(batches []*pb.ConnectRequest) error {
	room := make(chan struct{}, c.window)
	acked := make(chan error, 1)
	lasts := make([]uint64, len(batches))
	for i, b := range batches {
		lasts[i] = b.GetBatch().GetFirstSequence() + uint64(len(b.GetBatch().GetEvents())) - 1
	}
	go func() { acked <- c.acks(lasts, room) }()
	for _, b := range batches {
		select {
		case room <- struct{}{}:
		case err := <-acked:
			return err
		}
		if err := c.stream.Send(b); err != nil {
			return errors.Join(err, <-acked)
		}
	}
	return <-acked
}

// acks makes room for each batch that was acknowledged, until all were.
func (c *stream) acks(lasts []uint64, room <-chan struct{}) error {
	for len(lasts) > 0 {
		m, err := c.stream.Recv()
		if err != nil {
			return err
		}
		ack := m.GetAck()
		if ack == nil {
			continue
		}
		if n := len(ack.GetSetAside()); n > 0 {
			return fmt.Errorf("%d events were set aside: %s", n, ack.GetSetAside()[0].GetReason())
		}
		for len(lasts) > 0 && lasts[0] <= ack.GetSequence() {
			lasts = lasts[1:]
			<-room
		}
	}
	return nil
}

// idle connects boxes that say nothing and looks at the service's memory.
func idle(ctx context.Context, s *running, boxes []*box) (Idle, error) {
	r := Idle{Connections: len(boxes)}
	if len(boxes) == 0 {
		return r, nil
	}
	before, err := s.memory()
	if err != nil {
		return r, err
	}
	var open []*stream
	defer func() {
		for _, c := range open {
			_ = c.conn.Close()
		}
	}()
	for _, b := range boxes {
		c, err := s.open(ctx, b)
		if err != nil {
			return r, err
		}
		open = append(open, c)
	}
	after, err := s.memory()
	r.Bytes = max(0, after-before) / float64(len(boxes))
	return r, err
}
