package j1939

import "fmt"

// Group is a parameter group number: 18 bits, the extended data page bit at 17, the data page bit at 16,
// the format at 15-8, and at 7-0 the group extension, which is 0 where the format is below 240.
type Group uint32

// Address is a source address on the bus.
type Address uint8

// Addresses with a meaning of their own.
const (
	AddressNull   Address = 254 // sends a claim and has no address ("cannot claim")
	AddressGlobal Address = 255 // as a destination: everyone
)

// Groups that this package reads.
const (
	GroupExtendedData    Group = 50944 // 0xC700, extended transport: counted, not read
	GroupExtendedControl Group = 51200 // 0xC800
	GroupProcessData     Group = 51968 // 0xCB00, ISO 11783-10
	GroupAcknowledgment  Group = 59392 // 0xE800
	GroupRequest         Group = 59904 // 0xEA00
	GroupTransportData   Group = 60160 // 0xEB00
	GroupTransport       Group = 60416 // 0xEC00, transport connection management
	GroupAddressClaim    Group = 60928 // 0xEE00
	GroupProduct         Group = 64653 // 0xFC8D
	GroupECU             Group = 64965 // 0xFDC5
	GroupActiveCodes     Group = 65226 // 0xFECA, DM1
	GroupPreviousCodes   Group = 65227 // 0xFECB, DM2
	GroupClearPrevious   Group = 65228 // 0xFECC, DM3
	GroupClearActive     Group = 65235 // 0xFED3, DM11
	GroupSoftware        Group = 65242 // 0xFEDA
	GroupEngineHours     Group = 65253 // 0xFEE5
	GroupVehicleHours    Group = 65255 // 0xFEE7
	GroupComponent       Group = 65259 // 0xFEEB
	GroupVehicle         Group = 65260 // 0xFEEC
	GroupEngineSpeed     Group = 61444 // 0xF004
)

const (
	maxGroup     Group  = 1<<18 - 1
	maxID        uint32 = 1<<29 - 1
	maxPriority         = 7
	firstPDU2           = 240 // formats from here on have no destination
	shiftPrio           = 26
	shiftGroup          = 8
	formatMask   Group  = 0xFF00
	extendedMask        = 0xFF
)

// Addressed tells whether messages of the group have a destination (format below 240, "PDU1").
func (g Group) Addressed() bool { return g&formatMask>>8 < firstPDU2 }

// ID is a 29-bit identifier taken apart:
//
//	28   26  25  24  23      16  15      8  7       0
//	| prio |EDP|DP |  format   | specific |  source |
//	       |---------- group -------------|
//
// Where the format is below 240 the specific byte is the destination and no part of the group.
type ID struct {
	Priority uint8 // 0 (first) to 7
	Group    Group
	Source   Address
	Dest     Address // AddressGlobal where the group has no destination
}

// SplitID takes an identifier apart. It looks at the low 29 bits only.
func SplitID(raw uint32) ID {
	raw &= maxID
	id := ID{Priority: uint8(raw >> shiftPrio), Group: Group(raw >> shiftGroup & uint32(maxGroup)), Source: Address(raw & 0xFF), Dest: AddressGlobal}
	if id.Group.Addressed() {
		id.Dest = Address(id.Group & extendedMask)
		id.Group &^= extendedMask
	}
	return id
}

// Raw puts the identifier together. It fails where a field is out of its range, or names a destination that the
// group can't have.
func (id ID) Raw() (uint32, error) {
	switch {
	case id.Priority > maxPriority:
		return 0, fmt.Errorf("priority %d: give 0 to 7", id.Priority)
	case id.Group > maxGroup:
		return 0, fmt.Errorf("group %d: give 0 to %d", id.Group, maxGroup)
	case id.Group.Addressed() && id.Group&extendedMask != 0:
		return 0, fmt.Errorf("group %d (%#x): a group with a destination ends in 00: give %d", id.Group, uint32(id.Group), id.Group&^extendedMask)
	case !id.Group.Addressed() && id.Dest != AddressGlobal:
		return 0, fmt.Errorf("group %d (%#x) has no destination: give %d instead of %d", id.Group, uint32(id.Group), AddressGlobal, id.Dest)
	}
	raw := uint32(id.Priority)<<shiftPrio | uint32(id.Group)<<shiftGroup | uint32(id.Source)
	if id.Group.Addressed() {
		raw |= uint32(id.Dest) << shiftGroup
	}
	return raw, nil
}

// Frame is a J1939 frame as it is put on a bus: 29-bit identifier, up to eight bytes.
type Frame struct {
	ID   uint32
	Len  uint8
	Data [8]byte
}

// Payload returns the data bytes; the slice points into f.
func (f *Frame) Payload() []byte { return f.Data[:min(f.Len, 8)] }

const maxIDDigits = 8

// ParseFrame reads "18FF169D#A00F0000FFFFFFFF": eight hex digits of identifier, '#', up to eight bytes.
func ParseFrame(text string) (Frame, error) {
	var f Frame
	if len(text) < maxIDDigits+1 || text[maxIDDigits] != '#' {
		return f, fmt.Errorf("frame %q: write eight hex digits of identifier, '#' and the data, as in 18FEE500#7260", text)
	}
	for _, c := range []byte(text[:maxIDDigits]) {
		v, ok := hexDigit(c)
		if !ok {
			return f, fmt.Errorf("frame %q: %q is no hex digit", text, c)
		}
		f.ID = f.ID<<4 | uint32(v)
	}
	if f.ID > maxID {
		return f, fmt.Errorf("frame %q: the identifier has more than 29 bits: give at most 1FFFFFFF", text)
	}
	return f, f.parseData(text)
}

func (f *Frame) parseData(text string) error {
	digits := text[maxIDDigits+1:]
	if len(digits)%2 != 0 || len(digits) > 2*len(f.Data) {
		return fmt.Errorf("frame %q: the data has %d hex digits: give two a byte, at most eight bytes", text, len(digits))
	}
	for i := range len(digits) / 2 {
		hi, ok1 := hexDigit(digits[2*i])
		lo, ok2 := hexDigit(digits[2*i+1])
		if !ok1 || !ok2 {
			return fmt.Errorf("frame %q: %q is no byte in hex", text, digits[2*i:2*i+2])
		}
		f.Data[i] = hi<<4 | lo
	}
	f.Len = uint8(len(digits) / 2)
	return nil
}

func hexDigit(c byte) (uint8, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}
