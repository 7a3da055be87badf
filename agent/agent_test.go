package agent_test

import (
	"context"
	"crypto/rand"
	"math/big"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/agenttest"
	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var (
	start = time.Date(2031, 8, 1, 4, 0, 0, 0, time.UTC)
	built = time.Date(2031, 1, 10, 0, 0, 0, 0, time.UTC)
)

// up is what a box's monotonic clock shows when its agent starts: it was on
// before.
const up = 90 * time.Minute

// box is a computer in a machine. Its own clock shows whatever it does; true time
// is the simulated machine's and the service's.
type box struct {
	t       *testing.T
	m       *combinesim.Machine
	dir     string
	wall    time.Time
	service *agenttest.Service
	server  *grpc.Server
	lis     *bufconn.Listener

	now  atomic.Int64 // true, Unix ns
	rang []string
}

func newBox(t *testing.T, c combinesim.Config) *box {
	m, err := combinesim.New(c)
	require.NoError(t, err)
	b := &box{t: t, m: m, dir: t.TempDir(), wall: time.Unix(5, 0), lis: bufconn.Listen(1 << 20), server: grpc.NewServer()}
	b.now.Store(c.Start.UnixNano())
	b.service = agenttest.New("lark", b.trueTime)
	b.service.Register(b.server)
	var wg sync.WaitGroup
	wg.Go(func() { _ = b.server.Serve(b.lis) })
	t.Cleanup(func() { b.server.Stop(); wg.Wait() })
	return b
}

func (b *box) trueTime() time.Time { return time.Unix(0, b.now.Load()).UTC() }

// tape gives the machine's frames up to an end, on the box's monotonic axis.
type tape struct {
	*box
	booted int64 // true time at which the axis shows up
	until  int64
	ready  chan struct{} // nothing is given before
	left   []combinesim.Frame
}

func (s *tape) Read(ctx context.Context, dst []source.Frame) (n int, lost uint64, err error) {
	select {
	case <-s.ready:
	case <-ctx.Done():
		return 0, 0, ctx.Err()
	}
	next := min(s.now.Load()+int64(time.Second), s.until)
	if len(s.left) == 0 {
		s.left = s.m.Append(nil, time.Unix(0, next))
	}
	for n < len(dst) && n < len(s.left) {
		f := s.left[n]
		dst[n] = source.Frame{At: f.AtNS - s.booted + int64(up), ID: f.ID, Len: f.Len, Data: f.Data}
		n++
	}
	s.left = s.left[n:]
	if len(s.left) == 0 {
		s.now.Store(next)
		if next == s.until {
			err = source.ErrEnd
		}
	}
	return n, 0, err
}

func (s *tape) Close() error { return nil }

// run is one run of the agent, up to an instant; without a service where it is
// cut off.
func (b *box) run(until time.Duration, cutOff bool) *agent.Agent {
	s := &tape{box: b, booted: b.now.Load(), until: start.Add(until).UnixNano(), ready: make(chan struct{})}
	booted := b.now.Load()
	var once sync.Once
	o := agent.Options{Dir: b.dir, Source: s, Built: built, Version: "test", Rand: rand.Reader, Plain: true, Gather: time.Millisecond,
		Now:    func() time.Time { return b.wall.Add(time.Duration(b.now.Load() - booted)) },
		Mono:   func() time.Duration { return up + time.Duration(b.now.Load()-booted) },
		Jitter: func(time.Duration) time.Duration { return 0 },
		Ring:   func(bell cab.Bell) { b.rang = append(b.rang, bell.Notice.Task+" "+bell.Notice.Stage.String()) }}
	var a *agent.Agent
	if cutOff {
		once.Do(func() { close(s.ready) })
	} else {
		o.Dial = func(context.Context, func() time.Time) (*grpc.ClientConn, error) {
			return grpc.NewClient("passthrough:///bus", grpc.WithTransportCredentials(insecure.NewCredentials()),
				grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return b.lis.DialContext(ctx) }))
		}
		o.Observe = func(u uplink.Status) {
			if u.Connected {
				once.Do(func() { close(s.ready) })
			}
		}
	}
	a, err := agent.New(o)
	require.NoError(b.t, err)
	ctx, cancel := context.WithTimeout(b.t.Context(), time.Minute)
	defer cancel()
	require.NoError(b.t, a.Run(ctx))
	require.NoError(b.t, ctx.Err(), "not all was acknowledged in time")
	require.NoError(b.t, b.service.Err())
	return a
}

