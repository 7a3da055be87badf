package chart

func basisObject() *object {
	return &object{
		title: "a basis",
		doc:   "Who says so: where the figures come from, in words or with who agreed and when.",
		fields: []field{
			{name: "book", shape: basisShape(), doc: "The maker's book, and which printing."},
			{name: "decal", shape: basisShape(), doc: "The plate on the machine."},
			{name: "shop", shape: basisShape(), doc: "The workshop's own practice."},
			{name: "owner", shape: basisShape(), doc: "What the owner wants."},
		},
	}
}

func basisShape() shape {
	return shape{kind: kindEither, max: maxText, object: &object{
		title: "a basis in full",
		doc:   "Where figures come from, and who agreed to them when.",
		fields: []field{
			{name: "text", shape: words(), required: true, doc: "Which book, plate or practice it is."},
			{name: "who", shape: words(), doc: "Who agreed, by their work and not by their name."},
			{name: "agreed", shape: shape{kind: kindDate}, doc: "The day it was agreed on."},
		},
	}}
}

func editionObject(title, doc string) *object {
	return &object{
		title: title,
		doc:   doc,
		fields: []field{
			{name: "chart", shape: shape{kind: kindID}, required: true, doc: "The chart's id."},
			{name: "edition", shape: whole(1, 1<<32-1), required: true, doc: "Its edition."},
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

func cautionTexts() shape {
	text := words()
	return shape{kind: kindNamed, max: maxNamed, what: "a caution", key: &shape{kind: kindID}, each: &text}
}

func cautionRef() *shape {
	s := ref("cautions", "a caution")
	return &s
}

// questionShape is a question as one text, which is answered yes or no, or with
// its kind of answer.
func questionShape(o *object) shape {
	return shape{kind: kindEither, max: maxText, object: o}
}

func questionObject(title, doc string) *object {
	return &object{
		title: title,
		doc:   doc,
		fields: []field{
			{name: "number", shape: word("whole", "decimal"), doc: "The answer is a number."},
			{name: "choose", shape: ids(maxListed), doc: "The answer is one of these words."},
			{name: "yes_no", shape: flag(), doc: "The answer is yes or no, as it is where only the question stands."},
			{name: "ask", shape: words(), doc: "The question, as it is asked."},
			{name: "unit", shape: shape{kind: kindText, max: 16}, needs: "number", doc: "The unit of the number."},
		},
		oneOf: []string{"number", "choose", "yes_no"},
	}
}

func traitObject() *object {
	o := questionObject("a trait", "A question about this machine's build. Not known is never taken for no.")
	o.fields = append(o.fields, field{name: "renewed_with", shape: ref(inParts, "a point with a part"), doc: "The part whose renewal makes the answer unknown again."})
	return o
}

func conditionObject() *object {
	return questionObject("a condition", "A question about crop, weather and field, which an operator answers as they change.")
}

func countObject() *object {
	return &object{
		title: "a count",
		doc:   "Something counted by events of its id: each adds its amount, or 1.",
		fields: []field{
			{name: "call", shape: words(), required: true, doc: "What people call it."},
			{name: "unit", shape: shape{kind: kindText, max: 16}, required: true, doc: "What it is counted in."},
		},
	}
}

func materialObject() *object {
	return &object{
		title: "a material",
		doc:   "A grease, an oil or another thing that goes in.",
		fields: []field{
			{name: "kind", shape: words(), required: true, doc: "What it is: grease, oil, coolant, seal."},
			{name: "call", shape: words(), doc: "What people call it."},
			{name: "thickener", shape: words(), doc: "A grease's thickener."},
			{name: "nlgi", shape: word("000", "00", "0", "1", "2", "3", "4", "5", "6"), doc: "A grease's grade of stiffness."},
			{name: "grade", shape: words(), doc: "An oil's grade."},
			{name: "solids", shape: words(), doc: "What solids it carries; none where it must have none."},
			{name: "mixes", shape: nested(mixObject()), doc: "How it goes with other thickeners."},
			{name: "by", shape: words(), needs: "mixes", doc: "Which chart of mixing says so."},
			{name: "pack", shape: shape{kind: kindAmount}, doc: "How much a pack holds, with its unit."},
			{name: "numbers", shape: texts(maxListed), doc: "The numbers it is ordered by."},
			{name: "lead_days", shape: whole(1, maxDays), doc: "Working days from order to hand."},
		},
	}
}

func mixObject() *object {
	return &object{
		title: "how a material mixes",
		doc:   "Thickeners that it meets and does not go with. Silence is not leave to mix.",
		fields: []field{
			{name: "no", shape: texts(maxListed), doc: "Thickeners that it does not go with."},
			{name: "ask", shape: texts(maxListed), doc: "Thickeners of which to ask before."},
		},
		anyOf: []string{"no", "ask"},
	}
}

func walkObject() *object {
	return &object{
		title: "a walk-round",
		doc:   "An occasion to walk round the machine. Tasks name the walks that they are looked at in.",
		fields: []field{
			{name: "call", shape: words(), required: true, doc: "What people call it."},
			{name: "sign", shape: word("second", "receiver"), doc: "Who signs it: a second person, or who receives the machine."},
			{name: "after", shape: events(), doc: "Events that ask for it."},
		},
	}
}

// conditions is what must hold, each under the name of what it is about.
func conditions(sections, what string, known ...string) shape {
	key, value := ref(sections, what, known...), comparison()
	return shape{kind: kindNamed, least: 1, max: maxTerms, what: what, key: &key, each: &value}
}

// comparison is a word, several of which one holds, or limits of a number.
func comparison() shape {
	each := shape{kind: kindText, max: maxID}
	return shape{kind: kindEither, least: 1, max: 20, plain: &shape{kind: kindText, max: maxID}, each: &each, object: comparisonObject()}
}

func comparisonObject() *object {
	not := shape{kind: kindText, max: maxID}
	each := not
	return &object{
		title: "a comparison",
		doc:   "Limits of a number, or words that it is not. What is not known is never taken to hold.",
		fields: []field{
			{name: "below", shape: thousandths(), doc: "Less than this."},
			{name: "above", shape: thousandths(), doc: "More than this."},
			{name: "from", shape: thousandths(), doc: "This or more."},
			{name: "up_to", shape: thousandths(), doc: "This or less."},
			{name: "not", shape: shape{kind: kindEither, least: 1, max: 20, plain: &not, each: &each}, doc: "Known, and none of these words."},
		},
		anyOf: []string{"below", "above", "from", "up_to", "not"},
	}
}
