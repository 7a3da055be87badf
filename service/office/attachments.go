package office

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// CreateAttachment adds an attachment, on no machine.
func (o *Office) CreateAttachment(ctx context.Context, a Attachment) (Attachment, error) {
	if err := cmp.Or(CheckID("attachment_id", a.ID), checkDisplay("attachment.display_name", a.Display), CheckID("attachment.kind", a.Kind)); err != nil {
		return Attachment{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.customers[a.Customer]; !there {
		return Attachment{}, &NotFound{Kind: "customer", Name: a.Customer}
	}
	if have, there := o.f.attachments[a.ID]; there {
		return have, same("attachment", a.ID, have.Customer == a.Customer && have.Display == a.Display && have.Kind == a.Kind)
	}
	err := o.append(ctx, attachmentEvent(a))
	return o.f.attachments[a.ID], err
}

func attachmentEvent(a Attachment) *pb.OfficeEvent {
	return &pb.OfficeEvent{Body: &pb.OfficeEvent_Attachment{Attachment: &pb.OfficeAttachment{Attachment: a.ID, Customer: a.Customer, Display: a.Display, Kind: a.Kind}}}
}

// MoveAttachment journals that an attachment goes from the machine that it is on
// to another. It is there from then on; AttachmentMoved is called once both
// streams have their event. One whose way was begun and not finished is refused.
func (o *Office) MoveAttachment(ctx context.Context, m Moving) error {
	o.write.Lock()
	defer o.write.Unlock()
	a, there := o.f.attachments[m.Attachment]
	switch {
	case !there:
		return &NotFound{Kind: "attachment", Name: m.Attachment}
	case a.Machine != m.From:
		return &Refused{Field: "name", Why: fmt.Sprintf("attachment %s was moved by another since it was looked up", m.Attachment), Fix: "look where it is, and decide anew"}
	case m.To == m.From:
		return nil
	}
	if _, underWay := o.f.movings[m.Attachment]; underWay {
		return &Refused{Field: "name", Why: fmt.Sprintf("attachment %s is on its way already", m.Attachment), Fix: "ask again in a moment"}
	}
	if err := o.f.takes(m.To, a); err != nil {
		return err
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_AttachmentMoving{AttachmentMoving: &pb.OfficeAttachmentMoving{
		Attachment: m.Attachment, From: m.From, To: m.To, Key: m.Key[:], NotBeforeMs: int64(m.At.NotBefore), NotAfterMs: int64(m.At.NotAfter), Off: m.Off, On: m.On, Carries: m.Carries}}})
}

// takes holds a machine to what is put on it: of its customer, and one of a kind.
func (f *fold) takes(machine string, a Attachment) error {
	if machine == "" {
		return nil
	}
	m, there := f.machines[machine]
	if !there {
		return &NotFound{Kind: "machine", Name: machine}
	}
	if m.Customer != a.Customer {
		return &Refused{Field: "machine", Why: fmt.Sprintf("machine %s is of another customer than attachment %s", machine, a.ID), Fix: "name a machine of customer " + a.Customer}
	}
	for _, other := range f.attachments {
		if other.Machine == machine && other.Kind == a.Kind && other.ID != a.ID {
			return &Refused{Field: "machine", Why: fmt.Sprintf("machine %s has the %s %s on", machine, a.Kind, other.ID), Fix: "take that off first"}
		}
	}
	return nil
}

// AttachmentMoved notes that both streams have their event.
func (o *Office) AttachmentMoved(ctx context.Context, attachment string, key [16]byte) error {
	o.write.Lock()
	defer o.write.Unlock()
	if m, there := o.f.movings[attachment]; !there || m.Key != key {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_AttachmentMoved{AttachmentMoved: &pb.OfficeAttachmentMoved{Attachment: attachment, Key: key[:]}}})
}

// Moving gives an attachment's way that was begun and not finished.
func (o *Office) Moving(attachment string) (Moving, bool) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	m, there := o.f.movings[attachment]
	return m, there
}

// Movings gives all that were begun and not finished, in order of id.
func (o *Office) Movings() []Moving {
	return list(o, func() map[string]Moving { return o.f.movings }, nil, func(a, b Moving) int { return cmp.Compare(a.Attachment, b.Attachment) })
}

