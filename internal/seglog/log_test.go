package seglog_test

import (
	stdcontext "context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// zstdCodec is a real codec, for tests only.
type zstdCodec struct {
	e *zstd.Encoder
	d *zstd.Decoder
}

func newZstd(t testing.TB) zstdCodec {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	require.NoError(t, err)
	d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1))
	require.NoError(t, err)
	t.Cleanup(func() { _ = e.Close(); d.Close() })
	return zstdCodec{e, d}
}

func (zstdCodec) Name() string                               { return "zstd" }
func (c zstdCodec) Compress(dst, src []byte) ([]byte, error) { return c.e.EncodeAll(src, dst), nil }
func (c zstdCodec) Decompress(dst, src []byte, _ int) ([]byte, error) {
	return c.d.DecodeAll(src, dst)
}

func openOS(t testing.TB, o seglog.Options) (*seglog.Log, string) {
	t.Helper()
	d := filepath.Join(t.TempDir(), "deep", "log")
	l, r, err := seglog.Open(d, o)
	require.NoError(t, err)
	require.True(t, r.Clean())
	t.Cleanup(func() { _ = l.Close() })
	return l, d
}

func TestOnDisk(t *testing.T) {
	l, d := openOS(t, seglog.Options{SegmentBytes: 4096, FirstIndex: 100})
	require.EqualValues(t, 100, l.First())
	fill(t, l, 100, 400, 60, 7)
	recs, gaps := readAll(t, l, 100)
	require.Len(t, recs, 300)
	require.Empty(t, gaps)
	var onDisk int64
	require.NoError(t, filepath.Walk(d, func(_ string, i os.FileInfo, err error) error {
		if strings.HasSuffix(i.Name(), ".seg") {
			onDisk += i.Size()
		}
		return err
	}))
	require.Equal(t, onDisk, l.Size())
	segs := l.Segments()
	require.Greater(t, len(segs), 4)
	for i, s := range segs {
		require.LessOrEqual(t, s.Bytes, int64(4096))
		require.Equal(t, i < len(segs)-1, s.Sealed)
		if i > 0 {
			require.Equal(t, segs[i-1].Next, s.First)
		}
	}
	n, err := l.TrimBefore(segs[3].First + 1)
	require.NoError(t, err)
	require.Equal(t, 3, n)
	require.Equal(t, segs[3].First, l.First())
	_, err = l.Reader(segs[3].First - 1)
	var trimmed *seglog.TrimmedError
	require.ErrorAs(t, err, &trimmed)
	require.Equal(t, segs[3].First, trimmed.First)
	_, err = l.Reader(l.Synced() + 1)
	require.Error(t, err)

	require.NoError(t, l.Close())
	require.NoError(t, l.Close())
	l2, r, err := seglog.Open(d, seglog.Options{SegmentBytes: 4096})
	require.NoError(t, err)
	require.True(t, r.Clean())
	require.Equal(t, seglog.Recovery{First: segs[3].First, Next: 400}, r)
	for from := l2.First(); from <= 400; from += 13 {
		recs, _ = readAll(t, l2, from)
		require.Len(t, recs, int(400-from))
	}
	require.NoError(t, l2.Close())
}

func TestOneWriter(t *testing.T) {
	l, d := openOS(t, seglog.Options{})
	_, _, err := seglog.Open(d, seglog.Options{})
	var held *seglog.LockedError
	require.ErrorAs(t, err, &held)
	require.Equal(t, os.Getpid(), held.PID)
	require.ErrorContains(t, err, fmt.Sprint(os.Getpid()))
	require.NoError(t, l.Close())
	l, _, err = seglog.Open(d, seglog.Options{})
	require.NoError(t, err)
	require.NoError(t, l.Close())
}

