package endtoend_test

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// The cab works out by itself what is due: by a chart with every word of the
// language it says of every task what the service says.
func TestTheCabSaysOfAWholeChartWhatTheServiceSays(t *testing.T) {
	w := found(t)
	w.run("chart", "import", filepath.Join("..", "..", "..", "internal", "chart", "testdata", "whole2.points.yaml"))
	w.run("machine", "add", "dunlin", "--site", "yard", "--chart", "tansy-threesome")
	b := w.box("dunlin")
	now := time.Now()
	ago := func(hours int) string { return stamp(now.Add(-time.Duration(hours) * time.Hour)) }
	w.run("build", "dunlin", "--answer", "frame_number=410", "--answer", "winnower_belt=ribbed", "--answer", "under_warranty=no")
	w.run("conditions", "dunlin", "--tell", "dust=usual")
	w.run("hours", "dunlin", "thresher", "100", "--at", ago(100))
	w.run("done", "dunlin", "--task", "drum-post/grease", "--used", "post-grease=3 strokes", "--at", ago(90))
	w.run("hours", "dunlin", "thresher", "176", "--at", ago(6))
	w.run("done", "dunlin", "--task", "winnower-belt/fit", "--part", "winnower-belt=W-84", "--variant", "winnower-belt=ribbed", "--at", ago(5))
	w.run("done", "dunlin", "--task", "side-filters/change:fuel", "--at", ago(5))
	w.run("tell", "dunlin", "drum-choked", "--minutes", "14", "--fact", "stones=yes", "--at", ago(4))
	w.run("tell", "dunlin", "hosed", "--ahead")
	b.greet([]combinesim.Frame{engineHours(now.Add(-5*time.Minute), at(50_000)), engineHours(now.Add(-time.Minute), at(50_005))})

	var cab local.Due
	out, err := b.try("due", "--json", "--all")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal([]byte(out), &cab))
	got := map[string]string{}
	for _, task := range cab.Tasks {
		got[task.Task] = task.State
	}
	want, states := map[string]string{}, map[string]bool{}
	for _, task := range ask[pb.ListTasksResponse](w, "due", "dunlin", "--all").Tasks {
		if task.Work.GetNeverWhy() != "" {
			continue // what is never done is no row of the cab's
		}
		state := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(task.DueState.String(), "DUE_STATE_")), "_", " ")
		point := strings.Split(strings.TrimPrefix(task.Name, "machines/dunlin/points/"), "/tasks/")
		want[strings.Join(point, "/")], states[state] = state, true
	}
	require.Equal(t, want, got)
	require.Greater(t, len(states), 2, "not all stand alike: %v", states)
	require.Equal(t, "soon", want["drum-post/grease"], "76 of 80 h, soon from 74")
	require.Equal(t, "due", want["dynamo/hood"], "it is going to be hosed down")
}
