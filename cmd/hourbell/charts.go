package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/api"
)

type chartCmd struct {
	Import  chartImportCmd  `cmd:"" help:"Bring a chart into the service, or turn a DBC file into a chart's signals. For the technician."`
	Check   chartCheckCmd   `cmd:"" help:"Is this chart in order? Every mistake at once, without a service. For whoever writes charts."`
	Compile chartCompileCmd `cmd:"" help:"Write a chart as agents take it, for hourbell-agent decode --chart. For whoever tries a recording."`
	Print   chartPrintCmd   `cmd:"" help:"What does a chart say? Its tasks in walking order, or its YAML. For the technician, with the book beside it."`
	List    chartListCmd    `cmd:"" help:"Which charts and editions are there? For the technician."`

	Schema    chartSchemaCmd    `cmd:"" help:"Print the JSON Schema of the chart's language. For whoever writes charts."`
	Compare   chartCompareCmd   `cmd:"" help:"What differs between two editions, an edition and a file, or two files? For the technician."`
	Preview   chartPreviewCmd   `cmd:"" help:"What would an edition change on every machine? Nothing changes yet. For the technician."`
	Take      chartTakeCmd      `cmd:"" help:"Put an edition in force on all machines of its chart, or take it back. For the technician."`
	Copy      chartCopyCmd      `cmd:"" help:"Let sister machines go by a machine's chart, with the differences listed first. For the technician."`
	Exception chartExceptionCmd `cmd:"" help:"Put a few lines over a chart, for one machine. For the technician."`
	Table     chartTableCmd     `cmd:"" help:"Print a machine's table of grease and oil. For the wall and the van."`
}

// maxFile is the largest file that is read, in bytes.
const maxFile = 8 << 20

type chartImportCmd struct {
	File string `arg:"" type:"existingfile" help:"A chart, NAME.points.yaml, or a DBC file."`
	Out  string `help:"For a DBC file: write the signals there; standard output where left out." placeholder:"FILE"`

	AnySource bool `help:"For a DBC file: leave out which controller sends each signal."`
}

// Run imports the chart, or converts the DBC file.
func (c *chartImportCmd) Run(s *session) error {
	text, err := readFile(c.File)
	if err != nil {
		return err
	}
	switch {
	case strings.EqualFold(filepath.Ext(c.File), ".dbc"):
		return c.signals(s, text)
	case !strings.HasSuffix(c.File, ".points.yaml"):
		return fmt.Errorf("%s: a chart's file is named NAME.points.yaml, a signal file NAME.dbc", c.File)
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.ImportEdition, &pb.ImportEditionRequest{FileName: filepath.Base(c.File), Yaml: string(text), RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		id := editionText(a.Edition.Name)
		fmt.Fprintf(w, "%s: %s. Next: hourbell machine add ID --site SITE --chart %s, or hourbell machine take-chart MACHINE %s\n", a.Edition.Name, summaryText(a.Edition.Summary), id, id)
	})
}

func (c *chartImportCmd) signals(s *session, text []byte) error {
	signals, left, err := chart.FromDBC(filepath.Base(c.File), bytes.NewReader(text), chart.DBCOptions{AnySource: c.AnySource})
	if err != nil {
		return err
	}
	leftOut := make([]string, len(left))
	for i, one := range left {
		leftOut[i] = plain(one.String())
		if !s.out.json {
			fmt.Fprintln(s.out.err, leftOut[i])
		}
	}
	var yaml bytes.Buffer
	if err := chart.WriteSignalsYAML(&yaml, signals); err != nil {
		return err
	}
	if c.Out != "" {
		if err := os.WriteFile(c.Out, yaml.Bytes(), 0o644); err != nil {
			return fmt.Errorf("write the signals: %w", err)
		}
	}
	switch {
	case s.out.json:
		return json.NewEncoder(s.out.w).Encode(struct {
			File    string   `json:"file,omitempty"`
			Signals int      `json:"signals"`
			LeftOut []string `json:"left_out"`
			YAML    string   `json:"yaml"`
		}{c.Out, len(signals), leftOut, yaml.String()})
	case c.Out == "":
		_, err = s.out.w.Write(yaml.Bytes())
	default:
		_, err = fmt.Fprintf(s.out.w, "%s written, with %s. Put them into a chart, NAME.points.yaml, and import that.\n", c.Out, counted(len(signals), "signal"))
	}
	return err
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read the file: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("read the file: %w", err)
	}
	if len(text) > maxFile {
		return nil, fmt.Errorf("%s: larger than %d bytes, which no chart is", path, maxFile)
	}
	return text, nil
}

func summaryText(c *pb.ChartSummary) string {
	parts := []string{counted(int(c.GetMeters()), "meter"), counted(int(c.GetPoints()), "point"), counted(int(c.GetTasks()), "task")}
	for _, one := range []struct {
		n    int32
		what string
	}{{c.GetRounds(), "round"}, {c.GetSignals(), "signal"}, {c.GetCodes(), "code"}, {c.GetDrives(), "drive"}} {
		if one.n > 0 {
			parts = append(parts, counted(int(one.n), one.what))
		}
	}
	return strings.Join(parts, ", ")
}

type chartCheckCmd struct {
	File  string `arg:"" help:"The chart, NAME.points.yaml."`
	Print bool   `help:"Print it for people to read, in walking order."`
	overFlag
}

