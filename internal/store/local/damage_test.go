package local_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/internal/store/storetest"
)

// filled makes a store with some streams of some hundred entries, folded but for
// the last calls, and closes it.
func filled(t testing.TB, dir string, o local.Options) *storetest.Oracle {
	t.Helper()
	s := mustOpen(t, dir, o)
	oracle := storetest.NewOracle()
	grow(t, s, oracle, 30)
	require.NoError(t, s.Fold(t.Context()))
	grow(t, s, oracle, 3)
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	storetest.Close(t, s)
	return oracle
}

func grow(t testing.TB, s *local.Store, o *storetest.Oracle, calls int) {
	t.Helper()
	r := rand.New(rand.NewPCG(o.Last("office"), 1))
	for i := range calls {
		call := []store.Stretch{
			storetest.Stretch(r, "office", o.Last("office"), 2),
			storetest.Stretch(r, fmt.Sprint("machines/", i%5), o.Last(fmt.Sprint("machines/", i%5)), 1+r.IntN(60)),
		}
		require.NoError(t, s.Append(t.Context(), call))
		o.Acked(call)
		if i%7 == 0 {
			c := []store.Checkpoint{{Stream: "office", Revision: o.Last("office"), Fold: bytes.Repeat([]byte{byte(i)}, 100*i)}}
			require.NoError(t, s.SaveCheckpoints(t.Context(), c))
			o.Saved(c)
		}
	}
}

func copyDir(t testing.TB, from string) string {
	t.Helper()
	to := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(to, "store"), os.DirFS(from)))
	return filepath.Join(to, "store")
}

func foldsOf(dir string) string { return filepath.Join(dir, "folds.bolt") }

// edit changes a file's bytes.
func edit(t testing.TB, path string, change func(b []byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, change(b), 0o600))
}

// mustRecover opens a store whose folds were harmed and checks that everything is
// there, with one more open if the harm is met by a read.
func mustRecover(t *testing.T, dir string, oracle *storetest.Oracle) *local.Store {
	t.Helper()
	s := mustOpen(t, dir, unsynced())
	err := oracle.Compare(t.Context(), s, true)
	if broken := s.Stats().Broken; broken != nil {
		require.ErrorIs(t, broken, store.ErrBroken)
		require.NoError(t, s.Close())
		s = mustOpen(t, dir, unsynced())
		err = oracle.Compare(t.Context(), s, true)
	}
	require.NoError(t, err)
	require.False(t, s.Restored(), "nothing was lost: %v", s.Recovery())
	grow(t, s, oracle, 2)
	require.NoError(t, oracle.Compare(t.Context(), s, true))
	return s
}

func TestFoldsHarmed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle := filled(t, dir, unsynced())
	early, err := os.ReadFile(foldsOf(dir))
	require.NoError(t, err)
	s := mustOpen(t, dir, unsynced())
	grow(t, s, oracle, 30)
	storetest.Close(t, s)

	aside := map[string]func(b []byte) []byte{
		"empty":             func([]byte) []byte { return nil },
		"one page":          func(b []byte) []byte { return b[:4096] },
		"a page short":      func(b []byte) []byte { return b[:len(b)/2/4096*4096] },
		"an odd length":     func(b []byte) []byte { return b[:len(b)/3+7] },
		"another file":      func([]byte) []byte { return []byte("a text that somebody has put here") },
		"zeros":             func(b []byte) []byte { return make([]byte, len(b)) },
		"both metas zeroed": func(b []byte) []byte { clear(b[:8192]); return b },
	}
	for name, harm := range aside {
		t.Run(name, func(t *testing.T) {
			dir := copyDir(t, dir)
			edit(t, foldsOf(dir), harm)
			s := mustRecover(t, dir, oracle.Clone())
			assert.Equal(t, 1, s.Stats().SetAside)
			assert.Len(t, s.Recovery().SetAside, 1)
			kept, err := os.ReadDir(filepath.Join(dir, "aside"))
			require.NoError(t, err)
			assert.Len(t, kept, 1)
			storetest.Close(t, s)
			s = mustOpen(t, dir, unsynced())
			assert.Equal(t, 1, s.Stats().SetAside, "counted for good")
			assert.Empty(t, s.Recovery().SetAside)
			storetest.Close(t, s)
		})
	}
	t.Run("gone", func(t *testing.T) {
		dir := copyDir(t, dir)
		require.NoError(t, os.Remove(foldsOf(dir)))
		s := mustRecover(t, dir, oracle.Clone())
		assert.True(t, s.Recovery().Rebuilt)
		assert.Zero(t, s.Stats().SetAside)
		storetest.Close(t, s)
	})
	t.Run("older", func(t *testing.T) {
		dir := copyDir(t, dir)
		edit(t, foldsOf(dir), func([]byte) []byte { return early })
		s := mustRecover(t, dir, oracle.Clone())
		assert.Zero(t, s.Stats().SetAside)
		assert.False(t, s.Recovery().Rebuilt)
		assert.Greater(t, s.Recovery().Replayed, 20)
		storetest.Close(t, s)
	})
}

