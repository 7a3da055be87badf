package combinesim

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Step is how far the simulated world moves at a time; values hold between.
const Step = 100 * time.Millisecond

// Hour is an hour of running time in milliseconds, the unit of every meter here.
const Hour int64 = 3_600_000

// MeterStep is what the machine's hour meters show at the least: 0.05 h, in
// milliseconds.
const MeterStep = Hour / 20

// Config is everything that a machine's day depends on.
type Config struct {
	// Name is said in errors.
	Name string
	// Seed is where all randomness comes from.
	Seed uint64
	// Start is when the program begins, a whole microsecond.
	Start time.Time
	// Identity is what the controllers say of themselves.
	Identity Identity
	// Meters are the readings at the start.
	Meters Meters
	// Rates says which messages come, and how often.
	Rates Rates
	// Program is the script of the day; after its last step the machine ends.
	Program Program
	// Habits are where controllers differ in practice.
	Habits Habits
	// Faults go wrong on a timeline.
	Faults Faults
	// FuelML is what is in the fuel tank at the start, in millilitres, at most
	// [FuelTankML]. 0 is a full tank.
	FuelML int64
}

// FuelTankML is the size of the fuel tank in millilitres.
const FuelTankML = 900_000

// Meters are readings of the machine's hour meters in milliseconds of running.
type Meters struct {
	Engine, Vehicle int64
	// PTO is power take-off hours, here the time with the threshing clutch in
	// and the engine running. Below 0 the bus says "not available".
	PTO int64
	// Separator is what the cab's display says; it is never on the bus.
	Separator int64
}

// Habits are where controllers differ in practice.
type Habits struct {
	// QuietEngine, QuietThresher and QuietHeader: this controller sends active
	// codes (65226) only while it has one and is silent otherwise, lamps not
	// available. Else it sends once a second, with no code an empty message.
	QuietEngine, QuietThresher, QuietHeader bool
	// NoEngineHours: not even a request gets engine hours out of the machine.
	NoEngineHours bool
	// QuietKeyOn: vehicle and component identification are not sent at key-on,
	// only on request. Addresses are claimed all the same.
	QuietKeyOn bool
}

// Rates are the times from one message to the next; 0 means never, save on
// request where J1939 has it so.
type Rates struct {
	// BitRate of the bus in bits a second.
	BitRate int
	// EngineSpeed is group 61444, EngineLoad 61443, Temperature 65262, FuelRate
	// 65266, WheelSpeed 65265, FuelLevel 65276, EngineHours 65253, VehicleHours
	// 65255; Shafts, Fan, Header and Crop are the machine's own groups 65377 to
	// 65380.
	EngineSpeed, EngineLoad, Temperature, FuelRate, WheelSpeed, FuelLevel,
	EngineHours, VehicleHours, Shafts, Fan, Header, Crop time.Duration
	// Others is what further controllers say, of no meaning here.
	Others []Traffic
}

// Traffic is a number of groups sent equally often, of Len bytes.
type Traffic struct {
	Groups int
	Every  time.Duration
	Len    int
}

// FullBus is close to the most that 500 kbit/s carry: about 3,980 frames a
// second.
func FullBus() Rates {
	r := RealBus()
	r.BitRate = 500_000
	r.EngineSpeed, r.EngineLoad = 10*time.Millisecond, 20*time.Millisecond
	r.Shafts, r.Fan, r.Header, r.Crop = 20*time.Millisecond, 20*time.Millisecond, 20*time.Millisecond, 20*time.Millisecond
	r.Others = []Traffic{{24, 10 * time.Millisecond, 8}, {10, 10 * time.Millisecond, 4}, {4, 20 * time.Millisecond, 8}}
	return r
}

