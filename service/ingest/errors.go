package ingest

import (
	"errors"
	"fmt"
	"strconv"

	"github.com/hourbell/hourbell/service/fault"
)

// ErrStopped is wrapped by every error that says that ingest takes nothing more.
var ErrStopped = errors.New("ingest has stopped")

// UnknownMachine says that no machine of this name was commissioned.
type UnknownMachine struct{ Machine string }

// Error says which.
func (e *UnknownMachine) Error() string { return e.Fault().Text }

// Fault describes it.
func (e *UnknownMachine) Fault() fault.Fault { return fault.Missing("machine", e.Machine).Fault() }

// Fork says that a spool's history is not the one on record: two boxes write to
// what was one spool, or a spool was set back to an older copy. Nothing of the
// batch was taken.
type Fork struct {
	Machine string
	Epoch   [16]byte
	Seq     uint64 // where the two differ
}

// Error says what and where, and what to do.
func (e *Fork) Error() string {
	return fmt.Sprintf("spool %x of machine %s: at event %d its history is not the one on record: it was copied to another box, or set back to an older copy; "+
		"nothing was taken; let one box alone write for the machine, and have it go on in a new spool epoch", e.Epoch[:4], e.Machine, e.Seq)
}

// Fault describes it.
func (e *Fork) Fault() fault.Fault {
	return fault.Fault{Reason: fault.SpoolForked, Text: e.Error(), Meta: map[string]string{"machine": e.Machine, "sequence": strconv.FormatUint(e.Seq, 10)}}
}

// Gap says that events are missing before the first one sent.
type Gap struct {
	Machine string
	Want    uint64 // the sequence number that is wanted next
	Got     uint64
}

// Error says what is wanted.
func (e *Gap) Error() string {
	return fmt.Sprintf("machine %s: the batch begins with event %d, wanted is %d: send from there; where events are gone, send a thinned run in their place", e.Machine, e.Got, e.Want)
}

// Fault describes it.
func (e *Gap) Fault() fault.Fault {
	return fault.Fault{Reason: fault.SpoolGap, Text: e.Error(), Meta: map[string]string{"machine": e.Machine, "want": strconv.FormatUint(e.Want, 10)}}
}

// Malformed says that a batch breaks its form; nothing of it was taken.
type Malformed struct{ Field, Why string }

// Error says where and why.
func (e *Malformed) Error() string {
	return "batch: " + e.Field + ": " + e.Why + ": this agent and this service don't understand each other; bring both to one version"
}

// Fault describes it.
func (e *Malformed) Fault() fault.Fault {
	return fault.FieldFault("batch."+e.Field, e.Why, "bring agent and service to one version")
}

// Stuck says that a machine's state can't be worked out from its journal, by a
// fault of this program. Its journal is as it was, nothing is lost, and other
// machines go on.
type Stuck struct {
	Machine string
	Cause   error
}

// Error says which, and the cause.
func (e *Stuck) Error() string { return e.Fault().Text + ": " + e.Cause.Error() }

// Unwrap gives the cause.
func (e *Stuck) Unwrap() error { return e.Cause }

// Fault describes it.
func (e *Stuck) Fault() fault.Fault {
	return fault.Fault{Reason: fault.Internal, Meta: map[string]string{"machine": e.Machine},
		Text: "the state of machine " + e.Machine + " can't be worked out from its journal: this is a fault of the program, whose log has the cause; nothing is lost"}
}

// Refused says that a person's act can't be taken: which field, why, and what to
// do.
type Refused = fault.RefusedError

// stopped says why ingest takes nothing more.
type stopped struct {
	reason fault.Reason
	text   string
	cause  error
}

func (e *stopped) Error() string {
	if e.cause == nil {
		return e.text
	}
	return e.text + ": " + e.cause.Error()
}

func (e *stopped) Unwrap() []error { return []error{ErrStopped, e.cause} }

func (e *stopped) Fault() fault.Fault { return fault.Fault{Reason: e.reason, Text: e.text} }

func errEnded() error {
	return &stopped{reason: fault.Stopping, text: "the service is ending: try again in a moment"}
}

func errBroken(cause error) error {
	return &stopped{reason: fault.JournalStopped, cause: cause,
		text: "the journal could not be written: nothing was acknowledged; the service has to be started again, and then tells what it has"}
}
