package maintenance

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// ErrEncoding is wrapped by every error of decoding.
var ErrEncoding = errors.New("not the fixed encoding")

// codec walks a value's fields in order and writes or reads each, so that one
// description serves both directions.
//
// The encoding: unsigned integers as minimal base-128 varints, signed ones
// zigzag before that, single bytes and bools as they are, texts and lists with
// their length before them, fixed arrays bare. A value has one encoding only:
// the reader refuses longer varints, other bools and bytes left over.
type codec struct {
	out     []byte
	in      []byte
	pos     int
	reading bool
	err     error
}

func (c *codec) fail(why string) {
	if c.err == nil {
		c.err = fmt.Errorf("at byte %d: %w: %s", c.pos, ErrEncoding, why)
	}
}

func (c *codec) byte(p *byte) {
	if !c.reading {
		c.out = append(c.out, *p)
		return
	}
	if c.pos >= len(c.in) {
		c.fail("cut short")
	}
	if c.err == nil {
		*p = c.in[c.pos]
		c.pos++
	}
}

func (c *codec) uint64(p *uint64) {
	if !c.reading {
		c.out = binary.AppendUvarint(c.out, *p)
		return
	}
	if c.err != nil {
		return
	}
	v, n := binary.Uvarint(c.in[c.pos:])
	switch {
	case n == 0:
		c.fail("cut short")
	case n < 0:
		c.fail("an integer of more than 64 bits")
	case n > 1 && c.in[c.pos+n-1] == 0:
		c.fail("an integer that is not in its shortest form")
	default:
		*p = v
		c.pos += n
	}
}

func (c *codec) int64(p *int64) {
	u := uint64(*p<<1) ^ uint64(*p>>63)
	c.uint64(&u)
	if c.reading {
		*p = int64(u>>1) ^ -int64(u&1)
	}
}

func (c *codec) bool(p *bool) {
	var b byte
	if *p {
		b = 1
	}
	c.byte(&b)
	if c.reading {
		if b > 1 {
			c.fail("a yes or no that is neither")
		}
		*p = b == 1
	}
}

// fixed writes or fills an array's bytes.
func (c *codec) fixed(p []byte) {
	if !c.reading {
		c.out = append(c.out, p...)
		return
	}
	if len(c.in)-c.pos < len(p) {
		c.fail("cut short")
	}
	if c.err == nil {
		c.pos += copy(p, c.in[c.pos:])
	}
}

// length writes n, or reads a length that the bytes left can hold.
func (c *codec) length(n int) int {
	u := uint64(n)
	c.uint64(&u)
	if c.reading && c.err == nil && u > uint64(len(c.in)-c.pos) {
		c.fail("a length that reaches beyond the end")
	}
	if c.err != nil {
		return 0
	}
	return int(u)
}

func (c *codec) string(p *string) {
	n := c.length(len(*p))
	if !c.reading {
		c.out = append(c.out, *p...)
	} else if c.err == nil {
		*p = string(c.in[c.pos : c.pos+n])
		c.pos += n
	}
}

func (c *codec) bytes(p *[]byte) {
	n := c.length(len(*p))
	switch {
	case !c.reading:
		c.out = append(c.out, *p...)
	case c.err == nil && n > 0:
		*p = append([]byte(nil), c.in[c.pos:c.pos+n]...)
		c.pos += n
	}
}

// unsigned and signed code integers of smaller types; one that does not fit is
// refused when read.
func unsigned[T ~uint8 | ~uint16 | ~uint32 | ~uint64](c *codec, p *T) {
	u := uint64(*p)
	c.uint64(&u)
	if c.reading {
		*p = T(u)
		if uint64(*p) != u {
			c.fail("an integer that does not fit its field")
		}
	}
}

func signed[T ~int | ~int16 | ~int32 | ~int64](c *codec, p *T) {
	v := int64(*p)
	c.int64(&v)
	if c.reading {
		*p = T(v)
		if int64(*p) != v {
			c.fail("an integer that does not fit its field")
		}
	}
}

// list codes a length and each element. Elements take at least one byte each,
// so a length that lies can't make the reader allocate much.
func list[T any](c *codec, p *[]T, each func(*codec, *T)) {
	n := c.length(len(*p))
	if !c.reading {
		for i := range *p {
			each(c, &(*p)[i])
		}
		return
	}
	if n == 0 || c.err != nil {
		return
	}
	out := make([]T, 0, min(n, 64))
	for range n {
		var v T
		each(c, &v)
		if c.err != nil {
			return
		}
		out = append(out, v)
	}
	*p = out
}

func texts(c *codec, p *[]string) { list(c, p, (*codec).string) }

func (c *codec) key(k *Key) {
	c.fixed(k.Stream[:])
	c.uint64(&k.Seq)
}

func (c *codec) instant(t *moment.Instant) { signed(c, t) }

// span codes the earlier end and the way to the later one, which wraps.
func (c *codec) span(s *moment.Span) {
	c.instant(&s.NotBefore)
	d := int64(uint64(s.NotAfter) - uint64(s.NotBefore))
	c.int64(&d)
	if c.reading {
		s.NotAfter = moment.Instant(uint64(s.NotBefore) + uint64(d))
	}
}

// tail is the place of an encoding's version byte, and the version read there.
type tail struct {
	at      int
	version byte
}

// version codes the first byte of an encoding. The writer starts with 1; more
// raises it where there is more to say.
func (c *codec) version(latest byte) tail {
	v, t := byte(1), tail{at: len(c.out)}
	c.byte(&v)
	if c.reading && c.err == nil && (v == 0 || v > latest) {
		c.fail(fmt.Sprintf("version %d; this build knows 1 to %d", v, latest))
	}
	t.version = v
	return t
}

// more codes the fields that a version added. Zero values take a byte of 0 each,
// so a tail of zeros says nothing, and is left out: what can be said in the
// version before is.
func (c *codec) more(t tail, version byte, fields func()) {
	if c.err != nil || c.reading && t.version < version {
		return
	}
	start := len(c.out)
	if c.reading {
		start = c.pos
	}
	fields()
	switch {
	case c.reading && c.err == nil && zeros(c.in[start:c.pos]):
		c.fail(fmt.Sprintf("version %d, and nothing in it that needs it", version))
	case !c.reading && zeros(c.out[start:]):
		c.out = c.out[:start]
	case !c.reading:
		c.out[t.at] = version
	}
}

func zeros(b []byte) bool {
	for _, v := range b {
		if v != 0 {
			return false
		}
	}
	return true
}

// finish returns the reader's error, one about bytes left over among them.
func (c *codec) finish(what string) error {
	if c.err == nil && c.pos != len(c.in) {
		c.fail("bytes left over")
	}
	if c.err != nil {
		return fmt.Errorf("decoding %s %w", what, c.err)
	}
	return nil
}
