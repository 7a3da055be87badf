package j1939_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

// One code in the four packings, worked out by hand from their layouts.
func TestConversions(t *testing.T) {
	tests := []struct {
		raw        [4]byte
		conversion j1939.Conversion
		want       j1939.Code
	}{
		{[4]byte{0xFE, 0x01, 0x05, 0x89}, j1939.Conversion1, j1939.Code{SPN: 520200, FMI: 5, Count: 9, Old: true, Conversion: 1}},
		{[4]byte{0x01, 0xFE, 0x05, 0x89}, j1939.Conversion2, j1939.Code{SPN: 520200, FMI: 5, Count: 9, Old: true, Conversion: 2}},
		{[4]byte{0x08, 0xF0, 0xE5, 0x89}, j1939.Conversion3, j1939.Code{SPN: 520200, FMI: 5, Count: 9, Old: true, Conversion: 3}},
		{[4]byte{0x08, 0xF0, 0xE5, 0x09}, j1939.ConversionUnknown, j1939.Code{SPN: 520200, FMI: 5, Count: 9}},
		{[4]byte{0x08, 0xF0, 0xE5, 0x09}, j1939.Conversion2, j1939.Code{SPN: 520200, FMI: 5, Count: 9}},
		{[4]byte{0x64, 0x00, 0x01, 0x01}, j1939.ConversionUnknown, j1939.Code{SPN: 100, FMI: 1, Count: 1}},
		{[4]byte{0x00, 0x0C, 0x81, 0x81}, j1939.Conversion1, j1939.Code{SPN: 100, FMI: 1, Count: 1, Old: true, Conversion: 1}},
		{[4]byte{0x0C, 0x00, 0x81, 0x81}, j1939.Conversion2, j1939.Code{SPN: 100, FMI: 1, Count: 1, Old: true, Conversion: 2}},
		{[4]byte{0x0C, 0x00, 0x81, 0x81}, j1939.ConversionUnknown, j1939.Code{FMI: 1, Count: 1, Old: true, Ambiguous: true}},
		{[4]byte{0x0C, 0x00, 0x81, 0x81}, 9, j1939.Code{FMI: 1, Count: 1, Old: true, Ambiguous: true}},
	}
	for _, tt := range tests {
		tt.want.Raw = tt.raw
		got := j1939.DecodeCode(tt.raw, tt.conversion)
		assert.Equal(t, tt.want, got)
		assert.Equal(t, tt.raw, got.Encode())
	}
}

func TestConversionIsSetBySource(t *testing.T) {
	b := newBus(t, j1939.Options{Conversions: map[j1939.Address]j1939.Conversion{3: j1939.Conversion2}})
	r := push(t, b, "18FECA03#04FF01FE0589FFFF")
	require.Len(t, r.Codes.List, 1)
	assert.Equal(t, uint32(520200), r.Codes.List[0].SPN)
	r = push(t, b, "18FECA04#04FF01FE0589FFFF")
	require.Len(t, r.Codes.List, 1)
	assert.True(t, r.Codes.List[0].Ambiguous)
	assert.Zero(t, r.Codes.List[0].SPN)
	_, err := j1939.NewBus(j1939.Options{Conversions: map[j1939.Address]j1939.Conversion{3: 4}})
	require.ErrorContains(t, err, "source 3: conversion 4: give 1, 2 or 3")
}

func TestCodeRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := j1939.Code{
			SPN: rapid.Uint32Range(0, 1<<19-1).Draw(t, "spn"), FMI: rapid.Uint8Range(0, 31).Draw(t, "fmi"),
			Count: rapid.Uint8Range(0, 127).Draw(t, "count"),
		}
		if want.Old = rapid.Bool().Draw(t, "old"); want.Old {
			want.Conversion = j1939.Conversion(rapid.Uint8Range(1, 3).Draw(t, "conversion"))
		}
		want.Raw = want.Encode()
		require.Equal(t, want, j1939.DecodeCode(want.Raw, want.Conversion))
	})
}

