package bench

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/encoding/gzip"
	grpcproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/spoolhash"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// load is one way to load the path: streams that send messages of batch events.
type load struct {
	streams, batch int
	gzip           bool
}

// loads are a few machines with the batches of a day's backlog, small and large,
// many machines with one event each, and the large ones compressed, as agents
// send them.
func loads(machines int) []load {
	few, many := min(8, machines), min(500, machines)
	return []load{{few, 50, false}, {few, 500, false}, {many, 1, false}, {few, 500, true}}
}

func (l *load) name() string {
	how := ""
	if l.gzip {
		how = ", compressed"
	}
	return fmt.Sprintf("%d streams, %d events a message%s", l.streams, l.batch, how)
}

const (
	// What is made beforehand for a second: more than the path takes.
	madeBatched, madeSingly = 1_600_000, 400_000
	// mostOfBox keeps a box's readings, a minute apart, in the past.
	mostOfBox = 150_000
	// step and resolution are of an engine that runs, whose meter has steps of 0.05 h.
	step       = time.Minute
	resolution = 180 * hours.Second
)

// messages is how many of them are made for a stream in one round.
func (l *load) messages(o *Options) int {
	second := madeBatched
	if l.batch == 1 {
		second = madeSingly
	}
	events := int(l.round(o).Seconds() * float64(second))
	if o.Most > 0 {
		events = min(events, o.Most)
	}
	return max(1, min(events/l.streams, mostOfBox)/l.batch)
}

// round is how long one round lasts.
func (l *load) round(o *Options) time.Duration {
	return o.share(pathShare) / time.Duration(rounds*len(loads(o.Machines)))
}

// message is one ConnectRequest as bytes.
type message struct {
	raw     raw
	payload []byte // its events' bytes, one after the other
	// The spool after it.
	next uint64
	hash spoolhash.Hash
}

// raw is a message that is serialised already.
type raw []byte

// codec is gRPC's own, and takes raw messages too.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(grpcproto.Name)} }

// Marshal implements encoding.CodecV2.
func (c codec) Marshal(v any) (mem.BufferSlice, error) {
	if b, is := v.(raw); is {
		return mem.BufferSlice{mem.SliceBuffer(b)}, nil
	}
	return c.CodecV2.Marshal(v)
}

// make makes a box's next messages; the box stays as it is until they are sent.
func (b *box) make(start time.Time, messages, batch int) ([]message, error) {
	out := make([]message, messages)
	next, hash := b.next, b.hash
	for i := range out {
		m := &pb.Batch{FirstSequence: next, PreviousHash: bytes.Clone(hash[:]), Events: make([][]byte, batch)}
		arena := make([]byte, 0, 48*batch)
		for k := range m.Events {
			run := time.Duration(next) * step
			body := &maintenance.Reading{Meter: "engine", Origin: maintenance.OriginBus, Resolution: resolution,
				Shown: firstHours + hours.Millis(run.Milliseconds())/resolution*resolution}
			from := len(arena)
			var err error
			if arena, err = wire.Marshal(arena, wire.Stamp{Time: moment.Instant(start.Add(run).UnixMilli())}, body); err != nil {
				return nil, err
			}
			m.Events[k] = arena[from:len(arena):len(arena)]
			hash = spoolhash.Next(hash, next, m.Events[k])
			next++
		}
		serialised, err := proto.Marshal(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: m}})
		if err != nil {
			return nil, fmt.Errorf("make a batch: %w", err)
		}
		out[i] = message{serialised, arena, next, hash}
	}
	return out, nil
}

// lane is a box's open stream.
type lane struct {
	b      *box
	conn   *grpc.ClientConn
	stream grpc.BidiStreamingClient[pb.ConnectRequest, pb.ConnectResponse]
	room   chan struct{} // holds a token for every batch in flight
	gone   chan struct{} // closed when the stream has ended
	err    error         // why; read it once gone is closed
	copied chan struct{} // closed when the cab's copy has come
	batch  uint64
	base   uint64 // events of the spool before those of this lane
}

