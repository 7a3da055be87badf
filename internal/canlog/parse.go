package canlog

import "bytes"

const noHex = 0xFF

// hexValue gives the value of a hex digit, noHex for every other byte.
var hexValue = func() (t [256]uint8) {
	for i := range t {
		t[i] = noHex
	}
	for i := range uint8(10) {
		t['0'+i] = i
	}
	for i := range uint8(6) {
		t['a'+i], t['A'+i] = 10+i, 10+i
	}
	return t
}()

// Parse reads one line (with or without its line end) into f. ok is true where the line was a frame. A
// line that isn't meant as a frame gives false and no error. The error is a Problem; f then holds
// nothing of use. Parse allocates nothing and keeps nothing of the line.
func Parse(line []byte, f *Frame) (ok bool, err error) {
	line = trim(line)
	if len(line) == 0 || isComment(line) {
		return false, nil
	}
	*f = Frame{}
	if line[0] != '(' {
		return parseUnstamped(line, f)
	}
	if len(line) < 2 || line[1] < '0' || line[1] > '9' {
		return false, nil
	}
	i, p := parseStamp(line, f)
	if p != 0 {
		return false, p
	}
	if p = parseBody(line, i, f); p != 0 {
		return false, p
	}
	return true, nil
}

// ParseDrop reads the number of lost frames from a DROPCOUNT line. ok is false for any other line.
func ParseDrop(line []byte) (lost uint64, ok bool) {
	const head, verb = "DROPCOUNT:", "dropped "
	line = trim(line)
	if !bytes.HasPrefix(line, []byte(head)) {
		return 0, false
	}
	rest := bytes.TrimLeft(line[len(head):], " ")
	if !bytes.HasPrefix(rest, []byte(verb)) {
		return 0, false
	}
	n := 0
	for _, c := range rest[len(verb):] {
		if c < '0' || c > '9' || n == 10 {
			break
		}
		lost = lost*10 + uint64(c-'0')
		n++
	}
	return lost, n > 0
}

func trim(line []byte) []byte {
	for len(line) > 0 && line[len(line)-1] <= ' ' {
		line = line[:len(line)-1]
	}
	for len(line) > 0 && line[0] == ' ' {
		line = line[1:]
	}
	return line
}

// isComment: a tab leads the details of an error frame (candump -e).
func isComment(line []byte) bool {
	switch line[0] {
	case '#', ';', '/', '\t':
		return true
	case 'D':
		return bytes.HasPrefix(line, []byte("DROPCOUNT:"))
	}
	return false
}

// parseStamp reads "(seconds.fraction)" and returns the index after it.
func parseStamp(line []byte, f *Frame) (int, Problem) {
	var sec uint64
	i := 1
	for ; i < len(line) && line[i]-'0' <= 9; i++ {
		if sec = sec*10 + uint64(line[i]-'0'); sec > maxStampSec {
			return 0, ProblemStampRange
		}
	}
	if i < len(line) && line[i] == '-' {
		return 0, ProblemLocalTime
	}
	if i == len(line) || line[i] != '.' {
		return 0, ProblemStamp
	}
	i++
	start, frac := i, uint64(0)
	for ; i < len(line) && line[i]-'0' <= 9 && i-start < 10; i++ {
		frac = frac*10 + uint64(line[i]-'0')
	}
	if i == len(line) || line[i] != ')' {
		return 0, ProblemStamp
	}
	switch i - start {
	case 6:
		frac *= 1000
	case 9:
	default:
		return 0, ProblemStamp
	}
	f.At, f.Stamped = int64(sec*nanos+frac), true
	return i + 1, 0
}

// parseBody reads interface, identifier and data after a stamp.
func parseBody(line []byte, i int, f *Frame) Problem {
	i = skipBlanks(line, i)
	if i < len(line) && line[i] == 0x1B {
		return ProblemColour
	}
	end := tokenEnd(line, i)
	if end == i || end-i > MaxIface {
		return ProblemIface
	}
	copy(f.Iface[:], line[i:end])
	i = skipBlanks(line, end)
	end = i
	for end < len(line) && hexValue[line[end]] != noHex {
		end++
	}
	if end < len(line) && line[end] == '#' {
		return parseLog(line, i, end, f)
	}
	return parseScreen(line, i, f)
}

// parseUnstamped reads a line without a stamp: a frame only where it has a form's shape.
func parseUnstamped(line []byte, f *Frame) (bool, error) {
	if line[0] == 0x1B {
		return false, ProblemColour
	}
	end := tokenEnd(line, 0)
	i := skipBlanks(line, end)
	if end > MaxIface || !looksLikeFrame(line, i) {
		return false, nil
	}
	if p := parseBody(line, 0, f); p != 0 {
		return false, p
	}
	return true, nil
}

// looksLikeFrame: an identifier stands at i and after it '#' or a length in brackets.
func looksLikeFrame(line []byte, i int) bool {
	i, _, _ = parseExtra(line, i)
	n := 0
	for i+n < len(line) && hexValue[line[i+n]] != noHex {
		n++
	}
	if n != digitsStd && n != digitsExt {
		return false
	}
	i += n
	if i < len(line) && line[i] == '#' {
		return true
	}
	i = skipBlanks(line, i)
	return i+1 < len(line) && (line[i] == '[' || line[i] == '{') && hexValue[line[i+1]] != noHex
}

