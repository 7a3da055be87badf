package ingest

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"unicode/utf8"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
)

// Offered is one event offered for a machine.
type Offered struct {
	Key    maintenance.Key
	Writer maintenance.Writer
	// At is when it happened; the zero span takes what the event's bytes say.
	At moment.Span
	// HashAfter is the spool's rolling hash after an agent's event.
	HashAfter [32]byte
	// Received is the serialised hourbell.v1.Event. It must not be changed any
	// more.
	Received []byte
}

// Note says that an event of a spool was set aside.
type Note struct {
	Seq    uint64
	Reason string
}

// Receipt says what became of events. It holds once they are on disk.
type Receipt struct {
	// Revision is the machine's after them.
	Revision uint64
	Taken    int // journalled, those set aside among them
	Repeats  int // were on record already
	SetAside []Note
	// Effects of Offer and Act, in order; OfferSpool leaves them out.
	Effects []maintenance.Effect
	// Seq is how far the spool is on record (OfferSpool).
	Seq uint64
}

// Ticket stands for events that are decided and queued, and not yet on disk.
type Ticket struct {
	commit  *commit
	receipt Receipt
}

// Done is closed once it is known whether the events are on disk.
func (t *Ticket) Done() <-chan struct{} { return t.commit.done }

// Receipt gives what became of the events. It is to be called after Done; an
// error means that nothing of them is acknowledged.
func (t *Ticket) Receipt() (Receipt, error) {
	if t.commit.err != nil {
		return Receipt{}, t.commit.err
	}
	return t.receipt, nil
}

// Wait waits for Done. Where ctx ends first the events may still come to disk.
func (t *Ticket) Wait(ctx context.Context) (Receipt, error) {
	if err := t.commit.wait(ctx); err != nil {
		return Receipt{}, err
	}
	return t.receipt, nil
}

// Offer decides events in order against the machine's state, journals what is
// taken and waits until it is on disk. Repeats are fine and write nothing. An
// agent's event that the domain refuses is journalled as set aside; a person's
// or the service's is an error (*Refused), and those before it stand.
func (in *Ingest) Offer(ctx context.Context, machine string, evs []Offered) (Receipt, error) {
	t, err := in.OfferAsync(ctx, machine, evs)
	if err != nil {
		return Receipt{}, err
	}
	return t.Wait(ctx)
}

// OfferAsync is Offer without the wait for the disk.
func (in *Ingest) OfferAsync(ctx context.Context, machine string, evs []Offered) (*Ticket, error) {
	return in.offer(ctx, machine, evs, nil)
}

// offer decides events. bodies are theirs where the caller has them.
func (in *Ingest) offer(ctx context.Context, id string, evs []Offered, bodies []maintenance.Body) (*Ticket, error) {
	if len(evs) > MaxBatchEvents {
		return nil, &Malformed{"events", fmt.Sprintf("%d events, at most %d are taken at once", len(evs), MaxBatchEvents)}
	}
	size := 0
	for i := range evs {
		size += len(evs[i].Received)
	}
	if size > MaxBatchBytes {
		return nil, &Malformed{"events", fmt.Sprintf("%d bytes, at most %d are taken at once", size, MaxBatchBytes)}
	}
	m, err := in.admit(ctx, id)
	if err != nil {
		return nil, err
	}
	defer in.leave()
	defer m.mu.Unlock()
	b := in.begin(m, true)
	for i := range evs {
		var body maintenance.Body
		if bodies != nil {
			body = bodies[i]
		}
		if err = b.one(&evs[i], body); err != nil {
			break
		}
	}
	t := b.end()
	if err != nil {
		return nil, err
	}
	return t, nil
}

// admit finds the machine and locks it, with room in its queue and the gate
// open. The caller unlocks it and leaves.
func (in *Ingest) admit(ctx context.Context, id string) (*machine, error) {
	m, err := in.machine(id)
	if err != nil {
		return nil, err
	}
	for {
		if err := in.enter(); err != nil {
			return nil, err
		}
		m.mu.Lock()
		wait := in.obstacle(m)
		if wait == nil && m.stuck == nil {
			return m, nil
		}
		err := m.stuck
		m.mu.Unlock()
		in.leave()
		if err == nil {
			err = wait.wait(ctx)
		}
		if err != nil {
			return nil, err
		}
	}
}

// obstacle gives the commit to wait for before the machine can take a batch,
// nil for none.
func (in *Ingest) obstacle(m *machine) *commit {
	switch {
	case m.stuck != nil:
		return nil
	case m.stale && !m.commit.isDone():
		return m.commit
	case m.stale:
		in.refresh(m)
		return nil
	case m.queued && (len(m.queue.entries)+2*MaxBatchEvents > store.MaxStretchEntries || m.queue.bytes+MaxBatchBytes+MaxBatchBytes/2 > store.MaxStretchBytes):
		return m.commit
	case in.queuedEvents.Load() > int64(in.o.Queued):
		return in.nextCommit()
	}
	return nil
}

