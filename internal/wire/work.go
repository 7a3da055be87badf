package wire

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Bounds of amounts, as the domain has them.
const (
	maxAmount = 1_000_000_000_000 // thousandths: a thousand million units
	maxStroke = 1_000_000_000     // millionths of a gram: 1 kg
)

// workToProto is personToProto for remarks, walk-rounds and settings.
func workToProto(m *pb.Event, body maintenance.Body) error {
	switch b := body.(type) {
	case *maintenance.Confirmed:
		m.Body = &pb.Event_Confirmed{Confirmed: &pb.Confirmed{Record: KeyToProto(b.Record), Person: b.Person, PersonAs: b.As}}
	case *maintenance.Remark:
		m.Body = &pb.Event_Remark{Remark: &pb.Remark{Point: b.Point, Task: b.Task, Name: b.Name, Text: b.Text, Verdict: pb.RunVerdict(b.Verdict),
			Part: b.Part, DoByDays: int32(b.DoBy), Pictures: sumsToProto(b.Pictures), Walk: optionalKeyToProto(b.Walk), Person: b.Person}}
	case *maintenance.RemarkWord:
		m.Body = &pb.Event_RemarkWord{RemarkWord: &pb.RemarkWord{Remark: KeyToProto(b.Remark), Act: pb.RemarkAct(b.Act), Verdict: pb.RunVerdict(b.Verdict),
			Part: b.Part, DoByDays: int32(b.DoBy), Pictures: sumsToProto(b.Pictures), Why: b.Why, Person: b.Person}}
	case *maintenance.Postponed:
		m.Body = &pb.Event_Postponed{Postponed: &pb.Postponed{Tasks: b.Tasks, Round: b.Round, Why: b.Why, ForMs: int64(b.ForHours), Meter: b.Meter,
			UntilDays: int32(b.UntilDate), Person: b.Person}}
	case *maintenance.Walk:
		m.Body = &pb.Event_Walk{Walk: &pb.Walk{Act: pb.WalkAct(b.Act), Walk: optionalKeyToProto(b.Walk), Occasion: b.Occasion,
			Looked: lookedToProto(b.Looked), DateDays: int32(b.Date), Person: b.Person, PersonAs: b.As, Why: b.Why}}
	case *maintenance.SettingsLeft:
		settings, err := settingsToProto(b.Settings)
		m.Body = &pb.Event_SettingsLeft{SettingsLeft: &pb.SettingsLeft{Settings: settings, Facts: factsToProto(b.Facts), Person: b.Person}}
		return err
	case *maintenance.CauseFound:
		m.Body = &pb.Event_CauseFound{CauseFound: &pb.CauseFound{Lead: b.Lead, Code: b.Code, Remark: optionalKeyToProto(b.Remark), Point: b.Point,
			Text: b.Text, Person: b.Person}}
	case *maintenance.GunMeasured:
		m.Body = &pb.Event_GunMeasured{GunMeasured: &pb.GunMeasured{Gun: b.Gun, StrokeMicro: b.Micro, Person: b.Person}}
	default:
		return serviceOwnToProto(m, body)
	}
	return nil
}

