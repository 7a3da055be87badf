package j1939

import "math"

// Rules of the tracker of active codes. A code starts at the first message that has it, once it was seen in a second
// message or two seconds went by without a message that lacks it. It ends at the first whole message that lacks it,
// unless it is back within three seconds; or, where its source sends no more messages of codes for five seconds but is
// still heard, at the last one. Where the whole source is silent for five seconds, it is unknown since the source was
// last heard. A transfer that broke off proves nothing, but shows that the source has not stopped sending codes.
const (
	MaxTracked     = 256 // codes followed at once, on one bus
	second         = 1_000_000_000
	confirmSeen    = 2          // messages
	confirmAfter   = 2 * second // or this long
	endAfter       = 3 * second // a code that lacks must stay away this long
	codesSilent    = 5 * second // no message of codes, others heard
	sourceSilent   = 5 * second // nothing heard
	noTime         = math.MinInt64
	maxCodeEvents  = 2*MaxTracked + 2
	neverDue       = math.MaxInt64
	packedExplicit = 1 << 24 // marks Packed as in use
)

// CodeEventKind is what happened to a code.
type CodeEventKind uint8

// The kinds.
const (
	CodeStarted CodeEventKind = iota + 1
	CodeEnded
	CodeUnknown // its source fell silent: not ended, not known to be on
)

// String gives the words for people and programs.
func (k CodeEventKind) String() string {
	switch k {
	case CodeStarted:
		return "started"
	case CodeEnded:
		return "ended"
	case CodeUnknown:
		return "unknown since"
	}
	return "unknown"
}

// CodeKey tells one code of a bus from another. It stays the same from start to end, whatever address the
// source moves to. It is comparable.
type CodeKey struct {
	Name    Name    // of the source, 0 where it wasn't known at the start
	Address Address // of the source at the start; 0 where Name is known
	SPN     uint32  // 0 where ambiguous
	FMI     uint8
	Packed  uint32 // where ambiguous: bytes 0-2 of the code, little endian, and bit 24; else 0
}

// Ambiguous tells that the number can't be known: an older packing, and which isn't said.
func (k CodeKey) Ambiguous() bool { return k.Packed != 0 }

// CodeEvent is the start, the end or the loss from sight of one code.
type CodeEvent struct {
	Kind    CodeEventKind
	Key     CodeKey
	Address Address // where the source is now; AddressNull where it has no address any more
	At      int64   // when it happened
	Found   int64   // when that was certain
	Again   bool    // started: no new start; a code that was unknown is on after all
	Silence bool    // ended: by silence on codes (ISO 11783), not by a message that lacks it
	Lamps   Lamps   // of the last message that had it
	Count   uint8   // occurrences, CountNotAvailable where not counted
	Raw     [4]byte // as sent
}

// tracked is one code that is followed.
type tracked struct {
	CodeState
	round uint32
}

// tracker follows the active codes of one bus. All its memory is fixed.
type tracker struct {
	list      [MaxTracked]tracked
	n         int
	live      [addresses]uint16 // codes of the source
	heard     [addresses]int64  // when the source was last heard, noTime for never
	basis     [addresses]int64  // when the source last sent codes or came back, noTime for never
	due       int64             // nothing falls due before
	round     uint32
	events    []CodeEvent
	refused   uint64
	forgotten uint64
	flickers  uint64
}

func newTracker() *tracker {
	t := &tracker{due: neverDue, events: make([]CodeEvent, 0, maxCodeEvents)}
	for i := range t.heard {
		t.heard[i], t.basis[i] = noTime, noTime
	}
	return t
}

// hear takes note that a source sent something; codes says that it was (a piece of) a message of active codes. Call tick first.
func (t *tracker) hear(now int64, source Address, codes bool) {
	if source >= AddressNull {
		return
	}
	last := t.heard[source]
	t.heard[source] = now
	if codes || last == noTime || now-last >= sourceSilent {
		t.basis[source] = now
		return
	}
	if t.live[source] > 0 && now-t.basis[source] >= codesSilent {
		t.endSilent(now, source)
	}
}

