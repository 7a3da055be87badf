package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// State is all that is known of one machine at a position: the fold of its
// events. Only Apply changes it. The zero State is that of a machine of which
// nothing has been heard; its rules are FirstRules. A State is used by one
// goroutine at a time, since Apply keeps working memory in it; Clone gives a
// copy that shares nothing but charts and texts.
type State struct {
	Machine  Commissioned
	Revision uint64   // events applied
	Chain    [32]byte // hash chain over the events' fixed encoding
	Rules    uint32
	Chart    *Chart // nil before the first edition is taken

	Days     []Day   // work days known, oldest first, bounded
	Epochs   []Epoch // spools heard, in the order they first spoke
	Acts     []Key   // persons' and the service's keys seen, oldest first, bounded
	Meters   []Meter // in the chart's order, then those the chart no longer names
	Tasks    []Task  // likewise
	Notices  []Notice
	Warnings []ActiveWarning
	Counts   []CodeCount
	Doubts   []Doubt
	Names    BusNames
	NamesAt  moment.Span // when Names was so
	// Moved is the doubt that says the bus names another machine; while it is
	// set no reading that an agent took off the bus counts.
	Moved Key
	// MovedNames is how the bus names itself while Moved is set.
	MovedNames BusNames
	Engine     EngineState
	Heard      Heard
	Latest     []BusValue
	// LatestAt is when Latest was so.
	LatestAt moment.Instant
	// Editions are the editions taken so far, oldest first, bounded.
	Editions []EditionSeen
	// WarningsOver counts starts of codes that Warnings had no room for, and
	// CountsOver those that Counts had none for.
	WarningsOver, CountsOver uint64

	// Encoding version 2, rules 2. Lists are bounded; see bounds.go.

	Happened    []Happening      // by time
	Traits      []TraitKnown     // by name
	Conditions  []TraitKnown     // crop and weather as last told, by name
	Seasons     []SeasonSeen     // in order of their opening
	Parts       []Part           // by id
	Measures    []MeasureSeen    // by task and spot
	Remarks     []RemarkSeen     // as they were opened
	Walks       []WalkSeen       // as they were begun
	Settings    []SettingSeen    // by id
	Guns        []GunSeen        // by id
	Attachments []AttachmentSeen // by id
	Causes      []CauseSeen      // as they were found
	Used        []MaterialUsedAt // by time
	FoundAt     []FoundAt        // by time
	Owners      []OwnerSeen      // those before, oldest first

	work work // derived and scratch: not part of the state
}

// EditionSeen is an edition that was once in force.
type EditionSeen struct {
	Chart   string
	Edition uint32
	Hash    [32]byte
}

// Day is one work day of the machine's site.
type Day struct {
	Date        civil.Date
	From, Until moment.Instant
	Listened    hours.Millis // heard in it
}

// Epoch is how far one spool has been taken in.
type Epoch struct {
	ID   [16]byte
	Next uint64   // sequence number expected next
	Hash [32]byte // rolling hash after Next-1
}

// Meter is one hour counter of the machine.
type Meter struct {
	ID   string
	Gone bool // the edition in force does not name it
	// Folded is how many of the oldest lives are no longer told apart; Lives[0]
	// is life number Folded.
	Folded uint32
	Lives  []Life // oldest first; the last is current
	// Total is the machine's hours on this meter: what earlier lives ran, plus the
	// current one. It is so as of TotalAt, the latest reading that agrees with it.
	Total   hours.Millis
	TotalAt moment.Span
	TotalBy Key // the reading that Total stands on
	Origin  Origin
	Step    hours.Millis  // resolution of the reading that gave Total
	Renewed Key           // the event that named a new engine, until its meter has been read
	Held    []HeldReading // not counted, oldest first, bounded
	HeldN   uint64        // held since the list was last empty, bounded list or not
	Trail   []TrailPoint  // when the last running hours were first read, by total, bounded
	DayTops []DayTop      // highest total of each work day, oldest first, two seasons
}

