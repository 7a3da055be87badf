package combinesim

import (
	"slices"
	"time"
)

// Span is a stretch of time from one instant up to, not including, another, in
// Unix nanoseconds.
type Span struct {
	FromNS, ToNS int64
}

// MS is how long the span is, in milliseconds.
func (s Span) MS() int64 { return (s.ToNS - s.FromNS) / 1e6 }

// Above is the time that a value was above a threshold without a break of its
// own for at least a hold time. A spell counts from its first instant; one
// shorter than HoldMS does not count at all.
type Above struct {
	Spells []Span
	HoldMS int64
}

// MS is the sum of the spells in milliseconds.
func (a Above) MS() int64 { return sumMS(a.Spells) }

// AfterHoldMS is the sum by the other convention: each spell counts only from
// HoldMS after its first instant.
func (a Above) AfterHoldMS() int64 { return a.MS() - int64(len(a.Spells))*a.HoldMS }

// Life is the span in which one engine hour meter counts.
type Life struct {
	Span // an open life ends where the truth does
	// FirstMS and LastMS are what the meter stood at, in milliseconds of running.
	FirstMS, LastMS int64
	// FirstRaw and LastRaw are the same as shown, in steps of 0.05 h.
	FirstRaw, LastRaw uint32
}

// Ending is how a warning ended on the bus.
type Ending uint8

const (
	// Standing: still on the bus, or the bus fell silent with it and has not
	// spoken for its controller since.
	Standing Ending = iota
	// Gone: a whole message of its controller came without it.
	Gone
	// Hushed: its controller, which is silent with no code, stopped sending. A
	// listener needs some seconds to tell, and can't when the key goes off in them.
	Hushed
)

// Warned is a code as it was put on the bus, by times of whole messages (of the
// last packet, where there are several).
type Warned struct {
	Code
	// FirstNS and LastNS are the first and the last message with it.
	FirstNS, LastNS int64
	// EndNS is the first message without it for Gone, when one would have been
	// due for Hushed, 0 for Standing. A bus silent after key-off ends nothing: the
	// warning goes on if the code is there at the next key-on.
	EndNS int64
	End   Ending
	// Count is the occurrence count in the last message.
	Count uint8
}

// DriveSum is a drive's steps of one kind in one minute.
type DriveSum struct {
	// Steps of 100 ms with the driver at 200 rpm or more; of the drives that start
	// at the engine, those with the clutch wholly in.
	Steps int64
	// Sums of the speeds over these steps, in thousandths of a revolution a minute.
	DriverSum, DrivenSum int64
}

// RatioPPM is driven to driver in millionths, 0 where there were no steps.
func (s DriveSum) RatioPPM() int64 {
	if s.DriverSum == 0 {
		return 0
	}
	return s.DrivenSum * million / s.DriverSum
}

// DriveMinute is what one drive did in one minute of UTC. Minutes in which its
// driver did not turn are left out.
type DriveMinute struct {
	Drive    Drive
	MinuteNS int64 // its beginning
	// Loaded sums the steps with a crop feed of LoadedPPM or more.
	Loaded, Unloaded DriveSum
}

// Unloading is one time that the auger ran.
type Unloading struct {
	Span
	// TankBeforePPM and TankAfterPPM are the grain tank's levels in millionths.
	TankBeforePPM, TankAfterPPM int64
	// OnTheGo: while threshing.
	OnTheGo bool
}

// Truth is what the machine did from its start until the last whole step, as the
// simulated world has it.
type Truth struct {
	Span
	// Running, KeyOn, Plugs and BusAlive are the spans with the engine at 400 rpm
	// or more (which is when its hour meter counts), the key on, the rotor jammed
	// or being cleared, and the controllers powered.
	Running, KeyOn, Plugs, BusAlive []Span
	// Separator is the rotor above SeparatorAbove for SeparatorHold, Header the
	// header shaft above HeaderAbove for HeaderHold.
	Separator, Header Above
	// EngineMS, VehicleMS, PTOMS and SeparatorMS are where the meters stand, in
	// milliseconds of running; Separator starts from Meters.Separator. EngineRaw
	// is what the engine's shows, in steps of 0.05 h.
	EngineMS, VehicleMS, PTOMS, SeparatorMS int64
	EngineRaw                               uint32
	// Lives of the engine hour meter, the present one last.
	Lives []Life
	// Warnings in the order of FirstNS.
	Warnings []Warned
	Drives   []DriveMinute
	Unloads  []Unloading
	// FuelML is in the tank, BurnedML burnt and FuelledML filled in, in
	// millilitres.
	FuelML, BurnedML, FuelledML int64
	// MovedNS is when the box was moved to another machine, 0 for never; all the
	// rest ends there.
	MovedNS int64
	// Frames is how many were put on the bus and could be heard.
	Frames int64
}

// Thresholds of the running time that [Truth] sums; speeds in thousandths of a
// revolution a minute. [Machine.TimeAbove] gives any other.
const (
	SeparatorAbove = 310_000
	HeaderAbove    = 140_000

	SeparatorHold = 4 * time.Second
	HeaderHold    = 3 * time.Second
)

