package listen_test

import (
	"encoding/binary"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
)

// mostOnWire is the most hours that the wire carries.
const mostOnWire = hours.Most

// check holds what is true of every event, whatever was on the bus.
type check struct {
	latest int64 // ms, of all but warnings
	shown  map[string]int64
}

func (c *check) events(t require.TestingT, nowNS int64, events []listen.Event) {
	for _, e := range events {
		require.LessOrEqual(t, e.AtMs, nowNS/1e6, "%T is of the future", e.Body)
		if r, ok := e.Body.(*maintenance.Reading); ok && r.Shown > mostOnWire {
			continue
		}
		b, err := wire.Marshal(nil, wire.Stamp{Time: moment.Instant(max(1, e.AtMs))}, e.Body)
		require.NoError(t, err)
		_, _, err = wire.Unmarshal(b)
		require.NoError(t, err, "an event that nobody would take: %+v", e.Body)
		switch b := e.Body.(type) {
		case *maintenance.Warning:
			continue // the rules of codes say when
		case *maintenance.Reading:
			require.GreaterOrEqual(t, e.AtMs, c.latest-60_001, "%+v", b)
			if b.Origin == maintenance.OriginDerived {
				require.GreaterOrEqual(t, int64(b.Shown), c.shown[b.Meter], "running time never falls")
				c.shown[b.Meter] = int64(b.Shown)
			}
		case *maintenance.Listened:
			require.Equal(t, e.AtMs, int64(b.To))
			require.GreaterOrEqual(t, e.AtMs, c.latest-6_001)
		default:
			require.GreaterOrEqual(t, e.AtMs, c.latest-6_001, "%T %+v", b, b)
		}
		c.latest = max(c.latest, e.AtMs)
	}
}

// groups that something is made of, so that random frames meet it often.
var groups = []uint32{65253, 61444, 61443, 65226, 60416, 60160, 60928, 65260, 65259, 65377, 65378, 65379, 65380, 59904, 51968, 65255}

func TestWhateverIsOnTheBus(t *testing.T) {
	ch := chart(t)
	ch.Meters[0].Source = maintenance.AnySource
	rapid.Check(t, func(t *rapid.T) {
		l, err := listen.New(listen.Options{Chart: ch})
		require.NoError(t, err)
		l.SetDerived("separator", 0)
		c := &check{shown: map[string]int64{}}
		now := start.UnixNano()
		for range rapid.IntRange(1, 400).Draw(t, "frames") {
			now += rapid.OneOf(rapid.Int64Range(0, 3e8), rapid.Int64Range(0, 3e9), rapid.Just(int64(7e9)), rapid.Just(int64(3600e9))).Draw(t, "wait")
			if rapid.IntRange(0, 9).Draw(t, "tick") == 0 {
				l.Tick(now)
			}
			group, source := rapid.SampledFrom(groups).Draw(t, "group"), rapid.SampledFrom([]uint32{0, 0xB2, 0xB7, 9, 254}).Draw(t, "source")
			data := rapid.SliceOfN(rapid.OneOf(rapid.Byte(), rapid.SampledFrom([]byte{0, 1, 0x20, 0xFF, 0xFE})), 0, 8).Draw(t, "data")
			l.Push(now, 6<<26|group<<8|source, data)
			if rapid.IntRange(0, 19).Draw(t, "restart") == 0 {
				c.events(t, now, l.Take(nil))
				b, err := json.Marshal(l.State())
				require.NoError(t, err)
				var s listen.State
				require.NoError(t, json.Unmarshal(b, &s))
				l, err = listen.New(listen.Options{Chart: ch, State: &s})
				require.NoError(t, err)
			}
		}
		l.Close(now)
		c.events(t, now, l.Take(nil))
	})
}

func FuzzPush(f *testing.F) {
	ch := chart(f)
	m := machine(f, plain(combinesim.ThinBus(), step(combinesim.Idle, 5e9), step(combinesim.Thresh, 5e9)))
	last, n := start.UnixNano(), 0
	var seed []byte
	m.Run(m.End(), func(fr combinesim.Frame) {
		// Short inputs, since the fuzzer makes each one shorter by trial.
		if n++; n%12 == 0 {
			f.Add(seed)
			seed = nil
		}
		seed = binary.LittleEndian.AppendUint32(seed, uint32((fr.AtNS-last)/1e6))
		seed = binary.LittleEndian.AppendUint32(seed, fr.ID)
		seed = append(append(seed, fr.Len), fr.Data[:]...)
		last = fr.AtNS
	})
	f.Fuzz(func(t *testing.T, b []byte) {
		l := listener(t, listen.Options{Chart: ch})
		c := &check{shown: map[string]int64{}}
		now := start.UnixNano()
		for ; len(b) >= 17; b = b[17:] {
			now += int64(binary.LittleEndian.Uint32(b)%4_000_000) * 1e6
			l.Push(now, binary.LittleEndian.Uint32(b[4:]), b[9:9+min(b[8], 8)])
		}
		l.Close(now)
		c.events(t, now, l.Take(nil))
		s := l.State()
		_, err := listen.New(listen.Options{Chart: ch, State: &s})
		require.NoError(t, err)
	})
}

// A bus on which everything changes with each frame costs events by the time
// that passes, not by the frames.
func TestAHostileBusIsBounded(t *testing.T) {
	ch := chart(t)
	ch.Meters[0].Source = maintenance.AnySource
	l := listener(t, listen.Options{Chart: ch})
	l.SetDerived("separator", 0)
	l.SetDerived("header", 0)
	now, n := start.UnixNano(), 0
	const seconds = 120
	for i := range seconds * 4000 {
		now += 250_000
		x := byte(i * 7)
		switch i % 7 {
		case 0:
			l.Push(now, 0x18FEE500|uint32(i%5), []byte{x, byte(i >> 3), 0, 0, 0, 0, 0, 0})
		case 1:
			l.Push(now, 0x0CF00400, speed(600*(i/7%2)))
		case 2:
			l.Push(now, 0x18FECA00|uint32(i%200), []byte{4, 0xFF, x, byte(i >> 8), x & 0xE3, 1, 0xFF, 0xFF})
		case 3:
			l.Push(now, 0x18FF61B2, []byte{x, x, x, x, x, x, x, x})
		case 4:
			l.Push(now, 0x18EEFF00|uint32(i%250), []byte{x, byte(i >> 8), byte(i >> 16), 0, 0, 0, 0, 0})
		case 5:
			l.Push(now, 0x18FF63B7, []byte{x, x, x, x, x, x, x, x})
		case 6:
			l.Push(now, 0x18ECFF00|uint32(i%250), []byte{0x20, 0xFF, 6, 0xFF, 0xFF, 0xCA, 0xFE, 0})
		}
		if i%200 == 0 {
			n += len(l.Take(nil))
		}
	}
	n += len(l.Take(nil))
	require.Less(t, n, 200*seconds, "events")
	b, err := json.Marshal(l.State())
	require.NoError(t, err)
	require.Less(t, len(b), 256<<10)
}
