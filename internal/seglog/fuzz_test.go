package seglog_test

import (
	"errors"
	"io"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

// FuzzOpen puts arbitrary bytes in place of a sealed and of the last segment.
// Opening must not fail or hang, and what is appended then must come back.
func FuzzOpen(f *testing.F) {
	fs := seglogtest.New(root)
	o := seglog.Options{FS: fs, SegmentBytes: 600, Codec: runCodec{}}
	l, _, err := seglog.Open(dir, o)
	require.NoError(f, err)
	fill(f, l, 1, 12, 60, 2)
	_, err = l.CompressSealed(context(), 1)
	require.NoError(f, err)
	require.NoError(f, l.Close())
	for _, s := range l.Segments() {
		b := fs.Bytes(filepath.Join(dir, segFile(s.First)))
		f.Add(b, true, false)
		f.Add(b, false, false)
		f.Add(b[32:], true, true)
		f.Add(b[32:], false, true)
	}
	f.Add([]byte("hbseglog"), true, false)
	f.Fuzz(func(t *testing.T, b []byte, last, sound bool) {
		if sound { // behind a sound header, so that the frames are reached
			head := append([]byte("hbseglog\x01\x00\x00\x00\x00\x00\x00\x00\x01"), make([]byte, 15)...)
			sealHeader(head)
			b = append(head, b...)
		}
		fs := seglogtest.New(dir)
		fs.Put(filepath.Join(dir, segFile(1)), b)
		if !last {
			fs.Put(filepath.Join(dir, segFile(9)), nil)
		}
		checkArbitrary(t, fs)
	})
}

func segFile(first uint64) string {
	const zeros = "00000000000000000000"
	digits := []byte(zeros)
	for i := len(digits) - 1; first > 0; i, first = i-1, first/10 {
		digits[i] = byte('0' + first%10)
	}
	return string(digits) + ".seg"
}

func checkArbitrary(t *testing.T, fs *seglogtest.FS) {
	o := seglog.Options{FS: fs, SegmentBytes: 600, Codec: runCodec{}}
	l, _, err := seglog.Open(dir, o)
	if errors.Is(err, seglog.ErrVersion) || errors.Is(err, seglog.ErrCodec) {
		return
	}
	require.NoError(t, err)
	first, err := l.Append([][]byte{[]byte("one"), []byte("two")})
	require.NoError(t, err)
	require.NoError(t, l.Close())
	l, r, err := seglog.Open(dir, o)
	require.NoError(t, err)
	require.Nil(t, r.Torn)
	require.Equal(t, first+2, r.Next)
	rd, err := l.Reader(l.First())
	require.NoError(t, err)
	defer rd.Close()
	last, n := "", 0
	for {
		_, rec, err := rd.Next()
		var bad *seglog.DamagedError
		if errors.Is(err, io.EOF) || errors.Is(err, seglog.ErrCodec) {
			break
		}
		if !errors.As(err, &bad) {
			require.NoError(t, err)
			last = string(rec)
		}
		n++
		require.Less(t, n, 100000)
	}
	if !errors.Is(err, seglog.ErrCodec) && n > 0 && last != "" {
		require.Equal(t, "two", last)
	}
	require.NoError(t, l.Close())
}
