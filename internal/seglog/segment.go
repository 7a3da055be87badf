package seglog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
)

const (
	headerSize    = 32
	codecNameSize = 28
	segVersion    = 1
	segSuffix     = ".seg"
	nameDigits    = 20

	kindPlain  = 0
	kindBlocks = 1

	// The sparse index has up to this many entries a segment, of 16 bytes each.
	indexEntries = 64
	minStride    = 4 << 10 // bytes of a segment for one entry
)

const segMagic = "hbseglog"

var errHeader = errors.New("segment header damaged")

// segment is what the log knows of one segment. Guarded by Log.mu but for first.
type segment struct {
	first  uint64
	next   uint64 // index after the last; for the active one not kept here
	end    int64  // where its frames end; for a sealed one the size of the file
	size   int64  // of the file
	sealed bool
	blocks bool
	codec  string
	shape  int     // counts rewrites, so that what was learnt of an old shape is dropped
	tried  bool    // compressing it gained nothing
	stride int64   // bytes for one entry of it
	marks  []entry // sparse index
}

// entry says that the frame at off carries the index.
type entry struct {
	index uint64
	off   int64
}

func segName(first uint64) string { return fmt.Sprintf("%0*d%s", nameDigits, first, segSuffix) }

func parseSegName(name string) (uint64, bool) {
	digits, ok := strings.CutSuffix(name, segSuffix)
	if !ok || len(digits) != nameDigits {
		return 0, false
	}
	first, err := strconv.ParseUint(digits, 10, 64)
	return first, err == nil && first < maxClaim
}

// header is the decoded head of a segment file.
type header struct {
	first  uint64
	blocks bool
	codec  string
}

func (h header) size() int64 {
	if h.blocks {
		return headerSize + codecNameSize + checkSize
	}
	return headerSize
}

func (h header) encode() []byte {
	b := make([]byte, headerSize-checkSize, headerSize+codecNameSize+checkSize)
	copy(b, segMagic)
	b[8] = segVersion
	if h.blocks {
		b[9] = kindBlocks
	}
	binary.LittleEndian.PutUint64(b[16:], h.first)
	b = binary.LittleEndian.AppendUint32(b, sum(b))
	if !h.blocks {
		return b
	}
	name := make([]byte, codecNameSize)
	copy(name, h.codec)
	b = append(b, name...)
	return binary.LittleEndian.AppendUint32(b, sum(name))
}

// readHeader reads the head of a segment whose name says first. errHeader is
// wrapped when the bytes are bad.
func readHeader(f io.ReaderAt, first uint64) (header, error) {
	h := header{first: first}
	b, err := readSpan(f, 0, headerSize+codecNameSize+checkSize)
	if err != nil {
		return h, err
	}
	if len(b) < headerSize || string(b[:8]) != segMagic || sum(b[:28]) != binary.LittleEndian.Uint32(b[28:]) {
		return h, errHeader
	}
	if b[8] != segVersion {
		return h, fmt.Errorf("%w %d; this build knows version %d: use a newer build", ErrVersion, b[8], segVersion)
	}
	if got := binary.LittleEndian.Uint64(b[16:]); got != first {
		return h, fmt.Errorf("%w: it says first record %d, its name says %d", errHeader, got, first)
	}
	h.blocks = b[9] == kindBlocks
	if h.blocks {
		return h, h.readCodec(b[headerSize:])
	}
	return h, nil
}

func (h *header) readCodec(b []byte) error {
	if len(b) < codecNameSize+checkSize || sum(b[:codecNameSize]) != binary.LittleEndian.Uint32(b[codecNameSize:]) {
		return fmt.Errorf("%w: name of the codec", errHeader)
	}
	h.codec = strings.TrimRight(string(b[:codecNameSize]), "\x00")
	return nil
}

// createSegment makes a plain segment with its name durable and returns it open.
func (l *Log) createSegment(first uint64) (File, *segment, error) {
	name := l.path(segName(first))
	f, size, err := l.fillSegment(name+tmpSuffix, first)
	if err != nil {
		return nil, nil, fmt.Errorf("make segment %s: %w", name, err)
	}
	if err = l.fs.Rename(name+tmpSuffix, name); err == nil {
		err = l.fs.SyncDir(l.dir)
	}
	if err != nil {
		_ = f.Close() // the first error is the one to tell
		return nil, nil, fmt.Errorf("name segment %s: %w", name, err)
	}
	s := &segment{first: first, next: first, end: headerSize, size: size, stride: l.opts.stride()}
	s.marks = make([]entry, 0, indexEntries+1)
	return f, s, nil
}

func (l *Log) fillSegment(tmp string, first uint64) (File, int64, error) {
	f, err := l.fs.Create(tmp)
	if err != nil {
		return nil, 0, err
	}
	if _, err = f.WriteAt(header{first: first}.encode(), 0); err == nil {
		err = l.writeZeros(f)
	}
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		_ = f.Close()
		_ = l.fs.Remove(tmp)
		return nil, 0, err
	}
	return f, max(headerSize, l.opts.Prealloc), nil
}

func (l *Log) writeZeros(f File) error {
	zeros := make([]byte, min(256<<10, max(l.opts.Prealloc-headerSize, 0)))
	for off := int64(headerSize); off < l.opts.Prealloc; off += int64(len(zeros)) {
		zeros = zeros[:min(int64(len(zeros)), l.opts.Prealloc-off)]
		if _, err := f.WriteAt(zeros, off); err != nil {
			return err
		}
	}
	return nil
}

func (l *Log) path(name string) string { return filepath.Join(l.dir, name) }

// note adds to the sparse index what was seen on the way.
func (s *segment) note(index uint64, off int64) {
	if n := len(s.marks); n > 0 && off < s.marks[n-1].off+s.stride || off < headerSize+s.stride {
		return
	}
	s.marks = append(s.marks, entry{index, off})
}

// near is the best known place at or before an index.
func (s *segment) near(index uint64) entry {
	best := entry{s.first, headerSize}
	lo, hi := 0, len(s.marks)
	for lo < hi {
		if m := (lo + hi) / 2; s.marks[m].index <= index {
			best, lo = s.marks[m], m+1
		} else {
			hi = m
		}
	}
	return best
}