// TestFoldsFlipped flips bits anywhere in the folds: what is read is right, at
// the latest after another open.
func TestFoldsFlipped(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle := filled(t, dir, unsynced())
	s := mustOpen(t, dir, unsynced())
	require.NoError(t, s.Fold(t.Context()))
	storetest.Close(t, s)
	aside, repaired := 0, 0
	for seed := range uint64(60) {
		dir := copyDir(t, dir)
		r := rand.New(rand.NewPCG(seed, 7))
		edit(t, foldsOf(dir), func(b []byte) []byte {
			if seed%2 == 0 {
				flip(r, b, 1+r.IntN(4))
				return b
			}
			page := b[r.IntN(len(b)/4096)*4096:]
			flip(r, page[:64], 1) // where a page says what it holds
			return b
		})
		s := mustRecover(t, dir, oracle.Clone())
		aside, repaired = aside+s.Stats().SetAside, repaired+s.Stats().Repaired
		storetest.Close(t, s)
		require.NoError(t, os.RemoveAll(dir))
	}
	t.Logf("set aside %d, repaired %d", aside, repaired)
	assert.Positive(t, repaired)
}

// hit flips a bit of what is found in a file, as often as it is there.
func hit(t testing.TB, path string, needle []byte) {
	t.Helper()
	edit(t, path, func(b []byte) []byte {
		n := 0
		for off := 0; ; n++ {
			i := bytes.Index(b[off:], needle)
			if i < 0 {
				break
			}
			b[off+i+len(needle)/2] ^= 0x10
			off += i + len(needle)
		}
		require.Positive(t, n, "nothing to hit in %s", path)
		return b
	})
}

func TestBlockRepaired(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle, needle := singles(t, dir)
	hit(t, foldsOf(dir), needle)
	s := mustOpen(t, dir, unsynced())
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	assert.Equal(t, 1, s.Stats().Repaired)
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	assert.Equal(t, 1, s.Stats().Repaired, "once is enough")
	storetest.Close(t, s)
	s = mustOpen(t, dir, unsynced())
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	assert.Zero(t, s.Stats().Repaired, "and lasts")
	storetest.Close(t, s)
}

// singles makes a stream of entries that each have a length of their own and
// noise that does not compress, so that the noise stands in the folds as it is.
func singles(t testing.TB, dir string) (*storetest.Oracle, []byte) {
	t.Helper()
	s := mustOpen(t, dir, unsynced())
	oracle := storetest.NewOracle()
	r := rand.New(rand.NewPCG(9, 9))
	var needle []byte
	for i := range 60 {
		noise := make([]byte, 3000+i)
		for k := range noise {
			noise[k] = byte(r.UintN(256))
		}
		if i == 20 {
			needle = noise[100:132]
		}
		call := []store.Stretch{{Stream: "machines/a", Expect: uint64(i), Entries: []store.Entry{{Received: noise}}}}
		require.NoError(t, s.Append(t.Context(), call))
		oracle.Acked(call)
	}
	c := []store.Checkpoint{{Stream: "machines/a", Revision: 50, Fold: []byte("a fold: and little else")}}
	require.NoError(t, s.SaveCheckpoints(t.Context(), c))
	oracle.Saved(c)
	storetest.Close(t, s)
	return oracle, needle
}

