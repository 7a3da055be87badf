// Package access says who may do what. Every method of the people's services
// asks it before anything else, and it denies by default.
//
// A caller signs in with a bearer token (SignIn), which stands for a person under
// a pseudonym. A person's grants, of a customer or of the whole office, come from
// the office and hold as they stand at each call. What a person was not granted
// does not exist for them: the answer is NOT_FOUND with the text of something
// that truly isn't there. What they know but may not do is PERMISSION_DENIED.
//
// A method that answers without having asked is a fault of ours: the
// interceptors hold its answer back.
package access

import (
	"context"
	"sync/atomic"

	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// Permission names what may be done. Names are kept in the journal and never
// change their meaning.
type Permission = office.Permission

// The permissions.
const (
	// See shows machines and all that is known of them.
	See Permission = "see"
	// Record writes down services, hours and answers.
	Record Permission = "record"
	// Commission adds sites and machines, puts editions in force, enrols agents and
	// holds them back.
	Commission Permission = "commission"
	// Office adds customers and charts. It holds only where it was granted for
	// every customer.
	Office Permission = "office"
)

// All are all permissions.
func All() []Permission { return []Permission{See, Record, Commission, Office} }

// Resource is what a permission is asked for: a customer ("" the office itself)
// and, where it is about one, a machine of that customer.
type Resource struct {
	Customer string
	Machine  string
}

// Book is what access looks things up in; the office is one.
type Book interface {
	CheckBearer(token string) (office.Person, error)
	Person(id string) office.Person
	Machine(id string) (office.Machine, error)
	Customer(id string) (office.Customer, error)
	Site(id string) (office.Site, error)
}

// Access answers who may do what. It is safe for concurrent use.
type Access struct{ book Book }

// New returns an Access over the office's book.
func New(book Book) *Access { return &Access{book: book} }

// caller is who makes a call, and whether anything was asked about them.
type caller struct {
	person office.Person
	asked  atomic.Bool
}

type callerKey struct{}

// SignedIn puts a person into a context, as a bearer token does.
func SignedIn(ctx context.Context, person office.Person) context.Context {
	return context.WithValue(office.By(ctx, person.ID), callerKey{}, &caller{person: person})
}

// Person gives the pseudonym of who makes the call, "" for nobody.
func Person(ctx context.Context) string {
	if c := of(ctx); c != nil {
		return c.person.ID
	}
	return ""
}

// Check is the one question that every method asks: may who makes this call do
// this there? It returns nil, or NOT_SIGNED_IN, NOT_FOUND or NOT_ALLOWED.
func (a *Access) Check(ctx context.Context, permission Permission, r Resource) error {
	c := of(ctx)
	if c == nil {
		return NotSignedIn()
	}
	c.asked.Store(true)
	person := a.book.Person(c.person.ID) // as the grants stand now
	switch {
	case person.May(permission, r.Customer):
		return nil
	case r.Customer == "" || person.KnowsAny(r.Customer):
		return fault.New(fault.NotAllowed, "you were not granted the permission "+string(permission)+" for this; ask whoever runs the service", "permission", string(permission))
	case r.Machine != "":
		return missingMachine(r.Machine)
	}
	return missingCustomer(r.Customer)
}

// Anywhere asks for a permission at any customer: for what belongs to none.
func (a *Access) Anywhere(ctx context.Context, permission Permission) error {
	c := of(ctx)
	if c == nil {
		return NotSignedIn()
	}
	c.asked.Store(true)
	person := a.book.Person(c.person.ID)
	for _, g := range person.Grants {
		if person.May(permission, g.Customer) {
			return nil
		}
	}
	return fault.New(fault.NotAllowed, "you were not granted the permission "+string(permission)+"; ask whoever runs the service", "permission", string(permission))
}

// Filter gives the question for each row of a list. It is asked at each row, so
// that a grant taken back ends a long answer too.
func (a *Access) Filter(ctx context.Context, permission Permission) (func(customer string) bool, error) {
	c := of(ctx)
	if c == nil {
		return nil, NotSignedIn()
	}
	c.asked.Store(true)
	return func(customer string) bool {
		person := a.book.Person(c.person.ID)
		return person.May(permission, customer)
	}, nil
}

// Machine finds a machine and asks for the permission on it.
func (a *Access) Machine(ctx context.Context, permission Permission, id string) (office.Machine, error) {
	m, err := a.book.Machine(id)
	if err != nil {
		m = office.Machine{}
		return m, a.unknown(ctx, missingMachine(id))
	}
	if err := a.Check(ctx, permission, Resource{Customer: m.Customer, Machine: id}); err != nil {
		return office.Machine{}, err
	}
	return m, nil
}

// Customer finds a customer and asks for the permission there.
func (a *Access) Customer(ctx context.Context, permission Permission, id string) (office.Customer, error) {
	c, err := a.book.Customer(id)
	if err != nil {
		return office.Customer{}, a.unknown(ctx, missingCustomer(id))
	}
	if err := a.Check(ctx, permission, Resource{Customer: id}); err != nil {
		return office.Customer{}, err
	}
	return c, nil
}

// Site finds a site and asks for the permission at its customer. Customer "" is
// any.
func (a *Access) Site(ctx context.Context, permission Permission, customer, id string) (office.Site, error) {
	missing := fault.Missing("site", id)
	s, err := a.book.Site(id)
	if err != nil || customer != "" && s.Customer != customer {
		return office.Site{}, a.unknown(ctx, missing)
	}
	err = a.Check(ctx, permission, Resource{Customer: s.Customer})
	if err != nil && fault.Of(err).Reason == fault.NotFound {
		err = missing
	}
	if err != nil {
		return office.Site{}, err
	}
	return s, nil
}

// unknown answers for something that isn't there, to those who are signed in.
func (a *Access) unknown(ctx context.Context, missing error) error {
	c := of(ctx)
	if c == nil {
		return NotSignedIn()
	}
	c.asked.Store(true)
	return missing
}

func missingMachine(id string) error  { return fault.Missing("machine", id) }
func missingCustomer(id string) error { return fault.Missing("customer", id) }

// NotSignedIn says that the call carries no token.
func NotSignedIn() error {
	return fault.New(fault.NotSignedIn, "the call carries no bearer token: send metadata `authorization: Bearer TOKEN`; the service wrote a token to its data folder when it first ran")
}

func of(ctx context.Context) *caller {
	c, _ := ctx.Value(callerKey{}).(*caller)
	return c
}
