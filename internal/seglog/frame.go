package seglog

import (
	"encoding/binary"
	"hash/crc32"
)

// Tags: the first byte of a frame. From tagRecord on it begins uvarint(length + tagRecord).
const (
	tagEnd    = 0
	tagMark   = 1
	tagSkip   = 2
	tagLost   = 3
	tagRecord = 4
)

const (
	checkSize = 4
	markSize  = 1 + 8 + 4 + checkSize
	skipSize  = 1 + 8 + 8 + checkSize
	minRecord = 1 + checkSize // of an empty record

	// Bounds of the search for the next good record behind damage.
	scanWindow   = 64 << 10 // bytes looked at one by one for a record; marks are looked for beyond
	scanMaxBytes = 16 << 10 // longest record that counts as a foothold

	sectorSize = 512
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func sum(b []byte) uint32 { return crc32.Checksum(b, castagnoli) }

const (
	mixFactor  = 0x9E3779B1
	mixInverse = 0x0E8B2F51 // mixFactor * mixInverse == 1 mod 2^32, held by a test
)

// mix folds an index into a record's check.
func mix(index uint64) uint32 { return uint32(index)*mixFactor ^ uint32(index>>32) }

type kind uint8

const (
	kindShort  kind = iota // more bytes are needed
	kindBad                // not a frame
	kindEnd                // nothing written here
	kindRecord             // a record; its check is not yet judged
	kindMark               // from = next index, to = index up to which all was synced
	kindSkip               // the owner dropped [from, to)
	kindLost               // [from, to) was lost earlier
)

// frame is one decoded frame. For kindShort size is how many bytes are needed.
type frame struct {
	kind     kind
	from, to uint64
	check    uint32
	payload  []byte
	size     int
}

// good reports whether the record's check holds for the index.
func (f *frame) good(index uint64) bool { return f.check == sum(f.payload)^mix(index) }

// decode reads the frame at the start of b.
func decode(b []byte, maxRecord int) frame {
	if len(b) == 0 {
		return frame{kind: kindShort, size: 1}
	}
	switch b[0] {
	case tagEnd:
		return frame{kind: kindEnd}
	case tagMark:
		return decodeMark(b)
	case tagSkip, tagLost:
		return decodeSkip(b)
	}
	return decodeRecord(b, maxRecord)
}

func decodeRecord(b []byte, maxRecord int) frame {
	v, n := uint64(b[0]), 1
	if v >= 0x80 {
		if v, n = binary.Uvarint(b); n == 0 && len(b) < binary.MaxVarintLen64 {
			return frame{kind: kindShort, size: len(b) + 1}
		}
	}
	if n <= 0 || v < tagRecord || v-tagRecord > uint64(maxRecord) || n != uvarintLen(v) {
		return frame{kind: kindBad}
	}
	size := n + checkSize + int(v-tagRecord)
	if len(b) < size {
		return frame{kind: kindShort, size: size}
	}
	return frame{kind: kindRecord, check: binary.LittleEndian.Uint32(b[n:]), payload: b[n+checkSize : size : size], size: size}
}

func decodeMark(b []byte) frame {
	if len(b) < markSize {
		return frame{kind: kindShort, size: markSize}
	}
	if sum(b[:markSize-checkSize]) != binary.LittleEndian.Uint32(b[markSize-checkSize:]) {
		return frame{kind: kindBad}
	}
	next, behind := binary.LittleEndian.Uint64(b[1:]), uint64(binary.LittleEndian.Uint32(b[9:]))
	if behind > next {
		return frame{kind: kindBad}
	}
	return frame{kind: kindMark, from: next, to: next - behind, size: markSize}
}

func decodeSkip(b []byte) frame {
	if len(b) < skipSize {
		return frame{kind: kindShort, size: skipSize}
	}
	if sum(b[:skipSize-checkSize]) != binary.LittleEndian.Uint32(b[skipSize-checkSize:]) {
		return frame{kind: kindBad}
	}
	f := frame{kind: kindSkip, from: binary.LittleEndian.Uint64(b[1:]), to: binary.LittleEndian.Uint64(b[9:]), size: skipSize}
	if b[0] == tagLost {
		f.kind = kindLost
	}
	if f.to < f.from {
		return frame{kind: kindBad}
	}
	return f
}

func uvarintLen(v uint64) int {
	n := 1
	for ; v >= 0x80; v >>= 7 {
		n++
	}
	return n
}

// appendRecord appends a record's frame with the check of index 0; patch it later.
func appendRecord(b, payload []byte) []byte {
	b = binary.AppendUvarint(b, uint64(len(payload))+tagRecord)
	b = binary.LittleEndian.AppendUint32(b, sum(payload))
	return append(b, payload...)
}

// patchIndexes puts the indexes from first on into the checks of the record frames in b.
func patchIndexes(b []byte, first uint64) {
	for index := first; len(b) > 0; index++ {
		v, n := uint64(b[0]), 1
		if v >= 0x80 {
			v, n = binary.Uvarint(b)
		}
		check := b[n : n+checkSize]
		binary.LittleEndian.PutUint32(check, binary.LittleEndian.Uint32(check)^mix(index))
		b = b[n+checkSize+int(v-tagRecord):]
	}
}

// putMark writes a mark into the first markSize bytes of b.
func putMark(b []byte, next, synced uint64) {
	behind := min(next-synced, 1<<32-1)
	if behind == 1<<32-1 {
		behind = min(next, behind) // says little, and nothing false
	}
	b[0] = tagMark
	binary.LittleEndian.PutUint64(b[1:], next)
	binary.LittleEndian.PutUint32(b[9:], uint32(behind))
	binary.LittleEndian.PutUint32(b[13:], sum(b[:13]))
}

func appendSkip(b []byte, tag byte, from, to uint64) []byte {
	start := len(b)
	b = append(b, tag)
	b = binary.LittleEndian.AppendUint64(b, from)
	b = binary.LittleEndian.AppendUint64(b, to)
	return binary.LittleEndian.AppendUint32(b, sum(b[start:]))
}

// resync looks behind the bad frame at the start of b, where index want was
// expected, for a place to read on: the offset there and the index expected at it.
// Indexes above last are not believed.
func resync(b []byte, want, last uint64, maxRecord int) (off int, index uint64, ok bool) {
	if f := decode(b, maxRecord); f.kind == kindRecord && want < last && startsAt(b[f.size:], want+1, maxRecord) {
		return f.size, want + 1, true // the length was good
	}
	for off = 1; off < len(b); off++ {
		if index, ok = foothold(b[off:], off, want, last, maxRecord); ok {
			return off, index, true
		}
	}
	return 0, 0, false
}

// foothold judges one offset of resync.
func foothold(b []byte, off int, want, last uint64, maxRecord int) (uint64, bool) {
	switch b[0] {
	case tagEnd:
		return 0, false
	case tagMark, tagSkip, tagLost:
		f := decode(b, maxRecord)
		if f.kind < kindMark || f.from < want || f.from > last || f.kind != kindMark && f.to > last {
			return 0, false
		}
		after := f.from
		if f.kind != kindMark {
			after = f.to
		}
		return f.from, endOrStartsAt(b[f.size:], after, maxRecord)
	}
	if off > scanWindow {
		return 0, false
	}
	f := decode(b, min(maxRecord, scanMaxBytes))
	if f.kind != kindRecord {
		return 0, false
	}
	claimed := (f.check ^ sum(f.payload) ^ uint32(want>>32)) * mixInverse
	ahead := claimed - uint32(want)
	index := want + uint64(ahead)
	if int64(ahead) > int64(off/minRecord)+1 || index >= last || !f.good(index) {
		return 0, false
	}
	return index, endOrStartsAt(b[f.size:], index+1, maxRecord)
}

// startsAt reports whether a good frame for the index stands at the start of b.
func startsAt(b []byte, index uint64, maxRecord int) bool {
	f := decode(b, maxRecord)
	switch f.kind {
	case kindRecord:
		return f.good(index)
	case kindMark, kindSkip, kindLost:
		return f.from == index
	default:
		return false
	}
}

func endOrStartsAt(b []byte, index uint64, maxRecord int) bool {
	return len(b) == 0 || b[0] == tagEnd || startsAt(b, index, maxRecord)
}

func allZero(b []byte) bool {
	for len(b) >= 8 {
		if binary.LittleEndian.Uint64(b) != 0 {
			return false
		}
		b = b[8:]
	}
	for _, c := range b {
		if c != 0 {
			return false
		}
	}
	return true
}

// lostSector reports whether one of the disk sectors that b[:bad] touches reads as
// zeros from the start of b on. b begins at byte off of its file.
func lostSector(b []byte, bad int, off int64) bool {
	end := min(int64(sectorSize)-off%sectorSize, int64(len(b)))
	for start := int64(0); start < int64(bad); {
		if allZero(b[start:end]) {
			return true
		}
		start, end = end, min(end+sectorSize, int64(len(b)))
	}
	return false
}

// trimZeros cuts the zeros off the end.
func trimZeros(b []byte) []byte {
	for len(b) > 0 && b[len(b)-1] == 0 {
		b = b[:len(b)-1]
	}
	return b
}
