package mixing_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/mixing"
)

func TestThePublishedTable(t *testing.T) {
	words := map[string]mixing.Word{"C": mixing.Yes, "B": mixing.Ask, "I": mixing.No}
	b, err := os.ReadFile("testdata/fist_2_4_table_2.tsv")
	require.NoError(t, err)
	n := 0
	for line := range strings.Lines(string(b)) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if strings.HasPrefix(line, "#") || f[0] == "one" {
			continue
		}
		require.Len(t, f, 3, line)
		got, chart := mixing.Say(f[0], f[1])
		assert.Equal(t, words[f[2]], got, line)
		assert.Equal(t, mixing.Chart, chart)
		n++
	}
	assert.Equal(t, 81, n)
}

// The same table as another reader of it noted it down.
func TestLithiumAsNotedByAnotherReader(t *testing.T) {
	for with, want := range map[string]mixing.Word{
		"lithium complex": mixing.Yes, "calcium": mixing.Ask, "polyurea": mixing.No, "clay": mixing.No,
		"sodium": mixing.No, "barium": mixing.No, "calcium complex": mixing.No,
	} {
		got, _ := mixing.Say("lithium", with)
		assert.Equal(t, want, got, with)
		got, _ = mixing.Say(with, "lithium")
		assert.Equal(t, want, got, "%s the other way round", with)
	}
}

func TestOrderChangesNothing(t *testing.T) {
	names := append(mixing.Thickeners(), "silica", "")
	for _, a := range names {
		for _, b := range names {
			ab, _ := mixing.Say(a, b)
			ba, _ := mixing.Say(b, a)
			assert.Equal(t, ab, ba, "%s and %s", a, b)
		}
	}
}

func TestWhatTheChartDoesNotHold(t *testing.T) {
	for _, pair := range [][2]string{
		{"lithium", ""}, {"", ""}, {"lithium", "calcium sulfonate"}, {"silica", "silica"}, {"Lithium", "lithium"}, {"lithiumcomplex", "lithium"},
	} {
		got, chart := mixing.Say(pair[0], pair[1])
		assert.Equal(t, mixing.NotInChart, got, pair)
		assert.Contains(t, chart, "FIST 2-4", "the chart that was asked is named")
	}
	assert.Equal(t, "not in the chart", mixing.NotInChart.String())
	assert.Equal(t, "borderline", mixing.Ask.String())
}

func TestSpellings(t *testing.T) {
	got, _ := mixing.Say("aluminum complex", "lithium complex")
	assert.Equal(t, mixing.Yes, got)
	got, _ = mixing.Say(" aluminium complex ", "lithium")
	assert.Equal(t, mixing.Ask, got)
}

func TestThickenersIsACopy(t *testing.T) {
	mixing.Thickeners()[0] = "water"
	assert.Equal(t, "sodium", mixing.Thickeners()[0])
}
