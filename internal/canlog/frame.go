package canlog

// Sizes of the formats.
const (
	MaxData       = 64        // bytes of data in the longest CAN FD frame
	MaxClassic    = 8         // bytes of data in the longest classic frame
	MaxIface      = 15        // bytes of the longest interface name Linux has
	maskStandard  = 0x7FF     // 11-bit identifier
	maskExtended  = 1<<29 - 1 // 29-bit identifier
	flagError     = 1 << 29   // marks an error frame in an identifier of eight digits
	maxRawDLC     = 15        // largest raw length code
	digitsStd     = 3         // hex digits of an 11-bit identifier
	digitsExt     = 8         // hex digits of a 29-bit identifier
	nanos         = 1_000_000_000
	maxStampSec   = 9_223_372_035 // the last whole second that int64 nanoseconds hold with any fraction
	absoluteSince = 978_307_200   // 2001-01-01T00:00:00Z; an older stamp is no wall clock of a recording
)

// FD flags, as in Linux' struct canfd_frame.
const (
	FlagBRS = 1 // the data was sent at the second bit rate
	FlagESI = 2 // the sender was error passive
)

// Way says which way a frame went, seen from the recording machine.
type Way uint8

// The ways.
const (
	WayUnknown  Way = iota // the recording does not say
	WayReceived            // received from the bus
	WaySent                // sent by the recording machine itself
)

// Iface is the name of a CAN interface, filled up with zero bytes. It is comparable and holds no
// memory of the line it came from.
type Iface [MaxIface + 1]byte

// IfaceOf makes an Iface of a name. ok is false where the name is empty, longer than MaxIface bytes or
// has a blank or control character in it.
func IfaceOf(name string) (f Iface, ok bool) {
	if name == "" || len(name) > MaxIface {
		return f, false
	}
	for i := range len(name) {
		if name[i] <= ' ' || name[i] == 0x7F {
			return f, false
		}
	}
	copy(f[:], name)
	return f, true
}

// Len returns the number of bytes of the name.
func (f *Iface) Len() int {
	for i, c := range f {
		if c == 0 {
			return i
		}
	}
	return len(f)
}

// String returns the name; it allocates.
func (f Iface) String() string { return string(f[:f.Len()]) }

// Frame is one CAN frame of a recording. It is a plain value: comparable, with no reference to the line
// it was read from. Bytes of Data after Len are zero, and all of Data is zero in a remote frame.
type Frame struct {
	At       int64  // nanoseconds, exactly as in the recording; 0 where Stamped is false
	Stamped  bool   // the line had a time stamp
	ID       uint32 // 29-bit where Extended, the error class bits where Error, else 11-bit
	Len      uint8  // bytes of data, or the length that a remote frame asks for
	DLC      uint8  // raw length code 9 to 15 of a classic frame of 8 bytes, else 0
	Flags    uint8  // FD flags (FlagBRS, FlagESI); 0 in a classic frame and where the form leaves them out
	Extended bool   // 29-bit identifier
	Remote   bool   // a request, without data
	Error    bool   // an error frame of the controller, no bus traffic
	FD       bool   // CAN FD
	Way      Way    // received or sent, where the recording says so
	Iface    Iface  // interface name
	Data     [MaxData]byte
}

// Payload returns the data bytes; none for a remote frame. The slice points into f.
func (f *Frame) Payload() []byte {
	if f.Remote {
		return nil
	}
	return f.Data[:f.Len]
}
