// Package lubrication holds the trade's arithmetic of grease, chains and belts,
// in whole numbers.
//
// Lengths are millionths of a millimetre, masses millionths of a gram, speeds
// thousandths of a revolution a minute, stretch and slip parts per million. A
// result is rounded to the nearest whole number of its unit, halves away from
// zero, unless its function says otherwise. What can't be reckoned with is
// refused with an error that wraps ErrFigure and says what is wanted.
package lubrication

import (
	"errors"
	"fmt"
	"math/big"
)

// ErrFigure is wrapped by every error of this package.
var ErrFigure = errors.New("not a figure to reckon with")

// Units of this package's figures.
const (
	Millimetre int64 = 1_000_000 // millionths of a millimetre
	Gram       int64 = 1_000_000 // millionths of a gram
	RPM        int64 = 1_000     // thousandths of a revolution a minute
	Whole      int64 = 1_000_000 // parts per million of the whole
	Percent    int64 = 10_000    // parts per million of the whole
)

// The largest figures that are taken. They lie far beyond any farm machine, so
// that a unit mistaken for another is mostly caught.
const (
	MostBearing  = 10_000 * Millimetre
	MostMass     = 1_000_000 * Gram
	MostSpeed    = 1_000_000 * RPM
	MostStrokes  = 1_000_000_000 // thousandths of a stroke
	MostPitches  = 100_000
	MostPulley   = 10_000 * Millimetre
	LeastTeeth   = 5
	MostTeeth    = 1_000
	mostOverLong = Whole // a chain twice as long as new is another chain
)

func within(what string, got, least, most int64, unit string) error {
	if got >= least && got <= most {
		return nil
	}
	return fmt.Errorf("%s %d: %w: give %d to %d %s", what, got, ErrFigure, least, most, unit)
}

// ratio is the product of over divided by the product of under, which isn't 0,
// as quotient and remainder with the remainder's sign that of over.
func ratio(over, under []int64) (quo, rem, den *big.Int) {
	num, den := product(over), product(under)
	quo, rem = new(big.Int).QuoRem(num, den, new(big.Int))
	return quo, rem, den
}

func product(of []int64) *big.Int {
	p := big.NewInt(1)
	for _, f := range of {
		p.Mul(p, big.NewInt(f))
	}
	return p
}

// nearest rounds ratio to the nearest whole number, halves away from zero.
func nearest(what string, over, under []int64) (int64, error) {
	quo, rem, den := ratio(over, under)
	twice := new(big.Int).Lsh(rem, 1)
	if twice.CmpAbs(den) >= 0 {
		quo.Add(quo, big.NewInt(int64(rem.Sign()*den.Sign())))
	}
	if !quo.IsInt64() {
		return 0, fmt.Errorf("%s: %w: the result is too large; check the figures and their units", what, ErrFigure)
	}
	return quo.Int64(), nil
}
