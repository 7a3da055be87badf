package ingest

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/spoolhash"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/ingest/workday"
	"github.com/hourbell/hourbell/service/live"
)

// streamPrefix is what machines' streams begin with in the store.
const streamPrefix = "machines/"

// machine is one machine's owner: its state and what is queued for its stream.
type machine struct {
	id, stream string
	topic      *live.Topic

	mu    sync.Mutex
	state *maintenance.State // with all that is queued in it
	// commit is the one that brings the last queued event to disk.
	commit *commit
	queue  queue
	queued bool  // queue is in the commit that is gathering
	gone   bool  // it came to nothing; there may be another of its name
	stale  bool  // the state is to be read from the journal again
	stuck  error // why there is no state
	ruled  bool  // the newest rules have been put to it since the start

	turns    workday.Turns
	hasTurns bool
	nextTurn moment.Instant // when the next work day is to be journalled

	spools map[[16]byte]moment.Instant // the last event's not-before, by epoch
	forks  map[[16]byte]uint64         // where a fork was said already

	decoder wire.Decoder
	event   maintenance.Event // the one at hand, of a spool
	effects []maintenance.Effect
	changed changes

	journalled uint64 // revision of the last event queued
	pointed    uint64 // revision of the last checkpoint
	others     uint64 // revision of the last event that a cab must hear of, see LastByOthers
}

// replayer puts the events of one stream together as they were when they were
// taken in.
type replayer struct {
	decoder wire.Decoder
	at      maintenance.Event // the one at hand
	charts  *chartShelf
	resumed map[[16]byte]SpoolEnd // see resumption
}

// event gives an entry's event, which holds until the next call.
func (r *replayer) event(s *maintenance.State, e *store.Entry) (*maintenance.Event, error) {
	stamp, body, err := r.decoder.UnmarshalShared(e.Received)
	if err != nil {
		return nil, fmt.Errorf("revision %d: %w", e.Revision, err)
	}
	r.charts.share(body)
	var hash [32]byte
	switch {
	case e.Writer != maintenance.WriterAgent:
		r.note(body)
	case standIn(body):
		hash = stamp.HashAfter
	default:
		next, before := spoolEnd(s, e.Key.Stream)
		if end := r.resumed[e.Key.Stream]; before == [32]byte{} && end.Next == e.Key.Seq {
			before = end.Hash
		}
		hash = hashAfter(next, before, e.Key.Seq, e.Received)
	}
	wire.Put(&r.at, e.Key, e.Writer, e.At, e.Known, hash, body)
	return &r.at, nil
}

// hashAfter is a spool's rolling hash after an event of it. It is not known (the
// zero hash) behind events that could not be read any more.
func hashAfter(next uint64, before [32]byte, seq uint64, received []byte) [32]byte {
	if next != seq || before == [32]byte{} {
		return [32]byte{}
	}
	return spoolhash.Next(before, seq, received)
}

// A spool whose rolling hash was lost on the service's disk is resumed where its
// agent has sent it from the beginning. The hash is then journalled, in a
// finding of this name, so that a replay knows it as well.
const resumedFinding = "spool-resumed"

func resumption(epoch [16]byte, end SpoolEnd) *maintenance.Finding {
	return &maintenance.Finding{Finding: resumedFinding, Method: "rolling hash", Version: 1, Evidence: []maintenance.Fact{
		{Name: "epoch", Value: hex.EncodeToString(epoch[:])}, {Name: "event", Value: strconv.FormatUint(end.Next, 10)}, {Name: "hash", Value: hex.EncodeToString(end.Hash[:])}}}
}

// note reads what resumption wrote.
func (r *replayer) note(body maintenance.Body) {
	f, is := body.(*maintenance.Finding)
	if !is || f.Finding != resumedFinding || len(f.Evidence) != 3 {
		return
	}
	epoch, err1 := spoolhash.ParseEpoch(f.Evidence[0].Value)
	next, err2 := strconv.ParseUint(f.Evidence[1].Value, 10, 64)
	hash, err3 := hex.DecodeString(f.Evidence[2].Value)
	if err1 != nil || err2 != nil || err3 != nil || len(hash) != 32 {
		return
	}
	if r.resumed == nil {
		r.resumed = make(map[[16]byte]SpoolEnd)
	}
	r.resumed[epoch] = SpoolEnd{Next: next, Hash: [32]byte(hash)}
}

// spoolEnd is how far a spool has been taken in: the sequence number wanted next
// and the rolling hash before it.
func spoolEnd(s *maintenance.State, epoch [16]byte) (next uint64, hash [32]byte) {
	for i := range s.Epochs {
		if s.Epochs[i].ID == epoch {
			return s.Epochs[i].Next, s.Epochs[i].Hash
		}
	}
	return 1, spoolhash.Start(epoch)
}

// lost stands in for an event that can't be read any more, so that revisions
// keep their numbers.
func lost(revision uint64, why string) *maintenance.Event {
	return &maintenance.Event{
		Key: maintenance.ServiceKey("lost", fmt.Sprint(revision)), Writer: maintenance.WriterService,
		Body: &maintenance.SetAside{Reason: "damaged on disk: " + why},
	}
}

// applied is maintenance.Apply, which must not panic. If it does all the same,
// the state is of no use any more, and only this machine is held up.
func (in *Ingest) applied(s *maintenance.State, e *maintenance.Event, fx []maintenance.Effect) (out []maintenance.Effect, err error) {
	defer func() {
		if r := recover(); r != nil {
			out, err = nil, fmt.Errorf("%w: event %v: %v\n%s", errPanicked, e.Key, r, debug.Stack())
		}
	}()
	return in.apply(s, e, fx), nil
}

