// Package agent is the machine side put together: a source of frames, the
// listener that makes events of them, the spool that keeps them, the cab that
// knows what is due, and the uplink that carries them to the service.
package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"log/slog"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/clock"
	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/agent/uplink"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/spoolhash"
	"github.com/hourbell/hourbell/internal/wire"
)

// Options says what an agent stands on.
type Options struct {
	// Dir is the agent's data folder. One agent at a time.
	Dir string
	// Source gives the frames. The agent closes it.
	Source source.Source
	// Recorded: the frames carry times of their own (a recording), rather than
	// the agent's monotonic clock's.
	Recorded bool
	// Dial opens a connection to the service; nil: no service, the cab only.
	Dial func(ctx context.Context, judge func() time.Time) (*grpc.ClientConn, error)
	// Now is the box's own clock, Mono its monotonic one.
	Now  func() time.Time
	Mono func() time.Duration
	// Built is when this program was built.
	Built   time.Time
	Version string
	Rand    io.Reader
	// SpoolBytes bounds the spool on disk. 0 takes 64 MiB.
	SpoolBytes int64
	// Gather is how long readings wait for company; 0 takes the uplink's.
	Gather time.Duration
	// Plain sends without compression.
	Plain bool
	// Ring is told of each bell, Observe of the uplink. Nil: nobody.
	Ring    func(cab.Bell)
	Observe func(uplink.Status)
	Jitter  func(n time.Duration) time.Duration
	Log     *slog.Logger
}

const defaultSpoolBytes = 64 << 20

func (o *Options) validate() error {
	switch {
	case o.Dir == "":
		return errors.New("agent: a data folder is needed")
	case o.Source == nil:
		return errors.New("agent: a source of frames is needed")
	case o.Now == nil || o.Mono == nil || o.Rand == nil || o.Jitter == nil:
		return errors.New("agent: Now, Mono, Rand and Jitter are needed")
	case o.SpoolBytes < 0:
		return fmt.Errorf("agent: a spool of %d bytes: it is negative", o.SpoolBytes)
	}
	o.defaults()
	return nil
}

