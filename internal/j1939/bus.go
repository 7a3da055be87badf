package j1939

import (
	"fmt"
	"slices"
)

// Options of a Bus. The zero value decodes every parameter that this package knows.
type Options struct {
	// Signals of this kind of machine; nil for none.
	Signals *Signals
	// SPNs are the only parameters to decode; nil for all.
	SPNs []uint32
	// Conversions names the packing of sources that set the conversion bit in their codes.
	Conversions map[Address]Conversion
	// State is what an earlier Bus remembered; nil for nothing.
	State *BusState
}

// Stats count since the Bus was made.
type Stats struct {
	Frames      uint64 // pushed
	Foreign     uint64 // not read: more than 29 bits of identifier, or more than eight bytes
	Backwards   uint64 // came with a time before the latest
	Extended    uint64 // frames of the extended transport, not read
	ShortCodes  uint64 // messages of codes too short to say anything
	Flickers    uint64 // codes seen once and gone with the next message: never started
	CodesNoRoom uint64 // times that a code could not be followed because 256 are followed already
	Forgotten   uint64 // codes out of sight that were given up to make room for others: their end will not be told
	Transport   TransportStats
}

// Request is one source's asking for a group (group 59904).
type Request struct {
	From, To Address
	Group    Group
}

// Clears tells whether it asks to clear codes, as service tools do: cleared by a tool is not repaired.
func (r Request) Clears() bool { return r.Group == GroupClearPrevious || r.Group == GroupClearActive }

// Report is what one Push or Tick brought. It and all that it points to are valid until the next call.
type Report struct {
	// Message is the frame itself, or the message that it completed. It has a time and nothing else where a frame was a
	// piece of a transfer or foreign, and in a Tick's report.
	Message  Message
	Values   []Value
	Signals  []SignalValue
	Codes    *Codes        // a message of active or previously active codes
	Identity *Identity     // a source tells what it is
	Request  *Request      // a source asks for a group, or to clear codes
	Process  *ProcessValue // process data
	Claims   []Claim       // claims of addresses, and contests decided meanwhile
	Events   []CodeEvent   // starts and ends of codes
	NoRoom   int           // codes of this message that could not be followed: too many
	Broken   []Broken      // transfers that gave no message
}

// kind is what a group needs beyond values and signals.
type kind uint8

const (
	kindNone kind = iota
	kindControl
	kindPacket
	kindActive
	kindPrevious
	kindIdentity
	kindClaim
	kindRequest
	kindProcess
	kindExtended
)

// entry is what is to be done with one group.
type entry struct {
	kind    kind
	fields  []field
	signals []extractor
}

// farTime bounds times (the year 2116, counted from 1970), so that no difference of two runs over.
const farTime = 1<<62 - 1

// Bus decodes one bus. It is not for use by several goroutines at once.
type Bus struct {
	groups     *lookup
	entries    []entry
	conversion [addresses]Conversion
	transport  *transport
	claims     *claims
	tracker    *tracker
	now        int64
	stats      Stats

	report   Report
	codes    Codes
	identity Identity
	request  Request
	process  ProcessValue
}

// NewBus makes a Bus and takes all the memory that it will ever need: some 0.6 MB, of which the parts that no source uses
// are never touched.
func NewBus(opt Options) (*Bus, error) {
	b := &Bus{groups: newLookup(), entries: make([]entry, 1), transport: newTransport(), claims: newClaims(), tracker: newTracker(), now: noTime}
	for a, c := range opt.Conversions {
		if c > Conversion3 {
			return nil, fmt.Errorf("source %d: conversion %d: give 1, 2 or 3", a, c)
		}
		b.conversion[a] = c
	}
	if opt.State != nil {
		if err := opt.State.Validate(); err != nil {
			return nil, err
		}
		b.restore(opt.State)
	}
	if err := b.addParameters(opt.SPNs); err != nil {
		return nil, err
	}
	b.addKinds()
	signals := b.addSignals(opt.Signals)
	b.report = Report{Values: make([]Value, 0, 64), Signals: make([]SignalValue, 0, signals), Claims: make([]Claim, 0, addresses+1)}
	b.codes.List = make([]Code, 0, maxCodes)
	return b, nil
}

