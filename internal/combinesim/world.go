package combinesim

import (
	"math/rand/v2"
	"time"
)

// Figures of the simulated machine. Speeds are in thousandths of a revolution a
// minute, shares in millionths, times in milliseconds. Common practice, no source.
const (
	million = 1_000_000
	stepNS  = int64(Step)
	stepMS  = stepNS / 1e6

	runningAbove  = 400_000 // the hour meter counts from this engine speed
	crankSpeed    = 230_000
	crankMS       = 1_500
	lowIdle       = 850_000
	threshSpeed   = 2_080_000
	roadSpeed     = 1_800_000
	unloadSpeed   = 1_600_000
	droopPPM      = 45_000 // of the set speed, from no load to full load
	clutchInAbove = 1_500_000

	fanShaftPPM    = 1_600_000 // to the cleaning drive
	headerShaftPPM = 850_000   // to the cleaning drive

	feedMS       = 2_000 // from header to rotor
	headerWaitMS = 3_000 // from separator at speed to header
	cropWaitMS   = 4_000 // from header at speed to crop
	jamMS        = 6_000 // from plug to key off
	afterRunMS   = 4_000 // from key off to a silent bus

	tankFillMS   = 20 * 60_000 // at nominal feed
	tankEmptyMS  = 150_000
	tankUnloadAt = 850_000
	tankEmptyAt  = 10_000
	idleMLH      = 7_000 // millilitres an hour
	fullMLH      = 58_000
	workMMS      = 1_500 // millimetres a second
	turnMMS      = 1_900
	roadMMS      = 6_400
	coolantWarm  = 88_000 // thousandths of a degree
	coolantCold  = 20_000
	fuelTankUL   = FuelTankML * 1000
)

// world is the machine without its bus. It holds the values of the step that
// begins at now.
type world struct {
	cfg *Config
	rng *rand.PCG
	log *ledger // nil when only values are wanted

	now, start   int64 // Unix ns
	step         int   // of the program; len(program) is past its end
	stepFrom     int64 // Unix ns
	stepTo       int64
	load         Load
	do           Activity
	key, running bool
	fired        bool
	crank, after int64 // ms
	alive        bool  // the controllers have power
	moved        bool
	blackout     int64 // until then nobody hears the bus, Unix ns

	engine, setpoint    int64
	engaged, locked     bool
	turn                int64 // the clutch's far side, as engine speed
	lockedMS, headerMS  int64 // since at speed
	headerIn            bool
	headerPPM           int64
	jamPPM              int64
	noise               int64
	feed, engineLoad    int64
	auger, road         bool
	tank, travel        int64
	coolant             int64
	fuelUL, rateMLH     int64
	burnedUL, fuelledUL int64
	pouredUL            int64 // in this step of the program
	rotor, cleaning     int64
	elevator, fanShaft  int64
	fan, header         int64

	meters   Meters
	glitchMS int64
	replaced int

	drive  [drives]driveState
	slipMS []int64
	alarm  []int64 // ms that each alarm's condition has lasted
	codes  []codeState
	state  [signals]state
}

// codeState is one code as its controller sees it.
type codeState struct {
	active bool
	since  int64 // Unix ns
	lasted int64 // ns that it was active before since
	count  uint8 // occurrences, at most 126
}

func newWorld(cfg *Config, log *ledger) *world {
	w := &world{
		cfg: cfg, log: log, rng: rand.NewPCG(cfg.Seed, 0x636f6d62696e65),
		now: cfg.Start.UnixNano(), start: cfg.Start.UnixNano(), step: -1,
		coolant: coolantCold, fuelUL: fuelTankUL, meters: cfg.Meters,
		slipMS: make([]int64, len(cfg.Faults.Slipping)),
		alarm:  make([]int64, len(cfg.Faults.Alarms)),
		codes:  make([]codeState, len(cfg.Faults.Warnings)+len(cfg.Faults.Alarms)),
	}
	if cfg.FuelML > 0 {
		w.fuelUL = cfg.FuelML * 1000
	}
	w.stepTo = w.now
	w.script()
	w.faults()
	w.power()
	w.ratios()
	return w
}

