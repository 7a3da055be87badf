package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type machineCmd struct {
	Add       machineAddCmd  `cmd:"" help:"Commission a machine. For the workshop manager."`
	List      machineListCmd `cmd:"" help:"What do the machines stand at, and how old is each figure? For the crew boss."`
	Show      machineShowCmd `cmd:"" help:"What is known of one machine? For the technician."`
	TakeChart takeChartCmd   `cmd:"" help:"Put an edition of a chart in force on one machine. For the technician."`
	HandOver  handOverCmd    `cmd:"" help:"Give a sold or traded machine to its new owner, with its whole history. For the workshop manager."`
}

type machineAddCmd struct {
	ID    string `arg:"" help:"Its id: a-z, 0-9 and '-', beginning with a letter."`
	Site  string `required:"" help:"The site at which it works." placeholder:"SITE"`
	Chart string `help:"Its chart, as CHART for the newest edition or CHART/EDITION." placeholder:"CHART[/EDITION]"`
	Name  string `help:"What people call it; the id where left out." placeholder:"NAME"`
}

// Run commissions the machine.
func (c *machineAddCmd) Run(s *session) error {
	site, err := s.siteName(c.Site)
	if err != nil {
		return err
	}
	m := &pb.Machine{DisplayName: or(c.Name, c.ID), Site: site}
	if c.Chart != "" {
		m.Edition = editionName(c.Chart)
	}
	a, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.CreateMachine, &pb.CreateMachineRequest{MachineId: c.ID, Machine: m, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		next := "hourbell enrol " + c.ID
		if c.Chart == "" {
			next = "hourbell machine take-chart " + c.ID + " CHART"
		}
		fmt.Fprintf(w, "%s commissioned. Next: %s\n", a.Machine.Name, next)
	})
}

// siteName finds a site by its id alone, since ids are unique among all sites.
func (s *session) siteName(id string) (string, error) {
	if strings.HasPrefix(id, "customers/") {
		return id, nil
	}
	all, err := s.sites("-")
	if err != nil {
		return "", err
	}
	for _, one := range all.Sites {
		if lastPart(one.Name) == lastPart(id) {
			return one.Name, nil
		}
	}
	return "", fmt.Errorf("there is no site %q, or you were not granted it; `hourbell site list` lists them", id)
}

// editionName makes a full name of CHART, CHART/EDITION or charts/C/editions/N.
func editionName(s string) string {
	if strings.HasPrefix(s, "charts/") && strings.Contains(s, "/editions/") {
		return s
	}
	chart, edition, ok := strings.Cut(s, "/")
	if !ok {
		edition = "-"
	}
	return "charts/" + chart + "/editions/" + edition
}

func editionText(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) != 4 {
		return orDash(name)
	}
	return parts[1] + "/" + parts[3]
}

type machineListCmd struct {
	Customer string `help:"Only this customer's." placeholder:"CUSTOMER"`
}

// Run lists the machines.
func (c *machineListCmd) Run(s *session) error {
	all, err := s.machines(c.Customer)
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		printMachines(w, all.Machines, all.AnswerTime.AsTime())
	})
}

func (s *session) machines(customer string) (*pb.ListMachinesResponse, error) {
	if customer != "" {
		customer = under("customers", customer)
	}
	all := &pb.ListMachinesResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.ListMachines, &pb.ListMachinesRequest{Customer: customer, PageSize: pageSize, PageToken: token})
		all.Machines = append(all.Machines, a.GetMachines()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	return all, err
}

// printMachines gives a line a meter. A meter that was never read has no hours,
// which is not the same as 0.
func printMachines(w io.Writer, machines []*pb.Machine, now time.Time) {
	t := newTable("MACHINE", "NAME", "METER", "HOURS", "READ", "ENGINE", "TASKS", "OPEN")
	for _, m := range machines {
		first := []string{lastPart(m.Name), m.DisplayName}
		last := []string{engineText(m.Engine), countsText(m.Tasks), openText(m)}
		meters := currentMeters(m)
		if len(meters) == 0 {
			t.add(append(append(first, "-", "-", heardText(m, now)), last...)...)
		}
		for _, meter := range meters {
			t.add(append(append(first, aheadCells(m, meter, now)...), last...)...)
			first, last = []string{"", ""}, nil
		}
	}
	t.print(w, "No machines. Commission one with `hourbell machine add ID --site SITE --chart CHART`.")
}

// currentMeters are those that the chart names; with no chart, all that were
// read.
func currentMeters(m *pb.Machine) []*pb.MachineMeter {
	if m.Edition == "" {
		return m.Meters
	}
	return slices.DeleteFunc(slices.Clone(m.Meters), func(meter *pb.MachineMeter) bool { return meter.Gone })
}