// fromWork is fromPerson for remarks, walk-rounds and settings.
func fromWork(m *pb.Event, c *checker) maintenance.Body {
	switch b := m.Body.(type) {
	case *pb.Event_Confirmed:
		f := b.Confirmed
		return &maintenance.Confirmed{Record: c.key("confirmed.record", f.GetRecord()), Person: c.optional("confirmed.person", f.GetPerson()),
			As: c.optional("confirmed.person_as", f.GetPersonAs())}
	case *pb.Event_Remark:
		return c.remark(b.Remark)
	case *pb.Event_RemarkWord:
		return c.remarkWord(b.RemarkWord)
	case *pb.Event_Postponed:
		return c.postponed(b.Postponed)
	case *pb.Event_Walk:
		return c.walk(b.Walk)
	case *pb.Event_SettingsLeft:
		f := b.SettingsLeft
		return &maintenance.SettingsLeft{Settings: c.settings("settings_left.settings", f.GetSettings()), Facts: c.facts("settings_left.facts", f.GetFacts()),
			Person: c.optional("settings_left.person", f.GetPerson())}
	case *pb.Event_CauseFound:
		f := b.CauseFound
		return &maintenance.CauseFound{Lead: c.optional("cause_found.lead", f.GetLead()), Code: c.optional("cause_found.code", f.GetCode()),
			Remark: c.optionalKey("cause_found.remark", f.GetRemark()), Point: c.optional("cause_found.point", f.GetPoint()),
			Text: c.text("cause_found.text", f.GetText()), Person: c.optional("cause_found.person", f.GetPerson())}
	case *pb.Event_GunMeasured:
		g := b.GunMeasured
		return &maintenance.GunMeasured{Gun: c.name("gun_measured.gun", g.GetGun()), Micro: c.within("gun_measured.stroke_micro", g.GetStrokeMicro(), 1, maxStroke),
			Person: c.optional("gun_measured.person", g.GetPerson())}
	}
	return fromService(m, c)
}

func (c *checker) remark(m *pb.Remark) *maintenance.Remark {
	return &maintenance.Remark{
		Point: c.optional("remark.point", m.GetPoint()), Task: c.optional("remark.task", m.GetTask()), Name: c.optional("remark.name", m.GetName()),
		Text: c.text("remark.text", m.GetText()), Verdict: c.verdict("remark.verdict", m.GetVerdict(), maintenance.MayRun),
		Part: c.optional("remark.part", m.GetPart()), DoBy: civil.Date(m.GetDoByDays()), Pictures: c.sums("remark.pictures", m.GetPictures()),
		Walk: c.optionalKey("remark.walk", m.GetWalk()), Person: c.optional("remark.person", m.GetPerson()),
	}
}

func (c *checker) remarkWord(m *pb.RemarkWord) *maintenance.RemarkWord {
	return &maintenance.RemarkWord{
		Remark: c.key("remark_word.remark", m.GetRemark()), Act: maintenance.RemarkAct(c.within("remark_word.act", int64(m.GetAct()), 1, 4)),
		Verdict: c.verdict("remark_word.verdict", m.GetVerdict(), 0), Part: c.optional("remark_word.part", m.GetPart()),
		DoBy: civil.Date(m.GetDoByDays()), Pictures: c.sums("remark_word.pictures", m.GetPictures()),
		Why: c.text("remark_word.why", m.GetWhy()), Person: c.optional("remark_word.person", m.GetPerson()),
	}
}

func (c *checker) postponed(m *pb.Postponed) *maintenance.Postponed {
	return &maintenance.Postponed{
		Tasks: c.listed("postponed.tasks", m.GetTasks()), Round: c.optional("postponed.round", m.GetRound()), Why: c.text("postponed.why", m.GetWhy()),
		ForHours: hours.Millis(c.within("postponed.for_ms", m.GetForMs(), 0, maxTime)), Meter: c.optional("postponed.meter", m.GetMeter()),
		UntilDate: civil.Date(m.GetUntilDays()), Person: c.optional("postponed.person", m.GetPerson()),
	}
}

func (c *checker) walk(m *pb.Walk) *maintenance.Walk {
	return &maintenance.Walk{
		Act: maintenance.WalkAct(c.within("walk.act", int64(m.GetAct()), 1, 4)), Walk: c.optionalKey("walk.walk", m.GetWalk()),
		Occasion: c.optional("walk.occasion", m.GetOccasion()), Looked: c.looked("walk.looked", m.GetLooked()), Date: civil.Date(m.GetDateDays()),
		Person: c.optional("walk.person", m.GetPerson()), As: c.optional("walk.person_as", m.GetPersonAs()), Why: c.text("walk.why", m.GetWhy()),
	}
}

func lookedToProto(looked []maintenance.Looked) []*pb.Looked {
	var out []*pb.Looked
	for i := range looked {
		l := &looked[i]
		out = append(out, &pb.Looked{Task: l.Task, Word: pb.LookedWord(l.Word), Text: l.Text, Verdict: pb.RunVerdict(l.Verdict),
			Pictures: sumsToProto(l.Pictures), Measured: measuredToProto(l.Measured)})
	}
	return out
}

