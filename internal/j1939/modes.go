package j1939

// modeTexts say the failure modes in our words; the numbers are those of J1939-73. How bad a code is is not in them
// but in the lamps of its message and in the chart.
var modeTexts = [...]string{
	0:  "too high, most severe level",
	1:  "too low, most severe level",
	2:  "erratic, intermittent or wrong",
	3:  "voltage too high, or shorted to supply",
	4:  "voltage too low, or shorted to ground",
	5:  "current too low, or circuit open",
	6:  "current too high, or shorted to ground",
	7:  "mechanism does not respond or is out of adjustment",
	8:  "frequency, pulse width or period not normal",
	9:  "updated too seldom or too often",
	10: "changes at a rate that is not normal",
	11: "cause not known",
	12: "device or component bad",
	13: "out of calibration",
	14: "see the maker's instructions",
	15: "too high, least severe level",
	16: "too high, middle level",
	17: "too low, least severe level",
	18: "too low, middle level",
	19: "data received over the bus in error",
	20: "drifted high",
	21: "drifted low",
	31: "condition exists",
}

// ModeText says a failure mode in words; those that the standard has not given out are "reserved".
func ModeText(fmi uint8) string {
	if int(fmi) < len(modeTexts) && modeTexts[fmi] != "" {
		return modeTexts[fmi]
	}
	return "reserved"
}