// fold is what the domain makes of all that the service has.
func (b *box) fold() *maintenance.State {
	s := maintenance.New()
	if b.service.State != nil {
		s = b.service.State.Clone()
	}
	for _, e := range b.service.Events() {
		at := moment.At(e.Stamp.Time)
		maintenance.Apply(s, &maintenance.Event{Key: maintenance.Key{Stream: [16]byte{1}, Seq: e.Seq}, Writer: maintenance.WriterAgent, At: at, Known: at.NotAfter, Body: e.Body}, nil)
	}
	return s
}

func config(p ...combinesim.ProgramStep) combinesim.Config {
	return combinesim.Config{Name: "test", Seed: 7, Start: start, Identity: combinesim.NewIdentity(41), Rates: combinesim.ThinBus(), Program: p,
		Meters: combinesim.Meters{Engine: 2000 * combinesim.Hour, Vehicle: 2300 * combinesim.Hour, PTO: -1, Separator: 1300 * combinesim.Hour}}
}

func step(do combinesim.Activity, d time.Duration) combinesim.ProgramStep {
	return combinesim.ProgramStep{Do: do, For: d}
}

// A box with no battery for its clock is started again in mid-shift: its axis
// begins anew and its clock shows 1970, yet every event stands where it happened.
func TestARestartPlacesAllAndStartsNothingTwice(t *testing.T) {
	c := config(step(combinesim.Idle, 40*time.Minute))
	for _, k := range combinesim.Codes()[:2] {
		c.Faults.Warnings = append(c.Faults.Warnings, combinesim.Warning{Code: k, From: 5 * time.Minute, To: 25 * time.Minute, While: combinesim.WhileRunning})
	}
	b := newBox(t, c)
	b.run(10*time.Minute, false)
	b.run(15*time.Minute, true) // out of signal
	b.run(40*time.Minute, false)

	truth := b.m.Truth()
	for _, e := range b.service.Events() {
		require.True(t, e.Stamp.Time >= moment.Instant(start.UnixMilli()) && e.Stamp.Time <= moment.Instant(b.trueTime().UnixMilli()), "%T at %v", e.Body, e.Stamp.Time)
		if r, ok := e.Body.(*maintenance.Reading); ok {
			at := time.UnixMilli(int64(e.Stamp.Time))
			require.InDelta(t, c.Meters.Engine+truth.EngineAt(at), int64(r.Shown), float64(combinesim.MeterStep+10_000), "shown at %v", at)
		}
	}
	s := b.fold()
	require.Empty(t, s.Warnings)
	require.Len(t, s.Counts, 2)
	for _, n := range s.Counts {
		require.Equal(t, uint64(1), n.Starts)
	}
	ended, unknown := 0, 0
	for _, e := range b.service.Events() {
		if w, ok := e.Body.(*maintenance.Warning); ok && w.Phase == maintenance.WarningEnded {
			ended++
			require.InDelta(t, truth.Warnings[0].EndNS/1e6, int64(e.Stamp.Time), 1500)
		} else if ok && w.Phase == maintenance.WarningUnknown {
			// Nobody listened from the end of the first run, and of the second.
			stopped := start.Add([]time.Duration{10 * time.Minute, 15 * time.Minute}[unknown/2])
			require.InDelta(t, stopped.UnixMilli(), int64(e.Stamp.Time), 1500)
			unknown++
		}
	}
	require.Equal(t, 2, ended)
	require.Equal(t, 4, unknown)
}

func dateOf(t time.Time) civil.Date {
	d, _ := civil.Of(t.Year(), int(t.Month()), t.Day())
	return d
}

