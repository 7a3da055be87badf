package main

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// An agent may be heard before anyone has put a chart in force.
func TestAMachineWithoutAChartShowsWhatWasRead(t *testing.T) {
	total := int64(77_250 * 3600)
	m := &pb.Machine{Name: "machines/lark", DisplayName: "Lark", Meters: []*pb.MachineMeter{{Meter: "engine", TotalMs: &total, Gone: true}}}
	var out strings.Builder
	printMachines(&out, []*pb.Machine{m}, time.Now())
	require.Regexp(t, `lark +Lark +engine +77.25 `, out.String())

	m.Edition = "charts/kind/editions/1"
	out.Reset()
	printMachines(&out, []*pb.Machine{m}, time.Now())
	require.Regexp(t, `lark +Lark +- +- `, out.String(), "the chart names no such meter, and the machine is listed all the same")
}