func (o *Options) defaults() {
	if o.SpoolBytes == 0 {
		o.SpoolBytes = defaultSpoolBytes
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Ring == nil {
		o.Ring = func(cab.Bell) {}
	}
	if o.Observe == nil {
		o.Observe = func(uplink.Status) {}
	}
}

// Agent is one machine's agent.
type Agent struct {
	opts   Options
	spool  *spool.Spool
	clock  *clock.Clock
	cab    *cab.Cab
	up     *uplink.Uplink // nil without a service
	ear    *listen.Listener
	chart  *maintenance.Chart // the ear's
	fresh  chan struct{}      // the cab took a copy
	adopt  map[string]moment.Instant
	before earMemory
	base   int64 // the clock's beginning on the frames' axis, ms
	saved  int64
	events []listen.Event

	mu     sync.Mutex
	status Status
}

// Status is how an agent stands.
type Status struct {
	Uplink  uplink.Status `json:"uplink"`
	Frames  uint64        `json:"frames"`
	Lost    uint64        `json:"lost"`
	Events  uint64        `json:"events"`
	Refused uint64        `json:"refused"` // events the spool had no room for
}

// earName is the name under which the listener's memory is kept.
const earName = "listen"

// New opens the agent's data folder and takes up where it stood. Close it, or
// run it, which closes it.
func New(opts Options) (*Agent, error) {
	if err := opts.validate(); err != nil {
		return nil, err
	}
	a, err := openSpool(opts)
	if err != nil {
		return nil, err
	}
	if err := a.open(); err != nil {
		return nil, errors.Join(err, a.spool.Close())
	}
	return a, nil
}

func openSpool(opts Options) (*Agent, error) {
	sp, err := spool.Open(opts.Dir, spool.Options{MaxBytes: opts.SpoolBytes, Now: opts.Now, Rand: opts.Rand, Log: opts.Log})
	if err != nil {
		return nil, fmt.Errorf("open the spool: %w", err)
	}
	return &Agent{opts: opts, spool: sp, fresh: make(chan struct{}, 1), adopt: map[string]moment.Instant{}}, nil
}

func (a *Agent) openCab(clockKeeper clock.Keeper) (err error) {
	a.clock, err = clock.Open(clock.Options{Keeper: clockKeeper, Now: a.opts.Now, Mono: a.opts.Mono, Built: a.opts.Built})
	if err != nil {
		return err
	}
	a.base = a.opts.Mono().Milliseconds() - a.clock.Mono()
	a.cab, err = cab.Open(cab.Options{Keeper: a.keeper(), Spool: ownEvents{a}, Ring: a.opts.Ring, Log: a.opts.Log})
	return err
}

func (a *Agent) open() (err error) {
	if err := a.openCab(a.keeper()); err != nil {
		return err
	}
	if err := a.listen(); err != nil {
		return err
	}
	if a.opts.Dial == nil {
		return nil
	}
	a.up, err = uplink.New(uplink.Options{
		Dial:  func(ctx context.Context) (*grpc.ClientConn, error) { return a.opts.Dial(ctx, a.clock.Best) },
		Spool: queue{a}, Clock: a.clock, Cab: cabWatch{a}, Log: a.opts.Log, Version: a.opts.Version, Rules: maintenance.RulesVersion,
		Jitter: a.opts.Jitter, Gather: a.opts.Gather, Plain: a.opts.Plain, Observe: a.observe,
	})
	return err
}

func (a *Agent) keeper() keeper { return keeper{a.spool, a.opts.Log} }

// listen makes the ear by the cab's chart and what was remembered.
func (a *Agent) listen() error {
	b, err := a.keeper().LoadState(earName)
	if err != nil {
		return fmt.Errorf("read the listener's memory: %w", err)
	}
	kept := earMemory{}
	if len(b) > 0 {
		if err := json.Unmarshal(b, &kept); err != nil {
			a.opts.Log.Error("the listener's memory can't be used; codes that were on are heard anew", "why", err)
			kept = earMemory{}
		}
	}
	// An agent older than its chart, or a memory that is not one, still listens.
	chart := a.cab.Chart()
	for _, try := range []listen.Options{{Chart: chart, State: kept.State}, {Chart: chart}, {State: kept.State}, {}} {
		if a.ear, err = listen.New(try); err == nil {
			a.chart, a.before = try.Chart, kept
			break
		}
		a.opts.Log.Error("can't listen by this chart or go on from what was remembered; trying with less", "why", err)
	}
	if err != nil {
		return err
	}
	a.adoptDerived()
	return nil
}

// earMemory is what the listener must remember, and the boot and its beginning
// on the axis that the listener's times are on.
type earMemory struct {
	Boot  uint32        `json:"boot"`
	Base  int64         `json:"base_ms"`
	State *listen.State `json:"state"`
}

// Run listens and pushes until ctx ends or the source does; then it ends what
// goes on, keeps it, and closes the data folder. The end of a recording is no
// error; with a service, Run then waits until all of it is acknowledged.
func (a *Agent) Run(ctx context.Context) error {
	inner, stop := context.WithCancel(ctx)
	defer stop()
	var wg sync.WaitGroup
	var upErr, keepErr error
	if a.up != nil {
		wg.Go(func() { upErr = a.up.Run(inner) })
	}
	wg.Go(func() { keepErr = a.keepTime(inner) })
	err := a.hear(ctx)
	if errors.Is(err, source.ErrEnd) {
		err = a.drain(ctx)
	}
	// How long this boot was tells the next one where it lies in time.
	tickErr := a.clock.Tick()
	stop()
	wg.Wait()
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		err = nil
	}
	return errors.Join(err, tickErr, upErr, keepErr, a.Close())
}

