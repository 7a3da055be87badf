package combinesim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// reading is one engine hours frame.
type reading struct {
	at  time.Duration
	raw uint64
}

func hoursHeard(frames []Frame) (out []reading) {
	for _, f := range frames {
		if f.Group() == 65253 {
			out = append(out, reading{f.Time().Sub(testStart), bitsAt(f.Data, 1, 1, 32)})
		}
	}
	return out
}

// TestMeterReplaced: the old life ends at what it showed, the new one counts on
// from its own figure, and the running time is one.
func TestMeterReplaced(t *testing.T) {
	c := plain(ProgramStep{Do: Idle, For: time.Hour}, ProgramStep{Do: Off, For: time.Hour}, ProgramStep{Do: Idle, For: time.Hour})
	c.Meters.Engine = hundredths(318_740)
	c.Faults.Replaced = []MeterReplaced{{At: 90 * time.Minute, NewMS: hundredths(15), NewIdentity: 777}}
	m, frames := all(t, c)
	truth := m.Truth()
	heard := hoursHeard(frames)
	for i, r := range heard {
		if r.at < 90*time.Minute {
			require.True(t, r.raw >= 63_748 && r.raw <= 63_768, "%+v", r) // 3187.40 h to 3188.40 h
		} else {
			require.True(t, r.raw >= 3 && r.raw <= 23, "%+v", r) // 0.15 h to 1.15 h
		}
		require.True(t, i == 0 || r.raw >= heard[i-1].raw || heard[i-1].at < 90*time.Minute)
	}
	require.Len(t, truth.Lives, 2)
	old, now := truth.Lives[0], truth.Lives[1]
	assert.EqualValues(t, 63_748, old.FirstRaw)
	assert.EqualValues(t, 63_767, old.LastRaw, "the second before the first cranking turn is missing")
	assert.Equal(t, testStart.Add(90*time.Minute).UnixNano(), old.ToNS)
	assert.Equal(t, old.ToNS, now.FromNS)
	assert.EqualValues(t, 3, now.FirstRaw)
	assert.Equal(t, heard[len(heard)-1].raw, uint64(now.LastRaw))
	assert.Equal(t, truth.EngineRunMS(), old.LastMS-old.FirstMS+now.LastMS-now.FirstMS)
	assert.Equal(t, now.LastMS, truth.EngineMS)

	var identities []uint32
	for _, f := range frames {
		if f.Group() == 60928 && f.Source() == EngineSource {
			identities = append(identities, uint32(bitsAt(f.Data, 1, 1, 21)))
		}
	}
	assert.Equal(t, []uint32{c.Identity.Engine.Identity, 777}, identities)
}

// TestMetersReplacedInOrder: lives are in order of time, however they were given.
func TestMetersReplacedInOrder(t *testing.T) {
	c := plain(ProgramStep{Do: Idle, For: time.Hour})
	c.Faults.Replaced = []MeterReplaced{{At: 40 * time.Minute, NewMS: 2 * Hour}, {At: 20 * time.Minute, NewMS: Hour}}
	m, _ := all(t, c)
	lives := m.Truth().Lives
	require.Len(t, lives, 3)
	assert.Equal(t, Hour, lives[1].FirstMS)
	assert.EqualValues(t, 40, lives[2].FirstRaw)
	assert.Equal(t, 40*time.Minute, c.Faults.Replaced[0].At, "the caller's slice is left alone")
}

// TestMeterGlitch: some readings are 37 h too high, then all is well; the truth
// never moved.
func TestMeterGlitch(t *testing.T) {
	c := plain(ProgramStep{Do: Idle, For: time.Hour})
	c.Faults.Glitches = []MeterGlitch{{At: 20 * time.Minute, For: 12 * time.Second, JumpMS: 37 * Hour}}
	m, frames := all(t, c)
	high := 0
	for _, r := range hoursHeard(frames) {
		exact := c.Meters.Engine/180_000 + int64(r.at/(3*time.Minute))
		if r.at >= 20*time.Minute && r.at < 20*time.Minute+12*time.Second {
			exact += 740 // 37 h of 0.05 h
			high++
		}
		require.InDelta(t, exact, r.raw, 1)
	}
	assert.Positive(t, high)
	assert.Less(t, m.Truth().EngineMS, c.Meters.Engine+Hour)
	assert.Len(t, m.Truth().Lives, 1)
}