// RealBus is a third of what 250 kbit/s carry: about 690 frames a second. Engine
// speed and load, temperature, fuel rate, fuel level and wheel speed come as
// often as J1939 says.
func RealBus() Rates {
	const ms = time.Millisecond
	return Rates{
		BitRate: 250_000, EngineSpeed: 20 * ms, EngineLoad: 50 * ms, Temperature: 1000 * ms,
		FuelRate: 100 * ms, WheelSpeed: 100 * ms, FuelLevel: 1000 * ms, EngineHours: 1000 * ms,
		VehicleHours: 1000 * ms, Shafts: 50 * ms, Fan: 50 * ms, Header: 50 * ms, Crop: 50 * ms,
		Others: []Traffic{{8, 20 * ms, 8}, {10, 100 * ms, 8}},
	}
}

// ThinBus is for days that pass in seconds: what a listener needs comes about
// once a second, the slow values each 5 or 10 seconds.
func ThinBus() Rates {
	const s = time.Second
	return Rates{
		BitRate: 250_000, EngineSpeed: s, EngineLoad: s, Temperature: 10 * s, FuelRate: 5 * s,
		WheelSpeed: s, FuelLevel: 5 * s, EngineHours: 5 * s, VehicleHours: 10 * s,
		Shafts: s, Fan: s, Header: s, Crop: s,
	}
}

// Activity is what a step of the program does.
type Activity uint8

const (
	// Off is key off: the engine stops and the bus falls silent after 4 s.
	Off Activity = iota
	// KeyOn is the key on and the engine not running.
	KeyOn
	// Idle is the engine at low idle and nothing turning behind it.
	Idle
	// Thresh engages separator and header and takes in crop. The grain tank is
	// unloaded on the go when it is nearly full.
	Thresh
	// Road drives with everything disengaged.
	Road
	// Unload empties the grain tank standing.
	Unload
	// Fuel stands with the engine off, the key on, and fuel running in.
	Fuel
	// Plug jams the rotor in the crop: it stalls within seconds, then engine and
	// key are off for the rest of the step while the plug is cleared.
	Plug

	activities = int(Plug) + 1
)

var activityNames = [activities]string{"off", "key on", "idle", "thresh", "road", "unload", "fuel", "plug"}

// String names the activity.
func (a Activity) String() string {
	if int(a) < activities {
		return activityNames[a]
	}
	return "no such activity"
}

// ProgramStep is one entry of a program.
type ProgramStep struct {
	Do Activity
	// For is how long, a whole number of [Step].
	For time.Duration
	// Load is for Thresh; the zero value is [NormalLoad].
	Load Load
	// FuelML is for Fuel: millilitres that run in over the step, as far as the
	// tank holds them.
	FuelML int64
}

// Load is how hard a threshing step works.
type Load struct {
	// MeanPct is the crop feed that the step aims at and NoisePct the standard
	// deviation about it, both in percent of the nominal feed; the feed changes
	// slowly (an autoregression with a time constant of 6 s).
	MeanPct, NoisePct int64
	// RowFor and TurnFor are a row and the turn at its end with no crop coming
	// in; a whole number of [Step]. TurnFor 0 never turns.
	RowFor, TurnFor time.Duration
	// Stand: the machine takes in no crop while it unloads.
	Stand bool
}

// NormalLoad is a middling crop.
func NormalLoad() Load {
	return Load{MeanPct: 78, NoisePct: 8, RowFor: 5 * time.Minute, TurnFor: 25 * time.Second}
}

// Program is a day's steps, one after another.
type Program []ProgramStep

// Length is how long the whole program takes.
func (p Program) Length() (sum time.Duration) {
	for _, s := range p {
		sum += s.For
	}
	return sum
}

// Request is a service tool on the bus that asks for a group (59904, to all).
type Request struct {
	// At is when it asks first, after the start. It asks only while the bus is
	// alive.
	At time.Duration
	// Every is when it asks again; 0 is never.
	Every time.Duration
	// From is the tool's source address, 0xF9 or 0xFA by custom.
	From uint8
	// Group is what it asks for. The machine answers 65253, 65255, 65260, 65259,
	// 65226 and 60928; other groups stay without an answer.
	Group uint32
}