// endSilent ends the codes of a source that is heard but sends no codes any more.
func (t *tracker) endSilent(now int64, source Address) {
	for i := 0; i < t.n; i++ {
		c := &t.list[i]
		if c.Address != source || c.Missing != noTime {
			continue
		}
		if c.Phase != CodePending {
			t.emit(CodeEvent{Kind: CodeEnded, At: t.basis[source], Silence: true}, c, now)
		}
		t.remove(i)
		i--
	}
}

// take takes a whole message of active codes. Call tick and hear first.
func (t *tracker) take(now int64, m *Codes, name Name) {
	if m.Source >= AddressNull {
		return
	}
	t.round++
	for i := range m.List {
		t.present(now, m, &m.List[i], name)
	}
	if t.live[m.Source] > 0 {
		t.absent(now, m.Source)
	}
	t.schedule()
}

func (t *tracker) present(now int64, m *Codes, code *Code, name Name) {
	c := t.find(m.Source, code)
	if c == nil {
		if c = t.add(now, m.Source, code, name); c == nil {
			return
		}
	}
	if c.round == t.round { // twice in one message
		return
	}
	c.round = t.round
	c.Last, c.Missing = now, noTime
	c.Lamps, c.Count, c.Raw = m.Lamps, code.Count, code.Raw
	if c.Phase == CodeActive {
		return
	}
	if c.First == noTime {
		c.First, c.Seen = now, 0
	}
	if c.Seen++; c.Seen >= confirmSeen {
		t.start(c, now)
	}
}

// absent takes note of the source's codes that the message lacks.
func (t *tracker) absent(now int64, source Address) {
	for i := 0; i < t.n; i++ {
		c := &t.list[i]
		if c.Address != source || c.round == t.round {
			continue
		}
		switch {
		case c.Phase == CodePending:
			t.flickers++
			t.remove(i)
			i--
			continue
		case c.Phase == CodeOutOfSight:
			c.First, c.Seen = noTime, 0
		}
		if c.Missing == noTime {
			c.Missing = now
		}
	}
}

// tick lets time pass.
func (t *tracker) tick(now int64) {
	if now < t.due {
		return
	}
	for i := 0; i < t.n; i++ {
		if t.settle(&t.list[i], now) {
			t.remove(i)
			i--
		}
	}
	t.schedule()
}

// settle does what has fallen due for one code; true where it is over.
func (t *tracker) settle(c *tracked, now int64) (over bool) {
	if c.Missing != noTime && now-c.Missing >= endAfter {
		t.emit(CodeEvent{Kind: CodeEnded, At: c.Missing}, c, now)
		return true
	}
	if c.Phase != CodeActive && c.First != noTime && now-c.First >= confirmAfter {
		t.start(c, now)
	}
	if c.Phase == CodeActive && t.isSilent(c, now) {
		c.Phase, c.Unknown = CodeOutOfSight, t.heard[c.Address]
		c.First, c.Seen = noTime, 0
		t.emit(CodeEvent{Kind: CodeUnknown, At: c.Unknown}, c, now)
	}
	return false
}

func (t *tracker) isSilent(c *tracked, now int64) bool {
	return c.Address < AddressNull && now-t.heard[c.Address] >= sourceSilent
}

// start says that a code is on: new, or again after it was unknown.
func (t *tracker) start(c *tracked, now int64) {
	again := c.Phase == CodeOutOfSight
	c.Phase = CodeActive
	t.emit(CodeEvent{Kind: CodeStarted, At: c.First, Again: again}, c, now)
	c.First, c.Seen, c.Unknown = noTime, 0, noTime
}

// schedule finds when the next thing falls due.
func (t *tracker) schedule() {
	t.due = neverDue
	for i := range t.n {
		c := &t.list[i]
		if c.Missing != noTime {
			t.due = min(t.due, c.Missing+endAfter)
		}
		if c.Phase != CodeActive && c.First != noTime {
			t.due = min(t.due, c.First+confirmAfter)
		}
		if c.Phase == CodeActive && c.Address < AddressNull {
			t.due = min(t.due, t.heard[c.Address]+sourceSilent)
		}
	}
}