// batch is events of one machine being decided. The machine is locked.
type batch struct {
	in      *Ingest
	m       *machine
	now     moment.Instant
	keep    bool // effects in the receipt
	receipt Receipt
	queued  int
}

// begin opens a batch; newer rules and then the turn of a new work day are
// journalled before anything else.
func (in *Ingest) begin(m *machine, keep bool) *batch {
	b := &batch{in: in, m: m, now: in.now(), keep: keep}
	b.m.changed.begin(m.topic)
	if m.state.Revision > 0 {
		b.rules()
	}
	if m.hasTurns && !m.stale && b.now >= m.nextTurn {
		b.turn()
	}
	return b
}

// rules puts this build's newest rules in force where the machine's are older. It
// tries once: where they fail on the machine's state, that goes on under the old
// ones until the next start.
func (b *batch) rules() {
	m := b.m
	if m.state.Rules >= maintenance.RulesVersion || m.ruled {
		return
	}
	m.ruled = true
	b.ownOrLog(maintenance.ServiceKey("rules", strconv.FormatUint(uint64(maintenance.RulesVersion), 10)), moment.At(b.now),
		&maintenance.RulesChanged{Version: maintenance.RulesVersion})
}

// end closes a batch and gives its ticket.
func (b *batch) end() *Ticket {
	m := b.m
	if b.queued > 0 {
		b.in.queuedEvents.Add(int64(b.queued))
		if c, wanted := m.changed.end(m, b.now); wanted && !m.stale {
			m.queue.changes = append(m.queue.changes, c)
		}
		b.in.enqueue(m)
	}
	b.receipt.Revision = m.journalled
	b.in.stats.batch(b.receipt.Taken, b.receipt.Repeats, len(b.receipt.SetAside))
	return &Ticket{commit: m.commit, receipt: b.receipt}
}

// one decides one event that was offered with its key.
func (b *batch) one(ev *Offered, body maintenance.Body) error {
	at := ev.At
	if body == nil {
		stamp, decoded, err := b.m.decoder.Unmarshal(ev.Received)
		if err != nil {
			return b.unreadable(ev, err)
		}
		body = decoded
		if at == (moment.Span{}) {
			p := placer{now: b.now, floor: b.m.floor(ev.Key.Stream)}
			at = p.place(stamp)
		}
	}
	if at == (moment.Span{}) {
		at = moment.At(b.now)
	}
	if err := b.suits(ev, body); err != nil {
		return err
	}
	b.in.charts.share(body)
	return b.decide(wire.Event(ev.Key, ev.Writer, at, b.now, ev.HashAfter, body), ev.Received)
}

// suits holds an agent's event to what a replay would work out for it.
func (b *batch) suits(ev *Offered, body maintenance.Body) error {
	if ev.Writer != maintenance.WriterAgent {
		return nil
	}
	next, before := spoolEnd(b.m.state, ev.Key.Stream)
	if ev.Key.Seq == next && ev.HashAfter != hashAfter(next, before, next, ev.Received) {
		return b.fork(ev.Key.Stream, ev.Key.Seq)
	}
	if standIn(body) {
		return &Malformed{"received", "an agent can't offer an event that stands for one that is not there: use OfferSpool"}
	}
	return nil
}

// unreadable is what becomes of bytes that are no event.
func (b *batch) unreadable(ev *Offered, why error) error {
	if ev.Writer == maintenance.WriterAgent {
		return b.aside(ev.Key, ev.HashAfter, ev.Received, why.Error())
	}
	if bad := (*wire.FieldError)(nil); errors.As(why, &bad) {
		return &Refused{Field: bad.Field, Why: bad.Why}
	}
	return &Refused{Why: why.Error()}
}

// decide asks the domain and does as it says. Once the rules have failed nothing
// more of the batch is decided: what the state says then is not to be trusted.
func (b *batch) decide(e *maintenance.Event, received []byte) error {
	if b.m.stale {
		return &Stuck{Machine: b.m.id, Cause: errPanicked}
	}
	switch v := maintenance.Admit(b.m.state, e); v.Word {
	case maintenance.VerdictTake:
		return b.take(e, received)
	case maintenance.VerdictRepeat:
		b.receipt.Repeats++
	case maintenance.VerdictGap:
		return &Gap{Machine: b.m.id, Want: v.Want, Got: e.Key.Seq}
	case maintenance.VerdictFork:
		return b.fork(e.Key.Stream, e.Key.Seq)
	default:
		if e.Writer == maintenance.WriterAgent {
			return b.aside(e.Key, e.Hash, received, v.Err().Error())
		}
		return &Refused{Field: v.Field, Why: v.Why, Fix: v.Do}
	}
	return nil
}

