// Package hours holds running time as whole milliseconds, so that sums and
// differences of hour meters are exact.
//
// One hour is 3,600,000 ms. A J1939 hour meter counts 0.05 h a bit, which is
// exactly 180,000 ms, and a display of tenths counts 360,000 ms.
package hours

import "math"

// Millis is running time in milliseconds. Negative values occur only as
// differences.
type Millis int64

// The units that running time is given in.
const (
	Millisecond Millis = 1
	Second             = 1000 * Millisecond
	Minute             = 60 * Second
	Hour               = 60 * Minute
)

// Most is the largest running time that a meter may show: 999,999,999 h. The
// largest that a J1939 meter can show is 210,554,060.75 h (32 bits of 0.05 h).
// A sum of some thousand such figures still fits.
const Most = 999_999_999 * Hour

// Add returns a + b, held at the ends of the range instead of wrapping round.
func Add(a, b Millis) Millis {
	sum := a + b
	switch {
	case a > 0 && b > 0 && sum < 0:
		return math.MaxInt64
	case a < 0 && b < 0 && sum >= 0:
		return math.MinInt64
	}
	return sum
}

// Sub returns a - b, held at the ends of the range instead of wrapping round.
func Sub(a, b Millis) Millis {
	d := a - b
	switch {
	case a >= 0 && b < 0 && d < 0:
		return math.MaxInt64
	case a < 0 && b > 0 && d >= 0:
		return math.MinInt64
	}
	return d
}

// Valid reports whether a meter can show m: from 0 to Most.
func (m Millis) Valid() bool { return m >= 0 && m <= Most }
