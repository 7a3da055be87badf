package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type crewCmd struct {
	Add   crewAddCmd   `cmd:"" help:"Add a crew of a customer. For the workshop manager."`
	List  crewListCmd  `cmd:"" help:"Who is in which crew, and what part each has in the trade? For the crew boss."`
	Join  crewJoinCmd  `cmd:"" help:"Put a person into a crew. For the crew boss."`
	Leave crewLeaveCmd `cmd:"" help:"Take a person out of a crew. For the crew boss."`
}

type crewAddCmd struct {
	Customer string `arg:"" help:"The customer's id."`
	ID       string `arg:"" help:"The crew's id: a-z, 0-9 and '-', beginning with a letter."`
	Name     string `help:"What people call it; the id where left out." placeholder:"NAME"`
}

// Run adds the crew.
func (c *crewAddCmd) Run(s *session) error {
	a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.CreateCrew, &pb.CreateCrewRequest{
		Parent: under("customers", c.Customer), CrewId: c.ID, Crew: &pb.Crew{DisplayName: or(c.Name, c.ID)}, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s added. Next: hourbell crew join %s PERSON\n", a.Crew.Name, c.ID)
	})
}

type crewListCmd struct {
	Customer string `arg:"" optional:"" help:"Only this customer's."`
}

// Run lists the crews.
func (c *crewListCmd) Run(s *session) error {
	all, err := s.crews(or(c.Customer, "-"))
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printCrews(w, all.Crews) })
}

func printCrews(w io.Writer, crews []*pb.Crew) {
	t := newTable("CREW", "CUSTOMER", "NAME", "PERSON", "PART")
	for _, one := range crews {
		head := []string{lastPart(one.Name), machineText(one.Name), one.DisplayName}
		if len(one.Members) == 0 {
			t.add(append(head, "nobody", "-")...)
		}
		for _, m := range one.Members {
			t.add(append(head, lastPart(m.Person), partText(m.Part))...)
			head = []string{"", "", ""}
		}
	}
	t.print(w, "No crews. Add one with `hourbell crew add CUSTOMER ID`.")
}

func (s *session) crews(customer string) (*pb.ListCrewsResponse, error) {
	all := &pb.ListCrewsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.ListCrews, &pb.ListCrewsRequest{Parent: under("customers", customer), PageSize: pageSize, PageToken: token})
		all.Crews = append(all.Crews, a.GetCrews()...)
		return a.GetNextPageToken(), err
	})
	return all, err
}

// crewName finds a crew by its id alone, since ids are unique among all crews.
func (s *session) crewName(id string) (string, error) {
	if strings.HasPrefix(id, "customers/") {
		return id, nil
	}
	all, err := s.crews("-")
	if err != nil {
		return "", err
	}
	for _, one := range all.Crews {
		if lastPart(one.Name) == id {
			return one.Name, nil
		}
	}
	return "", fmt.Errorf("there is no crew %q, or you were not granted it; `hourbell crew list` lists them", id)
}

type crewJoinCmd struct {
	Crew   string `arg:"" help:"The crew's id."`
	Person string `arg:"" help:"The person's pseudonym."`
}

// Run puts the person in.
func (c *crewJoinCmd) Run(s *session) error { return s.member(c.Crew, c.Person, false) }

type crewLeaveCmd struct {
	Crew   string `arg:"" help:"The crew's id."`
	Person string `arg:"" help:"The person's pseudonym."`
}

// Run takes the person out.
func (c *crewLeaveCmd) Run(s *session) error { return s.member(c.Crew, c.Person, true) }

func (s *session) member(crew, person string, leaves bool) error {
	name, err := s.crewName(crew)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.SetCrewMember, &pb.SetCrewMemberRequest{Name: name, Person: under("persons", person), Leaves: leaves, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printCrews(w, []*pb.Crew{a.Crew}) })
}

type shiftCmd struct {
	Set  shiftSetCmd  `cmd:"" help:"Say when a crew works, or people at a site. For the crew boss."`
	List shiftListCmd `cmd:"" help:"When does who work, and when is it quiet? For the crew boss."`
	End  shiftEndCmd  `cmd:"" help:"End a shift. For the crew boss."`
}

type shiftSetCmd struct {
	ID    string   `arg:"" help:"The shift's id."`
	Crew  string   `xor:"whose" required:"" help:"Of this crew." placeholder:"CREW"`
	Site  string   `xor:"whose" required:"" help:"Of everyone at this site." placeholder:"SITE"`
	From  string   `required:"" help:"Clock time of the site at which it begins." placeholder:"06:00"`
	To    string   `required:"" help:"Clock time at which it ends; one before its beginning is on the next day." placeholder:"14:30"`
	Days  []string `enum:"mon,tue,wed,thu,fri,sat,sun" help:"Days on which it begins, as mon,tue,wed; every day where left out."`
	Quiet bool     `help:"Nothing but what can't wait rings."`
}

