package spool

import (
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/spoolhash"
)

var (
	// ErrFull is what *FullError is.
	ErrFull = errors.New("spool is full")
	// ErrBroken is in every error after a change failed for another reason than
	// room: close the spool and open it again.
	ErrBroken = errors.New("spool is broken by an earlier failure; close it and open it again")
	// ErrClosed says that the spool was closed.
	ErrClosed = errors.New("spool is closed")
	// ErrTooLarge says that an event or a state is larger than the options allow.
	ErrTooLarge = errors.New("too large")
	// ErrUnknownEpoch says that no such epoch is kept.
	ErrUnknownEpoch = errors.New("epoch not known")
)

// FullError says that nothing but what may not be dropped is left and the events
// were not saved.
type FullError struct {
	Dir     string
	Used    int64  // bytes
	Max     int64  // bytes
	Unacked uint64 // events not acknowledged
	Disk    bool   // the disk itself is full
}

func (e *FullError) Error() string {
	why, what := fmt.Sprintf("%d of %d bytes are used", e.Used, e.Max), "give it more room"
	if e.Disk {
		why, what = "the disk has no space left", "free space on the disk"
	}
	return fmt.Sprintf("spool %s: not saved: %s, and the %d events that are not yet acknowledged may not be dropped; connect the agent so that they are sent, or %s",
		e.Dir, why, e.Unacked, what)
}

// Is makes errors.Is(err, ErrFull) true.
func (e *FullError) Is(target error) bool { return target == ErrFull }

// TrimmedError says that events asked for are no longer kept.
type TrimmedError struct {
	Seq   uint64 // asked for
	First uint64 // the first of the epoch still there; one past the last if none is
}

func (e *TrimmedError) Error() string {
	return fmt.Sprintf("event %d is no longer kept; the first kept is %d", e.Seq, e.First)
}

// ForkError says that the service's view of this epoch is not ours: the spool was
// copied or restored. NewEpoch goes on from here.
type ForkError struct {
	Seq    uint64 // that the service named
	Last   uint64 // our last
	Ours   spoolhash.Hash
	Theirs spoolhash.Hash
}

func (e *ForkError) Error() string {
	if e.Seq > e.Last {
		return fmt.Sprintf("fork: the service has event %d, this spool ends at %d; the spool was copied or restored: begin a new epoch", e.Seq, e.Last)
	}
	return fmt.Sprintf("fork: event %d has hash %v here and %v at the service; the spool was copied or restored: begin a new epoch", e.Seq, e.Ours, e.Theirs)
}

// ThinnedError says that an event lies inside a gap, so that its hash is not known.
type ThinnedError struct {
	Seq uint64
	Gap Gap
}

func (e *ThinnedError) Error() string {
	return fmt.Sprintf("event %d was thinned with [%d, %d); the hash after it is kept for the end only", e.Seq, e.Gap.From, e.Gap.To)
}

// DamagedError says that events can't be read since the spool was opened.
// NewEpoch, or opening again, carries the sound ones over.
type DamagedError struct {
	Seq uint64 // the first that can't be read
	Err error
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("event %d can't be read: %v; begin a new epoch to go on with what is sound", e.Seq, e.Err)
}

func (e *DamagedError) Unwrap() error { return e.Err }

// StateError says that a state file was damaged and has been set aside.
type StateError struct {
	Name   string // of the state
	Kept   string // the file it is kept in
	Reason string
}

func (e *StateError) Error() string {
	return fmt.Sprintf("state %q is damaged (%s); it is set aside as %s and counts as absent", e.Name, e.Reason, e.Kept)
}
