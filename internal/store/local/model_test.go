package local_test

import (
	"context"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/internal/store/storetest"
)

// crashModel is a store whose journal stands in a file system that forgets at a
// crash what was not synced, and whose folds meet what folds meet.
type crashModel struct {
	storetest.Model
	dir string
	fs  *seglogtest.FS
	old []byte // folds of some time ago
}

func TestModelWithCrashes(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir := t.TempDir()
		m := &crashModel{dir: dir, fs: seglogtest.New(dir)}
		m.Oracle, m.MayLose = storetest.NewOracle(), true
		m.open(rt)
		defer func() { _ = m.Store.Close() }() // rapid may leave a case halfway
		actions := m.Actions()
		actions["append again"] = actions["append"]
		actions["fold"] = m.fold
		actions["maintain"] = m.maintain
		actions["crash"] = m.crash
		actions["failing append"] = m.failingAppend
		rt.Repeat(actions)
		if err := m.Store.Close(); err != nil {
			rt.Fatal(err)
		}
	})
}

func (m *crashModel) open(rt *rapid.T) {
	o := local.UnsyncedFolds(local.Options{FS: m.fs, FoldBytes: 2 << 10, TailBytes: 16 << 10, SegmentBytes: 8 << 10})
	s, err := local.Open(m.dir, o)
	if err != nil {
		rt.Fatal(err)
	}
	rec := s.Recovery()
	if s.Restored() || rec.Unread > 0 || len(rec.Lost) > 0 {
		rt.Fatalf("nothing was lost, but: %+v", rec)
	}
	m.Store = s
}

func (m *crashModel) local() *local.Store { return m.Store.(*local.Store) }

func (m *crashModel) fold(rt *rapid.T) {
	if err := m.local().Fold(context.Background()); err != nil {
		rt.Fatal(err)
	}
	if rapid.Bool().Draw(rt, "keep folds") {
		m.old = m.folds(rt)
	}
}

func (m *crashModel) maintain(rt *rapid.T) {
	if _, err := m.local().Maintain(context.Background()); err != nil {
		rt.Fatal(err)
	}
}

func (m *crashModel) folds(rt *rapid.T) []byte {
	data, err := os.ReadFile(filepath.Join(m.dir, "folds.bolt"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		rt.Fatal(err)
	}
	return data
}

// failingAppend makes some operation of the disk fail during an append.
func (m *crashModel) failingAppend(rt *rapid.T) {
	call := m.Draw(rt)
	m.fs.FailAt(rapid.IntRange(1, 4).Draw(rt, "operation"), syscall.EIO)
	m.Oracle.Flying(call)
	err := m.Store.Append(context.Background(), call)
	m.fs.Fail(nil)
	if err == nil {
		m.Oracle.Land(call)
	} else if !errors.Is(err, store.ErrBroken) || !errors.Is(err, syscall.EIO) {
		rt.Fatalf("a failed disk gives %v", err)
	}
	m.crash(rt)
}

// crash cuts the power and opens what is left, with folds in some state.
func (m *crashModel) crash(rt *rapid.T) {
	var tear *rand.Rand
	if rapid.Bool().Draw(rt, "torn") {
		tear = rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "tear"), 0))
	}
	folds := m.folds(rt) // maybe amid a commit
	m.fs.Crash(tear)
	_ = m.Store.Close() // its journal is gone from under it
	flipped := m.putFolds(rt, folds)
	m.open(rt)
	if flipped {
		m.live(rt)
	}
	m.Compare(rt)
}

// putFolds puts the folds there that the next open finds.
func (m *crashModel) putFolds(rt *rapid.T, now []byte) (flipped bool) {
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "damage"), 0))
	fate := rapid.SampledFrom([]string{"whole", "whole", "old", "cut", "gone", "flipped", "foreign"}).Draw(rt, "folds")
	switch fate {
	case "old":
		now = m.old
	case "cut":
		now = now[:r.IntN(len(now)+1)]
	case "gone":
		now = nil
	case "flipped":
		flip(r, now, 1+r.IntN(8))
	case "foreign":
		now = []byte("this is not what it should be")
	}
	m.dropFolds(rt)
	if now != nil {
		if err := os.WriteFile(filepath.Join(m.dir, "folds.bolt"), now, 0o600); err != nil {
			rt.Fatal(err)
		}
	}
	return fate == "flipped"
}

func (m *crashModel) dropFolds(rt *rapid.T) {
	if err := os.Remove(filepath.Join(m.dir, "folds.bolt")); err != nil && !errors.Is(err, fs.ErrNotExist) {
		rt.Fatal(err)
	}
}

// live goes on with folds in which bits were flipped. That may show at any time:
// what is read is right, or the store is broken by its folds. In the end new
// ones are made.
func (m *crashModel) live(rt *rapid.T) {
	ctx := context.Background()
	for range 3 {
		err := m.Oracle.Compare(ctx, m.Store, true)
		call := m.Draw(rt)
		if err == nil {
			m.Oracle.Flying(call)
			if err = m.Store.Append(ctx, call); err == nil {
				m.Oracle.Land(call)
				err = m.local().Fold(ctx)
			}
		}
		if err == nil {
			continue
		}
		if broken := m.local().Stats().Broken; !errors.Is(err, store.ErrBroken) || !errors.Is(broken, store.ErrBroken) {
			rt.Fatalf("damage of folds must be mended or break the store: %v", err)
		}
		_ = m.Store.Close() // it is broken
		m.open(rt)
	}
	_ = m.Store.Close() // it may be broken
	m.dropFolds(rt)
	m.open(rt)
}

func flip(r *rand.Rand, b []byte, n int) {
	for range n {
		if len(b) > 0 {
			b[r.IntN(len(b))] ^= 1 << r.IntN(8)
		}
	}
}

// TestControlWithoutSyncs shows that the model's file system catches a journal
// that is not synced.
func TestControlWithoutSyncs(t *testing.T) {
	dir := t.TempDir()
	mem := seglogtest.New(dir)
	mem.SkipSync()
	s := mustOpen(t, dir, local.Options{FS: mem})
	o := storetest.NewOracle()
	call := []store.Stretch{storetest.Stretch(rand.New(rand.NewPCG(1, 1)), "office", 0, 10)}
	require.NoError(t, s.Append(t.Context(), call))
	o.Acked(call)
	mem.Crash(nil)
	_ = s.Close() // its journal is gone from under it
	s, err := local.Open(dir, local.Options{FS: mem})
	require.NoError(t, err)
	require.Error(t, o.Compare(t.Context(), s, false))
	require.NoError(t, s.Close())
}
