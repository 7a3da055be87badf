package agents_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

func TestEnrolmentIsIdempotent(t *testing.T) {
	h := newHouse(t)
	token, _, err := h.office.CreateEnrolment(t.Context(), heron, office.Enrolling{})
	require.NoError(t, err)
	key := newKey(t)
	first, err := h.tryEnrol(token, key)
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(first.GetCertificateChain()[0])
	require.NoError(t, err)
	assert.Equal(t, "spiffe://hourbell/agent/"+first.GetAgent(), leaf.URIs[0].String())
	assert.Equal(t, [][]byte{h.auth.Certificate()}, first.GetAuthorities())

	h.clock.Add((59 * time.Minute).Milliseconds())
	again, err := h.tryEnrol(token, key)
	require.NoError(t, err)
	assert.Equal(t, first.GetCertificateChain(), again.GetCertificateChain(), "the answer that was lost")
	assert.Equal(t, first.GetAgent(), again.GetAgent())

	_, err = h.tryEnrol(token, newKey(t))
	assert.Equal(t, fault.TokenUsed, fault.ReasonOf(err))
	assert.Equal(t, codes.PermissionDenied, status.Code(err))
	h.clock.Add((2 * time.Minute).Milliseconds())
	_, err = h.tryEnrol(token, key)
	assert.Equal(t, fault.TokenUsed, fault.ReasonOf(err), "an hour has gone")
	_, err = h.tryEnrol("nonsense", key)
	assert.Equal(t, fault.TokenUnknown, fault.ReasonOf(err))
	_, err = h.tryEnrol("", key)
	assert.Equal(t, fault.FieldInvalid, fault.ReasonOf(err))
	assert.Len(t, h.office.ListAgents(heron), 1)
}

func TestABadRequestDoesNotUseTheTokenUp(t *testing.T) {
	h := newHouse(t)
	token, _, err := h.office.CreateEnrolment(t.Context(), heron, office.Enrolling{})
	require.NoError(t, err)
	conn := h.dial(h.enrolAt)
	defer conn.Close()
	for _, csr := range [][]byte{nil, []byte("nonsense"), make([]byte, 20_000)} {
		_, err = pb.NewEnrolmentServiceClient(conn).Enrol(t.Context(), &pb.EnrolRequest{Token: token, CertificateRequest: csr})
		assert.Equal(t, fault.FieldInvalid, fault.ReasonOf(err))
		assert.Equal(t, "certificate_request", fault.FieldsOf(err)[0].Path)
	}
	_, err = h.tryEnrol(token, newKey(t))
	require.NoError(t, err)
}

func TestRenewal(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	conn := h.dial(h.address, b.cert)
	defer conn.Close()
	key := newKey(t)
	resp, err := pb.NewAgentServiceClient(conn).Renew(t.Context(), &pb.RenewRequest{CertificateRequest: csr(t, key)})
	require.NoError(t, err)
	l := b.connect() // the old one stands until the new one has spoken
	require.NoError(t, l.CloseSend())
	l.failure()

	renewed := *b
	renewed.cert = tls.Certificate{Certificate: resp.GetCertificateChain(), PrivateKey: key}
	l = renewed.connect()
	b.readings(1)
	l.batch(&renewed, 1, 1)
	l.ack(1)
	err = b.refused(nil)
	assert.Equal(t, fault.AgentUnknown, fault.ReasonOf(err), "the old one ended")

	_, err = h.office.SetAgentState(t.Context(), b.id, office.AgentSuspended, "")
	require.NoError(t, err)
	conn = h.dial(h.address, renewed.cert)
	defer conn.Close()
	_, err = pb.NewAgentServiceClient(conn).Renew(context.WithoutCancel(t.Context()), &pb.RenewRequest{CertificateRequest: csr(t, newKey(t))})
	assert.Equal(t, fault.AgentSuspended, fault.ReasonOf(err))
}