// Close closes the source and the data folder.
func (a *Agent) Close() error {
	if a.opts.Source == nil {
		return a.spool.Close()
	}
	return errors.Join(a.opts.Source.Close(), a.spool.Close())
}

// drain waits until the service has all that was recorded, or will not take it.
func (a *Agent) drain(ctx context.Context) error {
	said := false
	for a.up != nil {
		last, _ := a.spool.Last()
		acked := (queue{a}).Acked()
		if acked >= last {
			return nil
		}
		if st := a.Status().Uplink; st.Refused {
			return fmt.Errorf("the recording is kept here, but the service will not take it: %w", st.Trouble)
		}
		if !said {
			said = true
			a.opts.Log.Info("waiting until the service has it all; what is kept here stays if this is ended", "events", last-acked)
		}
		a.up.Appended(true)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
	return nil
}

// keepTime lets the clock remember how far it has come.
func (a *Agent) keepTime(ctx context.Context) error {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if err := a.clock.Tick(); err != nil {
				return err
			}
		}
	}
}

// hear is the listening loop. It never returns nil.
func (a *Agent) hear(ctx context.Context) error {
	buf := make([]source.Frame, 256)
	now, ticked := a.axis(0), int64(0)
	for {
		n, lost, err := a.opts.Source.Read(ctx, buf)
		for i := range buf[:n] {
			a.ear.Push(buf[i].At, buf[i].ID, buf[i].Payload())
			now = buf[i].At
		}
		a.ear.Lost(lost)
		a.count(func(s *Status) { s.Frames += uint64(n); s.Lost += lost })
		now = a.axis(now)
		if now-ticked >= int64(time.Second) || n == 0 {
			ticked = now
			a.ear.Tick(now)
			a.pass(now)
		}
		if errors.Is(err, source.ErrEnd) {
			// What comes after a recording is not heard: nothing on it is known to
			// go on.
			a.ear.Tick(now + afterRecording)
		}
		if err != nil {
			a.ear.Close(now)
		}
		if werr := a.write(context.WithoutCancel(ctx), now, err != nil); werr != nil {
			return werr // it matters more than why the loop ended
		}
		if err != nil {
			return err
		}
		a.rechart()
	}
}

// afterRecording is long enough a silence for every source to be out of sight.
const afterRecording = int64(30 * time.Second)

// axis is now on the axis of the frames: the monotonic clock's, or of a
// recording the time of its last frame.
func (a *Agent) axis(last int64) int64 {
	if a.opts.Recorded {
		return last
	}
	return max(last, a.opts.Mono().Nanoseconds())
}

func (a *Agent) pass(now int64) {
	if at := a.spanOf(a.stamp(now / 1e6)); at.NotBefore != 0 {
		a.cab.Pass(at.NotBefore)
	}
}

// saveEvery is how often the listener's memory is kept while nothing urgent
// happens.
const saveEvery = int64(time.Minute)

// write makes the listener's events durable, and then tells the cab and the
// uplink of them.
func (a *Agent) write(ctx context.Context, now int64, last bool) error {
	a.events = a.ear.Take(a.events[:0])
	if len(a.events) == 0 && !last {
		return nil
	}
	if err := a.append(ctx); err != nil {
		return err
	}
	if last || now-a.saved >= saveEvery || slices.ContainsFunc(a.events, listen.Memorable) {
		a.saved = now
		state := a.ear.State()
		b, err := json.Marshal(earMemory{a.clock.Boot(), a.base, &state})
		if err != nil {
			return fmt.Errorf("keep the listener's memory: %w", err)
		}
		if err := a.keeper().SaveState(earName, b); err != nil {
			return fmt.Errorf("keep the listener's memory: %w", err)
		}
	}
	return nil
}

