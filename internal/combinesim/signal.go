package combinesim

// Signal is one value that the machine knows of itself.
type Signal uint8

// The machine's signals. What stands on the bus, and where, is in [Layouts].
const (
	EngineSpeed Signal = iota
	EngineLoad
	EngineHours
	VehicleHours
	PTOHours
	FuelRate
	FuelLevel
	WheelSpeed
	CoolantTemperature
	RotorSpeed
	CleaningDrive
	ElevatorShaft
	FanShaft
	FanSpeed
	HeaderShaft
	CropFeed
	GrainTank
	UnloadingAuger
	RoadMode

	signals = int(RoadMode) + 1
)

// The machine's own groups, in the range left to makers (65280 to 65535).
const (
	groupShafts = 65377
	groupFan    = 65378
	groupHeader = 65379
	groupCrop   = 65380
)

// Layout tells where a signal stands: value = raw x Scale + Offset, the lowest
// byte first.
type Layout struct {
	Signal Signal
	Name   string // as a chart would call it
	Group  uint32
	Source uint8
	Byte   int    // of the first byte, from 1
	Bit    int    // of the lowest bit within that byte, from 1
	Bits   int    // 2, 8, 16 or 32
	SPN    uint32 // 0 for the machine's own
	Scale  string // decimal
	Offset string // decimal
	Unit   string
	// TestFrame carries TestValue (decimal, in Unit) in this signal.
	TestFrame, TestValue string
}

// Layouts describes every signal as data, in the order of the Signal constants.
// Positions of the J1939 parameters are from the public extract of the J1939
// digital annex of October 2020; the machine's own groups are invented.
//
//	         byte  1        2        3        4         5        6         7      8
//	65377 B2   rotor_speed       cleaning_drive    elevator_shaft      FF     FF
//	65378 B2   FF      fan_shaft         FF        fan_speed           FF     FF
//	65379 B7   FF      FF       FF       header_shaft      FF        FF     FF
//	65380 B2   crop_feed grain_tank FF   bits 1-2 unloading_auger,    FF ... FF
//	                                     bits 3-4 road_mode, rest 1
func Layouts() []Layout {
	const (
		e, t, h = EngineSource, ThresherSource, HeaderSource
		rpm     = "rpm"
	)
	return []Layout{
		{EngineSpeed, "engine_speed", 61444, e, 4, 1, 16, 190, "0.125", "0", rpm, "0CF00400#FFFFFF0442FFFFFF", "2112.5"},
		{EngineLoad, "engine_load", 61443, e, 3, 1, 8, 92, "1", "0", "%", "0CF00300#FFFF4BFFFFFFFFFF", "75"},
		{EngineHours, "engine_hours", 65253, e, 1, 1, 32, 247, "0.05", "0", "h", "18FEE500#72600000FFFFFFFF", "1234.5"},
		{VehicleHours, "vehicle_hours", 65255, t, 1, 1, 32, 246, "0.05", "0", "h", "18FEE7B2#A37A0200FFFFFFFF", "8123.35"},
		{PTOHours, "pto_hours", 65255, t, 5, 1, 32, 248, "0.05", "0", "h", "18FEE7B2#FFFFFFFF98000000", "7.6"},
		{FuelRate, "fuel_rate", 65266, e, 1, 1, 16, 183, "0.05", "0", "l/h", "18FEF200#B203FFFFFFFFFFFF", "47.3"},
		{FuelLevel, "fuel_level", 65276, t, 2, 1, 8, 96, "0.4", "0", "%", "18FEFCB2#FFADFFFFFFFFFFFF", "69.2"},
		{WheelSpeed, "wheel_speed", 65265, t, 2, 1, 16, 84, "0.00390625", "0", "km/h", "18FEF1B2#FF8005FFFFFFFFFF", "5.5"},
		{CoolantTemperature, "coolant_temperature", 65262, e, 1, 1, 8, 110, "1", "-40", "°C", "18FEEE00#7FFFFFFFFFFFFFFF", "87"},
		{RotorSpeed, "rotor_speed", groupShafts, t, 1, 1, 16, 0, "0.25", "0", rpm, "18FF61B2#7C0BFFFFFFFFFFFF", "735"},
		{CleaningDrive, "cleaning_drive", groupShafts, t, 3, 1, 16, 0, "0.25", "0", rpm, "18FF61B2#FFFFB109FFFFFFFF", "620.25"},
		{ElevatorShaft, "elevator_shaft", groupShafts, t, 5, 1, 16, 0, "0.25", "0", rpm, "18FF61B2#FFFFFFFFFA06FFFF", "446.5"},
		{FanShaft, "fan_shaft", groupFan, t, 2, 1, 16, 0, "0.5", "0", rpm, "18FF62B2#FFC107FFFFFFFFFF", "992.5"},
		{FanSpeed, "fan_speed", groupFan, t, 5, 1, 16, 0, "0.5", "0", rpm, "18FF62B2#FFFFFFFFD206FFFF", "873"},
		{HeaderShaft, "header_shaft", groupHeader, h, 4, 1, 16, 0, "0.25", "0", rpm, "18FF63B7#FFFFFF3D08FFFFFF", "527.25"},
		{CropFeed, "crop_feed", groupCrop, t, 1, 1, 8, 0, "0.5", "0", "%", "18FF64B2#91FFFFFFFFFFFFFF", "72.5"},
		{GrainTank, "grain_tank", groupCrop, t, 2, 1, 8, 0, "0.4", "0", "%", "18FF64B2#FF64FFFFFFFFFFFF", "40"},
		{UnloadingAuger, "unloading_auger", groupCrop, t, 4, 1, 2, 0, "1", "0", "", "18FF64B2#FFFFFFFDFFFFFFFF", "1"},
		{RoadMode, "road_mode", groupCrop, t, 4, 3, 2, 0, "1", "0", "", "18FF64B2#FFFFFFF7FFFFFFFF", "1"},
	}
}