// Run sets the shift.
func (c *shiftSetCmd) Run(s *session) (err error) {
	shift := &pb.Shift{Quiet: c.Quiet}
	if shift.FromMinutes, err = clockMinutes("--from", c.From); err != nil {
		return err
	}
	if shift.ToMinutes, err = clockMinutes("--to", c.To); err != nil {
		return err
	}
	for _, d := range c.Days {
		shift.WeekDays = append(shift.WeekDays, int32(slices.Index(weekDays(), d))+1)
	}
	if c.Crew != "" {
		shift.Crew, err = s.crewName(c.Crew)
	} else {
		shift.Site, err = s.siteName(c.Site)
	}
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.SetShift, &pb.SetShiftRequest{ShiftId: c.ID, Shift: shift, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printShifts(w, []*pb.Shift{a.Shift}) })
}

func weekDays() []string { return []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"} }

// clockMinutes reads a clock time as minutes after midnight.
func clockMinutes(flag, text string) (int32, error) {
	var hour, minute int32
	if n, err := fmt.Sscanf(text+" ", "%d:%d ", &hour, &minute); err != nil || n != 2 || hour < 0 || hour > 23 || minute < 0 || minute > 59 {
		return 0, fmt.Errorf("%s %q: want a clock time as 06:00", flag, text)
	}
	return hour*60 + minute, nil
}

type shiftListCmd struct {
	Customer string `arg:"" optional:"" help:"Only this customer's."`
}

// Run lists the shifts.
func (c *shiftListCmd) Run(s *session) error {
	all, err := s.shifts(or(c.Customer, "-"))
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printShifts(w, all.Shifts) })
}

func (s *session) shifts(customer string) (*pb.ListShiftsResponse, error) {
	all := &pb.ListShiftsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.ListShifts, &pb.ListShiftsRequest{Parent: under("customers", customer), PageSize: pageSize, PageToken: token})
		all.Shifts = append(all.Shifts, a.GetShifts()...)
		return a.GetNextPageToken(), err
	})
	return all, err
}

func printShifts(w io.Writer, shifts []*pb.Shift) {
	t := newTable("SHIFT", "OF", "FROM", "TO", "DAYS", "RINGS")
	for _, one := range shifts {
		whose, rings, days := "crew "+lastPart(one.Crew), "yes", make([]string, 0, len(one.WeekDays))
		if one.Crew == "" {
			whose = "site " + lastPart(one.Site)
		}
		if one.Quiet {
			rings = "quiet"
		}
		for _, d := range one.WeekDays {
			days = append(days, weekDays()[(d-1)%7])
		}
		if len(days) == 7 {
			days = []string{"every day"}
		}
		t.add(lastPart(one.Name), whose, minutesText(one.FromMinutes), minutesText(one.ToMinutes), strings.Join(days, " "), rings)
	}
	t.print(w, "No shifts. Add one with `hourbell shift set ID --crew CREW --from 06:00 --to 14:00`.")
}

func minutesText(m int32) string { return fmt.Sprintf("%02d:%02d", m/60, m%60) }

type shiftEndCmd struct {
	ID string `arg:"" help:"The shift's id."`
}

// Run ends the shift.
func (c *shiftEndCmd) Run(s *session) error {
	all, err := s.shifts("-")
	if err != nil {
		return err
	}
	for _, one := range all.Shifts {
		if lastPart(one.Name) != lastPart(c.ID) {
			continue
		}
		a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.EndShift, &pb.EndShiftRequest{Name: one.Name, RequestId: requestID()})
		if err != nil {
			return err
		}
		return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "Shift %s has ended.\n", lastPart(one.Name)) })
	}
	return fmt.Errorf("there is no shift %q, or you were not granted it; `hourbell shift list` lists them", c.ID)
}

type personPartCmd struct {
	Person string `arg:"" help:"The person's pseudonym."`
	Part   string `arg:"" optional:"" enum:"operator,technician,dealer,none,tell" default:"tell" help:"operator, technician or dealer; none takes it back; tell only tells it."`
}

// Run sets the part, or tells it.
func (c *personPartCmd) Run(s *session) error {
	if c.Part == "tell" {
		a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.GetPersonPart, &pb.GetPersonPartRequest{Name: under("persons", c.Person)})
		if err != nil {
			return err
		}
		return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "%s: %s\n", c.Person, partText(a.Part)) })
	}
	part := pb.TradePart(pb.TradePart_value["TRADE_PART_"+strings.ToUpper(c.Part)]) // none is unspecified
	a, err := call(s, pb.NewCrewServiceClient, pb.CrewServiceClient.SetPersonPart, &pb.SetPersonPartRequest{Name: under("persons", c.Person), Part: part, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "%s: %s. Records say so from now on.\n", c.Person, partText(a.Part)) })
}

func partText(p pb.TradePart) string {
	if p == pb.TradePart_TRADE_PART_UNSPECIFIED {
		return "not said"
	}
	return word(p, "TRADE_PART_")
}
