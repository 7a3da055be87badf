package local_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/internal/store/storetest"
)

// TestBackPressure holds folding up: Append waits when the tail is full, gives
// up with its context having written nothing, and goes on when folding does.
func TestBackPressure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		o := local.Options{FoldBytes: 1 << 10, TailBytes: 4 << 10, Hooks: local.Hooks{Folded: func(time.Duration, int, int64) { <-hold }}}
		s := mustOpen(t, t.TempDir(), o)
		oracle, r := storetest.NewOracle(), rand.New(rand.NewPCG(1, 1))
		ctx, cancel := context.WithCancel(t.Context())
		failed := make(chan error)
		go func() {
			for {
				call := []store.Stretch{storetest.Stretch(r, "office", oracle.Last("office"), 5)}
				if err := s.Append(ctx, call); err != nil {
					failed <- err
					return
				}
				oracle.Acked(call)
			}
		}()
		synctest.Wait()
		assert.Positive(t, s.Stats().Waits)
		assert.GreaterOrEqual(t, s.Stats().LagBytes, int64(2<<10))
		require.NoError(t, oracle.Compare(t.Context(), s, false), "reading goes on")
		cancel()
		require.ErrorIs(t, <-failed, context.Canceled)
		close(hold)
		require.NoError(t, oracle.Compare(t.Context(), s, false))
		for range 50 {
			call := []store.Stretch{storetest.Stretch(r, "office", oracle.Last("office"), 5)}
			require.NoError(t, s.Append(t.Context(), call))
			oracle.Acked(call)
		}
		require.NoError(t, oracle.Compare(t.Context(), s, false))
		storetest.Close(t, s)
	})
}

// TestFoldAge folds the little that is there, after a while.
func TestFoldAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := mustOpen(t, t.TempDir(), local.Options{FoldAge: time.Hour})
		call := []store.Stretch{storetest.Stretch(rand.New(rand.NewPCG(1, 1)), "office", 0, 5)}
		require.NoError(t, s.Append(t.Context(), call))
		assert.Equal(t, 1, s.Stats().LagRecords)
		time.Sleep(59 * time.Minute)
		synctest.Wait()
		assert.Equal(t, 1, s.Stats().LagRecords)
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		assert.Zero(t, s.Stats().LagRecords)
		assert.Zero(t, s.Stats().LagBytes)
		storetest.Close(t, s)
	})
}

// gateFS lets syncs of files through one at a time, as told.
type gateFS struct {
	seglog.OS
	gate  chan struct{}
	syncs *atomic.Int32
}

type gateFile struct {
	seglog.File
	fs gateFS
}

func (g gateFS) Create(name string) (seglog.File, error) {
	f, err := g.OS.Create(name)
	return gateFile{f, g}, err
}

func (f gateFile) Sync() error {
	f.fs.syncs.Add(1)
	<-f.fs.gate
	return f.File.Sync()
}

// TestOneSyncForMany: calls that come while a sync is under way share the next.
func TestOneSyncForMany(t *testing.T) {
	g := gateFS{gate: make(chan struct{}, 100), syncs: new(atomic.Int32)}
	for range cap(g.gate) {
		g.gate <- struct{}{}
	}
	s := mustOpen(t, t.TempDir(), local.Options{FS: g})
	for len(g.gate) > 0 {
		<-g.gate
	}
	opened := g.syncs.Load()
	var wg sync.WaitGroup
	add := func(name string) {
		wg.Go(func() {
			assert.NoError(t, s.Append(context.Background(), []store.Stretch{{Stream: name, Entries: make([]store.Entry, 1)}}))
		})
	}
	add("first")
	for g.syncs.Load() == opened {
		runtime.Gosched()
	}
	for _, name := range []string{"b", "c", "d", "e", "f", "g"} {
		add(name)
	}
	for s.Stats().LagRecords < 7 {
		runtime.Gosched()
	}
	heads, err := storetest.Heads(t.Context(), s)
	require.NoError(t, err)
	assert.Empty(t, heads, "nothing is seen before it is synced")
	close(g.gate)
	wg.Wait()
	assert.Equal(t, opened+2, g.syncs.Load())
	storetest.Close(t, s)
}

