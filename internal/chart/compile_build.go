package chart

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// questions compiles traits and conditions. They share their names, since a
// condition may be on either.
func (c *compiler) questions(root *value) {
	c.asked = make(map[string]*maintenance.TraitDef)
	c.parts = make(map[string]*value)
	for _, p := range root.list("points") {
		if part := p.get("part"); part != nil {
			c.parts[p.str("id")] = part
		}
	}
	for _, section := range []struct {
		name string
		into *[]maintenance.TraitDef
	}{{"traits", &c.chart.Traits}, {"conditions", &c.chart.Conditions}} {
		for _, e := range root.entries(section.name) {
			if e.value != nil {
				*section.into = append(*section.into, c.question(e))
			}
		}
	}
}

// kept are names that conditions use for something else.
func kept() []string { return []string{"minutes", "variant"} }

func (c *compiler) question(e entry) maintenance.TraitDef {
	v, def := e.value, maintenance.TraitDef{ID: e.key.text, Kind: maintenance.TraitYesNo}
	switch {
	case v.field == nil:
		def.Ask = v.text
	case v.has("number"):
		def.Kind = maintenance.TraitNumber
	case v.has("choose"):
		def.Kind, def.Choices = maintenance.TraitChoice, c.unlike(v, "choose")
	case v.keyed("number") || v.keyed("choose"):
		def.Kind = 0 // not understood, and said so: its answers are not held against it
	}
	if v.field != nil {
		def.Ask, def.Unit, def.Renewed = v.str("ask"), v.str("unit"), v.str("renewed_with")
	}
	if slices.Contains(kept(), def.ID) {
		c.bad(e.key, def.ID+" has a meaning of its own in conditions", "another name", "")
	}
	if _, ok := c.asked[def.ID]; ok {
		c.bad(e.key, def.ID+" is a trait already", "another name", "a condition and a trait can't share one")
	}
	c.asked[def.ID] = &def
	return def
}

// unlike gives the words of a list, and refuses one that stands twice.
func (c *compiler) unlike(v *value, name string) []string {
	var texts []string
	f := v.get(name)
	if f == nil {
		return nil
	}
	if f.items == nil && f.text != "" {
		return []string{f.text}
	}
	for _, item := range f.items {
		if item == nil {
			continue
		}
		if slices.Contains(texts, item.text) {
			c.bad(item, item.text+" stands twice", "", "keep one of them")
			continue
		}
		texts = append(texts, item.text)
	}
	return texts
}

// item gives the entry of a list that says a text, the list where none does.
func (v *value) item(name, text string) *value {
	for _, item := range v.list(name) {
		if item != nil && item.text == text {
			return item
		}
	}
	return v.get(name)
}

// happenings compiles events, counts and attachments.
func (c *compiler) happenings(root *value) {
	for _, e := range root.entries("events") {
		if e.value == nil {
			continue
		}
		if slices.Contains(knownEvents(), e.key.text) || e.key.text == maintenance.EventConditions {
			c.bad(e.key, "every chart knows "+e.key.text, "", "leave it out")
			continue
		}
		c.chart.Events = append(c.chart.Events, maintenance.EventDef{ID: e.key.text, Call: e.value.text})
	}
	for _, e := range root.entries("counts") {
		if slices.ContainsFunc(c.chart.Events, func(d maintenance.EventDef) bool { return d.ID == e.key.text }) {
			c.bad(e.key, e.key.text+" is an event already", "another name", "an event can be counted as it is")
			continue
		}
		c.chart.Counts = append(c.chart.Counts, maintenance.CountDef{ID: e.key.text, Call: e.value.str("call"), Unit: e.value.str("unit")})
	}
	for _, e := range root.entries("attachments") {
		if e.value != nil {
			c.chart.Attachments = append(c.chart.Attachments, maintenance.AttachmentDef{ID: e.key.text, Call: e.value.text})
		}
	}
}

