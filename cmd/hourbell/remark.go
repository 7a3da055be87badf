package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type remarkCmd struct {
	Add    remarkAddCmd    `cmd:"" help:"Write down what you found, on a point, a task or the machine. For whoever stands at the machine."`
	Show   remarkShowCmd   `cmd:"" help:"Show a remark whole. For the technician."`
	Change remarkChangeCmd `cmd:"" help:"Give a remark another verdict, part, day or a picture. For the technician."`
	Close  remarkCloseCmd  `cmd:"" help:"Close a remark without a service; hourbell done --closes closes it with one. For the technician."`
	Carry  remarkCarryCmd  `cmd:"" help:"Put a remark among the winter's work. For the technician."`
	Reopen remarkReopenCmd `cmd:"" help:"Open a closed remark again. For the technician."`
	Photo  remarkPhotoCmd  `cmd:"" help:"Fetch a remark's picture into a file. For the technician."`
}

type remarkAddCmd struct {
	Machine string   `arg:"" help:"The machine's id."`
	Text    string   `arg:"" help:"What you found, in words."`
	Verdict string   `required:"" enum:"run,watch,do-not-run" help:"May it run: run, watch or do-not-run." placeholder:"VERDICT"`
	Point   string   `xor:"where" help:"The point; the machine where left out." placeholder:"POINT"`
	Task    string   `xor:"where" help:"The task whose criterion does not hold." placeholder:"POINT/TASK"`
	Part    string   `help:"The part that is wanted." placeholder:"PART"`
	DoBy    string   `help:"By which day it is to be done, as 2031-07-14." placeholder:"DATE"`
	Picture []string `help:"A JPEG or PNG; give it again for each." type:"existingfile" placeholder:"FILE"`
	Walk    string   `help:"The walk-round in which it was found." placeholder:"WALK"`
	At      string   `help:"When it was found; now where left out." placeholder:"TIME"`
	ID      string   `help:"UUID of the remark, to say the same thing again." placeholder:"UUID"`
}

func verdictOf(text string) pb.RemarkVerdict {
	return map[string]pb.RemarkVerdict{"run": pb.RemarkVerdict_REMARK_VERDICT_RUN, "watch": pb.RemarkVerdict_REMARK_VERDICT_WATCH, "do-not-run": pb.RemarkVerdict_REMARK_VERDICT_DO_NOT_RUN}[text]
}

func verdictText(v pb.RemarkVerdict) string { return word(v, "REMARK_VERDICT_") }

// Run writes the remark.
func (c *remarkAddCmd) Run(s *session) error {
	remark := &pb.MachineRemark{Text: c.Text, Verdict: verdictOf(c.Verdict), Point: c.Point, Part: c.Part}
	var err error
	if c.Task != "" {
		if remark.Task, err = taskName(c.Machine, c.Task); err != nil {
			return err
		}
	}
	if remark.DoByDate, err = parseDay("--do-by", c.DoBy); err != nil {
		return err
	}
	if remark.FoundMoment, err = momentAt(s, c.At); err != nil {
		return err
	}
	if c.Walk != "" {
		if remark.Walk, err = s.pickWalk(c.Machine, c.Walk); err != nil {
			return err
		}
	}
	if remark.Pictures, err = s.upload(c.Machine, c.Picture); err != nil {
		return err
	}
	a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.CreateRemark, &pb.CreateRemarkRequest{Parent: under("machines", c.Machine), Remark: remark, RequestId: or(c.ID, requestID())})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		if !repeatedText(w, a.Repeated) {
			fmt.Fprintf(w, "Remark %s written: %s.\n", short(a.Remark.Name), verdictText(a.Remark.Verdict))
		}
		var notes cautions
		notes.marks(a.Remark.Cautions)
		notes.print(w)
	})
}

// maxPicture is the largest picture that is sent, in bytes.
const maxPicture = 8 << 20

// upload sends pictures and gives their names.
func (s *session) upload(machine string, files []string) ([]string, error) {
	var out []string
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("read the picture: %w", err)
		}
		if len(b) > maxPicture {
			return nil, fmt.Errorf("%s: %d bytes, and at most %d are taken; make it smaller", file, len(b), maxPicture)
		}
		a, err := call(s, pb.NewPictureServiceClient, pb.PictureServiceClient.UploadPicture, &pb.UploadPictureRequest{Parent: under("machines", machine), Image: b, RequestId: requestID()})
		if err != nil {
			return nil, err
		}
		out = append(out, a.Picture.Name)
	}
	return out, nil
}

type remarksCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
	Closed  bool   `help:"Those that are closed as well."`
	Verdict string `enum:",run,watch,do-not-run" default:"" help:"Only this verdict: run, watch or do-not-run." placeholder:"VERDICT"`
	Winter  bool   `help:"Only the winter's work."`
	Parts   bool   `help:"Only those that want a part. For the parts counter."`
	Point   string `help:"Only those at this point." placeholder:"POINT"`
}

// Run lists the remarks.
func (c *remarksCmd) Run(s *session) error {
	all, err := s.remarks(&pb.ListRemarksRequest{
		Parent: under("machines", or(c.Machine, "-")), IncludeClosed: c.Closed, Verdict: verdictOf(c.Verdict), CarriedOnly: c.Winter, PartWantedOnly: c.Parts, Point: c.Point,
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		printRemarks(w, all.Remarks, "No remarks are open. `hourbell remarks --closed` lists the earlier ones.")
	})
}

func (s *session) remarks(q *pb.ListRemarksRequest) (*pb.ListRemarksResponse, error) {
	all := &pb.ListRemarksResponse{}
	err := pages(func(token string) (string, error) {
		q.PageSize, q.PageToken = pageSize, token
		a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.ListRemarks, q)
		all.Remarks = append(all.Remarks, a.GetRemarks()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	return all, err
}

func printRemarks(w io.Writer, list []*pb.MachineRemark, none string) {
	var notes cautions
	t := newTable("REMARK", "MACHINE", "VERDICT", "WHERE", "FOUND", "PART", "DO BY", "BY", "STANDS", "CAUTIONS")
	for _, r := range list {
		where := or(r.Point, "machine")
		if r.Task != "" {
			where = taskText(r.Task)
		}
		t.add(short(r.Name), machineText(r.Name), verdictText(r.Verdict), where, r.Text, orDash(r.Part), dateText(r.DoByDate, "-"), orDash(r.Person), remarkStands(r), notes.marks(r.Cautions))
	}
	t.print(w, none)
	notes.print(w)
}

func remarkStands(r *pb.MachineRemark) string {
	switch {
	case r.Record != "":
		return "closed by record " + short(r.Record)
	case r.Closed:
		return "closed: " + r.How
	case r.Carried:
		return "winter's work"
	}
	return "open"
}

type remarkArgs struct {
	Machine string `arg:"" help:"The machine's id."`
	Remark  string `arg:"" help:"The remark's id, or its first characters."`
}

func (s *session) pickRemark(machine, typed string) (string, error) {
	all, err := s.remarks(&pb.ListRemarksRequest{Parent: under("machines", machine), IncludeClosed: true})
	if err != nil {
		return "", err
	}
	names := make([]string, 0, len(all.Remarks))
	for _, r := range all.Remarks {
		names = append(names, r.Name)
	}
	return pick("remark", typed, names)
}

func (s *session) saidOf(a interface {
	GetRemark() *pb.MachineRemark
	GetRepeated() bool
}) func(io.Writer) {
	return func(w io.Writer) {
		repeatedText(w, a.GetRepeated())
		printRemarks(w, []*pb.MachineRemark{a.GetRemark()}, "")
	}
}

type remarkShowCmd struct{ remarkArgs }

// Run shows the remark.
func (c *remarkShowCmd) Run(s *session) error {
	name, err := s.pickRemark(c.Machine, c.Remark)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.GetRemark, &pb.GetRemarkRequest{Name: name})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		printRemarks(w, []*pb.MachineRemark{a.Remark}, "")
		for _, p := range a.Remark.Pictures {
			fmt.Fprintf(w, "picture  %s\n", short(p))
		}
	})
}

type remarkChangeCmd struct {
	remarkArgs
	Verdict string   `enum:",run,watch,do-not-run" default:"" help:"May it run: run, watch or do-not-run." placeholder:"VERDICT"`
	Part    string   `help:"The part that is wanted." placeholder:"PART"`
	DoBy    string   `help:"By which day it is to be done, as 2031-07-14." placeholder:"DATE"`
	Picture []string `help:"A JPEG or PNG to add." type:"existingfile" placeholder:"FILE"`
	Why     string   `help:"Why, in words." placeholder:"WORDS"`
}

// Run changes the remark.
func (c *remarkChangeCmd) Run(s *session) error {
	name, err := s.pickRemark(c.Machine, c.Remark)
	if err != nil {
		return err
	}
	q := &pb.ChangeRemarkRequest{Name: name, Verdict: verdictOf(c.Verdict), Part: c.Part, Why: c.Why, RequestId: requestID()}
	if q.DoByDate, err = parseDay("--do-by", c.DoBy); err != nil {
		return err
	}
	if q.Pictures, err = s.upload(c.Machine, c.Picture); err != nil {
		return err
	}
	a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.ChangeRemark, q)
	if err != nil {
		return err
	}
	return s.out.document(a, s.saidOf(a))
}