// What is sent as a message comes out as it went in, by one frame or by transport.
func TestCodeMessageRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lamp := func(name string) j1939.Lamp {
			return j1939.Lamp{State: j1939.LampState(rapid.Uint8Range(0, 3).Draw(t, name)), Flash: j1939.Flash(rapid.Uint8Range(0, 3).Draw(t, name+" flash"))}
		}
		lamps := j1939.Lamps{Malfunction: lamp("malfunction"), Stop: lamp("stop"), Warning: lamp("warning"), Protect: lamp("protect")}
		codes := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) j1939.Code {
			c := j1939.Code{SPN: rapid.Uint32Range(1, 1<<19-2).Draw(t, "spn"), FMI: rapid.Uint8Range(0, 31).Draw(t, "fmi"), Count: rapid.Uint8Range(0, 127).Draw(t, "count")}
			c.Raw = c.Encode()
			return c
		}), 0, 445).Draw(t, "codes")
		source := j1939.Address(rapid.Uint8Range(0, 253).Draw(t, "source"))
		frames, err := j1939.AppendBroadcast(nil, 6, j1939.GroupActiveCodes, source, j1939.AppendCodes(nil, lamps, codes))
		require.NoError(t, err)
		b, err := j1939.NewBus(j1939.Options{})
		require.NoError(t, err)
		var got *j1939.Codes
		for i, f := range frames {
			r := b.Push(int64(i)*50_000_000, f.ID, f.Payload())
			require.Empty(t, r.Broken)
			if got = r.Codes; got != nil {
				require.Equal(t, len(frames)-1, i)
			}
		}
		require.NotNil(t, got)
		require.Equal(t, source, got.Source)
		require.Equal(t, lamps, got.Lamps)
		require.ElementsMatch(t, codes, got.List)
	})
}

func TestNoCodes(t *testing.T) {
	for _, data := range []string{"00FF00000000FFFF", "00FFFFFFFFFFFFFF", "00FF000000000000", "00FF00000000", "00FF00000080FFFF"} {
		_, list, err := j1939.DecodeCodes(nil, hexData(t, data), 0)
		require.NoError(t, err, data)
		assert.Empty(t, list, data)
	}
	for _, data := range []string{"", "00", "00FF", "00FF000000"} {
		_, _, err := j1939.DecodeCodes(nil, hexData(t, data), 0)
		require.ErrorIs(t, err, j1939.ErrShortCodes, data)
	}
	b := newBus(t, j1939.Options{})
	assert.Nil(t, push(t, b, "18FECA00#00FF").Codes)
	assert.Equal(t, uint64(1), b.Stats().ShortCodes)
}

func TestLampWords(t *testing.T) {
	for l, want := range map[j1939.Lamp]string{
		{State: j1939.LampOn, Flash: j1939.FlashNone}: "on", {State: j1939.LampOn, Flash: j1939.FlashSlow}: "on, slow flash",
		{State: j1939.LampOn, Flash: j1939.FlashFast}: "on, fast flash", {State: j1939.LampOff, Flash: j1939.FlashNone}: "off",
		{State: j1939.LampOff, Flash: j1939.FlashSlow}: "off", {State: j1939.LampError}: "error", {State: j1939.LampNotAvailable}: "not available",
	} {
		assert.Equal(t, want, l.String())
	}
	// 18FECA00#04FF64000103FFFF: amber lamp on, steady; 100/1, three times (composed by hand).
	r := push(t, newBus(t, j1939.Options{}), "18FECA00#04FF64000103FFFF")
	assert.Equal(t, "on", r.Codes.Lamps.Warning.String())
	assert.Equal(t, "off", r.Codes.Lamps.Stop.String())
	assert.Equal(t, []j1939.Code{{SPN: 100, FMI: 1, Count: 3, Raw: [4]byte{0x64, 0, 1, 3}}}, r.Codes.List)
}

func TestModeText(t *testing.T) {
	seen := map[string]bool{}
	for fmi := range uint8(32) {
		text := j1939.ModeText(fmi)
		assert.NotEmpty(t, text)
		assert.Equal(t, fmi >= 22 && fmi <= 30, text == "reserved", fmi)
		assert.False(t, text != "reserved" && seen[text], text)
		seen[text] = true
	}
	assert.Equal(t, "reserved", j1939.ModeText(32))
}

func FuzzDecodeCodes(f *testing.F) {
	f.Add([]byte{0x04, 0xFF, 0x64, 0, 1, 3, 0xFF, 0xFF}, uint8(0))
	f.Add([]byte{0, 0xFF, 0x5B, 0, 3, 1, 0x5C, 0, 4, 2, 0x5D, 0, 5, 3, 0x5E, 0, 6, 4}, uint8(1))
	f.Add([]byte{0, 0xFF, 0, 0, 0, 0x80}, uint8(2))
	f.Fuzz(func(t *testing.T, data []byte, conversion uint8) {
		lamps, list, err := j1939.DecodeCodes(nil, data, j1939.Conversion(conversion))
		if err != nil {
			require.Less(t, len(data), 6)
			return
		}
		a, b := lamps.Encode()
		require.Equal(t, data[:2], []byte{a, b})
		require.LessOrEqual(t, len(list), (len(data)-2)/4)
		for _, c := range list {
			require.Equal(t, c.Raw, c.Encode())
		}
	})
}
