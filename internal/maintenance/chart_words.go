package maintenance

// TraitKind is what sort of answer a question has.
type TraitKind uint8

// The kinds of trait.
const (
	TraitNumber TraitKind = 1 // a decimal number
	TraitChoice TraitKind = 2 // one of Choices
	TraitYesNo  TraitKind = 3 // yes or no
)

// TraitDef is a question about this machine's build, or about crop and weather.
// Not known is never no.
type TraitDef struct {
	ID      string
	Kind    TraitKind
	Ask     string
	Choices []string
	Unit    string
	Renewed string // the part whose renewal makes the answer unknown again, "" none
}

// The answers to a question of yes or no.
const (
	Yes = "yes"
	No  = "no"
)

// CondOp compares what is known.
type CondOp uint8

// The comparisons.
const (
	CondIs    CondOp = 1 // one of Words
	CondIsNot CondOp = 2 // known, and none of Words
	CondBelow CondOp = 3
	CondAbove CondOp = 4
	CondFrom  CondOp = 5 // Milli or more
	CondUpTo  CondOp = 6 // Milli or less
)

// Cond is a condition on a trait, a condition of the chart or a fact of an event.
type Cond struct {
	Of    string
	Op    CondOp
	Words []string
	Milli int64 // thousandths
}

// MixWord is what a chart of thickeners says of two that meet.
type MixWord uint8

// The words on mixing.
const (
	MixNo  MixWord = 1 // they do not go together
	MixAsk MixWord = 2 // borderline: ask before
)

// MixDef says how a material goes with a thickener.
type MixDef struct {
	With string // a thickener
	Word MixWord
}

// MaterialDef is a grease, an oil or another thing that goes in.
type MaterialDef struct {
	ID, Call  string
	Kind      string // grease, oil, coolant, ...
	Thickener string
	NLGI      string // grade of a grease: 000 to 6
	Grade     string // of an oil
	Solids    string // "none" where it has none, "" not said
	Mixes     []MixDef
	MixChart  string // which chart says so
	Pack      int64  // thousandths of PackUnit, 0 not said
	PackUnit  string
	Numbers   []string
	LeadDays  uint32
}

// Property is a quality of a material: kind, thickener, nlgi, grade or solids.
type Property struct{ Name, Value string }

// DoseDef is how much goes in, in thousandths of Unit (stroke, g, ml, l, drop).
type DoseDef struct {
	Unit   string
	Lo, Hi int64  // for each of Per; Hi is at least Lo
	Most   int64  // in one service, for each of Per; 0 not said
	Season int64  // in one season, for each of Per; 0 not said
	Per    string // "" for all together; otherwise each of the point's fittings
}

// CriterionDef is what is looked for, in words.
type CriterionDef struct{ Name, Want string }

// ElseDef is what follows where the criterion does not hold.
type ElseDef struct {
	Choose  []string // what may be done about it
	Remark  string   // the remark that is opened, "" none
	Verdict RunVerdict
}

// GaugeKind says how a gauge tells.
type GaugeKind uint8

// The kinds of gauge.
const (
	GaugeNone  GaugeKind = 0 // a figure is measured
	GaugeGoNo  GaugeKind = 1 // goes in when right
	GaugeLoose GaugeKind = 2 // passes when the part is worn
)

// Bound is a limit, or none.
type Bound struct {
	Set   bool
	Micro int64 // millionths of the unit
}

// MeasureDef is what is measured. The acceptable range lies inside the limits at
// which to act; either side may be open.
type MeasureDef struct {
	What, Unit   string
	Spots        []string // judged each by itself; empty: one, ""
	Gauge        GaugeKind
	Want         Bound
	OkLo, OkHi   Bound
	ActLo, ActHi Bound
	Found, Left  bool   // what is kept
	Meter        string // whose hours the trend runs over
	Remedies     []string
}

// LeadCondKind is what a place to look depends on.
type LeadCondKind uint8

// The kinds of lead's condition.
const (
	LeadFact    LeadCondKind = 1 // Cond holds of traits, conditions and stated facts
	LeadWith    LeadCondKind = 2 // another code came within Seconds
	LeadWithout LeadCondKind = 3 // another code did not come within Seconds
	LeadSince   LeadCondKind = 4 // it began after an event
	LeadShift   LeadCondKind = 5 // how the drive shifted: "same" or "load"
)

// LeadCond is one condition on a place to look.
type LeadCond struct {
	Kind    LeadCondKind
	Name    string // the code or event
	Seconds uint32
	Cond    Cond
	Shift   string
}

// The ways in which a drive's ratio shifts.
const (
	ShiftSame = "same" // with and without load alike
	ShiftLoad = "load" // under load only
	ShiftStep = "step" // at once
)

// LookDef is a place to look at.
type LookDef struct {
	Point string
	If    []LeadCond // all must hold
	Why   string
}

// LeadDef leads from what is seen to where to look, in order.
type LeadDef struct {
	ID, Call string
	Codes    []string
	Findings []string
	Remarks  []string       // ids of remarks
	Drive    []DriveFindDef // at most one
	Look     []LookDef
	NoHelp   []string
}

// DriveFindDef says from when on a drive's shift is worth a finding.
type DriveFindDef struct {
	Drive      string
	LearnAfter string // the task after which its ratio is learned anew
	FindOver   uint32 // millionths of the ratio
	ForMinutes uint32
	Alarm      uint32 // millionths: where the machine's own alarm comes on, 0 not known
}

// SuitDef is what a setting should be while conditions hold.
type SuitDef struct {
	If     []Cond
	Lo, Hi Bound
	Word   string // for settings that are words
	Say    string
}

// SettingDef is something that is set for crop and attachment.
type SettingDef struct {
	ID, Call, Unit, Point string
	Choices               []string // words; empty: a figure in Unit
	Suits                 []SuitDef
}
