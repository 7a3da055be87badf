package seglog_test

import (
	stdcontext "context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
)

func context() stdcontext.Context { return stdcontext.Background() }

// runCodec packs runs of equal bytes.
type runCodec struct{}

func (runCodec) Name() string { return "runs" }

func (runCodec) Compress(dst, src []byte) ([]byte, error) {
	for len(src) > 0 {
		n := 1
		for n < len(src) && src[n] == src[0] {
			n++
		}
		dst = append(binary.AppendUvarint(dst, uint64(n)), src[0])
		src = src[n:]
	}
	return dst, nil
}

func (runCodec) Decompress(dst, src []byte, size int) ([]byte, error) {
	for len(src) > 0 {
		n, k := binary.Uvarint(src)
		if k <= 0 || k == len(src) || n > uint64(size) {
			return nil, errors.New("bad run")
		}
		for range n {
			dst = append(dst, src[k])
		}
		src = src[k+1:]
	}
	return dst, nil
}

// wary is a codec that must never see packed bytes that it didn't make.
type wary struct {
	runCodec
	t    testing.TB
	made map[string]bool
}

func (w wary) Compress(dst, src []byte) ([]byte, error) {
	out, err := w.runCodec.Compress(nil, src)
	w.made[string(out)] = true
	return append(dst, out...), err
}

func (w wary) Decompress(dst, src []byte, size int) ([]byte, error) {
	require.True(w.t, w.made[string(src)], "damaged bytes came to the codec")
	return w.runCodec.Decompress(dst, src, size)
}

// rec makes a record that tells its index.
func rec(index uint64, size int) []byte {
	b := fmt.Appendf(nil, "record %d ", index)
	for len(b) < size {
		b = append(b, byte(index))
	}
	return b
}

// fill appends and syncs records [from, to), per a commit.
func fill(t testing.TB, l *seglog.Log, from, to uint64, size, per int) {
	t.Helper()
	for from < to {
		var recs [][]byte
		for ; from < to && len(recs) < per; from++ {
			recs = append(recs, rec(from, size))
		}
		_, err := l.Append(recs)
		require.NoError(t, err)
		require.NoError(t, l.Sync())
	}
}

// readAll reads from index on: the records, and the damage met.
func readAll(t testing.TB, l *seglog.Log, from uint64) (map[uint64]string, []*seglog.DamagedError) {
	t.Helper()
	r, err := l.Reader(from)
	require.NoError(t, err)
	defer r.Close()
	recs := map[uint64]string{}
	var gaps []*seglog.DamagedError
	for last := from; ; {
		index, b, err := r.Next()
		var bad *seglog.DamagedError
		switch {
		case errors.Is(err, io.EOF):
			return recs, gaps
		case errors.As(err, &bad):
			gaps = append(gaps, bad)
		default:
			require.NoError(t, err)
			require.GreaterOrEqual(t, index, last)
			recs[index], last = string(b), index+1
		}
	}
}
