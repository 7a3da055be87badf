package j1939

import "errors"

// Active and previously active codes, groups 65226 and 65227:
//
//	byte 0   8 7 malfunction   6 5 red stop   4 3 amber warning   2 1 protect     lamp
//	byte 1   8 7 malfunction   6 5 red stop   4 3 amber warning   2 1 protect     flash
//	then four bytes a code
//
//	byte 0   number, bits 8-1
//	byte 1   number, bits 16-9
//	byte 2   8 7 6 number, bits 19-17   5 4 3 2 1 failure mode
//	byte 3   8 conversion               7 6 5 4 3 2 1 count of occurrences
const (
	atLamps    = 0
	atFlash    = 1
	atCodes    = 2
	codeSize   = 4
	modeMask   = 0x1F
	countMask  = 0x7F
	oldMask    = 0x80
	maxSPN     = 1<<19 - 1
	maxCodes   = (MaxMessage - atCodes) / codeSize
	emptyCodes = atCodes + codeSize // the shortest message that says anything of codes
)

// CountNotAvailable is the count of occurrences of a sender that has none.
const CountNotAvailable = 127

// Conversion says how a source that sets the conversion bit packs its numbers. The message doesn't tell: it must be known
// for the system.
type Conversion uint8

// The conversions. In all of them byte 2, bits 5-1 are the failure mode.
const (
	ConversionUnknown Conversion = iota
	Conversion1                  // byte 0 the highest eight bits, byte 1 the next, byte 2 bits 8-6 the lowest (from memory beyond "most significant first")
	Conversion2                  // byte 1 the highest eight bits, byte 0 the next, byte 2 bits 8-6 the lowest
	Conversion3                  // as without the conversion bit
)

// Code is one trouble code.
type Code struct {
	SPN        uint32     // what it is about, 19 bits; 0 where Ambiguous
	FMI        uint8      // failure mode, 0 to 31
	Count      uint8      // occurrences, CountNotAvailable where the sender doesn't count
	Old        bool       // the conversion bit was set: an older packing
	Conversion Conversion // the packing it was read by where Old
	Ambiguous  bool       // Old, and the source's packing isn't known: only Raw, FMI and Count say something
	Raw        [4]byte    // as sent
}

// DecodeCode reads four bytes of a code; c is used only where the conversion bit is set.
func DecodeCode(raw [4]byte, c Conversion) Code {
	code := Code{Raw: raw, FMI: raw[2] & modeMask, Count: raw[3] & countMask, Old: raw[3]&oldMask != 0}
	b1, b2, b3 := uint32(raw[0]), uint32(raw[1]), uint32(raw[2]>>5)
	if !code.Old {
		code.SPN = b1 | b2<<8 | b3<<16
		return code
	}
	code.Conversion = c
	switch c {
	case Conversion1:
		code.SPN = b1<<11 | b2<<3 | b3
	case Conversion2:
		code.SPN = b2<<11 | b1<<3 | b3
	case Conversion3:
		code.SPN = b1 | b2<<8 | b3<<16
	default:
		code.Conversion, code.Ambiguous = ConversionUnknown, true
	}
	return code
}

// Encode packs a code by its Conversion where it is Old, else the present way. An ambiguous code gives its Raw. Numbers
// beyond their fields are cut to them.
func (c Code) Encode() [4]byte {
	if c.Ambiguous {
		return c.Raw
	}
	n := c.SPN & maxSPN
	mode, count := c.FMI&modeMask, c.Count&countMask
	if c.Old {
		count |= oldMask
	}
	switch {
	case c.Old && c.Conversion == Conversion1:
		return [4]byte{byte(n >> 11), byte(n >> 3), byte(n&7)<<5 | mode, count}
	case c.Old && c.Conversion == Conversion2:
		return [4]byte{byte(n >> 3), byte(n >> 11), byte(n&7)<<5 | mode, count}
	}
	return [4]byte{byte(n), byte(n >> 8), byte(n>>16)<<5 | mode, count}
}

// isNone: all number bits 0 or all 1 stand for "no code", in every packing.
func isNone(b []byte) bool {
	return b[0] == 0 && b[1] == 0 && b[2]>>5 == 0 || b[0] == 0xFF && b[1] == 0xFF && b[2]>>5 == 7
}

