package authority

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/hourbell/hourbell/service/fault"
)

// Open opens the authority, which is made if it isn't there. It refuses to make
// a new one beside a certificate whose key is gone: agents pin the old one.
func Open(o Options) (*Authority, error) {
	o = o.withDefaults()
	f, err := openFiles(o.Dir)
	if err != nil {
		return nil, fmt.Errorf("open authority: %w", err)
	}
	a := &Authority{o: o, files: f, leaves: make(map[Listener]*tls.Certificate)}
	if err := a.load(); err != nil {
		return nil, errors.Join(fmt.Errorf("open authority in %s: %w", o.Dir, err), f.close())
	}
	return a, nil
}

func (o Options) withDefaults() Options {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Reader
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Names = slices.Concat([]string{ServerName, "localhost", "127.0.0.1", "::1"}, o.Names)
	slices.Sort(o.Names)
	o.Names = slices.Compact(o.Names)
	return o
}

// Close lets go of the folder.
func (a *Authority) Close() error { return a.files.close() }

// Certificate is the authority's own, DER.
func (a *Authority) Certificate() []byte { return a.cert.Raw }

// Authorities are all that an agent is to trust, DER, the present one first.
func (a *Authority) Authorities() [][]byte {
	out := [][]byte{a.cert.Raw}
	for _, c := range a.retired {
		out = append(out, c.Raw)
	}
	return out
}

// Fingerprint is SHA-256 of the authority's certificate in hexadecimal digits:
// what an agent and people pin.
func (a *Authority) Fingerprint() string {
	sum := sha256.Sum256(a.cert.Raw)
	return hex.EncodeToString(sum[:])
}

// ServerTLS is the configuration of one of the service's listeners. Its
// certificate is renewed by itself once half of its life has gone.
func (a *Authority) ServerTLS(l Listener) *tls.Config {
	c := &tls.Config{
		MinVersion:     tls.VersionTLS13,
		Time:           a.o.Now,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return a.leaf(l) },
	}
	if l == Agents {
		c.ClientAuth = tls.RequireAndVerifyClientCert
		c.ClientCAs = a.pool()
	}
	return c
}

// Issue makes an agent's certificate for the key of a certificate request
// (PKCS #10, DER). The request's own subject and names are ignored.
func (a *Authority) Issue(csr []byte, agentID string) (Issued, error) {
	key, err := RequestKey(csr)
	if err != nil {
		return Issued{}, err
	}
	uri, err := AgentURI(agentID)
	if err != nil {
		return Issued{}, err
	}
	now := a.o.Now()
	tmpl := &x509.Certificate{
		Subject: pkix.Name{CommonName: agentID}, URIs: []*url.URL{uri},
		NotBefore: now.Add(-backdated), NotAfter: now.AddDate(0, leafMonths, 0),
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}, BasicConstraintsValid: true,
	}
	der, err := a.sign(tmpl, key)
	if err != nil {
		return Issued{}, fmt.Errorf("issue certificate of agent %s: %w", agentID, err)
	}
	sum, err := KeyHash(key)
	return Issued{Chain: [][]byte{der, a.cert.Raw}, NotAfter: tmpl.NotAfter, Key: sum}, err
}

// RequestKey reads the key out of a certificate request and checks that whoever
// made the request holds it. Only P-256 is taken.
func RequestKey(csr []byte) (*ecdsa.PublicKey, error) {
	bad := func(why string) error {
		return &fault.RefusedError{Field: "certificate_request", Why: why, Fix: "send a PKCS #10 request in DER, signed with a P-256 key"}
	}
	req, err := x509.ParseCertificateRequest(csr)
	if err != nil {
		return nil, bad("it is no certificate request")
	}
	key, is := req.PublicKey.(*ecdsa.PublicKey)
	if !is || key.Curve != elliptic.P256() {
		return nil, bad("its key is not on the curve P-256")
	}
	if err := req.CheckSignature(); err != nil {
		return nil, bad("its signature does not fit its key")
	}
	return key, nil
}

