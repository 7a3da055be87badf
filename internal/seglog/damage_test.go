package seglog_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

const total = 31 // records [1, total) in the small log

// smallLog makes a log of several segments and gives its files' names.
func smallLog(t *testing.T, o seglog.Options, finish func(*seglog.Log, *seglogtest.FS)) (*seglogtest.FS, []string) {
	t.Helper()
	fs := seglogtest.New(root)
	o.FS = fs
	l, _, err := seglog.Open(dir, o)
	require.NoError(t, err)
	fill(t, l, 1, total, 60, 3)
	if o.Codec != nil {
		done, err := l.CompressSealed(context(), 0)
		require.NoError(t, err)
		require.Positive(t, done.Segments)
	}
	finish(l, fs)
	var names []string
	for _, e := range mustList(t, fs) {
		if strings.HasSuffix(e.Name, ".seg") {
			names = append(names, e.Name)
		}
	}
	require.Greater(t, len(names), 1)
	return fs, names
}

func closed(l *seglog.Log, _ *seglogtest.FS) { _ = l.Close() }
func cut(_ *seglog.Log, fs *seglogtest.FS)   { fs.Crash(nil) }

// checkDamaged opens a log that was tampered with and holds it to: never a wrong
// record, none missing unsaid, always counted, and still usable.
func checkDamaged(t *testing.T, fs *seglogtest.FS, o seglog.Options, mayCut bool, name string) (missing int) {
	t.Helper()
	o.FS = fs
	l, r, err := seglog.Open(dir, o)
	require.NoError(t, err, name)
	if !mayCut && r.Torn != nil {
		require.EqualValues(t, total, r.Torn.Index, "%s: vouched records were cut: %+v", name, r.Torn)
	}
	recs, gaps := readAll(t, l, 1)
	said := map[uint64]bool{}
	for _, g := range gaps {
		for i := g.From; i < g.To; i++ {
			said[i] = true
		}
	}
	for i := uint64(1); i < total; i++ {
		got, ok := recs[i]
		switch {
		case ok:
			require.Equal(t, string(rec(i, 60)), got, name)
		case r.Torn != nil && i >= r.Torn.Index:
			missing++
		default:
			require.True(t, said[i], "%s: record %d is missing unsaid", name, i)
			missing++
		}
	}
	for i := range recs {
		require.Less(t, i, uint64(total), name)
	}
	_, count := l.Damage()
	require.True(t, count > 0 || r.Torn != nil, "%s: not counted", name)
	first, err := l.Append([][]byte{[]byte("after")})
	require.NoError(t, err, name)
	require.NoError(t, l.Sync())
	recs, _ = readAll(t, l, first)
	require.Equal(t, map[uint64]string{first: "after"}, recs, name)
	require.NoError(t, l.Close())
	return missing
}

func TestBitFlips(t *testing.T) {
	for _, c := range []struct {
		name   string
		o      seglog.Options
		finish func(*seglog.Log, *seglogtest.FS)
		mayCut bool
		most   int // records that one flip may cost
	}{
		{"plain, closed", seglog.Options{SegmentBytes: 1000}, closed, false, 1},
		{"plain, cut off", seglog.Options{SegmentBytes: 1000}, cut, true, 3},
		{"preallocated, closed", seglog.Options{SegmentBytes: 1000, Prealloc: 1000}, closed, true, 3},
		{"blocks", seglog.Options{SegmentBytes: 1000, Codec: wary{t: t, made: map[string]bool{}}}, closed, false, 15},
	} {
		t.Run(c.name, func(t *testing.T) {
			fs, names := smallLog(t, c.o, c.finish)
			for _, name := range names {
				name = filepath.Join(dir, name)
				size := len(fs.Bytes(name))
				for i := range size {
					flipped := clone(fs, names)
					bit := byte(1) << (i % 8)
					flipped.Corrupt(name, func(b []byte) { b[i] ^= bit })
					what := fmt.Sprintf("%s byte %d bit %d", filepath.Base(name), i, i%8)
					lost := checkDamaged(t, flipped, c.o, c.mayCut, what)
					require.LessOrEqual(t, lost, c.most, what)
				}
			}
		})
	}
}

func clone(fs *seglogtest.FS, names []string) *seglogtest.FS {
	c := seglogtest.New(dir)
	for _, n := range names {
		c.Put(filepath.Join(dir, n), fs.Bytes(filepath.Join(dir, n)))
	}
	return c
}