// entry gives the entry of a group, made where there is none.
func (b *Bus) entry(g Group) *entry {
	place := b.groups.find(g)
	if place == 0 {
		place = uint16(len(b.entries))
		b.entries = append(b.entries, entry{})
		b.groups.set(g, place)
	}
	return &b.entries[place]
}

func (b *Bus) addParameters(spns []uint32) error {
	for _, spn := range spns {
		if _, ok := FindParameter(spn); !ok {
			return fmt.Errorf("parameter %d is not in the table: describe it as a signal", spn)
		}
	}
	for i := range parameters {
		p := &parameters[i]
		if spns == nil || slices.Contains(spns, p.SPN) {
			e := b.entry(p.Group)
			e.fields = append(e.fields, fieldOf(p))
		}
	}
	return nil
}

func (b *Bus) addKinds() {
	for g, k := range map[Group]kind{
		GroupTransport: kindControl, GroupTransportData: kindPacket,
		GroupExtendedControl: kindExtended, GroupExtendedData: kindExtended,
		GroupActiveCodes: kindActive, GroupPreviousCodes: kindPrevious,
		GroupVehicle: kindIdentity, GroupComponent: kindIdentity, GroupSoftware: kindIdentity, GroupECU: kindIdentity, GroupProduct: kindIdentity,
		GroupAddressClaim: kindClaim, GroupRequest: kindRequest, GroupProcessData: kindProcess,
	} {
		b.entry(g).kind = k
	}
}

// addSignals returns the largest number of signals that one message can give.
func (b *Bus) addSignals(set *Signals) (most int) {
	if set == nil {
		return 0
	}
	for g, list := range set.byGroup {
		b.entry(g).signals = list
		most = max(most, len(list))
	}
	return most
}

// Push takes one frame with a 29-bit identifier and says what it brought. at is when the frame was received. data is not
// kept and not changed.
func (b *Bus) Push(at int64, id uint32, data []byte) *Report {
	b.begin(at)
	b.stats.Frames++
	if id > maxID || len(data) > word {
		b.stats.Foreign++
		return b.end()
	}
	b.frame(at, SplitID(id), data)
	return b.end()
}

// Tick lets time pass without a frame, and says what that brought. Call it about once a second while nothing is heard,
// and at the end of a recording.
func (b *Bus) Tick(at int64) *Report {
	b.begin(at)
	return b.end()
}

// Stats gives the counts since the Bus was made.
func (b *Bus) Stats() Stats {
	s := b.stats
	s.Transport = b.transport.stats
	s.Flickers, s.CodesNoRoom, s.Forgotten = b.tracker.flickers, b.tracker.refused, b.tracker.forgotten
	return s
}

// Name gives the name that holds an address, 0 where it isn't known.
func (b *Bus) Name(a Address) Name { return b.claims.holder[a] }

// begin empties the report and does what has fallen due before this call.
func (b *Bus) begin(at int64) {
	r := &b.report
	*r = Report{Values: r.Values[:0], Signals: r.Signals[:0], Claims: r.Claims[:0], Message: Message{At: at}}
	b.transport.broken = b.transport.broken[:0]
	b.tracker.events = b.tracker.events[:0]
	if at = min(max(at, -farTime), farTime); at < b.now {
		b.stats.Backwards++
	} else {
		b.now = at
	}
	b.transport.tick(b.now)
	for c, ok := b.claims.settle(b.now); ok; c, ok = b.claims.settle(b.now) {
		b.claimed(c)
	}
	b.tracker.tick(b.now)
}

func (b *Bus) end() *Report {
	b.report.Events = b.tracker.events
	b.report.Broken = b.transport.broken
	return &b.report
}

