package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
)

// Oracle remembers in plain slices what a store must hold.
type Oracle struct {
	streams map[string][]store.Entry
	// flying holds what was given to Append and not answered for: after a crash
	// each stretch is there whole or not at all.
	flying map[string][][]store.Entry
	// checks holds the checkpoints saved, each the newest of its time.
	checks  map[string][]store.Checkpoint
	mayLose bool // some may have been lost, so that lower ones are taken
}

// NewOracle returns the oracle of an empty store.
func NewOracle() *Oracle {
	return &Oracle{
		streams: map[string][]store.Entry{},
		flying:  map[string][][]store.Entry{},
		checks:  map[string][]store.Checkpoint{},
	}
}

// Clone returns an oracle that remembers the same and goes its own way.
func (o *Oracle) Clone() *Oracle {
	c := &Oracle{streams: maps.Clone(o.streams), flying: maps.Clone(o.flying), checks: maps.Clone(o.checks), mayLose: o.mayLose}
	for name, entries := range c.streams {
		c.streams[name] = slices.Clip(entries)
	}
	for name, saved := range c.checks {
		c.checks[name] = slices.Clip(saved)
	}
	return c
}

// Last returns the revision of a stream's last entry, those in flight included.
func (o *Oracle) Last(stream string) uint64 {
	n := len(o.streams[stream])
	for _, f := range o.flying[stream] {
		n += len(f)
	}
	return uint64(n)
}

// Streams returns the names of the streams that have entries, in order.
func (o *Oracle) Streams() []string { return slices.Sorted(maps.Keys(o.streams)) }

// Entries returns what a stream must hold.
func (o *Oracle) Entries(stream string) []store.Entry { return o.streams[stream] }

// Acked notes stretches that Append has answered for.
func (o *Oracle) Acked(stretches []store.Stretch) {
	for _, s := range stretches {
		if len(s.Entries) > 0 {
			o.streams[s.Stream] = append(o.streams[s.Stream], keep(s)...)
		}
	}
}

// Flying notes stretches that were given to Append and not answered for.
func (o *Oracle) Flying(stretches []store.Stretch) {
	for _, s := range stretches {
		if len(s.Entries) > 0 {
			o.flying[s.Stream] = append(o.flying[s.Stream], keep(s))
		}
	}
}

// Land is Acked for the stretches noted last by Flying for these streams.
func (o *Oracle) Land(stretches []store.Stretch) {
	for _, s := range stretches {
		if f := o.flying[s.Stream]; len(s.Entries) > 0 {
			o.streams[s.Stream] = append(o.streams[s.Stream], f[0]...)
			o.flying[s.Stream] = f[1:]
		}
	}
}

// Saved notes checkpoints that SaveCheckpoints has answered for.
func (o *Oracle) Saved(checkpoints []store.Checkpoint) {
	for _, c := range checkpoints {
		old := o.checks[c.Stream]
		if len(old) == 0 || c.Revision >= old[len(old)-1].Revision || o.mayLose {
			c.Fold = bytes.Clone(c.Fold)
			o.checks[c.Stream] = append(old, c)
		}
	}
}

// Compare returns an error unless the store holds what the oracle remembers,
// and nothing else. What was in flight may be there, by whole stretches; the
// oracle takes on what it finds. If mayLose, a checkpoint may be missing, or be
// an earlier one: a driver may lose its folds or find older ones.
func (o *Oracle) Compare(ctx context.Context, s store.Store, mayLose bool) error {
	o.mayLose = o.mayLose || mayLose
	heads, err := Heads(ctx, s)
	if err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(o.flying)) {
		o.streams[name] = append(o.streams[name], landed(o.flying[name], uint64(len(o.streams[name])), heads[name])...)
		if len(o.streams[name]) == 0 {
			delete(o.streams, name)
		}
	}
	clear(o.flying)
	for name := range heads {
		if _, ok := o.streams[name]; !ok {
			return fmt.Errorf("the store invented stream %q with %d entries", name, heads[name])
		}
	}
	for name, want := range o.streams {
		if err := compareStream(ctx, s, name, want, heads[name]); err != nil {
			return err
		}
	}
	return o.compareCheckpoints(ctx, s, mayLose)
}

func (o *Oracle) compareCheckpoints(ctx context.Context, s store.Store, mayLose bool) error {
	for name := range o.streams {
		got, ok, err := s.Checkpoint(ctx, name)
		if err != nil {
			return fmt.Errorf("checkpoint of %q: %w", name, err)
		}
		saved := o.checks[name]
		n := slices.IndexFunc(saved, func(c store.Checkpoint) bool { return equalCheckpoint(c, got) })
		switch {
		case ok && n < 0:
			return fmt.Errorf("checkpoint of %q at revision %d was never saved", name, got.Revision)
		case ok && n < len(saved)-1 && !mayLose && !equalCheckpoint(got, saved[len(saved)-1]):
			return fmt.Errorf("checkpoint of %q is an old one, at revision %d", name, got.Revision)
		case !ok && len(saved) > 0 && !mayLose:
			return fmt.Errorf("checkpoint of %q is missing", name)
		}
	}
	return nil
}

