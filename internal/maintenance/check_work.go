package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// The limits of what persons write about work.
const (
	maxPictures = 32
	maxMinutes  = 60 * 24 * 366
	maxMilli    = 1_000_000_000_000 // a thousand million units
	maxShields  = 1000
)

// checkWork is checkEvent for walk-rounds, remarks and settings.
func checkWork(e *Event) *fault {
	switch b := e.Body.(type) {
	case *Confirmed:
		if b.Record.IsZero() {
			return &fault{"record", "no record is named", "give the id of the record to confirm"}
		}
		return first(id("person", b.Person, true), id("as", b.As, true))
	case *Remark:
		return checkRemark(b)
	case *RemarkWord:
		return checkRemarkWord(b)
	case *Postponed:
		return checkPostponed(b)
	case *Walk:
		return checkWalk(b)
	case *SettingsLeft:
		return checkSettings(b)
	case *CauseFound:
		if b.Point == "" && b.Text == "" {
			return &fault{"point", "neither a place nor words are given", "say where the cause was"}
		}
		return first(id("lead", b.Lead, true), id("code", b.Code, true), id("point", b.Point, true), text("text", b.Text), id("person", b.Person, true))
	case *GunMeasured:
		if b.Micro <= 0 || b.Micro > 1_000_000_000 {
			return &fault{"grams", "not above 0, or more than 1000 g", "count the strokes into a cup and weigh it"}
		}
		return first(id("gun", b.Gun, false), id("person", b.Person, true))
	}
	return checkService(e)
}

func checkFieldEvent(b *FieldEvent) *fault {
	switch {
	case b.Minutes > maxMinutes:
		return &fault{"minutes", fmt.Sprintf("%d minutes", b.Minutes), "give at most a year"}
	case b.Milli < 0 || b.Milli > maxMilli:
		return &fault{"amount", "below 0 or too much", "give how much since the last time"}
	}
	return first(id("event", b.Event, false), checkFacts(b.Facts), id("person", b.Person, true))
}

func checkAttachment(b *Attachment) *fault {
	if len(b.Carried) > maxList {
		return &fault{"carried", fmt.Sprintf("%d records", len(b.Carried)), fmt.Sprintf("at most %d", maxList)}
	}
	for i := range b.Carried {
		r := &b.Carried[i]
		if r.Record.IsZero() || !r.At.Valid() {
			return &fault{"carried", "a record without an id or a time", "carry records as they stand"}
		}
		if f := first(id("carried", r.Task, false), date("carried", r.Date, true), checkShown(r.Hours), id("carried", r.Person, true)); f != nil {
			return f
		}
	}
	return first(id("attachment", b.Attachment, false), id("piece", b.Piece, true), checkShown(b.Shown), id("person", b.Person, true))
}

func checkHandedOver(b *HandedOver) *fault {
	if b.TurnsAt >= 24*60 {
		return &fault{"turns_at", fmt.Sprintf("%d minutes", b.TurnsAt), "give minutes after midnight, below 1440"}
	}
	return first(id("customer", b.Customer, false), id("site", b.Site, true), id("zone", b.Zone, true), id("person", b.Person, true))
}

// checkDoneMore checks what version 2 added to a service record.
func checkDoneMore(b *ServiceDone) *fault {
	for _, n := range []int{len(b.Failed), len(b.Found), len(b.Seen), len(b.Parts), len(b.Closes)} {
		if n > maxList {
			return &fault{"tasks", fmt.Sprintf("a list of %d", n), fmt.Sprintf("at most %d of each", maxList)}
		}
	}
	if b.ShieldsOff > maxShields || b.ShieldsOn > maxShields {
		return &fault{"shields", "more than a machine has", "count them again"}
	}
	for _, t := range b.Failed {
		if f := id("failed", t, false); f != nil {
			return f
		}
	}
	for i := range b.Materials {
		if m := &b.Materials[i]; m.Milli < 0 || m.Milli > maxMilli {
			return &fault{"material", "an amount below 0, or too much", "give how much went in"}
		} else if f := first(id("material", m.Task, true), id("gun", m.Gun, true)); f != nil {
			return f
		}
	}
	for i := range b.Found {
		if w := b.Found[i].Word; w < FoundDry || w > FoundPurged {
			return &fault{"found", fmt.Sprintf("condition %d is unknown", w), "say dry, fine or purged"}
		} else if f := id("found", b.Found[i].Task, false); f != nil {
			return f
		}
	}
	for i := range b.Seen {
		if f := first(id("seen", b.Seen[i].Task, false), id("seen", b.Seen[i].Criterion, true), text("seen", b.Seen[i].Note)); f != nil {
			return f
		}
	}
	for i := range b.Parts {
		p := &b.Parts[i]
		if p.Why > OffPrecaution {
			return &fault{"why", fmt.Sprintf("reason %d is unknown", p.Why), "say worn out, failed or precaution"}
		}
		if f := first(id("part", p.Part, false), id("variant", p.Variant, true), id("number", p.Number, true), text("note", p.Note)); f != nil {
			return f
		}
	}
	for i := range b.Closes {
		if b.Closes[i].IsZero() {
			return &fault{"closes", "a remark without an id", "give the id of the remark"}
		}
	}
	return id("as", b.As, true)
}

