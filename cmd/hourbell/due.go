package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type dueCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
	All     bool   `help:"Tasks that are not due yet, or unknown, as well."`
	Work    bool   `help:"How each is done as well: how machine and header stand, tools, amounts, what to look for."`
}

// Run lists what is due.
func (c *dueCmd) Run(s *session) error {
	atLeast := pb.DueState_DUE_STATE_SOON
	if c.All {
		atLeast = pb.DueState_DUE_STATE_UNSPECIFIED
	}
	all := &pb.ListTasksResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewTaskServiceClient, pb.TaskServiceClient.ListTasks, &pb.ListTasksRequest{Parent: under("machines", or(c.Machine, "-")), AtLeast: atLeast, PageSize: pageSize, PageToken: token})
		all.Tasks = append(all.Tasks, a.GetTasks()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	if s.out.json {
		return s.out.line(all)
	}
	if c.All {
		printTasks(s.out.w, all.Tasks, all.AnswerTime.AsTime(), "No tasks: no machine here has a chart. `hourbell machine list` lists the machines.")
		c.printWorks(s.out.w, all.Tasks)
		return nil
	}
	unknown, err := s.unknownTasks(c.Machine)
	if err != nil {
		return err
	}
	none := "Nothing is due. `hourbell due --all` lists every task."
	if unknown > 0 {
		none = "Nothing is known to be due."
	}
	printTasks(s.out.w, all.Tasks, all.AnswerTime.AsTime(), none)
	c.printWorks(s.out.w, all.Tasks)
	if unknown > 0 {
		fmt.Fprintf(s.out.w, "Unknown: %s with no service on record, which may be due and ring nobody. `hourbell due --all` lists them; `hourbell done` writes the last service down.\n", counted(unknown, "task"))
	}
	return nil
}

// printWorks prints how each task is done, where that was asked for.
func (c *dueCmd) printWorks(w io.Writer, tasks []*pb.Task) {
	for _, t := range tasks {
		if !c.Work {
			return
		}
		var notes cautions
		fmt.Fprintf(w, "\n%s %s, %s\n", machineText(t.Name), taskText(t.Name), plain(or(t.Call, t.Do)))
		printWork(w, t.Work)
		notes.marks(t.Cautions)
		notes.print(w)
	}
}

// unknownTasks counts the tasks of which nobody can say whether they are due, on
// one machine, or on all where it is empty.
func (s *session) unknownTasks(machine string) (int, error) {
	if machine != "" {
		m, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.GetMachine, &pb.GetMachineRequest{Name: under("machines", machine)})
		return int(m.GetMachine().GetTasks().GetUnknown()), err
	}
	all, err := s.machines("")
	n := 0
	for _, m := range all.Machines {
		n += int(m.GetTasks().GetUnknown())
	}
	return n, err
}

func printTasks(w io.Writer, tasks []*pb.Task, now time.Time, none string) {
	var notes cautions
	t := newTable("MACHINE", "STATE", "LEFT", "SINCE SERVICE", "TASK", "DO", "ROUND", "FIGURES FROM", "STANDS", "CAUTIONS")
	for _, task := range tasks {
		left, since, from := "-", "-", "-"
		if first := firstCounter(task); first != nil {
			left, since = counterLeft(first), counterSince(first)
			from = momentAge(now, first.AsOfMoment, "-")
		}
		t.add(machineText(task.Name), stateWord(task), left, since, taskText(task.Name), or(task.Call, task.Do), orDash(task.Round), from, taskNote(task), notes.marks(task.Cautions))
	}
	t.print(w, none)
	notes.print(w)
}

// printCounters prints each interval in words, the book's beside a practice's.
func printCounters(w io.Writer, t *pb.Task) {
	for _, c := range t.Counters {
		if c.Words != "" {
			fmt.Fprintf(w, "  %-11s %s\n", "counts", plain(c.Words))
		}
	}
	for _, c := range t.BookCounters {
		fmt.Fprintf(w, "  %-11s %s\n", "the book's", plain(c.Words))
	}
}

func firstCounter(t *pb.Task) *pb.Counter {
	if t.First < 0 || int(t.First) >= len(t.Counters) {
		return nil
	}
	return t.Counters[t.First]
}

func counterLeft(c *pb.Counter) string {
	switch {
	case c.LeftMs != nil:
		return leftText(*c.LeftMs) + " (" + c.Meter + ")"
	case c.LeftDays == nil && c.UnknownWhy != "":
		return "-"
	case c.LeftDays == nil:
		return orDash(standsText(c))
	case *c.LeftDays < 0:
		return counted(int(-*c.LeftDays), "day") + " over"
	}
	return counted(int(*c.LeftDays), "day") + " left, " + dateText(c.DueDate, "")
}

// standsText says how an interval stands that has no hours or days left: what is
// counted, or what happened.
func standsText(c *pb.Counter) string {
	if c.Every == nil {
		return c.Words
	}
	_, stands, _ := strings.Cut(c.Words, ": ") // behind the interval itself
	return stands
}

