package lubrication

import "fmt"

// Pitch gives the pitch of a roller chain in millionths of a millimetre by its
// size of ANSI B29.1: 40 is 1/2 in, 50 is 5/8 in, 60 is 3/4 in, 80 is 1 in.
// Others are refused: give their pitch as measured.
func Pitch(size string) (int64, error) {
	const inch = 25_400_000
	switch size {
	case "40":
		return inch / 2, nil
	case "50":
		return inch / 8 * 5, nil
	case "60":
		return inch / 4 * 3, nil
	case "80":
		return inch, nil
	}
	return 0, fmt.Errorf("chain size %.20q: %w: give 40, 50, 60 or 80 (ANSI B29.1), or the pitch itself", size, ErrFigure)
}

// ChainLength gives the length of some pitches of a roller chain that is longer
// than new by stretch, in millionths of a millimetre. The pitch is millionths of
// a millimetre, above 0 and up to 1 m; pitches 1 to MostPitches; stretch parts
// per million, 0 (new) to 1,000,000.
func ChainLength(pitch, pitches, stretch int64) (int64, error) {
	if err := checkChain(pitch, pitches); err != nil {
		return 0, err
	}
	if err := within("stretch", stretch, 0, mostOverLong, "parts per million, 0 for a new chain"); err != nil {
		return 0, err
	}
	return nearest("length of chain", []int64{pitch, pitches, Whole + stretch}, []int64{Whole})
}

// Elongation gives by how much a chain is longer than new, in parts per million
// of its new length; negative where it measures shorter. Measured is the length
// over so many pitches in millionths of a millimetre; pitch and pitches as in
// ChainLength. A length below half or above twice the new one is refused, since
// the pitches were then miscounted.
func Elongation(measured, pitch, pitches int64) (int64, error) {
	if err := checkChain(pitch, pitches); err != nil {
		return 0, err
	}
	fresh := pitch * pitches
	if err := within("measured length", measured, fresh/2+fresh%2, 2*fresh, fmt.Sprintf("millionths of a millimetre over %d pitches, or count the pitches again", pitches)); err != nil {
		return 0, err
	}
	return nearest("elongation", []int64{measured - fresh, Whole}, []int64{fresh})
}

func checkChain(pitch, pitches int64) error {
	if err := within("pitch of chain", pitch, 1, 1000*Millimetre, "millionths of a millimetre, from pin to pin"); err != nil {
		return err
	}
	return within("pitches", pitches, 1, MostPitches, "whole pitches, as counted")
}

// ChainLimit gives the elongation at which a roller chain is worn out, in parts
// per million, cut down to a whole one: 3 %; 1.5 % where the shafts' distance is
// fixed; 200/teeth % on a sprocket of more than 66 teeth. The smallest that
// applies counts. (Chain makers' practice for ANSI B29.1 chains.) Teeth are
// those of the larger sprocket, LeastTeeth to MostTeeth; a number that isn't
// known is refused, since the limit would be too high.
func ChainLimit(teeth int64, fixed bool) (int64, error) {
	if err := within("teeth", teeth, LeastTeeth, MostTeeth, "teeth of the larger sprocket, as counted"); err != nil {
		return 0, err
	}
	limit := 3 * Percent
	if fixed {
		limit = Percent * 3 / 2
	}
	if teeth > 66 {
		limit = min(limit, 200*Percent/teeth)
	}
	return limit, nil
}
