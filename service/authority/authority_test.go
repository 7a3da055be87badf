package authority_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"errors"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/fault"
)

var now = time.Date(2031, 7, 2, 12, 0, 0, 0, time.UTC)

func open(t *testing.T, dir string, at time.Time, names ...string) *authority.Authority {
	t.Helper()
	a, err := authority.Open(authority.Options{Dir: dir, Names: names, Now: func() time.Time { return at }})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, a.Close()) })
	return a
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	return key
}

func request(t *testing.T, tmpl *x509.CertificateRequest, key any) []byte {
	t.Helper()
	der, err := x509.CreateCertificateRequest(rand.Reader, tmpl, key)
	require.NoError(t, err)
	return der
}

func issue(t *testing.T, a *authority.Authority, agent string) tls.Certificate {
	t.Helper()
	key := newKey(t)
	got, err := a.Issue(request(t, &x509.CertificateRequest{}, key), agent)
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(got.Chain[0])
	require.NoError(t, err)
	return tls.Certificate{Certificate: got.Chain, PrivateKey: key, Leaf: leaf}
}

func TestFilesAndModes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "authority")
	a := open(t, dir, now)
	info, err := os.Stat(filepath.Join(dir, "authority.key"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	info, err = os.Stat(dir)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700), info.Mode().Perm())
	sum := sha256.Sum256(a.Certificate())
	assert.Equal(t, hex.EncodeToString(sum[:]), a.Fingerprint())
	assert.Equal(t, a.Fingerprint(), open(t, dir, now.AddDate(3, 0, 0)).Fingerprint(), "the same authority ever after")
	root, err := x509.ParseCertificate(a.Certificate())
	require.NoError(t, err)
	assert.Equal(t, 2051, root.NotAfter.Year())
	assert.True(t, root.IsCA && root.MaxPathLenZero)
}

func TestRefusesToMakeASecondAuthority(t *testing.T) {
	dir := t.TempDir()
	open(t, dir, now)
	require.NoError(t, os.Remove(filepath.Join(dir, "authority.key")))
	_, err := authority.Open(authority.Options{Dir: dir})
	require.ErrorContains(t, err, "put the key back")
	other := t.TempDir()
	open(t, other, now)
	b, err := os.ReadFile(filepath.Join(other, "authority.key"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "authority.key"), b, 0o600))
	_, err = authority.Open(authority.Options{Dir: dir})
	require.ErrorContains(t, err, "does not belong")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "authority.key"), []byte("nonsense"), 0o600))
	_, err = authority.Open(authority.Options{Dir: dir})
	require.ErrorContains(t, err, "holds no PRIVATE KEY")
}

func TestAKeyWithoutACertificateIsTakenUp(t *testing.T) {
	dir := t.TempDir()
	open(t, dir, now)
	before, err := os.ReadFile(filepath.Join(dir, "authority.key"))
	require.NoError(t, err)
	require.NoError(t, os.Remove(filepath.Join(dir, "authority.crt")))
	open(t, dir, now)
	after, err := os.ReadFile(filepath.Join(dir, "authority.key"))
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

func TestIssue(t *testing.T) {
	a := open(t, t.TempDir(), now)
	key := newKey(t)
	uri, err := url.Parse("spiffe://hourbell/agent/somebody-else")
	require.NoError(t, err)
	csr := request(t, &x509.CertificateRequest{Subject: pkix.Name{CommonName: "somebody-else"}, URIs: []*url.URL{uri}, DNSNames: []string{"hourbell"}}, key)
	got, err := a.Issue(csr, "a1")
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(got.Chain[0])
	require.NoError(t, err)
	require.Len(t, leaf.URIs, 1)
	assert.Equal(t, "spiffe://hourbell/agent/a1", leaf.URIs[0].String(), "the names asked for are ignored")
	assert.Empty(t, leaf.DNSNames)
	assert.Equal(t, "a1", leaf.Subject.CommonName)
	assert.Equal(t, now.Add(-24*time.Hour), leaf.NotBefore)
	assert.Equal(t, time.Date(2032, 8, 2, 12, 0, 0, 0, time.UTC), leaf.NotAfter)
	assert.Equal(t, []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}, leaf.ExtKeyUsage)
	assert.Equal(t, 127, leaf.SerialNumber.BitLen())
	assert.False(t, leaf.IsCA)
	id, sum, err := authority.AgentID(leaf)
	require.NoError(t, err)
	assert.Equal(t, "a1", id)
	assert.Equal(t, got.Key, sum)
	want, err := authority.KeyHash(&key.PublicKey)
	require.NoError(t, err)
	assert.Equal(t, want, sum)
}

func TestBadRequests(t *testing.T) {
	a := open(t, t.TempDir(), now)
	big, err := rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	forged := request(t, &x509.CertificateRequest{}, newKey(t))
	forged[len(forged)-1] ^= 1
	cases := map[string][]byte{
		"empty": nil, "nonsense": []byte("nonsense"),
		"RSA": request(t, &x509.CertificateRequest{}, big), "P-384": request(t, &x509.CertificateRequest{}, p384), "forged": forged,
	}
	for name, csr := range cases {
		_, err := a.Issue(csr, "a1")
		assert.Equal(t, fault.FieldInvalid, fault.ReasonOf(fault.Status(err)), name)
		assert.ErrorContains(t, err, "certificate_request", name)
	}
	for _, id := range []string{"", "a/b", "..", "a b", "é"} {
		_, err := a.Issue(request(t, &x509.CertificateRequest{}, newKey(t)), id)
		assert.ErrorContains(t, err, "agent id", id)
	}
}

