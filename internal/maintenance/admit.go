package maintenance

import "fmt"

// VerdictWord says what is to become of an event.
type VerdictWord uint8

// The verdicts.
const (
	// VerdictTake: journal it and apply it.
	VerdictTake VerdictWord = 1
	// VerdictRepeat: it was taken in before; acknowledge it and do nothing.
	VerdictRepeat VerdictWord = 2
	// VerdictGap: an earlier event of its spool is missing; ask for Want.
	VerdictGap VerdictWord = 3
	// VerdictFork: another event stands under its number; two spools claim to
	// be one. Refuse the spool and say so.
	VerdictFork VerdictWord = 4
	// VerdictRefuse: it can't be taken in. A person gets Field, Why and Do as an
	// error; of an agent's event the service journals a SetAside under its key.
	VerdictRefuse VerdictWord = 5
)

// Verdict is Admit's answer. Why and Do are sentences for people.
type Verdict struct {
	Word  VerdictWord
	Want  uint64 // the spool's next number, for an agent's event
	Field string // what the refusal is about
	Why   string
	Do    string
}

// Err returns a refusal, a gap or a fork as one error, nil for the others.
func (v Verdict) Err() error {
	switch v.Word {
	case VerdictTake, VerdictRepeat:
		return nil
	case VerdictRefuse:
		return fmt.Errorf("%s: %s; %s", v.Field, v.Why, v.Do)
	}
	return fmt.Errorf("%s; %s", v.Why, v.Do)
}

// Admit says whether e can be taken in as s stands. It changes nothing. The
// service asks before it journals, with all queued events applied to s.
//
// An agent's event is never refused because what it says is doubtful: a reading
// that can't be right is taken and held. It is refused where the language does
// not allow it, such as hours below 0.
func Admit(s *State, e *Event) Verdict {
	if hollow(e) {
		return Verdict{Word: VerdictRefuse, Field: "body", Why: "the event is empty", Do: "send one with a body"}
	}
	v := s.order(e)
	switch v.Word {
	case VerdictRepeat:
		return s.repeat(e, v)
	case VerdictGap:
		v.Do = fmt.Sprintf("send from number %d on", v.Want)
		return v
	}
	if f := checkEvent(e); f != nil {
		return refuse(v, f)
	}
	if f := s.suits(e); f != nil {
		return refuse(v, f)
	}
	return v
}

func refuse(v Verdict, f *fault) Verdict {
	v.Word, v.Field, v.Why, v.Do = VerdictRefuse, f.field, f.why, f.do
	return v
}

// repeat tells a true repeat of the spool's latest event from another event
// under the same number. Of earlier numbers the hash is no longer at hand; the
// batch's previous hash tells.
func (s *State) repeat(e *Event, v Verdict) Verdict {
	if e.Key.Seq == 0 || e.Key.Seq+1 != v.Want {
		return v
	}
	if i := s.epoch(e.Key.Stream); s.Epochs[i].Hash != e.Hash {
		v.Word = VerdictFork
		v.Why = fmt.Sprintf("another event stands under number %d of spool %x", e.Key.Seq, e.Key.Stream[:4])
		v.Do = "find the second box that writes to a copy of this spool and give it a spool of its own"
	}
	return v
}

// suits holds what persons and the service say to what the state knows.
func (s *State) suits(e *Event) *fault {
	switch b := e.Body.(type) {
	case *Commissioned:
		if s.Machine.Machine != "" {
			return &fault{"machine", fmt.Sprintf("machine %s is commissioned already", s.Machine.Machine), "use another id"}
		}
	case *EditionTaken:
		return s.suitsEdition(b)
	case *ServiceDone:
		return s.suitsDone(e, b)
	case *Void:
		return s.suitsVoid(b)
	case *DoubtAnswer:
		return s.suitsDoubtAnswer(b)
	case *NoticeAnswer:
		return s.suitsNoticeAnswer(b)
	default:
		return s.suitsWork(e)
	}
	return nil
}

