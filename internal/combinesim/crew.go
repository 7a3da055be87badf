package combinesim

import "time"

// The invented place, its crew and the workshop's other customer.
const (
	Place          = "Orrenfold Levels"
	CrewName       = "Orrenfold harvest crew"
	OtherName      = "Cressock holding"
	MachineKind    = "skeldrow-sr7"
	ShiftLength    = 12 * time.Hour
	engineMeter    = "engine"
	separatorMeter = "separator"
)

// Part is what a story is about.
type Part uint8

const (
	// Ordinary: a grease round comes due in the middle of the shift.
	Ordinary Part = iota
	// FanSlips: the fan drive slips, long before its alarm comes on.
	FanSlips
	// ComesAndGoes: a warning comes and goes, and now and then another with it.
	ComesAndGoes
	// OutOfSignal: the machine has no signal for two hours, in which a round comes
	// due. That is for whoever carries its frames to do.
	OutOfSignal
	// AgentKilled: its agent is killed and started again; likewise.
	AgentKilled
	// NewMeter: the engine hour meter is replaced at midday.
	NewMeter
	// ByHand: a machine with no bus, its hours written down by hand.
	ByHand
)

// Story is one machine's part in a demo shift. Times count from the shift's start.
type Story struct {
	ID       string // for addresses and commands
	Name     string // for people
	Customer string
	Part     Part
	// Happens is what happens, in a sentence.
	Happens string
	// Machine is what to build with [New]; of ByHand only Name, Start and Meters
	// are set.
	Machine Config
	// Rounds are what was last serviced when.
	Rounds []Round
	// NoSignal is when the machine can reach nobody, both 0 for never.
	NoSignalFrom, NoSignalTo time.Duration
	// KillAgentAt is when its agent is to be killed.
	KillAgentAt []time.Duration
	// Written are readings by hand.
	Written []Written
}

// Round is one round of tasks on an hour meter. Its hours are common practice, no
// source.
type Round struct {
	Name string // as a chart would call it
	On   string // "engine" or "separator"
	// EveryMS is the interval and LastMS what the meter showed when it was last
	// done, in milliseconds of running.
	EveryMS, LastMS int64
}

// DueMS is what the meter shows when the round comes due.
func (r Round) DueMS() int64 { return r.LastMS + r.EveryMS }

// Written is a reading that a person writes down.
type Written struct {
	At       time.Duration
	Meter    string
	MS       int64
	ReadBack string // as the person would write it, in hours
}

// HasBus tells whether there is a bus to listen to.
func (s Story) HasBus() bool { return s.Part != ByHand }

// Codes are the machine's own codes and one of its engine's.
func Codes() []Code {
	return []Code{
		{SPN: 520417, FMI: 1, Source: ThresherSource, Lamp: Amber, Name: "fan-slow"},
		{SPN: 520431, FMI: 16, Source: ThresherSource, Lamp: Amber, Name: "tailings-full"},
		{SPN: 520446, FMI: 7, Source: ThresherSource, Lamp: Protect, Name: "chopper-knife-bank"},
		{SPN: 110, FMI: 16, Source: EngineSource, Lamp: Amber, Name: "coolant-hot"},
	}
}

// Crew is the invented crew's shift of twelve hours, its six machines and the
// other customer's one, all built on the thin rates.
func Crew(start time.Time, seed uint64) []Story {
	start = start.Truncate(time.Microsecond)
	return []Story{
		ordinary(start, seed), fanSlips(start, seed), comesAndGoes(start, seed),
		outOfSignal(start, seed), agentKilled(start, seed), newMeter(start, seed), byHand(start),
	}
}

// hundredths is a meter reading of so many hundredths of an hour, in
// milliseconds.
func hundredths(n int64) int64 { return n * Hour / 100 }

func config(name string, start time.Time, seed uint64, serial uint32, engine, separator int64) Config {
	return Config{
		Name: name, Seed: mix(seed + uint64(serial)), Start: start, Identity: NewIdentity(serial),
		Meters: Meters{Engine: hundredths(engine), Vehicle: hundredths(engine + engine/9),
			PTO: hundredths(separator + separator/20), Separator: hundredths(separator)},
		Rates: ThinBus(), FuelML: 640_000,
	}
}

