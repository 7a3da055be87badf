// Package wire maps the domain's events to and from their form on the wire,
// hourbell.v1.Event. It is the only such mapping.
//
// States and compiled charts travel in the domain's own fixed encoding, inside
// protobuf bytes fields, since their hashes are their identity.
package wire

import (
	"fmt"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// MaxEvent is the largest serialised event that is taken, in bytes. Only a
// compiled chart comes near it.
const MaxEvent = 1 << 20

// FieldError says which field of an event can't be taken, and why.
type FieldError struct {
	Field string // path in hourbell.v1.Event
	Why   string
}

// Error names the field and the reason.
func (e *FieldError) Error() string { return fmt.Sprintf("event field %s: %s", e.Field, e.Why) }

// Stamp is when an event was written, by its writer's clock: a time, or, where
// the clock was not set, a boot and the milliseconds since it.
type Stamp struct {
	Time moment.Instant
	Boot uint32
	Mono int64
	// HashAfter is the spool's rolling hash after an event that stands for what
	// is not there any more (thinned or set aside), since it can't be computed
	// from the event's own bytes. Zero for every other event.
	HashAfter [32]byte
}

// Synced reports whether the writer's clock was set.
func (s Stamp) Synced() bool { return s.Time != 0 }

// Marshal appends an event's serialised form to dst.
func Marshal(dst []byte, stamp Stamp, body maintenance.Body) ([]byte, error) {
	m := &pb.Event{TimeMs: int64(stamp.Time), Boot: stamp.Boot, MonotonicMs: stamp.Mono}
	if err := toProto(m, body); err != nil {
		return dst, fmt.Errorf("marshal event: %w", err)
	}
	setHashAfter(m, stamp.HashAfter)
	out, err := proto.MarshalOptions{Deterministic: true}.MarshalAppend(dst, m)
	if err != nil {
		return dst, fmt.Errorf("marshal event: %w", err)
	}
	return out, nil
}

// Unmarshal reads a serialised event. It checks the form: sizes, enumerations,
// ids; what the event says is for the domain to judge. It returns a FieldError
// for a field out of form, and keeps nothing of b.
func Unmarshal(b []byte) (Stamp, maintenance.Body, error) {
	var r maintenance.Reading
	if stamp, ok := new(Decoder).quick(b, &r); ok {
		return stamp, &r, nil
	}
	return new(Decoder).general(b)
}

// Decoder reads events one after the other with less to allocate. The zero
// value is ready; it is for one goroutine.
type Decoder struct {
	m       pb.Event
	names   []string // of meters
	reading maintenance.Reading
}

// Unmarshal does as the function Unmarshal.
func (d *Decoder) Unmarshal(b []byte) (Stamp, maintenance.Body, error) {
	stamp, body, err := d.UnmarshalShared(b)
	if body == &d.reading {
		r := d.reading
		body = &r
	}
	return stamp, body, err
}

// UnmarshalShared does as Unmarshal, but a body that is a reading is the decoder's
// own: it holds until the next call.
func (d *Decoder) UnmarshalShared(b []byte) (Stamp, maintenance.Body, error) {
	if stamp, ok := d.quick(b, &d.reading); ok {
		return stamp, &d.reading, nil
	}
	return d.general(b)
}

// general reads events of every kind.
func (d *Decoder) general(b []byte) (Stamp, maintenance.Body, error) {
	if len(b) > MaxEvent {
		return Stamp{}, nil, &FieldError{"(whole)", fmt.Sprintf("%d bytes, at most %d are taken", len(b), MaxEvent)}
	}
	d.m.Reset()
	if err := proto.Unmarshal(b, &d.m); err != nil {
		return Stamp{}, nil, &FieldError{"(whole)", "not a serialised hourbell.v1.Event: " + err.Error()}
	}
	stamp, err := stampOf(&d.m)
	if err != nil {
		return Stamp{}, nil, err
	}
	body, err := fromProto(&d.m)
	if err != nil {
		return Stamp{}, nil, err
	}
	return stamp, body, nil
}

// The years 1970 to 2170: what a stamp may hold. A doubtful clock is for the
// domain; this only keeps sums from overflowing.
const maxTime = 200 * 366 * 86_400_000

func stampOf(m *pb.Event) (Stamp, error) {
	if m.TimeMs < 0 || m.TimeMs > maxTime {
		return Stamp{}, &FieldError{"time_ms", fmt.Sprintf("%d is outside 0 to %d", m.TimeMs, int64(maxTime))}
	}
	if m.MonotonicMs < 0 || m.MonotonicMs > maxTime {
		return Stamp{}, &FieldError{"monotonic_ms", fmt.Sprintf("%d is outside 0 to %d", m.MonotonicMs, int64(maxTime))}
	}
	hash, err := hashAfter(m)
	if err != nil {
		return Stamp{}, err
	}
	return Stamp{Time: moment.Instant(m.TimeMs), Boot: m.Boot, Mono: m.MonotonicMs, HashAfter: hash}, nil
}

func setHashAfter(m *pb.Event, hash [32]byte) {
	if hash == ([32]byte{}) {
		return
	}
	switch b := m.Body.(type) {
	case *pb.Event_Thinned:
		b.Thinned.HashAfter = hash[:]
	case *pb.Event_SetAside:
		b.SetAside.HashAfter = hash[:]
	}
}

func hashAfter(m *pb.Event) (out [32]byte, err error) {
	var b []byte
	switch body := m.Body.(type) {
	case *pb.Event_Thinned:
		b = body.Thinned.GetHashAfter()
	case *pb.Event_SetAside:
		b = body.SetAside.GetHashAfter()
	}
	if len(b) != 0 && len(b) != len(out) {
		return out, &FieldError{"hash_after", fmt.Sprintf("%d bytes, it has %d", len(b), len(out))}
	}
	copy(out[:], b)
	return out, nil
}

// BootOf is the boot of a serialised event that has no time of its own, 0 of
// any other. It looks at the first fields only.
func BootOf(b []byte) uint32 {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 || typ != protowire.VarintType || num > 2 {
			return 0
		}
		v, m := protowire.ConsumeVarint(b[n:])
		if m < 0 {
			return 0
		}
		switch {
		case num == 1 && v != 0:
			return 0
		case num == 2:
			return uint32(v)
		}
		b = b[n+m:]
	}
	return 0
}

// Event puts an event together: its body as Unmarshal gave it, placed in time.
func Event(key maintenance.Key, writer maintenance.Writer, at moment.Span, known moment.Instant, hash [32]byte, body maintenance.Body) *maintenance.Event {
	e := new(maintenance.Event)
	Put(e, key, writer, at, known, hash, body)
	return e
}

// Put does as Event, in the place of what e was.
func Put(e *maintenance.Event, key maintenance.Key, writer maintenance.Writer, at moment.Span, known moment.Instant, hash [32]byte, body maintenance.Body) {
	if l, ok := body.(*maintenance.Listened); ok {
		span := l.To - l.From
		l.From, l.To = at.NotBefore-span, at.NotBefore
	}
	*e = maintenance.Event{Key: key, Writer: writer, At: at, Known: known, Hash: hash, Body: body}
}
