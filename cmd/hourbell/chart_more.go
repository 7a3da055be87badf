package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/chart"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type chartSchemaCmd struct{}

// Run prints the JSON Schema. Like chart check it needs no service.
func (c *chartSchemaCmd) Run(s *session) error {
	text, err := chart.Schema()
	if err != nil {
		return err
	}
	_, err = io.WriteString(s.out.w, strings.TrimRight(string(text), "\n")+"\n")
	return err
}

// isFile reports whether what was typed is a chart's file, and not an edition.
func isFile(typed string) bool { return strings.HasSuffix(typed, ".yaml") }

type chartCompareCmd struct {
	Chart string `arg:"" help:"The chart as it was: CHART for the newest edition or CHART/EDITION; or a file NAME.points.yaml, where the other is a file too."`
	Other string `arg:"" help:"The chart as it is to be: CHART/EDITION, or a file NAME.points.yaml. Two files need no service."`
	overFlag
}

// Run says what differs.
func (c *chartCompareCmd) Run(s *session) error {
	switch {
	case isFile(c.Chart) && isFile(c.Other):
		return compareFiles(s, c.Chart, c.Other, c.Over)
	case isFile(c.Chart):
		return fmt.Errorf("%s: an edition is compared with a file, not a file with an edition; say hourbell chart compare %s %s", c.Chart, c.Other, c.Chart)
	}
	q := &pb.CompareEditionsRequest{Name: editionName(c.Chart)}
	if !isFile(c.Other) {
		q.Other = editionName(c.Other)
	} else if text, err := readFile(c.Other); err != nil {
		return err
	} else {
		q.Yaml, q.FileName = string(text), filepath.Base(c.Other)
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.CompareEditions, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printChanges(w, a.Changes) })
}

func printChanges(w io.Writer, list []*pb.ChartChange) {
	var notes cautions
	t := newTable("ABOUT", "NOW", "WAS", "CAUTIONS")
	for _, c := range list {
		t.add(pathText(c.About), orDash(c.Now), orDash(c.Was), notes.marks(c.Cautions))
	}
	t.print(w, "Nothing differs that a task or a meter shows.")
	notes.print(w)
}

type chartPreviewCmd struct {
	Chart   string   `arg:"" help:"The edition, as CHART/EDITION or CHART for the newest; or a file NAME.points.yaml."`
	Machine []string `help:"Only this machine; give it again for each. All machines of the chart where left out." placeholder:"MACHINE"`
}

// Run says what the edition would change on each machine.
func (c *chartPreviewCmd) Run(s *session) error {
	q := &pb.PreviewEditionRequest{Machines: machineNames(c.Machine)}
	if !isFile(c.Chart) {
		q.Name = editionName(c.Chart)
	} else if text, err := readFile(c.Chart); err != nil {
		return err
	} else {
		q.Yaml, q.FileName = string(text), filepath.Base(c.Chart)
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.PreviewEdition, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printEffects(w, a.Machines, "would go") })
}

func machineNames(ids []string) []string {
	var out []string
	for _, id := range ids {
		out = append(out, under("machines", id))
	}
	return out
}

// printEffects prints what an edition changes, machine by machine.
func printEffects(w io.Writer, list []*pb.EditionEffect, goes string) {
	if len(list) == 0 {
		fmt.Fprintln(w, "No machine is concerned.")
		return
	}
	var notes cautions
	for _, m := range list {
		was := "no chart"
		if m.WasEdition != "" {
			was = editionText(m.WasEdition)
		}
		switch {
		case m.Refused != "":
			fmt.Fprintf(w, "%s stays as it is: %s\n", lastPart(m.Machine), plain(m.Refused))
			continue
		case m.Unchanged:
			fmt.Fprintf(w, "%s has %s already.\n", lastPart(m.Machine), editionText(m.NowEdition))
			continue
		}
		fmt.Fprintf(w, "%s %s from %s to %s:\n", lastPart(m.Machine), goes, was, editionText(m.NowEdition))
		t := newTable("TASK", "DO", "WHAT", "CAUTIONS")
		for _, one := range m.Tasks {
			t.add(taskText(one.Task), one.Call, one.Words, notes.marks(one.Cautions))
		}
		t.print(w, "No task changes.")
	}
	notes.print(w)
}

type chartTakeCmd struct {
	Chart   string   `arg:"" help:"The edition, as CHART/EDITION or CHART for the newest."`
	Machine []string `help:"Only this machine, a sister of another chart too; give it again for each. All machines of the chart where left out." placeholder:"MACHINE"`
	Back    bool     `help:"Take this edition back: each machine takes the one again that it had before."`
	ID      string   `help:"UUID, to say the same thing again." placeholder:"UUID"`
}

// Run puts the edition in force, or takes it back.
func (c *chartTakeCmd) Run(s *session) error {
	if c.Back {
		a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.RevertEdition, &pb.RevertEditionRequest{Name: editionName(c.Chart), Machines: machineNames(c.Machine), RequestId: or(c.ID, requestID())})
		if err != nil {
			return err
		}
		return s.out.document(a, func(w io.Writer) { printEffects(w, a.Machines, "went back") })
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.ApplyEdition, &pb.ApplyEditionRequest{Name: editionName(c.Chart), Machines: machineNames(c.Machine), RequestId: or(c.ID, requestID())})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printEffects(w, a.Machines, "went") })
}

