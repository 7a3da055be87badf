// Package notify takes notices to people and programs.
//
// The outbox is not kept anywhere: it is what the journalled state says. A
// notice that stands and has no fate on a channel is pending there. A delivery's
// fate is journalled as an event of the machine, so that after a crash whatever
// has no fate is sent again, under the same id: at least once, and a receiver
// that remembers ids sees each once.
//
// Notices of one machine that come up together go out together. Those that are
// found pending when the service starts and are older than a shift, as after a
// rebuild or a restore, go out as one digest.
package notify

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Channel takes messages somewhere. Send is called by one goroutine at a time.
// It returns nil once the message is delivered, or an error of this package that
// says how to go on; any other error means that the far side is down for now.
type Channel interface {
	// Name is what the fate is journalled under: 1 to 63 of a-z, 0-9 and '-',
	// unchanged for ever.
	Name() string
	Send(ctx context.Context, m *Message) error
}

// ErrGone says that the far side wants no more messages: the channel is switched
// off until the service starts again, and what is pending stays pending.
var ErrGone = errors.New("notify: the receiver wants no more messages")

// DownError says that the far side can't take any message now.
type DownError struct {
	// After is how long it asked to wait, 0 where it did not.
	After time.Duration
	Cause error
}

// Error tells the cause.
func (e *DownError) Error() string { return "notify: the receiver is down: " + e.Cause.Error() }

// Unwrap gives the cause.
func (e *DownError) Unwrap() error { return e.Cause }

// RefusedError says that the far side would not take this message, though it may
// take others.
type RefusedError struct{ Why string }

// Error tells why.
func (e *RefusedError) Error() string { return "notify: the receiver refused the message: " + e.Why }

// Message is what goes out at once.
type Message struct {
	// ID is the same however often the message is sent: the notice's id where
	// there is one notice that rings for the first time, a hash otherwise.
	ID string
	// Machine is the one all notices are about, "" for a digest.
	Machine string
	Digest  bool
	// Time is when the message was made.
	Time    time.Time
	Notices []Item
}

// Item is one notice in a message.
type Item struct {
	ID       string // 32 hexadecimal digits
	Machine  string
	Display  string
	Customer string
	Task     string // "point/task", "" for a doubt
	Stage    string // soon, due, overdue; doubt
	Text     string
	Raised   moment.Span
	Cautions []string
	// Again: it rang before, and a person's later is over.
	Again bool

	ref ref
}

// Name is the notice's resource name.
func (i Item) Name() string { return fmt.Sprintf("machines/%s/notices/%s", i.Machine, i.ID) }
