package canlog

import (
	"errors"
	"fmt"
)

// Errors of a whole recording.
var (
	// ErrNoFrames: the input has lines, and none of them is a frame.
	ErrNoFrames = errors.New("no line of this input is a candump frame: record with `candump -L`, or convert (asc2log for .asc files)")
	// ErrNoStart: the stamps count from the start of the recording, and absolute times were asked for.
	ErrNoStart = errors.New("the stamps are not absolute (the first is before 2001): give the time at which the recording began")
	// ErrNoStamps: the lines have no stamps, and absolute times were asked for.
	ErrNoStamps = errors.New("the lines have no time stamps: record with `candump -L` or `candump -ta`")
	// ErrDelta: the stamps are differences between frames (candump -t d).
	ErrDelta = errors.New("the stamps go back again and again, so they are differences between frames (candump -t d): record with `candump -L` or `candump -ta`")
)

// Problem is what is wrong with one line that is meant as a frame. It is an error by itself and says
// what to do; a LineError adds the place.
type Problem uint8

// The problems.
const (
	ProblemStamp Problem = iota + 1
	ProblemStampRange
	ProblemLocalTime
	ProblemIface
	ProblemID
	ProblemIDRange
	ProblemXL
	ProblemDigit
	ProblemOdd
	ProblemTooLong
	ProblemFDLength
	ProblemFDFlags
	ProblemDLC
	ProblemRemote
	ProblemLength
	ProblemTrailing
	ProblemSwapped
	ProblemBinary
	ProblemColour
	ProblemForm
	ProblemLine
	ProblemStampKind
)

var problems = [...]string{
	ProblemStamp:      "the stamp is not (seconds.fraction) with a fraction of 6 or 9 digits: repair or delete the line",
	ProblemStampRange: "the stamp is beyond the year 2262: repair or delete the line",
	ProblemLocalTime:  "the stamp is a date in local time, which has no known zone: record with `candump -L` or `candump -ta`",
	ProblemIface:      "the interface name is missing or longer than 15 bytes: repair or delete the line",
	ProblemID:         "the identifier is not 3 or 8 hex digits: repair or delete the line",
	ProblemIDRange:    "the identifier is too large (3 digits up to 7FF, 8 digits up to 1FFFFFFF, error frames up to 3FFFFFFF): repair or delete the line",
	ProblemXL:         "this is a CAN XL frame, which is not read: record classic CAN or CAN FD",
	ProblemDigit:      "the data has a character that is no hex digit: repair or delete the line",
	ProblemOdd:        "the data ends in half a byte, as when a recording is cut off: delete the line",
	ProblemTooLong:    "the data is longer than the frame can be (8 bytes, or 64 with ##): repair or delete the line",
	ProblemFDLength:   "no CAN FD frame has this length (0-8, 12, 16, 20, 24, 32, 48 or 64 bytes): repair or delete the line",
	ProblemFDFlags:    "the CAN FD flags after ## are not one hex digit: repair or delete the line",
	ProblemDLC:        "the raw length code is not 9 to F after 8 bytes of data: repair or delete the line",
	ProblemRemote:     "the length of the remote request is not 0 to 8: repair or delete the line",
	ProblemLength:     "the number of data bytes is not the length in brackets, as when a recording is cut off: repair or delete the line",
	ProblemTrailing:   "there is something after the data that belongs to no known form: repair or delete the line",
	ProblemSwapped:    "the data bytes are printed in reverse (candump -S): record without -S",
	ProblemBinary:     "the data is printed as bits (candump -i): record without -i",
	ProblemColour:     "the line has colour codes of a terminal in it (candump -c): record without -c",
	ProblemForm:       "after the interface stands neither id#data nor id [length] data: repair or delete the line",
	ProblemLine:       "the line is too long for a frame (over 8192 bytes): is this a candump recording?",
	ProblemStampKind:  "the stamps change their kind here (none, from the start, absolute), as when two recordings are joined: split the file",
}

// Error implements error.
func (p Problem) Error() string {
	if int(p) < len(problems) && problems[p] != "" {
		return problems[p]
	}
	return fmt.Sprintf("problem %d", uint8(p))
}

// LineError is a line that is meant as a frame and is none. The reader stands behind it: the next Read
// goes on with the next line.
type LineError struct {
	Line    int64  // 1-based
	Text    string // the line, at most 80 bytes of it
	Problem Problem
}

// Error implements error: where, what, why and what to do.
func (e *LineError) Error() string {
	return fmt.Sprintf("line %d: %q: %v", e.Line, e.Text, e.Problem)
}

// Unwrap gives the problem to errors.Is and errors.As.
func (e *LineError) Unwrap() error { return e.Problem }
