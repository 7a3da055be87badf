package combinesim

import (
	"encoding/hex"
	"fmt"
	"math/big"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestVectors holds what is put on the bus against frames with their sources.
func TestVectors(t *testing.T) {
	text, err := os.ReadFile("testdata/vectors.tsv")
	require.NoError(t, err)
	checks := map[string]func(*testing.T, string, string){
		"name": checkName, "dm1": checkCodes, "bam": checkCodes, "vi": checkVehicle, "signal": checkSignal, "id": checkID,
	}
	ran := 0
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		col := strings.Split(strings.TrimSpace(line), "\t")
		require.Len(t, col, 4, line)
		t.Run(col[0]+" "+col[1], func(t *testing.T) { checks[col[0]](t, col[1], col[2]) })
		ran++
	}
	assert.Equal(t, 33, ran)
}

func checkName(t *testing.T, what, want string) {
	var n Name
	_, err := fmt.Sscan(what, &n.Identity, &n.Manufacturer, &n.Function, &n.Class, &n.Industry, &n.Arbitrary)
	require.NoError(t, err)
	got := n.bytes()
	assert.Equal(t, want, strings.ToUpper(hex.EncodeToString(got[:])))
}

func checkID(t *testing.T, what, want string) {
	var priority, group uint32
	var source uint8
	_, err := fmt.Sscan(what, &priority, &group, &source)
	require.NoError(t, err)
	f := Frame{ID: canID(priority, group, source)}
	assert.Equal(t, want+"#", f.String())
	assert.Equal(t, group, f.Group())
	assert.Equal(t, source, f.Source())
}

// checkCodes has an engine controller show codes "SPN/FMI/COUNT ..." at once and
// looks for the wanted payload among its messages.
func checkCodes(t *testing.T, what, want string) {
	lamps := map[string]Lamp{"mil": Malfunction, "amber": Amber, "none": NoLamp, "quiet": Amber}
	c := plain(ProgramStep{Do: KeyOn, For: 3 * time.Minute})
	lamp := NoLamp
	words := strings.Fields(what)
	if l, ok := lamps[words[len(words)-1]]; ok {
		lamp, c.Habits.QuietEngine = l, words[len(words)-1] == "quiet"
		words = words[:len(words)-1]
	}
	for _, w := range words {
		var n int
		code := Code{Source: EngineSource, Lamp: lamp}
		_, err := fmt.Sscanf(w, "%d/%d/%d", &code.SPN, &code.FMI, &n)
		require.NoError(t, err)
		c.Faults.Warnings = append(c.Faults.Warnings, Warning{Code: code,
			From: 10*time.Second + time.Duration(10-n)*8*time.Second, OnFor: 4 * time.Second, OffFor: 4 * time.Second})
	}
	_, frames := all(t, c)
	var got []string
	for _, m := range codeMessages(t, frames) {
		if m.source == EngineSource {
			got = append(got, strings.ToUpper(hex.EncodeToString(m.data)))
		}
	}
	assert.Contains(t, got, want)
}

func checkVehicle(t *testing.T, vin, want string) {
	c := plain(ProgramStep{Do: KeyOn, For: 10 * time.Second})
	c.Identity.VIN = vin
	_, frames := all(t, c)
	var got []string
	for _, f := range frames {
		if f.Source() == ThresherSource && (f.Group() == 60416 || f.Group() == 60160) && len(got) < 4 {
			got = append(got, strings.ToUpper(hex.EncodeToString(f.Data[:])))
		}
	}
	assert.Equal(t, want, strings.Join(got, " "))
}

// checkSignal gives the world a value "NAME VALUE" and composes its message.
func checkSignal(t *testing.T, what, want string) {
	name, value, _ := strings.Cut(what, " ")
	var l Layout
	for _, l = range Layouts() {
		if l.Name == name {
			break
		}
	}
	require.Equal(t, name, l.Name)
	got := compose(t, l.Signal, value)
	for i, b := range got {
		if w := want[2*i : 2*i+2]; w != ".." {
			assert.Equal(t, w, fmt.Sprintf("%02X", b), "byte %d of % X", i+1, got)
		}
	}
}

// compose is the payload that carries a value in decimal, or "missing" or
// "error".
func compose(t *testing.T, s Signal, value string) [8]byte {
	t.Helper()
	m := build(t, plain(ProgramStep{Do: KeyOn, For: time.Minute}))
	switch value {
	case "missing":
		m.w.state[s] = stateMissing
	case "error":
		m.w.state[s] = stateError
	default:
		v, ok := new(big.Rat).SetString(value)
		require.True(t, ok, value)
		set(m.w, s, v)
	}
	for i := range m.bus.msgs {
		msg := &m.bus.msgs[i]
		f := Frame{ID: msg.id, Data: [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}}
		if msg.kind <= kCrop && f.Group() == layoutOf(s).Group {
			m.bus.fill(m.w, msg, &f)
			return f.Data
		}
	}
	t.Fatalf("no message carries %v", s)
	return [8]byte{}
}

