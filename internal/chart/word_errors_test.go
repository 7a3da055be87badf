package chart_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
)

// rich is a chart with something of every section. It ends with line 13: what a
// case adds starts on line 14.
const rich = head + `meters: {engine: {group: 65253}, drum: {read_off: dial}}
attachments: {bar: "the bar"}
traits: {year: {number: whole}, belt: {choose: [flat, ribbed]}, under_warranty: "Under warranty?"}
conditions: {dust: {choose: [little, heavy]}, wet: {number: decimal}}
events: {hosed: "hosed down"}
counts: {bales: {call: bales, unit: bales}}
materials: {mg: {kind: grease, solids: moly}}
walks: {spring: {call: "spring walk"}}
codes: {slow: {spn: 7}}
points:
  - id: hub
`

const long = "a-task-with-a-name-as-long-as-a-name-may-be-and-no-longer"

// wordMistakes are inputs with the exact lines that they must give.
var wordMistakes = []struct{ name, in, want string }{
	// Sections.
	{"was", head + "was: Old\n", `f:3:6: "Old" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write old`},
	{"basis in full without its text", head + "basis: {book: {who: us}}\n", `f:3:15: a basis in full needs "text"; want a text of up to 600 characters`},
	{"agreed on no day", head + "basis: {shop: {text: t, agreed: 2031-02-30}}\n", `f:3:33: "2031-02-30" is not a date; want a date, as 2031-03-02`},
	{"attachment without words", head + "attachments: {bar: }\n", `f:3:20: nothing; want a text of up to 600 characters`},
	{"meter of no attachment", head + "attachments: {bar: b}\nmeters: {m: {read_off: x, of: baar}}\n", `f:4:31: "baar" is not defined in attachments; want bar; did you mean "bar"?`},
	{"trait without an answer", head + "traits: {year: {ask: \"Which?\"}}\n", `f:3:16: a trait needs number, choose or yes_no`},
	{"trait with two answers", head + "traits: {year: {number: whole, yes_no}}\n", `f:3:32: a trait has yes_no beside number; want only one of number, choose or yes_no`},
	{"trait of a kind unknown", head + "traits: {year: {number: hole}}\n", `f:3:25: "hole" is not one of the words here; want whole or decimal; did you mean "whole"?`},
	{"choice twice", head + "traits: {belt: {choose: [a, b, a]}}\n", `f:3:32: a stands twice; keep one of them`},
	{"unit of words", head + "traits: {belt: {choose: [a], unit: mm}}\n", `f:3:30: "unit" stands without "number"; want whole or decimal; say both, or leave unit out`},
	{"trait renewed with no part", head + "traits: {belt: {choose: [a], renewed_with: belt}}\n", `f:3:44: "belt" is not defined in parts; want a point with a part of this chart; give that point a part`},
	{"trait with a kept name", head + "traits: {minutes: {number: whole}}\n", `f:3:10: minutes has a meaning of its own in conditions; want another name`},
	{"trait and condition of one name", head + "traits: {wet: \"Wet?\"}\nconditions: {wet: \"Wet?\"}\n", `f:4:14: wet is a trait already; want another name; a condition and a trait can't share one`},
	{"event that every chart knows", head + "events: {storage-in: \"put away\"}\n", `f:3:10: every chart knows storage-in; leave it out`},
	{"count that is an event", head + "events: {bale: b}\ncounts: {bale: {call: b, unit: b}}\n", `f:4:10: bale is an event already; want another name; an event can be counted as it is`},
	{"count without a unit", head + "counts: {bale: {call: b}}\n", `f:3:16: a count needs "unit"; want a text of up to 16 characters`},
	{"material without a kind", head + "materials: {g: {nlgi: 2}}\n", `f:3:16: a material needs "kind"; want a text of up to 600 characters`},
	{"grade of grease", head + "materials: {g: {kind: grease, nlgi: 7}}\n", `f:3:37: "7" is not one of the words here; want 000, 00, 0, 1, 2, 3, 4, 5 or 6`},
	{"mixing with itself", head + "materials: {g: {kind: grease, thickener: clay, mixes: {no: [clay]}}}\n", `f:3:55: g does not go with its own thickener; want other thickeners than clay`},
	{"mixing both ways", head + "materials: {g: {kind: grease, mixes: {no: [clay], ask: [clay]}}}\n", `f:3:57: clay stands under no as well; keep it where it is safe: under no`},
	{"mixing with nothing", head + "materials: {g: {kind: grease, mixes: {}}}\n", `f:3:38: how a material mixes needs no or ask`},
	{"chart of mixing alone", head + "materials: {g: {kind: grease, by: chart}}\n", `f:3:31: "by" stands without "mixes"; want how a material mixes, as {no: ...}; say both, or leave by out`},
	{"pack without a unit that is known", head + "materials: {g: {kind: grease, pack: 400 gr}}\n", `f:3:37: "gr" is not one of the units here; want l, ml, kg, g, m, cm, mm or pieces; did you mean "g"?`},
	{"pack of nothing", head + "materials: {g: {kind: grease, pack: much}}\n", `f:3:37: "much" is no amount; want a number with its unit, as 1.8 l; the units are l, ml, kg, g, m, cm, mm and pieces`},
	{"lead days", head + "materials: {g: {kind: grease, lead_days: 0}}\n", `f:3:42: "0" is out of range; want a whole number from 1 to 3650`},
	{"walk signed by", head + "walks: {spring: {call: w, sign: secnd}}\n", `f:3:33: "secnd" is not one of the words here; want second or receiver; did you mean "second"?`},
	{"walk after no event", head + "walks: {spring: {call: w, after: [storge-out]}}\n", `f:3:35: "storge-out" is not defined in events; want storage-in or storage-out; did you mean "storage-out"?`},

	// Points.
	{"fitted if no trait", rich + "    fitted_if: {yaer: 2}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:17: "yaer" is not defined in traits; want year, belt or under_warranty; did you mean "year"?`},
	{"fitted if a word that is never", rich + "    fitted_if: {belt: flta}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:23: belt is never "flta"; want flat or ribbed; did you mean "flat"?`},
	{"fitted if a number as a word", rich + "    fitted_if: {year: old}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:23: year is a number; want a number, or {below: ...}, {above: ...}, {from: ...} or {up_to: ...}`},
	{"fitted if a word as a number", rich + "    fitted_if: {belt: {below: 3}}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:31: belt is no number; want flat or ribbed`},
	{"fitted if a number is not", rich + "    fitted_if: {year: {not: 3}}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:29: year is a number; want {below: ...}, {above: ...}, {from: ...} or {up_to: ...}`},
	{"fitted if nothing is both", rich + "    fitted_if: {year: {above: 9, below: 3}}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:23: no year is all of this; want limits that leave something between them`},
	{"fitted if nothing", rich + "    fitted_if: {}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:16: 0 entries here; want at least 1`},
	{"fitted if neither yes nor no", rich + "    fitted_if: {under_warranty: maybe}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:33: under_warranty is never "maybe"; want yes or no`},
	{"comparison misspelt", rich + "    fitted_if: {year: {bellow: 3}}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:24: a comparison has no "bellow"; want below, above, from, up_to or not; did you mean "below"?`},
	{"on no attachment", rich + "    where: {on: bra}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:17: "bra" is not defined in attachments; want bar; did you mean "bar"?`},
	{"clock", rich + "    where: {clock: 13, seen_from: left}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:20: "13" is out of range; want a whole number from 1 to 12`},
	{"clock seen from nowhere", rich + "    where: {clock: 3}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:13: "clock" stands without "seen_from"; want left, right, front, back, top, under, inside or cab; say both, or leave clock out`},
	{"shields and fittings", rich + "    where: {shields: 0, fittings: many}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:22: "0" is out of range; want a whole number from 1 to 99
f:14:35: "many" is not a number; want a whole number from 1 to 99`},
	{"seen from", rich + "    where: {clock: 3, seen_from: rigth}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:34: "rigth" is not one of the words here; want left, right, front, back, top, under, inside or cab; did you mean "right"?`},
	{"access of a point", rich + "    where: {access: , picture: []}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:21: nothing; want a text of up to 600 characters
f:14:32: a list; want a text of up to 600 characters`},
	{"on the decal", rich + "    on_decal: [yes]\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:15: a list; want a text of up to 600 characters`},
	{"call of a point", rich + "    call: {a: b}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:11: fields in braces or on lines of their own; want a text of up to 600 characters`},
	{"was of a point", rich + "    was: Hub\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:10: "Hub" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write hub`},
	{"numbers of a part", rich + "    part: {kind: chain, pitches: 0, pieces: 0, pack: 0, lead_days: 0}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:34: "0" is out of range; want a whole number from 1 to 10000
f:14:45: "0" is out of range; want a whole number from 1 to 1000
f:14:54: "0" is out of range; want a whole number from 1 to 10000
f:14:68: "0" is out of range; want a whole number from 1 to 3650`},
	{"lists of a part", rich + "    part: {kind: chain, numbers: [], alternates: A-1, variants: [A], spare: , size: []}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:34: 0 entries here; want at least 1
f:14:50: "A-1"; want a list, as [...]
f:14:66: "A" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write a
f:14:77: nothing; want a text of up to 600 characters
f:14:85: a list; want a text of up to 600 characters`},
	{"part without a kind", rich + "    part: {size: \"40\"}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:11: a part needs "kind"; want a text of up to 600 characters`},
	{"part on no meter", rich + "    part: {kind: belt, on: drmu}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:28: "drmu" is not defined in meters; want engine or drum; did you mean "drum"?`},
	{"variant twice", rich + "    part: {kind: belt, variants: [a, a]}\n    tasks: [{id: a, do: check, who: anyone}]\n", `f:14:38: a stands twice; keep one of them`},
	{"part without a meter in the chart", head + "points: [{id: hub, part: {kind: belt}, tasks: [{id: a, do: check, who: anyone}]}]\n", `f:3:26: a part has hours of its own, and the chart has no meter; want a meter in meters`},

	// Intervals.
	{"on alone", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 2, on: drum}}]\n", `f:14:64: "on" stands without "hours" or "days_worked"; say both, or leave on out`},
	{"season", rich + "    tasks: [{id: a, do: check, who: anyone, every: {season: befor}}]\n", `f:14:61: "befor" is not one of the words here; want before, in or after; did you mean "before"?`},
	{"crop alone", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 2, crop: peas}}]\n", `f:14:64: "crop" stands without "season" or "seasons"; say both, or leave crop out`},
	{"count of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, every: {count: 8}}]\n", `f:14:53: "count" stands without "of"; want a count or an event; say both, or leave count out`},
	{"count of what is not counted", rich + "    tasks: [{id: a, do: check, who: anyone, every: {count: 8, of: bale}}]\n", `f:14:67: "bale" is not defined in counts or events; want bales or hosed; did you mean "bales"?`},
	{"two seasons alike", rich + "    tasks: [{id: a, do: check, who: anyone, every: {first_of: [{season: in}, {season: in}]}}]\n", `f:14:78: two intervals in seasons; want one of each kind, as only the shorter would ever count; keep one of them`},
	{"latest before due", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 50, on: drum, latest: 40}}]\n", `f:14:82: "40" is not above the interval; want more than 50 h on drum`},
	{"latest of part of a day", rich + "    tasks: [{id: a, do: check, who: anyone, every: {days_worked: 5, latest: 6.5}}]\n", `f:14:77: "6.5" is finer than a day; want whole days`},
	{"latest of months", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 5, latest: 6}}]\n", `f:14:64: "latest" stands without "hours", "days_worked" or "count"; say both, or leave latest out`},
	{"latest and late", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 50, on: drum, latest: 60}, late: {hours: 5}}]\n", `f:14:101: late stands beside latest; keep one of them`},
	{"grid of hours from a date", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 50, on: drum, grid: 2031-01-01}}]\n", `f:14:80: "2031-01-01" for an interval in hours; want yes`},
	{"grid of months from nowhere", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 5, grid: yes}}]\n", `f:14:70: a grid of months starts on a date; want a date, as 2031-03-02`},
	{"grid from no date", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 5, grid: spring}}]\n", `f:14:70: "spring" is not a date; want a date, as 2031-03-02`},
	{"grid of seasons", rich + "    tasks: [{id: a, do: check, who: anyone, every: {season: in, grid: yes}}]\n", `f:14:65: "grid" stands without "hours" or "months"; say both, or leave grid out`},
	{"soon in days of hours", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 30, on: drum}, soon: {days: 3}}]\n", `f:14:88: days for a task without an interval in months; leave it out`},
	{"late in days of a season", rich + "    tasks: [{id: a, do: check, who: anyone, every: {season: before}, late: {days: 3}}]\n", `f:14:83: days for a task without an interval in months; leave it out`},
	{"days worked by no meter", head + "points: [{id: hub, tasks: [{id: a, do: check, who: anyone, every: {days_worked: 3}}]}]\n", `f:3:67: days worked are told by a meter, and the chart has none; want a meter in meters`},
	{"while no condition", rich + "    tasks: [{id: a, do: check, who: anyone, every: {days_worked: 1, while: {dsut: heavy}}}]\n", `f:14:77: "dsut" is not defined in conditions; want dust or wet; did you mean "dust"?`},
	{"while never", rich + "    tasks: [{id: a, do: check, who: anyone, every: {days_worked: 1, while: {dust: [little, heavvy]}}}]\n", `f:14:92: dust is never "heavvy"; want little or heavy; did you mean "heavy"?`},
	{"soon in days worked", rich + "    tasks: [{id: a, do: check, who: anyone, every: {days_worked: 3}, soon: {days_worked: 3}}]\n", `f:14:90: "3" is no shorter than the interval; want less than 3 days worked`},
	{"late in days worked of months", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 3}, late: {days_worked: 3}}]\n", `f:14:85: days_worked for a task without an interval in days worked; leave it out`},
	{"soon of a count", rich + "    tasks: [{id: a, do: check, who: anyone, every: {count: 80, of: bales}, soon: {count: 90}}]\n", `f:14:90: "90" is no shorter than the interval; want less than 80 bales`},
	{"too soon on two meters", rich + "    tasks: [{id: a, do: check, who: anyone, every: {first_of: [{hours: 50, on: drum}, {hours: 60, on: engine}]}, too_soon: {hours: 20}}]\n", `f:14:132: it is not said on which meter; want "on" with a meter`},
	{"too soon as long as the interval", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 50, on: drum}, too_soon: {hours: 50}}]\n", `f:14:93: "50" is no shorter than the interval; want less than 50 h on drum`},
	{"too soon as long as the months", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 1}, too_soon: {days: 28}}]\n", `f:14:82: "28" is no shorter than the interval; want less than 1 month`},
	{"too soon of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 1}, too_soon: {unless: [hosed]}}]\n", `f:14:75: too soon needs hours or days`},
	{"too soon unless no event", rich + "    tasks: [{id: a, do: check, who: anyone, every: {months: 1}, too_soon: {days: 2, unless: [hoosed]}}]\n", `f:14:94: "hoosed" is not defined in events; want hosed, storage-in or storage-out; did you mean "hosed"?`},

	// What makes a task due.
	{"after nothing", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{count: 2}]}]\n", `f:14:53: a trigger needs event, code, done, failed, fitted or finding`},
	{"after two things", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, code: slow}]}]\n", `f:14:68: a trigger has code beside event; want only one of event, code, done, failed, fitted or finding`},
	{"after no event", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hsoed}]}]\n", `f:14:61: "hsoed" is not defined in events; want hosed, storage-in or storage-out; did you mean "hosed"?`},
	{"after no code", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{code: slwo}]}]\n", `f:14:60: "slwo" is not defined in codes; want slow; did you mean "slow"?`},
	{"after no task", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{done: hub/b}]}]\n", `f:14:60: "hub/b" is not defined in tasks; want hub/a; did you mean "hub/a"?`},
	{"after no task of this point", rich + "    tasks: [{id: a, do: check, who: anyone, also_after: [{failed: aa}]}]\n", `f:14:67: "hub/aa" is not defined in tasks; want hub/a; did you mean "hub/a"?`},
	{"after no part", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{fitted: hub}]}]\n", `f:14:62: "hub" is not defined in parts; want a point with a part of this chart; give that point a part`},
	{"after no finding", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{finding: lag}]}]\n", `f:14:63: "lag" is not defined in findings; want a lead or a drive of this chart; add it to leads`},
	{"after a code, if", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{code: slow, if: {dust: heavy}}]}]\n", `f:14:66: "if" stands without "event"; want an event; say both, or leave if out`},
	{"after, if no fact", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, if: {minuts: {above: 3}}}]}]\n", `f:14:73: "minuts" is not defined in conditions; want dust, wet or minutes; did you mean "minutes"?`},
	{"within alone", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, within: {days: 3}}]}]\n", `f:14:68: "within" stands without "count"; want a whole number from 2 to 1000; say both, or leave within out`},
	{"within hours of no meter", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, count: 2, within: {hours: 3}}]}]\n", `f:14:87: "hours" stands without "on"; want a meter; say both, or leave hours out`},
	{"due at no time", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, due: before next strat}]}]\n", `f:14:73: "before next strat" is not one of the words here; want now or before next start; did you mean "before next start"?`},
	{"due in hours and days", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, due: {hours: 3, on: drum, days: 2}}]}]\n", `f:14:94: how long after has days beside hours; want only one of hours or days`},
	{"due on another meter", rich + "    tasks: [{id: a, do: check, who: anyone, after: [{event: hosed, count: 2, within: {hours: 3, on: drum}, due: {hours: 3, on: engine}}]}]\n", `f:14:128: due on another meter than the one that within counts on; want drum`},
	{"before no event", rich + "    tasks: [{id: a, do: check, who: anyone, before: [hose]}]\n", `f:14:54: "hose" is not defined in events; want hosed, storage-in or storage-out; did you mean "hosed"?`},
	{"then no task", rich + "    tasks: [{id: a, do: check, who: anyone, then: {task: b, due: before next start}}]\n", `f:14:58: "hub/b" is not defined in tasks; want hub/a; did you mean "hub/a"?`},
	{"then itself", rich + "    tasks: [{id: a, do: check, who: anyone, then: {task: a, due: before next start}}]\n", `f:14:58: a task that has to follow itself; want another task`},
	{"then what is never done", rich + "    tasks: [{id: a, do: check, who: anyone, then: {task: b, due: before next start}}, {id: b, do: never, why: w}]\n", `f:14:58: hub/b is never done; want a task that is done`},
	{"then at no time", rich + "    tasks: [{id: a, do: check, who: anyone, then: {task: a}}]\n", `f:14:51: what comes then needs "due"; want before next start
f:14:58: a task that has to follow itself; want another task`},
	{"run-in without a part", rich + "    tasks: [{id: a, do: check, who: anyone, run_in: {on: drum, at_hours: [1]}}]\n", `f:14:53: a run-in without a part; want "from" with a point that has a part; or give this point a part`},
	{"run-in from no part", rich + "    tasks: [{id: a, do: check, who: anyone, run_in: {from: hub, on: drum, at_hours: [1]}}]\n", `f:14:60: "hub" is not defined in parts; want a point with a part of this chart; give that point a part`},
	{"run-in that falls", rich + "    part: {kind: belt}\n    tasks: [{id: a, do: check, who: anyone, run_in: {on: drum, at_minutes: [20, 10]}}]\n", `f:15:81: "10" does not come after the one before it; want hours that rise`},
	{"run-in without marks", rich + "    part: {kind: belt}\n    tasks: [{id: a, do: check, who: anyone, run_in: {on: drum}}]\n", `f:15:53: a run-in needs at_minutes or at_hours`},
	{"run-in of no variant", rich + "    part: {kind: belt, variants: [flat]}\n    tasks: [{id: a, do: check, who: anyone, run_in: {on: drum, at_hours: [1], if: {variant: flta}}}]\n", `f:15:93: variant is never "flta"; want flat; did you mean "flat"?`},
	{"run-in as a word", rich + "    part: {kind: belt}\n    tasks: [{id: a, do: check, who: anyone, run_in: soon}]\n", `f:15:53: "soon"; want a run-in, as {from: ...}, or a list of them`},
	{"instead under warranty", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 9, on: drum}, instead: {from: shop, every: {months: 2}}}]\n", `f:14:83: another interval than the book's would count under warranty; want under_warranty in not_if`},
	{"instead without an interval", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 9, on: drum}, instead: {from: shop, not_if: [under_warranty]}}]\n", `f:14:83: a practice in place of the book needs "every"; want an interval, as {hours: ...}`},
	{"instead of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, instead: {from: shop, every: {months: 2}, not_if: [under_warranty]}}]\n", `f:14:45: "instead" stands without "every"; want an interval, as {hours: ...}; say both, or leave instead out`},
	{"instead from nobody", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 9, on: drum}, instead: {from: shp, every: {months: 2}, not_if: [under_warranty]}}]\n", `f:14:90: "shp" is not one of the words here; want book, decal, shop or owner; did you mean "shop"?`},
	{"instead provided no task", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 9, on: drum}, instead: {from: shop, every: {months: 2}, not_if: [under_warranty], provided: {done_each_season: [b]}}}]\n", `f:14:172: "hub/b" is not defined in tasks; want hub/a; did you mean "hub/a"?`},
	{"instead not if a number", rich + "    tasks: [{id: a, do: check, who: anyone, every: {hours: 9, on: drum}, instead: {from: shop, every: {months: 2}, not_if: [under_warranty, year]}}]\n", `f:14:141: year is no question of yes or no; want a trait that is`},
	{"covers itself", rich + "    tasks: [{id: a, do: check, who: anyone, covers: a}]\n", `f:14:53: hub/a covers itself; want other tasks`},
	{"covers round about", rich + "    tasks: [{id: a, do: check, who: anyone, covers: b}, {id: b, do: check, who: anyone, covers: [hub/a]}]\n", `f:14:53: hub/a covers itself by way of hub/b; take one of them away`},
	{"covers round about, two rings", rich + "    tasks: [{id: a, do: check, who: anyone, covers: b}, {id: b, do: check, who: anyone, covers: [c, b]}, {id: c, do: check, who: anyone, covers: a}]\n", `f:14:53: hub/a covers itself by way of hub/b, hub/c; take one of them away
f:14:97: hub/b covers itself; want other tasks`},
	{"covers no task", rich + "    tasks: [{id: a, do: check, who: anyone, covers: [b]}]\n", `f:14:54: "hub/b" is not defined in tasks; want hub/a; did you mean "hub/a"?`},
	{"covers what is never done", rich + "    tasks: [{id: a, do: check, who: anyone, covers: b}, {id: b, do: never, why: w}]\n", `f:14:53: hub/b is never done; want tasks that are done`},
	{"no walk-round", rich + "    tasks: [{id: a, do: check, who: anyone, walks: [sprng]}]\n", `f:14:53: "sprng" is not defined in walks; want spring; did you mean "spring"?`},
	{"item twice", rich + "    tasks: [{id: a, do: check, who: anyone, each: [l, l]}]\n", `f:14:55: l stands twice; keep one of them`},
	{"item is no id", rich + "    tasks: [{id: a, do: check, who: anyone, each: [\"left:one\"]}]\n", `f:14:52: "left:one" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write leftone`},
	{"item too long", head + "points: [{id: " + long + ", tasks: [{id: " + long + ", do: check, who: anyone, each: [" + long + "]}]}]\n", `f:3:177: the task's id "a-task-with-a-name-as-long-as-a-name-may…" is too long; want at most 128 characters with point, task and item`},
	{"pose", rich + "    tasks: [{id: a, do: check, who: anyone, pose: []}]\n", `f:14:51: a list; want a text of up to 600 characters`},
	{"access", rich + "    tasks: [{id: a, do: check, who: anyone, access: {a: b}}]\n", `f:14:53: fields in braces or on lines of their own; want a text of up to 600 characters`},
	{"done when", rich + "    tasks: [{id: a, do: check, who: anyone, done_when: \"\"}]\n", `f:14:56: an empty text; want a text of up to 600 characters`},
	{"expect", rich + "    tasks: [{id: a, do: check, who: anyone, expect: }]\n", `f:14:53: nothing; want a text of up to 600 characters`},
	{"why", rich + "    tasks: [{id: a, do: check, who: anyone, why: [a]}]\n", `f:14:50: a list; want a text of up to 600 characters`},
	{"tools of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, tools: []}]\n", `f:14:52: 0 entries here; want at least 1`},
	{"soft", rich + "    tasks: [{id: a, do: check, who: anyone, soft: perhaps}]\n", `f:14:51: "perhaps" is neither yes nor no; want nothing after it, or yes`},
	{"basis of a task", rich + "    tasks: [{id: a, do: check, who: anyone, basis: bok}]\n", `f:14:52: "bok" is not one of the words here; want book, decal, shop or owner; did you mean "book"?`},

	// What is done.
	{"measure of nothing", rich + "    tasks: [{id: a, do: measure, who: anyone}]\n", `f:14:25: nothing says what is measured; want "measure" beside it, as {what: ..., unit: ...}`},
	{"measure without a unit", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w}}]\n", `f:14:54: a measure needs a unit; want "unit", or "gauge" where no figure is read`},
	{"ok outside act", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, ok: [1, 9], act: [2, 8]}}]\n", `f:14:78: ok reaches below act; want 2 or more`},
	{"ok open inside act", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, ok: [~, 5], act: [2, 8]}}]\n", `f:14:78: ok reaches below act; want 2 or more`},
	{"want outside ok", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, want: 7, ok: [1, 5]}}]\n", `f:14:80: want reaches above ok; want 5 or less`},
	{"want outside act", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, want: 7.5, act: [1, 5]}}]\n", `f:14:80: want reaches above act; want 5 or less`},
	{"range backwards", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, ok: [5, 1]}}]\n", `f:14:78: "5" is above "1"; want [lowest, highest], with ~ for a side that is open; write the lower one first`},
	{"range of three", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, ok: [5, 1, 2]}}]\n", `f:14:78: a list; want [lowest, highest], with ~ for a side that is open`},
	{"range open on both sides", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, ok: [~, ~]}}]\n", `f:14:78: both sides are open; want a number on one side`},
	{"range of words", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, ok: [low, 2]}}]\n", `f:14:79: "low" is not a number; want a number from -1000000000 to 1000000000`},
	{"gauge with figures", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, gauge: goes when right, ok: [1, 2]}}]\n", `f:14:92: "ok" beside a gauge, which reads no figure; leave it out`},
	{"gauge", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, gauge: goes when rihgt}}]\n", `f:14:71: "goes when rihgt" is not one of the words here; want goes when right or passes when loose; did you mean "goes when right"?`},
	{"keep", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, keep: [fund]}}]\n", `f:14:81: "fund" is not one of the words here; want found or left; did you mean "found"?`},
	{"measure on no meter", rich + "    tasks: [{id: a, do: check, who: anyone, measure: {what: w, unit: mm, on: durm}}]\n", `f:14:78: "durm" is not defined in meters; want engine or drum; did you mean "drum"?`},
	{"see nothing", rich + "    tasks: [{id: a, do: check, who: anyone, see: {}}]\n", `f:14:50: 0 entries here; want at least 1`},
	{"else of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, else: {choose: [wait]}}]\n", `f:14:45: "else" stands without "see" or "measure"; say both, or leave else out`},
	{"else empty", rich + "    tasks: [{id: a, do: check, who: anyone, see: {a: b}, else: {}}]\n", `f:14:64: what follows needs choose or remark`},
	{"verdict", rich + "    tasks: [{id: a, do: check, who: anyone, see: {a: b}, else: {remark: r, verdict: stop}}]\n", `f:14:85: "stop" is not one of the words here; want run, watch or do not run`},
	{"verdict without a remark", rich + "    tasks: [{id: a, do: check, who: anyone, see: {a: b}, else: {choose: [wait], verdict: run}}]\n", `f:14:81: "verdict" stands without "remark"; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; say both, or leave verdict out`},
	{"amount of two kinds", rich + "    tasks: [{id: a, do: check, who: anyone, amount: {strokes: 2, grams: 3}}]\n", `f:14:66: an amount has grams beside strokes; want only one of strokes, grams, millilitres, litres or drops`},
	{"amount of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, amount: {most: 2}}]\n", `f:14:53: an amount needs strokes, grams, millilitres, litres or drops`},
	{"amount backwards", rich + "    tasks: [{id: a, do: check, who: anyone, amount: {grams: [3, 2]}}]\n", `f:14:61: "3" is above "2"; want a number, or [lowest, highest]; write the lower one first`},
	{"most below the amount", rich + "    tasks: [{id: a, do: check, who: anyone, amount: {grams: [3, 4], most: 3.5}}]\n", `f:14:75: at most 3.5 is less than 4 grams; want 4 or more`},
	{"most of a season below the most", rich + "    tasks: [{id: a, do: check, who: anyone, amount: {litres: 1, most: 3, season_most: 2}}]\n", `f:14:87: at most 2 a season is less than 3 litres in one service; want 3 or more`},
	{"harm of nothing", rich + "    tasks: [{id: a, do: check, who: anyone, harm: {}}]\n", `f:14:51: a harm needs over or under`},
	{"material unknown", rich + "    tasks: [{id: a, do: check, who: anyone, material: gm}]\n", `f:14:55: "gm" is not defined in materials; want mg; did you mean "mg"?`},
	{"material refused", rich + "    tasks: [{id: a, do: check, who: anyone, material: mg, refuse: {solids: [graphite, moly]}}]\n", `f:14:55: mg has the solids moly, which this task refuses; want another material`},
	{"refuse what", rich + "    tasks: [{id: a, do: check, who: anyone, refuse: {colour: red}}]\n", `f:14:54: what is refused has no "colour"; want kind, thickener, nlgi, grade or solids`},
	{"needs what is not there", rich + "    tasks: [{id: a, do: check, who: anyone, needs: {mgg: 2 l}}]\n", `f:14:53: "mgg" is not defined in materials or parts; want mg; did you mean "mg"?`},
	{"needs without an amount", rich + "    tasks: [{id: a, do: check, who: anyone, needs: {mg: some}}]\n", `f:14:57: "some" is no amount; want a number with its unit, as 1.8 l; the units are l, ml, kg, g, m, cm, mm and pieces`},
	{"needs in no unit", rich + "    tasks: [{id: a, do: check, who: anyone, needs: {mg: 2 gal}}]\n", `f:14:57: "gal" is not one of the units here; want l, ml, kg, g, m, cm, mm or pieces`},
	{"tools as a word", rich + "    tasks: [{id: a, do: check, who: anyone, tools: gun}]\n", `f:14:52: "gun"; want a list, as [...]`},
	{"sign-off", rich + "    tasks: [{id: a, do: check, who: anyone, sign_off: \"yes\"}]\n", `f:14:55: a text; want nothing after it, or yes`},
	{"never, and when", rich + "    tasks: [{id: a, do: never, why: w, every: {months: 2}, amount: 2 l}]\n", `f:14:47: "every" for what is never done; leave it out, or name the work that is done
f:14:68: "amount" for what is never done; leave it out, or name the work that is done`},
	{"who is needed but for never", rich + "    tasks: [{id: a, do: measure, measure: {what: w, unit: mm}}]\n", `f:14:13: a task needs "who"; want operator, technician, dealer or anyone`},

	// Leads and settings.
	{"lead from nothing", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {look: [{at: hub, why: w}]}}\n", `f:15:12: a lead needs call, codes, findings, remarks or drive`},
	{"lead to nowhere", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {call: c, look: [{at: hbu, why: w}]}}\n", `f:15:34: "hbu" is not defined in points; want hub; did you mean "hub"?`},
	{"lead without a reason", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {call: c, look: [{at: hub}]}}\n", `f:15:29: a place to look needs "why"; want a text of up to 600 characters`},
	{"lead from no remark", rich + "    tasks: [{id: a, do: check, who: anyone, see: {x: y}, else: {remark: loose}}]\nleads: {l: {remarks: [lose], look: [{at: hub, why: w}]}}\n", `f:15:23: "lose" is not defined in remarks; want loose; did you mean "loose"?`},
	{"lead with and without", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {codes: [slow], look: [{at: hub, why: w, if: {with: slow, without: slow, within_s: 3}}]}}\n", `f:15:79: with and without the same code; want another code`},
	{"lead with, within no time", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {codes: [slow], look: [{at: hub, why: w, if: {with: slow}}]}}\n", `f:15:58: "with" stands without "within_s"; want a whole number from 1 to 86400; say both, or leave with out`},
	{"lead's facts", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {codes: [slow], look: [{at: hub, why: w, if: {facts: {dust: no, yeer: 3}}}]}}\n", `f:15:72: dust is never "no"; want little or heavy
