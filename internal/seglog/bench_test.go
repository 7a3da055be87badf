//go:build linux

package seglog_test

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"github.com/hourbell/hourbell/internal/seglog"
)

const benchRecord = 54 // bytes

// BenchmarkCommit appends and syncs, and in turn writes and syncs the same number
// of bytes to a plain file: x-floor is the ratio of the times.
func BenchmarkCommit(b *testing.B) {
	for _, n := range []int{1, 256, 4096} {
		for _, pre := range []bool{false, true} {
			b.Run(fmt.Sprintf("records=%d/prealloc=%v", n, pre), func(b *testing.B) { benchCommit(b, n, pre) })
		}
	}
}

func benchCommit(b *testing.B, n int, pre bool) {
	o := seglog.Options{SegmentBytes: 16 << 20}
	if pre {
		o.Prealloc = o.SegmentBytes
	}
	l, d := openOS(b, o)
	f, err := os.Create(filepath.Join(d, "floor"))
	require.NoError(b, err)
	defer f.Close()
	rec := make([]byte, benchRecord)
	for i := range rec {
		rec[i] = byte(i * 7)
	}
	var batch seglog.Batch
	var own, floor time.Duration
	var off int64
	out := make([]byte, n*(benchRecord+5))
	for b.Loop() {
		start := time.Now()
		batch.Reset()
		for range n {
			batch.Add(rec)
		}
		_, err := l.AppendBatch(&batch)
		if err = errors.Join(err, l.Sync()); err != nil {
			b.Fatal(err)
		}
		own += time.Since(start)
		start = time.Now()
		if _, err := f.WriteAt(out, off); err != nil {
			b.Fatal(err)
		}
		if err := unix.Fdatasync(int(f.Fd())); err != nil {
			b.Fatal(err)
		}
		floor += time.Since(start)
		off += int64(len(out))
		if off > 64<<20 {
			b.StopTimer()
			off = 0
			require.NoError(b, f.Truncate(0))
			_, err = l.TrimBefore(l.Synced())
			require.NoError(b, err)
			b.StartTimer()
		}
	}
	b.ReportMetric(float64(b.N*n)/own.Seconds(), "records/s")
	b.ReportMetric(float64(b.N*n)/floor.Seconds(), "floor-records/s")
	b.ReportMetric(own.Seconds()/floor.Seconds(), "x-floor")
}

// BenchmarkAppend is the log's own work, without the sync.
func BenchmarkAppend(b *testing.B) {
	l, _ := openOS(b, seglog.Options{SegmentBytes: 64 << 20})
	var batch seglog.Batch
	rec := make([]byte, benchRecord)
	b.SetBytes(256 * benchRecord)
	for b.Loop() {
		batch.Reset()
		for range 256 {
			batch.Add(rec)
		}
		if _, err := l.AppendBatch(&batch); err != nil {
			b.Fatal(err)
		}
		if l.Size() > 256<<20 {
			b.StopTimer()
			require.NoError(b, l.Sync())
			_, err := l.TrimBefore(l.Synced())
			require.NoError(b, err)
			b.StartTimer()
		}
	}
}

// BenchmarkReplay reads a log of 1 million records from its start, plain and packed.
func BenchmarkReplay(b *testing.B) {
	for _, codec := range []string{"plain", "zstd"} {
		b.Run(codec, func(b *testing.B) {
			l, _ := openOS(b, seglog.Options{SegmentBytes: 16 << 20, Codec: newZstd(b)})
			fill(b, l, 1, 1_000_001, benchRecord, 8192)
			if codec == "zstd" {
				_, err := l.CompressSealed(b.Context(), 0)
				require.NoError(b, err)
			}
			b.SetBytes(1_000_000 * benchRecord)
			for b.Loop() {
				r, err := l.Reader(1)
				require.NoError(b, err)
				n := 0
				for {
					if _, _, err = r.Next(); err != nil {
						break
					}
					n++
				}
				if !errors.Is(err, io.EOF) || n != 1_000_000 {
					b.Fatal(n, err)
				}
				require.NoError(b, r.Close())
			}
		})
	}
}

// BenchmarkOpen opens a log whose last segment is full.
func BenchmarkOpen(b *testing.B) {
	l, d := openOS(b, seglog.Options{SegmentBytes: 64 << 20})
	fill(b, l, 1, 1_000_001, benchRecord, 8192)
	require.NoError(b, l.Close())
	for b.Loop() {
		l, _, err := seglog.Open(d, seglog.Options{SegmentBytes: 64 << 20})
		require.NoError(b, err)
		require.NoError(b, l.Close())
	}
}
