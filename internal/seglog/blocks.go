package seglog

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

const (
	blockMagic      = "hbbk"
	blockHeader     = 40
	blockTarget     = 128 << 10 // bytes of frames in a block
	blockLimit      = maxRecordLimit + blockTarget + 64
	blockIndexEntry = 24
	footerMagic     = "hbblocks"
	footerSize      = 32
)

// block is one block of a compressed segment.
type block struct {
	first, next uint64
	off         int64
}

// Compressed says what CompressSealed did.
type Compressed struct {
	Segments      int   // rewritten
	Kept          int   // left plain: damaged, or not smaller when packed
	Before, After int64 // bytes of those rewritten
}

// CompressSealed packs the sealed segments, oldest first, but for the newest
// keepNewest of them, with Options.Codec. Damaged segments stay as they are. It
// may run beside everything else and stops between segments when ctx ends. An
// error before a new form has its name changes nothing and doesn't break the log.
func (l *Log) CompressSealed(ctx context.Context, keepNewest int) (Compressed, error) {
	var res Compressed
	if l.opts.Codec == nil {
		return res, fmt.Errorf("compress: %w: Options.Codec is nil", ErrCodec)
	}
	for _, first := range l.plainSealed(keepNewest) {
		if err := ctx.Err(); err != nil {
			return res, err
		}
		if err := l.compressOne(first, &res); err != nil {
			return res, fmt.Errorf("compress: %w", err)
		}
	}
	return res, nil
}

func (l *Log) plainSealed(keepNewest int) []uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	var out []uint64
	for _, s := range l.segs[:max(len(l.segs)-1-max(keepNewest, 0), 0)] {
		if s.sealed && !s.blocks && !s.tried {
			out = append(out, s.first)
		}
	}
	return out
}

var errNotSmaller = errors.New("not smaller")

func (l *Log) compressOne(first uint64, res *Compressed) error {
	l.maint.Lock()
	defer l.maint.Unlock()
	if err := l.usable(); err != nil {
		return err
	}
	s, _, _, err := l.find(first)
	if err != nil || s.first != first || !s.sealed || s.blocks {
		return nil // trimmed or rewritten meanwhile
	}
	name := l.path(segName(first) + tmpSuffix)
	made, err := l.build(name, s, func(f File) (segment, string, error) { return l.pack(f, s) })
	var damage *DamagedError
	if errors.Is(err, errNotSmaller) || errors.As(err, &damage) {
		l.markTried(first)
		res.Kept++
		return nil
	}
	if err != nil {
		return err
	}
	res.Segments++
	res.Before += s.size
	res.After += made.size
	return l.swap(name, made)
}

func (l *Log) markTried(first uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if s := l.segs[l.at(first)]; s.first == first {
		s.tried = true
	}
}

// packer carries the packing of one segment.
type packer struct {
	w     segWriter
	codec Codec
	raw   []byte // frames of the block being filled
	out   []byte // its packed form
	first uint64 // of that block
	next  uint64
	index []byte
	n     uint32
}

// pack writes the blocks of s into f.
func (l *Log) pack(f File, s segment) (segment, string, error) {
	h := header{first: s.first, blocks: true, codec: l.opts.Codec.Name()}
	p := &packer{w: segWriter{f: f, buf: h.encode()}, codec: l.opts.Codec, first: s.first, next: s.first}
	d := newDigest()
	c, err := l.openCursor(s, s.first)
	if err != nil {
		return s, "", err
	}
	defer c.close()
	for {
		sp, err := c.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			err = l.packSpan(p, d, sp)
		}
		if err != nil {
			return s, "", err
		}
	}
	if err := p.finish(); err != nil {
		return s, "", err
	}
	if p.w.off >= s.size {
		return s, "", errNotSmaller
	}
	return segment{first: s.first, next: s.next, end: p.w.off, size: p.w.off, sealed: true, blocks: true, codec: h.codec}, d.sum(), nil
}

