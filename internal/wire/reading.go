package wire

import (
	"math"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Nearly all events are readings, and a writer in its right mind puts the fields
// of one in the order of their numbers, each once. Those are read here, without the
// general path's trees: it gives the same, which a fuzz test holds it to. Whatever
// is out of the ordinary, or out of form, is left to the general path.

// Field numbers of hourbell.v1.Event and hourbell.v1.Reading.
const (
	eventTime      protowire.Number = 1
	eventBoot      protowire.Number = 2
	eventMonotonic protowire.Number = 3
	eventReading   protowire.Number = 10

	readingMeter      protowire.Number = 1
	readingShown      protowire.Number = 2
	readingResolution protowire.Number = 3
	readingOrigin     protowire.Number = 4
)

// Bounds of a reading's form.
const (
	maxShown      = 999_999_999 * 3_600_000 // hours.Most
	maxResolution = int64(1000 * hours.Hour)
	maxOrigin     = int64(maintenance.OriginFeed)
)

// namesKept is how many meters' names a decoder remembers: a machine has a few.
const namesKept = 8

// quick reads a serialised event that is a plain reading into r. It reports false,
// having done nothing that counts, for every other.
func (d *Decoder) quick(b []byte, r *maintenance.Reading) (stamp Stamp, ok bool) {
	var time, boot, mono uint64
	b, time = varintField(b, eventTime)
	b, boot = varintField(b, eventBoot)
	b, mono = varintField(b, eventMonotonic)
	if time > maxTime || boot > math.MaxUint32 || mono > maxTime {
		return stamp, false
	}
	body, ok := lastField(b, eventReading)
	if !ok || !d.quickBody(body, r) {
		return stamp, false
	}
	return Stamp{Time: moment.Instant(time), Boot: uint32(boot), Mono: int64(mono)}, true
}

func (d *Decoder) quickBody(b []byte, r *maintenance.Reading) bool {
	name, b, ok := bytesField(b, readingMeter)
	if !ok || len(name) == 0 || len(name) > maxName {
		return false
	}
	var shown, resolution, origin uint64
	b, shown = varintField(b, readingShown)
	b, resolution = varintField(b, readingResolution)
	b, origin = varintField(b, readingOrigin)
	if len(b) > 0 || shown > maxShown || resolution-1 >= uint64(maxResolution) || origin-1 >= uint64(maxOrigin) {
		return false
	}
	if r.Meter, ok = d.name(name); !ok {
		return false
	}
	r.Shown, r.Resolution, r.Origin = hours.Millis(shown), hours.Millis(resolution), maintenance.Origin(origin)
	return true
}

// name gives a meter's name as a string, the same one again where it is known.
func (d *Decoder) name(b []byte) (string, bool) {
	for _, s := range d.names {
		if s == string(b) { // makes no copy
			return s, true
		}
	}
	if !utf8.Valid(b) {
		return "", false
	}
	s := string(b)
	if len(d.names) < namesKept {
		d.names = append(d.names, s)
	}
	return s, true
}

// varintField takes a varint field off the front of b, where b begins with it; 0
// otherwise. A varint that is cut off stays, so that the next who looks fails.
func varintField(b []byte, num protowire.Number) (rest []byte, v uint64) {
	if len(b) < 2 || b[0] != byte(num<<3)|byte(protowire.VarintType) {
		return b, 0
	}
	v, n := protowire.ConsumeVarint(b[1:])
	if n < 0 {
		return b, 0
	}
	return b[1+n:], v
}

// bytesField takes a field of bytes off the front of b.
func bytesField(b []byte, num protowire.Number) (v, rest []byte, ok bool) {
	if len(b) < 2 || b[0] != byte(num<<3)|byte(protowire.BytesType) {
		return nil, b, false
	}
	v, n := protowire.ConsumeBytes(b[1:])
	if n < 0 {
		return nil, b, false
	}
	return v, b[1+n:], true
}

// lastField gives a field of bytes that is all of b.
func lastField(b []byte, num protowire.Number) ([]byte, bool) {
	v, rest, ok := bytesField(b, num)
	return v, ok && len(rest) == 0
}
