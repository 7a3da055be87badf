package listen

import (
	"cmp"
	"slices"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func instant(ns int64) moment.Instant { return moment.Instant(ns / 1e6) }

// code makes an event of a code's start, end or loss from sight. One that goes
// on after it was out of sight is told as started too, so that it is no longer
// unknown.
func (l *Listener) code(e *j1939.CodeEvent) {
	urgent := e.Kind != j1939.CodeUnknown && !e.Again
	l.emit(e.At, urgent, warning(e))
}

func warning(e *j1939.CodeEvent) *maintenance.Warning {
	w := &maintenance.Warning{Occurrences: e.Count}
	w.Code = maintenance.Code{Source: uint8(e.Address), Name: uint64(e.Key.Name), SPN: e.Key.SPN, FMI: e.Key.FMI}
	if e.Key.Name == 0 {
		w.Code.Source = uint8(e.Key.Address)
	}
	if e.Key.Ambiguous() {
		w.Code.SPN, w.Code.FMI, w.Code.Ambiguous, w.Code.Raw = 0, 0, true, e.Raw
		// The count is no part of which code it is.
		w.Code.Raw[3] &= 0x80
	}
	switch e.Kind {
	case j1939.CodeStarted:
		w.Phase = maintenance.WarningStarted
	case j1939.CodeEnded:
		w.Phase = maintenance.WarningEnded
	default:
		w.Phase = maintenance.WarningUnknown
	}
	w.Lamps, _ = e.Lamps.Encode()
	return w
}

// Bounds of what is kept of a name. A vehicle's has 17 signs, an ISO 11783-12
// product's up to 50.
const (
	mostName     = 64
	mostVehicles = 8 // controllers that say a vehicle's name
)

// names gathers how the machine names itself.
type names struct {
	told     maintenance.BusNames
	engine   string
	engineAt int64
	claims   []claimed // by source
	saying   []vehicle
	woke     int64 // when the bus last began to speak
	changed  int64 // when something new was last said
	open     bool  // it was not told yet
}

type claimed struct {
	maintenance.BusName
	at int64
}

// vehicle is one controller's word on which machine this is.
type vehicle struct {
	source j1939.Address
	name   string
	at     int64
}

func newNames(told maintenance.BusNames) names {
	n := names{told: told, engine: told.Engine, engineAt: -1}
	for _, c := range told.Claims {
		n.claims = append(n.claims, claimed{c, -1})
	}
	return n
}

func (n *names) claim(at int64, c *j1939.Claim) {
	if c.Source >= j1939.AddressNull || c.Outcome == j1939.ClaimContested || c.Outcome == j1939.ClaimLost {
		return
	}
	i, there := slices.BinarySearchFunc(n.claims, uint8(c.Source), func(k claimed, source uint8) int { return cmp.Compare(k.Source, source) })
	if !there {
		n.claims = slices.Insert(n.claims, i, claimed{BusName: maintenance.BusName{Source: uint8(c.Source)}})
	}
	k := &n.claims[i]
	if k.Name != uint64(c.Name) {
		k.Name = uint64(c.Name)
		n.news(at)
	}
	k.at = at
}

func (n *names) identity(at int64, id *j1939.Identity) {
	switch {
	case id.Kind == j1939.IdentityVehicle:
		if b := id.Bytes(0); isName(b) {
			n.vehicle(at, id.Source, b)
		}
	case id.Kind == j1939.IdentityComponent && id.Source == engineSource && id.Len() > 2:
		if b := id.Bytes(2); isName(b) {
			n.engineSerial(at, b)
		}
	}
}

func (n *names) engineSerial(at int64, name []byte) {
	if n.engine != string(name) {
		n.engine = string(name)
		n.news(at)
	}
	n.engineAt = at
}

// isName reports whether a field names something: printable, with a letter or a
// digit other than 0 in it. Controllers that were never told fill it up.
func isName(b []byte) bool {
	says := false
	for _, c := range b {
		if c < ' ' || c > '~' {
			return false
		}
		says = says || c >= '1' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z'
	}
	return says && len(b) <= mostName
}

func (n *names) vehicle(at int64, source j1939.Address, name []byte) {
	i := slices.IndexFunc(n.saying, func(v vehicle) bool { return v.source == source })
	if i < 0 && len(n.saying) == mostVehicles {
		return
	}
	if i < 0 {
		i = len(n.saying)
		n.saying = append(n.saying, vehicle{source: source})
	}
	v := &n.saying[i]
	if v.name != string(name) {
		v.name = string(name)
		n.news(at)
	}
	v.at = at
}

func (n *names) news(at int64) { n.changed, n.open = at, true }

// first reports whether new names are to be told before what a meter shows: in
// another machine its hours must not come before its name. What waits meanwhile
// the meter shows again soon. Names that never settle hold nothing up for long.
func (n *names) first(at int64) bool { return n.open && at-n.woke < namesWait }

// pass tells the names once they have stood for a while. What was told before
// and is not heard now is not unsaid: most is said at key-on only.
func (n *names) pass(l *Listener, at int64) {
	if at-n.changed >= namesSettle {
		n.tell(l, at)
	}
}

func (n *names) tell(l *Listener, at int64) {
	if !n.open {
		return
	}
	n.open = false
	tell := maintenance.BusNames{Vehicle: n.which(), Engine: n.engine}
	if n.told.Vehicle != "" && tell.Vehicle != n.told.Vehicle {
		// Another machine: what the former one's controllers said is not this one's.
		n.claims = slices.DeleteFunc(n.claims, func(c claimed) bool { return c.at < n.woke })
		if n.engineAt < n.woke {
			n.engine, tell.Engine = "", ""
		}
	}
	for _, c := range n.claims {
		tell.Claims = append(tell.Claims, c.BusName)
	}
	tell.Confidence = confidence(&tell)
	if tell.Vehicle == n.told.Vehicle && tell.Engine == n.told.Engine && slices.Equal(tell.Claims, n.told.Claims) {
		return
	}
	n.told = tell
	body := tell
	body.Claims = slices.Clone(tell.Claims)
	l.emit(at, false, &body)
}

// which is the vehicle. Controllers may differ in what they say, since one may
// have come from another machine: the name that was told stands while any
// controller says it, or none says anything, since the bus woke.
func (n *names) which() string {
	found := vehicle{source: j1939.AddressGlobal}
	for _, v := range n.saying {
		if v.at < n.woke {
			continue
		}
		if v.name == n.told.Vehicle {
			return v.name
		}
		if v.source < found.source {
			found = v
		}
	}
	if found.name == "" {
		return n.told.Vehicle
	}
	return found.name
}

// confidence is how many independent identities were heard.
func confidence(b *maintenance.BusNames) (c uint8) {
	for _, heard := range []bool{b.Vehicle != "", b.Engine != "", len(b.Claims) > 0} {
		if heard {
			c++
		}
	}
	return c
}
