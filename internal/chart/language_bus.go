package chart

import (
	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

func meterObject() *object {
	return &object{
		title: "a meter",
		doc:   "A cumulative hour counter: broadcast on the bus, derived from a shaft's speed, or read off by a person.",
		fields: []field{
			{name: "group", shape: group(), doc: "The parameter group in which the bus carries the hours."},
			{name: "spn", shape: whole(1, maxSPN), needs: "group", doc: "The parameter in the group, where it carries more than one meter."},
			{name: "source", shape: shape{kind: kindSource}, needs: "group", doc: "Which controller sends it; any where left out."},
			{name: "derive", shape: nested(deriveObject()), doc: "Running time of a signal above a limit."},
			{name: "set_from", shape: words(), needs: "derive", doc: "Where a person reads the total off, once."},
			{name: "read_off", shape: words(), doc: "Where a person reads the hours off."},
			{name: "of", shape: ref("attachments", "an attachment"), doc: "The attachment whose meter it is; the machine's own where left out."},
			{name: "resolution_h", shape: hoursUpTo(10), doc: "The meter's step in hours; 0.05 on the bus, 0.01 derived, 0.1 read off where left out."},
		},
		oneOf: []string{"group", "derive", "read_off"},
	}
}

func deriveObject() *object {
	return &object{
		title: "a derived meter's rule",
		doc:   "The meter runs while the signal is above the limit for longer than the time.",
		fields: []field{
			{name: "signal", shape: ref("signals", "a signal"), required: true, doc: "The signal that tells that the meter runs."},
			{name: "above", shape: thousandths(), required: true, doc: "The limit, in the signal's unit."},
			{name: "for_s", shape: seconds(), required: true, doc: "Seconds for which the signal is above before the time counts."},
		},
	}
}

func signalObject() *object {
	return &object{
		title: "a signal",
		doc:   "Where in a frame a value stands: value = raw x scale + offset.",
		fields: []field{
			{name: "group", shape: group(), required: true, doc: "The parameter group."},
			{name: "source", shape: shape{kind: kindSource}, doc: "Which controller sends it; any where left out."},
			{name: "byte", shape: whole(1, j1939.MaxMessage), required: true, doc: "The first byte in which it stands, counted from 1."},
			{name: "bit", shape: whole(1, 8), doc: "Its place in that byte, from 1 (lowest) to 8: of its lowest bit where the low byte comes first (1 where left out), of its highest where the high byte does (8 where left out)."},
			{name: "bits", shape: whole(1, 64), required: true, doc: "How many bits it has."},
			{name: "order", shape: shape{kind: kindWord, words: []string{"little", "big"}}, doc: "Whether the low or the high byte comes first; little where left out."},
			{name: "signed", shape: shape{kind: kindYesNo}, doc: "Whether it goes below 0 (two's complement); no where left out."},
			{name: "scale", shape: shape{kind: kindRational}, doc: "The worth of one bit; 1 where left out."},
			{name: "offset", shape: shape{kind: kindRational}, doc: "What is added; 0 where left out."},
			{name: "unit", shape: shape{kind: kindText, max: 16}, doc: "The unit of the value."},
			{name: "test", shape: manyUpTo(testObject(), maxTests), doc: "Frames that test the map, each with the value it must give."},
		},
	}
}

func testObject() *object {
	return &object{
		title: "a test of a signal",
		doc:   "A frame, and the value that the signal has in it.",
		fields: []field{
			{name: "frame", shape: shape{kind: kindFrame}, required: true, doc: "The frame as id#data in hexadecimal digits."},
			{name: "value", shape: shape{kind: kindValue}, required: true, doc: "The value, in the signal's unit, or the words error or not available."},
		},
	}
}

func codeObject() *object {
	return &object{
		title: "a code",
		doc:   "A trouble code of the bus (SAE J1939-73).",
		fields: []field{
			{name: "spn", shape: whole(1, maxSPN), required: true, doc: "The suspect parameter's number."},
			{name: "fmi", shape: whole(0, 31), doc: "The failure mode; any where left out."},
			{name: "source", shape: shape{kind: kindSource}, doc: "Which controller sends it; any where left out."},
			{name: "text", shape: words(), doc: "What it says, in the technician's words."},
		},
	}
}

func driveObject() *object {
	return &object{
		title: "a drive",
		doc:   "A belt or chain drive: how the driven shaft follows the driver.",
		fields: []field{
			{name: "driver", shape: ref("signals", "a signal"), required: true, doc: "The driving shaft's speed."},
			{name: "driven", shape: ref("signals", "a signal"), required: true, doc: "The driven shaft's speed."},
			{name: "load", shape: ref("signals", "a signal"), doc: "What tells how hard the drive works."},
			{name: "ratio", shape: shape{kind: kindDecimal, above: true, per: micro, finest: "a millionth", top: 1000}, required: true, doc: "Driven to driver speed when nothing slips."},
			{name: "loaded_above", shape: thousandths(), needs: "load", doc: "Above this the drive counts as loaded, in the load's unit; 0 where left out."},
			{name: "driver_above", shape: thousandths(), required: true, doc: "Below this driver speed nothing is judged, in its unit."},
		},
	}
}

func meterNames() shape {
	return fewer(named("a meter", nested(meterObject())), maintenance.MetersKept/2)
}

func conversions() shape {
	key, method := whole(0, maxSource), whole(1, 3)
	return shape{kind: kindNamed, max: maxSource + 1, what: "a source", key: &key, each: &method}
}
