package combinesim

import (
	"encoding/binary"
	"time"
)

// kind is what a message says.
type kind uint8

const (
	kEngineSpeed kind = iota // the first twelve as in Rates.periods
	kEngineLoad
	kTemperature
	kFuelRate
	kWheelSpeed
	kFuelLevel
	kEngineHours
	kVehicleHours
	kShafts
	kFan
	kHeader
	kCrop
	kOther
	kCodes
	kTransport
	kClaim
	kRequest
)

// Groups that J1939 defines.
const (
	groupRequest       = 59904
	groupTransportData = 60160
	groupTransport     = 60416
	groupClaim         = 60928
	groupCodes         = 65226
	groupEngineHours   = 65253
	groupVehicleHours  = 65255
	groupComponent     = 65259
	groupVehicle       = 65260
)

// others start at this group; the numbers below are the machine's own.
const (
	firstOther  = 65400
	maxOthers   = 120
	otherSource = 0x50
)

const (
	ms = int64(time.Millisecond)

	claimAt    = 60 * ms  // after power, and 30 ms more for each next controller
	talkAt     = 320 * ms // a claim stands if it is uncontested for 250 ms
	whoAt      = 1_200 * ms
	packetGap  = 60 * ms // J1939 wants 50 to 200 ms between broadcast packets
	answerIn   = 20 * ms
	codesEvery = 1_000 * ms
)

// fixed lists identifier and controller of the twelve messages.
var fixed = [12]struct {
	priority, group uint32
	source          uint8
}{
	{3, 61444, EngineSource}, {3, 61443, EngineSource}, {6, 65262, EngineSource}, {6, 65266, EngineSource},
	{6, 65265, ThresherSource}, {6, 65276, ThresherSource}, {6, groupEngineHours, EngineSource},
	{6, groupVehicleHours, ThresherSource}, {6, groupShafts, ThresherSource}, {6, groupFan, ThresherSource},
	{6, groupHeader, HeaderSource}, {6, groupCrop, ThresherSource},
}

var sources = [controllers]uint8{EngineSource, ThresherSource, HeaderSource}

const controllers = 3

func controllerOf(source uint8) int {
	for i, s := range sources {
		if s == source {
			return i
		}
	}
	return -1
}

// message is one thing that is said again and again, or when asked.
type message struct {
	kind   kind
	ctl    uint8 // index of the controller
	length uint8
	id     uint32
	period int64 // ns, 0: only when asked
	phase  int64
	arg    int // of kOther: a seed; of kRequest: index in Faults.Requested
}

// slot is a message's place in the queue, which is a heap by time and then by
// identifier, as the bus arbitrates.
type slot struct {
	due int64
	id  uint32
	msg int32
}

func (a slot) before(b slot) bool { return a.due < b.due || a.due == b.due && a.id < b.id }

// bus turns the world into frames.
type bus struct {
	cfg      *Config
	msgs     []message
	heap     []slot
	free     int64    // when the last frame's bits have passed
	frameNS  [9]int64 // by length
	alive    bool
	deaf     bool
	identity Identity
	ctl      [controllers]controller
	asks     []int64 // when each request comes next, Unix ns
	askMsg   []int
	codesMsg [controllers]int
	tpMsg    [controllers]int
	claimMsg [controllers]int
}

// controller is one speaker on the bus, with its active codes and its one
// broadcast at a time.
type controller struct {
	quiet   bool
	own     uint64 // its codes, by bit
	active  uint64
	unsent  uint64 // started, and in no message yet
	extraAt int64  // when it last sent codes outside the second

	pending uint8 // of what is to be broadcast
	what    uint8
	buf     []byte
	packets int
	sent    int // packets, the announcement being the first; 0 idle
	mask    uint64
	lost    bool // a packet that nobody heard
}

// What a controller broadcasts, the most urgent first.
const (
	sayCodes uint8 = 1 << iota
	sayVehicle
	sayComponent
)

// frameBits is how many bits an extended frame of n bytes takes with its space
// to the next, without stuffing: 67 + 8 n.
func frameBits(n int) int64 { return 67 + 8*int64(n) }

func (b *bus) build(cfg *Config) {
	b.cfg = cfg
	b.deaf = true
	for n := range b.frameNS {
		b.frameNS[n] = frameBits(n) * int64(time.Second) / int64(cfg.Rates.BitRate)
	}
	for k, d := range cfg.Rates.periods() {
		f := fixed[k]
		b.add(message{kind: kind(k), id: canID(f.priority, f.group, f.source), length: 8, period: int64(d),
			ctl: uint8(controllerOf(f.source))})
	}
	for _, t := range cfg.Rates.Others {
		for range t.Groups {
			b.addOther(t)
		}
	}
	quiet := [controllers]bool{cfg.Habits.QuietEngine, cfg.Habits.QuietThresher, cfg.Habits.QuietHeader}
	for c := range b.ctl {
		b.addController(c, quiet[c])
	}
	for i, r := range cfg.Faults.Requested {
		b.askMsg = append(b.askMsg, b.add(message{kind: kRequest, id: canID(6, groupRequest, r.From), length: 3, arg: i}))
		b.asks = append(b.asks, cfg.Start.UnixNano()+int64(r.At))
	}
	b.heap = make([]slot, 0, len(b.msgs))
	b.silence()
}

