package local

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
)

// A block is closed when it has so many entries or so many bytes as received:
// large enough to compress well, small enough that one entry costs little to read.
const (
	blockEntries = 4096
	blockBytes   = 256 << 10
)

const (
	blockVersion  = 1
	blockHeadSize = 1 + 4 // version, check

	blockPlain   = 0
	blockPacked  = 1
	blockDamaged = 2 // stands for revisions that can't be read

	// packFrom is the size from which packing is tried.
	packFrom = 96
)

// The columns of a block, before the bytes as received.
const (
	colEpoch  = iota // runs: uvarint entries, 16 bytes
	colSeq           // varint, step of the sequence less 1
	colWriter        // runs: uvarint entries, byte
	colAt            // varint, change of step of NotBefore, ms
	colWidth         // varint, NotAfter - NotBefore, ms
	colKnown         // varint, step of Known, ms
	colLength        // uvarint, bytes as received
	columns
)

var errBlock = errors.New("history block is damaged")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// block is an encoded block's head.
type block struct {
	kind     byte
	first    uint64 // revision of its first entry
	count    uint64
	size     uint64 // bytes as received
	from, to uint64 // journal indexes of its first and last record
	body     []byte
}

// next is the revision behind the block.
func (b *block) next() uint64 { return b.first + b.count }

// blockKey appends the key of a block: the stream, a zero byte, the first
// revision, big endian. Names hold no zero byte, so blocks sort by stream and
// revision.
func blockKey(dst []byte, stream string, first uint64) []byte {
	dst = append(append(dst, stream...), 0)
	return binary.BigEndian.AppendUint64(dst, first)
}

// splitBlockKey takes a block's key apart.
func splitBlockKey(key []byte) (stream []byte, first uint64, ok bool) {
	n := len(key) - 9
	if n < 1 || key[n] != 0 {
		return nil, 0, false
	}
	return key[:n], binary.BigEndian.Uint64(key[n+1:]), true
}

// openBlock checks a block's value against its key and decodes its head.
func openBlock(key, value []byte) (block, error) {
	_, first, ok := splitBlockKey(key)
	if !ok || len(value) < blockHeadSize+1 {
		return block{}, fmt.Errorf("%w: its key or value is too short", errBlock)
	}
	if value[0] != blockVersion {
		return block{}, fmt.Errorf("%w: version %d, this build knows %d", errBlock, value[0], blockVersion)
	}
	if binary.LittleEndian.Uint32(value[1:]) != blockCheck(key, value) {
		return block{}, fmt.Errorf("%w: its checksum does not hold", errBlock)
	}
	s := scanner{rest: value[blockHeadSize:]}
	b := block{first: first, kind: s.byte(), count: s.uvarint(), size: s.uvarint(), from: s.uvarint()}
	b.to = b.from + s.uvarint()
	if b.body = s.rest; s.err != nil || b.count == 0 || b.kind > blockDamaged {
		return block{}, fmt.Errorf("%w: its head is not understood", errBlock)
	}
	return b, nil
}

func blockCheck(key, value []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, value[blockHeadSize:])
}

// appendBlock appends a block's value to dst.
func appendBlock(dst, key []byte, b *block) []byte {
	start := len(dst)
	dst = append(dst, blockVersion, 0, 0, 0, 0, b.kind)
	dst = binary.AppendUvarint(dst, b.count)
	dst = binary.AppendUvarint(dst, b.size)
	dst = binary.AppendUvarint(dst, b.from)
	dst = binary.AppendUvarint(dst, b.to-b.from)
	dst = append(dst, b.body...)
	binary.LittleEndian.PutUint32(dst[start+1:], blockCheck(key, dst[start:]))
	return dst
}

// blockWriter gathers entries into one block. The zero value is ready.
type blockWriter struct {
	first    uint64
	from, to uint64 // journal indexes
	count    uint64

	before             row
	epochRun, writeRun uint64
	cols               [columns][]byte
	received           []byte
	lengths            []int

	plain, turned, body []byte // reused
	turner              turner
}

func (w *blockWriter) reset() {
	*w = blockWriter{
		cols: w.cols, received: w.received[:0], lengths: w.lengths[:0],
		plain: w.plain, turned: w.turned, body: w.body, turner: w.turner,
	}
	for i := range w.cols {
		w.cols[i] = w.cols[i][:0]
	}
}

func (w *blockWriter) full() bool {
	return w.count >= blockEntries || len(w.received) >= blockBytes
}

// add takes the next entry, whose record stands between two journal indexes.
func (w *blockWriter) add(e *store.Entry, from, to uint64) error {
	if w.count > 0 && e.Revision != w.first+w.count {
		return fmt.Errorf("%w: revision %d comes after %d", errBlock, e.Revision, w.first+w.count-1)
	}
	if w.count == 0 {
		w.first, w.from, w.to = e.Revision, from, to
		w.before.epoch, w.before.writer = e.Key.Stream, e.Writer
	}
	w.to = max(w.to, to)
	b := &w.before
	if e.Key.Stream != b.epoch {
		w.endEpochRun()
	}
	if e.Writer != b.writer {
		w.endWriterRun()
	}
	pace := int64(e.At.NotBefore - b.at)
	w.varint(colSeq, int64(e.Key.Seq-b.seq-1))
	w.varint(colAt, pace-b.pace)
	w.varint(colWidth, int64(e.At.NotAfter-e.At.NotBefore))
	w.varint(colKnown, int64(e.Known-b.known))
	w.cols[colLength] = binary.AppendUvarint(w.cols[colLength], uint64(len(e.Received)))
	w.received = append(w.received, e.Received...)
	w.lengths = append(w.lengths, len(e.Received))
	*b = row{e.Key.Stream, e.Key.Seq, e.Writer, e.At.NotBefore, pace, e.Known}
	w.count, w.epochRun, w.writeRun = w.count+1, w.epochRun+1, w.writeRun+1
	return nil
}

