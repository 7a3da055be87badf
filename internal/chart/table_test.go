package chart

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// The table is data: this holds it together, so that what is generated from it
// is whole.
func TestTableOfFieldsIsSound(t *testing.T) {
	root := language()
	fields, objects := 0, 0
	root.walk(func(o *object) {
		objects++
		assert.NotEmpty(t, o.title)
		assert.NotEmpty(t, o.doc, o.title)
		names := o.names()
		for _, f := range o.fields {
			fields++
			where := o.title + ": " + f.name
			assert.True(t, isID(f.name), where)
			assert.True(t, strings.HasSuffix(f.doc, "."), "%s has a sentence of documentation", where)
			assert.Equal(t, 1, count(names, f.name), where)
			for _, need := range f.need() {
				assert.Contains(t, names, need, where)
			}
			if f.unless != "" {
				assert.True(t, f.required, where)
				assert.Contains(t, names, "do", where)
				assert.Contains(t, doWords(), f.unless, where)
			}
			assertShape(t, root, &f.shape, where)
		}
		for _, name := range slices.Concat(o.oneOf, o.anyOf) {
			assert.Contains(t, names, name, o.title)
		}
		for _, word := range o.later {
			assert.NotContains(t, names, word, "%s: a word is read or comes later, not both", o.title)
		}
	})
	assert.Greater(t, objects, 12)
	assert.Greater(t, fields, 60)
}

func assertShape(t *testing.T, root *object, s *shape, where string) {
	t.Helper()
	assert.NotEmpty(t, s.want(), where)
	switch s.kind {
	case kindText:
		assert.Positive(t, s.max, where)
	case kindWord:
		assert.NotEmpty(t, s.words, where)
		for _, w := range s.later {
			assert.NotContains(t, s.words, w, where)
		}
	case kindWhole:
		assert.Less(t, s.min, s.max, where)
	case kindDecimal:
		assert.Positive(t, s.per, where)
		assert.Positive(t, s.top, where)
		assert.NotEmpty(t, s.finest, where)
	case kindRef:
		for _, target := range s.sections() {
			section, ok := root.find(home(target))
			if assert.True(t, ok, "%s refers to the section %q", where, target) && home(target) != inPoints {
				assert.Equal(t, kindNamed, section.shape.kind, where)
			}
		}
		assert.NotEmpty(t, s.what, where)
	case kindList:
		assert.Positive(t, s.max, where)
		assertShape(t, root, s.each, where)
	case kindNamed:
		assertShape(t, root, s.key, where)
		assertShape(t, root, s.each, where)
	case kindRange:
		assert.Positive(t, s.per, where)
		assert.Positive(t, s.top, where)
		assert.NotEmpty(t, s.finest, where)
	case kindObject:
		assert.NotEmpty(t, s.object.fields, where)
	case kindEither:
		assert.True(t, s.plain != nil || s.max > 0, where)
		if s.plain != nil {
			assertShape(t, root, s.plain, where)
		}
		if s.each != nil {
			assertShape(t, root, s.each, where)
			assert.Positive(t, s.max, where)
		}
		if s.object != nil {
			assert.NotEmpty(t, s.object.fields, where)
		}
	}
}

func count(names []string, name string) int {
	n := 0
	for _, have := range names {
		if have == name {
			n++
		}
	}
	return n
}

func TestNearest(t *testing.T) {
	words := []string{"hours", "months", "first_of", "on"}
	for word, want := range map[string]string{
		"hour": "hours", "huors": "hours", "Hours": "hours", "month": "months", "first-of": "first_of",
		"firstof": "first_of", "first of": "first_of", "no": "on", "days": "", "every": "", "": "", "xx": "",
	} {
		assert.Equal(t, want, nearest(word, words), word)
	}
	assert.Equal(t, "aaab", nearest("aaaa", []string{"aaab", "aaac"}), "of equally near ones the first")
	assert.Empty(t, nearest(strings.Repeat("h", 100_000), words), "a long word costs nothing")
}

