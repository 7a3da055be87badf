package office

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// editionID names an edition.
type editionID struct {
	chart   string
	edition uint32
}

// fold is the office as its events make it.
type fold struct {
	customers  map[string]Customer
	sites      map[string]Site
	machines   map[string]Machine
	editions   map[editionID]Edition
	byHash     map[[32]byte]editionID
	enrolments map[[32]byte]Enrolment
	agents     map[string]Agent
	bearers    map[[32]byte]Bearer
	grants     map[string]map[string][]Permission // person, customer
	workFold
}

func newFold() fold {
	return fold{
		customers: map[string]Customer{}, sites: map[string]Site{}, machines: map[string]Machine{},
		editions: map[editionID]Edition{}, byHash: map[[32]byte]editionID{},
		enrolments: map[[32]byte]Enrolment{}, agents: map[string]Agent{},
		bearers: map[[32]byte]Bearer{}, grants: map[string]map[string][]Permission{},
		workFold: newWorkFold(),
	}
}

// apply folds one event in. What it refuses was never written by this package.
func (f *fold) apply(m *pb.OfficeEvent) error {
	at := moment.Instant(m.GetTimeMs())
	switch b := m.GetBody().(type) {
	case *pb.OfficeEvent_Customer:
		c := b.Customer
		f.customers[c.GetCustomer()] = Customer{ID: c.GetCustomer(), Display: c.GetDisplay()}
	case *pb.OfficeEvent_Site:
		s := b.Site
		f.sites[s.GetSite()] = Site{ID: s.GetSite(), Customer: s.GetCustomer(), Display: s.GetDisplay(), Zone: s.GetZone(), TurnsAt: uint16(s.GetTurnsAtMinutes())}
	case *pb.OfficeEvent_Machine:
		n := b.Machine
		f.machines[n.GetMachine()] = Machine{ID: n.GetMachine(), Display: n.GetDisplay(), Customer: n.GetCustomer(), Site: n.GetSite(), Chart: n.GetChart()}
	case *pb.OfficeEvent_Edition:
		f.edition(b.Edition, at)
	default:
		return f.applyAgents(m, at)
	}
	return nil
}

func (f *fold) applyAgents(m *pb.OfficeEvent, at moment.Instant) error {
	switch b := m.GetBody().(type) {
	case *pb.OfficeEvent_EnrolmentMade:
		e := b.EnrolmentMade
		f.enrolments[hash(e.GetTokenHash())] = Enrolment{Token: hash(e.GetTokenHash()), Machine: e.GetMachine(), Made: at,
			Expires: moment.Instant(e.GetExpiresMs()), Replaces: e.GetReplaces()}
	case *pb.OfficeEvent_EnrolmentTaken:
		f.taken(b.EnrolmentTaken, at)
	case *pb.OfficeEvent_AgentSet:
		return f.change(b.AgentSet.GetAgent(), func(a *Agent) {
			a.State, a.Why, a.Changed = AgentState(b.AgentSet.GetState()), b.AgentSet.GetWhy(), at
		})
	case *pb.OfficeEvent_AgentRenewal:
		return f.change(b.AgentRenewal.GetAgent(), func(a *Agent) { a.Next = hash(b.AgentRenewal.GetKeyHash()) })
	case *pb.OfficeEvent_AgentKeyTaken:
		return f.change(b.AgentKeyTaken.GetAgent(), func(a *Agent) { a.Key, a.Next = hash(b.AgentKeyTaken.GetKeyHash()), [32]byte{} })
	default:
		return f.applyPeople(m, at)
	}
	return nil
}

func (f *fold) applyPeople(m *pb.OfficeEvent, at moment.Instant) error {
	switch b := m.GetBody().(type) {
	case *pb.OfficeEvent_BearerMade:
		n := b.BearerMade
		f.bearers[hash(n.GetTokenHash())] = Bearer{Token: hash(n.GetTokenHash()), Person: n.GetPerson(), Label: n.GetLabel(), Made: at, Expires: moment.Instant(n.GetExpiresMs())}
	case *pb.OfficeEvent_BearerEnded:
		delete(f.bearers, hash(b.BearerEnded.GetTokenHash()))
	case *pb.OfficeEvent_Granted:
		f.granted(b.Granted)
	default:
		return f.applyWork(m, at)
	}
	return nil
}

func (f *fold) edition(m *pb.OfficeEdition, at moment.Instant) {
	e := Edition{Chart: m.GetChart(), Edition: m.GetEdition(), Compiled: m.GetCompiled(), Source: m.GetSource(), FileName: m.GetFileName(),
		Hash: sha256.Sum256(m.GetCompiled()), Made: at}
	id := editionID{e.Chart, e.Edition}
	f.editions[id] = e
	f.byHash[e.Hash] = id
}

func (f *fold) taken(m *pb.OfficeEnrolmentTaken, at moment.Instant) {
	e := f.enrolments[hash(m.GetTokenHash())]
	e.Agent, e.Key, e.Taken, e.Certificate = m.GetAgent(), hash(m.GetKeyHash()), at, m.GetCertificate()
	f.enrolments[hash(m.GetTokenHash())] = e
	for _, id := range m.GetRevoked() {
		a := f.agents[id]
		a.State, a.Why, a.Changed = AgentRevoked, "another box took its place", at
		f.agents[id] = a
	}
	f.agents[e.Agent] = Agent{ID: e.Agent, Machine: e.Machine, State: AgentActive, Key: e.Key, Enrolled: at, Changed: at}
}

func (f *fold) change(agent string, how func(*Agent)) error {
	a, there := f.agents[agent]
	if !there {
		return fmt.Errorf("it speaks of agent %q, which was never enrolled", agent)
	}
	how(&a)
	f.agents[agent] = a
	return nil
}

func (f *fold) granted(m *pb.OfficeGranted) {
	of := f.grants[m.GetPerson()]
	if len(m.GetPermissions()) == 0 {
		delete(of, m.GetCustomer())
		return
	}
	if of == nil {
		of = map[string][]Permission{}
		f.grants[m.GetPerson()] = of
	}
	var set []Permission
	for _, p := range m.GetPermissions() {
		set = append(set, Permission(p))
	}
	of[m.GetCustomer()] = set
}

func (f *fold) person(id string) Person {
	p := Person{ID: id}
	for _, customer := range slices.Sorted(maps.Keys(f.grants[id])) {
		p.Grants = append(p.Grants, Grant{Customer: customer, Permissions: slices.Clone(f.grants[id][customer])})
	}
	return p
}

// hash reads a hash that this package wrote.
func hash(b []byte) (out [32]byte) {
	copy(out[:], b)
	return out
}