func (w *blockWriter) varint(col int, v int64) { w.cols[col] = binary.AppendVarint(w.cols[col], v) }

func (w *blockWriter) endEpochRun() {
	w.cols[colEpoch] = binary.AppendUvarint(w.cols[colEpoch], w.epochRun)
	w.cols[colEpoch] = append(w.cols[colEpoch], w.before.epoch[:]...)
	w.epochRun = 0
}

func (w *blockWriter) endWriterRun() {
	w.cols[colWriter] = binary.AppendUvarint(w.cols[colWriter], w.writeRun)
	w.cols[colWriter] = append(w.cols[colWriter], byte(w.before.writer))
	w.writeRun = 0
}

// finish appends the block's value to dst and empties the writer.
func (w *blockWriter) finish(dst, key []byte, p *packer) []byte {
	w.endEpochRun()
	w.endWriterRun()
	w.plain = w.plain[:0]
	for _, c := range w.cols {
		w.plain = binary.AppendUvarint(w.plain, uint64(len(c)))
		w.plain = append(w.plain, c...)
	}
	w.turned = w.turner.turn(w.turned[:0], w.received, w.lengths)
	w.plain = append(w.plain, w.turned...)
	b := block{kind: blockPlain, first: w.first, count: w.count, size: uint64(len(w.received)), from: w.from, to: w.to, body: w.plain}
	if len(w.plain) >= packFrom {
		w.body = p.pack(binary.AppendUvarint(w.body[:0], uint64(len(w.plain))), w.plain)
		if len(w.body) < len(w.plain) {
			b.kind, b.body = blockPacked, w.body
		}
	}
	dst = appendBlock(dst, key, &b)
	w.reset()
	return dst
}

// blockReader gives a block's entries. It keeps its memory for the next block.
type blockReader struct {
	block              block
	taken              uint64
	before             row
	epochRun, writeRun uint64
	cols               [columns]scanner
	received           []byte

	plain, straight []byte
	lengths         []int
	turner          turner
}

// open makes the reader give the entries of a block that is not damaged.
func (r *blockReader) open(b block, p *packer) error {
	r.block, r.taken, r.before, r.epochRun, r.writeRun = b, 0, row{}, 0, 0
	plain := b.body
	if b.kind == blockPacked {
		s := scanner{rest: b.body}
		size := s.uvarint()
		var err error
		if r.plain, err = p.unpack(r.plain[:0], s.rest, size); err != nil || s.err != nil {
			return fmt.Errorf("%w: it does not unpack", errBlock)
		}
		plain = r.plain
	}
	s := scanner{rest: plain}
	for i := range r.cols {
		r.cols[i] = scanner{rest: s.bytes(s.uvarint())}
	}
	if s.err != nil || b.count > uint64(len(plain)) {
		return fmt.Errorf("%w: its columns are cut", errBlock)
	}
	return r.straighten(s.rest)
}

// straighten brings the bytes as received back into the order of entries.
func (r *blockReader) straighten(turned []byte) error {
	r.lengths = r.lengths[:0]
	left := uint64(len(turned))
	for range r.block.count {
		n := r.cols[colLength].uvarint()
		if n > left {
			return fmt.Errorf("%w: its entries are longer than it is", errBlock)
		}
		left -= n
		r.lengths = append(r.lengths, int(n))
	}
	if left > 0 || r.cols[colLength].err != nil {
		return fmt.Errorf("%w: its entries are shorter than it is", errBlock)
	}
	r.straight = r.turner.straighten(r.straight[:0], turned, r.lengths)
	r.received = r.straight
	return nil
}

// next gives the next entry; its bytes are the reader's. It returns false at
// the end.
func (r *blockReader) next(e *store.Entry) (bool, error) {
	if r.taken == r.block.count {
		return false, nil
	}
	b := &r.before
	if r.epochRun == 0 {
		r.epochRun = r.cols[colEpoch].uvarint()
		copy(b.epoch[:], r.cols[colEpoch].bytes(16))
	}
	if r.writeRun == 0 {
		r.writeRun = r.cols[colWriter].uvarint()
		b.writer = maintenance.Writer(r.cols[colWriter].byte())
	}
	b.seq += uint64(r.cols[colSeq].varint()) + 1
	b.pace += r.cols[colAt].varint()
	b.at += moment.Instant(b.pace)
	width := moment.Instant(r.cols[colWidth].varint())
	b.known += moment.Instant(r.cols[colKnown].varint())
	if err := r.columnError(); err != nil {
		return false, err
	}
	n := r.lengths[r.taken]
	*e = store.Entry{
		Revision: r.block.first + r.taken, Key: maintenance.Key{Stream: b.epoch, Seq: b.seq}, Writer: b.writer,
		At: moment.Span{NotBefore: b.at, NotAfter: b.at + width}, Known: b.known, Received: r.received[:n:n],
	}
	r.received = r.received[n:]
	r.taken, r.epochRun, r.writeRun = r.taken+1, r.epochRun-1, r.writeRun-1
	return true, nil
}

func (r *blockReader) columnError() error {
	for i := range r.cols {
		if r.cols[i].err != nil {
			return fmt.Errorf("%w: column %d is cut", errBlock, i)
		}
	}
	if r.epochRun == 0 || r.writeRun == 0 {
		return fmt.Errorf("%w: an empty run", errBlock)
	}
	return nil
}
