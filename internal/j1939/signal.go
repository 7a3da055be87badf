package j1939

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/big"
	"math/bits"
)

// Limits of signals.
const (
	MaxSignals    = 4096 // in one set
	maxSignalBits = 64
	maxUnit       = 16 // bytes of a unit's name
	word          = 8  // bytes of a frame
)

// Order is the order of a signal's bytes.
type Order uint8

// The orders.
const (
	LittleEndian Order = iota // Byte holds the lowest bits
	BigEndian                 // Byte holds the highest bits
)

// Signal describes a value that a kind of machine puts on its bus in a group of its own.
//
//	little endian, Byte 1, Bit 1, Bits 16          big endian, Byte 1, Bit 8, Bits 16
//	byte 1            byte 2                       byte 1            byte 2
//	8 7 6 5 4 3 2 1 | 8 7 6 5 4 3 2 1              8 7 6 5 4 3 2 1 | 8 7 6 5 4 3 2 1
//	            ^Bit  ^highest                     ^Bit = highest                  ^lowest
//
// A little endian signal starts with its lowest bit at Byte and Bit and goes on upwards, then into the next byte. A big
// endian signal starts with its highest bit there and goes on downwards, then into the next byte from its top. In both,
// the start bit n of a DBC file is Byte n/8+1, Bit n%8+1.
type Signal struct {
	Name      string // for errors; may be empty
	Group     Group
	Source    Address // sender; not looked at where AnySource
	AnySource bool
	Byte      uint16 // 1-based, up to 1785 where the group comes by transport
	Bit       uint8  // 1 (lowest) to 8 (highest) in Byte; 0 stands for 1 (little endian) or 8 (big endian)
	Bits      uint8  // 1 to 64
	Order     Order
	Signed    bool // two's complement
	// Plain: every raw value is a value. Otherwise the codes of StateOf hold, but never in a signed signal.
	Plain  bool
	Scale  Ratio // value = raw x Scale + Offset
	Offset Ratio
	Unit   string
}

// SignalValue is a signal as a message gave it.
type SignalValue struct {
	Signal int   // index in the slice that the set was compiled from
	Raw    int64 // sign-extended where Signed; the bit pattern where an unsigned signal has 64 bits
	State  State
	Milli  int64 // value in thousandths of the unit, rounded to the nearest, halves away from zero; 0 unless StateOK
}

// Signals is a compiled set of signals. It is read only and may serve many buses.
type Signals struct {
	byGroup map[Group][]extractor
	n       int
}

// extractor is a signal ready to be taken from a message.
type extractor struct {
	index  int
	linear Linear
	mask   uint64
	first  int // index of the first byte
	need   int // bytes the message must have
	shift  uint8
	bits   uint8
	source Address
	any    bool
	big    bool
	signed bool
	plain  bool
	inWord bool // lies in the first eight bytes
}

// Validate tells all that is wrong with a signal.
func (s Signal) Validate() error {
	var errs []error
	fail := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if s.Group > maxGroup || s.Group.Addressed() && s.Group&extendedMask != 0 {
		fail("group %d: give a group number up to %d that ends in 00 where its format is below 240", s.Group, maxGroup)
	}
	if s.Group == GroupTransport || s.Group == GroupTransportData {
		fail("group %d carries pieces of other groups: name the group that it carries", s.Group)
	}
	if !s.AnySource && s.Source >= AddressNull {
		fail("source %d: give 0 to 253, or any source", s.Source)
	}
	if s.Byte < 1 || s.Byte > MaxMessage {
		fail("byte %d: bytes count from 1 to %d", s.Byte, MaxMessage)
	}
	if s.Bit > 8 {
		fail("bit %d: bits count from 1 (lowest) to 8", s.Bit)
	}
	if s.Bits < 1 || s.Bits > maxSignalBits {
		fail("bits %d: give 1 to 64", s.Bits)
	}
	if s.Order > BigEndian {
		fail("order %d: give little or big", s.Order)
	}
	if len(s.Unit) > maxUnit {
		fail("unit %q: give at most %d bytes", s.Unit, maxUnit)
	}
	if s.Scale.Num == 0 {
		fail("scale %v: a scale of 0 makes every value the same", s.Scale)
	} else if _, err := NewLinear(s.Scale, s.Offset); err != nil {
		errs = append(errs, err)
	}
	if len(errs) == 0 && s.end() > MaxMessage {
		fail("byte %d with %d bits ends in byte %d: a message has at most %d", s.Byte, s.Bits, s.end(), MaxMessage)
	}
	return s.named(errors.Join(errs...))
}

func (s Signal) named(err error) error {
	if err == nil || s.Name == "" {
		return err
	}
	return fmt.Errorf("signal %s: %w", s.Name, err)
}

// bit gives Bit with its default.
func (s Signal) bit() int {
	switch {
	case s.Bit != 0:
		return int(s.Bit)
	case s.Order == BigEndian:
		return 8
	}
	return 1
}

// end is the number of the last byte.
func (s Signal) end() int {
	lead := s.bit() - 1
	if s.Order == BigEndian {
		lead = 8 - s.bit()
	}
	return int(s.Byte) + (lead+int(s.Bits)-1)/8
}

