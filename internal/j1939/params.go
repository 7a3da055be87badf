package j1939

import (
	"encoding/binary"
	"iter"
)

// Parameter says where a parameter stands in its group and how to read it. Bytes are little endian; Bit counts from
// the lowest bit of the byte:
//
//	   Byte             Byte+1
//	8 7 6 5 4 3 2 1   16 ... 9      Byte 4, Bit 1, Bits 16: engine speed in group 61444
//
// Unit is the standard's; a parameter of choices (a switch, a mode) has none.
type Parameter struct {
	SPN    uint32
	Name   string
	Group  Group
	Byte   uint8 // 1-based
	Bit    uint8 // 1-based, 1 is the lowest
	Bits   uint8 // 2 to 32
	Linear Linear
	Unit   string
}

// Value is one parameter as a frame gave it.
type Value struct {
	Param *Parameter // of the package's table: not to be written to
	Raw   uint32
	State State
}

// Times gives value x k as an integer, rounded to the nearest with halves away from zero: Times(8) of a speed is in
// eighths of a revolution, exact. ok is false where the state is not StateOK or the result doesn't fit.
func (v Value) Times(k int64) (n int64, exact, ok bool) {
	if v.State != StateOK {
		return 0, false, false
	}
	return v.Param.Linear.times(false, uint64(v.Raw), k)
}

// Milli gives the value in thousandths of its unit, as Times(1000).
func (v Value) Milli() (n int64, ok bool) {
	n, _, ok = v.Times(1000)
	return n, ok
}

const milliHour = 3_600_000 // milliseconds

// HourMillis gives the value of an hour counter in milliseconds, exact: one bit of 0.05 h is 180,000 ms. ok is false
// for other units and where there is no value.
func (v Value) HourMillis() (ms int64, ok bool) {
	if v.Param.Unit != unitHour {
		return 0, false
	}
	ms, _, ok = v.Times(milliHour)
	return ms, ok
}

// Float64 is for printing; of use where State is StateOK.
func (v Value) Float64() float64 { return v.Param.Linear.Float64(int64(v.Raw)) }

const unitHour = "h"

// Put writes a raw value into its place in a frame's data, for simulators and tests. It does nothing where the data is
// too short; bits of raw beyond Bits are cut off.
func (p Parameter) Put(data []byte, raw uint32) {
	f := fieldOf(&p)
	if len(data) < int(f.need) {
		return
	}
	mask, bits := uint64(f.mask)<<f.shift, uint64(raw&f.mask)<<f.shift
	for i := range min(len(data), word) {
		data[i] = data[i]&^byte(mask>>(8*i)) | byte(bits>>(8*i))
	}
}

// Parameters goes through the table, in order of group and place.
func Parameters() iter.Seq[Parameter] {
	return func(yield func(Parameter) bool) {
		for _, p := range parameters {
			if !yield(p) {
				return
			}
		}
	}
}

// FindParameter finds a parameter by its number.
func FindParameter(spn uint32) (Parameter, bool) {
	for _, p := range parameters {
		if p.SPN == spn {
			return p, true
		}
	}
	return Parameter{}, false
}

// GroupName gives the short name that the standard gives a group ("EEC1"), "" where this package has none.
func GroupName(g Group) string { return groupNames[g] }

// field is a parameter ready to be taken from a frame's first eight bytes as one little endian word.
type field struct {
	param *Parameter
	mask  uint32
	shift uint8
	need  uint8 // bytes the frame must have
}

func fieldOf(p *Parameter) field {
	start := 8*(p.Byte-1) + p.Bit - 1
	return field{param: p, mask: uint32(1<<p.Bits - 1), shift: start, need: (start + p.Bits + 7) / 8}
}

// read takes the parameter from a word of which n bytes are real.
func (f *field) read(word uint64, n int) Value {
	if int(f.need) > n {
		return Value{Param: f.param, State: StateNotAvailable}
	}
	raw := uint32(word>>f.shift) & f.mask
	return Value{Param: f.param, Raw: raw, State: StateOf(uint64(raw), f.param.Bits)}
}

// firstWord loads up to eight bytes, little endian, the missing ones as 0.
func firstWord(data []byte) uint64 {
	if len(data) >= 8 {
		return binary.LittleEndian.Uint64(data)
	}
	var b [8]byte
	copy(b[:], data)
	return binary.LittleEndian.Uint64(b[:])
}
