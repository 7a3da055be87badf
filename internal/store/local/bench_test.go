package local_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
)

const benchEvent = 50 // bytes as received

// fleet makes calls of stretches like those of machines that send a reading and
// what goes with it each minute: field tags, a time, a meter's name, running sums.
type fleet struct {
	pad  int // events are made at least so long
	r    *rand.Rand
	last []uint64
	at   []int64
}

func newFleet(machines int) *fleet {
	return &fleet{pad: benchEvent, r: rand.New(rand.NewPCG(3, 4)), last: make([]uint64, machines), at: make([]int64, machines)}
}

// fill writes the next n events of each of some machines into call.
func (f *fleet) fill(call []store.Stretch, from, n int) []store.Stretch {
	for i := range call {
		m := (from + i) % len(f.last)
		x := &call[i]
		if x.Entries == nil {
			x.Entries = make([]store.Entry, n)
			for k := range x.Entries {
				x.Entries[k].Received = make([]byte, 0, benchEvent)
			}
		}
		if name := fmt.Sprintf("machines/machine-%05d", m); x.Stream != name {
			x.Stream = name
		}
		x.Expect = f.last[m]
		for k := range x.Entries {
			f.event(m, &x.Entries[k])
		}
	}
	return call
}

func (f *fleet) event(m int, e *store.Entry) {
	f.last[m]++
	f.at[m] += 15_000 + int64(f.r.IntN(40))
	at := moment.Instant(1_900_000_000_000 + f.at[m])
	b := e.Received[:0]
	b = binary.AppendUvarint(append(b, 0x08), uint64(at))
	switch f.last[m] % 4 {
	case 0:
		b = append(b, 0x52, 0x14, 0x0a, 0x06, 'e', 'n', 'g', 'i', 'n', 'e', 0x10)
		b = binary.AppendUvarint(b, uint64(7_574_400_000+f.at[m]/180_000*180_000))
	case 1:
		b = append(b, 0x52, 0x17, 0x0a, 0x09, 's', 'e', 'p', 'a', 'r', 'a', 't', 'o', 'r', 0x10)
		b = binary.AppendUvarint(b, uint64(5_400_000_000+f.at[m]*3/4))
	default:
		b = append(b, 0x72, 0x20, 0x0a, 0x03, 'f', 'a', 'n', 0x12, 0x0c, 0x08)
		b = binary.AppendUvarint(b, uint64(790_000+f.r.IntN(9000)))
		b = binary.AppendUvarint(append(b, 0x10), uint64(600_000+f.r.IntN(200_000)))
		b = binary.AppendUvarint(append(b, 0x18), uint64(50+f.r.IntN(10)))
	}
	for len(b) < f.pad {
		b = append(b, byte(len(b)))
	}
	epoch := [16]byte{15: 7}
	binary.BigEndian.PutUint64(epoch[:], uint64(m)*0x9E3779B97F4A7C15)
	*e = store.Entry{
		Key: maintenance.Key{Stream: epoch, Seq: f.last[m]}, Writer: maintenance.WriterAgent,
		At: moment.At(at), Known: at/60_000*60_000 + 60_000, Received: b,
	}
}

// BenchmarkAppend appends 20 stretches of 50 events and, in turn, writes and
// syncs the same bytes to a plain file.
func BenchmarkAppend(b *testing.B) {
	dir := b.TempDir()
	s, err := local.Open(dir, local.Options{})
	require.NoError(b, err)
	plain, err := os.Create(filepath.Join(dir, "plain"))
	require.NoError(b, err)
	f := newFleet(200)
	call := make([]store.Stretch, 20)
	var raw []byte
	var ours, theirs time.Duration
	calls := 0
	b.ReportAllocs()
	for b.Loop() {
		call = f.fill(call, calls*20, 50)
		raw = raw[:0]
		for i := range call {
			for k := range call[i].Entries {
				raw = append(raw, call[i].Entries[k].Received...)
			}
		}
		began := time.Now()
		if err := s.Append(context.Background(), call); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(began)
		began = time.Now()
		_, err := plain.Write(raw)
		if err == nil {
			err = unix.Fdatasync(int(plain.Fd()))
		}
		if err != nil {
			b.Fatal(err)
		}
		theirs += time.Since(began)
		calls++
	}
	b.ReportMetric(float64(ours)/float64(theirs), "x-of-plain")
	b.ReportMetric(float64(ours.Microseconds())/float64(calls), "append-us")
	b.ReportMetric(float64(calls)*1000/ours.Seconds(), "events/s")
	require.NoError(b, s.Close())
	require.NoError(b, plain.Close())
}

// unsyncedFS spares the syncs of what it creates: for tests in which no power is
// cut, and to show what the processor does.
type unsyncedFS struct{ seglog.OS }

type unsyncedFile struct{ seglog.File }

func (unsyncedFile) Sync() error { return nil }

