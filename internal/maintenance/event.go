package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Key identifies an event for ever, whoever writes it and however often it
// arrives. An agent's event has its spool's epoch and the sequence number in
// it (from 1). A person's act has the id that was made where it was written
// and sequence 0. The service's own event has a hash of its natural name (see
// ServiceKey) and sequence 0, so that a second writer's copy is the same event.
type Key struct {
	Stream [16]byte
	Seq    uint64
}

// Writer says who wrote an event.
type Writer uint8

// The writers.
const (
	WriterAgent   Writer = 1
	WriterPerson  Writer = 2
	WriterService Writer = 3
)

// Event is one thing that happened to one machine.
type Event struct {
	Key    Key
	Writer Writer
	// At is when it happened, as well as that is known.
	At moment.Span
	// Known is when the service took it in; on the agent, when it was written.
	Known moment.Instant
	// Hash is the spool's rolling hash after this event. Agent's events only.
	Hash [32]byte
	// Body is one of the body types of this package.
	Body Body
}

// Body is what happened. The set of body types is closed; each is a pointer.
type Body interface{ kind() Kind }

// Kind numbers the body types in the fixed encoding. Numbers are never reused.
type Kind uint8

// The kinds of event.
const (
	KindReading      Kind = 1
	KindEngine       Kind = 2
	KindListened     Kind = 3
	KindWarning      Kind = 4
	KindDriveMinute  Kind = 5
	KindBusValues    Kind = 6
	KindBusNames     Kind = 7
	KindFieldEvent   Kind = 8
	KindThinned      Kind = 9
	KindServiceDone  Kind = 20
	KindVoid         Kind = 21
	KindHandReading  Kind = 22
	KindDoubtAnswer  Kind = 23
	KindNoticeAnswer Kind = 24
	KindConfirmed    Kind = 25
	KindRemark       Kind = 26
	KindRemarkWord   Kind = 27
	KindPostponed    Kind = 28
	KindWalk         Kind = 29
	KindSettingsLeft Kind = 30
	KindCauseFound   Kind = 31
	KindGunMeasured  Kind = 32
	KindCommissioned Kind = 40
	KindEditionTaken Kind = 41
	KindTrait        Kind = 42
	KindSeason       Kind = 43
	KindDayTurned    Kind = 44
	KindAttachment   Kind = 45
	KindFinding      Kind = 46
	KindNoticeFate   Kind = 47
	KindSetAside     Kind = 48
	KindRulesChanged Kind = 49
	KindHandedOver   Kind = 50
)

// Origin says where a reading came from.
type Origin uint8

// The origins.
const (
	OriginBus     Origin = 1 // broadcast on the machine's bus
	OriginDerived Origin = 2 // summed by the agent from a shaft's speed
	OriginPerson  Origin = 3 // read off a display
	OriginFeed    Origin = 4 // another system's feed
)

// Reading is what a meter showed: absolute, never a difference.
type Reading struct {
	Meter      string
	Shown      hours.Millis // what the meter showed, at least 0
	Resolution hours.Millis // the meter's own step, above 0
	Origin     Origin
}

// Engine says that the engine started or stopped.
type Engine struct{ Running bool }

// Listened says that the agent heard the bus from one instant to another. Rates
// of warnings divide by these spans, not by the meter.
type Listened struct {
	From, To moment.Instant
	Frames   uint64 // heard in the span
	Lost     uint64 // dropped by the interface in the span
}

// WarningPhase is what changed about a code.
type WarningPhase uint8

// The phases of a code on the bus.
const (
	WarningStarted WarningPhase = 1
	WarningEnded   WarningPhase = 2
	// WarningUnknown: the source or the whole bus went silent; the code has not
	// been seen to end.
	WarningUnknown WarningPhase = 3
)

