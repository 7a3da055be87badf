package chart

import "github.com/hourbell/hourbell/internal/maintenance"

func leadObject() *object {
	return &object{
		title: "a lead",
		doc:   "From what is seen to where to look, in order.",
		fields: []field{
			{name: "call", shape: words(), doc: "What is seen, in words."},
			{name: "codes", shape: refs("codes", "a code"), doc: "Codes that lead here."},
			{name: "findings", shape: ids(maxListed), doc: "Findings of the data that lead here."},
			{name: "remarks", shape: refs(inRemarks, "a remark"), doc: "Remarks that lead here."},
			{name: "drive", shape: nested(driveFindObject()), doc: "The drive whose shift leads here, and from when on it is worth a finding."},
			{name: "look", shape: manyUpTo(lookObject(), 40), required: true, doc: "Where to look, in this order."},
			{name: "no_help", shape: texts(20), doc: "What is often tried and does not help."},
		},
		anyOf: []string{"call", "codes", "findings", "remarks", "drive"},
	}
}

func driveFindObject() *object {
	return &object{
		title: "a drive's shift",
		doc:   "From when on a shift of a drive's ratio is worth a finding.",
		fields: []field{
			{name: "of", shape: ref("drives", "a drive"), required: true, doc: "The drive."},
			{name: "learn_after", shape: ref(inTasks, "a task"), doc: "The task after which its ratio is learned anew."},
			{name: "find_over_pct", shape: percent(), required: true, doc: "By how much of the ratio it must have shifted, in per cent."},
			{name: "for_minutes", shape: whole(1, maxMinutes), required: true, doc: "For how many minutes."},
			{name: "alarm_pct", shape: percent(), doc: "Where the machine's own alarm comes on, in per cent; not known where left out."},
		},
	}
}

func percent() shape { return measured(micro/100, "a ten-thousandth", 100, "per cent") }

func lookObject() *object {
	return &object{
		title: "a place to look",
		doc:   "A point to look at, and why.",
		fields: []field{
			{name: "at", shape: ref(inPoints, "a point"), required: true, doc: "The point."},
			{name: "if", shape: nested(leadIfObject()), doc: "Only where all of this holds."},
			{name: "why", shape: words(), required: true, doc: "Why there."},
		},
	}
}

func leadIfObject() *object {
	return &object{
		title: "a lead's condition",
		doc:   "What speaks for a place. All of it must hold.",
		fields: []field{
			{name: "shift", shape: word(maintenance.ShiftSame, maintenance.ShiftLoad, maintenance.ShiftStep), doc: "How the drive shifted: same with and without load, under load only, or in one step."},
			{name: "since", shape: ref("events", "an event", knownEvents()...), doc: "It began after this happened."},
			{name: "with", shape: ref("codes", "a code"), needs: "within_s", doc: "Another code came as well."},
			{name: "without", shape: ref("codes", "a code"), needs: "within_s", doc: "Another code did not come."},
			{name: "within_s", shape: whole(1, 86_400), needs: "with,without", doc: "Within how many seconds."},
			{name: "facts", shape: conditions("traits,conditions", "a trait or a condition"), doc: "What must hold of the machine, crop and field."},
		},
		anyOf: []string{"shift", "since", "with", "without", "facts"},
	}
}

func settingObject() *object {
	return &object{
		title: "a setting",
		doc:   "Something that is set for crop and field.",
		fields: []field{
			{name: "call", shape: words(), doc: "What people call it; made from its id where left out."},
			{name: "unit", shape: shape{kind: kindText, max: 16}, doc: "The unit of its figure."},
			{name: "choose", shape: ids(maxListed), doc: "The words that it may be."},
			{name: "at", shape: ref(inPoints, "a point"), doc: "The point where it is set."},
			{name: "suits", shape: manyUpTo(suitObject(), 60), doc: "What it should be, and when."},
		},
		oneOf: []string{"unit", "choose"},
	}
}

func suitObject() *object {
	return &object{
		title: "what suits",
		doc:   "What a setting should be while conditions hold.",
		fields: []field{
			{name: "if", shape: conditions("conditions,traits", "a condition or a trait"), doc: "Only where all of this holds."},
			{name: "set", shape: suitRange(), doc: "The figure, or [lowest, highest]."},
			{name: "choose", shape: shape{kind: kindID}, doc: "The word."},
			{name: "say", shape: words(), doc: "What to know about it."},
		},
		oneOf: []string{"set", "choose"},
	}
}

func suitRange() shape {
	s := microRange()
	s.single = true
	return s
}