// advance moves the world one step on.
func (w *world) advance() {
	w.count()
	w.now += stepNS
	r := w.rng.Uint64()
	w.script()
	w.faults()
	w.power()
	w.turnEngine(int64(int16(r)))
	w.clutches()
	w.takeIn(int64(int16(r >> 16)))
	w.turnShafts()
	w.warn()
}

// count adds the step that ends to the meters and the truth.
func (w *world) count() {
	if w.log != nil && !w.moved {
		w.log.step(w)
	}
	if w.running {
		w.meters.Engine += stepMS
		if w.engaged && w.meters.PTO >= 0 {
			w.meters.PTO += stepMS
		}
	}
	if w.key {
		w.meters.Vehicle += stepMS
	}
}

// script takes the program's next step when its time has come.
func (w *world) script() {
	for w.now >= w.stepTo && w.step < len(w.cfg.Program) {
		w.step++
		if w.step == len(w.cfg.Program) {
			w.do = Off
			return
		}
		s := &w.cfg.Program[w.step]
		w.do, w.load, w.pouredUL = s.Do, s.Load, 0
		if w.load == (Load{}) {
			w.load = NormalLoad()
		}
		w.stepFrom, w.stepTo = w.stepTo, w.stepTo+int64(s.For)
	}
}

// sinceMS is how long the program's step has lasted.
func (w *world) sinceMS() int64 { return (w.now - w.stepFrom) / 1e6 }

// power sets key and controllers.
func (w *world) power() {
	w.key = w.do != Off && (w.do != Plug || w.sinceMS() < jamMS)
	if w.key {
		w.after = afterRunMS
	} else {
		w.after = max(w.after-stepMS, 0)
	}
	w.alive = w.after > 0
}

// turnEngine starts, governs and stops the engine.
func (w *world) turnEngine(ripple int64) {
	want := w.key && w.do != KeyOn && w.do != Fuel && w.fuelUL > 0
	if !want {
		w.fired, w.crank = false, 0
		w.engine = spinDown(w.engine, 800, 30_000)
		w.running = w.engine >= runningAbove
		return
	}
	if !w.fired {
		w.crank += stepMS
		w.fired = w.crank >= crankMS
		w.engine += (crankSpeed - w.engine) * stepMS / 300
		w.running = w.engine >= runningAbove
		return
	}
	w.setpoint = w.setSpeed()
	droop := w.setpoint / 1000 * (droopPPM / 1000) * w.engineLoad / million
	if over := w.engineLoad - million; over > 0 { // lugged below its full-load curve
		droop += w.setpoint / 1000 * over / 1000
	}
	w.engine += (w.setpoint - droop - w.engine) * stepMS / 1_200
	w.engine += ripple / 64
	w.running = w.engine >= runningAbove
}

// setSpeed is the governor's speed for what the machine does.
func (w *world) setSpeed() int64 {
	switch w.do {
	case Thresh, Plug:
		return threshSpeed
	case Road:
		return roadSpeed
	case Unload:
		return unloadSpeed
	default:
		return lowIdle
	}
}

// clutches engages separator and header, or lets them run down.
func (w *world) clutches() {
	work := w.fired && (w.do == Thresh || w.do == Plug)
	w.engaged = work && (w.engaged || w.engine > clutchInAbove)
	if w.do == Plug {
		w.jamPPM = min(w.jamPPM+million*stepMS/4_000, million)
	} else {
		w.jamPPM = 0
	}
	if !w.engaged {
		w.locked, w.lockedMS = false, 0
		w.turn = spinDown(w.turn, 4_000, 12_000)
	} else if !w.locked {
		w.turn += (w.engine-w.turn)*stepMS/1_600 + 8_000
		w.locked = w.turn >= w.engine
	}
	if w.locked {
		w.turn = w.engine
		w.lockedMS += stepMS
	}
	w.headerIn = w.locked && w.lockedMS >= headerWaitMS && w.do == Thresh
	if w.headerIn {
		w.headerPPM = min(w.headerPPM+million*stepMS/2_500, million)
	} else {
		w.headerPPM = spinDown(w.headerPPM, 900, 8_000)
	}
	if w.headerPPM == million {
		w.headerMS += stepMS
	} else {
		w.headerMS = 0
	}
}