// frame takes one frame by what its group needs.
func (b *Bus) frame(at int64, id ID, data []byte) {
	e := &b.entries[b.groups.find(id.Group)]
	switch e.kind {
	case kindControl:
		carries := b.transport.control(b.now, id, data)
		b.tracker.hear(b.now, id.Source, carries == GroupActiveCodes)
	case kindPacket:
		whole, carries := b.transport.packet(b.now, id, data)
		b.tracker.hear(b.now, id.Source, carries == GroupActiveCodes)
		if whole != nil {
			m := Message{ID: whole.id, Began: whole.began, At: at, Data: whole.buf[:whole.size], Carried: true}
			b.message(&b.entries[b.groups.find(whole.id.Group)], m)
		}
	case kindExtended:
		b.stats.Extended++
		b.tracker.hear(b.now, id.Source, false)
	default:
		b.tracker.hear(b.now, id.Source, e.kind == kindActive)
		b.message(e, Message{ID: id, Began: at, At: at, Data: data})
	}
}

// message takes a whole message.
func (b *Bus) message(e *entry, m Message) {
	b.report.Message = m
	if len(e.fields) > 0 {
		w := firstWord(m.Data)
		for i := range e.fields {
			b.report.Values = append(b.report.Values, e.fields[i].read(w, len(m.Data)))
		}
	}
	if len(e.signals) > 0 {
		b.readSignals(e, m)
	}
	switch e.kind {
	case kindActive, kindPrevious:
		b.readCodes(m)
	case kindIdentity:
		b.identity.decode(identityKind(m.ID.Group), m.ID.Source, m.Data)
		b.report.Identity = &b.identity
	case kindClaim:
		b.readClaim(m)
	case kindRequest:
		b.readRequest(m)
	case kindProcess:
		if v, ok := DecodeProcess(m.ID, m.Data); ok && !m.Carried {
			b.process = v
			b.report.Process = &b.process
		}
	}
}

func (b *Bus) readSignals(e *entry, m Message) {
	w := firstWord(m.Data)
	for i := range e.signals {
		if x := &e.signals[i]; x.any || x.source == m.ID.Source {
			b.report.Signals = append(b.report.Signals, x.read(m.Data, w))
		}
	}
}

func (b *Bus) readCodes(m Message) {
	lamps, list, err := DecodeCodes(b.codes.List[:0], m.Data, b.conversion[m.ID.Source])
	if err != nil {
		b.stats.ShortCodes++
		return
	}
	b.codes = Codes{Group: m.ID.Group, Source: m.ID.Source, Lamps: lamps, List: list}
	b.report.Codes = &b.codes
	if m.ID.Group == GroupActiveCodes {
		before := b.tracker.refused
		b.tracker.take(b.now, &b.codes, b.claims.holder[m.ID.Source])
		b.report.NoRoom = int(b.tracker.refused - before)
	}
}

func (b *Bus) readClaim(m Message) {
	name, ok := DecodeName(m.Data)
	if !ok || name == 0 || m.Carried || m.ID.Source == AddressGlobal {
		return
	}
	b.claimed(b.claims.claim(b.now, m.ID.Source, name))
}

// claimed takes the outcome of a claim to those whom it concerns.
func (b *Bus) claimed(c Claim) {
	b.report.Claims = append(b.report.Claims, c)
	switch c.Outcome {
	case ClaimLost:
		b.tracker.unnamed(b.now, c.Name)
	case ClaimNew:
		b.tracker.named(b.now, c.Source, c.Name)
	case ClaimWon, ClaimReplaced:
		b.transport.drop(b.now, c.Source)
		b.tracker.named(b.now, c.Source, c.Name)
	}
}

const requestSize = 3

func (b *Bus) readRequest(m Message) {
	if len(m.Data) < requestSize || m.Carried {
		return
	}
	group := Group(m.Data[0]) | Group(m.Data[1])<<8 | Group(m.Data[2])<<16
	if group > maxGroup {
		return
	}
	b.request = Request{From: m.ID.Source, To: m.ID.Dest, Group: group}
	b.report.Request = &b.request
}
