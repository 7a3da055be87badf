package j1939_test

import (
	"bytes"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

const ms = 1_000_000

// step is a frame at a time in milliseconds.
type step struct {
	at    int64
	frame string
}

// play pushes the steps and gives what came whole ("group source data") and what broke ("group reason").
func play(t *testing.T, b *j1939.Bus, steps []step) (whole, broken []string) {
	t.Helper()
	for _, s := range steps {
		var r *j1939.Report
		if s.frame == "" {
			r = b.Tick(s.at * ms)
		} else {
			f, err := j1939.ParseFrame(s.frame)
			require.NoError(t, err)
			r = b.Push(s.at*ms, f.ID, f.Payload())
		}
		if r.Message.Carried {
			whole = append(whole, string(bytes.TrimRight(r.Message.Data, "\xff")))
		}
		for _, x := range r.Broken {
			broken = append(broken, x.Reason.String())
		}
	}
	return whole, broken
}

// The vehicle number in a broadcast of three packets, composed by hand.
func TestBroadcastVehicleNumber(t *testing.T) {
	b := newBus(t, j1939.Options{})
	r := push(t, b, "18ECFF00#20120003FFECFE00 18EBFF00#015A5A3954455354 18EBFF00#024D414348303030 18EBFF00#033034322AFFFFFF")
	assert.Equal(t, j1939.Message{
		ID:    j1939.ID{Priority: 6, Group: j1939.GroupVehicle, Source: 0, Dest: 255},
		Began: 0, At: 3 * ms, Data: []byte("ZZ9TESTMACH000042*"), Carried: true,
	}, r.Message)
	require.NotNil(t, r.Identity)
	assert.Equal(t, j1939.IdentityVehicle, r.Identity.Kind)
	assert.Equal(t, "ZZ9TESTMACH000042", r.Identity.Text(0))
	assert.Equal(t, 1, r.Identity.Len())
	assert.Equal(t, j1939.TransportStats{Whole: 1}, b.Stats().Transport)
}

// "ABCDEFGHIJ" (10 bytes, two packets) of a made-up group 65300 (0xFF14), from source 0x80 and others.
const (
	bam1  = "1CECFF80#200A0002FF14FF00"
	dt1a  = "1CEBFF80#0141424344454647"
	dt1b  = "1CEBFF80#0248494AFFFFFFFF"
	bam2  = "1CECFF81#20090002FF14FF00"
	dt2a  = "1CEBFF81#0161626364656667"
	dt2b  = "1CEBFF81#026869FFFFFFFFFF"
	rts   = "1CEC2180#100A00020214FF00" // 0x80 to 0x21
	cts   = "1CEC8021#110201FFFF14FF00" // two packets from the first
	dtr1  = "1CEB2180#0141424344454647"
	dtr2  = "1CEB2180#0248494AFFFFFFFF"
	eom   = "1CEC8021#130A0002FF14FF00"
	wait  = "1CEC8021#1100FFFFFF14FF00"
	again = "1CEC8021#110101FFFF14FF00" // one packet, the first
	abort = "1CEC8021#FF01FFFFFF14FF00"
	stop  = "1CEC2180#FF01FFFFFF14FF00"
)

func TestTransport(t *testing.T) {
	whole := []string{"ABCDEFGHIJ"}
	tests := map[string]struct {
		steps  []step
		whole  []string
		broken []string
		stats  j1939.TransportStats
	}{
		"two sources interleaved": {
			[]step{{0, bam1}, {1, bam2}, {2, dt2a}, {3, dt1a}, {4, dt1b}, {5, dt2b}},
			[]string{"ABCDEFGHIJ", "abcdefghi"}, nil, j1939.TransportStats{Whole: 2},
		},
		"a broadcast and a connection of one source interleaved": {
			[]step{{0, bam1}, {1, rts}, {2, dt1a}, {3, cts}, {4, dtr1}, {5, dt1b}, {6, dtr2}, {7, eom}},
			[]string{"ABCDEFGHIJ", "ABCDEFGHIJ"}, nil, j1939.TransportStats{Whole: 2},
		},
		"packets closer than 50 ms":             {[]step{{0, bam1}, {0, dt1a}, {0, dt1b}}, whole, nil, j1939.TransportStats{Whole: 1}},
		"a gap of 750 ms is in time":            {[]step{{0, bam1}, {750, dt1a}, {1500, dt1b}}, whole, nil, j1939.TransportStats{Whole: 1}},
		"a gap of 751 ms is not":                {[]step{{0, bam1}, {751, dt1a}, {752, dt1b}}, nil, []string{"timeout"}, j1939.TransportStats{Broken: 1, Stray: 2}},
		"time alone breaks it":                  {[]step{{0, bam1}, {700, ""}, {751, ""}, {800, ""}}, nil, []string{"timeout"}, j1939.TransportStats{Broken: 1}},
		"a packet is missing":                   {[]step{{0, bam1}, {1, dt1b}, {2, dt1a}}, nil, []string{"sequence"}, j1939.TransportStats{Broken: 1, Stray: 1}},
		"a packet is repeated":                  {[]step{{0, bam1}, {1, dt1a}, {2, dt1a}, {3, dt1b}}, nil, []string{"sequence"}, j1939.TransportStats{Broken: 1, Stray: 1}},
		"a packet is short":                     {[]step{{0, bam1}, {1, "1CEBFF80#01414243"}}, nil, []string{"short packet"}, j1939.TransportStats{Broken: 1}},
		"the last packet isn't filled up":       {[]step{{0, bam1}, {1, dt1a}, {2, "1CEBFF80#0248494A"}}, whole, nil, j1939.TransportStats{Whole: 1}},
		"an empty packet":                       {[]step{{0, bam1}, {1, "1CEBFF80#"}, {2, dt1a}, {3, dt1b}}, whole, nil, j1939.TransportStats{Whole: 1, Stray: 1}},
		"a new announcement kills the old":      {[]step{{0, bam1}, {1, dt1a}, {2, bam1}, {3, dt1a}, {4, dt1b}}, whole, []string{"superseded"}, j1939.TransportStats{Whole: 1, Broken: 1}},
		"packets of nobody":                     {[]step{{0, dt1a}, {1, dtr1}}, nil, nil, j1939.TransportStats{Stray: 2}},
		"size 0":                                {[]step{{0, "1CECFF80#20000000FF14FF00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"size 1786":                             {[]step{{0, "1CECFF80#20FA06FFFF14FF00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"packets that don't fit the size":       {[]step{{0, "1CECFF80#200A0003FF14FF00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"a group beyond 18 bits":                {[]step{{0, "1CECFF80#200A0002FF14FF04"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"a group that no group can be":          {[]step{{0, "1CECFF80#200A0002FF01EA00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"a broadcast to one":                    {[]step{{0, "1CEC2180#200A0002FF14FF00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"a request to send to all":              {[]step{{0, "1CECFF80#100A0002FF14FF00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"an unknown control byte":               {[]step{{0, "1CECFF80#630A0002FF14FF00"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"a short control frame":                 {[]step{{0, "1CECFF80#200A0002FF14FF"}}, nil, nil, j1939.TransportStats{Refused: 1}},
		"a connection":                          {[]step{{0, rts}, {1, cts}, {2, dtr1}, {3, dtr2}, {4, eom}}, whole, nil, j1939.TransportStats{Whole: 1}},
		"a connection whose receiver waits":     {[]step{{0, rts}, {1200, wait}, {2200, wait}, {3200, cts}, {4400, dtr1}, {4401, dtr2}, {4402, eom}}, whole, nil, j1939.TransportStats{Whole: 1}},
		"a packet asked for again":              {[]step{{0, rts}, {1, cts}, {2, dtr1}, {3, again}, {4, dtr1}, {5, cts}, {6, dtr1}, {7, dtr2}}, whole, nil, j1939.TransportStats{Whole: 1}},
		"no answer to a request to send":        {[]step{{0, rts}, {1251, cts}}, nil, []string{"timeout"}, j1939.TransportStats{Broken: 1, Stray: 1}},
		"no packet after a clear to send":       {[]step{{0, rts}, {1000, cts}, {2251, dtr1}}, nil, []string{"timeout"}, j1939.TransportStats{Broken: 1, Stray: 1}},
		"no next packet":                        {[]step{{0, rts}, {1, cts}, {2, dtr1}, {753, dtr2}}, nil, []string{"timeout"}, j1939.TransportStats{Broken: 1, Stray: 1}},
		"no next window":                        {[]step{{0, rts}, {1, again}, {2, dtr1}, {1252, cts}, {1253, ""}, {2503, ""}}, nil, []string{"timeout"}, j1939.TransportStats{Broken: 1}},
		"the receiver gives up":                 {[]step{{0, rts}, {1, cts}, {2, abort}, {3, dtr1}}, nil, []string{"aborted"}, j1939.TransportStats{Broken: 1, Stray: 1}},
		"the sender gives up":                   {[]step{{0, rts}, {1, cts}, {2, stop}}, nil, []string{"aborted"}, j1939.TransportStats{Broken: 1}},
		"the receiver has what wasn't heard":    {[]step{{0, rts}, {1, cts}, {2, dtr1}, {3, eom}}, nil, []string{"sequence"}, j1939.TransportStats{Broken: 1}},
		"a clear to send beyond what was heard": {[]step{{0, rts}, {1, cts}, {2, "1CEC8021#110102FFFF14FF00"}}, nil, []string{"sequence"}, j1939.TransportStats{Broken: 1}},
		"a clear to send for another group":     {[]step{{0, rts}, {1, "1CEC8021#110201FFFF15FF00"}, {2, cts}, {3, dtr1}, {4, dtr2}}, whole, nil, j1939.TransportStats{Whole: 1, Stray: 1}},
		"a request to send anew":                {[]step{{0, rts}, {1, cts}, {2, dtr1}, {3, rts}, {4, cts}, {5, dtr1}, {6, dtr2}}, whole, []string{"superseded"}, j1939.TransportStats{Whole: 1, Broken: 1}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			b := newBus(t, j1939.Options{})
			whole, broken := play(t, b, tt.steps)
			assert.Equal(t, tt.whole, whole)
			assert.Equal(t, tt.broken, broken)
			assert.Equal(t, tt.stats, b.Stats().Transport)
		})
	}
}

func TestBrokenTellsWhat(t *testing.T) {
	b := newBus(t, j1939.Options{})
	_, _ = play(t, b, []step{{10, bam1}, {20, dt1a}})
	r := b.Tick(771 * ms)
	require.Len(t, r.Broken, 1)
	assert.Equal(t, j1939.Broken{
		ID: j1939.ID{Priority: 7, Group: 65300, Source: 0x80, Dest: 255}, Began: 10 * ms, At: 771 * ms, Got: 1, Want: 2, Reason: j1939.BreakTimeout,
	}, r.Broken[0])
}

// An address that goes to a lower name breaks what its former holder was sending.
func TestTransportOfALostAddress(t *testing.T) {
	b := newBus(t, j1939.Options{})
	whole, broken := play(t, b, []step{
		{0, "18EEFF80#F1FB895700000000"}, {1, bam1}, {2, dt1a}, {3, rts}, {4, "18EEFF80#F0FB895700000000"}, {5, dt1b}, {6, dtr1},
	})
	assert.Empty(t, whole)
	assert.Equal(t, []string{"address changed", "address changed"}, broken)
	assert.Equal(t, j1939.TransportStats{Broken: 2, Stray: 2}, b.Stats().Transport)
}

// Messages of many sources, mixed at random, come out as they went in.
func TestTransportInterleaves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, err := j1939.NewBus(j1939.Options{})
		require.NoError(t, err)
		sources := rapid.SliceOfNDistinct(rapid.Uint8Range(0, 253), 1, 12, rapid.ID).Draw(t, "sources")
		want := map[uint8][]byte{}
		var queues [][]j1939.Frame
		for _, s := range sources {
			want[s] = rapid.SliceOfN(rapid.Byte(), 9, 200).Draw(t, "data")
			frames, err := j1939.AppendBroadcast(nil, 7, 65300, j1939.Address(s), want[s])
			require.NoError(t, err)
			queues = append(queues, frames)
		}
		got := map[uint8][]byte{}
		for at := int64(0); len(queues) > 0; at += ms {
			i := rapid.IntRange(0, len(queues)-1).Draw(t, "next")
			r := b.Push(at, queues[i][0].ID, queues[i][0].Payload())
			require.Empty(t, r.Broken)
			if r.Message.Carried {
				got[uint8(r.Message.ID.Source)] = slices.Clone(r.Message.Data)
			}
			if queues[i] = queues[i][1:]; len(queues[i]) == 0 {
				queues = slices.Delete(queues, i, i+1)
			}
		}
		require.Equal(t, want, got)
	})
}