type remarkCloseCmd struct {
	remarkArgs
	Why string `required:"" help:"Why, in words." placeholder:"WORDS"`
}

// Run closes the remark.
func (c *remarkCloseCmd) Run(s *session) error {
	name, err := s.pickRemark(c.Machine, c.Remark)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.CloseRemark, &pb.CloseRemarkRequest{Name: name, Why: c.Why, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, s.saidOf(a))
}

type remarkCarryCmd struct {
	remarkArgs
	Why string `help:"Why, in words." placeholder:"WORDS"`
}

// Run carries the remark to the winter's work.
func (c *remarkCarryCmd) Run(s *session) error {
	name, err := s.pickRemark(c.Machine, c.Remark)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.CarryRemark, &pb.CarryRemarkRequest{Name: name, Why: c.Why, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, s.saidOf(a))
}

type remarkReopenCmd struct {
	remarkArgs
	Why string `required:"" help:"Why, in words." placeholder:"WORDS"`
}

// Run opens the remark again.
func (c *remarkReopenCmd) Run(s *session) error {
	name, err := s.pickRemark(c.Machine, c.Remark)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.ReopenRemark, &pb.ReopenRemarkRequest{Name: name, Why: c.Why, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, s.saidOf(a))
}

type remarkPhotoCmd struct {
	remarkArgs
	Picture string `arg:"" optional:"" help:"The picture's id, or its first characters; the first where left out."`
	Out     string `help:"The file to write; the picture's id and .jpg where left out." placeholder:"FILE"`
}

// Run fetches the picture.
func (c *remarkPhotoCmd) Run(s *session) error {
	name, err := s.pickRemark(c.Machine, c.Remark)
	if err != nil {
		return err
	}
	r, err := call(s, pb.NewRemarkServiceClient, pb.RemarkServiceClient.GetRemark, &pb.GetRemarkRequest{Name: name})
	if err != nil {
		return err
	}
	if len(r.Remark.Pictures) == 0 {
		return fmt.Errorf("remark %s has no picture", short(name))
	}
	picture := r.Remark.Pictures[0]
	if c.Picture != "" {
		if picture, err = pick("picture", c.Picture, r.Remark.Pictures); err != nil {
			return err
		}
	}
	a, err := call(s, pb.NewPictureServiceClient, pb.PictureServiceClient.GetPicture, &pb.GetPictureRequest{Name: picture})
	if err != nil {
		return err
	}
	file := or(c.Out, short(picture)+".jpg")
	if err := os.WriteFile(filepath.Clean(file), bytes.Clone(a.Image), 0o644); err != nil {
		return fmt.Errorf("write the picture: %w", err)
	}
	a.Image = nil
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s written, %d by %d pixels.\n", plain(file), a.Picture.WidthPixels, a.Picture.HeightPixels)
	})
}

type readyCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
}

// Run says which machines are ready, and what holds the others.
func (c *readyCmd) Run(s *session) error {
	all := &pb.ListReadinessResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewMachineServiceClient, pb.MachineServiceClient.ListReadiness, &pb.ListReadinessRequest{Parent: under("machines", or(c.Machine, "-")), PageSize: pageSize, PageToken: token})
		all.Machines = append(all.Machines, a.GetMachines()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printReadiness(w, all.Machines) })
}

func printReadiness(w io.Writer, list []*pb.MachineReadiness) {
	var notes cautions
	t := newTable("MACHINE", "READY", "HELD BY", "WHAT", "PART", "CAUTIONS")
	for _, m := range list {
		if m.Ready && len(m.Holds) == 0 {
			t.add(lastPart(m.Machine), "ready", "-", "-", "-", "")
		}
		for _, h := range m.Holds {
			t.add(lastPart(m.Machine), heldText(m, h), heldBy(h), strings.TrimSpace(h.Words), orDash(h.Part), notes.marks(h.Cautions))
		}
	}
	t.print(w, "No machines.")
	notes.print(w)
}

// heldText says whether something holds a machine, or is only said.
func heldText(m *pb.MachineReadiness, h *pb.ReadinessHold) string {
	switch {
	case h.Holds:
		return "no"
	case m.Ready:
		return "ready, but"
	}
	return "besides"
}

func heldBy(h *pb.ReadinessHold) string {
	switch {
	case h.Remark != "":
		return "remark " + short(h.Remark)
	case h.Task != "":
		return taskText(h.Task)
	case h.Walk != "":
		return "walk-round " + short(h.Walk)
	}
	return orDash(h.Point)
}
