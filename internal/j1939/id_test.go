package j1939_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

// The examples of the Linux kernel's j1939.rst, as SplitID must read them.
func TestSplitIDExamples(t *testing.T) {
	assert.Equal(t, j1939.ID{Priority: 3, Group: 61444, Source: 254, Dest: 255}, j1939.SplitID(0x0CF004FE))
	assert.Equal(t, j1939.ID{Priority: 6, Group: 61449, Source: 48, Dest: 255}, j1939.SplitID(0x18F00930))
	assert.Equal(t, j1939.ID{Priority: 0, Group: 0xDE00, Source: 0x50, Dest: 0xAA}, j1939.SplitID(0x00DEAA50))
}

func TestIDRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.Uint32Range(0, 1<<29-1).Draw(t, "raw")
		back, err := j1939.SplitID(raw).Raw()
		require.NoError(t, err)
		require.Equal(t, raw, back)
	})
}

func TestRawRefuses(t *testing.T) {
	for name, id := range map[string]j1939.ID{
		"priority 8":             {Priority: 8, Group: 61444, Dest: 255},
		"group 262144":           {Group: 1 << 18, Dest: 255},
		"ends in 00: give 59904": {Group: 59905, Dest: 255},
		"group 61444 (0xf004) has no destination": {Group: 61444, Dest: 1},
	} {
		_, err := id.Raw()
		require.ErrorContains(t, err, name)
	}
}

func TestParseFrame(t *testing.T) {
	f, err := j1939.ParseFrame("18fee500#72600000FFFFFFFF")
	require.NoError(t, err)
	assert.Equal(t, j1939.Frame{ID: 0x18FEE500, Len: 8, Data: [8]byte{0x72, 0x60, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}}, f)
	assert.Equal(t, []byte{0x72, 0x60, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}, f.Payload())
	f, err = j1939.ParseFrame("18EAFFF9#ECFE00")
	require.NoError(t, err)
	assert.Equal(t, []byte{0xEC, 0xFE, 0}, f.Payload())
	for _, text := range []string{"", "18FEE500", "123#00", "18FEE50G#00", "3FEE5000#00", "18FEE500#0", "18FEE500#0G", "18FEE500#000000000000000000"} {
		_, err := j1939.ParseFrame(text)
		require.Error(t, err, text)
	}
}
