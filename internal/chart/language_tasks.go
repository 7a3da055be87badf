package chart

func taskObject() *object {
	return &object{
		title: "a task",
		doc:   "What is done at a point, and when.",
		fields: []field{
			{name: "id", shape: shape{kind: kindID}, required: true, doc: "The task's id, of its own at this point."},
			{name: "do", shape: shape{kind: kindWord, words: doWords()}, required: true, doc: "The kind of work."},
			{name: "was", shape: shape{kind: kindID}, doc: "The task's id before it was renamed; for people only."},
			{name: "call", shape: words(), doc: "What it is in words; made from the work and the point where left out."},
			{name: "why", shape: words(), doc: "Why it is done; needed for what is never done."},
			{name: "each", shape: ids(40), doc: "Several of the same, each a task of its own: filters/change:fuel is the item fuel of filters/change."},
			{name: "fitted_if", shape: conditions("traits", "a trait"), doc: "It is done only on machines of which all of this holds."},
			{name: "basis", shape: shape{kind: kindWord, words: basisWords()}, doc: "Who says so."},
			{name: "soft", shape: flag(), doc: "It rings nobody, and is offered when the machine stands anyway."},
			{name: "round", shape: ref("rounds", "a round"), doc: "The round it is part of; alone where left out."},
			{name: "every", shape: nested(everyObject()), doc: "Its interval; by hand only where left out."},
			{name: "soon", shape: nested(nearObject("soon")), needs: "every", doc: "How long before due it is soon; a tenth of the interval where left out."},
			{name: "late", shape: nested(nearObject("late")), needs: "every", doc: "How long after due it is overdue; a tenth of the interval where left out."},
			{name: "too_soon", shape: nested(tooSoonObject()), doc: "Before which it is too early. It is said, never refused."},
			{name: "after", shape: manyUpTo(afterObject(), maxTerms), doc: "What makes it due at once, or soon after."},
			{name: "also_after", shape: manyUpTo(afterObject(), maxTerms), doc: "The same as after; it reads better beside an interval."},
			{name: "before", shape: events(), doc: "It is due when one of these is going to happen."},
			{name: "then", shape: nested(thenObject()), doc: "The task that has to follow it."},
			{name: "run_in", shape: oneOrList(runInObject(), 8), doc: "Checks at set hours after a part is new."},
			{name: "instead", shape: nested(insteadObject()), needs: "every", doc: "A practice in place of the book's interval, on terms. Both are shown."},
			{name: "covers", shape: oneOrMore(inTasks, "a task"), doc: "Tasks that are done with it."},
			{name: "walks", shape: refs("walks", "a walk-round"), doc: "The walk-rounds in which it is looked at."},
			{name: "who", shape: shape{kind: kindWord, words: whoWords()}, required: true, unless: "never", doc: "Who may do it."},
			{name: "material", shape: materialRef(), doc: "What goes in: one of materials where the chart has any, else in words."},
			{name: "amount", shape: shape{kind: kindEither, max: maxText, object: amountObject()}, doc: "How much goes in."},
			{name: "harm", shape: nested(harmObject()), doc: "What too much and too little does."},
			{name: "refuse", shape: nested(refuseObject()), doc: "Materials that may not go in."},
			{name: "needs", shape: needsShape(), doc: "What it takes, each with its amount: {gear-oil: 1.8 l, seal-ring: 2}."},
			{name: "tools", shape: texts(40), doc: "What is needed in the hand."},
			{name: "pose", shape: words(), doc: "How machine and header stand."},
			{name: "access", shape: words(), doc: "What has to come off or open first."},
			{name: "see", shape: seeShape(), doc: "What is looked for, each with how it must be."},
			{name: "measure", shape: nested(measureObject()), doc: "What is measured."},
			{name: "else", shape: nested(elseObject()), needs: "see,measure", doc: "What follows where it is not as it must be."},
			{name: "done_when", shape: words(), doc: "By what it is known to be done."},
			{name: "expect", shape: words(), doc: "What to expect."},
			{name: "sign_off", shape: flag(), doc: "A second person signs for it."},
			{name: "minutes", shape: whole(1, maxMinutes), doc: "How long it takes."},
			{name: "cautions", shape: shape{kind: kindList, max: 50, each: cautionRef()}, doc: "Cautions that are shown wherever the task is."},
		},
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
		doc:   "Hours on a meter, months of the calendar, days worked, seasons, or something counted.",
		fields: []field{
			{name: "hours", shape: hoursUpTo(maxHours), needs: "on", doc: "Running hours."},
			{name: "on", shape: ref("meters", "a meter"), needs: "hours,days_worked", doc: "The meter on which they count; for days worked the chart's first where left out."},
			{name: "months", shape: whole(1, 1200), doc: "Months by the calendar, counted from the day it was done."},
			{name: "days_worked", shape: whole(1, 1000), doc: "Days on which the machine worked."},
			{name: "season", shape: word("before", "in", "after"), doc: "Once a season: before it opens, while it is open, or once it is closed."},
			{name: "seasons", shape: whole(1, 50), doc: "Once in so many seasons; before the season where nothing else is said."},
			{name: "crop", shape: shape{kind: kindID}, needs: "season,seasons", doc: "Seasons of this crop only."},
			{name: "count", shape: measured(milli, "a thousandth", 1_000_000_000, ""), needs: "of", doc: "So many of what is counted."},
			{name: "of", shape: ref("counts,events", "a count or an event"), needs: "count", doc: "What is counted."},
			{name: "latest", shape: measured(msPerHour, "a millisecond", maxHours, ""), needs: "hours,days_worked,count", doc: "At how many it is overdue, counted from when it was done; another way to say late."},
			{name: "grid", shape: shape{kind: kindEither, plain: &shape{kind: kindText, max: 10}}, needs: "hours,months", doc: "Due at whole multiples on the meter (yes), or at whole steps from a date, and not counted from when it was done."},
			{name: "while", shape: conditions("conditions", "a condition"), doc: "The interval holds only while all of this does."},
		},
		oneOf:  []string{"hours", "months", "days_worked", "season", "seasons", "count"},
		joined: []string{"season", "seasons"},
		later:  []string{"preferred"},
	}
}

