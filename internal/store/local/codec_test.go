package local

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/storetest"
)

// drawStretch draws stretches with every value that an entry can have.
func drawStretch(t *rapid.T) store.Stretch {
	epochs := []([16]byte){{}, {1}, {15: 1}, [16]byte(bytes.Repeat([]byte{0xff}, 16))}
	s := store.Stretch{
		Stream: rapid.StringMatching(`[!-~]{1,40}`).Draw(t, "stream"),
		Expect: rapid.Uint64Max(math.MaxUint64-100).Draw(t, "expect"),
	}
	s.Entries = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) store.Entry {
		return store.Entry{
			Key:    maintenance.Key{Stream: rapid.SampledFrom(epochs).Draw(t, "epoch"), Seq: rapid.Uint64().Draw(t, "seq")},
			Writer: maintenance.Writer(rapid.Byte().Draw(t, "writer")),
			At: moment.Span{
				NotBefore: moment.Instant(rapid.Int64().Draw(t, "not before")),
				NotAfter:  moment.Instant(rapid.Int64().Draw(t, "not after")),
			},
			Known:    moment.Instant(rapid.Int64().Draw(t, "known")),
			Received: rapid.SliceOfN(rapid.Byte(), 0, 30).Draw(t, "received"),
		}
	}), 1, 20).Draw(t, "entries")
	return s
}

func TestRecordRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawStretch(t)
		data := appendRecord(nil, &s)
		if len(data) > recordBound(&s) {
			t.Fatalf("a record of %d bytes, the bound is %d", len(data), recordBound(&s))
		}
		rec, err := openRecord(data)
		if err != nil {
			t.Fatal(err)
		}
		if string(rec.stream) != s.Stream || rec.first != s.Expect+1 || rec.last() != s.Expect+uint64(len(s.Entries)) {
			t.Fatalf("head %q %d to %d", rec.stream, rec.first, rec.last())
		}
		wantEntries(t, rec.next, &s)
		for cut := range data {
			rec, err := openRecord(data[:cut])
			if err == nil && walk(rec) == nil {
				t.Fatalf("a record cut at %d of %d passes", cut, len(data))
			}
		}
	})
}

func wantEntries(t *rapid.T, next func(*store.Entry) (bool, error), s *store.Stretch) {
	var e store.Entry
	for i, want := range s.Entries {
		want.Revision = s.Expect + uint64(i) + 1
		if ok, err := next(&e); !ok || err != nil {
			t.Fatalf("entry %d of %d: %v, %v", i, len(s.Entries), ok, err)
		}
		if !storetest.Equal(e, want) {
			t.Fatalf("entry %d: got %+v, want %+v", i, e, want)
		}
	}
	if ok, err := next(&e); ok || err != nil {
		t.Fatalf("behind the last entry: %v, %v", ok, err)
	}
}

// TestRecordBytes holds the record to bytes worked out by hand from the package's
// doc.
func TestRecordBytes(t *testing.T) {
	epoch := [16]byte{0xa0, 15: 0xaf}
	s := store.Stretch{Stream: "m/1", Expect: 299, Entries: []store.Entry{
		{Key: maintenance.Key{Stream: epoch, Seq: 300}, Writer: 1, At: moment.At(1000), Known: 1010, Received: []byte("ab")},
		{Key: maintenance.Key{Stream: epoch, Seq: 301}, Writer: 1, At: moment.At(2000), Known: 1010, Received: []byte("c")},
		{Key: maintenance.Key{Stream: epoch, Seq: 303}, Writer: 2, At: moment.Span{NotBefore: 2000, NotAfter: 2001}, Known: 1009},
	}}
	want := "01" + "03" + hex.EncodeToString([]byte("m/1")) + // kind, name
		"ac02" + "03" + // revision 300, three entries
		"17" + "a0" + strings.Repeat("00", 14) + "af" + "d604" + "01" + "d00f" + "e40f" + "02" + "6162" + // epoch, step 300-1, writer, +1000, +1010
		"00" + "00" + "01" + "63" + // the same step of 1000
		"1e" + "02" + "02" + "cf0f" + "02" + "01" + "00" // step 1 more, writer 2, 1000 less, wide 1, known -1
	assert.Equal(t, want, hex.EncodeToString(appendRecord(nil, &s)))
}