// open connects a box up to the welcome.
func (f *fleet) open(ctx context.Context, b *box, l *load) (*lane, error) {
	conn, err := f.dial(f.s.at.Agents, b)
	if err != nil {
		return nil, err
	}
	options := []grpc.CallOption{grpc.ForceCodecV2(newCodec())}
	if l.gzip {
		options = append(options, grpc.UseCompressor(gzip.Name))
	}
	ln := &lane{b: b, conn: conn, gone: make(chan struct{}), copied: make(chan struct{}), batch: uint64(l.batch), base: b.next - 1}
	if ln.stream, err = pb.NewAgentServiceClient(conn).Connect(ctx, options...); err == nil {
		err = ln.greet()
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("connect the box of %s: %w", b.machine, err), conn.Close())
	}
	go ln.hear()
	return ln, nil
}

// greet says hello and holds what the service has to what was acknowledged.
func (ln *lane) greet() error {
	b := ln.b
	err := ln.stream.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: &pb.AgentHello{
		Revision: 1, Version: "bench", Epoch: b.epoch[:], FirstSequence: 1, LastSequence: b.next - 1, LastHash: b.hash[:], AckedSequence: b.next - 1,
		Rules: maintenance.RulesVersion, ClockMs: time.Now().UnixMilli(), Synced: true, Boot: 1, MonotonicMs: 1,
	}}})
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	m, err := ln.stream.Recv()
	if err != nil {
		return err
	}
	w := m.GetWelcome()
	if w.GetNextSequence() != b.next || w.GetWindow() == 0 {
		return fmt.Errorf("the service wants event %d next with a window of %d; %d were acknowledged", w.GetNextSequence(), w.GetWindow(), b.next-1)
	}
	ln.room = make(chan struct{}, w.GetWindow())
	return nil
}

// hear takes acknowledgements until the stream ends.
func (ln *lane) hear() {
	defer close(ln.gone)
	freed := uint64(0)
	for {
		m, err := ln.stream.Recv()
		if err == nil {
			err = ln.heard(m, &freed)
		}
		if err != nil {
			ln.err = fmt.Errorf("the box of %s: %w", ln.b.machine, err)
			return
		}
	}
}

func (ln *lane) heard(m *pb.ConnectResponse, freed *uint64) error {
	if m.GetCabCopy() != nil {
		select {
		case <-ln.copied:
		default:
			close(ln.copied)
		}
	}
	ack := m.GetAck()
	if ack == nil {
		return nil
	}
	if aside := ack.GetSetAside(); len(aside) > 0 {
		return fmt.Errorf("event %d was set aside: %s", aside[0].GetSequence(), aside[0].GetReason())
	}
	for ; *freed < (ack.GetSequence()-ln.base)/ln.batch; *freed++ {
		<-ln.room
	}
	return nil
}

// push sends messages until the deadline, as the window allows, and waits until
// all that was sent is acknowledged.
func (ln *lane) push(messages []message, deadline time.Time) (sent int, err error) {
	for i := range messages {
		select {
		case ln.room <- struct{}{}:
		case <-ln.gone:
			return sent, ln.err
		}
		if time.Now().After(deadline) {
			<-ln.room
			break
		}
		if err := ln.stream.SendMsg(messages[i].raw); err != nil {
			<-ln.gone // only who receives learns why
			return sent, ln.err
		}
		ln.b.next, ln.b.hash = messages[i].next, messages[i].hash
		sent++
	}
	return sent, ln.settle()
}

// settle waits until nothing is in flight.
func (ln *lane) settle() error {
	for range cap(ln.room) {
		select {
		case ln.room <- struct{}{}:
		case <-ln.gone:
			return ln.err
		}
	}
	for range cap(ln.room) {
		<-ln.room
	}
	return nil
}

func (ln *lane) close() {
	_ = ln.conn.Close() // all is acknowledged, or has failed
	<-ln.gone
}

// loaded is a load under way.
type loaded struct {
	*load
	f     *fleet
	lanes []*lane
	Path
	bytes   int // of payload
	commits uint64
	cpu     time.Duration
	rates   []float64
	floors  []float64
}