func meterCells(m *pb.MachineMeter, now time.Time) []string {
	total := "not read yet"
	if m.TotalMs != nil {
		total = hoursText(*m.TotalMs)
	}
	read := momentAge(now, m.ReadMoment, "-")
	if m.Held > 0 {
		read += fmt.Sprintf(" (%d held since)", m.Held)
	}
	return []string{m.Meter, total, read}
}

// aheadCells gives a meter with what it shows now, where a backlog is still to
// come.
func aheadCells(m *pb.Machine, meter *pb.MachineMeter, now time.Time) []string {
	cells := meterCells(meter, now)
	for _, r := range m.Ahead.GetReadings() {
		if r.Meter == meter.Meter {
			cells[2] += fmt.Sprintf("; shows %s now, %s to come", hoursText(r.ShownMs), counted(int(m.Ahead.Behind), "event"))
		}
	}
	return cells
}

func heardText(m *pb.Machine, now time.Time) string {
	if m.HeardTime == nil {
		return "never heard"
	}
	return "heard " + ageText(now, m.HeardTime.AsTime())
}

func engineText(e *pb.EngineNow) string {
	switch {
	case e == nil:
		return "never heard"
	case e.Running:
		return "runs"
	}
	return "stands"
}

func countsText(c *pb.TaskCounts) string {
	var parts []string
	for _, one := range []struct {
		n    int32
		word string
	}{{c.GetOverdue(), "overdue"}, {c.GetDue(), "due"}, {c.GetSoon(), "soon"}, {c.GetNotDue(), "not due"}, {c.GetUnknown(), "unknown"}} {
		if one.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", one.n, one.word))
		}
	}
	if parts == nil {
		return "none"
	}
	return strings.Join(parts, ", ")
}

func openText(m *pb.Machine) string {
	var parts []string
	for _, one := range []struct {
		n    int32
		word string
	}{{m.OpenNotices, "notice"}, {m.ActiveWarnings, "warning"}, {m.OpenDoubts, "doubt"}} {
		if one.n > 0 {
			parts = append(parts, counted(int(one.n), one.word))
		}
	}
	return orDash(strings.Join(parts, ", "))
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

type machineShowCmd struct {
	Machine string `arg:"" help:"The machine's id."`
}

// Run shows the machine.
func (c *machineShowCmd) Run(s *session) error {
	a, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.GetMachine, &pb.GetMachineRequest{Name: under("machines", c.Machine)})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		now := a.AnswerTime.AsTime()
		printMachines(w, []*pb.Machine{a.Machine}, now)
		fmt.Fprintf(w, "\nsite     %s\nchart    %s\nheard    %s, %s h in all\nat       revision %d\n", a.Machine.Site, editionText(a.Machine.Edition),
			strings.TrimPrefix(heardText(a.Machine, now), "heard "), hoursText(a.Machine.ListenedMs), a.Machine.Revision)
		for _, m := range a.Machine.Meters {
			if m.Lives > 1 {
				fmt.Fprintf(w, "meter    %s was replaced or reset %d times; it shows %s now\n", m.Meter, m.Lives-1, hoursText(m.GetShownMs()))
			}
		}
	})
}

type takeChartCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Chart   string `arg:"" help:"The chart, as CHART for the newest edition or CHART/EDITION."`
}

// Run puts the edition in force.
func (c *takeChartCmd) Run(s *session) error {
	a, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.TakeEdition, &pb.TakeEditionRequest{Name: under("machines", c.Machine), Edition: editionName(c.Chart), RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s has chart %s, with %s.\n", a.Machine.Name, editionText(a.Machine.Edition), countsText(a.Machine.Tasks))
	})
}

type daysCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Meter   string `help:"Only this meter." placeholder:"METER"`
}

// Run lists the hours of each work day.
func (c *daysCmd) Run(s *session) error {
	all := &pb.ListDayHoursResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.ListDayHours, &pb.ListDayHoursRequest{Parent: under("machines", c.Machine), Meter: c.Meter, PageSize: pageSize, PageToken: token})
		all.DayHours = append(all.DayHours, a.GetDayHours()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("WORK DAY", "METER", "RAN", "SINCE", "HOURS")
		for _, d := range all.DayHours {
			ran := "-"
			if d.RanMs != nil {
				ran = hoursText(*d.RanMs)
			}
			t.add(dateText(d.WorkDate, "-"), d.Meter, ran, dateText(d.SinceDate, "-"), hoursText(d.TotalMs))
		}
		t.print(w, "No work day has a reading yet.")
	})
}