func checkRemark(b *Remark) *fault {
	switch {
	case b.Text == "" && b.Name == "" && len(b.Pictures) == 0:
		return &fault{"text", "it says nothing", "say what was found"}
	case b.Verdict < MayRun || b.Verdict > DoNotRun:
		return &fault{"verdict", fmt.Sprintf("verdict %d is unknown", b.Verdict), "say run, watch or do not run"}
	case len(b.Pictures) > maxPictures:
		return &fault{"pictures", fmt.Sprintf("%d pictures", len(b.Pictures)), fmt.Sprintf("at most %d", maxPictures)}
	}
	return first(id("point", b.Point, true), id("task", b.Task, true), id("name", b.Name, true), text("text", b.Text),
		id("part", b.Part, true), date("do_by", b.DoBy, true), id("person", b.Person, true))
}

func checkRemarkWord(b *RemarkWord) *fault {
	switch {
	case b.Remark.IsZero():
		return &fault{"remark", "no remark is named", "give the id of the remark"}
	case b.Act < RemarkClose || b.Act > RemarkReopen:
		return &fault{"act", fmt.Sprintf("act %d is unknown", b.Act), "say close, change, carry or reopen"}
	case b.Verdict > DoNotRun:
		return &fault{"verdict", fmt.Sprintf("verdict %d is unknown", b.Verdict), "say run, watch or do not run"}
	case b.Act == RemarkClose && b.Why == "":
		return &fault{"why", "closed without a word", "say why it is closed, or log a record that closes it"}
	case len(b.Pictures) > maxPictures:
		return &fault{"pictures", fmt.Sprintf("%d pictures", len(b.Pictures)), fmt.Sprintf("at most %d", maxPictures)}
	}
	return first(id("part", b.Part, true), date("do_by", b.DoBy, true), text("why", b.Why), id("person", b.Person, true))
}

func checkPostponed(b *Postponed) *fault {
	back := b.ForHours == 0 && b.UntilDate == civil.None
	switch {
	case len(b.Tasks) == 0 && b.Round == "":
		return &fault{"tasks", "no task and no round is named", "say what is put off"}
	case len(b.Tasks) > maxList:
		return &fault{"tasks", "too many tasks", fmt.Sprintf("at most %d", maxList)}
	case b.ForHours < 0 || b.ForHours > 10_000*hours.Hour:
		return &fault{"for_hours", "hours below 0 or above 10000", "give running hours"}
	case !back && b.Why == "":
		return &fault{"why", "put off without a reason", "say why"}
	}
	for _, t := range b.Tasks {
		if f := id("tasks", t, false); f != nil {
			return f
		}
	}
	return first(id("round", b.Round, true), id("meter", b.Meter, true), date("until_date", b.UntilDate, true), text("why", b.Why), id("person", b.Person, true))
}

func checkWalk(b *Walk) *fault {
	switch {
	case b.Act < WalkBegin || b.Act > WalkLeave:
		return &fault{"act", fmt.Sprintf("act %d is unknown", b.Act), "say begin, answer, sign or leave"}
	case b.Act == WalkBegin && b.Occasion == "":
		return &fault{"occasion", "no occasion is named", "name a walk-round of the chart"}
	case b.Act != WalkBegin && b.Walk.IsZero():
		return &fault{"walk", "no walk-round is named", "give the id of the one that was begun"}
	case len(b.Looked) > maxList:
		return &fault{"looked", fmt.Sprintf("%d answers", len(b.Looked)), fmt.Sprintf("at most %d at once", maxList)}
	}
	for i := range b.Looked {
		if f := checkLooked(&b.Looked[i]); f != nil {
			return f
		}
	}
	return first(id("occasion", b.Occasion, true), date("date", b.Date, true), id("person", b.Person, true), id("as", b.As, true), text("why", b.Why))
}

func checkLooked(l *Looked) *fault {
	switch {
	case l.Word < LookedInOrder || l.Word > LookedNotHere:
		return &fault{"word", fmt.Sprintf("answer %d is unknown", l.Word), "say in order, remark, not looked or not on this machine"}
	case l.Word == LookedRemark && l.Text == "" && len(l.Pictures) == 0:
		return &fault{"text", "a remark that says nothing", "say what was found"}
	case l.Verdict > DoNotRun:
		return &fault{"verdict", fmt.Sprintf("verdict %d is unknown", l.Verdict), "say run, watch or do not run"}
	case len(l.Pictures) > maxPictures || len(l.Measured) > maxList:
		return &fault{"looked", "too many pictures or values", fmt.Sprintf("at most %d pictures", maxPictures)}
	}
	for i := range l.Measured {
		m := &l.Measured[i]
		if f := first(id("measured", m.Task, true), id("spot", m.Spot, true), id("unit", m.Unit, true), id("state", m.State, true)); f != nil {
			return f
		}
	}
	return first(id("task", l.Task, false), text("text", l.Text))
}

func checkSettings(b *SettingsLeft) *fault {
	if len(b.Settings) == 0 || len(b.Settings) > SettingsKept {
		return &fault{"settings", fmt.Sprintf("%d settings", len(b.Settings)), fmt.Sprintf("give 1 to %d", SettingsKept)}
	}
	for i := range b.Settings {
		s := &b.Settings[i]
		if f := first(id("setting", s.Setting, false), id("found", s.FoundWord, true), id("left", s.LeftWord, true)); f != nil {
			return f
		}
	}
	return first(checkFacts(b.Facts), id("person", b.Person, true))
}
