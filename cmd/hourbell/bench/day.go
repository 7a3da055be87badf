package bench

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"

	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

const (
	day = 24 * time.Hour
	// gather is how long agents gather readings while nobody watches.
	gather = 10 * time.Minute
	// pingEvery is how often the service's keepalive tries a silent connection, and
	// pingBytes what an HTTP/2 ping (17 bytes) and its answer take as TLS 1.3
	// records (22 bytes each).
	pingEvery = 5 * time.Minute
	pingBytes = 2 * (17 + 22)
	// ackPatience is how long an acknowledgement may take.
	ackPatience = 30 * time.Second
)

// dayLoad is what a machine has to say in a day on which its engine never stops.
type dayLoad struct {
	name, machine, chart, yaml string
	do                         combinesim.Activity
	length                     time.Duration
}

// meterYAML is the chart of a machine that says its engine's hours and no more.
const meterYAML = `# The bench's machine that says its engine's hours only.
chart: bench-meter
edition: 1
meters:
  engine: {group: 65253, source: 0x00, resolution_h: 0.05}
cautions:
  still: "Engine off, key out, wait until all parts stand still"
points:
  - id: coupling
    where: {station: 1}
    tasks: [{id: grease, do: grease, every: {hours: 10, on: engine}, who: operator, cautions: [still]}]
`

func dayLoads(length time.Duration) []dayLoad {
	return []dayLoad{
		{"a reading a minute", "day-meter", "bench-meter", meterYAML, combinesim.Idle, length},
		{"two meters, a drive, six signals", "day-full", fullChart, chartYAML, combinesim.Thresh, length},
	}
}

// program is the machine's day from an instant on.
func (l *dayLoad) program(start time.Time) (*combinesim.Machine, error) {
	return combinesim.New(machineOn(start, combinesim.ThinBus(), combinesim.ProgramStep{Do: l.do, For: l.length, Load: combinesim.NormalLoad()}))
}

// days counts what a day costs on the air: the frames of a simulated bus through
// the agent's ear into its spool, and from there with its uplink over mutual TLS to
// the service. The events are those of the day, in the messages of the day, but
// each message goes as soon as the one before it is acknowledged.
func (f *fleet) days(ctx context.Context, o *Options, dir string, r *Result) error {
	o.say("a day on the link")
	for _, l := range dayLoads(o.day) {
		if l.chart != fullChart {
			if err := importChart(ctx, f.s.people, l.chart, l.yaml); err != nil {
				return err
			}
		}
		if err := createMachine(ctx, f.s.people, l.machine, l.chart); err != nil {
			return err
		}
		id, err := enrolBox(ctx, f.s, l.machine, filepath.Join(dir, l.machine, "identity"), time.Now)
		if err != nil {
			return err
		}
		d := &dayOut{load: l, dir: filepath.Join(dir, l.machine, "spool"), start: time.Now().Truncate(time.Second).Add(-o.day - time.Hour), now: time.Now,
			road: &road{id: id, dial: (&net.Dialer{}).DialContext}}
		out, err := d.run(ctx)
		if err != nil {
			return fmt.Errorf("%s: %w", l.name, err)
		}
		r.Days = append(r.Days, out)
	}
	return nil
}

// dayOut is one machine's day.
type dayOut struct {
	load  dayLoad
	dir   string
	start time.Time
	now   func() time.Time
	road  *road

	spool  *spool.Spool
	up     *uplink.Uplink
	ear    *listen.Listener
	events []listen.Event
	sent   int64         // when the last message went, ns of the day
	acked  chan struct{} // the uplink has something to tell
	out    Day
}

func (d *dayOut) run(ctx context.Context) (_ Day, err error) {
	c, err := chart.Compile(d.load.chart+".points.yaml", []byte(d.load.yaml))
	if err != nil {
		return d.out, err
	}
	if d.ear, err = listen.New(listen.Options{Chart: c}); err != nil {
		return d.out, err
	}
	d.ear.SetDerived("separator", 0)
	if d.spool, err = spool.Open(d.dir, spool.Options{Now: d.now, Rand: rand.Reader, Log: slog.New(slog.DiscardHandler)}); err != nil {
		return d.out, err
	}
	defer func() { err = errors.Join(err, d.spool.Close()) }()
	d.acked, d.out.Load = make(chan struct{}, 1), d.load.name
	if d.up, err = uplink.New(d.uplink()); err != nil {
		return d.out, err
	}
	running, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { _ = d.up.Run(running) }) // it ends with its context only
	err = d.pass(ctx)
	stop()
	wg.Wait()
	d.sum()
	return d.out, err
}

