// Package office keeps what belongs to no machine: customers, sites, the
// machines' registry, the charts' editions, enrolments and agents, people's
// bearer tokens and grants.
//
// It is the fold of one stream of the store, "office". Every write is on disk
// before it answers. What stands in the journal of people is a pseudonym, and of
// a token its SHA-256.
//
// Writing what stands already is no error and writes nothing, so a caller that
// lost an answer asks again.
package office

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
)

// Stream is the office's stream in the store.
const Stream = "office"

// The errors of this package are those of service/fault.
type (
	// AlreadyExists says that a name is taken by something else.
	AlreadyExists = fault.ExistsError
	// NotFound says that there is no such thing.
	NotFound = fault.MissingError
	// Refused says which field can't be taken, why, and what to do.
	Refused = fault.RefusedError
)

// Options say what an office stands on.
type Options struct {
	Store store.Store
	Now   func() time.Time
	// Rand draws tokens and ids.
	Rand io.Reader
	Log  *slog.Logger
}

// Office is safe for concurrent use.
type Office struct {
	o Options

	write    sync.Mutex // one writer; held while the journal syncs
	revision uint64
	broken   error

	version atomic.Uint64
	mu      sync.RWMutex // the fold
	f       fold
	changed chan struct{}
}

// Open reads the office's stream.
func Open(ctx context.Context, o Options) (*Office, error) {
	if o.Store == nil {
		return nil, errors.New("open office: Options.Store is needed")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Reader
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	of := &Office{o: o, f: newFold(), changed: make(chan struct{})}
	if err := of.replay(ctx); err != nil {
		return nil, fmt.Errorf("open office: %w", err)
	}
	return of, nil
}

func (o *Office) replay(ctx context.Context) error {
	var bad error
	err := o.o.Store.Read(ctx, Stream, 1, func(e store.Entry) bool {
		m := &pb.OfficeEvent{}
		if bad = proto.Unmarshal(e.Received, m); bad != nil {
			bad = fmt.Errorf("event %d of the office's stream: %w", e.Revision, bad)
			return false
		}
		if bad = o.f.apply(m); bad != nil {
			bad = fmt.Errorf("event %d of the office's stream: %w", e.Revision, bad)
			return false
		}
		o.revision = e.Revision
		return true
	})
	return errors.Join(err, bad)
}

// Version counts the office's changes. Who keeps an answer of the office asks
// again once it has risen.
func (o *Office) Version() uint64 { return o.version.Load() }

// Changed gives a channel that is closed at the next change.
func (o *Office) Changed() <-chan struct{} {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.changed
}

// append journals one event, and folds it in once it is on disk. The caller
// holds o.write.
func (o *Office) append(ctx context.Context, m *pb.OfficeEvent) error {
	if o.broken != nil {
		return o.broken
	}
	now := moment.Instant(o.o.Now().UnixMilli())
	m.TimeMs, m.Person = int64(now), personOf(ctx)
	received, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return &Refused{Why: "it can't be written down: " + err.Error(), Fix: "use valid UTF-8"}
	}
	entry := store.Entry{Writer: maintenance.WriterService, At: moment.At(now), Known: now, Received: received}
	if _, err := io.ReadFull(o.o.Rand, entry.Key.Stream[:]); err != nil {
		return fmt.Errorf("draw the event's id: %w", err)
	}
	// A caller that goes away must not leave it open whether it was written.
	ctx = context.WithoutCancel(ctx)
	err = o.o.Store.Append(ctx, []store.Stretch{{Stream: Stream, Expect: o.revision, Entries: []store.Entry{entry}}})
	if invalid := (*store.InvalidError)(nil); errors.As(err, &invalid) {
		return &Refused{Why: "it is too large to be kept", Fix: invalid.Why}
	}
	if err != nil {
		o.broken = fault.New(fault.JournalStopped, "the office's journal can't be written; the service has to be started again").Because(err)
		o.o.Log.Error("the office's journal can't be written", "error", err)
		return o.broken
	}
	return o.fold(m)
}

func (o *Office) fold(m *pb.OfficeEvent) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.revision++
	if err := o.f.apply(m); err != nil {
		return fmt.Errorf("fold the office's event: %w", err)
	}
	o.version.Add(1)
	close(o.changed)
	o.changed = make(chan struct{})
	return nil
}

type personKey struct{}

// By puts the pseudonym of who acts into ctx, for the journal.
func By(ctx context.Context, person string) context.Context {
	return context.WithValue(ctx, personKey{}, person)
}

func personOf(ctx context.Context) string {
	person, _ := ctx.Value(personKey{}).(string)
	return person
}