// TestRecordOverhead: at 50 events a stretch a record takes at most 8 bytes an
// event beside what was received.
func TestRecordOverhead(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	s := store.Stretch{Stream: "machines/a-name-of-usual-length", Expect: 1_000_000, Entries: make([]store.Entry, 50)}
	at, bytes := moment.Instant(1_900_000_000_000), 0
	for i := range s.Entries {
		at += moment.Instant(r.IntN(30_000)) // nothing steady about it
		s.Entries[i] = store.Entry{
			Key: maintenance.Key{Stream: [16]byte{1, 2, 3, 4}, Seq: 5_000_000 + uint64(i)}, Writer: maintenance.WriterAgent,
			At: moment.At(at), Known: 1_900_000_900_000, Received: make([]byte, 50),
		}
		bytes += 50
	}
	overhead := float64(len(appendRecord(nil, &s))-bytes) / 50
	t.Logf("%.2f bytes an event", overhead)
	assert.LessOrEqual(t, overhead, 8.0)
}

func TestBlockRoundTrip(t *testing.T) {
	p := mustPacker(t)
	var w blockWriter
	var r blockReader
	rapid.Check(t, func(t *rapid.T) {
		s := drawStretch(t)
		for i := range s.Entries {
			e := s.Entries[i]
			e.Revision = s.Expect + uint64(i) + 1
			if err := w.add(&e, 7, 9); err != nil {
				t.Fatal(err)
			}
		}
		key := blockKey(nil, s.Stream, s.Expect+1)
		value := w.finish(nil, key, p)
		b, err := openBlock(key, value)
		if err != nil {
			t.Fatal(err)
		}
		if b.first != s.Expect+1 || b.count != uint64(len(s.Entries)) || b.from != 7 || b.to != 9 {
			t.Fatalf("head %+v", b)
		}
		if err := r.open(b, p); err != nil {
			t.Fatal(err)
		}
		wantEntries(t, r.next, &s)
		at := rapid.IntRange(0, len(value)-1).Draw(t, "byte")
		value[at] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		if _, err := openBlock(key, value); err == nil {
			t.Fatal("a flipped bit passes")
		}
		value[at] = 0
		if _, err := openBlock(blockKey(nil, s.Stream, s.Expect+2), w.finish(nil, key, p)); err == nil {
			t.Fatal("a block under another's key passes")
		}
	})
}

func TestBlockRefusesGaps(t *testing.T) {
	var w blockWriter
	require.NoError(t, w.add(&store.Entry{Revision: 5}, 1, 1))
	require.NoError(t, w.add(&store.Entry{Revision: 6}, 1, 1))
	require.ErrorIs(t, w.add(&store.Entry{Revision: 8}, 2, 2), errBlock)
	require.ErrorIs(t, w.add(&store.Entry{Revision: 6}, 2, 2), errBlock)
}

func TestTurn(t *testing.T) {
	var turn turner
	// Two of three bytes with one of one byte between.
	got := turn.turn(nil, []byte{1, 2, 3, 9, 2, 4, 6}, []int{3, 1, 3})
	assert.Equal(t, []byte{1, 1, 2, 2, 3, 3, 9}, got)
	rapid.Check(t, func(t *rapid.T) {
		var row []byte
		var lengths []int
		for _, b := range rapid.SliceOf(rapid.SliceOfN(rapid.Byte(), 0, 5)).Draw(t, "entries") {
			row, lengths = append(row, b...), append(lengths, len(b))
		}
		back := turn.straighten(nil, turn.turn(nil, row, lengths), lengths)
		if !bytes.Equal(row, back) {
			t.Fatalf("%v comes back as %v", row, back)
		}
	})
}

