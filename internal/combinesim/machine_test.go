package combinesim

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"math/bits"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func halfDay() Program {
	return Program{{Do: Off, For: time.Minute}, {Do: KeyOn, For: time.Minute}, {Do: Idle, For: 3 * time.Minute}, {Do: Road, For: 5 * time.Minute},
		{Do: Thresh, For: 25 * time.Minute}, {Do: Plug, For: 12 * time.Minute}, {Do: Idle, For: 2 * time.Minute}, {Do: Unload, For: 4 * time.Minute},
		{Do: Fuel, For: 5 * time.Minute, FuelML: 60_000}, {Do: Thresh, For: 20 * time.Minute}, {Do: Idle, For: 2 * time.Minute}, {Do: Off, For: 3 * time.Minute}}
}

func digest(t *testing.T, c Config) [32]byte {
	t.Helper()
	var out bytes.Buffer
	_, err := build(t, c).WriteCandump(&out, "can0")
	require.NoError(t, err)
	require.Greater(t, out.Len(), 100_000)
	return sha256.Sum256(out.Bytes())
}

func TestSameSeedSameBytes(t *testing.T) {
	c := plain(halfDay()...)
	first := digest(t, c)
	assert.Equal(t, first, digest(t, c))
	c.Seed++
	assert.NotEqual(t, first, digest(t, c))
}

// TestPieces: however the frames are fetched, they are the same.
func TestPieces(t *testing.T) {
	c := plain(halfDay()...)
	_, want := all(t, c)
	m := build(t, c)
	var got []Frame
	for i := 0; m.Now().Before(m.End()); i++ {
		until := m.Now().Add(time.Duration(i%7*37+1) * 7919 * time.Millisecond)
		m.Run(until, func(f Frame) {
			require.Less(t, f.AtNS, until.UnixNano())
			got = append(got, f)
		})
		if f, ok := m.Next(); ok && i%3 == 0 {
			got = append(got, f)
		} else if ok {
			got = m.Append(append(got, f), f.Time().Add(time.Second))
		}
	}
	require.Equal(t, want, got)
	assert.EqualValues(t, len(want), m.Truth().Frames)
}

// TestTruthWithoutRates: what the machine does depends on no rate, and truth has
// no part in which a frame was read.
func TestTruthWithoutRates(t *testing.T) {
	c := plain(halfDay()...)
	thin, _ := all(t, c)
	want := thin.Truth()
	for _, r := range []Rates{RealBus(), {BitRate: 10_000}} {
		c.Rates = r
		m, _ := all(t, c)
		got := m.Truth()
		got.Frames = want.Frames
		assert.Equal(t, want, got)
	}
}

// TestFaultsApart: a fault changes what it is about and not the rest of the day.
func TestFaultsApart(t *testing.T) {
	c := plain(halfDay()...)
	sound, _ := all(t, c)
	c.Faults.Slipping = []SlippingDrive{{Drive: FanDrive, From: 10 * time.Minute, StartPPM: 90_000}}
	c.Faults.Warnings = []Warning{{Code: Codes()[1], From: time.Minute}}
	c.Faults.Silences = []Silence{{From: 20 * time.Minute, To: 40 * time.Minute}}
	c.Faults.Missing = []SensorMissing{{Signal: EngineSpeed, From: 0, To: time.Hour}}
	c.Faults.Glitches = []MeterGlitch{{At: time.Hour / 2, For: time.Minute, JumpMS: 37 * Hour}}
	faulty, _ := all(t, c)
	a, b := sound.Truth(), faulty.Truth()
	assert.NotEqual(t, a.Drives, b.Drives)
	assert.Len(t, b.Warnings, 1)
	assert.Less(t, b.Frames, a.Frames)
	b.Drives, b.Warnings, b.Frames = a.Drives, a.Warnings, a.Frames
	assert.Equal(t, a, b)
}

// TestRatesHold: messages come as often as they should.
func TestRatesHold(t *testing.T) {
	for name, r := range map[string]struct {
		rates    Rates
		from, to int
	}{"full": {FullBus(), 3900, 4000}, "real": {RealBus(), 650, 720}, "thin": {ThinBus(), 8, 13}} {
		c := plain(ProgramStep{Do: Idle, For: 20 * time.Second})
		c.Rates = r.rates
		m := build(t, c)
		m.Run(testStart.Add(5*time.Second), func(Frame) {})
		frames := m.Append(nil, testStart.Add(15*time.Second))
		perSecond := len(frames) / 10
		assert.True(t, perSecond >= r.from && perSecond <= r.to, "%s: %d frames/s", name, perSecond)
		speeds := 0
		for _, f := range frames {
			if f.Group() == 61444 {
				speeds++
			}
		}
		assert.InDelta(t, float64(10*time.Second)/float64(r.rates.EngineSpeed), speeds, 1, name)
	}
}

