package spool_test

import (
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/spool"
)

// fullSpool fills a spool of the default size on the disk with unacknowledged readings.
func fullSpool(b *testing.B) (string, spool.Options) {
	b.Helper()
	folder := filepath.Join(b.TempDir(), "spool")
	o := diskOptions()
	o.MaxBytes = spool.DefaultMaxBytes
	at := time.Date(2031, 7, 20, 9, 0, 0, 0, time.UTC)
	o.Now = func() time.Time { at = at.Add(time.Minute); return at }
	s, err := spool.Open(folder, o)
	require.NoError(b, err)
	events := make([]spool.Event, 1000)
	for i := range events {
		events[i] = event(spool.Reading, uint16(i%2), i, 54)
	}
	for s.Stats().Bytes < o.MaxBytes*9/10 {
		_, err := s.Append(bg, events...)
		require.NoError(b, err)
	}
	require.NoError(b, s.Close())
	return folder, o
}

// BenchmarkAppend is one append with its sync, of 1 and of 50 events.
func BenchmarkAppend(b *testing.B) {
	for _, n := range []int{1, 50} {
		b.Run(map[int]string{1: "events=1", 50: "events=50"}[n], func(b *testing.B) {
			o := diskOptions()
			o.MaxBytes = spool.DefaultMaxBytes
			s, err := spool.Open(filepath.Join(b.TempDir(), "spool"), o)
			require.NoError(b, err)
			events := make([]spool.Event, n)
			for i := range events {
				events[i] = event(spool.Reading, 1, i, 54)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Append(bg, events...); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "events/s")
			require.NoError(b, s.Close())
		})
	}
}

// BenchmarkOpen opens a full spool with nothing acknowledged, and tells what it
// then holds in memory.
func BenchmarkOpen(b *testing.B) {
	folder, o := fullSpool(b)
	var held float64
	for b.Loop() {
		var before, after runtime.MemStats
		b.StopTimer()
		runtime.GC()
		runtime.ReadMemStats(&before)
		b.StartTimer()
		s, err := spool.Open(folder, o)
		require.NoError(b, err)
		b.StopTimer()
		runtime.GC()
		runtime.ReadMemStats(&after)
		held = float64(after.HeapAlloc) - float64(before.HeapAlloc)
		require.NoError(b, s.Close())
		b.StartTimer()
	}
	b.ReportMetric(held/1024, "KiB-held")
}

// BenchmarkReadFrom reads a full spool through, 50 events at a time.
func BenchmarkReadFrom(b *testing.B) {
	folder, o := fullSpool(b)
	s, err := spool.Open(folder, o)
	require.NoError(b, err)
	n := 0
	for b.Loop() {
		for next := uint64(1); ; {
			batch, err := s.ReadFrom(bg, next, 50, 1<<20)
			if err != nil {
				b.Fatal(err)
			}
			if len(batch.Items) == 0 {
				break
			}
			n += len(batch.Items)
			next = batch.Last + 1
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "events/s")
	require.NoError(b, s.Close())
}