func nearObject(title string) *object {
	return &object{
		title: title,
		doc:   "Hours for intervals in hours, days for months, days worked and counts for theirs.",
		fields: []field{
			{name: "hours", shape: hoursUpTo(maxHours), doc: "Running hours."},
			{name: "days", shape: whole(1, maxDays), doc: "Days by the calendar, for months and for what is done before a season."},
			{name: "days_worked", shape: whole(1, 1000), doc: "Days on which the machine worked."},
			{name: "count", shape: measured(milli, "a thousandth", 1_000_000_000, ""), doc: "So many of what is counted."},
		},
		anyOf: []string{"hours", "days", "days_worked", "count"},
	}
}

// doseUnits are the words for how much goes in, with the unit of each.
func doseUnits() [][2]string {
	return [][2]string{{"strokes", "stroke"}, {"grams", "g"}, {"millilitres", "ml"}, {"litres", "l"}, {"drops", "drop"}}
}

func amountObject() *object {
	o := &object{title: "an amount", doc: "How much goes in: one number, or [lowest, highest]."}
	for _, u := range doseUnits() {
		per, finest := int64(milli), "a thousandth"
		o.fields = append(o.fields, field{name: u[0], doc: "How many " + u[0] + ".",
			shape: shape{kind: kindRange, single: true, above: true, per: per, finest: finest, top: maxAmount, unit: u[0]}})
		o.oneOf = append(o.oneOf, u[0])
	}
	o.fields = append(o.fields,
		field{name: "most", shape: measured(milli, "a thousandth", maxAmount, ""), doc: "The most that may go in, in one service."},
		field{name: "season_most", shape: measured(milli, "a thousandth", maxAmount, ""), doc: "The most that may go in, in one season."},
		field{name: "per", shape: shape{kind: kindText, max: 40}, doc: "For each of what; for all together where left out."})
	return o
}

func materialRef() shape {
	return shape{kind: kindRef, target: "materials", soft: true, max: maxText, what: "a material"}
}

