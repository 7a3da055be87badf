package combinesim

import (
	"encoding/binary"
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var testStart = time.Date(2031, 8, 1, 4, 0, 0, 0, time.UTC)

// plain is a machine on the thin rates with a program of its own.
func plain(p ...ProgramStep) Config {
	return Config{
		Name: "test", Seed: 11, Start: testStart, Identity: NewIdentity(42), Program: p, Rates: ThinBus(),
		Meters: Meters{Engine: 2000*Hour + 100_000, Vehicle: 2300 * Hour, PTO: 1400 * Hour, Separator: 1300 * Hour},
	}
}

func build(t testing.TB, c Config) *Machine {
	t.Helper()
	m, err := New(c)
	require.NoError(t, err)
	return m
}

// all is every frame from here to the end.
func all(t testing.TB, c Config) (*Machine, []Frame) {
	t.Helper()
	m := build(t, c)
	return m, m.Append(nil, m.End())
}

// bitsAt reads a little-endian field by the layout's own words, independently of
// how frames are put together.
func bitsAt(d [8]byte, byteNo, bitNo, bits int) uint64 {
	return binary.LittleEndian.Uint64(d[:]) >> (8*(byteNo-1) + bitNo - 1) & (1<<bits - 1)
}

// heard is a signal's value in a frame, nil where the frame does not carry it or
// its top says not available (all ones) or error.
func heard(l Layout, f Frame) *big.Rat {
	if f.Group() != l.Group || f.Source() != l.Source {
		return nil
	}
	raw := bitsAt(f.Data, l.Byte, l.Bit, l.Bits)
	if l.Bits == 2 && raw > 1 || l.Bits >= 8 && raw>>(l.Bits-8) > 0xFA {
		return nil
	}
	scale, _ := new(big.Rat).SetString(l.Scale)
	offset, _ := new(big.Rat).SetString(l.Offset)
	v := new(big.Rat).Mul(scale, new(big.Rat).SetInt64(int64(raw)))
	return v.Add(v, offset)
}

func layoutOf(s Signal) Layout { return Layouts()[s] }

// tap reads one speed or share out of frames, quickly, in thousandths.
type tap struct {
	group       uint32
	source      uint8
	at, bits    int
	scale, unit int64
}

func tapOf(s Signal) tap {
	l := layoutOf(s)
	scale, _ := new(big.Rat).SetString(l.Scale)
	return tap{l.Group, l.Source, l.Byte, l.Bits, scale.Num().Int64() * 1000, scale.Denom().Int64()}
}

func (p tap) read(f Frame) (int64, bool) {
	if f.Source() != p.source || f.Group() != p.group {
		return 0, false
	}
	raw := bitsAt(f.Data, p.at, 1, p.bits)
	return int64(raw) * p.scale / p.unit, raw>>(p.bits-8) <= 0xFA
}

// whole is a transport message put together again.
type whole struct {
	at     int64
	source uint8
	group  uint32
	data   []byte
}

// reassemble puts broadcasts together and requires that each keeps to the rules:
// one at a time for a source, packets in order, 50 to 200 ms apart.
func reassemble(t testing.TB, frames []Frame) (out []whole) {
	t.Helper()
	type session struct {
		whole
		size, packets, next int
		last                int64
	}
	open := map[uint8]*session{}
	for _, f := range frames {
		s := open[f.Source()]
		switch f.Group() {
		case 60416:
			require.Nil(t, s, "announced while another runs: %v", f)
			require.EqualValues(t, 0x20, f.Data[0])
			require.EqualValues(t, 0xFF, f.Data[4])
			s = &session{next: 1, last: f.AtNS, size: int(f.Data[1]) | int(f.Data[2])<<8, packets: int(f.Data[3])}
			s.source, s.group = f.Source(), uint32(f.Data[5])|uint32(f.Data[6])<<8|uint32(f.Data[7])<<16
			require.Equal(t, (s.size+6)/7, s.packets)
			require.Greater(t, s.size, 8, "a message of %d bytes needs no transport", s.size)
			open[f.Source()] = s
		case 60160:
			require.NotNil(t, s, "packet of nothing: %v", f)
			require.EqualValues(t, s.next, f.Data[0])
			gap := time.Duration(f.AtNS - s.last)
			require.True(t, gap >= 50*time.Millisecond && gap <= 200*time.Millisecond, "gap %v", gap)
			s.data, s.last, s.next = append(s.data, f.Data[1:]...), f.AtNS, s.next+1
			if s.next > s.packets {
				for _, b := range s.data[s.size:] {
					require.EqualValues(t, 0xFF, b, "filling")
				}
				s.at, s.data = f.AtNS, s.data[:s.size]
				out = append(out, s.whole)
				delete(open, f.Source())
			}
		}
	}
	return out
}

// codeMessages is every whole message of active codes, in order of time.
func codeMessages(t testing.TB, frames []Frame) (out []whole) {
	t.Helper()
	long := reassemble(t, frames)
	for _, f := range frames {
		for len(long) > 0 && long[0].at <= f.AtNS {
			if long[0].group == 65226 {
				out = append(out, long[0])
			}
			long = long[1:]
		}
		if f.Group() == 65226 {
			out = append(out, whole{f.AtNS, f.Source(), 65226, f.Data[:]})
		}
	}
	return out
}

type codeKey struct {
	source uint8
	spn    uint32
	fmi    uint8
}

// codesIn reads the codes of a message, each with its count.
func codesIn(w whole) map[codeKey]uint8 {
	out := map[codeKey]uint8{}
	for d := w.data[2:]; len(d) >= 4; d = d[4:] {
		spn := uint32(d[0]) | uint32(d[1])<<8 | uint32(d[2]>>5)<<16
		if spn != 0 {
			out[codeKey{w.source, spn, d[2] & 31}] = d[3] & 127
		}
	}
	return out
}