func (l *Log) packSpan(p *packer, d digest, sp span) error {
	if sp.damage != nil && sp.damage.Bytes > 0 {
		l.noteDamage(*sp.damage)
		return &DamagedError{From: sp.from, To: sp.to, Path: l.path(segName(sp.damage.Segment)), Offset: sp.damage.Offset, Reason: sp.damage.Reason}
	}
	if sp.rec != nil {
		d.add(sp.from, sp.rec)
	}
	return p.add(sp)
}

func (p *packer) add(s span) error {
	p.raw = appendBlockFrame(p.raw, s)
	p.next = s.to
	if len(p.raw) < blockTarget {
		return nil
	}
	return p.endBlock()
}

func (p *packer) endBlock() error {
	if len(p.raw) == 0 {
		return nil
	}
	var err error
	if p.out, err = p.codec.Compress(p.out[:0], p.raw); err != nil {
		return fmt.Errorf("codec %s: %w", p.codec.Name(), err)
	}
	off := p.w.off + int64(len(p.w.buf))
	p.w.buf = appendBlockHeader(p.w.buf, p.out, p.raw, p.first, p.next)
	p.w.buf = append(p.w.buf, p.out...)
	p.index = binary.LittleEndian.AppendUint64(p.index, p.first)
	p.index = binary.LittleEndian.AppendUint64(p.index, p.next)
	p.index = binary.LittleEndian.AppendUint64(p.index, uint64(off))
	p.n++
	p.raw, p.first = p.raw[:0], p.next
	return p.w.flush(copyChunk / 4)
}

func appendBlockHeader(b, packed, raw []byte, first, next uint64) []byte {
	start := len(b)
	b = append(b, blockMagic...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(packed)))
	b = binary.LittleEndian.AppendUint32(b, uint32(len(raw)))
	b = binary.LittleEndian.AppendUint64(b, first)
	b = binary.LittleEndian.AppendUint64(b, next)
	b = binary.LittleEndian.AppendUint32(b, sum(packed))
	b = binary.LittleEndian.AppendUint32(b, sum(raw))
	return binary.LittleEndian.AppendUint32(b, sum(b[start:]))
}

func (p *packer) finish() error {
	if err := p.endBlock(); err != nil {
		return err
	}
	at := p.w.off + int64(len(p.w.buf))
	p.w.buf = append(p.w.buf, p.index...)
	start := len(p.w.buf)
	p.w.buf = append(p.w.buf, footerMagic...)
	p.w.buf = binary.LittleEndian.AppendUint32(p.w.buf, p.n)
	p.w.buf = binary.LittleEndian.AppendUint32(p.w.buf, sum(p.index))
	p.w.buf = binary.LittleEndian.AppendUint64(p.w.buf, uint64(at))
	p.w.buf = binary.LittleEndian.AppendUint32(p.w.buf, 0)
	p.w.buf = binary.LittleEndian.AppendUint32(p.w.buf, sum(p.w.buf[start:]))
	return p.w.flush(0)
}

// errIndex says that the block index of a segment is damaged; the blocks are still found.
var errIndex = errors.New("block index damaged")

// readIndex reads the block index by the footer.
func readIndex(f io.ReaderAt, size int64) ([]block, error) {
	foot, err := readSpan(f, max(size-footerSize, 0), size)
	if err != nil {
		return nil, err
	}
	if len(foot) != footerSize || string(foot[:8]) != footerMagic || sum(foot[:28]) != binary.LittleEndian.Uint32(foot[28:]) {
		return nil, errIndex
	}
	n, at := int64(binary.LittleEndian.Uint32(foot[8:])), int64(binary.LittleEndian.Uint64(foot[16:]))
	if at < headerSize || at+n*blockIndexEntry != size-footerSize {
		return nil, errIndex
	}
	b, err := readSpan(f, at, size-footerSize)
	if err != nil {
		return nil, err
	}
	if sum(b) != binary.LittleEndian.Uint32(foot[12:]) {
		return nil, errIndex
	}
	list := make([]block, 0, n)
	for ; len(b) >= blockIndexEntry; b = b[blockIndexEntry:] {
		list = append(list, block{binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:]), int64(binary.LittleEndian.Uint64(b[16:]))})
	}
	return list, nil
}

