// Package fault is the one table of what can go wrong in a call, and turns an
// error into the status that a caller sees. It stands at the service's edge:
// the parts below return typed errors that describe themselves (Described), and
// only the edge calls Status.
//
// Every status carries google.rpc.ErrorInfo with the domain "hourbell" and an
// upper-snake reason; what varies in the text stands in its metadata. A field
// that can't be taken stands in google.rpc.BadRequest as well. Nothing of an
// error that the table doesn't know reaches a caller: it reads INTERNAL, and the
// edge logs the cause.
package fault

import (
	"context"
	"errors"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
)

// Domain is the domain of every ErrorInfo.
const Domain = "hourbell"

// Reason says what went wrong, for programs: at most 63 characters, upper snake
// case. Reasons are never renamed.
type Reason string

// The reasons.
const (
	FieldInvalid     Reason = "FIELD_INVALID"     // a field of the request can't be taken; Fields says which
	Refused          Reason = "REFUSED"           // the request is in form, but does not fit what stands
	NotFound         Reason = "NOT_FOUND"         // there is none, or the caller may not know of it
	AlreadyExists    Reason = "ALREADY_EXISTS"    // the name is taken
	EtagMismatch     Reason = "ETAG_MISMATCH"     // changed by another since it was read
	NotSignedIn      Reason = "NOT_SIGNED_IN"     // no credential, or one that doesn't stand
	NotAllowed       Reason = "NOT_ALLOWED"       // known, but not granted
	TooLarge         Reason = "TOO_LARGE"         // a message or one of its lists is beyond its bound
	TooMany          Reason = "TOO_MANY"          // a bound on streams or calls is reached
	Stopping         Reason = "STOPPING"          // the service ends in good order; come again
	JournalStopped   Reason = "JOURNAL_STOPPED"   // the journal can't be written
	Cancelled        Reason = "CANCELLED"         // by the caller
	DeadlineExceeded Reason = "DEADLINE_EXCEEDED" // the caller's time is up
	Internal         Reason = "INTERNAL"          // ours; the log has the cause

	AgentUnknown   Reason = "AGENT_UNKNOWN"   // no agent has this certificate
	AgentSuspended Reason = "AGENT_SUSPENDED" // a person holds it back for now
	AgentRevoked   Reason = "AGENT_REVOKED"   // enrol again with a new token
	AgentReplaced  Reason = "AGENT_REPLACED"  // a newer connection of the same agent took over
	TokenUnknown   Reason = "TOKEN_UNKNOWN"   // no enrolment has this token
	TokenExpired   Reason = "TOKEN_EXPIRED"   // ask for a new one
	TokenUsed      Reason = "TOKEN_USED"      // another key has used it, or it was used too long ago
	SpoolForked    Reason = "SPOOL_FORKED"    // this spool's history differs from the one on record
	SpoolGap       Reason = "SPOOL_GAP"       // events are missing before the first one sent
	StreamOrder    Reason = "STREAM_ORDER"    // a message came where another was due
)

// code gives the status code of a reason. It is the whole table.
func (r Reason) code() codes.Code {
	switch r {
	case FieldInvalid, TooLarge, StreamOrder:
		return codes.InvalidArgument
	case Refused, SpoolForked:
		return codes.FailedPrecondition
	case NotFound:
		return codes.NotFound
	case AlreadyExists:
		return codes.AlreadyExists
	case EtagMismatch, AgentReplaced, SpoolGap:
		return codes.Aborted
	case NotSignedIn:
		return codes.Unauthenticated
	case NotAllowed, AgentUnknown, AgentSuspended, AgentRevoked, TokenUnknown, TokenExpired, TokenUsed:
		return codes.PermissionDenied
	case TooMany:
		return codes.ResourceExhausted
	case Stopping, JournalStopped:
		return codes.Unavailable
	case Cancelled:
		return codes.Canceled
	case DeadlineExceeded:
		return codes.DeadlineExceeded
	}
	return codes.Internal
}

// Field is one field that can't be taken.
type Field struct {
	Path string // as the request's proto names it
	Why  string
	Fix  string // what to do; "" where Why says it
}

// Fault describes an error to a caller.
type Fault struct {
	Reason Reason
	// Text says what, where, why and what to do, in one line.
	Text string
	// Meta holds what varies in Text.
	Meta   map[string]string
	Fields []Field
}

// Described is an error that describes itself to a caller.
type Described interface {
	error
	Fault() Fault
}

// Error is a Fault as an error, with the cause that only the log sees.
type Error struct {
	Is    Fault
	Cause error
}

// New returns a fault. Pairs are metadata: name, value, name, value.
func New(reason Reason, text string, pairs ...string) *Error {
	return &Error{Is: Fault{Reason: reason, Text: text, Meta: meta(pairs)}}
}