// parseID reads the identifier that stands at line[i:end].
func parseID(line []byte, i, end int, f *Frame) Problem {
	var id uint32
	for _, c := range line[i:end] {
		v := hexValue[c]
		if v == noHex {
			return ProblemID
		}
		id = id<<4 | uint32(v)
		if end-i > digitsExt {
			return ProblemID
		}
	}
	switch end - i {
	case digitsStd:
		if id > maskStandard {
			return ProblemIDRange
		}
	case digitsExt:
		if id >= flagError<<1 {
			return ProblemIDRange
		}
		f.Error = id&flagError != 0
		f.Extended = !f.Error
		id &= maskExtended
	default:
		return ProblemID
	}
	f.ID = id
	return 0
}

// parseLog reads "id#..." with the '#' at hash.
func parseLog(line []byte, i, hash int, f *Frame) Problem {
	if hash-i == 5 && looksLikeXL(line, hash) {
		return ProblemXL
	}
	if p := parseID(line, i, hash, f); p != 0 {
		return p
	}
	i = hash + 1
	if i < len(line) && (line[i] == 'R' || line[i] == 'r') {
		return parseRemote(line, i+1, f)
	}
	limit := MaxClassic
	if i < len(line) && line[i] == '#' {
		i++
		if i == len(line) || hexValue[line[i]] == noHex {
			return ProblemFDFlags
		}
		f.FD, f.Flags, limit = true, hexValue[line[i]], MaxData
		i++
	}
	if looksLikeXL(line, hash) {
		return ProblemXL
	}
	i, p := parseData(line, i, limit, f)
	if p != 0 {
		return p
	}
	if f.FD && !fdLength(f.Len) {
		return ProblemFDLength
	}
	if i, p = parseDLC(line, i, f); p != 0 {
		return p
	}
	return parseWay(line, i, f)
}

// looksLikeXL: "<network><priority>#<flags>:<type>:<field>#data".
func looksLikeXL(line []byte, hash int) bool {
	return hash+3 < len(line) && line[hash+3] == ':'
}

// parseData reads pairs of hex digits, with or without a dot between pairs, into f.Data and f.Len.
func parseData(line []byte, i, limit int, f *Frame) (int, Problem) {
	n := 0
	for i < len(line) {
		c := line[i]
		if c == '.' {
			i++
			continue
		}
		hi := hexValue[c]
		if hi == noHex {
			break
		}
		if i+1 == len(line) || line[i+1] <= ' ' {
			return i, ProblemOdd
		}
		lo := hexValue[line[i+1]]
		if lo == noHex {
			return i, ProblemDigit
		}
		if n == limit {
			return i, ProblemTooLong
		}
		f.Data[n] = hi<<4 | lo
		n++
		i += 2
	}
	if i < len(line) && line[i] != '_' && line[i] > ' ' {
		return i, ProblemDigit
	}
	f.Len = uint8(n)
	return i, 0
}

// parseDLC reads "_E", the raw length code of a classic frame of eight bytes.
func parseDLC(line []byte, i int, f *Frame) (int, Problem) {
	if i == len(line) || line[i] != '_' {
		return i, 0
	}
	if i+1 == len(line) || f.FD || f.Len != MaxClassic {
		return i, ProblemDLC
	}
	v := hexValue[line[i+1]]
	if v <= MaxClassic || v > maxRawDLC {
		return i, ProblemDLC
	}
	f.DLC = v
	return i + 2, 0
}

// parseRemote reads what follows "#R".
func parseRemote(line []byte, i int, f *Frame) Problem {
	if f.Error {
		return ProblemRemote
	}
	f.Remote = true
	if i < len(line) && line[i] > ' ' && line[i] != '_' {
		v := hexValue[line[i]]
		if v > MaxClassic {
			return ProblemRemote
		}
		f.Len = v
		i++
	}
	i, p := parseDLC(line, i, f)
	if p != 0 {
		return p
	}
	return parseWay(line, i, f)
}

// parseWay reads " R" or " T" or nothing up to the end of the line.
func parseWay(line []byte, i int, f *Frame) Problem {
	if i == len(line) {
		return 0
	}
	if i+2 != len(line) || line[i] != ' ' {
		return ProblemTrailing
	}
	switch line[i+1] {
	case 'R':
		f.Way = WayReceived
	case 'T':
		f.Way = WaySent
	default:
		return ProblemTrailing
	}
	return 0
}

func fdLength(n uint8) bool {
	switch n {
	case 12, 16, 20, 24, 32, 48, 64:
		return true
	}
	return n <= MaxClassic
}

func skipBlanks(line []byte, i int) int {
	for i < len(line) && line[i] == ' ' {
		i++
	}
	return i
}

func tokenEnd(line []byte, i int) int {
	for i < len(line) && line[i] > ' ' {
		i++
	}
	return i
}
