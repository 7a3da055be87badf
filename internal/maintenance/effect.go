package maintenance

// EffectKind is what followed from an event.
type EffectKind uint8

// The kinds of effect.
const (
	EffectDueChanged      EffectKind = 1 // a task's due state
	EffectNoticeRaised    EffectKind = 2
	EffectNoticeWithdrawn EffectKind = 3
	EffectNoticeAnswered  EffectKind = 4
	EffectReadingTaken    EffectKind = 5 // a meter moved
	EffectReadingHeld     EffectKind = 6
	EffectLifeOpened      EffectKind = 7
	EffectDoubtOpened     EffectKind = 8
	EffectDoubtClosed     EffectKind = 9
	EffectWarning         EffectKind = 10 // a code started, ended or went out of sight
	EffectEngine          EffectKind = 11
	EffectChart           EffectKind = 12
	EffectRecord          EffectKind = 13 // a record was taken in or voided
	EffectIgnored         EffectKind = 14 // a repeat, or a word on something unknown; Why says which
)

// Effect is one thing that followed from an event. Index points into the slice
// of State that the kind speaks of (Tasks, Notices, Meters, Doubts or
// Warnings) as it stands after the event, -1 where there is none.
type Effect struct {
	Kind   EffectKind
	Index  int
	Was    DueState // EffectDueChanged
	Now    DueState
	Notice NoticeID
	Why    string
}
