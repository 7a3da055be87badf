package local_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/internal/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// small makes folding and sealing happen all the time.
func small() local.Options {
	return local.Options{FoldBytes: 4 << 10, TailBytes: 64 << 10, SegmentBytes: 32 << 10}
}

// unsynced is small for tests in which no power is cut.
func unsynced() local.Options {
	o := small()
	o.FS = unsyncedFS{}
	return local.UnsyncedFolds(o)
}

func TestConformance(t *testing.T) {
	for name, o := range map[string]local.Options{"Small": unsynced(), "Default": {}} {
		t.Run(name, func(t *testing.T) {
			storetest.Run(t, func(t *testing.T) storetest.Opener {
				dir := t.TempDir()
				return func() (store.Store, error) { return local.Open(dir, o) }
			})
		})
	}
}

func TestModel(t *testing.T) {
	storetest.RunModel(t, func(t *testing.T) storetest.Opener {
		dir := t.TempDir()
		return func() (store.Store, error) {
			s, err := local.Open(dir, unsynced())
			if err == nil && s.Stats().SetAside > 0 {
				err = errors.Join(errors.New("good folds are set aside"), s.Close())
			}
			return s, err
		}
	})
}

// TestGrownFolds has folds grow in every direction, with blocks merged and
// checkpoints written over, and looks at their pages at each open.
func TestGrownFolds(t *testing.T) {
	dir := t.TempDir()
	f := newFleet(1500)
	oracle := storetest.NewOracle()
	o := local.UnsyncedFolds(local.Options{FS: unsyncedFS{}, FoldBytes: 256 << 10})
	for round := range 6 {
		s := mustOpen(t, dir, o)
		require.Empty(t, s.Recovery().SetAside)
		require.Zero(t, s.Recovery().Replayed)
		for i := range 4 {
			call := f.fill(make([]store.Stretch, 600), 400*i+77*round, 1+4*((i+round)%3))
			require.NoError(t, s.Append(t.Context(), call))
			oracle.Acked(call)
			checkpoints := make([]store.Checkpoint, 100)
			for k := range checkpoints {
				x := &call[5*k]
				checkpoints[k] = store.Checkpoint{Stream: x.Stream, Revision: oracle.Last(x.Stream), Fold: call[k].Entries[0].Received}
			}
			require.NoError(t, s.SaveCheckpoints(t.Context(), checkpoints))
			oracle.Saved(checkpoints)
		}
		require.NoError(t, oracle.Compare(t.Context(), s, false))
		require.NoError(t, s.Close())
	}
}

func mustOpen(t testing.TB, dir string, o local.Options) *local.Store {
	t.Helper()
	s, err := local.Open(dir, o)
	require.NoError(t, err)
	return s
}
