package j1939

import "math"

// MaxMessage is the largest message that the transport carries: 255 packets of 7 bytes.
const MaxMessage = maxPackets * packetData

const (
	maxPackets     = 255
	packetData     = 7
	maxBroadcasts  = 256 // one a source
	maxConnections = 32
)

// Transport control, group 60416, eight bytes:
//
//	byte    0      1-2     3        4          5-7
//	RTS     16     size    packets  a window   group
//	CTS     17     window  next  FF FF         group     (bytes 1 and 2)
//	EOM     19     size    packets  FF         group
//	BAM     32     size    packets  FF         group
//	abort   255    reason  FF FF FF            group
//
// Transport data, group 60160: byte 0 the number of the packet, from 1; bytes 1-7 data.
const (
	controlRequest   = 16
	controlClear     = 17
	controlEnd       = 19
	controlBroadcast = 32
	controlAbort     = 255

	atControl  = 0
	atSize     = 1
	atPackets  = 3
	atWindow   = 1
	atNext     = 2
	atGroup    = 5
	atSequence = 0
	atData     = 1
)

// Time limits of the transport in nanoseconds (J1939-21).
const (
	millisecond = 1_000_000
	timeT1      = 750 * millisecond  // next packet
	timeT2      = 1250 * millisecond // first packet after a clear to send
	timeT3      = 1250 * millisecond // answer to a request to send or to the end of a window
	timeT4      = 1050 * millisecond // next clear to send after one that said wait
)

// BreakReason says why a transfer gave no message.
type BreakReason uint8

// The reasons.
const (
	BreakTimeout    BreakReason = iota + 1 // the next packet or answer didn't come in time
	BreakSequence                          // a packet is missing, repeated or out of turn
	BreakSuperseded                        // the same source announced anew
	BreakAborted                           // one of the two sides gave up
	BreakShort                             // a packet with too few bytes
	BreakAddress                           // the source's address went to another sender
)

// String gives the word for people and programs.
func (r BreakReason) String() string {
	words := [...]string{BreakTimeout: "timeout", BreakSequence: "sequence", BreakSuperseded: "superseded", BreakAborted: "aborted", BreakShort: "short packet", BreakAddress: "address changed"}
	if int(r) < len(words) && words[r] != "" {
		return words[r]
	}
	return "unknown"
}

// Message is a message that came whole, at once or by transport.
type Message struct {
	ID      ID // priority, group, source and destination of the message itself
	Began   int64
	At      int64  // when its last piece came
	Data    []byte // valid until the next call
	Carried bool   // came by transport
}

// Broken is a transfer that gave no message. It proves nothing about what it would have said.
type Broken struct {
	ID     ID
	Began  int64
	At     int64 // when it was found broken
	Got    int   // packets that had come
	Want   int   // packets announced
	Reason BreakReason
}

// TransportStats count transfers since the start.
type TransportStats struct {
	Whole   uint64 // messages made whole
	Broken  uint64 // transfers that broke off
	Refused uint64 // announcements that no message can have, or beyond the connections that are followed at once
	Stray   uint64 // packets and answers that belong to no transfer that is followed
}

// transfer is one message under way.
type transfer struct {
	id       ID
	began    int64
	deadline int64
	size     uint16
	packets  uint8
	next     uint16 // packet that must come next, 1-based
	window   uint16 // last packet that was cleared to send; 0 while none was heard
	buf      [MaxMessage]byte
}

// transport puts messages together: a broadcast a source and 32 connections at once, whatever is sent.
type transport struct {
	broadcasts  *[maxBroadcasts]transfer
	connections *[maxConnections]transfer
	active      [maxBroadcasts / 64]uint64
	connected   uint32
	due         int64 // no transfer runs out before
	broken      []Broken
	stats       TransportStats
}

func newTransport() *transport {
	return &transport{
		broadcasts:  new([maxBroadcasts]transfer),
		connections: new([maxConnections]transfer),
		due:         math.MaxInt64,
		broken:      make([]Broken, 0, maxBroadcasts+maxConnections+1),
	}
}