func (d *dayOut) uplink() uplink.Options {
	return uplink.Options{
		Dial:  func(context.Context) (*grpc.ClientConn, error) { return d.road.connect(d.now) },
		Spool: daySpool{d.spool}, Clock: dayClock{d}, Cab: noCab{}, Version: "bench", Rules: maintenance.RulesVersion, Gather: day,
		Jitter: func(time.Duration) time.Duration { return 0 },
		Observe: func(uplink.Status) {
			select {
			case d.acked <- struct{}{}:
			default:
			}
		},
	}
}

// pass lets the day pass, a second of the bus at a time.
func (d *dayOut) pass(ctx context.Context) error {
	m, err := d.load.program(d.start)
	if err != nil {
		return err
	}
	var frames []combinesim.Frame
	for at := d.start; at.Before(m.End()) && ctx.Err() == nil; {
		at = at.Add(time.Second)
		frames = m.Append(frames[:0], at)
		for i := range frames {
			d.ear.Push(frames[i].AtNS-d.start.UnixNano(), frames[i].ID, frames[i].Data[:frames[i].Len])
		}
		now := at.Sub(d.start).Nanoseconds()
		d.ear.Tick(now)
		if at.Equal(m.End()) {
			d.ear.Close(now)
		}
		if err := d.heard(ctx, now, at.Equal(m.End())); err != nil {
			return err
		}
	}
	return context.Cause(ctx)
}

// heard keeps what the ear made of the last second, and sends what has waited
// long enough, or is urgent, or the last.
func (d *dayOut) heard(ctx context.Context, now int64, last bool) error {
	from := len(d.events)
	d.events = d.ear.Take(d.events)
	send := last || now-d.sent >= gather.Nanoseconds()
	for i := range d.events[from:] {
		e := &d.events[from+i]
		send = send || e.Urgent
		if _, is := e.Body.(*maintenance.Reading); is {
			d.out.Readings++
		}
	}
	if !send || len(d.events) == 0 {
		return nil
	}
	d.sent = now
	return d.send(ctx)
}