// Code is a trouble code as the bus names it (SAE J1939-73).
type Code struct {
	Source uint8  // J1939 source address
	Name   uint64 // the source's 64-bit NAME (SAE J1939-81), 0 where it has claimed none
	SPN    uint32 // 0..524287
	FMI    uint8  // 0..31
	// Raw is the code's four bytes where its layout is ambiguous (conversion
	// method bit set and no method configured); SPN and FMI are then 0.
	Raw       [4]byte
	Ambiguous bool
}

// Warning is the start, the end or the loss from sight of a code.
type Warning struct {
	Code        Code
	Phase       WarningPhase
	Occurrences uint8 // 0..126; 127 not available
	// Lamps: two bits each, from bit 0: protect, amber, red stop, malfunction;
	// 0 off, 1 on, 2 error, 3 not available.
	Lamps uint8
}

// DriveMinute is one minute of a drive: how its driven shaft followed. It is
// taken into the stream and changes nothing in the state but revision and
// chain: trends read the stream.
type DriveMinute struct {
	Drive   string
	Loaded  Ratio // samples with load above the drive's threshold
	Empty   Ratio // samples below it
	Missing uint32
}

// Ratio is a mean ratio of driven to driver speed over some samples.
type Ratio struct {
	Millionths uint32 // of the ratio 1
	Load       uint32 // mean load in millionths of full, 0 if not mapped
	Samples    uint32
}

// ValueState says whether a bus value is a number.
type ValueState uint8

// The states of a bus value.
const (
	ValueOK           ValueState = 1
	ValueError        ValueState = 2
	ValueNotAvailable ValueState = 3
)

// BusValue is the latest value of one signal.
type BusValue struct {
	Signal string
	State  ValueState
	Milli  int64 // thousandths of the signal's unit
}

// BusValues is what the bus showed last, once in a while.
type BusValues struct{ Values []BusValue }

// BusName is one controller's claim on the bus.
type BusName struct {
	Source uint8
	Name   uint64
}

// BusNames is how the machine names itself on its bus.
type BusNames struct {
	Vehicle    string    // vehicle identification (group 65260), "" unheard
	Engine     string    // the engine controller's component serial (group 65259), "" unheard
	Claims     []BusName // address claims, by source
	Confidence uint8     // how many independent identities were heard
}

// FieldEvent is an event of site or crop, told by a person or a source: plug
// cleared, washed, crop and straw, weather. Under the first rules it changes
// nothing but revision and chain.
type FieldEvent struct {
	Event   string // closed set in the chart: plug-cleared, washed, ...
	Minutes uint32
	Facts   []Fact // conditions stated with it
	Person  string // pseudonym, "" where no person told it

	// Encoding version 2.

	Ahead bool  // it is going to happen
	Milli int64 // how much, in thousandths of the count's unit; 0 is 1
}

// EventConditions is the event that only states facts: crop, moisture, straw.
const EventConditions = "conditions"

// Fact is one condition stated: crop, moisture, straw, dust.
type Fact struct{ Name, Value string }

// Thinned stands for events that the agent dropped because its disk was full.
// Readings only; its key is the last event dropped and its hash the one after.
// It moves its spool on and changes nothing else.
type Thinned struct{ Events uint64 }

// MeterShown is what one meter showed at a service.
type MeterShown struct {
	Meter string
	Shown hours.Millis
}

// MaterialUsed is a material and how much of it went in.
type MaterialUsed struct {
	Material string
	Milli    int64 // thousandths of the unit
	Unit     string

	// Encoding version 2.

	Task string // the task that it was for, "" the whole record
	Gun  string // the grease gun, where the unit is the stroke
}

// Measured is one measured value at one spot.
type Measured struct {
	Task, Spot  string
	Left        bool // as left; otherwise as found
	Micro       int64
	Unit, State string
}