// control takes a frame of group 60416. carries is the group that the frame announces, 0 where it announces none.
func (t *transport) control(now int64, id ID, data []byte) (carries Group) {
	if len(data) < 8 {
		t.stats.Refused++
		return 0
	}
	group := Group(data[atGroup]) | Group(data[atGroup+1])<<8 | Group(data[atGroup+2])<<16
	switch data[atControl] {
	case controlBroadcast, controlRequest:
		t.announce(now, id, group, data)
		return group
	case controlClear:
		t.clear(now, id, group, data)
	case controlEnd:
		t.finish(now, id, group)
	case controlAbort:
		t.abort(now, id, group)
	default:
		t.stats.Refused++
	}
	return 0
}

// announce opens a transfer and breaks the one that it takes the place of.
func (t *transport) announce(now int64, id ID, group Group, data []byte) {
	broadcast := data[atControl] == controlBroadcast
	size := int(data[atSize]) | int(data[atSize+1])<<8
	packets := int(data[atPackets])
	if broadcast != (id.Dest == AddressGlobal) || group > maxGroup || group.Addressed() && group&extendedMask != 0 ||
		size == 0 || size > MaxMessage || packets != (size+packetData-1)/packetData {
		t.stats.Refused++
		return
	}
	x := t.open(now, id, broadcast)
	if x == nil {
		t.stats.Refused++
		return
	}
	x.id = ID{Priority: id.Priority, Group: group, Source: id.Source, Dest: id.Dest}
	x.began, x.size, x.packets, x.next, x.window = now, uint16(size), uint8(packets), 1, 0
	limit := int64(timeT3)
	if broadcast {
		limit = timeT1
	}
	t.wait(x, now+limit)
}

// open finds the place of a new transfer, nil where every connection is taken.
func (t *transport) open(now int64, id ID, broadcast bool) *transfer {
	if broadcast {
		x := &t.broadcasts[id.Source]
		if t.isActive(id.Source) {
			t.fail(x, now, BreakSuperseded)
		}
		t.active[id.Source/64] |= 1 << (id.Source % 64)
		return x
	}
	if i := t.connection(id.Source, id.Dest); i >= 0 {
		t.fail(&t.connections[i], now, BreakSuperseded)
		return &t.connections[i]
	}
	for i := range maxConnections {
		if t.connected&(1<<i) == 0 {
			t.connected |= 1 << i
			return &t.connections[i]
		}
	}
	return nil
}

// packet takes a frame of group 60160. whole is the message that it completes, nil where it doesn't; carries
// the group that it is a piece of, 0 where it belongs to no transfer.
func (t *transport) packet(now int64, id ID, data []byte) (whole *transfer, carries Group) {
	x, i := t.find(id)
	if x == nil || len(data) == 0 {
		t.stats.Stray++
		return nil, 0
	}
	carries = x.id.Group
	start := int(x.next-1) * packetData
	n := min(packetData, int(x.size)-start)
	switch {
	case uint16(data[atSequence]) != x.next:
		t.release(id, i)
		t.fail(x, now, BreakSequence)
		return nil, carries
	case len(data) < atData+n:
		t.release(id, i)
		t.fail(x, now, BreakShort)
		return nil, carries
	}
	copy(x.buf[start:start+n], data[atData:atData+n])
	if x.next == uint16(x.packets) {
		t.release(id, i)
		t.stats.Whole++
		return x, carries
	}
	limit := int64(timeT1)
	if i >= 0 && x.next == x.window {
		limit = timeT3
	}
	x.next++
	t.wait(x, now+limit)
	return nil, carries
}

// find gives the transfer that a packet belongs to, and its place among the connections or -1.
func (t *transport) find(id ID) (*transfer, int) {
	if id.Dest == AddressGlobal {
		if t.isActive(id.Source) {
			return &t.broadcasts[id.Source], -1
		}
		return nil, -1
	}
	if i := t.connection(id.Source, id.Dest); i >= 0 {
		return &t.connections[i], i
	}
	return nil, -1
}

