package chart

import (
	"math"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// Units that decimals are held in.
const (
	msPerHour   = 3_600_000
	msPerSecond = 1_000
	milli       = 1_000
	micro       = 1_000_000
)

// The closed lists.
func doWords() []string {
	return []string{"grease", "oil", "check", "clean", "change", "adjust", "tighten", "drain", "fill", "replace", "test"}
}

func whoWords() []string { return []string{"operator", "technician", "dealer", "anyone"} }

func sideWords() []string {
	return []string{"left", "right", "front", "back", "top", "under", "inside", "cab"}
}

// language is the table of fields of the whole chart. Everything that is known
// of the form of a chart stands here and nowhere else: parsing, checking,
// suggestions and what editors are told follow from it.
func language() *object {
	return &object{
		title: "a chart",
		doc:   "The service points of one kind of machine.",
		fields: []field{
			{name: "chart", shape: shape{kind: kindID}, required: true, doc: "The chart's id, stable for ever."},
			{name: "edition", shape: whole(1, math.MaxUint32), required: true, doc: "The edition's number; every change is a new edition."},
			{name: "basis", shape: nested(basisObject()), doc: "Who says so: where the figures of this chart come from."},
			{name: "meters", shape: meterNames(), doc: "The hour meters of this kind of machine."},
			{name: "signals", shape: named("a signal", signalObject()), doc: "What this kind of machine puts on its bus."},
			{name: "codes", shape: named("a code", codeObject()), doc: "Trouble codes by the names that people use."},
			{name: "conversions", shape: conversions(), doc: "Sources that pack their codes in an older way, each with its method, 1 to 3."},
			{name: "drives", shape: named("a drive", driveObject()), doc: "Belt and chain drives with both shafts on the bus."},
			{name: "rounds", shape: named("a round", roundObject()), doc: "Tasks that are done together."},
			{name: "cautions", shape: cautionTexts(), doc: "Cautions, shown wherever a task that names them is shown."},
			{name: "points", shape: many(pointObject(), maxPoints), doc: "The places on the machine, with what is done there."},
		},
		later: []string{"was", "traits", "materials", "leads"},
	}
}

func basisObject() *object {
	return &object{
		title: "a basis",
		doc:   "Who says so.",
		fields: []field{
			{name: "book", shape: words(), doc: "The maker's book, and which printing."},
			{name: "decal", shape: words(), doc: "The plate on the machine."},
			{name: "shop", shape: words(), doc: "The workshop's own practice, and since when it is agreed."},
			{name: "owner", shape: words(), doc: "What the owner wants."},
		},
	}
}

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
			{name: "resolution_h", shape: hoursUpTo(10), doc: "The meter's step in hours; 0.05 on the bus, 0.01 derived, 0.1 read off where left out."},
		},
		oneOf: []string{"group", "derive", "read_off"},
		later: []string{"of"},
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

func roundObject() *object {
	return &object{
		title: "a round",
		doc:   "Tasks done together: one line on the sheet and one act in the log.",
		fields: []field{
			{name: "call", shape: words(), required: true, doc: "What people call it."},
			{name: "minutes", shape: whole(1, maxMinutes), doc: "How long it takes."},
		},
	}
}

func pointObject() *object {
	return &object{
		title: "a point",
		doc:   "A place on the machine.",
		fields: []field{
			{name: "id", shape: shape{kind: kindID}, required: true, doc: "The point's id, stable for ever."},
			{name: "where", shape: nested(whereObject()), doc: "Where it is."},
			{name: "tasks", shape: manyUpTo(taskObject(), maxTasks), required: true, doc: "What is done there."},
		},
		later: []string{"was", "fitted_if", "on_decal", "part", "basis"},
	}
}

func whereObject() *object {
	return &object{
		title: "a place",
		doc:   "Where a point is, for a person who walks round the machine.",
		fields: []field{
			{name: "station", shape: whole(1, 999), doc: "Its number in walking order."},
			{name: "side", shape: shape{kind: kindWord, words: sideWords()}, doc: "The side of the machine, seen in driving direction."},
			{name: "reach", shape: words(), doc: "How to get at it."},
		},
		later: []string{"on", "shields", "fittings", "clock", "seen_from", "picture"},
	}
}

