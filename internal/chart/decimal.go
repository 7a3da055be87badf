package chart

import (
	"errors"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// decimal is a number as it was written: mantissa / 10^places, exactly.
type decimal struct {
	negative bool
	mantissa uint64 // below 10^18
	places   int    // 0..18
}

// rational is num/den in lowest terms, den above 0.
type rational struct{ num, den int64 }

// maxDigits is how many digits a number may have, so that mantissa and every
// power of ten fit an int64.
const maxDigits = 18

var (
	errNotNumber = errors.New("is not a number")
	errComma     = errors.New("has a decimal comma")
	errDigits    = errors.New("has more than 18 digits")
	errZeros     = errors.New("starts with a needless 0")
	errFine      = errors.New("is too fine")
	errLarge     = errors.New("is too large")
)

// parseDecimal reads digits with at most one point and a sign before them. No
// exponent, no digit grouping: what a person reads is what is meant.
func parseDecimal(s string) (decimal, error) {
	negative := strings.HasPrefix(s, "-")
	body := s
	if negative || strings.HasPrefix(s, "+") {
		body = s[1:]
	}
	whole, frac, point := strings.Cut(body, ".")
	switch {
	case !isDigits(whole) || point && !isDigits(frac):
		return decimal{}, notNumber(body)
	case len(whole) > 1 && whole[0] == '0':
		return decimal{}, errZeros
	}
	frac = strings.TrimRight(frac, "0")
	if len(strings.TrimLeft(whole+frac, "0")) > maxDigits || len(frac) > maxDigits {
		return decimal{}, errDigits
	}
	// The digits were counted: this can't fail.
	mantissa, _ := strconv.ParseUint(whole+frac, 10, 64)
	return decimal{negative: negative && mantissa != 0, mantissa: mantissa, places: len(frac)}, nil
}

// notNumber tells a decimal comma from what is no number at all.
func notNumber(body string) error {
	if whole, frac, ok := strings.Cut(body, ","); ok && isDigits(whole) && isDigits(frac) {
		return errComma
	}
	return errNotNumber
}

// isDigits reports whether s is one or more ASCII digits.
func isDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// units gives the number in units of which there are per in 1, exactly, or
// says that it falls between two of them.
func (d decimal) units(per int64) (int64, error) {
	hi, lo := bits.Mul64(d.mantissa, uint64(per))
	power := pow10(d.places)
	if hi >= power {
		return 0, errLarge
	}
	q, rem := bits.Div64(hi, lo, power)
	if rem != 0 {
		return 0, errFine
	}
	if q > math.MaxInt64 {
		return 0, errLarge
	}
	if d.negative {
		return -int64(q), nil
	}
	return int64(q), nil
}

// rational gives the number in lowest terms.
func (d decimal) rational() rational {
	num := int64(d.mantissa)
	if d.negative {
		num = -num
	}
	return reduce(num, int64(pow10(d.places)))
}

// pow10 gives 10^n for n up to 18.
func pow10(n int) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}

// parseRational reads a decimal or a fraction of two whole numbers, as 5/9.
func parseRational(s string) (rational, error) {
	top, bottom, fraction := strings.Cut(s, "/")
	n, err := parseDecimal(top)
	if err != nil || !fraction {
		return n.rational(), err
	}
	d, err := parseDecimal(bottom)
	if err != nil {
		return rational{}, err
	}
	if n.places != 0 || d.places != 0 || d.negative || d.mantissa == 0 {
		return rational{}, errNotNumber
	}
	r := n.rational()
	return reduce(r.num, int64(d.mantissa)), nil
}

// reduce gives num/den in lowest terms.
func reduce(num, den int64) rational {
	a, b := num, den
	if a < 0 {
		a = -a
	}
	for b != 0 {
		a, b = b, a%b
	}
	if a == 0 {
		return rational{0, 1}
	}
	return rational{num / a, den / a}
}

// String writes a decimal where the number is one, else a fraction.
func (r rational) String() string {
	den, twos, fives := r.den, 0, 0
	for ; den%2 == 0; den /= 2 {
		twos++
	}
	for ; den%5 == 0; den /= 5 {
		fives++
	}
	places := max(twos, fives)
	if den == 1 && places <= maxDigits {
		if s, ok := fixedPoint(r, places); ok {
			return s
		}
	}
	return strconv.FormatInt(r.num, 10) + "/" + strconv.FormatInt(r.den, 10)
}

// fixedPoint writes r with so many decimals, which are known to suffice. It
// fails where the number is too long for parseDecimal to take back.
func fixedPoint(r rational, places int) (string, bool) {
	power := pow10(places)
	abs, sign := uint64(r.num), ""
	if r.num < 0 {
		abs, sign = uint64(-r.num), "-"
	}
	hi, lo := bits.Mul64(abs, power/uint64(r.den))
	if hi != 0 || lo >= pow10(maxDigits) {
		return "", false
	}
	s := strconv.FormatUint(lo, 10)
	if places == 0 {
		return sign + s, true
	}
	if len(s) <= places {
		s = strings.Repeat("0", places-len(s)+1) + s
	}
	return sign + s[:len(s)-places] + "." + s[len(s)-places:], true
}

// perUnit writes n units, of which there are per in 1, as a decimal.
func perUnit(n, per int64) string { return reduce(n, per).String() }