func needsShape() shape {
	key := shape{kind: kindRef, target: "materials," + inParts, soft: true, max: maxText, what: "a material or a point with a part"}
	return shape{kind: kindNamed, least: 1, max: 40, what: "a need", key: &key, each: &shape{kind: kindAmount}}
}

func seeShape() shape {
	each := words()
	return shape{kind: kindNamed, least: 1, max: 40, what: "a criterion", key: &shape{kind: kindID}, each: &each}
}

func harmObject() *object {
	return &object{
		title: "a harm",
		doc:   "What too much and too little does.",
		fields: []field{
			{name: "over", shape: words(), doc: "What too much, or too often, does."},
			{name: "under", shape: words(), doc: "What too little, or too late, does."},
		},
		anyOf: []string{"over", "under"},
	}
}

func refuseObject() *object {
	o := &object{title: "what is refused", doc: "A quality of a material, and the word for it that may not be."}
	for _, name := range []string{"kind", "thickener", "nlgi", "grade", "solids"} {
		each := words()
		o.fields = append(o.fields, field{name: name, doc: "Materials of this " + name + " may not go in.",
			shape: shape{kind: kindEither, least: 1, max: 20, plain: &each, each: &each}})
		o.anyOf = append(o.anyOf, name)
	}
	return o
}

func elseObject() *object {
	return &object{
		title: "what follows",
		doc:   "What follows where it is not as it must be.",
		fields: []field{
			{name: "choose", shape: texts(20), doc: "What may be done about it."},
			{name: "remark", shape: shape{kind: kindID}, doc: "The remark that is opened, by an id of its own."},
			{name: "verdict", shape: word("run", "watch", "do not run"), needs: "remark", doc: "Whether the machine may run with it; watch where left out."},
		},
		anyOf: []string{"choose", "remark"},
	}
}

func measureObject() *object {
	return &object{
		title: "a measure",
		doc:   "What is measured, with its acceptable range and the limits at which to act.",
		fields: []field{
			{name: "what", shape: words(), required: true, doc: "What is measured."},
			{name: "unit", shape: shape{kind: kindText, max: 16}, doc: "In what; needed for all but a gauge."},
			{name: "spots", shape: ids(40), doc: "Where, each judged by itself."},
			{name: "want", shape: micros(), doc: "What it should be."},
			{name: "ok", shape: microRange(), doc: "What is good enough."},
			{name: "act", shape: microRange(), doc: "Outside of these something has to be done."},
			{name: "gauge", shape: word("goes when right", "passes when loose"), doc: "A gauge tells, and no figure is read."},
			{name: "keep", shape: shape{kind: kindList, least: 1, max: 2, each: &shape{kind: kindWord, words: []string{"found", "left"}}}, doc: "What is kept; found and left where left out."},
			{name: "on", shape: ref("meters", "a meter"), doc: "The meter over whose hours the trend runs; the chart's first where left out."},
		},
	}
}

func micros() shape {
	return shape{kind: kindDecimal, signed: true, per: micro, finest: "a millionth", top: 1_000_000_000}
}

func microRange() shape {
	s := micros()
	s.kind, s.open = kindRange, true
	return s
}

func tooSoonObject() *object {
	return &object{
		title: "too soon",
		doc:   "Before which it is too early. It is said, never refused.",
		fields: []field{
			{name: "hours", shape: hoursUpTo(maxHours), doc: "Running hours since it was done."},
			{name: "on", shape: ref("meters", "a meter"), needs: "hours", doc: "The meter on which they count; that of the interval where left out."},
			{name: "days", shape: whole(1, maxDays), doc: "Days since it was done."},
			{name: "unless", shape: events(), doc: "Events since then that make it right."},
		},
		anyOf: []string{"hours", "days"},
	}
}

