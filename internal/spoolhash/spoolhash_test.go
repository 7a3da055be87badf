package spoolhash_test

import (
	"encoding/hex"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/spoolhash"
)

func TestVectors(t *testing.T) {
	data, err := os.ReadFile("testdata/vectors.tsv")
	require.NoError(t, err)
	var h spoolhash.Hash
	n := 0
	for line := range strings.Lines(string(data)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		require.Len(t, f, 4, line)
		e, err := spoolhash.ParseEpoch(f[0])
		require.NoError(t, err)
		seq, err := strconv.ParseUint(f[1], 10, 64)
		require.NoError(t, err)
		payload, err := hex.DecodeString(f[2])
		require.NoError(t, err)
		if seq == 0 {
			h = spoolhash.Start(e)
		} else {
			h = spoolhash.Next(h, seq, payload)
		}
		require.Equal(t, f[3], h.String(), line)
		n++
	}
	require.Equal(t, 10, n)
}

func TestText(t *testing.T) {
	e, err := spoolhash.ParseEpoch("000102030405060708090a0b0c0d0e0f")
	require.NoError(t, err)
	text, err := e.MarshalText()
	require.NoError(t, err)
	var e2 spoolhash.Epoch
	require.NoError(t, e2.UnmarshalText(text))
	require.Equal(t, e, e2)
	h := spoolhash.Start(e)
	text, err = h.MarshalText()
	require.NoError(t, err)
	var h2 spoolhash.Hash
	require.NoError(t, h2.UnmarshalText(text))
	require.Equal(t, h, h2)
	for _, bad := range []string{"", "00", "zz0102030405060708090a0b0c0d0e0f", "000102030405060708090a0b0c0d0e0f00"} {
		require.Error(t, e2.UnmarshalText([]byte(bad)), bad)
		require.Error(t, h2.UnmarshalText([]byte(bad)), bad)
	}
}

func TestNextDoesNotAllocate(t *testing.T) {
	h, p := spoolhash.Hash{}, make([]byte, 472)
	require.Zero(t, testing.AllocsPerRun(100, func() { h = spoolhash.Next(h, 1, p) }))
}

func BenchmarkNext(b *testing.B) {
	h, p := spoolhash.Hash{}, make([]byte, 54)
	for b.Loop() {
		h = spoolhash.Next(h, 1, p)
	}
}