// EngineRunMS is how long the engine ran, in milliseconds.
func (t Truth) EngineRunMS() int64 { return sumMS(t.Running) }

// EngineAt is how long the engine had run since the start at an instant, in
// milliseconds.
func (t Truth) EngineAt(at time.Time) int64 { return msUntil(t.Running, at.UnixNano()) }

// EngineReaches is the instant at which the engine had run for that many
// milliseconds since the start.
func (t Truth) EngineReaches(ms int64) (time.Time, bool) { return reaches(t.Running, ms) }

// SeparatorReaches is the same for the separator.
func (t Truth) SeparatorReaches(ms int64) (time.Time, bool) { return reaches(t.Separator.Spells, ms) }

func sumMS(spans []Span) (ms int64) {
	for _, s := range spans {
		ms += s.MS()
	}
	return ms
}

func msUntil(spans []Span, at int64) (ms int64) {
	for _, s := range spans {
		if at > s.FromNS {
			ms += (min(at, s.ToNS) - s.FromNS) / 1e6
		}
	}
	return ms
}

func reaches(spans []Span, ms int64) (time.Time, bool) {
	for _, s := range spans {
		if ms <= s.MS() {
			return time.Unix(0, s.FromNS+ms*1e6).UTC(), true
		}
		ms -= s.MS()
	}
	return time.Time{}, false
}

// spanner gathers the spans of a yes-or-no that is told step by step.
type spanner struct {
	open  bool
	from  int64
	hold  int64 // ns
	spans []Span
}

func (s *spanner) see(on bool, at int64) {
	if on == s.open {
		return
	}
	if s.open && at-s.from >= s.hold {
		s.spans = append(s.spans, Span{s.from, at})
	}
	s.open, s.from = on, at
}

// until is the spans so far, an open one ending at at.
func (s *spanner) until(at int64) []Span {
	out := slices.Clone(s.spans)
	if s.open && at > s.from && at-s.from >= s.hold {
		out = append(out, Span{s.from, at})
	}
	return out
}

// ledger writes down what the world does, step by step.
type ledger struct {
	running, key, plug, alive, separator, header spanner

	lives    []Life
	warned   []Warned
	standing [maxCodes]int // index into warned, plus 1
	minute   int64         // Unix minute that sums holds, -1 before the first
	sums     [drives]DriveMinute
	minutes  []DriveMinute
	unloads  []Unloading
	augering bool

	until  int64 // end of the last step, Unix ns
	meters Meters
	fuel   [3]int64 // in the tank, burnt, filled in: microlitres
	moved  int64
	frames int64
}

const driverTurns = 200_000 // thousandths of a revolution a minute

func newLedger(cfg *Config) *ledger {
	start := cfg.Start.UnixNano()
	minutes := min(int(cfg.Program.Length()/time.Minute)+2, 7*24*60)
	l := &ledger{minute: -1, until: start, meters: cfg.Meters}
	l.separator.hold, l.header.hold = int64(SeparatorHold), int64(HeaderHold)
	for _, s := range []*spanner{&l.running, &l.key, &l.plug, &l.alive, &l.separator, &l.header} {
		s.spans = make([]Span, 0, 256)
	}
	l.minutes = make([]DriveMinute, 0, minutes*drives)
	l.unloads = make([]Unloading, 0, 64)
	l.warned = make([]Warned, 0, 256)
	l.lives = append(l.lives, Life{Span: Span{FromNS: start}, FirstMS: cfg.Meters.Engine, FirstRaw: rawHours(cfg.Meters.Engine)})
	return l
}

// step writes down the step that begins at w.now and is over.
func (l *ledger) step(w *world) {
	l.running.see(w.running, w.now)
	l.key.see(w.key, w.now)
	l.plug.see(w.do == Plug, w.now)
	l.alive.see(w.alive, w.now)
	l.separator.see(w.rotor > SeparatorAbove, w.now)
	l.header.see(w.header > HeaderAbove, w.now)
	l.unloading(w)
	l.turned(w)
	if w.running {
		l.meters.Engine += stepMS
	}
	if w.key {
		l.meters.Vehicle += stepMS
	}
	if w.running && w.engaged && l.meters.PTO >= 0 {
		l.meters.PTO += stepMS
	}
	l.fuel = [3]int64{w.fuelUL, w.burnedUL, w.fuelledUL}
	l.until = w.now + stepNS
}

func (l *ledger) unloading(w *world) {
	if w.auger && !l.augering {
		l.unloads = append(l.unloads, Unloading{Span: Span{FromNS: w.now}, TankBeforePPM: w.tank, OnTheGo: w.do == Thresh})
	}
	l.augering = w.auger
	if w.auger {
		u := &l.unloads[len(l.unloads)-1]
		u.ToNS, u.TankAfterPPM = w.now+stepNS, w.tank
	}
}

