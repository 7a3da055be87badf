package canlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

const (
	bufferSize = 64 << 10
	maxLine    = 8 << 10 // the longest line looked at; a CAN FD frame in the screen form has some 300 bytes
	maxText    = 80      // bytes of a line that an error quotes
	deltaLook  = 64      // frames looked at ahead to tell differences from times
	deltaLeast = 8       // falls of the stamp before the stamps are taken for differences
)

// Stamps says what the time stamps of a recording count from.
type Stamps uint8

// The kinds of stamps.
const (
	StampsUnknown  Stamps = iota // no frame read yet
	StampsNone                   // the lines have none
	StampsRelative               // from the start of the recording (the first is before 2001)
	StampsAbsolute               // from 1970, UTC
)

// Options of a Reader. The zero value reads times as they stand in the recording.
type Options struct {
	// Absolute: refuse a recording whose times are not absolute and can't be made so by Start.
	Absolute bool
	// Start, nanoseconds since 1970 UTC, is added to every stamp of a recording that counts from its own
	// start. 0 means not known. It changes nothing in a recording with absolute stamps.
	Start int64
}

// Counts tell what a Reader has seen so far.
type Counts struct {
	Lines   int64  // lines read
	Frames  int64  // frames given
	Lost    uint64 // frames that the recording says were lost before it
	Drops   int64  // lines that tell of such a loss
	Skipped int64  // other lines: comments, blank ones, foreign ones
	Bad     int64  // lines that were meant as frames and refused, a LineError each
}

// Reader gives the frames of a recording one by one. It reads ahead at most 64 KiB, holds no more than
// that, and allocates nothing for a frame.
type Reader struct {
	src    io.Reader
	opt    Options
	buf    []byte
	lo, hi int   // unread bytes are buf[lo:hi]
	srcErr error // what the source ended with
	done   error // what this reader ended with

	counts Counts
	stamps Stamps
	last   int64
	falls  int64
}

// NewReader returns a Reader of src.
func NewReader(src io.Reader, opt Options) *Reader {
	return &Reader{src: src, opt: opt, buf: make([]byte, bufferSize)}
}

// Counts returns what was seen so far.
func (r *Reader) Counts() Counts { return r.counts }

// Stamps returns what the stamps count from; known once the first frame was read.
func (r *Reader) Stamps() Stamps { return r.stamps }

// Read puts the next frame into f. It returns io.EOF at the end; a *LineError for a line that is meant
// as a frame and is none, after which the next Read goes on behind it; and, for good, ErrNoFrames,
// ErrNoStart, ErrNoStamps, ErrDelta or what the source failed with. f is of use only where the error is nil.
func (r *Reader) Read(f *Frame) error {
	if r.done != nil {
		return r.done
	}
	for {
		line, err := r.line()
		if errors.Is(err, errLong) {
			return r.bad(line, ProblemLine)
		}
		if err != nil {
			return r.end(err)
		}
		ok, err := Parse(line, f)
		switch {
		case err != nil:
			return r.bad(line, err.(Problem))
		case ok:
			return r.take(line, f)
		}
		if lost, ok := ParseDrop(line); ok {
			r.counts.Drops++
			r.counts.Lost += lost
			continue
		}
		r.counts.Skipped++
	}
}

// take judges the stamp of a frame, places it and counts it.
func (r *Reader) take(line []byte, f *Frame) error {
	kind := stampsOf(f)
	if r.stamps == StampsUnknown {
		r.stamps, r.last = kind, f.At
		if err := r.judge(); err != nil {
			r.done = fmt.Errorf("line %d: %w", r.counts.Lines, err)
			return r.done
		}
	}
	if kind != r.stamps {
		return r.bad(line, ProblemStampKind)
	}
	if r.isDelta(f.At) {
		r.done = fmt.Errorf("line %d: %w", r.counts.Lines, ErrDelta)
		return r.done
	}
	if kind == StampsRelative {
		f.At += r.opt.Start
	}
	r.counts.Frames++
	return nil
}