// add gives a message its phase, so that equal rates do not come in bursts.
func (b *bus) add(m message) int {
	if m.period > 0 {
		m.phase = int64(mix(uint64(m.id))%uint64(m.period)) / 1000 * 1000
	}
	b.msgs = append(b.msgs, m)
	return len(b.msgs) - 1
}

func (b *bus) addOther(t Traffic) {
	n := uint32(0)
	for _, m := range b.msgs {
		if m.kind == kOther {
			n++
		}
	}
	id := canID(6, firstOther+n, otherSource+uint8(n%30))
	b.add(message{kind: kOther, id: id, length: uint8(t.Len), period: int64(t.Every), arg: int(n)})
}

func (b *bus) addController(c int, quiet bool) {
	s, ctl := sources[c], &b.ctl[c]
	ctl.quiet = quiet
	n := len(b.cfg.Faults.Warnings) + len(b.cfg.Faults.Alarms)
	for i := range n {
		if b.cfg.codeAt(i).Source == s {
			ctl.own |= 1 << i
		}
	}
	ctl.buf = make([]byte, 0, 1785)
	b.codesMsg[c] = b.add(message{kind: kCodes, ctl: uint8(c), id: canID(6, groupCodes, s), length: 8, period: codesEvery})
	b.tpMsg[c] = b.add(message{kind: kTransport, ctl: uint8(c), id: canID(7, groupTransport, s), length: 8})
	b.claimMsg[c] = b.add(message{kind: kClaim, ctl: uint8(c), id: canID(6, groupClaim, s), length: 8})
}

// silence empties the queue.
func (b *bus) silence() {
	b.heap = b.heap[:0]
	for i, m := range b.msgs {
		b.heap = append(b.heap, slot{never, m.id, int32(i)})
	}
	for c := range b.ctl {
		b.ctl[c].pending, b.ctl[c].sent, b.ctl[c].unsent = 0, 0, 0
	}
}

// step takes over what the world has come to.
func (b *bus) step(w *world, log *ledger) {
	alive := w.alive && w.now >= w.blackout
	switch {
	case alive && !b.alive:
		b.boot(w)
	case !alive && b.alive:
		b.silence()
	}
	b.alive = alive
	b.deaf = !alive || w.deaf()
	b.watchCodes(w)
	if alive {
		b.requests(w)
	}
}

// boot queues everything for a bus whose controllers have just got power.
func (b *bus) boot(w *world) {
	b.silence()
	b.identity = w.identity()
	b.free = max(b.free, w.now)
	for i, m := range b.msgs {
		if m.period > 0 {
			b.setDue(i, w.now+talkAt+m.phase)
		}
	}
	for c := range b.ctl {
		b.setDue(b.claimMsg[c], w.now+claimAt+int64(c)*30*ms)
	}
	if !b.cfg.Habits.QuietKeyOn {
		b.say(0, sayComponent, w.now+whoAt)
		b.say(1, sayVehicle|sayComponent, w.now+whoAt+25*ms)
	}
}

// ready is when the next frame can begin.
func (b *bus) ready() int64 { return max(b.heap[0].due, b.free) }

// send is the frame at the head of the queue, which begins at at. There is none
// where a controller has nothing to say after all or nobody hears it.
func (b *bus) send(w *world, log *ledger, at int64) (Frame, bool) {
	m, due := &b.msgs[b.heap[0].msg], b.heap[0].due
	next := int64(never)
	if m.period > 0 {
		next = due + m.period
		if next <= at {
			next = at + m.period
		}
	}
	b.heap[0].due = next
	b.sink(0)
	f := Frame{AtNS: at, ID: m.id, Len: m.length, Data: [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}}
	said := true
	switch m.kind {
	case kCodes:
		said = b.sendCodes(w, log, m, &f)
	case kTransport:
		said = b.sendPacket(w, log, int(m.ctl), &f)
	default:
		b.fill(w, m, &f)
	}
	if said {
		b.free = at + b.frameNS[f.Len]
	}
	return f, said && !b.deaf
}

