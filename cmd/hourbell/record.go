package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type doneCmd struct {
	Machine string   `arg:"" help:"The machine's id."`
	Round   string   `xor:"what" required:"" help:"All tasks of this round." placeholder:"ROUND"`
	Task    []string `xor:"what" required:"" help:"This task; give it again for each." placeholder:"POINT/TASK"`
	doneFacts
	Hours   map[string]string `help:"What a meter showed, METER=HOURS; looked up by time where left out." placeholder:"METER=HOURS"`
	At      string            `help:"When it was done: RFC 3339, \"2031-07-14 18:30\" or 18:30; now where left out." placeholder:"TIME"`
	Date    string            `help:"The work day on which it was done, as 2031-07-14; the one of --at where left out. Without --at: some time of that day." placeholder:"DATE"`
	Note    string            `help:"A note." placeholder:"WORDS"`
	ID      string            `help:"UUID of the record, to say the same thing again without it counting twice." placeholder:"UUID"`
	Preview bool              `help:"Say what would come of it, and write nothing."`
}

// Run writes the record.
func (c *doneCmd) Run(s *session) error {
	record := &pb.ServiceRecord{Round: c.Round, Note: c.Note}
	for _, t := range c.Task {
		name, err := taskName(c.Machine, t)
		if err != nil {
			return err
		}
		record.Tasks = append(record.Tasks, strings.TrimPrefix(name, under("machines", c.Machine)+"/"))
	}
	if err := c.fill(s, c.Machine, record); err != nil {
		return err
	}
	for _, meter := range sortedKeys(c.Hours) {
		ms, _, err := parseHours(c.Hours[meter])
		if err != nil {
			return fmt.Errorf("--hours %s: %w", meter, err)
		}
		record.Shown = append(record.Shown, &pb.MeterShown{Meter: meter, ShownMs: ms})
	}
	if c.At != "" {
		at, err := parseWhen(c.At, s.now())
		if err != nil {
			return err
		}
		record.DoneMoment = &pb.Moment{NotBeforeTime: timestamppb.New(at), NotAfterTime: timestamppb.New(at)}
	}
	if c.Date != "" {
		day, err := time.ParseInLocation(time.DateOnly, c.Date, s.now().Location())
		if err != nil {
			return fmt.Errorf("--date %q: want a day as 2031-07-14", c.Date)
		}
		record.DoneDate = &pb.CivilDate{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}
		if c.At == "" {
			record.DoneMoment = within(day, s.now())
		}
	}
	a, err := call(s, pb.NewServiceRecordServiceClient, pb.ServiceRecordServiceClient.CreateServiceRecord, &pb.CreateServiceRecordRequest{Parent: under("machines", c.Machine), Record: record, RequestId: or(c.ID, requestID()), ValidateOnly: c.Preview})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printDone(w, a) })
}

// within is some time of a day, and not after now. A day that has not come starts
// after it ends, which the service refuses.
func within(day, now time.Time) *pb.Moment {
	end := day.AddDate(0, 0, 1)
	if now.Before(end) {
		end = now
	}
	return &pb.Moment{NotBeforeTime: timestamppb.New(day), NotAfterTime: timestamppb.New(end)}
}

func printDone(w io.Writer, a *pb.CreateServiceRecordResponse) {
	switch {
	case a.Repeated:
		fmt.Fprintf(w, "Record %s was written before; nothing counts twice.\n", short(a.Record.Name))
	case a.Record.Name == "":
		fmt.Fprintf(w, "Nothing is written yet. It would set back %s.\n", counted(len(a.Tasks), "task"))
	default:
		fmt.Fprintf(w, "Record %s written: %s set back.\n", short(a.Record.Name), counted(len(a.Tasks), "task"))
	}
	if !a.Repeated {
		for _, t := range a.Tasks {
			fmt.Fprintln(w, "  "+taskText(t))
		}
	}
	for _, t := range a.Waiting {
		fmt.Fprintf(w, "  %s counts once it is confirmed: hourbell confirm %s %s\n", taskText(t), machineText(t), short(a.Record.Name))
	}
	var notes cautions
	printSays(w, a.Says, &notes)
	notes.marks(a.Cautions)
	notes.print(w)
}

type voidCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Record  string `arg:"" help:"The record's id, or its first characters."`
	Why     string `required:"" help:"The reason, in words." placeholder:"WORDS"`
}