// String is the signal's name in [Layouts].
func (s Signal) String() string {
	if int(s) < signals {
		return Layouts()[s].Name
	}
	return "no such signal"
}

// state is what a sensor says of itself.
type state uint8

const (
	stateOK state = iota
	stateMissing
	stateError
)

// The ranges at the top of each width: valid up to FA, FAFF, FAFFFFFF; error FE
// and not available FF in the top byte; 2 bits: 10 error, 11 not available.
const (
	most8, most16, most32 = 0xFA, 0xFAFF, 0xFAFFFFFF
	error8, error16       = 0xFE, 0xFEFF
	error32               = 0xFEFFFFFF
)

func put8(d *[8]byte, i int, st state, raw int64) {
	switch st {
	case stateOK:
		d[i] = uint8(min(max(raw, 0), most8))
	case stateError:
		d[i] = error8
	}
}

func put16(d *[8]byte, i int, st state, raw int64) {
	switch st {
	case stateOK:
		raw = min(max(raw, 0), most16)
	case stateError:
		raw = error16
	default:
		return
	}
	d[i], d[i+1] = uint8(raw), uint8(raw>>8)
}

func put32(d *[8]byte, i int, st state, raw int64) {
	switch st {
	case stateOK:
		raw = min(max(raw, 0), most32)
	case stateError:
		raw = error32
	default:
		return
	}
	d[i], d[i+1], d[i+2], d[i+3] = uint8(raw), uint8(raw>>8), uint8(raw>>16), uint8(raw>>24)
}

// put2 sets two bits of a byte that holds ones so far.
func put2(d *[8]byte, i, shift int, st state, on bool) {
	raw := uint8(0b11)
	switch {
	case st == stateError:
		raw = 0b10
	case st == stateOK && on:
		raw = 0b01
	case st == stateOK:
		raw = 0b00
	}
	d[i] = d[i]&^(0b11<<shift) | raw<<shift
}