// TestQueue: frames of a bus filled to the brim do not overlap, and each comes
// within its own period.
func TestQueue(t *testing.T) {
	c := plain(ProgramStep{Do: Thresh, For: 30 * time.Second})
	c.Rates = FullBus()
	_, frames := all(t, c)
	last := map[uint32]int64{}
	for i, f := range frames {
		if i > 0 {
			p := frames[i-1]
			need := (67 + 8*int64(p.Len)) * 2000 // bits of 2 µs at 500 kbit/s
			require.GreaterOrEqual(t, f.AtNS-p.AtNS, need)
		}
		if at, seen := last[f.ID]; seen && f.Group() == 61444 {
			require.InDelta(t, 10e6, f.AtNS-at, 9e6)
		}
		last[f.ID] = f.AtNS
	}
	assert.Greater(t, len(frames), 100_000)
}

// TestKeyOn: what a bus says when it wakes, in order.
func TestKeyOn(t *testing.T) {
	c := plain(ProgramStep{Do: Off, For: 10 * time.Second}, ProgramStep{Do: KeyOn, For: 10 * time.Second},
		ProgramStep{Do: Off, For: 20 * time.Second}, ProgramStep{Do: Idle, For: 10 * time.Second})
	m, frames := all(t, c)
	on := testStart.Add(10 * time.Second)
	require.NotEmpty(t, frames)
	names := map[uint8]Name{EngineSource: c.Identity.Engine, ThresherSource: c.Identity.Thresher, HeaderSource: c.Identity.Header}
	for _, f := range frames[:3] {
		require.EqualValues(t, 60928, f.Group())
		assert.EqualValues(t, 0xFF, f.ID>>8&0xFF, "to all")
		n := names[f.Source()]
		assert.Equal(t, n.bytes(), f.Data)
		delete(names, f.Source())
		assert.True(t, f.Time().After(on))
	}
	assert.Empty(t, names)
	assert.True(t, frames[3].Time().After(frames[2].Time().Add(200*time.Millisecond)), "a claim has to stand before its source talks")

	said := map[uint32]map[uint8]string{65260: {}, 65259: {}}
	for _, w := range reassemble(t, frames) {
		if time.Duration(w.at-on.UnixNano()) < 9*time.Second {
			said[w.group][w.source] = string(w.data)
		}
	}
	assert.Equal(t, map[uint8]string{ThresherSource: c.Identity.VIN + "*"}, said[65260])
	assert.Equal(t, map[uint8]string{EngineSource: "QUERNOX*D9*E00042**", ThresherSource: "SKELDROW*SR7*00042*1*"}, said[65259])

	alive := []Span{{on.UnixNano(), on.Add(14*time.Second - Step).UnixNano()}, {on.Add(30 * time.Second).UnixNano(), m.End().UnixNano()}}
	assert.Equal(t, alive, m.Truth().BusAlive)
	for _, f := range frames {
		inside := f.AtNS >= alive[0].FromNS && f.AtNS < alive[0].ToNS || f.AtNS >= alive[1].FromNS
		require.True(t, inside, "%v while the bus is dead", f.Time())
	}
}

func TestQuietKeyOn(t *testing.T) {
	c := plain(ProgramStep{Do: KeyOn, For: time.Minute})
	c.Habits.QuietKeyOn = true
	_, frames := all(t, c)
	assert.Empty(t, reassemble(t, frames))
	assert.EqualValues(t, 60928, frames[0].Group())
}

