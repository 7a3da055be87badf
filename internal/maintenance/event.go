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
// cleared, washed, crop and straw, weather. It is taken into the stream and
// changes nothing but revision and chain under the first rules.
type FieldEvent struct {
	Event   string // closed set in the chart: plug-cleared, washed, ...
	Minutes uint32
	Facts   []Fact // conditions stated with it
	Person  string // pseudonym, "" where no person told it
}

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
