package maintenance

import (
	"crypto/sha256"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// New returns the state of a machine of which nothing has been heard. It is the
// zero State with the first rules in force; Apply puts those in force in a zero
// State too, so both give the same.
func New() *State { return &State{Rules: FirstRules} }

// Apply changes s by one event and appends what followed from it to fx.
//
// It is total: any event in any state gives a state. An event that Admit would
// call a repeat, one of the same key, changes nothing at all, not even the
// revision, and gives EffectIgnored. Any other, one beyond a gap too, since the
// journal is the truth and may have lost an event on disk, adds 1 to the revision, moves the hash chain
// on, Chain = SHA-256(Chain, AppendEvent(e)), and marks its key as seen; if its
// body is not allowed by the language, or speaks of something unknown, that is
// all it does, and EffectIgnored says why.
//
// Apply keeps e's texts and its chart, and nothing else of it.
func Apply(s *State, e *Event, fx []Effect) []Effect {
	if hollow(e) {
		return append(fx, Effect{Kind: EffectIgnored, Index: -1, Why: "the event is empty"})
	}
	if v := s.order(e); v.Word == VerdictRepeat {
		return append(fx, Effect{Kind: EffectIgnored, Index: -1, Why: v.Why})
	}
	s.link(e)
	return s.take(e, fx)
}

// link moves the hash chain on.
func (s *State) link(e *Event) {
	if s.work.chain == nil {
		s.work.chain = new(codec)
	}
	c := s.work.chain
	c.out = append(c.out[:0], s.Chain[:]...)
	c.event(e)
	s.Chain = sha256.Sum256(c.out)
	if cap(c.out) > 1<<16 {
		c.out = nil // a chart went through it
	}
}

// take is Apply without the order of keys and the chain.
func (s *State) take(e *Event, fx []Effect) []Effect {
	if !s.work.ready {
		s.rebuild()
	}
	s.Revision++
	if s.Rules == 0 {
		s.Rules = FirstRules
	}
	s.mark(e)
	s.prune()
	t := step{s: s, e: e, fx: fx, first: len(fx)}
	if f := checkEvent(e); f != nil {
		t.ignore(f.text())
	} else {
		t.body()
	}
	return t.fx
}

// step is one event on its way into a state.
type step struct {
	s     *State
	e     *Event
	fx    []Effect
	first int // of the event's own effects in fx

	// Which thresholds the event itself crossed: those of a meter above its
	// total before it, or those of dates after the day before it.
	moved    movedFrom
	turned   bool
	wasToday int64
	// ranOn says that the reading at hand may change which days a meter ran on.
	ranOn bool

	// later puts settling off until a record that comes with readings is in.
	later   bool
	waiting []movedFrom
}

// movedFrom says which meter moved, from where, and by which reading; a zero at
// means that more became known of a time before.
type movedFrom struct {
	meter int // -1 none
	was   hours.Millis
	at    moment.Span
	by    Key
}

// nowhere says that no meter moved.
var nowhere = movedFrom{meter: -1}

func (t *step) effect(k EffectKind, index int, why string) {
	t.fx = append(t.fx, Effect{Kind: k, Index: index, Why: why})
}

// inserted moves the indexes of the event's effects so far, where it put something
// in its place at pos of the list that they speak of.
func (t *step) inserted(k EffectKind, pos int) {
	for i := t.first; i < len(t.fx); i++ {
		if f := &t.fx[i]; f.Kind == k && f.Index >= pos {
			f.Index++
		}
	}
}

// removed is inserted for what fell off at pos.
func (t *step) removed(k EffectKind, pos int) {
	for i := t.first; i < len(t.fx); i++ {
		switch f := &t.fx[i]; {
		case f.Kind != k || f.Index < pos:
		case f.Index == pos:
			f.Index = -1
		default:
			f.Index--
		}
	}
}

func (t *step) ignore(why string) { t.effect(EffectIgnored, -1, why) }

// body hands the event to its rules.
func (t *step) body() {
	t.moved = nowhere
	switch b := t.e.Body.(type) {
	case *Reading:
		t.reading(b, b.Origin)
	case *HandReading:
		t.reading(&b.Reading, OriginPerson)
	case *Engine:
		t.engine(b)
	case *Listened:
		t.listened(b)
	case *Warning:
		t.warning(b)
	case *BusValues:
		t.busValues(b)
	case *BusNames:
		t.busNames(b)
	case *ServiceDone:
		t.serviceDone(b)
	case *Void:
		t.void(b)
	case *DoubtAnswer:
		t.doubtAnswer(b)
	case *NoticeAnswer:
		t.noticeAnswer(b)
	case *NoticeFate:
		t.noticeFate(b)
	case *Commissioned:
		t.commissioned(b)
	case *EditionTaken:
		t.editionTaken(b)
	case *DayTurned:
		t.dayTurned(b)
	case *RulesChanged:
		t.rulesChanged(b)
	case *Finding:
		t.finding(b)
	case *DriveMinute, *Thinned, *SetAside:
		// Taken into the stream. Thinned and SetAside stand for events that are
		// not there; the trends that read the other work on the stream itself.
	default:
		if t.s.Rules >= WorkRules {
			t.work()
		}
	}
}

// work hands the event to the rules that came with WorkRules.
func (t *step) work() {
	switch b := t.e.Body.(type) {
	case *FieldEvent:
		t.fieldEvent(b)
	case *Trait:
		t.trait(b)
	case *Season:
		t.season(b)
	case *Attachment:
		t.attachment(b)
	case *Confirmed:
		t.confirmed(b)
	case *Remark:
		t.remark(b)
	case *RemarkWord:
		t.remarkWord(b)
	case *Postponed:
		t.postponed(b)
	case *Walk:
		t.walk(b)
	case *SettingsLeft:
		t.settingsLeft(b)
	case *CauseFound:
		t.causeFound(b)
	case *GunMeasured:
		t.gunMeasured(b)
	case *HandedOver:
		t.handedOver(b)
	}
}

// rulesChanged puts other rules in force. Those of WorkRules read what the state
// gathers from then on; events of before stay without effect.
func (t *step) rulesChanged(b *RulesChanged) {
	if b.Version < t.s.Rules {
		t.ignore(fmt.Sprintf("rules %d are in force already", t.s.Rules))
		return
	}
	if b.Version > t.s.Rules {
		t.s.Rules = b.Version
		t.rebuildTasks()
		t.settleAll()
	}
}

func (t *step) commissioned(b *Commissioned) {
	if t.s.Machine.Machine != "" {
		t.ignore(fmt.Sprintf("machine %s is commissioned already", t.s.Machine.Machine))
		return
	}
	t.s.Machine = *b
}

// order says whether e is the next of its stream, a repeat or ahead of a gap.
func (s *State) order(e *Event) Verdict {
	if e.Key.Seq == 0 {
		if s.seen(e) {
			return Verdict{Word: VerdictRepeat, Why: "it was taken in before"}
		}
		return Verdict{Word: VerdictTake}
	}
	next := uint64(1)
	if i := s.epoch(e.Key.Stream); i >= 0 {
		next = s.Epochs[i].Next
	}
	from := e.Key.Seq
	if b, ok := e.Body.(*Thinned); ok && b.Events > 0 && b.Events <= e.Key.Seq {
		from = e.Key.Seq - b.Events + 1
	}
	switch {
	case e.Key.Seq < next:
		return Verdict{Word: VerdictRepeat, Want: next, Why: "it was taken in before"}
	case from > next:
		return Verdict{Word: VerdictGap, Want: next, Why: fmt.Sprintf("number %d is wanted before it", next)}
	}
	return Verdict{Word: VerdictTake, Want: next}
}

// epoch returns the index of a spool, -1 where it has not spoken.
func (s *State) epoch(id [16]byte) int {
	for i := len(s.Epochs) - 1; i >= 0; i-- {
		if s.Epochs[i].ID == id {
			return i
		}
	}
	return -1
}

// seen reports whether an act was taken in before. A day's turn is known by its
// date.
func (s *State) seen(e *Event) bool {
	if b, ok := e.Body.(*DayTurned); ok {
		return s.dayKnown(b.Date)
	}
	for i := len(s.Acts) - 1; i >= 0; i-- {
		if s.Acts[i] == e.Key {
			return true
		}
	}
	return false
}

// mark remembers the event's key.
func (s *State) mark(e *Event) {
	if e.Key.Seq == 0 {
		if _, ok := e.Body.(*DayTurned); !ok {
			s.Acts = appendBounded(s.Acts, e.Key, ActsKept)
		}
		return
	}
	i := s.epoch(e.Key.Stream)
	if i < 0 {
		s.Epochs = appendBounded(s.Epochs, Epoch{ID: e.Key.Stream}, EpochsKept)
		i = len(s.Epochs) - 1
	}
	s.Epochs[i].Next = e.Key.Seq + 1
	s.Epochs[i].Hash = e.Hash
}

// appendBounded appends v and drops the first elements beyond most.
func appendBounded[T any](list []T, v T, most int) []T {
	if over := len(list) + 1 - most; over > 0 {
		list = append(list[:0], list[over:]...)
	}
	return append(list, v)
}

// prune drops the oldest closed notices and doubts beyond their bounds. It runs
// before the event's rules, so that no effect's index moves.
func (s *State) prune() {
	if over := s.work.closed - NoticesKept; over > 0 {
		s.Notices = dropFirst(s.Notices, over, func(n *Notice) bool { return !n.Withdrawn.IsZero() })
		s.work.closed -= over
	}
	if len(s.Doubts) > DoubtsKept {
		closed := 0
		for i := range s.Doubts {
			if !s.Doubts[i].Closed.IsZero() {
				closed++
			}
		}
		s.Doubts = dropFirst(s.Doubts, closed-DoubtsKept, func(d *Doubt) bool { return !d.Closed.IsZero() })
	}
}

// dropFirst drops the first n elements that are such.
func dropFirst[T any](list []T, n int, such func(*T) bool) []T {
	if n <= 0 {
		return list
	}
	kept := list[:0]
	for i := range list {
		if n > 0 && such(&list[i]) {
			n--
			continue
		}
		kept = append(kept, list[i])
	}
	clear(list[len(kept):])
	return kept
}