// LampState is what a lamp is told.
type LampState uint8

// The states of a lamp.
const (
	LampOff          LampState = 0
	LampOn           LampState = 1
	LampError        LampState = 2 // error or reserved
	LampNotAvailable LampState = 3
)

// Flash is how a lamp that is on is shown.
type Flash uint8

// The ways to flash (their frequencies are from memory).
const (
	FlashSlow     Flash = 0 // once a second
	FlashFast     Flash = 1 // twice a second
	FlashReserved Flash = 2
	FlashNone     Flash = 3 // steady, or not supported
)

// Lamp is one lamp of a message.
type Lamp struct {
	State LampState
	Flash Flash
}

// String gives "off", "on", "on, slow flash", "on, fast flash", "error" or "not available".
func (l Lamp) String() string {
	switch l.State {
	case LampOff:
		return "off"
	case LampError:
		return "error"
	case LampNotAvailable:
		return "not available"
	}
	switch l.Flash {
	case FlashSlow:
		return "on, slow flash"
	case FlashFast:
		return "on, fast flash"
	}
	return "on"
}

// Lamps are the four lamps of a message. They belong to the message and to no single code of it.
type Lamps struct {
	Malfunction Lamp // emissions only
	Stop        Lamp // red: severe enough to stop the machine
	Warning     Lamp // amber: a problem that needs no stop at once
	Protect     Lamp // most probably nothing electronic
}

const (
	lampMask         = 0b11
	shiftProtect     = 0
	shiftWarning     = 2
	shiftStop        = 4
	shiftMalfunction = 6
)

// DecodeLamps reads the two lamp bytes.
func DecodeLamps(lamps, flash byte) Lamps {
	at := func(shift int) Lamp {
		return Lamp{LampState(lamps >> shift & lampMask), Flash(flash >> shift & lampMask)}
	}
	return Lamps{Malfunction: at(shiftMalfunction), Stop: at(shiftStop), Warning: at(shiftWarning), Protect: at(shiftProtect)}
}

// Encode gives the two lamp bytes.
func (l Lamps) Encode() (lamps, flash byte) {
	for _, x := range [4]struct {
		lamp  Lamp
		shift int
	}{{l.Malfunction, shiftMalfunction}, {l.Stop, shiftStop}, {l.Warning, shiftWarning}, {l.Protect, shiftProtect}} {
		lamps |= byte(x.lamp.State&lampMask) << x.shift
		flash |= byte(x.lamp.Flash&lampMask) << x.shift
	}
	return lamps, flash
}

// Codes is a whole message of active (65226) or previously active codes (65227).
type Codes struct {
	Group  Group
	Source Address
	Lamps  Lamps
	List   []Code // empty where there are none; valid until the next call
}

// ErrShortCodes: a message of codes with fewer than six bytes says nothing, neither of codes nor of their absence.
var ErrShortCodes = errors.New("message of trouble codes is shorter than six bytes")

// DecodeCodes reads a message of codes and appends its codes to dst. Fill (number 0, or all ones) and a rest
// of fewer than four bytes are no codes.
func DecodeCodes(dst []Code, data []byte, c Conversion) (Lamps, []Code, error) {
	if len(data) < emptyCodes {
		return Lamps{}, dst, ErrShortCodes
	}
	for i := atCodes; i+codeSize <= len(data); i += codeSize {
		if b := data[i : i+codeSize]; !isNone(b) {
			dst = append(dst, DecodeCode([4]byte(b), c))
		}
	}
	return DecodeLamps(data[atLamps], data[atFlash]), dst, nil
}

// AppendCodes appends a message of codes as it is sent: no codes as four zeros, and at least eight bytes, filled with FF.
func AppendCodes(dst []byte, lamps Lamps, list []Code) []byte {
	start := len(dst)
	on, flash := lamps.Encode()
	dst = append(dst, on, flash)
	if len(list) == 0 {
		dst = append(dst, 0, 0, 0, 0)
	}
	for _, c := range list {
		raw := c.Encode()
		dst = append(dst, raw[:]...)
	}
	for len(dst)-start < word {
		dst = append(dst, 0xFF)
	}
	return dst
}
