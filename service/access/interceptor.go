package access

import (
	"context"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"github.com/hourbell/hourbell/service/fault"
)

// open lists what answers without a token: whether the service is well.
func open(method string) bool { return strings.HasPrefix(method, "/grpc.health.v1.Health/") }

// transport lists what needs a token but belongs to nobody.
func transport(method string) bool { return strings.HasPrefix(method, "/grpc.reflection.") }

// signIn puts the person whose token the call carries into its context.
func (a *Access) signIn(ctx context.Context) (context.Context, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	values := md.Get("authorization")
	if len(values) == 0 {
		return nil, NotSignedIn()
	}
	scheme, token, _ := strings.Cut(values[0], " ")
	if len(values) > 1 || !strings.EqualFold(scheme, "bearer") || token == "" {
		return nil, NotSignedIn()
	}
	person, err := a.book.CheckBearer(token)
	if err != nil {
		return nil, err
	}
	return SignedIn(ctx, person), nil
}

// Unary signs the caller in, and holds back the answer of a method that asked
// nothing.
func (a *Access) Unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	if open(info.FullMethod) {
		return handler(ctx, req)
	}
	ctx, err := a.signIn(ctx)
	if err != nil {
		return nil, fault.Status(err)
	}
	answer, err := handler(ctx, req)
	if err == nil && !of(ctx).asked.Load() {
		return nil, fault.Status(unasked(info.FullMethod))
	}
	return answer, err
}

// Stream does as Unary for a stream.
func (a *Access) Stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	if open(info.FullMethod) {
		return handler(srv, ss)
	}
	ctx, err := a.signIn(ss.Context())
	if err != nil {
		return fault.Status(err)
	}
	if transport(info.FullMethod) {
		of(ctx).asked.Store(true)
	}
	return handler(srv, &stream{ServerStream: ss, ctx: ctx, method: info.FullMethod})
}

type stream struct {
	grpc.ServerStream
	ctx    context.Context
	method string
}

// Context carries the person.
func (s *stream) Context() context.Context { return s.ctx }

// SendMsg sends nothing before anything was asked.
func (s *stream) SendMsg(m any) error {
	if !of(s.ctx).asked.Load() {
		return fault.Status(unasked(s.method))
	}
	return s.ServerStream.SendMsg(m)
}

func unasked(method string) error {
	return fault.New(fault.Internal, "the service failed on this call; its log has the cause", "method", method)
}