// set gives the world a value in the signal's unit, rounded up to the world's own.
func set(w *world, s Signal, v *big.Rat) {
	in := func(num, den int64) int64 {
		r := new(big.Rat).Mul(v, big.NewRat(num, den))
		n := new(big.Int).Add(r.Num(), new(big.Int).Sub(r.Denom(), big.NewInt(1)))
		return n.Quo(n, r.Denom()).Int64()
	}
	switch s {
	case EngineSpeed:
		w.engine = in(1000, 1)
	case EngineLoad:
		w.engineLoad = in(10_000, 1)
	case EngineHours:
		w.meters.Engine = in(Hour, 1)
	case VehicleHours:
		w.meters.Vehicle = in(Hour, 1)
	case PTOHours:
		w.meters.PTO = in(Hour, 1)
	case FuelRate:
		w.rateMLH = in(1000, 1)
	case FuelLevel:
		w.fuelUL = in(fuelTankUL, 100)
	case WheelSpeed:
		w.travel = in(10_000, 36)
	case CoolantTemperature:
		w.coolant = in(1000, 1)
	case RotorSpeed:
		w.rotor = in(1000, 1)
	case CleaningDrive:
		w.cleaning = in(1000, 1)
	case ElevatorShaft:
		w.elevator = in(1000, 1)
	case FanShaft:
		w.fanShaft = in(1000, 1)
	case FanSpeed:
		w.fan = in(1000, 1)
	case HeaderShaft:
		w.header = in(1000, 1)
	case CropFeed:
		w.feed = in(10_000, 1)
	case GrainTank:
		w.tank = in(10_000, 1)
	case UnloadingAuger:
		w.auger = v.Sign() > 0
	case RoadMode:
		w.road = v.Sign() > 0
	}
}

// TestLayouts: every test frame was composed by hand; it must carry its value by
// the layout's words, and the machine must put the same bits there.
func TestLayouts(t *testing.T) {
	for i, l := range Layouts() {
		t.Run(l.Name, func(t *testing.T) {
			require.EqualValues(t, i, l.Signal)
			require.Equal(t, l.Name, l.Signal.String())
			f := parseFrame(t, l.TestFrame)
			got := heard(l, f)
			require.NotNil(t, got, "the test frame must be of group %d, source %#x, and valid", l.Group, l.Source)
			want, _ := new(big.Rat).SetString(l.TestValue)
			assert.Zero(t, want.Cmp(got), "carries %v, want %v", got, want)
			sent := compose(t, l.Signal, l.TestValue)
			assert.Equal(t, bitsAt(f.Data, l.Byte, l.Bit, l.Bits), bitsAt(sent, l.Byte, l.Bit, l.Bits))
			for what, top := range map[string]uint64{"missing": 0xFF, "error": 0xFE} {
				raw := bitsAt(compose(t, l.Signal, what), l.Byte, l.Bit, l.Bits)
				if l.Bits == 2 {
					assert.Equal(t, top&3, raw, what)
				} else {
					assert.Equal(t, top, raw>>(l.Bits-8), what)
				}
			}
		})
	}
	assert.Len(t, Layouts(), signals)
}

// TestLayoutsApart: no two signals share a bit.
func TestLayoutsApart(t *testing.T) {
	type place struct {
		group uint32
		bit   int
	}
	seen := map[place]string{}
	for _, l := range Layouts() {
		for b := range l.Bits {
			p := place{l.Group, 8*(l.Byte-1) + l.Bit - 1 + b}
			require.Less(t, p.bit, 64)
			assert.Empty(t, seen[p], "%s and %s", seen[p], l.Name)
			seen[p] = l.Name
		}
	}
}

func parseFrame(t *testing.T, text string) Frame {
	t.Helper()
	id, data, ok := strings.Cut(text, "#")
	require.True(t, ok, text)
	n, err := strconv.ParseUint(id, 16, 32)
	require.NoError(t, err)
	raw, err := hex.DecodeString(data)
	require.NoError(t, err)
	f := Frame{ID: uint32(n), Len: uint8(len(raw))}
	require.Equal(t, 8, copy(f.Data[:], raw))
	return f
}

// TestLoudAndClear: what the signals' frames say is what the machine does.
func TestLoudAndClear(t *testing.T) {
	c := plain(ProgramStep{Do: Idle, For: time.Minute}, ProgramStep{Do: Road, For: time.Minute},
		ProgramStep{Do: Thresh, For: 30 * time.Minute}, ProgramStep{Do: Unload, For: 3 * time.Minute}, ProgramStep{Do: Off, For: time.Minute})
	m := build(t, c)
	layouts := Layouts()
	checked := map[Signal]int{}
	for f, ok := m.Next(); ok; f, ok = m.Next() {
		for _, l := range layouts {
			v := heard(l, f)
			if v == nil {
				continue
			}
			scale, _ := new(big.Rat).SetString(l.Scale)
			exact := big.NewRat(m.Value(l.Signal), 1000)
			slack := new(big.Rat).Add(scale, big.NewRat(1, 500)) // Value is cut to thousandths
			low, high := new(big.Rat).Sub(exact, slack), new(big.Rat).Add(exact, big.NewRat(1, 500))
			require.True(t, v.Cmp(low) >= 0 && v.Cmp(high) <= 0, "%s says %s, is %s", l.Name, v.FloatString(4), exact.FloatString(4))
			checked[l.Signal]++
		}
	}
	for s := range signals {
		assert.Greater(t, checked[Signal(s)], 50, "%v", Signal(s))
	}
}