// Life is the span in which one physical meter counts.
type Life struct {
	Opened Key
	First  hours.Millis // shown at its start
	Last   hours.Millis // shown last
	Offset hours.Millis // the machine's hours when it showed First
	From   moment.Span
	Why    string
	Until  moment.Span // of the latest reading in it
	// Pace is the latest that any reading in it puts the meter's zero, had the
	// meter run all the time: not before less total. 0: no reading with a time.
	Pace moment.Instant
	// Box is the spool that last brought a derived reading into it.
	Box [16]byte
	// Sure is the highest that others than persons read, at SureAt.
	Sure   hours.Millis
	SureAt moment.Span
	// Same says that it is the physical meter of the life before: a person said
	// that a fall or a rise was right.
	Same bool
}

// End is the machine's hours when the meter last showed Last.
func (l *Life) End() hours.Millis { return l.Total(l.Last) }

// Total is the machine's hours when the meter showed shown in this life.
func (l *Life) Total(shown hours.Millis) hours.Millis {
	return hours.Add(l.Offset, hours.Sub(shown, l.First))
}

// HeldReading is a reading that cannot be right, or not yet.
type HeldReading struct {
	Key    Key
	At     moment.Span
	Shown  hours.Millis
	Origin Origin
	Why    string
	Step   hours.Millis
	Kind   DoubtKind
	Wrong  bool // a person said so: it stays to be compared with, and opens nothing
}

// TrailPoint is an accepted reading as machine's hours.
type TrailPoint struct {
	At    moment.Span
	Total hours.Millis
	Life  uint32 // number of its life
}

// DayTop is the highest machine's hours read in a work day.
type DayTop struct {
	Date  civil.Date
	Total hours.Millis
	Life  uint32 // number of its life
}

// DueState is how a task stands.
type DueState uint8

// The due states, in order of urgency.
const (
	DueUnknown DueState = 0 // no service on record; rings nobody
	NotDue     DueState = 1
	DueSoon    DueState = 2
	Due        DueState = 3
	Overdue    DueState = 4
)

// Task is one task's counter.
type Task struct {
	ID      string
	Gone    bool // the edition in force does not name it
	Cycle   Key  // the event that opened or reopened the cycle; zero: none yet
	State   DueState
	Since   moment.Span  // when State came about, as well as known
	By      Key          // the event that brought it about
	Limb    int          // what decides State, as Count.Limbs lists it, -1 none
	Rung    Stage        // highest stage of this cycle that stands, 0 none
	Crossed []Crossing   // readings and days seen to cross a threshold in this cycle, bounded
	Records []TaskRecord // by effective time, the last standing one opened the cycle

	// Encoding version 2.

	Build     BuildWord
	Postponed []Postponement // at most one
}

// BuildWord says whether a task is on this machine.
type BuildWord uint8

// The words on a task's build.
const (
	BuildFitted BuildWord = 0
	BuildNot    BuildWord = 1 // not on this machine
	BuildAsked  BuildWord = 2 // a trait that it depends on is not known
)

// Postponement is a task put off. It ends at an hour or on a date.
type Postponement struct {
	By     Key
	Why    string
	Person string
	Meter  string
	At     hours.Millis // machine's hours on Meter, 0 none
	Until  civil.Date   // the first day on which it rings again, None none
	On     moment.Span  // when it was said
}

// Crossing remembers what crossed one threshold of a cycle, so that an edition
// taken back finds it again.
type Crossing struct {
	Meter string // "" for dates
	Mark  int64  // machine's hours in milliseconds, or the civil date
	Since moment.Span
	By    Key
}

// TaskRecord is one service record as this task counts it.
type TaskRecord struct {
	Record Key
	At     moment.Span    // effective
	Known  moment.Instant // written down
	Date   civil.Date
	Hours  []MeterShown // machine's hours (not as shown) on each meter at the service
	Void   Key          // zero: stands
	// Looked has bit i set where Hours[i] was looked up by time, not read at
	// the service; later news of that time may raise it.
	Looked uint64
	Person string

	// Encoding version 2.

	As      string
	About   bool
	Waiting bool // does not count until it is confirmed
	Said    Said // what was said of it at once
	Carried bool // came with an attachment
	Confirm Key  // the event that confirmed it, zero none
}

// Said are remarks of the rules on a service record, one bit each.
type Said uint32

