package wire

import (
	"fmt"
	"unicode/utf8"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// KeyToProto gives an event's key its form on the wire.
func KeyToProto(k maintenance.Key) *pb.Key {
	return &pb.Key{Stream: k.Stream[:], Sequence: k.Seq}
}

// KeyFromProto reads an event's key; field names it in the error.
func KeyFromProto(field string, k *pb.Key) (maintenance.Key, error) {
	c := &checker{}
	key := c.key(field, k)
	return key, c.error()
}

// CodeToProto gives a code its form on the wire.
func CodeToProto(c maintenance.Code) *pb.Code {
	out := &pb.Code{Source: uint32(c.Source), Name: c.Name, Spn: c.SPN, Fmi: uint32(c.FMI)}
	if c.Ambiguous {
		out.Raw = c.Raw[:]
	}
	return out
}

// CodeFromProto reads a code; field names it in the error.
func CodeFromProto(field string, m *pb.Code) (maintenance.Code, error) {
	c := &checker{}
	code := c.code(field, m)
	return code, c.error()
}

// DayToProto gives a work day its form on the wire.
func DayToProto(d *maintenance.DayTurned) *pb.DayTurned {
	return &pb.DayTurned{DateDays: int32(d.Date), FromMs: int64(d.From), UntilMs: int64(d.Until)}
}

// DayFromProto reads a work day.
func DayFromProto(d *pb.DayTurned) (maintenance.DayTurned, error) {
	c := &checker{}
	day := c.day("day", d)
	return day, c.error()
}

func readingToProto(r *maintenance.Reading) *pb.Reading {
	return &pb.Reading{Meter: r.Meter, ShownMs: int64(r.Shown), ResolutionMs: int64(r.Resolution), Origin: pb.Origin(r.Origin)}
}

func ratioToProto(r maintenance.Ratio) *pb.Ratio {
	if r == (maintenance.Ratio{}) {
		return nil
	}
	return &pb.Ratio{Millionths: r.Millionths, LoadMillionths: r.Load, Samples: r.Samples}
}

func ratio(r *pb.Ratio) maintenance.Ratio {
	return maintenance.Ratio{Millionths: r.GetMillionths(), Load: r.GetLoadMillionths(), Samples: r.GetSamples()}
}

func busValuesToProto(b *maintenance.BusValues) *pb.BusValues {
	out := &pb.BusValues{Values: make([]*pb.BusValue, len(b.Values))}
	for i, v := range b.Values {
		out.Values[i] = &pb.BusValue{Signal: v.Signal, State: pb.ValueState(v.State), Milli: v.Milli}
	}
	return out
}

func busNamesToProto(b *maintenance.BusNames) *pb.BusNames {
	out := &pb.BusNames{Vehicle: b.Vehicle, Engine: b.Engine, Confidence: uint32(b.Confidence)}
	for _, n := range b.Claims {
		out.Claims = append(out.Claims, &pb.BusName{Source: uint32(n.Source), Name: n.Name})
	}
	return out
}

func factsToProto(facts []maintenance.Fact) []*pb.Fact {
	var out []*pb.Fact
	for _, f := range facts {
		out = append(out, &pb.Fact{Name: f.Name, Value: f.Value})
	}
	return out
}

func shownToProto(shown []maintenance.MeterShown) []*pb.MeterShown {
	var out []*pb.MeterShown
	for _, s := range shown {
		out = append(out, &pb.MeterShown{Meter: s.Meter, ShownMs: int64(s.Shown)})
	}
	return out
}

// checker gathers the first thing that is out of form.
type checker struct{ err *FieldError }

func (c *checker) error() error {
	if c.err == nil {
		return nil
	}
	return c.err
}

func (c *checker) fail(field, why string) {
	if c.err == nil {
		c.err = &FieldError{Field: field, Why: why}
	}
}

func (c *checker) within(field string, v, low, high int64) int64 {
	if v < low || v > high {
		c.fail(field, fmt.Sprintf("%d is outside %d to %d", v, low, high))
		return low
	}
	return v
}

func (c *checker) bounded(field, s string, most int) string {
	if len(s) > most {
		c.fail(field, fmt.Sprintf("%d bytes, at most %d are taken", len(s), most))
		return ""
	}
	if !utf8.ValidString(s) {
		c.fail(field, "not valid UTF-8")
		return ""
	}
	return s
}

func (c *checker) text(field, s string) string     { return c.bounded(field, s, maxText) }
func (c *checker) optional(field, s string) string { return c.bounded(field, s, maxName) }

func (c *checker) name(field, s string) string {
	if s == "" {
		c.fail(field, "it is missing")
	}
	return c.bounded(field, s, maxName)
}

func (c *checker) items(field string, n int) bool {
	if n > maxItems {
		c.fail(field, fmt.Sprintf("%d items, at most %d are taken", n, maxItems))
		return false
	}
	return true
}

func (c *checker) key(field string, k *pb.Key) (out maintenance.Key) {
	if len(k.GetStream()) != len(out.Stream) {
		c.fail(field+".stream", fmt.Sprintf("%d bytes, it has %d", len(k.GetStream()), len(out.Stream)))
		return out
	}
	copy(out.Stream[:], k.GetStream())
	out.Seq = k.GetSequence()
	return out
}

func (c *checker) notice(field string, b []byte) (out maintenance.NoticeID) {
	if len(b) != len(out) {
		c.fail(field, fmt.Sprintf("%d bytes, a notice's id has %d", len(b), len(out)))
	}
	copy(out[:], b)
	return out
}

func (c *checker) reading(field string, r *pb.Reading) maintenance.Reading {
	return maintenance.Reading{
		Meter:      c.name(field+".meter", r.GetMeter()),
		Shown:      hours.Millis(c.within(field+".shown_ms", r.GetShownMs(), 0, maxShown)),
		Resolution: hours.Millis(c.within(field+".resolution_ms", r.GetResolutionMs(), 1, maxResolution)),
		Origin:     maintenance.Origin(c.within(field+".origin", int64(r.GetOrigin()), 1, maxOrigin)),
	}
}

func (c *checker) code(field string, m *pb.Code) maintenance.Code {
	out := maintenance.Code{
		Source: uint8(c.within(field+".source", int64(m.GetSource()), 0, 255)),
		Name:   m.GetName(),
		SPN:    uint32(c.within(field+".spn", int64(m.GetSpn()), 0, 1<<19-1)),
		FMI:    uint8(c.within(field+".fmi", int64(m.GetFmi()), 0, 31)),
	}
	switch len(m.GetRaw()) {
	case 0:
	case 4:
		out.Ambiguous = true
		copy(out.Raw[:], m.GetRaw())
		if out.SPN != 0 || out.FMI != 0 {
			c.fail(field+".raw", "an ambiguous code names no SPN and no FMI")
		}
	default:
		c.fail(field+".raw", fmt.Sprintf("%d bytes, it has 4", len(m.GetRaw())))
	}
	return out
}

func (c *checker) warning(m *pb.Warning) *maintenance.Warning {
	return &maintenance.Warning{
		Code:        c.code("warning.code", m.GetCode()),
		Phase:       maintenance.WarningPhase(c.within("warning.phase", int64(m.GetPhase()), 1, 3)),
		Occurrences: uint8(c.within("warning.occurrences", int64(m.GetOccurrences()), 0, 127)),
		Lamps:       uint8(c.within("warning.lamps", int64(m.GetLamps()), 0, 255)),
	}
}

func (c *checker) busValues(m *pb.BusValues) *maintenance.BusValues {
	if !c.items("bus_values.values", len(m.GetValues())) {
		return nil
	}
	out := &maintenance.BusValues{Values: make([]maintenance.BusValue, len(m.GetValues()))}
	for i, v := range m.GetValues() {
		out.Values[i] = maintenance.BusValue{Signal: c.name("bus_values.values.signal", v.GetSignal()),
			State: maintenance.ValueState(c.within("bus_values.values.state", int64(v.GetState()), 1, 3)), Milli: v.GetMilli()}
	}
	return out
}

func (c *checker) busNames(m *pb.BusNames) *maintenance.BusNames {
	out := &maintenance.BusNames{Vehicle: c.optional("bus_names.vehicle", m.GetVehicle()), Engine: c.optional("bus_names.engine", m.GetEngine()),
		Confidence: uint8(c.within("bus_names.confidence", int64(m.GetConfidence()), 0, 255))}
	if !c.items("bus_names.claims", len(m.GetClaims())) {
		return out
	}
	for _, n := range m.GetClaims() {
		out.Claims = append(out.Claims, maintenance.BusName{Source: uint8(c.within("bus_names.claims.source", int64(n.GetSource()), 0, 255)), Name: n.GetName()})
	}
	return out
}

func (c *checker) facts(field string, facts []*pb.Fact) (out []maintenance.Fact) {
	if !c.items(field, len(facts)) {
		return nil
	}
	for _, f := range facts {
		out = append(out, maintenance.Fact{Name: c.name(field+".name", f.GetName()), Value: c.text(field+".value", f.GetValue())})
	}
	return out
}

func (c *checker) shown(field string, shown []*pb.MeterShown) (out []maintenance.MeterShown) {
	if !c.items(field, len(shown)) {
		return nil
	}
	for _, s := range shown {
		out = append(out, maintenance.MeterShown{Meter: c.name(field+".meter", s.GetMeter()), Shown: hours.Millis(c.within(field+".shown_ms", s.GetShownMs(), 0, maxShown))})
	}
	return out
}

func (c *checker) day(field string, d *pb.DayTurned) maintenance.DayTurned {
	out := maintenance.DayTurned{Date: civil.Date(d.GetDateDays()), From: moment.Instant(c.within(field+".from_ms", d.GetFromMs(), 0, maxTime)),
		Until: moment.Instant(c.within(field+".until_ms", d.GetUntilMs(), 0, maxTime))}
	if out.Until <= out.From {
		c.fail(field+".until_ms", "it is not after from_ms")
	}
	return out
}

func (c *checker) edition(m *pb.EditionTaken) *maintenance.EditionTaken {
	chart, err := maintenance.DecodeChart(m.GetChart())
	if err != nil {
		c.fail("edition_taken.chart", err.Error())
	}
	return &maintenance.EditionTaken{Chart: chart, Person: c.optional("edition_taken.person", m.GetPerson())}
}

// NoticeName is a notice's id as people and resource names write it: 32 hex
// digits.
func NoticeName(id maintenance.NoticeID) string { return fmt.Sprintf("%x", id[:]) }

// KeyName is an event's key as resource names write it: the stream's 32 hex
// digits, and for an agent's event a dash and the sequence number.
func KeyName(k maintenance.Key) string {
	if k.Seq == 0 {
		return fmt.Sprintf("%x", k.Stream[:])
	}
	return fmt.Sprintf("%x-%d", k.Stream[:], k.Seq)
}