// Longer damage in the middle: zeros, ones, a piece moved, a piece copied.
func TestDamagedSpans(t *testing.T) {
	o := seglog.Options{SegmentBytes: 1 << 20}
	fs := seglogtest.New(root)
	o.FS = fs
	l, _, err := seglog.Open(dir, o)
	require.NoError(t, err)
	fill(t, l, 1, total, 60, 3)
	require.NoError(t, l.Close())
	names := []string{"00000000000000000001.seg"}
	name := filepath.Join(dir, names[0])
	size := len(fs.Bytes(name))
	edits := map[string]func(b []byte, at, n int){
		"zeros":  func(b []byte, at, n int) { clear(b[at : at+n]) },
		"ones":   func(b []byte, at, n int) { copy(b[at:at+n], strings.Repeat("\xff", n)) },
		"moved":  func(b []byte, at, n int) { copy(b[at:at+n], b[at+7:]) },
		"copied": func(b []byte, at, n int) { copy(b[at:at+n], b[32:32+n]) },
	}
	for what, edit := range edits {
		for at := 400; at+600 < size-20; at += 13 {
			for _, n := range []int{1, 30, 130, 512, 580} {
				f := clone(fs, names)
				f.Corrupt(name, func(b []byte) { edit(b, at, n) })
				if string(f.Bytes(name)) == string(fs.Bytes(name)) {
					continue
				}
				lost := checkDamaged(t, f, o, false, fmt.Sprintf("%s %d at %d", what, n, at))
				require.LessOrEqual(t, lost, n/65+3)
			}
		}
	}
}

func TestTornTail(t *testing.T) {
	for _, c := range []struct {
		name  string
		tail  func(b []byte) []byte // changes the bytes behind record 12
		index uint64
		bytes int64
	}{
		{"half a record", func(b []byte) []byte { return b[:30] }, 13, 30},
		{"half, then zeros", func(b []byte) []byte { clear(b[30:]); return b }, 13, 30},
		{"garbage", func(b []byte) []byte { return []byte("\x50 nothing that was ever written here") }, 13, 36},
		{"one more, then half", func(b []byte) []byte { return b[:65+20] }, 14, 20},
	} {
		t.Run(c.name, func(t *testing.T) {
			fs := seglogtest.New(root)
			o := seglog.Options{FS: fs}
			l, _, err := seglog.Open(dir, o)
			require.NoError(t, err)
			fill(t, l, 1, 13, 60, 12)
			name := filepath.Join(dir, "00000000000000000001.seg")
			good := fs.Bytes(name)
			_, err = l.Append([][]byte{rec(13, 60), rec(14, 60), rec(15, 60)})
			require.NoError(t, err)
			all := fs.Bytes(name)
			fs.Crash(nil)
			fs.Put(name, append(good, skipMark(c.tail, all[len(good):])...))

			l, r, err := seglog.Open(dir, o)
			require.NoError(t, err)
			require.Empty(t, r.Damaged)
			require.NotNil(t, r.Torn)
			require.Equal(t, c.index, r.Next)
			require.Equal(t, c.index, r.Torn.Index)
			require.Equal(t, c.bytes, r.Torn.Bytes)
			require.Len(t, fs.Bytes(filepath.Join(dir, r.Torn.Kept)), int(c.bytes))
			require.NotEmpty(t, r.Torn.Reason)
			fill(t, l, c.index, 40, 60, 5)
			recs, gaps := readAll(t, l, 1)
			require.Len(t, recs, 39)
			require.Empty(t, gaps)
		})
	}
}

// skipMark leaves a mark of 17 bytes before the records alone.
func skipMark(f func([]byte) []byte, b []byte) []byte {
	if b[0] != 1 {
		panic("expected a mark")
	}
	return append(b[:17:17], f(append([]byte(nil), b[17:]...))...)
}

// A sector missing in what no mark vouches for is a tear; one missing in what a
// mark vouches for is damage.
func TestMissingSector(t *testing.T) {
	for _, vouched := range []bool{false, true} {
		fs := seglogtest.New(root)
		o := seglog.Options{FS: fs}
		l, _, err := seglog.Open(dir, o)
		require.NoError(t, err)
		fill(t, l, 1, 11, 60, 10)
		var recs [][]byte
		for i := uint64(11); i < 61; i++ {
			recs = append(recs, rec(i, 60))
		}
		_, err = l.Append(recs)
		require.NoError(t, err)
		if vouched {
			require.NoError(t, l.Close())
		}
		name := filepath.Join(dir, "00000000000000000001.seg")
		b := fs.Bytes(name)
		clear(b[1024:1536])
		fs.Crash(nil)
		fs.Put(name, b)
		l, r, err := seglog.Open(dir, o)
		require.NoError(t, err)
		if !vouched {
			require.Empty(t, r.Damaged)
			require.NotNil(t, r.Torn)
			require.Less(t, r.Next, uint64(18))
			require.NotEmpty(t, r.Torn.Kept)
			continue
		}
		require.Nil(t, r.Torn)
		require.Len(t, r.Damaged, 1)
		require.EqualValues(t, 61, r.Next)
		got, gaps := readAll(t, l, 1)
		require.Len(t, gaps, 1)
		require.Len(t, got, 60-int(gaps[0].To-gaps[0].From))
		require.Less(t, gaps[0].To-gaps[0].From, uint64(12))
		found, err := l.Verify(context())
		require.NoError(t, err)
		require.Len(t, found, 1)
	}
}

