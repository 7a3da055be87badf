package wire

import (
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

func serviceToProto(b *maintenance.ServiceDone) *pb.ServiceDone {
	out := &pb.ServiceDone{Tasks: b.Tasks, Round: b.Round, DateDays: int32(b.Date), Shown: shownToProto(b.Shown), Person: b.Person, Note: b.Note,
		Measured: measuredToProto(b.Measured), PersonAs: b.As, About: b.About, Failed: b.Failed,
		ShieldsOff: b.ShieldsOff, ShieldsOn: b.ShieldsOn, Walk: optionalKeyToProto(b.Walk)}
	for _, m := range b.Materials {
		out.Materials = append(out.Materials, &pb.MaterialUsed{Material: m.Material, Milli: m.Milli, Unit: m.Unit, Task: m.Task, Gun: m.Gun})
	}
	for _, f := range b.Found {
		out.Found = append(out.Found, &pb.AsFound{Task: f.Task, Word: pb.FoundWord(f.Word)})
	}
	for _, s := range b.Seen {
		out.Seen = append(out.Seen, &pb.SeenWord{Task: s.Task, Criterion: s.Criterion, InOrder: s.InOrder, Note: s.Note})
	}
	for _, p := range b.Parts {
		out.Parts = append(out.Parts, &pb.PartFitted{Part: p.Part, Variant: p.Variant, Number: p.Number, Off: p.Off, Why: pb.OffWord(p.Why),
			Note: p.Note, Spare: p.Spare})
	}
	for _, k := range b.Closes {
		out.Closes = append(out.Closes, KeyToProto(k))
	}
	return out
}

func measuredToProto(measured []maintenance.Measured) []*pb.Measured {
	var out []*pb.Measured
	for _, m := range measured {
		out = append(out, &pb.Measured{Task: m.Task, Spot: m.Spot, Left: m.Left, Micro: m.Micro, Unit: m.Unit, State: m.State})
	}
	return out
}

func (c *checker) service(m *pb.ServiceDone) *maintenance.ServiceDone {
	return &maintenance.ServiceDone{
		Tasks: c.listed("service_done.tasks", m.GetTasks()), Round: c.optional("service_done.round", m.GetRound()), Date: civil.Date(m.GetDateDays()),
		Shown: c.shown("service_done.shown", m.GetShown()), Person: c.optional("service_done.person", m.GetPerson()), Note: c.text("service_done.note", m.GetNote()),
		Materials: c.materials("service_done.materials", m.GetMaterials()),
		Measured:  c.measured("service_done.measured", m.GetMeasured(), c.name),
		As:        c.optional("service_done.person_as", m.GetPersonAs()), About: m.GetAbout(), Failed: c.listed("service_done.failed", m.GetFailed()),
		Found: c.found("service_done.found", m.GetFound()), Seen: c.seen("service_done.seen", m.GetSeen()), Parts: c.parts("service_done.parts", m.GetParts()),
		ShieldsOff: m.GetShieldsOff(), ShieldsOn: m.GetShieldsOn(), Closes: c.keys("service_done.closes", m.GetCloses()),
		Walk: c.optionalKey("service_done.walk", m.GetWalk()),
	}
}

func (c *checker) materials(field string, used []*pb.MaterialUsed) (out []maintenance.MaterialUsed) {
	if !c.items(field, len(used)) {
		return nil
	}
	for _, u := range used {
		out = append(out, maintenance.MaterialUsed{Material: c.name(field+".material", u.GetMaterial()), Milli: u.GetMilli(),
			Unit: c.optional(field+".unit", u.GetUnit()), Task: c.optional(field+".task", u.GetTask()), Gun: c.optional(field+".gun", u.GetGun())})
	}
	return out
}

// measured reads measured values; task is how their tasks are read.
func (c *checker) measured(field string, measured []*pb.Measured, task func(field, s string) string) (out []maintenance.Measured) {
	if !c.items(field, len(measured)) {
		return nil
	}
	for _, v := range measured {
		out = append(out, maintenance.Measured{Task: task(field+".task", v.GetTask()), Spot: c.optional(field+".spot", v.GetSpot()),
			Left: v.GetLeft(), Micro: v.GetMicro(), Unit: c.optional(field+".unit", v.GetUnit()), State: c.optional(field+".state", v.GetState())})
	}
	return out
}

func (c *checker) found(field string, found []*pb.AsFound) (out []maintenance.AsFound) {
	if !c.items(field, len(found)) {
		return nil
	}
	for _, f := range found {
		out = append(out, maintenance.AsFound{Task: c.name(field+".task", f.GetTask()),
			Word: maintenance.FoundWord(c.within(field+".word", int64(f.GetWord()), 1, 3))})
	}
	return out
}

func (c *checker) seen(field string, seen []*pb.SeenWord) (out []maintenance.SeenWord) {
	if !c.items(field, len(seen)) {
		return nil
	}
	for _, s := range seen {
		out = append(out, maintenance.SeenWord{Task: c.name(field+".task", s.GetTask()), Criterion: c.optional(field+".criterion", s.GetCriterion()),
			InOrder: s.GetInOrder(), Note: c.text(field+".note", s.GetNote())})
	}
	return out
}

func (c *checker) parts(field string, parts []*pb.PartFitted) (out []maintenance.PartFitted) {
	if !c.items(field, len(parts)) {
		return nil
	}
	for _, p := range parts {
		out = append(out, maintenance.PartFitted{Part: c.name(field+".part", p.GetPart()), Variant: c.optional(field+".variant", p.GetVariant()),
			Number: c.optional(field+".number", p.GetNumber()), Off: p.GetOff(), Why: maintenance.OffWord(c.within(field+".why", int64(p.GetWhy()), 0, 3)),
			Note: c.text(field+".note", p.GetNote()), Spare: p.GetSpare()})
	}
	return out
}

func (c *checker) keys(field string, keys []*pb.Key) (out []maintenance.Key) {
	if !c.items(field, len(keys)) {
		return nil
	}
	for _, k := range keys {
		out = append(out, c.key(field, k))
	}
	return out
}

func attachmentToProto(b *maintenance.Attachment) *pb.Attachment {
	out := &pb.Attachment{Attachment: b.Attachment, On: b.On, Shown: shownToProto(b.Shown), Person: b.Person, Piece: b.Piece}
	for i := range b.Carried {
		r := &b.Carried[i]
		out.Carried = append(out.Carried, &pb.CarriedRecord{Record: KeyToProto(r.Record), Task: r.Task, NotBeforeMs: int64(r.At.NotBefore),
			NotAfterMs: int64(r.At.NotAfter), DateDays: int32(r.Date), Hours: shownToProto(r.Hours), Person: r.Person})
	}
	return out
}

func (c *checker) attachment(m *pb.Attachment) *maintenance.Attachment {
	return &maintenance.Attachment{
		Attachment: c.name("attachment.attachment", m.GetAttachment()), On: m.GetOn(), Shown: c.shown("attachment.shown", m.GetShown()),
		Person: c.optional("attachment.person", m.GetPerson()), Piece: c.optional("attachment.piece", m.GetPiece()),
		Carried: c.carried("attachment.carried", m.GetCarried()),
	}
}

func (c *checker) carried(field string, records []*pb.CarriedRecord) (out []maintenance.CarriedRecord) {
	if !c.items(field, len(records)) {
		return nil
	}
	for _, r := range records {
		out = append(out, maintenance.CarriedRecord{Record: c.key(field+".record", r.GetRecord()), Task: c.name(field+".task", r.GetTask()),
			At: c.span(field, r.GetNotBeforeMs(), r.GetNotAfterMs()), Date: civil.Date(r.GetDateDays()),
			Hours: c.shown(field+".hours", r.GetHours()), Person: c.optional(field+".person", r.GetPerson())})
	}
	return out
}

// span reads the two instants between which something happened; 0 is not known.
func (c *checker) span(field string, notBefore, notAfter int64) moment.Span {
	out := moment.Span{NotBefore: moment.Instant(c.within(field+".not_before_ms", notBefore, 0, maxTime)),
		NotAfter: moment.Instant(c.within(field+".not_after_ms", notAfter, 0, maxTime))}
	if out.Lo() > out.Hi() {
		c.fail(field+".not_after_ms", "it is before not_before_ms")
	}
	return out
}

func (c *checker) handedOver(m *pb.HandedOver) *maintenance.HandedOver {
	return &maintenance.HandedOver{
		Customer: c.name("handed_over.customer", m.GetCustomer()), Site: c.optional("handed_over.site", m.GetSite()), Zone: c.optional("handed_over.zone", m.GetZone()),
		TurnsAt: uint16(c.within("handed_over.turns_at_minutes", int64(m.GetTurnsAtMinutes()), 0, 1439)), Person: c.optional("handed_over.person", m.GetPerson()),
	}
}