// ServiceDone is a service record. Its event's key is the record's id, its At
// the effective time.
type ServiceDone struct {
	Tasks     []string // "point/task"; or empty with Round
	Round     string   // all tasks of the round that the machine has
	Date      civil.Date
	Shown     []MeterShown // as read at the service; meters left out are looked up by time
	Person    string       // pseudonym
	Note      string
	Materials []MaterialUsed
	Measured  []Measured

	// Encoding version 2.

	As     string    // the person's part in the trade: operator, technician, dealer; "" not said
	About  bool      // done at about that time, as far as anyone knows
	Failed []string  // tasks that were tried and failed: not done
	Found  []AsFound // how greased points were found
	Seen   []SeenWord
	Parts  []PartFitted
	// ShieldsOff and ShieldsOn are the shields counted off and on again.
	ShieldsOff, ShieldsOn uint32
	Closes                []Key // remarks that it closes
	Walk                  Key   // the walk-round that it was done in, zero none
}

// FoundWord is how a greased point was found before it was greased.
type FoundWord uint8

// The conditions of a greased point.
const (
	FoundDry    FoundWord = 1
	FoundFine   FoundWord = 2
	FoundPurged FoundWord = 3 // old grease comes out at the seals
)

// AsFound is the condition of one greased point.
type AsFound struct {
	Task string
	Word FoundWord
}

// SeenWord is what was seen of one criterion of a task.
type SeenWord struct {
	Task, Criterion string
	InOrder         bool
	Note            string
}

// PartFitted says that a part was renewed, or taken off where Number and Variant
// are empty and Off is set.
type PartFitted struct {
	Part    string
	Variant string // "" not said
	Number  string // "" not said
	Off     bool   // taken off and nothing fitted
	Why     OffWord
	Note    string
	Spare   bool // the spare was taken
}

// OffWord is why a part came off.
type OffWord uint8

// The reasons.
const (
	OffNotSaid    OffWord = 0
	OffWornOut    OffWord = 1
	OffFailed     OffWord = 2
	OffPrecaution OffWord = 3
)

// Confirmed lets a record count that was written by someone who may not do the
// work.
type Confirmed struct {
	Record Key
	Person string
	As     string
}

// RunVerdict says whether a machine may run with what was found.
type RunVerdict uint8

// The verdicts.
const (
	MayRun     RunVerdict = 1 // it may run
	RunWatched RunVerdict = 2 // it may run and is watched
	DoNotRun   RunVerdict = 3
)

// Remark is what a person found. Its event's key is its id.
type Remark struct {
	Point    string // "" the machine
	Task     string // whose criterion opened it, "" none
	Name     string // the remark's id in the chart, "" none
	Text     string
	Verdict  RunVerdict
	Part     string     // the part wanted, "" none
	DoBy     civil.Date // None: not said
	Pictures [][32]byte // SHA-256 of each
	Walk     Key        // the walk-round in which it was made
	Person   string
}

// RemarkAct is what is done about a remark.
type RemarkAct uint8

// The acts. A record closes remarks by itself.
const (
	RemarkClose  RemarkAct = 1
	RemarkChange RemarkAct = 2 // verdict, part wanted, do-by; a picture more
	RemarkCarry  RemarkAct = 3 // to the winter's work
	RemarkReopen RemarkAct = 4
)

// RemarkWord is a person's word on a remark.
type RemarkWord struct {
	Remark   Key
	Act      RemarkAct
	Verdict  RunVerdict // change; 0 as it is
	Part     string     // change; "" as it is
	DoBy     civil.Date
	Pictures [][32]byte
	Why      string
	Person   string
}

// Postponed puts tasks off, with a reason and an end. With neither an hour nor a
// date it takes a postponement back.
type Postponed struct {
	Tasks     []string
	Round     string
	Why       string
	ForHours  hours.Millis // running hours from now on Meter, 0 none
	Meter     string       // "": that which decides the task
	UntilDate civil.Date   // None: by hours only
	Person    string
}

// WalkAct is a step of a walk-round.
type WalkAct uint8

// The steps.
const (
	WalkBegin  WalkAct = 1
	WalkAnswer WalkAct = 2
	WalkSign   WalkAct = 3
	WalkLeave  WalkAct = 4 // given up
)

// LookedWord is what a person says of one task of a walk-round.
type LookedWord uint8