func TestBadOptions(t *testing.T) {
	for _, o := range []seglog.Options{
		{SegmentBytes: 100}, {MaxRecord: -1}, {MaxRecord: 1 << 30}, {ReadBuffer: 3},
		{Prealloc: -1}, {SegmentBytes: 1000, Prealloc: 1001}, {SetAside: -1}, {FirstIndex: 1 << 63},
		{Codec: namedCodec("")}, {Decoders: []seglog.Codec{namedCodec(strings.Repeat("x", 29))}},
	} {
		d := filepath.Join(t.TempDir(), "log")
		_, _, err := seglog.Open(d, o)
		require.Error(t, err, "%+v", o)
		require.NoDirExists(t, d)
	}
}

type namedCodec string

func (n namedCodec) Name() string                                    { return string(n) }
func (namedCodec) Compress(dst, src []byte) ([]byte, error)          { return append(dst, src...), nil }
func (namedCodec) Decompress(dst, src []byte, _ int) ([]byte, error) { return append(dst, src...), nil }

func TestRefusals(t *testing.T) {
	l, _ := openOS(t, seglog.Options{MaxRecord: 100})
	_, err := l.Append([][]byte{make([]byte, 100), make([]byte, 101)})
	require.ErrorIs(t, err, seglog.ErrTooLarge)
	require.EqualValues(t, 1, l.Next())
	var b seglog.Batch
	b.Add([]byte("x"))
	first, err := l.AppendBatch(&b)
	require.NoError(t, err)
	require.EqualValues(t, 1, first)
	_, err = l.AppendBatch(&b)
	require.ErrorIs(t, err, seglog.ErrBatchUsed)
	b.Reset()
	_, err = l.AppendBatch(&b)
	require.NoError(t, err)
	require.EqualValues(t, 2, l.Next())
	_, err = l.Rewrite(1, 2, nil)
	require.ErrorContains(t, err, "not whole sealed segments")
	_, err = l.CompressSealed(context(), 0)
	require.ErrorIs(t, err, seglog.ErrCodec)
	r, err := l.Reader(1)
	require.NoError(t, err)
	require.NoError(t, l.Close())
	_, _, err = r.Next()
	require.ErrorIs(t, err, seglog.ErrClosed)
	_, err = l.Append([][]byte{{1}})
	require.ErrorIs(t, err, seglog.ErrClosed)
	require.ErrorIs(t, l.Wait(context(), 5), seglog.ErrClosed)
}

// Only what is synced is read, and Wait tells when there is more.
func TestReadsOnlyWhatIsSynced(t *testing.T) {
	l, _ := openOS(t, seglog.Options{})
	r, err := l.Reader(1)
	require.NoError(t, err)
	defer r.Close()
	_, err = l.Append([][]byte{[]byte("a"), []byte("b")})
	require.NoError(t, err)
	_, _, err = r.Next()
	require.ErrorIs(t, err, io.EOF)
	ctx, cancel := stdcontext.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, l.Wait(ctx, 1), stdcontext.Canceled)
	var wg sync.WaitGroup
	wg.Go(func() { assert.NoError(t, l.Wait(t.Context(), 2)) })
	require.NoError(t, l.Sync())
	wg.Wait()
	for i, want := range []string{"a", "b"} {
		index, rec, err := r.Next()
		require.NoError(t, err)
		require.EqualValues(t, i+1, index)
		require.Equal(t, want, string(rec))
	}
	_, _, err = r.Next()
	require.ErrorIs(t, err, io.EOF)
}

// Readers go on beside appends, syncs, rotation, trimming, rewriting and packing.
func TestReadersBesideTheWriter(t *testing.T) {
	l, _ := openOS(t, seglog.Options{SegmentBytes: 8 << 10, ReadBuffer: 512, Codec: newZstd(t)})
	const n = 6000
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() { follow(t, l, n) })
	}
	done := make(chan struct{})
	wg.Go(func() { maintain(t, l, done) })
	wg.Go(func() {
		defer close(done)
		for i := uint64(1); i <= n; i += 10 {
			var b seglog.Batch
			for k := i; k < i+10; k++ {
				b.Add(rec(k, 40))
			}
			_, err := l.AppendBatch(&b)
			assert.NoError(t, err)
			if i%50 == 1 {
				assert.NoError(t, l.Sync())
			}
		}
		assert.NoError(t, l.Sync())
	})
	wg.Wait()
}

