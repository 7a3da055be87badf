package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Chart is a compiled chart: the service points of one kind of machine. It is
// immutable once compiled and may be shared. Order is the author's.
type Chart struct {
	ID       string
	Edition  uint32
	Meters   []MeterDef
	Signals  []SignalDef
	Codes    []CodeDef
	Methods  []ConversionDef
	Drives   []DriveDef
	Rounds   []RoundDef
	Cautions []CautionDef
	Points   []PointDef
	Tasks    []TaskDef

	// Encoding version 2, rules 2.

	Basis       []BasisDef
	Exception   string // the machine that this edition is an exception for, "" none
	Traits      []TraitDef
	Conditions  []TraitDef // what an operator says of crop and weather
	Events      []EventDef
	Counts      []CountDef
	Attachments []AttachmentDef
	Materials   []MaterialDef
	Parts       []PartDef
	Walks       []WalkDef
	Leads       []LeadDef
	Settings    []SettingDef
}

// MeterKind says how a meter's hours are known.
type MeterKind uint8

// The kinds of meter.
const (
	MeterBroadcast MeterKind = 1 // a parameter on the bus
	MeterDerived   MeterKind = 2 // running time of a signal above a threshold
	MeterPerson    MeterKind = 3 // read off by a person
)

// MeterDef describes a cumulative hour meter.
type MeterDef struct {
	ID         string
	Kind       MeterKind
	Resolution hours.Millis
	// Broadcast: the group's number and which source sends it (AnySource for
	// any); SPN names the parameter in the group.
	Group  uint32
	Source int16
	SPN    uint32
	// Derived: running time while Signal is above Above (thousandths of the
	// signal's unit) for longer than Hold.
	Signal  string
	Above   int64
	Hold    hours.Millis
	SetFrom string // where a person reads its total off, "" nowhere

	// Encoding version 2: the attachment whose meter it is, "" the machine's own.
	Of string
}

// AnySource matches every J1939 source address.
const AnySource int16 = -1

// SignalDef says where in a frame a signal stands.
// value = raw * ScaleNum / ScaleDen + Offset, in Unit.
type SignalDef struct {
	ID     string
	Group  uint32 // parameter group number
	Source int16  // 0..253, or AnySource
	Byte   uint16 // 1-based
	// Bit is 1-based within the byte: the lowest bit of the signal, 1 for whole
	// bytes; where BigEndian the highest, 8 for whole bytes.
	Bit       uint8
	Bits      uint8 // 1..64
	BigEndian bool
	Signed    bool
	ScaleNum  int64
	ScaleDen  int64 // above 0
	// OffsetNum / OffsetDen, in Unit.
	OffsetNum int64
	OffsetDen int64
	Unit      string
}

// CodeDef gives a code of the bus a name in the technician's words.
type CodeDef struct {
	ID     string
	SPN    uint32
	FMI    uint8
	AnyFMI bool
	Source int16
	Text   string
}

// ConversionDef says which older packing a source uses for its codes (method 1
// to 3 where the conversion bit is set).
type ConversionDef struct {
	Source int16
	Method uint8
}

// DriveDef is a belt or chain drive whose two shafts are both heard.
type DriveDef struct {
	ID          string
	Driver      string // signal
	Driven      string // signal
	Load        string // signal, "" if not mapped
	RatioMicro  uint32 // nominal driven/driver in millionths
	LoadedAbove int64  // thousandths of the load signal's unit
	DriverAbove int64  // below this driver speed (thousandths of its unit) no sample counts
}

// RoundDef is tasks done together.
type RoundDef struct {
	ID      string
	Call    string // what people call it
	Minutes uint32
}

// CautionDef is a caution that is shown wherever a task naming it is shown.
type CautionDef struct{ ID, Text string }

// PointDef is a place on the machine.
type PointDef struct {
	ID      string
	Station uint32 // walking order, 0 unplaced
	Side    string
	Reach   string

	// Encoding version 2.

	Call       string
	Attachment string // the attachment that it is on, "" the machine
	Access     string // what has to come off or open first
	Shields    uint32 // shields to take off and count
	Fittings   uint32
	Clock      uint8  // where to look, as on a clock's face: 1 to 12, 0 not said
	SeenFrom   string // the side from which the clock is seen
	Picture    string
	FittedIf   []Cond // all must hold
	OnDecal    bool   // the machine's plate shows it, fitted or not
	NotHere    string // why it is on the plate and not on the machine
}

// LimbKind is what an interval counts.
type LimbKind uint8

// The kinds of interval. Later rules add further kinds.
const (
	LimbHours  LimbKind = 1
	LimbMonths LimbKind = 2
	// Rules 2.
	LimbDays    LimbKind = 3 // days worked
	LimbSeason  LimbKind = 4 // once a season, or in several
	LimbCounted LimbKind = 5 // events counted, with their amounts
)

// SeasonWhen says at which end of a season a task is done.
type SeasonWhen uint8

// The times of a season.
const (
	SeasonBefore SeasonWhen = 1 // before it opens
	SeasonIn     SeasonWhen = 2 // while it is open
	SeasonAfter  SeasonWhen = 3 // once it is closed
)

// Limb is one interval of a task; the one that comes first counts.
type Limb struct {
	Kind   LimbKind
	Meter  string       // hours: which meter
	Every  hours.Millis // hours: above 0
	Months uint32       // months: 1..1200
	// Soon and Late override the tenth of the interval before and after due.
	// Zero means the tenth. Hours for LimbHours; SoonDays and LateDays for months.
	Soon, Late         hours.Millis
	SoonDays, LateDays uint32

	// Encoding version 2.

	Days    uint32     // days worked: 1..1000. Meter says on which meter; "" the chart's first
	When    SeasonWhen // season
	Seasons uint32     // in every how many seasons: 1..50
	Crop    string     // seasons of this crop only, "" any
	Of      string     // count: what is counted
	Count   int64      // count: thousandths of its unit, above 0
	While   []Cond     // it holds only while these do
	// Grid: due at whole multiples of Every on the meter, or at whole steps of
	// Months from GridFrom, and not counted from when it was done.
	Grid     bool
	GridFrom civil.Date // with Grid and Months only, else 0
}

// TaskDef is what is done at a point, and when.
type TaskDef struct {
	ID       string // "point/task", unique in the chart
	Point    string
	Do       string // grease, check, change, clean, measure, ...
	Call     string // what it is in words
	Round    string // "" alone
	Limbs    []Limb // whichever comes first; none: by hand only
	Who      string
	Material string
	Amount   string
	Minutes  uint32
	Cautions []string

	// Encoding version 2.

	Set      string // the task of several items that this is one of: "filters/change"
	Item     string // which of them
	FittedIf []Cond // all must hold, with the point's own
	Soft     bool   // rings nobody; offered when the machine stands
	Triggers []TriggerDef
	RunIns   []RunInDef
	TooSoon  TooSoonDef
	Instead  []InsteadDef // at most one
	Covers   []string     // tasks that are done with it
	Walks    []string     // the walk-rounds that it is looked at in
	SignOff  bool         // a second person signs for it
	Basis    BasisKind
	Why      string // of forbidden work: why it is never done

	DoneWhen  string
	Pose      string // how machine and header stand
	Access    string
	Tools     []string
	See       []CriterionDef
	Else      []ElseDef    // at most one
	Measure   []MeasureDef // at most one
	Dose      []DoseDef    // at most one
	HarmOver  string
	HarmUnder string
	Refuse    []Property // of materials that may not go in
	Needs     []NeedDef
	Expect    string // what to expect
}