f:15:76: "yeer" is not defined in traits or conditions; want year, belt, under_warranty, dust or wet; did you mean "year"?`},
	{"lead's shift", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {codes: [slow], look: [{at: hub, why: w, if: {shift: sam}}]}}\n", `f:15:65: "sam" is not one of the words here; want same, load or step; did you mean "same"?`},
	{"drive unknown", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {drive: {of: fan, find_over_pct: 3, for_minutes: 9}, look: [{at: hub, why: w}]}}\n", `f:15:25: "fan" is not defined in drives; want a drive of this chart; add it to drives`},
	{"no help of nothing", rich + "    tasks: [{id: a, do: check, who: anyone}]\nleads: {l: {codes: [slow], findings: [A], no_help: [], look: [{at: hub, why: w}]}}\n", `f:15:39: "A" is not an id; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; write a
f:15:52: 0 entries here; want at least 1`},
	{"found after the alarm", rich + "    tasks: [{id: a, do: check, who: anyone, each: [l, r]}]\nsignals: {s: {group: 65280, byte: 1, bits: 8}, t: {group: 65280, byte: 2, bits: 8}}\ndrives: {fan: {driver: s, driven: t, ratio: 1, driver_above: 1}}\nleads: {l: {drive: {of: fan, learn_after: hub/a, find_over_pct: 9, alarm_pct: 8, for_minutes: 9}, look: [{at: hub, why: w}]}}\n", `f:17:43: hub/a has several items; want hub/a:l or hub/a:r
