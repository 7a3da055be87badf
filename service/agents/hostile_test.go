package agents_test

import (
	"context"
	"crypto/tls"
	"io"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// rawCodec sends bytes as they are.
type rawCodec struct{}

func (rawCodec) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }

func (rawCodec) Unmarshal(b []byte, v any) error {
	*v.(*[]byte) = append([]byte(nil), b...)
	return nil
}

func (rawCodec) Name() string { return "proto" }

// talks checks that a neighbour still gets through.
func talks(t *testing.T, h *house, epoch byte) {
	t.Helper()
	n := h.enrol(stork, epoch)
	n.readings(20)
	l := n.connect()
	l.batch(n, 1, 20)
	l.ack(20)
}

func TestForeignAndTruncatedMessages(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	conn := h.dial(h.address, b.cert)
	defer conn.Close()
	ctx := context.WithoutCancel(t.Context())
	for name, message := range map[string][]byte{"foreign": []byte("GET / HTTP/1.1\r\n\r\n"), "cut": {0x0a, 0x7f, 0x08}, "empty": {}} {
		stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, "/hourbell.v1.AgentService/Connect", grpc.ForceCodec(rawCodec{}))
		require.NoError(t, err, name)
		require.NoError(t, stream.SendMsg(&message), name)
		var got []byte
		err = stream.RecvMsg(&got)
		require.Error(t, err, name)
		assert.Contains(t, []codes.Code{codes.Internal, codes.InvalidArgument}, status.Code(err), name)
	}
	var reply []byte
	assert.Equal(t, codes.Unimplemented, status.Code(conn.Invoke(ctx, "/hourbell.v1.Other/Do", &[]byte{}, &reply, grpc.ForceCodec(rawCodec{}))))
	_, err := pb.NewEnrolmentServiceClient(conn).Enrol(ctx, &pb.EnrolRequest{Token: "x"})
	assert.Equal(t, codes.Unimplemented, status.Code(err), "the agents' listener enrols nobody")

	plain, err := net.Dial("tcp", h.address)
	require.NoError(t, err)
	defer plain.Close()
	_, err = plain.Write([]byte("GET / HTTP/1.1\r\n\r\n"))
	require.NoError(t, err)
	require.NoError(t, plain.SetReadDeadline(time.Now().Add(5*time.Second)))
	_, err = io.ReadAll(plain)
	assert.NotErrorIs(t, err, context.DeadlineExceeded, "whoever speaks no TLS is let go")
	talks(t, h, 2)
}

func TestAnAgentThatNeverListensHoldsUpItselfOnly(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(4000)
	l := b.open(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: b.hello()}})
	ctx, stop := context.WithCancel(t.Context())
	sent := make(chan struct{})
	go func() { // pushes and asks without end, and reads nothing
		defer close(sent)
		for n := uint64(1); ctx.Err() == nil; n = n%4000 + 1 {
			if l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: b.message(1, n)}}) != nil {
				return
			}
			if l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_TimeProbe{TimeProbe: &pb.TimeProbe{MonotonicMs: int64(n)}}}) != nil {
				return
			}
		}
	}()
	for epoch := range byte(3) {
		n := h.enrolAgain(stork, epoch+2)
		n.readings(50)
		line := n.connect()
		line.batch(n, 1, 50)
		line.ack(50)
	}
	stop()
	l.conn.Close()
	<-sent
}

func (h *house) enrolAgain(machine string, epoch byte) *box {
	for _, a := range h.office.ListAgents(machine) {
		_, err := h.office.SetAgentState(h.t.Context(), a.ID, 3, "")
		require.NoError(h.t, err)
	}
	return h.enrol(machine, epoch)
}

func TestAnOldTLSIsRefused(t *testing.T) {
	h := newHouse(t)
	_, err := tls.Dial("tcp", h.address, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12})
	assert.Error(t, err)
}
