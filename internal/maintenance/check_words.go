package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// checkWords is checkEvent for what persons and the service write.
func checkWords(e *Event) *fault {
	switch b := e.Body.(type) {
	case *ServiceDone:
		return checkDone(b)
	case *Void:
		if b.Record.IsZero() {
			return &fault{"record", "no record is named", "give the id of the record to void"}
		}
		return first(id("person", b.Person, true), text("why", b.Why))
	case *DoubtAnswer:
		if b.Word < DoubtNewMeter || b.Word > DoubtTwoActs {
			return &fault{"word", fmt.Sprintf("answer %d is unknown", b.Word), "say new meter, wrong, right, same machine, one act or two acts"}
		}
		return first(id("person", b.Person, true), text("why", b.Why))
	case *NoticeAnswer:
		return checkNoticeAnswer(b)
	case *NoticeFate:
		if b.Word < NoticeDelivered || b.Word > NoticeGivenUp {
			return &fault{"word", fmt.Sprintf("fate %d is unknown", b.Word), "say delivered or given up"}
		}
		return first(id("channel", b.Channel, false), text("detail", b.Detail))
	}
	return checkWork(e)
}

// checkService is checkEvent for what the service writes.
func checkService(e *Event) *fault {
	switch b := e.Body.(type) {
	case *Commissioned:
		return checkCommissioned(b)
	case *EditionTaken:
		return checkEdition(b)
	case *Trait:
		return first(id("name", b.Name, false), text("value", b.Value), id("person", b.Person, true))
	case *Season:
		return first(id("season", b.Season, false), id("crop", b.Crop, true), date("date", b.Date, true), id("person", b.Person, true))
	case *DayTurned:
		return checkDay(b)
	case *Attachment:
		return checkAttachment(b)
	case *HandedOver:
		return checkHandedOver(b)
	case *Finding:
		return first(id("finding", b.Finding, false), id("method", b.Method, true), checkFacts(b.Evidence))
	case *SetAside:
		if len(b.Bytes) > maxCut {
			return &fault{"bytes", fmt.Sprintf("%d bytes", len(b.Bytes)), fmt.Sprintf("cut at %d", maxCut)}
		}
		return text("reason", b.Reason)
	case *RulesChanged:
		if b.Version < FirstRules || b.Version > RulesVersion {
			return &fault{"version", fmt.Sprintf("this build does not carry rules %d", b.Version), fmt.Sprintf("use rules %d to %d, or a newer build", FirstRules, RulesVersion)}
		}
		return nil
	}
	return &fault{"body", "this kind of event is unknown", "use a newer build"}
}

func checkDone(b *ServiceDone) *fault {
	switch {
	case len(b.Tasks) == 0 && b.Round == "" && len(b.Failed) == 0 && len(b.Parts) == 0:
		return &fault{"tasks", "no task and no round is named", "say what was done"}
	case len(b.Tasks) > maxList || len(b.Materials) > maxList || len(b.Measured) > maxList:
		return &fault{"tasks", "too many tasks, materials or measures", fmt.Sprintf("at most %d of each", maxList)}
	}
	for _, t := range b.Tasks {
		if f := id("tasks", t, false); f != nil {
			return f
		}
	}
	for i := range b.Materials {
		m := &b.Materials[i]
		if f := first(id("material", m.Material, false), id("unit", m.Unit, true)); f != nil {
			return f
		}
	}
	for i := range b.Measured {
		m := &b.Measured[i]
		if f := first(id("measured", m.Task, true), id("spot", m.Spot, true), id("unit", m.Unit, true), id("state", m.State, true)); f != nil {
			return f
		}
	}
	return first(id("round", b.Round, true), date("date", b.Date, true), checkShown(b.Shown), id("person", b.Person, true), text("note", b.Note),
		checkDoneMore(b))
}

func checkShown(shown []MeterShown) *fault {
	if len(shown) > MetersKept {
		return &fault{"shown", fmt.Sprintf("%d meters", len(shown)), fmt.Sprintf("at most %d", MetersKept)}
	}
	for i := range shown {
		if f := id("meter", shown[i].Meter, false); f != nil {
			return f
		}
		if !shown[i].Shown.Valid() {
			return &fault{"shown", "hours below 0 or above 999999999", "read the meter again"}
		}
		for j := range i {
			if shown[j].Meter == shown[i].Meter {
				return &fault{"shown", fmt.Sprintf("meter %q twice", shown[i].Meter), "give each meter once"}
			}
		}
	}
	return nil
}

func checkNoticeAnswer(b *NoticeAnswer) *fault {
	switch {
	case b.Word < NoticeMine || b.Word > NoticeLater:
		return &fault{"word", fmt.Sprintf("answer %d is unknown", b.Word), "say mine or later; done is a service record"}
	case b.Later < 0 || b.Later > 10_000*hours.Hour:
		return &fault{"later", "hours below 0 or above 10000", "give running hours, or 0 for the next halt"}
	case b.Word == NoticeMine && b.Later != 0:
		return &fault{"later", "hours with the answer mine", "leave them 0 or say later"}
	}
	return id("person", b.Person, true)
}

func checkCommissioned(b *Commissioned) *fault {
	if b.TurnsAt >= 24*60 {
		return &fault{"turns_at", fmt.Sprintf("%d minutes", b.TurnsAt), "give minutes after midnight, below 1440"}
	}
	return first(id("machine", b.Machine, false), text("display", b.Display), id("customer", b.Customer, true),
		id("site", b.Site, true), id("zone", b.Zone, true))
}

func checkDay(b *DayTurned) *fault {
	if f := date("date", b.Date, false); f != nil {
		return f
	}
	if b.From <= 0 || b.Until <= b.From || b.Until > moment.Latest || b.Until.Elapsed(b.From) > 72*hours.Hour {
		return &fault{"from", "the day has no beginning, ends before it or lasts more than three days", "give two instants in order"}
	}
	return nil
}

func date(field string, d civil.Date, none bool) *fault {
	if d.Known() || none && d == civil.None {
		return nil
	}
	return &fault{field, "there is no such date", "give a day of the years 1 to 9999"}
}

func checkEdition(b *EditionTaken) *fault {
	if b.Chart == nil {
		return &fault{"chart", "no chart is given", "give the compiled chart"}
	}
	if err := b.Chart.Check(); err != nil {
		return &fault{"chart", err.Error(), "compile the chart again"}
	}
	return id("person", b.Person, true)
}
