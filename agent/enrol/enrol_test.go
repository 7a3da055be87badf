package enrol_test

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
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/agent/enrol"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

var now = time.Date(2031, 7, 2, 12, 0, 0, 0, time.UTC)

// authority issues certificates as a service would, with none of its code.
type authority struct {
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
}

func newAuthority(t *testing.T) *authority {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, NotBefore: now.AddDate(-1, 0, 0),
		NotAfter: now.AddDate(20, 0, 0), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	return &authority{key, cert}
}

func (a *authority) fingerprint() string { return fmt.Sprintf("%x", sha256.Sum256(a.cert.Raw)) }

func (a *authority) issue(t *testing.T, public any, usage x509.ExtKeyUsage) []byte {
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), NotBefore: now.Add(-24 * time.Hour), NotAfter: now.AddDate(1, 1, 0),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{usage}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, a.cert, public, a.key)
	require.NoError(t, err)
	return der
}

// service answers enrolments, and loses its first answers where told to.
type service struct {
	pb.UnimplementedEnrolmentServiceServer
	t    *testing.T
	auth *authority
	mu   sync.Mutex
	lose int
	keys [][]byte
}

func (s *service) Enrol(_ context.Context, r *pb.EnrolRequest) (*pb.EnrolResponse, error) {
	if r.GetToken() != "right" {
		return nil, status.Error(codes.PermissionDenied, "the token is not one of ours")
	}
	csr, err := x509.ParseCertificateRequest(r.GetCertificateRequest())
	if err != nil || csr.CheckSignature() != nil {
		return nil, status.Error(codes.InvalidArgument, "certificate request")
	}
	public, err := x509.MarshalPKIXPublicKey(csr.PublicKey)
	require.NoError(s.t, err)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.keys = append(s.keys, public)
	if s.lose > 0 {
		s.lose--
		return nil, status.Error(codes.Unavailable, "the answer was lost")
	}
	return &pb.EnrolResponse{CertificateChain: [][]byte{s.auth.issue(s.t, csr.PublicKey, x509.ExtKeyUsageClientAuth)}, Authorities: [][]byte{s.auth.cert.Raw},
		Machine: "lark", Agent: "a1", Address: "127.0.0.1:1"}, nil
}

func serve(t *testing.T, s *service) string {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	leaf := s.auth.issue(t, &key.PublicKey, x509.ExtKeyUsageServerAuth)
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	srv := grpc.NewServer(grpc.Creds(credentials.NewTLS(&tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{leaf, s.auth.cert.Raw}, PrivateKey: key}}})))
	pb.RegisterEnrolmentServiceServer(srv, s)
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(lis) }()
	t.Cleanup(func() { srv.Stop(); <-done })
	return lis.Addr().String()
}

func ask(t *testing.T, dir, addr, pin, token string) (*enrol.Identity, error) {
	return enrol.Enrol(t.Context(), enrol.Request{Dir: dir, Address: addr, Fingerprint: pin, Token: token, Rand: rand.Reader, Now: func() time.Time { return now }})
}

func TestEnrolmentKeepsAnIdentityThatLoads(t *testing.T) {
	s := &service{t: t, auth: newAuthority(t)}
	dir := filepath.Join(t.TempDir(), "identity")
	id, err := ask(t, dir, serve(t, s), "SHA256:"+s.auth.fingerprint(), "right")
	require.NoError(t, err)
	require.Equal(t, "lark", id.Machine)
	loaded, err := enrol.Load(dir)
	require.NoError(t, err)
	require.Equal(t, id.Agent, loaded.Agent)
	require.Equal(t, now.AddDate(1, 1, 0), loaded.Expires())
	require.False(t, loaded.RenewalDue(now.AddDate(0, 6, 0)))
	require.True(t, loaded.RenewalDue(now.AddDate(0, 7, 0)))
	for clock, judged := range map[time.Time]time.Time{now.AddDate(1, 0, 0): now.AddDate(1, 0, 0), now.AddDate(9, 0, 0): now.Add(-24 * time.Hour)} {
		got := loaded.TLS(func() time.Time { return clock }).Time()
		require.WithinDuration(t, judged, got, 25*time.Hour, "a clock years ahead judges by when the box was enrolled")
	}
	info, err := os.Stat(filepath.Join(dir, "key.pem"))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.NoFileExists(t, filepath.Join(dir, "next.pem"))

	_, err = ask(t, dir, "127.0.0.1:1", s.auth.fingerprint(), "right")
	require.ErrorContains(t, err, "enrolled already")
}

