// Command hourbell is the service and the people's commands in one program.
//
// `hourbell serve` runs the service: the agents' and the people's listeners,
// metrics, the journal in its data folder. Every other command speaks to a
// running service over gRPC, prints tables for people and, with --json, JSON for
// programs: one document, or one object a line where the command goes on
// telling. A command that fails says one clear error on standard error and ends
// with a status other than 0.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"google.golang.org/grpc"
)

type cli struct {
	JSON bool `help:"Print JSON for programs."`
	where

	Demo      demoCmd      `cmd:"" help:"Play a harvest crew's shift, faster than life, and check what comes out."`
	DemoAgent demoAgentCmd `cmd:"" hidden:""`

	Bench        benchCmd        `cmd:"" help:"Measure the whole path beside the floor of this computer's disk."`
	BenchService benchServiceCmd `cmd:"" hidden:""`

	Serve serveCmd `cmd:"" help:"Run the service. For who runs it."`

	Customer customerCmd `cmd:"" help:"Customers: whom machines belong to."`
	Site     siteCmd     `cmd:"" help:"Sites: where machines work, with their time zone."`
	Chart    chartCmd    `cmd:"" help:"Charts: the service points of each kind of machine."`
	Machine  machineCmd  `cmd:"" help:"Machines, with their live hours."`
	Enrol    enrolCmd    `cmd:"" help:"Make a one-time token for a machine's agent. For whoever fits the box."`
	Person   personCmd   `cmd:"" help:"Who may do what, and their tokens."`
	Agents   agentsCmd   `cmd:"" help:"The enrolled agents."`

	Fleet      fleetCmd      `cmd:"" help:"Whole fleets from a table."`
	Crew       crewCmd       `cmd:"" help:"Crews, and who is in them."`
	Shift      shiftCmd      `cmd:"" help:"When crews work, and when it is quiet."`
	Season     seasonCmd     `cmd:"" help:"The seasons of each site and crop."`
	Storage    storageCmd    `cmd:"" help:"Machines that go into storage and come out of it."`
	Attachment attachmentCmd `cmd:"" help:"Headers and other parts that move between machines."`

	Due      dueCmd      `cmd:"" help:"What is due, in the order in which it comes? For operator and technician."`
	Ready    readyCmd    `cmd:"" help:"Which machines are ready, and what holds the others? For the workshop manager."`
	Postpone postponeCmd `cmd:"" help:"Put tasks off with a reason and an end, or take that back. For the crew boss."`
	Explain  explainCmd  `cmd:"" help:"Why does a task stand as it does? Every input with its time. For whoever doubts it."`
	Notices  noticesCmd  `cmd:"" help:"What rings, and who has it? For the crew boss."`
	Notice   noticeCmd   `cmd:"" help:"Answer a notice."`
	Done     doneCmd     `cmd:"" help:"Write down a service. For whoever did it."`
	Confirm  confirmCmd  `cmd:"" help:"Let a record count that another wrote who may not do the work. For the technician."`
	Void     voidCmd     `cmd:"" help:"Take a service record back, with the reason. For the technician."`
	Log      logCmd      `cmd:"" help:"What was done to a machine, when and by whom? For the technician."`

	Remark   remarkCmd   `cmd:"" help:"What was found: write it down, change, close, carry."`
	Remarks  remarksCmd  `cmd:"" help:"What was found and is open? For the technician and the parts counter."`
	Walk     walkCmd     `cmd:"" help:"Walk-rounds: begin, answer, sign, and the sheet to take along."`
	Look     lookCmd     `cmd:"" help:"Where to look for what is seen, in order. For the technician, at the machine or the telephone."`
	Cause    causeCmd    `cmd:"" help:"Write down where the cause was, or list the causes. For the technician."`
	Parts    partsCmd    `cmd:"" help:"How many hours does each tracked part have? For the technician and the parts counter."`
	Measures measuresCmd `cmd:"" help:"What was measured, how does it stand to its limits, and where is it going? For the technician."`
	Gun      gunCmd      `cmd:"" help:"What does a stroke of a grease gun give? For whoever greases."`

	Tell       tellCmd       `cmd:"" help:"Tell what happened to a machine, or is going to. For the operator."`
	Conditions conditionsCmd `cmd:"" help:"Tell or list the conditions: crop, moisture, dust and what else the chart asks. For the operator."`
	Build      buildCmd      `cmd:"" help:"What is a machine fitted with? The questions and the answers. For the technician."`
	Set        setCmd        `cmd:"" help:"Write down how a machine is set. For the operator."`
	Settings   settingsCmd   `cmd:"" help:"How is a machine set, and does it suit? For the operator."`
	Review     reviewCmd     `cmd:"" help:"Does a task's interval suit, by how its point was found? For the technician in winter."`
	Adherence  adherenceCmd  `cmd:"" help:"How well were a machine's intervals kept? For the technician and the crew boss."`

	Hours    hoursCmd    `cmd:"" help:"Write down hours that were read off a display. For the operator."`
	Readings readingsCmd `cmd:"" help:"Which readings came of a machine? The newest first. For the technician."`
	Days     daysCmd     `cmd:"" help:"How long did a machine run on each work day? For the crew boss."`
	Doubts   doubtsCmd   `cmd:"" help:"Which questions can only a person answer? For the technician."`
	Doubt    doubtCmd    `cmd:"" help:"Answer a doubt."`
	Warnings warningsCmd `cmd:"" help:"Which codes do machines put on their buses? For the technician."`

	Watch  watchCmd  `cmd:"" help:"Tell what changes, as it changes. For the office and for programs."`
	Verify verifyCmd `cmd:"" help:"Does the journal give the same machines again? For who runs the service."`
	Server serverCmd `cmd:"" help:"Which service answers, and how does it stand? For who runs it."`

	Version kong.VersionFlag `help:"Print the version."`
}

// session is what a command works with.
type session struct {
	ctx   context.Context
	out   *output
	where where
	now   func() time.Time
	conn  *grpc.ClientConn
}

func main() {
	if err := run(os.Args[1:], os.Stdout, os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, "hourbell:", plainLines(err.Error()))
		os.Exit(1)
	}
}

func run(args []string, stdout, stderr io.Writer) error {
	var c cli
	parser, err := kong.New(&c, kong.Name("hourbell"), kong.Description("Services by the hour, for machines in the field."),
		kong.Writers(stdout, stderr), kong.Vars{"version": version(), "data": defaultData}, kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: false}))
	if err != nil {
		return err
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	command, err := parser.Parse(args)
	if err != nil {
		return fmt.Errorf("%s; `hourbell --help` lists what there is", strings.ReplaceAll(err.Error(), `one of "",`, "one of ")) // "" is what is left out
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s := &session{ctx: ctx, out: &output{w: stdout, err: stderr, json: c.JSON}, where: c.where, now: time.Now}
	err = command.Run(s)
	return s.close(err)
}

// client gives the connection to the service, which is made on first use.
func (s *session) client() (*grpc.ClientConn, error) {
	if s.conn == nil {
		conn, err := s.where.dial()
		if err != nil {
			return nil, err
		}
		s.conn = conn
	}
	return s.conn, nil
}

// close ends the connection and puts what the service said into one line.
func (s *session) close(err error) error {
	if s.conn == nil {
		return err
	}
	err = told(err, strings.TrimPrefix(s.conn.Target(), "passthrough:///"))
	return errors.Join(err, s.conn.Close())
}

func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "devel"
	}
	return info.Main.Version
}