// The answers.
const (
	LookedInOrder LookedWord = 1
	LookedRemark  LookedWord = 2
	LookedNot     LookedWord = 3 // not looked: never in order
	LookedNotHere LookedWord = 4 // not on this machine
)

// Looked is the answer for one task.
type Looked struct {
	Task     string
	Word     LookedWord
	Text     string // of a remark
	Verdict  RunVerdict
	Pictures [][32]byte
	Measured []Measured
}

// Walk is a step of a walk-round. The key of the event that begins it is its id.
type Walk struct {
	Act      WalkAct
	Walk     Key    // all but begin
	Occasion string // begin
	Looked   []Looked
	Date     civil.Date
	Person   string
	// As is, of a signature, second or receiver; of answers the person's part in
	// the trade, as in ServiceDone.
	As  string
	Why string // leave
}

// SettingLeft is one setting, as found and as left.
type SettingLeft struct {
	Setting     string
	Found, Left Bound
	FoundWord   string
	LeftWord    string
}

// SettingsLeft says how the machine is set now.
type SettingsLeft struct {
	Settings []SettingLeft
	Facts    []Fact // the conditions that it was set for
	Person   string
}

// CauseFound is what a lead came to. Its event's key is its id.
type CauseFound struct {
	Lead   string // "" none of the chart's
	Code   string // what it began with, "" none
	Remark Key
	Point  string // where the cause was
	Text   string
	Person string
}

// GunMeasured says what a stroke of a grease gun gives.
type GunMeasured struct {
	Gun    string
	Micro  int64 // millionths of a gram a stroke, above 0
	Person string
}

// Void takes a record back. A record is never edited.
type Void struct {
	Record Key
	Person string
	Why    string
}

// HandReading is a reading that a person took off a display.
type HandReading struct {
	Reading
	Person string
}

// DoubtWord is a person's answer to a doubtful reading or identity.
type DoubtWord uint8

// The answers to a doubt.
const (
	DoubtNewMeter    DoubtWord = 1 // the meter was replaced or reset: a new life opens
	DoubtWrong       DoubtWord = 2 // the held readings are wrong: drop them from the question
	DoubtRight       DoubtWord = 3 // the held readings are right as they stand, in this life
	DoubtSameMachine DoubtWord = 4 // the bus's names changed, the machine is the same
	DoubtOneAct      DoubtWord = 5 // two records are one act: the later written is taken back
	DoubtTwoActs     DoubtWord = 6 // they are two
)

// DoubtAnswer resolves a doubt.
type DoubtAnswer struct {
	Doubt  Key
	Word   DoubtWord
	Person string
	Why    string
}

// NoticeWord is what a person says to a notice.
type NoticeWord uint8

// The answers to a notice.
const (
	NoticeMine  NoticeWord = 1 // I have it
	NoticeLater NoticeWord = 2 // ring again after Later running hours, or at the next halt if 0
)

// NoticeAnswer is a person's word on a notice. Done is said by a ServiceDone.
type NoticeAnswer struct {
	Notice NoticeID
	Word   NoticeWord
	Later  hours.Millis
	Person string
}

// Commissioned opens a machine's stream.
type Commissioned struct {
	Machine  string // resource id
	Display  string
	Customer string
	Site     string
	Zone     string // IANA name, for the record; dates come with DayTurned
	TurnsAt  uint16 // minutes after local midnight at which the work day turns
}

// EditionTaken puts a compiled chart in force.
type EditionTaken struct {
	Chart  *Chart
	Person string
}

// Trait is an answer about this machine's build. It changes nothing but revision
// and chain under the first rules.
type Trait struct{ Name, Value, Person string }

// Season opens or closes a season of one crop. It changes nothing but revision
// and chain under the first rules.
type Season struct {
	Season, Crop string
	Open         bool
	Date         civil.Date
	Person       string
}

// DayTurned says that the site's work day Date runs from From to Until. It is
// the only source of civil dates in the domain.
type DayTurned struct {
	Date        civil.Date
	From, Until moment.Instant
}