func (a *Agent) append(ctx context.Context) error {
	if len(a.events) == 0 {
		return nil
	}
	in := make([]spool.Event, len(a.events))
	own := make([]cab.Own, len(a.events))
	urgent := false
	for i, e := range a.events {
		stamp := a.stampOf(e)
		payload, err := wire.Marshal(nil, stamp, e.Body)
		if err != nil {
			return err
		}
		in[i] = spool.Event{Class: classOf(e.Body), Key: a.keyOf(e.Body), Payload: payload}
		own[i] = cab.Own{At: a.spanOf(stamp), Body: e.Body}
		own[i].Known = own[i].At.NotAfter
		urgent = urgent || e.Urgent
	}
	before, hash := a.spool.Last()
	last, err := a.spool.Append(ctx, in...)
	if err != nil && !errors.Is(err, spool.ErrFull) {
		return fmt.Errorf("keep what was heard: %w", err)
	}
	if err != nil {
		// Some may have found room.
		refused := len(in) - int(last-before)
		a.count(func(s *Status) { s.Refused += uint64(refused) })
		a.opts.Log.Error("the spool is full: these events are not kept", "events", refused, "why", err)
		own = own[:last-before]
	}
	for i := range own {
		own[i].Seq = before + uint64(i) + 1
		hash = spoolhash.Next(hash, own[i].Seq, in[i].Payload)
		own[i].Hash = hash
	}
	changed, err := a.cab.Applied(own)
	if err != nil {
		return err
	}
	a.count(func(s *Status) { s.Events += uint64(len(own)) })
	if a.up != nil {
		a.up.Appended(urgent || changed)
	}
	return nil
}

// classOf says what goes first when the disk is full. What is heard over and over
// (readings, minutes of a drive, latest values) thins out together: were a drive's
// minutes kept, they would part the readings into runs of one, of which none can
// go, and warnings would have to.
func classOf(b maintenance.Body) spool.Class {
	switch b := b.(type) {
	case *maintenance.Reading, *maintenance.DriveMinute, *maintenance.BusValues:
		return spool.Reading
	case *maintenance.HandReading, *maintenance.ServiceDone, *maintenance.Void, *maintenance.DoubtAnswer, *maintenance.NoticeAnswer,
		*maintenance.Confirmed, *maintenance.Remark, *maintenance.RemarkWord, *maintenance.Postponed, *maintenance.Walk,
		*maintenance.SettingsLeft, *maintenance.CauseFound, *maintenance.GunMeasured:
		return spool.Record
	case *maintenance.FieldEvent:
		if b.Person != "" {
			return spool.Record
		}
	}
	return spool.Keep
}

// keyOf tells one meter's readings, and one drive's minutes, from another's, for
// thinning.
func (a *Agent) keyOf(b maintenance.Body) uint16 {
	h := fnv.New32a()
	switch b := b.(type) {
	case *maintenance.Reading:
		_, _ = io.WriteString(h, "meter "+b.Meter)
	case *maintenance.DriveMinute:
		_, _ = io.WriteString(h, "drive "+b.Drive)
	case *maintenance.BusValues:
		_, _ = io.WriteString(h, "values")
	default:
		return 0
	}
	return uint16(h.Sum32())
}

// stamp is when something happened, by the clock if it is set.
func (a *Agent) stamp(ms int64) wire.Stamp {
	if a.opts.Recorded {
		return wire.Stamp{Time: moment.Instant(ms)}
	}
	if t, ok := a.clock.At(a.onClock(ms)); ok {
		return wire.Stamp{Time: t}
	}
	return wire.Stamp{Boot: a.clock.Boot(), Mono: max(0, a.onClock(ms))}
}

// onClock puts a time of the frames' axis on the clock's, which begins with the
// boot.
func (a *Agent) onClock(ms int64) int64 { return ms - a.base }

