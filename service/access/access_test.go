package access_test

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// book is an office with two customers, a machine each, and three persons: fern
// sees all of far-mere, keeper may do everything, and nobody was granted nothing.
type book struct{}

func (book) CheckBearer(token string) (office.Person, error) {
	if token == "fern" || token == "keeper" || token == "nobody" {
		return office.Person{ID: token}, nil
	}
	return office.Person{}, fault.New(fault.NotSignedIn, "no")
}

func (book) Person(id string) office.Person {
	p := office.Person{ID: id}
	switch id {
	case "fern":
		p.Grants = []office.Grant{{Customer: "far-mere", Permissions: []access.Permission{access.See}}}
	case "keeper":
		p.Grants = []office.Grant{{Permissions: access.All()}}
	}
	return p
}

func (book) Machine(id string) (office.Machine, error) {
	switch id {
	case "ossa-1":
		return office.Machine{ID: id, Customer: "tallow-fen"}, nil
	case "ossa-2":
		return office.Machine{ID: id, Customer: "far-mere"}, nil
	}
	return office.Machine{}, &office.NotFound{Kind: "machine", Name: id}
}

func (book) Customer(id string) (office.Customer, error) {
	if id == "tallow-fen" || id == "far-mere" {
		return office.Customer{ID: id}, nil
	}
	return office.Customer{}, &office.NotFound{Kind: "customer", Name: id}
}

func (book) Site(id string) (office.Site, error) {
	if id == "low-barn" {
		return office.Site{ID: id, Customer: "tallow-fen"}, nil
	}
	return office.Site{}, &office.NotFound{Kind: "site", Name: id}
}

func by(ctx context.Context, person string) context.Context {
	if person == "" {
		return ctx
	}
	return access.SignedIn(ctx, office.Person{ID: person})
}

func reason(err error) fault.Reason {
	if err == nil {
		return ""
	}
	return fault.Of(err).Reason
}

func TestWhoMayDoWhat(t *testing.T) {
	a := access.New(book{})
	for _, c := range []struct {
		person     string
		permission access.Permission
		machine    string
		want       fault.Reason
	}{
		{"", access.See, "ossa-1", fault.NotSignedIn},
		{"", access.See, "ossa-9", fault.NotSignedIn},
		{"nobody", access.See, "ossa-1", fault.NotFound},
		{"nobody", access.See, "ossa-9", fault.NotFound},
		{"fern", access.See, "ossa-1", fault.NotFound},
		{"fern", access.Record, "ossa-1", fault.NotFound},
		{"fern", access.See, "ossa-2", ""},
		{"fern", access.Record, "ossa-2", fault.NotAllowed},
		{"fern", "made-up", "ossa-2", fault.NotAllowed},
		{"keeper", access.Commission, "ossa-1", ""},
		{"keeper", "made-up", "ossa-1", fault.NotAllowed},
		{"keeper", access.See, "ossa-9", fault.NotFound},
	} {
		_, err := a.Machine(by(t.Context(), c.person), c.permission, c.machine)
		assert.Equal(t, c.want, reason(err), "%q %s %s: %v", c.person, c.permission, c.machine, err)
	}
}

func TestOfficesAndCustomers(t *testing.T) {
	a := access.New(book{})
	fern, keeper := by(t.Context(), "fern"), by(t.Context(), "keeper")
	assert.Equal(t, fault.NotAllowed, reason(a.Check(fern, access.Office, access.Resource{})))
	assert.NoError(t, a.Check(keeper, access.Office, access.Resource{}))
	assert.Equal(t, fault.NotSignedIn, reason(a.Check(t.Context(), access.Office, access.Resource{})))
	assert.NoError(t, a.Anywhere(fern, access.See))
	assert.Equal(t, fault.NotAllowed, reason(a.Anywhere(fern, access.Record)))
	assert.Equal(t, fault.NotAllowed, reason(a.Anywhere(by(t.Context(), "nobody"), access.See)))
	assert.Equal(t, fault.NotSignedIn, reason(a.Anywhere(t.Context(), access.See)))
	_, err := a.Customer(fern, access.See, "tallow-fen")
	_, unknown := a.Customer(fern, access.See, "other")
	assert.Equal(t, fault.NotFound, reason(err))
	assert.Equal(t, fault.Missing("customer", "tallow-fen").Error(), err.Error())
	assert.Equal(t, fault.Missing("customer", "other").Error(), unknown.Error())
	_, err = a.Site(fern, access.See, "", "low-barn")
	assert.Equal(t, fault.Missing("site", "low-barn").Error(), err.Error())
	_, err = a.Site(keeper, access.See, "far-mere", "low-barn")
	assert.Equal(t, fault.NotFound, reason(err), "another customer's")
	_, err = a.Site(keeper, access.See, "tallow-fen", "low-barn")
	assert.NoError(t, err)
	may, err := a.Filter(fern, access.See)
	require.NoError(t, err)
	assert.True(t, may("far-mere"))
	assert.False(t, may("tallow-fen"))
	assert.False(t, may(""))
	_, err = a.Filter(t.Context(), access.See)
	assert.Equal(t, fault.NotSignedIn, reason(err))
}