func (c *compiler) materials(root *value) {
	for _, e := range root.entries("materials") {
		v := e.value
		if v == nil {
			continue
		}
		def := maintenance.MaterialDef{
			ID: e.key.text, Call: v.str("call"), Kind: v.str("kind"), Thickener: v.str("thickener"), NLGI: v.str("nlgi"),
			Grade: v.str("grade"), Solids: v.str("solids"), MixChart: v.str("by"), Numbers: v.texts("numbers"), LeadDays: uint32(v.whole("lead_days", 0)),
		}
		if def.Call == "" {
			def.Call = spoken(def.ID)
		}
		def.Pack, def.PackUnit = v.whole("pack", 0), v.get("pack").words()
		mixes := v.get("mixes")
		for _, no := range c.unlike(mixes, "no") {
			def.Mixes = append(def.Mixes, maintenance.MixDef{With: no, Word: maintenance.MixNo})
		}
		for _, ask := range c.unlike(mixes, "ask") {
			if slices.ContainsFunc(def.Mixes, func(m maintenance.MixDef) bool { return m.With == ask && m.Word == maintenance.MixNo }) {
				c.bad(mixes.item("ask", ask), ask+" stands under no as well", "", "keep it where it is safe: under no")
				continue
			}
			def.Mixes = append(def.Mixes, maintenance.MixDef{With: ask, Word: maintenance.MixAsk})
		}
		if def.Thickener != "" && slices.ContainsFunc(def.Mixes, func(m maintenance.MixDef) bool { return m.With == def.Thickener }) {
			c.bad(mixes, def.ID+" does not go with its own thickener", "other thickeners than "+def.Thickener, "")
		}
		c.chart.Materials = append(c.chart.Materials, def)
	}
}

// words gives a value's text.
func (v *value) words() string {
	if v == nil {
		return ""
	}
	return v.text
}

// spoken gives an id as people read it.
func spoken(id string) string { return strings.NewReplacer("-", " ", "_", " ").Replace(id) }

func (c *compiler) walks(root *value) {
	for _, e := range root.entries("walks") {
		if e.value == nil {
			continue
		}
		def := maintenance.WalkDef{ID: e.key.text, Call: e.value.str("call"), After: c.unlike(e.value, "after")}
		switch e.value.str("sign") {
		case "second":
			def.Sign = maintenance.SignSecond
		case "receiver":
			def.Sign = maintenance.SignReceiver
		}
		c.chart.Walks = append(c.chart.Walks, def)
	}
}

// newWords keeps what only the second encoding holds of what charts could say
// before: a chart that says nothing new keeps the bytes that it had.
func (c *compiler) newWords(root *value) {
	full := false
	for _, name := range basisWords() {
		full = full || root.get("basis").get(name).has("text")
	}
	for _, d := range c.doses {
		full = full || d.more
	}
	if !full && !c.chart.NeedsWorkRules() {
		return
	}
	for i, name := range basisWords() {
		v := root.get("basis").get(name)
		if v == nil {
			continue
		}
		def := maintenance.BasisDef{Kind: maintenance.BasisKind(i + 1), Text: v.text, Agreed: civil.None}
		if v.field != nil {
			def.Text, def.Who, def.Agreed = v.str("text"), v.str("who"), civil.Date(v.whole("agreed", int64(civil.None)))
		}
		c.chart.Basis = append(c.chart.Basis, def)
	}
	for _, d := range c.doses {
		c.chart.Tasks[d.task].Dose = []maintenance.DoseDef{d.dose}
	}
}

// conds compiles what must hold.
func (c *compiler) conds(v *value, name string, variants []string) []maintenance.Cond {
	var conds []maintenance.Cond
	for _, e := range v.entries(name) {
		if e.value != nil {
			conds = append(conds, c.cond(e, variants)...)
		}
	}
	if len(conds) > maxTerms {
		c.bad(v.get(name), fmt.Sprintf("%d conditions here", len(conds)), fmt.Sprintf("at most %d", maxTerms), "")
	}
	return conds
}