// Faults are what goes wrong. Times count from the start of the program; a To of
// 0 is never.
type Faults struct {
	Slipping  []SlippingDrive
	Riding    []RidingLow
	Alarms    []SlipAlarm
	Warnings  []Warning
	Replaced  []MeterReplaced
	Glitches  []MeterGlitch
	Missing   []SensorMissing
	Moved     *BoxMoved
	Silences  []Silence
	Requested []Request
}

// SlippingDrive is a drive that slips under load only, more from hour to hour.
type SlippingDrive struct {
	Drive Drive
	From  time.Duration
	// StartPPM is the slip at From and RatePPM what each hour under load adds, in
	// millionths of the driven speed, up to MostPPM (0: 250,000).
	StartPPM, RatePPM, MostPPM int64
}

// RidingLow is a belt worn narrow: it rides lower in its driver, so the ratio is
// less with and without load alike.
type RidingLow struct {
	Drive Drive
	From  time.Duration
	// ShiftPPM is lost of the ratio, in millionths, in a straight line over Over
	// (0: at once).
	ShiftPPM int64
	Over     time.Duration
}

// SlipAlarm is the machine's own code for a drive that has lost speed.
type SlipAlarm struct {
	Drive Drive
	// ShortPPM is the loss of the nominal ratio, in millionths, that brings the
	// code on after For under load; it goes when the engine stops, or after For
	// under load without that loss.
	ShortPPM int64
	For      time.Duration
	Code     Code
}

// Code is a trouble code as it stands on the bus.
type Code struct {
	SPN    uint32 // 1 to 524,286
	FMI    uint8  // 0 to 31
	Source uint8  // one of the three controllers
	Lamp   Lamp
	Name   string // as a chart would call it
}

// Lamp is what a code lights on the instrument panel.
type Lamp uint8

const (
	NoLamp Lamp = iota
	Protect
	Amber
	RedStop
	Malfunction
)

// While limits when a warning can be active.
type While uint8

const (
	WhilePowered   While = iota // until the controllers lose power, so no message says that it ended
	WhileRunning                // the engine
	WhileThreshing              // the separator engaged
)

// Warning is a code that is active from From to To.
type Warning struct {
	Code
	From, To time.Duration
	While    While
	// OnFor and OffFor: the code comes and goes within its time; OnFor 0 stays.
	OnFor, OffFor time.Duration
}

// MeterReplaced is another engine hour meter in the machine.
type MeterReplaced struct {
	At time.Duration
	// NewMS is what it shows, in milliseconds of running.
	NewMS int64
	// NewIdentity, if not 0, is the identity number of the engine controller that
	// came with it; it is claimed at the next key-on.
	NewIdentity uint32
}

// MeterGlitch adds JumpMS to the engine hours shown from At for For.
type MeterGlitch struct {
	At, For time.Duration
	JumpMS  int64
}

// SensorMissing makes a signal say "not available" (FF), or with Error "error"
// (FE).
type SensorMissing struct {
	Signal   Signal
	From, To time.Duration
	Error    bool
}

// BoxMoved is the listening box in another machine: from At for Gap nothing is
// heard, then another machine's names and meters are. What happens from then on
// is not this machine's, and the truth says nothing of it.
type BoxMoved struct {
	At       time.Duration
	Gap      time.Duration
	Identity Identity
	Meters   Meters
}

// Silence is a bus that nobody hears while the machine works on.
type Silence struct {
	From, To time.Duration
}

const maxCodes = 64

// validate tells everything that is wrong with the configuration.
func (c *Config) validate() error {
	var errs []error
	bad := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	bad(!c.Start.IsZero() && c.Start.Nanosecond()%1000 == 0, "start %v: want a time on a whole microsecond", c.Start)
	bad(c.FuelML >= 0 && c.FuelML <= FuelTankML, "fuel %d ml: want 0 to %d", c.FuelML, FuelTankML)
	bad(len(c.Program) > 0, "program is empty: give at least one step")
	for i, s := range c.Program {
		bad(int(s.Do) < activities, "program step %d: no activity %d", i+1, s.Do)
		bad(s.For > 0 && s.For%Step == 0, "program step %d (%v) takes %v: want a whole number of %v above 0", i+1, s.Do, s.For, Step)
		bad(s.Load.ok(), "program step %d (%v): load %+v: want 0 to 125 %%, and times in whole %v", i+1, s.Do, s.Load, Step)
		bad(s.FuelML >= 0 && s.FuelML <= FuelTankML, "program step %d (%v): fuel %d ml: want 0 to %d", i+1, s.Do, s.FuelML, FuelTankML)
	}
	c.Meters.check(bad)
	c.Identity.check(bad)
	c.Rates.check(bad)
	c.Faults.check(bad)
	if len(errs) == 0 {
		return nil
	}
	return fmt.Errorf("machine %q can't be built: %w", c.Name, errors.Join(errs...))
}

