package office

import (
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Customer owns sites and machines.
type Customer struct {
	ID, Display string
}

// Site is a place with its time zone and the minute at which its work day turns.
type Site struct {
	ID, Customer, Display string
	Zone                  string // IANA name
	TurnsAt               uint16 // minutes after local midnight, 0..1439
}

// Machine is a machine's entry in the registry.
type Machine struct {
	ID, Display    string
	Customer, Site string
	Chart          string // "" before one is chosen
}

// Edition is an edition of a chart.
type Edition struct {
	Chart    string
	Edition  uint32
	Compiled []byte // in the domain's fixed encoding; not to be changed
	Source   []byte // the YAML as it was written; not to be changed
	FileName string
	// Hash is SHA-256 of Compiled, Made when it was kept; both are the office's to
	// fill in.
	Hash [32]byte
	Made moment.Instant
}

// AgentState is whether an agent may speak.
type AgentState uint8

// The states of an agent.
const (
	AgentActive    AgentState = 1
	AgentSuspended AgentState = 2
	AgentRevoked   AgentState = 3 // for good
)

// String is the state in words.
func (s AgentState) String() string {
	switch s {
	case AgentActive:
		return "active"
	case AgentSuspended:
		return "suspended"
	case AgentRevoked:
		return "revoked"
	}
	return "unknown"
}

// Agent is one box.
type Agent struct {
	ID, Machine string
	State       AgentState
	Why         string // of the state
	// Key is SHA-256 of its public key's PKIX form. Next is that of a key it was
	// given a certificate for and has not used yet; zero: none.
	Key, Next [32]byte
	Enrolled  moment.Instant
	Changed   moment.Instant // its state
}

// Knows reports whether a key is one of the agent's.
func (a *Agent) Knows(key [32]byte) bool {
	return key == a.Key || key == a.Next && a.Next != [32]byte{}
}

// Enrolment is a one-time token, without the token.
type Enrolment struct {
	Token    [32]byte // SHA-256
	Machine  string
	Made     moment.Instant
	Expires  moment.Instant
	Replaces bool
	// Once taken:
	Agent       string
	Key         [32]byte
	Taken       moment.Instant
	Certificate []byte
}

// Bearer is a person's token, without the token.
type Bearer struct {
	Token   [32]byte // SHA-256
	Person  string   // pseudonym
	Label   string
	Made    moment.Instant
	Expires moment.Instant // 0: does not
}

// Permission names what may be done. The names are service/access's.
type Permission string

// Grant is what a person may do at a customer.
type Grant struct {
	Customer    string // "": every customer, and the office itself
	Permissions []Permission
}

// Person is who a bearer token stands for.
type Person struct {
	ID     string // pseudonym
	Grants []Grant
}

// May reports whether the person has a permission at a customer; customer ""
// asks for a grant that holds everywhere.
func (p *Person) May(permission Permission, customer string) bool {
	return slices.ContainsFunc(p.Grants, func(g Grant) bool {
		return (g.Customer == "" || g.Customer == customer) && slices.Contains(g.Permissions, permission)
	})
}

// KnowsAny reports whether the person has any permission at a customer.
func (p *Person) KnowsAny(customer string) bool {
	return slices.ContainsFunc(p.Grants, func(g Grant) bool {
		return (g.Customer == "" || g.Customer == customer) && len(g.Permissions) > 0
	})
}
