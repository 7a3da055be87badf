package chart_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// shelf gives sources by chart and edition.
type shelf map[string]string

func (s shelf) base(id string, edition uint32) ([]byte, error) {
	if src, ok := s[id]; ok {
		return []byte(src), nil
	}
	return nil, errors.New("there is no such chart")
}

func read(t *testing.T, name string) string {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	return string(src)
}

func TestSisterChartHoldsOnlyWhatDiffers(t *testing.T) {
	s := shelf{"tansy-threesome": read(t, "whole2.points.yaml")}
	base := compileFile(t, "whole2.points.yaml")
	c, err := chart.CompileOver("sister.points.yaml", []byte(read(t, "sister.points.yaml")), s.base)
	require.NoError(t, err)

	assert.Equal(t, []any{"tansy-narrow", uint32(1), ""}, []any{c.ID, c.Edition, c.Exception})
	assert.Equal(t, []maintenance.AttachmentDef{{ID: "reel-bar", Call: "the eight-metre bar"}}, c.Attachments)
	assert.Len(t, c.Meters, 3)
	assert.Equal(t, []maintenance.RoundDef{{ID: "noon", Call: "the noon round", Minutes: 14}}, c.Rounds)
	assert.Equal(t, "narrow", c.Cautions[3].ID, "what is new comes after the base's")
	assert.Equal(t, base.Signals, c.Signals, "what is not named stays")

	post := pointOf(t, c, "drum-post")
	assert.Equal(t, []any{uint32(2), "right", "", uint32(3)}, []any{post.Station, post.Side, post.Access, post.Fittings}, "fields are put over one by one")
	grease := taskOf(t, c, "drum-post/grease")
	assert.Equal(t, []maintenance.Limb{{Kind: maintenance.LimbDays, Days: 4, While: nil}}, grease.Limbs, "a choice made in another way stands alone")
	assert.Equal(t, maintenance.TooSoonDef{Days: 1, Unless: []string{"hosed"}}, grease.TooSoon)
	assert.Equal(t, []string{"stopped", "narrow"}, grease.Cautions, "a list is replaced")
	assert.Equal(t, "2 to 3 strokes per fitting, at most 4, at most 60 a season", grease.Amount)
	var ids []string
	for _, d := range c.Tasks {
		if d.Point == "drum-post" || d.Point == "pickup-box" || d.Point == "rail" {
			ids = append(ids, d.ID)
		}
	}
	assert.Equal(t, []string{"drum-post/grease", "drum-post/play", "drum-post/wipe", "rail/bolts"}, ids)
}

func TestExceptionChangesOneMachine(t *testing.T) {
	s := shelf{"tansy-threesome": read(t, "whole2.points.yaml"), "tansy-narrow": read(t, "sister.points.yaml")}
	c, err := chart.CompileOver("exception.points.yaml", []byte(read(t, "exception.points.yaml")), s.base)
	require.NoError(t, err)
	assert.Equal(t, []any{"tansy-narrow", uint32(1), "lark"}, []any{c.ID, c.Edition, c.Exception})
	i := slices.IndexFunc(c.Parts, func(d maintenance.PartDef) bool { return d.ID == "winnower-belt" })
	assert.Equal(t, []string{"C 84", "belt"}, []string{c.Parts[i].Size, c.Parts[i].Kind})
	tension := taskOf(t, c, "winnower-belt/tension")
	assert.Equal(t, []maintenance.Limb{{Kind: maintenance.LimbMonths, Months: 1}}, tension.Limbs)
	assert.Equal(t, []hours.Millis{15 * hours.Minute}, tension.RunIns[0].Marks)
	assert.Equal(t, "thresher", tension.RunIns[0].Meter)

	sister, err := chart.CompileOver("f", []byte(s["tansy-narrow"]), s.base)
	require.NoError(t, err)
	assert.NotEqual(t, sister.Hash(), c.Hash())
	var b strings.Builder
	require.NoError(t, chart.Describe(&b, c, chart.Basis{}))
	assert.Contains(t, b.String(), "  an exception for lark only\n")
}

// A whole chart needs no base, and is what Compile makes of it.
func TestWholeChartStandsOnNothing(t *testing.T) {
	for _, name := range []string{"whole.points.yaml", "whole2.points.yaml", "demo.points.yaml"} {
		c, err := chart.CompileOver(name, []byte(read(t, name)), nil)
		require.NoError(t, err)
		assert.Equal(t, compileFile(t, name), c)
	}
	_, err := chart.CompileOver("f", []byte("chart: A\nedition: 1\n"), nil)
	assert.ErrorContains(t, err, `f:1:8: "A" is not an id`)
}

const overBase = `chart: base
edition: 1
meters: {engine: {group: 65253}}
cautions: {still: "off", hot: "hot"}
points:
  - id: hub
    tasks:
      - {id: grease, do: grease, every: {hours: 10, on: engine}, who: operator, cautions: [still]}
`