// fill composes every message but codes and transport.
func (b *bus) fill(w *world, m *message, f *Frame) {
	d, st := &f.Data, &w.state
	switch m.kind {
	case kOther:
		n := mix(uint64(m.arg)<<40 ^ uint64(w.now-w.start)/uint64(stepNS)>>3)
		binary.LittleEndian.PutUint64(d[:], n&0x7F7F7F7F7F7F7F7F)
		clear(d[f.Len:])
	case kEngineSpeed:
		put16(d, 3, st[EngineSpeed], w.engine/125)
	case kEngineLoad:
		put8(d, 2, st[EngineLoad], w.engineLoad/10_000)
	case kTemperature:
		put8(d, 0, st[CoolantTemperature], w.coolant/1000+40)
	case kFuelRate:
		put16(d, 0, st[FuelRate], w.rateMLH/50)
	case kWheelSpeed: // 1/256 km/h, from mm/s
		put16(d, 1, st[WheelSpeed], w.travel*9216/10_000)
	case kFuelLevel:
		put8(d, 1, st[FuelLevel], w.fuelUL/(fuelTankUL/250))
	case kEngineHours:
		put32(d, 0, st[EngineHours], w.shownMS()/MeterStep)
	case kVehicleHours:
		put32(d, 0, st[VehicleHours], w.meters.Vehicle/MeterStep)
		if w.meters.PTO >= 0 {
			put32(d, 4, st[PTOHours], w.meters.PTO/MeterStep)
		}
	default:
		b.fillOwn(w, m, f)
	}
}

// fillOwn composes the machine's own groups, claims and requests.
func (b *bus) fillOwn(w *world, m *message, f *Frame) {
	d, st := &f.Data, &w.state
	switch m.kind {
	case kShafts:
		put16(d, 0, st[RotorSpeed], w.rotor/250)
		put16(d, 2, st[CleaningDrive], w.cleaning/250)
		put16(d, 4, st[ElevatorShaft], w.elevator/250)
	case kFan:
		put16(d, 1, st[FanShaft], w.fanShaft/500)
		put16(d, 4, st[FanSpeed], w.fan/500)
	case kHeader:
		put16(d, 3, st[HeaderShaft], w.header/250)
	case kCrop:
		put8(d, 0, st[CropFeed], w.feed/5_000)
		put8(d, 1, st[GrainTank], w.tank/4_000)
		put2(d, 3, 0, st[UnloadingAuger], w.auger)
		put2(d, 3, 2, st[RoadMode], w.road)
	case kClaim:
		names := [controllers]*Name{&b.identity.Engine, &b.identity.Thresher, &b.identity.Header}
		*d = names[m.ctl].bytes()
	case kRequest:
		g := b.cfg.Faults.Requested[m.arg].Group
		*d = [8]byte{uint8(g), uint8(g >> 8), uint8(g >> 16)}
	}
}

// requests lets service tools ask, and the machine answer.
func (b *bus) requests(w *world) {
	for i := range b.asks {
		if w.now < b.asks[i] {
			continue
		}
		r := &b.cfg.Faults.Requested[i]
		b.asks[i] = never
		if r.Every > 0 {
			b.asks[i] = w.now + int64(r.Every)
		}
		b.hasten(b.askMsg[i], w.now)
		b.answer(w, r.Group, w.now)
	}
}

// answer queues what a request for a group brings.
func (b *bus) answer(w *world, group uint32, at int64) {
	if !b.alive {
		return
	}
	at += answerIn
	switch group {
	case groupEngineHours:
		if !b.cfg.Habits.NoEngineHours {
			b.hasten(int(kEngineHours), at)
		}
	case groupVehicleHours:
		b.hasten(int(kVehicleHours), at)
	case groupClaim:
		for _, i := range b.claimMsg {
			b.hasten(i, at)
		}
	case groupCodes:
		for c := range b.ctl {
			b.ctl[c].extraAt = at
			b.hasten(b.codesMsg[c], at)
		}
	case groupVehicle:
		b.say(1, sayVehicle, at)
	case groupComponent:
		b.say(0, sayComponent, at)
		b.say(1, sayComponent, at)
	}
}

// hasten brings a message forward, never back.
func (b *bus) hasten(msg int, at int64) {
	for i := range b.heap {
		if b.heap[i].msg == int32(msg) {
			if at < b.heap[i].due {
				b.heap[i].due = at
				b.lift(i)
			}
			return
		}
	}
}

func (b *bus) setDue(msg int, at int64) {
	for i := range b.heap {
		if b.heap[i].msg == int32(msg) {
			b.heap[i].due = at
			b.lift(i)
			b.sink(i)
			return
		}
	}
}

func (b *bus) sink(i int) {
	h := b.heap
	s := h[i]
	for {
		c := 2*i + 1
		if c >= len(h) {
			break
		}
		if c+1 < len(h) && h[c+1].before(h[c]) {
			c++
		}
		if !h[c].before(s) {
			break
		}
		h[i] = h[c]
		i = c
	}
	h[i] = s
}

func (b *bus) lift(i int) {
	h := b.heap
	for i > 0 && h[i].before(h[(i-1)/2]) {
		h[i], h[(i-1)/2] = h[(i-1)/2], h[i]
		i = (i - 1) / 2
	}
}

// mix spreads a number over 64 bits.
func mix(n uint64) uint64 {
	n += 0x9E3779B97F4A7C15
	n = (n ^ n>>30) * 0xBF58476D1CE4E5B9
	n = (n ^ n>>27) * 0x94D049BB133111EB
	return n ^ n>>31
}
