package seglog_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

// script is a fixed course through all that changes files. It stops at the first
// error and tells what had been acknowledged as synced, and trimmed, by then.
func script(fs *seglogtest.FS, opts seglog.Options) (l *seglog.Log, synced, trimmed uint64, err error) {
	synced, trimmed = 1, 1
	l, _, err = seglog.Open(dir, opts)
	if err != nil {
		return nil, synced, trimmed, err
	}
	next := uint64(1)
	for step := range 14 {
		recs := [][]byte{rec(next, 90), rec(next+1, 90), rec(next+2, 90)}
		if _, err = l.Append(recs); err != nil {
			return l, max(synced, l.Synced()), trimmed, err
		}
		next += 3
		if step%2 == 1 {
			if err = l.Sync(); err != nil {
				return l, synced, trimmed, err
			}
			synced = next
		}
	}
	synced = max(synced, l.Synced())
	segs := l.Segments()
	_, err = l.Rewrite(segs[1].First, segs[2].Next, func(i uint64, r []byte) ([]byte, bool) { return r, i%3 != 0 })
	if err == nil {
		_, err = l.CompressSealed(context(), 1)
	}
	if err == nil {
		trimmed = segs[1].First
		_, err = l.TrimBefore(trimmed)
	}
	if err == nil {
		if err = l.Close(); err == nil {
			synced = next
		}
	}
	return l, synced, trimmed, err
}

func faultOptions(fs *seglogtest.FS) seglog.Options {
	return seglog.Options{FS: fs, SegmentBytes: 1000, Prealloc: 1000, Codec: runCodec{}}
}

// After any failed operation, and a crash or none, opening again gives all that was
// acknowledged.
func TestFaultAtEveryOperation(t *testing.T) {
	for _, cause := range []error{syscall.EIO, syscall.ENOSPC} {
		for _, crash := range []string{"none", "plain", "torn"} {
			for n := 1; ; n++ {
				fs := seglogtest.New(root)
				fs.FailAt(n, cause)
				l, synced, trimmed, err := script(fs, faultOptions(fs))
				if err == nil {
					require.Greater(t, n, 60, "operations that can fail")
					break
				}
				name := fmt.Sprintf("%v at operation %d, crash %s", cause, n, crash)
				require.ErrorIs(t, err, cause, name)
				checkBroken(t, l, err, name)
				fs.Fail(nil)
				afterFault(t, fs, l, crash, n)
				checkKept(t, fs, synced, trimmed, name)
			}
		}
	}
}

func checkBroken(t *testing.T, l *seglog.Log, err error, name string) {
	t.Helper()
	if l == nil || !errors.Is(err, seglog.ErrBroken) {
		return
	}
	_, aerr := l.Append([][]byte{{1}})
	if errors.Is(aerr, seglog.ErrClosed) {
		return // it was Close that failed
	}
	require.ErrorIs(t, aerr, seglog.ErrBroken, name)
	require.ErrorIs(t, l.Sync(), seglog.ErrBroken, name)
	require.ErrorIs(t, l.Rotate(), seglog.ErrBroken, name)
	_, terr := l.TrimBefore(100)
	require.ErrorIs(t, terr, seglog.ErrBroken, name)
}

func afterFault(t *testing.T, fs *seglogtest.FS, l *seglog.Log, crash string, n int) {
	t.Helper()
	switch crash {
	case "none":
		if l != nil {
			_ = l.Close()
		}
	case "plain":
		fs.Crash(nil)
	case "torn":
		fs.Crash(rand.New(rand.NewPCG(uint64(n), 7)))
	}
}

// checkKept opens, reads, appends, crashes and reads again: what is read once stays.
func checkKept(t *testing.T, fs *seglogtest.FS, synced, trimmed uint64, name string) {
	t.Helper()
	var next uint64
	for round := range 2 {
		l, r, err := seglog.Open(dir, faultOptions(fs))
		require.NoError(t, err, name)
		require.Empty(t, r.Damaged, name)
		require.GreaterOrEqual(t, r.Next, synced, name)
		require.LessOrEqual(t, r.First, trimmed, name)
		recs, gaps := readAll(t, l, l.First())
		require.Empty(t, gaps, name)
		for i := max(trimmed, r.First); i < r.Next; i++ {
			got, ok := recs[i]
			if !ok {
				require.Zero(t, i%3, "%s: record %d missing", name, i)
				continue
			}
			require.Equal(t, string(rec(i, 90)), got, name)
		}
		if round == 1 {
			require.Equal(t, next, r.Next, name+": a record read after reopening was not durable")
			require.NoError(t, l.Close())
			return
		}
		fill(t, l, r.Next, r.Next+1, 90, 1)
		next = r.Next + 1
		fs.Crash(nil)
	}
}

// A crash at any operation.
func TestCrashAtEveryOperation(t *testing.T) {
	total := 0
	{
		fs := seglogtest.New(root)
		fs.Fail(func(op seglogtest.Op, _ string) error {
			if op.Changing() {
				total++
			}
			return nil
		})
		_, _, _, err := script(fs, faultOptions(fs))
		require.NoError(t, err)
	}
	power := errors.New("power gone")
	for n := 1; n <= total; n++ {
		for seed := range uint64(4) {
			fs := seglogtest.New(root)
			count := 0
			fs.Fail(func(op seglogtest.Op, _ string) error {
				if op.Changing() {
					count++
				}
				if count >= n {
					return power
				}
				return nil
			})
			_, synced, trimmed, err := script(fs, faultOptions(fs))
			require.ErrorIs(t, err, power)
			fs.Fail(nil)
			fs.Crash(rand.New(rand.NewPCG(seed, uint64(n))))
			checkKept(t, fs, synced, trimmed, fmt.Sprintf("power gone at operation %d, seed %d", n, seed))
		}
	}
}

func TestFullDiskOpens(t *testing.T) {
	fs := seglogtest.New(root)
	o := seglog.Options{FS: fs, SegmentBytes: 1 << 20}
	l, _, err := seglog.Open(dir, o)
	require.NoError(t, err)
	fill(t, l, 1, 20, 100, 5)
	fs.SetCapacity(fs.Used() + 700)
	_, err = l.Append([][]byte{rec(20, 900), rec(21, 900)})
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.ErrorIs(t, err, seglog.ErrBroken)
	require.NoError(t, l.Close())

	l, r, err := seglog.Open(dir, o)
	require.NoError(t, err)
	require.EqualValues(t, 20, r.Next)
	require.NotNil(t, r.Torn)
	require.EqualValues(t, 700, r.Torn.Bytes)
	require.Empty(t, r.Torn.Kept)
	require.ErrorIs(t, r.Torn.KeepErr, syscall.ENOSPC)
	fs.SetCapacity(0)
	fill(t, l, 20, 30, 100, 3)
	recs, gaps := readAll(t, l, 1)
	require.Len(t, recs, 29)
	require.Empty(t, gaps)
	require.NoError(t, l.Close())
	for _, e := range mustList(t, fs) {
		require.False(t, strings.HasSuffix(e.Name, ".tmp"), e.Name)
	}
}

func mustList(t *testing.T, fs seglog.FS) []seglog.Entry {
	t.Helper()
	es, err := fs.List(dir)
	require.NoError(t, err)
	return es
}