func TestDamageOfJournalAndFolds(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle, needle := singles(t, dir)
	var journal string
	segments, err := filepath.Glob(filepath.Join(dir, "journal", "*.seg"))
	require.NoError(t, err)
	for _, path := range segments {
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		if bytes.Contains(b, needle) {
			journal = path
		}
	}
	require.NotEmpty(t, journal)
	hit(t, journal, needle)

	t.Run("the journal alone", func(t *testing.T) {
		dir := copyDir(t, dir)
		s := mustOpen(t, dir, unsynced())
		require.NoError(t, oracle.Compare(t.Context(), s, false), "the folds have it")
		assert.False(t, s.Restored())
		storetest.Close(t, s)
	})
	t.Run("the folds too", func(t *testing.T) {
		dir := copyDir(t, dir)
		hit(t, foldsOf(dir), needle)
		s := mustOpen(t, dir, unsynced())
		wantHole(t, s, oracle)
		assert.Equal(t, 1, s.Stats().Repaired)
		wantHole(t, s, oracle)
		assert.Equal(t, 1, s.Stats().Repaired, "what is lost is noted")
		require.NoError(t, s.Close())
	})
	t.Run("folds gone", func(t *testing.T) {
		dir := copyDir(t, dir)
		require.NoError(t, os.Remove(foldsOf(dir)))
		before := mustIncarnation(t, dir)
		s := mustOpen(t, dir, unsynced())
		assert.Equal(t, uint64(1), s.Recovery().Unread)
		assert.Equal(t, []store.DamagedError{{Stream: "machines/a", From: 21, To: 22, Why: "the record is damaged in the journal"}}, s.Recovery().Lost)
		assert.True(t, s.Restored(), "agents are asked for what was lost")
		assert.NotEqual(t, before, s.Incarnation())
		wantHole(t, s, oracle)
		require.NoError(t, s.Fold(t.Context()))
		wantHole(t, s, oracle)
		require.NoError(t, s.Close())
		s = mustOpen(t, dir, unsynced())
		assert.False(t, s.Restored(), "said once")
		wantHole(t, s, oracle)
		require.NoError(t, s.Close())
	})
}

// wantHole reads a stream of which revision 21 is lost.
func wantHole(t *testing.T, s *local.Store, o *storetest.Oracle) {
	t.Helper()
	want := o.Entries("machines/a")
	got, err := storetest.ReadAll(t.Context(), s, "machines/a", 1)
	var damaged *store.DamagedError
	require.ErrorAs(t, err, &damaged)
	require.Equal(t, "machines/a", damaged.Stream)
	require.Equal(t, [2]uint64{21, 22}, [2]uint64{damaged.From, damaged.To})
	require.NotEmpty(t, damaged.Why)
	rest, err := storetest.ReadAll(t.Context(), s, "machines/a", damaged.To)
	require.NoError(t, err, "reading goes on behind it")
	got = append(got, rest...)
	require.Len(t, got, len(want)-1)
	for _, e := range got {
		require.True(t, storetest.Equal(e, want[e.Revision-1]), "revision %d", e.Revision)
	}
}

func TestCheckpointDamaged(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	singles(t, dir)
	hit(t, foldsOf(dir), []byte("a fold: "))
	s := mustOpen(t, dir, unsynced())
	_, ok, err := s.Checkpoint(t.Context(), "machines/a")
	require.NoError(t, err)
	assert.False(t, ok, "never a wrong one")
	assert.Equal(t, 1, s.Stats().DamagedCheckpoints)
	want := store.Checkpoint{Stream: "machines/a", Revision: 3, Fold: []byte("new"), Chain: [32]byte{1}}
	require.NoError(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{want}))
	got, ok, err := s.Checkpoint(t.Context(), "machines/a")
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, want, got)
	storetest.Close(t, s)
}

