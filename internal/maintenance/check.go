package maintenance

import (
	"fmt"
	"unicode/utf8"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The limits of what an event may carry.
const (
	maxID   = 128   // bytes of an id, a name, a unit
	maxText = 4096  // bytes of what people write
	maxList = 512   // elements of a list
	maxCut  = 65536 // bytes of an event that is set aside
)

// fault is what is wrong with an event: where, why and what to do.
type fault struct{ field, why, do string }

func (f *fault) text() string { return f.field + ": " + f.why }

// checkEvent holds an event to what the language allows, whatever the state.
// It is part of the rules: an event that fails it changes nothing when applied.
func checkEvent(e *Event) *fault {
	if f := checkEnvelope(e); f != nil {
		return f
	}
	switch b := e.Body.(type) {
	case *Reading:
		return checkReading(b)
	case *HandReading:
		r := b.Reading
		r.Origin = OriginPerson
		return first(checkReading(&r), id("person", b.Person, true))
	case *Engine:
		return nil
	case *Listened:
		return checkListened(b)
	case *Warning:
		return checkWarning(b)
	case *DriveMinute:
		return id("drive", b.Drive, false)
	case *BusValues:
		return checkValues(b)
	case *BusNames:
		return checkNames(b)
	case *FieldEvent:
		return checkFieldEvent(b)
	case *Thinned:
		return checkThinned(e, b)
	}
	return checkWords(e)
}

// checkEnvelope checks the key, the writer and the times.
func checkEnvelope(e *Event) *fault {
	_, aside := e.Body.(*SetAside)
	switch {
	case e.Key.Stream == [16]byte{}:
		return &fault{"key", "the event has no key", "give it the spool's epoch, an act's id or ServiceKey"}
	case e.Writer < WriterAgent || e.Writer > WriterService:
		return &fault{"writer", "nobody is said to have written it", "say agent, person or service"}
	case e.Writer == WriterAgent && e.Key.Seq == 0:
		return &fault{"key", "an agent's event has no sequence number", "number the spool's events from 1"}
	case e.Writer == WriterService && e.Key.Seq != 0 && !aside:
		return &fault{"key", "the service's event has a sequence number", "give it 0"}
	case e.Writer == WriterAgent && e.Body.kind() >= KindCommissioned && !aside:
		return &fault{"writer", "an agent can't write what the service writes", "let the service write it"}
	case !e.At.Valid():
		return &fault{"at", "the time ends before it begins or lies outside the years 1970 to 9999", "give not before and not after in order"}
	case e.Known < 0 || e.Known > moment.Latest:
		return &fault{"known", "the time lies outside the years 1970 to 9999", "give when it was taken in"}
	}
	return nil
}

func checkReading(r *Reading) *fault {
	switch {
	case r.Shown < 0:
		return &fault{"shown", "hours below 0", "read the meter again; a difference is no reading"}
	case r.Shown > hours.Most:
		return &fault{"shown", "more than 999999999 h", "read the meter again"}
	case r.Resolution <= 0 || r.Resolution > 100*hours.Hour:
		return &fault{"resolution", fmt.Sprintf("%d ms", r.Resolution), "give the meter's own step, above 0 and up to 100 h"}
	case r.Origin < OriginBus || r.Origin > OriginFeed:
		return &fault{"origin", fmt.Sprintf("origin %d is unknown", r.Origin), "say bus, derived, person or feed"}
	}
	return id("meter", r.Meter, false)
}

func checkListened(l *Listened) *fault {
	if l.From <= 0 || l.To < l.From || l.To > moment.Latest {
		return &fault{"from", "the span has no beginning or ends before it", "give two instants in order"}
	}
	return nil
}

func checkWarning(w *Warning) *fault {
	switch {
	case w.Code.SPN > 524287:
		return &fault{"spn", fmt.Sprintf("%d", w.Code.SPN), "it has 19 bits: 0 to 524287"}
	case w.Code.FMI > 31:
		return &fault{"fmi", fmt.Sprintf("%d", w.Code.FMI), "it has 5 bits: 0 to 31"}
	case w.Code.Ambiguous && (w.Code.SPN != 0 || w.Code.FMI != 0):
		return &fault{"code", "an ambiguous code with a number", "leave SPN and FMI 0 and give the four bytes"}
	case !w.Code.Ambiguous && w.Code.Raw != [4]byte{}:
		return &fault{"raw", "raw bytes of a code that is not ambiguous", "leave them 0"}
	case w.Phase < WarningStarted || w.Phase > WarningUnknown:
		return &fault{"phase", fmt.Sprintf("phase %d is unknown", w.Phase), "say started, ended or unknown"}
	case w.Occurrences > 127:
		return &fault{"occurrences", fmt.Sprintf("%d", w.Occurrences), "it has 7 bits; 127 is not available"}
	}
	return nil
}

func checkValues(b *BusValues) *fault {
	if len(b.Values) > ValuesKept {
		return &fault{"values", fmt.Sprintf("%d values", len(b.Values)), fmt.Sprintf("send at most %d", ValuesKept)}
	}
	for i := range b.Values {
		v := &b.Values[i]
		if v.State < ValueOK || v.State > ValueNotAvailable {
			return &fault{"state", fmt.Sprintf("state %d is unknown", v.State), "say ok, error or not available"}
		}
		if f := id("signal", v.Signal, false); f != nil {
			return f
		}
	}
	return nil
}

func checkNames(b *BusNames) *fault {
	if len(b.Claims) > 256 {
		return &fault{"claims", fmt.Sprintf("%d claims", len(b.Claims)), "a bus has at most 254 sources"}
	}
	return first(id("vehicle", b.Vehicle, true), id("engine", b.Engine, true))
}

func checkThinned(e *Event, b *Thinned) *fault {
	if b.Events == 0 || b.Events > e.Key.Seq || e.Writer != WriterAgent {
		return &fault{"events", fmt.Sprintf("%d events end at number %d", b.Events, e.Key.Seq), "count those dropped; the key is the last of them"}
	}
	return nil
}

func checkFacts(facts []Fact) *fault {
	if len(facts) > maxList {
		return &fault{"facts", fmt.Sprintf("%d facts", len(facts)), fmt.Sprintf("at most %d", maxList)}
	}
	for i := range facts {
		if f := first(id("fact", facts[i].Name, false), text("fact", facts[i].Value)); f != nil {
			return f
		}
	}
	return nil
}

// id checks a short name; empty where that may be.
func id(field, s string, empty bool) *fault {
	switch {
	case s == "" && !empty:
		return &fault{field, "it is empty", "name it"}
	case len(s) > maxID:
		return &fault{field, fmt.Sprintf("%d bytes", len(s)), fmt.Sprintf("use at most %d", maxID)}
	case !utf8.ValidString(s):
		return &fault{field, "it is not UTF-8", "write it as UTF-8"}
	}
	return nil
}

// text checks what people write.
func text(field, s string) *fault {
	switch {
	case len(s) > maxText:
		return &fault{field, fmt.Sprintf("%d bytes", len(s)), fmt.Sprintf("use at most %d", maxText)}
	case !utf8.ValidString(s):
		return &fault{field, "it is not UTF-8", "write it as UTF-8"}
	}
	return nil
}

func first(faults ...*fault) *fault {
	for _, f := range faults {
		if f != nil {
			return f
		}
	}
	return nil
}
