package office

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
)

var (
	pseudonymForm  = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$`)
	permissionForm = regexp.MustCompile(`^[a-z]([a-z._-]{0,61}[a-z])?$`)
)

// CreateBearer makes a bearer token for a person: 160 random bits, given here and
// nowhere else. life 0 makes one that does not expire. It grants nothing.
func (o *Office) CreateBearer(ctx context.Context, person, label string, life time.Duration) (token string, err error) {
	if !pseudonymForm.MatchString(person) {
		return "", &Refused{Field: "person", Why: fmt.Sprintf("%q is no pseudonym", person), Fix: "use 1 to 63 of a-z, 0-9, '.', '_' and '-'"}
	}
	if life < 0 {
		return "", &Refused{Field: "lifetime", Why: "it is negative", Fix: "leave it out for a token that does not expire"}
	}
	o.write.Lock()
	defer o.write.Unlock()
	token, sum, err := o.draw()
	if err != nil {
		return "", err
	}
	m := &pb.OfficeBearerMade{TokenHash: sum[:], Person: person, Label: label}
	if life > 0 {
		m.ExpiresMs = o.o.Now().Add(life).UnixMilli()
	}
	return token, o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_BearerMade{BearerMade: m}})
}

// EndBearer ends a bearer token by its hash.
func (o *Office) EndBearer(ctx context.Context, token [32]byte) error {
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.bearers[token]; !there {
		return &NotFound{Kind: "bearer token", Name: fmt.Sprintf("%x", token[:4])}
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_BearerEnded{BearerEnded: &pb.OfficeBearerEnded{TokenHash: token[:]}}})
}

// CheckBearer gives who a bearer token stands for, with what they may do now.
// The error is NOT_SIGNED_IN, with one text for every reason.
func (o *Office) CheckBearer(token string) (Person, error) {
	sum := tokenHash(token) // looked up by hash: timing tells nothing of the token
	o.mu.RLock()
	defer o.mu.RUnlock()
	b, there := o.f.bearers[sum]
	if !there || b.Expires != 0 && moment.Instant(o.o.Now().UnixMilli()) > b.Expires {
		return Person{}, fault.New(fault.NotSignedIn, "the bearer token does not stand: give one that was made for you and has not expired")
	}
	return o.f.person(b.Person), nil
}

// Grant says what a person may do from now on at a customer, "" for every
// customer and the office itself. No permissions end the grant.
func (o *Office) Grant(ctx context.Context, person, customer string, permissions ...Permission) error {
	if !pseudonymForm.MatchString(person) {
		return &Refused{Field: "person", Why: fmt.Sprintf("%q is no pseudonym", person), Fix: "use 1 to 63 of a-z, 0-9, '.', '_' and '-'"}
	}
	slices.Sort(permissions)
	permissions = slices.Compact(permissions)
	m := &pb.OfficeGranted{Person: person, Customer: customer}
	for _, p := range permissions {
		if !permissionForm.MatchString(string(p)) {
			return &Refused{Field: "permissions", Why: fmt.Sprintf("%q is no permission", p)}
		}
		m.Permissions = append(m.Permissions, string(p))
	}
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.customers[customer]; !there && customer != "" {
		return &NotFound{Kind: "customer", Name: customer}
	}
	if slices.Equal(o.f.grants[person][customer], permissions) {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Granted{Granted: m}})
}

// Person gives a person with what they may do now; one without grants may do
// nothing.
func (o *Office) Person(id string) Person {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.f.person(id)
}

// ListPersons gives everyone with a grant or a token, in order of pseudonym.
func (o *Office) ListPersons() (out []Person) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	ids := slices.Collect(maps.Keys(o.f.grants))
	for _, b := range o.f.bearers {
		ids = append(ids, b.Person)
	}
	slices.Sort(ids)
	for _, id := range slices.Compact(ids) {
		out = append(out, o.f.person(id))
	}
	return out
}

// ListBearers gives the tokens that stand, oldest first.
func (o *Office) ListBearers() []Bearer {
	return list(o, func() map[[32]byte]Bearer { return o.f.bearers }, nil,
		func(a, b Bearer) int {
			return cmp.Or(cmp.Compare(a.Made, b.Made), slices.Compare(a.Token[:], b.Token[:]))
		})
}