// named takes note that a name holds an address now: its codes go with it, another's stay behind.
func (t *tracker) named(now int64, source Address, name Name) {
	for i := 0; i < t.n; i++ {
		c := &t.list[i]
		switch {
		case c.Owner == name && c.Address != source:
			t.move(c, source)
			t.basis[source] = now
		case c.Address == source && c.Owner == 0:
			c.Owner = name
		case c.Address == source && c.Owner != name:
			if t.strand(c, now) {
				t.remove(i)
				i--
			}
		}
	}
	t.schedule()
}

// unnamed takes note that a name has no address any more.
func (t *tracker) unnamed(now int64, name Name) {
	for i := 0; i < t.n; i++ {
		if c := &t.list[i]; c.Owner == name && c.Address != AddressNull && t.strand(c, now) {
			t.remove(i)
			i--
		}
	}
	t.schedule()
}

// strand takes a code from its address, because its owner isn't there any more; true where it had not started.
func (t *tracker) strand(c *tracked, now int64) (over bool) {
	if c.Phase == CodePending {
		t.flickers++
		return true
	}
	t.move(c, AddressNull)
	c.First, c.Seen, c.Missing = noTime, 0, noTime
	if c.Phase == CodeActive {
		c.Phase, c.Unknown = CodeOutOfSight, c.Last
		t.emit(CodeEvent{Kind: CodeUnknown, At: c.Unknown}, c, now)
	}
	return false
}

func (t *tracker) move(c *tracked, to Address) {
	t.live[c.Address]--
	c.Address = to
	t.live[to]++
}

func (t *tracker) emit(e CodeEvent, c *tracked, now int64) {
	e.Key, e.Address, e.Found = c.Key, c.Address, now
	e.Lamps, e.Count, e.Raw = c.Lamps, c.Count, c.Raw
	t.events = append(t.events, e)
}

func (t *tracker) find(source Address, code *Code) *tracked {
	packed := packedOf(code)
	for i := range t.n {
		c := &t.list[i]
		if c.Address == source && c.Key.SPN == code.SPN && c.Key.FMI == code.FMI && c.Key.Packed == packed {
			return c
		}
	}
	return nil
}

// add gives a new code a place, nil where there is none left: that is counted. A code that is out of sight makes room
// for one that is seen, the one not seen for longest first.
func (t *tracker) add(now int64, source Address, code *Code, name Name) *tracked {
	if t.n == MaxTracked && !t.forget() {
		t.refused++
		return nil
	}
	c := &t.list[t.n]
	t.n++
	t.live[source]++
	*c = tracked{CodeState: CodeState{
		Owner:   name,
		Key:     CodeKey{Name: name, SPN: code.SPN, FMI: code.FMI, Packed: packedOf(code)},
		Address: source, Phase: CodePending, First: now, Last: now, Missing: noTime, Unknown: noTime,
	}}
	if name == 0 {
		c.Key.Address = source
	}
	return c
}

// forget gives up the code that is out of sight for longest; false where none is.
func (t *tracker) forget() bool {
	oldest := -1
	for i := range t.n {
		if c := &t.list[i]; c.Phase == CodeOutOfSight && c.First == noTime && (oldest < 0 || c.Last < t.list[oldest].Last) {
			oldest = i
		}
	}
	if oldest < 0 {
		return false
	}
	t.remove(oldest)
	t.forgotten++
	return true
}

func (t *tracker) remove(i int) {
	t.live[t.list[i].Address]--
	t.n--
	t.list[i] = t.list[t.n]
}

// packedOf gives the bytes that tell an ambiguous code from others: all but the count, which changes.
func packedOf(code *Code) uint32 {
	if !code.Ambiguous {
		return 0
	}
	return packedExplicit | uint32(code.Raw[0]) | uint32(code.Raw[1])<<8 | uint32(code.Raw[2])<<16
}