// TestOlderJournal puts an older copy of the journal back under newer folds.
func TestOlderJournal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle := filled(t, dir, unsynced())
	old := copyDir(t, dir)
	then := oracle.Clone()
	s := mustOpen(t, dir, unsynced())
	grow(t, s, oracle, 9)
	before := s.Incarnation()
	storetest.Close(t, s)

	restore := func(t *testing.T, parts ...string) *local.Store {
		dir := copyDir(t, dir)
		for _, part := range parts {
			require.NoError(t, os.RemoveAll(filepath.Join(dir, part)))
			if st, err := os.Stat(filepath.Join(old, part)); err == nil && st.IsDir() {
				require.NoError(t, os.CopyFS(filepath.Join(dir, part), os.DirFS(filepath.Join(old, part))))
				continue
			}
			b, err := os.ReadFile(filepath.Join(old, part))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, part), b, 0o600))
		}
		s := mustOpen(t, dir, unsynced())
		oracle := then.Clone()
		require.NoError(t, oracle.Compare(t.Context(), s, true))
		return s
	}
	t.Run("under newer folds", func(t *testing.T) {
		s := restore(t, "journal")
		assert.Equal(t, 1, s.Stats().SetAside)
		assert.True(t, s.Restored())
		assert.NotEqual(t, before, s.Incarnation())
		storetest.Close(t, s)
	})
	t.Run("with its folds", func(t *testing.T) {
		s := restore(t, "journal", "folds.bolt")
		assert.Zero(t, s.Stats().SetAside)
		assert.True(t, s.Restored(), "the mark beside the journal says that there was more")
		assert.NotEqual(t, before, s.Incarnation())
		storetest.Close(t, s)
	})
	t.Run("with folds and mark", func(t *testing.T) {
		s := restore(t, "journal", "folds.bolt", "reached")
		assert.False(t, s.Restored(), "nothing tells: the operator renews it")
		assert.Equal(t, before, s.Incarnation())
		storetest.Close(t, s)
	})
}

// TestOlderJournalWrittenOn lets a restored journal grow past what newer folds
// stand for, before the folds come back.
func TestOlderJournalWrittenOn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle := filled(t, dir, unsynced())
	other := copyDir(t, dir)
	s := mustOpen(t, dir, unsynced())
	call := []store.Stretch{{Stream: "office", Expect: oracle.Last("office"), Entries: []store.Entry{{Received: []byte("one line")}}}}
	require.NoError(t, s.Append(t.Context(), call))
	storetest.Close(t, s)

	s = mustOpen(t, other, unsynced())
	grow(t, s, oracle, 9)
	storetest.Close(t, s)
	b, err := os.ReadFile(foldsOf(dir))
	require.NoError(t, err)
	edit(t, foldsOf(other), func([]byte) []byte { return b })
	s = mustOpen(t, other, unsynced())
	assert.Equal(t, 1, s.Stats().SetAside, "folds of another line")
	require.NoError(t, oracle.Compare(t.Context(), s, true))
	storetest.Close(t, s)
}