f:17:65: found no sooner than the machine's own alarm; want less than alarm_pct`},
	{"setting of no kind", head + "settings: {fan: {call: c}}\n", `f:3:17: a setting needs unit or choose`},
	{"setting at no point", head + "settings: {fan: {unit: rpm, at: hub}}\n", `f:3:33: "hub" is not defined in points; want a point of this chart; add it to points`},
	{"figure for a word", head + "settings: {fan: {choose: [low, high], suits: [{set: 3}]}}\n", `f:3:53: a figure for a setting that is a word; want "choose" with low or high`},
	{"word for a figure", head + "settings: {fan: {unit: rpm, suits: [{choose: low}]}}\n", `f:3:46: a word for a setting that is a figure; want "set" with a number or [lowest, highest]`},
	{"word that is never set", head + "settings: {fan: {choose: [low, high], suits: [{choose: hihg}]}}\n", `f:3:56: fan is never "hihg"; want low or high; did you mean "high"?`},
	{"sets and chooses", head + "settings: {fan: {unit: rpm, suits: [{set: 3, choose: low}]}}\n", `f:3:46: what suits has choose beside set; want only one of set or choose
f:3:54: a word for a setting that is a figure; want "set" with a number or [lowest, highest]`},
	{"suits nothing", head + "settings: {fan: {unit: rpm, suits: [{say: s}]}}\n", `f:3:37: what suits needs set or choose`},

	// Files of differences, where a whole chart is wanted.
	{"sister alone", head + "sister_of: {chart: b, edition: 2}\n", `f:1:1: the file holds only what differs from another chart; want a whole chart; it is read over that chart, which has to be there`},
	{"exception alone", head + "exception_for: lark\nof: {chart: b, edition: 2}\n", `f:1:1: the file holds only what differs from another chart; want a whole chart; it is read over that chart, which has to be there`},
	{"of alone", head + "of: {chart: b, edition: 2}\n", `f:3:1: "of" stands without "exception_for"; want an id of lower-case letters, digits, dashes and underscores that starts with a letter; say both, or leave of out`},
}

func TestEveryMistakeWithTheNewerWords(t *testing.T) {
	for _, tc := range wordMistakes {
		t.Run(tc.name, func(t *testing.T) {
			c, err := chart.Compile("f", []byte(tc.in))
			require.Error(t, err)
			assert.Nil(t, c)
			assert.Equal(t, tc.want, err.Error())
		})
	}
}

func TestSetsCountEachItem(t *testing.T) {
	items := make([]string, 40)
	for i := range items {
		items[i] = fmt.Sprintf("i%d", i)
	}
	in := rich + "    tasks:\n      - {id: all, do: check, who: anyone, covers: [a, b, c], every: {months: 1}, instead: {from: shop, every: {months: 2}, not_if: [under_warranty], provided: {done_each_season: a}}}\n"
	for _, id := range []string{"a", "b", "c"} {
		in += "      - {id: " + id + ", do: check, who: anyone, each: [" + strings.Join(items, ", ") + "]}\n"
	}
	_, err := chart.Compile("f", []byte(in))
	assert.EqualError(t, err, "f:15:51: 120 tasks here; want at most 100, each item of a set counted\nf:15:160: 40 tasks here; want at most 16, each item of a set counted")
}
