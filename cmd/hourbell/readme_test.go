package main

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/rogpeppe/go-internal/txtar"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
)

// said is a command of the README with what the README says it prints.
type said struct {
	command string
	printed string
	chart   string // the chart's file as it stands then
}

// section gives the text under a heading, up to the next of its depth or above.
func section(t *testing.T, heading string) string {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, after, ok := strings.Cut(string(text), "\n"+heading+"\n")
	require.True(t, ok, "the README has no section %q", heading)
	depth, _, _ := strings.Cut(heading, " ")
	for d := len(depth); d > 1; d-- {
		after, _, _ = strings.Cut(after, "\n"+strings.Repeat("#", d)+" ")
	}
	return after
}

// evening gives the commands of the README's evening. A block of YAML is added
// to the chart's file, and taken out again where the file is not in order then.
func evening(t *testing.T) []said {
	var (
		list        []said
		kept, block string
		inYAML      bool
	)
	for line := range strings.Lines(section(t, "## Write your first chart")) {
		text, indented := strings.CutPrefix(line, "    ")
		command, isCommand := strings.CutPrefix(text, "$ hourbell ")
		switch {
		case strings.HasPrefix(line, "```"):
			inYAML = strings.HasPrefix(line, "```yaml")
			if inYAML {
				kept, block = keptOf(list, kept, block), ""
			}
		case inYAML:
			block += line
		case indented && isCommand:
			list = append(list, said{command: strings.TrimRight(command, "\n"), chart: kept + block})
		case indented && len(list) > 0:
			list[len(list)-1].printed += text
		}
	}
	return list
}

// keptOf gives the file without the block that was not in order.
func keptOf(list []said, kept, block string) string {
	if len(list) > 0 && strings.HasPrefix(list[len(list)-1].printed, "hourbell: ") {
		return kept
	}
	return kept + block
}

func isCheck(s said) bool { return strings.HasPrefix(s.command, "chart check ") }

func TestReadmesChartGetsTheReadmesAnswers(t *testing.T) {
	steps := evening(t)
	t.Chdir(t.TempDir())
	checks := 0
	for _, s := range steps {
		if !isCheck(s) {
			continue
		}
		checks++
		require.NoError(t, os.WriteFile("first.points.yaml", []byte(s.chart), 0o600))
		var out, stderr bytes.Buffer
		if err := run(strings.Fields(s.command), &out, &stderr); err != nil {
			fmt.Fprintln(&out, "hourbell:", err)
		}
		require.Equal(t, s.printed, out.String(), "check %d, of\n%s", checks, s.chart)
	}
	require.Equal(t, 7, checks)
}

// TestReadmesCommandsAreTheProgramsOwn reads every command line of the README as
// the program reads it, without doing anything.
func TestReadmesCommandsAreTheProgramsOwn(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	lines := regexp.MustCompile(`(?m)^    (?:\$ )?hourbell (.*?)(?: +#.*| +>.*)?$`).FindAllStringSubmatch(string(text), -1)
	require.Greater(t, len(lines), 40)
	t.Chdir(t.TempDir())
	for _, line := range lines {
		var args []string
		for _, m := range regexp.MustCompile(`(?:[^\s"]|"[^"]*")+`).FindAllString(line[1], -1) {
			arg := strings.ReplaceAll(m, `"`, "")
			if strings.HasSuffix(arg, ".yaml") || strings.HasSuffix(arg, ".csv") {
				require.NoError(t, os.WriteFile(arg, nil, 0o600))
			}
			args = append(args, arg)
		}
		parser, err := kong.New(&cli{}, kong.Vars{"version": "", "data": defaultData})
		require.NoError(t, err)
		_, err = parser.Parse(args)
		if line[1] == "site add thistle-hollow barn" {
			require.Error(t, err, "the README shows that the zone is missing")
			continue
		}
		require.NoError(t, err, line[1])
	}
}

// theScripts puts the script's words into a command of the README.
var theScripts = strings.NewReplacer(`"2031-07-12 18:00"`, "$DAYS_AGO_5", "b574731d", "$notice", `"`, "'")