// What is said of a record at once, with figures; the record is kept.
const (
	SaidTooSoon  Said = 1 << iota // before its too soon
	SaidTooMuch                   // more than may go in at once
	SaidSeason                    // more than may go in in a season
	SaidMix                       // does not go with what is in there
	SaidMixAsk                    // borderline with what is in there
	SaidRefused                   // a property that the task refuses
	SaidMaterial                  // another material than the chart's
	SaidWho                       // by someone who may not do it
	SaidShields                   // not all shields are on again
	SaidNever                     // forbidden work
	SaidFollows                   // something must follow
	SaidSetting                   // conditions turned against a setting
	SaidSpots                     // not measured at every spot
)

// NoticeID is derived from machine, task, cycle and stage, so that cab and
// service number a notice alike.
type NoticeID [16]byte

// Stage is how urgent a notice is.
type Stage uint8

// The stages.
const (
	StageSoon    Stage = 1
	StageDue     Stage = 2
	StageOverdue Stage = 3
)

// Notice is what is said to people about a task or a doubt.
type Notice struct {
	ID        NoticeID
	Task      string // "" for a doubt
	Doubt     Key
	Cycle     Key
	Stage     Stage
	Raised    moment.Span // effective time
	By        Key         // the event that crossed
	Revision  uint64      // at which it was raised
	Withdrawn Key         // the event that closed it; zero: stands
	How       string      // why it was closed
	Word      NoticeWord  // latest answer, 0 none
	Person    string
	LaterAt   hours.Millis // machine's hours at which it rings again, 0 at the next halt
	LaterOn   string       // the meter of LaterAt
	Waiting   bool         // it is to ring again
	Fates     []NoticeFateAt
}

// NoticeFateAt is a channel's fate of a notice.
type NoticeFateAt struct {
	Channel string
	Word    NoticeFateWord
	At      moment.Instant
}

// ActiveWarning is a code that is on, or was when it was last seen.
type ActiveWarning struct {
	Code        Code
	Started     moment.Span
	Unknown     moment.Instant // since when it is out of sight; zero: in sight
	Lamps       uint8
	Occurrences uint8
}

// CodeCount counts a code's starts.
type CodeCount struct {
	Code   Code
	Starts uint64
	Last   moment.Instant
}

// DoubtKind is what is doubted.
type DoubtKind uint8

// The kinds of doubt.
const (
	DoubtFell      DoubtKind = 1 // the meter shows less than it did
	DoubtFast      DoubtKind = 2 // the meter ran faster than the clock
	DoubtMoved     DoubtKind = 3 // the bus names another machine
	DoubtOtherBox  DoubtKind = 4 // a controller's identity changed, the machine's did not
	DoubtFork      DoubtKind = 5 // two spools claim to be one
	DoubtMisplaced DoubtKind = 6 // no placement in time satisfies its neighbours
	DoubtSameAct   DoubtKind = 7 // two records look like one act
)

// Doubt is a question for a person.
type Doubt struct {
	Key    Key // of the event that raised it; of two records that look like one act, a hash of both
	Kind   DoubtKind
	Meter  string
	At     moment.Span
	What   string // with figures
	Closed Key    // zero: open
	How    string

	// Encoding version 2: the records that look like one act.
	Records []Key
}

// EngineState is whether the engine runs.
type EngineState struct {
	Running bool
	At      moment.Span // zero: never heard
}

// Heard is how far the machine has been heard.
type Heard struct {
	Until  moment.Instant
	Spans  []HeardSpan  // heard without a gap, oldest first, the last ones only
	Total  hours.Millis // running sum of listened spans, overlaps counted once
	Frames uint64
	Lost   uint64
}

// HeardSpan is a time during which the bus was heard without a gap.
type HeardSpan struct{ From, To moment.Instant }

// HappeningKind is what sort of thing happened.
type HappeningKind uint8

// The kinds of happening.
const (
	HappenedEvent   HappeningKind = 1 // Name is the event's id
	HappenedAhead   HappeningKind = 2 // it is going to happen
	HappenedCode    HappeningKind = 3 // Name is the code's id in the chart
	HappenedFailed  HappeningKind = 4 // Name is the task
	HappenedFinding HappeningKind = 5
	HappenedStart   HappeningKind = 6 // the engine started; the latest only
)

