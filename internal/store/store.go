// Package store is the seam between the service and what keeps its journal.
//
// A store keeps streams. A stream is a machine's ("machines/NAME") or the
// office's ("office"): events in order of revision, from 1, without gaps. What
// Append has returned for is on disk. Checkpoints are folds of a stream at a
// revision, kept so that the whole stream need not be replayed; a checkpoint
// that is lost costs time, never data.
package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// ErrClosed is returned by every call on a closed store.
var ErrClosed = errors.New("store: closed")

// ErrBroken is returned after a failed write or sync: what is on disk is not
// known, so the store must be closed and opened again.
var ErrBroken = errors.New("store: a write to the journal failed; close it and open it again")

// ConflictError says that a stream is not at the revision that the writer
// expected. Nothing was appended.
type ConflictError struct {
	Stream     string
	Want, Have uint64
}

// Error tells both revisions.
func (e *ConflictError) Error() string {
	return fmt.Sprintf("store: stream %q is at revision %d, not %d: read it again", e.Stream, e.Have, e.Want)
}

// Entry is one event as it is kept.
type Entry struct {
	Revision uint64 // set by Append and Read
	Key      maintenance.Key
	Writer   maintenance.Writer
	At       moment.Span
	Known    moment.Instant
	// Received is the event's bytes as they came (a serialised hourbell.v1.Event,
	// or an office event). Never changed.
	Received []byte
}

// Stretch is consecutive events of one stream.
type Stretch struct {
	Stream string
	// Expect is the revision of the stream's last event before these, 0 for a
	// new stream.
	Expect  uint64
	Entries []Entry
}

// Checkpoint is a fold of a stream.
type Checkpoint struct {
	Stream   string
	Revision uint64
	// Fold is the state in its fixed encoding.
	Fold []byte
	// Chain is the stream's hash chain at Revision.
	Chain [32]byte
}

// Store keeps streams. It is safe for concurrent use.
type Store interface {
	// Append appends stretches of several streams and returns once all are
	// synced. A stretch whose Expect does not hold fails the whole call with a
	// ConflictError before anything is written. Entries' bytes are not kept
	// after the call returns.
	Append(ctx context.Context, stretches []Stretch) error
	// Streams calls yield with each stream's name and last revision, in order
	// of name, until it returns false.
	Streams(ctx context.Context, yield func(stream string, last uint64) bool) error
	// Read calls yield with a stream's entries from a revision on, in order,
	// until it returns false. Bytes are valid during the call only. A span that
	// is damaged on disk gives a DamagedError and reading can go on behind it.
	Read(ctx context.Context, stream string, from uint64, yield func(Entry) bool) error
	// Checkpoint returns the newest checkpoint of a stream, false if it has none.
	Checkpoint(ctx context.Context, stream string) (Checkpoint, bool, error)
	// SaveCheckpoints keeps checkpoints; one at a lower revision than the kept
	// one is ignored.
	SaveCheckpoints(ctx context.Context, checkpoints []Checkpoint) error
	// Incarnation is 16 random bytes made when the store was made, and made anew
	// when it was restored from a copy.
	Incarnation() [16]byte
	// Probe writes and syncs something small, to tell whether the store works.
	Probe(ctx context.Context) error
	Close() error
}

// DamagedError says that a part of a stream can't be read.
type DamagedError struct {
	Stream   string
	From, To uint64 // revisions From..To-1
	Why      string
}

// Error tells the span.
func (e *DamagedError) Error() string {
	return fmt.Sprintf("store: stream %q: revisions %d to %d can't be read: %s", e.Stream, e.From, e.To-1, e.Why)
}