// answers gives the kind of what a condition is about, and its words.
func (c *compiler) answers(of string, variants []string) (maintenance.TraitKind, []string) {
	switch def := c.asked[of]; {
	case of == "minutes":
		return maintenance.TraitNumber, nil
	case of == "variant":
		return maintenance.TraitChoice, variants
	case def == nil || def.Kind == 0:
		return 0, nil
	case def.Kind == maintenance.TraitYesNo:
		return def.Kind, []string{maintenance.Yes, maintenance.No}
	default:
		return def.Kind, def.Choices
	}
}

func (c *compiler) cond(e entry, variants []string) []maintenance.Cond {
	v, of := e.value, e.key.text
	kind, words := c.answers(of, variants)
	if kind == 0 {
		return nil // not defined, and said so
	}
	if v.field != nil {
		return c.limits(v, of, kind, words)
	}
	if kind == maintenance.TraitNumber {
		return c.exactly(v, of)
	}
	return []maintenance.Cond{{Of: of, Op: maintenance.CondIs, Words: c.choices(v, of, words)}}
}

// exactly is a number that is meant as it stands.
func (c *compiler) exactly(v *value, of string) []maintenance.Cond {
	d, err := parseDecimal(v.text)
	var n int64
	if err == nil {
		n, err = d.units(milli)
	}
	if err != nil || v.items != nil {
		c.bad(v, of+" is a number", "a number, or {below: ...}, {above: ...}, {from: ...} or {up_to: ...}", "")
		return nil
	}
	return []maintenance.Cond{{Of: of, Op: maintenance.CondFrom, Milli: n}, {Of: of, Op: maintenance.CondUpTo, Milli: n}}
}

// choices holds words to the answers that there are.
func (c *compiler) choices(v *value, of string, words []string) []string {
	items := v.items
	if items == nil {
		items = []*value{v}
	}
	var chosen []string
	for _, item := range items {
		if item == nil {
			continue
		}
		text := item.text
		if slices.Contains(words, maintenance.Yes) && item.node.Style&quotes == 0 {
			text = strings.NewReplacer("true", maintenance.Yes, "false", maintenance.No).Replace(text)
		}
		if !slices.Contains(words, text) {
			c.bad(item, fmt.Sprintf("%s is never %s", of, shown(text)), list(words, "or"), didYouMean(text, words))
			continue
		}
		chosen = append(chosen, text)
	}
	return chosen
}

func (c *compiler) limits(v *value, of string, kind maintenance.TraitKind, words []string) []maintenance.Cond {
	var conds []maintenance.Cond
	for _, o := range []struct {
		name string
		op   maintenance.CondOp
	}{{"from", maintenance.CondFrom}, {"above", maintenance.CondAbove}, {"up_to", maintenance.CondUpTo}, {"below", maintenance.CondBelow}} {
		n := v.get(o.name)
		if n == nil {
			continue
		}
		if kind != maintenance.TraitNumber {
			c.bad(n, of+" is no number", list(words, "or"), "")
			continue
		}
		conds = append(conds, maintenance.Cond{Of: of, Op: o.op, Milli: n.num})
	}
	if not := v.get("not"); not != nil {
		if kind == maintenance.TraitNumber {
			c.bad(not, of+" is a number", "{below: ...}, {above: ...}, {from: ...} or {up_to: ...}", "")
			return conds
		}
		conds = append(conds, maintenance.Cond{Of: of, Op: maintenance.CondIsNot, Words: c.choices(not, of, words)})
	}
	if len(conds) > 1 && none(conds) {
		c.bad(v, "no "+of+" is all of this", "limits that leave something between them", "")
	}
	return conds
}

// none reports limits of a number that leave nothing between them.
func none(conds []maintenance.Cond) bool {
	low, high := int64(-1<<62), int64(1<<62)
	for _, cond := range conds {
		switch cond.Op {
		case maintenance.CondBelow:
			high = min(high, cond.Milli-1)
		case maintenance.CondUpTo:
			high = min(high, cond.Milli)
		case maintenance.CondAbove:
			low = max(low, cond.Milli+1)
		case maintenance.CondFrom:
			low = max(low, cond.Milli)
		}
	}
	return low > high
}
