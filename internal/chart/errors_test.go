package chart_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
)

// head is what every case starts with: two lines, so a case's own first line is
// line 3.
const head = "chart: a\nedition: 1\n"

// body is a sound chart's middle for cases about points and tasks. It ends with
// line 9: what a case adds starts on line 10.
const body = head + `meters:
  engine: {group: 65253}
  separator: {read_off: display}
rounds: {fifty: {call: "50 h"}}
cautions: {still: "engine off"}
points:
  - id: hub
`

// mistakes are inputs with the exact lines that they must give.
var mistakes = []struct{ name, in, want string }{
	// The file as a whole.
	{"empty", "", `f:1:1: the file is empty; want a chart; start with "chart:" and an id`},
	{"comment only", "# nothing\n", `f:1:1: the file is empty; want a chart; start with "chart:" and an id`},
	{"a list", "- a\n", `f:1:1: a list; want a chart, as {chart: ...}`},
	{"a text", "hello\n", `f:1:1: "hello"; want a chart, as {chart: ...}`},
	{"nothing said", "{}\n", `f:1:1: a chart needs "chart"; want an id of lower-case letters, digits, dashes and underscores that starts with a letter
f:1:1: a chart needs "edition"; want a whole number from 1 to 4294967295`},
	{"two documents", head + "---\nchart: b\n", `f:3:1: a second document starts here; want one chart a file; put it in a file of its own`},
	{"UTF-16", "\xff\xfec\x00", `f:1:1: the file is UTF-16; want UTF-8; save it again as UTF-8`},
	{"Latin-1", head + "basis: {book: caf\xe9}\n", `f:3:18: byte 0xE9 is not UTF-8; want UTF-8; save the file again as UTF-8`},
	{"control character", head + "basis: {book: \"a\x01b\"}\n", `f:3:17: the character U+0001 is invisible; want plain text; take it out`},
	{"text direction", head + "basis: {book: \"a\u202eb\"}\n", `f:3:17: the character U+202E is invisible; want plain text; take it out`},

	// YAML itself: the reader stops at the first mistake.
	{"open bracket", head + "rounds: {a: {call: x}\n", `f:4:1: not YAML: did not find expected ',' or '}' while parsing a flow mapping from line 3, column 9; close the bracket, or put a comma between the entries`},
	{"tab", head + "meters:\n\tengine: {group: 65253}\n", `f:4:1: not YAML: found character that cannot start any token while scanning for the next token from line 4, column 1; indent with blanks, and put quotes round a text that starts with a special character`},
	{"colon in text", head + "cautions:\n  still: stop: now\n", `f:4:14: not YAML: mapping values are not allowed in this context; put quotes round a text that has a colon in it, or mend the indenting`},
	{"unknown anchor", head + "cautions: *c\n", `f:3:11: not YAML: unknown anchor 'c' referenced; define it before it is used, with &`},
	{"open quotes", head + "cautions: {a: \"b}\n", `f:4:1: not YAML: found unexpected end of stream while scanning a quoted scalar from line 3, column 15; close the quotes`},

	// Keys.
	{"misspelt section", head + "metres: {engine: {group: 65253}}\n", `f:3:1: a chart has no "metres"; did you mean "meters"?`},
	{"section as a list", head + "leads: []\n", `f:3:8: a list; want names, each with its meaning`},
	{"sections of a kind unknown", head + "meters: {cutter: {of: header, read_off: x}}\n", `f:3:23: "header" is not defined in attachments; want an attachment of this chart; add it to attachments`},
	{"word of a file of differences", body + "    tasks: [{id: a, do: check, who: anyone, gone: yes}]\n", `f:10:45: a task has no "gone"; it takes away what a base has, in a file of differences`},
	{"field of another", head + "group: 65253\n", `f:3:1: a chart has no "group"; it belongs to a meter or a signal`},
	{"twice", head + "edition: 2\n", `f:3:1: "edition" stands twice, first on line 2; keep one of them`},
	{"name twice", head + "cautions:\n  still: a\n  still: b\n", `f:5:3: "still" stands twice, first on line 4; keep one of them`},
	{"merge", head + "cautions: &c {still: a}\nrounds:\n  r: {<<: *c, call: x}\n", `f:5:7: "<<" is not read in a chart; write the fields out`},
	{"list as key", head + "? [a]\n: b\n", `f:3:3: a list where a word is wanted; want a plain word before the colon`},
	{"tag", head + "cautions: {a: !!binary eA==}\n", `f:3:15: a YAML tag "!!binary"; want a text of up to 600 characters`},

	// Scalars.
	{"id", "chart: My Rotary\nedition: 1\n", `f:1:8: "My Rotary" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write my-rotary`},
	{"id joint", "chart: a--b\nedition: 1\n", `f:1:8: "a--b" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter`},
	{"long id", "chart: " + strings.Repeat("a", 61) + "\nedition: 1\n", `f:1:8: an id of 61 characters; want at most 60`},
	{"no value", "chart:\nedition: 1\n", `f:1:7: nothing; want an id of lower-case letters, digits, dashes and underscores that starts with a letter`},
	{"whole", "chart: a\nedition: 1.5\n", `f:2:10: "1.5" is finer than 1; want a whole number from 1 to 4294967295`},
	{"range", "chart: a\nedition: 0\n", `f:2:10: "0" is out of range; want a whole number from 1 to 4294967295`},
	{"leading zero", "chart: a\nedition: 010\n", `f:2:10: "010" starts with a needless 0; want a whole number from 1 to 4294967295; write 10`},
	{"quoted number", "chart: a\nedition: \"2\"\n", `f:2:10: a text; want a whole number from 1 to 4294967295; take the quotes away`},
	{"exponent", head + "meters: {m: {read_off: x, resolution_h: 1e-1}}\n", `f:3:41: "1e-1" is not a number; want a number of hours above 0, at most 10`},
	{"tagged number", head + "meters:\n  m: {read_off: x, resolution_h: !!str 0.1}\n", `f:4:34: a YAML tag "!!str"; want a number of hours above 0, at most 10`},
	{"decimal comma in braces", head + "meters:\n  m: {read_off: x, resolution_h: 1,5}\n", `f:4:36: a meter has no "5"; want group, spn, source, derive, set_from, read_off, of or resolution_h; write 1.5, as a comma ends the number here`},
	{"decimal comma", head + "meters:\n  m:\n    read_off: x\n    resolution_h: 0,1\n", `f:6:19: "0,1" has a decimal comma; want a number of hours above 0, at most 10; write 0.1`},
	{"fine", head + "meters: {m: {read_off: x, resolution_h: 0.0000001}}\n", `f:3:41: "0.0000001" is finer than a millisecond; want a number of hours above 0, at most 10`},
	{"digits", head + "meters: {m: {read_off: x, resolution_h: 1.0000000000000000001}}\n", `f:3:41: "1.0000000000000000001" has more than 18 digits; want a number of hours above 0, at most 10`},
	{"text too long", head + "cautions: {a: " + strings.Repeat("x", 601) + "}\n", `f:3:15: a text of 601 characters; want a text of up to 600 characters`},
	{"empty text", head + "cautions: {a: \" \"}\n", `f:3:15: an empty text; want a text of up to 600 characters`},
	{"columns count characters", head + "cautions: {ä: \"öö\", b: }\n", `f:3:12: "ä" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter
f:3:24: nothing; want a text of up to 600 characters`},

	// Meters.
	{"meter of no kind", head + "meters: {m: {resolution_h: 0.1}}\n", `f:3:13: a meter needs group, derive or read_off`},
	{"meter of two kinds", head + "meters: {m: {group: 65253, read_off: x}}\n", `f:3:28: a meter has read_off beside group; want only one of group, derive or read_off`},
	{"group without hours", head + "meters: {m: {group: 65254}}\n", `f:3:21: group 65254 carries no hours that are understood; want 65244 (Engine Total Idle Hours), 65253 (Engine Total Hours of Operation), 65255 (Total Vehicle Hours) or 65255 (Total Power Takeoff Hours)`},
	{"SPN not in group", head + "meters: {m: {group: 65255, spn: 247}}\n", `f:3:33: group 65255 has no hours in SPN 247; want 246 (Total Vehicle Hours) or 248 (Total Power Takeoff Hours)`},
	{"source out of range", head + "meters: {m: {group: 65253, source: 0xFE}}\n", `f:3:36: "0xFE" is out of range; want a source address from 0 to 253, or any`},
	{"source without group", head + "meters: {m: {read_off: x, source: 0}}\n", `f:3:27: "source" stands without "group"; want a whole number from 1 to 262143; say both, or leave source out`},
	{"derived from nothing", head + "meters: {m: {derive: {signal: rotr, above: 1, for_s: 1}}}\nsignals: {rotor: {group: 65280, byte: 1, bits: 8}}\n", `f:3:31: "rotr" is not defined in signals; want rotor; did you mean "rotor"?`},
	{"derived in part", head + "meters: {m: {derive: {signal: r}}}\nsignals: {r: {group: 65280, byte: 1, bits: 8}}\n", `f:3:22: a derived meter's rule needs "above"; want a number from -1000000000 to 1000000000
f:3:22: a derived meter's rule needs "for_s"; want a number of seconds from 0 to 3600`},

	// Signals.
	{"low byte of an addressed group", head + "signals: {s: {group: 61185, byte: 1, bits: 8}}\n", `f:3:22: group 61185 can't be: its low byte is a destination; want a number that ends in 00 in hexadecimal digits, or one with F0 to FF before them; write 61184`},
	{"scale 0", head + "signals: {s: {group: 65280, byte: 1, bits: 8, scale: 0}}\n", `f:3:54: a scale of 0 makes every value the same; want the worth of one bit`},
	{"bits", head + "signals: {s: {group: 65280, byte: 0, bits: 65}}\n", `f:3:35: "0" is out of range; want a whole number from 1 to 1785
f:3:44: "65" is out of range; want a whole number from 1 to 64`},
	{"past the longest message", head + "signals: {s: {group: 65280, byte: 1785, bit: 8, bits: 2}}\n", `f:3:55: the signal would reach byte 1786; want byte 1785 at most, the end of the longest message`},
	{"order", head + "signals: {s: {group: 65280, byte: 1, bits: 8, order: litle}}\n", `f:3:54: "litle" is not one of the words here; want little or big; did you mean "little"?`},
	{"yes or no", head + "signals: {s: {group: 65280, byte: 1, bits: 8, signed: maybe}}\n", `f:3:55: "maybe" is neither yes nor no; want yes or no`},
	{"too fine with its offset", head + "signals: {s: {group: 65280, byte: 1, bits: 8, scale: 0.000000000000000001, offset: 100000000000000000}}\n", `f:3:14: scale 0.000000000000000001 with offset 100000000000000000: too many digits: round them`},
	{"pieces of other groups", head + "signals: {s: {group: 60416, byte: 1, bits: 8}}\n", `f:3:14: group 60416 carries pieces of other groups: name the group that it carries`},
	{"scale", head + "signals: {s: {group: 65280, byte: 1, bits: 8, scale: 1/0}}\n", `f:3:54: "1/0" is not a number; want a number, as 0.125, or a fraction, as 1/3`},
	{"value not available", head + "signals:\n  s: {group: 65302, byte: 1, bits: 8, unit: rpm, test: [{frame: \"18FF169D#FF\", value: 255}]}\n", `f:4:87: test frame "18FF169D#FF" should give 255 rpm, but it gives not available (raw 0xff): correct the place, the scale or the test`},
	{"value in other words", head + "signals:\n  s: {group: 65302, byte: 1, bits: 8, unit: rpm, test: [{frame: \"18FF169D#FF\", value: none}]}\n", `f:4:87: "none" is not a number; want a number, or error or not available`},
	{"signal without fields", head + "signals: {s: 1}\n", `f:3:14: "1"; want a signal, as {group: ...}`},
	{"wrong value", head + "signals:\n  s: {group: 65302, source: 0x9D, byte: 1, bits: 16, scale: 0.125, unit: rpm,\n      test: [{frame: \"18FF169D#A00FFFFFFFFFFFFF\", value: 501}]}\n", `f:5:58: test frame "18FF169D#A00FFFFFFFFFFFFF" should give 501 rpm, but it gives 500 rpm: correct the place, the scale or the test`},
	{"wrong group", head + "signals:\n  s: {group: 65303, byte: 1, bits: 16, test: [{frame: \"18FF169D#A00F\", value: 1}]}\n", `f:4:55: the frame is of group 65302; want a frame of group 65303 with 2 bytes or more`},
	{"wrong source", head + "signals:\n  s: {group: 65302, source: 0x9C, byte: 1, bits: 16, test: [{frame: \"18FF169D#A00F\", value: 1}]}\n", `f:4:69: the frame is from source 0x9D; want a frame of group 65302 from source 0x9C with 2 bytes or more`},
	{"short frame", head + "signals:\n  s: {group: 65302, byte: 2, bits: 16, test: [{frame: \"18FF169D#A00F\", value: 1}]}\n", `f:4:55: the frame has 2 bytes and the signal reaches byte 3; want a frame of group 65302 with 3 bytes or more`},
	{"not a frame", head + "signals:\n  s: {group: 65302, byte: 1, bits: 8, test: [{frame: 18FF169D, value: 1}]}\n", `f:4:54: not a frame: frame "18FF169D": write eight hex digits of identifier, '#' and the data, as in 18FEE500#7260`},
	{"long message", head + "signals:\n  s: {group: 65302, byte: 9, bits: 8, test: [{frame: \"18FF169D#A00F\", value: 1}]}\n", `f:4:54: the signal reaches byte 9, which no single frame carries; want no test here`},
	{"map not understood is not tested", head + "signals:\n  s: {group: 65302, byte: 1, bits: 8, scael: 2, test: [{frame: \"18FF169D#A0\", value: 1}]}\n", `f:4:39: a signal has no "scael"; want group, source, byte, bit, bits, order, signed, scale, offset, unit or test; did you mean "scale"?`},

	// Codes, conversions, drives.
	{"same code", head + "codes:\n  one: {spn: 100, fmi: 1}\n  two: {spn: 100, fmi: 1, source: any}\n", `f:5:3: two is the same code as one; want another spn, fmi or source; keep one of them`},
	{"fmi", head + "codes: {one: {spn: 524288, fmi: 32}}\n", `f:3:20: "524288" is out of range; want a whole number from 1 to 524287
f:3:33: "32" is out of range; want a whole number from 0 to 31`},
	{"conversion", head + "conversions: {0: 4, 0x00: 1, 254: 1}\n", `f:3:18: "4" is out of range; want a whole number from 1 to 3
f:3:21: "0" stands twice, first on line 3; keep one of them
f:3:30: "254" is out of range; want a whole number from 0 to 253`},
	{"drive to itself", head + "signals: {s: {group: 65280, byte: 1, bits: 8}}\ndrives: {d: {driver: s, driven: s, ratio: 1, driver_above: 1}}\n", `f:4:33: a drive from s to itself; want another signal`},
	{"drive of two units", head + "signals:\n  s: {group: 65280, byte: 1, bits: 8, unit: rpm}\n  t: {group: 65280, byte: 2, bits: 8}\ndrives: {d: {driver: s, driven: t, ratio: 1, driver_above: 1}}\n", `f:6:33: s is in rpm and t in no unit; want both in one unit, so that the ratio is a number`},
	{"loaded without load", head + "signals:\n  s: {group: 65280, byte: 1, bits: 8}\n  t: {group: 65280, byte: 2, bits: 8}\ndrives: {d: {driver: s, driven: t, ratio: 0.8888888, loaded_above: 1, driver_above: 1}}\n", `f:6:43: "0.8888888" is finer than a millionth; want a number above 0, at most 1000
f:6:54: "loaded_above" stands without "load"; want a signal; say both, or leave loaded_above out`},

	// Points and tasks.
	{"no tasks", body + "    tasks: []\n", `f:10:12: 0 entries here; want at least 1`},
	{"point twice", body + "    tasks: [{id: a, do: check, who: anyone}]\n  - {id: hub, tasks: [{id: a, do: check, who: anyone}]}\n", `f:11:10: a point hub stands on line 9 already; want an id of its own`},
	{"task twice", body + "    tasks:\n      - {id: a, do: check, who: anyone}\n      - {id: a, do: grease, who: anyone}\n", `f:12:14: a task a stands on line 11 already; want an id of its own`},
	{"side", body + "    where: {side: lefft}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:10:19: "lefft" is not one of the words here; want left, right, front, back, top, under, inside or cab; did you mean "left"?`},
	{"misspelt place", body + "    where: {shield: 1}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:10:13: a place has no "shield"; want station, side, reach, on, access, shields, fittings, clock, seen_from or picture; did you mean "shields"?`},
	{"who", body + "    tasks: [{id: a, do: check, who: oprator}]\n", `f:10:37: "oprator" is not one of the words here; want operator, technician, dealer or anyone; did you mean "operator"?`},
	{"who misspelt as a key is told once", body + "    tasks: [{id: a, do: check, woh: operator}]\n", `f:10:32: a task has no "woh"; did you mean "who"?`},
	{"never without a reason", body + "    tasks: [{id: a, do: never}]\n", `f:10:13: what is never done needs its reason; want "why"`},
	{"hours without meter", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 10}}]\n", `f:10:53: "hours" stands without "on"; want a meter; say both, or leave hours out`},
	{"meter unknown", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 10, on: seperator}}]\n", `f:10:68: "seperator" is not defined in meters; want engine or separator; did you mean "separator"?`},
	{"hours 0", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 0, on: engine}}]\n", `f:10:60: "0" is out of range; want a number of hours above 0, at most 100000`},
	{"empty interval", body + "    tasks: [{id: a, do: check, who: anyone, every: {}}]\n", `f:10:52: an interval needs hours, months, days_worked, season, seasons, count or first_of`},
	{"later interval", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 10, on: engine, preferred: 8}}]\n", `f:10:76: "preferred" is not understood by this version; take it out until a version that reads it is installed`},
	{"hours and months at once", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 10, on: engine, months: 2}}]\n", `f:10:76: an interval has months beside hours; want only one of hours, months, days_worked, season, seasons, count or first_of`},
	{"first of one", body + "    tasks: [{id: a, do: check, who: anyone, every: {first_of: [{months: 2}]}}]\n", `f:10:63: 1 entry here; want at least 2`},
	{"first of the same", body + "    tasks: [{id: a, do: check, who: anyone, every: {first_of: [{months: 2}, {months: 3}]}}]\n", `f:10:77: two intervals in months; want one of each kind, as only the shorter would ever count; keep one of them`},
	{"first of first of", body + "    tasks: [{id: a, do: check, who: anyone, every: {first_of: [{months: 2}, {first_of: []}]}}]\n", `f:10:78: one interval has no "first_of"; want hours, on, months, days_worked, season, seasons, crop, count, of, latest, grid or while; it belongs to an interval`},
	{"soon as long as the interval", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 10, on: engine}, soon: {hours: 10}}]\n", `f:10:91: "10" is no shorter than the interval; want less than 10 h on engine`},
	{"late without such an interval", body + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 10, on: engine}, late: {days: 3}}]\n", `f:10:90: days for a task without an interval in months; leave it out`},
	{"soon as long as a month", body + "    tasks: [{id: a, do: check, who: anyone, every: {months: 1}, soon: {days: 28}}]\n", `f:10:78: "28" is no shorter than the interval; want less than 1 month`},
	{"late in hours of months", body + "    tasks: [{id: a, do: check, who: anyone, every: {months: 1}, late: {hours: 2}}]\n", `f:10:79: hours for a task without an interval in hours; leave it out`},
	{"late of nothing", body + "    tasks: [{id: a, do: check, who: anyone, every: {months: 1}, late: {}}]\n", `f:10:71: late needs hours, days, days_worked or count`},
	{"interval as a number", body + "    tasks: [{id: a, do: check, who: anyone, every: 50}]\n", `f:10:52: "50"; want an interval, as {hours: ...}`},
	{"task as a word", body + "    tasks: [grease]\n", `f:10:13: "grease"; want a task, as {id: ...}`},
	{"tasks as one", body + "    tasks: {id: a}\n", `f:10:12: fields in braces or on lines of their own; want a list, as [...]`},
	{"soon without interval", body + "    tasks: [{id: a, do: check, who: anyone, soon: {hours: 1}}]\n", `f:10:45: "soon" stands without "every"; want an interval, as {hours: ...}; say both, or leave soon out`},
	{"most below strokes", body + "    tasks: [{id: a, do: grease, who: anyone, amount: {strokes: 4, most: 3}}]\n", `f:10:73: at most 3 is less than 4 strokes; want 4 or more`},
	{"round unknown", body + "    tasks: [{id: a, do: check, who: anyone, round: fitfy}]\n", `f:10:52: "fitfy" is not defined in rounds; want fifty; did you mean "fifty"?`},
	{"caution unknown", body + "    tasks: [{id: a, do: check, who: anyone, cautions: [still, hot]}]\n", `f:10:63: "hot" is not defined in cautions; want still; add it to cautions`},
	{"caution twice", body + "    tasks: [{id: a, do: check, who: anyone, cautions: [still, still]}]\n", `f:10:63: still stands twice; keep one of them`},
	{"caution alone", body + "    tasks: [{id: a, do: check, who: anyone, cautions: still}]\n", `f:10:55: "still"; want a list, as [...]`},
}

