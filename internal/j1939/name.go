package j1939

import (
	"encoding/binary"
	"fmt"
)

// Name is what a source calls itself in its address claim (group 60928), eight bytes, little endian:
//
//	63      arbitrary address capable     40-47  function
//	60-62   industry group                35-39  function instance
//	56-59   device class instance         32-34  control unit instance
//	49-55   device class                  21-31  manufacturer code
//	48      reserved                      0-20   identity number
//
// 0 stands for not known. The lower of two names wins an address.
type Name uint64

// NameFields are the parts of a Name.
type NameFields struct {
	Arbitrary        bool  // can take another address
	IndustryGroup    uint8 // 3 bits; 2 is agriculture and forestry
	ClassInstance    uint8 // 4 bits
	Class            uint8 // 7 bits; in industry group 2, 7 is harvester
	Function         uint8
	FunctionInstance uint8  // 5 bits
	UnitInstance     uint8  // 3 bits
	Manufacturer     uint16 // 11 bits
	Identity         uint32 // 21 bits, usually the control unit's serial number
}

const (
	nameSize          = 8
	shiftArbitrary    = 63
	shiftIndustry     = 60
	shiftClassInst    = 56
	shiftClass        = 49
	shiftFunction     = 40
	shiftFunctionInst = 35
	shiftUnitInst     = 32
	shiftManufacturer = 21

	maskIndustry     = 1<<3 - 1
	maskClassInst    = 1<<4 - 1
	maskClass        = 1<<7 - 1
	maskFunction     = 1<<8 - 1
	maskFunctionInst = 1<<5 - 1
	maskUnitInst     = 1<<3 - 1
	maskManufacturer = 1<<11 - 1
	maskIdentity     = 1<<21 - 1
)

// DecodeName reads a claim's eight bytes. ok is false where there are fewer.
func DecodeName(data []byte) (n Name, ok bool) {
	if len(data) < nameSize {
		return 0, false
	}
	return Name(binary.LittleEndian.Uint64(data)), true
}

// Bytes gives the name as it is sent.
func (n Name) Bytes() (b [nameSize]byte) {
	binary.LittleEndian.PutUint64(b[:], uint64(n))
	return b
}

// Fields takes the name apart.
func (n Name) Fields() NameFields {
	return NameFields{
		Arbitrary:        n>>shiftArbitrary != 0,
		IndustryGroup:    uint8(n >> shiftIndustry & maskIndustry),
		ClassInstance:    uint8(n >> shiftClassInst & maskClassInst),
		Class:            uint8(n >> shiftClass & maskClass),
		Function:         uint8(n >> shiftFunction & maskFunction),
		FunctionInstance: uint8(n >> shiftFunctionInst & maskFunctionInst),
		UnitInstance:     uint8(n >> shiftUnitInst & maskUnitInst),
		Manufacturer:     uint16(n >> shiftManufacturer & maskManufacturer),
		Identity:         uint32(n & maskIdentity),
	}
}

// Name puts the parts together; each is cut to its bits.
func (f NameFields) Name() Name {
	n := Name(f.IndustryGroup&maskIndustry)<<shiftIndustry |
		Name(f.ClassInstance&maskClassInst)<<shiftClassInst |
		Name(f.Class&maskClass)<<shiftClass |
		Name(f.Function)<<shiftFunction |
		Name(f.FunctionInstance&maskFunctionInst)<<shiftFunctionInst |
		Name(f.UnitInstance&maskUnitInst)<<shiftUnitInst |
		Name(f.Manufacturer&maskManufacturer)<<shiftManufacturer |
		Name(f.Identity&maskIdentity)
	if f.Arbitrary {
		n |= 1 << shiftArbitrary
	}
	return n
}

// String gives the name as 16 hex digits, the highest first; "" where it isn't known.
func (n Name) String() string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%016X", uint64(n))
}