func afterObject() *object {
	return &object{
		title: "a trigger",
		doc:   "What makes a task due by something that happened since it was done.",
		fields: []field{
			{name: "event", shape: ref("events", "an event", knownEvents()...), doc: "It happened."},
			{name: "code", shape: ref("codes", "a code"), doc: "The code came on."},
			{name: "done", shape: ref(inTasks, "a task"), doc: "The other task was done."},
			{name: "failed", shape: ref(inTasks, "a task"), doc: "The task was tried and failed."},
			{name: "fitted", shape: ref(inParts, "a point with a part"), doc: "The part was fitted."},
			{name: "finding", shape: ref(inFindings, "a lead or a drive"), doc: "The data showed it: a finding, one on a drive, or any that a lead starts from."},
			{name: "if", shape: conditions("conditions", "a condition", "minutes"), needs: "event", doc: "What must hold for the event: its minutes, and what was said with it."},
			{name: "count", shape: whole(2, 1000), doc: "How many it takes; one where left out."},
			{name: "within", shape: nested(spanObject("how close together")), needs: "count", doc: "How close together they must lie."},
			{name: "due", shape: dueShape(), doc: "How soon after: now where left out."},
		},
		oneOf: []string{"event", "code", "done", "failed", "fitted", "finding"},
	}
}

// dueWords are the ways to say how soon, besides a span.
func dueWords() []string { return []string{"now", "before next start"} }

func dueShape() shape {
	return shape{kind: kindEither, plain: &shape{kind: kindWord, words: dueWords()}, object: spanObject("how long after")}
}

func spanObject(title string) *object {
	return &object{
		title: title,
		doc:   "Running hours on a meter, or days.",
		fields: []field{
			{name: "hours", shape: hoursUpTo(maxHours), needs: "on", doc: "Running hours."},
			{name: "on", shape: ref("meters", "a meter"), needs: "hours", doc: "The meter on which they count."},
			{name: "days", shape: whole(1, maxDays), doc: "Days by the calendar."},
		},
		oneOf: []string{"hours", "days"},
	}
}

func thenObject() *object {
	return &object{
		title: "what comes then",
		doc:   "The task that has to follow this one.",
		fields: []field{
			{name: "task", shape: ref(inTasks, "a task"), required: true, doc: "The task."},
			{name: "due", shape: word("before next start"), required: true, doc: "By when."},
		},
	}
}

func runInObject() *object {
	return &object{
		title: "a run-in",
		doc:   "Checks at set hours after a part is new.",
		fields: []field{
			{name: "from", shape: ref(inParts, "a point with a part"), doc: "The part; this point's own where left out."},
			{name: "on", shape: ref("meters", "a meter"), required: true, doc: "The meter on which the hours count."},
			{name: "at_minutes", shape: shape{kind: kindList, least: 1, max: 12, each: minutesMark()}, doc: "Running minutes after fitting, rising."},
			{name: "at_hours", shape: shape{kind: kindList, least: 1, max: 12, each: hoursMark()}, doc: "Running hours after fitting, rising."},
			{name: "if", shape: conditions("traits", "a trait", "variant"), doc: "Only where this holds of the machine, or of the piece (variant)."},
			{name: "expect", shape: words(), doc: "What to expect at the first mark."},
		},
		oneOf: []string{"at_minutes", "at_hours"},
	}
}

func minutesMark() *shape {
	s := measured(msPerHour/60, "a millisecond", 60*maxHours, "minutes")
	return &s
}

func hoursMark() *shape {
	s := hoursUpTo(maxHours)
	return &s
}

func insteadObject() *object {
	return &object{
		title: "a practice in place of the book",
		doc:   "Another interval that counts only while its terms hold.",
		fields: []field{
			{name: "from", shape: shape{kind: kindWord, words: basisWords()}, required: true, doc: "Whose practice it is."},
			{name: "every", shape: nested(everyObject()), required: true, doc: "The interval."},
			{name: "provided", shape: nested(providedObject()), doc: "What must have been done for it to count."},
			{name: "not_if", shape: fewer(refs("traits", "a trait"), maxTerms), doc: "Questions of yes or no that must be known to be no."},
		},
	}
}

func providedObject() *object {
	return &object{
		title: "a term",
		doc:   "What must have been done.",
		fields: []field{
			{name: "done_each_season", shape: oneOrMore(inTasks, "a task"), required: true, doc: "Tasks that were done in each season since."},
		},
	}
}