// Carried gives what an attachment brought when it was moved last, as an event
// that puts it on, serialised; nil where it never was.
func (o *Office) Carried(attachment string) []byte {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.f.carried[attachment]
}

// Attachment gives one attachment.
func (o *Office) Attachment(id string) (Attachment, error) {
	return get(o, "attachment", id, id, func() map[string]Attachment { return o.f.attachments })
}

// ListAttachments gives a customer's attachments, or all with customer "", in
// order of id.
func (o *Office) ListAttachments(customer string) []Attachment {
	return list(o, func() map[string]Attachment { return o.f.attachments },
		func(a Attachment) bool { return customer == "" || a.Customer == customer }, func(a, b Attachment) int { return cmp.Compare(a.ID, b.ID) })
}

// HandOver gives a machine to a site. The registry has it at once, so that from
// then on only who was granted the new customer sees it; HandedOver is called
// once the machine's stream has its event. What is attached to it goes with it
// if with is set, and holds it back otherwise.
func (o *Office) HandOver(ctx context.Context, machine, site string, key [16]byte, with bool) (HandingOver, error) {
	o.write.Lock()
	defer o.write.Unlock()
	m, there := o.f.machines[machine]
	if !there {
		return HandingOver{}, &NotFound{Kind: "machine", Name: machine}
	}
	to, there := o.f.sites[site]
	if !there {
		return HandingOver{}, &NotFound{Kind: "site", Name: site}
	}
	if underWay, is := o.f.handings[machine]; is {
		return underWay, nil
	}
	if m.Site == site {
		return HandingOver{}, nil
	}
	on := o.f.attachedTo(machine)
	if err := o.f.mayGo(m, to, on, with); err != nil {
		return HandingOver{}, err
	}
	err := o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_HandingOver{HandingOver: &pb.OfficeHandingOver{
		Machine: machine, Customer: to.Customer, Site: site, Key: key[:], Attachments: on}}})
	return o.f.handings[machine], err
}

func (f *fold) mayGo(m Machine, to Site, on []string, with bool) error {
	if len(on) == 0 || m.Customer == to.Customer {
		return nil
	}
	for _, id := range on {
		if _, underWay := f.movings[id]; underWay {
			return &Refused{Why: fmt.Sprintf("attachment %s of machine %s is on its way", id, m.ID), Fix: "ask again in a moment"}
		}
	}
	if !with {
		return &Refused{Field: "with_attachments", Why: fmt.Sprintf("machine %s has %s on, of the customer before", m.ID, on[0]), Fix: "take it off first, or hand it over with the machine"}
	}
	return nil
}

func (f *fold) attachedTo(machine string) (out []string) {
	for id, a := range f.attachments {
		if a.Machine == machine {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out
}

// HandedOver notes that the machine's stream has its event.
func (o *Office) HandedOver(ctx context.Context, machine string, key [16]byte) error {
	o.write.Lock()
	defer o.write.Unlock()
	if h, there := o.f.handings[machine]; !there || h.Key != key {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_HandedOver{HandedOver: &pb.OfficeHandedOver{Machine: machine, Key: key[:]}}})
}

// HandingOver gives a machine's way to another site that was begun and not
// finished.
func (o *Office) HandingOver(machine string) (HandingOver, bool) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	h, there := o.f.handings[machine]
	return h, there
}

// HandingsOver gives all that were begun and not finished, in order of machine.
func (o *Office) HandingsOver() []HandingOver {
	return list(o, func() map[string]HandingOver { return o.f.handings }, nil, func(a, b HandingOver) int { return cmp.Compare(a.Machine, b.Machine) })
}

// FleetTaken notes rows of a fleet's file that were taken in whole, by SHA-256.
func (o *Office) FleetTaken(ctx context.Context, rows ...[32]byte) error {
	o.write.Lock()
	defer o.write.Unlock()
	m := &pb.OfficeFleetTaken{}
	for i := range rows {
		if !o.f.rows[rows[i]] {
			m.Rows = append(m.Rows, rows[i][:])
		}
	}
	if len(m.Rows) == 0 {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_FleetTaken{FleetTaken: m}})
}

// HasFleetRow reports whether a row was taken in whole before.
func (o *Office) HasFleetRow(row [32]byte) bool {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.f.rows[row]
}