// judge decides at the first frame whether the recording can be read at all.
func (r *Reader) judge() error {
	switch r.stamps {
	case StampsNone:
		if r.opt.Absolute {
			return ErrNoStamps
		}
	case StampsRelative:
		if r.looksDelta() {
			return ErrDelta
		}
		if r.opt.Absolute && r.opt.Start == 0 {
			return ErrNoStart
		}
	}
	return nil
}

// looksDelta looks at the frames that are buffered already, so that a recording of differences is
// refused before its first frame is given.
func (r *Reader) looksDelta() bool {
	rest, last, falls := r.buf[r.lo:r.hi], r.last, 0
	for range deltaLook {
		end := bytes.IndexByte(rest, '\n')
		if end < 0 {
			break
		}
		var f Frame
		if ok, err := Parse(rest[:end], &f); ok && err == nil && f.Stamped {
			if f.At < last {
				falls++
			}
			last = f.At
		}
		rest = rest[end+1:]
	}
	return falls >= deltaLeast
}

// isDelta counts falls of the stamp. Frames of several interfaces may stand out of order by a little and
// rarely; differences between frames fall at about every second line.
func (r *Reader) isDelta(at int64) bool {
	fell := at < r.last
	r.last = at
	if r.stamps != StampsRelative || !fell {
		return false
	}
	r.falls++
	return r.falls >= deltaLeast && r.falls*4 > r.counts.Frames
}

func stampsOf(f *Frame) Stamps {
	switch {
	case !f.Stamped:
		return StampsNone
	case f.At < absoluteSince*nanos:
		return StampsRelative
	}
	return StampsAbsolute
}

func (r *Reader) bad(line []byte, p Problem) error {
	r.counts.Bad++
	line = trim(line)
	return &LineError{Line: r.counts.Lines, Text: string(line[:min(len(line), maxText)]), Problem: p}
}

// end turns the end of the source into the end of the recording.
func (r *Reader) end(err error) error {
	switch {
	case err != io.EOF:
		r.done = fmt.Errorf("reading the recording after line %d: %w", r.counts.Lines, err)
	case r.counts.Frames == 0 && r.counts.Bad == 0 && r.counts.Skipped > 0:
		r.done = ErrNoFrames
	default:
		r.done = io.EOF
	}
	return r.done
}

var errLong = errors.New("line too long")

// line returns the next line without its end, or what of it fits with errLong.
func (r *Reader) line() ([]byte, error) {
	seen := 0
	for {
		if i := bytes.IndexByte(r.buf[r.lo+seen:r.hi], '\n'); i >= 0 {
			line := r.buf[r.lo : r.lo+seen+i]
			r.lo += seen + i + 1
			r.counts.Lines++
			if len(line) > maxLine {
				return line, errLong
			}
			return line, nil
		}
		seen = r.hi - r.lo
		if seen > maxLine {
			return r.overlong()
		}
		if r.srcErr != nil {
			return r.lastLine()
		}
		r.fill()
	}
}

// lastLine gives what stands after the last line end, then the source's error.
func (r *Reader) lastLine() ([]byte, error) {
	if r.lo == r.hi {
		return nil, r.srcErr
	}
	line := r.buf[r.lo:r.hi]
	r.lo = r.hi
	r.counts.Lines++
	return line, nil
}

// overlong drops bytes up to the next line end, whatever their number.
func (r *Reader) overlong() ([]byte, error) {
	var head [maxText]byte
	n := copy(head[:], r.buf[r.lo:r.hi])
	r.counts.Lines++
	for {
		if i := bytes.IndexByte(r.buf[r.lo:r.hi], '\n'); i >= 0 {
			r.lo += i + 1
			break
		}
		r.lo = r.hi
		if r.srcErr != nil {
			break
		}
		r.fill()
	}
	return head[:n], errLong
}

// fill moves the unread bytes to the front and reads once more.
func (r *Reader) fill() {
	if r.lo > 0 {
		r.hi = copy(r.buf, r.buf[r.lo:r.hi])
		r.lo = 0
	}
	for range 100 {
		n, err := r.src.Read(r.buf[r.hi:])
		r.hi += n
		if err != nil {
			r.srcErr = err
			return
		}
		if n > 0 {
			return
		}
	}
	r.srcErr = io.ErrNoProgress
}
