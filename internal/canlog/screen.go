package canlog

import "bytes"

// parseScreen reads "[RX - -] id  [length]  data" of the screen form.
func parseScreen(line []byte, i int, f *Frame) Problem {
	i, way, flags := parseExtra(line, i)
	f.Way = way
	end := tokenEnd(line, i)
	if end == i {
		return ProblemForm
	}
	next := skipBlanks(line, end)
	if next == len(line) || line[next] != '[' && line[next] != '{' {
		return ProblemForm
	}
	if p := parseID(line, i, end, f); p != 0 {
		return p
	}
	i, n, p := parseLength(line, next, f)
	if p != 0 {
		return p
	}
	if f.FD {
		f.Flags = flags
	}
	if rest := line[i:]; bytes.HasPrefix(bytes.TrimLeft(rest, " "), []byte("remote request")) {
		return screenRemote(bytes.TrimLeft(rest, " "), n, f)
	}
	return screenData(line, i, n, f)
}

// parseExtra reads "RX - -" or "TX B E" (candump -x) where it stands at i: the way, then a letter or a
// dash for the second bit rate and for the passive sender.
func parseExtra(line []byte, i int) (next int, way Way, flags uint8) {
	const width = len("RX - -")
	if i+width >= len(line) || line[i+1] != 'X' || line[i+2] != ' ' || line[i+4] != ' ' || line[i+width] != ' ' {
		return i, WayUnknown, 0
	}
	switch line[i] {
	case 'R':
		way = WayReceived
	case 'T':
		way = WaySent
	default:
		return i, WayUnknown, 0
	}
	if line[i+3] == 'B' {
		flags |= FlagBRS
	}
	if line[i+5] == 'E' {
		flags |= FlagESI
	}
	return skipBlanks(line, i+width), way, flags
}

// parseLength reads "[8]", "[08]" (CAN FD) or "{E}" (raw length code) and returns the number of bytes.
func parseLength(line []byte, i int, f *Frame) (next, n int, p Problem) {
	closing := byte(']')
	if line[i] == '{' {
		closing = '}'
	}
	i++
	end := i
	for end < len(line) && line[end] != closing && end-i < 5 {
		end++
	}
	if end == len(line) || line[end] != closing || end == i {
		return i, 0, ProblemLength
	}
	if closing == '}' {
		return rawLength(line, i, end, f)
	}
	for _, c := range line[i:end] {
		if c < '0' || c > '9' {
			return i, 0, ProblemLength
		}
		n = n*10 + int(c-'0')
	}
	switch end - i {
	case 1:
		if n > MaxClassic {
			return i, 0, ProblemTooLong
		}
	case 2:
		f.FD = true
		if n > MaxData || !fdLength(uint8(n)) {
			return i, 0, ProblemFDLength
		}
	case 4:
		return i, 0, ProblemXL
	default:
		return i, 0, ProblemLength
	}
	return end + 1, n, 0
}

func rawLength(line []byte, i, end int, f *Frame) (next, n int, p Problem) {
	if end-i != 1 || hexValue[line[i]] == noHex {
		return i, 0, ProblemDLC
	}
	n = int(hexValue[line[i]])
	if n > MaxClassic {
		f.DLC = uint8(n)
		n = MaxClassic
	}
	return end + 1, n, 0
}

func screenRemote(rest []byte, n int, f *Frame) Problem {
	if f.FD || f.Error || n > MaxClassic {
		return ProblemRemote
	}
	if len(rest) != len("remote request") {
		return ProblemTrailing
	}
	f.Remote, f.Len = true, uint8(n)
	return 0
}

// screenData reads n bytes, each after a blank, and checks that nothing foreign follows.
func screenData(line []byte, i, n int, f *Frame) Problem {
	i = skipBlanks(line, i)
	for k := range n {
		end := tokenEnd(line, i)
		if p := screenByte(line[i:end], k, f); p != 0 {
			return p
		}
		i = skipBlanks(line, end)
	}
	f.Len = uint8(n)
	return screenTail(line[i:])
}

func screenByte(token []byte, k int, f *Frame) Problem {
	switch {
	case len(token) == 0:
		return ProblemLength
	case bytes.IndexByte(token, '`') >= 0:
		return ProblemSwapped
	case len(token) == 1:
		return ProblemOdd
	case len(token) == 8 && len(bytes.Trim(token, "01")) == 0:
		return ProblemBinary
	case len(token) != 2:
		return ProblemDigit
	}
	hi, lo := hexValue[token[0]], hexValue[token[1]]
	if hi == noHex || lo == noHex {
		return ProblemDigit
	}
	f.Data[k] = hi<<4 | lo
	return 0
}

// screenTail checks what stands after the data: nothing, the word ERRORFRAME or quoted text.
func screenTail(rest []byte) Problem {
	switch {
	case len(rest) == 0, string(rest) == "ERRORFRAME":
		return 0
	case rest[0] == '\'' && len(rest) > 1 && rest[len(rest)-1] == '\'':
		return 0
	case rest[0] == '`':
		return ProblemSwapped
	case len(rest) >= 2 && hexValue[rest[0]] != noHex && hexValue[rest[1]] != noHex:
		return ProblemLength
	case rest[0] == 0x1B:
		return ProblemColour
	}
	return ProblemTrailing
}