func TestAgentIDOfForeignCertificates(t *testing.T) {
	for _, uris := range [][]string{nil, {"spiffe://other/agent/a1"}, {"spiffe://hourbell/person/a1"}, {"spiffe://hourbell/agent/"},
		{"spiffe://hourbell/agent/a/b"}, {"spiffe://hourbell/agent/a1", "spiffe://hourbell/agent/a2"}, {"https://hourbell/agent/a1"}} {
		cert := &x509.Certificate{}
		for _, u := range uris {
			p, err := url.Parse(u)
			require.NoError(t, err)
			cert.URIs = append(cert.URIs, p)
		}
		_, _, err := authority.AgentID(cert)
		assert.Error(t, err, "%v", uris)
	}
}

// handshake tries one connection over loopback and gives both sides' errors.
func handshake(t *testing.T, server, client *tls.Config) (cs tls.ConnectionState, err error) {
	t.Helper()
	l, err := tls.Listen("tcp", "127.0.0.1:0", server)
	require.NoError(t, err)
	defer l.Close()
	served := make(chan error, 1)
	go func() {
		c, err := l.Accept()
		if err == nil {
			err = errors.Join(c.(*tls.Conn).Handshake(), writeClose(c))
		}
		served <- err
	}()
	c, err := tls.Dial("tcp", l.Addr().String(), client)
	if err == nil {
		cs = c.ConnectionState()
		_, err = c.Read(make([]byte, 1)) // TLS 1.3: the server judges after the client is done
		c.Close()
	}
	return cs, errors.Join(err, <-served)
}

func writeClose(c net.Conn) error {
	_, err := c.Write([]byte{1})
	return errors.Join(err, c.Close())
}

func trusting(a *authority.Authority, at time.Time, certs ...tls.Certificate) *tls.Config {
	pool := x509.NewCertPool()
	for _, der := range a.Authorities() {
		c, err := x509.ParseCertificate(der)
		if err == nil {
			pool.AddCert(c)
		}
	}
	return &tls.Config{RootCAs: pool, Certificates: certs, Time: func() time.Time { return at }, ServerName: authority.ServerName}
}

func TestMutualTLS(t *testing.T) {
	a := open(t, t.TempDir(), now, "harvest.example", "192.0.2.7")
	stranger := open(t, t.TempDir(), now)
	_, err := handshake(t, a.ServerTLS(authority.Agents), trusting(a, now, issue(t, a, "a1")))
	require.NoError(t, err)
	_, err = handshake(t, a.ServerTLS(authority.Agents), trusting(a, now))
	assert.Error(t, err, "without a certificate nobody comes in")
	_, err = handshake(t, a.ServerTLS(authority.Agents), trusting(a, now, issue(t, stranger, "a1")))
	assert.Error(t, err, "nor with another authority's")
	_, err = handshake(t, a.ServerTLS(authority.Agents), trusting(stranger, now, issue(t, a, "a1")))
	assert.Error(t, err, "nor does the agent take another service")
	for _, l := range []authority.Listener{authority.Enrol, authority.People} {
		cs, err := handshake(t, a.ServerTLS(l), trusting(a, now))
		require.NoError(t, err)
		require.NoError(t, cs.PeerCertificates[0].VerifyHostname("harvest.example"))
		require.NoError(t, cs.PeerCertificates[0].VerifyHostname("192.0.2.7"))
		assert.Equal(t, a.Certificate(), cs.PeerCertificates[1].Raw, "whoever knows the fingerprint only can check it")
	}
}

func TestClocksOfAgents(t *testing.T) {
	dir := t.TempDir()
	a := open(t, dir, now)
	agent := issue(t, a, "a1")
	built := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	_, err := handshake(t, a.ServerTLS(authority.Agents), trusting(a, built, agent))
	assert.NoError(t, err, "a box that knows only the day it was built")
	_, err = handshake(t, a.ServerTLS(authority.Agents), trusting(a, time.Unix(0, 0), agent))
	assert.Error(t, err, "1970 is nobody's time")
	_, err = handshake(t, open(t, dir, now.AddDate(0, 14, 0)).ServerTLS(authority.Agents), trusting(a, now, agent))
	assert.Error(t, err, "the agent's own certificate ends after thirteen months")
	_, err = handshake(t, open(t, dir, now.AddDate(0, 12, 0)).ServerTLS(authority.Agents), trusting(a, now, agent))
	assert.NoError(t, err)
}

func TestListenersCertificateIsKeptAndRenewed(t *testing.T) {
	dir := t.TempDir()
	at := now
	a, err := authority.Open(authority.Options{Dir: dir, Now: func() time.Time { return at }})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, a.Close()) })
	leaf := func(a *authority.Authority) string {
		c, err := a.ServerTLS(authority.People).GetCertificate(nil)
		require.NoError(t, err)
		return c.Leaf.SerialNumber.String()
	}
	first := leaf(a)
	assert.Equal(t, first, leaf(open(t, dir, now.AddDate(0, 6, 0))), "kept over a restart")
	assert.NotEqual(t, first, leaf(open(t, dir, now, "new.example")), "another name, another certificate")
	second := leaf(open(t, dir, now))
	at = now.AddDate(0, 7, 0)
	assert.NotEqual(t, second, leaf(a), "renewed while the service runs, once half of its life has gone")
}

func TestRetiredAuthorityStaysTrusted(t *testing.T) {
	old, dir := t.TempDir(), t.TempDir()
	before := open(t, old, now)
	agent := issue(t, before, "a1")
	b, err := os.ReadFile(filepath.Join(old, "authority.crt"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "retired.crt"), b, 0o644))
	a := open(t, dir, now)
	require.Len(t, a.Authorities(), 2)
	_, err = handshake(t, a.ServerTLS(authority.Agents), trusting(a, now, agent))
	assert.NoError(t, err)
}