// Run compiles the chart and says what it found.
func (c *chartCheckCmd) Run(s *session) error {
	read, err := readChart(c.File, c.Over)
	if err != nil {
		return err
	}
	if c.Print && !s.out.json {
		return chart.Describe(s.out.w, read.Chart, read.Basis)
	}
	edition := &pb.Edition{Name: fmt.Sprintf("charts/%s/editions/%d", read.Chart.ID, read.Chart.Edition), Summary: api.Summary(read.Chart)}
	return s.out.document(edition, func(w io.Writer) {
		fmt.Fprintf(w, "%s: %s: in order.\n", edition.Name, summaryText(edition.Summary))
	})
}

type chartCompileCmd struct {
	File string `arg:"" help:"The chart, NAME.points.yaml."`
	Out  string `help:"Where to write it; beside the chart, as NAME.hbchart, where left out." placeholder:"FILE"`
	overFlag
}

// Run compiles the chart and writes it in the domain's fixed encoding, which is
// what travels to agents.
func (c *chartCompileCmd) Run(s *session) error {
	read, err := readChart(c.File, c.Over)
	if err != nil {
		return err
	}
	compiled := read.Chart
	out := c.Out
	if out == "" {
		out = strings.TrimSuffix(c.File, ".points.yaml") + ".hbchart"
	}
	if err := os.WriteFile(out, maintenance.AppendChart(nil, compiled), 0o644); err != nil {
		return fmt.Errorf("write the compiled chart: %w", err)
	}
	hash := compiled.Hash()
	written := struct {
		File    string `json:"file"`
		Chart   string `json:"chart"`
		Edition uint32 `json:"edition"`
		Hash    string `json:"sha256"`
	}{out, compiled.ID, compiled.Edition, fmt.Sprintf("%x", hash[:])}
	if s.out.json {
		return json.NewEncoder(s.out.w).Encode(written)
	}
	_, err = fmt.Fprintf(s.out.w, "%s written: %s edition %d. Next: hourbell-agent decode FILE --chart %s\n", out, compiled.ID, compiled.Edition, out)
	return err
}

type chartPrintCmd struct {
	Chart string `arg:"" help:"The chart, as CHART for the newest edition or CHART/EDITION; or a file NAME.points.yaml, without a service."`
	YAML  bool   `help:"As it was written."`
	overFlag
}

// Run prints the edition, or the file.
func (c *chartPrintCmd) Run(s *session) error {
	if isFile(c.Chart) {
		return (&chartCheckCmd{File: c.Chart, Print: true, overFlag: c.overFlag}).Run(s)
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.GetEdition, &pb.GetEditionRequest{Name: editionName(c.Chart)})
	if err != nil {
		return err
	}
	if c.YAML && !s.out.json {
		_, err := io.WriteString(s.out.w, a.Edition.Yaml)
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s, %s\n\n", editionText(a.Edition.Name), summaryText(a.Edition.Summary))
		printChartTasks(w, a.Edition.Tasks)
	})
}

func printChartTasks(w io.Writer, tasks []*pb.ChartTask) {
	var notes cautions
	t := newTable("STATION", "TASK", "DO", "EVERY", "ROUND", "WHO", "MATERIAL", "AMOUNT", "BOOK", "CAUTIONS")
	for _, one := range tasks {
		every := make([]string, 0, len(one.Intervals))
		for _, i := range one.Intervals {
			every = append(every, intervalText(i))
		}
		station := "-"
		if one.Station > 0 {
			station = fmt.Sprint(one.Station)
		}
		t.add(station, taskText(one.Task), or(one.Call, one.Do), orDash(strings.Join(every, " or ")), orDash(one.Round), orDash(one.Who), orDash(one.Material), orDash(or(one.Work.GetAmountWords(), one.Amount)), orDash(one.Work.GetBookWords()), notes.marks(one.Cautions))
	}
	t.print(w, "No tasks.")
	notes.print(w)
}

// intervalText says an interval; one of a kind that came later by its words.
func intervalText(i *pb.ChartInterval) string {
	if i.GetEveryMs() == 0 && i.GetEveryMonths() == 0 && i.Words != "" {
		return i.Words
	}
	return everyText(i.GetEveryMs(), i.GetEveryMonths(), i.Meter)
}

func everyText(ms int64, months int32, meter string) string {
	switch {
	case ms > 0:
		return strings.TrimSuffix(hoursText(ms), ".0") + " h " + meter
	case months == 1:
		return "month"
	case months == 12:
		return "year"
	}
	return fmt.Sprintf("%d months", months)
}

type chartListCmd struct {
	Chart string `arg:"" optional:"" help:"Only this chart's editions."`
}

// Run lists the editions.
func (c *chartListCmd) Run(s *session) error {
	all := &pb.ListEditionsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.ListEditions, &pb.ListEditionsRequest{Parent: under("charts", or(c.Chart, "-")), PageSize: pageSize, PageToken: token})
		all.Editions = append(all.Editions, a.GetEditions()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("CHART", "HOLDS", "IMPORTED")
		for _, e := range all.Editions {
			t.add(editionText(e.Name), summaryText(e.Summary), stampText(e.CreateTime, "-"))
		}
		t.print(w, "No charts. Bring one with `hourbell chart import FILE.points.yaml`.")
	})
}
