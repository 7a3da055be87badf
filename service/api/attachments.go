package api

import (
	"context"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

type attachments struct {
	pb.UnimplementedAttachmentServiceServer
	*API
}

const attachmentPattern = "customers/{customer}/attachments/{attachment}"

func attachedOf(a office.Attachment) *pb.Attached {
	out := &pb.Attached{Name: customerName(a.Customer) + "/attachments/" + a.ID, DisplayName: a.Display, Kind: a.Kind}
	if a.Machine != "" {
		out.Machine = machineName(a.Machine)
	}
	return out
}

// CreateAttachment adds an attachment.
func (s *attachments) CreateAttachment(ctx context.Context, q *pb.CreateAttachmentRequest) (*pb.CreateAttachmentResponse, error) {
	customer, err := s.parent(ctx, access.Commission, q.GetParent(), q.GetRequestId())
	if err != nil {
		return nil, err
	}
	made, err := s.o.Office.CreateAttachment(ctx, office.Attachment{ID: q.GetAttachmentId(), Customer: customer, Display: q.GetAttachment().GetDisplayName(), Kind: q.GetAttachment().GetKind()})
	if err != nil {
		return nil, s.hidden(ctx, "attachment_id", q.GetAttachmentId(), made.Customer, err)
	}
	return &pb.CreateAttachmentResponse{Attachment: attachedOf(made)}, nil
}

// GetAttachment gives an attachment.
func (s *attachments) GetAttachment(ctx context.Context, q *pb.GetAttachmentRequest) (*pb.GetAttachmentResponse, error) {
	a, err := s.find(ctx, access.See, q.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetAttachmentResponse{Attachment: attachedOf(a)}, nil
}

// find finds an attachment by its name, under the customer that it names.
func (s *attachments) find(ctx context.Context, permission access.Permission, name string) (office.Attachment, error) {
	parts, err := parse("name", attachmentPattern, name)
	if err != nil {
		return office.Attachment{}, err
	}
	if _, err := s.o.Access.Customer(ctx, permission, parts[0]); err != nil {
		return office.Attachment{}, err
	}
	a, err := s.o.Office.Attachment(parts[1])
	if err != nil || a.Customer != parts[0] {
		return office.Attachment{}, fault.Missing("attachment", cut(parts[1]))
	}
	return a, nil
}

// ListAttachments lists attachments.
func (s *attachments) ListAttachments(ctx context.Context, q *pb.ListAttachmentsRequest) (*pb.ListAttachmentsResponse, error) {
	customer, may, err := s.listParent(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []office.Attachment
	for _, a := range s.o.Office.ListAttachments(customer) {
		if may(a.Customer) {
			rows = append(rows, a)
		}
	}
	rows, next := slicePage(p, rows, func(a office.Attachment) string { return a.ID })
	out := &pb.ListAttachmentsResponse{NextPageToken: next}
	for _, a := range rows {
		out.Attachments = append(out.Attachments, attachedOf(a))
	}
	return out, nil
}

// MoveAttachment puts an attachment on a machine.
func (s *attachments) MoveAttachment(ctx context.Context, q *pb.MoveAttachmentRequest) (*pb.MoveAttachmentResponse, error) {
	a, err := s.find(ctx, access.Record, q.GetName())
	if err != nil {
		return nil, err
	}
	to := ""
	if q.GetMachine() != "" {
		if to, err = parseMachine("machine", q.GetMachine()); err != nil {
			return nil, err
		}
		if _, err := s.o.Access.Machine(ctx, access.Record, to); err != nil {
			return nil, err
		}
	}
	at, err := parseMoment("moment", q.GetMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	id, err := s.actID(q.GetRequestId())
	if err != nil {
		return nil, err
	}
	from, err := s.move(ctx, a.ID, to, id, at)
	if err != nil {
		return nil, err
	}
	if a, err = s.o.Office.Attachment(a.ID); err != nil {
		return nil, err
	}
	out := &pb.MoveAttachmentResponse{Attachment: attachedOf(a)}
	if from != "" {
		out.From = machineName(from)
	}
	return out, nil
}

// move takes an attachment from where it is to a machine, "" for none, and gives
// where it was. What was begun before is finished first; then the way is
// journalled, with both events as they are going to be, before either stream gets
// its own.
func (a *API) move(ctx context.Context, attachment, to string, key [16]byte, at moment.Span) (from string, err error) {
	if err := a.finishMoving(ctx, attachment); err != nil {
		return "", err
	}
	piece, err := a.o.Office.Attachment(attachment)
	if err != nil || piece.Machine == to {
		return "", err
	}
	m := office.Moving{Attachment: attachment, From: piece.Machine, To: to, Key: key, At: at}
	off := &maintenance.Attachment{Attachment: piece.Kind, Piece: piece.ID, Person: access.Person(ctx)}
	on := &maintenance.Attachment{Attachment: piece.Kind, Piece: piece.ID, Person: access.Person(ctx), On: true}
	if err := a.load(ctx, &piece, off, on); err != nil {
		return "", err
	}
	if m.Carries, err = wire.Marshal(nil, wire.Stamp{Time: at.NotBefore}, on); err != nil {
		return "", err
	}
	if err := a.known(ctx, to, on); err != nil {
		return "", err
	}
	if err := a.mayMove(ctx, &m, off, on); err != nil {
		return "", err
	}
	if m.Off, err = wire.Marshal(nil, wire.Stamp{Time: at.NotBefore}, off); err != nil {
		return "", err
	}
	if m.On, err = wire.Marshal(nil, wire.Stamp{Time: at.NotBefore}, on); err != nil {
		return "", err
	}
	if err := a.o.Office.MoveAttachment(ctx, m); err != nil {
		return "", err
	}
	return m.From, a.finishMoving(ctx, attachment)
}

// load puts onto the events what goes with the attachment: as it was when it was
// moved last, and as the machine that it is on knows better since.
func (a *API) load(ctx context.Context, piece *office.Attachment, off, on *maintenance.Attachment) error {
	if kept := a.o.Office.Carried(piece.ID); kept != nil {
		_, body, err := wire.Unmarshal(kept)
		if err != nil {
			return fmt.Errorf("read what attachment %s brings: %w", piece.ID, err)
		}
		if last, is := body.(*maintenance.Attachment); is {
			on.Shown, on.Carried = last.Shown, last.Carried
		}
	}
	if piece.Machine == "" {
		return nil
	}
	return a.view(ctx, piece.Machine, func(st *maintenance.State) {
		shown, carried := st.CarryOut(piece.Kind)
		off.Shown = slices.Clone(shown)
		for _, old := range on.Shown {
			if !slices.ContainsFunc(shown, func(m maintenance.MeterShown) bool { return m.Meter == old.Meter }) {
				shown = append(shown, old)
			}
		}
		tasks := slices.Clone(carried)
		for _, old := range on.Carried {
			if !slices.ContainsFunc(tasks, func(r maintenance.CarriedRecord) bool { return r.Task == old.Task }) {
				carried = append(carried, old)
			}
		}
		on.Shown, on.Carried = shown, carried
	})
}

// known leaves out of what an attachment brings the meters and tasks that the
// next machine's chart does not have.
func (a *API) known(ctx context.Context, machine string, on *maintenance.Attachment) error {
	if machine == "" {
		return nil
	}
	return a.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart != nil {
			fit(st.Chart, on)
		}
	})
}

func fit(c *maintenance.Chart, on *maintenance.Attachment) {
	meter := func(id string) bool {
		return slices.ContainsFunc(c.Meters, func(m maintenance.MeterDef) bool { return m.ID == id && m.Of == on.Attachment })
	}
	point := func(id string) bool {
		return slices.ContainsFunc(c.Points, func(p maintenance.PointDef) bool { return p.ID == id && p.Attachment == on.Attachment })
	}
	task := func(id string) bool {
		return slices.ContainsFunc(c.Tasks, func(t maintenance.TaskDef) bool { return t.ID == id && point(t.Point) })
	}
	foreign := func(m maintenance.MeterShown) bool { return !meter(m.Meter) }
	on.Shown = slices.DeleteFunc(slices.Clone(on.Shown), foreign)
	on.Carried = slices.DeleteFunc(slices.Clone(on.Carried), func(r maintenance.CarriedRecord) bool { return !task(r.Task) })
	for i := range on.Carried {
		on.Carried[i].Hours = slices.DeleteFunc(slices.Clone(on.Carried[i].Hours), foreign)
	}
}

// mayMove asks both machines before anything is made.
func (a *API) mayMove(ctx context.Context, m *office.Moving, off, on *maintenance.Attachment) error {
	if m.To != "" {
		if err := a.hasHook(ctx, m.To, on.Attachment); err != nil {
			return err
		}
		if err := a.wouldTake(ctx, m.To, m.Key, maintenance.WriterPerson, m.At, on); err != nil {
			return err
		}
	}
	if m.From == "" {
		return nil
	}
	return a.wouldTake(ctx, m.From, m.Key, maintenance.WriterPerson, m.At, off)
}

// hasHook holds a machine's chart to an attachment of this kind.
func (a *API) hasHook(ctx context.Context, machine, kind string) error {
	var chart string
	has := false
	err := a.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart != nil {
			chart, has = st.Chart.ID, knowsAttachment(st.Chart, kind)
		}
	})
	switch {
	case err != nil:
		return err
	case chart == "":
		return fault.InvalidField("machine", "machine "+machine+" has no chart yet", "put one in force first")
	case !has:
		return fault.InvalidField("machine", fmt.Sprintf("chart %s of machine %s names no attachment %q", chart, machine, kind), "name it in a new edition of the chart, or choose another machine")
	}
	return nil
}

func knowsAttachment(c *maintenance.Chart, kind string) bool {
	return slices.ContainsFunc(c.Attachments, func(d maintenance.AttachmentDef) bool { return d.ID == kind })
}
