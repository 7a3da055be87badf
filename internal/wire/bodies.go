package wire

import (
	"fmt"
	"math"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Bounds of form. A list or text beyond them is no honest event.
const (
	maxText  = 4096
	maxName  = 128
	maxItems = 1024
	maxAside = 64 << 10
)

// toProto puts body into m. It is total over the domain's bodies.
func toProto(m *pb.Event, body maintenance.Body) error {
	switch b := body.(type) {
	case *maintenance.Reading:
		m.Body = &pb.Event_Reading{Reading: readingToProto(b)}
	case *maintenance.Engine:
		m.Body = &pb.Event_Engine{Engine: &pb.Engine{Running: b.Running}}
	case *maintenance.Listened:
		m.Body = &pb.Event_Listened{Listened: &pb.Listened{SpanMs: int64(b.To - b.From), Frames: b.Frames, Lost: b.Lost}}
	case *maintenance.Warning:
		m.Body = &pb.Event_Warning{Warning: &pb.Warning{Code: CodeToProto(b.Code), Phase: pb.WarningPhase(b.Phase),
			Occurrences: uint32(b.Occurrences), Lamps: uint32(b.Lamps)}}
	case *maintenance.DriveMinute:
		m.Body = &pb.Event_DriveMinute{DriveMinute: &pb.DriveMinute{Drive: b.Drive, Loaded: ratioToProto(b.Loaded),
			Empty: ratioToProto(b.Empty), Missing: b.Missing}}
	case *maintenance.BusValues:
		m.Body = &pb.Event_BusValues{BusValues: busValuesToProto(b)}
	case *maintenance.BusNames:
		m.Body = &pb.Event_BusNames{BusNames: busNamesToProto(b)}
	case *maintenance.FieldEvent:
		m.Body = &pb.Event_FieldEvent{FieldEvent: &pb.FieldEvent{Event: b.Event, Minutes: b.Minutes, Facts: factsToProto(b.Facts), Person: b.Person,
			Ahead: b.Ahead, Milli: b.Milli}}
	case *maintenance.Thinned:
		m.Body = &pb.Event_Thinned{Thinned: &pb.Thinned{Events: b.Events}}
	default:
		return personToProto(m, body)
	}
	return nil
}

func personToProto(m *pb.Event, body maintenance.Body) error {
	switch b := body.(type) {
	case *maintenance.ServiceDone:
		m.Body = &pb.Event_ServiceDone{ServiceDone: serviceToProto(b)}
	case *maintenance.Void:
		m.Body = &pb.Event_Void{Void: &pb.Void{Record: KeyToProto(b.Record), Person: b.Person, Why: b.Why}}
	case *maintenance.HandReading:
		m.Body = &pb.Event_HandReading{HandReading: &pb.HandReading{Reading: readingToProto(&b.Reading), Person: b.Person}}
	case *maintenance.DoubtAnswer:
		m.Body = &pb.Event_DoubtAnswer{DoubtAnswer: &pb.DoubtAnswer{Doubt: KeyToProto(b.Doubt), Word: pb.DoubtWord(b.Word), Person: b.Person, Why: b.Why}}
	case *maintenance.NoticeAnswer:
		m.Body = &pb.Event_NoticeAnswer{NoticeAnswer: &pb.NoticeAnswer{Notice: b.Notice[:], Word: pb.NoticeWord(b.Word), LaterMs: int64(b.Later), Person: b.Person}}
	default:
		return workToProto(m, body)
	}
	return nil
}

func serviceOwnToProto(m *pb.Event, body maintenance.Body) error {
	switch b := body.(type) {
	case *maintenance.Commissioned:
		m.Body = &pb.Event_Commissioned{Commissioned: &pb.Commissioned{Machine: b.Machine, Display: b.Display, Customer: b.Customer,
			Site: b.Site, Zone: b.Zone, TurnsAtMinutes: uint32(b.TurnsAt)}}
	case *maintenance.EditionTaken:
		m.Body = &pb.Event_EditionTaken{EditionTaken: &pb.EditionTaken{Chart: maintenance.AppendChart(nil, b.Chart), Person: b.Person}}
	case *maintenance.Trait:
		m.Body = &pb.Event_Trait{Trait: &pb.Trait{Name: b.Name, Value: b.Value, Person: b.Person}}
	case *maintenance.Season:
		m.Body = &pb.Event_Season{Season: &pb.Season{Season: b.Season, Crop: b.Crop, Open: b.Open, DateDays: int32(b.Date), Person: b.Person}}
	case *maintenance.DayTurned:
		m.Body = &pb.Event_DayTurned{DayTurned: DayToProto(b)}
	case *maintenance.Attachment:
		m.Body = &pb.Event_Attachment{Attachment: attachmentToProto(b)}
	case *maintenance.Finding:
		m.Body = &pb.Event_Finding{Finding: &pb.Finding{Finding: b.Finding, Method: b.Method, Version: b.Version, Evidence: factsToProto(b.Evidence)}}
	case *maintenance.NoticeFate:
		m.Body = &pb.Event_NoticeFate{NoticeFate: &pb.NoticeFate{Notice: b.Notice[:], Channel: b.Channel, Word: pb.NoticeFateWord(b.Word), Detail: b.Detail}}
	case *maintenance.SetAside:
		m.Body = &pb.Event_SetAside{SetAside: &pb.SetAside{Reason: b.Reason, Received: b.Bytes}}
	case *maintenance.RulesChanged:
		m.Body = &pb.Event_RulesChanged{RulesChanged: &pb.RulesChanged{Version: b.Version}}
	case *maintenance.HandedOver:
		m.Body = &pb.Event_HandedOver{HandedOver: &pb.HandedOver{Customer: b.Customer, Site: b.Site, Zone: b.Zone, TurnsAtMinutes: uint32(b.TurnsAt), Person: b.Person}}
	default:
		return fmt.Errorf("body %T has no form on the wire", body)
	}
	return nil
}

// fromProto reads the body of m.
func fromProto(m *pb.Event) (maintenance.Body, error) {
	c := &checker{}
	body := fromBody(m, c)
	if c.err != nil {
		return nil, c.err
	}
	return body, nil
}

func fromBody(m *pb.Event, c *checker) maintenance.Body {
	switch b := m.Body.(type) {
	case *pb.Event_Reading:
		r := c.reading("reading", b.Reading)
		return &r
	case *pb.Event_Engine:
		return &maintenance.Engine{Running: b.Engine.GetRunning()}
	case *pb.Event_Listened:
		span := c.within("listened.span_ms", b.Listened.GetSpanMs(), 0, maxTime)
		return &maintenance.Listened{From: moment.Instant(-span), Frames: b.Listened.GetFrames(), Lost: b.Listened.GetLost()}
	case *pb.Event_Warning:
		return c.warning(b.Warning)
	case *pb.Event_DriveMinute:
		return &maintenance.DriveMinute{Drive: c.name("drive_minute.drive", b.DriveMinute.GetDrive()), Loaded: ratio(b.DriveMinute.GetLoaded()),
			Empty: ratio(b.DriveMinute.GetEmpty()), Missing: b.DriveMinute.GetMissing()}
	case *pb.Event_BusValues:
		return c.busValues(b.BusValues)
	case *pb.Event_BusNames:
		return c.busNames(b.BusNames)
	case *pb.Event_FieldEvent:
		f := b.FieldEvent
		return &maintenance.FieldEvent{Event: c.name("field_event.event", f.GetEvent()), Minutes: f.GetMinutes(),
			Facts: c.facts("field_event.facts", f.GetFacts()), Person: c.optional("field_event.person", f.GetPerson()),
			Ahead: f.GetAhead(), Milli: c.within("field_event.milli", f.GetMilli(), 0, maxAmount)}
	case *pb.Event_Thinned:
		return &maintenance.Thinned{Events: uint64(c.within("thinned.events", int64(b.Thinned.GetEvents()), 1, math.MaxInt64))}
	case nil:
		c.fail("body", "it is missing, or of a kind that this version doesn't know")
		return nil
	}
	return fromPerson(m, c)
}

func fromPerson(m *pb.Event, c *checker) maintenance.Body {
	switch b := m.Body.(type) {
	case *pb.Event_ServiceDone:
		return c.service(b.ServiceDone)
	case *pb.Event_Void:
		return &maintenance.Void{Record: c.key("void.record", b.Void.GetRecord()), Person: c.optional("void.person", b.Void.GetPerson()),
			Why: c.text("void.why", b.Void.GetWhy())}
	case *pb.Event_HandReading:
		return &maintenance.HandReading{Reading: c.reading("hand_reading.reading", b.HandReading.GetReading()),
			Person: c.optional("hand_reading.person", b.HandReading.GetPerson())}
	case *pb.Event_DoubtAnswer:
		d := b.DoubtAnswer
		return &maintenance.DoubtAnswer{Doubt: c.key("doubt_answer.doubt", d.GetDoubt()),
			Word:   maintenance.DoubtWord(c.within("doubt_answer.word", int64(d.GetWord()), 1, 6)),
			Person: c.optional("doubt_answer.person", d.GetPerson()), Why: c.text("doubt_answer.why", d.GetWhy())}
	case *pb.Event_NoticeAnswer:
		n := b.NoticeAnswer
		return &maintenance.NoticeAnswer{Notice: c.notice("notice_answer.notice", n.GetNotice()),
			Word:   maintenance.NoticeWord(c.within("notice_answer.word", int64(n.GetWord()), 1, 2)),
			Later:  hours.Millis(c.within("notice_answer.later_ms", n.GetLaterMs(), 0, maxTime)),
			Person: c.optional("notice_answer.person", n.GetPerson())}
	}
	return fromWork(m, c)
}

func fromService(m *pb.Event, c *checker) maintenance.Body {
	switch b := m.Body.(type) {
	case *pb.Event_Commissioned:
		n := b.Commissioned
		return &maintenance.Commissioned{Machine: c.name("commissioned.machine", n.GetMachine()), Display: c.text("commissioned.display", n.GetDisplay()),
			Customer: c.optional("commissioned.customer", n.GetCustomer()), Site: c.optional("commissioned.site", n.GetSite()),
			Zone:    c.optional("commissioned.zone", n.GetZone()),
			TurnsAt: uint16(c.within("commissioned.turns_at_minutes", int64(n.GetTurnsAtMinutes()), 0, 1439))}
	case *pb.Event_EditionTaken:
		return c.edition(b.EditionTaken)
	case *pb.Event_Trait:
		return &maintenance.Trait{Name: c.name("trait.name", b.Trait.GetName()), Value: c.text("trait.value", b.Trait.GetValue()),
			Person: c.optional("trait.person", b.Trait.GetPerson())}
	case *pb.Event_Season:
		s := b.Season
		return &maintenance.Season{Season: c.name("season.season", s.GetSeason()), Crop: c.optional("season.crop", s.GetCrop()), Open: s.GetOpen(),
			Date: civil.Date(s.GetDateDays()), Person: c.optional("season.person", s.GetPerson())}
	case *pb.Event_DayTurned:
		d := c.day("day_turned", b.DayTurned)
		return &d
	case *pb.Event_Attachment:
		return c.attachment(b.Attachment)
	case *pb.Event_Finding:
		f := b.Finding
		return &maintenance.Finding{Finding: c.name("finding.finding", f.GetFinding()), Method: c.name("finding.method", f.GetMethod()),
			Version: f.GetVersion(), Evidence: c.facts("finding.evidence", f.GetEvidence())}
	case *pb.Event_NoticeFate:
		n := b.NoticeFate
		return &maintenance.NoticeFate{Notice: c.notice("notice_fate.notice", n.GetNotice()), Channel: c.name("notice_fate.channel", n.GetChannel()),
			Word: maintenance.NoticeFateWord(c.within("notice_fate.word", int64(n.GetWord()), 1, 2)), Detail: c.text("notice_fate.detail", n.GetDetail())}
	case *pb.Event_SetAside:
		if len(b.SetAside.GetReceived()) > maxAside {
			c.fail("set_aside.received", "longer than 64 KiB")
		}
		return &maintenance.SetAside{Reason: c.text("set_aside.reason", b.SetAside.GetReason()), Bytes: b.SetAside.GetReceived()}
	case *pb.Event_RulesChanged:
		return &maintenance.RulesChanged{Version: b.RulesChanged.GetVersion()}
	case *pb.Event_HandedOver:
		return c.handedOver(b.HandedOver)
	}
	c.fail("body", fmt.Sprintf("%T is of no known kind", m.Body))
	return nil
}