func taskObject() *object {
	return &object{
		title: "a task",
		doc:   "What is done at a point, and when.",
		fields: []field{
			{name: "id", shape: shape{kind: kindID}, required: true, doc: "The task's id, of its own at this point."},
			{name: "do", shape: shape{kind: kindWord, words: doWords(), later: []string{"measure", "prepare", "never"}}, required: true, doc: "The kind of work."},
			{name: "call", shape: words(), doc: "What it is in words; made from the work and the point where left out."},
			{name: "round", shape: ref("rounds", "a round"), doc: "The round it is part of; alone where left out."},
			{name: "every", shape: nested(everyObject()), doc: "Its interval; by hand only where left out."},
			{name: "soon", shape: nested(nearObject("soon")), needs: "every", doc: "How long before due it is soon; a tenth of the interval where left out."},
			{name: "late", shape: nested(nearObject("late")), needs: "every", doc: "How long after due it is overdue; a tenth of the interval where left out."},
			{name: "who", shape: shape{kind: kindWord, words: whoWords()}, required: true, doc: "Who may do it."},
			{name: "material", shape: words(), doc: "What goes in."},
			{name: "amount", shape: shape{kind: kindEither, max: maxText, object: amountObject()}, doc: "How much goes in."},
			{name: "minutes", shape: whole(1, maxMinutes), doc: "How long it takes."},
			{name: "cautions", shape: shape{kind: kindList, max: 50, each: cautionRef()}, doc: "Cautions that are shown wherever the task is."},
		},
		later: []string{"was", "too_soon", "done_when", "harm", "measure", "run_in", "see", "else", "needs", "tools", "pose",
			"after", "also_after", "before", "then", "instead", "why", "basis"},
	}
}

func everyObject() *object {
	o := limbObject()
	o.title = "an interval"
	o.fields = append(o.fields, field{
		name:  "first_of",
		shape: shape{kind: kindList, least: 2, max: 8, each: &shape{kind: kindObject, object: limbObject()}},
		doc:   "Several intervals, whichever comes first.",
	})
	o.oneOf = append(o.oneOf, "first_of")
	return o
}

func limbObject() *object {
	return &object{
		title: "one interval",
		doc:   "Hours on a meter, or months of the calendar.",
		fields: []field{
			{name: "hours", shape: hoursUpTo(maxHours), needs: "on", doc: "Running hours."},
			{name: "on", shape: ref("meters", "a meter"), needs: "hours", doc: "The meter on which they count."},
			{name: "months", shape: whole(1, 1200), doc: "Months by the calendar, counted from the day it was done."},
		},
		oneOf: []string{"hours", "months"},
		later: []string{"days_worked", "season", "seasons", "while", "preferred", "latest", "grid"},
	}
}

func nearObject(title string) *object {
	return &object{
		title: title,
		doc:   "Hours for intervals in hours, days for intervals in months.",
		fields: []field{
			{name: "hours", shape: hoursUpTo(maxHours), doc: "Running hours."},
			{name: "days", shape: whole(1, maxDays), doc: "Days by the calendar."},
		},
		anyOf: []string{"hours", "days"},
	}
}

func amountObject() *object {
	return &object{
		title: "an amount",
		doc:   "Strokes of a grease gun.",
		fields: []field{
			{name: "strokes", shape: whole(1, 999), required: true, doc: "How many strokes."},
			{name: "most", shape: whole(1, 999), doc: "The most that may go in."},
			{name: "per", shape: shape{kind: kindText, max: 40}, doc: "For each of what; for all together where left out."},
		},
		later: []string{"grams", "litres"},
	}
}

// The bounds of numbers.
const (
	maxSPN     = 524_287 // 19 bits
	maxGroup   = 0x3FFFF // 18 bits
	maxSource  = 253     // 254 is "cannot claim", 255 everyone
	maxHours   = 100_000
	maxMinutes = 6_000
	maxDays    = 3_650
)

// The shapes that the table uses more than once.

func words() shape               { return shape{kind: kindText, max: maxText} }
func whole(min, max int64) shape { return shape{kind: kindWhole, min: min, max: max} }
func group() shape               { return whole(1, maxGroup) }
func nested(o *object) shape     { return shape{kind: kindObject, object: o} }

func ref(section, what string) shape {
	return shape{kind: kindRef, target: section, what: what}
}

func cautionRef() *shape {
	s := ref("cautions", "a caution")
	return &s
}

func many(o *object, max int64) shape {
	return shape{kind: kindList, max: max, each: &shape{kind: kindObject, object: o}}
}

func manyUpTo(o *object, max int64) shape {
	s := many(o, max)
	s.least = 1
	return s
}

func named(what string, o *object) shape {
	return shape{kind: kindNamed, max: maxNamed, what: what, key: &shape{kind: kindID}, each: &shape{kind: kindObject, object: o}}
}

// meterNames holds a chart to as many meters as the domain counts on a machine,
// with room for those that later editions drop.
func meterNames() shape {
	s := named("a meter", meterObject())
	s.max = maintenance.MetersKept / 2
	return s
}

func cautionTexts() shape {
	text := words()
	return shape{kind: kindNamed, max: maxNamed, what: "a caution", key: &shape{kind: kindID}, each: &text}
}

func conversions() shape {
	key, method := whole(0, maxSource), whole(1, 3)
	return shape{kind: kindNamed, max: maxSource + 1, what: "a source", key: &key, each: &method}
}

func hoursUpTo(top int64) shape {
	return shape{kind: kindDecimal, above: true, per: msPerHour, finest: "a millisecond", top: top, unit: "hours"}
}

func seconds() shape {
	return shape{kind: kindDecimal, per: msPerSecond, finest: "a millisecond", top: 3600, unit: "seconds"}
}

func thousandths() shape {
	return shape{kind: kindDecimal, signed: true, per: milli, finest: "a thousandth", top: 1_000_000_000}
}