var errPanicked = errors.New("the rules panicked")

// errUnreadable is wrapped by errors about what a stream holds, which hold up
// its machine only.
var errUnreadable = errors.New("the stream can't be folded")

// fold reads a stream from the state's revision on and applies it. It tells each
// what it has applied, and returns how many events could not be read.
func (in *Ingest) fold(ctx context.Context, stream string, s *maintenance.State, until uint64, each func(revision uint64, body maintenance.Body)) (damaged uint64, err error) {
	f := folding{Ingest: in, s: s, until: until, each: each, replayer: replayer{charts: &in.charts}}
	for s.Revision < until && err == nil {
		before := s.Revision
		err = in.o.Store.Read(ctx, stream, before+1, f.take)
		var hole *store.DamagedError
		switch {
		case f.bad != nil:
			err = fmt.Errorf("%w: %w", errUnreadable, f.bad)
		case errors.As(err, &hole):
			in.o.Log.Error("events of a machine can't be read any more", "error", hole)
			err = f.over(hole)
		case err == nil && s.Revision == before:
			err = fmt.Errorf("the store has no revision %d of %s, though its last is %d", before+1, stream, until)
		}
	}
	return f.damaged, err
}

// folding is a fold under way.
type folding struct {
	*Ingest
	replayer
	s       *maintenance.State
	until   uint64
	each    func(uint64, maintenance.Body)
	fx      []maintenance.Effect
	damaged uint64
	bad     error
}

func (f *folding) take(e store.Entry) bool {
	if e.Revision > f.until {
		return false
	}
	event, err := f.event(f.s, &e)
	if err == nil {
		f.fx, err = f.applied(f.s, event, f.fx[:0])
	}
	if err == nil && f.s.Revision != e.Revision {
		err = fmt.Errorf("revision %d, event %v: it comes out of order, or as a repeat", e.Revision, e.Key)
	}
	f.bad = err
	if f.each != nil && err == nil {
		f.each(e.Revision, event.Body)
	}
	return err == nil
}

// over passes over events that can't be read, so that revisions keep their
// numbers.
func (f *folding) over(hole *store.DamagedError) (err error) {
	for f.s.Revision+1 < min(hole.To, f.until+1) && err == nil {
		f.fx, err = f.applied(f.s, lost(f.s.Revision+1, hole.Why), f.fx[:0])
		f.damaged++
	}
	return err
}

// load brings one machine up from its checkpoint and the tail of its stream.
func (in *Ingest) load(ctx context.Context, stream string, last uint64) (*machine, error) {
	m := in.newMachine(strings.TrimPrefix(stream, streamPrefix))
	if err := in.read(ctx, m, last); err != nil {
		return nil, err
	}
	return m, nil
}

// read works a machine's state out up to a revision. What can't be worked out
// holds up this machine only; an error is the store's.
func (in *Ingest) read(ctx context.Context, m *machine, last uint64) error {
	state, err := in.checkpointed(ctx, m.stream, last)
	if err != nil {
		return err
	}
	pointed := state.Revision
	damaged, err := in.fold(ctx, m.stream, state, last, nil)
	if errors.Is(err, errUnreadable) {
		in.o.Log.Error("a machine can't be worked on", "machine", m.id, "error", err)
		in.stats.stuck.Add(1)
		m.stuck = &Stuck{Machine: m.id, Cause: err}
		return nil
	}
	if err != nil {
		return fmt.Errorf("replay %s: %w", m.stream, err)
	}
	in.stats.damaged.Add(damaged)
	m.journalled = last
	m.state, m.pointed, m.others = state, pointed, state.Revision // of what came before the start it is not known what a cab knows
	m.setTurns(in.o.Log)
	return nil
}

// refresh reads a stale state from the journal again. The machine is locked, and
// its last commit is on disk.
func (in *Ingest) refresh(m *machine) {
	m.stale = false
	if err := in.read(in.ctx, m, m.journalled); err != nil {
		in.o.Log.Error("a machine can't be worked on", "machine", m.id, "error", err)
		m.stuck = &Stuck{Machine: m.id, Cause: err}
	}
}

func (in *Ingest) newMachine(id string) *machine {
	return &machine{id: id, stream: streamPrefix + id, topic: in.hub.Topic(id), state: &maintenance.State{}, commit: in.idle,
		spools: map[[16]byte]moment.Instant{}, forks: map[[16]byte]uint64{}}
}

// checkpointed is the state that the stream's checkpoint holds, an empty one
// where there is none that can be used.
func (in *Ingest) checkpointed(ctx context.Context, stream string, last uint64) (*maintenance.State, error) {
	cp, has, err := in.o.Store.Checkpoint(ctx, stream)
	if err != nil {
		return nil, fmt.Errorf("read checkpoint of %s: %w", stream, err)
	}
	if !has {
		return &maintenance.State{}, nil
	}
	state, err := maintenance.DecodeState(cp.Fold, func(hash [32]byte) (*maintenance.Chart, error) { return in.chart(ctx, stream, hash) })
	switch {
	case err != nil:
	case cp.Revision > last:
		err = fmt.Errorf("it stands for revision %d and the stream ends at %d", cp.Revision, last)
	case state.Revision != cp.Revision || state.Chain != cp.Chain:
		err = errors.New("what it holds is not what it says it stands for")
	default:
		return state, nil
	}
	in.o.Log.Warn("a checkpoint can't be used; the stream is replayed from its beginning", "stream", stream, "revision", cp.Revision, "error", err)
	in.stats.checkpointsBad.Add(1)
	return &maintenance.State{}, nil
}
