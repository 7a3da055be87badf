package maintenance

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// ServiceKey is the key of the service's own event with a natural name, such as
// ("day", "2031-07-14"): the first 16 bytes of SHA-256 over the parts, each
// with its length before it. Whoever writes the same event writes the same key.
func ServiceKey(parts ...string) Key {
	var k Key
	sum := hashParts("hourbell event", parts...)
	copy(k.Stream[:], sum[:])
	return k
}

// NoticeIDFor numbers the notice of a task's stage in a cycle, so that cab and
// service number it alike. A notice about a doubt has task "" and the doubt's
// key as its cycle.
func NoticeIDFor(machine, task string, cycle Key, stage Stage) NoticeID {
	var c [25]byte
	copy(c[:16], cycle.Stream[:])
	binary.BigEndian.PutUint64(c[16:24], cycle.Seq)
	c[24] = byte(stage)
	sum := hashParts("hourbell notice", machine, task, string(c[:]))
	return NoticeID(sum[:16])
}

func hashParts(what string, parts ...string) [32]byte {
	b := append(make([]byte, 0, 128), what...)
	for _, p := range parts {
		b = binary.AppendUvarint(b, uint64(len(p)))
		b = append(b, p...)
	}
	return sha256.Sum256(b)
}

// IsZero reports whether k names no event.
func (k Key) IsZero() bool { return k == Key{} }

// Compare orders keys by stream, then by sequence.
func (k Key) Compare(o Key) int {
	return cmp.Or(bytes.Compare(k.Stream[:], o.Stream[:]), cmp.Compare(k.Seq, o.Seq))
}

// String gives the stream in hexadecimal digits and, where there is one, the
// sequence number behind a slash.
func (k Key) String() string {
	if k.Seq == 0 {
		return fmt.Sprintf("%x", k.Stream)
	}
	return fmt.Sprintf("%x/%d", k.Stream, k.Seq)
}

// String gives the id in hexadecimal digits.
func (n NoticeID) String() string { return fmt.Sprintf("%x", [16]byte(n)) }

// Kind returns the number of the event's kind of body, 0 where it has none.
func (e *Event) Kind() Kind {
	if hollow(e) {
		return 0
	}
	return e.Body.kind()
}

// hollow reports whether an event has no body, or a body that is a nil pointer.
func hollow(e *Event) bool {
	if e == nil || e.Body == nil {
		return true
	}
	switch b := e.Body.(type) {
	case *Reading:
		return b == nil
	case *Engine:
		return b == nil
	case *Listened:
		return b == nil
	case *Warning:
		return b == nil
	case *DriveMinute:
		return b == nil
	case *BusValues:
		return b == nil
	case *BusNames:
		return b == nil
	case *FieldEvent:
		return b == nil
	case *Thinned:
		return b == nil
	case *ServiceDone:
		return b == nil
	case *Void:
		return b == nil
	case *HandReading:
		return b == nil
	case *DoubtAnswer:
		return b == nil
	case *NoticeAnswer:
		return b == nil
	case *Confirmed:
		return b == nil
	case *Remark:
		return b == nil
	case *RemarkWord:
		return b == nil
	case *Postponed:
		return b == nil
	case *Walk:
		return b == nil
	case *SettingsLeft:
		return b == nil
	case *CauseFound:
		return b == nil
	case *GunMeasured:
		return b == nil
	}
	return hollowService(e.Body)
}

// hollowService is hollow for what the service writes.
func hollowService(body Body) bool {
	switch b := body.(type) {
	case *Commissioned:
		return b == nil
	case *EditionTaken:
		return b == nil
	case *Trait:
		return b == nil
	case *Season:
		return b == nil
	case *DayTurned:
		return b == nil
	case *Attachment:
		return b == nil
	case *Finding:
		return b == nil
	case *NoticeFate:
		return b == nil
	case *SetAside:
		return b == nil
	case *RulesChanged:
		return b == nil
	case *HandedOver:
		return b == nil
	}
	return true
}

// DayKey is the key of a work day's turn: ServiceKey("day", "2031-07-14").
func DayKey(d civil.Date) Key { return ServiceKey("day", d.String()) }