// findBlocks gives the blocks by index or, where that is damaged, by walking.
func findBlocks(f io.ReaderAt, size int64) ([]block, error) {
	list, err := readIndex(f, size)
	if !errors.Is(err, errIndex) {
		return list, err
	}
	b, err := readSpan(f, 0, size)
	if err != nil {
		return nil, err
	}
	for off := 0; off < len(b); {
		i := bytes.Index(b[off:], []byte(blockMagic))
		if i < 0 {
			break
		}
		off += i
		h, ok := parseBlockHeader(b[off:])
		if !ok {
			off++
			continue
		}
		list = append(list, block{h.first, h.next, int64(off)})
		off += blockHeader + h.packed
	}
	return list, nil
}

// blockHead is a decoded block header.
type blockHead struct {
	first, next       uint64
	packed, raw       int
	packedSum, rawSum uint32
}

func parseBlockHeader(b []byte) (h blockHead, ok bool) {
	if len(b) < blockHeader || string(b[:4]) != blockMagic || sum(b[:36]) != binary.LittleEndian.Uint32(b[36:]) {
		return h, false
	}
	h = blockHead{
		packed: int(binary.LittleEndian.Uint32(b[4:])), raw: int(binary.LittleEndian.Uint32(b[8:])),
		first: binary.LittleEndian.Uint64(b[12:]), next: binary.LittleEndian.Uint64(b[20:]),
		packedSum: binary.LittleEndian.Uint32(b[28:]), rawSum: binary.LittleEndian.Uint32(b[32:]),
	}
	return h, h.first <= h.next && h.packed <= blockLimit && h.raw <= blockLimit
}

// blockCursor walks a segment of blocks.
type blockCursor struct {
	f     File
	seg   segment
	codec Codec
	list  []block
	at    int // the next block to load
	want  uint64
	raw   []byte // frames of the loaded block not yet given
	buf   []byte
	pack  []byte
	stop  uint64 // end index of the loaded block
}

func (l *Log) newBlockCursor(f File, s segment, h header, index uint64) (cursor, error) {
	c := &blockCursor{f: f, seg: s, want: s.first}
	for _, k := range l.opts.codecs() {
		if k.Name() == h.codec {
			c.codec = k
		}
	}
	if c.codec == nil {
		return nil, fmt.Errorf("segment %s: %w: it names %q; give it in Options.Codec or Decoders", segName(s.first), ErrCodec, h.codec)
	}
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	if c.list, err = readIndex(f, size); errors.Is(err, errIndex) {
		l.noteDamage(Damage{Segment: s.first, From: s.first, To: s.first, Offset: max(size-footerSize, 0), Reason: err.Error()})
		c.list, err = findBlocks(f, size)
	}
	for c.at < len(c.list) && c.list[c.at].next <= index {
		c.want = c.list[c.at].next
		c.at++
	}
	return c, err
}

func (c *blockCursor) extend(uint64, int64) {}
func (c *blockCursor) close() error         { return c.f.Close() }

func (c *blockCursor) next() (span, error) {
	for c.want < c.seg.next {
		if len(c.raw) > 0 {
			return c.frame()
		}
		if c.at >= len(c.list) {
			return c.gap(c.seg.next, c.seg.end, "blocks missing"), nil
		}
		b := c.list[c.at]
		if b.first > c.want {
			return c.gap(min(b.first, c.seg.next), b.off, "block missing"), nil
		}
		c.at++
		if b.next <= c.want {
			continue
		}
		if err := c.load(b); err != nil {
			var bad *badBlock
			if errors.As(err, &bad) {
				return c.gap(min(b.next, c.seg.next), b.off, bad.reason), nil
			}
			return span{}, err
		}
	}
	return span{}, io.EOF
}

func (c *blockCursor) gap(to uint64, off int64, reason string) span {
	d := &Damage{Segment: c.seg.first, From: c.want, To: to, Offset: off, Bytes: 1, Reason: reason}
	c.want = to
	return span{from: d.From, to: to, damage: d}
}