// CompileSignals checks the signals and makes a set of them. The error tells every mistake of every signal.
func CompileSignals(list []Signal) (*Signals, error) {
	if len(list) > MaxSignals {
		return nil, fmt.Errorf("%d signals: give at most %d", len(list), MaxSignals)
	}
	set := &Signals{byGroup: map[Group][]extractor{}, n: len(list)}
	var errs []error
	for i, s := range list {
		if err := s.Validate(); err != nil {
			errs = append(errs, err)
			continue
		}
		x := s.compile()
		x.index = i
		set.byGroup[s.Group] = append(set.byGroup[s.Group], x)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return set, nil
}

// compile is for a valid signal.
func (s Signal) compile() extractor {
	linear, _ := NewLinear(s.Scale, s.Offset) // checked by Validate
	x := extractor{
		linear: linear, mask: ^uint64(0) >> (maxSignalBits - s.Bits), bits: s.Bits,
		first: int(s.Byte) - 1, need: s.end(),
		source: s.Source, any: s.AnySource, big: s.Order == BigEndian, signed: s.Signed, plain: s.Plain,
		inWord: s.end() <= word,
	}
	switch {
	case x.big && x.inWord: // from the top of the word
		x.shift = uint8(8*x.first + 8 - s.bit())
		x.shift = maxSignalBits - x.shift - s.Bits
	case x.big: // from the end of the last byte
		x.shift = uint8((8 - (8-s.bit()+int(s.Bits))%8) % 8)
	case x.inWord:
		x.shift = uint8(8*x.first + s.bit() - 1)
	default:
		x.shift = uint8(s.bit() - 1)
	}
	return x
}

// read takes the signal from a message; little is its first eight bytes.
func (x *extractor) read(data []byte, little uint64) SignalValue {
	v := SignalValue{Signal: x.index, State: StateNotAvailable}
	if len(data) < x.need {
		return v
	}
	raw := x.raw(data, little)
	if !x.plain && !x.signed {
		if v.State = StateOf(raw, x.bits); v.State != StateOK {
			v.Raw = int64(raw)
			return v
		}
	}
	neg, mag := false, raw
	if x.signed && raw>>(x.bits-1) != 0 {
		raw |= ^x.mask
		neg, mag = true, -raw
	}
	v.Raw = int64(raw)
	milli, _, ok := x.linear.times(neg, mag, 1000)
	if !ok {
		v.State = StateOutOfRange
		return v
	}
	v.State, v.Milli = StateOK, milli
	return v
}

func (x *extractor) raw(data []byte, little uint64) uint64 {
	switch {
	case x.inWord && x.big:
		return bits.ReverseBytes64(little) >> x.shift & x.mask
	case x.inWord:
		return little >> x.shift & x.mask
	}
	return x.far(data)
}

// far gathers a signal of up to nine bytes from anywhere in a message.
func (x *extractor) far(data []byte) uint64 {
	var b [16]byte
	n := copy(b[:], data[x.first:x.need])
	if !x.big {
		low, high := binary.LittleEndian.Uint64(b[:8]), uint64(b[8])
		return (low>>x.shift | high<<(maxSignalBits-x.shift)) & x.mask
	}
	var low, high uint64
	for _, c := range b[:n] {
		high = high<<8 | low>>56
		low = low<<8 | uint64(c)
	}
	return (low>>x.shift | high<<(maxSignalBits-x.shift)) & x.mask
}

// Words for a state that Check takes in place of a number.
const (
	wantNotAvailable = "not available"
	wantError        = "error"
)

// Check holds a signal against a frame whose value is known: frame is text as for ParseFrame, want a decimal in the
// signal's unit, or "not available" or "error". It compares exactly.
func (s Signal) Check(frame, want string) error {
	if err := s.Validate(); err != nil {
		return err
	}
	return s.named(s.check(frame, want))
}

func (s Signal) check(frame, want string) error {
	f, err := ParseFrame(frame)
	if err != nil {
		return err
	}
	id := SplitID(f.ID)
	if id.Group != s.Group {
		return fmt.Errorf("test frame %q is of group %d, the signal of group %d: correct one of them", frame, id.Group, s.Group)
	}
	if !s.AnySource && id.Source != s.Source {
		return fmt.Errorf("test frame %q comes from source %d, the signal from source %d: correct one of them", frame, id.Source, s.Source)
	}
	x := s.compile()
	got := x.read(f.Payload(), firstWord(f.Payload()))
	if want == wantNotAvailable || want == wantError {
		if got.State.String() != want {
			return fmt.Errorf("test frame %q should be %s, but it gives %s", frame, want, s.text(got))
		}
		return nil
	}
	value, err := ParseRatio(want)
	if err != nil {
		return fmt.Errorf("test frame %q: value: %w", frame, err)
	}
	if got.State != StateOK || s.exact(got).Cmp(big.NewRat(value.Num, value.Den)) != 0 {
		return fmt.Errorf("test frame %q should give %s %s, but it gives %s: correct the place, the scale or the test", frame, want, s.Unit, s.text(got))
	}
	return nil
}

// exact gives the value without rounding.
func (s Signal) exact(v SignalValue) *big.Rat {
	raw := new(big.Int).SetInt64(v.Raw)
	if !s.Signed {
		raw.SetUint64(uint64(v.Raw))
	}
	x := new(big.Rat).SetInt(raw)
	x.Mul(x, big.NewRat(s.Scale.Num, s.Scale.Den))
	return x.Add(x, big.NewRat(s.Offset.Num, s.Offset.Den))
}

func (s Signal) text(v SignalValue) string {
	if v.State != StateOK {
		return fmt.Sprintf("%s (raw %#x)", v.State, uint64(v.Raw))
	}
	x := s.exact(v)
	text := x.RatString()
	if n, ends := x.FloatPrec(); ends {
		text = x.FloatString(n)
	}
	return text + " " + s.Unit
}