// takeIn moves crop, grain, fuel and the machine itself.
func (w *world) takeIn(eps int64) {
	w.noise += eps - w.noise*stepMS/6_000 // standard deviation about 103,600
	w.feed += (w.wantFeed() - w.feed) * stepMS / feedMS
	if w.feed < 1_000 {
		w.feed = 0
	}
	w.unload()
	w.tank = min(w.tank+w.feed*stepMS/tankFillMS, million)
	if w.auger {
		w.tank = max(w.tank-million*stepMS/tankEmptyMS, 0)
	}
	w.drawFuel()
	want := w.wantTravel()
	w.travel += (want - w.travel) * stepMS / 2_500
	if d := want - w.travel; d > -25 && d < 25 {
		w.travel = want
	}
	if w.running {
		w.coolant += (coolantWarm - w.coolant) * stepMS / 240_000
	} else {
		w.coolant -= (w.coolant - coolantCold) * stepMS / 5_400_000
	}
	w.road = w.do == Road
}

// wantFeed is the crop that the header takes in, in millionths of the nominal.
func (w *world) wantFeed() int64 {
	if w.do == Plug && w.key {
		return 1_150_000
	}
	if w.do != Thresh || w.headerMS < cropWaitMS || w.turning() || w.auger && w.load.Stand {
		return 0
	}
	return min(max(w.load.MeanPct*10_000+w.noise*w.load.NoisePct/10, 0), 1_250_000)
}

// turning tells whether the machine is at the end of a row.
func (w *world) turning() bool {
	if w.load.TurnFor == 0 {
		return false
	}
	row := int64(w.load.RowFor) / 1e6
	return w.sinceMS()%(row+int64(w.load.TurnFor)/1e6) >= row
}

func (w *world) wantTravel() int64 {
	switch {
	case w.do == Road && w.fired:
		return roadMMS
	case w.do != Thresh || w.headerMS < cropWaitMS || w.auger && w.load.Stand:
		return 0
	case w.turning():
		return turnMMS
	default:
		return workMMS
	}
}

// unload opens the auger and shuts it.
func (w *world) unload() {
	switch {
	case w.do == Thresh && w.running:
		w.auger = w.tank >= tankUnloadAt || w.auger && w.tank > tankEmptyAt
	case w.do == Unload && w.engine > 1_200_000:
		w.auger = w.tank > tankEmptyAt
	default:
		w.auger = false
	}
}

// drawFuel sets the engine's load and burns for it.
func (w *world) drawFuel() {
	if !w.running {
		w.engineLoad, w.rateMLH = 0, 0
	} else {
		w.engineLoad = w.wantLoad()
		w.rateMLH = idleMLH + fullMLH*min(w.engineLoad, million)/million
	}
	burn := min(w.rateMLH*stepMS*1000/Hour, w.fuelUL)
	w.fuelUL -= burn
	w.burnedUL += burn
	if w.do == Fuel && w.step < len(w.cfg.Program) {
		s := &w.cfg.Program[w.step]
		due := s.FuelML * (w.sinceMS() + stepMS) / (int64(s.For) / ms) * 1000
		add := min(due-w.pouredUL, fuelTankUL-w.fuelUL)
		w.pouredUL = due
		w.fuelUL += add
		w.fuelledUL += add
	}
}

// wantLoad is the engine's load in millionths of its full torque.
func (w *world) wantLoad() int64 {
	load := int64(90_000) + w.turn*150/2_000 + w.headerPPM*30/1_000 + w.feed*560/1_000 + w.travel*40
	if w.auger {
		load += 60_000
	}
	if w.engaged && !w.locked {
		load += 180_000 // bringing it all up to speed
	}
	return min(load+w.jamPPM*300/1_000, 1_250_000)
}

