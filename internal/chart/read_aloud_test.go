package chart_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// The text was read aloud, line by line, beside the chart.
func TestWholeChartReadsAloud(t *testing.T) {
	var b strings.Builder
	require.NoError(t, chart.Describe(&b, compileFile(t, "whole2.points.yaml"), chart.Basis{}))
	assert.Equal(t, read(t, "whole2.read.txt"), b.String())
}

// Every caution of every task is said in full, and nothing forbidden is left out.
func TestNothingThatHurtsIsLeftOut(t *testing.T) {
	c := compileFile(t, "whole2.points.yaml")
	for name, write := range map[string]func(*strings.Builder) error{
		"describe": func(b *strings.Builder) error { return chart.Describe(b, c, chart.Basis{}) },
		"table":    func(b *strings.Builder) error { return chart.Table(b, c, nil) },
	} {
		var b strings.Builder
		require.NoError(t, write(&b), name)
		for _, caution := range []string{"Engine off, key out, wait until every part stands", "The bar on the ground or its props in"} {
			assert.Contains(t, b.String(), "! "+caution, name)
		}
		assert.Contains(t, b.String(), "Never water drum post, because a jet drives water past the lip", name)
	}
}

func TestLubricationTable(t *testing.T) {
	var b strings.Builder
	fits := func(point, task string) (bool, string) {
		switch {
		case task == "pickup-box/rinse":
			return false, "done at the wash place"
		case task == "drum-post/grease":
			return true, "nobody has said yet whether the frame number fits"
		}
		return true, ""
	}
	c := compileFile(t, "whole2.points.yaml")
	require.NoError(t, chart.Table(&b, c, fits))
	assert.Equal(t, read(t, "whole2.table.txt"), b.String())

	b.Reset()
	require.NoError(t, chart.Table(&b, c, func(point, task string) (bool, string) {
		if point == "drum-post" {
			return false, "on the decal, not on this machine"
		}
		return false, ""
	}))
	assert.True(t, strings.HasSuffix(b.String(), "----------\nthe drum's post: on the decal, not on this machine\n\n"), b.String())
}

func TestTableStaysNarrow(t *testing.T) {
	c := compileFile(t, "demo.points.yaml")
	long := &maintenance.Chart{ID: strings.Repeat("x", 300), Points: []maintenance.PointDef{{ID: strings.Repeat("ö", 250), Reach: strings.Repeat("y-", 90)}},
		Tasks: []maintenance.TaskDef{{ID: "t", Point: strings.Repeat("ö", 250), Do: "grease", Call: strings.Repeat("very ", 90), Material: strings.Repeat("z", 90), Cautions: []string{strings.Repeat("w ", 200)}}}}
	for _, chartOf := range []*maintenance.Chart{c, long, compileFile(t, "whole2.points.yaml")} {
		var b strings.Builder
		require.NoError(t, chart.Table(&b, chartOf, nil))
		for _, line := range strings.Split(b.String(), "\n") {
			assert.LessOrEqual(t, utf8.RuneCountInString(line), 100, line)
			assert.Equal(t, strings.TrimRight(line, " "), line)
		}
	}
	assert.EqualError(t, chart.Table(full{}, c, nil), "disk full")
}

// Points stand in walking order, and a point where nothing goes in stands not at
// all.
func TestTableIsInWalkingOrder(t *testing.T) {
	var b strings.Builder
	require.NoError(t, chart.Table(&b, compileFile(t, "demo.points.yaml"), nil))
	at := 0
	for _, name := range []string{"feeder house", "header drive", "rotor front", "concave hangers", "beater shaft", "chopper shaft", "steering axle", "unloading auger", "engine sump", "main gearbox"} {
		i := strings.Index(b.String()[at:], "\n"+name)
		require.GreaterOrEqual(t, i, 0, name)
		at += i
	}
	assert.NotContains(t, b.String(), "fire")
}

func TestCompareTellsTheNewerWords(t *testing.T) {
	before := read(t, "whole2.points.yaml")
	after := before
	for _, change := range [][2]string{
		{"edition: 7", "edition: 8"},
		{`"nothing on Sundays"`, `"nothing before noon"`},
		{"choose: [little, usual, heavy]", "choose: [little, usual, heavy, choking]"},
		{"thickener: calcium sulfonate", "thickener: lithium complex"},
		{"  stone-hit: \"a stone went through\"\n", ""},
		{"shields: 2", "shields: 3"},
		{"alternates: [\"W-84R\", \"W-85\"]", "alternates: [\"W-84R\"]"},
		{"strokes: [2, 3]", "strokes: 2"},
		{"hours: 45, on: thresher, days: 1", "hours: 40, on: thresher"},
		{"ok: [0.05, 0.3]", "ok: [0.05, 0.25]"},
		{"why: \"a jet drives water past the lip\"", "why: \"it rusts\""},
		{"seasons: 2, season: before}, provided", "seasons: 3, season: before}, provided"},
		{"\"it stiffens over winter\"", "\"it rusts over winter\""},
		{"set: 980", "set: 960"},
	} {
		require.Equal(t, 1, strings.Count(after, change[0]), change[0])
		after = strings.Replace(after, change[0], change[1], 1)
	}
	a, err := chart.Compile("before", []byte(before))
	require.NoError(t, err)
	b, err := chart.Compile("after", []byte(after))
	require.NoError(t, err)
	kinds := make(map[string]chart.ChangeKind)
	said := make(map[string]chart.Change)
	for _, change := range chart.Compare(a, b) {
		kinds[change.ID], said[change.ID] = change.Kind, change
	}
	assert.Equal(t, map[string]chart.ChangeKind{
		"owner": chart.BasisChanged, "question dust": chart.WordChanged, "material post-grease": chart.WordChanged, "event stone-hit": chart.WordChanged,
		"lead winnower-lags": chart.WordChanged, "setting winnower-speed": chart.WordChanged, "drum-post": chart.PointChanged, "winnower-belt": chart.PointChanged,
		"drum-post/grease": chart.WorkChanged, "drum-post/play": chart.WorkChanged, "drum-post/water": chart.IntervalChanged,
		"side-filters/change:fuel": chart.WorkChanged, "side-filters/change:hydraulic": chart.WorkChanged,
	}, kinds)
	assert.Equal(t, "event stone-hit: nothing, was a stone went through", said["event stone-hit"].String())
	assert.Equal(t, "drum-post/water: because it rusts, was because a jet drives water past the lip", said["drum-post/water"].String())
	assert.Contains(t, said["drum-post/grease"].Now, "too soon before 40 h on thresher, unless")
	assert.Contains(t, said["drum-post/grease"].Was, "too soon before 45 h on thresher or 1 day, unless")
	assert.Contains(t, said["side-filters/change:fuel"].Now, "instead: every 3 seasons before it opens, by the shop")
	assert.Contains(t, said["side-filters/change:fuel"].Now, "else every 240 h on engine", "both figures are said")
	assert.Empty(t, chart.Compare(a, a))
}