// KeyHash is SHA-256 of a public key's PKIX form.
func KeyHash(key *ecdsa.PublicKey) ([32]byte, error) {
	der, err := x509.MarshalPKIXPublicKey(key)
	if err != nil {
		return [32]byte{}, fmt.Errorf("hash public key: %w", err)
	}
	return sha256.Sum256(der), nil
}

var idForm = regexp.MustCompile(`^[a-zA-Z0-9][a-zA-Z0-9._-]{0,127}$`)

// AgentURI is the one name in an agent's certificate:
// spiffe://hourbell/agent/ID.
func AgentURI(agentID string) (*url.URL, error) {
	if !idForm.MatchString(agentID) {
		return nil, fmt.Errorf("agent id %q can't stand in a certificate: letters, digits, '.', '_' and '-' only", agentID)
	}
	return &url.URL{Scheme: "spiffe", Host: TrustDomain, Path: "/agent/" + agentID}, nil
}

// AgentID reads an agent's id out of its certificate, and SHA-256 of the key it
// is for.
func AgentID(cert *x509.Certificate) (id string, key [32]byte, err error) {
	key = sha256.Sum256(cert.RawSubjectPublicKeyInfo)
	if len(cert.URIs) != 1 {
		return "", key, fmt.Errorf("certificate %x has %d URIs, an agent's has one", cert.SerialNumber, len(cert.URIs))
	}
	id, found := strings.CutPrefix(cert.URIs[0].String(), "spiffe://"+TrustDomain+"/agent/")
	if !found || !idForm.MatchString(id) {
		return "", key, fmt.Errorf("certificate %x names %q, which is no agent", cert.SerialNumber, cert.URIs[0])
	}
	return id, key, nil
}

func (a *Authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	for _, c := range a.retired {
		pool.AddCert(c)
	}
	return pool
}

func (a *Authority) load() (err error) {
	if a.key, err = a.files.key("authority.key"); err != nil {
		return err
	}
	certs, err := a.files.certs("authority.crt")
	if err != nil {
		return err
	}
	if a.retired, err = a.files.certs("retired.crt"); err != nil {
		return err
	}
	switch {
	case a.key == nil && certs != nil:
		return errors.New("authority.crt is there and authority.key is not: put the key back from a copy; with a new authority every agent would have to be enrolled again, and to want that, remove authority.crt")
	case a.key == nil:
		if a.key, err = a.makeKey("authority.key"); err != nil {
			return err
		}
	case certs != nil && !a.key.PublicKey.Equal(certs[0].PublicKey):
		return errors.New("authority.key does not belong to authority.crt: put the two back from one copy")
	}
	if certs != nil {
		a.cert = certs[0]
		return nil
	}
	return a.makeRoot()
}

func (a *Authority) makeKey(name string) (*ecdsa.PrivateKey, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), a.o.Rand)
	if err != nil {
		return nil, err
	}
	return key, a.files.writeKey(name, key)
}

// longAgo is before any build of an agent, so that an agent that knows no better
// time than its own build still finds the authority valid.
func longAgo() time.Time { return time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC) }

func (a *Authority) makeRoot() error {
	tmpl := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "Hourbell authority"},
		NotBefore: longAgo(), NotAfter: a.o.Now().AddDate(authorityYears, 0, 0),
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		IsCA:     true, BasicConstraintsValid: true, MaxPathLenZero: true,
	}
	a.cert = tmpl
	der, err := a.sign(tmpl, &a.key.PublicKey)
	if err != nil {
		return err
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		return err
	}
	a.o.Log.Info("authority made", "fingerprint", a.Fingerprint(), "until", a.cert.NotAfter)
	return a.files.writeCert("authority.crt", der)
}