func (u unsyncedFS) Create(name string) (seglog.File, error) {
	f, err := u.OS.Create(name)
	return unsyncedFile{f}, err
}

// BenchmarkAppendUnsynced is Append without the disk, folding included.
func BenchmarkAppendUnsynced(b *testing.B) {
	for _, shape := range []struct{ stretches, entries int }{{20, 50}, {200, 5}, {1000, 1}} {
		b.Run(fmt.Sprintf("%dx%d", shape.stretches, shape.entries), func(b *testing.B) {
			s, err := local.Open(b.TempDir(), local.Options{FS: unsyncedFS{}})
			require.NoError(b, err)
			f := newFleet(1000)
			call := make([]store.Stretch, shape.stretches)
			calls := 0
			var ours time.Duration
			b.ReportAllocs()
			for b.Loop() {
				call = f.fill(call, calls*shape.stretches, shape.entries)
				began := time.Now()
				if err := s.Append(context.Background(), call); err != nil {
					b.Fatal(err)
				}
				ours += time.Since(began)
				calls++
			}
			b.ReportMetric(float64(ours.Nanoseconds())/float64(calls*shape.stretches*shape.entries), "ns/event")
			b.ReportMetric(float64(s.Stats().Waits), "waits")
			require.NoError(b, s.Close())
		})
	}
}

// BenchmarkKept folds and packs a million events of 100 machines and says what
// they take, how fast they are folded, read and replayed.
func BenchmarkKept(b *testing.B) {
	const machines, entries, rounds = 100, 50, 200
	for b.Loop() {
		dir := b.TempDir()
		var folded struct {
			sync.Mutex
			d       time.Duration
			records int
		}
		o := local.Options{FS: unsyncedFS{}, SegmentBytes: 8 << 20, Hooks: local.Hooks{Folded: func(d time.Duration, records int, _ int64) {
			folded.Lock()
			defer folded.Unlock()
			folded.d, folded.records = folded.d+d, folded.records+records
		}}}
		s, err := local.Open(dir, o)
		require.NoError(b, err)
		f := newFleet(machines)
		f.pad = 0
		raw := 0
		call := make([]store.Stretch, machines)
		for range rounds {
			call = f.fill(call, 0, entries)
			require.NoError(b, s.Append(b.Context(), call))
			for i := range call {
				for k := range call[i].Entries {
					raw += len(call[i].Entries[k].Received)
				}
			}
		}
		const events = machines * entries * rounds
		b.ReportMetric(float64(raw)/events, "received-B/event")
		b.ReportMetric(float64(s.Stats().JournalBytes)/events, "journal-B/event")
		require.NoError(b, s.Fold(b.Context()))
		folded.Lock()
		b.ReportMetric(float64(folded.records*entries)/folded.d.Seconds(), "folded-events/s")
		folded.Unlock()
		began := time.Now()
		m, err := s.Maintain(b.Context())
		require.NoError(b, err)
		b.ReportMetric(float64(m.After)/float64(m.Before), "packed-ratio")
		b.ReportMetric(float64(m.Before)/1e6/time.Since(began).Seconds(), "pack-MB/s")
		b.ReportMetric(float64(s.Stats().JournalBytes)/events, "packed-journal-B/event")
		began = time.Now()
		n := readEverything(b, s)
		b.ReportMetric(float64(n)/time.Since(began).Seconds(), "read-events/s")
		b.ReportMetric(float64(s.Stats().FoldsUsed)/events, "folds-B/event")
		require.NoError(b, s.Close())

		require.NoError(b, os.Remove(filepath.Join(dir, "folds.bolt")))
		began = time.Now()
		s, err = local.Open(dir, o)
		require.NoError(b, err)
		b.ReportMetric(events/time.Since(began).Seconds(), "rebuilt-events/s")
		require.NoError(b, s.Close())
	}
}

func readEverything(b *testing.B, s store.Store) (n int) {
	require.NoError(b, s.Streams(b.Context(), func(name string, _ uint64) bool {
		require.NoError(b, s.Read(b.Context(), name, 1, func(store.Entry) bool { n++; return true }))
		return true
	}))
	return n
}

// BenchmarkMemory says what an open store of 10,000 machines holds in memory,
// with nothing waiting to be folded.
func BenchmarkMemory(b *testing.B) {
	const machines = 10_000
	for b.Loop() {
		dir := b.TempDir()
		before := heap()
		s, err := local.Open(dir, local.Options{FS: unsyncedFS{}})
		require.NoError(b, err)
		f := newFleet(machines)
		call := make([]store.Stretch, machines)
		for range 10 {
			call = f.fill(call, 0, 5)
			require.NoError(b, s.Append(b.Context(), call))
		}
		full := heap()
		require.NoError(b, s.Fold(b.Context()))
		call, f = nil, nil
		b.ReportMetric(float64(full-before)/1e6, "waiting-MB")
		b.ReportMetric(float64(heap()-before)/machines, "idle-B/machine")
		require.NoError(b, s.Close())
	}
}

func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
