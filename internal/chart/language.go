package chart

import (
	"math"

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
	return []string{"grease", "oil", "check", "clean", "change", "adjust", "tighten", "drain", "fill", "replace", "test", "measure", "prepare", "never"}
}

func whoWords() []string { return []string{"operator", "technician", "dealer", "anyone"} }

func knownEvents() []string { return []string{maintenance.EventStorageIn, maintenance.EventStorageOut} }

func basisWords() []string { return []string{"book", "decal", "shop", "owner"} }

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
			{name: "was", shape: shape{kind: kindID}, doc: "The chart's id before it was renamed; for people only."},
			{name: "sister_of", shape: nested(editionObject("a sister's base", "The chart that this one is a sister of.")), doc: "The file holds only what differs from this chart, for a kind of machine much like it."},
			{name: "exception_for", shape: shape{kind: kindID}, needs: "of", doc: "The file holds only what differs for this one machine."},
			{name: "of", shape: nested(editionObject("an exception's base", "The chart that the machine is on otherwise.")), needs: "exception_for", doc: "The chart that the exception is one of."},
			{name: "basis", shape: nested(basisObject()), doc: "Who says so: where the figures of this chart come from."},
			{name: "meters", shape: meterNames(), doc: "The hour meters of this kind of machine."},
			{name: "signals", shape: named("a signal", nested(signalObject())), doc: "What this kind of machine puts on its bus."},
			{name: "codes", shape: named("a code", nested(codeObject())), doc: "Trouble codes by the names that people use."},
			{name: "conversions", shape: conversions(), doc: "Sources that pack their codes in an older way, each with its method, 1 to 3."},
			{name: "drives", shape: named("a drive", nested(driveObject())), doc: "Belt and chain drives with both shafts on the bus."},
			{name: "rounds", shape: named("a round", nested(roundObject())), doc: "Tasks that are done together."},
			{name: "cautions", shape: cautionTexts(), doc: "Cautions, shown wherever a task that names them is shown."},
			{name: "attachments", shape: fewer(named("an attachment", words()), maintenance.AttachKept), doc: "Parts that move between machines and keep their own hours, each with what people call it."},
			{name: "traits", shape: fewer(named("a trait", questionShape(traitObject())), maintenance.TraitsKept), doc: "Questions about this machine's build, asked once. Not known is never taken for no."},
			{name: "conditions", shape: fewer(named("a condition", questionShape(conditionObject())), maintenance.TraitsKept), doc: "Questions about crop, weather and field, which an operator answers as they change."},
			{name: "events", shape: named("an event", words()), doc: "What may happen to a machine in the field, each with what people call it. Every chart knows storage-in and storage-out."},
			{name: "counts", shape: named("a count", nested(countObject())), doc: "What is counted besides hours, such as bales or loads."},
			{name: "materials", shape: named("a material", nested(materialObject())), doc: "Greases, oils and other things that go in."},
			{name: "walks", shape: named("a walk-round", nested(walkObject())), doc: "Occasions to walk round the machine."},
			{name: "points", shape: many(pointObject(), maxPoints), doc: "The places on the machine, with what is done there."},
			{name: "leads", shape: named("a lead", nested(leadObject())), doc: "From what is seen to where to look, in order."},
			{name: "settings", shape: fewer(named("a setting", nested(settingObject())), maintenance.SettingsKept), doc: "What is set for crop and field, with what it should be."},
		},
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
	maxAmount  = 100_000 // of grams, litres and the like
	maxListed  = 100     // entries of the usual list
	maxTerms   = 16      // conditions, triggers and terms in one list, as the domain has it
)

// The shapes that the table uses more than once.

func words() shape               { return shape{kind: kindText, max: maxText} }
func whole(min, max int64) shape { return shape{kind: kindWhole, min: min, max: max} }
func group() shape               { return whole(1, maxGroup) }
func nested(o *object) shape     { return shape{kind: kindObject, object: o} }

func ref(section, what string, known ...string) shape {
	return shape{kind: kindRef, target: section, what: what, words: known}
}

// measured is a number of units held in so many parts of 1.
func measured(per int64, finest string, top int64, unit string) shape {
	return shape{kind: kindDecimal, above: true, per: per, finest: finest, top: top, unit: unit}
}

func many(o *object, max int64) shape {
	return shape{kind: kindList, max: max, each: &shape{kind: kindObject, object: o}}
}

func manyUpTo(o *object, max int64) shape {
	s := many(o, max)
	s.least = 1
	return s
}

func named(what string, each shape) shape {
	return shape{kind: kindNamed, max: maxNamed, what: what, key: &shape{kind: kindID}, each: &each}
}

// fewer holds a shape to as many entries as the domain keeps of a machine.
func fewer(s shape, most int64) shape {
	s.max = most
	return s
}

// texts is a list of words for people.
func texts(max int64) shape {
	each := words()
	return shape{kind: kindList, least: 1, max: max, each: &each}
}

// ids is a list of names that are given here.
func ids(max int64) shape {
	return shape{kind: kindList, least: 1, max: max, each: &shape{kind: kindID}}
}

// refs is a list of names that are defined in a section.
func refs(section, what string, known ...string) shape {
	each := ref(section, what, known...)
	return shape{kind: kindList, least: 1, max: maxListed, each: &each}
}

// oneOrMore is one name, or a list of them.
func oneOrMore(section, what string) shape {
	one, each := ref(section, what), ref(section, what)
	return shape{kind: kindEither, least: 1, max: maxListed, plain: &one, each: &each}
}

// oneOrList is one object, or a list of them.
func oneOrList(o *object, max int64) shape {
	return shape{kind: kindEither, least: 1, max: max, plain: &shape{kind: kindObject, object: o}, object: o, each: &shape{kind: kindObject, object: o}}
}

func flag() shape { return shape{kind: kindFlag} }

func word(words ...string) shape { return shape{kind: kindWord, words: words} }

// events gives a list of what may happen.
func events() shape { return fewer(refs("events", "an event", knownEvents()...), maxTerms) }

// meterNames holds a chart to as many meters as the domain counts on a machine,
// with room for those that later editions drop.
func hoursUpTo(top int64) shape {
	return shape{kind: kindDecimal, above: true, per: msPerHour, finest: "a millisecond", top: top, unit: "hours"}
}

func seconds() shape {
	return shape{kind: kindDecimal, per: msPerSecond, finest: "a millisecond", top: 3600, unit: "seconds"}
}

func thousandths() shape {
	return shape{kind: kindDecimal, signed: true, per: milli, finest: "a thousandth", top: 1_000_000_000}
}
