package j1939

import "fmt"

// AppendBroadcast appends the frames that carry a message to everyone: one frame where it has at most eight bytes,
// else an announcement and packets (BAM), the last one filled up with FF. For simulators and tests.
func AppendBroadcast(dst []Frame, priority uint8, group Group, source Address, data []byte) ([]Frame, error) {
	if len(data) == 0 || len(data) > MaxMessage {
		return dst, fmt.Errorf("message of %d bytes: give 1 to %d", len(data), MaxMessage)
	}
	if len(data) <= word {
		raw, err := ID{Priority: priority, Group: group, Source: source, Dest: AddressGlobal}.Raw()
		if err != nil {
			return dst, err
		}
		f := Frame{ID: raw, Len: uint8(len(data))}
		copy(f.Data[:], data)
		return append(dst, f), nil
	}
	if group > maxGroup || group.Addressed() && group&extendedMask != 0 {
		return dst, fmt.Errorf("group %d: give a group number up to %d that ends in 00 where its format is below 240", group, maxGroup)
	}
	control, err := ID{Priority: priority, Group: GroupTransport, Source: source, Dest: AddressGlobal}.Raw()
	if err != nil {
		return dst, err
	}
	carrier := control&^(uint32(GroupTransport)<<shiftGroup) | uint32(GroupTransportData)<<shiftGroup | uint32(AddressGlobal)<<shiftGroup
	packets := (len(data) + packetData - 1) / packetData
	dst = append(dst, Frame{ID: control, Len: word, Data: [word]byte{
		controlBroadcast, byte(len(data)), byte(len(data) >> 8), byte(packets), 0xFF, byte(group), byte(group >> 8), byte(group >> 16)}})
	for i := range packets {
		f := Frame{ID: carrier, Len: word, Data: [word]byte{byte(i + 1), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}}
		copy(f.Data[atData:], data[i*packetData:min((i+1)*packetData, len(data))])
		dst = append(dst, f)
	}
	return dst, nil
}