// A clock years ahead must not turn the site's days, or all would be overdue.
func TestAClockIn2040TurnsNoDays(t *testing.T) {
	b := newBox(t, config(step(combinesim.Idle, 30*time.Minute)))
	b.wall = time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC)
	ch := agenttest.HoursOf(500 * hours.Hour)
	ch.Tasks[0].Limbs = append(ch.Tasks[0].Limbs, maintenance.Limb{Kind: maintenance.LimbMonths, Months: 6})
	b.service.Chart(ch, &maintenance.ServiceDone{Tasks: []string{"pivot/grease"}, Date: dateOf(start), Shown: []maintenance.MeterShown{{Meter: "engine", Shown: 2000 * hours.Hour}}})
	b.run(10*time.Minute, false)
	day := func(c *cab.Cab) (day string, state maintenance.DueState) {
		c.View(func(s *maintenance.State) { day, state = s.Days[len(s.Days)-1].Date.String(), s.Tasks[0].State })
		return day, state
	}
	a := b.run(20*time.Minute, true)
	d, state := day(a.Cab())
	require.Equal(t, "2031-08-01", d)
	require.Equal(t, maintenance.NotDue, state)
	look, err := agent.Look(agent.Options{Dir: b.dir, Built: built, Rand: rand.Reader, Now: func() time.Time { return b.wall }, Mono: func() time.Duration { return up }})
	require.NoError(t, err)
	d, state = day(look.Cab())
	require.NoError(t, look.Close())
	require.Equal(t, "2031-08-01", d)
	require.Equal(t, maintenance.NotDue, state)
	require.Empty(t, b.rang)
}

// An agent older than its chart goes on with what the open standard says.
func TestAChartThatCannotBeUsedStopsNoListening(t *testing.T) {
	b := newBox(t, config(step(combinesim.Idle, 30*time.Minute)))
	ch := agenttest.HoursOf(500 * hours.Hour)
	ch.Signals = []maintenance.SignalDef{{ID: "of-later-years", Group: 65377, Source: 0xB2, Byte: 1, Bits: 77, ScaleNum: 1, ScaleDen: 1, OffsetDen: 1}}
	b.service.Chart(ch)
	read := func() (n int) {
		for _, e := range b.service.Events() {
			if r, ok := e.Body.(*maintenance.Reading); ok && r.Meter == "engine" {
				n++
			}
		}
		return n
	}
	b.run(10*time.Minute, false)
	first := read()
	require.Greater(t, first, 5)
	b.run(20*time.Minute, false)
	require.Greater(t, read(), first+5)
}

// withSeparator is a chart with a derived meter, as the simulated machine's data
// sheet has it.
func withSeparator(t *testing.T) *maintenance.Chart {
	ch := agenttest.HoursOf(500 * hours.Hour)
	for _, l := range combinesim.Layouts() {
		if l.Signal == combinesim.RotorSpeed {
			scale, ok := new(big.Rat).SetString(l.Scale)
			require.True(t, ok)
			ch.Signals = append(ch.Signals, maintenance.SignalDef{ID: l.Name, Group: l.Group, Source: int16(l.Source), Byte: uint16(l.Byte), Bit: uint8(l.Bit), Bits: uint8(l.Bits),
				Unit: l.Unit, ScaleNum: scale.Num().Int64(), ScaleDen: scale.Denom().Int64(), OffsetDen: 1})
			ch.Meters = append(ch.Meters, maintenance.MeterDef{ID: "separator", Kind: maintenance.MeterDerived, Signal: l.Name, Above: combinesim.SeparatorAbove,
				Hold: hours.Millis(combinesim.SeparatorHold.Milliseconds()), Resolution: hours.Second})
		}
	}
	return ch
}

func TestADerivedMeterBeginsGoesOnAndIsSetByAPerson(t *testing.T) {
	day := config(step(combinesim.Idle, time.Minute), step(combinesim.Thresh, 100*time.Minute))
	last := func(b *box) (shown hours.Millis) {
		for _, e := range b.service.Events() {
			if r, ok := e.Body.(*maintenance.Reading); ok && r.Meter == "separator" {
				require.Equal(t, maintenance.OriginDerived, r.Origin)
				require.GreaterOrEqual(t, r.Shown, shown, "it never falls")
				shown = r.Shown
			}
		}
		return shown
	}
	ran := func(b *box) int64 {
		truth := b.m.Truth()
		return truth.Separator.MS()
	}

	first := newBox(t, day)
	first.service.Chart(withSeparator(t))
	first.run(20*time.Minute, false)
	require.InDelta(t, ran(first), int64(last(first)), 5000, "the first box on this machine counts from its beginning")
	first.run(40*time.Minute, false)
	require.InDelta(t, ran(first), int64(last(first)), 15_000, "and goes on after a restart")

	swapped := newBox(t, day)
	swapped.service.Chart(withSeparator(t), &maintenance.HandReading{Reading: maintenance.Reading{Meter: "separator", Shown: 1300 * hours.Hour, Resolution: hours.Hour / 10,
		Origin: maintenance.OriginPerson}})
	swapped.run(30*time.Minute, false)
	require.InDelta(t, int64(1300*hours.Hour)+ran(swapped), int64(last(swapped)), 5000)
}