type checker func(ok bool, format string, args ...any)

func (l Load) ok() bool {
	pct := func(n int64) bool { return n >= 0 && n <= 125 }
	return pct(l.MeanPct) && pct(l.NoisePct) && l.RowFor >= 0 && l.TurnFor >= 0 &&
		l.RowFor%Step == 0 && l.TurnFor%Step == 0
}

func (m Meters) check(bad checker) {
	const most = most32 * MeterStep
	bad(m.Engine >= 0 && m.Engine <= most, "engine hours %d ms: want 0 to %d", m.Engine, int64(most))
	bad(m.Vehicle >= 0 && m.Vehicle <= most, "vehicle hours %d ms: want 0 to %d", m.Vehicle, int64(most))
	bad(m.PTO <= most, "power take-off hours %d ms: want at most %d", m.PTO, int64(most))
	bad(m.Separator >= 0, "separator hours %d ms: want 0 or more", m.Separator)
}

func (id *Identity) check(bad checker) {
	for i, n := range [...]Name{id.Engine, id.Thresher, id.Header} {
		bad(n.Identity < 1<<21 && n.Manufacturer < 1<<11 && n.ECUInstance < 8 && n.FunctionInstance < 32 &&
			n.Class < 128 && n.ClassInstance < 16 && n.Industry < 8, "NAME %d (%+v): a value is wider than its field", i+1, n)
	}
	texts := []string{id.VIN, id.EngineComponent.text(), id.ThresherComponent.text()}
	for i, t := range texts {
		bad(len(t) < 200 && strings.IndexFunc(t, func(r rune) bool { return r < ' ' || r > '~' }) < 0,
			"identification text %q: want printable ASCII of less than 200 bytes", t)
		bad(i > 0 || !strings.Contains(t, "*"), "vehicle identification %q: '*' ends it on the bus, leave it out", t)
		bad(i == 0 || strings.Count(t, "*") == 4, "component identification %q: '*' parts its fields, leave it out of them", t)
	}
}

func (r *Rates) check(bad checker) {
	bad(r.BitRate >= 10_000 && r.BitRate <= 1_000_000, "bit rate %d: want 10,000 to 1,000,000 bits a second", r.BitRate)
	for _, d := range r.periods() {
		bad(d == 0 || d >= time.Millisecond && d%time.Microsecond == 0, "rate %v: want 0 or at least a millisecond, in whole microseconds", d)
	}
	groups := 0
	for _, t := range r.Others {
		groups += max(t.Groups, 0)
		bad(t.Groups > 0 && t.Every >= time.Millisecond && t.Every%time.Microsecond == 0 && t.Len >= 0 && t.Len <= 8,
			"other traffic %+v: want a group or more, at least a millisecond, 0 to 8 bytes", t)
	}
	bad(groups <= maxOthers, "other traffic has %d groups: want at most %d", groups, maxOthers)
	if load := r.loadPct(); r.BitRate > 0 {
		bad(load <= 99, "the rates fill %d %% of the bus: want at most 99, send less or raise the bit rate", load)
	}
}

// periods are the rates that can be 0, in the order of messageKinds.
func (r *Rates) periods() [12]time.Duration {
	return [...]time.Duration{r.EngineSpeed, r.EngineLoad, r.Temperature, r.FuelRate, r.WheelSpeed,
		r.FuelLevel, r.EngineHours, r.VehicleHours, r.Shafts, r.Fan, r.Header, r.Crop}
}