// measureLoad measures one load and its floor in turns.
func measureLoad(ctx context.Context, o *Options, f *fleet, l load, boxes []*box, dir string) (_ Path, err error) {
	o.say("%s", l.name())
	x := &loaded{load: &l, f: f, Path: Path{Streams: l.streams, Batch: l.batch, Gzip: l.gzip}}
	defer func() {
		for _, ln := range x.lanes {
			ln.close()
		}
	}()
	if x.lanes, err = f.openAll(ctx, boxes, &l); err != nil {
		return x.Path, err
	}
	before, err := f.s.usage(askUsage)
	if err == nil && o.Profile != "" {
		_, err = f.s.usage(askProfile + fmt.Sprintf("%dx%d%s", l.streams, l.batch, map[bool]string{true: "-gzip"}[l.gzip]))
	}
	for r := 0; r < rounds && err == nil; r++ {
		err = x.round(ctx, o, dir)
	}
	if err == nil && o.Profile != "" {
		_, err = f.s.usage(askStop)
	}
	if err != nil {
		return x.Path, err
	}
	after, err := f.s.usage(askFold)
	if err != nil {
		return x.Path, err
	}
	return x.Path, x.sum(before, after)
}

// openAll opens a lane for each box.
func (f *fleet) openAll(ctx context.Context, boxes []*box, l *load) ([]*lane, error) {
	lanes := make([]*lane, len(boxes))
	err := each(ctx, len(boxes), func(_ context.Context, i int) (err error) {
		lanes[i], err = f.open(ctx, boxes[i], l)
		return err
	})
	return slices.DeleteFunc(lanes, func(ln *lane) bool { return ln == nil }), err
}

// round makes messages, puts them on the path, and then on the floor.
func (x *loaded) round(ctx context.Context, o *Options, dir string) error {
	made := make([][]message, len(x.lanes))
	err := each(ctx, len(x.lanes), func(_ context.Context, i int) (err error) {
		made[i], err = x.lanes[i].b.make(x.f.start, x.messages(o), x.batch)
		return err
	})
	if err != nil {
		return err
	}
	before, err := x.f.s.usage(askUsage)
	if err != nil {
		return err
	}
	sent, took, err := x.put(made, x.load.round(o))
	if err != nil {
		return err
	}
	after, err := x.f.s.usage(askUsage)
	if err != nil {
		return err
	}
	x.Events += uint64(sent * x.batch)
	x.cpu += after.CPU - before.CPU
	x.commits += after.Commits - before.Commits
	x.rates = append(x.rates, float64(sent*x.batch)/took.Seconds())
	x.bytes += x.payload(made, sent)
	floor, err := measureFloor(ctx, dir, made, x.batch, cap(x.lanes[0].room), o.share(floorShare)/time.Duration(rounds*len(loads(o.Machines))))
	x.floors = append(x.floors, floor)
	return err
}

// payload is the bytes of so many messages' events: all are about as long.
func (x *loaded) payload(made [][]message, messages int) int {
	bytes, n := 0, 0
	for _, own := range made {
		for i := range own {
			bytes, n = bytes+len(own[i].payload), n+1
		}
	}
	return bytes / n * messages
}

// put sends on all lanes at once and gives the messages sent and the time from the
// first to the last acknowledgement.
func (x *loaded) put(made [][]message, within time.Duration) (sent int, took time.Duration, err error) {
	counts := make([]int, len(x.lanes))
	start := make(chan struct{})
	var deadline time.Time
	var g errgroup.Group
	for i, ln := range x.lanes {
		g.Go(func() (err error) {
			<-start
			counts[i], err = ln.push(made[i], deadline)
			return err
		})
	}
	begun := time.Now()
	deadline = begun.Add(within)
	close(start)
	err = g.Wait()
	took = time.Since(begun)
	for _, n := range counts {
		sent += n
	}
	return sent, took, err
}

// sum works the figures out, and holds what was acknowledged to what is journalled.
func (x *loaded) sum(before, after usage) error {
	if journalled := after.Events - before.Events; journalled < x.Events {
		return fmt.Errorf("%d events were acknowledged, but %d journalled", x.Events, journalled)
	}
	n := float64(x.Events)
	x.PerSecond, x.Floor = median(x.rates), median(x.floors)
	x.Ratio = x.PerSecond / x.Floor
	x.Service = x.cpu.Seconds() / n * 1e6
	x.Folded = (after.CPU - before.CPU).Seconds() / n * 1e6
	x.ACommit = n / float64(max(1, x.commits))
	x.Payload = float64(x.bytes) / n
	x.Journal = float64(after.Journal-before.Journal) / n
	return nil
}

// median of an odd number of figures.
func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}
