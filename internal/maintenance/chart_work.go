package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// BasisKind says who says so.
type BasisKind uint8

// The kinds of basis.
const (
	BasisBook  BasisKind = 1 // the maker's book
	BasisDecal BasisKind = 2 // the plate on the machine
	BasisShop  BasisKind = 3 // the workshop's practice
	BasisOwner BasisKind = 4 // the owner's wish
)

// BasisDef says where figures come from, and who agreed to them when.
type BasisDef struct {
	Kind   BasisKind
	Text   string
	Who    string
	Agreed civil.Date // None: not said
}

// EventDef is something that happens to a machine in the field and that a
// person or a source may tell.
type EventDef struct{ ID, Call string }

// The events that every machine knows.
const (
	EventStorageIn  = "storage-in"
	EventStorageOut = "storage-out"
)

// CountDef is something counted by events of its id: each adds its amount, or 1.
type CountDef struct{ ID, Call, Unit string }

// AttachmentDef is a part that moves between machines and keeps its own hours.
type AttachmentDef struct{ ID, Call string }

// TriggerKind is what makes a task due at once.
type TriggerKind uint8

// The kinds of trigger.
const (
	TriggerEvent   TriggerKind = 1 // an event happened
	TriggerCode    TriggerKind = 2 // a code of the chart came on
	TriggerDone    TriggerKind = 3 // another task was done
	TriggerFailed  TriggerKind = 4 // a task was tried and failed
	TriggerFitted  TriggerKind = 5 // a part was fitted
	TriggerFinding TriggerKind = 6 // the data showed something
	TriggerBefore  TriggerKind = 7 // an event is going to happen
)

// TriggerBy says how soon after its trigger a task is due.
type TriggerBy uint8

// The ways.
const (
	ByNow       TriggerBy = 0 // due at once
	ByNextStart TriggerBy = 1 // due at once, and overdue once the engine starts
	ByHours     TriggerBy = 2 // due In hours of Meter later
	ByDays      TriggerBy = 3 // due InDays later
)

// TriggerDef makes a task due by something that happened since it was done.
type TriggerDef struct {
	Kind TriggerKind
	Name string // of the event, code, task, part or finding
	// If must hold for the event: its minutes (of "minutes"), its facts.
	If []Cond
	// Count is how many it takes since the task was done; 0 is 1. Where Within or
	// WithinDays is set they lie no further apart than that, in hours of Meter or
	// in days.
	Count      uint32
	Within     hours.Millis
	WithinDays uint32
	Meter      string

	By     TriggerBy
	In     hours.Millis
	InDays uint32
}

// RunInDef are checks at set hours after a part is new.
type RunInDef struct {
	Part   string
	Meter  string
	Marks  []hours.Millis // after fitting, rising, above 0
	If     []Cond         // of traits, or of the piece's variant as "variant"
	Expect string         // what to expect at the first mark
}

// TooSoonDef says from when on a service is not too early. Said, never refused.
type TooSoonDef struct {
	Hours  hours.Millis // 0: not in hours
	Meter  string
	Days   uint32   // 0: not in days
	Unless []string // events since the last service that make it right
}

// InsteadDef is a practice in place of the book's interval, on terms.
type InsteadDef struct {
	Basis    BasisKind
	Limbs    []Limb
	Provided []string // tasks that must have been done in each season since
	NotIf    []string // traits that must be known to be no
}

// SignWord says who signs a walk-round.
type SignWord uint8

// The ways to sign.
const (
	SignNone     SignWord = 0
	SignSecond   SignWord = 1 // another person than the one who walked
	SignReceiver SignWord = 2 // who receives the machine
)

// WalkDef is an occasion to walk round the machine.
type WalkDef struct {
	ID, Call string
	Sign     SignWord
	// After names events that ask for it; 0 to many.
	After []string
}

// PartDef is a tracked piece at a point. Its id is the point's.
type PartDef struct {
	ID, Call   string
	Kind       string // belt, chain, bearing, filter, ...
	Size       string
	Pitches    uint32 // of a chain
	Pieces     uint32 // in a set that is renewed together; 0 is 1
	Meter      string // on which its hours count
	Spare      string // where one is kept, "" nowhere
	Numbers    []string
	Alternates []string
	Pack       uint32 // pieces in a pack, 0 not said
	LeadDays   uint32 // working days from order to hand, 0 not said
	Variants   []string
}

// NeedDef is what a task takes: a material or a part.
type NeedDef struct {
	What  string
	Milli int64
	Unit  string
}