func TestALostAnswerIsAskedForWithTheSameKey(t *testing.T) {
	s := &service{t: t, auth: newAuthority(t), lose: 1}
	dir, addr := t.TempDir(), serve(t, s)
	_, err := ask(t, dir, addr, s.auth.fingerprint(), "right")
	require.Error(t, err)
	_, err = enrol.Load(dir)
	require.ErrorIs(t, err, enrol.ErrNone)
	_, err = ask(t, dir, addr, s.auth.fingerprint(), "right")
	require.NoError(t, err)
	require.Len(t, s.keys, 2)
	require.Equal(t, s.keys[0], s.keys[1])
}

func TestAnotherAuthorityIsNotSpokenTo(t *testing.T) {
	s := &service{t: t, auth: newAuthority(t)}
	_, err := ask(t, t.TempDir(), serve(t, s), newAuthority(t).fingerprint(), "right")
	require.ErrorContains(t, err, "another fingerprint")
	require.Empty(t, s.keys, "the token never left the box")
}

func TestWhatIsWrongIsSaid(t *testing.T) {
	s := &service{t: t, auth: newAuthority(t)}
	addr := serve(t, s)
	_, err := ask(t, t.TempDir(), addr, "12:34", "right")
	require.ErrorContains(t, err, "64 hex digits")
	_, err = ask(t, t.TempDir(), addr, s.auth.fingerprint(), "wrong")
	require.ErrorContains(t, err, "not one of ours")
	_, err = enrol.Load(filepath.Join(t.TempDir(), "nowhere"))
	require.ErrorIs(t, err, enrol.ErrNone)
	require.ErrorContains(t, err, "hourbell-agent enrol")
}

type renewer struct {
	pb.AgentServiceClient
	t    *testing.T
	auth *authority
}

func (r renewer) Renew(_ context.Context, req *pb.RenewRequest, _ ...grpc.CallOption) (*pb.RenewResponse, error) {
	csr, err := x509.ParseCertificateRequest(req.GetCertificateRequest())
	require.NoError(r.t, err)
	return &pb.RenewResponse{CertificateChain: [][]byte{r.auth.issue(r.t, csr.PublicKey, x509.ExtKeyUsageClientAuth)}, Authorities: [][]byte{r.auth.cert.Raw}}, nil
}

// A power cut can fall between any two of the files that a renewal writes.
func TestRenewalSurvivesACutBetweenItsFiles(t *testing.T) {
	s := &service{t: t, auth: newAuthority(t)}
	dir := t.TempDir()
	id, err := ask(t, dir, serve(t, s), s.auth.fingerprint(), "right")
	require.NoError(t, err)
	before := snapshot(t, dir)
	// A lost answer leaves a pending key beside the identity.
	_, err = enrol.Renew(t.Context(), dir, id, failing{}, rand.Reader)
	require.Error(t, err)
	pending := snapshot(t, dir)["next.pem"]
	require.NotEmpty(t, pending)
	_, err = enrol.Renew(t.Context(), dir, id, renewer{t: t, auth: s.auth}, rand.Reader)
	require.NoError(t, err)
	after := snapshot(t, dir)
	require.NotEqual(t, before["key.pem"], after["key.pem"])
	require.Equal(t, pending, after["key.pem"])

	order := []string{"authorities.pem", "chain.pem", "key.pem", "identity.json"}
	for cut := range len(order) + 1 {
		d := t.TempDir()
		files := map[string][]byte{"next.pem": pending}
		for name, b := range before {
			files[name] = b
		}
		for _, name := range order[:cut] {
			files[name] = after[name]
		}
		for name, b := range files {
			require.NoError(t, os.WriteFile(filepath.Join(d, name), b, 0o600))
		}
		loaded, err := enrol.Load(d)
		require.NoError(t, err, "cut after %d files", cut)
		require.Equal(t, "lark", loaded.Machine)
	}
}

type failing struct{ pb.AgentServiceClient }

func (failing) Renew(context.Context, *pb.RenewRequest, ...grpc.CallOption) (*pb.RenewResponse, error) {
	return nil, status.Error(codes.Unavailable, "no")
}

func snapshot(t *testing.T, dir string) map[string][]byte {
	out := map[string][]byte{}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		out[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
	}
	return out
}