// follow reads up to record n. Records may be dropped by a rewrite (every seventh)
// or trimmed, and are never wrong.
func follow(t *testing.T, l *seglog.Log, n uint64) {
	r, err := l.Reader(l.First())
	if !assert.NoError(t, err) {
		return
	}
	defer func() { assert.NoError(t, r.Close()) }()
	for want := uint64(1); want <= n; {
		index, b, err := r.Next()
		var trimmed *seglog.TrimmedError
		switch {
		case errors.Is(err, io.EOF):
			if !assert.NoError(t, l.Wait(t.Context(), r.Index())) {
				return
			}
		case errors.As(err, &trimmed):
			r2, err := l.Reader(l.First())
			if err == nil {
				assert.NoError(t, r.Close())
				r, want = r2, r2.Index()
			}
		case !assert.NoError(t, err):
			return
		default:
			for ; want < index; want++ {
				if want%7 != 0 && !assert.Fail(t, "record missing", "%d before %d", want, index) {
					return
				}
			}
			if !assert.Equal(t, string(rec(index, 40)), string(b)) {
				return
			}
			want = index + 1
		}
	}
}

func maintain(t *testing.T, l *seglog.Log, done chan struct{}) {
	for i := 0; ; i++ {
		select {
		case <-done:
			return
		default:
		}
		segs := l.Segments()
		if len(segs) > 6 {
			_, err := l.Rewrite(segs[2].First, segs[3].Next, func(i uint64, r []byte) ([]byte, bool) { return r, i%7 != 0 })
			assert.NoError(t, err)
			_, err = l.CompressSealed(t.Context(), 2)
			assert.NoError(t, err)
		}
		if len(segs) > 12 && i%4 == 0 {
			_, err := l.TrimBefore(segs[2].First)
			assert.NoError(t, err)
		}
	}
}

func TestCompressSealed(t *testing.T) {
	codec := newZstd(t)
	l, d := openOS(t, seglog.Options{SegmentBytes: 1 << 20, Codec: codec})
	fill(t, l, 1, 60000, 54, 4096)
	plain := l.Size()
	before, _ := readAll(t, l, 1)
	res, err := l.CompressSealed(t.Context(), 1)
	require.NoError(t, err)
	require.Positive(t, res.Segments)
	require.Less(t, res.After, res.Before/2)
	require.Equal(t, plain-res.Before+res.After, l.Size())
	segs := l.Segments()
	require.Equal(t, "zstd", segs[0].Codec)
	require.Empty(t, segs[len(segs)-2].Codec)
	after, gaps := readAll(t, l, 1)
	require.Empty(t, gaps)
	require.Equal(t, before, after)
	for _, from := range []uint64{2, 2500, 7777, 30011, 59999} {
		recs, _ := readAll(t, l, from)
		require.Len(t, recs, int(60000-from))
	}
	again, err := l.CompressSealed(t.Context(), 1)
	require.NoError(t, err)
	require.Zero(t, again.Segments)
	require.NoError(t, l.Close())

	l, r, err := seglog.Open(d, seglog.Options{})
	require.NoError(t, err)
	require.True(t, r.Clean())
	rd, err := l.Reader(1)
	require.NoError(t, err)
	_, _, err = rd.Next()
	require.ErrorIs(t, err, seglog.ErrCodec)
	require.ErrorContains(t, err, `"zstd"`)
	require.NoError(t, l.Close())

	l, _, err = seglog.Open(d, seglog.Options{Decoders: []seglog.Codec{codec}})
	require.NoError(t, err)
	after, _ = readAll(t, l, 1)
	require.Equal(t, before, after)
	_, err = l.Rewrite(segs[0].First, segs[0].Next, func(_ uint64, r []byte) ([]byte, bool) { return r, true })
	require.NoError(t, err)
	require.Empty(t, l.Segments()[0].Codec)
	after, _ = readAll(t, l, 1)
	require.Equal(t, before, after)
	require.NoError(t, l.Close())
}