func incoming(ctx context.Context, values ...string) context.Context {
	md := metadata.MD{}
	md.Append("authorization", values...)
	return metadata.NewIncomingContext(ctx, md)
}

const method = "/hourbell.v1.MachineService/GetMachine"

func TestTheBearerTokenSignsIn(t *testing.T) {
	a := access.New(book{})
	asks := func(ctx context.Context, _ any) (any, error) {
		return access.Person(ctx), a.Anywhere(ctx, access.See)
	}
	for name, ctx := range map[string]context.Context{
		"nothing": t.Context(), "empty": incoming(t.Context(), ""), "no scheme": incoming(t.Context(), "fern"), "another scheme": incoming(t.Context(), "Basic fern"),
		"no token": incoming(t.Context(), "Bearer "), "two": incoming(t.Context(), "Bearer fern", "Bearer keeper"), "unknown": incoming(t.Context(), "Bearer other"),
	} {
		_, err := a.Unary(ctx, nil, &grpc.UnaryServerInfo{FullMethod: method}, asks)
		assert.Equal(t, codes.Unauthenticated, status.Code(err), name)
	}
	for _, scheme := range []string{"Bearer", "bearer"} {
		who, err := a.Unary(incoming(t.Context(), scheme+" fern"), nil, &grpc.UnaryServerInfo{FullMethod: method}, asks)
		require.NoError(t, err)
		assert.Equal(t, "fern", who)
	}
	who, err := a.Unary(t.Context(), nil, &grpc.UnaryServerInfo{FullMethod: "/grpc.health.v1.Health/Check"}, func(context.Context, any) (any, error) { return "well", nil })
	require.NoError(t, err)
	assert.Equal(t, "well", who)
}

// TestAMethodThatAsksNothingAnswersNothing: a fault of ours is no way in.
func TestAMethodThatAsksNothingAnswersNothing(t *testing.T) {
	a := access.New(book{})
	answer, err := a.Unary(incoming(t.Context(), "Bearer keeper"), nil, &grpc.UnaryServerInfo{FullMethod: method}, func(context.Context, any) (any, error) { return "secret", nil })
	assert.Nil(t, answer)
	assert.Equal(t, codes.Internal, status.Code(err))
	own := errors.New("its own error")
	_, err = a.Unary(incoming(t.Context(), "Bearer keeper"), nil, &grpc.UnaryServerInfo{FullMethod: method}, func(context.Context, any) (any, error) { return nil, own })
	assert.ErrorIs(t, err, own)

	sent := &stream{ctx: incoming(t.Context(), "Bearer keeper")}
	err = a.Stream(nil, sent, &grpc.StreamServerInfo{FullMethod: method}, func(_ any, s grpc.ServerStream) error { return s.SendMsg("secret") })
	assert.Equal(t, codes.Internal, status.Code(err))
	assert.Empty(t, sent.sent)
	err = a.Stream(nil, sent, &grpc.StreamServerInfo{FullMethod: method}, func(_ any, s grpc.ServerStream) error {
		return errors.Join(a.Anywhere(s.Context(), access.See), s.SendMsg("told"))
	})
	require.NoError(t, err)
	assert.Equal(t, []any{"told"}, sent.sent)
	err = a.Stream(nil, &stream{ctx: t.Context()}, &grpc.StreamServerInfo{FullMethod: method}, func(any, grpc.ServerStream) error { return nil })
	assert.Equal(t, codes.Unauthenticated, status.Code(err))
}

type stream struct {
	grpc.ServerStream
	ctx  context.Context
	sent []any
}

func (s *stream) Context() context.Context { return s.ctx }
func (s *stream) SendMsg(m any) error      { s.sent = append(s.sent, m); return nil }
