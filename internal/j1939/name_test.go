package j1939_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

// Two claims taken apart by hand by the layout of ISO 11783-5.
func TestNameFields(t *testing.T) {
	b := newBus(t, j1939.Options{})
	r := push(t, b, "18EEFF26#40E2216100810EA0")
	require.Len(t, r.Claims, 1)
	assert.Equal(t, j1939.NameFields{Arbitrary: true, IndustryGroup: 2, Class: 7, Function: 129, Manufacturer: 777, Identity: 123456}, r.Claims[0].Name.Fields())
	assert.Equal(t, "A00E81006121E240", r.Claims[0].Name.String())
	assert.Equal(t, r.Claims[0].Name, b.Name(0x26))
	r = push(t, b, "18EEFF00#F1FB895700000000")
	require.Len(t, r.Claims, 1)
	assert.Equal(t, j1939.NameFields{Manufacturer: 700, Identity: 654321}, r.Claims[0].Name.Fields())
	assert.Empty(t, j1939.Name(0).String())
}

func TestNameRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := j1939.Name(rapid.Uint64().Draw(t, "name") &^ (1 << 48)) // the reserved bit is not kept
		raw := n.Bytes()
		back, ok := j1939.DecodeName(raw[:])
		require.True(t, ok)
		require.Equal(t, n, back)
		require.Equal(t, n, n.Fields().Name())
	})
	_, ok := j1939.DecodeName(make([]byte, 7))
	assert.False(t, ok)
}

func TestClaims(t *testing.T) {
	const low, mid, high = j1939.Name(0x1001), j1939.Name(0x1002), j1939.Name(0x1003)
	b := newBench(t, j1939.Options{})
	claim := func(at int64, source j1939.Address, name j1939.Name) []j1939.Claim {
		raw := name.Bytes()
		id, err := j1939.ID{Priority: 6, Group: j1939.GroupAddressClaim, Source: source, Dest: j1939.AddressGlobal}.Raw()
		require.NoError(t, err)
		return b.bus.Push(at*ms, id, raw[:]).Claims
	}
	assert.Equal(t, []j1939.Claim{{At: 0, Source: 5, Name: mid, Outcome: j1939.ClaimNew}}, claim(0, 5, mid))
	assert.Equal(t, j1939.ClaimSame, claim(10, 5, mid)[0].Outcome)

	// A higher name asks; the holder answers in time and stays.
	assert.Equal(t, []j1939.Claim{{At: 100 * ms, Source: 5, Name: high, Outcome: j1939.ClaimContested, Previous: mid}}, claim(100, 5, high))
	claim(200, 5, mid)
	assert.Empty(t, b.bus.Tick(2000*ms).Claims)
	assert.Equal(t, mid, b.bus.Name(5))

	// It asks again and nobody answers: the holder is gone, as when a box was changed.
	claim(3000, 5, high)
	assert.Empty(t, b.bus.Tick(3250*ms).Claims)
	assert.Equal(t, []j1939.Claim{{At: 3250 * ms, Source: 5, Name: high, Outcome: j1939.ClaimReplaced, Previous: mid}}, b.bus.Tick(3251*ms).Claims)
	assert.Equal(t, high, b.bus.Name(5))

	// A lower name takes it at once.
	assert.Equal(t, []j1939.Claim{{At: 4000 * ms, Source: 5, Name: low, Outcome: j1939.ClaimWon, Previous: high}}, claim(4000, 5, low))
	// The same name elsewhere leaves the old address.
	assert.Equal(t, j1939.ClaimNew, claim(5000, 6, low)[0].Outcome)
	assert.Zero(t, b.bus.Name(5))
	assert.Equal(t, low, b.bus.Name(6))
	// "Cannot claim".
	assert.Equal(t, j1939.ClaimLost, claim(6000, j1939.AddressNull, low)[0].Outcome)
	assert.Zero(t, b.bus.Name(6))
	// Not a source, no name, too short.
	assert.Empty(t, claim(7000, j1939.AddressGlobal, low))
	assert.Empty(t, claim(7000, 9, 0))
	assert.Empty(t, b.frame(7000, "18EEFF09#F1FB8957").Claims)

	// Two contests that run out together are both told.
	claim(8000, 10, low)
	claim(8000, 11, mid)
	claim(8100, 10, high)
	claim(8100, 11, high+1)
	assert.Len(t, b.bus.Tick(9000*ms).Claims, 2)
	assert.Equal(t, high, b.bus.Name(10))
	assert.Equal(t, high+1, b.bus.Name(11))
}
