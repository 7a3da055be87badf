package local

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
)

// recordStretch is the first byte of a journal record that is a stretch,
// version 1. Other bytes are for other kinds and later versions.
const recordStretch = 1

// Flags of an entry in a record.
const (
	flagEpoch  = 1 << iota // 16 bytes of another epoch follow
	flagSeq                // the sequence is not the one before plus 1
	flagWriter             // another writer
	flagWidth              // NotAfter is not NotBefore
	flagKnown              // another Known
	flagsKnown = 1<<iota - 1
)

// errRecord says that a record whose checksum holds can't be understood.
var errRecord = errors.New("journal record is not understood")

// errNewer says that a record is of a kind that this build doesn't know.
var errNewer = errors.New("record of an unknown kind")

// row is what an entry is told against: the entry before it.
type row struct {
	epoch  [16]byte
	seq    uint64
	writer maintenance.Writer
	at     moment.Instant // NotBefore
	pace   int64          // step of NotBefore, ms; wraps
	known  moment.Instant
}

// appendRecord appends the record of a stretch to dst.
func appendRecord(dst []byte, s *store.Stretch) []byte {
	dst = append(dst, recordStretch)
	dst = binary.AppendUvarint(dst, uint64(len(s.Stream)))
	dst = append(dst, s.Stream...)
	dst = binary.AppendUvarint(dst, s.Expect+1)
	dst = binary.AppendUvarint(dst, uint64(len(s.Entries)))
	var before row
	for i := range s.Entries {
		dst = before.appendEntry(dst, &s.Entries[i])
	}
	return dst
}

// recordBound is at least the length of the record of a stretch.
func recordBound(s *store.Stretch) int {
	n := 1 + len(s.Stream) + 3*binary.MaxVarintLen64
	for i := range s.Entries {
		n += len(s.Entries[i].Received) + entryBound
	}
	return n
}

// entryBound is the most that an entry takes beside its bytes as received:
// flags, epoch, writer, and five varints.
const entryBound = 1 + 16 + 1 + 5*binary.MaxVarintLen64

func (r *row) appendEntry(dst []byte, e *store.Entry) []byte {
	flagsAt := len(dst)
	dst = append(dst, 0)
	var flags byte
	if e.Key.Stream != r.epoch {
		flags |= flagEpoch
		dst = append(dst, e.Key.Stream[:]...)
	}
	if e.Key.Seq != r.seq+1 {
		flags |= flagSeq
		dst = binary.AppendVarint(dst, int64(e.Key.Seq-r.seq-1))
	}
	if e.Writer != r.writer {
		flags |= flagWriter
		dst = append(dst, byte(e.Writer))
	}
	pace := int64(e.At.NotBefore - r.at)
	dst = binary.AppendVarint(dst, pace-r.pace)
	if e.At.NotAfter != e.At.NotBefore {
		flags |= flagWidth
		dst = binary.AppendVarint(dst, int64(e.At.NotAfter-e.At.NotBefore))
	}
	if e.Known != r.known {
		flags |= flagKnown
		dst = binary.AppendVarint(dst, int64(e.Known-r.known))
	}
	dst[flagsAt] = flags
	*r = row{e.Key.Stream, e.Key.Seq, e.Writer, e.At.NotBefore, pace, e.Known}
	dst = binary.AppendUvarint(dst, uint64(len(e.Received)))
	return append(dst, e.Received...)
}

// record is a stretch's record opened for reading: its head is decoded, its
// entries come from next.
type record struct {
	stream []byte // within the record
	first  uint64
	count  uint64
	body   scanner
	before row
	taken  uint64
}

// openRecord decodes the head of a record.
func openRecord(data []byte) (record, error) {
	b := scanner{rest: data}
	if kind := b.byte(); b.err == nil && kind != recordStretch {
		return record{}, fmt.Errorf("%w: %d, this build knows %d: use the build that wrote it or a newer one", errNewer, kind, recordStretch)
	}
	r := record{stream: b.bytes(b.uvarint()), first: b.uvarint(), count: b.uvarint()}
	if b.err == nil && (r.first == 0 || r.count == 0 || r.count > uint64(len(b.rest)) || r.first+r.count < r.first || store.CheckName(string(r.stream)) != nil) {
		b.err = errRecord
	}
	r.body = b
	return r, b.err
}

// last is the revision of the record's last entry.
func (r *record) last() uint64 { return r.first + r.count - 1 }

// next decodes the next entry; its bytes are the record's. It returns false at
// the end.
func (r *record) next(e *store.Entry) (bool, error) {
	if r.taken == r.count {
		if len(r.body.rest) > 0 {
			return false, fmt.Errorf("%w: %d bytes behind its last entry", errRecord, len(r.body.rest))
		}
		return false, nil
	}
	b, before := &r.body, &r.before
	flags := b.byte()
	if flags > flagsKnown {
		return false, fmt.Errorf("%w: flags 0x%02x", errRecord, flags)
	}
	before.seq++
	if flags&flagEpoch != 0 {
		copy(before.epoch[:], b.bytes(16))
	}
	if flags&flagSeq != 0 {
		before.seq += uint64(b.varint())
	}
	if flags&flagWriter != 0 {
		before.writer = maintenance.Writer(b.byte())
	}
	before.pace += b.varint()
	before.at += moment.Instant(before.pace)
	span := moment.At(before.at)
	if flags&flagWidth != 0 {
		span.NotAfter += moment.Instant(b.varint())
	}
	if flags&flagKnown != 0 {
		before.known += moment.Instant(b.varint())
	}
	received := b.bytes(b.uvarint())
	if b.err != nil {
		return false, b.err
	}
	*e = store.Entry{
		Revision: r.first + r.taken, Key: maintenance.Key{Stream: before.epoch, Seq: before.seq},
		Writer: before.writer, At: span, Known: before.known, Received: received,
	}
	r.taken++
	return true, nil
}

// scanner reads an encoding from front to back. After an error every value is
// zero.
type scanner struct {
	rest []byte
	err  error
}

var errShort = fmt.Errorf("%w: it ends too early", errRecord)

func (s *scanner) fail() { s.rest, s.err = nil, errShort }

func (s *scanner) byte() byte {
	if len(s.rest) == 0 {
		s.fail()
		return 0
	}
	c := s.rest[0]
	s.rest = s.rest[1:]
	return c
}

func (s *scanner) bytes(n uint64) []byte {
	if n > uint64(len(s.rest)) {
		s.fail()
		return nil
	}
	b := s.rest[:n:n]
	s.rest = s.rest[n:]
	return b
}

func (s *scanner) uvarint() uint64 {
	v, n := binary.Uvarint(s.rest)
	if n <= 0 {
		s.fail()
		return 0
	}
	s.rest = s.rest[n:]
	return v
}

func (s *scanner) varint() int64 {
	v, n := binary.Varint(s.rest)
	if n <= 0 {
		s.fail()
		return 0
	}
	s.rest = s.rest[n:]
	return v
}
