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
// The table in language.go names every field with its kind, its limits and what
// it says. Reading, checking and suggestions follow from that table, and
// whatever else is made of the language is to follow from it too; what depends
// on two places at once is checked in compile.go. A new field is a row there
// and a line that takes it over.
//
// Reading is strict: what is not known is refused, with line and column and, for
// a misspelt word, what was probably meant. A word that later versions
// understand is told apart from a misspelt one. All mistakes are told at once.
// Numbers are decimals and are read exactly; nothing passes through floating
// point.
package chart