// TestSensors: a signal that is missing or wrong says so for its time, and its
// neighbours in the same frame go on.
func TestSensors(t *testing.T) {
	c := plain(ProgramStep{Do: Thresh, For: 10 * time.Minute})
	c.Faults.Missing = []SensorMissing{
		{Signal: RotorSpeed, From: 2 * time.Minute, To: 3 * time.Minute},
		{Signal: RotorSpeed, From: 4 * time.Minute, To: 5 * time.Minute, Error: true},
		{Signal: UnloadingAuger, From: 6 * time.Minute},
	}
	_, frames := all(t, c)
	seen := map[string]int{}
	for _, f := range frames {
		at := f.Time().Sub(testStart)
		if f.Group() == 65380 && at > 6*time.Minute {
			require.EqualValues(t, 0b0011, f.Data[3]&0b1111, "auger missing, road mode 0")
			seen["auger"]++
		}
		if f.Group() != 65377 {
			continue
		}
		require.True(t, at < time.Minute || bitsAt(f.Data, 3, 1, 16) > 2000, "cleaning drive")
		switch rotor := bitsAt(f.Data, 1, 1, 16); {
		case at > 2*time.Minute && at < 3*time.Minute:
			require.EqualValues(t, 0xFFFF, rotor)
			seen["missing"]++
		case at > 4*time.Minute && at < 5*time.Minute:
			require.EqualValues(t, 0xFE, rotor>>8)
			seen["error"]++
		case at > time.Minute:
			require.True(t, rotor > 2000 && rotor < 0xFAFF)
			seen["well"]++
		}
	}
	assert.Equal(t, map[string]int{"missing": 60, "error": 60, "well": 420, "auger": 240}, seen)
}

// TestSilence: nobody hears the bus, and the machine works on.
func TestSilence(t *testing.T) {
	c := plain(ProgramStep{Do: Idle, For: time.Hour})
	whole, _ := all(t, c)
	c.Faults.Silences = []Silence{{From: 10 * time.Minute, To: 30 * time.Minute}}
	c.Faults.Warnings = []Warning{{Code: Codes()[3], From: 12 * time.Minute, To: 20 * time.Minute}, {Code: Codes()[0], From: 9 * time.Minute, To: 29 * time.Minute}}
	m, frames := all(t, c)
	for _, f := range frames {
		at := f.Time().Sub(testStart)
		require.False(t, at >= 10*time.Minute && at < 30*time.Minute)
	}
	assert.Equal(t, whole.Truth().Running, m.Truth().Running)
	warned := m.Truth().Warnings
	require.Len(t, warned, 1, "what nobody could hear was not put on the bus")
	assert.Equal(t, Codes()[0], warned[0].Code)
	assert.Less(t, warned[0].LastNS, testStart.Add(10*time.Minute).UnixNano())
	assert.InDelta(t, testStart.Add(30*time.Minute).UnixNano(), warned[0].EndNS, 1.1e9)
}

// TestBoxMoved: after the gap another machine's names and meters are heard, and
// the truth ends where the box left.
func TestBoxMoved(t *testing.T) {
	c := plain(ProgramStep{Do: Idle, For: time.Hour})
	other := NewIdentity(43)
	c.Faults.Moved = &BoxMoved{At: 20 * time.Minute, Gap: time.Minute, Identity: other, Meters: Meters{Engine: 55 * Hour, PTO: -1}}
	c.Faults.Warnings = []Warning{{Code: Codes()[0], From: 30 * time.Minute}}
	m, frames := all(t, c)
	names := map[time.Duration]Name{}
	for _, f := range frames {
		at := f.Time().Sub(testStart)
		require.False(t, at >= 20*time.Minute && at < 21*time.Minute)
		if f.Group() == 60928 && f.Source() == ThresherSource {
			names[at.Truncate(time.Minute)] = Name{Identity: uint32(bitsAt(f.Data, 1, 1, 21))}
		}
		if f.Group() == 65253 {
			raw := bitsAt(f.Data, 1, 1, 32)
			require.Equal(t, at < 20*time.Minute, raw >= 40_000, "%v: %d", at, raw)
			require.True(t, at < 20*time.Minute || raw >= 1100 && raw <= 1113)
		}
		if f.Group() == 65255 && at > 20*time.Minute {
			require.EqualValues(t, 0xFFFFFFFF, bitsAt(f.Data, 5, 1, 32))
		}
	}
	assert.Equal(t, map[time.Duration]Name{0: {Identity: c.Identity.Thresher.Identity}, 21 * time.Minute: {Identity: other.Thresher.Identity}}, names)
	var vins []string
	for _, w := range reassemble(t, frames) {
		if w.group == 65260 {
			vins = append(vins, string(w.data))
		}
	}
	assert.Equal(t, []string{c.Identity.VIN + "*", other.VIN + "*"}, vins)

	truth := m.Truth()
	moved := testStart.Add(20 * time.Minute).UnixNano()
	assert.Equal(t, moved, truth.MovedNS)
	assert.Equal(t, moved, truth.ToNS)
	assert.InDelta(t, 20*60_000, truth.EngineRunMS(), 3000)
	assert.Equal(t, c.Meters.Engine+truth.EngineRunMS(), truth.EngineMS)
	assert.Empty(t, truth.Warnings)
	assert.Equal(t, truth.Running, m.TimeAbove(EngineSpeed, runningAbove-1, 0).Spells)
}

