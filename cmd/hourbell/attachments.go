package main

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type attachmentCmd struct {
	Add     attachmentAddCmd  `cmd:"" help:"Add a header or another part that moves between machines. For the workshop manager."`
	List    attachmentListCmd `cmd:"" help:"Which header is on which machine? For the crew boss."`
	PutOn   putOnCmd          `cmd:"" help:"Write down that an attachment was put on a machine. Its hours and services go with it. For the operator."`
	TakeOff takeOffCmd        `cmd:"" help:"Write down that an attachment was taken off. For the operator."`
}

type attachmentAddCmd struct {
	Customer string `arg:"" help:"The customer's id."`
	ID       string `arg:"" help:"The attachment's id: a-z, 0-9 and '-', beginning with a letter."`
	Kind     string `required:"" help:"What the charts call it: the id of an attachment there." placeholder:"KIND"`
	Name     string `help:"What people call it; the id where left out." placeholder:"NAME"`
}

// Run adds the attachment.
func (c *attachmentAddCmd) Run(s *session) error {
	a, err := call(s, pb.NewAttachmentServiceClient, pb.AttachmentServiceClient.CreateAttachment, &pb.CreateAttachmentRequest{
		Parent: under("customers", c.Customer), AttachmentId: c.ID, Attachment: &pb.Attached{DisplayName: or(c.Name, c.ID), Kind: c.Kind}, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s added. Next: hourbell attachment put-on %s MACHINE\n", a.Attachment.Name, c.ID)
	})
}

type attachmentListCmd struct {
	Customer string `arg:"" optional:"" help:"Only this customer's."`
}

// Run lists the attachments.
func (c *attachmentListCmd) Run(s *session) error {
	all, err := s.attachments(or(c.Customer, "-"))
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("ATTACHMENT", "CUSTOMER", "NAME", "KIND", "ON")
		for _, one := range all.Attachments {
			t.add(lastPart(one.Name), machineText(one.Name), one.DisplayName, one.Kind, or(lastPart(one.Machine), "no machine"))
		}
		t.print(w, "No attachments. Add one with `hourbell attachment add CUSTOMER ID --kind KIND`.")
	})
}

func (s *session) attachments(customer string) (*pb.ListAttachmentsResponse, error) {
	all := &pb.ListAttachmentsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewAttachmentServiceClient, pb.AttachmentServiceClient.ListAttachments, &pb.ListAttachmentsRequest{Parent: under("customers", customer), PageSize: pageSize, PageToken: token})
		all.Attachments = append(all.Attachments, a.GetAttachments()...)
		return a.GetNextPageToken(), err
	})
	return all, err
}

// attachmentName finds an attachment by its id alone, since ids are unique among
// all attachments.
func (s *session) attachmentName(id string) (string, error) {
	if strings.HasPrefix(id, "customers/") {
		return id, nil
	}
	all, err := s.attachments("-")
	if err != nil {
		return "", err
	}
	for _, one := range all.Attachments {
		if lastPart(one.Name) == id {
			return one.Name, nil
		}
	}
	return "", fmt.Errorf("there is no attachment %q, or you were not granted it; `hourbell attachment list` lists them", id)
}

type putOnCmd struct {
	Attachment string `arg:"" help:"The attachment's id."`
	Machine    string `arg:"" help:"The machine's id."`
	At         string `help:"When: RFC 3339, \"2031-07-14 18:30\" or 18:30; now where left out." placeholder:"TIME"`
}

// Run puts the attachment on.
func (c *putOnCmd) Run(s *session) error {
	return s.move(c.Attachment, under("machines", c.Machine), c.At)
}

type takeOffCmd struct {
	Attachment string `arg:"" help:"The attachment's id."`
	At         string `help:"When: RFC 3339, \"2031-07-14 18:30\" or 18:30; now where left out." placeholder:"TIME"`
}

// Run takes the attachment off.
func (c *takeOffCmd) Run(s *session) error { return s.move(c.Attachment, "", c.At) }

func (s *session) move(attachment, machine, at string) error {
	name, err := s.attachmentName(attachment)
	if err != nil {
		return err
	}
	q := &pb.MoveAttachmentRequest{Name: name, Machine: machine, RequestId: requestID()}
	if q.Moment, err = momentAt(s, at); err != nil {
		return err
	}
	a, err := call(s, pb.NewAttachmentServiceClient, pb.AttachmentServiceClient.MoveAttachment, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		from := ""
		if a.From != "" {
			from = ", off " + lastPart(a.From)
		}
		fmt.Fprintf(w, "%s is on %s%s.\n", lastPart(name), or(lastPart(a.Attachment.Machine), "no machine"), from)
	})
}

type handOverCmd struct {
	Machine         string `arg:"" help:"The machine's id."`
	ToSite          string `required:"" help:"The site to which it goes; its customer has the machine from then on." placeholder:"SITE"`
	WithAttachments bool   `help:"What is attached to it goes with it."`
}

// Run hands the machine over.
func (c *handOverCmd) Run(s *session) error {
	site, err := s.siteName(c.ToSite)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewFleetFileServiceClient, pb.FleetFileServiceClient.HandOverMachine, &pb.HandOverMachineRequest{Name: under("machines", c.Machine), Site: site, WithAttachments: c.WithAttachments, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		if a.CustomerBefore == "" {
			fmt.Fprintf(w, "%s is at site %s already.\n", lastPart(a.Machine), lastPart(a.Site))
			return
		}
		fmt.Fprintf(w, "%s is customer %s's now, at site %s. Customer %s sees it no more.\n", lastPart(a.Machine), machineText(a.Site), lastPart(a.Site), lastPart(a.CustomerBefore))
	})
}
