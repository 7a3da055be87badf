package chart

func pointObject() *object {
	return &object{
		title: "a point",
		doc:   "A place on the machine.",
		fields: []field{
			{name: "id", shape: shape{kind: kindID}, required: true, doc: "The point's id, stable for ever."},
			{name: "was", shape: shape{kind: kindID}, doc: "The point's id before it was renamed; for people only."},
			{name: "call", shape: words(), doc: "What people call it; made from its id where left out."},
			{name: "fitted_if", shape: conditions("traits", "a trait"), doc: "It is there only on machines of which all of this holds."},
			{name: "on_decal", shape: words(), doc: "Yes, or the reason why the machine's plate shows it where it is not fitted."},
			{name: "part", shape: nested(partObject()), doc: "The piece that is fitted here, with hours of its own. Its id is the point's."},
			{name: "where", shape: nested(whereObject()), doc: "Where it is."},
			{name: "tasks", shape: manyUpTo(taskObject(), maxTasks), required: true, doc: "What is done there."},
		},
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
			{name: "on", shape: ref("attachments", "an attachment"), doc: "The attachment that it is on; the machine where left out."},
			{name: "access", shape: words(), doc: "What has to come off or open first."},
			{name: "shields", shape: whole(1, 99), doc: "How many shields come off, to be counted."},
			{name: "fittings", shape: whole(1, 99), doc: "How many grease fittings it has."},
			{name: "clock", shape: whole(1, 12), needs: "seen_from", doc: "Where to look, as on a clock's face."},
			{name: "seen_from", shape: shape{kind: kindWord, words: sideWords()}, needs: "clock", doc: "The side from which the clock's face is seen."},
			{name: "picture", shape: words(), doc: "The name of a picture of it."},
		},
	}
}

func partObject() *object {
	return &object{
		title: "a part",
		doc:   "A piece with hours of its own and an end of its own.",
		fields: []field{
			{name: "kind", shape: words(), required: true, doc: "What it is: belt, chain, bearing, filter."},
			{name: "call", shape: words(), doc: "What people call it; the point's words where left out."},
			{name: "size", shape: words(), doc: "Its size, as it is ordered."},
			{name: "pitches", shape: whole(1, 10_000), doc: "A chain's length in pitches."},
			{name: "pieces", shape: whole(1, 1_000), doc: "How many are renewed together; 1 where left out."},
			{name: "on", shape: ref("meters", "a meter"), doc: "The meter on which its hours count; the chart's first where left out."},
			{name: "spare", shape: words(), doc: "Where one is kept."},
			{name: "numbers", shape: texts(maxListed), doc: "The numbers it is ordered by."},
			{name: "alternates", shape: texts(maxListed), doc: "Numbers of others that fit as well."},
			{name: "pack", shape: whole(1, 10_000), doc: "Pieces in a pack."},
			{name: "lead_days", shape: whole(1, maxDays), doc: "Working days from order to hand."},
			{name: "variants", shape: ids(maxListed), doc: "The kinds of piece that may be fitted."},
		},
	}
}