// InvalidField says which field of a request can't be taken, why, and what to
// do.
func InvalidField(path, why, fix string) *Error {
	return &Error{Is: FieldFault(path, why, fix)}
}

// Missing says that there is no resource of this name, or that the caller may
// not know of it: the text is the same.
func Missing(kind, name string) *Error {
	return New(NotFound, "there is no "+kind+" "+name+", or you were not granted it", "kind", kind, "name", name)
}

// FieldFault describes one field that can't be taken.
func FieldFault(path, why, fix string) Fault {
	text := join(path+": "+why, fix)
	return Fault{Reason: FieldInvalid, Text: text, Fields: []Field{{Path: path, Why: why, Fix: fix}}, Meta: meta([]string{"field", path})}
}

// Because gives the fault its cause, for the log.
func (e *Error) Because(cause error) *Error {
	e.Cause = cause
	return e
}

// Error is the text, and the cause where there is one.
func (e *Error) Error() string {
	if e.Cause == nil {
		return e.Is.Text
	}
	return e.Is.Text + ": " + e.Cause.Error()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Fault gives the description.
func (e *Error) Fault() Fault { return e.Is }

// Of describes any error. An error that nothing describes is Internal.
func Of(err error) Fault {
	var described Described
	switch {
	case errors.As(err, &described):
		return described.Fault()
	case errors.Is(err, context.Canceled):
		return Fault{Reason: Cancelled, Text: "the call was cancelled by its caller"}
	case errors.Is(err, context.DeadlineExceeded):
		return Fault{Reason: DeadlineExceeded, Text: "the call's time was up before it was done; it may have taken effect: ask, or send it again with the same id"}
	}
	return Fault{Reason: Internal, Text: "the service failed on this call; its log has the cause"}
}

// Status gives the status error for err: nil for nil, and a status as it is.
func Status(err error) error {
	if err == nil {
		return nil
	}
	var described Described
	if _, is := status.FromError(err); is && !errors.As(err, &described) {
		return err
	}
	return Of(err).status().Err()
}

// ReasonOf reads the reason out of a status error; "" where it has none of ours.
func ReasonOf(err error) Reason {
	info := infoOf(err)
	if info == nil {
		return ""
	}
	return Reason(info.GetReason())
}

// MetaOf reads the metadata out of a status error.
func MetaOf(err error) map[string]string { return infoOf(err).GetMetadata() }

// FieldsOf reads the fields that could not be taken out of a status error.
func FieldsOf(err error) (out []Field) {
	s, _ := status.FromError(err)
	for _, d := range s.Details() {
		bad, _ := d.(*errdetails.BadRequest)
		for _, v := range bad.GetFieldViolations() {
			out = append(out, Field{Path: v.GetField(), Why: v.GetDescription()})
		}
	}
	return out
}

func infoOf(err error) *errdetails.ErrorInfo {
	s, _ := status.FromError(err)
	for _, d := range s.Details() {
		if info, is := d.(*errdetails.ErrorInfo); is && info.GetDomain() == Domain {
			return info
		}
	}
	return nil
}

func (f Fault) status() *status.Status {
	s := status.New(f.Reason.code(), clean(f.Text))
	details := []protoadapt.MessageV1{protoadapt.MessageV1Of(f.info())}
	if len(f.Fields) > 0 {
		details = append(details, protoadapt.MessageV1Of(badRequest(f.Fields)))
	}
	with, err := s.WithDetails(details...)
	if err != nil {
		return s
	}
	return with
}

func (f Fault) info() *errdetails.ErrorInfo {
	info := &errdetails.ErrorInfo{Reason: string(f.Reason), Domain: Domain}
	for name, value := range f.Meta {
		if info.Metadata == nil {
			info.Metadata = make(map[string]string, len(f.Meta))
		}
		info.Metadata[name] = clean(value)
	}
	return info
}

// clean keeps a text that came from outside from spoiling the whole message.
func clean(s string) string { return strings.ToValidUTF8(s, "?") }

func badRequest(fields []Field) *errdetails.BadRequest {
	out := &errdetails.BadRequest{}
	for _, f := range fields {
		out.FieldViolations = append(out.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: clean(f.Path), Description: clean(join(f.Why, f.Fix))})
	}
	return out
}

func join(why, fix string) string {
	if fix == "" {
		return why
	}
	return why + "; " + fix
}

func meta(pairs []string) map[string]string {
	if len(pairs) == 0 {
		return nil
	}
	out := make(map[string]string, len(pairs)/2)
	for p := range slices.Chunk(pairs, 2) {
		out[p[0]] = p[len(p)-1]
	}
	return out
}