// Run voids the record.
func (c *voidCmd) Run(s *session) error {
	name, err := s.record(c.Machine, c.Record)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewServiceRecordServiceClient, pb.ServiceRecordServiceClient.VoidServiceRecord, &pb.VoidServiceRecordRequest{Name: name, Why: c.Why, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "Record %s is voided; its tasks count from the service before it.\n", short(a.Record.Name))
	})
}

type logCmd struct {
	Machine string `arg:"" help:"The machine's id."`
}

// Run lists the records.
func (c *logCmd) Run(s *session) error {
	all, err := s.records(c.Machine)
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("RECORD", "DONE", "WHAT", "SHOWN", "BY", "NOTE", "FACTS", "STANDS")
		for _, r := range all.Records {
			t.add(short(r.Name), momentText(r.DoneMoment, "-"), recordWhat(r), recordShown(r), orDash(strings.TrimSpace(r.Person+" "+r.PersonAs)), orDash(r.Note), recordFacts(r), recordStands(r))
		}
		t.print(w, "No services on record.")
	})
}

func recordWhat(r *pb.ServiceRecord) string {
	if r.Round != "" {
		return "round " + r.Round
	}
	tasks := make([]string, len(r.Tasks))
	for i, t := range r.Tasks {
		parts := strings.Split(t, "/")
		tasks[i] = t
		if len(parts) == 4 {
			tasks[i] = parts[1] + "/" + parts[3]
		}
	}
	return strings.Join(tasks, ", ")
}

func recordShown(r *pb.ServiceRecord) string {
	parts := make([]string, 0, len(r.Shown))
	for _, m := range r.Shown {
		parts = append(parts, m.Meter+" "+hoursText(m.ShownMs))
	}
	return orDash(strings.Join(parts, ", "))
}

func recordStands(r *pb.ServiceRecord) string {
	if r.Voided {
		return "voided: " + r.VoidWhy
	}
	if r.Waiting {
		return "waits to be confirmed"
	}
	return "yes"
}

// record finds a machine's record by its id or its first characters.
func (s *session) record(machine, typed string) (string, error) {
	all, err := s.records(machine)
	if err != nil {
		return "", err
	}
	names := make([]string, 0, len(all.Records))
	for _, r := range all.Records {
		names = append(names, r.Name)
	}
	return pick("record", typed, names)
}

func (s *session) records(machine string) (*pb.ListServiceRecordsResponse, error) {
	all := &pb.ListServiceRecordsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewServiceRecordServiceClient, pb.ServiceRecordServiceClient.ListServiceRecords, &pb.ListServiceRecordsRequest{Parent: under("machines", machine), PageSize: pageSize, PageToken: token})
		all.Records = append(all.Records, a.GetRecords()...)
		return a.GetNextPageToken(), err
	})
	return all, err
}

type hoursCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Meter   string `arg:"" help:"The meter: engine, separator or another of the machine's chart."`
	Hours   string `arg:"" help:"What the display shows, as 1234.5."`
	At      string `help:"When it was read: RFC 3339, \"2031-07-14 18:30\" or 18:30; now where left out." placeholder:"TIME"`
	ID      string `help:"UUID of the reading, to say the same thing again." placeholder:"UUID"`
}

// Run writes the reading down.
func (c *hoursCmd) Run(s *session) error {
	ms, step, err := parseHours(c.Hours)
	if err != nil {
		return err
	}
	q := &pb.RecordHoursRequest{Parent: under("machines", c.Machine), Meter: c.Meter, ShownMs: ms, ResolutionMs: step, RequestId: or(c.ID, requestID())}
	if c.At != "" {
		at, err := parseWhen(c.At, s.now())
		if err != nil {
			return err
		}
		q.ReadTime = timestamppb.New(at)
	}
	a, err := call(s, pb.NewReadingServiceClient, pb.ReadingServiceClient.RecordHours, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printHours(w, c, a) })
}

func printHours(w io.Writer, c *hoursCmd, a *pb.RecordHoursResponse) {
	switch {
	case a.Held:
		fmt.Fprintf(w, "Held, it moves no counter yet: %s. `hourbell doubts %s` lists what waits for an answer.\n", plain(a.Why), c.Machine)
	case a.Repeated:
		fmt.Fprintln(w, "Written down before; nothing counts twice.")
	default:
		fmt.Fprintf(w, "Written down. %s %s stands at %s h.\n", lastPart(c.Machine), c.Meter, hoursText(a.Meter.GetTotalMs()))
	}
}

type readingsCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Meter   string `help:"Only this meter." placeholder:"METER"`
	Last    int    `help:"How many." default:"50"`
}

// Run lists the readings.
func (c *readingsCmd) Run(s *session) error {
	all := &pb.ListReadingsResponse{}
	err := pages(func(token string) (string, error) {
		size := min(pageSize, c.Last-len(all.Readings))
		if size <= 0 {
			return "", nil
		}
		a, err := call(s, pb.NewReadingServiceClient, pb.ReadingServiceClient.ListReadings, &pb.ListReadingsRequest{Parent: under("machines", c.Machine), Meter: c.Meter, PageSize: int32(size), PageToken: token})
		all.Readings = append(all.Readings, a.GetReadings()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("READ", "METER", "SHOWN", "ORIGIN", "TAKEN IN", "BY", "COUNTS")
		for _, r := range all.Readings {
			t.add(momentText(r.ReadMoment, "-"), r.Meter, hoursText(r.ShownMs), word(r.Origin, "ORIGIN_"), stampText(r.KnownTime, "-"), orDash(r.Person), countsWord(r))
		}
		t.print(w, "No readings.")
	})
}

// countsWord says whether a reading counts.
func countsWord(r *pb.MeterReading) string {
	if r.Held {
		return "held: " + plain(r.HeldWhy)
	}
	return "yes"
}

type doubtsCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
	Closed  bool   `help:"Those that were answered as well."`
}

// Run lists the doubts.
func (c *doubtsCmd) Run(s *session) error {
	all, err := s.doubts(or(c.Machine, "-"), c.Closed)
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printDoubts(w, all.Doubts, all.AnswerTime.AsTime()) })
}

func printDoubts(w io.Writer, doubts []*pb.Doubt, now time.Time) {
	t := newTable("DOUBT", "MACHINE", "METER", "SINCE", "WHAT", "STANDS", "ANSWERS")
	for _, d := range doubts {
		stands := "open"
		if d.Closed {
			stands = "closed: " + d.How
		}
		words := make([]string, 0, len(d.Answers))
		for _, a := range d.Answers {
			words = append(words, doubtWord(a))
		}
		t.add(short(d.Name), machineText(d.Name), orDash(d.Meter), momentAge(now, d.RaisedMoment, "-"), d.What, stands, orDash(strings.Join(words, ", ")))
	}
	t.print(w, "No doubts are open.")
}

func doubtWord(w pb.DoubtWord) string { return strings.ReplaceAll(word(w, "DOUBT_WORD_"), " ", "-") }

func (s *session) doubts(machine string, closed bool) (*pb.ListDoubtsResponse, error) {
	all := &pb.ListDoubtsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewDoubtServiceClient, pb.DoubtServiceClient.ListDoubts, &pb.ListDoubtsRequest{Parent: under("machines", machine), IncludeClosed: closed, PageSize: pageSize, PageToken: token})
		all.Doubts = append(all.Doubts, a.GetDoubts()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	return all, err
}

type doubtCmd struct {
	Answer doubtAnswerCmd `cmd:"" help:"Answer a doubt. For the technician."`
}

type doubtAnswerCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Doubt   string `arg:"" help:"The doubt's id, or its first characters."`
	Answer  string `arg:"" enum:"new-meter,wrong,right,same-machine" help:"new-meter: it was replaced or reset; wrong: the held readings are; right: they are right as they stand; same-machine: the bus's names changed, the machine did not."`
	Why     string `help:"The reason, in words." placeholder:"WORDS"`
}

// Run answers the doubt.
func (c *doubtAnswerCmd) Run(s *session) error {
	all, err := s.doubts(c.Machine, true)
	if err != nil {
		return err
	}
	names := make([]string, 0, len(all.Doubts))
	for _, d := range all.Doubts {
		names = append(names, d.Name)
	}
	name, err := pick("doubt", c.Doubt, names)
	if err != nil {
		return err
	}
	value := pb.DoubtWord(pb.DoubtWord_value["DOUBT_WORD_"+strings.ToUpper(strings.ReplaceAll(c.Answer, "-", "_"))])
	a, err := call(s, pb.NewDoubtServiceClient, pb.DoubtServiceClient.AnswerDoubt, &pb.AnswerDoubtRequest{Name: name, Word: value, Why: c.Why, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "Doubt %s: %s.\n", short(name), plain(or(a.Doubt.How, "answered"))) })
}
