package bench

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Link is what a day costs on the air: a reading a minute, gathered for ten
// minutes, and a span listened with each, by the agent's real spool and uplink.
// Bytes are those of TLS, counted at the connection; TCP/IP headers are reckoned.
type Link struct {
	Messages int   `json:"messages"`
	Up       int64 `json:"bytes_up"`
	Down     int64 `json:"bytes_down"`
	Segments int64 `json:"segments"`
	Headers  int64 `json:"header_bytes"`
}

const (
	dayMessages   = 144 // one every ten minutes
	dayGathered   = 10  // readings in each
	headerBytes   = 40
	segmentPerIO  = 2 // what was sent, and its acknowledgement by TCP
	dayAckWithin  = 30 * time.Second
	dayLookEvery  = time.Millisecond
	readingEvery  = time.Minute
	spannedMillis = 600_000
)

// counted counts what passes over a connection.
type counted struct {
	net.Conn
	up, down, io *atomic.Int64
}

func (c counted) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.down.Add(int64(n))
	c.io.Add(1)
	return n, err
}

func (c counted) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.up.Add(int64(n))
	c.io.Add(1)
	return n, err
}

func dayOnLink(ctx context.Context, s *running, b *box, dir string) (Link, error) {
	sp, err := spool.Open(dir, spool.Options{Now: time.Now, Rand: rand.Reader, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return Link{}, err
	}
	defer sp.Close()
	var up, down, io atomic.Int64
	queue := &daySpool{sp}
	u, err := uplink.New(uplink.Options{
		Dial: func(context.Context) (*grpc.ClientConn, error) {
			config := b.id.TLS(time.Now)
			config.ServerName = link.ServerName
			return grpc.NewClient("passthrough:///"+s.at.Agents, grpc.WithTransportCredentials(credentials.NewTLS(config)),
				grpc.WithContextDialer(func(ctx context.Context, addr string) (net.Conn, error) {
					var d net.Dialer
					conn, err := d.DialContext(ctx, "tcp", addr)
					return counted{conn, &up, &down, &io}, err
				}))
		},
		Spool: queue, Clock: dayClock{time.Now()}, Cab: noCab{}, Version: "bench", Rules: maintenance.RulesVersion,
		Jitter: func(time.Duration) time.Duration { return 0 },
	})
	if err != nil {
		return Link{}, err
	}
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop()
	wg.Go(func() { _ = u.Run(ctx) })
	if err := queue.day(ctx, u); err != nil {
		return Link{}, err
	}
	return Link{Messages: dayMessages, Up: up.Load(), Down: down.Load(), Segments: io.Load() * segmentPerIO, Headers: io.Load() * segmentPerIO * headerBytes}, nil
}

// daySpool is a box's spool as the uplink empties it.
type daySpool struct{ *spool.Spool }

// day writes a day's messages, each once the one before is acknowledged.
func (d *daySpool) day(ctx context.Context, u *uplink.Uplink) error {
	start := time.Now().Add(-30 * time.Hour)
	for i := range dayMessages {
		var events []spool.Event
		for k := range dayGathered {
			run := time.Duration(i*dayGathered+k+1) * readingEvery
			// Beyond what the loads before have counted.
			shown := 9_000*hours.Hour + hours.Millis(run.Milliseconds()/180_000*180_000)
			body := &maintenance.Reading{Meter: "separator", Shown: shown, Resolution: 180 * hours.Second, Origin: maintenance.OriginBus}
			e, err := dayEvent(spool.Reading, start.Add(run), body)
			if err != nil {
				return err
			}
			events = append(events, e)
		}
		span := &maintenance.Listened{From: -spannedMillis, Frames: 600_000}
		e, err := dayEvent(spool.Keep, start.Add(time.Duration(i+1)*dayGathered*readingEvery), span)
		if err != nil {
			return err
		}
		last, err := d.Append(ctx, append(events, e)...)
		if err != nil {
			return err
		}
		u.Appended(true)
		if err := d.waitAcked(ctx, last); err != nil {
			return err
		}
	}
	return nil
}

func dayEvent(class spool.Class, at time.Time, body maintenance.Body) (spool.Event, error) {
	payload, err := wire.Marshal(nil, wire.Stamp{Time: moment.Instant(at.UnixMilli())}, body)
	return spool.Event{Class: class, Payload: payload}, err
}

func (d *daySpool) waitAcked(ctx context.Context, seq uint64) error {
	limit := time.Now().Add(dayAckWithin)
	for d.Acked() < seq {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if time.Now().After(limit) {
			return fmt.Errorf("event %d was not acknowledged within %v", seq, dayAckWithin)
		}
		time.Sleep(dayLookEvery)
	}
	return nil
}

func (d *daySpool) Epoch() [16]byte          { return d.Spool.Epoch() }
func (d *daySpool) First() uint64            { return d.Stats().First }
func (d *daySpool) Last() (uint64, [32]byte) { return d.Spool.Last() }
func (d *daySpool) Acked() uint64            { _, seq := d.Spool.Acked(); return seq }

func (d *daySpool) Ack(seq uint64, hash [32]byte) error {
	return d.Spool.Ack(context.Background(), seq, hash)
}

func (d *daySpool) Rewind(seq uint64, hash [32]byte) error {
	return d.Spool.Rewind(context.Background(), seq, hash)
}

func (d *daySpool) HashAt(seq uint64) ([32]byte, bool, error) {
	h, err := d.Spool.HashAt(context.Background(), seq)
	return h, err == nil, err
}

func (d *daySpool) Read(from uint64, events, bytes int) (out []uplink.Item, hash [32]byte, err error) {
	batch, err := d.ReadFrom(context.Background(), from, events, bytes)
	for _, it := range batch.Items {
		if it.Gap != nil {
			return nil, hash, errors.New("a day's spool has a gap")
		}
		out = append(out, uplink.Item{Seq: it.Seq, Payload: it.Payload})
	}
	return out, batch.Hash, err
}

// dayClock is a clock that is set.
type dayClock struct{ start time.Time }

func (c dayClock) Boot() uint32                                            { return 1 }
func (c dayClock) Mono() int64                                             { return time.Since(c.start).Milliseconds() }
func (c dayClock) Now() (moment.Instant, bool)                             { return moment.Instant(time.Now().UnixMilli()), true }
func (c dayClock) Best() time.Time                                         { return time.Now() }
func (c dayClock) Set(moment.Instant, int64) error                         { return nil }
func (c dayClock) Place(uint32) (earliest, latest moment.Instant, ok bool) { return 0, 0, false }

// noCab is an agent without a cab.
type noCab struct{}

func (noCab) Copy() (uint64, [32]byte)                          { return 0, [32]byte{} }
func (noCab) Take(*pb.CabCopy) error                            { return nil }
func (noCab) Readings() (moment.Instant, []maintenance.Reading) { return 0, nil }
