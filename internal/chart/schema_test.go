package chart

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"
)

// validator knows as much of JSON Schema (draft 2020-12, core and validation)
// as the chart's schema uses, and refuses a keyword that it does not know. It is
// written from the standard, beside the generator.
type validator struct{ defs map[string]any }

func (v *validator) valid(schema, x any) error {
	s := schema.(map[string]any)
	for key, arg := range s {
		if err := v.keyword(s, key, arg, x); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	return nil
}

func (v *validator) keyword(s map[string]any, key string, arg, x any) error {
	switch key {
	case "$schema", "$defs", "title", "description", "then", "else":
		return nil
	case "$ref":
		return v.valid(v.defs[strings.TrimPrefix(arg.(string), "#/$defs/")], x)
	case "if":
		if v.valid(arg, x) == nil {
			return v.valid(s["then"], x)
		}
		return v.valid(s["else"], x)
	case "allOf", "anyOf", "oneOf":
		return v.several(key, arg.([]any), x)
	case "enum":
		return must(slices.ContainsFunc(arg.([]any), func(a any) bool { return reflect.DeepEqual(a, x) }), x)
	case "const":
		return must(reflect.DeepEqual(arg, x), x)
	case "type":
		return must(isType(arg, x), x)
	}
	switch x := x.(type) {
	case string:
		return v.text(key, arg, x)
	case float64:
		return v.number(key, arg, x)
	case []any:
		return v.array(key, arg, x)
	case map[string]any:
		return v.object(s, key, arg, x)
	}
	return nil
}

func must(ok bool, x any) error {
	if ok {
		return nil
	}
	return fmt.Errorf("not %v", x)
}

func (v *validator) several(key string, schemas []any, x any) error {
	n := 0
	var last error
	for _, s := range schemas {
		if err := v.valid(s, x); err == nil {
			n++
		} else {
			last = err
		}
	}
	switch key {
	case "allOf":
		if n < len(schemas) {
			return last
		}
		return nil
	case "oneOf":
		return must(n == 1, x)
	}
	if n == 0 {
		return fmt.Errorf("none holds, the last not: %w", last)
	}
	return nil
}

func isType(arg, x any) bool {
	if all, ok := arg.([]any); ok {
		return slices.ContainsFunc(all, func(a any) bool { return isType(a, x) })
	}
	switch x := x.(type) {
	case nil:
		return arg == "null"
	case bool:
		return arg == "boolean"
	case string:
		return arg == "string"
	case float64:
		return arg == "number" || arg == "integer" && x == math.Trunc(x)
	case []any:
		return arg == "array"
	}
	return arg == "object"
}

func (v *validator) text(key string, arg any, x string) error {
	switch key {
	case "pattern":
		return must(regexp.MustCompile(arg.(string)).MatchString(x), x)
	case "minLength":
		return must(utf8.RuneCountInString(x) >= int(arg.(float64)), x)
	case "maxLength":
		return must(utf8.RuneCountInString(x) <= int(arg.(float64)), x)
	}
	return known(key)
}

func (v *validator) number(key string, arg any, x float64) error {
	switch key {
	case "minimum":
		return must(x >= arg.(float64), x)
	case "exclusiveMinimum":
		return must(x > arg.(float64), x)
	case "maximum":
		return must(x <= arg.(float64), x)
	}
	return known(key)
}

func (v *validator) array(key string, arg any, x []any) error {
	switch key {
	case "items":
		for _, item := range x {
			if err := v.valid(arg, item); err != nil {
				return err
			}
		}
		return nil
	case "minItems":
		return must(len(x) >= int(arg.(float64)), x)
	case "maxItems":
		return must(len(x) <= int(arg.(float64)), x)
	}
	return known(key)
}

func (v *validator) object(s map[string]any, key string, arg any, x map[string]any) error {
	props, _ := s["properties"].(map[string]any)
	for name, val := range x {
		var err error
		switch key {
		case "properties":
			if p, ok := arg.(map[string]any)[name]; ok {
				err = v.valid(p, val)
			}
		case "propertyNames":
			err = v.valid(arg, name)
		case "additionalProperties":
			if _, ok := props[name]; ok {
				continue
			}
			if arg == false {
				err = fmt.Errorf("unknown")
			} else {
				err = v.valid(arg, val)
			}
		case "dependentSchemas":
			if d, ok := arg.(map[string]any)[name]; ok {
				err = v.valid(d, x)
			}
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	switch key {
	case "required":
		for _, name := range arg.([]any) {
			if _, ok := x[name.(string)]; !ok {
				return fmt.Errorf("no %s", name)
			}
		}
	case "minProperties":
		return must(len(x) >= int(arg.(float64)), x)
	case "maxProperties":
		return must(len(x) <= int(arg.(float64)), x)
	case "properties", "propertyNames", "additionalProperties", "dependentSchemas":
	default:
		return known(key)
	}
	return nil
}

func known(key string) error {
	all := []string{"pattern", "minLength", "maxLength", "minimum", "exclusiveMinimum", "maximum", "items", "minItems", "maxItems",
		"properties", "propertyNames", "additionalProperties", "dependentSchemas", "required", "minProperties", "maxProperties"}
	if slices.Contains(all, key) {
		return nil // of another type of value
	}
	return fmt.Errorf("keyword %q is unknown", key)
}

func schema(t *testing.T) (map[string]any, *validator) {
	t.Helper()
	text, err := Schema()
	require.NoError(t, err)
	var s map[string]any
	require.NoError(t, json.Unmarshal(text, &s))
	return s, &validator{defs: s["$defs"].(map[string]any)}
}

// plainly gives YAML as a program that reads JSON sees it.
func plainly(t *testing.T, src []byte) any {
	t.Helper()
	var n yaml.Node
	require.NoError(t, yaml.Unmarshal(src, &n))
	return jsonOf(t, n.Content[0])
}

func jsonOf(t *testing.T, n *yaml.Node) any {
	t.Helper()
	n = followed(n)
	switch n.Kind {
	case yaml.MappingNode:
		m := make(map[string]any)
		for i := 0; i+1 < len(n.Content); i += 2 {
			m[n.Content[i].Value] = jsonOf(t, n.Content[i+1])
		}
		return m
	case yaml.SequenceNode:
		all := []any{}
		for _, c := range n.Content {
			all = append(all, jsonOf(t, c))
		}
		return all
	}
	switch n.ShortTag() {
	case "!!null":
		return nil
	case "!!bool":
		return n.Value == "true"
	case "!!int", "!!float":
		var f float64
		require.NoError(t, n.Decode(&f))
		return f
	}
	return n.Value
}

func TestSchemaTakesEveryChart(t *testing.T) {
	s, v := schema(t)
	names, err := filepath.Glob("testdata/*.points.yaml")
	require.NoError(t, err)
	more, err := filepath.Glob("../../cmd/hourbell/demo/charts/*.points.yaml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(names)+len(more), 8)
	for _, name := range append(names, more...) {
		src, err := os.ReadFile(name)
		require.NoError(t, err)
		assert.NoError(t, v.valid(s, plainly(t, src)), name)
	}
}

func TestSchemaRefusesWhatTheCompilerRefusesByForm(t *testing.T) {
	s, v := schema(t)
	const top = "chart: a\nedition: 1\n"
	task := func(more string) string {
		return top + "points: [{id: p, tasks: [{id: t, do: check, who: anyone, " + more + "}]}]\n"
	}
	require.NoError(t, v.valid(s, plainly(t, []byte(task("minutes: 3")))))
	for name, src := range map[string]string{
		"no id":             "edition: 1\n",
		"unknown section":   top + "metres: {}\n",
		"id":                "chart: A b\nedition: 1\n",
		"edition 0":         "chart: a\nedition: 0\n",
		"unknown field":     task("colour: red"),
		"closed list":       task("basis: bok"),
		"interval of two":   task("every: {months: 1, season: in}"),
		"interval of none":  task("every: {}"),
		"hours alone":       task("every: {hours: 3}"),
		"months past a top": task("every: {months: 1201}"),
		"first of one":      task("every: {first_of: [{months: 1}]}"),
		"soon alone":        task("soon: {days: 3}"),
		"range of three":    task("measure: {what: w, ok: [1, 2, 3]}"),
		"date":              top + "basis: {shop: {text: t, agreed: spring}}\n",
		"amount's unit":     task("needs: {oil: 2 gal}"),
		"amount of nothing": task("amount: {most: 3}"),
		"flag":              task("soft: perhaps"),
		"condition":         task("fitted_if: {a: {bellow: 3}}"),
		"due":               task("after: [{event: e, due: soon}]"),
		"who":               top + "points: [{id: p, tasks: [{id: t, do: check}]}]\n",
		"source":            top + "meters: {m: {group: 65253, source: 254}}\n",
		"list as words":     task("tools: gun"),
		"conversions":       top + "conversions: {x: 1}\n",
		"gone":              task("gone: yes"),
		"sister's field":    top + "sister_of: {chart: b, edition: 1}\npoints: [{id: p, colour: red}]\n",
		"sister's entry":    top + "sister_of: {chart: b, edition: 1}\npoints: [{call: p}]\n",
	} {
		assert.Error(t, v.valid(s, plainly(t, []byte(src))), name)
		_, err := Compile("f", []byte(src))
		assert.Error(t, err, name)
	}
	never := top + "points: [{id: p, tasks: [{id: t, do: never, why: w}]}]\n"
	assert.NoError(t, v.valid(s, plainly(t, []byte(never))), "what is never done needs nobody")
}

// The schema names every field of every object and nothing else.
func TestSchemaFollowsTheTable(t *testing.T) {
	_, v := schema(t)
	titles := make(map[string]bool)
	language().walk(func(o *object) {
		name := strings.ReplaceAll(o.title, " ", "-")
		titles[name], titles[name+"-in-part"] = true, true
		for _, part := range []string{"", "-in-part"} {
			def, ok := v.defs[name+part].(map[string]any)
			if !ok && name == "a-sister's-base" || !ok && name == "an-exception's-base" {
				continue // only files of differences name them
			}
			require.True(t, ok, name+part)
			var want []string
			for _, f := range o.fields {
				if part == "" && o.title == "a chart" && atTop(f.name) {
					continue
				}
				want = append(want, f.name)
				prop := def["properties"].(map[string]any)[f.name].(map[string]any)
				assert.Equal(t, f.doc, prop["description"], "%s: %s", name, f.name)
			}
			if part != "" {
				want = append(want, "gone")
			}
			var have []string
			for f := range def["properties"].(map[string]any) {
				have = append(have, f)
			}
			assert.ElementsMatch(t, want, have, name+part)
			assert.Equal(t, false, def["additionalProperties"], name+part)
		}
	})
	for name := range v.defs {
		assert.True(t, titles[name], "%s is no object of the table", name)
	}
}

// Two objects of one title say the same, since they share a definition.
func TestTitlesTellObjectsApart(t *testing.T) {
	byTitle := make(map[string][]string)
	language().walk(func(o *object) {
		if have, ok := byTitle[o.title]; ok {
			assert.Equal(t, have, o.names(), o.title)
		}
		byTitle[o.title] = o.names()
	})
}

func TestSchemaIsTheSameEveryTime(t *testing.T) {
	first, err := Schema()
	require.NoError(t, err)
	for range 5 {
		again, err := Schema()
		require.NoError(t, err)
		require.Equal(t, string(first), string(again))
	}
}