func (c *checker) looked(field string, looked []*pb.Looked) (out []maintenance.Looked) {
	if !c.items(field, len(looked)) {
		return nil
	}
	for _, l := range looked {
		out = append(out, maintenance.Looked{Task: c.name(field+".task", l.GetTask()), Word: maintenance.LookedWord(c.within(field+".word", int64(l.GetWord()), 1, 4)),
			Text: c.text(field+".text", l.GetText()), Verdict: c.verdict(field+".verdict", l.GetVerdict(), 0),
			Pictures: c.sums(field+".pictures", l.GetPictures()), Measured: c.measured(field+".measured", l.GetMeasured(), c.optional)})
	}
	return out
}

// settingsToProto fails where a value stands with the mark that there is none: it
// would not come back.
func settingsToProto(settings []maintenance.SettingLeft) ([]*pb.SettingLeft, error) {
	var out []*pb.SettingLeft
	for i := range settings {
		s := &settings[i]
		if !s.Found.Set && s.Found.Micro != 0 || !s.Left.Set && s.Left.Micro != 0 {
			return nil, &FieldError{"settings_left.settings", "setting " + s.Setting + " has a value that is said not to be there"}
		}
		out = append(out, &pb.SettingLeft{Setting: s.Setting, FoundMicro: boundToProto(s.Found), LeftMicro: boundToProto(s.Left),
			FoundWord: s.FoundWord, LeftWord: s.LeftWord})
	}
	return out, nil
}

func (c *checker) settings(field string, settings []*pb.SettingLeft) (out []maintenance.SettingLeft) {
	if !c.items(field, len(settings)) {
		return nil
	}
	for _, s := range settings {
		out = append(out, maintenance.SettingLeft{Setting: c.name(field+".setting", s.GetSetting()), Found: bound(s.FoundMicro), Left: bound(s.LeftMicro),
			FoundWord: c.optional(field+".found_word", s.GetFoundWord()), LeftWord: c.optional(field+".left_word", s.GetLeftWord())})
	}
	return out
}

func boundToProto(b maintenance.Bound) *int64 {
	if !b.Set {
		return nil
	}
	return &b.Micro
}

func bound(micro *int64) maintenance.Bound {
	if micro == nil {
		return maintenance.Bound{}
	}
	return maintenance.Bound{Set: true, Micro: *micro}
}

// verdict reads a verdict of at least least: 0 where it may be left out.
func (c *checker) verdict(field string, v pb.RunVerdict, least maintenance.RunVerdict) maintenance.RunVerdict {
	return maintenance.RunVerdict(c.within(field, int64(v), int64(least), int64(maintenance.DoNotRun)))
}

func sumsToProto(sums [][32]byte) [][]byte {
	var out [][]byte
	for i := range sums {
		out = append(out, sums[i][:])
	}
	return out
}

// sums reads SHA-256 sums.
func (c *checker) sums(field string, sums [][]byte) (out [][32]byte) {
	if !c.items(field, len(sums)) {
		return nil
	}
	for _, b := range sums {
		if len(b) != 32 {
			c.fail(field, fmt.Sprintf("%d bytes, a SHA-256 sum has 32", len(b)))
			return nil
		}
		out = append(out, [32]byte(b))
	}
	return out
}

// listed reads names that stand in a list.
func (c *checker) listed(field string, names []string) (out []string) {
	if !c.items(field, len(names)) {
		return nil
	}
	for _, s := range names {
		out = append(out, c.name(field, s))
	}
	return out
}

func optionalKeyToProto(k maintenance.Key) *pb.Key {
	if k.IsZero() {
		return nil
	}
	return KeyToProto(k)
}

// optionalKey reads a key that may be left out.
func (c *checker) optionalKey(field string, k *pb.Key) maintenance.Key {
	if k == nil {
		return maintenance.Key{}
	}
	return c.key(field, k)
}