// send spools the events that wait, sends them and waits for the acknowledgement.
func (d *dayOut) send(ctx context.Context) error {
	in := make([]spool.Event, len(d.events))
	for i, e := range d.events {
		payload, err := wire.Marshal(nil, wire.Stamp{Time: moment.Instant(d.start.UnixMilli() + e.AtMs)}, e.Body)
		if err != nil {
			return err
		}
		in[i] = spool.Event{Class: spool.Keep, Payload: payload}
	}
	last, err := d.spool.Append(ctx, in...)
	if err != nil {
		return err
	}
	d.out.Events, d.out.Messages = last, d.out.Messages+1
	d.events = d.events[:0]
	d.up.Appended(true)
	timer := time.NewTimer(ackPatience)
	defer timer.Stop()
	for (daySpool{d.spool}).Acked() < last {
		select {
		case <-d.acked:
		case <-timer.C:
			return fmt.Errorf("event %d was not acknowledged within %v", last, ackPatience)
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

func (d *dayOut) sum() {
	c := &d.road.counts
	d.out.Up, d.out.Down, d.out.Segments = c.up.Load(), c.down.Load(), c.segments.Load()
	d.out.Pings = keepaliveIn(d.load.length, d.out.Messages)
	d.out.Total = d.out.Up + d.out.Down + d.out.Pings
}

// keepaliveIn is what the service's keepalive adds at life's pace with so many
// messages at even distances: a ping for each time that pingEvery passes with
// nothing heard.
func keepaliveIn(length time.Duration, messages int) int64 {
	between := length / time.Duration(max(1, messages))
	return int64(messages) * int64((between+time.Second)/pingEvery) * pingBytes
}

// road is a box's way to the service, and counts what passes over it.
type road struct {
	id     *enrol.Identity
	dial   func(ctx context.Context, network, address string) (net.Conn, error)
	counts linkCounts
}

// connect dials as the agent's program does.
func (r *road) connect(judge func() time.Time) (*grpc.ClientConn, error) {
	config := r.id.TLS(judge)
	config.ServerName = link.ServerName
	return grpc.NewClient("passthrough:///"+r.id.Address, grpc.WithTransportCredentials(credentials.NewTLS(config)),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 15 * time.Minute, Timeout: 20 * time.Second}),
		grpc.WithDisableServiceConfig(), grpc.WithDisableRetry(), grpc.WithReadBufferSize(4<<10), grpc.WithWriteBufferSize(8<<10),
		grpc.WithContextDialer(func(ctx context.Context, address string) (net.Conn, error) {
			conn, err := r.dial(ctx, "tcp", address)
			if err != nil {
				return nil, err
			}
			r.counts.dials.Add(1)
			return &counted{conn, &r.counts}, nil
		}))
}

// linkCounts is what passed over connections.
type linkCounts struct{ up, down, segments, dials atomic.Int64 }

// counted is a connection that counts.
type counted struct {
	net.Conn
	counts *linkCounts
}

// segmentBytes is what a TCP segment carries at most on a path of 1,500 bytes.
const segmentBytes = 1448

// Read implements net.Conn.
func (c *counted) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.counts.down.Add(int64(n))
	c.counts.segments.Add(int64(n+segmentBytes-1) / segmentBytes)
	return n, err
}

// Write implements net.Conn.
func (c *counted) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.counts.up.Add(int64(n))
	c.counts.segments.Add(int64(n+segmentBytes-1) / segmentBytes)
	return n, err
}

// daySpool is a spool as the uplink empties it.
type daySpool struct{ *spool.Spool }

func (s daySpool) Epoch() [16]byte          { return s.Spool.Epoch() }
func (s daySpool) First() uint64            { return s.Stats().First }
func (s daySpool) Last() (uint64, [32]byte) { return s.Spool.Last() }

func (s daySpool) Acked() uint64 {
	_, seq := s.Spool.Acked()
	return seq
}

func (s daySpool) Ack(seq uint64, hash [32]byte) error {
	return s.Spool.Ack(context.Background(), seq, hash)
}

func (s daySpool) Rewind(uint64, [32]byte) error {
	return errors.New("the service has less than it acknowledged")
}

func (s daySpool) HashAt(seq uint64) ([32]byte, bool, error) {
	hash, err := s.Spool.HashAt(context.Background(), seq)
	return hash, err == nil, err
}

func (s daySpool) Read(from uint64, events, bytes int) (items []uplink.Item, hash [32]byte, err error) {
	batch, err := s.ReadFrom(context.Background(), from, events, bytes)
	for _, it := range batch.Items {
		items = append(items, uplink.Item{Seq: it.Seq, Payload: it.Payload})
	}
	return items, batch.Hash, err
}

// dayClock is a clock that was set.
type dayClock struct{ d *dayOut }

func (c dayClock) Boot() uint32                                     { return 1 }
func (c dayClock) Mono() int64                                      { return c.d.now().Sub(c.d.start).Milliseconds() }
func (c dayClock) Now() (moment.Instant, bool)                      { return moment.Instant(c.d.now().UnixMilli()), true }
func (c dayClock) Best() time.Time                                  { return c.d.now() }
func (c dayClock) Set(moment.Instant, int64) error                  { return nil }
func (c dayClock) Place(uint32) (from, to moment.Instant, has bool) { return 0, 0, false }

// noCab takes the copies and keeps none.
type noCab struct{}

func (noCab) Copy() (revision uint64, chart [32]byte)           { return 0, [32]byte{} }
func (noCab) Take(*pb.CabCopy) error                            { return nil }
func (noCab) Readings() (moment.Instant, []maintenance.Reading) { return 0, nil }
