package j1939_test

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

func one() j1939.Ratio  { return j1939.Ratio{1, 1} }
func none() j1939.Ratio { return j1939.Ratio{0, 1} }

// rotor is a made-up signal: a shaft in the first two bytes of a group of the maker's own.
func rotor() j1939.Signal {
	return j1939.Signal{Name: "rotor", Group: 65302, Source: 0x9D, Byte: 1, Bits: 16, Scale: j1939.Ratio{1, 8}, Offset: none(), Unit: "rpm"}
}

func withSignals(t testing.TB, list ...j1939.Signal) *j1939.Bus {
	t.Helper()
	set, err := j1939.CompileSignals(list)
	require.NoError(t, err)
	return newBus(t, j1939.Options{Signals: set})
}

func TestSignal(t *testing.T) {
	b := withSignals(t, rotor())
	r := push(t, b, "18FF169D#A00F0000FFFFFFFF") // 4000 eighths
	assert.Equal(t, []j1939.SignalValue{{Signal: 0, Raw: 4000, State: j1939.StateOK, Milli: 500_000}}, r.Signals)
	assert.Empty(t, push(t, b, "18FF169E#A00F0000FFFFFFFF").Signals, "another source")
	assert.Empty(t, push(t, b, "18FF159D#A00F0000FFFFFFFF").Signals, "another group")
	assert.Equal(t, j1939.StateNotAvailable, push(t, b, "18FF169D#FFFF").Signals[0].State)
	assert.Equal(t, j1939.StateError, push(t, b, "18FF169D#00FE").Signals[0].State)
	assert.Equal(t, j1939.StateNotAvailable, push(t, b, "18FF169D#A0").Signals[0].State, "a short frame")

	any := rotor()
	any.AnySource, any.Plain = true, true
	b = withSignals(t, rotor(), any)
	assert.Len(t, push(t, b, "18FF169D#A00F0000FFFFFFFF").Signals, 2)
	r = push(t, b, "18FF1601#FFFF")
	assert.Equal(t, []j1939.SignalValue{{Signal: 1, Raw: 65535, Milli: 8_191_875}}, r.Signals)
}

// Places and values worked out by hand.
func TestSignalPlaces(t *testing.T) {
	tests := map[string]struct {
		signal j1939.Signal
		frame  string
		want   string
	}{
		"big endian, two bytes":           {j1939.Signal{Byte: 2, Bits: 16, Order: j1939.BigEndian}, "18FF169D#000FA0", "4000"},
		"big endian, twelve bits":         {j1939.Signal{Byte: 1, Bit: 4, Bits: 12, Order: j1939.BigEndian}, "18FF169D#FABC", "2748"},
		"big endian, three bits":          {j1939.Signal{Byte: 1, Bit: 7, Bits: 3, Order: j1939.BigEndian}, "18FF169D#50", "5"},
		"big endian, last byte":           {j1939.Signal{Byte: 8, Bits: 8, Order: j1939.BigEndian}, "18FF169D#0000000000000042", "66"},
		"little endian, three bits":       {j1939.Signal{Byte: 1, Bit: 5, Bits: 3}, "18FF169D#50", "5"},
		"little endian, over a byte":      {j1939.Signal{Byte: 1, Bit: 5, Bits: 12}, "18FF169D#C0AB", "2748"},
		"one bit":                         {j1939.Signal{Byte: 3, Bit: 8, Bits: 1}, "18FF169D#000080", "1"},
		"signed, below 0":                 {j1939.Signal{Byte: 1, Bits: 16, Signed: true}, "18FF169D#FEFF", "-2"},
		"signed, all ones is a value":     {j1939.Signal{Byte: 1, Bits: 8, Signed: true}, "18FF169D#FF", "-1"},
		"signed, lowest":                  {j1939.Signal{Byte: 1, Bits: 16, Signed: true}, "18FF169D#0080", "-32768"},
		"signed, four bits":               {j1939.Signal{Byte: 1, Bit: 5, Bits: 4, Signed: true}, "18FF169D#80", "-8"},
		"offset":                          {j1939.Signal{Byte: 1, Bits: 8, Scale: j1939.Ratio{1, 2}, Offset: j1939.Ratio{-125, 2}}, "18FF169D#02", "-61.5"},
		"falling":                         {j1939.Signal{Byte: 1, Bits: 8, Scale: j1939.Ratio{-1, 4}}, "18FF169D#03", "-0.75"},
		"small steps":                     {j1939.Signal{Byte: 1, Bits: 32, Signed: true, Scale: j1939.Ratio{1, 10_000_000}}, "18FF169D#01000000", "0.0000001"},
		"not available":                   {j1939.Signal{Byte: 1, Bits: 2}, "18FF169D#03", "not available"},
		"error":                           {j1939.Signal{Byte: 1, Bits: 8}, "18FF169D#FE", "error"},
		"sixty-four bits, all of them on": {j1939.Signal{Byte: 1, Bits: 64, Plain: true}, "18FF169D#FFFFFFFFFFFFFFFF", "18446744073709551615"},
		"sixty-four bits, below 0":        {j1939.Signal{Byte: 1, Bits: 64, Signed: true, Order: j1939.BigEndian}, "18FF169D#FFFFFFFFFFFFFFFE", "-2"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			s := tt.signal
			s.Group, s.Source = 65302, 0x9D
			if s.Scale == (j1939.Ratio{}) {
				s.Scale = one()
			}
			if s.Offset == (j1939.Ratio{}) {
				s.Offset = none()
			}
			if tt.want == "18446744073709551615" { // more than an int64 of thousandths: said, not wrapped
				assert.ErrorContains(t, s.Check(tt.frame, "1"), "out of range")
				return
			}
			require.NoError(t, s.Check(tt.frame, tt.want))
			require.Error(t, s.Check(tt.frame, "12345"))
		})
	}
}