// TestRequests: a tool asks, the machine answers within 200 ms; J1939 leaves that
// long.
func TestRequests(t *testing.T) {
	groups := []uint32{65253, 65255, 65260, 65259, 65226, 60928, 65242}
	c := plain(ProgramStep{Do: Off, For: time.Minute}, ProgramStep{Do: Idle, For: 10 * time.Minute})
	c.Rates = Rates{BitRate: 250_000, EngineSpeed: time.Second}
	c.Habits.QuietKeyOn = true
	for i, g := range groups {
		c.Faults.Requested = append(c.Faults.Requested, Request{At: time.Duration(i+2) * time.Minute, From: 0xF9, Group: g, Every: 5 * time.Minute})
	}
	_, frames := all(t, c)
	asked := map[uint32][]int64{}
	answered := map[uint32]int{}
	for _, f := range frames {
		if f.Group() == 59904 {
			require.EqualValues(t, 3, f.Len)
			require.Equal(t, [5]byte{}, [5]byte(f.Data[3:]))
			g := uint32(f.Data[0]) | uint32(f.Data[1])<<8 | uint32(f.Data[2])<<16
			asked[g] = append(asked[g], f.AtNS)
			continue
		}
		g := f.Group()
		if g == 60416 {
			g = uint32(f.Data[5]) | uint32(f.Data[6])<<8
		}
		if at := asked[g]; len(at) > 0 && f.AtNS-at[len(at)-1] < 200e6 {
			answered[g]++
		}
	}
	want := map[uint32]int{65253: 2, 65255: 2, 65260: 2, 65259: 4, 65226: 3, 60928: 3} // the last two once only: the program ends
	assert.Equal(t, want, answered)
	assert.Len(t, asked[65242], 1)
	assert.Equal(t, testStart.Add(2*time.Minute).UnixNano(), asked[65253][0])

	c.Habits.NoEngineHours = true
	_, frames = all(t, c)
	for _, f := range frames {
		require.NotEqualValues(t, 65253, f.Group())
	}
}

func TestAsk(t *testing.T) {
	c := plain(ProgramStep{Do: KeyOn, For: time.Minute})
	c.Rates = Rates{BitRate: 250_000}
	m := build(t, c)
	m.Ask(65253) // the first claim is not out yet, but the controller has power
	m.Run(testStart.Add(30*time.Second), func(Frame) {})
	m.Ask(65253)
	var hours []time.Duration
	m.Run(testStart.Add(40*time.Second), func(f Frame) {
		if f.Group() == 65253 {
			hours = append(hours, f.Time().Sub(testStart))
		}
	})
	assert.Equal(t, []time.Duration{30*time.Second + 20*time.Millisecond}, hours)
}

func TestCandump(t *testing.T) {
	f := Frame{AtNS: 1785000000_000123_999, ID: 0x18FEE500, Len: 8, Data: [8]byte{0x72, 0x60, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}}
	assert.Equal(t, "(1785000000.000123) can0 18FEE500#72600000FFFFFFFF\n", string(f.AppendCandump(nil, "can0")))
	f = Frame{AtNS: 12_005_000_000, ID: 0x18EAFFF9, Len: 3, Data: [8]byte{0xEC, 0xFE, 0}}
	assert.Equal(t, "(0000000012.005000) vcan1 18EAFFF9#ECFE00\n", string(f.AppendCandump(nil, "vcan1")))

	c := plain(halfDay()...)
	_, frames := all(t, c)
	var out strings.Builder
	n, err := build(t, c).WriteCandump(&out, "can0")
	require.NoError(t, err)
	require.EqualValues(t, len(frames), n)
	i := 0
	for line := range strings.Lines(out.String()) {
		require.Equal(t, string(frames[i].AppendCandump(nil, "can0")), line)
		i++
	}
	assert.Equal(t, len(frames), i)

	broken := errors.New("disk full")
	_, err = build(t, c).WriteCandump(failing{broken}, "can0")
	assert.ErrorIs(t, err, broken)
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// TestWholeMicroseconds: no frame loses a part of its time in a log.
func TestWholeMicroseconds(t *testing.T) {
	for _, r := range []Rates{ThinBus(), RealBus(), FullBus()} {
		c := plain(ProgramStep{Do: Idle, For: 20 * time.Second})
		c.Rates = r
		_, frames := all(t, c)
		for _, f := range frames {
			require.Zero(t, f.AtNS%1000)
		}
	}
}

func TestNoAllocations(t *testing.T) {
	for name, r := range map[string]Rates{"thin": ThinBus(), "full": FullBus()} {
		c := plain(ProgramStep{Do: Thresh, For: 24 * time.Hour})
		c.Rates = r
		c.Faults.Warnings = []Warning{{Code: Codes()[0], OnFor: 7 * time.Second, OffFor: 3 * time.Second}, {Code: Codes()[1]}}
		m := build(t, c)
		allocs := testing.AllocsPerRun(2000, func() {
			for range 20 {
				m.Next()
			}
		})
		assert.Zero(t, allocs, name)
	}
}

// TestRandomMachines: whatever the program, the rates and the faults, time goes
// forward, meters never fall and the truth agrees with itself.
func TestRandomMachines(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		c := randomConfig(r)
		m, err := New(c)
		if err != nil {
			r.Fatalf("%v", err)
		}
		last, hours := int64(0), uint64(0)
		for f, ok := m.Next(); ok; f, ok = m.Next() {
			if f.AtNS <= last || bits.Len32(f.ID) > 29 || f.Len > 8 || f.AtNS < testStart.UnixNano() || f.AtNS >= m.End().UnixNano() {
				r.Fatalf("%v after %d", f, last)
			}
			last = f.AtNS
			if f.Group() == 65253 {
				raw := bitsAt(f.Data, 1, 1, 32)
				if raw < hours {
					r.Fatalf("hours fell from %d to %d", hours, raw)
				}
				hours = raw
			}
		}
		agree(r, c, m)
	})
}

