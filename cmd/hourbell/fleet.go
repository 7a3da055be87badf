package main

import (
	"fmt"
	"io"
	"path/filepath"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type fleetCmd struct {
	Check fleetCheckCmd `cmd:"" help:"Is this table of machines in order? Every mistake at once, with line and column. For the workshop manager."`
	Take  fleetTakeCmd  `cmd:"" help:"Commission every machine of a table, or none where anything in it is wrong. For the workshop manager."`
	Set   fleetSetCmd   `cmd:"" help:"Set traits, hours and rounds last done for machines that are there. For the workshop manager."`
}

type fleetFileArg struct {
	File string `arg:"" type:"existingfile" help:"A table as CSV in UTF-8, apart by commas or semicolons. Columns: machine, display, customer, site, chart, as_of, attachment, trait:NAME, hours:METER, last:ROUND (hours, a day, both, or unknown)."`
}

// read gives the file's name and text.
func (c *fleetFileArg) read() (name, text string, err error) {
	b, err := readFile(c.File)
	return filepath.Base(c.File), string(b), err
}

type fleetCheckCmd struct {
	fleetFileArg
	Site string `help:"The site of machines that name none." placeholder:"SITE"`
	Set  bool   `help:"As hourbell fleet set would take it."`
}

// Run checks the file.
func (c *fleetCheckCmd) Run(s *session) error {
	if c.Set {
		return s.setFleet(&c.fleetFileArg, true)
	}
	return s.takeFleet(&c.fleetFileArg, c.Site, true)
}

type fleetTakeCmd struct {
	fleetFileArg
	Site string `help:"The site of machines that name none." placeholder:"SITE"`
}

// Run commissions the machines.
func (c *fleetTakeCmd) Run(s *session) error { return s.takeFleet(&c.fleetFileArg, c.Site, false) }

type fleetSetCmd struct{ fleetFileArg }

// Run sets what the file says.
func (c *fleetSetCmd) Run(s *session) error { return s.setFleet(&c.fleetFileArg, false) }

func (s *session) takeFleet(file *fleetFileArg, site string, look bool) error {
	name, text, err := file.read()
	if err != nil {
		return err
	}
	q := &pb.ImportFleetRequest{FileName: name, Table: text, ValidateOnly: look, RequestId: requestID()}
	if site != "" {
		if q.Site, err = s.siteName(site); err != nil {
			return err
		}
	}
	a, err := call(s, pb.NewFleetFileServiceClient, pb.FleetFileServiceClient.ImportFleet, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		o := a.Outcome
		verb := "commissioned"
		if look {
			verb = "in order"
		}
		switch {
		case o.Unchanged == o.Machines:
			fmt.Fprintf(w, "%s, all taken before; nothing is done twice.\n", counted(int(o.Machines), "machine"))
		case o.Unchanged > 0:
			fmt.Fprintf(w, "%s %s, %d taken before.\n", counted(int(o.Machines-o.Unchanged), "machine"), verb, o.Unchanged)
		default:
			fmt.Fprintf(w, "%s %s.\n", counted(int(o.Machines), "machine"), verb)
		}
		printOutcome(w, o, look)
	})
}

func (s *session) setFleet(file *fleetFileArg, look bool) error {
	name, text, err := file.read()
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewFleetFileServiceClient, pb.FleetFileServiceClient.UpdateFleet, &pb.UpdateFleetRequest{FileName: name, Table: text, ValidateOnly: look, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		verb := "set"
		if look {
			verb = "in order"
		}
		fmt.Fprintf(w, "%s %s.\n", counted(int(a.Outcome.Machines), "machine"), verb)
		printOutcome(w, a.Outcome, look)
	})
}

// printOutcome gives a line to each thing that wants a look, however many
// machines it is about.
func printOutcome(w io.Writer, o *pb.FleetOutcome, look bool) {
	if o.UnknownRounds > 0 {
		fmt.Fprintf(w, "Of %s it is not known when they were last done; they ring nobody.\n", counted(int(o.UnknownRounds), "round"))
	}
	if o.Notices > 0 {
		fmt.Fprintf(w, "By what the table says there are %s on %s; `hourbell due` lists what is due.\n", counted(int(o.Notices), "new notice"), counted(int(o.NoticeMachines), "machine"))
	}
	if o.Held > 0 {
		fmt.Fprintf(w, "%s not fit what the machines showed before; `hourbell doubts` lists what waits for an answer.\n", map[bool]string{true: "1 reading does", false: fmt.Sprintf("%d readings do", o.Held)}[o.Held == 1])
	}
	if !look && o.Commissioned > 0 {
		fmt.Fprintln(w, "Next: hourbell machine list")
	}
}