// turned adds the step to each drive's minute.
func (l *ledger) turned(w *world) {
	if minute := w.now / int64(time.Minute); minute != l.minute {
		l.minutes = l.appendMinute(l.minutes)
		l.minute = minute
		for d := range l.sums {
			l.sums[d] = DriveMinute{Drive: Drive(d), MinuteNS: minute * int64(time.Minute)}
		}
	}
	l.add(FanDrive, w.feed, w.fanShaft, w.fan)
	l.add(ElevatorDrive, w.feed, w.cleaning, w.elevator)
	if w.locked {
		l.add(MainDrive, w.feed, w.engine, w.cleaning)
		l.add(RotorDrive, w.feed, w.engine, w.rotor)
	}
}

func (l *ledger) add(d Drive, feed, driver, driven int64) {
	if driver < driverTurns {
		return
	}
	sum := &l.sums[d].Unloaded
	if feed >= LoadedPPM {
		sum = &l.sums[d].Loaded
	}
	sum.Steps++
	sum.DriverSum += driver
	sum.DrivenSum += driven
}

// appendMinute appends the minute in hand, without the drives that did not turn.
func (l *ledger) appendMinute(dst []DriveMinute) []DriveMinute {
	for _, s := range l.sums {
		if s.Loaded.Steps+s.Unloaded.Steps > 0 {
			dst = append(dst, s)
		}
	}
	return dst
}

// replace closes the engine hour meter's life at the present instant.
func (l *ledger) replace(w *world, r MeterReplaced) {
	l.closeLife(w.now)
	l.meters.Engine = r.NewMS
	l.lives = append(l.lives, Life{Span: Span{FromNS: w.now}, FirstMS: r.NewMS, FirstRaw: rawHours(r.NewMS)})
}

func (l *ledger) closeLife(at int64) {
	last := &l.lives[len(l.lives)-1]
	last.ToNS, last.LastMS, last.LastRaw = at, l.meters.Engine, rawHours(l.meters.Engine)
}

func (l *ledger) moveAway(at int64) { l.moved = at }

// told writes down a whole message of active codes: bit i of mask for code i.
// Own are the codes of the controller that sent it.
func (l *ledger) told(w *world, own, mask uint64, at int64) {
	if l.moved != 0 {
		return
	}
	for i := range w.codes {
		bit := uint64(1) << i
		if own&bit == 0 {
			continue
		}
		if mask&bit != 0 {
			l.stands(i, w, at)
		} else {
			l.ends(i, Gone, at)
		}
	}
}

func (l *ledger) stands(i int, w *world, at int64) {
	if l.standing[i] == 0 {
		l.warned = append(l.warned, Warned{Code: w.cfg.codeAt(i), FirstNS: at})
		l.standing[i] = len(l.warned)
	}
	s := &l.warned[l.standing[i]-1]
	s.LastNS, s.Count = at, w.codes[i].count
}

func (l *ledger) ends(i int, how Ending, at int64) {
	if l.standing[i] == 0 {
		return
	}
	s := &l.warned[l.standing[i]-1]
	s.EndNS, s.End = at, how
	l.standing[i] = 0
}

// hushed writes down that a controller had no code to send and was silent.
func (l *ledger) hushed(own uint64, at int64) {
	if l.moved != 0 {
		return
	}
	for i := range l.standing {
		if own>>i&1 != 0 {
			l.ends(i, Hushed, at)
		}
	}
}

// truth copies out what was written down.
func (l *ledger) truth(start int64, separatorMS int64) Truth {
	t := Truth{
		Span:      Span{start, l.until},
		Running:   l.running.until(l.until),
		KeyOn:     l.key.until(l.until),
		Plugs:     l.plug.until(l.until),
		BusAlive:  l.alive.until(l.until),
		Separator: Above{l.separator.until(l.until), l.separator.hold / 1e6},
		Header:    Above{l.header.until(l.until), l.header.hold / 1e6},
		EngineMS:  l.meters.Engine, VehicleMS: l.meters.Vehicle, PTOMS: l.meters.PTO,
		EngineRaw: rawHours(l.meters.Engine),
		Lives:     slices.Clone(l.lives),
		Warnings:  slices.Clone(l.warned),
		Drives:    l.appendMinute(slices.Clone(l.minutes)),
		Unloads:   slices.Clone(l.unloads),
		FuelML:    l.fuel[0] / 1000, BurnedML: l.fuel[1] / 1000, FuelledML: l.fuel[2] / 1000,
		MovedNS: l.moved, Frames: l.frames,
	}
	t.SeparatorMS = separatorMS + t.Separator.MS()
	last := &t.Lives[len(t.Lives)-1]
	last.ToNS, last.LastMS, last.LastRaw = l.until, l.meters.Engine, rawHours(l.meters.Engine)
	return t
}

// rawHours is a meter in whole steps of 0.05 h, as it is shown.
func rawHours(ms int64) uint32 { return uint32(max(ms, 0) / MeterStep) }
