package j1939_test

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

// 1234.50 h = 72 60 00 00 and 8123.35 h = A3 7A 02 00 (worked out by hand: 24,690 and 162,467 bits of 0.05 h).
func TestEngineHoursAreExactMilliseconds(t *testing.T) {
	b := newBus(t, j1939.Options{})
	for frame, want := range map[string]int64{
		"18FEE500#72600000FFFFFFFF": 1234*3_600_000 + 1_800_000,
		"18FEE500#A37A0200FFFFFFFF": 8123*3_600_000 + 1_260_000,
		"18FEE500#01000000FFFFFFFF": 180_000,
		"18FEE500#FFFFFFFAFFFFFFFF": 4211081215 * 180_000,
	} {
		r := push(t, b, frame)
		ms, ok := find(t, r.Values, 247).HourMillis()
		require.True(t, ok)
		assert.Equal(t, want, ms, frame)
	}
	for _, frame := range []string{"18FEE500#000000FBFFFFFFFF", "18FEE500#000000FEFFFFFFFF", "18FEE500#FFFFFFFFFFFFFFFF", "18FEE500#726000"} {
		_, ok := find(t, push(t, b, frame).Values, 247).HourMillis()
		assert.False(t, ok, frame)
	}
	_, ok := find(t, push(t, b, "0CF00400#0041FF20481400F0").Values, 190).HourMillis()
	assert.False(t, ok, "a speed is no hour counter")
}

func TestEngineSpeedInEighths(t *testing.T) {
	v := find(t, push(t, newBus(t, j1939.Options{}), "0CF00400#FFFFFF0100FFFFFF").Values, 190)
	eighths, exact, ok := v.Times(8)
	assert.True(t, ok)
	assert.True(t, exact)
	assert.Equal(t, int64(1), eighths)
	milli, ok := v.Milli()
	assert.True(t, ok)
	assert.Equal(t, int64(125), milli)
	assert.InDelta(t, 0.125, v.Float64(), 0)
}

// The power take-off and speed groups of ISO 11783-7; frames composed by hand from their layout.
func TestShaftAndMachineSpeed(t *testing.T) {
	b := newBus(t, j1939.Options{})
	r := push(t, b, "0CFE43F0#E010A00F59FFFFFF") // 4320 and 4000 eighths; 01 01 10 01
	assertValue(t, "540", find(t, r.Values, 1883))
	assertValue(t, "500", find(t, r.Values, 1885))
	assertValue(t, "1", find(t, r.Values, 2408))
	assertValue(t, "1", find(t, r.Values, 1890))
	assertValue(t, "ERROR", find(t, r.Values, 1892))
	assertValue(t, "1", find(t, r.Values, 5156))
	r = push(t, b, "0CFE44F0#E010FFFF40FFFFFF")
	assertValue(t, "540", find(t, r.Values, 1882))
	assertValue(t, "NA", find(t, r.Values, 1884))
	assertValue(t, "1", find(t, r.Values, 1888))
	r = push(t, b, "0CFE48F0#8813E8030000FF05") // 5.000 m/s, 1.000 m, forward, key not off
	assertValue(t, "5", find(t, r.Values, 1862))
	assertValue(t, "1", find(t, r.Values, 1863))
	assertValue(t, "1", find(t, r.Values, 1864))
	assertValue(t, "1", find(t, r.Values, 1865))
	r = push(t, b, "0CFE49F0#8813FFFFFFFFFFFF")
	assertValue(t, "5", find(t, r.Values, 1859))
	assertValue(t, "NA", find(t, r.Values, 1860))
}

// Valid up to FA, FAFF, FAFFFFFF; FB specific; FC-FD reserved; FE error; FF not available; two bits: 10 error, 11 not available.
func TestStateOf(t *testing.T) {
	tests := []struct {
		raw  uint64
		bits uint8
		want j1939.State
	}{
		{0xFA, 8, j1939.StateOK}, {0xFB, 8, j1939.StateSpecific}, {0xFC, 8, j1939.StateReserved}, {0xFD, 8, j1939.StateReserved},
		{0xFE, 8, j1939.StateError}, {0xFF, 8, j1939.StateNotAvailable},
		{0xFAFF, 16, j1939.StateOK}, {0xFB00, 16, j1939.StateSpecific}, {0xFC00, 16, j1939.StateReserved}, {0xFDFF, 16, j1939.StateReserved},
		{0xFE00, 16, j1939.StateError}, {0xFEFF, 16, j1939.StateError}, {0xFF00, 16, j1939.StateNotAvailable}, {0xFFFF, 16, j1939.StateNotAvailable},
		{0xFAFFFFFF, 32, j1939.StateOK}, {0xFB000000, 32, j1939.StateSpecific}, {0xFE000000, 32, j1939.StateError}, {0xFF000000, 32, j1939.StateNotAvailable},
		{0xFAFFFF, 24, j1939.StateOK}, {0xFF0000, 24, j1939.StateNotAvailable},
		{0, 2, j1939.StateOK}, {1, 2, j1939.StateOK}, {2, 2, j1939.StateError}, {3, 2, j1939.StateNotAvailable},
		{14, 4, j1939.StateOK}, {15, 4, j1939.StateNotAvailable},
		{7, 3, j1939.StateOK}, {31, 5, j1939.StateOK}, {1, 1, j1939.StateOK}, {0xFFF, 12, j1939.StateOK},
	}
	for _, tt := range tests {
		assert.Equal(t, tt.want, j1939.StateOf(tt.raw, tt.bits), "%#x of %d bits", tt.raw, tt.bits)
	}
}

// What is put in a parameter's place comes out of it, and out of no other.
func TestParameterRoundTrip(t *testing.T) {
	var all []j1939.Parameter
	for p := range j1939.Parameters() {
		all = append(all, p)
	}
	b := newBus(t, j1939.Options{})
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(all).Draw(t, "parameter")
		raw := rapid.Uint64Range(0, 1<<p.Bits-1).Draw(t, "raw")
		rest := rapid.Uint64().Draw(t, "rest")
		start := 8*(p.Byte-1) + p.Bit - 1
		mask := uint64(1<<p.Bits-1) << start
		w := rest&^mask | raw<<start
		var data, put [8]byte
		binary.LittleEndian.PutUint64(data[:], w)
		binary.LittleEndian.PutUint64(put[:], rest)
		p.Put(put[:], uint32(raw))
		require.Equal(t, data, put)
		p.Put(put[:start/8], ^uint32(0)) // too short
		require.Equal(t, data, put)
		id, err := j1939.ID{Priority: 6, Group: p.Group, Source: 3, Dest: j1939.AddressGlobal}.Raw()
		require.NoError(t, err)
		for _, v := range b.Push(0, id, data[:]).Values {
			if v.Param.SPN == p.SPN {
				require.Equal(t, raw, uint64(v.Raw))
				require.Equal(t, j1939.StateOf(raw, p.Bits), v.State)
				return
			}
		}
		t.Fatalf("no value of %d", p.SPN)
	})
}

func TestOnlyChosenParameters(t *testing.T) {
	b := newBus(t, j1939.Options{SPNs: []uint32{190, 247}})
	assert.Len(t, push(t, b, "0CF00400#0041FF20481400F0").Values, 1)
	assert.Len(t, push(t, b, "18FEE500#72600000FFFFFFFF").Values, 1)
	assert.Empty(t, push(t, b, "18FEEE00#8241FF20481400F0").Values)
	_, err := j1939.NewBus(j1939.Options{SPNs: []uint32{4}})
	require.ErrorContains(t, err, "parameter 4 is not in the table")
}