// Announcements from every source to every other, never finished: nothing allocates, nothing grows, and an honest
// broadcast still comes through.
func TestHostileTrafficIsBounded(t *testing.T) {
	b := newBus(t, j1939.Options{})
	at, n := int64(0), uint32(0)
	var data [8]byte
	send := func(id uint32, bytes ...byte) {
		copy(data[:], bytes)
		b.Push(at, id, data[:])
	}
	flood := func() {
		for range 500 {
			n = n*1664525 + 1013904223 // a fixed sequence that jumps about
			source, dest := n>>8&0xFF, n>>16&0xFF
			at += 10_000
			if source == 0x80 {
				continue
			}
			send(0x1CEC0000|dest<<8|source, 16, 0xF9, 6, 255, 1, byte(n), 0xFF, 0)
			send(0x1CECFF00|source, 32, 0xF9, 6, 255, 0xFF, 0xCA, 0xFE, 0)
			send(0x1CEBFF00|source, 1, 1, 2, 3, 4, 5, 6, byte(n))
			send(0x18FECA00|source, 0, 0xFF, byte(n), byte(n>>8), byte(n>>16), 1, 0xFF, 0xFF)
			send(0x18EEFF00|source, byte(n), byte(n>>8), byte(n>>16), 0, 0, 0, 0, 0)
		}
	}
	for range 200 {
		flood()
	}
	assert.Zero(t, testing.AllocsPerRun(50, flood))
	assert.Positive(t, b.Stats().Transport.Refused)

	for i, text := range []string{bam1, dt1a, dt1b} {
		f, err := j1939.ParseFrame(text)
		require.NoError(t, err)
		r := b.Push(at+int64(i), f.ID, f.Payload())
		assert.Equal(t, i == 2, r.Message.Carried)
	}
}