// TestCheckpointBeyondEnd restores a journal that ends before a checkpoint but
// behind the position of the folds.
func TestCheckpointBeyondEnd(t *testing.T) {
	dir := t.TempDir()
	mem := seglogtest.New(dir)
	o := local.UnsyncedFolds(local.Options{FS: mem})
	s := mustOpen(t, dir, o)
	oracle := storetest.NewOracle()
	first := []store.Stretch{storetest.Stretch(rand.New(rand.NewPCG(1, 1)), "office", 0, 5)}
	require.NoError(t, s.Append(t.Context(), first))
	oracle.Acked(first)
	require.NoError(t, s.Fold(t.Context()))
	mem.SkipSync() // from here on the journal is an older one after the crash
	require.NoError(t, s.Append(t.Context(), []store.Stretch{storetest.Stretch(rand.New(rand.NewPCG(2, 1)), "office", 5, 5)}))
	require.NoError(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{{Stream: "office", Revision: 9, Fold: []byte("of what is lost")}}))
	folds, err := os.ReadFile(foldsOf(dir))
	require.NoError(t, err)
	mem.Crash(nil)
	_ = s.Close() // its journal is gone from under it
	edit(t, foldsOf(dir), func([]byte) []byte { return folds })

	s = mustOpen(t, dir, o)
	assert.Equal(t, 1, s.Recovery().DroppedCheckpoints)
	assert.True(t, s.Restored())
	require.NoError(t, oracle.Compare(t.Context(), s, true))
	_, ok, err := s.Checkpoint(t.Context(), "office")
	require.NoError(t, err)
	assert.False(t, ok)
	require.NoError(t, s.Append(t.Context(), []store.Stretch{storetest.Stretch(rand.New(rand.NewPCG(3, 1)), "office", 5, 9)}))
	_, ok, err = s.Checkpoint(t.Context(), "office")
	require.NoError(t, err)
	assert.False(t, ok, "a checkpoint of a lost line never comes back")
	storetest.Close(t, s)
}

// TestSegmentGone loses a whole segment of the journal, and its folds.
func TestSegmentGone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle := filled(t, dir, local.Options{SegmentBytes: 8 << 10})
	segments, err := filepath.Glob(filepath.Join(dir, "journal", "*.seg"))
	require.NoError(t, err)
	require.Greater(t, len(segments), 3)
	require.NoError(t, os.Remove(segments[1]))

	s := mustOpen(t, dir, unsynced())
	require.NoError(t, oracle.Compare(t.Context(), s, true), "the folds have it")
	storetest.Close(t, s)
	require.NoError(t, os.Remove(foldsOf(dir)))
	s = mustOpen(t, dir, unsynced())
	assert.True(t, s.Restored())
	assert.Positive(t, s.Recovery().Unread)
	assert.NotEmpty(t, s.Recovery().Lost)
	for _, name := range oracle.Streams() {
		wantPart(t, s, oracle, name)
	}
	require.NoError(t, s.Close())
}

// wantPart reads a stream past what is damaged in it: what is read is right, and
// what is missing is said.
func wantPart(t *testing.T, s *local.Store, o *storetest.Oracle, name string) {
	t.Helper()
	want, next := o.Entries(name), uint64(1)
	for next <= uint64(len(want)) {
		got, err := storetest.ReadAll(t.Context(), s, name, next)
		for i, e := range got {
			require.Equal(t, next+uint64(i), e.Revision)
			require.True(t, storetest.Equal(e, want[e.Revision-1]), "%q revision %d", name, e.Revision)
		}
		next += uint64(len(got))
		var damaged *store.DamagedError
		if !errors.As(err, &damaged) {
			require.NoError(t, err)
			break
		}
		require.Equal(t, next, damaged.From)
		require.Greater(t, damaged.To, next)
		next = damaged.To
	}
	heads, err := storetest.Heads(t.Context(), s)
	require.NoError(t, err)
	require.Equal(t, heads[name]+1, next)
}

