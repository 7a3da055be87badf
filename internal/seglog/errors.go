package seglog

import (
	"errors"
	"fmt"
)

var (
	// ErrBroken is in every error of a log whose earlier change failed. The
	// cause is wrapped beside it.
	ErrBroken = errors.New("log is broken by an earlier failure; close it and open it again")
	// ErrClosed says that the log or reader was closed.
	ErrClosed = errors.New("log is closed")
	// ErrTooLarge says that a record is larger than Options.MaxRecord.
	ErrTooLarge = errors.New("record too large")
	// ErrBatchUsed says that a batch was appended already; Reset it first.
	ErrBatchUsed = errors.New("batch was appended already; reset it before filling it again")
	// ErrCodec says that a segment needs a codec that Options doesn't have.
	ErrCodec = errors.New("no codec for this segment")
	// ErrVersion says that a segment was written by a newer format.
	ErrVersion = errors.New("segment of an unknown version")
)

// LockedError says that another process has the log.
type LockedError struct {
	Path string // the lock file
	PID  int    // of the holder, 0 if not known
}

func (e *LockedError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("%s is locked by another process; only one may write here: stop it first", e.Path)
	}
	return fmt.Sprintf("%s is locked by process %d; only one may write here: stop it first", e.Path, e.PID)
}

// DamagedError says that the records [From, To) can't be read: their bytes no
// longer match their checksums. Reading goes on at To.
type DamagedError struct {
	From, To uint64
	Path     string // the segment file
	Offset   int64  // where in it the bad bytes begin
	Reason   string
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("%s: records %d to %d damaged at byte %d (%s); the bytes are left in place, reading can go on at %d",
		e.Path, e.From, e.To-1, e.Offset, e.Reason, e.To)
}

// TrimmedError says that a record asked for was dropped by TrimBefore.
type TrimmedError struct {
	Index uint64 // asked for
	First uint64 // the first still there
}

func (e *TrimmedError) Error() string {
	return fmt.Sprintf("record %d is no longer kept; the first kept is %d", e.Index, e.First)
}

// breakError joins what was being done, why it failed, and ErrBroken.
type breakError struct {
	doing string
	cause error
}

func (e *breakError) Error() string   { return fmt.Sprintf("%s: %v (%v)", e.doing, e.cause, ErrBroken) }
func (e *breakError) Unwrap() []error { return []error{e.cause, ErrBroken} }
