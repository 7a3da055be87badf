package agenttest

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"math/big"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Office is a service with its authority: enrolments at one address, agents at
// another over mutual TLS.
type Office struct {
	pb.UnimplementedEnrolmentServiceServer
	*Service
	Token string
	// Life is how long the certificates are good that it gives from now on, half
	// of it past.
	Life time.Duration

	EnrolAddress, AgentAddress string

	t       testing.TB
	key     *ecdsa.PrivateKey
	cert    *x509.Certificate
	mu      sync.Mutex
	renewed int
}

// Serve opens an office on loopback until the test ends.
func Serve(t testing.TB, s *Service, serverName string) *Office {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, NotBefore: time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC),
		NotAfter: time.Date(2060, 1, 1, 0, 0, 0, 0, time.UTC), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	o := &Office{Service: s, Token: "one-time", Life: 20 * 365 * 24 * time.Hour, t: t, key: key, cert: cert}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	leaf := o.server(serverName)
	o.EnrolAddress = o.listen(&tls.Config{Certificates: []tls.Certificate{leaf}}, func(g *grpc.Server) { pb.RegisterEnrolmentServiceServer(g, o) })
	o.AgentAddress = o.listen(&tls.Config{Certificates: []tls.Certificate{leaf}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool},
		func(g *grpc.Server) { pb.RegisterAgentServiceServer(g, o) })
	return o
}

// Fingerprint is what a box pins.
func (o *Office) Fingerprint() string { return fmt.Sprintf("%x", sha256.Sum256(o.cert.Raw)) }

// Renewed is how often a certificate was renewed.
func (o *Office) Renewed() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.renewed
}

func (o *Office) server(name string) tls.Certificate {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(o.t, err)
	der := o.issue(&key.PublicKey, &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, DNSNames: []string{name}})
	return tls.Certificate{Certificate: [][]byte{der, o.cert.Raw}, PrivateKey: key}
}

func (o *Office) issue(public any, tmpl *x509.Certificate) []byte {
	tmpl.SerialNumber = big.NewInt(time.Now().UnixNano())
	tmpl.NotBefore, tmpl.NotAfter = time.Now().Add(-o.Life/2), time.Now().Add(o.Life/2)
	tmpl.KeyUsage = x509.KeyUsageDigitalSignature
	der, err := x509.CreateCertificate(rand.Reader, tmpl, o.cert, public, o.key)
	require.NoError(o.t, err)
	return der
}

func (o *Office) listen(c *tls.Config, register func(*grpc.Server)) string {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(o.t, err)
	g := grpc.NewServer(grpc.Creds(credentials.NewTLS(c)))
	register(g)
	done := make(chan struct{})
	go func() { defer close(done); _ = g.Serve(lis) }()
	o.t.Cleanup(func() { g.Stop(); <-done })
	return lis.Addr().String()
}

func (o *Office) agent(request []byte) ([]byte, error) {
	csr, err := x509.ParseCertificateRequest(request)
	if err != nil || csr.CheckSignature() != nil {
		return nil, status.Error(codes.InvalidArgument, "the certificate request is none")
	}
	return o.issue(csr.PublicKey, &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}), nil
}

// Enrol implements EnrolmentService.
func (o *Office) Enrol(_ context.Context, r *pb.EnrolRequest) (*pb.EnrolResponse, error) {
	if r.GetToken() != o.Token {
		return nil, status.Error(codes.PermissionDenied, "the token is not one of ours: make one with `hourbell enrol MACHINE`")
	}
	leaf, err := o.agent(r.GetCertificateRequest())
	return &pb.EnrolResponse{CertificateChain: [][]byte{leaf}, Authorities: [][]byte{o.cert.Raw}, Machine: o.Machine, Agent: "a1", Address: o.AgentAddress}, err
}

// Renew implements AgentService.
func (o *Office) Renew(_ context.Context, r *pb.RenewRequest) (*pb.RenewResponse, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.renewed++
	leaf, err := o.agent(r.GetCertificateRequest())
	return &pb.RenewResponse{CertificateChain: [][]byte{leaf}, Authorities: [][]byte{o.cert.Raw}}, err
}
