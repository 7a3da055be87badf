package main

import (
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Commands that show no work at a machine.
func workless() []string {
	return []string{
		"demo", "demo-agent", "bench", "bench-service", "serve", "customer add", "customer list", "site add", "site list", "chart import", "chart check", "chart compile", "chart list", "chart schema",
		"machine add", "machine hand-over", "machine list", "machine show", "machine take-chart", "enrol", "agents list", "agents suspend", "agents resume", "agents revoke",
		"notice mine", "notice later", "void", "log", "confirm", "hours", "readings", "days", "doubts", "doubt answer", "warnings", "watch", "verify", "server",
		"remark photo", "walk list", "cause", "gun", "conditions", "build", "tell", "adherence", "postpone",
	}
}

// bookish are the commands about people, places and times only.
func bookish() []string {
	return []string{"person", "crew", "shift", "season", "storage", "attachment", "fleet"}
}

// tasked gives one answer of a task to the functions that print one for people.
func tasked() map[string]func(io.Writer) {
	still := []*pb.Caution{{Id: "still", Text: "stand clear of the flail"}}
	const task = "machines/rask-5/points/fan-post/tasks/grease"
	work := &pb.TaskWork{EveryWords: "every 35 h of engine", AmountWords: "2 stroke"}
	full := &pb.Task{Name: task, Call: "grease it", Cautions: still, Work: work, First: -1}
	remark := &pb.MachineRemark{Name: "machines/rask-5/remarks/00000000000000000000000000000001", Point: "fan-post", Text: "x", Cautions: still}
	line := &pb.WalkLine{Task: task, Call: "grease it", PointCall: "fan post", Station: 3, Work: work, Cautions: still}
	sheet := &pb.WalkSheet{Occasion: "out-of-store", Lines: []*pb.WalkLine{line}, Cautions: still}
	walk := &pb.WalkRound{Name: "machines/rask-5/walks/00000000000000000000000000000002", Sheet: sheet, Counts: &pb.WalkCounts{}}
	effects := []*pb.EditionEffect{{Machine: "machines/rask-5", NowEdition: "charts/rask/editions/2", Tasks: []*pb.EditionTaskEffect{{Task: task, Words: "new", Cautions: still}}}}
	chartTask := []*pb.ChartTask{{Task: "points/fan-post/tasks/grease", Call: "grease it", Work: work, Cautions: still}}
	tasks := func(w io.Writer) { printTasks(w, []*pb.Task{full}, time.Unix(0, 0), "") }
	walks := func(w io.Writer) { printWalk(w, walk) }
	remarks := func(w io.Writer) { printRemarks(w, []*pb.MachineRemark{remark}, "") }
	takes := func(w io.Writer) { printEffects(w, effects, "went") }
	settings := func(w io.Writer) { printSettings(w, []*pb.MachineSetting{{Setting: "gap", Cautions: still}}) }
	return map[string]func(io.Writer){
		"due": tasks, "explain": tasks, "review": tasks,
		"due --work": func(w io.Writer) { (&dueCmd{Work: true}).printWorks(w, []*pb.Task{full}) },
		"postpone":   tasks,
		"ready": func(w io.Writer) {
			printReadiness(w, []*pb.MachineReadiness{{Machine: "machines/rask-5", Holds: []*pb.ReadinessHold{{Task: task, Words: "overdue", Cautions: still}}}})
		},
		"done": func(w io.Writer) {
			printDone(w, &pb.CreateServiceRecordResponse{Record: &pb.ServiceRecord{Name: "machines/rask-5/records/00000000000000000000000000000003"}, Tasks: []string{task}, Cautions: still})
		},
		"done (says)": func(w io.Writer) {
			var notes cautions
			printSays(w, []*pb.RecordSaying{{Task: task, Kind: "too soon", Text: "x", Cautions: still}}, &notes)
			notes.print(w)
		},
		"tell":    func(w io.Writer) { printMoved(w, []*pb.TaskMoved{{Task: task, Call: "grease it", Cautions: still}}) },
		"remarks": remarks, "remark show": remarks, "remark add": remarks, "remark change": remarks, "remark close": remarks, "remark carry": remarks, "remark reopen": remarks,
		"walk begin": walks, "walk answer": walks, "walk sign": walks, "walk leave": walks, "walk show": walks,
		"walk sheet": func(w io.Writer) { printSheet(w, "rask-5", &pb.GetWalkSheetResponse{Sheet: sheet}) },
		"look": func(w io.Writer) {
			printLeads(w, []*pb.LeadFound{{Lead: "l", Places: []*pb.PlaceToLook{{Point: "fan-post", Cautions: still}}}})
		},
		"parts": func(w io.Writer) {
			printParts(w, []*pb.MachinePart{{Name: "machines/rask-5/parts/fan-belt", Cautions: still}})
		},
		"parts --history": func(w io.Writer) {
			printPieces(w, []*pb.MachinePart{{Name: "machines/rask-5/parts/fan-belt", Pieces: []*pb.PartPiece{{}}, Cautions: still}})
		},
		"measures": func(w io.Writer) {
			printMeasures(w, []*pb.MeasuredSpot{{Task: task, Stands: "x", Cautions: still}})
		},
		"measures --values": func(w io.Writer) {
			printValues(w, []*pb.MeasuredSpot{{Task: task, Values: []*pb.MeasuredValue{{}}, Cautions: still}})
		},
		"set": settings, "settings": settings,
		"chart preview": takes, "chart take": takes, "chart copy": takes,
		"chart exception": takes,
		"chart compare": func(w io.Writer) {
			printChanges(w, []*pb.ChartChange{{About: "points/fan-post/tasks/grease", Cautions: still}})
		},
		"chart print": func(w io.Writer) { printChartTasks(w, chartTask) },
		"chart table": func(w io.Writer) { printLubrication(w, "rask-5", chartTask) },
	}
}

// TestEveryPrintedTaskShowsItsCautions on every command and every sheet.
func TestEveryPrintedTaskShowsItsCautions(t *testing.T) {
	for name, print := range tasked() {
		var out strings.Builder
		print(&out)
		assert.Contains(t, out.String(), "stand clear of the flail", name)
		assert.Contains(t, out.String(), "book, local rules", name)
	}
}

// TestEveryCommandIsKnownToShowWorkOrNot: a new command says which it does.
func TestEveryCommandIsKnownToShowWorkOrNot(t *testing.T) {
	parser, err := kong.New(&cli{}, kong.Vars{"version": "", "data": defaultData})
	require.NoError(t, err)
	shows := tasked()
	var walk func(n *kong.Node, path string)
	walk = func(n *kong.Node, path string) {
		for _, child := range n.Children {
			name := strings.TrimSpace(path + " " + child.Name)
			if len(child.Children) > 0 {
				walk(child, name)
				continue
			}
			_, is := shows[name]
			assert.True(t, is || name == "notices" || slices.Contains(workless(), name) || slices.Contains(bookish(), child.Parent.Name), "%s: does it show work at a machine? Then it shows cautions", name)
			assert.NotEmpty(t, child.Help+map[bool]string{true: "hidden"}[child.Hidden], name)
		}
	}
	walk(parser.Model.Node, "")
}

// TestASheetIsEightyColumnsWide whatever stands on it.
func TestASheetIsEightyColumnsWide(t *testing.T) {
	long := strings.Repeat("a long word of caution ", 12)
	sheet := &pb.WalkSheet{OccasionCall: long, Signer: pb.WalkSigner_WALK_SIGNER_RECEIVER, Lines: []*pb.WalkLine{{
		Task: "machines/rask-5/points/fan-post/tasks/grease", Call: long, PointCall: long, Reach: long, BuildWhy: long, SignOff: true, OpenRemarks: []string{long},
		Work: &pb.TaskWork{Pose: long, EveryWords: long, Criteria: []*pb.TaskCriterion{{Name: "x", Want: strings.Repeat("y", 200)}}}, Cautions: []*pb.Caution{{Id: "a", Text: long}},
	}}}
	var out strings.Builder
	printSheet(&out, "rask-5", &pb.GetWalkSheetResponse{Sheet: sheet, MachineDisplayName: long})
	for line := range strings.Lines(out.String()) {
		require.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), 80, line)
	}
	require.Contains(t, strings.Join(strings.Fields(out.String()), " "), "a long word of caution a long word of caution")
}

func TestFiguresComeBack(t *testing.T) {
	for text, want := range map[string]int64{"14.5": 14_500_000, "0": 0, "-3": -3_000_000, "0,000001": 1, "12": 12_000_000} {
		got, err := parseFigure(text, microParts)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
		require.Equal(t, strings.ReplaceAll(text, ",", "."), figureText(got, microParts))
	}
	for _, bad := range []string{"", "-", "1.", "1.2345678", "1e3", "one", "1,2,3", "--1", "99999999999"} {
		_, err := parseFigure(bad, microParts)
		require.Error(t, err, bad)
	}
	milli, unit, err := parseAmount("1.8l")
	require.NoError(t, err)
	require.Equal(t, int64(1800), milli)
	require.Equal(t, "l", unit)
	milli, unit, err = parseAmount("3 stroke")
	require.NoError(t, err)
	require.Equal(t, int64(3000), milli)
	require.Equal(t, "stroke", unit)
}