// TestJournalFlipped flips bits anywhere in the journal of a store that has lost
// its folds: what is read is right, what is missing is said, and whatever was lost
// renews the incarnation.
func TestJournalFlipped(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	o := unsynced()
	o.SegmentBytes = 8 << 10
	oracle := filled(t, dir, o)
	s := mustOpen(t, dir, o)
	_, err := s.Maintain(t.Context())
	require.NoError(t, err)
	require.Positive(t, s.Stats().JournalPacked)
	storetest.Close(t, s)
	require.NoError(t, os.Remove(foldsOf(dir)))
	lost := 0
	for seed := range uint64(60) {
		dir := copyDir(t, dir)
		segments, err := filepath.Glob(filepath.Join(dir, "journal", "*.seg"))
		require.NoError(t, err)
		r := rand.New(rand.NewPCG(seed, 8))
		edit(t, segments[r.IntN(len(segments))], func(b []byte) []byte { flip(r, b, 1+r.IntN(5)); return b })
		s := mustOpen(t, dir, o)
		heads, err := storetest.Heads(t.Context(), s)
		require.NoError(t, err)
		missing := len(heads) < len(oracle.Streams())
		for name, head := range heads {
			missing = missing || head < oracle.Last(name)
			wantPart(t, s, oracle, name)
		}
		missing = missing || len(s.Recovery().Lost) > 0
		if missing {
			lost++
			require.True(t, s.Restored(), "seed %d: %+v", seed, s.Recovery())
		}
		require.NoError(t, s.Close())
		require.NoError(t, os.RemoveAll(dir))
	}
	t.Logf("%d of 60 lost something", lost)
	assert.Positive(t, lost)
}

func TestAsideIsBounded(t *testing.T) {
	dir := t.TempDir()
	for range 7 {
		storetest.Close(t, mustOpen(t, dir, unsynced()))
		edit(t, foldsOf(dir), func([]byte) []byte { return nil })
	}
	s := mustOpen(t, dir, unsynced())
	assert.Equal(t, 7, s.Stats().SetAside)
	storetest.Close(t, s)
	kept, err := os.ReadDir(filepath.Join(dir, "aside"))
	require.NoError(t, err)
	require.Len(t, kept, 4)
	assert.Equal(t, "folds-000004.bolt", kept[0].Name())
}

func TestForeignFolds(t *testing.T) {
	a, b := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b")
	oracle, _ := singles(t, a)
	s := mustOpen(t, b, unsynced())
	for i := range 60 {
		require.NoError(t, s.Append(t.Context(), []store.Stretch{{Stream: "machines/a", Expect: uint64(i), Entries: []store.Entry{{Received: []byte("of another store")}}}}))
	}
	storetest.Close(t, s)
	folds, err := os.ReadFile(foldsOf(b))
	require.NoError(t, err)
	edit(t, foldsOf(a), func([]byte) []byte { return folds })
	s = mustOpen(t, a, unsynced())
	assert.Equal(t, 1, s.Stats().SetAside)
	require.NoError(t, oracle.Compare(t.Context(), s, true))
	storetest.Close(t, s)
}

func TestNewerRecord(t *testing.T) {
	dir := t.TempDir()
	log, _, err := seglog.Open(filepath.Join(dir, "journal"), seglog.Options{})
	require.NoError(t, err)
	_, err = log.Append([][]byte{{200, 1, 2, 3}})
	require.NoError(t, err)
	require.NoError(t, log.Close())
	_, err = local.Open(dir, unsynced())
	require.ErrorContains(t, err, "this build knows")
}

// TestRecordNotUnderstood has a record whose checksum holds and whose content
// makes no sense.
func TestRecordNotUnderstood(t *testing.T) {
	dir := t.TempDir()
	log, _, err := seglog.Open(filepath.Join(dir, "journal"), seglog.Options{})
	require.NoError(t, err)
	for _, rec := range [][]byte{{}, {1}, {1, 1, 'a', 1, 1}, {1, 1, 'a', 1, 1, 0x80, 0, 0}, append([]byte{1, 1, 'a', 1, 1, 1}, make([]byte, 30)...)} {
		_, err = log.Append([][]byte{rec})
		require.NoError(t, err)
	}
	require.NoError(t, log.Close())
	s := mustOpen(t, dir, unsynced())
	assert.Equal(t, uint64(5), s.Recovery().Unread)
	assert.True(t, s.Restored())
	storetest.Close(t, s)
	s = mustOpen(t, dir, unsynced())
	assert.False(t, s.Restored(), "said once")
	require.NoError(t, s.Append(t.Context(), []store.Stretch{{Stream: "a", Entries: make([]store.Entry, 1)}}))
	storetest.Close(t, s)
	s = mustOpen(t, dir, unsynced())
	assert.False(t, s.Restored())
	storetest.Close(t, s)
}

