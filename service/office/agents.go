package office

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base32"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
)

// The lives of an enrolment.
const (
	// EnrolmentLife is how long a token is good where nobody says otherwise.
	EnrolmentLife = 72 * time.Hour
	// MaxEnrolmentLife is the longest that is given.
	MaxEnrolmentLife = 30 * 24 * time.Hour
	// RepeatWithin is how long the same token with the same key repeats the answer.
	RepeatWithin = time.Hour
)

// Enrolling says how a token is to be.
type Enrolling struct {
	Life time.Duration // 0: EnrolmentLife
	// Replace lets the token take the place of the machine's agent, which it
	// revokes. Without it a machine that has an agent takes no other.
	Replace bool
}

// Enrolled is what TakeEnrolment gives.
type Enrolled struct {
	Agent, Machine string
	Certificate    []byte // DER
	// Again says that it is the answer to an earlier call.
	Again bool
}

// CreateEnrolment makes a one-time token for a machine's agent: 160 random bits,
// given here and nowhere else.
func (o *Office) CreateEnrolment(ctx context.Context, machine string, how Enrolling) (token string, expires moment.Instant, err error) {
	life := cmp.Or(how.Life, EnrolmentLife)
	if life < time.Minute || life > MaxEnrolmentLife {
		return "", 0, &Refused{Field: "lifetime_seconds", Why: fmt.Sprintf("a token is good for a minute to 30 days, not %v", life)}
	}
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.machines[machine]; !there {
		return "", 0, &NotFound{Kind: "machine", Name: machine}
	}
	if err := o.vacant(machine, how.Replace); err != nil {
		return "", 0, err
	}
	token, sum, err := o.draw()
	if err != nil {
		return "", 0, err
	}
	expires = moment.Instant(o.o.Now().Add(life).UnixMilli())
	return token, expires, o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_EnrolmentMade{EnrolmentMade: &pb.OfficeEnrolmentMade{
		TokenHash: sum[:], Machine: machine, ExpiresMs: int64(expires), Replaces: how.Replace}}})
}

// vacant refuses a second box for a machine unless that is what was asked for.
func (o *Office) vacant(machine string, replace bool) error {
	if held := o.holders(machine); len(held) > 0 && !replace {
		return &Refused{Why: fmt.Sprintf("machine %s has the agent %s already", machine, held[0]),
			Fix: "make a token that replaces it, or revoke it first"}
	}
	return nil
}

// holders are the machine's agents that were not revoked.
func (o *Office) holders(machine string) (out []string) {
	for id, a := range o.f.agents {
		if a.Machine == machine && a.State != AgentRevoked {
			out = append(out, id)
		}
	}
	return out
}

// TakeEnrolment turns a token into an agent. issue is called once, with the new
// agent's id, for a certificate (DER). The same token with the same key within
// an hour gives the same agent and certificate again; with another key, or
// later, it is refused.
func (o *Office) TakeEnrolment(ctx context.Context, token string, key [32]byte, issue func(agent, machine string) ([]byte, error)) (Enrolled, error) {
	sum := tokenHash(token)
	o.write.Lock()
	defer o.write.Unlock()
	e, there := o.f.enrolments[sum]
	switch now := moment.Instant(o.o.Now().UnixMilli()); {
	case !there:
		return Enrolled{}, fault.New(fault.TokenUnknown, "no enrolment has this token: copy it whole, or make a new one")
	case e.Agent != "":
		return o.takenAgain(e, key, now)
	case now > e.Expires:
		return Enrolled{}, fault.New(fault.TokenExpired, "the token for machine "+e.Machine+" has expired: make a new one", "machine", e.Machine)
	}
	if err := o.vacant(e.Machine, e.Replaces); err != nil {
		return Enrolled{}, err
	}
	id, err := o.drawID()
	if err != nil {
		return Enrolled{}, err
	}
	certificate, err := issue(id, e.Machine)
	if err != nil {
		return Enrolled{}, fmt.Errorf("issue the certificate: %w", err)
	}
	err = o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_EnrolmentTaken{EnrolmentTaken: &pb.OfficeEnrolmentTaken{
		TokenHash: sum[:], Agent: id, KeyHash: key[:], Certificate: certificate, Revoked: o.holders(e.Machine)}}})
	return Enrolled{Agent: id, Machine: e.Machine, Certificate: certificate}, err
}

func (o *Office) takenAgain(e Enrolment, key [32]byte, now moment.Instant) (Enrolled, error) {
	if key != e.Key {
		o.o.Log.Warn("a used enrolment token came with another key", "machine", e.Machine, "agent", e.Agent, "key", hex.EncodeToString(key[:]))
		return Enrolled{}, fault.New(fault.TokenUsed, "the token for machine "+e.Machine+" was used by another box: if that was not yours, revoke agent "+e.Agent+"; make a new token for this one", "machine", e.Machine, "agent", e.Agent)
	}
	if now > e.Taken+moment.Instant(RepeatWithin.Milliseconds()) {
		return Enrolled{}, fault.New(fault.TokenUsed, "the token was used more than an hour ago: make a new one", "machine", e.Machine, "agent", e.Agent)
	}
	a := o.f.agents[e.Agent]
	if err := a.mayNot(); err != nil {
		return Enrolled{}, err
	}
	return Enrolled{Agent: e.Agent, Machine: e.Machine, Certificate: e.Certificate, Again: true}, nil
}