func TestAppendBroadcastRefuses(t *testing.T) {
	for name, call := range map[string]func() error{
		"no bytes":  func() error { _, err := j1939.AppendBroadcast(nil, 6, 65300, 0, nil); return err },
		"too many":  func() error { _, err := j1939.AppendBroadcast(nil, 6, 65300, 0, make([]byte, 1786)); return err },
		"priority":  func() error { _, err := j1939.AppendBroadcast(nil, 8, 65300, 0, make([]byte, 9)); return err },
		"priority1": func() error { _, err := j1939.AppendBroadcast(nil, 8, 65300, 0, make([]byte, 8)); return err },
		"group":     func() error { _, err := j1939.AppendBroadcast(nil, 6, 59905, 0, make([]byte, 9)); return err },
	} {
		assert.Error(t, call(), name)
	}
	frames, err := j1939.AppendBroadcast(nil, 6, 65300, 0, make([]byte, 1785))
	require.NoError(t, err)
	assert.Len(t, frames, 256)
}

// Any bytes at all: no panic, and never a message longer than what was announced.
func FuzzBus(f *testing.F) {
	join := func(texts ...string) (out []byte) {
		for _, text := range texts {
			fr, err := j1939.ParseFrame(text)
			require.NoError(f, err)
			out = append(out, byte(fr.ID>>24), byte(fr.ID>>16), byte(fr.ID>>8), byte(fr.ID), 5, fr.Len)
			out = append(out, fr.Payload()...)
		}
		return out
	}
	f.Add(join(bam1, dt1a, dt1b))
	f.Add(join(rts, cts, dtr1, again, dtr1, dtr2, eom, abort))
	f.Add(join("18ECFF00#20120003FFCAFE00", "18EBFF00#0104FF5B0003015C", "18EEFF00#F1FB895700000000", "18EBFF00#020004025D000503", "18EBFF00#035E000604FFFFFF"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := j1939.NewBus(j1939.Options{})
		require.NoError(t, err)
		at := int64(0)
		for len(data) >= 6 {
			id := uint32(data[0])<<24 | uint32(data[1])<<16 | uint32(data[2])<<8 | uint32(data[3])
			at += int64(data[4]) * 20 * ms
			n := min(int(data[5]%10), len(data)-6)
			r := b.Push(at, id, data[6:6+n])
			require.LessOrEqual(t, len(r.Message.Data), j1939.MaxMessage)
			require.LessOrEqual(t, len(r.Broken), 300)
			data = data[6+n:]
		}
		state := b.State()
		require.NoError(t, state.Validate())
	})
}