func TestSideFilesAreBounded(t *testing.T) {
	fs := seglogtest.New(root)
	o := seglog.Options{FS: fs, SetAside: 2}
	for range 7 {
		l, _, err := seglog.Open(dir, o)
		require.NoError(t, err)
		fill(t, l, l.Next(), l.Next()+5, 60, 5)
		name := filepath.Join(dir, "00000000000000000001.seg")
		b := fs.Bytes(name)
		fs.Crash(nil)
		fs.Put(name, append(b, "torn bytes that follow"...))
	}
	l, _, err := seglog.Open(dir, o)
	require.NoError(t, err)
	n, size := 0, int64(0)
	for _, e := range mustList(t, fs) {
		if strings.HasSuffix(e.Name, ".torn") {
			n++
		}
		size += e.Size
	}
	require.Equal(t, 2, n)
	require.Equal(t, size, l.Size())
}

func TestDamagedHeaderOfEmptySegmentIsSetAside(t *testing.T) {
	fs := seglogtest.New(dir)
	fs.Put(filepath.Join(dir, "00000000000000000005.seg"), []byte("no header at all"))
	l, r, err := seglog.Open(dir, seglog.Options{FS: fs})
	require.NoError(t, err)
	require.NotEmpty(t, r.Damaged)
	require.EqualValues(t, 5, r.Next)
	fill(t, l, 5, 9, 40, 2)
	require.Equal(t, "no header at all", string(fs.Bytes(filepath.Join(dir, "00000000000000000005-0.damaged"))))
}

func TestNewerVersionIsRefusedAndLeftAlone(t *testing.T) {
	fs, names := smallLog(t, seglog.Options{SegmentBytes: 1000}, closed)
	name := filepath.Join(dir, names[0])
	b := fs.Bytes(name)
	b[8] = 2
	sealHeader(b)
	fs.Put(name, b)
	fs.Put(filepath.Join(dir, "left.tmp"), []byte("x"))
	_, _, err := seglog.Open(dir, seglog.Options{FS: fs})
	require.ErrorIs(t, err, seglog.ErrVersion)
	require.Equal(t, b, fs.Bytes(name))
	require.NotNil(t, fs.Bytes(filepath.Join(dir, "left.tmp")))
}

func TestMissingSegmentIsAGap(t *testing.T) {
	fs, names := smallLog(t, seglog.Options{SegmentBytes: 1000}, closed)
	require.Greater(t, len(names), 2)
	require.NoError(t, fs.Remove(filepath.Join(dir, names[1])))
	l, _, err := seglog.Open(dir, seglog.Options{FS: fs})
	require.NoError(t, err)
	recs, gaps := readAll(t, l, 1)
	require.Len(t, gaps, 1)
	require.Len(t, recs, total-1-int(gaps[0].To-gaps[0].From))
}

// Damage in a segment that is rewritten stays said, and its bytes are kept.
func TestRewriteKeepsDamageSaid(t *testing.T) {
	o := seglog.Options{SegmentBytes: 1000}
	fs, names := smallLog(t, o, closed)
	name := filepath.Join(dir, names[1])
	fs.Corrupt(name, func(b []byte) { b[200] ^= 1 })
	o.FS = fs
	l, _, err := seglog.Open(dir, o)
	require.NoError(t, err)
	before, gaps := readAll(t, l, 1)
	require.Len(t, gaps, 1)
	segs := l.Segments()
	res, err := l.Rewrite(segs[0].First, segs[1].Next, func(_ uint64, r []byte) ([]byte, bool) { return r, true })
	require.NoError(t, err)
	require.EqualValues(t, 1, res.Damaged)
	after, gaps2 := readAll(t, l, 1)
	require.Equal(t, before, after)
	require.Len(t, gaps2, 1)
	require.Equal(t, gaps[0].From, gaps2[0].From)
	side := 0
	for _, e := range mustList(t, fs) {
		if strings.HasSuffix(e.Name, ".damaged") {
			side++
		}
	}
	require.Equal(t, 1, side)
	require.NoError(t, l.Close())
}
