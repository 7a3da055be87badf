package store

import "fmt"

// Limits that every driver holds to.
const (
	// MaxStreamName is the longest name of a stream, in bytes.
	MaxStreamName = 255
	// MaxReceived is the longest event that is kept, in bytes.
	MaxReceived = 4 << 20
	// MaxStretchBytes bounds the events' bytes of one stretch.
	MaxStretchBytes = 8 << 20
	// MaxStretchEntries bounds the events of one stretch.
	MaxStretchEntries = 1 << 16
	// MaxFold is the largest fold of a checkpoint, in bytes.
	MaxFold = 64 << 20
)

// InvalidError says that what was to be kept is not fit to be kept. Nothing
// was written.
type InvalidError struct {
	Stream string
	Why    string // what is wrong, and what is allowed
}

// Error tells the stream and what is wrong.
func (e *InvalidError) Error() string {
	return fmt.Sprintf("store: stream %q: %s", e.Stream, e.Why)
}

// CheckName returns an InvalidError if no stream can have that name: names are
// 1 to MaxStreamName bytes of printable ASCII without blanks.
func CheckName(stream string) error {
	if stream == "" || len(stream) > MaxStreamName {
		return &InvalidError{stream, fmt.Sprintf("a name has 1 to %d bytes, this has %d", MaxStreamName, len(stream))}
	}
	for i := range len(stream) {
		if c := stream[i]; c <= ' ' || c > '~' {
			return &InvalidError{stream, fmt.Sprintf("byte %d of the name is 0x%02x; printable ASCII without blanks is allowed", i+1, c)}
		}
	}
	return nil
}

// CheckStretch returns an InvalidError if a stretch breaks a limit. Drivers
// call it before they write.
func CheckStretch(s *Stretch) error {
	if err := CheckName(s.Stream); err != nil {
		return err
	}
	if len(s.Entries) > MaxStretchEntries {
		return &InvalidError{s.Stream, fmt.Sprintf("a stretch of %d events; at most %d are taken at once: split it", len(s.Entries), MaxStretchEntries)}
	}
	size := 0
	for i := range s.Entries {
		n := len(s.Entries[i].Received)
		if n > MaxReceived {
			return &InvalidError{s.Stream, fmt.Sprintf("event %d of the stretch has %d bytes, at most %d are kept", i+1, n, MaxReceived)}
		}
		size += n
	}
	if size > MaxStretchBytes {
		return &InvalidError{s.Stream, fmt.Sprintf("a stretch of %d bytes; at most %d are taken at once: split it", size, MaxStretchBytes)}
	}
	if s.Expect+uint64(len(s.Entries)) < s.Expect {
		return &InvalidError{s.Stream, fmt.Sprintf("revision %d leaves no room for %d events", s.Expect, len(s.Entries))}
	}
	return nil
}

// CheckCheckpoint returns an InvalidError if a checkpoint breaks a limit.
func CheckCheckpoint(c *Checkpoint) error {
	if err := CheckName(c.Stream); err != nil {
		return err
	}
	if c.Revision == 0 {
		return &InvalidError{c.Stream, "a checkpoint at revision 0 stands for nothing; the first revision is 1"}
	}
	if len(c.Fold) > MaxFold {
		return &InvalidError{c.Stream, fmt.Sprintf("a fold of %d bytes, at most %d are kept", len(c.Fold), MaxFold)}
	}
	return nil
}
