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

	// Rules 2.

	EffectRemark     EffectKind = 15 // one was opened, changed or closed; index in Remarks
	EffectWalk       EffectKind = 16 // index in Walks
	EffectPostponed  EffectKind = 17 // a task was put off, or is no longer; index in Tasks
	EffectBuild      EffectKind = 18 // whether a task is on this machine; index in Tasks
	EffectPart       EffectKind = 19 // a piece was fitted or taken back; index in Parts
	EffectSaid       EffectKind = 20 // the rules have something to say of a record; index in Tasks
	EffectSetting    EffectKind = 21 // index in Settings
	EffectHappened   EffectKind = 22 // an event was taken in; index in Happened
	EffectOwner      EffectKind = 23
	EffectAttachment EffectKind = 24 // index in Attachments
	EffectSeason     EffectKind = 25 // index in Seasons
	EffectMeasure    EffectKind = 26 // a value is near or beyond a limit; index in Measures
	EffectTold       EffectKind = 27 // a trait or condition was told
)

// Effect is one thing that followed from an event. Index points into the slice
// of State that the kind speaks of (Tasks, Notices, Meters, Doubts,
// Warnings or what the kind names) as it stands after the event, -1 where there is none.
type Effect struct {
	Kind   EffectKind
	Index  int
	Was    DueState // EffectDueChanged
	Now    DueState
	Notice NoticeID
	Why    string
}