func TestEveryMistakeHasItsPlaceAndItsFix(t *testing.T) {
	for _, tc := range mistakes {
		t.Run(tc.name, func(t *testing.T) {
			c, err := chart.Compile("f", []byte(tc.in))
			require.Error(t, err)
			assert.Nil(t, c)
			assert.Equal(t, tc.want, err.Error())
			var all chart.Errors
			require.True(t, errors.As(err, &all), "the error is Errors")
		})
	}
}

func TestAllMistakesAreToldAtOnceInOrder(t *testing.T) {
	in := `chart: Rotary
edition: one
meters:
  engine: {group: 65253, sauce: 0}
points:
  - id: hub
    tasks:
      - {id: grease, do: greese, who: operator, every: {hours: 10, on: engin}}
      - {id: look, do: check, every: {months: 0}, cautions: [still]}
trait: {}
`
	want := []string{
		`rotary.points.yaml:1:8: "Rotary" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write rotary`,
		`rotary.points.yaml:2:10: "one" is not a number; want a whole number from 1 to 4294967295`,
		`rotary.points.yaml:4:26: a meter has no "sauce"; want group, spn, source, derive, set_from, read_off, of or resolution_h; did you mean "source"?`,
		`rotary.points.yaml:8:26: "greese" is not one of the words here; want grease, oil, check, clean, change, adjust, tighten, drain, fill, replace, test, measure, prepare or never; did you mean "grease"?`,
		`rotary.points.yaml:8:72: "engin" is not defined in meters; want engine; did you mean "engine"?`,
		`rotary.points.yaml:9:9: a task needs "who"; want operator, technician, dealer or anyone`,
		`rotary.points.yaml:9:47: "0" is out of range; want a whole number from 1 to 1200`,
		`rotary.points.yaml:9:62: "still" is not defined in cautions; want a caution of this chart; add it to cautions`,
		`rotary.points.yaml:10:1: a chart has no "trait"; did you mean "traits"?`,
	}
	_, err := chart.Compile("rotary.points.yaml", []byte(in))
	require.Error(t, err)
	assert.Equal(t, want, strings.Split(err.Error(), "\n"))

	var all chart.Errors
	require.ErrorAs(t, err, &all)
	assert.Equal(t, chart.Error{
		File: "rotary.points.yaml", Line: 8, Column: 72, Path: "points[0].tasks[0].every.on",
		What: `"engin" is not defined in meters`, Want: "engine", Fix: `did you mean "engine"?`,
	}, all[4])
	assert.Equal(t, "meters.engine.sauce", all[2].Path)
	assert.Equal(t, "trait", all[8].Path)
}