func TestHooksAndStats(t *testing.T) {
	var mu sync.Mutex
	var entries, size, syncs, folded int
	clock := time.Unix(1_900_000_000, 0)
	o := local.Options{
		Now: func() time.Time { mu.Lock(); defer mu.Unlock(); clock = clock.Add(time.Millisecond); return clock },
		Hooks: local.Hooks{
			Appended: func(d time.Duration, n, bytes int) {
				mu.Lock()
				defer mu.Unlock()
				assert.Equal(t, 3*time.Millisecond, d)
				entries, size = entries+n, size+bytes
			},
			Synced: func(d time.Duration) { mu.Lock(); defer mu.Unlock(); syncs++; assert.Equal(t, time.Millisecond, d) },
			Folded: func(d time.Duration, records int, bytes int64) {
				mu.Lock()
				defer mu.Unlock()
				folded += records
				assert.Equal(t, time.Millisecond, d)
				assert.Positive(t, bytes)
			},
		},
	}
	dir := filepath.Join(t.TempDir(), "a", "b")
	s := mustOpen(t, dir, o)
	assert.True(t, s.Recovery().New)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range uint64(4) {
		require.NoError(t, s.Append(t.Context(), []store.Stretch{storetest.Stretch(r, "office", i*3, 3), storetest.Stretch(r, "machines/a", i*2, 2)}))
	}
	require.NoError(t, s.Append(t.Context(), nil))
	st := s.Stats()
	assert.Equal(t, 2, st.Streams)
	assert.Equal(t, 8, st.LagRecords)
	assert.Equal(t, uint64(8), st.JournalRecords)
	assert.Equal(t, 1, st.JournalSegments)
	assert.Greater(t, st.JournalBytes, int64(size))
	assert.GreaterOrEqual(t, st.LagBytes, int64(size))
	require.NoError(t, s.Fold(t.Context()))
	assert.Zero(t, s.Stats().LagRecords)
	assert.Positive(t, s.Stats().FoldsUsed)
	assert.GreaterOrEqual(t, s.Stats().FoldsBytes, s.Stats().FoldsUsed)
	assert.Equal(t, []int{20, 4, 8}, []int{entries, syncs, folded})
	require.NoError(t, s.Probe(t.Context()))
	storetest.Close(t, s)
	assert.Equal(t, 2, s.Stats().Streams, "a closed store still tells")
	s = mustOpen(t, dir, local.Options{})
	assert.False(t, s.Recovery().New)
	assert.Zero(t, s.Recovery().Replayed, "Close has folded")
	storetest.Close(t, s)
}

func TestMaintain(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, local.Options{SegmentBytes: 16 << 10})
	oracle, f := storetest.NewOracle(), newFleet(2)
	for range 40 {
		call := f.fill(make([]store.Stretch, 2), 0, 50)
		require.NoError(t, s.Append(t.Context(), call))
		oracle.Acked(call)
	}
	before := s.Stats()
	m, err := s.Maintain(t.Context())
	require.NoError(t, err)
	after := s.Stats()
	assert.Equal(t, before.JournalSegments-1, m.Segments)
	assert.Equal(t, m.Segments, after.JournalPacked)
	assert.Less(t, m.After, m.Before)
	assert.Equal(t, m.Before-m.After, before.JournalBytes-after.JournalBytes)
	m, err = s.Maintain(t.Context())
	require.NoError(t, err)
	assert.Zero(t, m.Segments, "once is enough")
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	storetest.Close(t, s)
	s = mustOpen(t, dir, local.Options{})
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	storetest.Close(t, s)
}

func TestOptionsRefused(t *testing.T) {
	for _, o := range []local.Options{{FoldBytes: -1}, {FoldAge: -1}, {FoldBytes: 100, TailBytes: 150}, {MaxFoldsBytes: 5}, {SegmentBytes: 1}} {
		_, err := local.Open(t.TempDir(), o)
		require.Error(t, err, "%+v", o)
	}
}

// TestMaxFolds: folds that may not grow break the store, lose nothing, and work
// again with more room.
func TestMaxFolds(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, local.Options{MaxFoldsBytes: 1 << 20, FoldBytes: 64 << 10})
	oracle, r := storetest.NewOracle(), rand.New(rand.NewPCG(1, 1))
	var err error
	for i := 0; i < 400 && err == nil; i++ {
		noise := make([]byte, 8000)
		for k := range noise {
			noise[k] = byte(r.UintN(256))
		}
		call := []store.Stretch{{Stream: "office", Expect: oracle.Last("office"), Entries: []store.Entry{{Received: noise}}}}
		oracle.Flying(call)
		if err = s.Append(t.Context(), call); err == nil {
			oracle.Land(call)
		}
	}
	require.ErrorIs(t, err, store.ErrBroken)
	require.NoError(t, s.Close())
	s = mustOpen(t, dir, local.Options{})
	require.NoError(t, oracle.Compare(t.Context(), s, true))
	assert.Zero(t, s.Stats().SetAside, "they were whole")
	storetest.Close(t, s)
}

// TestSaid: what happens to the folds is told to the logger, once.
func TestSaid(t *testing.T) {
	dir := t.TempDir()
	storetest.Close(t, mustOpen(t, dir, local.Options{}))
	edit(t, foldsOf(dir), func(b []byte) []byte { return b[:100] })
	var said bytes.Buffer
	s := mustOpen(t, dir, local.Options{Logger: slog.New(slog.NewTextHandler(&said, nil))})
	storetest.Close(t, s)
	assert.Equal(t, 1, bytes.Count(said.Bytes(), []byte("folds are set aside")), said.String())
}

// TestCloseWhileBusy closes a store under its callers: each call is done or
// refused, and what was done is there.
func TestCloseWhileBusy(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, small())
	oracle := storetest.NewOracle()
	var wg sync.WaitGroup
	begun := make(chan struct{})
	wg.Go(func() {
		r := rand.New(rand.NewPCG(1, 1))
		for i := 0; ; i++ {
			call := []store.Stretch{storetest.Stretch(r, "office", oracle.Last("office"), 5)}
			if err := s.Append(context.Background(), call); err != nil {
				assert.ErrorIs(t, err, store.ErrClosed)
				return
			}
			oracle.Acked(call)
			if i == 10 {
				close(begun)
			}
		}
	})
	wg.Go(func() {
		for {
			if _, err := storetest.ReadAll(context.Background(), s, "office", 1); err != nil {
				assert.True(t, errors.Is(err, store.ErrClosed), "%v", err)
				return
			}
		}
	})
	<-begun
	require.NoError(t, s.Close())
	wg.Wait()
	s = mustOpen(t, dir, small())
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	storetest.Close(t, s)
}