// Happening is something that happened and that triggers, counts and leads look
// back at.
type Happening struct {
	Key     Key
	Kind    HappeningKind
	Name    string
	At      moment.Span
	Date    civil.Date // work day, None not known
	Minutes uint32
	Milli   int64 // how much, 0 is 1
	Facts   []Fact
	Hours   []MeterShown // machine's hours by then, as far as known
	Person  string
}

// TraitKnown is an answer about the build, or a condition as last told.
type TraitKnown struct {
	Name, Value string
	At          moment.Span
	By          Key
	Person      string
}

// SeasonSeen is a season of one crop.
type SeasonSeen struct {
	Season, Crop   string
	Opened, Closed civil.Date // None: not yet
	OpenedBy       Key
	ClosedBy       Key
	// When the service took that in; the latest word counts.
	OpenedKnown, ClosedKnown moment.Instant
}

// Part is a tracked part with its pieces.
type Part struct {
	ID     string
	Pieces []Piece // by time, the last standing one is on the machine
}

// Piece is one piece that was fitted, or, where Off is set, the place left empty.
type Piece struct {
	Record  Key // that fitted it
	At      moment.Span
	Date    civil.Date
	Hours   []MeterShown // machine's hours at fitting
	Looked  uint64       // as in TaskRecord
	Variant string
	Number  string
	Off     bool
	Why     OffWord // why the one before came off
	Note    string
	Spare   bool
	Void    Key // of its record, zero: stands
}

// MeasureSeen is what was measured at one spot.
type MeasureSeen struct {
	Task, Spot string
	Values     []MeasuredAt // by time
}

// MeasuredAt is one value, as found or as left.
type MeasuredAt struct {
	Record Key
	At     moment.Span
	Date   civil.Date
	Hours  hours.Millis // machine's hours on the measure's meter, -1 not known
	Left   bool
	Micro  int64
	State  string // what a gauge said: "goes", "does not go"
	Void   Key
	Looked bool // Hours was looked up by time, as in TaskRecord
}

// RemarkSeen is a remark as it stands.
type RemarkSeen struct {
	Remark
	Key     Key
	At      moment.Span
	Carried bool // to the winter's work
	Closed  Key  // zero: open
	Record  Key  // the record that closed it, zero none
	How     string
	// Told and Changed are the times of the latest words that closed, carried or
	// reopened it, and that changed it; zero: none yet.
	Told, Changed moment.Span
}

// WalkSeen is a walk-round as it stands.
type WalkSeen struct {
	Key      Key
	Occasion string
	Chart    string // the edition it was walked by
	Edition  uint32
	At       moment.Span
	Date     civil.Date
	Person   string
	Looked   []LookedAt // by task, one each: the latest
	Signed   Key        // zero: not yet
	SignedBy string
	SignedAs string
	Left     Key // given up, zero: not
	Why      string
	Ended    moment.Span // when it was signed or given up
}

// LookedAt is an answer of a walk-round.
type LookedAt struct {
	Task   string
	Word   LookedWord
	At     moment.Span
	By     Key
	Person string
	Text   string
}

// SettingSeen is how the machine is set.
type SettingSeen struct {
	SettingLeft
	At     moment.Span
	By     Key
	Facts  []Fact
	Person string
}

// GunSeen is a grease gun and what a stroke of it gives.
type GunSeen struct {
	Gun   string
	Micro int64 // millionths of a gram a stroke
	At    moment.Span
	By    Key
}

// AttachmentSeen is an attachment that is on the machine, or was.
type AttachmentSeen struct {
	Attachment, Piece string
	On                bool
	At                moment.Span
	By                Key
}

// CauseSeen is a cause that was found.
type CauseSeen struct {
	CauseFound
	Key Key
	At  moment.Span
}

// MaterialUsedAt is a material that went in at a task.
type MaterialUsedAt struct {
	Record   Key
	Task     string
	Material string
	Milli    int64
	Unit     string
	At       moment.Span
	Date     civil.Date
	Void     Key
}

// FoundAt is how a greased point was found.
type FoundAt struct {
	Record Key
	Task   string
	Word   FoundWord
	At     moment.Span
	Void   Key
}

// OwnerSeen is an owner before, and until when.
type OwnerSeen struct {
	Customer, Site string
	Until          moment.Span
	By             Key
}
