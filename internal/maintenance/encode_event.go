package maintenance

import "fmt"

// The fixed encodings.
//
// Hash chains cover these bytes, so what is once encoded must encode the same
// for ever. A later build adds to the language so: a new kind of body gets a
// new number and its own description. A new field of a known body, of the
// chart or of the state raises that encoding's version; the field is coded
// after the others, only where the version in the first byte has it, and the
// writer picks the lowest version that can say what is there. So an event
// without the new field keeps its bytes, and old bytes stay readable. Fields
// are never moved, reused or dropped.
const (
	eventVersion = 2
	chartVersion = 2
	stateVersion = 2
)

// MaxEventBytes bounds what DecodeEvent reads: 8 MiB, a chart included.
const MaxEventBytes = 8 << 20

// AppendEvent appends the event's fixed encoding. Bodies that are nil are
// coded as kind 0.
func AppendEvent(dst []byte, e *Event) []byte {
	c := codec{out: dst}
	c.event(e)
	return c.out
}

// DecodeEvent reads what AppendEvent wrote. Errors wrap ErrEncoding and name
// the byte.
func DecodeEvent(b []byte) (*Event, error) {
	if len(b) > MaxEventBytes {
		return nil, fmt.Errorf("decoding event: %w: %d bytes; at most %d", ErrEncoding, len(b), MaxEventBytes)
	}
	c := codec{in: b, reading: true}
	e := new(Event)
	c.event(e)
	if err := c.finish("event"); err != nil {
		return nil, err
	}
	return e, nil
}

// hasHash is the flag of an event that carries its spool's hash.
const hasHash = 1

func (c *codec) event(e *Event) {
	version := c.version(eventVersion)
	kind := e.Kind()
	unsigned(c, &kind)
	unsigned(c, &e.Writer)
	var flags byte
	if e.Hash != [32]byte{} {
		flags = hasHash
	}
	c.byte(&flags)
	if c.reading && flags > hasHash {
		c.fail("unknown flags")
	}
	c.key(&e.Key)
	c.span(&e.At)
	since := int64(uint64(e.Known) - uint64(e.At.NotAfter))
	c.int64(&since)
	if c.reading {
		e.Known = e.At.NotAfter
		e.Known += timeOf(since)
	}
	if flags&hasHash != 0 {
		c.fixed(e.Hash[:])
		if c.reading && e.Hash == [32]byte{} {
			c.fail("a hash of zeros that is said to be there")
		}
	}
	if c.reading {
		e.Body = newBody(kind)
		if e.Body == nil && kind != 0 {
			c.fail(fmt.Sprintf("kind %d is unknown", kind))
		}
	}
	if c.err == nil && kind != 0 {
		c.body(e.Body)
		c.bodyMore(version, e.Body)
	}
}

// newBody returns an empty body of a kind, nil where the kind is unknown.
func newBody(k Kind) Body {
	switch k {
	case KindReading:
		return new(Reading)
	case KindEngine:
		return new(Engine)
	case KindListened:
		return new(Listened)
	case KindWarning:
		return new(Warning)
	case KindDriveMinute:
		return new(DriveMinute)
	case KindBusValues:
		return new(BusValues)
	case KindBusNames:
		return new(BusNames)
	case KindFieldEvent:
		return new(FieldEvent)
	case KindThinned:
		return new(Thinned)
	case KindServiceDone:
		return new(ServiceDone)
	case KindVoid:
		return new(Void)
	case KindHandReading:
		return new(HandReading)
	case KindDoubtAnswer:
		return new(DoubtAnswer)
	case KindNoticeAnswer:
		return new(NoticeAnswer)
	case KindConfirmed:
		return new(Confirmed)
	case KindRemark:
		return new(Remark)
	case KindRemarkWord:
		return new(RemarkWord)
	case KindPostponed:
		return new(Postponed)
	case KindWalk:
		return new(Walk)
	case KindSettingsLeft:
		return new(SettingsLeft)
	case KindCauseFound:
		return new(CauseFound)
	case KindGunMeasured:
		return new(GunMeasured)
	}
	return newServiceBody(k)
}

// newServiceBody is newBody for what the service writes.
func newServiceBody(k Kind) Body {
	switch k {
	case KindCommissioned:
		return new(Commissioned)
	case KindEditionTaken:
		return new(EditionTaken)
	case KindTrait:
		return new(Trait)
	case KindSeason:
		return new(Season)
	case KindDayTurned:
		return new(DayTurned)
	case KindAttachment:
		return new(Attachment)
	case KindFinding:
		return new(Finding)
	case KindNoticeFate:
		return new(NoticeFate)
	case KindSetAside:
		return new(SetAside)
	case KindRulesChanged:
		return new(RulesChanged)
	case KindHandedOver:
		return new(HandedOver)
	}
	return nil
}
