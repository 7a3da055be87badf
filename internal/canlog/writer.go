package canlog

const hexDigits = "0123456789ABCDEF"

// AppendLine appends f as one line of the log form, with its line end, and returns the longer slice. The
// fraction has six digits where At is a whole number of microseconds, else nine. A frame without a
// stamp is written without one, a negative At as 0 and a missing interface name as "can". Parse gives the same frame
// back where f is one that Parse can give.
func AppendLine(dst []byte, f *Frame) []byte {
	if f.Stamped {
		dst = appendStamp(dst, max(f.At, 0))
	}
	if n := f.Iface.Len(); n > 0 {
		dst = append(dst, f.Iface[:n]...)
	} else {
		dst = append(dst, "can"...)
	}
	dst = append(dst, ' ')
	dst = appendID(dst, f)
	dst = append(dst, '#')
	if f.Remote {
		dst = appendRemote(dst, f)
	} else {
		dst = appendData(dst, f)
	}
	if f.DLC > MaxClassic && f.Len == MaxClassic && !f.FD {
		dst = append(dst, '_', hexDigits[f.DLC&0xF])
	}
	switch f.Way {
	case WayReceived:
		dst = append(dst, " R"...)
	case WaySent:
		dst = append(dst, " T"...)
	}
	return append(dst, '\n')
}

func appendStamp(dst []byte, at int64) []byte {
	sec, frac, digits := at/nanos, at%nanos, 9
	if frac%1000 == 0 {
		frac, digits = frac/1000, 6
	}
	dst = append(dst, '(')
	dst = appendPadded(dst, sec, 10)
	dst = append(dst, '.')
	dst = appendPadded(dst, frac, digits)
	return append(dst, ')', ' ')
}

func appendPadded(dst []byte, v int64, digits int) []byte {
	var b [20]byte
	for i := digits - 1; i >= 0; i-- {
		b[i] = byte('0' + v%10)
		v /= 10
	}
	return append(dst, b[:digits]...)
}

func appendID(dst []byte, f *Frame) []byte {
	id, digits := f.ID&maskStandard, digitsStd
	switch {
	case f.Error:
		id, digits = f.ID&maskExtended|flagError, digitsExt
	case f.Extended:
		id, digits = f.ID&maskExtended, digitsExt
	}
	for shift := 4 * (digits - 1); shift >= 0; shift -= 4 {
		dst = append(dst, hexDigits[id>>shift&0xF])
	}
	return dst
}

func appendRemote(dst []byte, f *Frame) []byte {
	dst = append(dst, 'R')
	if f.Len > 0 && f.Len <= MaxClassic {
		dst = append(dst, '0'+f.Len)
	}
	return dst
}

func appendData(dst []byte, f *Frame) []byte {
	limit := MaxClassic
	if f.FD {
		dst = append(dst, '#', hexDigits[f.Flags&0xF])
		limit = MaxData
	}
	for _, b := range f.Data[:min(int(f.Len), limit)] {
		dst = append(dst, hexDigits[b>>4], hexDigits[b&0xF])
	}
	return dst
}