// Heads returns the last revision of every stream, and an error if their names
// do not come in order.
func Heads(ctx context.Context, s store.Store) (map[string]uint64, error) {
	heads, before := map[string]uint64{}, ""
	var disorder error
	err := s.Streams(ctx, func(name string, last uint64) bool {
		if len(heads) > 0 && name <= before {
			disorder = fmt.Errorf("stream %q comes after %q", name, before)
		}
		heads[name], before = last, name
		return true
	})
	return heads, errors.Join(err, disorder)
}

// ReadAll returns a stream's entries from a revision on, their bytes copied.
func ReadAll(ctx context.Context, s store.Store, stream string, from uint64) ([]store.Entry, error) {
	var all []store.Entry
	err := s.Read(ctx, stream, from, func(e store.Entry) bool {
		e.Received = bytes.Clone(e.Received)
		all = append(all, e)
		return true
	})
	return all, err
}

// Equal reports whether two entries are the same; no bytes and nil are.
func Equal(a, b store.Entry) bool {
	return a.Revision == b.Revision && a.Key == b.Key && a.Writer == b.Writer && a.At == b.At &&
		a.Known == b.Known && bytes.Equal(a.Received, b.Received)
}

// Stretch makes a stretch of n entries that look like an agent's: a run of one
// epoch at a steady pace, now and then broken by another writer, an uncertain
// time or a gap.
func Stretch(r *rand.Rand, stream string, expect uint64, n int) store.Stretch {
	s := store.Stretch{Stream: stream, Expect: expect, Entries: make([]store.Entry, n)}
	at := moment.Instant(1_900_000_000_000 + int64(expect)*60_000)
	epoch, seq := epochOf(stream, 0), expect
	for i := range s.Entries {
		e := &s.Entries[i]
		seq, at = seq+1, at+60_000+moment.Instant(r.IntN(3))
		*e = store.Entry{
			Key: maintenance.Key{Stream: epoch, Seq: seq}, Writer: maintenance.WriterAgent,
			At: moment.At(at), Known: at + 1500, Received: received(r, 30+r.IntN(30)),
		}
		if r.IntN(10) == 0 {
			unusual(r, e)
		}
	}
	return s
}

// unusual bends an entry to what an encoding could stumble over.
func unusual(r *rand.Rand, e *store.Entry) {
	switch r.IntN(7) {
	case 0:
		e.Key = maintenance.Key{Stream: epochOf(string(received(r, 8)), 1)}
		e.Writer = maintenance.WriterPerson
	case 1:
		e.Key.Seq = r.Uint64()
	case 2:
		e.At.NotBefore = -moment.Instant(r.Int64())
	case 3:
		e.At.NotAfter += moment.Instant(r.IntN(1_000_000))
	case 4:
		e.Received = nil
	case 5:
		e.Known = moment.Instant(r.Uint64())
		e.Writer = maintenance.Writer(r.UintN(256))
	case 6:
		e.Received = received(r, r.IntN(5000))
	}
}

func epochOf(stream string, n byte) (id [16]byte) {
	copy(id[:], stream)
	id[15] = n
	return id
}

func received(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = "0123\x00\xff\x80 "[r.IntN(8)] // so that packing pays
	}
	return b
}

func keep(s store.Stretch) []store.Entry {
	kept := slices.Clone(s.Entries)
	for i := range kept {
		kept[i].Revision = s.Expect + uint64(i) + 1
		kept[i].Received = bytes.Clone(kept[i].Received)
	}
	return kept
}

// landed returns the entries in flight that a store with that head has taken:
// whole stretches only; a head inside a stretch shows as missing entries.
func landed(flying [][]store.Entry, acked, head uint64) []store.Entry {
	var all []store.Entry
	for _, f := range flying {
		if acked+uint64(len(all)) >= head {
			break
		}
		all = append(all, f...)
	}
	return all
}

func compareStream(ctx context.Context, s store.Store, name string, want []store.Entry, head uint64) error {
	if head != uint64(len(want)) {
		return fmt.Errorf("stream %q is at revision %d, want %d", name, head, len(want))
	}
	got, err := ReadAll(ctx, s, name, 1)
	if err != nil {
		return fmt.Errorf("read %q: %w", name, err)
	}
	if len(got) != len(want) {
		return fmt.Errorf("stream %q gives %d entries, want %d", name, len(got), len(want))
	}
	for i := range got {
		if !Equal(got[i], want[i]) {
			return fmt.Errorf("stream %q revision %d: got %+v, want %+v", name, i+1, got[i], want[i])
		}
	}
	return nil
}

func equalCheckpoint(a, b store.Checkpoint) bool {
	return a.Stream == b.Stream && a.Revision == b.Revision && a.Chain == b.Chain && bytes.Equal(a.Fold, b.Fold)
}