// stateWord is a task's due state, or why it has none.
func stateWord(t *pb.Task) string {
	switch {
	case t.Work.GetNeverWhy() != "":
		return "never"
	case t.BuildState == pb.BuildState_BUILD_STATE_NOT_HERE:
		return "not here"
	}
	return dueWord(t.DueState)
}

func counterSince(c *pb.Counter) string {
	if c.SinceMs == nil {
		return "-"
	}
	return hoursText(*c.SinceMs) + " h"
}

type explainCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Task    string `arg:"" help:"The task, as POINT/TASK."`
}

// Run prints the chain of reasons.
func (c *explainCmd) Run(s *session) error {
	name, err := taskName(c.Machine, c.Task)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewTaskServiceClient, pb.TaskServiceClient.ExplainTask, &pb.ExplainTaskRequest{Name: name})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		printTasks(w, []*pb.Task{a.Task}, a.AnswerTime.AsTime(), "No task.")
		fmt.Fprintln(w)
		printWork(w, a.Task.Work)
		printCounters(w, a.Task)
		fmt.Fprintln(w)
		t := newTable("WHAT", "VALUE", "WHEN", "EVENT")
		for _, r := range a.Reasons {
			t.add(r.What, r.Value, momentText(r.Moment, "-"), orDash(r.Event))
		}
		t.print(w, "No reasons.")
	})
}

type noticesCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
	Closed  bool   `help:"Those that are closed as well."`
}

// Run lists the notices.
func (c *noticesCmd) Run(s *session) error {
	all, err := s.notices(or(c.Machine, "-"), c.Closed)
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		var notes cautions
		t := newTable("NOTICE", "MACHINE", "STAGE", "CAME UP", "SAYS", "STANDS", "CAUTIONS")
		for _, n := range all.Notices {
			t.add(short(n.Name), machineText(n.Name), noticeStage(n), momentAge(all.AnswerTime.AsTime(), n.RaisedMoment, "-"), n.Text, noticeStands(n), notes.marks(n.Cautions))
		}
		t.print(w, "No notices stand. `hourbell notices --closed` lists the earlier ones.")
		notes.print(w)
	})
}

func noticeStage(n *pb.Notice) string {
	if n.Doubt != "" {
		return "doubt"
	}
	return word(n.Stage, "STAGE_")
}

func noticeStands(n *pb.Notice) string {
	switch {
	case n.Closed:
		return "closed: " + n.How
	case n.Word == pb.NoticeWord_NOTICE_WORD_MINE:
		return or(n.Person, "someone") + " has it"
	case n.Word == pb.NoticeWord_NOTICE_WORD_LATER && n.LaterAtMs > 0:
		return "later, at " + hoursText(n.LaterAtMs) + " h " + n.LaterMeter
	case n.Word == pb.NoticeWord_NOTICE_WORD_LATER:
		return "later, at the next halt"
	}
	return "open"
}

func (s *session) notices(machine string, past bool) (*pb.ListNoticesResponse, error) {
	all := &pb.ListNoticesResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewNoticeServiceClient, pb.NoticeServiceClient.ListNotices, &pb.ListNoticesRequest{Parent: under("machines", machine), IncludeClosed: past, PageSize: pageSize, PageToken: token})
		all.Notices = append(all.Notices, a.GetNotices()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	return all, err
}

type noticeCmd struct {
	Mine  noticeMineCmd  `cmd:"" help:"Say that you have it. For whoever heard it."`
	Later noticeLaterCmd `cmd:"" help:"Let it ring again later, in running hours or at the next halt. For whoever heard it."`
}

type noticeArgs struct {
	Machine string `arg:"" help:"The machine's id."`
	Notice  string `arg:"" help:"The notice's id, or its first characters."`
}

type noticeMineCmd struct{ noticeArgs }

// Run answers mine.
func (c *noticeMineCmd) Run(s *session) error {
	return c.answer(s, pb.NoticeWord_NOTICE_WORD_MINE, 0)
}

type noticeLaterCmd struct {
	noticeArgs
	In string `help:"Running hours until it rings again; at the next halt where left out." placeholder:"HOURS"`
}

// Run answers later.
func (c *noticeLaterCmd) Run(s *session) error {
	var ms int64
	if c.In != "" {
		var err error
		if ms, _, err = parseHours(c.In); err != nil {
			return err
		}
	}
	return c.answer(s, pb.NoticeWord_NOTICE_WORD_LATER, ms)
}

func (c *noticeArgs) answer(s *session, word pb.NoticeWord, laterMs int64) error {
	all, err := s.notices(c.Machine, true)
	if err != nil {
		return err
	}
	names := make([]string, 0, len(all.Notices))
	for _, n := range all.Notices {
		names = append(names, n.Name)
	}
	name, err := pick("notice", c.Notice, names)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewNoticeServiceClient, pb.NoticeServiceClient.AnswerNotice, &pb.AnswerNoticeRequest{Name: name, Word: word, LaterMs: laterMs, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "%s: %s.\n", a.Notice.Text, noticeStands(a.Notice)) })
}
