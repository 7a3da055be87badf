// Package source is where an agent's frames come from: a CAN interface that is
// listened to, or a recording. A source never sends.
package source

import (
	"context"
	"errors"
	"time"
)

// ErrEnd says that a recording is over.
var ErrEnd = errors.New("the recording is over")

// gather is how long frames gather before they are read: a reader woken for
// each frame of a full bus costs several times as much.
const gather = 50 * time.Millisecond

// Frame is a frame with a 29-bit identifier, as J1939 uses.
type Frame struct {
	// At is nanoseconds: of the agent's monotonic clock for an interface, since
	// 1970 for a recording.
	At   int64
	ID   uint32
	Len  uint8
	Data [8]byte
}

// Payload is the frame's data; it points into f.
func (f *Frame) Payload() []byte { return f.Data[:f.Len] }

// Source gives frames as they gather.
type Source interface {
	// Read fills dst and tells how many frames it got and how many were lost
	// before them since the last call. It waits for at least one frame, but no
	// longer than about a second: then n is 0, so that the reader can let time
	// pass. ErrEnd ends a recording; every other error is the source's end.
	Read(ctx context.Context, dst []Frame) (n int, lost uint64, err error)
	Close() error
}
