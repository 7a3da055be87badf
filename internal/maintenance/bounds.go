package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The rules' versions that this build carries.
const (
	FirstRules   uint32 = 1
	WorkRules    uint32 = 2 // charts, records, walk-rounds and remarks whole
	RulesVersion uint32 = 2
)

// The bounds of a state. What falls off stays in the journal.
const (
	DaysKept     = 800  // work days: two seasons and more
	ActsKept     = 1024 // keys of acts, the oldest dropped first
	EpochsKept   = 64   // spools, the first dropped first
	LivesKept    = 16   // lives told apart, a meter
	HeldKept     = 32   // held readings, a meter: the first eight and the latest
	CyclesKept   = 3    // standing records, a task
	RecordsKept  = 8    // records with the voided ones, a task
	CrossedKept  = 12   // crossings, a task
	NoticesKept  = 64   // closed notices; open ones are always kept
	FatesKept    = 16   // channels, a notice
	DoubtsKept   = 32   // closed doubts; open ones are always kept
	WarningsKept = 256  // codes that are on
	CountsKept   = 256  // codes that are counted
	MetersKept   = 64   // meters, those that no edition names among them
	GoneKept     = 512  // tasks that the edition in force does not name
	EditionsKept = 64   // editions once taken
	ValuesKept   = 256  // bus values
	SpansKept    = 32   // spans heard without a gap

	HappenedKept = 512 // what happened; the oldest of the most frequent name goes first
	TraitsKept   = 256 // traits and conditions, each
	SeasonsKept  = 64
	PartsKept    = 512
	PiecesKept   = 8    // a part
	MeasuresKept = 2000 // tasks and spots
	ValuesSeen   = 24   // values a spot
	RemarksKept  = 64   // closed remarks; open ones are always kept
	RemarksOpen  = 1000 // open remarks that are taken
	WalksKept    = 16
	LookedKept   = 2048 // answers of a walk-round
	SettingsKept = 128
	GunsKept     = 32
	AttachKept   = 32
	CausesKept   = 128
	UsedKept     = 1024
	FoundKept    = 2000
	OwnersKept   = 16
)

// heldFirst is how many of the earliest held readings are kept when the list
// is full: a new life opens from the first.
const heldFirst = 8

// The constants of the rules about readings.
const (
	// AgreeSpan is how far a lower series must have run before three readings
	// of it open a new life: 0.1 h.
	AgreeSpan = hours.Hour / 10
	// AgreeReadings is how many it takes.
	AgreeReadings = 3
	// HandStep is the resolution of a figure that a person read off with a
	// service: a display of tenths.
	HandStep = hours.Hour / 10
	// HandSlack is by how much a person's figure may be older than he says: 1 h.
	// A reading that comes after it is not too fast because it was told late.
	HandSlack = hours.Hour
	// BoxGap is for how long a derived meter may go unheard while one box takes
	// another's place before it is said: 5 min.
	BoxGap = 5 * hours.Minute
	// AheadSlack is how far ahead of the instant at which it was taken in an
	// event may claim to have happened: 5 min, for clocks that differ.
	AheadSlack = 5 * hours.Minute
	// LookupReach is how long after a service the first reading may still tell
	// its hours, where there is none before: 24 h. What ran in between is
	// counted as if the machine had run all the time, so that nothing comes late.
	LookupReach = 24 * hours.Hour
	// SameActReach is how far two records of the same tasks may lie apart and
	// still look like one act: 3 h, common practice, no source.
	SameActReach = 3 * hours.Hour
)

// The trail keeps one point a bucket of machine's hours: 0.05 h, the step of a
// J1939 meter, in the last 4 running hours, 0.25 h before that, 16 h in all.
const (
	trailFine   = hours.Hour / 20
	trailCoarse = 5 * trailFine
	trailNear   = 4 * hours.Hour
	trailReach  = 16 * hours.Hour
	trailMost   = 136
)

// timeOf turns a difference into something that an instant can be moved by.
func timeOf(d int64) moment.Instant { return moment.Instant(d) }