func TestDecimalsAreExact(t *testing.T) {
	for _, tc := range []struct {
		text string
		per  int64
		want int64
		err  error
	}{
		{"0.05", msPerHour, 180_000, nil}, // one bit of an hour meter: 0.05 h = 3 min
		{"0.1", msPerHour, 360_000, nil},
		{"1234.55", msPerHour, 4_444_380_000, nil}, // 1234.55 * 3600 s
		{"100000", msPerHour, 360_000_000_000, nil},
		{"0.000001", micro, 1, nil},
		{"0.0000001", micro, 0, errFine},
		{"-40.5", milli, -40_500, nil},
		{"+7", milli, 7_000, nil},
		{"0.30000000000000000", milli, 300, nil},
		{"999999999999999999", 1, 999_999_999_999_999_999, nil},
		{"999999999999999999", milli, 0, errLarge},
		{"1000000000000000000", 1, 0, errDigits},
		{"-0", 1, 0, nil},
		{"", 1, 0, errNotNumber}, {"-", 1, 0, errNotNumber}, {".5", 1, 0, errNotNumber}, {"5.", 1, 0, errNotNumber},
		{"1e3", 1, 0, errNotNumber}, {"1_000", 1, 0, errNotNumber}, {"--1", 1, 0, errNotNumber}, {"NaN", 1, 0, errNotNumber},
		{".inf", 1, 0, errNotNumber}, {"１", 1, 0, errNotNumber}, {"007", 1, 0, errZeros}, {"1,5", 1, 0, errComma},
	} {
		d, err := parseDecimal(tc.text)
		got := int64(0)
		if err == nil {
			got, err = d.units(tc.per)
		}
		assert.ErrorIs(t, err, tc.err, tc.text)
		assert.Equal(t, tc.want, got, tc.text)
	}
}

func TestRationalsReadBackAsWritten(t *testing.T) {
	for text, want := range map[string]struct {
		r       rational
		written string
	}{
		"0.125":                {rational{1, 8}, "0.125"},
		"-0.5":                 {rational{-1, 2}, "-0.5"},
		"0":                    {rational{0, 1}, "0"},
		"40":                   {rational{40, 1}, "40"},
		"1/3":                  {rational{1, 3}, "1/3"},
		"10/4":                 {rational{5, 2}, "2.5"},
		"0.00390625":           {rational{1, 256}, "0.00390625"},
		"1/1048576":            {rational{1, 1 << 20}, "1/1048576"}, // 20 decimals: longer than a number may be
		"0.000000000000000001": {rational{1, 1_000_000_000_000_000_000}, "0.000000000000000001"},
		"999999999999999999":   {rational{999_999_999_999_999_999, 1}, "999999999999999999"},
	} {
		r, err := parseRational(text)
		if assert.NoError(t, err, text) {
			assert.Equal(t, want.r, r, text)
			assert.Equal(t, want.written, r.String(), text)
			again, err := parseRational(r.String())
			assert.NoError(t, err, text)
			assert.Equal(t, r, again, text)
		}
	}
	for _, text := range []string{"1/0", "1/-3", "1.5/2", "1/2/3", "a/2", "/", "1/"} {
		_, err := parseRational(text)
		assert.Error(t, err, text)
	}
}

func TestScientificIsExact(t *testing.T) {
	for text, want := range map[string]rational{
		"1E-07": {1, 10_000_000}, "1e3": {1000, 1}, "2.5e-1": {1, 4}, ".5": {1, 2}, "-.5": {-1, 2}, "1.": {1, 1},
		"7.8125E-03": {1, 128}, "1.000000e+00": {1, 1}, "0e5": {0, 1}, "120e-1": {12, 1}, "+2": {2, 1},
	} {
		r, err := parseScientific(text)
		if assert.NoError(t, err, text) {
			assert.Equal(t, want, r, text)
		}
	}
	for _, text := range []string{"", "e", "1e", "1e99", "1e-99", "1e400", "0x10", "nan", "1e+", "1e-19", "9e18"} {
		_, err := parseScientific(text)
		assert.Error(t, err, text)
	}
}

func TestNamesBecomeIDs(t *testing.T) {
	for name, want := range map[string]string{
		"EngSpeed": "eng_speed", "EngSpeed2": "eng_speed2", "TSC1_Mode": "tsc1_mode", "ABSActive": "abs_active",
		"rotor_speed": "rotor_speed", "_x__y_": "x_y", "2ndShaft": "s_2nd_shaft", "___": "s", "RPM": "rpm",
		"SigA1B": "sig_a1_b", strings.Repeat("Ab", 80): strings.Trim(strings.Repeat("ab_", 22)[:60], "_"),
	} {
		got := snake(name)
		assert.Equal(t, want, got, name)
		assert.True(t, isID(got), name)
	}
}