func TestRenew(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	require.ErrorContains(t, local.Renew(dir), "no journal")
	oracle := filled(t, dir, unsynced())
	before := mustIncarnation(t, dir)
	require.NoError(t, local.Renew(dir))
	s := mustOpen(t, dir, unsynced())
	assert.NotEqual(t, before, s.Incarnation())
	assert.False(t, s.Restored())
	require.NoError(t, oracle.Compare(t.Context(), s, false))
	var locked *seglog.LockedError
	require.ErrorAs(t, local.Renew(dir), &locked)
	_, err := local.Open(dir, unsynced())
	require.ErrorAs(t, err, &locked, "one writer process")
	storetest.Close(t, s)
}

func TestMarksHarmed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	oracle := filled(t, dir, unsynced())
	before := mustIncarnation(t, dir)
	for name, restored := range map[string]bool{"incarnation": true, "reached": false} {
		for what, harm := range map[string]func([]byte) []byte{
			"flipped": func(b []byte) []byte { b[5] ^= 1; return b },
			"cut":     func(b []byte) []byte { return b[:len(b)/2] },
			"empty":   func([]byte) []byte { return nil },
			"long":    func([]byte) []byte { return make([]byte, 255) },
		} {
			dir := copyDir(t, dir)
			edit(t, filepath.Join(dir, name), harm)
			s := mustOpen(t, dir, unsynced())
			assert.Equal(t, restored, s.Restored(), "%s %s", name, what)
			assert.Equal(t, restored, before != s.Incarnation(), "%s %s", name, what)
			require.NoError(t, oracle.Clone().Compare(t.Context(), s, false))
			storetest.Close(t, s)
		}
		dir := copyDir(t, dir)
		require.NoError(t, os.Remove(filepath.Join(dir, name)))
		s := mustOpen(t, dir, unsynced())
		assert.Equal(t, restored, s.Restored(), "%s gone", name)
		storetest.Close(t, s)
	}
}

// TestFailures makes each operation of the disk fail in turn: an append that
// fails breaks the store, and what was answered for is there after another open.
func TestFailures(t *testing.T) {
	for _, cause := range []error{syscall.EIO, syscall.ENOSPC} {
		for n := 1; ; n++ {
			dir := t.TempDir()
			mem := seglogtest.New(dir)
			o := local.UnsyncedFolds(local.Options{FS: mem, SegmentBytes: 2 << 10})
			s := mustOpen(t, dir, o)
			oracle := storetest.NewOracle()
			mem.FailAt(n, cause)
			failed := appendUntilBroken(t, s, oracle, cause)
			mem.Fail(nil)
			if failed {
				require.ErrorIs(t, s.Append(t.Context(), nil), store.ErrBroken)
				require.ErrorIs(t, s.Probe(t.Context()), store.ErrBroken)
				require.ErrorIs(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{{Stream: "office", Revision: 1}}), store.ErrBroken)
			}
			mem.Crash(rand.New(rand.NewPCG(uint64(n), 0)))
			_ = s.Close() // its journal is gone from under it
			s = mustOpen(t, dir, o)
			require.NoError(t, oracle.Compare(t.Context(), s, true), "operation %d", n)
			storetest.Close(t, s)
			if !failed {
				require.Greater(t, n, 30)
				break
			}
		}
	}
}

func appendUntilBroken(t *testing.T, s *local.Store, o *storetest.Oracle, cause error) bool {
	r := rand.New(rand.NewPCG(4, 4))
	for range 15 {
		call := []store.Stretch{storetest.Stretch(r, "office", o.Last("office"), 3), storetest.Stretch(r, "machines/a", o.Last("machines/a"), 1)}
		o.Flying(call)
		if err := s.Append(t.Context(), call); err != nil {
			require.ErrorIs(t, err, store.ErrBroken)
			require.ErrorIs(t, err, cause)
			return true
		}
		o.Land(call)
	}
	return false
}