// clear takes the receiver's leave to send packets, or its asking for some of them again.
func (t *transport) clear(now int64, id ID, group Group, data []byte) {
	i := t.connection(id.Dest, id.Source)
	if i < 0 || t.connections[i].id.Group != group {
		t.stats.Stray++
		return
	}
	x := &t.connections[i]
	window, next := uint16(data[atWindow]), uint16(data[atNext])
	if window == 0 {
		t.wait(x, now+timeT4)
		return
	}
	if next == 0 || next > x.next {
		t.connected &^= 1 << i
		t.fail(x, now, BreakSequence)
		return
	}
	x.next, x.window = next, min(next+window-1, uint16(x.packets))
	t.wait(x, now+timeT2)
}

// finish takes the receiver's word that it has all; where a packet wasn't heard here, it breaks.
func (t *transport) finish(now int64, id ID, group Group) {
	i := t.connection(id.Dest, id.Source)
	if i < 0 || t.connections[i].id.Group != group {
		return
	}
	t.connected &^= 1 << i
	t.fail(&t.connections[i], now, BreakSequence)
}

// abort takes the word of either side that it gives up.
func (t *transport) abort(now int64, id ID, group Group) {
	for _, i := range [2]int{t.connection(id.Source, id.Dest), t.connection(id.Dest, id.Source)} {
		if i >= 0 && t.connections[i].id.Group == group {
			t.connected &^= 1 << i
			t.fail(&t.connections[i], now, BreakAborted)
		}
	}
}

// drop breaks what a source is sending.
func (t *transport) drop(now int64, source Address) {
	if t.isActive(source) {
		t.active[source/64] &^= 1 << (source % 64)
		t.fail(&t.broadcasts[source], now, BreakAddress)
	}
	for i := range maxConnections {
		if t.connected&(1<<i) != 0 && t.connections[i].id.Source == source {
			t.connected &^= 1 << i
			t.fail(&t.connections[i], now, BreakAddress)
		}
	}
}

// tick breaks what has run out.
func (t *transport) tick(now int64) {
	if now <= t.due {
		return
	}
	t.due = math.MaxInt64
	for source := range maxBroadcasts {
		a := Address(source)
		if !t.isActive(a) {
			continue
		}
		if t.runOut(&t.broadcasts[a], now) {
			t.active[a/64] &^= 1 << (a % 64)
		}
	}
	for i := range maxConnections {
		if t.connected&(1<<i) != 0 && t.runOut(&t.connections[i], now) {
			t.connected &^= 1 << i
		}
	}
}

func (t *transport) runOut(x *transfer, now int64) bool {
	if now > x.deadline {
		t.fail(x, now, BreakTimeout)
		return true
	}
	t.due = min(t.due, x.deadline)
	return false
}

func (t *transport) wait(x *transfer, deadline int64) {
	x.deadline = deadline
	t.due = min(t.due, deadline)
}

func (t *transport) release(id ID, connection int) {
	if connection >= 0 {
		t.connected &^= 1 << connection
		return
	}
	t.active[id.Source/64] &^= 1 << (id.Source % 64)
}

func (t *transport) fail(x *transfer, now int64, why BreakReason) {
	t.stats.Broken++
	t.broken = append(t.broken, Broken{ID: x.id, Began: x.began, At: now, Got: int(x.next) - 1, Want: int(x.packets), Reason: why})
}

func (t *transport) isActive(source Address) bool {
	return t.active[source/64]&(1<<(source%64)) != 0
}

// connection finds the one from source to dest, -1 where there is none.
func (t *transport) connection(source, dest Address) int {
	if t.connected == 0 {
		return -1
	}
	for i := range maxConnections {
		if id := &t.connections[i].id; t.connected&(1<<i) != 0 && id.Source == source && id.Dest == dest {
			return i
		}
	}
	return -1
}
