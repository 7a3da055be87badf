package local_test

import (
	"bytes"
	"compress/gzip"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/internal/store/storetest"
)

var writeVersion = flag.String("write-version", "", "write the store of TestVersions into this folder, for a new version of the layout")

// versionEntry is entry n of stream s in the stores under testdata.
func versionEntry(s int, n uint64) store.Entry {
	at := moment.Instant(1_900_000_000_000 + int64(n)*60_000)
	e := store.Entry{
		Revision: n, Key: maintenance.Key{Stream: [16]byte{byte(s), 15: 1}, Seq: n}, Writer: maintenance.WriterAgent,
		At: moment.At(at), Known: at + 1500, Received: fmt.Appendf(nil, "stream %d shows %d", s, n*n),
	}
	switch n % 10 {
	case 3:
		e.Key, e.Writer = maintenance.Key{Stream: [16]byte{7, byte(n)}}, maintenance.WriterPerson
	case 7:
		e.At.NotAfter += 5000
	}
	return e
}

func versionStretch(s int, expect uint64, n int) store.Stretch {
	x := store.Stretch{Stream: fmt.Sprint("machines/", s), Expect: expect}
	for i := range uint64(n) {
		x.Entries = append(x.Entries, versionEntry(s, expect+1+i))
	}
	return x
}

// TestVersions opens stores that earlier builds have written, each with three
// streams of 120 entries, the last 20 not folded, and a checkpoint at 90.
func TestVersions(t *testing.T) {
	if *writeVersion != "" {
		writeStore(t, *writeVersion)
	}
	versions, err := filepath.Glob("testdata/v*")
	require.NoError(t, err)
	require.NotEmpty(t, versions)
	for _, from := range versions {
		t.Run(filepath.Base(from), func(t *testing.T) {
			dir := copyDir(t, from)
			gunzip(t, foldsOf(dir))
			s := mustOpen(t, dir, local.Options{})
			assert.Equal(t, 3, s.Recovery().Replayed)
			assert.Empty(t, s.Recovery().SetAside)
			assert.False(t, s.Restored())
			assert.Positive(t, s.Stats().JournalPacked)
			for m := range 3 {
				got, err := storetest.ReadAll(t.Context(), s, fmt.Sprint("machines/", m), 1)
				require.NoError(t, err)
				require.Len(t, got, 120)
				for i, e := range got {
					require.True(t, storetest.Equal(e, versionEntry(m, uint64(i)+1)), "%+v", e)
				}
			}
			c, ok, err := s.Checkpoint(t.Context(), "machines/1")
			require.NoError(t, err)
			assert.True(t, ok)
			assert.Equal(t, store.Checkpoint{Stream: "machines/1", Revision: 90, Fold: bytes.Repeat([]byte("state "), 40), Chain: [32]byte{9, 31: 9}}, c)
			storetest.Close(t, s)
		})
	}
}

// writeStore writes the store of TestVersions as this build does.
func writeStore(t *testing.T, dir string) {
	o := local.Options{SegmentBytes: 4 << 10}
	s := mustOpen(t, dir, o)
	for expect := uint64(0); expect < 100; expect += 20 {
		require.NoError(t, s.Append(t.Context(), []store.Stretch{versionStretch(0, expect, 20), versionStretch(1, expect, 20), versionStretch(2, expect, 20)}))
		require.NoError(t, s.Fold(t.Context()))
	}
	c := store.Checkpoint{Stream: "machines/1", Revision: 90, Fold: bytes.Repeat([]byte("state "), 40), Chain: [32]byte{9, 31: 9}}
	require.NoError(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{c}))
	folds, err := os.ReadFile(foldsOf(dir))
	require.NoError(t, err)
	require.NoError(t, s.Append(t.Context(), []store.Stretch{versionStretch(0, 100, 20), versionStretch(1, 100, 20), versionStretch(2, 100, 20)}))
	_, err = s.Maintain(t.Context())
	require.NoError(t, err)
	storetest.Close(t, s)
	require.NoError(t, os.Remove(foldsOf(dir)))
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err = z.Write(folds)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	require.NoError(t, os.WriteFile(foldsOf(dir)+".gz", packed.Bytes(), 0o600))
}

func gunzip(t *testing.T, path string) {
	f, err := os.Open(path + ".gz")
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	b, err := io.ReadAll(z)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, b, 0o600))
}