// onAxis puts an instant on the frames' axis, in nanoseconds; now, where the
// clock is not set.
func (a *Agent) onAxis(t moment.Instant) int64 {
	if a.opts.Recorded {
		return int64(t) * 1e6
	}
	begun, ok := a.clock.At(0)
	if !ok {
		return a.opts.Mono().Nanoseconds()
	}
	return (int64(t-begun) + a.base) * 1e6
}

// stampOf is when an event happened; one of the run before is of its boot.
func (a *Agent) stampOf(e listen.Event) wire.Stamp {
	if !e.Before || a.opts.Recorded {
		return a.stamp(e.AtMs)
	}
	return wire.Stamp{Boot: a.before.Boot, Mono: max(0, e.AtMs-a.before.Base)}
}

// spanOf places a stamp as well as this agent can now.
func (a *Agent) spanOf(s wire.Stamp) moment.Span {
	if now, set := a.clock.Now(); s.Synced() && a.opts.Recorded && set && s.Time > now {
		// A recording was given a start in the future.
		return moment.Span{NotBefore: now, NotAfter: s.Time}
	}
	if s.Synced() {
		return moment.At(s.Time)
	}
	early, late, ok := a.clock.Place(s.Boot)
	if !ok {
		return moment.Span{NotAfter: moment.Instant(a.clock.Best().UnixMilli())}
	}
	return moment.Span{NotBefore: early + moment.Instant(s.Mono), NotAfter: late + moment.Instant(s.Mono)}
}

// rechart listens by another chart where the cab took one.
func (a *Agent) rechart() {
	select {
	case <-a.fresh:
	default:
		return
	}
	if chart := a.cab.Chart(); chart != nil && (a.chart == nil || chart.Hash() != a.chart.Hash()) {
		ear, err := a.ear.Switch(chart)
		if err != nil {
			a.opts.Log.Error("can't listen by the new chart; going on by the one before: update the agent", "why", err)
			return
		}
		a.ear, a.chart = ear, chart
		a.opts.Log.Info("listening by another chart", "chart", chart.ID, "edition", chart.Edition)
	}
	a.adoptDerived()
}

// adoptDerived gives derived meters their start: the last known total after a
// box was swapped, or what a person read off the display.
func (a *Agent) adoptDerived() {
	if a.chart == nil {
		return
	}
	for _, def := range a.chart.Meters {
		if def.Kind != maintenance.MeterDerived {
			continue
		}
		m, known := a.cab.Meter(def.ID)
		shown, absolute := a.ear.Derived(def.ID)
		switch {
		case !known || len(m.Lives) == 0:
			// The first box on this machine: it begins to count here.
			if !absolute {
				a.ear.SetDerived(def.ID, 0)
			}
		case !absolute:
			a.ear.SetDerived(def.ID, m.Lives[len(m.Lives)-1].Last)
			a.adopt[def.ID] = m.TotalAt.NotAfter
		case m.Origin == maintenance.OriginPerson && m.TotalAt.NotAfter > a.adopt[def.ID]:
			a.ear.SetDerivedAt(def.ID, m.Lives[len(m.Lives)-1].Last, a.onAxis(m.TotalAt.NotAfter))
			a.adopt[def.ID] = m.TotalAt.NotAfter
		case m.Lives[len(m.Lives)-1].Last > shown:
			// The agent was cut off after it wrote a reading and before it kept its sum.
			a.ear.SetDerived(def.ID, m.Lives[len(m.Lives)-1].Last)
		}
	}
}

func (a *Agent) observe(s uplink.Status) {
	a.count(func(st *Status) { st.Uplink = s })
	a.opts.Observe(s)
}

func (a *Agent) count(fn func(*Status)) {
	a.mu.Lock()
	defer a.mu.Unlock()
	fn(&a.status)
}

// Status is how the agent stands now.
func (a *Agent) Status() Status {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.status
}

// Cab is what the agent knows of what is due.
func (a *Agent) Cab() *cab.Cab { return a.cab }