// badBlock says that a block's bytes are damaged.
type badBlock struct{ reason string }

func (e *badBlock) Error() string { return e.reason }

// load unpacks a block. All its sums are judged before a record is believed.
func (c *blockCursor) load(b block) error {
	head, err := readSpan(c.f, b.off, b.off+blockHeader)
	if err != nil {
		return err
	}
	h, ok := parseBlockHeader(head)
	if !ok || h.first != b.first || h.next != b.next {
		return &badBlock{"block header does not match"}
	}
	c.pack = append(c.pack[:0], make([]byte, h.packed)...)
	n, err := c.f.ReadAt(c.pack, b.off+blockHeader)
	if err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("read block at %d: %w", b.off, err)
	}
	if n != h.packed || sum(c.pack) != h.packedSum {
		return &badBlock{"checksum of a block does not match"}
	}
	if c.buf, err = c.codec.Decompress(c.buf[:0], c.pack, h.raw); err != nil {
		return &badBlock{fmt.Sprintf("codec %s: %v", c.codec.Name(), err)}
	}
	if len(c.buf) != h.raw || sum(c.buf) != h.rawSum {
		return &badBlock{"checksum of an unpacked block does not match"}
	}
	c.raw, c.want, c.stop = c.buf, b.first, b.next
	return nil
}

// frame takes the next frame off the loaded block.
func (c *blockCursor) frame() (span, error) {
	if c.want >= c.stop {
		c.raw = nil
		return c.gap(c.want, 0, "block holds more than its header says"), nil
	}
	if c.raw[0] == tagSkip || c.raw[0] == tagLost {
		return c.skip(), nil
	}
	v, n := binary.Uvarint(c.raw)
	if n <= 0 || v < tagRecord || v-tagRecord > uint64(len(c.raw)-n) {
		c.raw = nil
		return c.gap(min(c.stop, c.seg.next), 0, "block holds no good frame"), nil
	}
	size := n + int(v-tagRecord)
	s := span{from: c.want, to: c.want + 1, rec: c.raw[n:size:size]}
	c.raw, c.want = c.raw[size:], s.to
	return s, nil
}

func (c *blockCursor) skip() span {
	tag := c.raw[0]
	if len(c.raw) >= 17 {
		s := span{from: binary.LittleEndian.Uint64(c.raw[1:]), to: binary.LittleEndian.Uint64(c.raw[9:]), skipped: tag == tagSkip}
		if s.from == c.want && s.to > s.from && s.to <= c.stop {
			c.raw, c.want = c.raw[17:], s.to
			if tag == tagLost {
				s.damage = &Damage{Segment: c.seg.first, From: s.from, To: s.to, Reason: "found damaged before a rewrite"}
			}
			return s
		}
	}
	c.raw = nil
	return c.gap(min(c.stop, c.seg.next), 0, "block holds no good frame")
}

// guessHeader tells the form of a segment with a damaged header by its end.
func (l *Log) guessHeader(f File, h header) (header, error) {
	size, err := f.Size()
	if err != nil {
		return h, err
	}
	_, err = readIndex(f, size)
	if errors.Is(err, errIndex) {
		return header{first: h.first}, nil
	}
	if err != nil {
		return h, err
	}
	h.blocks = true
	if h.codec == "" && l.opts.Codec != nil {
		h.codec = l.opts.Codec.Name()
	}
	return h, nil
}

// Verify reads all that is durable and returns the damage found. Reading and
// writing go on meanwhile.
func (l *Log) Verify(ctx context.Context) ([]Damage, error) {
	var found []Damage
	r, err := l.Reader(l.First())
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	defer r.Close()
	r.found = func(d Damage) { found = append(found, d) }
	for n := 0; ; n++ {
		if n%1024 == 0 && ctx.Err() != nil {
			return found, ctx.Err()
		}
		_, _, err := r.Next()
		var bad *DamagedError
		switch {
		case errors.Is(err, io.EOF):
			return found, nil
		case err != nil && !errors.As(err, &bad):
			return found, fmt.Errorf("verify: %w", err)
		}
	}
}