func TestEveryMistakeInDifferencesHasItsPlace(t *testing.T) {
	const sister = "sister_of: {chart: base, edition: 1}\nchart: own\nedition: 1\n"
	const exception = "exception_for: lark\nof: {chart: base, edition: 1}\n"
	for _, tc := range []struct{ name, in, want string }{
		{"no such base", "sister_of: {chart: bse, edition: 1}\nchart: own\nedition: 1\n", `f:1:12: edition 1 of bse can't be had: there is no such chart; import it first, or mend the name`},
		{"base in part", "sister_of: {chart: base}\nchart: own\nedition: 1\n", `f:1:12: a sister's base needs "edition"; want a whole number from 1 to 4294967295`},
		{"no id of its own", "sister_of: {chart: base, edition: 1}\nedition: 1\n", `f:1:1: a sister chart needs a "chart" of its own`},
		{"the base's id", "sister_of: {chart: base, edition: 1}\nchart: base\nedition: 2\n", `f:2:8: a sister chart under its base's id; want an id of its own`},
		{"both", sister + "exception_for: lark\nof: {chart: base, edition: 1}\n", `f:4:1: an exception beside a sister; want one of the two; make two files`},
		{"of no chart", "exception_for: lark\n", `f:1:1: it is not said of which chart; want "of", as {chart: ..., edition: ...}`},
		{"another id", exception + "chart: own\n", `f:3:8: an exception may not change the chart's id; want base; leave it out`},
		{"meters", exception + "meters: {drum: {read_off: x}}\n", `f:3:1: an exception may not change meters; make a sister chart`},
		{"renamed", exception + "points: [{id: hub, was: h, tasks: [{id: grease, was: g}]}]\n", "f:3:20: an exception may not change ids; leave it out, or make a sister chart\nf:3:49: an exception may not change ids; leave it out, or make a sister chart"},
		{"stands on an exception", "exception_for: lark\nof: {chart: exc, edition: 1}\n", `f:2:5: it stands on an exception for one machine; want a chart of a kind of machine`},
		{"nothing to take away", sister + "cautions: {wet: {gone: yes}}\n", `f:4:12: the base has no "wet" to take away; leave it out`},
		{"no point to take away", sister + "points: [{id: hbu, gone: yes}]\n", `f:4:10: the base has no "hbu" to take away; leave it out, or mend the id`},
		{"gone, and not", sister + "points: [{id: hub, gone: perhaps, call: x}]\n", "f:4:26: \"perhaps\" is not yes; want yes\nf:4:35: \"call\" beside gone; take one of them out"},
		{"twice", sister + "points:\n  - {id: hub, call: a}\n  - {id: hub, call: b}\n", `f:6:5: "hub" stands twice, first on line 5; keep one of them`},
		{"field twice", sister + "rounds: {a: {call: b}}\nrounds: {c: {call: d}}\n", `f:5:1: "rounds" stands twice, first on line 4; keep one of them`},
		{"mistake in the differences", sister + "points: [{id: hub, tasks: [{id: grease, every: {hours: 10, on: engin}}]}]\n", `f:4:64: "engin" is not defined in meters; want engine; did you mean "engine"?`},
		{"new task in part", sister + "points: [{id: hub, tasks: [{id: look, do: check}]}]\n", `f:4:28: a task needs "who"; want operator, technician, dealer or anyone`},
		{"what the base needs is gone", sister + "cautions: {still: {gone: yes}}\n", `base edition 1:8:92: "still" is not defined in cautions; want hot; add it to cautions`},
		{"both files", sister + "points: [{id: hub, call: 5, whre: {}}]\ncautions: {still: {gone: yes}}\n", "f:4:29: a point has no \"whre\"; want id, was, call, fitted_if, on_decal, part, where or tasks; did you mean \"where\"?\nbase edition 1:8:92: \"still\" is not defined in cautions; want hot; add it to cautions"},
		{"base that is no chart", "sister_of: {chart: list, edition: 1}\nchart: own\nedition: 1\n", "list edition 1:1:1: it is no chart"},
		{"on itself", "sister_of: {chart: loop, edition: 1}\nchart: own\nedition: 1\n", `loop edition 1:1:12: more than 4 charts stand on each other; write one of them out`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := shelf{"base": overBase, "exc": exception, "list": "- a\n", "loop": "sister_of: {chart: loop, edition: 1}\nchart: loop2\nedition: 1\n"}
			c, err := chart.CompileOver("f", []byte(tc.in), s.base)
			require.Error(t, err)
			assert.Nil(t, c)
			assert.Equal(t, tc.want, err.Error())
		})
	}
}

func FuzzCompileOver(f *testing.F) {
	for _, name := range []string{"sister.points.yaml", "exception.points.yaml"} {
		src, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(f, err)
		f.Add(src, []byte(overBase))
	}
	f.Fuzz(func(t *testing.T, src, base []byte) {
		c, err := chart.CompileOver("f", src, func(string, uint32) ([]byte, error) { return base, nil })
		if err != nil {
			var all chart.Errors
			require.ErrorAs(t, err, &all)
			require.Nil(t, c)
			return
		}
		require.NoError(t, chart.Describe(discard{}, c, chart.Basis{}))
	})
}
