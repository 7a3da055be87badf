package seglog

import (
	"fmt"
	"io"
)

// span is what a cursor yields: one record (from, to = from+1), or a stretch of
// indexes that are skipped or damaged.
type span struct {
	from, to uint64
	rec      []byte
	skipped  bool
	damage   *Damage
}

// cursor walks one segment.
type cursor interface {
	// next gives the next span, or io.EOF at the end index.
	next() (span, error)
	// extend tells that the segment has grown.
	extend(endIndex uint64, end int64)
	close() error
}

// plainCursor walks a plain segment's frames through a window.
type plainCursor struct {
	f        File
	seg      *segment
	max      int // largest record
	want     uint64
	endIndex uint64
	end      int64 // frames end here
	win      []byte
	base     int64 // where win begins in the file
	pos      int   // in win
	chunk    int
	note     func(index uint64, off int64)
}

func (c *plainCursor) extend(endIndex uint64, end int64) { c.endIndex, c.end = endIndex, end }
func (c *plainCursor) close() error                      { return c.f.Close() }
func (c *plainCursor) off() int64                        { return c.base + int64(c.pos) }

func (c *plainCursor) next() (span, error) {
	for c.want < c.endIndex {
		f, err := c.frame()
		if err != nil {
			return span{}, err
		}
		switch {
		case f.kind == kindRecord && f.good(c.want):
			return c.take(f, span{from: c.want, to: c.want + 1, rec: f.payload}), nil
		case f.kind == kindMark && f.from == c.want:
			c.take(f, span{to: c.want})
		case (f.kind == kindSkip || f.kind == kindLost) && f.from == c.want && f.to <= c.endIndex:
			return c.takeSkip(f), nil
		default:
			return c.damaged()
		}
	}
	return span{}, io.EOF
}

func (c *plainCursor) take(f frame, s span) span {
	c.pos += f.size
	c.want = s.to
	return s
}

func (c *plainCursor) takeSkip(f frame) span {
	s := span{from: f.from, to: f.to, skipped: f.kind == kindSkip}
	if !s.skipped {
		s.damage = &Damage{Segment: c.seg.first, From: f.from, To: f.to, Offset: c.off(), Reason: "found damaged before a rewrite"}
	}
	return c.take(f, s)
}

// frame decodes the frame at the cursor, reading on as needed.
func (c *plainCursor) frame() (frame, error) {
	f := decode(c.win[c.pos:], c.max)
	for f.kind == kindShort {
		more, err := c.fill(f.size)
		if err != nil {
			return f, err
		}
		if !more {
			return frame{kind: kindBad}, nil
		}
		f = decode(c.win[c.pos:], c.max)
	}
	return f, nil
}

// fill makes at least need bytes stand in the window, if the segment has them.
func (c *plainCursor) fill(need int) (bool, error) {
	off := c.off()
	if off+int64(need) > c.end {
		return false, nil
	}
	if c.note != nil {
		c.note(c.want, off)
	}
	size := int(min(c.end-off, int64(max(need, c.chunk))))
	if cap(c.win) < size {
		c.win = append(make([]byte, 0, size), c.win[c.pos:]...)
	} else {
		c.win = append(c.win[:0], c.win[c.pos:]...)
	}
	c.base, c.pos = off, 0
	have := len(c.win)
	if have >= size {
		return have >= need, nil
	}
	c.win = c.win[:size]
	n, err := c.f.ReadAt(c.win[have:], off+int64(have))
	c.win = c.win[:have+n]
	if err != nil && err != io.EOF {
		return false, fmt.Errorf("read segment %s at %d: %w", segName(c.seg.first), off, err)
	}
	return len(c.win) >= need, nil
}

// damaged finds where to read on and says what is missing.
func (c *plainCursor) damaged() (span, error) {
	off := c.off()
	rest, err := readSpan(c.f, off, c.end)
	if err != nil {
		return span{}, err
	}
	n, index, ok := resync(rest, c.want, c.endIndex, c.max)
	if !ok {
		n, index = len(rest), c.endIndex
	}
	d := &Damage{Segment: c.seg.first, From: c.want, To: index, Offset: off, Bytes: int64(n), Reason: reasonOf(rest)}
	c.win, c.base, c.pos, c.want = c.win[:0], off+int64(n), 0, index
	return span{from: d.From, to: d.To, damage: d}, nil
}

func reasonOf(b []byte) string {
	switch {
	case len(b) == 0:
		return "segment ends early"
	case b[0] == tagEnd:
		return "zeros where a record was expected"
	default:
		return "checksum does not match"
	}
}
