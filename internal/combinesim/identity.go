package combinesim

import "encoding/binary"

// Sources of the three controllers, and the address that means everyone.
const (
	EngineSource   uint8 = 0x00
	ThresherSource uint8 = 0xB2
	HeaderSource   uint8 = 0xB7

	global = 0xFF
)

// Manufacturer is a manufacturer code from the top of the 11-bit range, where
// none is assigned (from memory).
const Manufacturer uint16 = 2041

// Name is a controller's 64-bit NAME. Widths are those of J1939-81 as printed in
// open implementations; a value wider than its field is refused by [New].
type Name struct {
	Identity         uint32 // 21 bits, the controller's serial number
	Manufacturer     uint16 // 11 bits
	ECUInstance      uint8  // 3 bits
	FunctionInstance uint8  // 5 bits
	Function         uint8
	Class            uint8 // 7 bits, 7 is harvester
	ClassInstance    uint8 // 4 bits
	Industry         uint8 // 3 bits, 2 is agriculture and forestry
	Arbitrary        bool  // may take another address
}

// Bits packs the NAME as it is compared and sent, identity in the lowest bits.
func (n Name) Bits() uint64 {
	bits := uint64(n.Identity) | uint64(n.Manufacturer)<<21 | uint64(n.ECUInstance)<<32 |
		uint64(n.FunctionInstance)<<35 | uint64(n.Function)<<40 | uint64(n.Class)<<49 |
		uint64(n.ClassInstance)<<56 | uint64(n.Industry)<<60
	if n.Arbitrary {
		bits |= 1 << 63
	}
	return bits
}

func (n Name) bytes() (b [8]byte) {
	binary.LittleEndian.PutUint64(b[:], n.Bits())
	return b
}

// Component is what a controller says in component identification (65259).
type Component struct {
	Make, Model, Serial, Unit string
}

func (c Component) text() string {
	return c.Make + "*" + c.Model + "*" + c.Serial + "*" + c.Unit + "*"
}

// Identity is all that tells one machine's bus from another's.
type Identity struct {
	// VIN is sent by the thresher's controller in vehicle identification (65260).
	VIN                                string
	Engine, Thresher, Header           Name
	EngineComponent, ThresherComponent Component
}

// NewIdentity is an invented identity that differs from every other serial's.
// Serial is at most 99,999.
func NewIdentity(serial uint32) Identity {
	five := string(appendDigits(nil, int64(serial), 5))
	name := func(offset uint32, function, class, industry uint8) Name {
		return Name{Identity: serial*10 + offset, Manufacturer: Manufacturer, Function: function,
			Class: class, Industry: industry, Arbitrary: industry != 0}
	}
	return Identity{
		VIN:               "ZZ0SKELDRW70" + five,
		Engine:            name(1, 0, 0, 0),
		Thresher:          name(2, 132, 7, 2),
		Header:            name(3, 129, 7, 2),
		EngineComponent:   Component{Make: "QUERNOX", Model: "D9", Serial: "E" + five},
		ThresherComponent: Component{Make: "SKELDROW", Model: "SR7", Serial: five, Unit: "1"},
	}
}