// turnShafts turns the shafts behind the clutch.
func (w *world) turnShafts() {
	w.wear(w.now - w.start)
	w.ratios()
	w.rotor = w.turn * w.drive[RotorDrive].ratioPPM / million * (million - w.jamPPM) / million
	w.cleaning = w.turn * w.drive[MainDrive].ratioPPM / million
	w.elevator = w.cleaning * w.drive[ElevatorDrive].ratioPPM / million
	w.fanShaft = w.cleaning * fanShaftPPM / million
	w.fan = w.fanShaft * w.drive[FanDrive].ratioPPM / million
	w.header = w.cleaning * headerShaftPPM / million * w.headerPPM / million
}

// faults brings meters, sensors and the box to the present time.
func (w *world) faults() {
	f, t := &w.cfg.Faults, time.Duration(w.now-w.start)
	for w.replaced < len(f.Replaced) && t >= f.Replaced[w.replaced].At {
		w.replaceMeter(f.Replaced[w.replaced])
		w.replaced++
	}
	w.glitchMS = 0
	for _, g := range f.Glitches {
		if t >= g.At && t < g.At+g.For {
			w.glitchMS += g.JumpMS
		}
	}
	for _, s := range f.Missing {
		w.state[s.Signal] = stateOK
	}
	for _, s := range f.Missing {
		if within(t, s.From, s.To) {
			w.state[s.Signal] = stateMissing
			if s.Error {
				w.state[s.Signal] = stateError
			}
		}
	}
	if f.Moved != nil && !w.moved && t >= f.Moved.At {
		w.moved = true
		w.blackout = w.now + int64(f.Moved.Gap)
		w.meters = f.Moved.Meters
		if w.log != nil {
			w.log.moveAway(w.now)
		}
	}
}

func (w *world) replaceMeter(r MeterReplaced) {
	if w.moved {
		return
	}
	if w.log != nil {
		w.log.replace(w, r)
	}
	w.meters.Engine = r.NewMS
}

// identity is what the controllers say now.
func (w *world) identity() Identity {
	if w.moved {
		return w.cfg.Faults.Moved.Identity
	}
	id := w.cfg.Identity
	for _, r := range w.cfg.Faults.Replaced[:w.replaced] {
		if r.NewIdentity != 0 {
			id.Engine.Identity = r.NewIdentity
		}
	}
	return id
}

// shownMS is what the engine hour meter says, before its resolution.
func (w *world) shownMS() int64 { return w.meters.Engine + w.glitchMS }

// deaf tells whether frames reach nobody now.
func (w *world) deaf() bool {
	t := time.Duration(w.now - w.start)
	for _, s := range w.cfg.Faults.Silences {
		if within(t, s.From, s.To) {
			return true
		}
	}
	return false
}

// value is a signal in thousandths of its unit, exact.
func (w *world) value(s Signal) int64 {
	switch s {
	case EngineSpeed:
		return w.engine
	case EngineLoad:
		return w.engineLoad / 10
	case EngineHours:
		return w.shownMS() / 3_600
	case VehicleHours:
		return w.meters.Vehicle / 3_600
	case PTOHours:
		return w.meters.PTO / 3_600
	case FuelRate:
		return w.rateMLH
	case FuelLevel:
		return w.fuelUL / (fuelTankUL / 100_000)
	case WheelSpeed:
		return w.travel * 36 / 10
	case CoolantTemperature:
		return w.coolant
	}
	return w.ownValue(s)
}

func (w *world) ownValue(s Signal) int64 {
	switch s {
	case RotorSpeed:
		return w.rotor
	case CleaningDrive:
		return w.cleaning
	case ElevatorShaft:
		return w.elevator
	case FanShaft:
		return w.fanShaft
	case FanSpeed:
		return w.fan
	case HeaderShaft:
		return w.header
	case CropFeed:
		return w.feed / 10
	case GrainTank:
		return w.tank / 10
	case UnloadingAuger:
		return thousandIf(w.auger)
	case RoadMode:
		return thousandIf(w.road)
	}
	return 0
}

func thousandIf(on bool) int64 {
	if on {
		return 1000
	}
	return 0
}

// spinDown is a shaft that nothing drives: it loses a share, and a bit more.
func spinDown(speed, tauMS, drag int64) int64 {
	return max(speed-speed*stepMS/tauMS-drag, 0)
}

func within(t, from, to time.Duration) bool { return t >= from && (to == 0 || t < to) }
