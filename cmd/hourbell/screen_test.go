package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTablesFoldToTheScreen(t *testing.T) {
	table := newTable("MACHINE", "STATE", "ROUND", "SAYS")
	table.add("rask-5", "due", "-", "grease the post at the fan, both fittings")
	table.add("rask-6", "not due", "-") // lacks a cell

	t.Setenv("COLUMNS", "40")
	var narrow bytes.Buffer
	table.print(&narrow, "none")
	require.Equal(t, `MACHINE  STATE    SAYS
rask-5   due      grease the post at the
                  fan, both fittings
rask-6   not due
`, narrow.String(), "the round says nothing and is left out")

	t.Setenv("COLUMNS", "12") // narrower than its words
	narrow.Reset()
	table.print(&narrow, "none")
	require.Contains(t, narrow.String(), "fittings")

	t.Setenv("COLUMNS", "")
	var wide bytes.Buffer
	table.print(&wide, "none")
	require.Contains(t, wide.String(), "grease the post at the fan, both fittings", "what no person reads keeps a row to a line")
	require.Contains(t, strings.SplitN(wide.String(), "\n", 2)[0], "ROUND")
}

func TestFieldsOfCallsAreSaidPlainly(t *testing.T) {
	for message, want := range map[string]string{
		"record.materials[0].unit: buckets is no unit": "materials unit: buckets is no unit",
		"codes[0]: the chart has no code x":            "codes: the chart has no code x",
		"person: keeper can't sign as well":            "person: keeper can't sign as well",
		"fleet.csv:3:17: there is no chart":            "fleet.csv:3:17: there is no chart",
		"there is no machine a":                        "there is no machine a",
	} {
		require.Equal(t, want, plainField(message))
	}
}
