package j1939

import (
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"strings"
)

// Ratio is an exact rational number, Num over Den, in lowest terms with Den above 0. The zero value is not
// valid; zero is 0/1.
type Ratio struct{ Num, Den int64 }

const (
	maxDecimalText = 40
	maxExponent    = 18
)

// ParseRatio reads a decimal number ("0.125", "-40", "1e-7") exactly. Numbers whose lowest terms don't fit
// in 64 bits are refused.
func ParseRatio(text string) (Ratio, error) {
	if !decimalText(text) {
		return Ratio{}, fmt.Errorf("number %q: write a decimal such as 0.125, -40 or 1e-7", text)
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		return Ratio{}, fmt.Errorf("number %q: write a decimal such as 0.125, -40 or 1e-7", text)
	}
	if !r.Num().IsInt64() || !r.Denom().IsInt64() {
		return Ratio{}, fmt.Errorf("number %q: too many digits: give at most 18", text)
	}
	return Ratio{r.Num().Int64(), r.Denom().Int64()}, nil
}

// decimalText holds back what big.Rat reads beyond decimals, and exponents that would make huge numbers.
func decimalText(text string) bool {
	if text == "" || len(text) > maxDecimalText || strings.Trim(text, "0123456789.+-eE") != "" {
		return false
	}
	_, exponent, found := strings.Cut(strings.ToLower(text), "e")
	if !found {
		return true
	}
	digits := strings.TrimLeft(strings.TrimLeft(exponent, "+-"), "0")
	n := 0
	for _, c := range []byte(digits) {
		if c < '0' || c > '9' || n > maxExponent {
			return false
		}
		n = n*10 + int(c-'0')
	}
	return n <= maxExponent
}

// Valid tells whether r is in lowest terms with a denominator above 0.
func (r Ratio) Valid() bool {
	if r.Den <= 0 || r.Num == math.MinInt64 {
		return false
	}
	a, b := magnitude(r.Num), uint64(r.Den)
	for b != 0 {
		a, b = b, a%b
	}
	return a == 1
}

// Float64 is for printing.
func (r Ratio) Float64() float64 { return float64(r.Num) / float64(r.Den) }

// String gives the decimal where it ends, else Num/Den.
func (r Ratio) String() string {
	if r.Den == 0 {
		return "no number"
	}
	x := big.NewRat(r.Num, r.Den)
	if n, exact := x.FloatPrec(); exact {
		return x.FloatString(n)
	}
	return x.RatString()
}

// Linear makes a value of a raw integer, exactly: value = (raw x Num + Off) / Den, Den above 0.
type Linear struct{ Num, Off, Den int64 }

// NewLinear gives raw x scale + offset over one denominator. It fails where that doesn't fit in 64 bits.
func NewLinear(scale, offset Ratio) (Linear, error) {
	if !scale.Valid() || !offset.Valid() {
		return Linear{}, fmt.Errorf("scale %v and offset %v: give numbers in lowest terms with a denominator above 0", scale, offset)
	}
	s, o := big.NewRat(scale.Num, scale.Den), big.NewRat(offset.Num, offset.Den)
	gcd := new(big.Int).GCD(nil, nil, s.Denom(), o.Denom())
	den := new(big.Int).Mul(s.Denom(), new(big.Int).Div(o.Denom(), gcd))
	num := new(big.Int).Mul(s.Num(), new(big.Int).Div(den, s.Denom()))
	off := new(big.Int).Mul(o.Num(), new(big.Int).Div(den, o.Denom()))
	if !den.IsInt64() || !num.IsInt64() || !off.IsInt64() || num.Int64() == math.MinInt64 {
		return Linear{}, fmt.Errorf("scale %v with offset %v: too many digits: round them", scale, offset)
	}
	return Linear{num.Int64(), off.Int64(), den.Int64()}, nil
}

// Times gives value x k as an integer, rounded to the nearest with halves away from zero, for k above 0. exact is false
// where it had to round, ok is false where the result does not fit in 64 bits.
func (l Linear) Times(raw, k int64) (n int64, exact, ok bool) {
	return l.times(raw < 0, magnitude(raw), k)
}

// Float64 is for printing.
func (l Linear) Float64(raw int64) float64 {
	return (float64(raw)*float64(l.Num) + float64(l.Off)) / float64(l.Den)
}

func (l Linear) times(neg bool, mag uint64, k int64) (n int64, exact, ok bool) {
	const narrow = 61 // bits of a product that a sum and a sign still fit beside
	num, off := magnitude(l.Num), magnitude(l.Off)
	factor := bits.Len64(uint64(k))
	if bits.Len64(mag)+bits.Len64(num)+factor <= narrow && bits.Len64(off)+factor <= narrow {
		raw := int64(mag)
		if neg {
			raw = -raw
		}
		return divide((raw*l.Num+l.Off)*k, l.Den)
	}
	return l.wide(neg, mag, k)
}

// divide rounds p/q to the nearest, halves away from zero.
func divide(p, q int64) (n int64, exact, ok bool) {
	n, rest := p/q, p%q
	if rest == 0 {
		return n, true, true
	}
	if magnitude(rest) >= uint64(q)-magnitude(rest) {
		if p < 0 {
			n--
		} else {
			n++
		}
	}
	return n, false, true
}

// wide does the same in 128 bits, sign and magnitude apart.
func (l Linear) wide(neg bool, mag uint64, k int64) (n int64, exact, ok bool) {
	hi, lo := bits.Mul64(mag, magnitude(l.Num))
	neg = neg != (l.Num < 0)
	hi, lo, neg, ok = addSigned(hi, lo, neg, l.Off)
	if !ok {
		return 0, false, false
	}
	over, hiProduct := bits.Mul64(hi, uint64(k))
	carryHi, loProduct := bits.Mul64(lo, uint64(k))
	hi, carry := bits.Add64(hiProduct, carryHi, 0)
	if over != 0 || carry != 0 || hi >= uint64(l.Den) {
		return 0, false, false
	}
	q, rest := bits.Div64(hi, loProduct, uint64(l.Den))
	if rest != 0 && rest >= uint64(l.Den)-rest {
		q++
	}
	if q > math.MaxInt64 {
		return 0, false, false
	}
	if n = int64(q); neg {
		n = -n
	}
	return n, rest == 0, true
}

// addSigned adds b to the number of magnitude hi:lo.
func addSigned(hi, lo uint64, neg bool, b int64) (h, l uint64, n, ok bool) {
	m := magnitude(b)
	if neg == (b < 0) || m == 0 {
		l, carry := bits.Add64(lo, m, 0)
		h, over := bits.Add64(hi, 0, carry)
		return h, l, neg, over == 0
	}
	if hi == 0 && lo < m {
		return 0, m - lo, !neg, true
	}
	l, borrow := bits.Sub64(lo, m, 0)
	h, _ = bits.Sub64(hi, 0, borrow)
	return h, l, neg, true
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}