type chartCopyCmd struct {
	From   string   `arg:"" help:"The machine whose chart is copied."`
	To     []string `arg:"" help:"Its sisters, which are to go by it."`
	Really bool     `help:"Do it; without this the differences are listed and nothing changes."`
}

// Run lists what would differ on the sisters, and lets them take the chart.
func (c *chartCopyCmd) Run(s *session) error {
	m, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.GetMachine, &pb.GetMachineRequest{Name: under("machines", c.From)})
	if err != nil {
		return err
	}
	if m.Machine.Edition == "" {
		return fmt.Errorf("machine %s has no chart to copy", lastPart(c.From))
	}
	if !c.Really {
		a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.PreviewEdition, &pb.PreviewEditionRequest{Name: m.Machine.Edition, Machines: machineNames(c.To)})
		if err != nil {
			return err
		}
		return s.out.document(a, func(w io.Writer) {
			printEffects(w, a.Machines, "would go")
			if slices.ContainsFunc(a.Machines, func(m *pb.EditionEffect) bool { return !m.Unchanged && m.Refused == "" }) {
				fmt.Fprintln(w, "\nNothing changed yet: say it again with --really.")
			}
		})
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.ApplyEdition, &pb.ApplyEditionRequest{Name: m.Machine.Edition, Machines: machineNames(c.To), RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printEffects(w, a.Machines, "went") })
}

type chartExceptionCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	File    string `arg:"" type:"existingfile" help:"The few lines that differ, NAME.points.yaml; they begin with exception_for: and of:."`
	Check   bool   `help:"Say what would come of it, and change nothing."`
}

// Run compiles the exception and puts it in force.
func (c *chartExceptionCmd) Run(s *session) error {
	text, err := readFile(c.File)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.ImportException, &pb.ImportExceptionRequest{
		Machine: under("machines", c.Machine), Yaml: string(text), FileName: filepath.Base(c.File), ValidateOnly: c.Check, RequestId: requestID(),
	})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		printChanges(w, a.Changes)
		goes := "went"
		if c.Check {
			goes = "would go"
		}
		printEffects(w, []*pb.EditionEffect{a.Effect}, goes)
	})
}

type chartTableCmd struct {
	Machine string `arg:"" help:"The machine's id; or a file NAME.points.yaml, whose table is printed without a service, whatever a machine is fitted with."`
	Out     string `help:"Write it there; standard output where left out." placeholder:"FILE"`
	overFlag
}

// Run prints the machine's table of grease and oil, or the file's.
func (c *chartTableCmd) Run(s *session) error {
	if isFile(c.Machine) {
		return c.file(s)
	}
	a, err := call(s, pb.NewChartServiceClient, pb.ChartServiceClient.GetLubricationTable, &pb.GetLubricationTableRequest{Name: under("machines", c.Machine)})
	if err != nil {
		return err
	}
	var text strings.Builder
	if a.Text != "" {
		text.WriteString(plainLines(strings.TrimRight(a.Text, "\n")) + "\n")
	} else {
		printLubrication(&text, lastPart(c.Machine), a.Tasks)
	}
	return c.write(s, a, text.String())
}

// file prints the table of a chart's file.
func (c *chartTableCmd) file(s *session) error {
	read, err := readChart(c.Machine, c.Over)
	if err != nil {
		return err
	}
	var text strings.Builder
	if err := chart.Table(&text, read.Chart, nil); err != nil {
		return err
	}
	return c.write(s, &pb.GetLubricationTableResponse{Text: text.String()}, text.String())
}

// write prints a table, or writes it to its file.
func (c *chartTableCmd) write(s *session, a *pb.GetLubricationTableResponse, text string) error {
	if c.Out != "" {
		if err := os.WriteFile(c.Out, []byte(text), 0o644); err != nil {
			return fmt.Errorf("write the table: %w", err)
		}
	}
	return s.out.document(a, func(w io.Writer) {
		if c.Out != "" {
			fmt.Fprintf(w, "%s written.\n", plain(c.Out))
			return
		}
		_, _ = io.WriteString(w, text)
	})
}

// printLubrication prints a table of grease and oil, 80 columns wide.
func printLubrication(w io.Writer, machine string, tasks []*pb.ChartTask) {
	fold(w, "", "Grease and oil of "+machine)
	var notes cautions
	for _, t := range tasks {
		marks := notes.marks(t.Cautions)
		fmt.Fprintln(w)
		fold(w, "    ", strings.TrimRight(fmt.Sprintf("%-4s %s, %s %s", stationText(t.Station, ""), or(t.PointCall, pathText(t.Task)), or(t.Call, t.Do), marks), " "))
		fold(w, "         ", "     "+orDash(strings.TrimPrefix(strings.Join([]string{t.Side, t.Reach, t.Material, t.Work.GetAmountWords(), t.Work.GetEveryWords()}, "; "), "; ")))
		for _, more := range []string{t.Work.GetBookWords(), t.Work.GetHarmOver(), t.Work.GetHarmUnder(), strings.Join(t.Work.GetRefuseWords(), ", "), t.Work.GetNeverWhy()} {
			if more != "" {
				fold(w, "         ", "     "+more)
			}
		}
	}
	if len(tasks) == 0 {
		fmt.Fprintln(w, "Nothing of its chart wants grease or oil.")
	}
	notes.print(w)
}