// sign gives the template a random serial of 128 bits and the authority's
// signature.
func (a *Authority) sign(tmpl *x509.Certificate, key *ecdsa.PublicKey) ([]byte, error) {
	serial := make([]byte, 16)
	if _, err := io.ReadFull(a.o.Rand, serial); err != nil {
		return nil, fmt.Errorf("draw serial: %w", err)
	}
	serial[0] |= 0x40 // never zero, and always of full length
	serial[0] &= 0x7f // positive in DER without a byte more
	tmpl.SerialNumber = new(big.Int).SetBytes(serial)
	return x509.CreateCertificate(a.o.Rand, tmpl, a.cert, key, a.key)
}

// leaf gives a listener's certificate, made anew where it is none, half over, or
// for other names.
func (a *Authority) leaf(l Listener) (*tls.Certificate, error) {
	if l == Enrol {
		l = Agents
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if c := a.leaves[l]; c != nil && a.fresh(c.Leaf) {
		return c, nil
	}
	c, err := a.loadLeaf(l.file())
	if err != nil {
		return nil, fmt.Errorf("certificate of the listener: %w", err)
	}
	if c == nil {
		if c, err = a.makeLeaf(l); err != nil {
			return nil, fmt.Errorf("make certificate of the listener: %w", err)
		}
	}
	a.leaves[l] = c
	return c, nil
}

func (l Listener) file() string {
	if l == People {
		return "people"
	}
	return "agents"
}

// fresh reports whether less than half of the certificate's life since it was
// made has gone; what is valid from long ago was made thirteen months before it
// ends.
func (a *Authority) fresh(c *x509.Certificate) bool {
	made := c.NotAfter.AddDate(0, -leafMonths, 0)
	half := made.Add(c.NotAfter.Sub(made) / 2)
	return a.o.Now().Before(half) && slices.Equal(namesOf(c), a.o.Names) && c.CheckSignatureFrom(a.cert) == nil
}

func namesOf(c *x509.Certificate) []string {
	out := slices.Clone(c.DNSNames)
	for _, ip := range c.IPAddresses {
		out = append(out, ip.String())
	}
	slices.Sort(out)
	return out
}

// loadLeaf gives the kept certificate, nil where it isn't of use any more.
func (a *Authority) loadLeaf(name string) (*tls.Certificate, error) {
	key, err := a.files.key(name + ".key")
	if err != nil {
		return nil, err
	}
	certs, err := a.files.certs(name + ".crt")
	if err != nil || key == nil || certs == nil {
		return nil, err
	}
	if !a.fresh(certs[0]) || !key.PublicKey.Equal(certs[0].PublicKey) {
		return nil, nil
	}
	return a.tlsCert(certs[0], key), nil
}

func (a *Authority) makeLeaf(l Listener) (*tls.Certificate, error) {
	key, err := a.makeKey(l.file() + ".key")
	if err != nil {
		return nil, err
	}
	now := a.o.Now()
	tmpl := &x509.Certificate{
		Subject:   pkix.Name{CommonName: ServerName},
		NotBefore: now.Add(-backdated), NotAfter: now.AddDate(0, leafMonths, 0),
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	if l == Agents {
		tmpl.NotBefore = longAgo()
	}
	for _, name := range a.o.Names {
		if ip := net.ParseIP(name); ip != nil {
			tmpl.IPAddresses = append(tmpl.IPAddresses, ip)
		} else {
			tmpl.DNSNames = append(tmpl.DNSNames, name)
		}
	}
	der, err := a.sign(tmpl, &key.PublicKey)
	if err != nil {
		return nil, err
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	return a.tlsCert(cert, key), a.files.writeCert(l.file()+".crt", der)
}

// tlsCert sends the authority along, so that a client that knows only its
// fingerprint can check it.
func (a *Authority) tlsCert(cert *x509.Certificate, key *ecdsa.PrivateKey) *tls.Certificate {
	return &tls.Certificate{Certificate: [][]byte{cert.Raw, a.cert.Raw}, PrivateKey: key, Leaf: cert}
}