// loadPct is the share of the bus that periodic messages fill.
func (r *Rates) loadPct() int64 {
	var bits float64
	add := func(n int, every time.Duration, length int) {
		if every > 0 {
			bits += float64(n) * float64(frameBits(length)) * float64(time.Second) / float64(every)
		}
	}
	for _, d := range r.periods() {
		add(1, d, 8)
	}
	for _, t := range r.Others {
		add(t.Groups, t.Every, t.Len)
	}
	return int64(bits * 100 / float64(max(r.BitRate, 1)))
}

func (f *Faults) check(bad checker) {
	span := func(what string, from, to time.Duration) {
		bad(from >= 0 && (to == 0 || to > from), "%s from %v to %v: want an end after the start, or 0 for none", what, from, to)
	}
	for _, s := range f.Slipping {
		bad(int(s.Drive) < drives && s.From >= 0 && s.StartPPM >= 0 && s.RatePPM >= 0 && s.MostPPM >= 0 && s.MostPPM <= 900_000,
			"slipping drive %+v: want a drive of [Drives] and 0 to 900,000 ppm", s)
	}
	for _, s := range f.Riding {
		bad(int(s.Drive) < drives && s.From >= 0 && s.Over >= 0 && s.ShiftPPM >= 0 && s.ShiftPPM <= 900_000,
			"belt riding low %+v: want a drive of [Drives] and 0 to 900,000 ppm", s)
	}
	for _, a := range f.Alarms {
		bad(int(a.Drive) < drives && a.ShortPPM > 0 && a.For >= 0, "slip alarm %+v: want a drive of [Drives] and a loss above 0", a)
		a.Code.check(bad)
	}
	for _, w := range f.Warnings {
		span(fmt.Sprintf("warning %d/%d", w.SPN, w.FMI), w.From, w.To)
		bad(w.OnFor >= 0 && w.OffFor >= 0 && w.While <= WhileThreshing, "warning %d/%d: unknown condition, or times below 0", w.SPN, w.FMI)
		w.Code.check(bad)
	}
	bad(len(f.Warnings)+len(f.Alarms) <= maxCodes, "%d codes: want at most %d", len(f.Warnings)+len(f.Alarms), maxCodes)
	f.checkMeters(bad)
	for _, s := range f.Missing {
		span("missing "+s.Signal.String(), s.From, s.To)
		bad(int(s.Signal) < signals, "missing signal %d: no such signal", s.Signal)
	}
	for _, s := range f.Silences {
		span("silence", s.From, s.To)
	}
	for _, r := range f.Requested {
		bad(r.At >= 0 && r.Every >= 0 && r.Every%Step == 0 && r.Group < 1<<18, "request %+v: want times of 0 or more, every in whole %v, a group of 18 bits", r, Step)
	}
}

func (f *Faults) checkMeters(bad checker) {
	for _, r := range f.Replaced {
		bad(r.At >= 0 && r.NewMS >= 0 && r.NewIdentity < 1<<21, "meter replaced %+v: want 0 or more and 21 bits of identity", r)
	}
	for _, g := range f.Glitches {
		bad(g.At >= 0 && g.For > 0, "meter glitch %+v: want it to last", g)
	}
	if f.Moved != nil {
		bad(f.Moved.At >= 0 && f.Moved.Gap >= 0, "box moved %v, gap %v: want 0 or more", f.Moved.At, f.Moved.Gap)
		f.Moved.Identity.check(bad)
		f.Moved.Meters.check(bad)
	}
}

func (c Code) check(bad checker) {
	bad(c.SPN >= 1 && c.SPN < 1<<19-1 && c.FMI < 32, "code %d/%d: want an SPN of 1 to 524,286 and an FMI of 0 to 31", c.SPN, c.FMI)
	bad(controllerOf(c.Source) >= 0, "code %d/%d: source %#x is none of the three controllers", c.SPN, c.FMI, c.Source)
	bad(c.Lamp <= Malfunction, "code %d/%d: no lamp %d", c.SPN, c.FMI, c.Lamp)
}
