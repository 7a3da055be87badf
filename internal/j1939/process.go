package j1939

import "encoding/binary"

// Process data, group 51968 (ISO 11783-10), eight bytes:
//
//	byte 0   8 7 6 5 element, bits 4-1   4 3 2 1 command
//	byte 1   element, bits 12-5
//	byte 2-3 entry of the data dictionary, little endian
//	byte 4-7 value, signed, little endian
const (
	processSize  = 8
	commandMask  = 0x0F
	commandValue = 3
	atEntry      = 2
	atValue      = 4
)

// ProcessValue is a value that a working set sent to the task controller, or was sent by it. A listener hears only what
// the controller asked for.
type ProcessValue struct {
	Source, Dest Address
	Element      uint16 // of the device, 12 bits
	Entry        uint16 // of the data dictionary (ISO 11783-11)
	Raw          int32
	Known        *DictionaryEntry // nil where this package doesn't know the entry; not to be written to
}

// DictionaryEntry says what an entry of the ISO 11783-11 data dictionary counts.
type DictionaryEntry struct {
	Number   uint16
	Name     string
	Linear   Linear
	Unit     string
	Lifetime bool // never reset; a total that isn't is set back at will, task by task (from memory)
}

// dictionary is read only; entries and resolutions as in the ISO 11783-11 export of 2025-10-28.
var dictionary = [...]DictionaryEntry{
	{119, "Effective Total Time", Linear{1, 0, 1}, "s", false},
	{120, "Ineffective Total Time", Linear{1, 0, 1}, "s", false},
	{141, "Actual Work State", Linear{1, 0, 1}, "", false},
	{148, "Total Fuel Consumption", Linear{1, 0, 1}, "ml", false},
	{215, "Lifetime Working Hours", Linear{1, 0, 20}, unitHour, true},
	{236, "Thresher Engagement Total Time", Linear{1, 0, 1}, "s", false},
	{237, "Actual Header Working Height Status", Linear{1, 0, 1}, "", false},
	{238, "Actual Header Rotational Speed Status", Linear{1, 0, 1}, "", false},
	{239, "Yield Hold Status", Linear{1, 0, 1}, "", false},
	{274, "Lifetime Effective Total Time", Linear{1, 0, 1}, "s", true},
	{275, "Lifetime Ineffective Total Time", Linear{1, 0, 1}, "s", true},
	{276, "Lifetime Fuel Consumption", Linear{1, 0, 2}, "l", true},
	{282, "Lifetime Threshing Engagement Total Time", Linear{1, 0, 1}, "s", true},
	{324, "Chopper Engagement Total Time", Linear{1, 0, 1}, "s", false},
	{334, "Operating Hours Since Last Sharpening", Linear{1, 0, 1}, "s", false},
	{335, "Front PTO Hours", Linear{1, 0, 1}, "s", false},
	{336, "Rear PTO Hours", Linear{1, 0, 1}, "s", false},
	{337, "Lifetime Front PTO Hours", Linear{1, 0, 10}, unitHour, true},
	{338, "Lifetime Rear PTO Hours", Linear{1, 0, 10}, unitHour, true},
	{492, "Total Engine Hours", Linear{1, 0, 20}, unitHour, false},
	{493, "Lifetime Engine Hours", Linear{1, 0, 10}, unitHour, true},
	{546, "Lifetime Chopping Engagement Total Time", Linear{1, 0, 1}, "s", true},
}

// FindEntry finds an entry of the data dictionary among those known here.
func FindEntry(number uint16) (DictionaryEntry, bool) {
	if e := findEntry(number); e != nil {
		return *e, true
	}
	return DictionaryEntry{}, false
}

func findEntry(number uint16) *DictionaryEntry {
	lo, hi := 0, len(dictionary)
	for lo < hi {
		mid := (lo + hi) / 2
		if dictionary[mid].Number < number {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo < len(dictionary) && dictionary[lo].Number == number {
		return &dictionary[lo]
	}
	return nil
}

// HourMillis gives a counter of time in milliseconds of running, exact; ok is false for other entries and for a
// negative count.
func (v ProcessValue) HourMillis() (ms int64, ok bool) {
	if v.Known == nil || v.Raw < 0 {
		return 0, false
	}
	var k int64
	switch v.Known.Unit {
	case unitHour:
		k = milliHour
	case "s":
		k = 1000
	default:
		return 0, false
	}
	ms, _, ok = v.Known.Linear.Times(int64(v.Raw), k)
	return ms, ok
}

// Milli gives the value in thousandths of the entry's unit.
func (v ProcessValue) Milli() (n int64, ok bool) {
	if v.Known == nil {
		return 0, false
	}
	n, _, ok = v.Known.Linear.Times(int64(v.Raw), 1000)
	return n, ok
}

// DecodeProcess reads a message of group 51968. ok is false where it is too short or carries no value (another command).
func DecodeProcess(id ID, data []byte) (v ProcessValue, ok bool) {
	if len(data) < processSize || data[0]&commandMask != commandValue {
		return v, false
	}
	v = ProcessValue{
		Source: id.Source, Dest: id.Dest,
		Element: uint16(data[0]>>4) | uint16(data[1])<<4,
		Entry:   binary.LittleEndian.Uint16(data[atEntry:]),
		Raw:     int32(binary.LittleEndian.Uint32(data[atValue:])),
	}
	v.Known = findEntry(v.Entry)
	return v, true
}
