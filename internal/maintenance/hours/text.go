package hours

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// ErrFormat is wrapped by every error of Parse.
var ErrFormat = errors.New("not decimal hours")

// maxDigits is how many digits after the point are exact: 0.00001 h is 36 ms,
// and a sixth digit would be 3.6 ms.
const maxDigits = 5

// Parse reads decimal hours, such as 1234.55, exactly: from 0 to 999999999,
// with a point and one to five digits after it or with neither. Signs, blanks,
// commas, exponents and words are refused, each with what to write instead.
func Parse(text string) (Millis, error) {
	whole, part, point := strings.Cut(text, ".")
	if why := refuse(text, whole, part, point); why != "" {
		return 0, fmt.Errorf("hours %q: %w: %s", cut(text), ErrFormat, why)
	}
	h, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("hours %q: %w: %w", cut(text), ErrFormat, err)
	}
	m := Millis(h) * Hour
	unit := Hour
	for _, c := range part {
		unit /= 10
		m += Millis(c-'0') * unit
	}
	if !m.Valid() {
		return 0, fmt.Errorf("hours %q: %w: more than 999999999; check the figure", cut(text), ErrFormat)
	}
	return m, nil
}

// refuse says why text isn't decimal hours and what to write, or "".
func refuse(text, whole, part string, point bool) string {
	switch {
	case text == "":
		return "empty; write hours such as 1234.55"
	case strings.ContainsRune(text, ','):
		return "a comma; write a point before the tenths and nothing between thousands"
	case strings.HasPrefix(text, "-"):
		return "negative; a meter shows 0 or more"
	case !digits(whole) || point && !digits(part):
		return "write digits, and after a point at least one, such as 1234.55"
	case len(strings.TrimLeft(whole, "0")) > 9:
		return "more than 999999999; check the figure"
	case len(part) > maxDigits:
		return "more than five digits after the point, which is finer than 36 ms"
	}
	return ""
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// cut keeps a message short whatever was written.
func cut(s string) string {
	if len(s) > 40 {
		return s[:40] + "..."
	}
	return s
}

// String gives decimal hours with two digits, cut off and not rounded, as a
// meter shows them: 1234.55.
func (m Millis) String() string { return string(m.Append(nil, 2)) }

// Text gives decimal hours with as many digits as a meter of this resolution
// has (see Digits), cut off and not rounded.
func (m Millis) Text(resolution Millis) string {
	return string(m.Append(nil, Digits(resolution)))
}

// Digits tells how many digits after the point a meter of this resolution
// shows: 1 h none, 0.1 h one, 0.05 h two. A resolution that no number of up to
// five digits expresses exactly, such as 1 s, and one below 0.01 h gets two.
func Digits(resolution Millis) int {
	unit := Hour
	for d := range 3 {
		if resolution > 0 && resolution%unit == 0 {
			return d
		}
		unit /= 10
	}
	return 2
}

// Append appends decimal hours with a number of digits after the point (0 to
// 5), cut off towards zero.
func (m Millis) Append(dst []byte, digits int) []byte {
	u := uint64(m)
	if m < 0 {
		dst = append(dst, '-')
		u = -u
	}
	digits = min(max(digits, 0), maxDigits)
	dst = strconv.AppendUint(dst, u/uint64(Hour), 10)
	if digits == 0 {
		return dst
	}
	dst = append(dst, '.')
	rest, unit := u%uint64(Hour), uint64(Hour)
	for range digits {
		unit /= 10
		dst = append(dst, byte('0'+rest/unit))
		rest %= unit
	}
	return dst
}