// TestCopiedWhileRunning opens copies of a folder that were taken at random
// points while it was written: what was answered for before is in each.
func TestCopiedWhileRunning(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	s := mustOpen(t, dir, local.Options{FoldBytes: 4 << 10, TailBytes: 64 << 10})
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	acked := make(chan [writers]uint64, 1)
	acked <- [writers]uint64{}
	done := make(chan error, writers)
	for w := range writers {
		go func() { done <- writeOn(ctx, s, w, acked) }()
	}
	for i := range 12 {
		before := <-acked
		acked <- before
		copied := takeCopy(t, dir, i%2 == 0)
		c := mustOpen(t, copied, unsynced())
		if i%2 == 0 {
			assert.False(t, c.Restored(), "%v", c.Recovery())
		}
		require.NoError(t, storetest.Check(t.Context(), c))
		for w := range writers {
			checkWritten(t, c, w, before[w])
		}
		storetest.Close(t, c)
		require.NoError(t, os.RemoveAll(copied))
	}
	stop()
	for range writers {
		require.NoError(t, <-done)
	}
	storetest.Close(t, s)
}

// writers of TestCopiedWhileRunning, each with a stream of its own.
const writers = 4

// written is entry n of writer w: a number and noise that follows from it.
func written(w int, n uint64) []byte {
	r := rand.New(rand.NewPCG(uint64(w), n))
	return append(binary.BigEndian.AppendUint64(nil, n), bytes.Repeat([]byte{byte(r.UintN(256))}, r.IntN(90))...)
}

func writeOn(ctx context.Context, s *local.Store, w int, acked chan [writers]uint64) error {
	last, name := uint64(0), fmt.Sprint("machines/", w)
	for ctx.Err() == nil {
		call := []store.Stretch{{Stream: name, Expect: last, Entries: make([]store.Entry, 1+last%7)}}
		for i := range call[0].Entries {
			call[0].Entries[i].Received = written(w, last+uint64(i)+1)
		}
		if err := s.Append(context.Background(), call); err != nil {
			return err
		}
		last += uint64(len(call[0].Entries))
		a := <-acked
		a[w] = last
		acked <- a
	}
	return nil
}

// takeCopy copies a store's folder file by file, the journal last or first.
func takeCopy(t *testing.T, dir string, journalLast bool) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, os.MkdirAll(filepath.Join(to, "journal"), 0o700))
	files := func() {
		for _, name := range []string{"reached", "incarnation", "folds.bolt"} {
			copyFile(t, filepath.Join(dir, name), filepath.Join(to, name))
		}
	}
	if journalLast {
		files()
	}
	segments, err := filepath.Glob(filepath.Join(dir, "journal", "*.seg"))
	require.NoError(t, err)
	for _, path := range segments {
		copyFile(t, path, filepath.Join(to, "journal", filepath.Base(path)))
	}
	if !journalLast {
		files()
	}
	return to
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if errors.Is(err, os.ErrNotExist) {
		return
	}
	require.NoError(t, err)
	defer in.Close()
	out, err := os.Create(to)
	require.NoError(t, err)
	_, err = io.Copy(out, in)
	require.NoError(t, errors.Join(err, out.Close()))
}

func checkWritten(t *testing.T, s *local.Store, w int, atLeast uint64) {
	t.Helper()
	got, err := storetest.ReadAll(t.Context(), s, fmt.Sprint("machines/", w), 1)
	require.NoError(t, err)
	require.GreaterOrEqual(t, uint64(len(got)), atLeast)
	for _, e := range got {
		require.Equal(t, written(w, e.Revision), e.Received)
	}
}

// mustIncarnation reads the incarnation of a store that is not open.
func mustIncarnation(t testing.TB, dir string) (id [16]byte) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "incarnation"))
	require.NoError(t, err)
	_, err = hex.Decode(id[:], bytes.Fields(b)[1])
	require.NoError(t, err)
	return id
}
