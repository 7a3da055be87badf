package lubrication

// Regrease gives the grease for one regreasing of a rolling bearing, in
// millionths of a gram: G = 0.005 D B, with G in grams, the outside diameter D
// and the width B in millimetres (bearing makers' handbooks). Diameter and width
// are millionths of a millimetre, each above 0 and up to MostBearing.
func Regrease(outside, width int64) (int64, error) {
	if err := within("outside diameter", outside, 1, MostBearing, "millionths of a millimetre, as measured across the outer ring"); err != nil {
		return 0, err
	}
	if err := within("bearing width", width, 1, MostBearing, "millionths of a millimetre, as measured across the outer ring"); err != nil {
		return 0, err
	}
	return nearest("grease", []int64{outside, width}, []int64{200, Millimetre})
}

// Strokes are whole strokes of a grease gun.
type Strokes struct {
	Count int64
	// Rest is what the strokes leave out, in millionths of a gram; negative where
	// they give more than was asked for. It is at most half a stroke.
	Rest int64
}

// StrokesFor gives the strokes of a gun that come nearest to a mass, halves up.
// Both are millionths of a gram: the mass 0 to MostMass, and what one stroke of
// this very gun gives, above 0 and up to MostMass. Guns differ by a factor of
// three, so that figure is measured: weigh what some counted strokes give
// (PerStroke). Less than half a stroke is no stroke, with all of it as rest.
func StrokesFor(mass, perStroke int64) (Strokes, error) {
	if err := within("mass of grease", mass, 0, MostMass, "millionths of a gram"); err != nil {
		return Strokes{}, err
	}
	if err := checkGun(perStroke); err != nil {
		return Strokes{}, err
	}
	n, err := nearest("strokes", []int64{mass}, []int64{perStroke})
	if err != nil {
		return Strokes{}, err
	}
	return Strokes{Count: n, Rest: mass - n*perStroke}, nil
}

// GramsOf gives the mass of some strokes in millionths of a gram. Strokes are
// thousandths of a stroke, 0 to MostStrokes; perStroke as in StrokesFor.
func GramsOf(strokesMilli, perStroke int64) (int64, error) {
	if err := within("strokes", strokesMilli, 0, MostStrokes, "thousandths of a stroke, as counted"); err != nil {
		return 0, err
	}
	if err := checkGun(perStroke); err != nil {
		return 0, err
	}
	return nearest("mass of grease", []int64{strokesMilli, perStroke}, []int64{1000})
}

// PerStroke gives what one stroke of a gun gives, in millionths of a gram, from
// the mass (millionths of a gram, above 0 and up to MostMass) that a number of
// whole strokes (1 to 1,000) gave on the scales.
func PerStroke(mass, strokes int64) (int64, error) {
	if err := within("mass of grease", mass, 1, MostMass, "millionths of a gram, as weighed"); err != nil {
		return 0, err
	}
	if err := within("strokes", strokes, 1, 1000, "whole strokes, as counted"); err != nil {
		return 0, err
	}
	n, err := nearest("a stroke", []int64{mass}, []int64{strokes})
	if err != nil {
		return 0, err
	}
	return n, checkGun(n)
}

func checkGun(perStroke int64) error {
	return within("grease of one stroke", perStroke, 1, MostMass, "millionths of a gram: weigh what ten strokes of this gun give, and divide by ten")
}