func TestCodec(t *testing.T) {
	c := codec{mustPacker(t)}
	src := bytes.Repeat([]byte("hours and hours "), 100)
	packed, err := c.Compress([]byte("before"), src)
	require.NoError(t, err)
	require.Equal(t, "before", string(packed[:6]))
	require.Less(t, len(packed), len(src)/4)
	back, err := c.Decompress([]byte("before"), packed[6:], len(src))
	require.NoError(t, err)
	require.Equal(t, "before"+string(src), string(back))
	_, err = c.Decompress(nil, packed[6:], len(src)-1)
	require.Error(t, err)
	_, err = c.Decompress(nil, src, len(src))
	require.Error(t, err)
}

func TestUnpackLimits(t *testing.T) {
	p := mustPacker(t)
	packed := p.pack(nil, make([]byte, 1000))
	_, err := p.unpack(nil, packed, 1000)
	require.NoError(t, err)
	for _, size := range []uint64{0, 999, 1001, unpackLimit + 1, math.MaxUint64} {
		_, err := p.unpack(nil, packed, size)
		require.Error(t, err, "size %d", size)
	}
}

func TestPosition(t *testing.T) {
	_, err := decodePosition(nil)
	require.ErrorIs(t, err, errFolds)
	_, err = decodePosition(make([]byte, positionSize))
	require.ErrorIs(t, err, errFolds)
}

func FuzzRecord(f *testing.F) {
	r := rand.New(rand.NewPCG(1, 1))
	for n := range 4 {
		s := storetest.Stretch(r, "machines/a", uint64(n), 1+3*n)
		f.Add(appendRecord(nil, &s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		rec, err := openRecord(data)
		if err != nil {
			return
		}
		s := store.Stretch{Stream: string(rec.stream), Expect: rec.first - 1}
		var e store.Entry
		for {
			more, err := rec.next(&e)
			if err != nil {
				return
			}
			if !more {
				break
			}
			s.Entries = append(s.Entries, e)
		}
		// What can be read can be written, and reads the same.
		again, err := openRecord(appendRecord(nil, &s))
		require.NoError(t, err)
		for _, want := range s.Entries {
			more, err := again.next(&e)
			require.NoError(t, err)
			require.True(t, more)
			require.True(t, storetest.Equal(e, want))
		}
	})
}

// FuzzBlock gives the reader blocks whose checksum holds and whose content may
// be anything.
func FuzzBlock(f *testing.F) {
	p := mustPacker(f)
	r := rand.New(rand.NewPCG(1, 1))
	for n := range 3 {
		var w blockWriter
		s := storetest.Stretch(r, "machines/a", 0, 1+20*n)
		for i := range s.Entries {
			s.Entries[i].Revision = uint64(i) + 1
			require.NoError(f, w.add(&s.Entries[i], 1, 1))
		}
		value := w.finish(nil, blockKey(nil, s.Stream, 1), p)
		f.Add(value[blockHeadSize:])
	}
	key := blockKey(nil, "machines/a", 1)
	var reader blockReader
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) == 0 {
			return
		}
		value := append([]byte{blockVersion, 0, 0, 0, 0}, data...)
		sum := blockCheck(key, value)
		value[1], value[2], value[3], value[4] = byte(sum), byte(sum>>8), byte(sum>>16), byte(sum>>24)
		b, err := openBlock(key, value)
		if err != nil || b.kind == blockDamaged || reader.open(b, p) != nil {
			return
		}
		var e store.Entry
		for n := uint64(0); ; n++ {
			more, err := reader.next(&e)
			if err != nil {
				return
			}
			if !more {
				require.Equal(t, b.count, n)
				return
			}
			require.Equal(t, b.first+n, e.Revision)
		}
	})
}

func mustPacker(t testing.TB) *packer {
	t.Helper()
	p, err := newPacker()
	require.NoError(t, err)
	t.Cleanup(p.close)
	return p
}