// A reader in the middle of a segment that is merged with the next goes on in what
// it opened, and then in the new form.
func TestReaderAcrossAMerge(t *testing.T) {
	l, _ := openOS(t, seglog.Options{SegmentBytes: 1000, ReadBuffer: 128})
	fill(t, l, 1, 61, 60, 3)
	segs := l.Segments()
	for _, at := range []uint64{segs[0].First + 2, segs[1].First + 2, segs[1].Next - 1} {
		r, err := l.Reader(1)
		require.NoError(t, err)
		for r.Index() < at {
			_, _, err := r.Next()
			require.NoError(t, err)
		}
		segs := l.Segments()
		n := min(2, len(segs)-2)
		_, err = l.Rewrite(segs[0].First, segs[n].Next, func(_ uint64, r []byte) ([]byte, bool) { return r, true })
		require.NoError(t, err)
		for want := at; want < 61; want++ {
			index, b, err := r.Next()
			require.NoError(t, err)
			require.Equal(t, want, index)
			require.Equal(t, string(rec(index, 60)), string(b))
		}
		require.NoError(t, r.Close())
	}
}

func TestCompressLeavesWhatDoesNotShrink(t *testing.T) {
	l, _ := openOS(t, seglog.Options{SegmentBytes: 4096, Codec: runCodec{}})
	b := make([]byte, 500)
	for i := range b {
		b[i] = byte(i * 31)
	}
	for range 20 {
		_, err := l.Append([][]byte{b})
		require.NoError(t, err)
	}
	require.NoError(t, l.Sync())
	res, err := l.CompressSealed(t.Context(), 0)
	require.NoError(t, err)
	require.Zero(t, res.Segments)
	require.Positive(t, res.Kept)
	ctx, cancel := stdcontext.WithCancel(t.Context())
	cancel()
	fill(t, l, l.Next(), l.Next()+200, 60, 10)
	_, err = l.CompressSealed(ctx, 0)
	require.ErrorIs(t, err, stdcontext.Canceled)
}

func TestAppendAndSyncDoNotAllocate(t *testing.T) {
	l, _ := openOS(t, seglog.Options{})
	recs := make([][]byte, 64)
	for i := range recs {
		recs[i] = make([]byte, 54)
	}
	var b seglog.Batch
	one := func() {
		_, err1 := l.Append(recs)
		b.Reset()
		for _, r := range recs {
			b.Add(r)
		}
		_, err2 := l.AppendBatch(&b)
		if err := errors.Join(err1, err2, l.Sync()); err != nil {
			t.Fatal(err)
		}
	}
	one()
	require.Zero(t, testing.AllocsPerRun(50, one))
}

// One append is one write, with a mark or without.
func TestOneWriteAnAppend(t *testing.T) {
	fs := seglogtest.New(root)
	l, _, err := seglog.Open(dir, seglog.Options{FS: fs})
	require.NoError(t, err)
	writes := 0
	fs.OnOp(func(op seglogtest.Op, _ string) {
		if op == seglogtest.OpWrite {
			writes++
		}
	})
	fill(t, l, 1, 1001, 100, 10)
	require.Equal(t, 100, writes)
	require.Less(t, l.Size(), int64(1000*(100+6)+100*17+33))
}

// The overhead of single commits stays under 8 bytes a record.
func TestOverhead(t *testing.T) {
	for _, per := range []int{1, 16, 256} {
		fs := seglogtest.New(root)
		l, _, err := seglog.Open(dir, seglog.Options{FS: fs})
		require.NoError(t, err)
		fill(t, l, 1, 2049, 54, per)
		over := float64(l.Size()-32)/2048 - 54
		require.Less(t, over, 8.0, "per commit: %d", per)
		require.Equal(t, 5+54, seglog.FrameSize(54))
	}
}