// rounds are the three that every machine has, with the meters' hundredths at
// which each was last done.
func rounds(ten, fifty, hundred int64) []Round {
	return []Round{
		{"grease-10", engineMeter, 10 * Hour, hundredths(ten)},
		{"grease-50", engineMeter, 50 * Hour, hundredths(fifty)},
		{"grease-100", separatorMeter, 100 * Hour, hundredths(hundred)},
	}
}

// shift fills a program up to the shift's length with key off.
func shift(steps ...ProgramStep) Program {
	p := Program(steps)
	if rest := ShiftLength - p.Length(); rest > 0 {
		p = append(p, ProgramStep{Do: Off, For: rest})
	}
	return p
}

func minutes(do Activity, n int64) ProgramStep {
	return ProgramStep{Do: do, For: time.Duration(n) * time.Minute}
}

func refuel(n, litres int64) ProgramStep {
	s := minutes(Fuel, n)
	s.FuelML = litres * 1000
	return s
}

func thresh(n int64, l Load) ProgramStep {
	s := minutes(Thresh, n)
	s.Load = l
	return s
}

// longDay is 9 h 50 min of engine: three long stretches of threshing.
func longDay(l Load) Program {
	return shift(minutes(Off, 10), minutes(KeyOn, 1), minutes(Idle, 5), minutes(Road, 20), thresh(170, l), minutes(Idle, 4),
		minutes(Off, 25), minutes(KeyOn, 1), minutes(Idle, 2), thresh(190, l), minutes(Idle, 3), refuel(12, 300),
		minutes(Idle, 2), thresh(165, l), minutes(Unload, 5), minutes(Road, 20), minutes(Idle, 4))
}

func ordinary(start time.Time, seed uint64) Story {
	c := config("Oatgallop", start, seed, 70117, 182_640, 121_905)
	c.Program = longDay(NormalLoad())
	return Story{
		ID: "oatgallop", Name: c.Name, Customer: CrewName, Part: Ordinary, Machine: c,
		Happens: "An ordinary day; the 10 h grease round comes due after 5 hours of engine, in the middle of the shift.",
		Rounds:  rounds(182_140, 181_240, 117_905),
	}
}

func fanSlips(start time.Time, seed uint64) Story {
	c := config("Thistlejack", start, seed, 70124, 241_275, 160_430)
	c.Program = longDay(Load{MeanPct: 84, NoisePct: 9, RowFor: 6 * time.Minute, TurnFor: 30 * time.Second})
	c.Faults.Slipping = []SlippingDrive{{Drive: FanDrive, From: time.Hour, StartPPM: 6_000, RatePPM: 27_000}}
	c.Faults.Alarms = []SlipAlarm{{Drive: FanDrive, ShortPPM: 150_000, For: 2 * time.Minute, Code: Codes()[0]}}
	return Story{
		ID: "thistlejack", Name: c.Name, Customer: CrewName, Part: FanSlips, Machine: c,
		Happens: "The fan belt slips under load, a little more each hour; the machine's own alarm comes on late in the day.",
		Rounds:  rounds(240_675, 238_275, 151_080),
	}
}

func comesAndGoes(start time.Time, seed uint64) Story {
	c := config("Ploverwing", start, seed, 70138, 97_415, 64_180)
	c.Program = shift(minutes(Off, 20), minutes(KeyOn, 1), minutes(Idle, 4), minutes(Road, 12), minutes(Thresh, 140), minutes(Plug, 25),
		minutes(KeyOn, 1), minutes(Idle, 3), minutes(Thresh, 130), minutes(Idle, 3), refuel(10, 220), minutes(Idle, 2),
		thresh(200, Load{MeanPct: 88, NoisePct: 10, RowFor: 4 * time.Minute, TurnFor: 20 * time.Second, Stand: true}),
		minutes(Unload, 5), minutes(Road, 25), minutes(Idle, 4))
	k := Codes()
	c.Habits.QuietThresher = true
	c.Faults.Warnings = []Warning{
		{Code: k[1], From: time.Hour, To: 11 * time.Hour, While: WhileThreshing, OnFor: 40 * time.Second, OffFor: 11 * time.Minute},
		{Code: k[2], From: 5 * time.Hour, To: 9 * time.Hour, While: WhileThreshing, OnFor: 14 * time.Minute, OffFor: 60 * time.Minute},
		{Code: k[3], From: 7 * time.Hour, To: 7*time.Hour + 8*time.Minute, While: WhileRunning},
	}
	return Story{
		ID: "ploverwing", Name: c.Name, Customer: CrewName, Part: ComesAndGoes, Machine: c,
		Happens: "The tailings warning comes and goes all day, other codes beside it; the rotor plugs once.",
		Rounds:  rounds(96_865, 92_815, 60_180),
	}
}

