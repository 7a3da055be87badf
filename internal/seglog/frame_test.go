package seglog

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestMixInverts(t *testing.T) {
	f, inv := uint32(mixFactor), uint32(mixInverse)
	require.EqualValues(t, 1, f*inv)
	for _, i := range []uint64{0, 1, 1 << 31, 1<<32 - 1} {
		require.Equal(t, uint32(i), mix(i)*inv)
	}
}

// A payload that holds what looks like a mark, or a record of a later index, must
// not lead reading astray when the record around it is damaged.
func TestResyncIsNotLedAstray(t *testing.T) {
	mark := make([]byte, markSize)
	putMark(mark, 20, 20)
	fake := appendRecord(nil, []byte("not a record"))
	patchIndexes(fake, 12)
	for _, inside := range [][]byte{mark, fake} {
		payload := append([]byte("before "), append(inside, " and after"...)...)
		b := appendRecord(nil, payload)
		patchIndexes(b, 10)
		size := len(b)
		b = appendRecord(b, []byte("eleven"))
		patchIndexes(b[size:], 11)
		b[0] ^= 0x20 // the length
		off, index, ok := resync(b, 10, 1000, DefaultMaxRecord)
		require.True(t, ok)
		require.Equal(t, size, off)
		require.EqualValues(t, 11, index)
	}
}

func TestDecodeRefusesOverlongLengths(t *testing.T) {
	require.Equal(t, kindBad, decode([]byte{0x85, 0x00, 1, 2, 3, 4, 5}, 100).kind)
	require.Equal(t, kindBad, decode([]byte{105, 1, 2, 3, 4}, 100).kind, "101 bytes of at most 100")
	require.Equal(t, frame{kind: kindShort, size: 105}, decode([]byte{104, 1, 2, 3, 4}, 100))
	require.Equal(t, kindBad, decode([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1}, 100).kind)
}
