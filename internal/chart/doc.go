// Package chart reads a chart, the service points of one kind of machine as a
// technician writes them, and compiles it to the domain's form.
//
// A chart is YAML in a file named NAME.points.yaml. It says which hour meters
// the machine has, what it puts on its bus, and which tasks are done where, how
// often, by whom, with what and under which cautions:
//
//	chart: some-machine
//	edition: 1
//	meters:
//	  engine: {group: 65253}
//	rounds:
//	  forty: {call: "40 h round", minutes: 20}
//	cautions:
//	  still: "Engine off, key out, wait until all parts stand still"
//	points:
//	  - id: axle-pins
//	    where: {station: 1, side: left}
//	    tasks:
//	      - id: grease
//	        do: grease
//	        round: forty
//	        every: {hours: 40, on: engine}
//	        who: operator
//	        cautions: [still]
//
// What a technician knows beyond "grease at N hours" is said with the same
// plainness. The words of a task, in the order in which a hand needs them:
//
//	fitted_if: {year: {below: 2019}}            only on some machines; what is not known is never no
//	every: {first_of: [{hours: 50, on: engine}, {days_worked: 5}, {season: before}]}
//	too_soon: {hours: 30, unless: [hosed]}      said, never refused
//	after: [{event: hosed, due: before next start}]
//	before: [hosed]                             due when it is going to happen
//	then: {task: uncover, due: before next start}
//	run_in: {on: engine, at_hours: [1, 10]}     after this point's part is new
//	measure: {what: gap, unit: mm, ok: [1, 2], act: [~, 3]}
//	see: {glass: "half full"}                   what is looked for
//	else: {choose: ["shim"], remark: loose-arm, verdict: do not run}
//	amount: {strokes: [2, 3], most: 4, season_most: 60, per: fitting}
//	instead: {from: shop, every: {seasons: 2}, provided: {done_each_season: look}, not_if: [under_warranty]}
//	do: never                                   with why: forbidden work, shown at its point
//	each: [left, right]                         several of the same: point/task:left, point/task:right
//
// Conditions are written one way everywhere: a word, several of which one holds,
// or limits of a number ({below, above, from, up_to}), each under the name of
// the trait or condition that it is about. A task is named as point/task, or as
// task alone at its own point. A colon stands between a task and its item, since
// no id holds one.
//
// A file with sister_of or exception_for holds only what differs from another
// chart, and CompileOver reads it over that.
//
// The table of fields (language.go with the sections' files beside it) names
// every field with its kind, its limits and what it says. Reading, checking,
// suggestions and the JSON Schema (Schema) follow from it; what depends on two
// places at once is checked in the compile files. A new field is a row there and a
// line that takes it over. Describe, Table and Compare say a compiled chart again
// for people.
//
// A chart that says nothing of the newer words keeps the bytes it had under the
// first encoding: its basis and the structure of its amounts stay out of the
// compiled chart.
//
// Reading is strict: what is not known is refused, with line and column and, for
// a misspelt word, what was probably meant. A word that later versions
// understand is told apart from a misspelt one. All mistakes are told at once.
// Numbers are decimals and are read exactly; nothing passes through floating
// point.
package chart
