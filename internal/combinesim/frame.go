package combinesim

import (
	"io"
	"strconv"
	"time"
)

// Frame is one extended CAN frame as it stood on the bus.
type Frame struct {
	// AtNS is the instant at which it began, in Unix nanoseconds.
	AtNS int64
	// ID is the 29-bit identifier: priority in bits 28-26, data page 24, PDU
	// format 23-16, PDU specific 15-8, source address 7-0.
	ID uint32
	// Len says how many bytes of Data are sent, 0 to 8.
	Len uint8
	// Data holds the payload; bytes past Len are 0.
	Data [8]byte
}

// Time is AtNS as an instant in UTC.
func (f Frame) Time() time.Time { return time.Unix(0, f.AtNS).UTC() }

// Group is the parameter group number. Below PDU format 240 the PDU specific
// byte is the destination and no part of it.
func (f Frame) Group() uint32 {
	if f.ID>>16&0xFF < 240 {
		return f.ID >> 8 & 0x3FF00
	}
	return f.ID >> 8 & 0x3FFFF
}

// Source is the source address.
func (f Frame) Source() uint8 { return uint8(f.ID) }

// String is the frame as candump writes it in a log, without time and interface.
func (f Frame) String() string { return string(f.appendText(nil)) }

// AppendCandump appends the frame as one line of candump's log form, the time
// cut to microseconds: "(1785000000.000123) can0 18FEE500#72600000FFFFFFFF\n".
func (f Frame) AppendCandump(dst []byte, iface string) []byte {
	dst = append(dst, '(')
	dst = appendDigits(dst, f.AtNS/1e9, 10)
	dst = append(dst, '.')
	dst = appendDigits(dst, f.AtNS%1e9/1e3, 6)
	dst = append(dst, ')', ' ')
	dst = append(dst, iface...)
	dst = append(dst, ' ')
	dst = f.appendText(dst)
	return append(dst, '\n')
}

func (f Frame) appendText(dst []byte) []byte {
	const hex = "0123456789ABCDEF"
	for shift := 28; shift >= 0; shift -= 4 {
		dst = append(dst, hex[f.ID>>shift&15])
	}
	dst = append(dst, '#')
	for _, b := range f.Data[:min(f.Len, 8)] {
		dst = append(dst, hex[b>>4], hex[b&15])
	}
	return dst
}

func appendDigits(dst []byte, n int64, width int) []byte {
	var buf [20]byte
	digits := strconv.AppendInt(buf[:0], n, 10)
	for range width - len(digits) {
		dst = append(dst, '0')
	}
	return append(dst, digits...)
}

// WriteCandump runs the machine to the end of its program and writes every frame
// in candump's log form. It returns the number of frames written, and the first
// error of w, after which the machine stands where it was.
func (m *Machine) WriteCandump(w io.Writer, iface string) (int64, error) {
	buf := make([]byte, 0, 1<<16)
	var written int64
	for f, ok := m.Next(); ok; f, ok = m.Next() {
		buf = f.AppendCandump(buf, iface)
		written++
		if len(buf) < cap(buf)-128 {
			continue
		}
		if _, err := w.Write(buf); err != nil {
			return written, err
		}
		buf = buf[:0]
	}
	_, err := w.Write(buf)
	return written, err
}

// canID composes an identifier; for a PDU format below 240 the destination is
// the global address.
func canID(priority uint32, group uint32, source uint8) uint32 {
	if group>>8&0xFF < 240 {
		group = group&0x3FF00 | global
	}
	return priority<<26 | group<<8 | uint32(source)
}