// take applies an event and queues it for the journal.
func (b *batch) take(e *maintenance.Event, received []byte) error {
	m := b.m
	effects, err := b.in.applied(m.state, e, m.effects[:0])
	if err == nil && m.state.Revision != m.journalled+1 {
		// The journal must not get what the fold passes over.
		err = fmt.Errorf("%w: event %v was admitted and then passed over", errPanicked, e.Key)
	}
	if err != nil {
		return b.panicked(e, received, err)
	}
	m.effects = effects
	b.queue(e, received)
	if b.keep {
		b.receipt.Effects = append(b.receipt.Effects, effects...)
	}
	if news(e) {
		m.others = m.journalled
	}
	if _, is := e.Body.(*maintenance.HandedOver); is {
		m.setTurns(b.in.o.Log) // another site's days
	}
	m.changed.add(m.state, e, effects)
	return nil
}

// queue puts an event into the machine's queue for the journal.
func (b *batch) queue(e *maintenance.Event, received []byte) {
	m := b.m
	if m.queue.entries == nil {
		m.queue.entries = b.in.getEntries()
	}
	m.journalled++
	m.queue.entries = append(m.queue.entries, store.Entry{Revision: m.journalled, Key: e.Key, Writer: e.Writer, At: e.At, Known: e.Known, Received: received})
	m.queue.bytes += len(received)
	b.queued++
	b.receipt.Taken++
}

// panicked is what becomes of an event that the rules can't bear. An agent's is
// set aside, so that its spool goes on; the state, which may be half changed, is
// read from the journal again.
func (b *batch) panicked(e *maintenance.Event, received []byte, cause error) error {
	m := b.m
	m.stale = true
	b.in.stats.panics.Add(1)
	b.in.o.Log.Error("the rules failed on an event; the machine's state is read from the journal again", "machine", m.id, "error", cause)
	if _, is := e.Body.(*maintenance.SetAside); e.Writer == maintenance.WriterAgent && !is {
		aside, bytes, err := b.setAside(e.Key, e.Hash, received, "the rules failed on it; the service's log has the cause")
		if err == nil {
			b.queue(aside, bytes)
		}
	}
	return &Stuck{Machine: m.id, Cause: cause}
}

// news reports whether an event is one that a cab can't know by itself: written
// by others, and more than a turn of the day or a notice's delivery.
func news(e *maintenance.Event) bool {
	switch e.Body.(type) {
	case *maintenance.DayTurned, *maintenance.NoticeFate:
		return false
	}
	return e.Writer != maintenance.WriterAgent
}

// maxAside is how much of an event that is set aside is kept, and maxReason how
// much of the reason: a batch of nothing but bad events must still fit into a
// stretch of the journal.
const (
	maxAside  = 64 << 10
	maxReason = 256
)

// aside journals an agent's event as set aside, under its own key, so that its
// spool goes on.
func (b *batch) aside(key maintenance.Key, hash [32]byte, received []byte, why string) error {
	e, bytes, err := b.setAside(key, hash, received, why)
	if err != nil {
		return err
	}
	switch v := maintenance.Admit(b.m.state, e); v.Word {
	case maintenance.VerdictTake:
	case maintenance.VerdictRepeat:
		b.receipt.Repeats++
		return nil
	case maintenance.VerdictGap:
		return &Gap{Machine: b.m.id, Want: v.Want, Got: key.Seq}
	case maintenance.VerdictFork:
		return b.fork(key.Stream, key.Seq)
	default:
		return fmt.Errorf("set event %v of machine %s aside: %w", key, b.m.id, v.Err())
	}
	if err := b.take(e, bytes); err != nil {
		return err
	}
	reason := e.Body.(*maintenance.SetAside).Reason
	b.receipt.SetAside = append(b.receipt.SetAside, Note{Seq: key.Seq, Reason: reason})
	b.in.o.Log.Warn("an event was set aside", "machine", b.m.id, "event", key.String(), "why", reason)
	return nil
}

// setAside makes the event that stands for one that is set aside.
func (b *batch) setAside(key maintenance.Key, hash [32]byte, received []byte, why string) (*maintenance.Event, []byte, error) {
	body := &maintenance.SetAside{Reason: cut(why, maxReason), Bytes: received[:min(len(received), maxAside)]}
	bytes, err := wire.Marshal(nil, wire.Stamp{Time: b.now, HashAfter: hash}, body)
	if err != nil {
		return nil, nil, fmt.Errorf("set event %v of machine %s aside: %w", key, b.m.id, err)
	}
	return wire.Event(key, maintenance.WriterAgent, moment.At(b.now), b.now, hash, body), bytes, nil
}

// cut keeps a text in bounds and in form.
func cut(s string, most int) string {
	if len(s) > most {
		s = s[:most]
	}
	for !utf8.ValidString(s) {
		s = fmt.Sprintf("%q", s)
		s = s[:min(len(s), most)]
	}
	return s
}

