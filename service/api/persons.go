package api

import (
	"context"
	"fmt"
	"slices"
	"time"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// longestToken is the longest life of a token that expires.
const longestToken = 10 * 366 * 24 * time.Hour

type persons struct {
	pb.UnimplementedPersonServiceServer
	*API
}

// permissions are the wire's numbers of the permissions.
func permissions() map[pb.Permission]access.Permission {
	return map[pb.Permission]access.Permission{
		pb.Permission_PERMISSION_SEE: access.See, pb.Permission_PERMISSION_RECORD: access.Record,
		pb.Permission_PERMISSION_COMMISSION: access.Commission, pb.Permission_PERMISSION_OFFICE: access.Office,
	}
}

// named asks access and reads a person's name.
func (s *persons) named(ctx context.Context, name, requestID string) (string, error) {
	if err := s.o.Access.Check(ctx, access.Office, access.Resource{}); err != nil {
		return "", err
	}
	parts, err := parse("parent", "persons/{person}", name)
	if err != nil {
		return "", err
	}
	_, err = parseUUID("request_id", requestID)
	return parts[0], err
}

// CreateToken makes a bearer token.
func (s *persons) CreateToken(ctx context.Context, q *pb.CreateTokenRequest) (*pb.CreateTokenResponse, error) {
	id, err := s.named(ctx, q.GetParent(), "")
	if err != nil {
		return nil, err
	}
	life := q.GetLifetimeSeconds()
	if life < 0 || life > int64(longestToken/time.Second) {
		return nil, fault.InvalidField("lifetime_seconds", fmt.Sprintf("it is %d", life), "give up to ten years, or leave it out for a token that does not expire")
	}
	if len(q.GetLabel()) > 128 {
		return nil, fault.InvalidField("label", fmt.Sprintf("it is %d bytes", len(q.GetLabel())), "use at most 128")
	}
	token, err := s.o.Office.CreateBearer(ctx, id, q.GetLabel(), time.Duration(life)*time.Second)
	if err != nil {
		return nil, err
	}
	return &pb.CreateTokenResponse{Token: token, Person: s.person(id)}, nil
}

// EndTokens ends every token of a person. Nobody ends their own: they could not
// come back.
func (s *persons) EndTokens(ctx context.Context, q *pb.EndTokensRequest) (*pb.EndTokensResponse, error) {
	id, err := s.named(ctx, q.GetParent(), q.GetRequestId())
	if err != nil {
		return nil, err
	}
	if id == access.Person(ctx) {
		return nil, fault.New(fault.Refused, "you would end the token that this call was made with, and could not come back: let another person do it", "person", id)
	}
	if !slices.ContainsFunc(s.o.Office.ListPersons(), func(p office.Person) bool { return p.ID == id }) {
		// A name typed wrong must not look like a token that was ended.
		return nil, &office.NotFound{Kind: "person", Name: id}
	}
	for _, b := range s.o.Office.ListBearers() {
		if b.Person != id {
			continue
		}
		if err := s.o.Office.EndBearer(ctx, b.Token); err != nil {
			return nil, err
		}
	}
	return &pb.EndTokensResponse{Person: s.person(id)}, nil
}

// SetGrant says what a person may do.
func (s *persons) SetGrant(ctx context.Context, q *pb.SetGrantRequest) (*pb.SetGrantResponse, error) {
	id, err := s.named(ctx, q.GetParent(), q.GetRequestId())
	if err != nil {
		return nil, err
	}
	customer := ""
	if name := q.GetGrant().GetCustomer(); name != "" {
		parts, err := parse("grant.customer", "customers/{customer}", name)
		if err != nil {
			return nil, err
		}
		customer = parts[0]
	}
	list, err := readPermissions(q.GetGrant().GetPermissions(), customer)
	if err != nil {
		return nil, err
	}
	if id == access.Person(ctx) && customer == "" && !slices.Contains(list, access.Office) {
		return nil, fault.New(fault.Refused, "you would take from yourself what this call needs, and could not give it back: let another person do it", "person", id)
	}
	if err := s.o.Office.Grant(ctx, id, customer, list...); err != nil {
		return nil, err
	}
	return &pb.SetGrantResponse{Person: s.person(id)}, nil
}

func readPermissions(from []pb.Permission, customer string) ([]access.Permission, error) {
	known := permissions()
	var out []access.Permission
	for i, p := range from {
		one, is := known[p]
		if !is {
			return nil, fault.InvalidField(fmt.Sprintf("grant.permissions[%d]", i), fmt.Sprintf("%d is no permission", p), "give see, record, commission or office")
		}
		if one == access.Office && customer != "" {
			return nil, fault.InvalidField(fmt.Sprintf("grant.permissions[%d]", i), "the office belongs to no customer", "grant it without a customer")
		}
		out = append(out, one)
	}
	return out, nil
}

// ListPersons lists everyone with a grant or a token.
func (s *persons) ListPersons(ctx context.Context, q *pb.ListPersonsRequest) (*pb.ListPersonsResponse, error) {
	if err := s.o.Access.Check(ctx, access.Office, access.Resource{}); err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	rows, next := slicePage(p, s.o.Office.ListPersons(), func(p office.Person) string { return p.ID })
	out := &pb.ListPersonsResponse{NextPageToken: next}
	for _, row := range rows {
		out.Persons = append(out.Persons, s.person(row.ID))
	}
	return out, nil
}

// person gives a person as they stand.
func (s *persons) person(id string) *pb.Person {
	out := &pb.Person{Name: "persons/" + id}
	names := make(map[access.Permission]pb.Permission)
	for number, p := range permissions() {
		names[p] = number
	}
	for _, g := range s.o.Office.Person(id).Grants {
		one := &pb.Grant{}
		if g.Customer != "" {
			one.Customer = customerName(g.Customer)
		}
		for _, p := range g.Permissions {
			one.Permissions = append(one.Permissions, names[p])
		}
		slices.Sort(one.Permissions)
		if len(one.Permissions) > 0 {
			out.Grants = append(out.Grants, one)
		}
	}
	for _, b := range s.o.Office.ListBearers() {
		if b.Person == id {
			out.Tokens = append(out.Tokens, &pb.Token{Label: b.Label, CreateTime: stampOf(b.Made), ExpireTime: stampOf(b.Expires)})
		}
	}
	return out
}
