package j1939

// State says what a raw value stands for.
type State uint8

// The states. Only StateOK has a value.
const (
	StateOK           State = iota
	StateSpecific           // a code of the parameter's own (top byte FB)
	StateReserved           // reserved by the standard (FC, FD)
	StateError              // the sender says its sensor or source is in error (FE; 10 of two bits)
	StateNotAvailable       // the sender doesn't have it (FF; 11 of two bits; 1111 of four), or the message is too short
	StateOutOfRange         // a signal's value that doesn't fit in 64 bits of thousandths
)

// String gives the word for people and programs.
func (s State) String() string {
	switch s {
	case StateOK:
		return "ok"
	case StateSpecific:
		return "specific"
	case StateReserved:
		return "reserved"
	case StateError:
		return "error"
	case StateNotAvailable:
		return "not available"
	case StateOutOfRange:
		return "out of range"
	}
	return "unknown"
}

// Top bytes and small codes that are no numbers.
const (
	topSpecific     = 0xFB
	topReserved     = 0xFC
	topError        = 0xFE
	topNotAvailable = 0xFF

	twoBitError        = 0b10
	twoBitNotAvailable = 0b11

	fourBitNotAvailable = 0b1111
)

// StateOf tells by the standard's rule what a raw value of that many bits stands for:
//
//	8, 16 .. 64 bits, top byte   00-FA value  FB specific  FC-FD reserved  FE error  FF not available
//	2 bits                       00 01 value  10 error  11 not available
//	4 bits                       1111 not available (1110 is left a value: no source prints it otherwise)
//	other lengths                have no rule; every raw value is one
func StateOf(raw uint64, bits uint8) State {
	switch {
	case bits == 2:
		return twoBitState(raw)
	case bits == 4:
		if raw == fourBitNotAvailable {
			return StateNotAvailable
		}
		return StateOK
	case bits == 0 || bits%8 != 0 || bits > 64:
		return StateOK
	}
	top := raw >> (bits - 8) & 0xFF
	if top < topSpecific {
		return StateOK
	}
	return topState(top)
}

func twoBitState(raw uint64) State {
	switch raw {
	case twoBitError:
		return StateError
	case twoBitNotAvailable:
		return StateNotAvailable
	}
	return StateOK
}

func topState(top uint64) State {
	switch top {
	case topSpecific:
		return StateSpecific
	case topError:
		return StateError
	case topNotAvailable:
		return StateNotAvailable
	}
	return StateReserved
}
