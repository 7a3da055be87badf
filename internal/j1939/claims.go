package j1939

import "math"

const (
	addresses     = 256
	timeContested = 250 * millisecond // a claim that nobody answers in this time stands (J1939-81)
)

// ClaimOutcome says what came of an address claim.
type ClaimOutcome uint8

// The outcomes.
const (
	ClaimNew       ClaimOutcome = iota + 1 // the name is now known to hold the address
	ClaimSame                              // it was known already
	ClaimWon                               // it took the address from a higher name
	ClaimContested                         // a lower name holds the address: the claim stands only if that name doesn't answer within 250 ms
	ClaimReplaced                          // a contested claim was not answered: the former holder is gone
	ClaimLost                              // it says that it has no address (source 254)
)

// String gives the word for people and programs.
func (o ClaimOutcome) String() string {
	words := [...]string{ClaimNew: "new", ClaimSame: "same", ClaimWon: "won", ClaimContested: "contested", ClaimReplaced: "replaced", ClaimLost: "lost"}
	if int(o) < len(words) && words[o] != "" {
		return words[o]
	}
	return "unknown"
}

// Claim is an address claim and what came of it.
type Claim struct {
	At       int64
	Source   Address
	Name     Name
	Outcome  ClaimOutcome
	Previous Name // who held the address, where somebody else did
}

// claims knows which name holds which address.
type claims struct {
	holder    [addresses]Name
	contender [addresses]Name
	since     [addresses]int64 // when the contender claimed
	due       int64            // no contest is decided before
}

func newClaims() *claims { return &claims{due: math.MaxInt64} }

// claim takes a claim of name at source. Call settle first.
func (c *claims) claim(now int64, source Address, name Name) Claim {
	out := Claim{At: now, Source: source, Name: name}
	if source >= AddressNull {
		out.Outcome = ClaimLost
		c.forget(name)
		return out
	}
	held := c.holder[source]
	switch {
	case held == name:
		out.Outcome = ClaimSame
		c.contender[source] = 0
	case held == 0:
		out.Outcome = ClaimNew
		c.take(source, name)
	case name < held:
		out.Outcome, out.Previous = ClaimWon, held
		c.take(source, name)
	default:
		out.Outcome, out.Previous = ClaimContested, held
		if c.contender[source] == 0 || name < c.contender[source] {
			c.contender[source], c.since[source] = name, now
			c.due = min(c.due, now+timeContested)
		}
	}
	return out
}

// take gives the address to the name, which leaves any other.
func (c *claims) take(source Address, name Name) {
	c.forget(name)
	c.holder[source], c.contender[source] = name, 0
}

func (c *claims) forget(name Name) {
	for i := range c.holder {
		if c.holder[i] == name {
			c.holder[i] = 0
		}
		if c.contender[i] == name {
			c.contender[i] = 0
		}
	}
}

// settle decides the first contest that was not answered in time. Call it until ok is false.
func (c *claims) settle(now int64) (out Claim, ok bool) {
	if now <= c.due {
		return Claim{}, false
	}
	c.due = math.MaxInt64
	for i := range c.contender {
		if c.contender[i] == 0 {
			continue
		}
		end := c.since[i] + timeContested
		switch {
		case now <= end:
			c.due = min(c.due, end)
		case !ok:
			source, name := Address(i), c.contender[i]
			out, ok = Claim{At: end, Source: source, Name: name, Outcome: ClaimReplaced, Previous: c.holder[i]}, true
			c.take(source, name)
		default:
			c.due = min(c.due, end)
		}
	}
	return out, ok
}