// mayNot says why the agent may not speak, nil if it may.
func (a *Agent) mayNot() error {
	switch a.State {
	case AgentActive:
		return nil
	case AgentSuspended:
		return fault.New(fault.AgentSuspended, "agent "+a.ID+" is suspended: it may speak again once a person resumes it", "agent", a.ID)
	}
	return fault.New(fault.AgentRevoked, "agent "+a.ID+" was revoked: enrol this box again with a new token", "agent", a.ID)
}

// Admit gives the agent that a certificate names, if it may speak: its key must
// be one of the agent's and its state active. The errors carry AGENT_UNKNOWN,
// AGENT_SUSPENDED or AGENT_REVOKED.
func (o *Office) Admit(id string, key [32]byte) (Agent, error) {
	o.mu.RLock()
	a, there := o.f.agents[id]
	o.mu.RUnlock()
	if !there {
		return Agent{}, fault.New(fault.AgentUnknown, "no agent is enrolled under this certificate: enrol this box with a new token", "agent", id)
	}
	if err := a.mayNot(); err != nil {
		return Agent{}, err
	}
	if !a.Knows(key) {
		return Agent{}, fault.New(fault.AgentUnknown, "the certificate's key is not agent "+id+"'s any more: use the newer certificate, or enrol this box again", "agent", id)
	}
	return a, nil
}

// Agent gives one agent.
func (o *Office) Agent(id string) (Agent, error) {
	return get(o, "agent", id, id, func() map[string]Agent { return o.f.agents })
}

// ListAgents gives a machine's agents, or all with machine "", in order of
// enrolment.
func (o *Office) ListAgents(machine string) []Agent {
	return list(o, func() map[string]Agent { return o.f.agents },
		func(a Agent) bool { return machine == "" || a.Machine == machine },
		func(a, b Agent) int { return cmp.Or(cmp.Compare(a.Enrolled, b.Enrolled), cmp.Compare(a.ID, b.ID)) })
}

// SetAgentState suspends, resumes or revokes an agent. What was revoked stays
// so.
func (o *Office) SetAgentState(ctx context.Context, id string, state AgentState, why string) (Agent, error) {
	if state < AgentActive || state > AgentRevoked {
		return Agent{}, &Refused{Field: "state", Why: fmt.Sprintf("%d is no state of an agent", state)}
	}
	o.write.Lock()
	defer o.write.Unlock()
	a, there := o.f.agents[id]
	switch {
	case !there:
		return Agent{}, &NotFound{Kind: "agent", Name: id}
	case a.State == state:
		return a, nil
	case a.State == AgentRevoked:
		return Agent{}, &Refused{Why: "agent " + id + " was revoked for good", Fix: "enrol its box again with a new token"}
	}
	err := o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_AgentSet{AgentSet: &pb.OfficeAgentSet{Agent: id, State: pb.OfficeAgentState(state), Why: why}}})
	return o.f.agents[id], err
}

// RenewAgent notes that the agent gets a certificate for a further key. The one
// in use stands until UseAgentKey says that the new one was used.
func (o *Office) RenewAgent(ctx context.Context, id string, key [32]byte) error {
	o.write.Lock()
	defer o.write.Unlock()
	a, there := o.f.agents[id]
	if !there {
		return &NotFound{Kind: "agent", Name: id}
	}
	if a.Knows(key) {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_AgentRenewal{AgentRenewal: &pb.OfficeAgentRenewal{Agent: id, KeyHash: key[:]}}})
}

// UseAgentKey notes that the agent spoke with a key. Where that is the further
// one, the one before it ends.
func (o *Office) UseAgentKey(ctx context.Context, id string, key [32]byte) error {
	o.write.Lock()
	defer o.write.Unlock()
	if a, there := o.f.agents[id]; !there || a.Next != key || a.Next == [32]byte{} {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_AgentKeyTaken{AgentKeyTaken: &pb.OfficeAgentKeyTaken{Agent: id, KeyHash: key[:]}}})
}

// draw makes a token and its hash.
func (o *Office) draw() (string, [32]byte, error) {
	var b [20]byte
	if _, err := io.ReadFull(o.o.Rand, b[:]); err != nil {
		return "", [32]byte{}, fmt.Errorf("draw a token: %w", err)
	}
	token := strings.ToLower(base32.StdEncoding.EncodeToString(b[:])) // 20 bytes are 32 digits, none padded
	return token, tokenHash(token), nil
}

func (o *Office) drawID() (string, error) {
	var b [16]byte
	if _, err := io.ReadFull(o.o.Rand, b[:]); err != nil {
		return "", fmt.Errorf("draw an id: %w", err)
	}
	return hex.EncodeToString(b[:]), nil
}

// tokenHash is SHA-256 of the token as people may have typed it.
func tokenHash(token string) [32]byte {
	return sha256.Sum256([]byte(strings.ToLower(strings.TrimSpace(token))))
}
