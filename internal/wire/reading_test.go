package wire

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// alike fails where the two ways differ in anything, and reports whether the quick
// one was taken.
func alike(t require.TestingT, b []byte) bool {
	var d Decoder
	stamp, body, err := d.general(b)
	for range 2 { // the second time with the names known
		gotStamp, gotBody, gotErr := d.Unmarshal(b)
		require.Equal(t, err, gotErr, "%x", b)
		require.Equal(t, stamp, gotStamp, "%x", b)
		require.Equal(t, body, gotBody, "%x", b)
	}
	gotStamp, gotBody, gotErr := Unmarshal(b)
	require.Equal(t, err, gotErr, "%x", b)
	require.Equal(t, stamp, gotStamp, "%x", b)
	require.Equal(t, body, gotBody, "%x", b)
	_, quick := d.quick(b, &maintenance.Reading{})
	return quick
}

func someReading(t *rapid.T) (Stamp, *maintenance.Reading) {
	stamp := Stamp{Time: moment.Instant(rapid.Int64Range(0, maxTime).Draw(t, "time")), Boot: rapid.Uint32().Draw(t, "boot"), Mono: rapid.Int64Range(0, maxTime).Draw(t, "mono")}
	return stamp, &maintenance.Reading{
		Meter:      rapid.StringOfN(rapid.Rune(), 1, 32, maxName).Draw(t, "meter"),
		Shown:      hours.Millis(rapid.Int64Range(0, maxShown).Draw(t, "shown")),
		Resolution: hours.Millis(rapid.Int64Range(1, maxResolution).Draw(t, "resolution")),
		Origin:     maintenance.Origin(rapid.Int64Range(1, maxOrigin).Draw(t, "origin")),
	}
}

func TestReadingsAreReadQuickly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stamp, r := someReading(t)
		b, err := Marshal(nil, stamp, r)
		require.NoError(t, err)
		require.True(t, alike(t, b))
		gotStamp, gotBody, err := Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, stamp, gotStamp)
		require.Equal(t, r, gotBody)
	})
}

// What is out of the ordinary, or out of form, comes out as if there were no quick
// way.
func TestOddReadings(t *testing.T) {
	body := func(r *pb.Reading) []byte {
		b, err := proto.Marshal(&pb.Event{TimeMs: 1_940_000_000_123, Body: &pb.Event_Reading{Reading: r}})
		require.NoError(t, err)
		return b
	}
	whole := func() *pb.Reading { return &pb.Reading{Meter: "engine", ShownMs: 7, ResolutionMs: 9, Origin: 1} }
	plain := body(whole())
	inner := plain[9:]
	require.True(t, alike(t, plain))
	wrap := func(inner []byte) []byte { return protowire.AppendBytes([]byte{byte(eventReading)<<3 | 2}, inner) }
	require.True(t, alike(t, wrap(inner)), "no time")
	require.True(t, alike(t, wrap(append(inner[:8:8], 0x10, 0x87, 0x00, 0x18, 9, 0x20, 1))), "a varint longer than it need be")
	for name, b := range map[string][]byte{
		"nothing":                 {},
		"cut":                     plain[:len(plain)-1],
		"only a tag":              {0x08},
		"a tag and half a value":  {0x08, 0x80},
		"time twice":              append([]byte{0x08, 1}, plain...),
		"time after the body":     append(wrap(inner), 0x08, 1),
		"an unknown field":        append(plain[:len(plain):len(plain)], 0xf8, 0x07, 1),
		"an unknown field in it":  wrap(append(inner[:len(inner):len(inner)], 0xf8, 0x07, 1)),
		"the body twice":          append(plain[:len(plain):len(plain)], wrap([]byte{0x10, 8})...),
		"another order":           wrap(append([]byte{0x10, 7, 0x0a, 6}, "engine\x18\x09\x20\x01"...)),
		"shown twice":             wrap(append(inner[:len(inner):len(inner)], 0x10, 8)),
		"not UTF-8":               wrap([]byte("\x0a\x02\xff\xfe\x10\x07\x18\x09\x20\x01")),
		"no meter":                body(&pb.Reading{ShownMs: 7, ResolutionMs: 9, Origin: 1}),
		"a meter's name too long": body(&pb.Reading{Meter: strings.Repeat("x", maxName+1), ShownMs: 7, ResolutionMs: 9, Origin: 1}),
		"below zero":              body(&pb.Reading{Meter: "engine", ShownMs: -7, ResolutionMs: 9, Origin: 1}),
		"shown too much":          body(&pb.Reading{Meter: "engine", ShownMs: maxShown + 1, ResolutionMs: 9, Origin: 1}),
		"no resolution":           body(&pb.Reading{Meter: "engine", ShownMs: 7, Origin: 1}),
		"too coarse":              body(&pb.Reading{Meter: "engine", ShownMs: 7, ResolutionMs: maxResolution + 1, Origin: 1}),
		"no origin":               body(&pb.Reading{Meter: "engine", ShownMs: 7, ResolutionMs: 9}),
		"an origin of later":      body(&pb.Reading{Meter: "engine", ShownMs: 7, ResolutionMs: 9, Origin: 5}),
		"an origin below zero":    body(&pb.Reading{Meter: "engine", ShownMs: 7, ResolutionMs: 9, Origin: -1}),
		"a boot too large":        append([]byte{0x10, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01}, plain[8:]...),
		"a time too late":         append([]byte{0x08, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f}, wrap(inner)...),
	} {
		require.False(t, alike(t, b), name)
	}
}

func TestASharedReadingHoldsUntilTheNext(t *testing.T) {
	var d Decoder
	one, err := Marshal(nil, Stamp{Time: 5}, &maintenance.Reading{Meter: "engine", Shown: 1, Resolution: 1, Origin: 1})
	require.NoError(t, err)
	two, err := Marshal(nil, Stamp{Time: 6}, &maintenance.Reading{Meter: "separator", Shown: 2, Resolution: 1, Origin: 1})
	require.NoError(t, err)
	_, kept, err := d.Unmarshal(one)
	require.NoError(t, err)
	_, shared, err := d.UnmarshalShared(two)
	require.NoError(t, err)
	require.Equal(t, &maintenance.Reading{Meter: "engine", Shown: 1, Resolution: 1, Origin: 1}, kept)
	require.Equal(t, &maintenance.Reading{Meter: "separator", Shown: 2, Resolution: 1, Origin: 1}, shared)
	_, _, err = d.UnmarshalShared(one)
	require.NoError(t, err)
	require.Equal(t, kept, shared, "it is the decoder's own")
}

// A machine that says ever new names makes its decoder no larger.
func TestNamesAreBounded(t *testing.T) {
	var d Decoder
	for i := range 50 {
		b, err := Marshal(nil, Stamp{Time: 5}, &maintenance.Reading{Meter: strings.Repeat("m", i+1), Shown: 1, Resolution: 1, Origin: 1})
		require.NoError(t, err)
		_, body, err := d.Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, strings.Repeat("m", i+1), body.(*maintenance.Reading).Meter)
	}
	require.Len(t, d.names, namesKept)
}

func FuzzReading(f *testing.F) {
	for _, s := range []Stamp{{Time: 1_940_000_000_123}, {Boot: 7, Mono: 55_000}} {
		b, err := Marshal(nil, s, &maintenance.Reading{Meter: "engine", Shown: 4_444_200_000, Resolution: 180_000, Origin: maintenance.OriginBus})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte{0x52, 0x00})
	f.Fuzz(func(t *testing.T, b []byte) { alike(t, b) })
}