// TestUnfitted: a machine without power take-off hours says not available.
func TestUnfitted(t *testing.T) {
	c := plain(ProgramStep{Do: Thresh, For: time.Minute})
	c.Meters.PTO = -1
	m, frames := all(t, c)
	for _, f := range frames {
		if f.Group() == 65255 {
			assert.EqualValues(t, 0xFFFFFFFF, bitsAt(f.Data, 5, 1, 32))
			assert.EqualValues(t, 46_000, bitsAt(f.Data, 1, 1, 32))
		}
	}
	assert.EqualValues(t, -1, m.Truth().PTOMS)
}

// TestRefusals: a configuration that can't be is refused with what, where and
// why, and with everything that is wrong.
func TestRefusals(t *testing.T) {
	for want, spoil := range map[string]func(*Config){
		"start 0001":                         func(c *Config) { c.Start = time.Time{} },
		"whole microsecond":                  func(c *Config) { c.Start = c.Start.Add(500) },
		"program is empty":                   func(c *Config) { c.Program = nil },
		"step 1: no activity 99":             func(c *Config) { c.Program[0].Do = 99 },
		"step 1 (idle) takes 50ms":           func(c *Config) { c.Program[0].For = 50 * time.Millisecond },
		"fuel 900001 ml":                     func(c *Config) { c.FuelML = FuelTankML + 1 },
		"load":                               func(c *Config) { c.Program[0].Load = Load{MeanPct: 126} },
		"engine hours -1 ms":                 func(c *Config) { c.Meters.Engine = -1 },
		"NAME 2":                             func(c *Config) { c.Identity.Thresher.Identity = 1 << 21 },
		"'*' ends it":                        func(c *Config) { c.Identity.VIN = "AB*C" },
		"'*' parts its fields":               func(c *Config) { c.Identity.EngineComponent.Model = "A*B" },
		"printable ASCII":                    func(c *Config) { c.Identity.VIN = "A\n" },
		"bit rate 0":                         func(c *Config) { c.Rates.BitRate = 0 },
		"rate 10µs":                          func(c *Config) { c.Rates.Fan = 10 * time.Microsecond },
		"fill 105 % of the bus":              func(c *Config) { c.Rates.BitRate, c.Rates.EngineSpeed = 125_000, time.Millisecond },
		"other traffic":                      func(c *Config) { c.Rates.Others = []Traffic{{1, time.Second, 9}} },
		"want at most 120":                   func(c *Config) { c.Rates.Others = []Traffic{{121, time.Second, 8}} },
		"want a drive of [Drives]":           func(c *Config) { c.Faults.Slipping = []SlippingDrive{{Drive: 9}} },
		"belt riding low":                    func(c *Config) { c.Faults.Riding = []RidingLow{{ShiftPPM: -1}} },
		"slip alarm":                         func(c *Config) { c.Faults.Alarms = []SlipAlarm{{Code: Codes()[0]}} },
		"SPN of 1 to 524,286":                func(c *Config) { c.Faults.Warnings = []Warning{{Code: Code{SPN: 524_287}}} },
		"0x44 is none of the three":          func(c *Config) { c.Faults.Warnings = []Warning{{Code: Code{SPN: 1, Source: 0x44}}} },
		"warning 1/0 from 2s to 1s":          func(c *Config) { c.Faults.Warnings = []Warning{{Code: Code{SPN: 1}, From: 2e9, To: 1e9}} },
		"65 codes: want at most 64":          func(c *Config) { c.Faults.Warnings = make([]Warning, 65) },
		"meter replaced":                     func(c *Config) { c.Faults.Replaced = []MeterReplaced{{NewMS: -1}} },
		"meter glitch":                       func(c *Config) { c.Faults.Glitches = []MeterGlitch{{}} },
		"missing signal 77: no such signal":  func(c *Config) { c.Faults.Missing = []SensorMissing{{Signal: 77}} },
		"silence from 1s to 1s":              func(c *Config) { c.Faults.Silences = []Silence{{1e9, 1e9}} },
		"box moved -1ns":                     func(c *Config) { c.Faults.Moved = &BoxMoved{At: -1} },
		"request {At:0s Every:1ns From:0 Gr": func(c *Config) { c.Faults.Requested = []Request{{Every: 1}} },
	} {
		c := plain(ProgramStep{Do: Idle, For: time.Minute})
		spoil(&c)
		m, err := New(c)
		require.Nil(t, m, want)
		require.ErrorContains(t, err, want)
		assert.ErrorContains(t, err, `machine "test" can't be built: `)
	}
	c := plain()
	c.FuelML, c.Rates.BitRate = -1, 1
	_, err := New(c)
	for _, part := range []string{"program is empty", "fuel -1 ml", "bit rate 1:"} {
		assert.ErrorContains(t, err, part)
	}
}