// suitsWork is suits for what came with WorkRules.
func (s *State) suitsWork(e *Event) *fault {
	if k := e.Body.kind(); s.Rules < WorkRules && (k >= KindConfirmed && k < KindCommissioned || k == KindHandedOver) {
		return &fault{"rules", fmt.Sprintf("the machine's rules are version %d, and this needs %d", s.Rules, WorkRules), "let the service put newer rules in force first"}
	}
	switch b := e.Body.(type) {
	case *FieldEvent:
		return s.suitsFieldEvent(e, b)
	case *Trait:
		return s.suitsTrait(b)
	case *Season:
		return s.suitsSeason(b)
	case *Attachment:
		return s.suitsAttachment(b)
	case *Confirmed:
		return s.suitsConfirmed(b)
	case *Remark:
		return s.suitsRemark(b)
	case *RemarkWord:
		return s.suitsRemarkWord(b)
	case *Postponed:
		return s.suitsPostponed(b)
	case *Walk:
		return s.suitsWalk(e, b)
	case *SettingsLeft:
		return s.suitsSettings(b)
	case *CauseFound:
		return s.suitsCause(b)
	}
	return nil
}

func (s *State) suitsEdition(b *EditionTaken) *fault {
	if s.Rules < WorkRules && b.Chart.NeedsWorkRules() {
		return &fault{"chart", fmt.Sprintf("it says what rules %d are needed for, and the machine's are version %d", WorkRules, s.Rules), "let the service put newer rules in force first"}
	}
	hash := b.Chart.Hash()
	for i := range s.Editions {
		seen := &s.Editions[i]
		if seen.Chart == b.Chart.ID && seen.Edition == b.Chart.Edition && seen.Hash != hash {
			return &fault{"edition", fmt.Sprintf("edition %d of chart %s was taken with other content", seen.Edition, seen.Chart),
				"raise the edition's number"}
		}
	}
	return nil
}

func (s *State) suitsDone(e *Event, b *ServiceDone) *fault {
	if s.Chart == nil && len(s.Tasks) == 0 {
		return &fault{"tasks", "the machine has no chart yet", "let it take an edition first"}
	}
	for _, task := range b.Tasks {
		if !s.hasTask(task) {
			return &fault{"tasks", fmt.Sprintf("task %q is unknown on this machine", task), "name a task of its chart"}
		}
	}
	if b.Round != "" && !s.hasRound(b.Round) {
		return &fault{"round", fmt.Sprintf("no task of round %q is on this machine", b.Round), "name a round of its chart"}
	}
	if f := s.notAhead(e); f != nil {
		return f
	}
	if s.Rules >= WorkRules {
		if f := s.suitsDoneMore(b); f != nil {
			return f
		}
	}
	for i := range b.Shown {
		if f := s.suitsShown(e, &b.Shown[i]); f != nil {
			return f
		}
	}
	return nil
}

// notAhead refuses a time ahead of the instant at which it was taken in.
func (s *State) notAhead(e *Event) *fault {
	if ahead(e) {
		return &fault{"at", fmt.Sprintf("%v lies ahead of %v, when it was taken in", e.At, e.Known), "give when it was done"}
	}
	return nil
}

func (s *State) suitsVoid(b *Void) *fault {
	found := false
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			if r := &s.Tasks[i].Records[j]; r.Record == b.Record {
				if r.Void.IsZero() {
					return nil
				}
				found = true
			}
		}
	}
	stands, seen := s.otherStands(b.Record)
	if stands {
		return nil
	}
	if found || seen {
		return &fault{"record", "it is void already", "nothing is left to do"}
	}
	return &fault{"record", fmt.Sprintf("record %v is not among those that count on this machine", b.Record),
		"name one of the last three records of a task"}
}

func (s *State) suitsDoubtAnswer(b *DoubtAnswer) *fault {
	i := s.doubtIndex(b.Doubt)
	if i < 0 {
		return &fault{"doubt", fmt.Sprintf("doubt %v is unknown", b.Doubt), "name one of the machine's open doubts"}
	}
	d := &s.Doubts[i]
	if !d.Closed.IsZero() {
		return &fault{"doubt", "it is closed: " + d.How, "nothing is left to do"}
	}
	if !d.Kind.takes(b.Word) {
		return &fault{"word", "this answer does not fit the doubt", d.Kind.choices()}
	}
	return nil
}

func (s *State) suitsNoticeAnswer(b *NoticeAnswer) *fault {
	i := s.noticeIndex(b.Notice)
	if i < 0 {
		return &fault{"notice", fmt.Sprintf("notice %v is unknown", b.Notice), "name one of the machine's open notices"}
	}
	if n := &s.Notices[i]; !n.Withdrawn.IsZero() {
		return &fault{"notice", "it is closed: " + n.How, "nothing is left to do"}
	}
	return nil
}