func TestSignalCheckTells(t *testing.T) {
	s := rotor()
	require.NoError(t, s.Check("18FF169D#A00F0000FFFFFFFF", "500"))
	for want, text := range map[string]string{
		"501":           `signal rotor: test frame "18FF169D#A00F0000FFFFFFFF" should give 501 rpm, but it gives 500 rpm: correct the place, the scale or the test`,
		"error":         "should be error, but it gives 500 rpm",
		"not available": "should be not available, but it gives 500 rpm",
		"fast":          `value: number "fast": write a decimal`,
	} {
		require.ErrorContains(t, s.Check("18FF169D#A00F0000FFFFFFFF", want), text)
	}
	require.ErrorContains(t, s.Check("18FF169D#FFFF", "500"), "but it gives not available (raw 0xffff)")
	require.ErrorContains(t, s.Check("18FF159D#A00F", "500"), "is of group 65301, the signal of group 65302")
	require.ErrorContains(t, s.Check("18FF169E#A00F", "500"), "comes from source 158, the signal from source 157")
	require.ErrorContains(t, s.Check("hello", "500"), "write eight hex digits")
	s.Bits = 0
	require.ErrorContains(t, s.Check("18FF169D#A00F", "500"), "bits 0: give 1 to 64")
}

func TestSignalRefuses(t *testing.T) {
	for text, spoil := range map[string]func(s *j1939.Signal){
		"signal rotor: group 262144": func(s *j1939.Signal) { s.Group = 1 << 18 },
		"group 61185":                func(s *j1939.Signal) { s.Group = 61185 },
		"group 60160 carries pieces": func(s *j1939.Signal) { s.Group = j1939.GroupTransportData },
		"source 254":                 func(s *j1939.Signal) { s.Source = 254 },
		"byte 0":                     func(s *j1939.Signal) { s.Byte = 0 },
		"byte 1786":                  func(s *j1939.Signal) { s.Byte = 1786 },
		"bit 9":                      func(s *j1939.Signal) { s.Bit = 9 },
		"bits 0":                     func(s *j1939.Signal) { s.Bits = 0 },
		"bits 65":                    func(s *j1939.Signal) { s.Bits = 65 },
		"order 2":                    func(s *j1939.Signal) { s.Order = 2 },
		"unit":                       func(s *j1939.Signal) { s.Unit = "seventeen letters" },
		"a scale of 0":               func(s *j1939.Signal) { s.Scale = none() },
		"scale no number":            func(s *j1939.Signal) { s.Scale = j1939.Ratio{} },
		"offset":                     func(s *j1939.Signal) { s.Offset = j1939.Ratio{2, 4} },
		"ends in byte 1786":          func(s *j1939.Signal) { s.Byte = 1785 },
	} {
		s := rotor()
		spoil(&s)
		require.ErrorContains(t, s.Validate(), text)
	}
	bad := rotor()
	bad.Bits, bad.Byte = 0, 0
	_, err := j1939.CompileSignals([]j1939.Signal{rotor(), bad, {Name: "other", Scale: one(), Offset: none()}})
	require.ErrorContains(t, err, "byte 0")
	require.ErrorContains(t, err, "bits 0", "all mistakes at once")
	require.ErrorContains(t, err, "signal other")
	_, err = j1939.CompileSignals(make([]j1939.Signal, j1939.MaxSignals+1))
	require.ErrorContains(t, err, "give at most 4096")
}

// bitwise takes a signal's raw value bit by bit, as its description says.
func bitwise(s j1939.Signal, data []byte) (raw uint64, fits bool) {
	at, bit := int(s.Byte)-1, int(s.Bit)-1
	for i := range int(s.Bits) {
		if at >= len(data) {
			return 0, false
		}
		v := uint64(data[at] >> bit & 1)
		if s.Order == j1939.BigEndian {
			raw = raw<<1 | v
			if bit--; bit < 0 {
				at, bit = at+1, 7
			}
			continue
		}
		raw |= v << i
		if bit++; bit > 7 {
			at, bit = at+1, 0
		}
	}
	return raw, true
}