// fork journals, once a spool and place, that two boxes write to one spool.
func (b *batch) fork(epoch [16]byte, seq uint64) error {
	m := b.m
	b.in.stats.forks.Add(1)
	if len(m.forks) > spoolsKept {
		clear(m.forks)
	}
	if at, said := m.forks[epoch]; !said || at != seq {
		m.forks[epoch] = seq
		b.in.o.Log.Error("a spool has forked: two boxes write to it, or it was set back", "machine", m.id, "epoch", fmt.Sprintf("%x", epoch), "at", seq)
		b.ownOrLog(maintenance.ServiceKey("fork", fmt.Sprintf("%x", epoch), fmt.Sprint(seq)), moment.At(b.now),
			&maintenance.Finding{Finding: maintenance.FindingForked, Method: "rolling hash", Version: 1,
				Evidence: []maintenance.Fact{{Name: "epoch", Value: fmt.Sprintf("%x", epoch)}, {Name: "event", Value: fmt.Sprint(seq)}}})
	}
	return &Fork{Machine: m.id, Epoch: epoch, Seq: seq}
}

// ReportFork journals, once a spool and place, that a spool's history is not the
// one on record, and gives the *Fork.
func (in *Ingest) ReportFork(ctx context.Context, machine string, epoch [16]byte, seq uint64) error {
	m, err := in.admit(ctx, machine)
	if err != nil {
		return err
	}
	defer in.leave()
	defer m.mu.Unlock()
	b := in.begin(m, false)
	err = b.fork(epoch, seq)
	b.end()
	return err
}

// own journals an event of the service's own. One that was taken before does
// nothing.
func (b *batch) own(key maintenance.Key, at moment.Span, body maintenance.Body) error {
	received, err := written(at, body)
	if err != nil {
		return err
	}
	return b.decide(wire.Event(key, maintenance.WriterService, at, b.now, [32]byte{}, body), received)
}

// ownOrLog is own where there is nobody to tell.
func (b *batch) ownOrLog(key maintenance.Key, at moment.Span, body maintenance.Body) {
	if err := b.own(key, at, body); err != nil {
		b.in.o.Log.Error("an event of the service was refused", "machine", b.m.id, "error", err)
	}
}

// written is an event's bytes, which are sure to read back.
func written(at moment.Span, body maintenance.Body) ([]byte, error) {
	received, err := wire.Marshal(nil, wire.Stamp{Time: at.NotBefore}, body)
	if err == nil {
		_, _, err = wire.Unmarshal(received)
	}
	if bad := (*wire.FieldError)(nil); errors.As(err, &bad) {
		return nil, &Refused{Field: bad.Field, Why: bad.Why}
	}
	if err != nil {
		return nil, &Refused{Why: err.Error()}
	}
	return received, nil
}

// floor is the instant that an event of a spool can't lie before: that of the
// event before it, or else the first work day known.
func (m *machine) floor(epoch [16]byte) moment.Instant {
	if at, has := m.spools[epoch]; has {
		return at
	}
	if len(m.state.Days) > 0 {
		return m.state.Days[0].From
	}
	return before2020
}

// Act journals a person's act or an event of the service's own and waits until
// it is on disk. act is the id that was made where it was written: the same one
// again does nothing and is no error. at is when it happened, the zero span for
// now. A refusal is a *Refused.
func (in *Ingest) Act(ctx context.Context, machine string, act [16]byte, at moment.Span, body maintenance.Body) (Receipt, error) {
	if at == (moment.Span{}) {
		at = moment.At(in.now())
	}
	received, err := written(at, body)
	if err != nil {
		return Receipt{}, err
	}
	ev := Offered{Key: maintenance.Key{Stream: act}, Writer: writerOf(body), At: at, Received: received}
	t, err := in.offer(ctx, machine, []Offered{ev}, []maintenance.Body{body})
	if err != nil {
		return Receipt{}, err
	}
	return t.Wait(ctx)
}

// writerOf says who writes a kind of body that does not come from an agent.
func writerOf(body maintenance.Body) maintenance.Writer {
	switch body.(type) {
	case *maintenance.ServiceDone, *maintenance.Void, *maintenance.HandReading, *maintenance.DoubtAnswer, *maintenance.NoticeAnswer,
		*maintenance.Confirmed, *maintenance.Remark, *maintenance.RemarkWord, *maintenance.Postponed, *maintenance.Walk,
		*maintenance.SettingsLeft, *maintenance.CauseFound, *maintenance.GunMeasured,
		*maintenance.FieldEvent, *maintenance.Season, *maintenance.Trait, *maintenance.Attachment, *maintenance.HandedOver:
		return maintenance.WriterPerson
	}
	return maintenance.WriterService
}
