package spool

import (
	"encoding/binary"
	"errors"
	"time"

	"github.com/hourbell/hourbell/internal/spoolhash"
)

// First bytes of the records in the log.
const (
	tagCheckpoint = 1
	tagGap        = 2
	tagEvent      = 0x10 // plus the class
)

var errRecord = errors.New("record of the spool not understood")

// checkpoint stands first in a segment: the chain so far.
type checkpoint struct {
	ordinal uint64
	id      spoolhash.Epoch
	seq     uint64
	hash    spoolhash.Hash
}

// stored is a decoded record.
type stored struct {
	tag     byte
	check   checkpoint
	class   Class
	key     uint16
	at      int64 // ms since 1970
	payload []byte
	ordinal uint64 // of a gap
	gap     Gap
}

func appendCheckpoint(b []byte, c checkpoint) []byte {
	b = append(b, tagCheckpoint)
	b = binary.AppendUvarint(b, c.ordinal)
	b = append(b, c.id[:]...)
	b = binary.AppendUvarint(b, c.seq)
	return append(b, c.hash[:]...)
}

func appendEvent(b []byte, e Event, at time.Time) []byte {
	b = append(b, tagEvent+byte(e.Class))
	b = binary.AppendUvarint(b, uint64(e.Key))
	b = binary.AppendVarint(b, at.UnixMilli())
	return append(b, e.Payload...)
}

func appendGap(b []byte, ordinal uint64, g Gap) []byte {
	b = append(b, tagGap)
	for _, v := range []uint64{ordinal, g.From, g.To - g.From, g.Readings, g.Keeps, g.Records} {
		b = binary.AppendUvarint(b, v)
	}
	return append(b, g.Hash[:]...)
}

// parse decodes a record; payload points into b.
func parse(b []byte) (stored, error) {
	if len(b) == 0 {
		return stored{}, errRecord
	}
	d := decoder{b: b[1:]}
	r := stored{tag: b[0]}
	switch r.tag {
	case tagCheckpoint:
		r.check.ordinal = d.uvarint()
		d.bytes(r.check.id[:])
		r.check.seq = d.uvarint()
		d.bytes(r.check.hash[:])
	case tagGap:
		r.ordinal = d.uvarint()
		r.gap.From = d.uvarint()
		r.gap.To = r.gap.From + d.uvarint()
		r.gap.Readings, r.gap.Keeps, r.gap.Records = d.uvarint(), d.uvarint(), d.uvarint()
		d.bytes(r.gap.Hash[:])
	case tagEvent + byte(Reading), tagEvent + byte(Keep), tagEvent + byte(Record):
		r.class = Class(r.tag - tagEvent)
		r.tag = tagEvent
		r.key = uint16(d.uvarint())
		r.at = d.varint()
		r.payload = d.b
	default:
		return r, errRecord
	}
	if d.bad {
		return r, errRecord
	}
	return r, nil
}

// decoder reads off b and remembers that it ran out.
type decoder struct {
	b   []byte
	bad bool
}

func (d *decoder) uvarint() uint64 {
	v, n := binary.Uvarint(d.b)
	d.skip(n)
	return v
}

func (d *decoder) varint() int64 {
	v, n := binary.Varint(d.b)
	d.skip(n)
	return v
}

func (d *decoder) skip(n int) {
	if n <= 0 {
		d.bad, n = true, 0
	}
	d.b = d.b[n:]
}

func (d *decoder) bytes(dst []byte) {
	if len(d.b) < len(dst) {
		d.bad = true
		return
	}
	copy(dst, d.b)
	d.b = d.b[len(dst):]
}