func anySignal(bytes int) *rapid.Generator[j1939.Signal] {
	return rapid.Custom(func(t *rapid.T) j1939.Signal {
		s := j1939.Signal{
			Group: 65302, AnySource: true,
			Byte: rapid.Uint16Range(1, uint16(bytes)).Draw(t, "byte"), Bit: rapid.Uint8Range(1, 8).Draw(t, "bit"), Bits: rapid.Uint8Range(1, 64).Draw(t, "bits"),
			Order: j1939.Order(rapid.Uint8Range(0, 1).Draw(t, "order")), Signed: rapid.Bool().Draw(t, "signed"), Plain: rapid.Bool().Draw(t, "plain"),
			Offset: j1939.Ratio{rapid.Int64Range(-100_000, 100_000).Draw(t, "offset"), 1},
		}
		for !s.Scale.Valid() || s.Scale.Num == 0 {
			s.Scale = j1939.Ratio{rapid.Int64Range(-1000, 1000).Draw(t, "num"), rapid.Int64Range(1, 1000).Draw(t, "den")}
		}
		return s
	})
}

func TestSignalAgainstBitwise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bytes := rapid.SampledFrom([]int{8, 30}).Draw(t, "bytes")
		s := anySignal(bytes).Draw(t, "signal")
		data := rapid.SliceOfN(rapid.Byte(), 1, bytes).Draw(t, "data")
		set, err := j1939.CompileSignals([]j1939.Signal{s})
		require.NoError(t, err)
		b, err := j1939.NewBus(j1939.Options{Signals: set})
		require.NoError(t, err)
		frames, err := j1939.AppendBroadcast(nil, 6, 65302, 0x9D, data)
		require.NoError(t, err)
		var got []j1939.SignalValue
		for _, f := range frames {
			got = b.Push(0, f.ID, f.Payload()).Signals
		}
		require.Len(t, got, 1)
		v := got[0]
		raw, fits := bitwise(s, data)
		if !fits {
			require.Equal(t, j1939.StateNotAvailable, v.State)
			return
		}
		x := new(big.Int).SetUint64(raw)
		if s.Signed && raw>>(s.Bits-1) == 1 {
			x.Sub(x, new(big.Int).Lsh(big.NewInt(1), uint(s.Bits)))
		}
		wantRaw := int64(raw)
		if s.Signed {
			wantRaw = x.Int64()
		}
		require.Equal(t, wantRaw, v.Raw)
		if state := j1939.StateOf(raw, s.Bits); !s.Signed && !s.Plain && state != j1939.StateOK {
			require.Equal(t, state, v.State)
			return
		}
		value := new(big.Rat).SetInt(x)
		value.Mul(value, big.NewRat(s.Scale.Num, s.Scale.Den)).Add(value, big.NewRat(s.Offset.Num, s.Offset.Den)).Mul(value, big.NewRat(1000, 1))
		want := roundHalfAway(value)
		if want.CmpAbs(big.NewInt(math.MaxInt64)) > 0 {
			require.Equal(t, j1939.StateOutOfRange, v.State)
			return
		}
		require.Equal(t, j1939.StateOK, v.State)
		require.Equal(t, want.String(), big.NewInt(v.Milli).String())
	})
}

func roundHalfAway(x *big.Rat) *big.Int {
	q, r := new(big.Int).QuoRem(x.Num(), x.Denom(), new(big.Int))
	if new(big.Int).Lsh(new(big.Int).Abs(r), 1).Cmp(x.Denom()) >= 0 {
		q.Add(q, big.NewInt(int64(x.Sign())))
	}
	return q
}

func FuzzSignal(f *testing.F) {
	f.Add(uint32(65302), uint16(1), uint8(0), uint8(16), uint8(0), false, int64(1), int64(8), "18FF169D#A00F0000FFFFFFFF", "500")
	f.Add(uint32(61184), uint16(3), uint8(8), uint8(64), uint8(1), true, int64(-1), int64(3), "18EF009D#00", "error")
	f.Fuzz(func(t *testing.T, group uint32, at uint16, bit, bits, order uint8, signed bool, num, den int64, frame, want string) {
		s := j1939.Signal{
			Group: j1939.Group(group), AnySource: true, Byte: at, Bit: bit, Bits: bits, Order: j1939.Order(order), Signed: signed,
			Scale: j1939.Ratio{num, den}, Offset: none(),
		}
		if s.Validate() != nil {
			require.Error(t, s.Check(frame, want))
			return
		}
		_ = s.Check(frame, want)
		set, err := j1939.CompileSignals([]j1939.Signal{s})
		require.NoError(t, err)
		b, err := j1939.NewBus(j1939.Options{Signals: set})
		require.NoError(t, err)
		if fr, err := j1939.ParseFrame(frame); err == nil {
			r := b.Push(0, fr.ID, fr.Payload())
			require.LessOrEqual(t, len(r.Signals), 1)
		}
	})
}