func outOfSignal(start time.Time, seed uint64) Story {
	c := config("Larkumber", start, seed, 70153, 135_980, 90_765)
	c.Program = longDay(Load{MeanPct: 70, NoisePct: 7, RowFor: 7 * time.Minute, TurnFor: 25 * time.Second})
	return Story{
		ID: "larkumber", Name: c.Name, Customer: CrewName, Part: OutOfSignal, Machine: c,
		Happens:      "No signal for two hours, in which the 50 h grease round comes due: the cab knows, the office hears of it later.",
		NoSignalFrom: 5 * time.Hour, NoSignalTo: 7 * time.Hour,
		Rounds: rounds(135_630, 131_430, 86_265),
	}
}

func agentKilled(start time.Time, seed uint64) Story {
	c := config("Noonhush", start, seed, 70166, 58_705, 38_420)
	c.Program = shift(minutes(Off, 5), minutes(KeyOn, 2), minutes(Idle, 6), minutes(Road, 35), minutes(Thresh, 210), minutes(Unload, 4), minutes(Idle, 2),
		minutes(Off, 40), minutes(KeyOn, 1), minutes(Idle, 3), minutes(Thresh, 120), refuel(10, 250), minutes(Idle, 2), minutes(Thresh, 170),
		minutes(Unload, 4), minutes(Road, 35), minutes(Idle, 5))
	return Story{
		ID: "noonhush", Name: c.Name, Customer: CrewName, Part: AgentKilled, Machine: c,
		Happens:     "Its agent is killed and started again while threshing; the 10 h grease round comes due a little later.",
		KillAgentAt: []time.Duration{3*time.Hour + 5*time.Minute},
		Rounds:      rounds(58_005, 54_305, 35_070),
	}
}

func newMeter(start time.Time, seed uint64) Story {
	c := config("Dunmarrow", start, seed, 70179, 318_325, 214_650)
	c.Program = longDay(NormalLoad())
	// The stop at midday is from 3:30 to 3:55 after the start.
	c.Faults.Replaced = []MeterReplaced{{At: 3*time.Hour + 45*time.Minute, NewMS: 0}}
	return Story{
		ID: "dunmarrow", Name: c.Name, Customer: CrewName, Part: NewMeter, Machine: c,
		Happens: "The engine hour meter is replaced at midday and starts from 0; what is due does not move.",
		Rounds:  rounds(317_825, 313_875, 209_500),
	}
}

func byHand(start time.Time) Story {
	return Story{
		ID: "hobblechaff", Name: "Hobblechaff", Customer: OtherName, Part: ByHand,
		Happens: "An older machine with no bus; its hours are read off in the cab and written down.",
		Machine: Config{Name: "Hobblechaff", Start: start, Meters: Meters{Engine: hundredths(487_150), PTO: -1}},
		Rounds:  []Round{{"grease-10", engineMeter, 10 * Hour, hundredths(486_600)}, {"grease-50", engineMeter, 50 * Hour, hundredths(484_950)}},
		Written: []Written{
			{0, engineMeter, hundredths(487_150), "4871.5"},
			{5 * time.Hour, engineMeter, hundredths(487_550), "4875.5"},
			{11 * time.Hour, engineMeter, hundredths(488_050), "4880.5"},
		},
	}
}