// Attachment says that a header or another part with its own meters was put on
// or taken off. It changes nothing but revision and chain under the first rules.
type Attachment struct {
	Attachment string
	On         bool
	Shown      []MeterShown
	Person     string

	// Encoding version 2.

	Piece string // which one: its own id in the office
	// Carried are the records of its tasks, as its last machine had them.
	Carried []CarriedRecord
}

// CarriedRecord is a service record that came with an attachment.
type CarriedRecord struct {
	Record Key
	Task   string
	At     moment.Span
	Date   civil.Date
	Hours  []MeterShown // of the attachment's meters
	Person string
}

// HandedOver says that the machine was sold or traded in: from then on it is
// another customer's.
type HandedOver struct {
	Customer string
	Site     string
	Zone     string
	TurnsAt  uint16
	Person   string
}

// Finding is what the data showed before any alarm. It changes nothing but
// revision and chain under the first rules.
type Finding struct {
	Finding, Method string
	Version         uint32
	Evidence        []Fact
}

// NoticeFateWord is what became of delivering a notice.
type NoticeFateWord uint8

// The fates of a delivery.
const (
	NoticeDelivered NoticeFateWord = 1
	NoticeGivenUp   NoticeFateWord = 2
)

// NoticeFate records what became of a notice's delivery on one channel. The
// state keeps the last word a channel while it keeps the notice.
type NoticeFate struct {
	Notice  NoticeID
	Channel string
	Word    NoticeFateWord
	Detail  string
}

// SetAside stands for an event that could not be taken in: kept as received,
// changing nothing. Its key and hash are that event's, so its spool goes on.
type SetAside struct {
	Reason string
	Bytes  []byte // as received, cut at 64 KiB
}

// RulesChanged puts another version of the rules in force, one that this build
// carries: FirstRules to RulesVersion.
type RulesChanged struct{ Version uint32 }

func (*Reading) kind() Kind      { return KindReading }
func (*Engine) kind() Kind       { return KindEngine }
func (*Listened) kind() Kind     { return KindListened }
func (*Warning) kind() Kind      { return KindWarning }
func (*DriveMinute) kind() Kind  { return KindDriveMinute }
func (*BusValues) kind() Kind    { return KindBusValues }
func (*BusNames) kind() Kind     { return KindBusNames }
func (*FieldEvent) kind() Kind   { return KindFieldEvent }
func (*Thinned) kind() Kind      { return KindThinned }
func (*ServiceDone) kind() Kind  { return KindServiceDone }
func (*Void) kind() Kind         { return KindVoid }
func (*HandReading) kind() Kind  { return KindHandReading }
func (*DoubtAnswer) kind() Kind  { return KindDoubtAnswer }
func (*NoticeAnswer) kind() Kind { return KindNoticeAnswer }
func (*Commissioned) kind() Kind { return KindCommissioned }
func (*EditionTaken) kind() Kind { return KindEditionTaken }
func (*Trait) kind() Kind        { return KindTrait }
func (*Season) kind() Kind       { return KindSeason }
func (*DayTurned) kind() Kind    { return KindDayTurned }
func (*Attachment) kind() Kind   { return KindAttachment }
func (*Finding) kind() Kind      { return KindFinding }
func (*NoticeFate) kind() Kind   { return KindNoticeFate }
func (*SetAside) kind() Kind     { return KindSetAside }
func (*RulesChanged) kind() Kind { return KindRulesChanged }
func (*Confirmed) kind() Kind    { return KindConfirmed }
func (*Remark) kind() Kind       { return KindRemark }
func (*RemarkWord) kind() Kind   { return KindRemarkWord }
func (*Postponed) kind() Kind    { return KindPostponed }
func (*Walk) kind() Kind         { return KindWalk }
func (*SettingsLeft) kind() Kind { return KindSettingsLeft }
func (*CauseFound) kind() Kind   { return KindCauseFound }
func (*GunMeasured) kind() Kind  { return KindGunMeasured }
func (*HandedOver) kind() Kind   { return KindHandedOver }