func randomConfig(r *rapid.T) Config {
	steps := rapid.SliceOfN(rapid.Custom(func(r *rapid.T) ProgramStep {
		return ProgramStep{
			Do:     Activity(rapid.IntRange(0, activities-1).Draw(r, "do")),
			For:    time.Duration(rapid.IntRange(1, 3000).Draw(r, "steps")) * Step,
			FuelML: rapid.Int64Range(0, FuelTankML).Draw(r, "fuel"),
			Load:   Load{MeanPct: rapid.Int64Range(0, 125).Draw(r, "mean"), NoisePct: rapid.Int64Range(0, 125).Draw(r, "noise")},
		}
	}), 1, 8).Draw(r, "program")
	c := plain(steps...)
	c.Seed = rapid.Uint64().Draw(r, "seed")
	c.FuelML = rapid.Int64Range(1, 20_000).Draw(r, "tank")
	rate := rapid.SampledFrom([]time.Duration{0, 20 * time.Millisecond, 333 * time.Millisecond, 2 * time.Second})
	c.Rates = Rates{BitRate: 125_000, EngineSpeed: rate.Draw(r, "speed"), EngineHours: rate.Draw(r, "hours"), Shafts: rate.Draw(r, "shafts"),
		Others: []Traffic{{Groups: rapid.IntRange(1, 9).Draw(r, "others"), Every: 50 * time.Millisecond, Len: rapid.IntRange(0, 8).Draw(r, "len")}}}
	for range rapid.IntRange(0, 6).Draw(r, "codes") {
		from := time.Duration(rapid.IntRange(0, 600).Draw(r, "from")) * time.Second
		c.Faults.Warnings = append(c.Faults.Warnings, Warning{
			Code: Code{SPN: rapid.Uint32Range(1, 524_286).Draw(r, "spn"), Source: sources[rapid.IntRange(0, 2).Draw(r, "source")]},
			From: from, OnFor: time.Duration(rapid.IntRange(0, 5000).Draw(r, "on")) * time.Millisecond, OffFor: 700 * time.Millisecond})
	}
	c.Habits.QuietEngine = rapid.Bool().Draw(r, "quiet")
	return c
}

func agree(r *rapid.T, c Config, m *Machine) {
	truth := m.Truth()
	switch {
	case truth.FromNS != testStart.UnixNano() || truth.ToNS != m.End().UnixNano():
		r.Fatalf("truth spans %v", truth.Span)
	case truth.EngineMS != c.Meters.Engine+truth.EngineRunMS():
		r.Fatalf("engine meter %d, ran %d", truth.EngineMS, truth.EngineRunMS())
	case truth.EngineMS != m.w.meters.Engine || truth.PTOMS != m.w.meters.PTO || truth.VehicleMS != m.w.meters.Vehicle:
		r.Fatalf("the truth's meters are not the machine's")
	case truth.FuelML < 0 || truth.FuelML > FuelTankML:
		r.Fatalf("%d ml in the tank", truth.FuelML)
	}
	if d := c.FuelML + truth.FuelledML - truth.BurnedML - truth.FuelML; d < -2 || d > 2 {
		r.Fatalf("fuel is out by %d ml", d)
	}
	for _, w := range truth.Warnings {
		if w.LastNS < w.FirstNS || w.End != Standing && w.EndNS <= w.LastNS || w.Count == 0 {
			r.Fatalf("warning %+v", w)
		}
	}
}

func BenchmarkFrames(b *testing.B) {
	for _, rate := range []struct {
		name  string
		rates Rates
	}{{"thin", ThinBus()}, {"real", RealBus()}, {"full", FullBus()}} {
		b.Run(rate.name, func(b *testing.B) {
			c := plain(ProgramStep{Do: Thresh, For: 10_000 * time.Hour})
			c.Rates = rate.rates
			m := build(b, c)
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				if _, ok := m.Next(); !ok {
					b.Fatal("the program is over")
				}
				n++
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
		})
	}
}

func BenchmarkShift(b *testing.B) {
	story := Crew(testStart, 1)[0]
	b.ReportAllocs()
	for b.Loop() {
		m := build(b, story.Machine)
		m.Run(m.End(), func(Frame) {})
	}
}
