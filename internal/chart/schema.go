package chart

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// Schema gives the JSON Schema (draft 2020-12) of a chart, for editors. It
// follows from the table of fields: what it refuses Compile refuses; what
// depends on two places at once only Compile knows. A file of differences
// (sister_of, exception_for) is held to the same fields, any of which may be
// left out or taken away.
func Schema() ([]byte, error) {
	g := &schemas{defs: make(map[string]any)}
	root := language()
	whole := g.object(root)
	g.partly = true
	part := g.object(root)
	doc := fields{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"},
		{"title", "A chart: " + root.doc},
		{"if", fields{{"anyOf", []any{fields{{"required", []string{"sister_of"}}}, fields{{"required", []string{"exception_for"}}}}}}},
		{"then", part},
		{"else", whole},
		{"$defs", g.all()},
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(doc); err != nil {
		return nil, fmt.Errorf("write the schema: %w", err)
	}
	return b.Bytes(), nil
}

// fields is a JSON object whose members keep their order.
type fields []struct {
	name  string
	value any
}

// MarshalJSON writes the members in their order.
func (f fields) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range f {
		if i > 0 {
			b.WriteByte(',')
		}
		key, err := json.Marshal(m.name)
		if err != nil {
			return nil, err
		}
		val, err := marshal(m.value)
		if err != nil {
			return nil, err
		}
		b.Write(key)
		b.WriteByte(':')
		b.Write(val)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// marshal writes JSON with letters as they are.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

// schemas makes schemas of shapes. Each object of the table is defined once.
type schemas struct {
	defs   map[string]any
	order  []string
	partly bool // of a file of differences
}

func (g *schemas) all() fields {
	var all fields
	for _, name := range g.order {
		all = append(all, fields{{name, g.defs[name]}}...)
	}
	return all
}

// object gives a reference to an object's schema.
func (g *schemas) object(o *object) fields {
	name := strings.ReplaceAll(o.title, " ", "-")
	if g.partly {
		name += "-in-part"
	}
	if _, ok := g.defs[name]; !ok {
		g.defs[name] = nil
		g.order = append(g.order, name)
		g.defs[name] = g.define(o)
	}
	return fields{{"$ref", "#/$defs/" + name}}
}

func (g *schemas) define(o *object) fields {
	props, required, beside := fields{}, []string{}, fields{}
	unless := map[string][]string{}
	for i := range o.fields {
		f := &o.fields[i]
		if !g.partly && o.title == language().title && atTop(f.name) {
			continue // for files of differences only
		}
		props = append(props, fields{{f.name, g.described(&f.shape, f.doc)}}...)
		switch {
		case f.required && f.unless != "":
			unless[f.unless] = append(unless[f.unless], f.name)
		case f.required:
			required = append(required, f.name)
		}
		if need := f.need(); len(need) == 1 {
			beside = append(beside, fields{{f.name, fields{{"required", need}}}}...)
		} else if len(need) > 1 {
			beside = append(beside, fields{{f.name, fields{{"anyOf", anyRequired(need)}}}}...)
		}
	}
	s := fields{{"description", o.doc}, {"type", "object"}, {"additionalProperties", false}}
	if g.partly {
		props = append(props, fields{{"gone", fields{{"description", "Takes away what the base has."}, {"enum", []any{"yes", true}}}}}...)
		if byID(o) {
			s = append(s, fields{{"required", []string{"id"}}}...)
		}
		return append(s, fields{{"properties", props}}...)
	}
	s = append(s, fields{{"properties", props}}...)
	if len(required) > 0 {
		s = append(s, fields{{"required", required}}...)
	}
	if len(beside) > 0 {
		s = append(s, fields{{"dependentSchemas", beside}}...)
	}
	return g.choices(s, o, unless)
}

// atTop reports a word of files of differences.
func atTop(name string) bool { return name == "sister_of" || name == "exception_for" || name == "of" }

// choices adds what an object says in one of several ways.
func (g *schemas) choices(s fields, o *object, unless map[string][]string) fields {
	var all []any
	if len(o.oneOf) > 0 {
		var ways []any
		for _, name := range o.oneOf {
			switch {
			case len(o.joined) == 2 && name == o.joined[0]:
				ways = append(ways, fields{{"anyOf", anyRequired(o.joined)}})
			case len(o.joined) == 2 && name == o.joined[1]:
			default:
				ways = append(ways, fields{{"required", []string{name}}})
			}
		}
		all = append(all, fields{{"oneOf", ways}})
	}
	if len(o.anyOf) > 0 {
		all = append(all, fields{{"anyOf", anyRequired(o.anyOf)}})
	}
	for _, word := range doWords() {
		if names := unless[word]; len(names) > 0 {
			all = append(all, fields{{"anyOf", []any{
				fields{{"properties", fields{{"do", fields{{"const", word}}}}}, {"required", []string{"do"}}},
				fields{{"required", names}},
			}}})
		}
	}
	if len(all) == 0 {
		return s
	}
	return append(s, fields{{"allOf", all}}...)
}

func anyRequired(names []string) []any {
	ways := make([]any, len(names))
	for i, name := range names {
		ways[i] = fields{{"required", []string{name}}}
	}
	return ways
}

func (g *schemas) described(s *shape, doc string) any {
	return append(fields{{"description", doc}}, g.shape(s).(fields)...)
}

// goneDef is what takes something away in a file of differences.
func goneDef() fields {
	return fields{{"type", "object"}, {"properties", fields{{"gone", fields{{"enum", []any{"yes", true}}}}}}, {"required", []string{"gone"}}, {"additionalProperties", false}}
}

// shape gives the schema of what may stand at one place.
func (g *schemas) shape(s *shape) any {
	sch := g.plain(s)
	if g.partly && s.kind != kindObject {
		return fields{{"anyOf", []any{sch, goneDef()}}}
	}
	return sch
}

// idPattern is isID as a pattern.
const idPattern = "^[a-z](?:[-_]?[a-z0-9])*$"

func (g *schemas) plain(s *shape) fields {
	switch s.kind {
	case kindText:
		return textSchema(s.max)
	case kindID:
		return fields{{"type", "string"}, {"pattern", idPattern}, {"maxLength", maxID}}
	case kindRef:
		if s.soft {
			return textSchema(s.max)
		}
		return fields{{"type", "string"}, {"minLength", 1}}
	case kindWord:
		return wordSchema(s.words)
	case kindYesNo:
		return fields{{"enum", []any{"yes", "no", true, false}}}
	case kindFlag:
		return fields{{"enum", []any{"yes", "no", true, false, nil}}}
	case kindWhole:
		return fields{{"type", "integer"}, {"minimum", s.min}, {"maximum", s.max}}
	case kindSource:
		return fields{{"anyOf", []any{fields{{"type", "integer"}, {"minimum", 0}, {"maximum", maxSource}}, fields{{"const", "any"}}}}}
	case kindDecimal:
		return decimalSchema(s)
	case kindRational:
		return fields{{"anyOf", []any{fields{{"type", "number"}}, fields{{"type", "string"}, {"pattern", `^[-+]?[0-9]+(?:\.[0-9]+|/[1-9][0-9]*)?$`}}}}}
	case kindValue:
		return fields{{"anyOf", []any{fields{{"type", "number"}}, wordSchema(stateWords())}}}
	case kindFrame:
		return fields{{"type", "string"}, {"pattern", "^[0-9A-Fa-f]{8}#"}}
	case kindDate:
		return fields{{"type", "string"}, {"pattern", "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}}
	case kindAmount:
		return fields{{"anyOf", []any{fields{{"type", "number"}, {"exclusiveMinimum", 0}, {"maximum", maxAmount}},
			fields{{"type", "string"}, {"pattern", `^[0-9]+(?:\.[0-9]+)? *(?:` + strings.Join(unitWords(), "|") + `|piece)$`}}}}}
	}
	return g.compound(s)
}

// compound gives the schema of what holds other shapes.
func (g *schemas) compound(s *shape) fields {
	switch s.kind {
	case kindRange:
		return rangeSchema(s)
	case kindObject:
		return g.object(s.object)
	case kindList:
		return fields{{"type", "array"}, {"items", g.shape(s.each)}, {"minItems", g.least(s)}, {"maxItems", s.max}}
	case kindNamed:
		return fields{{"type", "object"}, {"propertyNames", g.names(s.key)}, {"additionalProperties", g.shape(s.each)}, {"minProperties", g.least(s)}, {"maxProperties", s.max}}
	}
	var ways []any
	switch {
	case s.plain == nil:
		ways = append(ways, textSchema(s.max))
	case s.plain.kind != kindObject:
		ways = append(ways, g.plain(s.plain))
	}
	if s.each != nil {
		ways = append(ways, fields{{"type", "array"}, {"items", g.plain(s.each)}, {"minItems", g.least(s)}, {"maxItems", s.max}})
	}
	if s.object != nil {
		ways = append(ways, g.object(s.object))
	}
	return fields{{"anyOf", ways}}
}

func (g *schemas) least(s *shape) int {
	if g.partly {
		return 0
	}
	return s.least
}

// names gives the schema of a named entry's key, which is always a string.
func (g *schemas) names(s *shape) fields {
	if s.kind == kindWhole {
		return fields{{"pattern", "^(?:0[xX][0-9A-Fa-f]+|[0-9]+)$"}}
	}
	return g.plain(s)
}

func textSchema(max int64) fields {
	return fields{{"type", []string{"string", "number", "boolean"}}, {"minLength", 1}, {"maxLength", max}}
}

// wordSchema takes words, and numbers that are written without quotes.
func wordSchema(words []string) fields {
	var all []any
	for _, w := range words {
		all = append(all, w)
		if n, err := strconv.Atoi(w); err == nil && strconv.Itoa(n) == w {
			all = append(all, n)
		}
	}
	return fields{{"enum", all}}
}

func decimalSchema(s *shape) fields {
	low := fields{{"minimum", 0}}
	switch {
	case s.signed:
		low = fields{{"minimum", -s.top}}
	case s.above:
		low = fields{{"exclusiveMinimum", 0}}
	}
	return append(append(fields{{"type", "number"}}, low...), fields{{"maximum", s.top}}...)
}

func rangeSchema(s *shape) fields {
	one := decimalSchema(s)
	side := one
	if s.open {
		side = fields{{"anyOf", []any{one, fields{{"type", "null"}}}}}
	}
	pair := fields{{"type", "array"}, {"items", side}, {"minItems", 2}, {"maxItems", 2}}
	if !s.single {
		return pair
	}
	return fields{{"anyOf", []any{one, pair}}}
}