// TestReadmesEveningIsTheScripts holds the script that drives the real program
// to the README's commands, one by one, and the README's answers to what the
// script asks of them.
func TestReadmesEveningIsTheScripts(t *testing.T) {
	script, err := txtar.ParseFile("testdata/evening.txtar")
	require.NoError(t, err)
	files := make(map[string]string)
	for _, f := range script.Files {
		files[f.Name] = string(f.Data)
	}
	steps, at, now := evening(t), -1, ""
	for line := range strings.Lines(string(script.Comment)) {
		line = strings.TrimSpace(line)
		verb, rest, _ := strings.Cut(line, " ")
		command, isCommand := strings.CutPrefix(strings.TrimPrefix(line, "! "), "exec hourbell ")
		switch {
		case isCommand && !strings.HasSuffix(command, " --json"):
			at++
			require.Less(t, at, len(steps), "the script says more than the README: %s", line)
			require.Equal(t, theScripts.Replace(steps[at].command), command)
		case verb == "cp":
			now = files[strings.Fields(rest)[0]]
		case verb == "cmp":
			require.Equal(t, steps[at].chart, now, "the chart before %s", steps[at].command)
			require.Equal(t, steps[at].printed, files[strings.Fields(rest)[1]], steps[at].command)
		case (verb == "stdout" || verb == "stderr") && steps[at].printed != "":
			require.Regexp(t, regexp.MustCompile("(?m)"+strings.Trim(rest, "'")), steps[at].printed, steps[at].command)
		}
	}
	require.Equal(t, len(steps), at+1, "the README says more than the script: %v", steps[at+1:])
}

// words are the sections that examples of the README's table stand among.
var words = [][2]string{
	{"conditions", `conditions: {dust: {choose: [little, heavy]}, crop: {choose: [beans, oats]}}`},
	{"events", `events: {rained-on: "rain fell on it"}`},
	{"traits", `traits: {year: {number: whole}, under_warranty: "Is it under warranty?"}`},
	{"materials", `materials: {bush-grease: {kind: grease}}`},
	{"walks", `walks: {first-day: {call: "first day out"}}`},
}

// row puts an example of the table into a chart.
func row(where, example string) string {
	var b strings.Builder
	b.WriteString("chart: rows\nedition: 1\nmeters: {engine: {group: 65253}}\n")
	for _, w := range words {
		if where != "chart" || !strings.HasPrefix(example, w[0]+":") {
			b.WriteString(w[1] + "\n")
		}
	}
	point, task := "part: {kind: belt}", "do: check, every: {months: 1}"
	switch where {
	case "chart":
		b.WriteString(example + "\n")
	case "point":
		point = example
	case "task":
		task = example
		if !strings.Contains(example, "do: ") {
			task = "do: check, " + task
		}
	}
	if !strings.Contains(task, "do: never") {
		task += ", who: operator"
		task = strings.Replace(task, ", who: technician, who: operator", ", who: technician", 1)
	}
	fmt.Fprintf(&b, "points:\n  - id: pulley\n    %s\n    tasks:\n      - {id: wash, do: clean, every: {season: after}, who: anyone}\n      - {id: look, %s}\n", point, task)
	return b.String()
}

func TestReadmesTableOfWordsCompiles(t *testing.T) {
	rows := regexp.MustCompile("(?m)^\\|[^|]*\\| (chart|point|task) \\| `(.*)` \\|$").FindAllStringSubmatch(section(t, "## What else a chart can say"), -1)
	require.Len(t, rows, 22)
	for _, r := range rows {
		_, err := chart.Compile("rows.points.yaml", []byte(row(r[1], r[2])))
		require.NoError(t, err, row(r[1], r[2]))
	}
}

func TestReadmesDifferencesStandOnItsChart(t *testing.T) {
	steps := evening(t)
	blocks := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(section(t, "### Editions, sister charts, exceptions"), -1)
	require.Len(t, blocks, 2)
	t.Chdir(t.TempDir())
	require.NoError(t, os.WriteFile("first.points.yaml", []byte(steps[len(steps)-1].chart), 0o600))
	for _, b := range blocks {
		require.NoError(t, os.WriteFile("differs.points.yaml", []byte(b[1]), 0o600))
		var out bytes.Buffer
		require.NoError(t, run([]string{"chart", "check", "differs.points.yaml", "--over", "first.points.yaml"}, &out, &out))
		require.Contains(t, out.String(), "in order.")
		require.ErrorContains(t, run([]string{"chart", "check", "differs.points.yaml"}, &out, &out), "its file is not given; name its file with --over FILE")
	}
}
